-- reference.copies: a food whose figures are those of an older table, found by value; key (source, food_id). Two foods
-- are one witness where at least 8 needed figures, and half of those that both print, agree at three significant digits
-- (what the coarsest table prints). Pairs are proposed by figures that use all three digits, as round ones agree by
-- chance.
create temp table printed as
with figures as (
  select v.source, v.release, v.food_id, v.component, r.release_date, floor(log10(v.value))::int as magnitude,
    round(v.value / pow(10, magnitude - 2))::int as digits, magnitude * 1000 + digits as figure,
    digits % 10 <> 0 as telling, v.preference, v.source_component
  from reference."values" v join archival.releases r on r.source = v.source
    join reference.components c on c.component = v.component and c.needed
  where v.value > 0 and v.source <> 'maintainer' and r.repeats is null and v.component not in ('ENERC_KCAL', 'CHOCDF')
)
from figures anti join reference.several using (source, component)
union all
from figures semi join reference.several using (source, component)
qualify row_number() over (partition by source, food_id, component order by preference, source_component) = 1;

create temp table compared as
with own as (
  from printed semi join reference.links using (source, food_id)
), proposed as (
  select o.source, o.food_id, t.source as original_source, t.food_id as original_food_id
  from own o join printed t on t.component = o.component and t.figure = o.figure and o.telling
    and t.release_date < o.release_date and t.source <> o.source
  group by all having count(*) >= 3
)
select p.*, count(*) filter (o.figure = t.figure) as figures_same, count(*) as figures_compared
from proposed p join own o using (source, food_id)
  join printed t on t.source = p.original_source and t.food_id = p.original_food_id and t.component = o.component
group by all;

create table reference.copies as
from compared where figures_same >= 8 and 2 * figures_same >= figures_compared
qualify row_number() over (partition by source, food_id
  order by figures_same / figures_compared desc, figures_same desc, original_source, original_food_id) = 1;

-- A figure that repeats another table's non-evidence is none, whichever table prints it: it gets the status that the
-- original has. What the copy prints alone keeps its own. A food that took only some figures (5 and three in ten) is a
-- witness of its own, but a figure of all three digits that the other did not analyse is none here either. And where
-- three and three in ten of what the other did not analyse are equal, so are the round ones: of independent tables for
-- the same ingredient 2.5 in 100 are. And a component of which a table prints the other's figure for half of the foods
-- that both have, 20 or more (vitamin K1 of Ciqual: 52 of 83), was taken from there, whatever else a food shares. Of a
-- table that copied ten foods or more of the other a figure of two digits is enough: by chance 1 in 200 are equal.
create temp table laundered as
with same_ingredient as (
  select distinct l.source, l.food_id, o.source as original_source, o.food_id as original_food_id
  from reference.links l join reference.links o using (ingredient_id)
  where l.match_quality in ('A', 'B') and o.match_quality in ('A', 'B') and o.release_date < l.release_date
    and o.source <> l.source
), not_analysed as (
  select p.* from printed p join reference."values" v using (source, release, food_id, component, source_component)
  where not v.evidence
), filled as (
  select i.*, count(*) filter (o.figure = t.figure) as figures_same, count(*) as figures_compared
  from same_ingredient i join printed o using (source, food_id)
    join not_analysed t on t.source = i.original_source and t.food_id = i.original_food_id
      and t.component = o.component
  group by all having figures_same >= 3 and 10 * figures_same >= 3 * figures_compared
), taken as (
  select i.source, i.original_source, o.component
  from same_ingredient i join printed o using (source, food_id)
    join printed t on t.source = i.original_source and t.food_id = i.original_food_id and t.component = o.component
  group by all having count(*) >= 20 and 2 * count(*) filter (o.figure = t.figure) >= count(*)
), pairs as (
  select c.*, null::text as component, k.food_id is not null as whole, false as filled, 10 as round_by from compared c
    left join reference.copies k using (source, food_id, original_source, original_food_id)
  where k.food_id is not null or c.figures_same >= 5 and 10 * c.figures_same >= 3 * c.figures_compared
  union all
  select f.*, null, false, true, 10 from filled f
  union all
  select i.*, 0, 0, t.component, false, true, 10 from same_ingredient i join taken t using (source, original_source)
  union all
  select i.*, 0, 0, null, false, false, 100 from same_ingredient i join (
    select source, original_source from reference.copies group by all having count(*) >= 10) using (source,
      original_source)
), originals as (
  from reference."values"
  where (source, food_id) in (select (original_source, original_food_id) from pairs)
  qualify row_number() over (partition by source, food_id, component order by preference, source_component) = 1
)
select v.source, v.food_id, v.component, v.source_component, t.donor_state, t.status
from pairs k join reference."values" v using (source, food_id)
  join originals t on t.source = k.original_source and t.food_id = k.original_food_id and t.component = v.component
where v.evidence and not t.evidence and v.component = coalesce(k.component, v.component)
  and (t.value = v.value and (k.whole or v.value > 0)
    or t.value > 0 and v.value > 0 and floor(log10(t.value)) = floor(log10(v.value))
      and round(t.value / pow(10, floor(log10(t.value)) - 2)) = round(v.value / pow(10, floor(log10(v.value)) - 2)))
  and (k.whole or k.filled or round(v.value / pow(10, floor(log10(nullif(v.value, 0))) - 2))::int % k.round_by <> 0)
qualify row_number() over (partition by v.source, v.food_id, v.component, v.source_component
  order by k.whole desc, k.filled desc, k.figures_same desc, k.original_source, k.original_food_id) = 1;

update reference."values" v
set evidence = false, donor_state = t.donor_state,
  status = if(t.status in (select status from reference.statuses where evidence), v.status, t.status)
from laundered t
where t.source = v.source and t.food_id = v.food_id and t.component = v.component
  and t.source_component = v.source_component;

drop table laundered;
drop table printed;
drop table compared;
