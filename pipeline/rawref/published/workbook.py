"""table.xlsx: the published table as a spreadsheet; blanks stay blank, no formulas, stable bytes."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.published.export import wide_column

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

EPOCH = (1980, 1, 1, 0, 0, 0)
PROVENANCE = (
    "ingredient_id",
    "component",
    "value",
    "unit",
    "status",
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
"""Columns of the provenance sheet; cells without a value are on the gaps sheet."""
JOINED = {
    "source food": ("source", "food_id", "source_component"),
    "published": ("source_value", "source_unit"),
    "source line": ("file", "line"),
}
"""Columns of `values` that share a cell: fewer cells open faster, and nothing is lost."""
GAPS = ("ingredient_id", "component", "kind", "peers_n", "peers_median", "unit", "remedy")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_ILLEGAL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
ADVICE = (
    "A blank is unknown. It is never zero.",
    "A zero with status assumed_zero was measured by nobody; treat it as unknown.",
    "A value with status imputed was borrowed or estimated by its source.",
    "trace and below_detection have a range in the provenance sheet and no point value.",
    "Amounts are per 100 g edible portion, raw; additions per 100 g as supplied.",
    "The column NA is sodium. Not veterinary advice.",
)


def write_workbook(folder: Path, target: Path, schemas: Path) -> None:
    """Write the tables in `folder` (CSV files and manifest.json) as one workbook, byte for byte the same."""
    from openpyxl import Workbook
    from openpyxl.writer.excel import ExcelWriter

    document = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    book = Workbook(write_only=True)
    components = {row["component"]: row for row in registry.components(schemas)}
    _read_me(book, document)
    _wide(book, "table", folder, components, numbers=True)
    _wide(book, "status", folder, components, numbers=False)
    fields = registry.fields(schemas)
    _long(book, "provenance", folder / "values.csv", fields["values"], PROVENANCE, skip="missing")
    _long(book, "gaps", folder / "gaps.csv", fields["gaps"], GAPS)
    _dictionary(book, fields, schemas, components)
    book.properties.creator = "rawref"
    book.properties.title = "rawref"
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        ExcelWriter(book, archive).save()  # stored, as _steady compresses what is kept
    target.write_bytes(_steady(buffer.getvalue(), document.get("created", "1980-01-01T00:00:00Z")))


def _rows(path: Path) -> Iterator[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        yield from csv.reader(stream)


def _sheet(book: Workbook, name: str, widths: Iterable[int], frozen: str = "A2") -> Any:
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(name)
    sheet.freeze_panes = frozen
    for position, width in enumerate(widths, 1):
        sheet.column_dimensions[get_column_letter(position)].width = width
    return sheet


def _heading(sheet: Any, names: Iterable[str], notes: Iterable[str] = ()) -> list[Any]:
    """Bold cells, each with its note as a comment where it has one."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.comments import Comment
    from openpyxl.styles import Font

    bold = Font(bold=True)
    cells = []
    for name, note in zip(names, [*notes, *[""] * 200], strict=False):
        cell = WriteOnlyCell(sheet, value=name)
        cell.font = bold
        if note:
            cell.comment = Comment(note, "rawref", height=120, width=320)
        cells.append(cell)
    return cells


def _text(sheet: Any, text: str) -> Any:
    """A text that no spreadsheet takes for a formula; None for a blank."""
    if not text:
        return None
    text = _ILLEGAL.sub("\ufffd", text)[:32767]
    if not text.startswith(_FORMULA):
        return text
    from openpyxl.cell import WriteOnlyCell

    cell = WriteOnlyCell(sheet, value=text)
    cell.data_type = "s"
    cell.quotePrefix = True  # it stays a text when somebody edits the cell
    return cell


def _number(sheet: Any, text: str) -> Any:
    """The number; a text where it is none, as a blank would say less than the file does."""
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        return _text(sheet, text)
    if value != value or value in (float("inf"), float("-inf")):
        return _text(sheet, text)
    return int(value) if value.is_integer() and abs(value) < 1e15 else value


def _read_me(book: Workbook, document: dict[str, Any]) -> None:
    sheet = _sheet(book, "read-me", (22, 110), "A1")
    sheet.append(_heading(sheet, ("rawref",)))
    rows = document.get("rows", {})
    sheet.append(["version", _text(sheet, str(document.get("version", "not accepted yet")))])
    sheet.append(["created", _text(sheet, str(document.get("created", "")))])
    sheet.append(
        [
            "holds",
            f"{rows.get('ingredients', 0)} ingredients, {rows.get('values', 0)} cells, {rows.get('gaps', 0)} gaps",
        ]
    )
    sheet.append([])
    for line in ADVICE:
        sheet.append(["how to read it", line])
    sheet.append([])
    for name, what in (
        ("table", "one row per ingredient, one column per component"),
        ("status", "origin of each number"),
        ("provenance", "every cell with a value or range, down to the line of the source"),
        ("gaps", "every cell without evidence, and what would fill it"),
        ("dictionary", "every column and component, with its usage warning"),
    ):
        sheet.append([name, what])
    sheet.append([])
    for source in document.get("sources", []):
        if source.get("present"):
            sheet.append(
                [
                    "source",
                    _text(
                        sheet,
                        f"{source['id']} {source.get('release', '')}: {source['attribution']}"
                        f" Licence: {source['licence']}",
                    ),
                ]
            )


def _wide(book: Workbook, name: str, folder: Path, components: dict[str, dict[str, str]], *, numbers: bool) -> None:
    file = "table" if numbers else "table_status"
    rows = _rows(folder / f"{file}.csv")
    heading = next(rows)
    tag_of = {wide_column(c): c for c in components.values()}
    notes = []
    for column in heading:
        component = tag_of.get(column)
        notes.append(
            ". ".join(
                x
                for x in (
                    component["name"] + ", " + component["unit"] + " per 100 g",
                    component["usage_warning"],
                    component["definition"],
                )
                if x
            )[:900]
            if component and numbers
            else ""
        )
    sheet = _sheet(book, name, [28, 34, *[11 if numbers else 14] * (len(heading) - 2)], "C2")
    sheet.append(_heading(sheet, heading, notes))
    make = _number if numbers else _text
    for row in rows:
        sheet.append([*(_text(sheet, t) for t in row[:2]), *(make(sheet, t) for t in row[2:])])


def _long(
    book: Workbook, name: str, path: Path, fields: tuple[registry.Field, ...], wanted: tuple[str, ...], skip: str = ""
) -> None:
    rows = _rows(path)
    heading = next(rows)
    known = {f.column: f for f in fields}
    makers: list[tuple[tuple[int, ...], str]] = []
    notes = []
    for column in wanted:
        parts = JOINED.get(column, (column,))
        makers.append((tuple(heading.index(p) for p in parts), "joined" if column in JOINED else known[column].type))
        notes.append(" : ".join(known[p].description for p in parts))
    widths = [28 if c == "ingredient_id" else 60 if c == "remedy" else 22 if c in JOINED else 12 for c in wanted]
    sheet = _sheet(book, name, widths)
    sheet.append(_heading(sheet, wanted, notes))
    status = heading.index("status") if skip else -1
    for row in rows:
        if not skip or row[status] != skip:
            sheet.append([_made(sheet, kind, row, places) for places, kind in makers])


def _made(sheet: Any, kind: str, row: list[str], places: tuple[int, ...]) -> Any:
    if kind == "joined":
        return _text(
            sheet,
            (":" if len(places) == 3 or row[places[-1]].isdigit() else " ").join(
                filter(None, (row[p] for p in places))
            ),
        )
    text = row[places[0]]
    if kind in ("number", "integer"):
        return _number(sheet, text)
    return None if text == "[]" else _text(sheet, text)


def _dictionary(
    book: Workbook, fields: dict[str, tuple[registry.Field, ...]], schemas: Path, components: dict[str, dict[str, str]]
) -> None:
    sheet = _sheet(book, "dictionary", (14, 24, 24, 10, 60, 60))
    sheet.append(_heading(sheet, ("kind", "of", "name", "unit", "description", "usage warning")))
    for row in components.values():
        sheet.append(
            [
                _text(sheet, x)
                for x in (
                    "component",
                    row["group"],
                    row["component"],
                    row["unit"],
                    ". ".join(x for x in (row["name"], row["definition"]) if x),
                    row["usage_warning"],
                )
            ]
        )
    for table in registry.PUBLISHED:
        for f in fields[table]:
            sheet.append([_text(sheet, x) for x in ("column", table, f.column, f.unit, f.description, "")])
    for vocabulary in ("status", "gap_kind", "confidence", "match_quality", "spread_basis"):
        for code, definition in registry.vocabularies(schemas).get(vocabulary, {}).items():
            sheet.append([_text(sheet, x) for x in ("word", vocabulary, code, "", definition, "")])
    with (schemas / "cautions.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            sheet.append([_text(sheet, x) for x in ("caution", "cautions", row["code"], "", row["text"], "")])


def _steady(body: bytes, created: str) -> bytes:
    """The same archive with entries in name order, fixed times, and the stamps of the table in place of the clock."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(body)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as new,
    ):
        for name in sorted(old.namelist()):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms)",
                    lambda m: m[1] + created.encode() + m[3],
                    content,
                )
            info = zipfile.ZipInfo(name, EPOCH)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o600 << 16
            new.writestr(info, content)
    return out.getvalue()
