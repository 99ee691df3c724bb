-- Foods and what they are, beside the ingredients that they stand for: F05 to F12 and F16.
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
select 'F12' as rule_id, 'ingredient' as origin, ingredient_id, component,
  'basis is ' || coalesce(basis, '(none)') as detail
from chk_cell
where basis is distinct from if(kind = 'addition', 'per 100 g as supplied', 'per 100 g edible portion, raw');

insert into chk_figure by name
select 'F16' as rule_id, if(origin = 'ingredient', 'declared', '') as class, origin, source, food_id, ingredient_id,
  case when "WATER" is null or "PROCNT" is null or "FAT" is null then 2
    when "ASH" is null and "CHOCDF" is null or "ENERC_KCAL" is null then 1 else 0 end as x,
  'lacks ' || concat_ws(', ', if("WATER" is null, 'water', null), if("PROCNT" is null, 'protein', null),
    if("FAT" is null, 'fat', null), if("ASH" is null and "CHOCDF" is null, 'ash and carbohydrate', null),
    if("ENERC_KCAL" is null, 'energy', null)) as detail
from chk_wide where raw_animal;
