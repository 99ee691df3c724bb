-- Foods and what they are: F01 to F16.
insert into chk_evaluated select 'F01', count(*) from archival."values";
insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, v.source, v.food_id, v.source_component, 1 as x,
  'value without a food of that id' as detail
from archival."values" v anti join archival.foods f using (source, release, food_id);
insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, source, food_id, count(*) - 1 as x,
  'food id stands more than once' as detail
from archival.foods group by source, release, food_id having count(*) > 1;

-- Rows that speak of a food, or of a value, that is not there.
insert into chk_figure by name
with orphans as (
  select source, release, food_id, null as source_component, 'LanguaL code' as what, 'food' as whom, count(*) as n
  from archival.langual anti join archival.foods using (source, release, food_id) group by all
  union all
  select source, release, food_id, source_component, 'footnote', 'food', count(*)
  from archival.footnotes anti join archival.foods using (source, release, food_id) group by all
  union all
  select source, release, food_id, source_component, 'reference', 'value', count(*)
  from archival.value_references anti join archival."values" using (source, release, food_id, source_component)
  group by all
)
select 'F01' as rule_id, 'source' as origin, source, food_id, source_component, n as x,
  format('{} without a {} of that id: {}', what, whom, n) as detail
from orphans;
insert into chk_evaluated select 'F01', (select count(*) from archival.langual)
  + (select count(*) from archival.footnotes) + (select count(*) from archival.value_references);

-- The reference stage holds each mapped value of the source once, and none that the source does not have.
insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, source, food_id, source_component, component, count(*) - 1 as x,
  component || ' stands more than once' as detail
from chk_row group by source, food_id, source_component, component having count(*) > 1;
insert into chk_figure by name
with mapped as (
  select v.source, v.food_id, v.source_component, m.component, v.text as printed, v.derivation as printed_derivation,
    try_cast(v.n as int) as printed_n, nullif(v.donor_food_id, v.food_id) as printed_donor
  from archival."values" v join chk_food f using (source, food_id)
    join reference.component_map m using (source, source_component)
)
select 'F01' as rule_id, 'source' as origin, source, food_id, source_component, component, 1 as x,
  component || case when r.held is null then ' of the source is gone' when m.source is null then ' is not in the source'
    else concat(' says ', r.text, ' (derivation ', r.derivation, ', n ', r.n, ', donor ', r.donor_food_id,
      '), the source ',
      m.printed, ' (', m.printed_derivation, ', ', m.printed_n, ', ', m.printed_donor, ')') end as detail
from mapped m full join (
    select source, food_id, source_component, component, text, derivation, n, donor_food_id, true as held
    from chk_row semi join reference.component_map using (source, source_component, component)
  ) r using (source, food_id, source_component, component)
where m.source is null or r.held is null or m.printed is distinct from r.text
  or m.printed_derivation is distinct from r.derivation or m.printed_n is distinct from r.n
  or m.printed_donor is distinct from r.donor_food_id;

insert into chk_figure by name
select 'F02' as rule_id, 'food' as origin, source, food_id,
  case when trim(coalesce(name, '')) = '' then 2 when species in ('unknown', 'none') and part = 'unknown' then 1
    else 0 end
    as x,
  'name says neither species nor part: ' || coalesce(name, '(empty)') as detail
from chk_food where raw_animal;

insert into chk_figure by name
with named as (
  select source, food_id, name, translate(lower(name), ' ,.;:()-''"&', '') as plain
  from reference.foods where source <> 'maintainer'
)
select 'F03' as rule_id, 'source' as origin, source, food_id, count(*) over (partition by source, plain) - 1 as x,
  'same name as another food of the source: ' || name as detail
from named;

insert into chk_figure by name
select 'F04' as rule_id, 'food' as origin, source, food_id,
  case
    when not regexp_matches(lower(name), '\b(raw|uncooked|unprepared)\b') and contains(lower(name), 'raw') then 2
    when regexp_matches(lower(name), '\b(raw|uncooked|unprepared)\b') and contains(langual, '"F0014"') then 1
    else 0 end as x,
  format('state raw for {}', name) as detail
from chk_food where raw_animal and source in (select source from reference.source_traits where trait = 'comma_names');

insert into chk_figure by name
select distinct 'F05' as rule_id, 'food' as origin, l.source, l.food_id,
  case when f.additions not in ('none', 'unknown')
      or named.word is not null and not contains(l.ingredient_id, left(named.word, 8)) then 2
    when f.additions = 'unknown' or named.word is not null then 1 else 0 end as x,
  format('{} may hold additions: {}', f.name, f.additions) as detail
from reference.links l
  join curated.ingredients i on i.ingredient_id = l.ingredient_id and i.kind = 'raw'
  join chk_food f on f.source = l.source and f.food_id = l.food_id
  cross join lateral (select nullif(regexp_extract(replace(lower(f.name), 'to be cured', ''),
    '(?:^|[ ,(])(' || (select string_agg(word, '|' order by word) from chk_word where rule_id = 'F05'
      and name = 'words')
    || ')', 1), '') as word) named;

insert into chk_figure by name
select 'F06' as rule_id, 'ingredient' as origin, ingredient_id,
  case when species in ('unknown', 'none') then 2 when coalesce(scientific_name, '') = '' then 1 else 0 end as x,
  if(species in ('unknown', 'none'), 'no species', 'no scientific name') as detail
from curated.ingredients where kind = 'raw';
insert into chk_figure by name
select 'F06' as rule_id, 'food' as origin, source, food_id,
  case when species in ('unknown', 'none') then 1 else 0 end as x, 'species not recognised: ' || name as detail
from chk_food where raw_animal;

insert into chk_figure by name
select 'F07' as rule_id, origin, source, food_id, ingredient_id,
  case when part = 'unknown' then 2 when 'unknown' in (skin, bone, fat_trim) then 1 else 0 end as x,
  format('part {}, skin {}, bone {}, fat {}', part, skin, bone, fat_trim) as detail
from chk_profile where species_group not in ('mollusc', 'crustacean') and raw_animal;

insert into chk_figure by name
select distinct 'F08' as rule_id, 'food' as origin, l.source, l.food_id,
  (f.part <> i.part and (f.part in ('giblets', 'whole_bird') or f.composite and f.part = 'variety_meat')
    or f.species in ('unknown', 'none') and i.species not in ('unknown', 'none'))::int as x,
  format('{} stands for {}', f.name, i.ingredient_id) as detail
from reference.links l
  join curated.ingredients i on i.ingredient_id = l.ingredient_id and i.kind = 'raw'
  join chk_food f on f.source = l.source and f.food_id = l.food_id
where i.part not in ('giblets', 'variety_meat', 'whole_bird', 'whole_animal', 'mechanically_separated', 'other');

insert into chk_figure by name
select 'F09' as rule_id, 'ingredient' as origin, ingredient_id,
  case when count(*) filter (coalesce(match_quality, '') = '') > 0 then 2 when min(match_quality) = 'C' then 1
    else 0 end
    as x,
  format('best match {} of {} cells', coalesce(min(match_quality), 'none'), count(*)) as detail
from chk_cell where source is not null and kind = 'raw' group by ingredient_id;

insert into chk_figure by name
select 'F10' as rule_id, 'ingredient' as origin, c.ingredient_id, c.component,
  (coalesce(r.country, '') = '' and coalesce(m.country, '') = '')::int as x,
  format('{} {} does not say from which country', c.source, c.food_id) as detail
from chk_cell c
  join archival.releases r on r.source = c.source
  left join archival.maintainer_cited_values m on c.source = 'maintainer' and m.id = c.food_id
where c.component in (select word from chk_word where rule_id = 'F10' and name = 'components');

insert into chk_figure by name
select 'F11' as rule_id, 'food' as origin, source, food_id, refuse_pct as x, format('refuse {} %', refuse_pct) as detail
from chk_food where refuse_pct is not null;
insert into chk_figure by name
select 'F11' as rule_id, 'ingredient' as origin, ingredient_id, refuse_pct as x,
  format('refuse {} %', refuse_pct) as detail
from curated.ingredients where refuse_pct is not null;
insert into chk_figure by name
select 'F11' as rule_id, 'note' as class, 'food' as origin, source, food_id,
  (refuse_pct > 0 and coalesce(refuse_note, '') = '')::int as x, 'refuse without a word on what it is' as detail
from chk_food where refuse_pct is not null;
-- Who throws the skin away throws more away: the food with its skin has no more refuse than its meat alone.
insert into chk_figure by name
select 'F11' as rule_id, 'skin' as class, 'food' as origin, b.source, b.food_id, b.refuse_pct - m.refuse_pct as x,
  format('refuse {} % with the skin eaten, {} % in {} without it', b.refuse_pct, m.refuse_pct, m.food_id) as detail
from chk_food b join chk_food m on m.source = b.source and b.raw_animal and m.raw_animal
  and m.name in (replace(b.name, 'meat and skin', 'meat only'), replace(b.name, 'with skin', 'without skin'))
where regexp_matches(b.name, 'meat and skin|with skin') and b.refuse_pct is not null and m.refuse_pct is not null;

insert into chk_evaluated select 'F12', count(*) from chk_cell;
insert into chk_figure by name
select 'F12' as rule_id, 'ingredient' as origin, ingredient_id, component, 1 as x,
  'basis is ' || coalesce(basis, '(none)') as detail
from chk_cell
where basis is distinct from if(kind = 'addition', 'per 100 g as supplied', 'per 100 g edible portion, raw');

insert into chk_figure by name
with filled as (
  select source, food_id, part, species_group, component, x from chk_value
  where raw_animal and x > 0
), held as (
  select source, food_id, part, species_group, map_from_entries(list((component, x) order by component)) as amounts
  from filled group by all
), paired as (
  select a.source, a.food_id, b.food_id as other_id, count(*) as same
  from filled a join filled b on a.source = b.source and a.part = b.part and a.species_group = b.species_group
    and a.component = b.component and a.x = b.x and a.food_id < b.food_id
  group by all having count(*) >= getvariable('chk.F14.at_least')
), shared as (
  select p.*, len(list_intersect(map_keys(a.amounts), map_keys(b.amounts))) as common
  from paired p join held a on a.source = p.source and a.food_id = p.food_id
    join held b on b.source = p.source and b.food_id = p.other_id
)
select 'F14' as rule_id, 'food' as origin, source, food_id, same / common as x,
  format('{} of {} figures are those of {}', same, common, other_id) as detail
from shared;
insert into chk_evaluated select 'F14', count(*) from chk_food where raw_animal;

insert into chk_figure by name
select 'F15' as rule_id, 'source' as origin, source, food_id,
  (state = 'raw' and contains(langual, '"F0014"')
    or state = 'cooked' and contains(langual, '"F0003"') and not contains(langual, '"F0014"'))::int as x,
  format('state {}, but LanguaL says the reverse: {}', state, name) as detail
from reference.foods
where realm = 'animal' and state in ('raw', 'cooked') and (contains(langual, '"F0014"')
  or contains(langual, '"F0003"'));

insert into chk_figure by name
select 'F16' as rule_id, if(origin = 'ingredient', 'declared', '') as class, origin, source, food_id, ingredient_id,
  case when "WATER" is null or "PROCNT" is null or "FAT" is null then 2
    when "ASH" is null and "CHOCDF" is null or "ENERC_KCAL" is null then 1 else 0 end as x,
  'lacks ' || concat_ws(', ', if("WATER" is null, 'water', null), if("PROCNT" is null, 'protein', null),
    if("FAT" is null, 'fat', null), if("ASH" is null and "CHOCDF" is null, 'ash and carbohydrate', null),
    if("ENERC_KCAL" is null, 'energy', null)) as detail
from chk_wide where raw_animal;
