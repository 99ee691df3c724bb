"""Reader of the Standard Tables of Food Composition in Japan (MEXT): main table and fatty acid table 1, .xlsx.

Every component cell is kept as the cell holds it: a number cell in its shortest form, text as it stands (5.0 and 0.10
are text in the file, to keep the zero). The tag of the tag row names a component; a tag that the main table already
has gets the prefix FA: in the fatty acid table, whose water and fat are those of an older edition for some foods.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref.errors import InputError
from rawref.sources import Release, sha256, unpack, workbooks
from rawref.sources.layouts import (
    cell_text,
    column_letters,
    layout,
    layout_columns,
    literal,
    record_file,
    refuse,
    release_key,
    require_kind,
    store,
    token_case,
)

if TYPE_CHECKING:
    import duckdb

ID = "mext"
PREFIX = "mext"
LAYOUT = "mext.toml"
FILES = 2
"""Files that make a release."""
TABLES = ("main", "fatty_acids")

Row = Sequence[Any]


def identify(path: Path, layouts: Path) -> str:
    """The edition, told by sheets, headings, tags, units and the number of foods; InputError for any other file."""
    require_kind(path, "xlsx")
    unpack.verify(path, path.name)
    workbooks.require_sound(path)
    edition, _, _ = _read(path, layouts)
    return edition


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.mext_<table>_food, _cell, mext_column, mext_differing; return the common archival SELECTs.

    The main table is required; without the fatty acid table its components are absent.
    """
    names: dict[str, str] = {}
    tags: dict[str, tuple[str, int]] = {}
    repeats: dict[str, dict[str, int]] = {}
    columns: list[dict[str, str]] = []
    differing: list[tuple[str, str, str]] = []
    problems: list[str] = []
    for path in release.files:
        edition, table, sheets = _read(path, layouts)
        if table in names:
            raise InputError(f"the {table} table is given twice", path.name, "pin one file of each table")
        described = layout(layouts, ID)["release"][edition]
        known = [column for column in layout_columns(layouts, ID, edition) if column["table"] == table]
        rows = _data_rows(sheets, described[table], described[table]["sheets"])
        _store_table(con, table, known, rows)
        repeats[path.name] = {}
        for sheet in described[table].get("repeated", []):
            again = _data_rows(sheets, described[table], [sheet])
            repeats[path.name][sheet] = len(again)
            differing += _differences(rows, again, len(known))
        names[table], columns = path.name, columns + known
        tags[table] = (described[table]["sheets"][0], described[table]["tag_row"])
        record_file(con, ID, release.release, path.name, sha256(path), path.stat().st_size, len(rows))
        problems += _content_problems(con, table, known, described["token"])
    refuse(problems, ", ".join(path.name for path in release.files), LAYOUT)
    if "main" not in names:
        raise InputError("the main table is missing", ID, "side-load it: rawref fetch mext --from FILE")
    _store_columns(con, columns, differing)
    return _common(release.release, names, repeats, tags)


def _read(path: Path, layouts: Path) -> tuple[str, str, Mapping[str, Sequence[Row]]]:
    """Edition, table and the rows of every sheet; InputError listing what is unknown."""
    require_kind(path, "xlsx")
    sheets = workbooks.sheets(path.read_bytes(), path.name)
    problems: list[str] = []
    for edition, described in layout(layouts, ID)["release"].items():
        columns = layout_columns(layouts, ID, edition)
        for table in TABLES:
            due = [*described[table]["sheets"], *described[table].get("repeated", [])]
            if not set(due) & set(sheets):
                continue
            known = [column for column in columns if column["table"] == table]
            wrong = [f"sheet {name!r} is not known" for name in sheets if name not in due]
            wrong += [f"sheet {name!r} is missing" for name in due if name not in sheets]
            wrong += [fault for name in due if name in sheets for fault in _heading_faults(
                sheets[name], described[table], known, name)]
            if not wrong:
                found = len(_data_rows(sheets, described[table], described[table]["sheets"]))
                if found == described[table]["records"]:
                    return str(edition), table, sheets
                wrong = [f"{found} foods where edition {edition} has {described[table]['records']}"]
            problems += wrong
    refuse(problems or ["no sheet has a known name"], path.name, LAYOUT)
    raise AssertionError("refuse() raises when there is a problem")


def _heading_faults(
    rows: Sequence[Row], described: dict[str, Any], known: Sequence[dict[str, str]], sheet: str
) -> list[str]:
    """Headings, tags and units that are not those of the layout, each with its cell."""
    first, last = described["heading_rows"]
    if len(rows) < described["first_row"]:
        return [f"{sheet!r} has only {len(rows)} rows"]
    faults = []
    span = ""
    for position in range(max(len(known), *(len(row) for row in rows[: described["first_row"]]))):
        letter = column_letters(position)
        heading = re.sub(r"\s", "", "".join(_at(rows[index], position) for index in range(first - 1, last)))
        tag = _at(rows[described["tag_row"] - 1], position)
        printed = re.search(r"kcal|kJ|mg|[µμ]g|g|%", _at(rows[described["unit_row"] - 1], position))
        span = printed[0] if printed else (span if described["unit_spans"] else "")
        if position >= len(known):
            if heading or tag:
                faults.append(f"{sheet}!{letter}{last} heading {heading!r} is not known")
            continue
        column = known[position]
        if heading != column["heading"]:
            faults.append(f"{sheet}!{letter}{last} heading {heading!r}, expected {column['heading']!r}")
        if tag.strip() != column["tag"].strip():
            faults.append(f"{sheet}!{letter}{described['tag_row']} tag {tag!r}, expected {column['tag']!r}")
        if column["field"] == "value" and span != column["unit"]:
            faults.append(f"{sheet}!{letter}{described['unit_row']} unit {span!r}, expected {column['unit']!r}")
    return faults


def _at(row: Row, position: int) -> str:
    """The text of a cell of a row, "" where there is none."""
    return (cell_text(row[position]) or "") if position < len(row) else ""


def _data_rows(
    sheets: Mapping[str, Sequence[Row]], described: dict[str, Any], names: Iterable[str]
) -> list[tuple[str, int, Row]]:
    """Sheet, row number and cells of every food of the named sheets."""
    return [
        (name, number, row)
        for name in names
        for number, row in enumerate(sheets[name][described["first_row"] - 1 :], start=described["first_row"])
        if any(value not in (None, "") for value in row)
    ]


def _store_table(
    con: duckdb.DuckDBPyConnection, table: str, known: Sequence[dict[str, str]], rows: Sequence[tuple[str, int, Row]]
) -> None:
    """archival.mext_<table>_food, one row per food, and archival.mext_<table>_cell, one row per other cell."""
    import pyarrow as pa

    sheet = [name for name, _, _ in rows]
    number = [row for _, row, _ in rows]
    texts = [[cell_text(row[position]) if position < len(row) else None for _, _, row in rows]
             for position in range(len(known))]
    cells = [p for p, column in enumerate(known) if column["field"] in ("value", "marker", "spacer")]
    food = {known[p]["field"]: pa.array(texts[p], pa.string()) for p in range(len(known)) if p not in cells}
    store(con, f"mext_{table}_food", pa.table({"sheet": pa.array(sheet), "row": pa.array(number, pa.int64()), **food}))
    store(con, f"mext_{table}_cell", pa.table({
        "sheet": pa.array(sheet * len(cells)),
        "row": pa.array(number * len(cells), pa.int64()),
        "letter": pa.array([known[p]["column"] for p in cells for _ in rows]),
        "text": pa.array([text for p in cells for text in texts[p]], pa.string()),
    }))


def _store_columns(
    con: duckdb.DuckDBPyConnection, columns: Sequence[dict[str, str]], differing: Sequence[tuple[str, str, str]]
) -> None:
    """archival.mext_column, what each column is; archival.mext_differing, cells that a repeated sheet has otherwise."""
    import pyarrow as pa

    store(con, "mext_column", pa.table({name: [column[name] for column in columns] for name in (
        "table", "column", "heading", "tag", "unit", "field", "source_component", "note")}))
    store(con, "mext_differing", pa.table({
        name: pa.array([row[position] for row in differing], pa.string())
        for position, name in enumerate(("cell", "text", "text_in_whole_table"))
    }))


def _differences(
    rows: Sequence[tuple[str, int, Row]], again: Sequence[tuple[str, int, Row]], width: int
) -> list[tuple[str, str, str]]:
    """Cell, its text, and the text in the whole table, for each cell of a repeated sheet that differs from it."""
    whole = {row[1]: row for _, _, row in rows}
    found = []
    for sheet, number, row in again:
        other = whole.get(row[1], ())
        if row[:width] != other[:width]:
            found += [
                (f"{sheet}!{column_letters(p)}{number}", _at(row, p), _at(other, p))
                for p in range(width)
                if _at(row, p) != _at(other, p)
            ]
    return found


def _content_problems(
    con: duckdb.DuckDBPyConnection, table: str, known: Sequence[dict[str, str]], tokens: list[dict[str, str]]
) -> list[str]:
    """Markers that are not known, bad food numbers and group numbers, each with its first cell."""
    markers = con.execute(
        f"select min_by(sheet || '!' || letter || row, (sheet, row)), text, count(*) from archival.mext_{table}_cell"
        f" where if(list_contains($values, letter), {token_case(tokens, 'text')} is null,"
        f" coalesce(text, '') not in ('', '*')) group by text order by 2",
        {"values": [column["column"] for column in known if column["field"] == "value"]},
    ).fetchall()
    foods = con.execute(
        f"select sheet || '!B' || row, food_number from archival.mext_{table}_food"
        " where not regexp_full_match(coalesce(food_number, ''), '\\d{5}') or coalesce(name, '') = ''"
        " or \"group\" is distinct from left(food_number, 2) order by sheet, row"
    ).fetchall()
    return [
        *(f"{cell} marker {text!r} ({count} cells)" for cell, text, count in markers),
        *(f"{cell} food number {number!r}" for cell, number in foods),
    ]


def _common(
    release: str, names: dict[str, str], repeats: dict[str, dict[str, int]], tags: dict[str, tuple[str, int]]
) -> dict[str, str]:
    key = release_key(ID, release)
    values, components, remarks, markers = [], [], [], []
    for table, file in names.items():
        sheet, tag_row = tags[table]
        place = f"{literal(file)} as file"
        values.append(f"""
            select {key}, f.food_number as food_id, k.source_component, c.text, k.unit, {place},
              c.sheet || '!' || c.letter || c.row as line
            from archival.mext_{table}_cell c
              join archival.mext_column k on k."table" = {literal(table)} and k."column" = c.letter
              join archival.mext_{table}_food f on f.sheet = c.sheet and f.row = c.row
            where k.field = 'value'""")
        components.append(f"""
            select {key}, source_component, if(heading = '', tag, heading) as name, unit, tag as tagname, {place},
              {literal(sheet + '!')} || "column" || {literal(str(tag_row))} as line
            from archival.mext_column where "table" = {literal(table)} and field = 'value'""")
        remarks.append(f"""
            select {key}, food_number as food_id, 'D' as kind, null::text as source_component, remark as text, {place},
              sheet || '!' || k."column" || row as line
            from archival.mext_{table}_food join archival.mext_column k
              on k."table" = {literal(table)} and k.field = 'remark'
            where remark <> ''""")
        markers.append(f"""
            select {key}, {place}, null::text as line,
              'column ' || c.letter || ': ' || min(k.field) || ', no value' as reason,
              count(*) || ' cells, ' || count(*) filter (c.text = '*')
                || ' asterisks, kept in archival.mext_{table}_cell' as content
            from archival.mext_{table}_cell c
              join archival.mext_column k on k."table" = {literal(table)} and k."column" = c.letter
            where k.field in ('marker', 'spacer') group by c.letter""")
    for file, sheets in repeats.items():
        place = f"{literal(file)} as file"
        if sheets:
            rows = ", ".join(f"({literal(sheet)}, {count})" for sheet, count in sheets.items())
            markers.append(f"""
                select {key}, {place}, sheet as line, 'sheet repeats rows of the whole table' as reason,
                  rows || ' rows' as content
                from (values {rows}) as repeated(sheet, rows)""")
            markers.append(f"""
                select {key}, {place}, cell as line, 'cell of a repeated sheet differs from the whole table' as reason,
                  text || ' | ' || text_in_whole_table as content
                from archival.mext_differing""")
    union = "\n union all by name \n".join
    refuse_letter = "(select \"column\" from archival.mext_column where source_component = 'REFUSE')"
    return {
        "foods": f"""
            select {key}, f.food_number as food_id, f.name, f."group" as group_code,
              regexp_replace(f.sheet, '^[0-9０-９]+[\\s　]*', '') as group_name,
              c.text as refuse_pct,
              nullif(trim(regexp_extract(f.remark, '廃棄部位[：:]([^\\n]*)', 1), ' 　'), '') as refuse_note,
              {literal(names['main'])} as file, f.sheet || '!B' || f.row as line
            from archival.mext_main_food f
              left join archival.mext_main_cell c
                on c.sheet = f.sheet and c.row = f.row and c.letter = {refuse_letter}""",
        "components": union(components),
        "values": union(values),
        "footnotes": union(remarks),
        "set_aside": union(markers),
    }
