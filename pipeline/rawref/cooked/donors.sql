-- Every prepared food of the ingredient's animal and part that publishes the component, with its raw twin where the
-- ingredient has one. Parameters: $ingredient, $component, $donor (null: all). After cooking.sql.
with asked as (
  select k.ingredient_id, k.species, k.part, i.skin, i.bone, i.fat_trim
  from curated.ingredient_keys k join archival.maintainer_ingredients i using (ingredient_id)
  where k.ingredient_id = $ingredient
), mapped as (
  select l.match_quality, f.food_id, f.source, f.name, f.part, f.cut, f.skin, f.bone, f.fat_trim, f.additions,
    c.full_key, c.loose_key, c.trim_key, row_number() over (order by l.match_quality, l.source_order,
      f.food_id) as place
  from reference.links l join reference.foods f using (source, release, food_id)
    left join cooking_foods c on c.source = f.source and c.food_id = f.food_id and c.state = 'raw'
  where l.ingredient_id = $ingredient and f.state = 'raw'
), donors as (
  select f.*, c.class, c.pool, c.error_group, c.method_group, c.family, c.full_key, c.loose_key, c.trim_key,
    v.text, v.source_unit, v.source_component, v.value, v.unit, v.status, v.n, v.source_code, v.derivation, v.steps,
    v.year, v.file as value_file, v.line as value_line
  from asked a
    join reference.foods f on 
      f.source in (select source from reference.source_traits where trait = 'prepared_foods')
      and f.species = a.species and f.part = a.part
      and f.state in ('cooked', 'cured', 'dried', 'processed')
    join reference."values" v on v.source = f.source and v.release = f.release and v.food_id = f.food_id
      and v.component = $component and v.status <> 'missing'
    left join cooking_foods c on c.food_id = f.food_id and c.source = f.source
  where $donor is null or f.food_id = $donor
  qualify row_number() over (
    partition by f.food_id order by v.evidence desc, v.preference, v.source_component) = 1
), twins as (
  select d.food_id, m.food_id as raw_id, m.name as raw_name, m.match_quality, m.additions as raw_additions,
    case when d.full_key = m.full_key then 1 when d.loose_key = m.loose_key then 2 when d.trim_key = m.trim_key then 3
      else 4 end as likeness
  from donors d join mapped m
    on m.match_quality in ('A', 'B') and m.skin = d.skin and m.bone = d.bone and m.fat_trim = d.fat_trim
      and (d.full_key = m.full_key or d.loose_key = m.loose_key
        or (d.trim_key = m.trim_key and d.fat_trim = 'lean_only')
        -- where the part or the species is the whole description, like is like without a twin in name
        or (m.source <> d.source and coalesce(d.cut, '') = '' and coalesce(m.cut, '') = '' and m.part = d.part
          and (d.error_group = 'organ' or d.pool = 'aquatic' or d.class = 'game')))
  qualify row_number() over (partition by d.food_id order by likeness, m.match_quality, m.place) = 1
)
select d.food_id, d.name, d.source, d.release, d.state, d.method, d.method_group, d.species, d.part, d.cut, d.skin,
  d.bone, d.fat_trim, d.additions, d.class, d.pool, d.error_group, d.family, d.text, d.source_unit, d.source_component,
  d.value, d.unit, d.status, d.n, d.source_code, d.derivation, d.steps, d.year, d.value_file, d.value_line,
  t.raw_id, t.raw_name, t.match_quality, t.likeness,
  coalesce(t.raw_additions, (select if(bool_or(additions = 'none'), 'none', min(additions))
    from mapped)) as raw_additions,
  n.food_id as nearest_id, n.cut as nearest_cut, n.skin as nearest_skin, n.bone as nearest_bone,
  n.fat_trim as nearest_fat_trim,
  k.water as cooked_water, k.fat as cooked_fat, k.protein as cooked_protein,
  coalesce(r.water, o.water) as raw_water, coalesce(r.fat, o.fat) as raw_fat,
    coalesce(r.protein, o.protein) as raw_protein,
  y.yield_protein as class_yield, y.pairs as class_yield_pairs
from donors d
  left join twins t using (food_id)
  left join mapped n on n.place = 1
  left join cooking_base k on k.food_id = d.food_id
  left join cooking_base r on r.food_id = t.raw_id and t.likeness < 4
  -- the ingredient's own proximates where the twin is not a food of this source
  left join (
    select max(value) filter (component = 'WATER') as water, max(value) filter (component = 'FAT') as fat,
      max(value) filter (component = 'PROCNT') as protein
    from curated."values" where ingredient_id = $ingredient and evidence) o on t.likeness = 4
  left join cooking_yields y on y.class = d.class and y.method_group is not distinct from d.method_group
order by t.likeness nulls last, t.match_quality, d.food_id
