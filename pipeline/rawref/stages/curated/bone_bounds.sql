-- Composites whose edible part is known and whose bone is not: the edible part by its figure, the bone between nothing
-- and a bound (schemas/bone_bounds.csv, steps bone_bound_*). One row per composite and component; fills rows of
-- curated."values" that are missing. No point value: what bone holds is not known, and missing is never zero.

create temp table bone_known as
select ingredient_id as bone,
  max(coalesce(high, "value")) filter (component = 'CA') as ca,
  max(coalesce(high, "value")) filter (component = 'ASH') as ash,
  max(coalesce(high, "value")) filter (component = 'PROCNT') as protein,
  max(coalesce(high, "value")) filter (component = 'FAT') as fat,
  100 - sum(coalesce(low, "value")) filter (component in ('WATER', 'PROCNT', 'FAT', 'ASH')) as rest,
  count(coalesce(low, "value")) filter (component in ('WATER', 'PROCNT', 'FAT', 'ASH')) as constituents
from curated."values" join curated.ingredient_keys k using (ingredient_id)
where k.part = 'bone' and (evidence or status = 'borrowed') group by all;

-- The largest share of each fatty acid in the fat of a raw food, by kind of animal.
create temp table share_of_fat as
select f.species_group, v.component, max(least(v."value" / t."value", 1)) as share
from reference."values" v join reference."values" t
    on t.source = v.source and t.food_id = v.food_id and t.component = 'FAT' and t.evidence and t."value" >= 0.5
  join reference.foods f on f.source = v.source and f.food_id = v.food_id
where v.evidence and v."value" is not null and f.may_supply_raw = 'yes'
  and v.component in (select component from curated.bone_bounds where rule = 'fat')
group by all;

-- What the analysed whole holds, its calcium, and what its flesh holds at least: the least that any raw flesh of such
-- an animal does. Where that is more than the whole holds, its flesh is another, and nothing is taken off.
create temp table analysed_whole as
select b.component, any_value(w."value") as amount, any_value(c."value") as ca, min(f."value") as flesh
from curated.bone_bounds b
  join reference."values" w on w.source = b."of" and w.food_id = b.food_id and w.component = b.by_component
  join reference."values" c on c.source = b."of" and c.food_id = b.food_id and c.component = 'CA'
  join reference.foods a on a.source = b."of" and a.food_id = b.food_id
  left join reference.foods o on o.species_group = a.species_group and o.part = a.part and o.bone <> 'yes'
    and o.may_supply_raw = 'yes'
  left join reference."values" f on f.source = o.source and f.food_id = o.food_id and f.component = b.by_component
    and f.evidence and f."value" is not null
where b.rule = 'whole' and w.evidence and c.evidence and c."value" > 0 group by all;

create temp table bounded as
with pairs as (
  select m.ingredient_id, b.part_ingredient_id as bone, m.part_ingredient_id as edible, k.species_group,
    m.share_pct, m.share_low_pct, m.share_high_pct, b.share_pct as bone_pct,
    b.share_low_pct as bone_low_pct, b.share_high_pct as bone_high_pct
  from archival.maintainer_composites m
    join archival.maintainer_composites b on b.ingredient_id = m.ingredient_id
    join curated.ingredient_keys e on e.ingredient_id = m.part_ingredient_id and e.part <> 'bone'
    join curated.ingredient_keys k on k.ingredient_id = b.part_ingredient_id and k.part = 'bone'
  qualify count(*) over (partition by m.ingredient_id) = 1
), figures as (
  select p.*, r.component, r.rule, r.step, coalesce(v.low, v."value") as low, coalesce(v.high, v."value") as high,
    case r.rule
      when 'protein' then n.protein * least(1, greatest(
        coalesce(g."value" / gp."value", 0), coalesce(v.high, v."value") / nullif(ep."value", 0)))
      when 'fat' then n.fat * s.share
      when 'whole' then if(c.flesh < c.amount, (c.amount - c.flesh) * n.ca / c.ca + c.flesh, c.amount * n.ca / c.ca)
      when 'ash' then n.ash * 1000 * (1 - 0.37 - 0.185 * 94.971 / 30.974)
      when 'energy' then 4 * n.protein + 9 * n.fat
      when 'difference' then if(n.constituents = 4, greatest(n.rest, 0), null)
    end as ceiling
  from pairs p cross join curated.bone_bounds r
    join bone_known n on n.bone = p.bone
    join curated."values" v on v.ingredient_id = p.edible and v.component = r.component and v.evidence
    left join curated."values" ep on ep.ingredient_id = p.edible and ep.component = 'PROCNT' and ep.evidence
    left join curated."values" g on g.ingredient_id = r."of" and g.component = r.component and g.evidence
    left join curated."values" gp on gp.ingredient_id = r."of" and gp.component = 'PROCNT' and gp.evidence
    left join share_of_fat s on s.species_group = p.species_group and s.component = r.component
    left join analysed_whole c on c.component = r.component
)
select *, least(share_low_pct, share_high_pct) * low / 100 as least_amount,
  greatest(share_low_pct * high + bone_high_pct * ceiling, share_high_pct * high + bone_low_pct * ceiling) / 100
    as greatest_amount
from figures where low is not null and high is not null and ceiling is not null;

update curated."values" v set status = 'composed', low = round(b.least_amount, 9), high = round(b.greatest_amount, 9),
  spread_basis = 'bone_bound', confidence = 'D', steps = to_json(['compose_parts', b.step])::text, evidence = true,
  reason = said.composed_with_bone(b.edible, b.share_pct, b.bone, b.bone_pct, b.ceiling, v.unit, b.step)
from bounded b where b.ingredient_id = v.ingredient_id and b.component = v.component and v.status = 'missing';
