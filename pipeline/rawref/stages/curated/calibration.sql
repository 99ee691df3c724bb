-- curated.calibration: how often what was left out lay within; key (measure, component, class, left_out). Ranges by
-- pairs of independent tables, each once, beside the plain conformal range (quantile of the difference by component);
-- ceilings by what is known, by reach and number of comparable foods. `*` stands for all.
create table curated.calibration as
with trials as (
  select *, source || ' - ' || other_source as tables from curated.range_trials
), cut as (
  select 'range' as measure, component, '*' as class, 'species' as left_out, * exclude (left_out, component, class)
  from trials where left_out = 'species'
  union all by name
  select 'range' as measure, component, class, 'species' as left_out, * exclude (left_out, component, class)
  from trials where left_out = 'species'
  union all by name
  select 'range' as measure, '*' as component, class, 'species' as left_out, * exclude (left_out, component, class)
  from trials where left_out = 'species'
  union all by name
  select 'range' as measure, '*' as component, '*' as class, left_out, * exclude (left_out, component, class)
  from trials
  union all by name
  select 'range' as measure, '*' as component, '*' as class, other_source as left_out,
    * exclude (left_out, component, class)
  from trials where left_out = 'table'
  union all by name
  select 'range' as measure, component, '*' as class, left_out, * exclude (left_out, component, class)
  from trials where left_out = 'table'
), ranges as (
  select measure, component, class, left_out, count(*) as n, count(distinct species_code) as species,
    0.9::double as expected, round(avg(held::int), 4) as coverage, round(median(half_width), 4) as half_width,
    round(avg(plain_held::int), 4) as plain_coverage, round(median(plain_half_width), 4) as plain_half_width,
    to_json(list_sort(list(distinct tables)))::text as tables
  from cut group by all
), ceilings as (
  select 'ceiling' as measure, g.component,
    concat(t.reach, ' ', case when t.n >= 20 then '20-' when t.n >= 10 then '10-19' when t.n >= 3 then '3-9'
      else t.n::text end) as class, 'species' as left_out, t.held
  from curated.ceiling_trials t cross join (values ('*')) g(component) where t.held is not null
  union all
  select 'ceiling', t.component, '*', 'species', t.held from curated.ceiling_trials t where t.held is not null
)
from ranges
union all by name
select measure, component, class, left_out, count(*) as n, 0.95::double as expected, round(avg(held::int), 4)
  as coverage,
  '[]' as tables
from ceilings group by all;
