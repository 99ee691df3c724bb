-- curated.ceiling_trials: every bound that comparable foods give, and whether it held for what is known (null where it
-- is not known); key (ingredient_id, component, reach).
create table curated.ceiling_trials as
select t.ingredient_id, t.component, t.reach, t.n, m.bound, if(m.held < 0, null, m.held = 1) as held
from ceiling_made m join ceiling_tried t using (target_id) where not isnan(m.bound);

-- Where comparable foods bound nothing: the largest figure that any table prints for a food of animals (of plants, for
-- plants), in whatever state. Vitamin K counts for both of its forms, which it sums. What is known is bounded by the
-- foods of other species (plants: by those that are not linked to the ingredient). Bone holds more minerals than any
-- food of the tables: of it vitamins alone. Key (ingredient_id, component).
create temp table ceiling_open as
select v.ingredient_id, v.component, k.species, v.evidence, v.value,
  if(k.class = 'other', 'plant', 'animal') as realm
from curated."values" v join curated.ingredient_keys k using (ingredient_id)
  join reference.components p using (component)
  left join (select distinct ingredient_id, component from curated.ceiling_trials) t using (ingredient_id, component)
-- oils of animals as well, but for vitamin E, which keeps them and is added
where (k.kind = 'raw' and (k.class <> 'other' or k.part = 'plant')
    or k.part = 'oil' and k.class <> 'other' and v.component <> 'TOCPHA')
  and (k.part not in ('bone', 'oil') or p."group" not in ('macro_mineral', 'trace_element'))
  -- what is measured in g has a limit of its own
  and p.block is null and v.unit <> 'g' and v.status <> 'not_applicable'
  and (v.evidence and v.value > 0 or not v.evidence and t.component is null);

create temp table ceiling_largest as
with asked as (
  select distinct realm, component,
    unnest(if(component in ('VITK1', 'MK4'), [component, 'VITK'], [component])) as counted
  from ceiling_open where not evidence
), foods as (
  select a.realm, a.component, f.species, v.source, v.food_id, f.name, max(v.value) as value
  from asked a join reference."values" v on v.component = a.counted
    join reference.foods f on f.source = v.source and f.release = v.release and f.food_id = v.food_id
      and f.realm = a.realm
  where v.value > 0 and v.source <> 'maintainer' group by all
  union all
  -- taurine, which no national table prints: the upper end of what is cited of any food of animals
  select a.realm, a.component, k.species, v.source, v.food_id, v.food_name, max(v.high)
  from asked a join curated."values" v using (component) join curated.ingredient_keys k using (ingredient_id)
  where a.component = 'TAU' and a.realm = 'animal' and v.evidence and v.high > 0 and k.kind = 'raw'
  group by all
), firsts as (
  -- of plants, which are one species here, the first hundred: no ingredient is linked to so many
  select *, count(*) over (partition by realm, component) as n,
    row_number() over (partition by realm, component order by value desc, source, food_id) as place
  from foods
  qualify row_number() over (partition by realm, component, if(realm = 'animal', species, '')
    order by value desc, source, food_id) <= if(realm = 'animal', 1, 100)
), taken as (
  select o.ingredient_id, o.component, o.realm, o.evidence, o.value, min(f.place) as place
  from ceiling_open o join firsts f using (realm, component)
    left join (select distinct ingredient_id, source, food_id from reference.links) l
      on l.ingredient_id = o.ingredient_id and l.source = f.source and l.food_id = f.food_id and o.realm = 'plant'
  where not o.evidence or l.food_id is null and (o.realm = 'plant' or f.species not in (o.species, 'unknown', 'mixed'))
  group by all
)
select t.ingredient_id, t.component, t.evidence, t.value, f.value as most, f.n,
  said.bound_largest(f.n, f.realm, f.source, f.food_id) as basis
from taken t join firsts f using (realm, component, place);

-- Chloride is an anion: no more of it than the charges of sodium, potassium, calcium and magnesium (electroneutrality;
-- IUPAC standard atomic weights). The upper ends of these four count.
create temp table ceiling_charge as
with ions as (
  select v.ingredient_id, max(v.value) filter (v.component = 'CLD' and v.evidence) as known,
    round(35.45 * (max(v.high) filter (v.component = 'NA') / 22.990 + max(v.high) filter (v.component = 'K') / 39.098
      + 2 * max(v.high) filter (v.component = 'CA') / 40.078
      + 2 * max(v.high) filter (v.component = 'MG') / 24.305), 9) as most
  from curated."values" v join curated.ingredient_keys k using (ingredient_id)
  where k.kind = 'raw' and (v.component = 'CLD' or v.component in ('NA', 'K', 'CA', 'MG') and v.evidence) group by all
)
from ions where most is not null;

insert into curated.ceiling_trials
select ingredient_id, component, 'largest', n, most, if(evidence, value <= most, null) from ceiling_largest
union all
-- of four ions
select ingredient_id, 'CLD', 'charge', 4, most, if(known is null, null, known <= most) from ceiling_charge;

-- curated.ceilings: what an unknown cell holds at most; key (ingredient_id, component). The smallest bound that
-- applies: comparable foods (nearest reach that has any), what its own limit leaves, what the block cannot exceed.
create temp table ceiling_cells as
with cells as (
  select v.ingredient_id, v.component, v.unit, v.status, v.high, p."group", p.block, k.kind, k.part
  from curated."values" v join curated.ingredient_keys k using (ingredient_id)
    join reference.components p using (component)
  where not v.evidence
), whole as (
  -- the amounts that bound others: the upper end of protein, fat and ash, and what they leave of 100 g at their low
  -- ends
  select ingredient_id, max(coalesce(high, value)) filter (component = 'PROCNT') as protein,
    max(coalesce(high, value)) filter (component = 'FAT') as fat,
    max(coalesce(high, value)) filter (component = 'ASH') as ash,
    max(coalesce(low, value)) filter (component = 'WATER') as water,
    round(100 - coalesce(sum(coalesce(low, value)), 0), 9) as rest
  from curated."values" where component in ('WATER', 'PROCNT', 'FAT', 'ASH') and evidence group by all
), bounds as (
  select c.ingredient_id, c.component, c.unit, b.bound as most, 1 as place,
    said.widened(case b.reach when 'near' then said.bound_near(b.n) when 'far' then said.bound_far(b.n)
      when 'class' then said.bound_class(b.n) when 'partner' then said.bound_partner(b.n)
      else said.bound_any(b.n) end) as basis
  from cells c join curated.ceiling_trials b using (ingredient_id, component)
  where b.bound is not null and b.reach not in ('largest', 'charge')
  qualify row_number() over (partition by c.ingredient_id, c.component
    order by list_position(['near', 'far', 'class', 'partner', 'any'], b.reach)) = 1
  union all by name
  select ingredient_id, component, unit, high as most, 2 as place, said.bound_limit() as basis
  from cells where status in ('trace', 'below_detection') and high is not null
  union all by name
  select c.ingredient_id, c.component, c.unit, case c.unit when 'g' then 1 when 'mg' then 1000 else 1000000 end * case
      when c.block = 'amino_acid' then w.protein when c.block = 'fatty_acid' then w.fat
      when c.component = 'TAU' then w.rest + w.protein
      when c."group" in ('macro_mineral', 'trace_element') and c.component not in ('CLD', 'ID') then w.ash
      when c.unit = 'g' then w.rest end as most, 3 as place,
    case when c.block = 'amino_acid' then said.bound_protein() when c.block = 'fatty_acid' then said.bound_fat()
      when c.component = 'TAU' then said.bound_taurine()
      when c."group" in ('macro_mineral', 'trace_element') then said.bound_ash() else said.bound_rest() end as basis
  from cells c join whole w using (ingredient_id)
  where most is not null and most >= 0 and c.component not in ('ENERC_KCAL', 'WATER')
  union all by name
  select c.ingredient_id, c.component, c.unit, l.most, 1 as place, l.basis
  from cells c join ceiling_largest l using (ingredient_id, component)
  union all by name
  select c.ingredient_id, c.component, c.unit, h.most, 3 as place,
    said.bound_charge() as basis
  from cells c join ceiling_charge h using (ingredient_id) where c.component = 'CLD'
  union all by name
  -- fat yields most: 9.02 kcal/g in these tables (Merrill & Watt, USDA Agriculture Handbook 74, 1973)
  select c.ingredient_id, c.component, c.unit, round(9.02 * (100 - coalesce(w.water, 0)), 9) as most, 3 as place,
    said.bound_energy() as basis
  from cells c left join whole w using (ingredient_id) where c.component = 'ENERC_KCAL'
  union all by name
  select c.ingredient_id, c.component, c.unit, 100 as most, 4 as place, said.bound_mass() as basis
  from cells c where c.unit = 'g'
)
select ingredient_id, component, unit, most, basis from bounds where most is not null
qualify row_number() over (partition by ingredient_id, component order by most, place) = 1;

create table curated.ceilings as
with cells as (
  select v.ingredient_id, v.component,
    case when v.evidence then coalesce(v.high, v.value) when v.status = 'not_applicable' then 0 else c.most end as most
  from curated."values" v left join ceiling_cells c using (ingredient_id, component)
), composites as (
  -- of a composite: its parts at their upper ends, at the bone share that gives most
  select m.ingredient_id, c.component,
    if(count(c.most) = count(*), round(sum(greatest(m.share_pct::double, m.share_low_pct::double,
      m.share_high_pct::double)
      * c.most) / 100, 9), null) as most
  from archival.maintainer_composites m join cells c on c.ingredient_id = m.part_ingredient_id group by all
)
select v.ingredient_id, v.component,
  case when k.kind = 'composite' then p.most else c.most end as most,
  case when k.kind = 'composite' and p.most is not null then said.bound_parts()
    else coalesce(c.basis, said.bound_none()) end as basis
from curated."values" v join curated.ingredient_keys k using (ingredient_id)
  left join ceiling_cells c using (ingredient_id, component) left join composites p using (ingredient_id, component)
where not v.evidence;
