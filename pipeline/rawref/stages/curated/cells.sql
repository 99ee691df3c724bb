-- curated.cell_candidates: one row per ingredient, needed component and source food (or cited record) that has
-- anything to say; key (ingredient_id, component, source, food_id). Ranked by the rules of compilation:
-- evidence (between matches A and B), match quality, status, number of samples, release date, source order; ties break
-- on ids.
create temp table offered as
with linked as (
  select l.ingredient_id, l.source, l.release, l.food_id, l.match_quality,
    nullif(concat_ws('; ', l.note, said.not_independent(
      d.figures_same, d.figures_compared, d.original_source, d.original_food_id)), '') as note,
    l.release_date, l.source_order, f.name as food_name, f.state as food_state, f.may_supply_raw, f.review_reasons,
    l.source as doubted_source, l.food_id as doubted_food_id, coalesce(d.original_source || ':' || d.original_food_id,
      -- two editions of one table are one witness
      if(contains(f.duplicate_of, ':'), f.duplicate_of, null), l.source || ':' || l.food_id) as witness
  from reference.links l join reference.foods f using (source, release, food_id)
    left join reference.copies d on d.source = l.source and d.food_id = l.food_id
  union all by name
  -- a cited record waits as long as the food that it repeats, where that food's source is present
  select v.ingredient_id, r.source, r.release, v.id as food_id, v.match_quality, v.note, r.release_date,
    r.source_order, f.name as food_name, null as food_state, coalesce(o.may_supply_raw, 'yes') as may_supply_raw,
    o.review_reasons, o.source as doubted_source, o.food_id as doubted_food_id, r.source || ':' || v.id as witness
  from archival.maintainer_cited_values v join archival.releases r on r.source = 'maintainer'
    join archival.foods f on f.source = r.source and f.food_id = v.id
    left join reference.foods o on o.source = v.repeats_source and o.food_id = v.repeats_food_id
), valued as (
  select linked.*, v.* exclude (source, release, food_id), c.block,
    x.decision_id as reject_id, x.reason as reject_reason,
    -- a zero that no sample stands behind is no measured absence, whatever a decision says about it; of an animal
    -- carbohydrate and fibre are zero by convention, and a zero by formula is entered as such
    v.evidence and v.value = 0 and coalesce(v.n, 0) = 0 and v.source <> 'maintainer'
      and c.block is distinct from 'proximate' as unsampled_zero,
    i.kind = 'raw' and linked.may_supply_raw <> 'yes' and not exists (
      from archival.maintainer_decisions h where h.action = 'acknowledge' and h.source_component is null
        and h.source = linked.doubted_source and h.food_id = linked.doubted_food_id) as held
  from linked
    join archival.maintainer_ingredients i on i.ingredient_id = linked.ingredient_id
    join reference."values" v using (source, release, food_id)
    join reference.components c on c.component = v.component and c.needed
    left join archival.maintainer_decisions x on x.action = 'reject' and x.source = v.source and x.food_id = v.food_id
      and coalesce(x.source_component, v.source_component) = v.source_component
      and coalesce(x.ingredient_id, linked.ingredient_id) = linked.ingredient_id
  where v.status <> 'missing'
)
select * exclude (doubted_source, doubted_food_id)
  replace (evidence and reject_id is null and held is not true and not unsampled_zero as evidence)
from valued
-- within a food: a 0 of no proximate after whatever else it prints (a coarser unit rounds to 0, a sum of limits is 0:
-- SR28 vitamin D 328 after 324), evidence before none, a zero that no sample stands behind last, an analysis before a
-- sum without samples, then the registry's preference
qualify row_number() over (
  partition by ingredient_id, source, food_id, component
  order by reject_id is null desc, value is not distinct from 0 and block is distinct from 'proximate',
    (evidence and unsampled_zero is not true) desc, unsampled_zero is true,
    (status = 'calculated' and coalesce(n, 0) = 0 and block is null), preference, source_component,
    reject_id) = 1;

-- What speaks against a zero that nobody measured: comparable foods, or another source's food for the same ingredient.
-- Key (ingredient_id, component, source, food_id); `contradicted_by` is null where nothing does.
create temp table doubtful_zeros as
with zeros as (
  select o.*, k.part, k.species_group, k.kind from offered o join curated.ingredient_keys k using (ingredient_id)
  where o.unsampled_zero
), contradicted as (
  select z.ingredient_id, z.component, z.source, z.food_id,
    first(said.food_has(o.source, o.food_id, o.value, o.unit)
      order by o.match_quality, coalesce(o.n, 0) desc, o.source_order, o.food_id) as by_other
  from zeros z join offered o using (ingredient_id, component)
  where o.evidence and o.value > 0 and o.match_quality in ('A', 'B') and o.source <> z.source
    and z.block is distinct from 'proximate' -- no water, protein or ash to speak of in an oil
  group by all
)
select z.ingredient_id, z.component, z.source, z.food_id, nullif(concat_ws(', and ',
  case when p.n >= 3 and p.low > 0
    then said.like_foods_have(p.n, p.low, p.high, z.unit) end,
  c.by_other), '') as contradicted_by
from zeros z
  left join contradicted c using (ingredient_id, component, source, food_id)
  left join reference.peers p on p.component = z.component and p.part = z.part and p.species_group = z.species_group
    and z.kind = 'raw';

-- Figures that neither comparable foods nor cooked food of the same cut allow (schemas/absurd_limits.csv): outside the
-- range of their like, and per g of protein every cooked food of the cut has many times as much (cooking adds nothing),
-- or far less than cooking leaves. Fat carries acids and proximates: no measure there. Key (source, food_id,
-- component).
create temp table absurd as
with figures as (
  select v.source, v.food_id, v.component, v.value, v.n, v.status, v.unit,
    v.preference, v.source_component, v.value / p.value as per_protein, f.species, f.species_group, f.part,
    coalesce(f.cut, '') as cut, f.skin, f.bone, f.fat_trim, f.state
  from reference."values" v join reference.foods f using (source, release, food_id)
    join (select source, food_id, max(value) as value from reference."values" where component = 'PROCNT' and evidence
      group by all) p using (source, food_id)
    join reference.components c on c.component = v.component and c.needed and c.block is null
  where v.evidence and v.value > 0 and f.additions = 'none' and f.realm = 'animal' and f.part <> 'unknown'
    and f.state in ('raw', 'cooked') and not f.composite
    and p.value >= (select value from reference.absurd_limits where "limit" = 'protein_from')
), first as (
  from figures anti join reference.several using (source, component)
  union all
  from figures semi join reference.several using (source, component)
  qualify row_number() over (partition by source, food_id, component order by preference, source_component) = 1
), doubted as (
  select r.*, p.n as peers_n, p.low as peers_low, p.high as peers_high
  from first r join reference.peers p using (component, part, species_group)
  where r.state = 'raw' and (r.value < p.low or r.value > p.high)
    and not exists (
      from archival.maintainer_decisions d where d.action in ('acknowledge', 'prefer') and d.source = r.source
        and d.food_id = r.food_id and d.source_component = r.source_component)
    and p.n >= (select value from reference.absurd_limits where "limit" = 'peers_from')
), twins as (
  select r.source, r.food_id, r.component, any_value(r.value) as value, any_value(r.unit) as unit,
    any_value(r.peers_n) as peers_n, any_value(r.peers_low) as peers_low, any_value(r.peers_high) as peers_high,
    min(c.per_protein / r.per_protein) as least_ratio, max(c.per_protein / r.per_protein) as most_ratio
  from doubted r join first c using (source, component, species, part, cut, skin, bone, fat_trim)
  where c.state = 'cooked' and (c.n >= 1 or c.status = 'measured') group by all
)
select source, food_id, component,
  said.struck_by_rule(peers_low, peers_high, unit, peers_n, if(value < peers_low, least_ratio, most_ratio)) as why
from twins
where value < peers_low and least_ratio >= (select value from reference.absurd_limits where "limit" = 'cooked_over_raw')
  or value > peers_high
    and most_ratio <= (select value from reference.absurd_limits where "limit" = 'cooked_under_raw');

-- Blocks stay together: one food per ingredient for proximates and energy, one for fatty acids, one for amino acids.
-- Ranked as cells are: evidence between matches A and B, match quality, status, samples. For acids status speaks
-- through those that a cat cannot make (NRC 2006): a food with all of them measured comes first, the food of the
-- proximates before the others, as nothing has to be re-expressed. A zero without samples never speaks for a food, and
-- one without fat or protein to re-express on cannot be taken.
create temp table block_foods as
with counted as (
  select ingredient_id, source, release, food_id, match_quality, release_date, source_order, block,
    -- a limit is an answer too: salt and oil have no protein to measure
    count(*) filter (component in ('WATER', 'PROCNT', 'FAT') and (value is not null or low is not null)
      and reject_id is null) as base,
    bool_or(component = 'ENERC_KCAL' and value is not null and reject_id is null) as has_energy,
    -- fibre, carbohydrate and energy of muscle are convention, not analysis: they do not decide for a food
    count(*) filter (evidence and component not in ('FIBTG', 'CHOCDF', 'ENERC_KCAL')
      and not (value = 0 and coalesce(n, 0) = 0)) as evidences,
    count(*) filter (evidence and status = 'measured') as measured,
    count(*) filter (evidence and status = 'measured' and component in ('F18D2N6', 'F20D4N6', 'ARG', 'HIS', 'ILE',
      'LEU', 'LYS', 'MET', 'PHE', 'THR', 'TRP', 'VAL')) as essential,
    coalesce(sum(n), 0) as samples
  from offered where block is not null and source <> 'maintainer' and held is not true group by all
), proximate as (
  select * from counted where block = 'proximate' and base = 3
  qualify row_number() over (partition by ingredient_id order by match_quality = 'C', evidences desc, match_quality,
    has_energy desc,
    measured desc, samples desc, release_date desc, source_order, food_id) = 1
), base_amount as (
  select ingredient_id, source, food_id, if(component = 'FAT', 'fatty_acid', 'amino_acid') as block, "value" as amount
  from offered where component in ('FAT', 'PROCNT')
)
select ingredient_id, 'proximate' as block, source, food_id from proximate
union all
select ingredient_id, block, source, food_id from (
  select c.*, row_number() over (partition by c.ingredient_id, c.block order by c.match_quality = 'C', c.whole desc,
    (c.whole and c.own) desc, c.evidences desc, c.match_quality, c.own desc, c.measured desc,
    c.samples desc, c.release_date desc, c.source_order, c.food_id) as place
  from (
    select c.*, c.essential = if(c.block = 'fatty_acid', 2, 10) as whole,
      p.source is not distinct from c.source and p.food_id is not distinct from c.food_id as own
    from counted c
      left join proximate p on p.ingredient_id = c.ingredient_id
      left join base_amount a on a.ingredient_id = c.ingredient_id and a.block = c.block and a.source = c.source
        and a.food_id = c.food_id
    where c.block in ('fatty_acid', 'amino_acid') and (p.food_id is null or own or a.amount > 0)
  ) c
) where place = 1;

-- What acids of another food than the proximates are re-expressed on: fat or protein of both.
create temp table block_scale as
select distinct b.ingredient_id, b.block, b.source, b.food_id,
  p.source is null or (p.source = b.source and p.food_id = b.food_id) as same_food,
  own."value" as own_base, theirs."value" as their_base,
  if(b.block = 'fatty_acid', 'reexpress_on_fat', 'reexpress_on_protein') as step
from (from offered where source <> 'maintainer') b
  left join block_foods p on p.ingredient_id = b.ingredient_id and p.block = 'proximate'
  left join offered own on own.ingredient_id = p.ingredient_id and own.source = p.source and own.food_id = p.food_id
    and own.component = if(b.block = 'fatty_acid', 'FAT', 'PROCNT')
  left join offered theirs on theirs.ingredient_id = b.ingredient_id and theirs.source = b.source
    and theirs.food_id = b.food_id and theirs.component = if(b.block = 'fatty_acid', 'FAT', 'PROCNT')
where b.block in ('fatty_acid', 'amino_acid');

create temp table scaled as
select o.* exclude (value, low, high, "min", "max", se, steps, status, evidence),
  case when s.same_food is false and s.their_base > 0 and s.own_base is not null
    then round(s.own_base::decimal(18, 6) / s.their_base, 12) else 1 end as scale,
  o.value, o.low, o.high, o."min", o."max", o.se,
  case when s.same_food is false and o.value is not null
    then to_json(list_append(from_json(o.steps, '["VARCHAR"]'), s.step))::text else o.steps end as steps,
  -- worked out, so no longer measured; what was less than that is not upgraded
  case when s.same_food is false and o.status = 'measured' and o.value is not null
    then 'calculated' else o.status end as status,
  o.evidence and a.why is null as evidence, z.contradicted_by,
  case
    when o.held then said.needs_review(array_to_string(from_json(o.review_reasons, '["VARCHAR"]'), ', '))
    when o.reject_id is not null then said.struck_by_decision(o.reject_id, o.reject_reason)
    when m.fault = 'amino_sum' then said.struck_amino_sum(m.amount)
    when m.fault = 'fat_classes' then said.struck_fat_classes(m.amount, m.beside)
    when m.fault = 'never_zero' then said.struck_never_zero(m.beside)
    when a.why is not null then a.why
    when y.food_id is not null then said.repeats_a_food(y.source, y.food_id)
    when o.block is not null and o.source <> 'maintainer' and b.food_id is null then
      if(o.block = 'proximate', said.block_without_food(),
        said.block_without_base(if(o.block = 'fatty_acid', 'fat', 'protein')))
    when o.block is not null and o.source <> 'maintainer' and (b.source <> o.source or b.food_id <> o.food_id)
      -- no evidence is lost that a neighbour has: it fills what the food of the block lacks
      and not (o.evidence and o.block <> 'proximate' and h.food_id is null) then
      said.block_of_another_food(replace(o.block, '_', ' '), b.source, b.food_id)
    when o.block is not null and o.source = 'maintainer' and b.food_id is not null then
      said.block_of_another_food(replace(o.block, '_', ' '), b.source, b.food_id)
    when s.same_food is false and (s.own_base is null or coalesce(s.their_base, 0) = 0) then
      said.block_without_base(if(o.block = 'fatty_acid', 'fat', 'protein'))
    when na.rule_id is not null and o.value = 0 and not o.evidence then said.zero_not_measured(na.reason)
  end as refused,
  (m.fault is not null or a.why is not null) and not o.held and o.reject_id is null as struck_by_rule
from offered o
  left join block_foods b on b.ingredient_id = o.ingredient_id and b.block = o.block
  left join block_scale s on s.ingredient_id = o.ingredient_id and s.block = o.block
    and s.source = o.source and s.food_id = o.food_id
  left join offered h on h.ingredient_id = o.ingredient_id and h.component = o.component and h.source = b.source
    and h.food_id = b.food_id and h.evidence
  left join doubtful_zeros z on z.ingredient_id = o.ingredient_id and z.component = o.component
    and z.source = o.source and z.food_id = o.food_id
  left join absurd a on a.source = o.source and a.food_id = o.food_id and a.component = o.component and o.evidence
  left join reference.impossible m on m.source = o.source and m.food_id = o.food_id and m.component = o.component
    and m.source_component = o.source_component
  left join archival.maintainer_cited_values r on o.source = 'maintainer' and r.id = o.food_id
  -- the record yields where the food that it repeats supplies the cell
  left join offered y on y.ingredient_id = o.ingredient_id and y.component = o.component
    and y.source = r.repeats_source and y.food_id = r.repeats_food_id
  left join curated.not_applicable na on na.ingredient_id = o.ingredient_id and na.component = o.component;

-- Soil and feed make these, so another country's evidence does not go before the exact food: the range spans both.
-- A cited record that repeats a table is of that table's country. Key (ingredient_id, component).
create temp table across_countries as
-- rounded outwards at the ninth decimal
select s.ingredient_id, s.component,
  floor(min(coalesce(s.low, s.value) * s.scale) filter (s.evidence) * 1e9) / 1e9 as low,
  ceil(max(coalesce(s.high, s.value) * s.scale) filter (s.evidence) * 1e9) / 1e9 as high
from scaled s join reference.soil_driven using (component)
  left join archival.maintainer_cited_values m on s.source = 'maintainer' and m.id = s.food_id
  join archival.releases r on r.source = coalesce(m.repeats_source, s.source)
where s.refused is null and s.match_quality in ('A', 'B')
group by all having count(distinct coalesce(nullif(r.country, ''), m.country)) > 1;

-- Within a country there is no such reason: there, what nobody analysed goes behind the evidence of a near food, and a
-- zero that is none behind any; an import goes behind what the country has. Key (ingredient_id, component, source,
-- food_id).
create temp table outdone as
with candidates as (
  select s.ingredient_id, s.component, s.source, s.food_id, s.evidence, s.value,
    s.match_quality, coalesce(nullif(r.country, ''), m.country) as country,
    regexp_matches(s.food_name, '(?i)imported|輸入') as imported
  from scaled s join across_countries using (ingredient_id, component)
    left join archival.maintainer_cited_values m on s.source = 'maintainer' and m.id = s.food_id
    join archival.releases r on r.source = coalesce(m.repeats_source, s.source)
  where s.refused is null and s.match_quality in ('A', 'B')
)
select distinct c.ingredient_id, c.component, c.source, c.food_id
from candidates c join candidates e using (ingredient_id, component)
where e.evidence and e.value is not null and (not c.evidence and c.value = 0
  or e.country = c.country and not e.imported and (not c.evidence or c.imported and c.match_quality = 'B'));

create table curated.cell_candidates as
select s.* exclude (scale, value, low, high, "min", "max", se),
  s.value * s.scale as value, s.low * s.scale as low, s.high * s.scale as high, s."min" * s.scale as "min",
  s."max" * s.scale as "max", s.se * s.scale as se,
  p.decision_id as prefer_id,
  row_number() over (
    partition by s.ingredient_id, s.component
    order by s.refused is not null, p.decision_id is null, s.match_quality = 'C',
      b.food_id is not null, if(d.component is null, '', s.match_quality), s.evidence desc, s.unsampled_zero,
      s.match_quality, (s.value is null), r.rank,
      -- many samples of which most had none say less than few that had some
      if(s."min" = 0 and s.value < s."max" / 2, 0, coalesce(s.n, 0)) desc, s.release_date desc, s.source_order,
        s.food_id) as rank
from scaled s
  left join reference.statuses r on r.status = s.status
  left join across_countries d using (ingredient_id, component)
  left join outdone b using (ingredient_id, component, source, food_id)
  left join archival.maintainer_decisions p on p.action = 'prefer' and p.source = s.source and p.food_id = s.food_id
    and coalesce(p.source_component, s.source_component) = s.source_component
      and coalesce(p.ingredient_id, s.ingredient_id) = s.ingredient_id;
