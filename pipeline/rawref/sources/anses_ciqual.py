"""Reader of the Ciqual table (Anses), English edition, legacy .xls workbook with one sheet.

Every component cell is kept, the dash and the empty cell too: in this table a cell says that a value is not known.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref.errors import InputError
from rawref.sources import Release, content, issued_name, workbooks
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

ID = "anses-ciqual"
LAYOUT = "anses-ciqual.toml"
FILES = 1
"""Files that make a release."""


def identify(path: Path, layouts: Path) -> str:
    """The edition, told by the headings and the number of rows; InputError for any other file."""
    require_kind(path, "xls")
    workbooks.require_sound(path)
    return _edition(*_sheet(path), issued_name(path), layouts)


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.ciqual_food, _cell and _column and return the SELECT of each common archival table."""
    import pyarrow as pa

    (path,) = release.files
    file, body = issued_name(path), content(path)
    name, rows = _sheet(path)
    edition = _edition(name, rows, file, layouts)
    described = layout(layouts, ID)["release"][edition]
    columns = {column["heading"]: column for column in layout_columns(layouts, ID, edition)}
    first = described["heading_rows"]
    headings = rows[first - 1]
    texts = [[cell_text(cell) for cell in column] for column in zip(*rows[first:], strict=True)]
    count = len(rows) - first
    row = list(range(first + 1, len(rows) + 1))
    food = {
        columns[heading]["field"]: pa.array(texts[position], pa.string())
        for position, heading in enumerate(headings)
        if columns[heading]["field"] != "value"
    }
    values = [position for position, heading in enumerate(headings) if columns[heading]["field"] == "value"]
    letters = [column_letters(position) for position in values]
    store(con, "ciqual_food", pa.table({"row": pa.array(row, pa.int64()), **food}))
    store(con, "ciqual_column", pa.table({
        "letter": letters,
        "heading": [headings[position] for position in values],
        "name": [columns[headings[position]]["name"] for position in values],
        "unit": [columns[headings[position]]["unit"] for position in values],
    }))
    store(con, "ciqual_cell", pa.table({
        "row": pa.array(row * len(values), pa.int64()),
        "letter": pa.array([letter for letter in letters for _ in row], pa.string()),
        "text": pa.array([text for position in values for text in texts[position]], pa.string()),
    }))
    record_file(con, ID, release.release, file, hashlib.sha256(body).hexdigest(), len(body), count)
    refuse(_content_problems(con, described), file, LAYOUT)
    return _common(release.release, file, described["sheet"])


def _sheet(path: Path) -> tuple[str, list[workbooks.Row]]:
    """Name and rows of the one sheet; InputError when the file is no legacy workbook or has other sheets."""
    require_kind(path, "xls")
    found = workbooks.sheets(content(path), issued_name(path))
    if len(found) != 1:
        raise InputError(
            f"{len(found)} sheets where one is due", path.name, "give the English table of https://ciqual.anses.fr/"
        )
    return next(iter(found.items()))


def _edition(name: str, rows: list[workbooks.Row], where: str, layouts: Path) -> str:
    """The edition whose headings and number of rows this sheet has; InputError listing what is unknown."""
    problems: list[str] = []
    for edition, described in layout(layouts, ID)["release"].items():
        known = [column["heading"] for column in layout_columns(layouts, ID, edition)]
        last = described["heading_rows"] - 1
        found = [cell_text(cell) or "" for cell in rows[last]] if len(rows) > last else []
        place = f"{described['sheet']}!{{}}{described['heading_rows']}"
        wrong = [f"sheet {name!r} is not known"] if name != described["sheet"] else []
        wrong += [
            f"{place.format(column_letters(position))} heading {heading!r} is not known"
            for position, heading in enumerate(found)
            if heading not in known
        ]
        wrong += [f"heading {heading!r} is missing" for heading in known if heading not in found]
        wrong += [f"heading {heading!r} twice" for heading in sorted(set(found)) if found.count(heading) > 1]
        count = len(rows) - described["heading_rows"]
        if not wrong and count != described["records"]:
            wrong = [f"{count} rows where edition {edition} has {described['records']}: another edition, or a cut file"]
        if not wrong:
            return str(edition)
        problems += wrong
    refuse(problems, where, LAYOUT)
    raise InputError("no edition is described", f"schemas/layouts/{LAYOUT}", "restore the layout with git checkout")


def _content_problems(con: duckdb.DuckDBPyConnection, described: dict[str, Any]) -> list[str]:
    """Markers that are not known, bad food codes, and doubled codes whose rows disagree, each with its cell."""
    sheet = described["sheet"]
    markers = con.execute(
        f"select min_by(letter || row, row), text, count(*) from archival.ciqual_cell"
        f" where {token_case(described['token'], 'text')} is null group by text order by 2"
    ).fetchall()
    codes = con.execute(
        "select row, food_code from archival.ciqual_food where not regexp_full_match(food_code, '\\d+') order by row"
    ).fetchall()
    clashes = con.execute(
        "select f.food_code, c.letter from archival.ciqual_cell c join archival.ciqual_food f on f.row = c.row"
        " where c.text <> '' group by all having count(*) > 1 order by all"
    ).fetchall()
    return [
        *(f"{sheet}!{cell} marker {text!r} ({count} cells)" for cell, text, count in markers),
        *(f"{sheet}!{row} food code {code!r}" for row, code in codes),
        *(f"food code {code} has two different rows with a value in column {letter}" for code, letter in clashes),
    ]


def _common(release: str, file: str, sheet: str) -> dict[str, str]:
    """A food code on two rows is one food: a filled cell of the second row fills the empty cell of the first.

    Edition 2020 has one such code, 9621: its second row holds only the energy in kJ that its first row lacks.
    """
    key = release_key(ID, release)
    place = f"{literal(file)} as file, {literal(sheet + '!')}"
    # ranked are the cells of doubled codes alone: the whole table is looked at by every rule over all values
    ranked = """
        select f.food_code, c.row, c.letter,
          row_number() over (partition by f.food_code, c.letter order by c.text = '', c.row) as rank
        from archival.ciqual_cell c join archival.ciqual_food f on f.row = c.row
        where f.food_code in (select food_code from archival.ciqual_food group by food_code having count(*) > 1)"""
    doubled = """
        select row, food_code, name, row_number() over (partition by food_code order by row) as rank
        from archival.ciqual_food"""
    return {
        "foods": f"""
            select {key}, food_code as food_id, name,
              case when subsubgroup_code not in ('', '000000') then subsubgroup_code
                when subgroup_code not in ('', '0000') then subgroup_code else group_code end as group_code,
              case when subsubgroup_code not in ('', '000000') then subgroup_name || ' / ' || subsubgroup_name
                when subgroup_code not in ('', '0000') then subgroup_name else group_name end as group_name,
              nullif(scientific_name, '') as scientific_name, {place} || 'G' || row as line
            from archival.ciqual_food
            qualify row_number() over (partition by food_code order by row) = 1""",
        "components": f"""
            select {key}, heading as source_component, name, unit, {place} || letter || '1' as line
            from archival.ciqual_column""",
        "values": f"""
            select {key}, f.food_code as food_id, k.heading as source_component, v.text, k.unit,
              {place} || v.letter || v.row as line
            from archival.ciqual_cell v join archival.ciqual_food f on f.row = v.row
              join archival.ciqual_column k on k.letter = v.letter
              anti join (from ({ranked}) where rank > 1) s on s.row = v.row and s.letter = v.letter""",
        "set_aside": f"""
            select {key}, {place} || 'G' || row as line,
              'second row of a food code: its filled cells complete the first row' as reason,
              food_code || ' ' || name as content
            from ({doubled}) where rank > 1
            union all by name
            select {key}, {place} || letter || row as line,
              'empty cell of a food code that has two rows' as reason, food_code || '/' || letter as content
            from ({ranked}) where rank > 1""",
    }
