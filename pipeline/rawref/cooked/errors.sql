-- How well a raw value is predicted from its cooked twin, on the pairs themselves. After cooking.sql; temporary tables.

-- cooking_left_out: the median retention of the other families, the whole family that is predicted left out; of the
-- same class and method where there are enough of them, else of the pool.
create temp table cooking_left_out as
with others as (
  select v.component, v.class, v.method_group, v.family, v.pool, 1 as level, o.retention
  from cooking_votes v join cooking_votes o
    on o.component = v.component and o.class = v.class and o.method_group = v.method_group and o.family <> v.family
  union all
  select v.component, v.class, v.method_group, v.family, v.pool, 2, o.retention
  from cooking_votes v join cooking_votes o
    on o.component = v.component and o.pool = v.pool and o.method_group = v.method_group and o.family <> v.family
)
select * from (
  select component, class, method_group, family, level, count(*) as families,
    list_aggregate(list(retention order by retention), 'quantile_cont', 0.5) as retention
  from others group by all)
where families >= (select value from cooking_limits where "limit" = 'families_needed')
qualify row_number() over (partition by component, class, method_group, family order by level) = 1;

-- cooking_peers: no cooked food at all: the median of the other measured raw foods of the same species and part
-- (organs:
-- the same organ of any species), scaled on protein; the predicted food's own family left out.
create temp table cooking_peers as
with measured as (
  select a.component, f.part, f.species, f.family, a.value / b.protein as per_protein
  from cooking_amounts a join cooking_foods f using (food_id) join cooking_base b using (food_id)
  where a.measured and f.state = 'raw' and b.protein > 0
), wanted as (
  select distinct component, error_group, part, if(error_group = 'organ', null, species) as species, family
  from cooking_truth where error_group is not null
)
select w.component, w.part, w.species, w.family,
  list_aggregate(list(m.per_protein order by m.per_protein), 'quantile_cont', 0.5) as per_protein
from wanted w join measured m on m.component = w.component and m.part = w.part and m.family <> w.family
  and coalesce(w.species, m.species) = m.species
group by all;

-- cooking_predicted: one row per pair that rule 7 lets through, component and way of predicting, with
-- prediction / truth.
create temp table cooking_predicted as
with ways as (
  select t.component, t.error_group, t.class, t.pool, t.family, t.cooked_id, t.raw_value,
    t.cooked_value as as_is,
    t.cooked_value * t.yield_solids as moisture,
    t.cooked_value * t.yield_protein as protein,
    t.cooked_value * t.yield_protein / (coalesce(p.retention_pct, 100) / 100) as published,
    t.cooked_value * t.yield_protein / (l.retention / 100) as measured,
    s.per_protein * t.raw_protein as peers
  from cooking_truth t
    left join cooking_left_out l using (component, class, method_group, family)
    left join cooking_peers s on s.component = t.component and s.part = t.part and s.family = t.family
      and s.species is not distinct from if(t.error_group = 'organ', null, t.species)
    left join cooking_published p on p.component = t.component and p.method_group = t.method_group
      and t.raw_fat >= p.raw_fat_from_g and t.raw_fat < p.raw_fat_below_g
      and (p.class = t.class or (p.class = 'beef' and t.pool = 'land_muscle' and not exists (
        from cooking_published o where o.class = t.class and o.component = t.component
          and o.method_group = t.method_group)))
  where t.error_group is not null and t.method_group is not null and t.plausible
)
select component, error_group, class, pool, family, cooked_id, way, predicted / raw_value as ratio
from ways unpivot (predicted for way in (as_is, moisture, protein, published, measured, peers));

-- cooking_domains: the group that an error is counted for, and the small part of it that is looked at on its own.
create temp table cooking_errors as
with domains as (
  select *, error_group as domain from cooking_predicted
  union all select *, 'aquatic' from cooking_predicted where pool = 'aquatic'
)
select component, domain, way, count(*) as pairs, count(distinct family) as families,
  list_aggregate(list(abs(ratio - 1) * 100 order by abs(ratio - 1)), 'quantile_cont', 0.5) as median,
  list_aggregate(list(abs(ratio - 1) * 100 order by abs(ratio - 1)), 'quantile_cont', 0.9) as p90,
  list_aggregate(list(1 / ratio order by 1 / ratio), 'quantile_cont', 0.1) as factor_low,
  list_aggregate(list(1 / ratio order by 1 / ratio), 'quantile_cont', 0.9) as factor_high
from domains group by all;

-- cooking_offers: one row per component and domain: the error of the measured way against the limits, the peers' beside
-- it, and the interval; the logarithms of both factors are widened as schemas/cooking_limits.csv says. `offer` is no
-- where a refusal rule holds for the whole component, or where too few families stand behind the error.
create temp table cooking_offers as
with judged as (
  select m.component, m.domain, m.pairs, m.families, m.median, m.p90, p.median as peers_median, p.p90 as peers_p90,
    power(m.factor_low, w.value) as factor_low, power(m.factor_high, w.value) as factor_high,
    case
      when m.p90 <= yes.value then 'yes' when m.p90 <= care.value then 'care' when m.p90 <= weak.value then 'weak'
      else 'no' end as by_error,
    coalesce(p.median <= r.value * m.median and p.p90 <= r.value * m.p90, false) as peers_as_good,
    case
      when c.block is not null then 3
      when x.component is not null then 4
      when m.families < f.value then 8 end as rule
  from cooking_errors m
    join reference.components c using (component)
    join cooking_limits yes on yes."limit" = 'offer_yes' and yes.error_group = if(m.domain = 'organ', 'organ', 'muscle')
    join cooking_limits care on care."limit" = 'offer_care' and care.error_group = yes.error_group
    join cooking_limits weak on weak."limit" = 'offer_weak' and weak.error_group = yes.error_group
    join cooking_limits w on w."limit" = 'widen_log' and w.error_group = yes.error_group
    join cooking_limits r on r."limit" = 'peers_as_good'
    join cooking_limits f on f."limit" = 'error_families'
    left join cooking_refusals x on x.rule = 4 and x.component = m.component
    left join cooking_errors p on p.component = m.component and p.domain = m.domain and p.way = 'peers'
  where m.way = 'measured'
)
select *, if(rule is null, by_error, 'no') as offer from judged;
