-- The published table as a whole: T01, T02, T03, T06.
insert into chk_evaluated select 'T01', count(*) from curated."values";
insert into chk_figure by name
with wanted as (
  select i.ingredient_id, c.component
  from curated.ingredients i cross join (select component from reference.components where needed) c
), held as (
  select ingredient_id, component, count(*) as held from curated."values" group by all
), open as (
  select ingredient_id, component, count(*) as open from curated.gaps group by all
)
select 'T01' as rule_id, 'ingredient' as origin, coalesce(w.ingredient_id, h.ingredient_id,
  o.ingredient_id) as ingredient_id,
  coalesce(w.component, h.component, o.component) as component,
  coalesce(h.held, 0) || ' rows in values, ' || coalesce(o.open, 0) || ' in gaps, '
    || if(c.closed, 'evidence or not applicable', 'no evidence') as detail
from wanted w full join held h using (ingredient_id, component) full join open o using (ingredient_id, component)
  left join (select ingredient_id, component, bool_or(evidence or status = 'not_applicable') as closed
    from chk_cell group by all) c
    on c.ingredient_id = coalesce(w.ingredient_id, h.ingredient_id, o.ingredient_id)
    and c.component = coalesce(w.component, h.component, o.component)
where w.component is null or coalesce(h.held, 0) <> 1 or coalesce(o.open, 0) <> if(c.closed, 0, 1);

insert into chk_evaluated select 'T02', count(*) from curated."values";
insert into chk_figure by name
select 'T02' as rule_id, 'ingredient' as origin, v.ingredient_id, v.component,
  concat('value ', value, ', low ', low, ', high ', high, ', n ', n,
    if(i.ingredient_id is null, ', ingredient unknown', if(c.component is null, ', component unknown', ''))) as detail
from curated."values" v
  left join curated.ingredients i on i.ingredient_id = v.ingredient_id
  left join reference.components c on c.component = v.component
where i.ingredient_id is null or c.component is null
  or value < 0 or low < 0 or high < 0 or isinf(value) or isnan(value) or low > high or n < 0;
insert into chk_figure by name
select 'T02' as rule_id, 'ingredient' as origin, ingredient_id, count(*) - 1 as x,
  'ingredient stands more than once' as detail
from curated.ingredients group by ingredient_id;
insert into chk_figure by name
select 'T02' as rule_id, 'table' as origin, 'catalogue' as component,
  count(*) - count(distinct row(source, release, food_id)) as x,
  'catalogue holds a food more than once' as detail from curated.catalogue having count(*) > 0;

insert into chk_figure by name
with blocks as (
  select v.ingredient_id, c.block, v.component, v.source, v.food_id, v.steps, v.status,
    first_value(v.source || ' ' || v.food_id) over (partition by v.ingredient_id, c.block order by v.source,
      v.food_id) as one
  from chk_cell v join reference.components c on c.component = v.component and c.block is not null
  where v.source is not null and v.source <> 'maintainer' and v.kind <> 'composite'
), base as (
  select ingredient_id, min(source || ' ' || food_id) as food from blocks where block = 'proximate'
    group by ingredient_id
)
select 'T03' as rule_id, 'ingredient' as origin, b.ingredient_id, b.component,
  case when b.block = 'proximate' and (b.one <> b.source || ' ' || b.food_id or contains(b.steps, 'reexpress')) then 1
    when b.block in ('amino_acid', 'fatty_acid') and p.food is not null and p.food <> b.source || ' ' || b.food_id
      and b.status not in ('trace', 'below_detection', 'assumed_zero') and not contains(b.steps, 'reexpress') then 1
    else 0 end as x,
  format('{} block from {} and from {} {}, steps {}', replace(b.block, '_', ' '), b.one, b.source, b.food_id,
    b.steps) as detail
from blocks b left join base p using (ingredient_id);

insert into chk_figure by name
select 'T06' as rule_id, 'ingredient' as origin, ingredient_id, abs(sum(share_pct::decimal(12, 6))::double - 100) as x,
  format('shares sum to {}', sum(share_pct::decimal(12, 6))) as detail
from archival.maintainer_composites group by ingredient_id;
insert into chk_figure by name
select 'T06' as rule_id, 'ingredient' as origin, v.ingredient_id, v.component,
  max((v.value is not null and (p.value is null or not p.evidence))::int) as x,
  format('published {} although a part is unknown', any_value(v.value)) as detail
from archival.maintainer_composites m
  join chk_cell v on v.ingredient_id = m.ingredient_id and v.kind = 'composite'
  join chk_cell p on p.ingredient_id = m.part_ingredient_id and p.component = v.component
group by v.ingredient_id, v.component;
