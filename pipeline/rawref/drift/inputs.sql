-- What differs in the inputs of changed cells, as keys that pipeline/rawref/drift/cause.py turns into causes.
-- Bound: the touched cells, `changed` (sources whose files, presence or release differ), `came_or_went` (whether one
-- is present on one side only) and the paths of two registries. A difference counts as one of the source only where
-- the source itself changed: the same file read otherwise is the code's doing.

create or replace temp macro moved(old, new) as
  if(old is not distinct from new, null, concat(coalesce(old, 'none'), ' -> ', coalesce(new, 'none')));
create or replace temp macro food_of(side) as concat(side.food_name, ' (', side.source, ' ', side.food_id, ')');
-- What differs of a row, told by the keys of cause.py; null where it does not.
create or replace temp macro said_of(old, new) as {
  'decision': concat_ws(', ', old.decision_id, if(new.decision_id <> old.decision_id, new.decision_id, null),
    if(old.decision_id is null, new.decision_id, null)),
  'text': moved(old.source_value, new.source_value), 'record': moved(old.source_value, new.source_value),
  'supplier': moved(food_of(old), food_of(new)),
  'mapping': coalesce(moved(food_of(old), food_of(new)), moved(old.match_quality, new.match_quality)),
  'offered': food_of(if(new.food_id is null, old, new)), 'linked': food_of(if(new.food_id is null, old, new)),
  'steps': moved(old.steps, new.steps), 'status': moved(old.status, new.status)};

create or replace temp table drift_asked as
select distinct * from (select unnest($ingredients) as ingredient_id, unnest($components) as component);

create or replace temp table drift_block as
select component, block from read_csv($component_registry, header = true, all_varchar = true);

-- One row per candidate that differs: key (ingredient_id, component, source, food_id, source_component); `subject` is
-- how the change names it. `keys` in order: the first that a changed input can explain is the cause.
create or replace temp table drift_moved_candidate as
with b as (select * exclude (row_line, occurrence) from before_candidates where occurrence = 1),
a as (select * exclude (row_line, occurrence) from after_candidates where occurrence = 1),
paired as (
  select coalesce(b.ingredient_id, a.ingredient_id) as ingredient_id, coalesce(b.component, a.component) as component,
    coalesce(b.source, a.source) as source, coalesce(b.food_id, a.food_id) as food_id,
    coalesce(b.source_component, a.source_component) as source_component,
    b.ingredient_id is not null and a.ingredient_id is not null as both_sides, b as old, a as new
  from b full join a on a.ingredient_id = b.ingredient_id and a.component = b.component and a.source = b.source
    and a.food_id = b.food_id and a.source_component = b.source_component
), messages as (
  select *, list_contains($changed, source) as of_changed,
    regexp_replace(old.steps, ',?"reexpress_on_[a-z]+"', '') as old_steps,
    regexp_replace(new.steps, ',?"reexpress_on_[a-z]+"', '') as new_steps,
    concat(old.steps, new.steps) like '%reexpress_on_%' as scaled
  from paired
)
select ingredient_id, component, source, food_id, source_component, of_changed,
  concat_ws('/', ingredient_id, component, coalesce(old.rank, new.rank)) as subject,
  case when old.rank is null then 'added' when new.rank is null then 'removed' else '' end as one_side,
  starts_with(concat(old.spread_basis), 'pairs') or starts_with(concat(new.spread_basis), 'pairs') as by_peers,
  concat(old.reason_not_chosen, new.reason_not_chosen) like '%block:%' or scaled as by_block,
  food_of(if(new.food_id is null, old, new)) as via, said_of(old, new) as said,
  list_filter([
    if(old.decision_id is distinct from new.decision_id, 'decision', null),
    if(not both_sides and (of_changed or source = 'maintainer' and $came_or_went), 'offered', null),
    if(both_sides and source = 'maintainer' and of_changed and (old.value, old.n, old.status, old.steps,
      old.source_value, old.source_unit, old.match_quality, old.reason, old.spread_basis = 'cited') is distinct from (
      new.value, new.n, new.status, new.steps, new.source_value, new.source_unit, new.match_quality, new.reason,
      new.spread_basis = 'cited'), 'record', null),
    if(both_sides and of_changed and (old.release, old.food_name, old.source_value, old.source_unit, old.derivation,
      old.n, old.donor_food_id) is distinct from (new.release, new.food_name, new.source_value,
      new.source_unit, new.derivation, new.n, new.donor_food_id), 'text', null),
    if(both_sides and of_changed and old.spread_basis = new.spread_basis and new.spread_basis = 'cited'
      and (old.low, old.high) is distinct from (new.low, new.high), 'text', null),
    if(not both_sides or (old.match_quality, old.reason) is distinct from (new.match_quality, new.reason),
      'linked', null),
    if(not both_sides or old_steps is distinct from new_steps, 'steps', null),
    if(both_sides and not scaled and old.status is distinct from new.status, 'status', null)
  ], lambda x: x is not null) as keys
from messages
where not both_sides or old is distinct from new;

-- The parts of a composite with their shares, as its published reason lists them; empty for anything else.
create or replace temp macro recipe_of(reason) as regexp_extract_all(
  if(reason like 'composed: %' or reason like '%; composed of %', reason, ''), '[a-z0-9-]+ [0-9.]+ %');

-- One row per touched cell of `values`, changed or not: key (ingredient_id, component).
create or replace temp table drift_moved_cell as
with b as (select * exclude (row_line, occurrence) from before_values semi join drift_asked
  using (ingredient_id, component) where occurrence = 1),
a as (select * exclude (row_line, occurrence) from after_values semi join drift_asked
  using (ingredient_id, component) where occurrence = 1),
paired as (
  select t.ingredient_id, t.component, b.ingredient_id is not null and a.ingredient_id is not null as both_sides,
    b.ingredient_id is not null or a.ingredient_id is not null as held, b as old, a as new,
    t.ingredient_id in (select ingredient_id from before_ingredients) as was,
    t.ingredient_id in (select ingredient_id from after_ingredients) as remains
  from drift_asked t left join b using (ingredient_id, component) left join a using (ingredient_id, component)
), messages as (
  select *,
    coalesce(list_contains($changed, old.source), false) or coalesce(list_contains($changed, new.source), false)
      or coalesce('maintainer' in (old.source, new.source), false) and $came_or_went as of_changed,
    (old.source, old.release) is distinct from (new.source, new.release) as supplier,
    (old.source, old.food_id) is distinct from (new.source, new.food_id) as food,
    regexp_replace(old.steps, ',?"reexpress_on_[a-z]+"', '') as old_steps,
    regexp_replace(new.steps, ',?"reexpress_on_[a-z]+"', '') as new_steps,
    concat(old.steps, new.steps) like '%reexpress_on_%' as scaled
  from paired
)
select ingredient_id, component, of_changed, both_sides and food as other_food, said_of(old, new) as said,
  starts_with(concat(old.spread_basis), 'pairs') or starts_with(concat(new.spread_basis), 'pairs') as by_peers,
  scaled or both_sides and old.reason <> new.reason and concat(old.reason, new.reason) like '%block%' as by_block,
  -- the published recipe of a composite names its parts
  list_transform(recipe_of(coalesce(new.reason, old.reason)), lambda x: split_part(x, ' ', 1)) as parts,
  list_filter([
    if(held and not (both_sides or was and remains), 'ingredient', null),
    if(held and not both_sides, 'component', null),
    if(old.decision_id is distinct from new.decision_id, 'decision', null),
    if(both_sides and not food and new.source = 'maintainer' and list_contains($changed, 'maintainer') and (old.value,
      old.n, old.status, old.steps, old.source_value, old.source_unit, old.match_quality, old.reference_ids,
      old.spread_basis = 'cited') is distinct from (new.value, new.n, new.status, new.steps, new.source_value,
      new.source_unit, new.match_quality, new.reference_ids, new.spread_basis = 'cited'), 'record', null),
    if(both_sides and not food and of_changed and (old.source_component = new.source_component and (old.source_value,
      old.source_unit, old.derivation, old.n, old.donor_food_id) is distinct from (new.source_value, new.source_unit,
      new.derivation, new.n, new.donor_food_id) or (old.food_name, old.reference_ids) is distinct
      from (new.food_name, new.reference_ids) or old.spread_basis = new.spread_basis
      and new.spread_basis = 'cited'
      and (old.low, old.high) is distinct from (new.low, new.high)), 'text', null),
    if(both_sides and supplier and of_changed, 'supplier', null),
    if(both_sides and (food or old.match_quality is distinct from new.match_quality), 'mapping', null),
    if(both_sides and recipe_of(old.reason) is distinct from recipe_of(new.reason), 'recipe', null),
    if(both_sides and new.source is not null and (not food and old.source_component is distinct from
      new.source_component or old_steps is distinct from new_steps), 'steps', null),
    if(both_sides and (old.status = 'not_applicable') is distinct from (new.status = 'not_applicable'), 'cannot', null),
    if(both_sides and new.source is not null and not food and not scaled and old.status is distinct from new.status,
      'status', null)
  ], lambda x: x is not null) as keys
from messages;

-- Why the block of a cell moved: what moved the block's own cells, and the amounts that it is re-expressed on; of each
-- key the first cell or food `via` which it came in.
create or replace temp table drift_moved_block as
with own as (
  select c.ingredient_id, b.block, c.keys, c.component as via from drift_moved_cell c join drift_block b
    using (component)
  where b.block is not null
  union all
  select ingredient_id, if(component = 'FAT', 'fatty_acid', 'amino_acid'), keys, component from drift_moved_cell
  where component in ('FAT', 'PROCNT')
  union all  -- the food of a block is chosen by what the candidates of the whole block hold
  select m.ingredient_id, b.block, m.keys, m.via from drift_moved_candidate m join drift_block b using (component)
  where b.block is not null
), single as (select ingredient_id, block, unnest(keys) as key, via from own
), firsts as (select ingredient_id, block, key, min(via) as via from single group by all)
select ingredient_id, block, list({'key': key, 'via': via} order by key) as keys from firsts group by all;

-- Why comparable foods moved: foods that are new in, gone from or otherwise described in the part and species group.
create or replace temp table drift_moved_pool as
with groups as (
  select species, species_group from read_csv($species_registry, header = true, all_varchar = true)
), b as (from before_catalogue where may_supply_raw = 'yes' and occurrence = 1),
a as (from after_catalogue where may_supply_raw = 'yes' and occurrence = 1),
moved as (
  select coalesce(b.part, a.part) as part, coalesce(b.species, a.species) as species,
    coalesce(b.source, a.source) as source
  from b full join a on a.source = b.source and a.release = b.release and a.food_id = b.food_id and a.part = b.part
    and a.species = b.species
  where b.row_line is null or a.row_line is null or list_contains($changed, a.source)
)
select m.part, g.species_group, list_sort(list_distinct(list(
    if(list_contains($changed, m.source), 'pool_foods', 'pool_described')))) as keys
from moved m join groups g using (species) group by all;

create or replace temp table drift_inputs as
with parts as (
  select ingredient_id, arg_max(part, side) as part, arg_max(species, side) as species
  from (select 'before' as side, ingredient_id, part, species from before_ingredients where occurrence = 1
    union all select 'after', ingredient_id, part, species from after_ingredients where occurrence = 1)
  where ingredient_id is not null group by all
), single as (select ingredient_id, component, unnest(keys) as key, via from drift_moved_candidate
), firsts as (select ingredient_id, component, key, min(via) as via from single group by all
), offers as (
  select ingredient_id, component, list({'key': key, 'via': via} order by key) as keys from firsts group by all
), groups as (
  select species, species_group from read_csv($species_registry, header = true, all_varchar = true)
)
select t.ingredient_id, t.component, c.keys as own, c.said, c.of_changed, c.other_food, c.by_peers, c.by_block, c.parts,
  coalesce(k.keys, []) as block, coalesce(o.keys, []) as candidates, coalesce(p.keys, []) as pool
from drift_asked t
  left join drift_moved_cell c using (ingredient_id, component)
  left join drift_block b using (component)
  left join drift_moved_block k on k.ingredient_id = t.ingredient_id and k.block = b.block
  left join offers o on o.ingredient_id = t.ingredient_id and o.component = t.component
  left join parts i on i.ingredient_id = t.ingredient_id
  left join groups g on g.species = i.species
  left join drift_moved_pool p on p.part = i.part and p.species_group = g.species_group;
