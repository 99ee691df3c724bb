-- Minerals, and outliers within part and species group on the log scale: M01 to M11.
create or replace table rules.chk_screened as
select 'food' as origin, source, food_id, source_component, null::text as ingredient_id, component, part, species_group,
  log10(x) as lx
from chk_value where raw_animal and x > 0
union all by name
select 'ingredient' as origin, null as source, null as food_id, null as source_component, ingredient_id, component,
  part,
  species_group, log10(x) as lx
from chk_cell where kind = 'raw' and x > 0 and species_group not in ('plant', 'none');

insert into chk_figure by name
select 'M01' as rule_id, if(g.n >= getvariable('chk.M01.group_from'), '', 'part') as class, s.origin, s.source,
  s.food_id,
  s.source_component, s.ingredient_id, s.component,
  s.lx - if(g.n >= getvariable('chk.M01.group_from'), g.middle, p.middle) as x,
  if(abs(x) > getvariable('chk.M01.told_from'), format('{} {:.4g}, median of {} {} is {:.4g}: factor {:.3g}',
    s.component,
    pow(10, s.lx), if(g.n >= getvariable('chk.M01.group_from'), s.species_group, 'any'), s.part,
    pow(10, if(g.n >= getvariable('chk.M01.group_from'), g.middle, p.middle)), pow(10, x)), '') as detail
from chk_screened s
  join reference.components c on c.component = s.component
    and c."group" in ('macro_mineral', 'trace_element', 'fat_soluble_vitamin', 'b_vitamin_and_other')
  left join chk_group g on g.component = s.component and g.part = s.part and g.species_group = s.species_group
  left join chk_part p on p.component = s.component and p.part = s.part
where g.n >= getvariable('chk.M01.group_from') or p.n >= getvariable('chk.M01.group_from');

insert into chk_figure by name
select 'M02' as rule_id, s.origin, s.source, s.food_id, s.source_component, s.ingredient_id, s.component,
  (s.lx - g.middle) / greatest(g.sigma, getvariable('chk.M02.sigma_floor')) as x, abs(s.lx - g.middle) as x2,
  if(abs(x) > getvariable('chk.M02.told_from'), format('{} {:.4g}, median of {} {} {} is {:.4g}: robust z {:.1f}',
    s.component, pow(10, s.lx), g.n, s.species_group, s.part, pow(10, g.middle), x), '') as detail
from chk_screened s
  join chk_group g on g.component = s.component and g.part = s.part and g.species_group = s.species_group
    and g.n >= getvariable('chk.M02.group_from')
where exists (from chk_value); -- published cells alone are too few and too alike to be their own comparison

create or replace table rules.chk_flesh as
select *, species_group in ('bovine', 'sheep_goat', 'pig', 'rabbit', 'game', 'equine', 'bird') as land
from chk_wide
where raw_animal and bone <> 'yes' and species_group not in ('mollusc', 'crustacean')
  and part not in ('egg_whole', 'egg_yolk', 'egg_white', 'milk', 'roe', 'bone', 'whole_animal',
    'mechanically_separated', 'blood');

insert into chk_figure by name
select 'M03' as rule_id, origin, source, food_id, ingredient_id, 'CA' as component, "CA" / nullif("P", 0) as x,
  format('calcium {} / phosphorus {} = {:.2f}', "CA", "P", x) as detail
from chk_flesh where part in ('muscle', 'heart', 'liver', 'kidney', 'spleen', 'lung', 'tongue', 'brain', 'gizzard',
  'giblets',
  'pancreas', 'thymus');
insert into chk_figure by name
select 'M04' as rule_id, origin, source, food_id, ingredient_id, 'CA' as component, "CA" as x,
  format('calcium {} mg', "CA") as detail
from chk_flesh where part = 'muscle' and land;
insert into chk_figure by name
select 'M05' as rule_id, origin, source, food_id, ingredient_id, 'NA' as component, "NA" as x,
  format('sodium {} mg', "NA") as detail
from chk_flesh where part in ('muscle', 'skin', 'gizzard', 'heart') and land;
insert into chk_figure by name
select 'M06' as rule_id, if(species_group = 'finfish', 'finfish', '') as class, origin, source, food_id, ingredient_id,
  'NA' as component, "K" / nullif("NA", 0) as x,
  format('potassium {} / sodium {} = {:.2f}', "K", "NA", x) as detail
from chk_flesh where part = 'muscle' and (land or species_group = 'finfish');
insert into chk_figure by name
select 'M07' as rule_id, origin, source, food_id, 'NA' as component,
  100 * abs("NACL_EQ" - salt_factor * "NA" / 1000) / nullif("NACL_EQ", 0) as x,
    abs("NACL_EQ" - salt_factor * "NA" / 1000) as x2,
  format('salt {} g, sodium {} mg', "NACL_EQ", "NA") as detail
from (select *, if(source in (
    select source from reference.source_traits where trait = 'salt_factor' and value = 'japan'),
    getvariable('chk.M07.japan'), getvariable('chk.M07.eu')) as salt_factor
  from chk_wide where origin = 'food');
insert into chk_figure by name
select 'M08' as rule_id, origin, source, food_id, ingredient_id, 'P' as component, "P" / nullif("PROCNT", 0) as x,
  format('phosphorus {} mg in {} g protein = {:.1f} mg/g', "P", "PROCNT", x) as detail
from chk_flesh where part in ('muscle', 'heart', 'kidney', 'liver');
insert into chk_figure by name
select 'M09' as rule_id,
  case when species_group in ('bovine', 'sheep_goat') then 'ruminant' when species in ('duck', 'goose') then 'waterfowl'
    when species_group in ('pig', 'bird') then 'pig_poultry' else 'any' end as class,
  origin, source, food_id, ingredient_id, 'CU' as component, "CU" as x, format('copper {} mg', "CU") as detail
from chk_wide where raw_animal and part = 'liver';
insert into chk_figure by name
select 'M10' as rule_id, a.origin, w.source, w.food_id, w.ingredient_id, a.component, (a.x = 0)::int as x,
  format('{} is 0', a.component) as detail
from chk_amount a join chk_wide w on w.origin = a.origin and w.key = a.key and w.raw_animal
where a.component in ('CA', 'P', 'K', 'NA', 'MG', 'FE', 'ZN', 'SE') and a.x is not null
  and w.part not in ('fat', 'oil');
insert into chk_figure by name
select 'M11' as rule_id, a.origin, w.source, w.food_id, w.ingredient_id, a.component,
  (a.x = 0 and a.status not in ('below_detection', 'trace', 'assumed_zero'))::int as x,
  format('{} is 0, taken as {}', a.component, a.status) as detail
from chk_amount a join chk_wide w on w.origin = a.origin and w.key = a.key and w.raw_animal
where a.component in ('MN', 'CU', 'ID') and a.x is not null;
