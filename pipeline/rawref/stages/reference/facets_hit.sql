-- facet_hit: every rule that fires on a food, with the segment it fired on (0: the whole name).

create or replace temp table facet_hit as
select h.food, h.position, r.facet, r.rank, r.rule_id, r.value
from (
  select s.food, s.position, h.rule
  from facet_segment_hit h
  join facet_segment t using (id)
  join facet_food_segment s on s.rule_scope = t.rule_scope and s.segment = t.segment
  union all
  select food, 0, rule from facet_name_hit
) h
join facet_rules r using (rule);
