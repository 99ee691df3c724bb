-- reference.peers: comparable foods, defined once; key (component, part, species_group). Raw, nothing added, one kind
-- of animal, same part and species group, evidence with samples behind it; composites and duplicates of a source out.
-- Flesh analysed with its bone is no measure of flesh without it.
-- Plants have none: pumpkin, spinach and wheat are one group and one part here, and no measure of each other.
create table reference.peer_values as
with figures as (
  select v.component, f.part, f.species_group, v.source, v.food_id, f.species, v.value, v.n, v.preference,
    v.source_component
  from reference."values" v join reference.foods f using (source, release, food_id)
  where f.may_supply_raw = 'yes' and not f.composite and f.duplicate_of is null and f.part <> 'unknown'
    and f.species_group not in ('none', 'unknown', 'plant')
    and not (f.part = 'muscle' and f.bone = 'yes')
    and v.evidence and v.value is not null
    and (v.n >= 1 or (v.n is null and v.status = 'measured'))
    and not exists (
      from archival.maintainer_decisions x
      where x.action = 'reject' and x.source = v.source and x.food_id = v.food_id
        and coalesce(x.source_component, v.source_component) = v.source_component)
), first as (
  from figures anti join reference.several using (source, component)
  union all
  from figures semi join reference.several using (source, component)
  qualify row_number() over (partition by source, food_id, component
    order by value = 0, preference, source_component) = 1
)
select * exclude (preference, source_component) from first;

create table reference.peers as
with lists as (
  select component, part, species_group, list(value order by value) as amounts
  from reference.peer_values group by all
), middles as (
  select *, list_aggregate(amounts, 'quantile_cont', 0.5) as median from lists
)
select component, part, species_group, len(amounts) as n,
  list_aggregate(amounts, 'quantile_cont', 0.05) as low, median,
  list_aggregate(amounts, 'quantile_cont', 0.95) as high,
  case when len(amounts) >= 5 and median > 0 then
    1.4826 * list_aggregate(list_transform(amounts, lambda x: abs(x - median)), 'quantile_cont', 0.5) / median end as cv
from middles;
