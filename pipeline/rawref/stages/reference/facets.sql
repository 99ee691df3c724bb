-- reference.foods from the hits of the facet rules and the three witnesses (state rules, sections 2 to 9).

create or replace temp table facet_found as
select food,
       arg_min(struct_pack(value := case when facet = 'method' then 'cooked' else value end,
                           rank := rank, rule := rule_id), rank)
         filter (facet in ('state', 'method')) as state,
       coalesce(bool_or(value = 'raw') filter (facet = 'state'), false) as says_raw,
       coalesce(bool_or(facet = 'method' or facet = 'state' and value = 'cooked'), false) as says_cooked,
       string_agg(distinct value, ';' order by value) filter (facet = 'method') as methods,
       arg_min(value, rank) filter (facet = 'part') as part,
       arg_min(value, rank) filter (facet = 'skin') as skin,
       arg_min(value, rank) filter (facet = 'bone') as bone,
       arg_min(value, rank) filter (facet = 'fat_trim') as fat_trim,
       list(distinct value order by value) filter (facet = 'addition') as additions,
       list(distinct value order by value) filter (facet = 'composite') as composites,
       list(distinct value order by value) filter (facet = 'caution') as cautions
from facet_hit group by food;

-- What the food is: species, realm, part, then the facets that depend on them.
create or replace temp table facet_kind as
with named as (
  select source, name, value from facet_named where facet = 'state'
),
first as (
  select f.*, x.state.value as found_state, x.state.rank as found_rank, x.state.rule as found_rule,
         coalesce(x.says_raw, false) as says_raw, coalesce(x.says_cooked, false) as says_cooked,
         x.methods, x.part as found_part, x.skin as found_skin, x.bone as found_bone, x.fat_trim as found_trim,
         coalesce(x.additions, []) as found_additions, coalesce(x.composites, []) as composites,
         coalesce(x.cautions, []) as found_cautions, n.value as named_state,
         case when f.kind = 'by_species' and s.species is null then 'plant'
              when f.rule_scope = 'ja' and f.realm <> 'animal' then f.default_species
              else coalesce(s.species, f.default_species, 'none') end as species,
         -- An all-capital word that is no abbreviation marks a brand item: what was added is not told.
         f.rule_scope = 'animal' and f.kind = 'meat'
           and regexp_matches(f.name, '(^|[^A-Za-z])[A-Z]{5,}([^A-Za-z]|$)') as brand
  from facet_food f
  left join facet_found x using (food)
  left join facet_species s using (food)
  left join named n on n.source = f.source and n.name = f.prepared
),
stated as (
  select *,
         default_state is not null and (found_state is null or found_rank > default_order * 1000) as by_group,
         case
           when named_state is not null then named_state
           when by_group then default_state
           when found_state is null then 'unknown'
           when found_state = 'raw' and says_cooked then 'unknown'
           else found_state
         end as state,
         case
           when named_state is not null then 'named_list'
           when by_group then 'food_group'
           when found_state is null then 'none'
           when found_state = 'raw' and says_cooked then 'raw_and_cooked'
           else found_rule
         end as state_rule
  from first
)
select s.*,
       coalesce(l.species_group, 'none') as species_group,
       case when s.kind = 'by_species' and s.found_rank between 300000 and 399999 then 'mixed'
            when s.kind = 'by_species' and s.species <> 'plant' then 'animal'
            when s.kind = 'by_species' then 'plant'
            when s.realm is null then 'other' else s.realm end as food_realm,
       case when s.kind = 'by_species' and s.species = 'plant' then 'plant'
            -- a dish of several foods is no part of an animal
            when food_realm = 'mixed' then 'other'
            else coalesce(s.found_part, case when s.default_part = 'muscle' then t.default_part end, s.default_part,
                          'unknown')
       end as part,
       coalesce(t.sea_water, false) as sea_water
from stated s
left join facet_species_list l using (species)
left join facet_traits t using (species);

create or replace temp table facet_codes as
select l.source, l.release, l.food_id,
       '[' || string_agg(distinct '"' || l.code || '"', ', ' order by '"' || l.code || '"') || ']' as langual,
       coalesce(bool_or(c.test in ('heat', 'cooking') and c.value = 'raw'), false) as codes_raw,
       coalesce(bool_or(c.test in ('heat', 'cooking') and c.value = 'cooked'), false) as codes_heated,
       coalesce(bool_or(c.test = 'addition'), false) as codes_additions,
       max(c.value) filter (c.test = 'part') as codes_part
from archival.langual l
left join facet_langual c using (code)
group by all;

create or replace temp table facet_notes as
select source, release, food_id from facet_footnote_hit group by all;

-- Cut: what is left of the segments once species, state, trim, skin and the other facets are told. English names of
-- fish and shellfish tell the species there, not a cut.
create or replace temp table facet_cuts as
with taken as (
  select distinct h.id from facet_segment_hit h join facet_rules r using (rule)
  where r.facet in ('method', 'addition', 'part')
     or r.facet in ('state', 'fat_trim', 'caution', 'skin', 'bone')
        and h.id in (select id from facet_segment where rule_scope = 'ja')
)
select s.food, string_agg(c.cut, ', ' order by s.position) as cut
from facet_kind k
join facet_food_segment s using (food)
join facet_segment t on t.rule_scope = s.rule_scope and t.segment = s.segment
join facet_cut c using (id)
where c.cut <> '' and s.position > 1 and k.food_realm = 'animal'
  and (k.rule_scope = 'ja' or k.species_group not in ('finfish', 'mollusc', 'crustacean', 'invertebrate', 'none'))
  and t.id not in (select id from taken)
  and not exists (
    from facet_terms m
    where m.species = k.species and contains(' ' || m.term || ' ', ' ' || trim(c.cut, '()') || ' '))
group by s.food;

create or replace temp table facet_judged as
with joined as (
  select f.*, w.na, w.k, w.ca, w.water, w.fat, g.langual,
         coalesce(g.codes_raw, false) as codes_raw, coalesce(g.codes_heated, false) as codes_heated,
         coalesce(g.codes_additions, false) as codes_additions, g.codes_part,
         n.food_id is not null as note_additions, lim.*,
         f.food_realm = 'animal' and f.state = 'raw' and len(f.found_additions) = 0 as plain_raw,
         f.species_group in ('bovine', 'sheep_goat', 'pig', 'rabbit', 'game', 'equine', 'bird') as land,
         land and f.species_group <> 'bird' or f.species_group = 'marine_mammal' as mammal
  from facet_kind f
  left join facet_witness w using (source, release, food_id)
  left join facet_codes g using (source, release, food_id)
  left join facet_notes n using (source, release, food_id)
  cross join facet_limits lim
),
tested as (
  select *,
         plain_raw and part in ('muscle', 'whole_animal') and not sea_water and k > 0
           and na / k > case when species_group = 'bird' then na_k_bird else na_k_other end as sodium_high,
         plain_raw and part = 'muscle' and land and ca > ca_bone_free
           and found_bone is distinct from 'yes' as calcium_high,
         plain_raw and part = 'mechanically_separated' and ca <= ca_bone as calcium_low,
         plain_raw and part = 'muscle' and fat < fat_lean and water < water_lean as water_low,
         plain_raw and part in ('tripe', 'ear', 'foot', 'intestine', 'stomach') and k < k_leached as leached
  from joined
)
select *,
       list_filter([
         case when food_realm = 'animal' and state = 'unknown' then 'state_unknown' end,
         case when food_realm = 'animal' and state in ('raw', 'unknown') and species in ('unknown', 'none')
              then 'species_unknown' end,
         case when state = 'raw' and food_realm in ('animal', 'plant') and codes_heated then 'langual_says_heated' end,
         case when state = 'cooked' and food_realm = 'animal' and codes_raw and not codes_heated
              then 'langual_says_raw' end,
         case when plain_raw and codes_additions then 'langual_says_additions' end,
         case when plain_raw and codes_part <> part and part <> 'fat' then 'langual_other_part' end,
         case when expected_state is not null and (expected_state = 'raw') <> (state = 'raw')
              then 'group_disagrees' end,
         case when sodium_high then 'sodium_high' end,
         case when calcium_high then 'calcium_suggests_bone' end,
         case when calcium_low then 'calcium_denies_bone' end,
         case when water_low then 'water_low_for_raw' end,
         case when plain_raw and note_additions then 'additions_in_footnote' end,
         case when brand and state in ('raw', 'unknown') then 'additions_unknown' end
       ], lambda x: x is not null) as reasons,
       list_sort(list_filter(list_concat(found_cautions, [
         case when leached then 'leached_organ' end,
         case when sodium_high or brand and state in ('raw', 'unknown') then 'undeclared_salt_possible' end
       ]), lambda x: x is not null)) as all_cautions,
       case when len(found_additions) > 0 then '["' || array_to_string(found_additions, '", "') || '"]'
            when food_realm = 'mixed' then 'unknown'
            when food_realm = 'animal' and (state = 'processed' or state = 'unknown' and kind <> 'egg') then 'unknown'
            when sodium_high or brand or plain_raw and (codes_additions or note_additions) then 'unknown'
            else 'none' end as additions
from tested;

-- The same record under two numbers: equal in all five witness figures, or an average beside its first grade.
create or replace temp table facet_twin as
with same as (
  select food, source,
         min(food) over (partition by source, release, species, state, part, na, k, ca, water, fat) as first_food
  from facet_judged
  where food_realm = 'animal' and na is not null and k is not null and ca is not null and water is not null
    and fat is not null
),
graded as (
  select a.food, min(b.food) as first_food
  from (select food, source, release, replace(prepared, 'all grades', 'choice') as twin
        from facet_judged where contains(prepared, 'all grades')) a
  join facet_judged b on b.source = a.source and b.release = a.release and b.prepared = a.twin
  group by a.food
)
select t.food, f.food_id as duplicate_of
from (select food, first_food from graded
      union all
      select food, first_food from same where food <> first_food and food not in (select food from graded)) t
join facet_food f on f.food = t.first_food;

create or replace table reference.foods as
with serious as (
  select food, bool_or(r.serious) as serious
  from (select food, unnest(reasons) as code from facet_judged) j join facet_reasons r using (code)
  group by food
)
select f.source, f.release, f.food_id, f.name, f.group_code, f.group_name, f.scientific_name, f.food_realm as realm,
       f.species, f.species_group, f.part,
       case when f.food_realm = 'animal'
                 and f.part in ('muscle', 'variety_meat', 'skin', 'fat', 'whole_animal', 'mechanically_separated')
            then c.cut end as cut,
       f.state,
       case when f.state = 'raw' then 'none'
            when f.methods is not null then f.methods
            when f.state = 'cooked' then 'unspecified' else 'none' end as method,
       case when f.food_realm <> 'animal' then 'not_applicable'
            when f.part = 'skin' then 'yes'
            when f.part in ('whole_bird') then 'yes'
            when f.part not in ('muscle', 'mechanically_separated', 'whole_animal') then 'not_applicable'
            when f.species_group in ('bird', 'finfish') then coalesce(f.found_skin, 'unknown')
            when f.part = 'muscle' and f.mammal then coalesce(f.found_skin, 'no')
            else 'not_applicable' end as skin,
       case when f.food_realm <> 'animal' then 'not_applicable'
            when f.kind in ('egg', 'dairy') or f.part in ('oil', 'other', 'unknown') then 'not_applicable'
            when f.part in ('mechanically_separated', 'bone') then 'yes'
            when f.found_bone is not null then f.found_bone
            when f.part = 'whole_animal' and f.species_group = 'finfish' then 'yes'
            when f.species_group not in ('finfish', 'bird', 'bovine', 'pig', 'sheep_goat', 'rabbit', 'game', 'equine',
                                         'marine_mammal', 'reptile_amphibian', 'none') then 'not_applicable'
            when f.species_group = 'finfish' and f.state in ('processed', 'cured', 'dried')
              then case when f.state = 'processed' and f.ca >= f.ca_canned_bone then 'yes' else 'unknown' end
            when f.part in ('muscle', 'whole_bird', 'foot', 'tail', 'variety_meat', 'ear') then 'no'
            else 'not_applicable' end as bone,
       case when f.food_realm <> 'animal' then 'not_applicable'
            when f.part = 'fat' then 'fat_only'
            when f.part = 'muscle' and f.mammal then coalesce(f.found_trim, 'unspecified')
            else 'not_applicable' end as fat_trim,
       f.additions,
       len(f.composites) > 0 as composite,
       t.duplicate_of,
       case when f.state = 'raw' and f.food_realm in ('animal', 'plant') and f.additions = 'none'
                 and not coalesce(s.serious, false) then 'yes'
            when f.food_realm = 'animal' and f.state in ('raw', 'unknown') and f.additions in ('none', 'unknown')
                 and f.kind <> 'meat_product' then 'review'
            else 'no' end as may_supply_raw,
       '{"name": "' || f.state || '", "rule": "' || f.state_rule || '", "langual": "'
         || case when f.langual is null then 'silent'
                 when f.codes_heated and f.codes_raw then 'mixed'
                 when f.codes_heated then 'heated' when f.codes_raw then 'not_heated' else 'silent' end
         || '", "composition": "'
         || case when f.food_realm <> 'animal' or f.na is null and f.ca is null and f.water is null then 'silent'
                 when f.sodium_high or f.calcium_high or f.calcium_low or f.water_low then 'doubt' else 'no_doubt' end
         || '", "footnote": "' || case when f.note_additions then 'additions' else 'silent' end
         || '"' || case when f.expected_state is not null then ', "group": "' || f.expected_state || '"' else '' end
         || case when len(f.composites) > 0
                 then ', "composite": ["' || array_to_string(f.composites, '", "') || '"]' else '' end
         || '}' as witnesses,
       case when len(f.reasons) = 0 then '[]'
            else '["' || array_to_string(f.reasons, '", "') || '"]' end as review_reasons,
       case when len(f.all_cautions) = 0 then '[]'
            else '["' || array_to_string(f.all_cautions, '", "') || '"]' end as cautions,
       coalesce(f.langual, '[]') as langual,
       -- "no data" is unknown, not none; a note whose parts name the bone twice and add up to the figure counts it
       -- twice
       case when contains(lower(f.refuse_note), 'no component data') then null
            when len(b.bones) = 2 and len(b.parts) = 2 and list_sum(b.parts) = try_cast(f.refuse_pct as double)
              then list_max(b.parts)
            else try_cast(f.refuse_pct as double) end as refuse_pct,
       concat_ws('; ', f.refuse_note, if(len(b.bones) = 2 and len(b.parts) = 2
         and list_sum(b.parts) = try_cast(f.refuse_pct as double),
         'the source adds the bone twice: ' || f.refuse_pct || ' %', null)) as refuse_note, f.file, f.line
from facet_judged f
left join serious s using (food)
left join facet_twin t using (food)
left join facet_cuts c using (food)
cross join lateral (
  select regexp_extract_all(lower(coalesce(f.refuse_note, '')), 'bone[^,;%]*\d+ ?%') as bones,
    list_transform(regexp_extract_all(coalesce(f.refuse_note, ''), '(\d+(?:\.\d+)?) ?%', 1), lambda x: x::double)
      as parts
) b
order by f.food;

drop table facet_hit; drop table facet_found; drop table facet_kind; drop table facet_codes; drop table facet_notes;
drop table facet_cuts; drop table facet_judged; drop table facet_twin;
