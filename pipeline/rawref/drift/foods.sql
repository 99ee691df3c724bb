-- drift_food: foods of the sources that came, went or are described otherwise; key (source, food_id). `standing` is
-- added | removed | gained | lost (figures of needed components) | described. `mapped` says whether an ingredient uses
-- it.
create or replace temp table drift_food as
with groups as (
  select species, species_group from read_csv($species_registry, header = true, all_varchar = true)
), b as (from before_catalogue where occurrence = 1), a as (from after_catalogue where occurrence = 1),
used as (
  -- candidates are those that lost: what was chosen stands in values
  select source, food_id from before_candidates union select source, food_id from after_candidates
  union select source, food_id from before_values union select source, food_id from after_values
), paired as (
  select coalesce(a.source, b.source) as source, coalesce(a.food_id, b.food_id) as food_id, b.row_line is null as fresh,
    a.row_line is null as gone, coalesce(a.name, b.name) as name, coalesce(a.part, b.part) as part,
    coalesce(a.species, b.species) as species, coalesce(a.state, b.state) as state,
    coalesce(a.may_supply_raw = 'yes', false) or coalesce(b.may_supply_raw = 'yes', false) as supplies,
    coalesce(try_cast(a.figures as int), 0) - coalesce(try_cast(b.figures as int), 0) as figures,
    b.figures is not null as counted,
    (a.name, a.state, a.species, a.part, a.skin, a.bone, a.fat_trim, a.additions, a.may_supply_raw)
      is distinct from (b.name, b.state, b.species, b.part, b.skin, b.bone, b.fat_trim, b.additions, b.may_supply_raw)
      as described,
    try_cast(a.components_valued as int) - try_cast(b.components_valued as int) as valued,
    (a.components_valued, a.components_measured) is distinct from (b.components_valued, b.components_measured) as counts
  from b full join a on a.source = b.source and a.food_id = b.food_id
)
select p.*, g.species_group, u.food_id is not null as mapped,
  case when fresh then 'added' when gone then 'removed' when counted and figures > 0 then 'gained'
    when counted and figures < 0 then 'lost' when not counted and valued > 0 then 'gained'
    when not counted and valued < 0 then 'lost' when described then 'described' else 'counts' end as standing
from paired p left join groups g using (species) left join used u using (source, food_id)
where fresh or gone or described or counts or counted and figures <> 0;
