-- reference.foods.duplicate_of, between sources: a food of a source that is another edition of one that is present is no
-- further witness where that one has the food too (SR Legacy and SR28, by NDB number). It is named SOURCE:FOOD.
update reference.foods f set duplicate_of = k.first_food
from (
  select own.source, own.release, own.food_id, min(theirs.source || ':' || theirs.food_id) as first_food
  from archival.releases r
    join archival.food_keys own on own.source = r.source and own.release = r.release
    join archival.food_keys theirs on theirs.source = r.repeats and theirs.key = own.key
  group by all
) k
where k.source = f.source and k.release = f.release and k.food_id = f.food_id;
