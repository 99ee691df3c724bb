"""table.xlsx: the published table as a spreadsheet that never misleads; no formulas, the same bytes every time.

What is no evidence is marked wherever it stands: by its look, and by a twin (a word beside it, the status sheet, or a
column that names it). A range shows as a range, an unknown cell as a hatched blank.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from rawref import registry
from rawref.database import connect, literal, run_file
from rawref.published.export import wide_column

PROVENANCE = (
    "ingredient_id",
    "component",
    "value",
    "unit",
    "status",
    "evidence",
    "low",
    "high",
    "n",
    "confidence",
    "match_quality",
    "source food",
    "published",
    "source line",
    "steps",
    "decision_id",
)
"""Columns of the provenance sheet; cells of which nothing is known stand on the gaps sheet."""
JOINED = {
    "source food": (":", ("source", "food_id", "source_component")),
    "published": (" ", ("source_value", "source_unit")),
    "source line": (":", ("file", "line")),
}
"""Columns of `values` that share a cell: fewer cells open faster, and nothing is lost."""
GAPS = (
    "ingredient_id", "component", "table shows", "status", "kind", "peers_n", "peers_median", "ceiling", "unit",
    "remedy",
)  # fmt: skip
"""Columns of the gaps sheet, those that the table has."""
TWIN = "no_evidence"
"""The last column of the table sheet: the components of its row that show something that is no evidence."""
WIDTHS = {"ingredient_id": 28, "remedy": 60, "table shows": 18, "kind": 18, "status": 15, "component": 11}
ADVICE = (
    "A hatched blank is unknown. It is never zero.",
    "A number in grey italics with a star is no evidence: nobody measured it (assumed_zero), or its source borrowed or "
    f"estimated it (imputed). The status sheet and the column {TWIN} of the table name it too.",
    "Two numbers with 'to' between them are a range: there is no single figure. Sums pass over it.",
    "Amounts are per 100 g edible portion, raw; additions per 100 g as supplied.",
    "The column NA is sodium. Not veterinary advice.",
    "A word on the status sheet leads to the line that the cell comes from, or to its gap.",
)


class _Sheet(Worksheet):
    """A sheet whose heading is written cell by cell, and whose rows were made in the database."""

    dim_rowmax: int
    body: Sequence[str] = ()
    links: Sequence[str] = ()

    def _write_rows(self) -> None:
        last, self.dim_rowmax = self.dim_rowmax, self.dim_rowmax - len(self.body)
        super()._write_rows()
        self.dim_rowmax = last
        self.fh.writelines(self.body)

    def _write_hyperlinks(self) -> None:
        if self.links:
            self.fh.writelines(("<hyperlinks>", *self.links, "</hyperlinks>"))
        else:
            super()._write_hyperlinks()


class _Book:
    """The workbook with its few formats, and the database that makes its rows."""

    def __init__(self, target: Path, created: str) -> None:
        self.book = Workbook(str(target), {"in_memory": True})
        self.book.set_properties({"title": "rawref", "author": "rawref", "created": _time(created)})
        make = self.book.add_format
        grey, band = {"font_color": "#6A6A6A", "italic": True}, {"bg_color": "#EFEFEF"}
        self.formats = {
            "bold": make({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1}),
            "wrapped": make({"text_wrap": True, "valign": "top"}),
            "link": make({"font_color": "#1F4E8C", "underline": 1}),
            "quoted": make({"quote_prefix": True}),
            "range": make({"italic": True, "align": "right", "font_color": "#1F4E8C"}),
            "weak": make({**grey, **band, "align": "right", "num_format": 'General" *"'}),
            "weak word": make({**grey, **band}),
            "unknown": make({"pattern": 14, "fg_color": "#C4C4C4", "bg_color": "#FFFFFF"}),
        }
        self.con = connect(threads=1)
        styles = " ".join(
            f"when {literal(look)} then ' s=\"{style._get_xf_index()}\"'" for look, style in self.formats.items()
        )
        self.con.execute(f"create macro style(look) as case look {styles} else '' end")

    def read(self, folder: Path, name: str) -> list[str]:
        """Take a table in as texts, its rows numbered as a sheet numbers them; its columns."""
        self.con.execute(
            f"create table table_{name} as select *, row_number() over () + 1 as sheet_row from"
            f" read_csv({literal((folder / f'{name}.csv').as_posix())}, header = true, all_varchar = true,"
            " delim = ',', quote = '\"', escape = '\"')"
        )
        return [column for column, *_ in self.con.execute(f"describe table_{name}").fetchall()][:-1]

    def sheet(
        self, name: str, widths: Iterable[int], columns: Sequence[str] = (), notes: Iterable[str] = ()
    ) -> Worksheet:
        """A sheet with its heading, and a comment where a column has a note; set up to be printed."""
        sheet = self.book.add_worksheet(name, worksheet_class=_Sheet)
        for at, width in enumerate(widths):
            sheet.set_column(at, at, width)
        for at, (column, note) in enumerate(zip(columns, [*notes, *[""] * len(columns)], strict=False)):
            sheet.write_string(0, at, column, self.formats["bold"])
            if note:
                sheet.write_comment(0, at, note, {"x_scale": 2.5, "y_scale": 1.6, "author": "rawref"})
        sheet.set_landscape()
        sheet.set_paper(9)  # A4
        sheet.set_margins(0.4, 0.4, 0.6, 0.6)
        sheet.set_footer("&L&A&Rpage &P of &N")
        if columns:
            sheet.repeat_rows(0)
        return sheet

    def fill(
        self, sheet: Worksheet, cells: Iterable[str], rows: str, *, links: str = "", frozen: int = 0, pages: int = 1
    ) -> None:
        """Put `rows` (a query, `sheet_row` the number of a row on the sheet) below the heading, each the `cells` one
        after another; filters over all of them, a frozen heading, so many pages wide in print."""
        row = f"concat('<row r=\"', sheet_row, '\">', {', '.join(cells)}, '</row>')"
        body = f"select {row} from ({rows}) order by sheet_row"
        sheet.body = [row for (row,) in self.con.execute(body).fetchall()]
        sheet.links = [row for (row,) in self.con.execute(links).fetchall()] if links else []
        sheet.dim_rowmax = len(sheet.body)
        sheet.autofilter(0, 0, max(len(sheet.body), 1), sheet.dim_colmax)
        sheet.freeze_panes(1, frozen)
        sheet.fit_to_pages(pages, 0)


def _text(at: int, text: str, look: str = "''") -> str:
    """The cell in column `at` that shows this text; all of them SQL."""
    return f"text_cell('{xl_col_to_name(at)}' || sheet_row, {look}, {text})"


def _number(at: int, column: str) -> str:
    return f"number_cell('{xl_col_to_name(at)}' || sheet_row, '', \"{column}\")"


def _amount(at: int) -> str:
    return f"amount_cell('{xl_col_to_name(at)}' || sheet_row, look, shows)"


def _plain(columns: Sequence[str], fields: Iterable[registry.Field]) -> list[str]:
    """The cells of columns that are shown as they are: numbers as numbers, an empty list as nothing."""
    numbers = {f.column for f in fields if f.type in ("number", "integer")}
    return [_number(at, c) if c in numbers else _text(at, f"nullif(\"{c}\", '[]')") for at, c in enumerate(columns)]


def write_workbook(folder: Path, target: Path, schemas: Path, manifest: dict[str, Any] | None = None) -> None:
    """Write the tables in `folder` (CSV files) as one workbook, byte for byte the same; `manifest` says what they are,
    else the file manifest.json beside them."""
    document = manifest or json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    components = {row["component"]: row for row in registry.components(schemas)}
    fields = registry.fields(schemas)
    calibrated = (folder / "calibration.csv").is_file()
    made = _Book(target, str(document.get("created", "")))
    with made.con:
        _read_me(made, document, calibrated)
        made.read(folder, "values")
        gaps = made.read(folder, "gaps")
        _wide(made, folder, components)
        _provenance(made, fields["values"])
        _gaps(made, fields["gaps"], gaps)
        _dictionary(made, fields, schemas, components)
        if calibrated:
            _calibration(made, folder, fields.get("calibration", ()))
    made.book.close()


def _time(created: str) -> datetime:
    """The stamp of the accepted table in place of the clock; the first day that a zip file can name where there is
    none."""
    try:
        found = datetime.fromisoformat(created)
    except ValueError:
        return datetime(1980, 1, 1)
    return found.astimezone(UTC).replace(tzinfo=None) if found.tzinfo else found


def _read_me(made: _Book, document: dict[str, Any], calibrated: bool) -> None:
    sheet = made.sheet("read-me", (22, 100))
    sheet.set_portrait()
    sheet.fit_to_pages(1, 0)
    sheet.write_string(0, 0, "rawref", made.formats["bold"])
    rows = document.get("rows", {})
    lines: list[tuple[str, str, str]] = [
        ("version", str(document.get("version", "not accepted yet")), "wrapped"),
        ("created", str(document.get("created", "")), "wrapped"),
        (
            "holds",
            f"{rows.get('ingredients', 0)} ingredients, {rows.get('values', 0)} cells, {rows.get('gaps', 0)} gaps",
            "wrapped",
        ),
        ("", "", ""),
        *(("how to read it", text, "wrapped") for text in ADVICE),
        ("", "", ""),
        ("a number", "1.25", ""),
        ("no evidence", "0", "weak"),
        ("a range", "0.1 to 0.4", "range"),
        ("unknown", "", "unknown"),
        ("", "", ""),
        ("table", "one row per ingredient, one column per component", "wrapped"),
        ("status", "origin of each number", "wrapped"),
        ("provenance", "every cell with a value or range, down to the line of the source", "wrapped"),
        ("gaps", "every cell without evidence, and what would fill it", "wrapped"),
        ("dictionary", "every column and component, with its usage warning", "wrapped"),
        *([("calibration", "how well the ranges hold, measured on figures left out", "wrapped")] * calibrated),
        ("", "", ""),
        *(
            ("source", f"{s['id']} {s.get('release', '')}: {s['attribution']} Licence: {s['licence']}", "wrapped")
            for s in document.get("sources", [])
            if s.get("present")
        ),
    ]
    sheets = ("table", "status", "provenance", "gaps", "dictionary", "calibration")
    for row, (label, text, look) in enumerate(lines, 1):
        if label in sheets:
            sheet.write_url(row, 0, f"internal:'{label}'!A1", made.formats["link"], label)
        elif label:
            sheet.write_string(row, 0, label)
        if look == "unknown":
            sheet.write_blank(row, 1, None, made.formats[look])
        elif look in ("", "weak") and text:
            sheet.write_number(row, 1, float(text), made.formats.get(look))
        elif text:
            sheet.write_string(row, 1, text, made.formats[look])


def _wide(made: _Book, folder: Path, components: dict[str, dict[str, str]]) -> None:
    """The table with its twin column, and the statuses, each of which leads to the row that tells its cell."""
    tag_of = {wide_column(c): c for c in components.values()}
    heading = made.read(folder, "table")
    made.con.execute("create table wide_columns (place integer, letter text, component text)")
    made.con.executemany(
        "insert into wide_columns values (?, ?, ?)",
        [(at, xl_col_to_name(at), tag_of[c]["component"]) for at, c in enumerate(heading) if c in tag_of],
    )
    run_file(made.con, Path(__file__).with_suffix(".sql"))
    shown = len(heading) - 2
    notes = [_warning(tag_of.get(column)) for column in heading]
    twin = "Components of this row that show a number or a range which is no evidence."
    first = "select link('A' || sheet_row, 'provenance', told) from wide where told is not null"
    for name, cells, columns, widths, told in (
        ("table", ["amounts", _text(len(heading), "weak")], [*heading, TWIN], [*[11] * shown, 40], [*notes, twin]),
        ("status", ["statuses"], heading, [14] * shown, []),
    ):
        sheet = made.sheet(name, [28, 34, *widths], columns, told)
        links = first if name == "table" else f"""{first} union all
            select link(letter || t.sheet_row, if(told is null, 'gaps', 'provenance'), coalesce(told, told_gap))
            from table_table t join shown using (ingredient_id) join wide_columns using (component)
            where told is not null or told_gap is not null"""
        made.fill(
            sheet, [_text(0, "ingredient_id"), _text(1, "name"), *cells], "from wide",
            links=f"select * from ({links}) order by all", frozen=2, pages=5,
        )  # fmt: skip
        sheet.repeat_columns(0, 1)


def _warning(component: dict[str, str] | None) -> str:
    if not component:
        return ""
    parts = (f"{component['name']}, {component['unit']} per 100 g", component["usage_warning"], component["definition"])
    return ". ".join(x for x in parts if x)[:900]


def _provenance(made: _Book, fields: tuple[registry.Field, ...]) -> None:
    known = {f.column: f.description for f in fields}
    own = {
        "evidence": "no: a gap stands beside it, it cannot carry a recipe",
        **{c: " : ".join(known[part] for part in parts) for c, (_, parts) in JOINED.items()},
    }
    cells = _plain(PROVENANCE, fields)
    for at, column in enumerate(PROVENANCE):
        if column == "value":
            cells[at] = _amount(at)
        elif column == "evidence":
            cells[at] = _text(at, "if(told_gap is null, 'yes', 'no')", "if(told_gap is null, '', 'weak word')")
        elif column in JOINED:
            between, parts = JOINED[column]
            cells[at] = _text(at, f"concat_ws('{between}', {', '.join(parts)})")
    widths = [WIDTHS.get(c, 22 if c in JOINED else 12) for c in PROVENANCE]
    sheet = made.sheet("provenance", widths, PROVENANCE, [own.get(c) or known[c] for c in PROVENANCE])
    made.fill(sheet, cells, "select * replace (told as sheet_row) from shown where told is not null", frozen=2)


def _gaps(made: _Book, fields: tuple[registry.Field, ...], heading: Sequence[str]) -> None:
    known = {f.column: f.description for f in fields}
    own = {
        "table shows": "What the table shows in this cell. It is no evidence.",
        "status": "Status of the cell in the table.",
    }
    columns = [c for c in GAPS if c in heading or c in own]
    cells = _plain(columns, fields)
    at = columns.index("table shows")
    cells[at] = _amount(at)
    cells[columns.index("status")] = _text(columns.index("status"), "status", "'weak word'")
    sheet = made.sheet("gaps", [WIDTHS.get(c, 12) for c in columns], columns, [own.get(c) or known[c] for c in columns])
    made.fill(
        sheet, cells,
        "select * from table_gaps left join (select ingredient_id, component, status, look, shows from shown)"
        " using (ingredient_id, component)",
        links=f"select link('{xl_col_to_name(at)}' || told_gap, 'provenance', told) from shown"
        " where told is not null and told_gap is not null order by told_gap",
        frozen=2,
    )  # fmt: skip


def _dictionary(
    made: _Book, fields: dict[str, tuple[registry.Field, ...]], schemas: Path, components: dict[str, dict[str, str]]
) -> None:
    columns = ("kind", "of", "name", "unit", "description", "usage warning")
    rows = [
        ("component", r["group"], r["component"], r["unit"], ". ".join(x for x in (r["name"], r["definition"]) if x),
         r["usage_warning"])
        for r in components.values()
    ]  # fmt: skip
    rows += [
        ("column", table, f.column, f.unit, f.description, "")
        for table in registry.PUBLISHED
        for f in fields.get(table, ())
    ]
    rows += [
        ("word", vocabulary, code, "", definition, "")
        for vocabulary in ("status", "gap_kind", "confidence", "match_quality", "spread_basis")
        for code, definition in registry.vocabularies(schemas).get(vocabulary, {}).items()
    ]
    with (schemas / "cautions.csv").open(encoding="utf-8", newline="") as stream:
        rows += [("caution", "cautions", row["code"], "", row["text"], "") for row in csv.DictReader(stream)]
    sheet = made.sheet("dictionary", (14, 24, 24, 10, 60, 60), columns)
    cells = [_text(at, f'"{column}"', "'wrapped'" if at > 3 else "''") for at, column in enumerate(columns)]
    texts = ", ".join(f'unnest(?::text[]) as "{column}"' for column in columns)
    made.con.execute(
        f"create table dictionary as select *, row_number() over () + 1 as sheet_row from (select {texts})",
        [list(column) for column in zip(*rows, strict=True)],
    )
    made.fill(sheet, cells, "from dictionary")


def _calibration(made: _Book, folder: Path, fields: tuple[registry.Field, ...]) -> None:
    known = {f.column: f.description for f in fields}
    heading = made.read(folder, "calibration")
    sheet = made.sheet("calibration", [16] * len(heading), heading, [known.get(c, "") for c in heading])
    made.fill(sheet, _plain(heading, fields), "from table_calibration", frozen=1)
