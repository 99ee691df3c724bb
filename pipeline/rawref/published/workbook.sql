-- The cells of the large sheets as they stand in the file, made where the tables are: `style` (a macro of the caller)
-- gives the number of a look. Every text is inline and typed as text, so that no spreadsheet takes one for a formula.

create macro escaped(t) as
  replace(replace(replace(
    regexp_replace(
      regexp_replace(left(t, 32767), '[\x{0}-\x{8}\x{b}\x{c}\x{e}-\x{1f}\x{fffe}\x{ffff}]', chr(65533), 'g'),
      '_(x[0-9a-fA-F]{4}_)', '_x005F_\1', 'g'),
    '&', '&amp;'), '<', '&lt;'), '>', '&gt;');

-- nothing for a blank; a text that could pass for a formula stays a text when somebody edits its cell
create macro text_cell(ref, look, t) as
  case when t <> '' then concat(
    '<c r="', ref, '"', style(case when t[1] in ('=', '+', '-', '@', chr(9), chr(13)) then 'quoted' else look end),
    ' t="inlineStr"><is><t', case when t <> trim(t) then ' xml:space="preserve"' end, '>', escaped(t), '</t></is></c>')
  end;

-- the number as the file prints it; a text where it is none, as a blank would say less than the file does
create macro number_cell(ref, look, t) as
  case when regexp_full_match(t, '-?[0-9]+([.][0-9]+)?([eE][-+]?[0-9]+)?')
    then concat('<c r="', ref, '"', style(look), '><v>', regexp_replace(t, '[.]0$', ''), '</v></c>')
    else text_cell(ref, case look when 'weak' then 'weak word' else look end, t) end;

-- a cell of the table as it must not be mistaken
create macro amount_cell(ref, look, t) as
  case look when 'unknown' then concat('<c r="', ref, '"', style(look), '/>') else number_cell(ref, look, t) end;

create macro link(ref, sheet, number) as
  '<hyperlink ref="' || ref || '" location="' || sheet || '!A' || number || '"/>';

-- How each cell of the table shows, and in which row of the sheets provenance and gaps it is told (`sheet_row` is a row
-- of a file, its heading counted). What is missing or cannot be shows nothing and has no row of provenance.
create table shown as
  with known as (
    select sheet_row, 1 + row_number() over (order by sheet_row) as told from table_values
    where status not in ('missing', 'not_applicable')
  )
  select v.*, told, g.sheet_row as told_gap,
    coalesce(v.value,
      case when v.low is not null or v.high is not null
        then coalesce(v.low, '0') || ' to ' || coalesce(v.high, 'unknown') end) as shows,
    case when shows is null then case v.status when 'not_applicable' then '' else 'unknown' end
      when g.sheet_row is not null then 'weak'
      when v.value is null then 'range' else '' end as look
  from table_values v left join known using (sheet_row) left join table_gaps g using (ingredient_id, component);

-- The rows of the wide sheets: a cell for each column that stands for a component.
create table wide as
  select any_value(t.sheet_row) as sheet_row, ingredient_id, any_value(t.name) as name, min(told) as told,
    string_agg(amount_cell(letter || t.sheet_row, look, shows), '' order by place) as amounts,
    string_agg(
      text_cell(letter || t.sheet_row, case look when 'weak' then 'weak word' when 'range' then '' else look end,
        status),
      '' order by place) as statuses,
    string_agg(component, ' ' order by place) filter (look = 'weak') as weak
  from table_table t join shown using (ingredient_id) join wide_columns using (component)
  group by ingredient_id;
