-- curated.range_of: the range of every candidate that has one; key (ingredient_id, component, source, food_id).
create table curated.range_of as
select f.ingredient_id, f.component, f.source, f.food_id, m.low, m.high,
  concat('pairs', if(f.own_cv is not null, '_own', ''), if(f.peer_level > 0, '_peers', ''),
    if(f.rivals > 0, '_rivals', '')) as basis
from range_made m join range_features f using (cell_id)
union all
select z.ingredient_id, z.component, z.source, z.food_id, 0::double, m.high, 'limit'
from range_zero_made m join range_zeros z using (zero_id);

-- curated.range_trials: each pair of independent tables, and whether the range of the first held the other figure when
-- the species, or the other table, was left out of what it was estimated from; key (left_out, ingredient_id, component,
-- source, food_id, other_source, other_food).
create table curated.range_trials as
select if(t.left_out < 0, 'species', 'table') as left_out, p.ingredient_id, p.component, p.class, p.source, p.food_id,
  p.other_source, p.other_food, p.chosen, p.species_code, p.d, t.held, t.half_width, t.plain_held, t.plain_half_width
from range_tried t join range_pair_features p using (pair_id);
