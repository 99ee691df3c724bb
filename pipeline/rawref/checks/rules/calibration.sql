-- Whether ranges and ceilings hold what was left out of what they were estimated from, and are whole: R01 to R05.
insert into chk_figure by name
select if(component = '*', 'R01', 'R02') as rule_id, 'table' as origin, component, coverage as x,
  format('{:.1f} % of {} pairs lie within the range, {} left out; {:.0f} % are due', 100 * coverage, n,
    if(left_out = 'species', 'the species', 'the other table'), 100 * expected) as detail
from curated.calibration
where measure = 'range' and class = '*' and left_out in ('species', 'table')
  and n >= if(component = '*', getvariable('chk.R01.pairs'), getvariable('chk.R02.pairs'));

insert into chk_figure by name
select 'R03' as rule_id, 'table' as origin, component, coverage as x,
  format('{:.1f} % of {} known cells lie below the ceiling ({}), the species left out; {:.0f} % are due',
    100 * coverage, n, if(class = '*', 'all', class), 100 * expected) as detail
from curated.calibration
where measure = 'ceiling' and component = '*' and n >= getvariable('chk.R03.cells');

insert into chk_figure by name
select 'R04' as rule_id, 'ingredient' as origin, v.ingredient_id, v.component,
  (v.low is null or v.high is null or v.low > coalesce(v.value, v.low) or v.high < coalesce(v.value, v.high))::int as x,
  format('{} with low {} and high {}', coalesce(v.value::text, 'no value'), coalesce(v.low::text, 'empty'),
    coalesce(v.high::text, 'empty')) as detail
-- without a pair of tables nothing can be calibrated, and hardly a cell has a range: then there is nothing to hold
from chk_cell v
where v.evidence and (exists (from curated.calibration where measure = 'range')
  or (select avg((low is null)::int) < 0.5 from chk_cell where evidence));

-- A figure of another food for the same ingredient that the range does not hold is why the chosen one may be doubted.
insert into chk_figure by name
with rivals as (
  select c.ingredient_id, c.component, c.source || ' ' || c.food_id as named, c.value, c.unit, v.low, v.high,
    not contains(coalesce(v.reason, ''), named) as unnamed
  from curated.candidates c join curated."values" v using (ingredient_id, component)
  where v.source is not null and v.low is not null and (c.source, c.food_id) <> (v.source, v.food_id)
    and v.status in (select status from reference.statuses where evidence)
    and c.status in (select status from reference.statuses where evidence)
    and c.value > 0 and coalesce(c.donor_state, 'raw') in ('raw', 'unknown') and c.match_quality in ('A', 'B')
    and not regexp_matches(coalesce(c.reason_not_chosen, ''), '^(struck out|no evidence|the food needs review)')
    and (round(c.value, 9) < v.low or round(c.value, 9) > v.high)
)
select 'R05' as rule_id, 'ingredient' as origin, ingredient_id, component, count(*) filter (unnamed) as x,
  format('{:.4g} to {:.4g} does not hold {}', any_value(low), any_value(high),
    string_agg(format('{:.4g} {} of {}', value, unit, named), ', ' order by named) filter (unnamed)) as detail
from rivals group by all;
