-- What an unknown cell rests on: comparable foods (peers.sql) of other ingredients. ceiling_targets: every cell of a raw
-- ingredient, with its figure where there is evidence of one; what is known is foretold as if it were not, twice: by
-- all comparable foods but those of the ingredient, and by those of other species alone. Key (ingredient_id, component,
-- reach).
create temp table ceiling_foods as
select distinct v.component, v.part, v.species_group, v.species, v.source, v.food_id, round(ln(v.value), 9) as x,
  curated.class_of(v.part, v.species_group) as class
from reference.peer_values v where v.value > 0;

create temp table ceiling_targets as
with cells as (
  select v.ingredient_id, v.component, k.part, k.species_group, k.species, v.source, v.food_id,
    if(v.evidence and v.value > 0, round(ln(v.value), 9), null) as x, k.class
  from curated."values" v join curated.ingredient_keys k using (ingredient_id)
  where k.kind = 'raw' and k.class <> 'other'
), own as (
  select distinct ingredient_id, source, food_id from reference.links
), near as (
  select c.ingredient_id, c.component, f.x, f.species = c.species as same
  from cells c join ceiling_foods f using (component, part, species_group)
    left join own o on o.ingredient_id = c.ingredient_id and o.source = f.source and o.food_id = f.food_id
  where o.food_id is null
), reached as (
  select ingredient_id, component, 'near' as reach, count(*) as n, max(x) as top, quantile_cont(x, 0.95) as most
  from near group by all having bool_or(same) and count(*) >= 3
  union all by name
  select ingredient_id, component, 'far' as reach, count(*) as n, max(x) as top, quantile_cont(x, 0.95) as most
  from near where not same group by all
), classes as (
  select component, class, species, list(x order by x) as amounts from ceiling_foods group by all
), broad as (
  select c.class, c.component, c.species, 'class' as reach, count(*) as n, max(x) as top,
    quantile_cont(f.x, 0.95) as most
  from (select distinct class, component, species from cells) c
    join ceiling_foods f on f.component = c.component and f.class = c.class and f.species <> c.species
  -- of fewer no bound held out of sample: chicken holds ten times the menaquinone-4 of the other meats
  group by all having count(*) >= 10
), targets as (
  select c.*, r.reach, r.n, r.top, r.most from cells c join reached r using (ingredient_id, component)
  union all by name
  select c.*, b.reach, b.n, b.top, b.most from cells c join broad b using (class, component, species)
)
select row_number() over (order by p.position, t.ingredient_id, t.reach) - 1 as target_id, t.ingredient_id,
  t.component, t.reach, t.n::int as n, list_position(['near', 'far', 'class'], t.reach) - 1 as reach_code,
  dense_rank() over (order by p."group") - 1 as group_code, dense_rank() over (order by t.species) - 1 as species_code,
  if(t.n < 20, t.top, t.most) as anchor, t.x
from targets t join reference.components p using (component);
