-- The remaining published tables but the catalogue: candidates, ingredients, components, references.
create table curated.candidates as
select c.ingredient_id, c.component, c.value, c.unit, v.basis, c.status,
  if(s.s.low is null, null, least(c.value, round(s.s.low, 9))) as low,
  if(s.s.high is null, null, greatest(c.value, round(s.s.high, 9))) as high, s.s.basis as spread_basis,
  c.n, if(c.rank = 1 and c.refused is null, v.confidence, null) as confidence,
  c.source, c.release, c.food_id, c.food_name, c.match_quality, c.source_component, c.text as source_value,
  c.source_unit,
  if(c.source_code is null, c.derivation, concat_ws('/', c.source_code, nullif(c.derivation, '')))
    as derivation,
  c.donor_food_id, c.donor_state, c.file, c.line, c.steps, '[]' as reference_ids, '[]' as alternatives,
  null::double as disagreement, coalesce(c.prefer_id, c.reject_id) as decision_id,
  null::text as reason, c.rank,  -- the note of the match stands in ingredient_foods.csv, once
  case when c.rank = 1 and c.refused is null then null
    when c.refused is not null then c.refused
    when f.evidence and not c.evidence
      then said.no_evidence(coalesce(said.zero_contradicted(c.contradicted_by), c.status))
    when c.match_quality > f.match_quality then said.match_after(c.match_quality, f.match_quality)
    when f.status <> c.status then said.status_after(c.status, f.status)
    when coalesce(f.n, 0) > coalesce(c.n, 0) then said.fewer_samples()
    when f.release_date > c.release_date then said.older_release()
    else said.later_in_order() end as reason_not_chosen
from curated.cell_candidates c
  join curated."values" v using (ingredient_id, component)
  left join spread s
    on s.ingredient_id = c.ingredient_id and s.component = c.component and s.source = c.source and s.food_id = c.food_id
  left join curated.cell_candidates f
    on f.ingredient_id = c.ingredient_id and f.component = c.component and f.rank = 1;

create table curated.ingredients as
with coverage as (
  select v.ingredient_id, count(*) filter (value is not null or low is not null) as components_valued,
    count(*) filter (status = 'measured') as components_measured, count(*)
      filter (not evidence and status <> 'not_applicable') as components_missing
  from curated."values" v group by all
), proximate as (
  select b.ingredient_id, f.refuse_pct, f.refuse_note, f.langual
  from block_foods b join reference.foods f using (source, food_id) where b.block = 'proximate'
), mapped as (
  select ingredient_id,
    to_json(list(source || ':' || food_id || ':' || match_quality order by source_order, match_quality, food_id))::text
      as source_foods
  from reference.links group by all
)
select i.ingredient_id, i.name, i.scientific_name, i.species, i.part, i.kind,
  if(i.kind = 'addition', 'as_supplied', 'raw') as state, i.skin, i.bone, i.fat_trim,
  if(i.kind = 'addition', 'as supplied', 'none') as additions, p.refuse_pct, p.refuse_note,
  coalesce(p.langual, '[]') as langual, to_json(list_filter(string_split(coalesce(i.cautions, ''), ';'),
    lambda x: x <> ''))::text as cautions,
  coalesce(m.source_foods, '[]') as source_foods, c.components_valued, c.components_measured, c.components_missing,
  i.core, i.core_reason
from archival.maintainer_ingredients i
  join coverage c using (ingredient_id)
  left join proximate p using (ingredient_id)
  left join mapped m using (ingredient_id);

create table curated.components as
select c.component, c.name, c.unit, c."group", if(c.needed, 'yes', 'no') as needed, c.usage_warning, c.definition,
  coalesce((select to_json(list(m.source || ':' || m.source_component order by m.source, m.preference,
    m.source_component))
    from reference.component_map m join archival.releases r on r.source = m.source
    where m.component = c.component)::text, '[]') as source_components
from reference.components c;

create table curated."references" as
with used as (
  select distinct unnest(from_json(reference_ids, '["VARCHAR"]')) as reference_id from curated."values"
)
select u.reference_id, r.source, r.authors, r.title, r.year, r.journal as container, r.volume, r.issue, r.pages,
  m.url
from used u join archival."references" r on u.reference_id = r.source || ':' || r.reference_id
  left join archival.maintainer_citations m on r.source = 'maintainer' and m.citation_id = r.reference_id;
