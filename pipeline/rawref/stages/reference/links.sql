-- reference.links: source foods that stand for an ingredient, as far as their source is present;
-- key (ingredient_id, source, food_id).
create table reference.links as
select l.ingredient_id, r.source, r.release, coalesce(k.food_id, l.food_id) as food_id, l.food_id as mapped_as,
  l.match_quality, l.food_name, l.note, l.line, r.release_date, r.source_order
from archival.maintainer_ingredient_foods l
  join archival.releases r on r.source = l.source
  left join archival.food_keys k on k.source = r.source and k.release = r.release and k.key = l.food_id;
