-- The raw and cooked twins of SR28, found by name, and the retentions measured on them. Temporary tables only.
-- Before it: cooking_wanted(component), cooking_classes, cooking_methods, cooking_published (loaded from schemas/) and
-- the variables cooking_state, cooking_form, cooking_trim, cooking_grade, cooking_exclude (alternations of
-- schemas/cooking_names.csv).

-- cooking_foods: one row per raw or cooked animal food with nothing added; key food_id.
--   full_key  the words of the name without state and method, in alphabetical order: equal in a raw and a cooked twin;
--             singular and plural (drum, drums), a range with a stray blank (10- 12) and "and" are one spelling
--   loose_key the same without the words for how a cut is divided (steak, roast, patty)
--   trim_key  the same without the trim of the outer fat
--   family    the same without grade and lean-or-fat words: what leave-family-out leaves out
create or replace temp macro cooking_key(words) as array_to_string(list_sort(list_distinct(list_filter(
  list_transform(
    regexp_extract_all(regexp_replace(words, '([0-9]) ?- ?([0-9])', '\1-\2', 'g'), '[a-z0-9][a-z0-9%"''.-]*'),
    lambda w: regexp_replace(w, '([a-z]{3})s$', '\1')), lambda w: w <> 'and'))), ' ');

create temp table cooking_foods as
with clean as (
  select f.source, f.release, f.food_id, f.name, f.species, f.species_group, f.part, f.cut, f.state, f.method, f.skin,
    f.bone, f.fat_trim, f.composite,
    regexp_replace(regexp_replace(lower(f.name), '\s+', ' ', 'g'), '\b(' || getvariable('cooking_state') || ')\b', ' ',
      'g')
      as full_text
  from reference.foods f
  where f.source in (select source from reference.source_traits where trait = 'prepared_foods')
    and f.realm = 'animal' and f.state in ('raw', 'cooked') and f.additions = 'none'
), divided as (
  select *, regexp_replace(full_text, '(^|[ (,/])(' || getvariable('cooking_form') || ')($|[ ),/])', '\1 \3',
    'g') as once
  from clean
), loose as (
  -- twice, as two words that stand side by side share the blank between them
  select * exclude (once),
    regexp_replace(once, '(^|[ (,/])(' || getvariable('cooking_form') || ')($|[ ),/])', '\1 \3', 'g') as loose_text
  from divided
), trimmed as (
  select *, regexp_replace(loose_text, getvariable('cooking_trim'), ' ', 'g') as trim_text from loose
  where not regexp_matches(loose_text, '\b(' || getvariable('cooking_exclude') || ')\b')
), keyed as (
  select * exclude (full_text, loose_text, trim_text, method), nullif(method, 'none') as method,
    cooking_key(full_text) as full_key, cooking_key(loose_text) as loose_key, cooking_key(trim_text) as trim_key,
    cooking_key(regexp_replace(trim_text, getvariable('cooking_grade'), ' ', 'g')) as family
  from trimmed
)
select k.*, c.class, c.pool, c.error_group, m.method_group
from keyed k
  left join cooking_methods m on m.method = k.method
  join cooking_classes c on coalesce(c.part, k.part) = k.part
    and coalesce(c.species_group, k.species_group) = k.species_group
    and coalesce(c.species, k.species) = k.species
qualify row_number() over (partition by k.food_id order by c."order") = 1;

-- cooking_amounts: one published amount per food and component, with whether it was measured there (rule 1).
create temp table cooking_amounts as
select v.food_id, v.component, v.value, v.n,
  v.status = 'measured' and v.source_code = '1' and v.n >= 1 and coalesce(v.derivation, '') in ('', 'A') and v.value > 0
    as measured
from reference."values" v
where v.source in (select source from reference.source_traits where trait = 'prepared_foods')
  and (v.component in ('WATER', 'FAT', 'PROCNT') or v.component in (from cooking_wanted))
  and v.food_id in (select food_id from cooking_foods) and v.value is not null
qualify row_number() over (
  partition by v.food_id, v.component order by v.evidence desc, v.preference, v.source_component) = 1;

create temp table cooking_base as
select food_id, max(value) filter (component = 'WATER') as water, max(value) filter (component = 'FAT') as fat,
  max(value) filter (component = 'PROCNT') as protein
from cooking_amounts where component in ('WATER', 'FAT', 'PROCNT') group by food_id;

-- cooking_pairs: each cooked food with its raw twin; key cooked_id. Likeness 1: the same words; 2: the same but for how
-- the cut is divided; 3: lean only on both sides and the same but for the trim of the outer fat, which is not eaten.
-- Yields are grams of cooked food from one gram of raw, by what is conserved: protein, non-fat solids, solids.
create temp table cooking_pairs as
with matched as (
  select c.food_id as cooked_id, r.food_id as raw_id,
    case when c.full_key = r.full_key then 1 when c.loose_key = r.loose_key then 2 else 3 end as likeness
  from cooking_foods c join cooking_foods r
    on c.state = 'cooked' and r.state = 'raw' and c.trim_key = r.trim_key and c.species = r.species and c.part = r.part
      and c.fat_trim = r.fat_trim
  where c.loose_key = r.loose_key or c.fat_trim = 'lean_only'
  qualify row_number() over (partition by c.food_id order by likeness, r.food_id) = 1
)
select m.cooked_id, m.raw_id, m.likeness, c.family, c.species, c.part, c.class, c.pool, c.error_group,
  c.method, c.method_group,
  r.protein / nullif(k.protein, 0) as yield_protein,
  (100 - r.water - r.fat) / nullif(100 - k.water - k.fat, 0) as yield_nonfat,
  (100 - r.water) / nullif(100 - k.water, 0) as yield_solids,
  r.protein as raw_protein, r.fat as raw_fat,
  -- rule 7, as rawref.cooked.twin asks it of a donor: only such a pair is offered, so only such pairs measure the error
  coalesce(coalesce(yield_protein, yield_nonfat) between l.low and l.high, false)
    and coalesce(abs(yield_protein / yield_nonfat - 1) <= l.apart, true) as plausible
from matched m
  cross join (
    select max(value) filter ("limit" = 'yield_low') as low, max(value) filter ("limit" = 'yield_high') as high,
      max(value) filter ("limit" = 'yield_disagreement') as apart
    from cooking_limits) l
  join cooking_foods c on c.food_id = m.cooked_id
  left join cooking_base r on r.food_id = m.raw_id
  left join cooking_base k on k.food_id = m.cooked_id;

-- cooking_truth: what the pair shows where both sides were measured; retention as a share, protein conserved.
create temp table cooking_truth as
select p.*, r.component, r.value as raw_value, k.value as cooked_value,
  k.value / r.value * p.yield_protein * 100 as retention
from cooking_pairs p
  join cooking_amounts r on r.food_id = p.raw_id and r.measured
  join cooking_amounts k on k.food_id = p.cooked_id and k.component = r.component and k.measured
where p.yield_protein > 0 and p.yield_solids is not null and r.component in (from cooking_wanted);

-- cooking_votes: one vote per family of cuts; key (component, class, pool, method_group, family).
create temp table cooking_votes as
select component, class, pool, method_group, family, count(*) as pairs,
  list_aggregate(list(retention order by retention), 'quantile_cont', 0.5) as retention
from cooking_truth where method_group is not null group by all;

-- cooking_medians: median over families, by class and method and by pool and method.
create temp table cooking_medians as
select component, level, "group", method_group, sum(pairs)::bigint as pairs, count(*) as families,
  list_aggregate(list(retention order by retention), 'quantile_cont', 0.5) as retention,
  list_aggregate(list(retention order by retention), 'quantile_cont', 0.1) as p10,
  list_aggregate(list(retention order by retention), 'quantile_cont', 0.9) as p90
from (
  select component, 'class' as level, class as "group", method_group, family, pairs, retention from cooking_votes
  union all select component, 'pool', pool, method_group, family, pairs, retention from cooking_votes)
group by all;

create temp table cooking_yields as
select class, method_group, count(*) as pairs,
  list_aggregate(list(yield_protein order by yield_protein), 'quantile_cont', 0.5) as yield_protein
from cooking_pairs where yield_protein is not null and method_group is not null group by all;
