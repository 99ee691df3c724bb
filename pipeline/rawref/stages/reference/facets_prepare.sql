-- Names made ready for the facet rules: the group of each food, its segments, its species terms.
-- Reads archival.foods, facet_groups and facet_terms; leaves facet_food, facet_segment, facet_food_segment.

create or replace temp table facet_food as
with codes as (
  select distinct source, coalesce(group_code, '') as code from archival.foods
),
-- The longest prefix wins; a row with a name pattern wins over the plain row of its group.
plain as (
  select c.code, g.* from codes c
  join facet_groups g on g.source = c.source and starts_with(c.code, g.prefix) and g.name_pattern is null
  qualify row_number() over (partition by g.source, c.code order by length(g.prefix) desc) = 1
),
by_name as (
  select f.source, f.release, f.food_id, g.*  exclude (source)
  from facet_groups g
  join archival.foods f
    on f.source = g.source and starts_with(coalesce(f.group_code, ''), g.prefix)
   and regexp_matches(lower(f.name), g.name_pattern)
  where g.name_pattern is not null
  qualify row_number() over (partition by f.source, f.release, f.food_id order by length(g.prefix) desc,
    g.name_pattern) = 1
),
chosen as (
  select f.source, f.release, f.food_id, f.name, f.scientific_name, f.group_code, f.group_name, f.refuse_pct,
    f.refuse_note,
         f.file, f.line,
         case when n.food_id is null then p.realm else n.realm end as realm,
         coalesce(n.scope, p.scope, 'dish') as rule_scope,
         coalesce(n.kind, p.kind) as kind,
         coalesce(n.default_part, p.default_part) as default_part,
         coalesce(n.default_species, p.default_species) as default_species,
         case when n.food_id is null then p.default_state else n.default_state end as default_state,
         case when n.food_id is null then p.default_order else n.default_order end as default_order,
         case when n.food_id is null then p.expected_state else n.expected_state end as expected_state
  from archival.foods f
  left join plain p on p.source = f.source and p.code = coalesce(f.group_code, '')
  left join by_name n on n.source = f.source and n.release = f.release and n.food_id = f.food_id
)
select row_number() over (order by source, release, food_id) as food, *,
       case when rule_scope = 'ja'
            then array_to_string(
                   list_filter(string_split(translate(name, '　＜＞（）［］〔〕', '||||||||||'), '|'), lambda x: x <> ''), ' ')
            else replace(replace(replace(lower(replace(name, chr(160), ' ')), '  ', ' '), ' ,', ','), 'cooked-',
              'cooked ')
       end as prepared,
       case when rule_scope = 'ja' then ' ' else ',' end as separator
from chosen;

create or replace temp table facet_food_segment as
with parts as (
  select food, rule_scope, string_split(prepared, separator) as pieces from facet_food
),
placed as (
  select food, rule_scope, unnest(pieces) as piece, generate_subscripts(pieces, 1) as position from parts
)
select food, position, rule_scope, trim(piece) as segment from placed where trim(piece) <> '';

create or replace temp table facet_segment as
select row_number() over (order by rule_scope, segment) as id, rule_scope, segment, segment as text
from (select distinct rule_scope, segment from facet_food_segment);

-- The species named: English names by runs of words, MEXT names by whole tokens.
create or replace temp table facet_species as
with words as (
  select food, source, regexp_extract_all(prepared, '[a-z-]+') as word
  from facet_food where rule_scope in ('animal', 'egg', 'dairy')
),
starts as (
  select food, source, word, unnest(range(1, len(word) + 1)) as position from words
),
english as (
  select s.food, t.species, t.generic, t.source_scope, len(string_split(t.term, ' ')) as size, s.position
  from starts s
  join facet_terms t on t.first_word = s.word[s.position] and t.source_scope in ('en', s.source)
  where t.one_word or starts_with(array_to_string(s.word[s.position:], ' ') || ' ', t.term || ' ')
),
japanese as (
  select s.food, t.species, t.generic, t.source_scope, 1 as size, -s.position as position
  from facet_food_segment s
  join facet_food f using (food)
  join facet_terms t on t.term = s.segment and t.source_scope = 'ja'
  where s.rule_scope = 'ja' and f.realm = 'animal'
)
select food, species from (select * from english union all select * from japanese)
qualify row_number() over (
  partition by food order by generic, size desc, source_scope in ('en', 'ja'), position, species
) = 1;

-- The few figures that bear witness; text that is not a plain number (trace, limit, bracketed) says nothing.
create or replace temp table facet_witness as
with read as (
  select v.source, v.release, v.food_id, c.witness, try_cast(replace(v.text, ',', '.') as double) as amount,
    c.preference
  from archival.values v
  join (
    select source, source_component, witness, preference from facet_witness_components
    union all  -- a source that names no witnesses of its own: what its mapping says, where no step stands between
    select m.source, m.source_component, m.component, m.preference from reference.component_map m
    where m.component in ('NA', 'K', 'CA', 'WATER', 'FAT') and m.steps = '[]'
      and m.source not in (select source from facet_witness_components)
  ) c on c.source = v.source and c.source_component = v.source_component
),
best as (
  select source, release, food_id, witness, arg_min(amount, preference) as amount
  from read where amount is not null group by all
)
select source, release, food_id,
       max(amount) filter (witness = 'NA') as na, max(amount) filter (witness = 'K') as k,
       max(amount) filter (witness = 'CA') as ca, max(amount) filter (witness = 'WATER') as water,
       max(amount) filter (witness = 'FAT') as fat
from best group by all;
