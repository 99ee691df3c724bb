-- curated.ceiling_trials: every bound that comparable foods give, and whether it held for what is known (null where it
-- is not known); key (ingredient_id, component, reach).
create table curated.ceiling_trials as
select t.ingredient_id, t.component, t.reach, t.n, m.bound, if(m.held < 0, null, m.held = 1) as held
from ceiling_made m join ceiling_tried t using (target_id) where not isnan(m.bound);

-- curated.ceilings: what an unknown cell holds at most; key (ingredient_id, component). The smallest bound that
-- applies: comparable foods (nearest reach that has any), what its own limit leaves, what the block cannot exceed.
create temp table ceiling_cells as
with cells as (
  select v.ingredient_id, v.component, v.unit, v.status, v.high, p."group", p.block, k.kind, k.part
  from curated."values" v join curated.ingredient_keys k using (ingredient_id)
    join reference.components p using (component)
  where not v.evidence
), whole as (
  -- the amounts that bound others: the upper end of protein, fat and ash, and what they leave of 100 g at their low
  -- ends
  select ingredient_id, max(coalesce(high, value)) filter (component = 'PROCNT') as protein,
    max(coalesce(high, value)) filter (component = 'FAT') as fat,
    max(coalesce(high, value)) filter (component = 'ASH') as ash,
    round(100 - coalesce(sum(coalesce(low, value)), 0), 9) as rest
  from curated."values" where component in ('WATER', 'PROCNT', 'FAT', 'ASH') and evidence group by all
), bounds as (
  select c.ingredient_id, c.component, c.unit, b.bound as most, 1 as place,
    case b.reach when 'near' then format('{} comparable foods', b.n) when 'far' then
      format('{} comparable foods of other animals', b.n)
      when 'class' then format('{} foods of other animals and parts', b.n)
      when 'partner' then format('its sodium, by {} other foods with both known', b.n)
      else format('the largest of {} foods of any other animal', b.n) end
    || ', widened until it holds for 95 of 100 known cells' as basis
  from cells c join curated.ceiling_trials b using (ingredient_id, component)
  where b.bound is not null
  qualify row_number() over (partition by c.ingredient_id, c.component
    order by list_position(['near', 'far', 'class', 'partner', 'any'], b.reach)) = 1
  union all by name
  select ingredient_id, component, unit, high as most, 2 as place, 'the limit that its source gives or prints' as basis
  from cells where status in ('trace', 'below_detection') and high is not null
  union all by name
  select c.ingredient_id, c.component, c.unit, case c.unit when 'g' then 1 when 'mg' then 1000 else 1000000 end * case
      when c.block = 'amino_acid' then w.protein when c.block = 'fatty_acid' then w.fat
      when c.component = 'TAU' then w.rest + w.protein
      when c."group" in ('macro_mineral', 'trace_element') and c.component not in ('CLD', 'ID') then w.ash
      when c.unit = 'g' then w.rest end as most, 3 as place,
    case when c.block = 'amino_acid' then 'its protein'
      when c.block = 'fatty_acid' then 'its fat' when c.component = 'TAU'
        then 'its protein and what the proximates leave'
      when c."group" in ('macro_mineral', 'trace_element') then 'its ash' else 'what its proximates leave of 100 g' end
      as basis
  from cells c join whole w using (ingredient_id)
  where most is not null and most >= 0 and c.component not in ('ENERC_KCAL', 'WATER')
  union all by name
  select c.ingredient_id, c.component, c.unit, 100, 4, '100 g are no more than 100 g'
  from cells c where c.unit = 'g'
)
select ingredient_id, component, unit, most, basis from bounds where most is not null
qualify row_number() over (partition by ingredient_id, component order by most, place) = 1;

create table curated.ceilings as
with cells as (
  select v.ingredient_id, v.component,
    case when v.evidence then coalesce(v.high, v.value) when v.status = 'not_applicable' then 0 else c.most end as most
  from curated."values" v left join ceiling_cells c using (ingredient_id, component)
), composites as (
  -- of a composite: its parts at their upper ends, at the bone share that gives most
  select m.ingredient_id, c.component,
    if(count(c.most) = count(*), round(sum(greatest(m.share_pct::double, m.share_low_pct::double,
      m.share_high_pct::double)
      * c.most) / 100, 9), null) as most
  from archival.maintainer_composites m join cells c on c.ingredient_id = m.part_ingredient_id group by all
)
select v.ingredient_id, v.component,
  case when k.kind = 'composite' then p.most else c.most end as most,
  case when k.kind = 'composite' and p.most is not null then 'its parts at their upper ends'
    else coalesce(c.basis, 'nothing bounds it') end as basis
from curated."values" v join curated.ingredient_keys k using (ingredient_id)
  left join ceiling_cells c using (ingredient_id, component) left join composites p using (ingredient_id, component)
where not v.evidence;
