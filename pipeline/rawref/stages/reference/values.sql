-- reference."values": one row per published value and common component; key (source, release, food_id, component,
-- source_component). Amounts in the component's canonical unit; null where the source gives no point value.
create table reference."values" as
with mapped as (
  select v.source, v.release, v.food_id, m.component, v.source_component, m.preference, v.text, v.unit as source_unit,
    c.unit, m.factor, m.steps, m.status_override,
    try_cast(v.n as int) as n, v.se, v."min", v."max", v.source_code, v.derivation, v.stat_comment,
    nullif(v.donor_food_id, v.food_id) as donor_food_id, v.date, v.file, v.line,
    case
      when v.source = 'usda-sr28' then try_cast(v.text as decimal(20, 9))
      when v.text is null or v.text in ('', '-') then null
      -- a negative cell of the Japanese workbooks is shown in brackets there: an estimate
      when v.source = 'mext' and starts_with(v.text, '-') then abs(try_cast(v.text as decimal(20, 9)))
      else coalesce(
        try_cast(v.text as decimal(20, 9)),
        try_cast(regexp_replace(replace(v.text, ',', '.'), '^[<(（]\s*|[)）†]$', '', 'g') as decimal(20, 9)))
    end as number,
    case
      when v.source = 'usda-sr28' then if(v.derivation <> '', 'derivation', 'source_code')
      when v.source in ('usda-fdc', 'usda-sr-legacy') then 'derivation'
      else 'token'
    end as code_kind,
    case
      when v.source = 'usda-sr28' then if(v.derivation <> '', v.derivation, v.source_code)
      when v.source in ('usda-fdc', 'usda-sr-legacy') then coalesce(v.derivation, '')
      when v.text is null or v.text = '' then ''
      when v.text in ('-', '*') then v.text
      when v.source = 'mext' and starts_with(v.text, '-') then '-x'
      when starts_with(v.text, '<') then '< x'
      when v.text in ('traces', 'Tr', '(Tr)') then v.text
      when starts_with(v.text, '(') or starts_with(v.text, '（') then
        if(try_cast(regexp_replace(v.text, '[()（）]', '', 'g') as decimal(20, 9)) = 0, '(0)', '(x)')
      when ends_with(v.text, '†') then 'x†'
      when try_cast(replace(v.text, ',', '.') as decimal(20, 9)) = 0 then '0'
      when try_cast(replace(v.text, ',', '.') as decimal(20, 9)) is not null then 'number'
    end as code
  from archival."values" v
    join reference.component_map m on m.source = v.source and m.source_component = v.source_component
    join reference.components c on c.component = m.component
), judged as (
  select mapped.*, s.status as mapped_status,
    case
      when s.status is null then 'unmapped'
      when number is null and s.status not in ('trace', 'missing') then 'missing'
      when number = 0 and s.status = 'measured' and mapped.source = 'usda-sr28'
        and (list_contains(string_split(coalesce(stat_comment, ''), ', '), '1') or n > 0) then 'below_detection'
      when number = 0 and mapped.source = 'usda-sr28' and source_code = '4' and s.status <> 'assumed_zero' then 'imputed'
      when number = 0 and s.status = 'measured' and mapped.source = 'usda-sr28' and source_code = '1' then 'calculated'
      when number = 0 and s.status = 'measured' and mapped.source in ('usda-fdc', 'mext') then 'below_detection'
      -- SR Legacy has no source codes: no zero without samples can be told from a propagated one
      when number = 0 and mapped.source = 'usda-sr-legacy' and s.status in ('measured', 'calculated', 'unspecified')
        then if(n > 0 and s.status <> 'calculated', 'below_detection', 'imputed')
      when mapped.source = 'usda-fdc' and source_component = '2047' and n is null and s.status = 'measured'
        then 'calculated'
      when status_override is not null and s.status = 'measured' then status_override
      else s.status
    end as status
  from mapped left join reference.status_map s
    on s.source = mapped.source and s.kind = mapped.code_kind and s.code = mapped.code
)
select j.source, j.release, j.food_id, j.component, j.source_component, j.preference, j.text, j.source_unit,
  case when j.status in ('trace', 'below_detection', 'missing') then null
    when j.factor = 1 then j.number::double else (j.number * j.factor)::double end as value,
  case when j.status in ('trace', 'below_detection') then 0::double end as low,
  case when j.status = 'below_detection' and j.code = '< x' then (j.number * j.factor)::double end as high,
  j.unit, j.status,
  j.status in ('measured', 'calculated', 'composed', 'label_claim', 'unspecified')
    and coalesce(d.state, 'raw') in ('raw', 'unknown') as evidence,
  j.n,
  try_cast(j.se as double) * j.factor::double as se,
  try_cast(j."min" as double) * j.factor::double as "min",
  try_cast(j."max" as double) * j.factor::double as "max",
  j.source_code, j.derivation, j.donor_food_id, d.state as donor_state, j.steps,
  try_cast(right(j.date, 4) as int) as year, j.file, j.line
from judged j left join reference.foods d
  on d.source = j.source and d.release = j.release and d.food_id = j.donor_food_id
union all by name
-- Cited records carry their own status and number; the published text stays verbatim.
select 'maintainer' as source, r.release, v.id as food_id, v.component, v.component as source_component,
  1 as preference, v.text, v.unit as source_unit, v.value, v.low, v.high, v.unit, v.status,
  v.status in ('measured', 'calculated', 'composed', 'label_claim', 'unspecified') as evidence,
  v.n::int as n, v.status as derivation, v.steps, try_cast(c.year as int) as year, 'cited_values.csv' as file,
  v.line::text as line
from archival.maintainer_cited_values v
  join archival.maintainer_citations c using (citation_id)
  join archival.releases r on r.source = 'maintainer';
