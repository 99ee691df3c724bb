-- Whether ranges and ceilings hold what was left out of what they were estimated from: R01 to R04.
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
where v.evidence and (exists (from curated.calibration)
  or (select avg((low is null)::int) < 0.5 from chk_cell where evidence));
