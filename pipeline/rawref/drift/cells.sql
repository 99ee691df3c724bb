-- One row per ingredient and component that differs between before and after (the bound keys): what is at stake in it,
-- in the component's unit per 100 g. Grain and key: (ingredient_id, component).
-- No sums: every figure is one product or one order statistic, so the result does not depend on row order.
-- One unit of the last decimal that the source printed (of a range, of its first end), in the component's unit.
create or replace temp macro last_decimal(side) as pow(10, -length(regexp_extract(side.source_value, '\d[.,](\d+)', 1)))
  * coalesce(side.value / nullif(try_cast(replace(side.source_value, ',', '.') as double), 0), 1);

create or replace temp table drift_requirement as
select unnest($component) as component, unnest($minimum) as minimum, unnest($maximum) as maximum,
  unnest($least) as least;

create or replace temp table drift_touched as
select distinct * from (select unnest($ingredients) as ingredient_id, unnest($components) as component);

create or replace temp table drift_side as
with sides as (
  select 'before' as side, * exclude (row_line, occurrence) from before_values semi join drift_touched
    using (ingredient_id, component) where occurrence = 1
  union all by name
  select 'after' as side, * exclude (row_line, occurrence) from after_values semi join drift_touched
    using (ingredient_id, component) where occurrence = 1
), gaps as (
  select 'before' as side, ingredient_id, component, kind, peers_high from before_gaps semi join drift_touched
    using (ingredient_id, component) where occurrence = 1
  union all by name
  select 'after' as side, ingredient_id, component, kind, peers_high from after_gaps semi join drift_touched
    using (ingredient_id, component) where occurrence = 1
)
select s.side, s.ingredient_id, s.component, s.unit, s.basis, s.status, s.source, s.release, s.food_id,
  s.source_component, s.source_value, s.derivation, s.steps, s.decision_id,
  try_cast(s.value as double) as value, try_cast(s.low as double) as low, try_cast(s.high as double) as high,
  try_cast(g.peers_high as double) as peers_high,
  coalesce(s.status in (select status from reference.statuses where evidence), false)
    and coalesce(g.kind not in ('doubtful_zero', 'only_assumed_zero'), true) as evidence,
  -- an assumed zero is no knowledge; a range without a point value is
  (try_cast(s.value as double) is not null and s.status is distinct from 'assumed_zero')
    or try_cast(s.low as double) is not null as known
from sides s
  left join gaps g using (side, ingredient_id, component);

-- spread of the same part in the accepted table, for cells that state none: robust coefficient of variation
create or replace temp table drift_part_spread as
with amounts as (
  select i.part, v.component, list(try_cast(v.value as double) order by try_cast(v.value as double)) as amounts
  from before_values v join before_ingredients i using (ingredient_id)
  where v.component in (select component from drift_touched) and try_cast(v.value as double) is not null
    and v.status in (select status from reference.statuses where evidence)
    and v.occurrence = 1 and i.occurrence = 1
  group by all
), middles as (
  select *, list_aggregate(amounts, 'quantile_cont', 0.5) as median from amounts where len(amounts) >= $spread_samples
)
select part, component, 1.4826 * list_aggregate(
    list_transform(amounts, lambda x: abs(x - median)), 'quantile_cont', 0.5) / nullif(median, 0) as cv
from middles;

create or replace temp table drift_cell as
with b as (from drift_side where side = 'before'), a as (from drift_side where side = 'after'),
parts as (
  select ingredient_id, part, species from before_ingredients where occurrence = 1
  union
  select ingredient_id, part, species from after_ingredients where occurrence = 1
    and ingredient_id not in (select ingredient_id from before_ingredients where ingredient_id is not null)
), inclusion as (
  select part, coalesce(species_group, '') as species_group, try_cast(share_pct as double) as share_pct
  from read_csv($inclusion, header = true, all_varchar = true)
), groups as (
  select species, species_group from read_csv($species, header = true, all_varchar = true)
), paired as (
  select coalesce(b.ingredient_id, a.ingredient_id) as ingredient_id, coalesce(b.component, a.component) as component,
    b.ingredient_id is not null as in_before, a.ingredient_id is not null as in_after,
    b as old, a as new, p.part, coalesce(own.share_pct, i.share_pct, $fallback_share) as share_pct,
    r.minimum, r.maximum, r.least, y.cv as part_cv,
    greatest(last_decimal(b), last_decimal(a)) as step
  from b full join a on a.ingredient_id = b.ingredient_id and a.component = b.component
    left join parts p on p.ingredient_id = coalesce(b.ingredient_id, a.ingredient_id)
    left join groups g on g.species = p.species
    left join inclusion i on i.part = p.part and i.species_group = ''
    left join inclusion own on own.part = p.part and own.species_group = g.species_group and own.species_group <> ''
    left join drift_requirement r on r.component = coalesce(b.component, a.component)
    left join drift_part_spread y on y.part = p.part and y.component = coalesce(b.component, a.component)
), offered as (
  -- every amount that could be said of the change, the plainest first; `message` is a key of MESSAGES in tiers.py
  select *,
    case
      when not coalesce(old.known, false) and not coalesce(new.known, false) then [{'amount': 0.0, 'message': 'value'}]
      when not coalesce(old.known, false) or not coalesce(new.known, false) then [
        {'amount': coalesce(if(new.known, new.value, old.value), if(new.known, new.high, old.high),
          if(new.known, new.low, old.low)), 'message': case when if(new.known, new.value, old.value) is not null
          then 'value' when if(new.known, new.high, old.high) is not null then 'high' else 'low' end},
        {'amount': if(new.known, coalesce(old.peers_high, new.peers_high), coalesce(new.peers_high, old.peers_high)),
          'message': 'peers'}]
      else [
        {'amount': abs(new.value - old.value), 'message': 'value_moved'},
        {'amount': abs(new.low - old.low), 'message': 'low_moved'},
        {'amount': abs(new.high - old.high), 'message': 'high_moved'},
        -- a value gives way to a range, or the reverse: how far the one may lie from the other
        {'amount': case when new.value is null then abs(old.value - new.low)
          when old.value is null then abs(new.value - old.low) end, 'message': 'low_apart'},
        {'amount': case when new.value is null then abs(old.value - new.high)
          when old.value is null then abs(new.value - old.high) end, 'message': 'high_apart'},
        -- a range that opens or closes upwards
        {'amount': case when old.value is not null or new.value is not null then null
          when new.high is null then abs(old.high - new.low)
          when old.high is null then abs(new.high - old.low) end, 'message': 'high_opened'}]
    end as moves
  from paired
), weighed as (
  select *,
    -- what a loss or gain of evidence concerns, although the number may be the same
    case when old.evidence is distinct from new.evidence then list_append(moves, {
      'amount': coalesce(new.value, new.high, old.value, old.high),
      'message': case when new.value is not null or new.high is null and old.value is not null
        then 'value' else 'high' end}) else [{'amount': 0.0, 'message': 'value'}] end as concerns
  from offered
), staked as (
  select * exclude (moves, concerns), list_max([m.amount for m in moves]) as moved,
    list_max([m.amount for m in concerns]) as concerned,
    [m.message for m in moves if m.amount = moved][1] as moved_message,
    [m.message for m in concerns if m.amount = concerned][1] as concerned_message
  from weighed
)
select *, share_pct / 100 * $grams_per_1000kcal / 100 as per_1000kcal
from staked;
