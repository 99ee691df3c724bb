-- Between foods: raw and cooked, lean and fat, sources, skin and meat: B01 to B04.
create or replace table rules.chk_cooked as
with stems as (
  select source, food_id, name, state,
    trim(regexp_replace(regexp_replace(lower(name), ', (raw|cooked).*$', ''), '[^a-z0-9%/]+', ' ', 'g')) as stem
  from reference.foods
  where realm = 'animal' and state in ('raw', 'cooked') and not composite 
    and source in (select source from reference.source_traits where trait = 'comma_names')
    and additions in ('none', 'unknown') and regexp_matches(lower(name), ', (raw|cooked)')
    and not regexp_matches(lower(name), 'salt|added|coated|breaded|fried|stewed with|flour')
)
select r.source, r.food_id, r.name, c.food_id as cooked_id, c.name as cooked_name
from stems r join stems c on c.source = r.source and c.stem = r.stem and r.state = 'raw' and c.state = 'cooked';

insert into chk_figure by name
with cooked as (
  select v.source, v.food_id, v.component, v.value
  from reference."values" v semi join chk_cooked p on p.source = v.source and p.cooked_id = v.food_id
  where v.preference = 1 and v.value > 0
), dry as (
  select source, food_id, 100 - value as solids from cooked where component = 'WATER'
)
select 'B01' as rule_id, if(g."group" in ('fat_soluble_vitamin', 'b_vitamin_and_other'), 'vitamin', '') as class,
  'food' as origin, p.source, p.food_id, r.source_component, r.component,
    (c.value / d.solids) / (r.x / (100 - w.x)) as x,
  format('{} on dry matter is {:.2f} times as much in {} {}', r.component,
    (c.value / d.solids) / (r.x / (100 - w.x)), p.cooked_id, p.cooked_name) as detail
from chk_cooked p
  join chk_value w on w.source = p.source and w.food_id = p.food_id and w.component = 'WATER'
  join chk_value r on r.source = p.source and r.food_id = p.food_id and r.x > 0
  join reference.components g on g.component = r.component and g.needed
    and (g."group" in ('macro_mineral', 'trace_element', 'fat_soluble_vitamin', 'b_vitamin_and_other')
      or g.component = 'PROCNT')
    and g.component not in ('TAU')
  join cooked c on c.source = p.source and c.food_id = p.cooked_id and c.component = r.component
  join dry d on d.source = p.source and d.food_id = p.cooked_id
where w.x < 100 and d.solids > 0;

insert into chk_figure by name
with pairs as (
  select a.source, a.food_id as lean_id, b.food_id as fat_id, a.name
  from chk_food a join chk_food b on b.source = a.source and a.raw_animal and b.raw_animal
    and b.name = replace(a.name, 'separable lean only', 'separable lean and fat')
  where contains(a.name, 'separable lean only')
)
select 'B02' as rule_id, 'food' as origin, p.source, p.lean_id as food_id, 'WATER' as component,
  (f."FAT" > l."FAT" + getvariable('chk.B02.slack_g') and (f."WATER" > l."WATER" + getvariable('chk.B02.slack_g')
    or f."PROCNT" > l."PROCNT" + getvariable('chk.B02.slack_g')))::int as x,
  format('lean {:.2f} g fat, {:.2f} water, {:.2f} protein; with fat {:.2f}, {:.2f}, {:.2f} ({})', l."FAT", l."WATER",
    l."PROCNT", f."FAT", f."WATER", f."PROCNT", p.fat_id) as detail
from pairs p join chk_wide l on l.source = p.source and l.food_id = p.lean_id and l.origin = 'food'
  join chk_wide f on f.source = p.source and f.food_id = p.fat_id and f.origin = 'food';

insert into chk_figure by name
with foods as (
  -- one figure for each food: two foods of one publisher are two samples; a copy has the same figure and adds nothing
  select c.ingredient_id, c.component, c.value, c.source || ' ' || c.food_id as named
  from curated.candidates c
  where c.value > 0 and c.status in (select status from reference.statuses where evidence)
    and coalesce(c.donor_state, 'raw') in ('raw', 'unknown') and c.match_quality in ('A', 'B')
    and coalesce(c.reason_not_chosen, '') not like 'struck out%'
  qualify row_number() over (partition by c.ingredient_id, c.component, c.source, c.food_id order by c.rank) = 1
)
select 'B03' as rule_id,
  if(component in (select word from chk_word where rule_id = 'B03' and name = 'mobile'), 'mobile', '') as class,
  'candidate' as origin, ingredient_id, component, max(value) / min(value) as x,
  format('{} to {}: {:.4g} to {:.4g}, ratio {:.1f}', arg_min(named, (value, named)), arg_max(named, (value, named)),
    min(value), max(value), max(value) / min(value)) as detail
from foods group by ingredient_id, component having count(*) > 1;

insert into chk_figure by name
with birds as (
  select b.source, b.food_id as both_id, m.food_id as meat_id, b.name
  from chk_food b join chk_food m on m.source = b.source and b.raw_animal and m.raw_animal
    and m.name in (replace(b.name, 'meat and skin', 'meat only'), replace(b.name, 'with skin', 'without skin'))
  where b.species_group = 'bird' and regexp_matches(b.name, 'meat and skin|with skin')
), skins as (
  select source, species, any_value(food_id order by food_id) as skin_id from chk_food
  where raw_animal and part = 'skin' and species_group = 'bird' group by source, species
)
select 'B04' as rule_id, 'food' as origin, p.source, p.both_id as food_id, 'PROCNT' as component,
  greatest(least(m."PROCNT", s."PROCNT") - b."PROCNT", b."PROCNT" - greatest(m."PROCNT", s."PROCNT"))
    / b."PROCNT" as x,
  format('protein with skin {:.2f} g; meat {:.2f} ({}), skin {:.2f} ({})', b."PROCNT", m."PROCNT", p.meat_id,
    s."PROCNT",
    k.skin_id) as detail
from birds p
  join chk_food bf on bf.source = p.source and bf.food_id = p.both_id
  join skins k on k.source = p.source and k.species = bf.species
  join chk_wide b on b.origin = 'food' and b.source = p.source and b.food_id = p.both_id
  join chk_wide m on m.origin = 'food' and m.source = p.source and m.food_id = p.meat_id
  join chk_wide s on s.origin = 'food' and s.source = p.source and s.food_id = k.skin_id;
