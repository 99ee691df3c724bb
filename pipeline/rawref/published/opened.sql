-- What lookups ask of `reference` and `archival`, as far as the published tables (schema `curated`) tell.
-- Variable schemas is the folder of the vocabularies; what is read from it becomes a table, as another connection to
-- the same database does not have the variable.

-- Grain: component, in the order of the published table.
create table reference.components as
  select component, name, unit, "group", needed = 'yes' as needed, usage_warning, definition,
    row_number() over () as position
  from curated.components;

-- Grain: ingredient.
create table curated.ingredient_keys as
  select i.ingredient_id, i.kind, i.part, i.species, s.species_group,
    curated.class_of(i.part, s.species_group) as class
  from curated.ingredients i
    left join read_csv(getvariable('schemas') || '/species.csv', header = true, all_varchar = true) s using (species);

-- Grain: component, part, species group. Published beside gaps only; of the other cells it is not known (n is null).
create view reference.peers as
  with counted as (
    select g.component, k.part, k.species_group, any_value(g.peers_n) as n, any_value(g.peers_low) as low,
      any_value(g.peers_median) as median, any_value(g.peers_high) as high
    from curated.gaps g join curated.ingredient_keys k using (ingredient_id)
    where k.kind = 'raw' group by all
  ), places as (
    select distinct c.component, k.part, k.species_group from reference.components c, curated.ingredient_keys k
  )
  select component, part, species_group, t.n, t.low, t.median, t.high
  from places left join counted t using (component, part, species_group) where t.n is null or t.n > 0;

-- Grain: source food.
create view reference.foods as
  select source, release, food_id, name, "group" as group_name, state, method, species, part, skin, bone, fat_trim,
    additions, may_supply_raw, witnesses, langual, null::text as review_reasons, null::text as cautions,
    null::double as refuse_pct, null::text as refuse_note
  from curated.catalogue;
create view archival.foods as select source, release, food_id, name from curated.catalogue;
create view archival.releases as select distinct source, release from curated.catalogue;
create table archival.components(source text, release text, source_component text, name text);

-- Grain: published value that is a candidate of an ingredient, chosen or not.
create view considered as
  select * exclude (rank, reason_not_chosen) from curated.candidates
  union all by name select * from curated."values";
create view archival."values" as
  select distinct source, release, food_id, source_component, source_value as text, source_unit as unit, n, derivation,
    file, line::text as line
  from considered where source is not null;
create view reference."values" as
  select distinct source, release, food_id, source_component, component, value, low, high, unit, status, steps,
    status in (select status from reference.statuses where evidence) as evidence
  from considered where source is not null;

-- Codes of the sources in words.
create table reference.status_map as
  select * from read_csv(getvariable('schemas') || '/status_map.csv', header = true, all_varchar = true);
create view archival.codes as
  select source, kind, code, description as meaning from reference.status_map;
create table reference.source_traits as
  select * from read_csv(getvariable('schemas') || '/source_traits.csv', header = true, all_varchar = true);

-- Grain: ingredient, source food mapped to it.
create view reference.links as
  select i.ingredient_id, split_part(f.food, ':', 1) as source, split_part(f.food, ':', 2) as food_id,
    split_part(f.food, ':', 3) as match_quality
  from curated.ingredients i, unnest(from_json(i.source_foods, '["VARCHAR"]')) f(food);
