-- reference."values": one row per published value and common component; key (source, release, food_id, component,
-- source_component). Amounts in the component's canonical unit; null where the source gives no point value.
-- What a source prints is read by its own rows of schemas/status_map.csv: kind `token` are the texts and markers of its
-- cells, `derivation` and `source_code` its codes, `rule` what holds for zeros. No source is named here.
create temp table source_codes as
select source, list(code) filter (kind = 'token') as tokens,
  coalesce(bool_or(kind = 'token'), false) as has_tokens,
  coalesce(bool_or(kind = 'derivation'), false) as has_derivations,
  coalesce(bool_or(kind = 'source_code'), false) as has_source_codes,
  coalesce(bool_or(kind = 'token' and code = '-x'), false) as negative_is_bracket,
  coalesce(bool_or(kind = 'rule' and contains(code, '=0')), false) as has_zero_rules
from reference.status_map group by source;

-- The rules of each source, a column each: the status that a figure gets by it, null where the source has no such rule.
create temp table source_rules as
pivot (select source, code, status from reference.status_map where kind = 'rule') on code in (
  'value=0+measured+stat1', 'value=0+measured+n>0', 'value=0+src4', 'value=0+src1+n=0',
  'value=0+AR+n>0', 'value=0+DA+n>0', 'amount=0+measured',
  'amount=0+no_n', 'amount=0+n>0', '1+nutrient2047+no_n', 'amino_acid+src1+n=0'
) using any_value(status) group by source;

-- What a text says, worked out once for each text that a source prints; key (source, text), the text empty where none
-- is printed.
create temp table printed as
with texts as (
  select distinct source, coalesce(text, '') as text from archival."values"
)
select t.source, t.text, try_cast(t.text as decimal(20, 9)) as plain_number, plain_number is not null as plain,
  case
    when t.text in ('', '-') then null
    -- a negative cell of such a workbook is shown in brackets there: an estimate
    when k.negative_is_bracket and starts_with(t.text, '-') then abs(plain_number)
    else coalesce(plain_number,
      try_cast(regexp_replace(replace(t.text, ',', '.'), '^[<(（]\s*|[)）†]$', '', 'g') as decimal(20, 9)))
  end as number, number::double as amount,
  case
    when t.text = '' then ''
    when t.text <> '0' and list_contains(k.tokens, t.text) then t.text
    when k.negative_is_bracket and starts_with(t.text, '-') then '-x'
    when starts_with(t.text, '<') then '< x'
    when starts_with(t.text, '(') or starts_with(t.text, '（') then
      if(try_cast(regexp_replace(t.text, '[()（）]', '', 'g') as decimal(20, 9)) = 0, '(0)', '(x)')
    when ends_with(t.text, '†') then 'x†'
    when try_cast(replace(t.text, ',', '.') as decimal(20, 9)) = 0 then '0'
    when try_cast(replace(t.text, ',', '.') as decimal(20, 9)) is not null then 'number'
  end as token
from texts t left join source_codes k using (source);

-- Words that stand in hundreds of thousands of rows, each kept once: half as long to write, less to read.
create type reference.word as enum (
  with printed_beside as (
    select distinct unit, source_code, derivation, file from archival."values"
  ), words as (
    select unnest([unit, source_code, derivation, file]) as word from printed_beside
    union all select unnest([source, release]) from archival.releases
    union all select unnest([component, unit]) from reference.components
    union all select source_component from reference.component_map
    union all select status from reference.statuses
    union all select state from states
    union all select unit from archival.maintainer_cited_values
    union all select unnest(['unmapped', 'calculated', 'cited_values.csv'])
  )
  select distinct word from words where word is not null order by word
);

create table reference."values"(
  source reference.word, release reference.word, food_id text, component reference.word,
  source_component reference.word, preference int, text text, source_unit reference.word, value double, low double,
  high double, unit reference.word, status reference.word, evidence boolean, n int, se double, "min" double,
  "max" double, source_code reference.word, derivation reference.word, donor_food_id text,
  donor_state reference.word, steps text, year int, file reference.word,
  line text using compression uncompressed); -- nearly every line is another

insert into reference."values" by name
with mapped as (
  select v.source, v.release, v.food_id, m.component, v.source_component, m.preference, v.text, v.unit as source_unit,
    c.unit, c.block, m.factor, m.steps, m.status_override,
    try_cast(v.n as int) as n, v.se, v."min", v."max", v.source_code, v.derivation, v.stat_comment,
    nullif(v.donor_food_id, v.food_id) as donor_food_id, v.date, v.file, v.line, u.* exclude (source),
    k.has_zero_rules, p.number, p.amount,
    case
      -- a marker in the cell says more than a code beside it
      when k.has_tokens and (not (k.has_derivations or k.has_source_codes)
        or not p.plain) then 'token'
      when k.has_derivations and (v.derivation <> '' or not k.has_source_codes) then 'derivation'
      when k.has_source_codes then 'source_code'
      else 'token'
    end as code_kind,
    case
      when code_kind = 'derivation' then coalesce(v.derivation, '')
      when code_kind = 'source_code' then coalesce(v.source_code, '')
      else p.token
    end as code
  from archival."values" v
    join reference.component_map m on m.source = v.source and m.source_component = v.source_component
    join reference.components c on c.component = m.component
    left join source_codes k on k.source = v.source
    left join source_rules u on u.source = v.source
    join printed p on p.source = v.source and p.text = coalesce(v.text, '')
), judged as (
  select mapped.*, s.status as mapped_status,
    case
      when s.status is null then 'unmapped'
      when number is null and s.status not in ('trace', 'missing') then 'missing'
      when number = 0 and s.status = 'measured' and "value=0+measured+stat1" is not null
        and list_contains(string_split(coalesce(stat_comment, ''), ', '), '1') then "value=0+measured+stat1"
      when number = 0 and s.status = 'measured' and "value=0+measured+n>0" is not null and n > 0
        then "value=0+measured+n>0"
      when number = 0 and source_code = '4' and "value=0+src4" is not null and s.status <> 'assumed_zero'
        then "value=0+src4"
      when number = 0 and s.status = 'measured' and source_code = '1' and "value=0+src1+n=0" is not null
        then "value=0+src1+n=0"
      -- a line fitted to samples in which none was found: below what was looked for, all the same
      when number = 0 and n > 0 and derivation = 'AR' and "value=0+AR+n>0" is not null then "value=0+AR+n>0"
      when number = 0 and n > 0 and derivation = 'DA' and "value=0+DA+n>0" is not null then "value=0+DA+n>0"
      when source_component = '2047' and n is null and s.status = 'measured' and "1+nutrient2047+no_n" is not null
        then "1+nutrient2047+no_n"
      when number = 0 and s.status = 'measured' and "amount=0+measured" is not null
        then "amount=0+measured"
      -- a source without source codes: no zero without samples can be told from a propagated one
      when number = 0 and "amount=0+no_n" is not null and s.status in ('measured', 'calculated', 'unspecified')
        then if(n > 0 and s.status <> 'calculated', "amount=0+n>0", "amount=0+no_n")
      -- nothing is said about zeros: a measured one lies below a limit that is not published
      when number = 0 and s.status = 'measured' and not has_zero_rules and code_kind <> 'token' then 'below_detection'
      -- a pattern per protein that was applied: nobody analysed this food
      when block = 'amino_acid' and s.status = 'measured' and source_code = '1' and coalesce(n, 0) = 0
        and "amino_acid+src1+n=0" is not null then "amino_acid+src1+n=0"
      when status_override is not null and s.status = 'measured' then status_override
      else s.status
    end as status
  from mapped left join reference.status_map s
    on s.source = mapped.source and s.kind = mapped.code_kind and s.code = mapped.code
)
select j.source, j.release, j.food_id, j.component, j.source_component, j.preference, j.text, j.source_unit,
  case when j.status in ('trace', 'below_detection', 'missing') then null
    when j.factor = 1 then j.amount else (j.number * j.factor)::double end as value,
  case when j.status in ('trace', 'below_detection') then 0::double end as low,
  case when j.status = 'below_detection' and j.code = '< x' then (j.number * j.factor)::double end as high,
  j.unit, j.status,
  j.status in (select status from reference.statuses where evidence) as evidence,
  j.n,
  try_cast(j.se as double) * j.factor::double as se,
  try_cast(j."min" as double) * j.factor::double as "min",
  try_cast(j."max" as double) * j.factor::double as "max",
  j.source_code, j.derivation, j.donor_food_id, j.steps,
  try_cast(right(j.date, 4) as int) as year, j.file, j.line
from judged j
union all by name
-- Cited records carry their own status and number; the published text stays verbatim.
select 'maintainer' as source, r.release, v.id as food_id, v.component, v.component as source_component,
  1 as preference, v.text, v.unit as source_unit, v.value, v.low, v.high, v.unit, v.status,
  v.status in (select status from reference.statuses where evidence) as evidence,
  v.n::int as n, v.status as derivation, v.steps, try_cast(c.year as int) as year, 'cited_values.csv' as file,
  v.line::text as line
from archival.maintainer_cited_values v
  join archival.maintainer_citations c using (citation_id)
  join archival.releases r on r.source = 'maintainer';

-- Components that several numbers of one source feed; key (source, component). Elsewhere a food has one row for each
-- component, and nothing needs to be put in order to find its first.
create table reference.several as
select source, component from reference.component_map group by all having count(*) > 1;

drop table states;
drop table source_codes;
drop table source_rules;
drop table printed;
