-- How many truths of held-out families an 80 % interval holds. The families of each component are cut into two halves
-- by a digest of their name, in twenty ways; the interval is fitted on one half and tested on the other, both ways
-- round.
create temp table cooking_coverage as
with cuts as (
  select component, error_group, family, cut,
    row_number() over (partition by component, error_group, cut order by md5(family || '#' || cut)) % 2 as half
  from (select distinct component, error_group, family from cooking_predicted where way = 'measured')
    cross join range(20) t(cut)
), held as (
  select c.component, c.error_group, c.cut, c.half, p.cooked_id, 1 / p.ratio as truth
  from cuts c join cooking_predicted p using (component, error_group, family) where p.way = 'measured'
), fitted as (
  select component, error_group, cut, half,
    list_aggregate(list(truth order by truth), 'quantile_cont', 0.1) as low,
    list_aggregate(list(truth order by truth), 'quantile_cont', 0.9) as high
  from held group by all
)
select h.component, h.error_group, count(*) as trials,
  count(*) filter (truth between f.low and f.high) as inside_unwidened,
  count(*) filter (truth between power(f.low, w.value) and power(f.high, w.value)) as inside
from held h
  join fitted f on f.component = h.component and f.error_group = h.error_group and f.cut = h.cut and f.half <> h.half
  join cooking_limits w on w."limit" = 'widen_log' and w.error_group = h.error_group
group by all;
