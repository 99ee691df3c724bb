-- How values are documented in the sources and the reference stage: D01 to D04, D07 to D12.
insert into chk_evaluated select 'D01', count(*) from reference."values" where text is null or text in ('', '-');
insert into chk_figure by name
select 'D01' as rule_id, 'source' as origin, source, food_id, source_component, component,
  'no figure in the source, yet a number' as detail
from reference."values" where (text is null or text in ('', '-')) and value is not null and steps = '[]'
  and source <> 'maintainer';

insert into chk_evaluated select 'D02', count(*) from chk_row;
insert into chk_figure by name
select 'D02' as rule_id, 'food' as origin, source, food_id, source_component, component, 2 as x,
  format('status {} and donor state {}, yet evidence is {}', status, coalesce(donor_state, 'none'), evidence) as detail
from chk_row
where evidence is distinct from (status in (select status from reference.statuses where evidence)
  and coalesce(donor_state, 'raw') in ('raw', 'unknown'));
insert into chk_evaluated select 'D03', count(*) from chk_row where status in ('trace', 'below_detection');
insert into chk_figure by name
select 'D03' as rule_id, 'food' as origin, source, food_id, source_component, component,
  format('{} with point value {}', status, value) as detail
from chk_row where status in ('trace', 'below_detection') and value is not null;

insert into chk_evaluated select 'D04', count(*) from reference."values"
where source not in (select source from reference.source_traits where trait = 'plain_numbers')
  and source <> 'maintainer';
insert into chk_figure by name
select 'D04' as rule_id, 'source' as origin, source, food_id, source_component, component,
  format('{} was not understood', text) as detail
from reference."values"
where source not in (select source from reference.source_traits where trait = 'plain_numbers')
  and source <> 'maintainer' and status in ('missing', 'unmapped')
  and regexp_matches(coalesce(text, ''), '[^-–‐* ]');

insert into chk_evaluated select 'D07', count(*) from archival."values" where "min" <> '' and "max" <> '';
insert into chk_figure by name
with ranged as (
  select source, food_id, source_component, text, "min", "max", n,
    try_cast(text as double) as mean, try_cast("min" as double) as least_one, try_cast("max" as double) as largest_one,
    0.5 * pow(10, -length(split_part(text, '.', 2))) as half
  from archival."values" where "min" <> '' and "max" <> ''
)
-- fatty acids that a table scales to the mean fat of the food leave the extremes of the samples as they are
select 'D07' as rule_id, if(t.source is null, null, 'normalised') as class, 'source' as origin, source, food_id,
  source_component, greatest(least_one - mean, mean - largest_one) - half as x,
  format('mean {} outside {} to {}', text, "min", "max") as detail
from ranged left join (
  select s.source, w.word as source_component from reference.source_traits s cross join chk_word w
  where s.trait = 'normalised_acids' and w.rule_id = 'D07' and w.name = 'acids') t using (source, source_component)
where greatest(least_one - mean, mean - largest_one) > half + 1e-9;

insert into chk_figure by name
select 'D08' as rule_id, 'n' as class, 'food' as origin, source, food_id, source_component, component,
  coalesce(n, 0) as x, format('standard error {} with n {}', se, coalesce(n, 0)) as detail
from chk_value where se > 0;
insert into chk_figure by name
select 'D08' as rule_id, 'cv' as class, 'food' as origin, source, food_id, source_component, component,
  se * sqrt(n) / x as x, format('standard error {} x sqrt({}) / {}', se, n, v.x) as detail
from chk_value v where se > 0 and n >= 2 and v.x > 0;

-- What the codes of a source say of a figure, against its number of samples: a zero that is assumed has none.
insert into chk_evaluated select 'D09', count(*) from archival."values" where try_cast(n as int) > 0;
insert into chk_figure by name
with assumed as (
  select source, kind, code from reference.status_map
  where status = 'assumed_zero' and kind in ('derivation', 'source_code')
)
select 'D09' as rule_id, 'conflict' as class, 'source' as origin, v.source, v.food_id, v.source_component,
  format('source code {}, derivation {} say that it is assumed, yet n is {}', coalesce(v.source_code, 'none'),
    coalesce(nullif(v.derivation, ''), 'none'), v.n) as detail
from archival."values" v
where try_cast(v.n as int) > 0 and exists (
  from assumed a where a.source = v.source
    and a.code = if(a.kind = 'derivation', v.derivation, v.source_code));
-- An analysis has samples, in a source that counts them.
insert into chk_figure by name
select 'D09' as rule_id, 'conflict' as class, 'source' as origin, v.source, v.food_id, v.source_component,
  format('derivation {} says that it is an analysis, yet no sample is counted', v.derivation) as detail
from archival."values" v join reference.status_map m on m.source = v.source and m.kind = 'derivation'
  and m.code = v.derivation and m.status = 'measured'
where v.text is not null and v.n is null;

insert into chk_evaluated select 'D10', count(*) from chk_value where raw_animal and x > 0;
insert into chk_figure by name
with printed as (
  select *, ltrim(replace(text, '.', ''), '0') as digits from chk_value
  where raw_animal and length(text) > 4 and x > 0 and component not in ('WATER', 'ENERC_KCAL', 'ENERC_KJ')
)
select 'D10' as rule_id, 'digits' as class, 'food' as origin, source, food_id, source_component, component,
  length(if(contains(text, '.'), digits, rtrim(digits, '0'))) as x,
  format('{} has {} significant digits', text, length(digits)) as detail
from printed where length(digits) > 4;
-- The reference value is the source text times the factor of its mapping.
insert into chk_figure by name
with walked as (
  select v.*, try_cast(v.text as double) * m.factor::double as expected
  from chk_row v join reference.component_map m using (source, source_component, component)
  where v.source in (select source from reference.source_traits where trait = 'plain_numbers')
)
select 'D10' as rule_id, 'kept' as class, 'food' as origin, source, food_id, source_component, component,
  format('{} by the steps {} gives {:.6g}, held is {}', text, steps, expected,
    coalesce(value::text, 'nothing')) as detail
from walked
where abs(value - expected) > 1e-9 * greatest(abs(expected), 1e-6)
  or value is null and expected is not null and status not in ('below_detection', 'trace')
  or value is not null and expected is null;
insert into chk_evaluated select 'D11', count(*) from archival.value_references;
insert into chk_figure by name
select 'D11' as rule_id, 'source' as origin, v.source, v.food_id, v.source_component,
  format('reference {} is not in the source', v.reference_id) as detail
from archival.value_references v anti join archival."references" r using (source, release, reference_id);
-- A figure whose row says nothing of how it came about, in a source that codes it.
insert into chk_evaluated select 'D12', count(*) from chk_row;
insert into chk_figure by name
select 'D12' as rule_id, 'source' as origin, source, food_id, source_component,
  'neither derivation nor source code' as detail
from chk_row semi join reference.component_map using (source, source_component)
where coalesce(derivation, '') = '' and coalesce(source_code, '') = ''
  and source in (select source from reference.status_map where kind = 'derivation');

-- chk_digits: needed figures of animal foods at three digits, for rule D17 in documentation.sql; key (source, food_id,
-- component).
create or replace table rules.chk_digits as
with figures as (
  select v.source, v.food_id, v.component, v.value, v.evidence, v.status, f.species, f.part, r.release_date,
    v.preference, v.source_component,
    floor(log10(v.value))::int * 1000 + round(v.value / pow(10, floor(log10(v.value)) - 2))::int as figure
  from reference."values" v join reference.foods f using (source, release, food_id)
    join archival.releases r on r.source = v.source
  where v.value > 0 and v.source <> 'maintainer' and f.realm = 'animal'
    and v.component not in (select word from chk_word where rule_id = 'D17' and name = 'convention')
    and v.component in (select component from reference.components where needed)
)
from figures anti join reference.several using (source, component)
union all
from figures semi join reference.several using (source, component)
qualify row_number() over (partition by source, food_id, component order by preference, source_component) = 1;
