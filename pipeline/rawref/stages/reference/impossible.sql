-- reference.impossible: figures that cannot be, by the other figures of the same food (schemas/absurd_limits.csv):
-- amino acids that make too little of the protein, fatty acids beyond the fat, an amino acid or chloride printed as
-- nothing in tissue. They are no evidence, and the curated stage strikes them out; a decision that acknowledges one
-- keeps it. Key (source, food_id, component, source_component).
create table reference.impossible as
with limits as (
  select max(value) filter ("limit" = 'amino_sum_from') as amino_sum_from,
    max(value) filter ("limit" = 'fat_classes_to') as fat_classes_to,
    max(value) filter ("limit" = 'never_zero_protein') as never_zero_protein
  from reference.absurd_limits
), figures as (
  select v.source, v.food_id, v.component, v.source_component, v.value, v.preference, c.block, c.needed
  from reference."values" v join reference.foods f using (source, release, food_id)
    join reference.components c on c.component = v.component
  where f.realm = 'animal' and f.state = 'raw' and f.additions = 'none' and v.value is not null
    and (c.block in ('amino_acid', 'fatty_acid') or v.component in ('PROCNT', 'FAT', 'FASAT', 'FAMS', 'FAPU', 'CLD'))
), food as (
  -- sums are of decimals, so that no order of rows changes them
  select source, food_id, count(distinct component) filter (block = 'amino_acid' and component <> 'HYP') as acids,
    sum(value::decimal(18, 6)) filter (block = 'amino_acid' and component <> 'HYP')::double as acids_sum,
    count(distinct component) filter (component in ('FASAT', 'FAMS', 'FAPU')) as classes,
    sum(value::decimal(18, 6)) filter (component in ('FASAT', 'FAMS', 'FAPU'))::double as classes_sum,
    arg_min(value, preference) filter (component = 'PROCNT') as protein,
    arg_min(value, preference) filter (component = 'FAT') as fat
  from figures group by all
)
select g.source, g.food_id, g.component, g.source_component,
  case
    when g.block = 'amino_acid' and acids = 18 and acids_sum < amino_sum_from * protein then 'amino_sum'
    when g.block = 'fatty_acid' and classes = 3 and classes_sum > fat_classes_to * fat then 'fat_classes'
    when (g.block = 'amino_acid' or g.component = 'CLD') and g.value = 0 and protein >= never_zero_protein
      then 'never_zero'
  end as fault,
  case fault when 'amino_sum' then acids_sum / protein when 'fat_classes' then classes_sum else 0 end as amount,
  case fault when 'fat_classes' then fat else protein end as beside
from figures g join food using (source, food_id) cross join limits
where fault is not null and g.needed and not exists (
  from archival.maintainer_decisions d where d.action in ('acknowledge', 'prefer') and d.source = g.source
    and d.food_id = g.food_id and d.source_component = g.source_component);

update reference."values" v set evidence = false
from reference.impossible m
where m.source = v.source and m.food_id = v.food_id and m.component = v.component
  and m.source_component = v.source_component and v.evidence;
