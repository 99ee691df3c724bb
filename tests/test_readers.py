"""The readers of FoodData Central, Ciqual and MEXT: counts as measured, a second reading, and what stops them."""

from __future__ import annotations

import csv
import gzip
import io
import random
import re
import shutil
import tomllib
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import duckdb
import pytest
from rawref.database import connect
from rawref.errors import InputError
from rawref.sources import COMMON_TABLES, Release, anses_ciqual, mext, usda_fdc
from rawref.sources.layouts import token_case

LAYOUTS = Path(__file__).resolve().parent.parent / "schemas" / "layouts"
SAMPLE = 1_000


def read(module: ModuleType, files: list[Path], layouts: Path = LAYOUTS) -> duckdb.DuckDBPyConnection:
    """An in-memory archival stage with one release."""
    con = connect()
    con.execute("create schema archival")
    con.execute(
        "create table archival.files(source text, release text, file text, sha256 text, bytes bigint, records bigint)"
    )
    release = Release(module.ID, module.identify(files[0], layouts), "", "", "", "declared", tuple(files), False)
    try:
        selects = module.load(con, release, layouts)
    except BaseException:
        con.close()
        raise
    for name, columns in COMMON_TABLES.items():
        none = ", ".join(f'null::text as "{column}"' for column in columns.split())
        union = f"select {none} where false" + (f" union all by name ({selects[name]})" if name in selects else "")
        con.execute(f'create view archival."{name}" as {union}')
        found = [row[0] for row in con.execute(f'describe archival."{name}"').fetchall()]
        assert found == columns.split(), name
    return con


def sample(con: duckdb.DuckDBPyConnection, columns: str) -> list[tuple[Any, ...]]:
    rows = con.execute(f'select {columns} from archival."values" order by food_id, source_component').fetchall()
    return random.Random(20260101).sample(rows, SAMPLE)


def pinned(release: str) -> list[Path]:
    """The files of a release that the repository keeps."""
    return sorted((LAYOUTS.parents[1] / "raw" / release).iterdir())


def count(con: duckdb.DuckDBPyConnection, query: str) -> int:
    return int(con.execute(query).fetchall()[0][0])


@pytest.fixture(scope="module")
def fdc_zip() -> Path:
    return pinned("usda-fdc/2025-04-24")[0]


@pytest.fixture(scope="module")
def ciqual_xls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The workbook as published."""
    (packed,) = pinned("anses-ciqual/2020")
    path = tmp_path_factory.mktemp("ciqual") / packed.name.removesuffix(".gz")
    path.write_bytes(gzip.decompress(packed.read_bytes()))
    return path


@pytest.fixture(scope="module")
def mext_files() -> list[Path]:
    return pinned("mext/2020")


@pytest.fixture(scope="module")
def fdc(fdc_zip: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with read(usda_fdc, [fdc_zip]) as con:
        yield con


@pytest.fixture(scope="module")
def ciqual(ciqual_xls: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with read(anses_ciqual, [ciqual_xls]) as con:
        yield con


@pytest.fixture(scope="module")
def japan(mext_files: list[Path]) -> Iterator[duckdb.DuckDBPyConnection]:
    with read(mext, mext_files) as con:
        yield con


# ---- FoodData Central, Foundation Foods 2024-10-31 (counts: the publisher's archive, measured)


def fdc_tables(archive: Path) -> dict[str, list[tuple[int, dict[str, str]]]]:
    """Second reading: every record with its first line, by the csv module."""
    tables = {}
    with zipfile.ZipFile(archive) as bundle:
        for name in bundle.namelist():
            if name.endswith(".csv"):
                reader = csv.reader(io.TextIOWrapper(bundle.open(name), encoding="utf-8", newline=""))
                heading = next(reader)
                rows, start = [], reader.line_num + 1
                for row in reader:
                    rows.append((start, dict(zip(heading, row, strict=True))))
                    start = reader.line_num + 1
                tables[name.split("/")[-1]] = rows
    return tables


def test_fdc_counts_are_those_of_the_archive(fdc: duckdb.DuckDBPyConnection) -> None:
    assert count(fdc, "select count(*) from archival.foods") == 340
    assert count(fdc, "select count(*) from archival.components") == 477
    assert count(fdc, "select count(*) from archival.fdc_food_nutrient") == 155_243
    without_amount = count(fdc, "select count(*) from archival.set_aside where reason like 'no amount%'")
    assert without_amount == 27
    assert count(fdc, 'select count(*) from archival."values"') + without_amount == 15_016
    assert fdc.execute("select derivation, count(*) from archival.values group by 1 order by 1").fetchall() == [
        ("", 379), ("1", 11_986), ("4", 1_239), ("49", 1_385)]
    assert dict(fdc.execute("select file, records from archival.files").fetchall()) == {
        "food.csv": 74_175, "foundation_food.csv": 340, "food_nutrient.csv": 155_243, "nutrient.csv": 477,
        "food_category.csv": 28, "food_portion.csv": 10_678, "food_component.csv": 3_066,
        "food_nutrient_conversion_factor.csv": 11_476, "food_protein_conversion_factor.csv": 341,
        "food_calorie_conversion_factor.csv": 365, "food_attribute.csv": 7_178, "food_attribute_type.csv": 5,
        "food_update_log_entry.csv": 74_175, "input_food.csv": 5_676, "sample_food.csv": 3_717,
        "sub_sample_food.csv": 62_022, "sub_sample_result.csv": 121_234, "market_acquisition.csv": 7_215,
        "acquisition_samples.csv": 7_999, "agricultural_samples.csv": 810, "lab_method.csv": 284,
        "lab_method_code.csv": 193, "lab_method_nutrient.csv": 568, "measure_unit.csv": 122}


def test_fdc_rows_are_kept_or_set_aside(fdc: duckdb.DuckDBPyConnection) -> None:
    for table, file, kept in (("foods", "food.csv", 340), ("values", "food_nutrient.csv", 14_989)):
        masses = fdc.execute(
            "select sum(if(line is null, regexp_extract(content, '^\\d+')::int, 1)) from archival.set_aside"
            " where file = ?", [file]).fetchall()[0][0]
        assert count(fdc, f'select count(*) from archival."{table}"') == kept
        assert kept + masses == count(fdc, f"select records from archival.files where file = '{file}'")
    assert ("not a current food: superseded version", "71 records, kept in archival.fdc_food") in fdc.execute(
        "select reason, content from archival.set_aside").fetchall()


def test_fdc_second_reading_gives_the_same_text_unit_and_line(fdc: duckdb.DuckDBPyConnection, fdc_zip: Path) -> None:
    tables = fdc_tables(fdc_zip)
    values = {(row["fdc_id"], row["nutrient_id"]): (line, row) for line, row in tables["food_nutrient.csv"]}
    units = {row["id"]: row["unit_name"] for _, row in tables["nutrient.csv"]}
    for food, component, *found in sample(
        fdc, "food_id, source_component, text, unit, line, n, min, max, derivation, date, file"
    ):
        line, row = values[food, component]
        assert found == [
            row["amount"], units[component], str(line), row["data_points"] or None, row["min"] or None,
            row["max"] or None, row["derivation_id"], row["min_year_acquired"] or None, "food_nutrient.csv"]
    foods = {row["fdc_id"]: (line, row) for line, row in tables["food.csv"]}
    for food, name, line in fdc.execute("select food_id, name, line from archival.foods").fetchall():
        assert (name, line) == (foods[food][1]["description"], str(foods[food][0]))
    shifted = next(line for line, row in tables["food.csv"] if row["fdc_id"] == "321829")
    assert fdc.execute("select line from archival.fdc_food where fdc_id = '321829'").fetchall() == [(shifted,)]
    after = tables["food.csv"][-1]
    assert fdc.execute("select max(line) from archival.fdc_food").fetchall() == [(after[0],)]
    assert after[0] == 74_175 + 2  # the heading, and one description that ends with a line break


# ---- tiny archives, for what the real one does not show


def tiny_fdc(target: Path, *, date: str = "2031-05-01", folder: str = "", **tables: list[dict[str, str]]) -> Path:
    """An archive with every file of the layout; `tables` gives rows by file stem."""
    rows = {
        "food": [{"fdc_id": "1", "data_type": "foundation_food", "description": "Beef, raw", "food_category_id": "13"},
                 {"fdc_id": "2", "data_type": "foundation_food", "description": "Beef\n", "food_category_id": "13"},
                 {"fdc_id": "3", "data_type": "sample_food", "description": "Beef, sample"}],
        "foundation_food": [{"fdc_id": "1", "NDB_number": "23000"}],
        "food_category": [{"id": "13", "code": "1300", "description": "Beef Products"}],
        "nutrient": [{"id": "1101", "name": "Manganese, Mn", "unit_name": "MG"}],
        "food_nutrient": [{"id": "9", "fdc_id": "1", "nutrient_id": "1101", "amount": "0.01", "derivation_id": "1"}],
    } | tables
    document = tomllib.loads((LAYOUTS / "usda-fdc.toml").read_text(encoding="utf-8"))
    path = target / f"FoodData_Central_foundation_food_csv_{date}.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
        for file in document["file"]:
            stem = file["name"].removesuffix(".csv")
            columns = list(dict.fromkeys([*file["columns"], *(k for row in rows.get(stem, []) for k in row)]))
            text = io.StringIO()
            writer = csv.DictWriter(text, columns, restval="", quoting=csv.QUOTE_ALL, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows.get(stem, []))
            bundle.writestr(f"{folder or path.stem}/{file['name']}", text.getvalue())
    return path


def test_fdc_release_is_read_from_the_folder_and_need_not_be_declared(tmp_path: Path) -> None:
    path = tiny_fdc(tmp_path)
    assert usda_fdc.identify(path, LAYOUTS) == "2031-05-01"
    with read(usda_fdc, [path]) as con:
        assert con.execute("select food_id, group_code, line from archival.foods").fetchall() == [("1", "1300", "2")]
        assert con.execute("select text, unit, derivation from archival.values").fetchall() == [("0.01", "MG", "1")]
        assert con.execute("select line from archival.fdc_food order by 1").fetchall() == [(2,), (3,), (5,)]


def test_fdc_unknown_codes_are_all_listed_with_their_line(tmp_path: Path) -> None:
    value = {"id": "9", "fdc_id": "1", "nutrient_id": "1101", "amount": "0.01", "derivation_id": "1"}
    path = tiny_fdc(
        tmp_path, food_nutrient=[value | {"derivation_id": "77"}, value | {"id": "10", "amount": "<1"},
                                 value | {"id": "11", "nutrient_id": "4711"}])
    with pytest.raises(InputError) as caught:
        read(usda_fdc, [path])
    for expected in ("food_nutrient.csv:2 derivation id '77'", "food_nutrient.csv:3 amount '<1'",
                     "food_nutrient.csv:4 nutrient id '4711'", "usda-fdc.toml"):
        assert expected in caught.value.line()


def test_fdc_unknown_heading_and_other_archives_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nutrient\.csv:1 heading 'colour' is not known"):
        usda_fdc.identify(tiny_fdc(tmp_path, nutrient=[{"id": "1", "colour": "red"}]), LAYOUTS)
    with pytest.raises(InputError, match="does not name a release"):
        usda_fdc.identify(tiny_fdc(tmp_path, folder="elsewhere"), LAYOUTS)
    with pytest.raises(InputError, match="leaves the folder"):
        usda_fdc.identify(tiny_fdc(tmp_path, folder="../elsewhere"), LAYOUTS)


def test_fdc_empty_amount_is_set_aside_not_zero(tmp_path: Path) -> None:
    value = {"id": "9", "fdc_id": "1", "nutrient_id": "1101", "amount": "", "derivation_id": "1"}
    with read(usda_fdc, [tiny_fdc(tmp_path, food_nutrient=[value])]) as con:
        assert con.execute("select * from archival.values").fetchall() == []
        assert ("2", "no amount", "1/1101") in con.execute(
            "select line, reason, content from archival.set_aside").fetchall()


@pytest.mark.parametrize("module", [usda_fdc, anses_ciqual, mext])
def test_a_notice_in_place_of_the_file_is_named_as_such(module: ModuleType, tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("<!DOCTYPE html><html><body>Moved</body></html>", encoding="utf-8")
    with pytest.raises(InputError, match="a web page, not the file"):
        module.identify(path, LAYOUTS)
    path.write_bytes(b"\x00\x01\x02\x03")
    with pytest.raises(InputError, match="it begins with 00 01 02 03"):
        module.identify(path, LAYOUTS)


# ---- Ciqual 2020


def test_ciqual_counts_are_those_of_the_sheet(ciqual: duckdb.DuckDBPyConnection) -> None:
    assert count(ciqual, "select count(*) from archival.ciqual_food") == 3_186
    assert count(ciqual, "select count(*) from archival.foods") == 3_185
    assert count(ciqual, "select count(*) from archival.components") == 67
    assert count(ciqual, "select count(*) from archival.ciqual_cell") == 213_462
    kept = count(ciqual, "select count(*) from archival.values")
    assert kept == 3_185 * 67
    assert kept + count(ciqual, "select count(*) from archival.set_aside where reason like 'empty cell%'") == 213_462
    tokens = tomllib.loads((LAYOUTS / "anses-ciqual.toml").read_text(encoding="utf-8"))["release"]["2020"]["token"]
    assert dict(ciqual.execute(
        f"select {token_case(tokens, 'text')}, count(*) from archival.ciqual_cell group by 1").fetchall()) == {
        "number": 107_266, "0": 22_410, "< x": 16_630, "traces": 1_904, "-": 63_688, "": 1_564}


def test_ciqual_code_on_two_rows_is_one_food_and_loses_no_figure(ciqual: duckdb.DuckDBPyConnection) -> None:
    lines = dict(ciqual.execute(
        "select line, text from archival.values where food_id = '9621' and text <> '' order by line").fetchall())
    assert lines["compo!J3148"] == "1160"
    assert lines["compo!M3122"] == "279"
    assert {re.sub(r"\D", "", line) for line in lines} == {"3122", "3148"}
    assert count(ciqual, "select count(*) from archival.set_aside where content like '9621 %'") == 1


def test_ciqual_second_reading_gives_the_same_text_unit_and_cell(
    ciqual: duckdb.DuckDBPyConnection, ciqual_xls: Path
) -> None:
    import xlrd
    from openpyxl.utils.cell import column_index_from_string, coordinate_from_string

    sheet = xlrd.open_workbook(ciqual_xls).sheet_by_name("compo")
    for food, component, text, unit, line, file in sample(
        ciqual, "food_id, source_component, text, unit, line, file"
    ):
        name, _, cell = line.partition("!")
        letters, row = coordinate_from_string(cell)
        column = column_index_from_string(letters) - 1
        assert (name, file) == ("compo", ciqual_xls.name)
        assert sheet.cell_value(row - 1, column) == text
        assert sheet.cell_value(0, column) == component
        assert component.endswith(f" ({unit}/100g)")
        assert int(sheet.cell_value(row - 1, 6)) == int(food)


def test_ciqual_group_is_the_most_specific_one(ciqual: duckdb.DuckDBPyConnection) -> None:
    # The raw animal foods of the dossier: sub-groups 0402 0406 0408, sub-sub-group 041002; 299 with its exceptions.
    raw = "select count(*) from archival.foods where regexp_matches(group_code, '^(0402|0406|0408|041002)')"
    assert count(ciqual, raw) == 300
    assert ciqual.execute(
        "select distinct group_name from archival.foods where group_code in ('040201', '0406') order by 1"
    ).fetchall() == [("fish, raw",), ("raw meat / beef and veal",)]


def edited_layouts(target: Path, file: str, old: str, new: str) -> Path:
    """A copy of the layouts in which one text is replaced, as if the publisher had changed the file."""
    folder = target / "layouts"
    shutil.copytree(LAYOUTS, folder)
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


def test_ciqual_unknown_heading_marker_and_edition_stop_the_reader(ciqual_xls: Path, tmp_path: Path) -> None:
    changes = {
        "heading": ("anses-ciqual.csv", "Manganese (mg/100g)", "Mangan (mg/100g)", "compo!BE1 heading 'Manganese"),
        "marker": ("anses-ciqual.toml", "pattern = 'traces'", "pattern = 'Spuren'", "marker 'traces' (1904 cells)"),
        "edition": ("anses-ciqual.toml", "records = 3186", "records = 3185", "3186 rows where edition 2020 has 3185"),
    }
    for name, (file, old, new, expected) in changes.items():
        with pytest.raises(InputError) as caught:
            read(anses_ciqual, [ciqual_xls], edited_layouts(tmp_path / name, file, old, new))
        assert expected in caught.value.line()
        assert ciqual_xls.name in caught.value.where


# ---- MEXT 2020


def test_mext_counts_are_those_of_the_workbooks(japan: duckdb.DuckDBPyConnection) -> None:
    assert count(japan, "select count(*) from archival.foods") == 2_478
    assert count(japan, "select count(*) from archival.components") == 54 + 58
    assert count(japan, "select count(*) from archival.mext_main_cell") == 141_246
    assert count(japan, "select count(*) from archival.mext_fatty_acids_cell") == 1_919 * 58
    by_group = [row[0] for row in japan.execute(
        "select count(*) from archival.foods group by group_code order by group_code").fetchall()]
    assert by_group == [205, 70, 30, 108, 46, 401, 183, 55, 57, 453, 310, 23, 59, 34, 185, 61, 148, 50]
    tokens = tomllib.loads((LAYOUTS / "mext.toml").read_text(encoding="utf-8"))["release"]["2020"]["token"]
    counts = {
        file[-8:-5]: Counter(dict(rows)) for file in {f for f, in japan.execute(
            "select file from archival.values group by 1").fetchall()}
        for rows in [japan.execute(
            f"select {token_case(tokens, 'text')}, count(*) from archival.values where file = ? group by 1", [file]
        ).fetchall()]
    }
    main, fatty = counts["012"], counts["032"]
    # The dossier counts the 45 negative number cells among the numbers.
    assert main["number"] + main["0"] + main["-x"] == 88_410
    assert main["-x"] == 45
    assert (main["Tr"], main["(0)"] + main["(x)"], main["(Tr)"], main["-"], main["x†"], main["*"]) == (
        3_059, 23_055, 829, 18_453, 3, 3)
    assert (fatty["number"] + fatty["0"], fatty["Tr"], fatty["(0)"] + fatty["(x)"], fatty["(Tr)"], fatty["-"]) == (
        55_537, 1_906, 24_953, 1_690, 27_216)
    asterisks = [content for content, in japan.execute(
        "select content from archival.set_aside where reason like 'column %marker%' order by reason").fetchall()]
    assert [re.findall(r"(\d+) asterisks", content)[0] for content in asterisks] == ["807", "1670"]


def test_mext_units_are_per_component_and_tags_are_unique(japan: duckdb.DuckDBPyConnection) -> None:
    units = dict(japan.execute("select source_component, unit from archival.components").fetchall())
    assert {tag: units[tag] for tag in (
        "REFUSE", "ENERC", "ENERC_KCAL", "WATER", "CHOLE", "NA", "ID", "VITD", "TOCPHA", "VITK", "THIA", "BIOT", "ALC",
        "FACID", "FASAT", "F18D2N6", "F22D6N3", "FA:WATER")} == {
        "REFUSE": "%", "ENERC": "kJ", "ENERC_KCAL": "kcal", "WATER": "g", "CHOLE": "mg", "NA": "mg", "ID": "μg",
        "VITD": "μg", "TOCPHA": "mg", "VITK": "μg", "THIA": "mg", "BIOT": "μg", "ALC": "g", "FACID": "g", "FASAT": "g",
        "F18D2N6": "mg", "F22D6N3": "mg", "FA:WATER": "g"}
    assert len(units) == 112
    assert japan.execute("select tagname from archival.components where source_component = 'VITK'").fetchall() == [
        ("VITK ",)]


def test_mext_refuse_and_remarks_are_kept(japan: duckdb.DuckDBPyConnection) -> None:
    assert japan.execute(
        "select refuse_pct, refuse_note, line from archival.foods where food_id = '10003'").fetchall() == [
        ("55", "頭部、内臓、骨、ひれ等（三枚下ろし）", "10 魚介類!B14")]
    assert japan.execute(
        "select kind, line from archival.footnotes where food_id = '10003' order by line").fetchall()[0] == (
        "D", "10 魚介類!BJ14")
    assert count(japan, "select count(*) from archival.set_aside where reason like 'sheet repeats%'") == 17


def xlsx_cells(path: Path) -> dict[str, str]:
    """Second reading: the text of every cell by sheet!cell, straight from the XML of the workbook."""
    space = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    cells = {}
    with zipfile.ZipFile(path) as bundle:
        shared = [
            "".join(text.text or "" for run in item.iter() if run.tag in (f"{space}si", f"{space}r")
                    for text in run.findall(f"{space}t"))
            for item in ElementTree.fromstring(bundle.read("xl/sharedStrings.xml"))
        ]
        book = ElementTree.fromstring(bundle.read("xl/workbook.xml"))
        links = {link.get("Id"): link.get("Target") for link in ElementTree.fromstring(
            bundle.read("xl/_rels/workbook.xml.rels"))}
        for sheet in book.iter(f"{space}sheet"):
            target = links[sheet.get("{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id")]
            for cell in ElementTree.fromstring(bundle.read(f"xl/{target}")).iter(f"{space}c"):
                value = cell.find(f"{space}v")
                if value is not None and value.text is not None:
                    text = shared[int(value.text)] if cell.get("t") == "s" else value.text
                    if cell.get("t") in (None, "n"):
                        text = repr(float(text)).removesuffix(".0")
                    cells[f"{sheet.get('name')}!{cell.get('r')}"] = text
    return cells


def test_mext_second_reading_gives_the_same_text_tag_and_cell(
    japan: duckdb.DuckDBPyConnection, mext_files: list[Path]
) -> None:
    cells = {path.name: xlsx_cells(path) for path in mext_files}
    tag_rows = {"012": 11, "032": 4}
    for food, component, text, line, file in sample(japan, "food_id, source_component, text, line, file"):
        sheet, _, cell = line.partition("!")
        letters, row = re.fullmatch(r"([A-Z]+)(\d+)", cell).groups()  # type: ignore[union-attr]
        assert cells[file][line] == text
        assert cells[file][f"{sheet}!B{row}"] == food
        tag = cells[file][f"{sheet}!{letters}{tag_rows[file[-8:-5]]}"]
        assert tag.strip() == component.removeprefix("FA:")


def test_mext_unknown_tag_unit_and_marker_stop_the_reader(mext_files: list[Path], tmp_path: Path) -> None:
    main = mext_files[0]
    changes = {
        "tag": ("mext.csv", "マンガン,MN,mg", "マンガン,MANGAN,mg", "!AF11 tag 'MN', expected 'MANGAN'"),
        "unit": ("mext.csv", "ヨウ素,ID,μg", "ヨウ素,ID,mg", "!AH10 unit 'μg', expected 'mg'"),
        "marker": ("mext.toml", "pattern = 'Tr'", "pattern = 'tr'", "marker 'Tr' (3059 cells)"),
        "records": ("mext.toml", "records = 2478", "records = 2477", "2478 foods where edition 2020 has 2477"),
    }
    for name, (file, old, new, expected) in changes.items():
        with pytest.raises(InputError) as caught:
            read(mext, [main], edited_layouts(tmp_path / name, file, old, new))
        assert expected in caught.value.line()
        assert main.name in caught.value.where


def test_mext_main_table_alone_is_read_and_the_fatty_acid_table_alone_is_not(mext_files: list[Path]) -> None:
    with read(mext, mext_files[:1]) as con:
        assert count(con, "select count(*) from archival.values") == 2_478 * 54
    with pytest.raises(InputError, match="the main table is missing"):
        read(mext, mext_files[1:])
