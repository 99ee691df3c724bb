-- curated.catalogue: every food of the sources, its facets, and how much of it is known; key (source, food_id).
create table curated.catalogue as
with needed as (
  select v.source, v.release, v.food_id, v.component, v.status
  from reference."values" v semi join reference.components c on c.component = v.component and c.needed
  where v.source <> 'maintainer'
), held as (
  select source, release, food_id, status <> 'missing' as valued, status = 'measured' as measured
  from needed anti join reference.several using (source, component)
  union all by name
  select source, release, food_id, component, bool_or(status <> 'missing') as valued,
    bool_or(status = 'measured') as measured
  from needed semi join reference.several using (source, component) group by all
), coverage as (
  select source, release, food_id, count(*) filter (valued) as components_valued,
    count(*) filter (measured) as components_measured
  from held group by source, release, food_id
), printed as (
  select source, release, food_id, count(*) as figures from archival."values"
  where coalesce(text, '') not in ('', '-') group by all
)
select f.source, f.release, f.food_id, f.name, f.group_name as "group", f.state, f.method, f.species, f.part, f.skin,
  f.bone, f.fat_trim, f.additions, f.may_supply_raw,
  to_json(list_transform(map_entries(from_json(f.witnesses, '"MAP(VARCHAR, VARCHAR)"')),
    lambda e: e.key || ': ' || e.value))::text as witnesses,
  f.langual,
  coalesce(c.components_valued, 0) as components_valued, coalesce(c.components_measured, 0) as components_measured,
  coalesce(p.figures, 0) as figures
from reference.foods f left join coverage c using (source, release, food_id)
  left join printed p using (source, release, food_id)
where f.source <> 'maintainer';
