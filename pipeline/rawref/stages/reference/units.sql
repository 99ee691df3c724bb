-- unit_faults: mappings whose source declares another unit than their steps expect, or whose steps lead elsewhere;
-- key (source, source_component, component). Steps that change no unit (a salt to its metal) count by their ends.
create temp table unit_faults as
with walked as (
  select m.*, c.unit as wanted, list_filter(list_transform(json_extract_string(m.steps, '$[*]'),
      lambda x: map_extract_value(w.known, x)), lambda x: x is not null) as way
  from reference.component_map m join reference.components c using (component),
    (select map_from_entries(list((step, {'f': from_unit, 't': to_unit}))) as known from reference.step_units) w
), expected as (
  select *, coalesce(way[1].f, wanted) as expected_unit, coalesce(way[-1].t, wanted) as reached_unit from walked
)
select e.source, e.source_component, a.name, e.component, a.unit as declared, u.unit as spelled, e.expected_unit,
  e.reached_unit, e.wanted, a.file, a.line, e.map_line
from expected e
  join archival.components a using (source, source_component)
  left join reference.units u on u.spelling = a.unit
where u.unit is distinct from e.expected_unit or e.reached_unit <> e.wanted;
