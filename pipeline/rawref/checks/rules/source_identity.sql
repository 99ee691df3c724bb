-- Foods and what they are, as far as the sources and the reference stage say it: F01 to F04, F14, F15; and whether the
-- status of a value is what its row in the source states: D18. The rest of F stands in identity.sql.
insert into chk_evaluated select 'F01', count(*) from archival."values";
insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, v.source, v.food_id, v.source_component,
  'value without a food of that id' as detail
from archival."values" v anti join archival.foods f using (source, release, food_id);
insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, source, food_id, count(*) - 1 as x,
  'food id stands more than once' as detail
from archival.foods group by source, release, food_id having count(*) > 1;

-- Rows that speak of a food, or of a value, that is not there.
insert into chk_figure by name
with orphans as (
  select source, release, food_id, null as source_component, 'LanguaL code' as what, 'food' as whom, count(*) as n
  from archival.langual anti join archival.foods using (source, release, food_id) group by all
  union all
  select source, release, food_id, source_component, 'footnote', 'food', count(*)
  from archival.footnotes anti join archival.foods using (source, release, food_id) group by all
  union all
  select source, release, food_id, source_component, 'reference', 'value', count(*)
  from archival.value_references anti join (
    from archival."values" where source in (select source from archival.value_references)
  ) using (source, release, food_id, source_component) group by all
)
select 'F01' as rule_id, 'source' as origin, source, food_id, source_component, n as x,
  format('{} without a {} of that id: {}', what, whom, n) as detail
from orphans;
insert into chk_evaluated select 'F01', (select count(*) from archival.langual)
  + (select count(*) from archival.footnotes) + (select count(*) from archival.value_references);

-- The reference stage holds each mapped value of the source once, and none that the source does not have.
insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, source, food_id, source_component, component, count(*) - 1 as x,
  component || ' stands more than once' as detail
from chk_row group by source, food_id, source_component, component having count(*) > 1;
-- chk_held: each mapped value of the source, with what its codes and its text say in few words, and the status that the
-- reference stage gave its row; `fault` where the two differ, or one of them is alone.
create or replace table rules.chk_held as
with mapped as (
  select v.source, v.food_id, v.source_component, m.component, v.text as printed, v.derivation as printed_derivation,
    try_cast(v.n as int) as printed_n, nullif(v.donor_food_id, v.food_id) as printed_donor,
    v.source_code as printed_code, v.stat_comment, m.steps as mapped_steps, m.status_override,
    try_cast(replace(v.text, ',', '.') as double) as number, true as in_source
  from archival."values" v join chk_food f using (source, food_id)
    join reference.component_map m using (source, source_component)
)
select source, food_id, source_component, component,
  -- a remark of the source that was taken says more than the row
  if(mapped_steps = steps, status, null) as status, status_override, coalesce(printed_derivation, '') as code,
  coalesce(printed_code, '') as source_code,
  case when number = 0 then '0' when number < 0 then '-x' when number > 0 then 'number'
    when coalesce(printed, '') in ('', '-') then coalesce(printed, '')
    else regexp_replace(translate(printed, '（）', '()'), '[0-9.,]+', if(regexp_matches(printed, '[1-9]'), 'x', '0'))
    end as shape,
  coalesce(printed_n > 0, false) as sampled, coalesce(contains(stat_comment, '1'), false) as limited,
  case when held is null then ' of the source is gone' when in_source is null then ' is not in the source'
    when printed is distinct from text or printed_derivation is distinct from derivation or printed_n is distinct from n
      or printed_donor is distinct from donor_food_id or printed_code is distinct from held_code
    then concat(' says ', text, ' (derivation ', derivation, ', source code ', held_code, ', n ', n, ', donor ',
      donor_food_id, '), the source ', printed, ' (', printed_derivation, ', ', printed_code, ', ', printed_n, ', ',
      printed_donor, ')') end as fault
from mapped full join (
    select source, food_id, source_component, component, text, derivation, n, donor_food_id, source_code as held_code,
      status, steps, true as held
    from chk_row semi join reference.component_map using (source, source_component, component)
  ) using (source, food_id, source_component, component);

insert into chk_figure by name
select 'F01' as rule_id, 'source' as origin, source, food_id, source_component, component,
  component || fault as detail
from chk_held where fault is not null;

-- D18: a status is what the printed row means by schemas/status_map.csv. Told otherwise than the reference stage does
-- it: the code of a rule lists the facts that a row must have, the first rule whose facts it has decides, and only
-- over codes that make evidence. Judged once for each combination of what is printed.
create or replace table rules.chk_told as
with kinds as (
  select source, coalesce(list(code) filter (kind = 'token'), []) as tokens,
    bool_or(kind = 'derivation') as has_derivations, bool_or(kind = 'source_code') as has_source_codes,
    bool_or(kind = 'rule' and contains(code, '=0')) as speaks_of_zero
  from reference.status_map group by source
), printed as (
  select h.source, h.component, h.source_component, h.status, h.status_override, h.code, h.source_code, h.shape,
    h.sampled, h.limited, count(*) as n
  from chk_held h where status is not null group by all
), read as (
  select p.* rename (code as derivation), k.speaks_of_zero,
    case when tokens <> [] and (shape <> 'number' and shape <> '0' or not (has_derivations or has_source_codes))
      then 'token' when has_derivations and (derivation <> '' or not has_source_codes) then 'derivation'
      when has_source_codes then 'source_code' else 'token' end as kind,
    case kind when 'derivation' then derivation when 'source_code' then source_code else coalesce(
      list_filter([shape, replace(shape, '<', '< '), if(shape = '-x', 'number', null)],
        lambda s: list_contains(tokens, s))[1], shape) end as code
  from printed p join kinds k using (source)
), meant as (
  select r.*, m.status as meaning,
    list_filter([if(shape = '0', 'value=0', null), if(shape = '0', 'amount=0', null), m.status,
      if(limited, 'stat1', null), if(sampled, 'n>0', 'n=0'), if(not sampled or m.status = 'calculated', 'no_n', null),
      'src' || source_code, derivation, 'nutrient' || r.source_component, c.block], lambda f: f is not null) as facts
  from read r left join reference.status_map m on m.source = r.source and m.kind = r.kind and m.code = r.code
    left join reference.components c on c.component = r.component
), ruled as (
  select t.* exclude (facts), arg_min(x.status, x.place) as ruled
  from meant t left join (
      select source, string_split(code, '+') as due, status, row_number() over () as place
      from reference.status_map where kind = 'rule'
    ) x on x.source = t.source and list_has_all(t.facts, x.due)
    and t.meaning in (select status from reference.statuses where evidence)
  group by all
)
select r.* rename (derivation as held_code), case
    when meaning in ('trace', 'missing') then meaning when shape in ('', '-') then 'missing'
    when ruled is not null then ruled
    when meaning <> 'measured' then meaning
    when shape = '0' and not speaks_of_zero and kind <> 'token' then 'below_detection'
    else coalesce(status_override, meaning) end as due
from ruled r;

insert into chk_evaluated select 'D18', sum(n) from chk_told;
insert into chk_figure by name
with wrong as (
  select r.*, t.due, n.release_date, r.status in (select status from reference.statuses where evidence) as counts
  from (from chk_told where status is distinct from due) t
    join chk_held h on h.source = t.source and h.component = t.component and h.source_component = t.source_component
      and h.status = t.status and h.code = t.held_code and h.source_code = t.source_code and h.shape = t.shape
      and h.sampled = t.sampled and h.limited = t.limited
    join chk_row r on r.source = h.source and r.food_id = h.food_id and r.component = h.component
      and r.source_component = h.source_component
    left join (select source, min(release_date) as release_date from archival.releases group by source) n
      on n.source = r.source
), earlier as (
  -- a figure that an older table prints as no evidence, for the same part or for the food that was copied, is none here
  select distinct w.source, w.food_id, w.component, w.source_component
  from wrong w join chk_row t on t.component = w.component and t.status = w.status and t.source <> w.source
      and t.value between 0.995 * w.value and 1.005 * w.value
    join archival.releases r on r.source = t.source and r.release_date < w.release_date
    left join reference.copies k on k.source = w.source and k.food_id = w.food_id
  where not w.counts and (t.part = w.part
    or k.original_source = t.source and k.original_food_id = t.food_id
    or w.duplicate_of = t.source || ':' || t.food_id)
)
select 'D18' as rule_id, 'food' as origin, source, food_id, source_component, component,
  format('status {}; {} with derivation {} and source code {} means {}', status, coalesce(text, 'nothing'),
    coalesce(nullif(derivation, ''), 'none'), coalesce(nullif(source_code, ''), 'none'), due) as detail
from wrong anti join earlier using (source, food_id, component, source_component);
-- What no row of the source states is calculated, or what the person who cited it says.
insert into chk_evaluated select 'D18', count(*) from chk_row where source_component = 'calculated';
insert into chk_figure by name
select 'D18' as rule_id, 'food' as origin, source, food_id, source_component, component,
  format('status {} of a figure that the build worked out', status) as detail
from chk_row where source_component = 'calculated' and status <> 'calculated';
insert into chk_evaluated select 'D18', count(*) from archival.maintainer_cited_values;
insert into chk_figure by name
select 'D18' as rule_id, 'source' as origin, v.source, v.food_id, v.component as source_component, v.component,
  format('status {}, cited as {}', v.status, c.status) as detail
from reference."values" v join archival.maintainer_cited_values c on v.source = 'maintainer' and c.id = v.food_id
where v.status is distinct from c.status;

insert into chk_figure by name
select 'F02' as rule_id, 'food' as origin, source, food_id,
  case when trim(coalesce(name, '')) = '' then 2 when species in ('unknown', 'none') and part = 'unknown' then 1
    else 0 end
    as x,
  'name says neither species nor part: ' || coalesce(name, '(empty)') as detail
from chk_food where raw_animal;

insert into chk_figure by name
with named as (
  select source, food_id, name, translate(lower(name), ' ,.;:()-''"&', '') as plain
  from reference.foods where source <> 'maintainer'
)
select 'F03' as rule_id, 'source' as origin, source, food_id, count(*) over (partition by source, plain) - 1 as x,
  'same name as another food of the source: ' || name as detail
from named;

insert into chk_figure by name
select 'F04' as rule_id, 'food' as origin, source, food_id,
  case
    when not regexp_matches(lower(name), '\b(raw|uncooked|unprepared)\b') and contains(lower(name), 'raw') then 2
    when regexp_matches(lower(name), '\b(raw|uncooked|unprepared)\b') and contains(langual, '"F0014"') then 1
    else 0 end as x,
  format('state raw for {}', name) as detail
from chk_food where raw_animal and source in (select source from reference.source_traits where trait = 'comma_names');

-- F14: foods with wholly the same figures are held against the first of them, and only that one against the others: so
-- many twins, so many pairs.
insert into chk_figure by name
with filled as (
  select source, food_id, part, species_group, component, x from chk_value
  where raw_animal and x > 0
), held as (
  select source, food_id, part, species_group, list(component order by component) as components,
    hash(list((component, x) order by component)) as figures
  from filled group by all
), firsts as (
  select *, min(food_id) over (partition by source, part, species_group, figures) as first_id from held
), single as (
  from filled semi join (from firsts where food_id = first_id) using (source, food_id)
), paired as (
  select a.source, a.food_id, b.food_id as other_id, count(*) as same
  from single a join single b on a.source = b.source and a.part = b.part and a.species_group = b.species_group
    and a.component = b.component and a.x = b.x and a.food_id < b.food_id
  group by all having count(*) >= getvariable('chk.F14.at_least')
), shared as (
  select p.*, len(list_intersect(a.components, b.components)) as common
  from paired p join held a on a.source = p.source and a.food_id = p.food_id
    join held b on b.source = p.source and b.food_id = p.other_id
  union all
  select source, first_id, food_id, len(components), len(components) from firsts
  where food_id <> first_id and len(components) >= getvariable('chk.F14.at_least')
)
select 'F14' as rule_id, 'food' as origin, source, food_id, same / common as x,
  format('{} of {} figures are those of {}', same, common, other_id) as detail
from shared;
insert into chk_evaluated select 'F14', count(*) from chk_food where raw_animal;

insert into chk_figure by name
select 'F15' as rule_id, 'source' as origin, source, food_id,
  (state = 'raw' and contains(langual, '"F0014"')
    or state = 'cooked' and contains(langual, '"F0003"') and not contains(langual, '"F0014"'))::int as x,
  format('state {}, but LanguaL says the reverse: {}', state, name) as detail
from reference.foods
where realm = 'animal' and state in ('raw', 'cooked') and (contains(langual, '"F0014"')
  or contains(langual, '"F0003"'));
