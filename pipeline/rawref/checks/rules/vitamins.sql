-- Vitamins: V01 to V20.
insert into chk_figure by name
select 'V01' as rule_id, origin, source, food_id, 'RETOL' as component,
  greatest("RETOL" - "VITA_RAE", coalesce("VITA_RAE" - "VITA", 0)) as x,
  100 * greatest("RETOL" - "VITA_RAE", coalesce("VITA_RAE" - "VITA", 0)) / greatest("VITA_RAE", 1e-9) as x2,
  format('retinol {}, RAE {}, RE {}', "RETOL", "VITA_RAE", coalesce("VITA"::text, 'not given')) as detail
from chk_wide where origin = 'food' and "RETOL" is not null and "VITA_RAE" is not null;
insert into chk_figure by name
with parts as (
  select *, "RETOL" + "CARTB" / 12 + ("CARTA" + "CRYPXB") / 24 as rae,
    "RETOL" / 0.3 + "CARTB" / 0.6 + ("CARTA" + "CRYPXB") / 1.2 as iu
  from chk_wide where origin = 'food'
)
select 'V02' as rule_id, origin, source, food_id, 'VITA_RAE' as component, abs(rae - "VITA_RAE") as x,
  100 * abs(rae - "VITA_RAE") / greatest("VITA_RAE", 1e-9) as x2,
  format('parts give {:.1f} ug RAE, printed {}', rae, "VITA_RAE") as detail
from parts where raw_animal
union all by name
select 'V03' as rule_id, origin, source, food_id, 'VITA_IU' as component, abs(iu - "VITA_IU") as x,
  100 * abs(iu - "VITA_IU") / greatest("VITA_IU", 1e-9) as x2,
  format('parts give {:.0f} IU, printed {}', iu, "VITA_IU") as detail
from parts where raw_animal;
insert into chk_figure by name
select 'V04' as rule_id, 'food' as origin, v.source, v.food_id, v.source_component, v.component,
  (contains(v.steps, 'iu') and coalesce(b.x, 1) > 0)::int as x,
    'taken from IU although carotene is not known to be 0' as detail
from chk_value v left join chk_value b on b.source = v.source and b.food_id = v.food_id and b.component = 'CARTB'
where v.component in ('VITA_RAE', 'RETOL') and v.x is not null;
insert into chk_figure by name
select 'V05' as rule_id, origin, source, food_id, ingredient_id, 'RETOL' as component, "RETOL" as x,
  format('retinol {} ug', "RETOL") as detail
from chk_wide where raw_animal and part = 'liver';
insert into chk_figure by name
select 'V06' as rule_id, 'food' as origin, source, food_id, source_component, component,
  (x = 0 and status = 'assumed_zero')::int as x, 'retinol 0, assumed' as detail
from chk_value where component = 'RETOL' and raw_animal and part in ('muscle', 'fat') and x is not null;
insert into chk_figure by name
select 'V07' as rule_id, origin, source, food_id, 'VITD' as component, abs("VITD_IU" - 40 * d.x) as x,
  100 * abs("VITD_IU" - 40 * d.x) / greatest("VITD_IU", 1e-9) as x2, format('{} IU, {} ug', "VITD_IU", d.x) as detail
from chk_wide w join chk_value d using (source, food_id)
where origin = 'food' and d.component = 'VITD' and d.steps = '[]';
insert into chk_figure by name
select 'V08' as rule_id, origin, source, food_id, 'VITD' as component, abs("VITD" - "CHOCAL" - "ERGCAL") as x,
  format('vitamin D {} ug, D2 {} + D3 {}', "VITD", "ERGCAL", "CHOCAL") as detail
from chk_wide where origin = 'food';
insert into chk_figure by name
select 'V09' as rule_id, 'food' as origin, source, food_id, source_component, component,
  (x = 0 and (coalesce(n, 0) = 0 or status = 'assumed_zero'))::int as x,
  format('vitamin D printed {} with n {}: {}', text, coalesce(n, 0), status) as detail
from chk_value
where component = 'VITD' and raw_animal and x is not null
  and (part in ('liver', 'kidney', 'egg_yolk', 'egg_whole', 'fat') or species_group in ('finfish', 'bird')
    and part <> 'egg_white');
insert into chk_figure by name
select 'V09' as rule_id, 'published' as class, 'ingredient' as origin, ingredient_id, component,
  (x = 0 and (coalesce(n, 0) = 0 or status = 'assumed_zero'))::int as x,
  format('vitamin D published as 0 with n {}: {}', coalesce(n, 0), status) as detail
from chk_cell
where component = 'VITD' and kind = 'raw' and x is not null
  and (part in ('liver', 'kidney', 'egg_yolk', 'egg_whole', 'fat') or species_group in ('finfish', 'bird')
    and part <> 'egg_white');

-- Definitions: what a source means by a heading is a stated fact of the catalogue; one that is not listed is unknown.
insert into chk_figure by name
select t.rule_id, 'source' as origin, m.source, m.source_component, m.component,
  case when d.word is null then 1 when d.word = m.component then 0
    when d.word = 'VITDEQ' or d.word = 'VITK' or d.word = 'NIAEQ' then 2
    when d.word = 'THIAHCL' then if(contains(m.steps, 'thiahcl'), 0, 2) else 1 end as x,
  format('{} {} means {}, feeds {}', m.source, m.source_component, coalesce(d.word, 'something not stated'),
    m.component)
    as detail
from (values ('V10', 'VITD'), ('V12', 'NIA'), ('V16', 'THIA'), ('V17', 'VITK1')) t(rule_id, component)
  join reference.component_map m using (component)
  join (select distinct source from archival.releases) p on p.source = m.source
  left join chk_word d on d.rule_id = t.rule_id and d.name = m.source || ':' || m.source_component;

insert into chk_figure by name
select 'V11' as rule_id, origin, source, food_id, 'TOCPHA' as component, "TOCPHA" - "VITE" as x,
  100 * ("TOCPHA" - "VITE") / greatest("VITE", 1e-9) as x2, format('alpha-tocopherol {}, vitamin E {}', "TOCPHA",
    "VITE") as detail
from chk_wide where origin = 'food';
insert into chk_figure by name
select 'V12' as rule_id, 'sum' as class, origin, source, food_id, 'NIA' as component,
  100 * abs("NIA" + 1000 * "TRP" / 60 - "NIAEQ") / nullif("NIAEQ", 0) as x,
  format('niacin {} + tryptophan {} g / 60, equivalents {}', "NIA", "TRP", "NIAEQ") as detail
from chk_wide where origin = 'food';
insert into chk_figure by name
select 'V13' as rule_id, origin, source, food_id, 'FOL' as component,
  greatest(abs("FOL" - "FOLFD" - "FOLAC"), coalesce(abs("FOLDFE" - "FOLFD" - 1.7 * "FOLAC"), 0)) as x,
  100 * x / greatest("FOL", 1e-9) as x2,
  format('folate {}, food {}, folic acid {}, DFE {}', "FOL", "FOLFD", "FOLAC",
    coalesce("FOLDFE"::text, 'not given')) as detail
from chk_wide where origin = 'food' and raw_animal and "FOLFD" is not null and "FOLAC" is not null
  and "FOL" is not null;
insert into chk_figure by name
select 'V14' as rule_id, origin, source, food_id, 'FOL' as component, "FOLAC" as x,
  format('folic acid {} ug in a raw food', "FOLAC") as detail
from chk_wide where origin = 'food' and raw_animal;
insert into chk_figure by name
select 'V15' as rule_id, a.origin, w.source, w.food_id, w.ingredient_id, a.component, (a.x = 0)::int as x,
  format('vitamin B12 is 0, taken as {}', a.status) as detail
from chk_amount a join chk_wide w on w.origin = a.origin and w.key = a.key and w.raw_animal
where a.component = 'VITB12' and a.x is not null and w.part not in ('fat', 'egg_white');
insert into chk_figure by name
select 'V18' as rule_id, origin, source, food_id, ingredient_id, 'CHOLN' as component, "CHOLN" as x,
  format('choline {} mg', "CHOLN") as detail
from chk_wide where raw_animal;
insert into chk_figure by name
select 'V19' as rule_id, if(part = 'muscle', 'muscle', 'organ') as class, origin, source, food_id, 'VITC' as component,
  "VITC" as x, format('vitamin C {} mg', "VITC") as detail
from chk_wide where origin = 'food' and raw_animal and species_group not in ('mollusc', 'crustacean') and part <> 'roe';
insert into chk_figure by name
select 'V20' as rule_id, if(part = 'fat', 'fat', '') as class, origin, source, food_id, 'CARTB' as component,
  "CARTB" as x,
  format('beta-carotene {} ug', "CARTB") as detail
from chk_wide where origin = 'food' and raw_animal;
