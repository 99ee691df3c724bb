-- curated.cell_candidates: one row per ingredient, needed component and source food (or cited record) that has
-- anything to say; key (ingredient_id, component, source, food_id). Ranked by the rules of compilation:
-- match quality, evidence, status, number of samples, release date, source order; ties break on ids.
create temp table status_rank as
select * from (values ('measured', 1), ('composed', 2), ('calculated', 3), ('unspecified', 4), ('label_claim', 5),
  ('imputed', 6), ('below_detection', 7), ('trace', 8), ('assumed_zero', 9), ('missing', 10)) t(status, status_rank);

create temp table offered as
with linked as (
  select l.ingredient_id, l.source, l.release, l.food_id, l.match_quality, l.note, l.release_date, l.source_order,
    f.name as food_name, f.state as food_state, f.may_supply_raw, f.review_reasons
  from reference.links l join reference.foods f using (source, release, food_id)
  union all by name
  select v.ingredient_id, r.source, r.release, v.id as food_id, v.match_quality, v.note, r.release_date,
    r.source_order, f.name as food_name, null as food_state
  from archival.maintainer_cited_values v join archival.releases r on r.source = 'maintainer'
    join archival.foods f on f.source = r.source and f.food_id = v.id
), valued as (
  select linked.*, v.* exclude (source, release, food_id), c.block,
    x.decision_id as reject_id, x.reason as reject_reason,
    i.kind = 'raw' and linked.may_supply_raw <> 'yes' and not exists (
      from archival.maintainer_decisions h where h.action = 'acknowledge' and h.source_component is null
        and h.source = linked.source and h.food_id = linked.food_id) as held
  from linked
    join archival.maintainer_ingredients i on i.ingredient_id = linked.ingredient_id
    join reference."values" v using (source, release, food_id)
    join reference.components c on c.component = v.component and c.needed
    left join archival.maintainer_decisions x on x.action = 'reject' and x.source = v.source
      and x.food_id in (v.food_id, linked.food_id) and coalesce(x.source_component, v.source_component) = v.source_component
      and coalesce(x.ingredient_id, linked.ingredient_id) = linked.ingredient_id
  where v.status <> 'missing'
)
select * replace (evidence and reject_id is null and held is not true as evidence)
from valued
-- within a food: evidence before none, a zero that no sample stands behind last, then the registry's preference
qualify row_number() over (
  partition by ingredient_id, source, food_id, component
  order by reject_id is null desc, evidence desc, (value = 0 and coalesce(n, 0) = 0), preference, source_component) = 1;

-- Blocks stay together: one food per ingredient for proximates and energy, one for fatty acids, one for amino acids.
create temp table block_foods as
with counted as (
  select ingredient_id, source, release, food_id, match_quality, release_date, source_order, block,
    count(*) filter (component in ('WATER', 'PROCNT', 'FAT') and value is not null and reject_id is null) as base,
    -- fibre, carbohydrate and energy of muscle are convention, not analysis: they do not decide for a food
    count(*) filter (evidence and component not in ('FIBTG', 'CHOCDF', 'ENERC_KCAL')) as evidences, count(*) filter (status = 'measured' and evidence) as measured,
    coalesce(sum(n), 0) as samples
  from offered where block is not null and source <> 'maintainer' and held is not true group by all
), proximate as (
  select * from counted where block = 'proximate' and base = 3
  qualify row_number() over (partition by ingredient_id order by match_quality, evidences desc, measured desc,
    samples desc, release_date desc, source_order, food_id) = 1
)
select ingredient_id, 'proximate' as block, source, food_id from proximate
union all
select ingredient_id, block, source, food_id from (
  select c.*, row_number() over (partition by c.ingredient_id, c.block order by c.match_quality, c.evidences desc,
    (p.food_id is not null) desc, c.measured desc, c.samples desc, c.release_date desc, c.source_order, c.food_id) as place
  from counted c left join proximate p
    on p.ingredient_id = c.ingredient_id and p.source = c.source and p.food_id = c.food_id
  where c.block in ('fatty_acid', 'amino_acid')
) where place = 1;

-- What a block from another food than the proximates is re-expressed on: fat or protein of both.
create temp table block_scale as
select b.ingredient_id, b.block, b.source, b.food_id,
  p.source is null or (p.source = b.source and p.food_id = b.food_id) as same_food,
  own."value" as own_base, theirs."value" as their_base,
  if(b.block = 'fatty_acid', 'reexpress_on_fat', 'reexpress_on_protein') as step
from block_foods b
  left join block_foods p on p.ingredient_id = b.ingredient_id and p.block = 'proximate'
  left join offered own on own.ingredient_id = p.ingredient_id and own.source = p.source and own.food_id = p.food_id
    and own.component = if(b.block = 'fatty_acid', 'FAT', 'PROCNT')
  left join offered theirs on theirs.ingredient_id = b.ingredient_id and theirs.source = b.source
    and theirs.food_id = b.food_id and theirs.component = if(b.block = 'fatty_acid', 'FAT', 'PROCNT')
where b.block <> 'proximate';

create temp table scaled as
select o.* exclude (value, low, high, "min", "max", se, steps, status, evidence),
  case when s.same_food is false and s.their_base > 0 and s.own_base is not null
    then round(s.own_base::decimal(18, 6) / s.their_base, 12) else 1 end as scale,
  o.value, o.low, o.high, o."min", o."max", o.se,
  case when s.same_food is false and o.value is not null
    then to_json(list_append(from_json(o.steps, '["VARCHAR"]'), s.step))::text else o.steps end as steps,
  case when s.same_food is false and o.status in ('measured', 'label_claim', 'unspecified') and o.value is not null
    then 'calculated' else o.status end as status,
  o.evidence,
  case
    when o.held then 'the food waits for a look (' || array_to_string(from_json(o.review_reasons, '["VARCHAR"]'), ', ')
      || '): a decision settles it'
    when o.reject_id is not null then 'struck out by decision ' || o.reject_id || ': ' || o.reject_reason
    when o.block is not null and o.source <> 'maintainer' and b.food_id is null then
      'block: no food of the ingredient has water, protein and fat'
    when o.block is not null and o.source <> 'maintainer' and (b.source <> o.source or b.food_id <> o.food_id) then
      'block: ' || replace(o.block, '_', ' ') || ' figures come from one food, ' || b.source || ' ' || b.food_id
    when o.block is not null and o.source = 'maintainer' and b.food_id is not null then
      'block: ' || replace(o.block, '_', ' ') || ' figures come from one food, ' || b.source || ' ' || b.food_id
    when s.same_food is false and (s.own_base is null or coalesce(s.their_base, 0) = 0) then
      'block: cannot be re-expressed, no ' || if(o.block = 'fatty_acid', 'fat', 'protein') || ' to re-express on'
  end as refused
from offered o
  left join block_foods b on b.ingredient_id = o.ingredient_id and b.block = o.block
  left join block_scale s on s.ingredient_id = o.ingredient_id and s.block = o.block
    and s.source = o.source and s.food_id = o.food_id;

create table curated.cell_candidates as
select s.* exclude (scale, value, low, high, "min", "max", se),
  s.value * s.scale as value, s.low * s.scale as low, s.high * s.scale as high, s."min" * s.scale as "min",
  s."max" * s.scale as "max", s.se * s.scale as se,
  p.decision_id as prefer_id,
  row_number() over (
    partition by s.ingredient_id, s.component
    order by s.refused is not null, p.decision_id is null, s.match_quality, s.evidence desc,
      (s.value is null), r.status_rank, coalesce(s.n, 0) desc, s.release_date desc, s.source_order, s.food_id) as rank
from scaled s
  left join status_rank r on r.status = s.status
  left join archival.maintainer_decisions p on p.action = 'prefer' and p.source = s.source and p.food_id = s.food_id
    and coalesce(p.source_component, s.source_component) = s.source_component and coalesce(p.ingredient_id, s.ingredient_id) = s.ingredient_id;
