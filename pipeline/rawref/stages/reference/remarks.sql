-- A remark of the source beside a figure that states another one for a definition of ours (schemas/remarks.csv): that
-- one is taken, by a named step. The printed text stays beside it. Key of the figures: (source, food_id,
-- source_component).
create temp table remarked as
select n.source, n.release, n.food_id, r.component, r.step,
  regexp_extract(n.text, r.pattern, 1) as figure
from archival.footnotes n join remark_rules r on r.source = n.source and regexp_matches(n.text, r.pattern);

update reference."values" v
set value = try_cast(m.figure as decimal(20, 9))::double,
  low = if(m.figure = 'Tr', 0, v.low), status = if(m.figure = 'Tr', 'trace', v.status),
  evidence = v.evidence and m.figure <> 'Tr',
  steps = to_json(list_append(from_json(v.steps, '["VARCHAR"]'), m.step))::text
from remarked m
where m.source = v.source and m.release = v.release and m.food_id = v.food_id and m.component = v.component
  and v.value is not null;

drop table remarked;
