-- Empty archival and reference tables, for a run over the published table alone: what is not there is not applicable.
create schema if not exists archival;
create schema if not exists reference;
create schema if not exists curated;
create table archival.releases(source text, release text, release_date text, country text, source_order int);
create table archival.foods(source text, release text, food_id text, name text, group_code text, scientific_name text,
  refuse_pct text, refuse_note text, nitrogen_factor text, protein_factor text, fat_factor text, cho_factor text);
create table archival.components(source text, release text, source_component text, name text, unit text, tagname text);
create table archival."values"(source text, release text, food_id text, source_component text, text text, unit text,
  n text,
  se text, "min" text, "max" text, source_code text, derivation text, donor_food_id text, stat_comment text);
create table archival.value_references(source text, release text, food_id text, source_component text,
  reference_id text);
create table archival.langual(source text, release text, food_id text, code text);
create table archival.footnotes(source text, release text, food_id text, kind text, source_component text, text text);
create table archival."references"(source text, release text, reference_id text);
create table archival.maintainer_cited_values(id text, ingredient_id text, component text, repeats_source text,
  repeats_food_id text, citation_id text, country text, status text);
create table reference.copies(source text, food_id text, original_source text, original_food_id text);
create table archival.maintainer_composites(ingredient_id text, part_ingredient_id text, share_pct double);
create table archival.maintainer_decisions(decision_id text, source text, food_id text, source_component text,
  ingredient_id text, component text, expect_text text, expect_derivation text, action text, reason text, citation text,
  told_publisher text, standing text, line bigint);
create table reference.components(component text, name text, unit text, "group" text, needed boolean, block text);
create table reference.component_map(source text, source_component text, component text, preference int, steps text,
  factor decimal(18, 9), status_override text);
create table reference.status_map(source text, kind text, code text, status text);
create table reference.links(ingredient_id text, source text, release text, food_id text, match_quality text);
create table reference.foods(source text, release text, food_id text, name text, group_code text, scientific_name text,
  realm text, species text, species_group text, part text, state text, skin text, bone text, fat_trim text,
    additions text,
  composite boolean, duplicate_of text, may_supply_raw text, witnesses text, langual text, refuse_pct double,
  refuse_note text);
create table reference.peers(component text, part text, species_group text, n bigint, low double, median double,
  high double, cv double);
create table reference."values"(source text, release text, food_id text, component text, source_component text,
  preference int, text text, source_unit text, value double, low double, high double, unit text, status text,
    evidence boolean, n int,
  se double, source_code text, derivation text, donor_food_id text, donor_state text, steps text, year int, file text,
  line text);
create view reference.several as
select source, component from reference."values" group by all having count(distinct source_component) > 1;
