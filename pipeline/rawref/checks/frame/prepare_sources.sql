-- What the rules over the sources and the reference stage read, computed once: foods in scope and their values.
-- chk_food: raw animal foods and every food that stands for an ingredient; key (source, food_id).
create or replace table rules.chk_food as
select f.*, f.realm = 'animal' and f.state = 'raw' as raw_animal, l.food_id is not null as linked,
  try_cast(a.nitrogen_factor as double) as nitrogen_factor, try_cast(a.protein_factor as double) as protein_factor,
  try_cast(a.fat_factor as double) as fat_factor, try_cast(a.cho_factor as double) as cho_factor
from reference.foods f
  left join archival.foods a using (source, release, food_id)
  left join (select distinct source, food_id from reference.links) l using (source, food_id)
where f.source <> 'maintainer' and (f.realm = 'animal' and f.state = 'raw' or l.food_id is not null);

-- chk_row: every row of the reference stage for those foods, with `x`, the figure that the source prints (a printed
-- zero that is below detection counts as the 0 that is printed, as the rules judge what was published), and whether it
-- is the `first` choice of the registry for the component.
create or replace table rules.chk_row as
with figures as (
  select v.source, v.food_id, v.component, v.source_component, v.preference, v.text, v.source_unit, v.value, v.high,
    v.unit, v.status,
    v.evidence, v.n, v.se, v.source_code, v.derivation, v.donor_food_id, v.donor_state, v.steps, v.year, f.raw_animal,
    f.linked, f.part, f.species, f.species_group, f.bone, f.composite, f.duplicate_of,
    coalesce(v.value, if(v.status = 'below_detection' and v.high is null and try_cast(v.text as double) = 0, 0,
      null)) as x
  from reference."values" v join chk_food f using (source, release, food_id)
)
select *, true as first from figures anti join reference.several using (source, component)
union all
select *, row_number() over (partition by source, food_id, component order by (x is null), preference,
  source_component) = 1
from figures semi join reference.several using (source, component);

-- chk_value: that first choice alone; key (source, food_id, component).
create or replace view rules.chk_value as select * exclude (first) from rules.chk_row where first;

-- What every rule hands over: one row per subject judged, with the figure to hold against the thresholds; a rule that
-- has no figure hands over only what breaks it.
create or replace table rules.chk_figure(
  rule_id text, class text, origin text, source text, food_id text, source_component text, ingredient_id text,
  component text, x double default 1, x2 double, detail text);

-- Rules over very many subjects hand over only those that break them, and the number that was looked at.
create or replace table rules.chk_evaluated(rule_id text, n bigint);
