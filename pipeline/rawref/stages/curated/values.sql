-- curated."values": exactly one row per ingredient and needed component; key (ingredient_id, component).
-- First the ingredients with foods or records of their own, then composites from their parts.
create temp table chosen as
select i.ingredient_id, i.kind, i.part, i.species_group, n.component, n.unit, n.position, c.* exclude (
    ingredient_id, component, unit), p.n as peers_n, p.low as peers_low, p.median as peers_median,
  p.high as peers_high
from curated.ingredient_keys i
  cross join (from reference.components where needed) n
  left join curated.cell_candidates c
    on c.ingredient_id = i.ingredient_id and c.component = n.component and c.rank = 1 and c.refused is null
  left join reference.peers p
    on p.component = n.component and p.part = i.part and p.species_group = i.species_group and i.kind = 'raw';

-- Range of every candidate, chosen or not (ranges.py). A cited range stands; with a number the wider ends count. Exact
-- is what a formula makes so: a pure substance. Nothing is more than 100 g per 100 g.
create temp table pure as
select ingredient_id, component, source, food_id from curated.cell_candidates join curated.ingredient_keys
  using (ingredient_id)
where kind = 'addition' and part in ('mineral', 'vitamin', 'salt', 'amino_acid') and source = 'maintainer'
  and status = 'calculated' and value is not null and low is null;

-- What the table has for the same part of like animals (bone: of any): a figure lent by another ingredient may lie
-- anywhere there. Key (component, part, kind, like_group).
create temp table lenders as
select c.component, k.part, k.kind, if(k.part = 'bone', 'any', k.species_group) as like_group,
  min(coalesce(c.low, c.value)) as low, max(coalesce(c.high, c.value)) as high
from curated.cell_candidates c join curated.ingredient_keys k using (ingredient_id)
where c.refused is null and (c.evidence or c.status = 'borrowed') and (c.value is not null or c.low is not null)
group by all;

create temp table spread as
select c.ingredient_id, c.component, c.source, c.food_id,
  case
    when c.status = 'assumed_zero' then null
    when x.food_id is not null then {'basis': 'formula', 'low': c.value, 'high': c.value}
    -- the figure stays what its table prints, though rounding or older atomic weights put it beyond the formula
    when p.value is not null then {'basis': 'standard', 'low': round(least(c.value, b.share_low * p.value), 9),
      'high': greatest(c.value, p.value)}
    when c.status = 'borrowed' then {'basis': 'borrowed', 'low': least(c.low, l.low, r.low),
      'high': greatest(c.high, l.high, if(c.unit = 'g' and r.high > 100, 100, r.high))}
    when c.value is null and c.status not in ('trace', 'below_detection') then
      if(c.low is null and c.high is null, null, {'basis': 'cited', 'low': c.low, 'high': c.high})
    -- the cited ends of bone are the lowest and the densest bone that exists, those of shell the poorest analysis and
    -- pure carbonate: nothing lies beyond them
    when c.low is not null and c.value is not null and k.part in ('bone', 'shell') then
      {'basis': 'cited', 'low': c.low, 'high': c.high}
    when c.low is not null and c.value is not null then
      {'basis': 'cited', 'low': least(c.low, r.low), 'high': greatest(c.high, r.high)}
    else {'basis': r.basis, 'low': r.low, 'high': if(c.unit = 'g', least(100, r.high), r.high)}
  end as s
from curated.cell_candidates c join curated.ingredient_keys k using (ingredient_id)
  left join pure x using (ingredient_id, component, source, food_id)
  left join curated.standard_bounds b on b.part = k.part and b.component = c.component and c.value is not null
  left join (from curated.cell_candidates semi join pure using (ingredient_id, component, source, food_id)) p
    on p.ingredient_id = b."of" and p.component = b.component
  left join lenders l on l.component = c.component and l.part = k.part and l.kind = k.kind
    and l.like_group = if(k.part = 'bone', 'any', k.species_group)
  left join curated.range_of r using (ingredient_id, component, source, food_id);

-- Soil and feed differ between countries: there the range takes in all that may be chosen.
update spread p
set s = {'basis': 'countries', 'low': least(p.s.low, a.low), 'high': greatest(p.s.high, a.high)}
from across_countries a, chosen c
where a.ingredient_id = p.ingredient_id and a.component = p.component and p.s.low is not null
  and c.ingredient_id = p.ingredient_id and c.component = p.component and c.source = p.source and c.food_id = p.food_id
  and c.match_quality in ('A', 'B') and (a.low < p.s.low or a.high > p.s.high);

-- Rival evidence that the chosen figure's range does not hold is named: it is why the figure may be doubted.
create temp table outside as
select c.ingredient_id, c.component, string_agg(said.food_has(o.source, o.food_id, o.value, o.unit), ', '
    order by o.rank) as named
from chosen c join spread s using (ingredient_id, component, source, food_id)
  join curated.cell_candidates o using (ingredient_id, component)
where c.evidence and o.evidence and o.value is not null and o.match_quality in ('A', 'B')
  and (o.source, o.food_id) <> (c.source, c.food_id)
  and (round(o.value, 9) < least(c.value, s.s.low) or round(o.value, 9) > greatest(c.value, s.s.high))
group by all;

create temp table others as
with evidence as (
  select ingredient_id, component, witness as family, value
  from curated.cell_candidates
  where evidence and value > 0 and match_quality in ('A', 'B') and source <> 'maintainer'
  qualify row_number() over (partition by ingredient_id, component, family order by rank) = 1
), disagreement as (
  select ingredient_id, component, max(value) / min(value) as ratio from evidence group by all having count(*) > 1
), listed as (
  select ingredient_id, component, count(*) as candidates,
    to_json(list(source || ':' || food_id || ':' || source_component order by rank)
      filter (rank > 1 or refused is not null))::text as alternatives,
    min(reject_id) as reject_id, bool_or(reject_id is not null) as any_rejected,
    first(refused order by rank) as first_refused
  from curated.cell_candidates group by all
)
select l.*, round(d.ratio, 4) as ratio from listed l left join disagreement d using (ingredient_id, component);

-- A zero that nobody measured was struck out by a decision, and the next candidate is another one: the same doubt.
create temp table like_zeros as
select c.ingredient_id, c.component, said.like_zero_struck(r.source, r.food_id, r.reject_id) as struck
from chosen c join curated.cell_candidates r using (ingredient_id, component)
where c.value = 0 and coalesce(c.n, 0) = 0 and r.reject_id is not null and r.value = 0 and coalesce(r.n, 0) = 0
qualify row_number() over (partition by c.ingredient_id, c.component order by r.rank) = 1;

create temp table referenced as
select c.ingredient_id, c.component,
  to_json(list(distinct c.source || ':' || r.reference_id order by c.source || ':' || r.reference_id))::text as ids
from chosen c join archival.value_references r
  on r.source = c.source and r.food_id = c.food_id and r.source_component = c.source_component
group by all;

create temp table graded as
with points as (
  select c.ingredient_id, c.component, c.status, m.seen_how,
    if(coalesce(c.n, 0) < (select max(points) from curated.rubric where criterion = 'limit' and code = 'few samples'),
      'few samples', null) as unsampled,
    if(x.named is null, null, 'outside the range') as disputed,
    if(c.value = 0 and not c.evidence and c.block is distinct from 'proximate', 'zero without evidence', null) as empty,
    (select sum(points) from curated.rubric where criterion = 'match' and code = c.match_quality)
    + (select sum(points) from curated.rubric where criterion = 'acquisition' and code = c.status)
    + (select sum(points) from curated.rubric where criterion = 'state' and code = case
        when c.donor_state not in ('raw', 'unknown') then 'cooked_donor'
        when c.food_state is null or c.food_state = 'raw' or c.kind = 'addition' then 'matches' else 'doubtful' end)
    + (select max(points) from curated.rubric where criterion = 'samples' and code::int <= coalesce(c.n, 0))
    + (select max(points) from curated.rubric where criterion = 'age' and code::int <= coalesce(c.year, 0))
    + (select sum(points) from curated.rubric where criterion = 'references'
        and code = if(r.ids is null, 'no', 'yes')) as points
  from chosen c left join referenced r using (ingredient_id, component)
    left join outside x using (ingredient_id, component)
    left join archival.maintainer_cited_values m on c.source = 'maintainer' and m.id = c.food_id
  where c.status is not null
)
select p.ingredient_id, p.component, greatest(
    (select min(code) from curated.rubric where criterion = 'grade' and points <= p.points),
    coalesce((select max(grade) from curated.rubric where criterion = 'cap'
      and code in (p.status, p.seen_how, p.unsampled, p.disputed, p.empty)),
    'A'))
    as confidence
from points p;

create table curated."values" as
select c.ingredient_id, c.component, c.value, c.unit,
  if(c.kind = 'addition', 'per 100 g as supplied', 'per 100 g edible portion, raw') as basis,
  coalesce(c.status, if(na.component is null, 'missing', 'not_applicable')) as status,
  -- rounded outwards at the ninth decimal, so that the value stays inside
  -- least and greatest skip nulls: no range stays no range
  if(s.s.low is null, null, least(c.value, round(s.s.low, 9))) as low,
  if(s.s.high is null, null, greatest(c.value, round(s.s.high, 9))) as high,
  s.s.basis as spread_basis, c.n, g.confidence, c.source, c.release, c.food_id, c.food_name, c.match_quality,
  c.source_component, c.text as source_value, c.source_unit,
  if(c.source_code is null, c.derivation, concat_ws('/', c.source_code, nullif(c.derivation, '')))
    as derivation,
  c.donor_food_id, c.donor_state, c.file, c.line, coalesce(c.steps, '[]') as steps, coalesce(r.ids, '[]')
    as reference_ids,
  coalesce(o.alternatives, '[]') as alternatives, o.ratio as disagreement,
  coalesce(c.prefer_id, o.reject_id, k.decision_id) as decision_id,
  case
    when c.status is null and na.component is not null then na.reason
    when c.status is null and o.first_refused is not null then said.no_candidate_usable(o.first_refused)
    when c.status is null and i.foods = 0 then said.no_source(rtrim(i.note, '.'))
    when c.status is null then said.no_candidate()
    when c.prefer_id is not null then said.preferred(c.prefer_id)
    when c.block is not null and c.source <> 'maintainer' and not exists (
      from block_foods b where b.ingredient_id = c.ingredient_id and b.block = c.block and b.source <> c.source) then
      said.block_kept_whole(replace(c.block, '_', ' '))
    when c.status = 'borrowed' then said.borrowed(c.note)
    when o.candidates = 1 then said.only_candidate()
    else said.first_candidate(o.candidates, c.match_quality, c.status, coalesce(c.n::text, said.not_stated()))
  end || coalesce(said.outside_the_range(x.named), '') || coalesce(said.and_like_zero(z.struck), '') as reason,
  coalesce(c.evidence, false) as evidence, c.year
from chosen c
  left join spread s using (ingredient_id, component, source, food_id)
  left join (
    select m.ingredient_id, m.note, count(k.food_id) as foods from archival.maintainer_ingredients m
      left join curated.cell_candidates k using (ingredient_id) group by all) i using (ingredient_id)
  left join others o using (ingredient_id, component)
  left join outside x using (ingredient_id, component)
  left join like_zeros z using (ingredient_id, component)
  left join referenced r using (ingredient_id, component)
  left join graded g using (ingredient_id, component)
  left join curated.not_applicable na on na.ingredient_id = c.ingredient_id and na.component = c.component
    -- an amount that was published, though it may not be used, is no sign that there is none
    and not exists (from curated.cell_candidates f where f.ingredient_id = c.ingredient_id
      and f.component = c.component and f.value > 0 and f.reject_id is null)
  left join (
    select source, food_id, source_component, min(decision_id) as decision_id from archival.maintainer_decisions
    where action = 'acknowledge' group by all) k
    on k.source = c.source and k.food_id = c.food_id and k.source_component = c.source_component
where c.kind <> 'composite';

-- Composites: sum of share times amount, only where every part has evidence; ranges at both ends of the bone share.
create temp table composite_cells as
with parts as (
  select m.ingredient_id, m.part_ingredient_id, v.component, k.part = 'bone' as is_bone,
    m.share_pct::decimal(9, 4) as share,
    if(k.part = 'bone', m.share_low_pct, m.share_high_pct)::decimal(9, 4) as share_a,
    if(k.part = 'bone', m.share_high_pct, m.share_low_pct)::decimal(9, 4) as share_b,
    -- a part that cannot hold the component adds nothing
    v.status = 'not_applicable' as none, v.evidence or none as evidence, v.status = 'borrowed' as lent,
    if(none, 0, v.value)::decimal(20, 9) as value,
    if(none, 0, coalesce(v.low, v.value))::decimal(20, 9) as low,
    if(none, 0, coalesce(v.high, v.value))::decimal(20, 9) as high, v.reference_ids, v.source, v.food_id, v.confidence,
    v.n
  from archival.maintainer_composites m
    join curated."values" v on v.ingredient_id = m.part_ingredient_id
    join curated.ingredient_keys k on k.ingredient_id = m.part_ingredient_id
)
select ingredient_id, component, count(*) as parts, bool_and(none) as none, bool_and(evidence and value is not null)
  as whole,
  bool_and((evidence or lent) and low is not null and high is not null) as ranged, bool_or(lent) as lent,
  round((sum(share * value) / 100)::double, 9) as value,
  round((least(sum(share_a * low), sum(share_b * low)) / 100)::double, 9) as low,
  round((greatest(sum(share_a * high), sum(share_b * high)) / 100)::double, 9) as high,
  max(confidence) as confidence, min(n) as n,
  string_agg(format('{} {} %', part_ingredient_id, share::double), ' + ' order by part_ingredient_id) as recipe,
  string_agg(part_ingredient_id, ', ' order by part_ingredient_id)
    filter (not evidence and not lent or low is null) as lacking,
  to_json(list(part_ingredient_id || ':' || component order by part_ingredient_id))::text as made_of
from parts group by all;
update composite_cells set whole = false, ranged = false where none;

insert into curated."values"
select k.ingredient_id, n.component, if(c.whole, c.value, null) as value, n.unit,
  'per 100 g edible portion, raw' as basis, case when c.ranged and c.lent then 'borrowed' when c.whole or c.ranged
    then 'composed'
    when c.none then 'not_applicable' else 'missing' end as status,
  if(c.ranged, c.low, null), if(c.ranged, c.high, null), if(c.ranged, 'parts', null), null as n,
  if(c.whole or c.ranged, c.confidence, null), null, null, null, null, null, null, null, null, null, null, null, null,
    null,
  if(c.whole or c.ranged, '["compose_parts"]', '[]'), '[]', '[]', null, null,
  case when c.whole or c.ranged then said.composed(c.recipe)
    when c.recipe is null then said.composite_without_parts()
    when c.none then said.no_part_can_hold_it()
    else said.part_unknown(c.lacking, c.recipe) end,
  coalesce((c.whole or c.ranged) and not c.lent, false), null
from curated.ingredient_keys k cross join (from reference.components where needed) n
  left join composite_cells c on c.ingredient_id = k.ingredient_id and c.component = n.component
where k.kind = 'composite';
