-- Water, protein, fat, carbohydrate, ash and energy: P01 to P12, E01 to E06.
insert into chk_figure by name
select 'P01' as rule_id, origin, source, food_id, ingredient_id,
  "WATER" + "PROCNT" + "FAT" + "ASH" + coalesce("ALC", 0)
    + coalesce("CHOAVL" + coalesce("FIBTG", 0), "CHOCDF") as x,
  format('{:.2f} water + {:.2f} protein + {:.2f} fat + {:.2f} ash + {:.2f} carbohydrate = {:.2f} g', "WATER", "PROCNT",
    "FAT", "ASH", coalesce("CHOAVL" + coalesce("FIBTG", 0), "CHOCDF"), x) as detail
from chk_wide where raw_animal and (cho_status = 'assumed_zero' or "CHOAVL" is not null);

-- Glycogen and other solids are real in liver, shellfish, egg and milk: no low side there.
insert into chk_figure by name
select 'P02' as rule_id,
  if(part = 'liver' or species_group in ('mollusc', 'crustacean')
    or part in ('egg_whole', 'egg_yolk', 'egg_white', 'milk',
    'heart', 'giblets'), 'glycogen', '') as class,
  origin, source, food_id, ingredient_id, "WATER" + "PROCNT" + "FAT" + "ASH" as x,
  format('{:.2f} water + {:.2f} protein + {:.2f} fat + {:.2f} ash = {:.2f} g', "WATER", "PROCNT", "FAT", "ASH", x)
    as detail
from chk_wide where raw_animal;

insert into chk_figure by name
select 'P03' as rule_id, if("CHOCDF" = 0, 'printed_zero', '') as class, origin, source, food_id, ingredient_id,
  'CHOCDF' as component, 100 - "WATER" - "PROCNT" - "FAT" - "ASH" - coalesce("ALC", 0) as x,
  format('by difference {:.2f} g, printed {:.2f}', x, "CHOCDF") as detail
from chk_wide where raw_animal and cho_status <> 'assumed_zero' and "CHOCDF" is not null;

insert into chk_figure by name
select 'P04' as rule_id,
  case when species_group in ('mollusc', 'crustacean') then 'shellfish' when part in ('heart', 'kidney')
    then 'heart_kidney'
    when part = 'liver' then 'liver' else 'muscle' end as class,
  origin, source, food_id, ingredient_id, 'CHOCDF' as component, "CHOCDF" as x,
  format('carbohydrate {:.2f} g', "CHOCDF") as detail
from chk_wide
where raw_animal and (part in ('muscle', 'skin', 'fat', 'heart', 'kidney', 'liver')
  or species_group in ('mollusc', 'crustacean'));

insert into chk_figure by name
select 'P05' as rule_id, origin, source, food_id, ingredient_id, 'FIBTG' as component, "FIBTG" as x,
  format('fibre {:.2f} g', "FIBTG") as detail
from chk_wide where raw_animal and part <> 'milk';

insert into chk_figure by name
select 'P06' as rule_id, origin, source, food_id, ingredient_id, 'CHOCDF' as component, "CHOAVL" - "CHOCDF" as x,
  format('available {:.2f} g, total {:.2f} g', "CHOAVL", "CHOCDF") as detail from chk_wide;
insert into chk_figure by name
select 'P06' as rule_id, origin, source, food_id, ingredient_id, 'CHOCDF' as component,
  "SUGAR" - coalesce("CHOAVL", "CHOCDF") as x,
  format('sugars {:.2f} g, carbohydrate {:.2f} g', "SUGAR", coalesce("CHOAVL", "CHOCDF")) as detail from chk_wide;

insert into chk_figure by name
select 'P07' as rule_id, if(w.origin = 'food', 'food', 'ingredient') as class, w.origin,
  if(w.origin = 'food', split_part(w.key, ':', 1), null) as source,
    if(w.origin = 'food', split_part(w.key, ':', 2), null)
    as food_id, if(w.origin = 'ingredient', w.key, null) as ingredient_id, w.component, w.x,
  format('{} {} g per 100 g', w.component, w.x) as detail
from chk_amount w where w.component in ('WATER', 'PROCNT', 'FAT', 'ASH', 'CHOCDF', 'FIBTG');

insert into chk_figure by name
select 'P08' as rule_id, origin, source, food_id, ingredient_id, "WATER" / nullif("PROCNT", 0) as x,
  format('water {:.2f} / protein {:.2f} = {:.2f}', "WATER", "PROCNT", x) as detail
from chk_wide
where raw_animal and "FAT" < getvariable('chk.P08.fat_below')
  and part in ('muscle', 'heart', 'liver', 'kidney', 'spleen', 'lung',
  'tongue', 'gizzard', 'giblets', 'stomach') and species_group not in ('mollusc', 'crustacean');

insert into chk_figure by name
select 'P09' as rule_id, origin, source, food_id, ingredient_id, "FAT" + "WATER" as x,
  format('fat {:.2f} + water {:.2f} = {:.2f} g', "FAT", "WATER", x) as detail
from chk_wide where raw_animal and part not in ('egg_whole', 'egg_yolk', 'egg_white', 'milk', 'roe', 'bone');

insert into chk_figure by name
select 'P10' as rule_id, if(part = 'fat' or "FAT" > getvariable('chk.P10.fat_tissue'), 'fat', '') as class, origin,
  source, food_id, ingredient_id, 'ASH' as component,
  "ASH" as x, format('ash {:.2f} g', "ASH") as detail
from chk_wide
where raw_animal and bone <> 'yes' and species_group not in ('mollusc', 'crustacean')
  and part not in ('egg_whole', 'egg_yolk', 'egg_white', 'milk', 'roe', 'bone', 'whole_animal',
    'mechanically_separated', 'foot',
    'tail', 'blood', 'variety_meat');

insert into chk_figure by name
select 'P11' as rule_id, origin, source, food_id, ingredient_id, 'ASH' as component,
  (("CA" + "P" + "MG" + "K" + "NA") / 1000 - getvariable('chk.P11.slack_g') ) / nullif("ASH", 0) as x,
  format('Ca + P + Mg + K + Na = {:.3f} g, ash {:.2f} g', ("CA" + "P" + "MG" + "K" + "NA") / 1000, "ASH") as detail
from chk_wide where raw_animal;
insert into chk_figure by name
select 'P11' as rule_id, 'low' as class, origin, source, food_id, ingredient_id, 'ASH' as component,
  ("CA" + "P" + "MG" + "K" + "NA") / 1000 / nullif("ASH", 0) as x,
  format('Ca + P + Mg + K + Na = {:.3f} g, ash {:.2f} g', ("CA" + "P" + "MG" + "K" + "NA") / 1000, "ASH") as detail
from chk_wide where raw_animal;

-- Energy with the source's own factors; a label figure (4-4-9) is another convention and is not judged so.
insert into chk_figure by name
with recomputed as (
  select *, protein_factor * "PROCNT" + fat_factor * "FAT"
    + coalesce(cho_factor, if("CHOCDF" = 0, 0, null)) * "CHOCDF" + coalesce("ALC",
      0) * getvariable('chk.E01.alcohol') as kcal
  from chk_wide where raw_animal and fat_factor is not null
)
select 'E01' as rule_id, origin, source, food_id, ingredient_id, 'ENERC_KCAL' as component,
  abs(kcal - "ENERC_KCAL") as x, 100 * abs(kcal - "ENERC_KCAL") / greatest("ENERC_KCAL", 1e-9) as x2,
  format('recomputed {:.1f} kcal, printed {:.0f}', kcal, "ENERC_KCAL") as detail
from recomputed;

insert into chk_figure by name
with recomputed as (
  select *, 4 * "PROCNT" + 9 * "FAT" + 4 * "CHOCDF" + 7 * coalesce("ALC", 0) as kcal
  from chk_wide where fat_factor is null and raw_animal
)
select 'E02' as rule_id, origin, source, food_id, ingredient_id, 'ENERC_KCAL' as component,
  100 * abs(kcal - "ENERC_KCAL") / nullif("ENERC_KCAL", 0) as x,
  format('4-9-4 gives {:.1f} kcal, printed {:.0f}', kcal, "ENERC_KCAL") as detail
from recomputed;

insert into chk_figure by name
select 'E03' as rule_id, origin, source, food_id, 'ENERC_KJ' as component,
  abs("ENERC_KJ" - 4.184 * "ENERC_KCAL") as x, 100 * abs("ENERC_KJ" - 4.184 * "ENERC_KCAL") / greatest("ENERC_KJ",
    1e-9) as x2,
  format('{:.0f} kJ, {:.0f} kcal', "ENERC_KJ", "ENERC_KCAL") as detail
from chk_wide where origin = 'food';

insert into chk_figure by name
with stated as (
  select c.*, w.word as convention
  from chk_cell c left join chk_word w on w.rule_id = 'E04' and w.name = c.source || ':' || c.source_component
  where c.component = 'ENERC_KCAL' and c.value is not null and c.status <> 'assumed_zero'
    and c.kind = 'raw' and c.source <> 'maintainer'
)
select 'E04' as rule_id, 'ingredient' as origin, ingredient_id, component,
  case when convention is null then 1
    when convention <> mode(convention) over () then 2 else 0 end as x,
  format('energy after {}', coalesce(convention, 'an equation that is not stated: ' || source || ':'
    || source_component))
    as detail
from stated;

insert into chk_figure by name
select 'E05' as rule_id, origin, source, food_id, ingredient_id, 'ENERC_KCAL' as component, "ENERC_KCAL" as x,
  format('{:.0f} kcal', "ENERC_KCAL") as detail from chk_wide;

insert into chk_figure by name
with kcal as (
  select *, 100 - "WATER" - "PROCNT" - "FAT" - "ASH" - coalesce("ALC", 0) as cho from chk_wide
  where origin = 'food'
    and source in (select source from reference.source_traits where trait = 'general_energy')
    and "ENERC_KCAL_ATWGEN" is not null
)
select 'E06' as rule_id, origin, source, food_id, 'ENERC_KCAL_ATWGEN' as component,
  abs(4 * "PROCNT" + 9 * "FAT" + 4 * cho - "ENERC_KCAL_ATWGEN") as x,
  format('4-9-4 with carbohydrate {:.2f} gives {:.1f} kcal, printed {:.1f}', cho, 4 * "PROCNT" + 9 * "FAT" + 4 * cho,
    "ENERC_KCAL_ATWGEN") as detail
from kcal;
insert into chk_figure by name
select 'E06' as rule_id, 'negative' as class, origin, source, food_id, 'ENERC_KCAL_ATWGEN' as component,
  100 - "WATER" - "PROCNT" - "FAT" - "ASH" - coalesce("ALC", 0) as x,
  format('needs the negative carbohydrate {:.2f} g', x) as detail
from chk_wide where origin = 'food'
    and source in (select source from reference.source_traits where trait = 'general_energy')
    and "ENERC_KCAL_ATWGEN" is not null;

-- A tag of the source for protein, fat or carbohydrate must be that of the component it is mapped to.
insert into chk_figure by name
select 'P12' as rule_id, 'source' as origin, c.source, null as food_id, c.source_component, m.component,
  case when c.tagname <> m.component and t.word is not null then 2 when c.tagname like '%-' then 1 else 0 end as x,
  format('{} {} has tag {} and feeds {}', c.source, c.source_component, c.tagname, m.component) as detail
from archival.components c join reference.component_map m using (source, source_component)
  left join chk_word t on t.rule_id = 'P12' and t.name = 'tags' and t.word = c.tagname
where coalesce(c.tagname, '') <> '' and (t.word is not null or c.tagname like '%-')
  and m.component in (select word from chk_word where rule_id = 'P12' and name = 'tags');
