"""table.xlsx: the published table as a spreadsheet that never misleads; no formulas, the same bytes every time.

What is no evidence is marked wherever it stands: by its look, and by a twin (a word beside it, the status sheet, or a
column that names it). A range shows as a range, an unknown cell as a hatched blank.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.published.export import wide_column

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

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
    "source food": ("source", "food_id", "source_component"),
    "published": ("source_value", "source_unit"),
    "source line": ("file", "line"),
}
"""Columns of `values` that share a cell: fewer cells open faster, and nothing is lost."""
GAPS = (
    "ingredient_id", "component", "table shows", "status", "kind", "peers_n", "peers_median", "ceiling", "unit",
    "remedy",
)  # fmt: skip
"""Columns of the gaps sheet, those that the table has."""
TWIN = "no_evidence"
"""The last column of the table sheet: the components of its row that show something that is no evidence."""
UNKNOWN = ("missing", "not_applicable")
"""Statuses without number and range: they have no row of provenance."""
WIDTHS = {"ingredient_id": 28, "remedy": 60, "table shows": 18, "kind": 18, "status": 15, "component": 11}
_FORMULA = frozenset("=+-@\t\r")
_ILLEGAL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
ADVICE = (
    "A hatched blank is unknown. It is never zero.",
    "A number in grey italics with a star is no evidence: nobody measured it (assumed_zero), or its source borrowed or "
    f"estimated it (imputed). The status sheet and the column {TWIN} of the table name it too.",
    "Two numbers with 'to' between them are a range: there is no single figure. Sums pass over it.",
    "Amounts are per 100 g edible portion, raw; additions per 100 g as supplied.",
    "The column NA is sodium. Not veterinary advice.",
    "A word on the status sheet leads to the line that the cell comes from, or to its gap.",
)


@dataclass
class _Cells:
    """What the sheets need to know of every cell: how it shows, and in which row it is told."""

    shown: dict[tuple[str, str], str] = field(default_factory=dict)
    status: dict[tuple[str, str], str] = field(default_factory=dict)
    gaps: dict[tuple[str, str], int] = field(default_factory=dict)
    provenance: dict[tuple[str, str], int] = field(default_factory=dict)
    first: dict[str, int] = field(default_factory=dict)

    def look(self, key: tuple[str, str]) -> str:
        """weak: shown though no evidence; range: only a range; unknown: nothing to show; plain."""
        if not self.shown.get(key):
            return "" if self.status.get(key) == "not_applicable" else "unknown"
        if key in self.gaps:
            return "weak"
        return "range" if " to " in self.shown[key] else ""


class _Book:
    """The workbook with its few formats, and how a cell is written."""

    def __init__(self, target: Path, created: str) -> None:
        from xlsxwriter.workbook import Workbook

        self.book: Workbook = Workbook(str(target), {"in_memory": True})
        self.book.set_properties({"title": "rawref", "author": "rawref", "created": _time(created)})
        make = self.book.add_format
        grey, band = {"font_color": "#6A6A6A", "italic": True}, {"bg_color": "#EFEFEF"}
        self.formats: dict[str, Format | None] = {
            "": None,
            "bold": make({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1}),
            "wrapped": make({"text_wrap": True, "valign": "top"}),
            "link": make({"font_color": "#1F4E8C", "underline": 1}),
            "quoted": make({"quote_prefix": True}),
            "range": make({"italic": True, "align": "right", "font_color": "#1F4E8C"}),
            "weak": make({**grey, **band, "align": "right", "num_format": 'General" *"'}),
            "weak word": make({**grey, **band}),
            "unknown": make({"pattern": 14, "fg_color": "#C4C4C4", "bg_color": "#FFFFFF"}),
        }

    def sheet(self, name: str, widths: Iterable[int], columns: Sequence[str] = (), notes: Iterable[str] = ()) -> Any:
        """A sheet with its heading, frozen and with a comment where a column has a note; set up to be printed."""
        sheet: Worksheet = self.book.add_worksheet(name)
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

    def text(self, sheet: Any, row: int, at: int, text: str, look: str = "") -> None:
        """A text that no spreadsheet takes for a formula; nothing for a blank."""
        if text:
            if text[0] in _FORMULA:
                look = "quoted"  # it stays a text when somebody edits the cell
            if not text.isprintable() or len(text) > 32767:
                text = _ILLEGAL.sub("\ufffd", text)[:32767]
            sheet.write_string(row, at, text, self.formats[look])

    def number(self, sheet: Any, row: int, at: int, text: str, look: str = "") -> None:
        """The number; a text where it is none, as a blank would say less than the file does."""
        if not text:
            return
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if value - value != 0:  # neither nan nor infinity is a number of a spreadsheet
            return self.text(sheet, row, at, text, "weak word" if look == "weak" else look)
        sheet.write_number(row, at, int(value) if value.is_integer() and abs(value) < 1e15 else value,
                           self.formats[look])
        return None

    def amount(self, sheet: Any, row: int, at: int, cells: _Cells, key: tuple[str, str]) -> None:
        """A cell of the table as it must not be mistaken."""
        look = cells.look(key)
        if look == "unknown":
            sheet.write_blank(row, at, None, self.formats[look])
        else:
            self.number(sheet, row, at, cells.shown.get(key, ""), look)

    def finish(self, sheet: Any, rows: int, columns: int, frozen: int, pages: int = 1) -> None:
        """Filters over all rows, frozen heading, so many pages wide in print."""
        sheet.autofilter(0, 0, max(rows, 1), columns - 1)
        sheet.freeze_panes(1, frozen)
        sheet.fit_to_pages(pages, 0)


def write_workbook(folder: Path, target: Path, schemas: Path, manifest: dict[str, Any] | None = None) -> None:
    """Write the tables in `folder` (CSV files) as one workbook, byte for byte the same; `manifest` says what they are,
    else the file manifest.json beside them."""
    document = manifest or json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    components = {row["component"]: row for row in registry.components(schemas)}
    fields = registry.fields(schemas)
    cells = _cells(folder)
    made = _Book(target, str(document.get("created", "")))
    _read_me(made, document, (folder / "calibration.csv").is_file())
    _wide(made, "table", folder, components, cells)
    _wide(made, "status", folder, components, cells)
    _provenance(made, folder / "values.csv", fields["values"], cells)
    _gaps(made, folder / "gaps.csv", fields["gaps"], cells)
    _dictionary(made, fields, schemas, components)
    if (folder / "calibration.csv").is_file():
        _calibration(made, folder / "calibration.csv", fields.get("calibration", ()))
    made.book.close()


def _time(created: str) -> datetime:
    """The stamp of the accepted table in place of the clock; the first day that a zip file can name where there is
    none."""
    try:
        found = datetime.fromisoformat(created)
    except ValueError:
        return datetime(1980, 1, 1)
    return found.astimezone(UTC).replace(tzinfo=None) if found.tzinfo else found


def _rows(path: Path) -> Iterator[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        yield from csv.reader(stream)


def _cells(folder: Path) -> _Cells:
    """One pass over `values` and `gaps`: how each cell shows, and the rows (1-based, heading included) that tell it."""
    cells = _Cells()
    rows = _rows(folder / "gaps.csv")
    next(rows)
    for number, row in enumerate(rows, 2):
        cells.gaps[row[0], row[1]] = number
    rows = _rows(folder / "values.csv")
    heading = next(rows)
    value, low, high, status = (heading.index(c) for c in ("value", "low", "high", "status"))
    at = 1
    for row in rows:
        key = (row[0], row[1])
        cells.status[key] = row[status]
        cells.shown[key] = row[value] or (_range(row[low], row[high]) if row[low] or row[high] else "")
        if row[status] not in UNKNOWN:
            at += 1
            cells.provenance[key] = at
            cells.first.setdefault(row[0], at)
    return cells


def _range(low: str, high: str) -> str:
    return f"{low or '0'} to {high or 'unknown'}"


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
        else:
            made.text(sheet, row, 0, label)
        if look == "unknown":
            sheet.write_blank(row, 1, None, made.formats[look])
        elif look in ("", "weak"):
            made.number(sheet, row, 1, text, look)
        else:
            made.text(sheet, row, 1, text, look)


def _wide(made: _Book, name: str, folder: Path, components: dict[str, dict[str, str]], cells: _Cells) -> None:
    """The table with its twin column, or the statuses, each of which leads to the row that tells its cell."""
    numbers = name == "table"
    rows = _rows(folder / ("table.csv" if numbers else "table_status.csv"))
    heading = next(rows)
    tag_of = {wide_column(c): c for c in components.values()}
    columns = [*heading, *([TWIN] if numbers else [])]
    notes = [_warning(tag_of.get(column)) if numbers else "" for column in heading]
    notes += ["Components of this row that show a number or a range which is no evidence."] * numbers
    sheet = made.sheet(name, [28, 34, *[11 if numbers else 14] * (len(heading) - 2), *[40] * numbers], columns, notes)
    tags = [tag_of[c]["component"] if c in tag_of else "" for c in heading]
    last = 0
    for last, row in enumerate(rows, 1):
        ingredient = row[0]
        if ingredient in cells.first:
            _link(sheet, last, 0, f"provenance!A{cells.first[ingredient]}")
        made.text(sheet, last, 0, ingredient)
        made.text(sheet, last, 1, row[1])
        weak = []
        for at in range(2, len(heading)):
            key = (ingredient, tags[at])
            look = cells.look(key)
            if look == "weak":
                weak.append(tags[at])
            if numbers:
                made.amount(sheet, last, at, cells, key)
                continue
            if key in cells.provenance:
                _link(sheet, last, at, f"provenance!A{cells.provenance[key]}")
            elif key in cells.gaps:
                _link(sheet, last, at, f"gaps!A{cells.gaps[key]}")
            made.text(sheet, last, at, row[at], {"weak": "weak word", "unknown": "unknown"}.get(look, ""))
        if numbers:
            made.text(sheet, last, len(heading), " ".join(weak))
    made.finish(sheet, last, len(columns), 2, pages=5)
    sheet.repeat_columns(0, 1)


def _link(sheet: Any, row: int, at: int, place: str) -> None:
    """A link within the workbook; what is written to the cell next keeps it and gives the look."""
    sheet.write_url(row, at, f"internal:{place}")


def _warning(component: dict[str, str] | None) -> str:
    if not component:
        return ""
    parts = (f"{component['name']}, {component['unit']} per 100 g", component["usage_warning"], component["definition"])
    return ". ".join(x for x in parts if x)[:900]


def _provenance(made: _Book, path: Path, fields: tuple[registry.Field, ...], cells: _Cells) -> None:
    rows = _rows(path)
    heading = next(rows)
    known = {f.column: f for f in fields}
    places = {c: tuple(heading.index(p) for p in JOINED.get(c, (c,))) for c in PROVENANCE if c != "evidence"}
    notes = [
        " : ".join(known[p].description for p in JOINED.get(c, (c,))) if c != "evidence"
        else "no: a gap stands beside it, it cannot carry a recipe"
        for c in PROVENANCE
    ]  # fmt: skip
    widths = [WIDTHS.get(c, 22 if c in JOINED else 12) for c in PROVENANCE]
    sheet = made.sheet("provenance", widths, PROVENANCE, notes)
    numeric = {c for c in PROVENANCE if c in known and known[c].type in ("number", "integer")}
    status, last = heading.index("status"), 0
    for row in rows:
        if row[status] in UNKNOWN:
            continue
        last += 1
        key = (row[0], row[1])
        for at, column in enumerate(PROVENANCE):
            if column == "value":
                made.amount(sheet, last, at, cells, key)
            elif column == "evidence":
                weak = key in cells.gaps
                made.text(sheet, last, at, "no" if weak else "yes", "weak word" if weak else "")
            elif column in JOINED:
                made.text(sheet, last, at, _joined([row[p] for p in places[column]]))
            elif column in numeric:
                made.number(sheet, last, at, row[places[column][0]])
            elif (text := row[places[column][0]]) != "[]":
                made.text(sheet, last, at, text)
    made.finish(sheet, last, len(PROVENANCE), 2)


def _joined(parts: list[str]) -> str:
    return (":" if len(parts) == 3 or parts[-1].isdigit() else " ").join(filter(None, parts))


def _gaps(made: _Book, path: Path, fields: tuple[registry.Field, ...], cells: _Cells) -> None:
    rows = _rows(path)
    heading = next(rows)
    known = {f.column: f for f in fields}
    own = {
        "table shows": "What the table shows in this cell. It is no evidence.",
        "status": "Status of the cell in the table.",
    }
    columns = [c for c in GAPS if c in heading or c in own]
    notes = [own.get(c) or known[c].description for c in columns]
    sheet = made.sheet("gaps", [WIDTHS.get(c, 12) for c in columns], columns, notes)
    last = 0
    for last, row in enumerate(rows, 1):
        key = (row[0], row[1])
        for at, column in enumerate(columns):
            if column == "table shows":
                if key in cells.provenance:
                    _link(sheet, last, at, f"provenance!A{cells.provenance[key]}")
                made.amount(sheet, last, at, cells, key)
            elif column == "status":
                made.text(sheet, last, at, cells.status.get(key, ""), "weak word")
            elif known[column].type in ("number", "integer"):
                made.number(sheet, last, at, row[heading.index(column)])
            else:
                made.text(sheet, last, at, row[heading.index(column)])
    made.finish(sheet, last, len(columns), 2)


def _dictionary(
    made: _Book, fields: dict[str, tuple[registry.Field, ...]], schemas: Path, components: dict[str, dict[str, str]]
) -> None:
    columns = ("kind", "of", "name", "unit", "description", "usage warning")
    sheet = made.sheet("dictionary", (14, 24, 24, 10, 60, 60), columns)
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
    for number, row in enumerate(rows, 1):
        for at, text in enumerate(row):
            made.text(sheet, number, at, text, "wrapped" if at > 3 else "")
    made.finish(sheet, len(rows), len(columns), 0)


def _calibration(made: _Book, path: Path, fields: tuple[registry.Field, ...]) -> None:
    rows = _rows(path)
    heading = next(rows)
    known = {f.column: f for f in fields}
    notes = [known[c].description if c in known else "" for c in heading]
    sheet = made.sheet("calibration", [16] * len(heading), heading, notes)
    last = 0
    for last, row in enumerate(rows, 1):
        for at, (column, text) in enumerate(zip(heading, row, strict=True)):
            numeric = column in known and known[column].type in ("number", "integer")
            (made.number if numeric else made.text)(sheet, last, at, text)
    made.finish(sheet, last, len(heading), 1)
