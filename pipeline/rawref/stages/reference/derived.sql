-- Rows of reference."values" that a source does not publish in the table's convention: carbohydrate by difference, and
-- energy by the Atwater specific factors that SR28 uses, so that one column holds one convention. Only for sources
-- other than SR28 and SR Legacy, from the food's own figures, with the step that made them; no published text stands
-- behind such a row.
create temp table own_figures as
select source, release, food_id, component, value, evidence, file, line from reference."values"
where source not in (select source from reference.source_traits where trait = 'sets_convention')
  and component in ('WATER', 'PROCNT', 'FAT', 'ASH', 'CHOCDF', 'ENERC_KCAL')
  and value is not null
qualify row_number() over (partition by source, food_id, component order by evidence desc, preference) = 1;

create temp table carbohydrate as
select source, release, food_id, min(file) as file, min(line) filter (component = 'PROCNT') as line,
  round(greatest(0, 100 - (max(value) filter (component = 'WATER') + max(value) filter (component = 'PROCNT')
    + max(value) filter (component = 'FAT') + max(value) filter (component = 'ASH'))), 3) as value,
  bool_and(evidence) as evidence
from own_figures group by all
having count(*) filter (component in ('WATER', 'PROCNT', 'FAT', 'ASH')) = 4
  and count(*) filter (component = 'CHOCDF') = 0;

insert into own_figures
select source, release, food_id, 'CHOCDF', value, evidence, file, line from carbohydrate;

insert into reference."values" by name
select source, release, food_id, 'CHOCDF' as component, 'calculated' as source_component, 8 as preference, value,
  'g' as unit, 'calculated' as status, evidence, '["cho_by_difference"]' as steps, file, line
from carbohydrate;

-- The factors that SR28 states for its own food of the same ingredient name the step.
create temp table energy_steps as
select step, protein as per_protein, fat as per_fat, carbohydrate as per_carbohydrate
from reference.energy_factors where formula = 'atwater_specific';

create temp table stated_steps as
select l.source, l.release, l.food_id, e.step
from reference.links l
  join reference.links s on s.ingredient_id = l.ingredient_id 
    and s.source in (select source from reference.source_traits where trait = 'states_factors')
  join archival.foods f on f.source = s.source and f.release = s.release and f.food_id = s.food_id
  join energy_steps e on e.per_protein = coalesce(try_cast(f.protein_factor as decimal(4, 2)), 0)
    and e.per_fat = try_cast(f.fat_factor as decimal(4, 2))
    and e.per_carbohydrate = coalesce(try_cast(f.cho_factor as decimal(4, 2)), 0)
where l.source not in (select source from reference.source_traits where trait = 'states_factors')
qualify row_number() over (partition by l.source, l.food_id order by s.match_quality, s.food_id, l.ingredient_id) = 1;

insert into reference."values" by name
with wide as (
  select source, release, food_id, min(file) filter (component = 'PROCNT') as file,
    min(line) filter (component = 'PROCNT') as line, max(value) filter (component = 'PROCNT') as protein,
    max(value) filter (component = 'FAT') as fat, max(value) filter (component = 'CHOCDF') as carbohydrate,
    bool_and(evidence) as evidence
  from own_figures group by all
  having count(*) filter (component in ('PROCNT', 'FAT', 'CHOCDF')) = 3
    and count(*) filter (component = 'ENERC_KCAL') = 0
), kind as (
  select w.*, case
      when s.step is not null then s.step
      when f.part like 'egg%' then 'atwater_spec_egg'
      when f.part = 'milk' then 'atwater_spec_milk'
      when f.species_group in ('mollusc', 'crustacean') or f.part = 'tongue' then 'atwater_spec_shellfish'
      else 'atwater_spec_meat' end as step
  from wide w join reference.foods f using (source, release, food_id)
    left join stated_steps s using (source, release, food_id)
  where s.step is not null or f.realm = 'animal'
)
select source, release, food_id, 'ENERC_KCAL' as component, 'calculated' as source_component, 8 as preference,
  round(per_protein * protein + per_fat * fat + per_carbohydrate * carbohydrate, 3) as value,
  'kcal' as unit, 'calculated' as status, evidence, to_json([step])::text as steps, file, line
from kind join energy_steps using (step);

insert into reference.several
select distinct source, component from reference."values" where source_component = 'calculated';
