-- The figures against the thresholds, and each offence in the scopes that it touches.
create or replace table rules.chk_offence as
select row_number() over (order by f.rule_id, f.source, f.food_id, f.ingredient_id, f.component, f.source_component,
  f.detail)
    as id,
  f.* replace (coalesce(f.detail, 'figure ' || f.x) as detail), if((f.x < l.fail_low or f.x > l.fail_high)
      and (l.and_fail is null or f.x2 > l.and_fail), 'fail', 'warn') as severity
from (
    select g.* replace (coalesce(g.class, '') as class,
      if(k.level = 'food' and g.origin in ('food', 'ingredient'), null, g.component) as component) from chk_figure g
        join chk_rule k using (rule_id)
  ) f
  join chk_limit l on l.rule_id = f.rule_id and l.class = f.class
where (f.x < l.fail_low or f.x > l.fail_high) and (l.and_fail is null or f.x2 > l.and_fail)
  or (f.x < l.warn_low or f.x > l.warn_high) and (l.and_warn is null or f.x2 > l.and_warn);

create or replace table rules.chk_scoped as
with named as (
  select o.*, c.source_component as looked_up
  from chk_offence o left join chk_value c on o.source_component is null and c.source = o.source
    and c.food_id = o.food_id
    and c.component = o.component
), foods as (
  select n.* replace (coalesce(n.source_component, n.looked_up) as source_component), f.raw_animal, f.linked
  from named n left join chk_food f on f.source = n.source and f.food_id = n.food_id
), reached as (
  -- the published cells that were taken from the food; a fault of a component of a source is one of every figure of it
  select o.id, c.* from foods o join chk_cell c on c.source = o.source and c.food_id = o.food_id
  where c.kind <> 'composite'
  union all
  select o.id, c.* from foods o join chk_cell c on c.source = o.source and c.source_component = o.source_component
  where c.kind <> 'composite' and o.food_id is null and o.severity = 'fail'
)
select id, rule_id, severity, 'source' as scope,
  concat_ws(':', source, food_id, source_component) as subject, null::text as ingredient_id, null::text as component,
    detail
from foods where origin = 'source' or origin = 'food' and raw_animal
union all
select id, rule_id, severity, 'candidate', concat_ws(':', source, food_id, source_component), null, null, detail
from foods where (origin = 'food' or origin = 'source' and food_id is not null) and linked
union all
select id, rule_id, severity, 'candidate', ingredient_id || ':' || component, ingredient_id, component, detail
from foods where origin = 'candidate'
union all
select id, rule_id, severity, 'curated', concat_ws(':', ingredient_id, component), ingredient_id, component, detail
from foods where origin = 'ingredient'
union all
select id, rule_id, severity, 'curated', component, null, component, detail from foods where origin = 'table'
union all
-- a food-level fault of the food that a published cell was taken from
select distinct o.id, o.rule_id, o.severity, 'curated',
  if(r.via = 'cell' or o.component = c.component, c.ingredient_id || ':' || c.component, c.ingredient_id),
    c.ingredient_id,
  if(r.via = 'cell' or o.component = c.component, c.component, null),
  format('{} {}: {}', o.source, o.food_id, o.detail)
from foods o
  join chk_rule r on r.rule_id = o.rule_id and r.via is not null
  join reached c on c.id = o.id
    and (r.via = 'food' or r.via = 'cell' and c.source_component = o.source_component
      or r.via = 'cells' and exists (from chk_word w where w.rule_id = o.rule_id and w.name = 'cells'
        and w.word = c.component))
where o.origin in ('food', 'source');

-- A finding is decided when a decision touches the cell that it names, or any cell that the rule reads.
create or replace table rules.chk_decided as
with touched as (
  select c.ingredient_id, c.component, min(d.decision_id) as decision_id
  from chk_cell c join archival.maintainer_decisions d on d.source = c.source and d.food_id = c.food_id
    and (d.source_component is null or d.source_component = c.source_component)
    and coalesce(d.ingredient_id, c.ingredient_id) = c.ingredient_id
  group by all
  union
  -- that another figure was struck out does not speak for the one that took its place
  select v.ingredient_id, v.component, v.decision_id from curated."values" v
  where v.decision_id is not null and not exists (
    from archival.maintainer_decisions d
    where d.decision_id = v.decision_id and d.action = 'reject' and v.source is not null
      and (d.source, d.food_id, coalesce(d.source_component, v.source_component))
        is distinct from (v.source, v.food_id, v.source_component))
)
select s.id, s.scope, s.subject, min(t.decision_id) as decision_id
from chk_scoped s join touched t on t.ingredient_id = s.ingredient_id
  join chk_rule r on r.rule_id = s.rule_id and r.level <> 'table'
where s.scope = 'curated' and (t.component = s.component or s.component is null
  and exists (from chk_word w where w.rule_id = s.rule_id and w.name = 'cells' and w.word = t.component))
group by all;
