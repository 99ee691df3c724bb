"""The spreadsheet: same content, same bytes, no formulas, blanks blank."""

from __future__ import annotations

import io
import re
import time
import zipfile
from pathlib import Path

import openpyxl
import pytest
from rawref.published.export import wide_column
from rawref.published.workbook import write_workbook
from rawref.registry import components
from rawref.workspace import Workspace

from tests import spoil

SHEETS = ["read-me", "table", "status", "provenance", "gaps", "dictionary"]


@pytest.fixture(scope="module")
def folder(built_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A published folder of twenty ingredients, with texts that a spreadsheet could take for formulas."""
    folder = spoil.copy(built_workspace.built, tmp_path_factory.mktemp("book") / "curated")
    kept = {r["ingredient_id"] for r in spoil.read(folder, "ingredients")[:20]}
    for table in ("values", "gaps", "table", "table_status"):
        rows = [r for r in spoil.read(folder, table) if r["ingredient_id"] in kept]
        if table == "table":
            for row, name in zip(rows, ("=1+1", "+A1", "-2+3", "@SUM(A1)", "\tx", "=HYPERLINK(A1)"), strict=False):
                row["name"] = name
        spoil.write(folder, table, rows)
    return folder


@pytest.fixture(scope="module")
def book(folder: Path, built_workspace: Workspace) -> openpyxl.Workbook:
    target = folder / "table.xlsx"
    write_workbook(folder, target, built_workspace.schemas)
    return openpyxl.load_workbook(target)


def test_sheets_have_frozen_headings_and_widths(book: openpyxl.Workbook) -> None:
    assert book.sheetnames == SHEETS
    for name in SHEETS[1:]:
        assert book[name].freeze_panes in ("A2", "C2")
        assert (book[name].column_dimensions["A"].width or 0) > 10


def test_table_sheet_is_the_csv_blank_for_blank(book: openpyxl.Workbook, folder: Path) -> None:
    rows = spoil.read(folder, "table")
    sheet = list(book["table"].iter_rows(values_only=True))
    assert list(sheet[0]) == list(rows[0])
    for made, row in zip(sheet[1:], rows, strict=True):
        for cell, text in zip(made[2:], list(row.values())[2:], strict=True):
            assert (cell is None) == (text == "")
            assert cell is None or float(cell) == float(text)


def test_no_cell_is_a_formula(book: openpyxl.Workbook, folder: Path) -> None:
    for name in SHEETS:
        assert not [c.coordinate for row in book[name].iter_rows() for c in row if c.data_type == "f"]
    names = [book["table"].cell(i, 2) for i in range(2, 8)]
    assert [c.value for c in names][:4] == ["=1+1", "+A1", "-2+3", "@SUM(A1)"]
    assert all(c.data_type == "s" and c.quotePrefix for c in names)
    with zipfile.ZipFile(folder / "table.xlsx") as archive:
        for part in archive.namelist():
            if part.startswith("xl/worksheets/sheet"):
                assert b"<f>" not in archive.read(part) and b"<f " not in archive.read(part)


def test_headings_carry_the_usage_warnings(book: openpyxl.Workbook, built_workspace: Workspace) -> None:
    headings = {c.value: c for c in book["table"][1]}
    warned = [c for c in components(built_workspace.schemas) if c["needed"] == "yes" and c["usage_warning"]]
    assert warned
    for component in warned:
        assert component["usage_warning"][:60] in headings[wide_column(component)].comment.text
    words = [r[2] for r in book["dictionary"].iter_rows(min_row=2, values_only=True)]
    assert "NA" in words and "assumed_zero" in words


def test_provenance_leads_to_the_line(book: openpyxl.Workbook, folder: Path) -> None:
    rows = [r for r in spoil.read(folder, "values") if r["status"] != "missing"]
    sheet = list(book["provenance"].iter_rows(values_only=True))
    assert len(sheet) == len(rows) + 1
    at = {name: i for i, name in enumerate(sheet[0])}
    row, made = rows[0], sheet[1]
    assert made[at["source food"]] == f"{row['source']}:{row['food_id']}:{row['source_component']}"
    assert made[at["source line"]] == f"{row['file']}:{row['line']}"
    assert made[at["published"]] == f"{row['source_value']} {row['source_unit']}"


def test_the_same_bytes_whenever_it_is_written(
    folder: Path, built_workspace: Workspace, book: openpyxl.Workbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = (folder / "table.xlsx").read_bytes()
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + 90_000)
    write_workbook(folder, folder / "again.xlsx", built_workspace.schemas)
    assert (folder / "again.xlsx").read_bytes() == first
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {i.date_time for i in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        stamps = re.findall(rb"<dcterms:\w+[^>]*>([^<]*)", archive.read("docProps/core.xml"))
    assert set(stamps) == {b"1980-01-01T00:00:00Z"}


def test_full_size_is_within_budget(built_workspace: Workspace, tmp_path: Path) -> None:
    """Size is asserted; the time (budget 4 s) is that of a benchmark, as machines differ."""
    write_workbook(built_workspace.built, tmp_path / "table.xlsx", built_workspace.schemas)
    assert (tmp_path / "table.xlsx").stat().st_size < 3_000_000
