-- What the ranges are estimated from. range_cells: every candidate with a number, with all that is known of how well
-- it is known; key (ingredient_id, component, source, food_id). range_pairs: two independent tables that analysed the
-- same ingredient, once in each direction. Sums are of decimals: the same in any order.
create temp table range_cells as
with printed as (
  -- decimals as printed: half a unit of the last one is what rounding hides
  select c.ingredient_id, c.component, c.source, c.food_id, c.source_component,
    regexp_extract(c.text, '(\d+(?:[.,]\d+)?)', 1) as figure
  from curated.cell_candidates c
), steps as (
  select *, 0.5 * pow(10, -coalesce(length(regexp_extract(figure, '[.,](\d+)$', 1)), 0)) as half,
    try_cast(replace(figure, ',', '.') as double) as number
  from printed
), cells as (
  select c.ingredient_id, c.component, c.source, c.food_id, c.match_quality, c.status, c.evidence, c.value, c.unit,
    c.rank, c.refused, k.kind, k.part, k.species, k.species_group, p."group", p.position,
    -- the table that analysed it: of a copy the original's
  coalesce(r.repeats_source, split_part(c.witness, ':', 1)) as witness,
    k.class,
    -- what cannot exceed 100 g is compared by its odds: near 0 that is the ratio, near 100 the ratio of what is left
    c.unit = 'g' and p.block = 'proximate' as bounded,
    least(1, if(s.number > 0, s.half / s.number, 1)) as print_error,
    case when c.se is not null and c.n >= 3 then c.se * sqrt(c.n)
      when c.n >= 2 and c."min" <= c.value and c.value <= c."max" then (c."max" - c."min") / 3 end / c.value as own_cv,
    coalesce(c.n, 0) as n
  from curated.cell_candidates c
    join curated.ingredient_keys k using (ingredient_id)
    join reference.components p using (component)
    join steps s using (ingredient_id, component, source, food_id)
    left join archival.maintainer_cited_values r on c.source = 'maintainer' and r.id = c.food_id
  where c.value > 0
), fats as (
  select source, food_id, first(value order by evidence desc, preference, source_component) as fat
  from reference."values" where component = 'FAT' and value is not null group by all
)
select c.* exclude (own_cv), if(own_cv is null, null, least(3, greatest(0.005, own_cv))) as own_cv,
  coalesce(f.fat, 5) as fat,
  round(if(bounded, ln(least(value, 99.95) / (100 - least(value, 99.95))), ln(value)), 9)::decimal(18, 9) as x
from cells c left join fats f using (source, food_id);

-- Comparable foods of the same table: where they stand says where another table's figure may be expected.
create temp table range_peers as
with foods as (
  -- a food that stands for two ingredients is one food, also where a block is re-expressed for one of them
  select source, food_id, component, part, species, species_group, min(x) as x from range_cells where kind = 'raw'
  group by all
), near as (
  select source, component, part, species, sum(x) as total, count(*) as foods from foods group by all
), wide as (
  select source, component, part, species_group, sum(x) as total, count(*) as foods from foods group by all
)
select distinct f.source, f.food_id, f.component, f.part, f.species,
  case when n.foods >= 3 then 'species' when w.foods >= 3 then 'group' else 'none' end as peer_level,
  greatest(-3, least(3, case when n.foods >= 3 then ((n.total - f.x)::double / (n.foods - 1)) - f.x::double
    when w.foods >= 3 then ((w.total - f.x)::double / (w.foods - 1)) - f.x::double else 0 end)) as peer_shift
from foods f join near n using (source, component, part, species)
  join wide w on w.source = f.source and w.component = f.component and w.part = f.part
    and w.species_group = f.species_group;

-- One figure a witness: the best ranked of the ingredient. Near foods (C) say what the ingredient is not.
create temp table range_witnesses as
select c.ingredient_id, c.component, c.source, c.food_id, c.witness, c.x, c.rank, c.species
from range_cells c
  -- a record that repeats the food of a table is that figure once more
  left join archival.maintainer_cited_values r on c.source = 'maintainer' and r.id = c.food_id
  left join range_cells y on y.ingredient_id = c.ingredient_id and y.component = c.component
    and y.source = r.repeats_source and y.food_id = r.repeats_food_id
where c.evidence and c.kind = 'raw' and c.match_quality in ('A', 'B') and y.food_id is null
qualify row_number() over (partition by c.ingredient_id, c.component, c.witness
  order by c.rank, c.source, c.food_id) = 1;

create temp table range_pairs as
with pairs as (
  select a.ingredient_id, a.component, a.species, a.source, a.food_id, b.source as other_source,
    b.food_id as other_food, (b.x - a.x)::double as d, a.rank = 1 as chosen, a.rank < b.rank as forward
  from range_witnesses a join range_witnesses b using (ingredient_id, component)
  where a.witness <> b.witness and a.source <> b.source
), equal as (
  select source, food_id, other_source, other_food, count(*) as n, count(*) filter (abs(d) < 0.004) as same from (
    select distinct source, food_id, other_source, other_food, component, d from pairs)
  group by all
), copies as (
  -- figures that agree to the last digit again and again are not two analyses
  from equal where n >= 8 and same >= 0.4 * n
), taken as (
  -- nor are those of a food that took a few: of two tables that cannot have copied (SR28 and the Japanese), 2 % of
  -- figures are equal, and of no two foods more than 3
  from equal where same >= 4 and same >= 0.1 * n
)
select p.* from pairs p anti join copies c using (source, food_id, other_source, other_food)
  left join taken t using (source, food_id, other_source, other_food)
where t.same is null or abs(p.d) >= 0.004
-- the same two foods are one pair, however many ingredients they stand for
qualify row_number() over (partition by component, source, food_id, other_source, other_food
  order by chosen desc, ingredient_id) = 1;

-- Rivals: what other tables say of the same cell; of a pair, those that are neither of the two.
create temp table range_rivals as
select c.ingredient_id, c.component, c.source, c.food_id, count(*) as rivals, sum(w.x) as total
from range_cells c join range_witnesses w using (ingredient_id, component)
where w.witness <> c.witness group by all;

-- The features of a cell, of a pair, as the arrays are read: words as codes in the order of the words, and a number for
-- every cell by which its range finds back.
create temp table range_features as
select row_number() over (order by c.position, c.ingredient_id, c.source, c.food_id) - 1 as cell_id, c.ingredient_id,
  c.component, c.source, c.food_id, c.position as component_code,
  dense_rank() over (order by c."group") - 1 as group_code,
  list_position(['meat', 'sea', 'organ', 'egg', 'other'], c.class) - 1 as class_code,
  -- plants are one species here, and left out one by one
  dense_rank() over (order by if(c.species = 'plant', c.ingredient_id, c.species)) - 1 as species_code, c.bounded,
    c.x::double as x, c.fat::double as fat,
  c.print_error::double as print_error, c.own_cv::double as own_cv, c.n::double as n,
  ascii(c.match_quality) - ascii('A') as match, c.evidence::int as evidence,
  case p.peer_level when 'species' then 1 when 'group' then 2 else 0 end as peer_level,
  coalesce(p.peer_shift, 0)::double as peer_shift, coalesce(r.rivals, 0) as rivals, r.total, c.class
from range_cells c
  left join range_peers p using (source, food_id, component, part, species)
  left join range_rivals r using (ingredient_id, component, source, food_id);

create temp table range_pair_features as
select row_number() over (order by f.cell_id, p.other_source, p.other_food) - 1 as pair_id, p.d, p.other_source,
  p.other_food, p.chosen, p.forward, dense_rank() over (order by p.source) - 1 as table_code,
  dense_rank() over (order by p.other_source) - 1 as other_code, f.* exclude (total, rivals),
  f.rivals - 1 as rivals,
  coalesce((f.total::double - (p.d + f.x)) / nullif(f.rivals - 1, 0) - f.x, 0) as rival_shift
from range_pairs p join range_features f using (ingredient_id, component, source, food_id);

-- Zeros, traces and figures below a limit: what rounding or the stated limit hides, at least; and what other tables
-- have for the same ingredient. Where a text shows no decimals, the column's usual ones count.
create temp table range_zeros as
with decimals as (
  select source, source_component, mode(length(regexp_extract(text, '[.,](\d+)$', 1))) as usual
  from reference."values" where regexp_matches(text, '^[(]?\d+[.,]\d+[)]?$') group by all
), limits as (
  select source, source_component, median(high) as usual from reference."values" where high > 0 group by all
)
select row_number() over (order by p.position, c.ingredient_id, c.source, c.food_id) as zero_id, c.ingredient_id,
  c.component, c.source, c.food_id, p.position,
  -- the table that analysed it: of a copy the original's
  coalesce(r.repeats_source, split_part(c.witness, ':', 1)) as witness, c.species,
  round(case when c.high > 0 then c.high
    when c.status = 'trace' and l.usual > 0 then l.usual
    else 0.5 * coalesce(m.factor::double, 1) * pow(10, -least(3, coalesce(
      nullif(length(regexp_extract(c.text, '[.,](\d+)$', 1)), 0), d.usual, 0))) end, 9) as hidden
from (from curated.cell_candidates join curated.ingredient_keys using (ingredient_id)) c
  join reference.components p using (component)
  left join decimals d using (source, source_component)
  left join limits l using (source, source_component)
  left join reference.component_map m using (source, source_component, component)
  left join archival.maintainer_cited_values r on c.source = 'maintainer' and r.id = c.food_id
where c.status in ('trace', 'below_detection') or c.value = 0 and c.status <> 'assumed_zero';

create temp table range_zero_pairs as
select z.component, z.species, z.source, w.source as other_source, z.position,
  round(ln(w.value) - ln(z.hidden), 9) as d
from range_zeros z
  join range_witnesses n using (ingredient_id, component)
  join range_cells w on w.ingredient_id = n.ingredient_id and w.component = n.component and w.source = n.source
    and w.food_id = n.food_id
where z.witness <> n.witness
qualify row_number() over (partition by component, z.source, z.food_id, w.source, w.food_id
  order by z.ingredient_id) = 1;
