-- What an unknown cell rests on: comparable foods (peers.sql) of other ingredients. ceiling_targets: every cell of a
-- raw ingredient, with its figure where there is evidence of one; what is known is foretold as if it were not: by all
-- comparable foods but those of the ingredient (near), by those of other species alone (far), by those of other species
-- in its class; by its sodium, its chloride (partner); by the largest food of any other animal, organs and eggs (any).
-- Key (ingredient_id, component, reach).
create temp table ceiling_foods as
with foods as (
  select distinct v.component, v.part, v.species_group, v.species, v.source, v.food_id, round(ln(v.value), 9) as x
  from reference.peer_values v where v.value > 0
), pooled as (
  select component, part || ' of ' || species_group as pool, species, source, food_id, x from foods
  union all by name
  select component, curated.class_of(part, species_group) as pool, species, source, food_id, x from foods
)
-- of every pool the largest first; `food_no` counts through all pools
select *, row_number() over down - 1 as place, count(*) over (partition by component, pool) as n,
  row_number() over (order by component, pool, x desc, source, food_id) - 1 as food_no
from pooled window down as (partition by component, pool order by x desc, source, food_id);

-- Who asks: far and class are the same for all ingredients of a species, unless one is matched to foods of another.
create temp table ceiling_askers as
with own as (
  select k.ingredient_id, list(distinct l.source || ' ' || l.food_id order by l.source || ' ' || l.food_id)
    filter (f.species <> k.species) as foreign_foods
  from curated.ingredient_keys k left join reference.links l using (ingredient_id)
    left join reference.foods f using (source, food_id)
  where k.kind = 'raw' and k.class <> 'other' group by all
), asked as (
  select k.ingredient_id, k.species, k.part || ' of ' || k.species_group as pool, k.class, o.foreign_foods
  from own o join curated.ingredient_keys k using (ingredient_id)
)
select ingredient_id, species, 'near' as reach, pool, ingredient_id as asker from asked
union all by name
select ingredient_id, species, 'far' as reach, pool,
  min(ingredient_id) over (partition by pool, species, foreign_foods) as asker from asked
union all by name
select ingredient_id, species, 'class' as reach, class as pool, min(ingredient_id) over (partition by class, species)
  as asker from asked;

create temp table ceiling_targets as
with askers as (
  select distinct asker as ingredient_id, reach, pool, species from ceiling_askers
), excluded as (
  select a.ingredient_id, a.reach, f.component, f.place, f.n, f.species = a.species as same
  from askers a join reference.links l using (ingredient_id) join ceiling_foods f using (source, food_id, pool)
  where a.reach <> 'class'
  union
  select a.ingredient_id, a.reach, f.component, f.place, f.n, true
  from askers a join ceiling_foods f using (pool, species) where a.reach <> 'near'
), gone as (
  -- how many of those that stay lie above each that goes
  select *, place - row_number() over (partition by ingredient_id, reach, component order by place) + 1 as above
  from excluded
), lost as (
  -- no bound rests on what lies below the upper twentieth
  select ingredient_id, reach, component, count(*) as n, count(*) filter (same) as same,
    list(above) filter (above <= 0.05 * n + 1) as above
  from gone group by all
), pools as (
  select component, pool, count(*) as n, min(food_no) as start from ceiling_foods group by all
), alike as (
  select component, pool, species, count(*) as n from ceiling_foods group by all
), reached as (
  select a.ingredient_id, a.reach, p.component, p.start, p.n - coalesce(l.n, 0) as staying,
    coalesce(l.above, []) as above, 0.95::double * (staying - 1) as place
  from askers a join pools p using (pool) left join lost l using (ingredient_id, reach, component)
    left join alike s using (component, pool, species)
  -- near: some of the species itself; class: of fewer no bound held out of sample, for chicken holds ten times the
  -- menaquinone-4 of the other meats
  where case a.reach when 'near' then staying >= 3 and s.n > coalesce(l.same, 0) when 'far' then staying >= 1
    else staying >= 10 end
), found as (
  -- where the largest of those that stay is, and the two about the 95th percentile
  select ingredient_id, reach, component, staying as n, place - floor(place) as between,
    start + len(list_filter(above, lambda a: a <= 0)) as top,
    start + staying - 1 - floor(place) + len(list_filter(above, lambda a: a <= staying - 1 - floor(place))) as lower,
    start + staying - 1 - ceil(place) + len(list_filter(above, lambda a: a <= staying - 1 - ceil(place))) as upper
  from reached
)
select v.ingredient_id, v.component, a.species, a.reach, r.n::int as n, null::double as anchor,
  if(r.n < 20, r.top, r.lower)::int as lower, if(r.n < 20, r.top, r.upper)::int as upper, r.between
from curated."values" v join ceiling_askers a using (ingredient_id)
  join found r on r.ingredient_id = a.asker and r.reach = a.reach and r.component = v.component;

-- Sodium chloride is most of the chloride of animal tissue: what known chlorides are to sodiums bounds the others.
insert into ceiling_targets by name
with paired as (
  select c.ingredient_id, k.species, round(ln(s.value), 9) as anchor, c.evidence and c.value > 0 as known
  from curated."values" c join curated."values" s on s.ingredient_id = c.ingredient_id and s.component = 'NA'
    join curated.ingredient_keys k on k.ingredient_id = c.ingredient_id
  where c.component = 'CLD' and s.evidence and s.value > 0 and k.kind = 'raw' and k.class <> 'other'
)
select p.ingredient_id, 'CLD' as component, p.species, 'partner' as reach, p.anchor, 0 as lower, 0 as upper,
  0::double as between, count(*) filter (o.known) as n
from paired p join paired o on o.species <> p.species group by all having count(*) filter (o.known) >= 20;

-- Of organs and eggs that nothing nearer bounds: the largest food of all other animals. Only of what is known in 20 of
-- them: of choline and vitamin K, known in few, the bound held for 6 of 10.
insert into ceiling_targets by name
with known as (
  select v.component from curated."values" v join curated.ingredient_keys k using (ingredient_id)
  where k.kind = 'raw' and k.class in ('organ', 'egg') and v.evidence and v.value > 0 group by all having count(*) >= 20
), tops as (
  select component, species, max(x) as top, count(*) as n
  from ceiling_foods semi join known using (component) where contains(pool, ' of ') group by all
)
select v.ingredient_id, v.component, k.species, 'any' as reach, max(t.top) as anchor, 0 as lower, 0 as upper,
  0::double as between, sum(t.n)::int as n
from curated."values" v join curated.ingredient_keys k using (ingredient_id) join tops t using (component)
where k.kind = 'raw' and k.class in ('organ', 'egg') and t.species <> k.species
group by all having sum(t.n) >= 20;

create temp table ceiling_tried as
select row_number() over (order by p.position, t.ingredient_id, t.reach) - 1 as target_id, t.ingredient_id,
  t.component, t.reach, t.n, list_position(['near', 'far', 'class', 'partner', 'any'], t.reach) - 1 as reach_code,
  dense_rank() over (order by p."group") - 1 as group_code, dense_rank() over (order by t.species) - 1 as species_code,
  t.anchor, t.lower, t.upper, t.between, if(v.evidence and v.value > 0, round(ln(v.value), 9), null) as x
from ceiling_targets t join curated."values" v using (ingredient_id, component)
  join reference.components p using (component);
