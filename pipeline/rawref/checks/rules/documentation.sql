-- How values are documented in the table: D01 to D17. What asks the sources alone: source_documentation.sql; D18:
-- source_identity.sql.
insert into chk_evaluated select 'D01', count(*) from chk_cell;
insert into chk_figure by name
select 'D01' as rule_id, 'ingredient' as origin, ingredient_id, component,
  format('status {}, source text {}, value {}', status, coalesce(source_value, '(none)'), coalesce(value, low, high))
    as detail
from chk_cell
where status in ('missing', 'not_applicable') and (value is not null or low is not null or high is not null)
  or source is not null and value is not null and steps = '[]'
    and coalesce(source_value, '') in ('', '-', 'Tr', '(Tr)', 'traces');

insert into chk_figure by name
select 'D02' as rule_id, 'ingredient' as origin, ingredient_id, component,
  case when value <> 0 or value is null and status <> 'assumed_zero' then 0
    when status = 'assumed_zero' then if(value is distinct from 0, 2, 0)
    when status = 'measured' then if(evidence, 2, 1) when status in ('unspecified', 'label_claim') then 1 else 0 end
      as x,
  format('value {} with status {}', value, status) as detail
from chk_cell where value = 0 or status = 'assumed_zero';

insert into chk_figure by name
select 'D03' as rule_id, 'ingredient' as origin, ingredient_id, component,
  (value is not null or low is distinct from 0)::int as x, format('{} with value {} and low {}', status, value,
    low) as detail
from chk_cell where status in ('trace', 'below_detection');

-- chk_unit: the unit that a source declares, in one spelling; what no row of schemas/units.csv knows stays as it is.
create or replace table rules.chk_unit as
select distinct c.source, c.source_component, coalesce(u.unit, c.unit) as unit
from archival.components c left join reference.units u on u.spelling = c.unit;

-- chk_reached: the unit that a source's unit becomes by the steps of a row; key (source_unit, steps).
create or replace table rules.chk_reached as
with rows as (
  select source_unit, steps from chk_cell where source <> 'maintainer'
  union select source_unit, steps from chk_row where source <> 'maintainer'
  union select a.unit, m.steps from reference.component_map m join chk_unit a using (source, source_component)
), walked as (
  select r.source_unit, r.steps, list_filter(list_transform(
      json_extract_string(r.steps, '$[*]'), lambda x: map_extract_value(w.known, x)), lambda x: x is not null) as way
  from rows r, (select map_from_entries(list((step, {'f': from_unit, 't': to_unit}))) as known
    from reference.step_units) w
  where r.source_unit is not null
)
select w.source_unit, w.steps, case
    when len(way) = 0 then coalesce(u.unit, w.source_unit)
    when way[1].f = coalesce(u.unit, w.source_unit) then way[-1].t end as unit
from walked w left join reference.units u on u.spelling = w.source_unit;

insert into chk_evaluated select 'D05', count(*) from archival.components;
insert into chk_figure by name
select 'D05' as rule_id, 'source' as origin, c.source, c.source_component, m.component,
  format('unit {}', coalesce(c.unit, '(none)')) as detail
from archival.components c join reference.component_map m using (source, source_component)
  join chk_unit u using (source, source_component)
where c.source <> 'maintainer' and lower(u.unit) not in (
  select word from chk_word where rule_id = 'D05' and name = 'units');
insert into chk_evaluated select 'D05', count(*) from chk_cell;
insert into chk_figure by name
select 'D05' as rule_id, 'ingredient' as origin, ingredient_id, component,
  'unit ' || coalesce(unit, '(none)') as detail
from chk_cell
where unit is null or lower(unit) not in (select word from chk_word where rule_id = 'D05' and name = 'units');

-- What the source prints, led through the steps of the row, is the unit of the component.
insert into chk_evaluated select 'D06', count(*) from chk_cell;
insert into chk_figure by name
select 'D06' as rule_id, 'ingredient' as origin, v.ingredient_id, v.component,
  format('unit {}, the registry has {}; the source''s {} becomes {}', coalesce(v.unit, '(none)'), c.unit,
    coalesce(v.source_unit, '(none)'), coalesce(r.unit, 'no unit of these steps')) as detail
from chk_cell v join reference.components c using (component)
  left join chk_reached r on r.source_unit = v.source_unit and r.steps = v.steps
where v.unit is distinct from c.unit
  or v.source <> 'maintainer' and v.source_unit is not null and r.unit is distinct from c.unit;
insert into chk_evaluated select 'D06', count(*) from chk_row;
insert into chk_figure by name
select 'D06' as rule_id, 'food' as origin, v.source, v.food_id, v.source_component, v.component,
  format('unit {}, the registry has {}; the source''s {} becomes {}', coalesce(v.unit, '(none)'), c.unit,
    coalesce(v.source_unit, '(none)'), coalesce(r.unit, 'no unit of these steps')) as detail
from chk_row v join reference.components c using (component)
  left join chk_reached r on r.source_unit = v.source_unit and r.steps = v.steps
where v.unit is distinct from c.unit
  or v.source <> 'maintainer' and v.source_unit is not null and r.unit is distinct from c.unit;
-- The factor of a mapping must be that between the two units, where no step but a unit step is named.
insert into chk_figure by name
with scale(unit, size) as (values ('g', 1.0), ('mg', 1e-3), ('ug', 1e-6))
select 'D06' as rule_id, 'source' as origin, m.source, m.source_component, m.component,
  (r.unit is distinct from c.unit
    or (m.steps = '[]' or regexp_full_match(m.steps, '\["(g|mg|ug)_to_(g|mg|ug)"\]'))
      and abs(m.factor::double / (f.size / t.size) - 1) > 1e-9)::int as x,
  format('source unit {}, component unit {}, factor {}', a.unit, c.unit, m.factor) as detail
from reference.component_map m
  join chk_unit a using (source, source_component)
  join reference.components c on c.component = m.component
  left join chk_reached r on r.source_unit = a.unit and r.steps = m.steps
  left join scale f on f.unit = a.unit
  left join scale t on t.unit = lower(c.unit);
insert into chk_figure by name
select 'D07' as rule_id, 'spread' as class, 'ingredient' as origin, ingredient_id, component,
  greatest(coalesce(low - value, -1), coalesce(value - high, -1)) as x,
  format('value {} outside {} to {}', value, low, high) as detail
from chk_cell where value is not null and (low is not null or high is not null);

insert into chk_figure by name
with judged as (
  select *, status = 'imputed' and donor_food_id is null and coalesce(derivation, '') in ('', '4', '11') as no_donor,
    status = 'measured' and source in (select source from reference.source_traits where trait = 'always_coded')
      and coalesce(n, 0) = 0 and reference_ids = '[]' as no_sample
  from chk_cell where status in ('imputed', 'measured') and source <> 'maintainer'
)
select 'D09' as rule_id, 'ingredient' as origin, ingredient_id,
  case when bool_or(status = 'imputed' and evidence) then 2 when bool_or(no_donor or no_sample) then 1 else 0 end as x,
  concat_ws('; ', 'imputed without donor or rule: ' || string_agg(component, ', ' order by component) filter (no_donor),
    'analytical with n 0 and no reference: ' || string_agg(component, ', ' order by component) filter (no_sample),
    'imputed, yet evidence: ' || string_agg(component, ', ' order by component)
      filter (status = 'imputed' and evidence))
    as detail
from judged group by ingredient_id;
insert into chk_figure by name
select 'D10' as rule_id, 'same' as class, 'ingredient' as origin, ingredient_id, component,
  abs(value - try_cast(replace(source_value, ',', '.') as double)) as x,
  format('value {} is not the source''s own {}, and no step is named', value, source_value) as detail
from chk_cell where steps = '[]' and value is not null and source is not null;
insert into chk_figure by name
with walked as (
  select c.ingredient_id, c.component, c.value, c.source_value, c.steps,
    try_cast(replace(c.source_value, ',', '.') as double)
      * list_product(list_transform(from_json(c.steps, '["VARCHAR"]'),
        lambda s: list_extract(f.factors[s], 1))) as expected
  from chk_cell c
    cross join (select map_from_entries(list((id, [factor]) order by id)) as factors from chk_step
      where factor is not null) f
  where c.steps <> '[]' and c.value is not null and c.source is not null
    and len(list_filter(from_json(c.steps, '["VARCHAR"]'),
      lambda s: not list_contains(map_keys(f.factors), s))) = 0
)
select 'D10' as rule_id, 'stepped' as class, 'ingredient' as origin, ingredient_id, component,
  abs(value - expected) / greatest(abs(expected), 1e-9) as x,
  format('{} by the steps {} gives {:.6g}, published {}', source_value, steps, expected, value) as detail
from walked;

insert into chk_figure by name
select 'D11' as rule_id, 'ingredient' as origin, c.ingredient_id, c.component,
  (c.source is null or c.release is null or c.food_id is null or c.file is null or c.line is null
    or not coalesce(list_has_all(k.known, from_json(c.reference_ids, '["VARCHAR"]')), true))::int as x,
  format('source {} {} {}, references {}', c.source, c.release, c.food_id, c.reference_ids) as detail
from chk_cell c cross join (select coalesce(list(reference_id), []) as known from curated."references") k
-- a composite rests on its parts, which are rows of the table
where c.status not in ('missing', 'not_applicable') and c.kind <> 'composite';

insert into chk_evaluated select 'D12', count(*) from chk_cell;
insert into chk_figure by name
select 'D12' as rule_id, 'ingredient' as origin, ingredient_id, component,
  'status or derivation is blank' as detail
from chk_cell where status is null
  or source in (select source from reference.source_traits where trait = 'always_coded')
    and coalesce(derivation, '') = '';

insert into chk_figure by name
select 'D13' as rule_id, 'ingredient' as origin, ingredient_id, component,
  (donor_food_id is null or donor_state not in ('raw', 'unknown'))::int as x,
  format('{} {} {} is borrowed (derivation {}) from {}', source, food_id, coalesce(source_value, ''),
    coalesce(derivation, 'none'),
    coalesce(donor_food_id || ', ' || donor_state, 'a food that is not named')) as detail
from chk_cell where kind = 'raw' and (status = 'imputed' or donor_food_id is not null);

insert into chk_figure by name
with aged as (
  select c.ingredient_id, c.component, r.newest - v.year as age
  from chk_cell c
    join chk_value v on v.source = c.source and v.food_id = c.food_id and v.source_component = c.source_component
      and v.component = c.component
    cross join (select max(try_cast(left(release_date, 4) as int)) as newest from archival.releases
      where source <> 'maintainer') r
  where v.year is not null
)
select 'D14' as rule_id, 'ingredient' as origin, ingredient_id, max(age) as x,
  format('{} of {} cells last changed more than {:.0f} years before the newest release: {}',
    count(*) filter (age > getvariable('chk.D14.told_from')), count(*), getvariable('chk.D14.told_from'),
    coalesce(string_agg(component, ', ' order by component) filter (age > getvariable('chk.D14.told_from')),
      '')) as detail
from aged group by ingredient_id;

insert into chk_evaluated select 'D15', count(*) from chk_cell;
insert into chk_figure by name
select 'D15' as rule_id, 'ingredient' as origin, ingredient_id, component,
  'status ' || status || ', confidence ' || coalesce(confidence, 'none') as detail
from chk_cell
where (status in ('missing', 'not_applicable')) is distinct from (confidence is null)
  and not (status not in ('missing', 'not_applicable') and value is null and low is null);

insert into chk_figure by name
with compared as (
  select c.*, g.n as group_n, g.middle, p.n as peers_n, p.low as peers_low, p.median as peers_median
  from chk_cell c
    left join chk_group g on g.component = c.component and g.part = c.part and g.species_group = c.species_group
      and g.n >= getvariable('chk.D16.group_from')
    left join reference.peers p on p.component = c.component and p.part = c.part and p.species_group = c.species_group
      and p.n >= getvariable('chk.D16.peers_from') and p.low > 0
  where c.kind = 'raw' and c.species_group <> 'plant' and (g.n is not null or p.n is not null)
    and c.component not in (select word from chk_word where rule_id = 'D16' and name = 'zero_by_nature')
), zeros as (
  select component, part, species_group, count(*) filter (x = 0) as zeros, count(*) as all_foods
  from chk_value where raw_animal and x is not null and evidence group by all
  union all
  select component, part, species_group, count(*) filter (x = 0), count(*)
  from chk_cell where kind = 'raw' and x is not null and evidence and not exists (from chk_value) group by all
), judged as (
  select c.*, coalesce(group_n is not null
    and coalesce(z.zeros, 0) <= getvariable('chk.D16.zero_share') * coalesce(z.all_foods, 0), false) as stands_out
  from compared c left join zeros z using (component, part, species_group)
)
select 'D16' as rule_id, 'ingredient' as origin, ingredient_id, component,
  case when x is null or x > 0 then 0
    when evidence and (status = 'measured' and stands_out
      or status in ('calculated', 'unspecified') and value = 0 and peers_low > 0) then 2
    when stands_out then 1 else 0 end as x,
  format('published 0 ({}, derivation {}, donor {} {}), yet {} comparable foods have a median of {:.4g} {}', status,
    coalesce(derivation, 'none'), coalesce(donor_food_id, 'none'), coalesce(donor_state, ''),
    coalesce(group_n, peers_n), coalesce(pow(10, middle), peers_median), unit) as detail
from judged;

-- D17: what another table does not count as evidence is none here either. Suspects are chosen figures of three telling
-- digits that an older table prints as non-evidence for a food of the same animal and part; what they share besides
-- says whether the one took it from the other. From the values alone, not from reference.copies.
insert into chk_evaluated select 'D17', count(*) from chk_cell where evidence and source <> 'maintainer';
insert into chk_figure by name
with suspects as (
  select c.ingredient_id, c.component, o.source, o.food_id, t.source as first_source, t.food_id as first_food, t.status,
    c.source_value
  from chk_cell c join chk_digits o using (source, food_id, component)
    join chk_digits t on t.component = o.component and t.figure = o.figure and t.species = o.species and t.part = o.part
  where c.evidence and not t.evidence and o.figure % 10 <> 0 and t.source <> o.source
    and t.release_date < o.release_date
    and coalesce(c.n, 0) = 0
), shared as (
  select s.source, s.food_id, s.first_source, s.first_food, count(*) filter (o.figure = t.figure) as same,
    count(*) as compared
  from (select distinct source, food_id, first_source, first_food from suspects) s
    join chk_digits o using (source, food_id)
    join chk_digits t on t.source = s.first_source and t.food_id = s.first_food and t.component = o.component
  group by all
)
select 'D17' as rule_id, 'ingredient' as origin, s.ingredient_id, s.component,
  if(h.same >= getvariable('chk.D17.figures_from'), h.same / h.compared, 0) as x,
  format('{} {} prints {}, as {} {} does ({}); {} of {} figures of the two foods are the same', s.source, s.food_id,
    s.source_value, s.first_source, s.first_food, s.status, h.same, h.compared) as detail
from suspects s join shared h using (source, food_id, first_source, first_food);

-- A component of which a table prints an older table's figure for half of the foods that stand for the same ingredients
-- was taken from there, round figures too.
insert into chk_figure by name
with pairs as (
  select distinct o.source, o.food_id, o.component, t.source as first_source, t.food_id as first_food,
    o.figure = t.figure as same, t.evidence as first_evidence, t.status
  from reference.links l join reference.links f using (ingredient_id)
    join chk_digits o on o.source = l.source and o.food_id = l.food_id
    join chk_digits t on t.source = f.source and t.food_id = f.food_id and t.component = o.component
  where t.release_date < o.release_date and t.source <> o.source and l.match_quality in ('A', 'B')
    and f.match_quality in ('A', 'B')
), shares as (
  select source, first_source, component, count(*) filter (same) as equal, count(*) as compared from pairs group by all
  having compared >= getvariable('chk.D17.component_pairs_from')
)
select 'D17' as rule_id, 'component' as class, 'ingredient' as origin, c.ingredient_id, c.component,
  equal / compared as x,
  format('{} {} prints {}, as {} {} does ({}); {} of {} figures of the component are the same', source, food_id,
    c.source_value, first_source, first_food, p.status, equal, compared) as detail
from chk_cell c join pairs p using (source, food_id, component) join shares using (source, first_source, component)
where p.same and not p.first_evidence and c.evidence and coalesce(c.n, 0) = 0;
