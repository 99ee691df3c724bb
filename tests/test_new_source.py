"""A source added by the steps of DEVELOPERS.md ("Add a source") in a scratch root: data rows and a reader, no more.

The table is invented, and so is every figure of it. What a marker means is the FAO/INFOODS Guidelines for Checking Food
Composition Data prior to Publication (2012): a trace and a less-than have no point value, a best estimate is imputed.
"""

from __future__ import annotations

import csv
import hashlib
import sys
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
import rawref.sources
from rawref.database import connect
from rawref.errors import InputError
from rawref.lookup.find import find
from rawref.release.build import build
from rawref.workspace import Workspace

from tests.rebuild import small_root

READER = '''
"""Reader of an invented table: one CSV file, a row per figure."""

import csv, io

from rawref.sources.layouts import layout, record_file, refuse, release_key
from rawref.sources import sha256

FILES = 1


def identify(path, layouts):
    return "1"


def load(con, release, layouts):
    path = release.files[0]
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    headings = layout(layouts, "invented")["columns"]
    refuse([f"heading {h!r} is not known" for h in rows[0] if h not in headings], path.name, "invented.toml")
    con.execute("create table archival.invented(" + ", ".join(f"{h} text" for h in headings) + ", line text)")
    con.executemany("insert into archival.invented values (" + ", ".join("?" * (len(headings) + 1)) + ")",
                    [[*row, str(line)] for line, row in enumerate(rows[1:], start=2)])
    record_file(con, "invented", release.release, path.name, sha256(path), path.stat().st_size, len(rows) - 1)
    key, place = release_key("invented", release.release), f"'{path.name}' as file"
    return {
        "foods": f"select {key}, food as food_id, any_value(name) as name, any_value(grp) as group_code,"
                 f" any_value(grp) as group_name, {place}, min(line) as line from archival.invented group by food",
        "components": f"select {key}, component as source_component, component as name, any_value(unit) as unit,"
                      f" {place}, min(line) as line from archival.invented group by component",
        "values": f"select {key}, food as food_id, component as source_component, text, unit, n, type as source_code,"
                  f" {place}, line from archival.invented",
    }
'''
FIGURES = """food,name,grp,component,unit,text,n,type
L1,"Beef, liver, raw",MEAT,zinc,gram,0.00412,6,A
L1,"Beef, liver, raw",MEAT,sodium,milligram,71,6,A
L1,"Beef, liver, raw",MEAT,iodine,mcg,tr.,3,A
L1,"Beef, liver, raw",MEAT,taurine,mg,<5,4,A
L1,"Beef, liver, raw",MEAT,vitamin_d,mcg,1.2,,E
L1,"Beef, liver, raw",MEAT,iron,mg,4.9,,M
L1,"Beef, liver, raw",MEAT,manganese,mg,0,5,A
K2,"Chicken, liver, raw",MEAT,zinc,gram,0.0027,4,A
"""
MAPPED = [("zinc", "ZN", '["g_to_mg"]'), ("sodium", "NA", "[]"), ("iodine", "ID", "[]"), ("taurine", "TAU", "[]"),
          ("vitamin_d", "VITD", "[]"), ("iron", "FE", "[]"), ("manganese", "MN", "[]")]
CODES = [("source_code", "A", "analysed", "measured"), ("source_code", "E", "best estimate", "imputed"),
         ("source_code", "M", "by the maker", "label_claim"), ("token", "tr.", "trace", "trace"),
         ("token", "< x", "less than", "below_detection")]


def append(path: Path, rows: list[dict[str, str]]) -> None:
    """Rows at the end of one of our CSV files, by the names of its columns."""
    with path.open(encoding="utf-8", newline="") as stream:
        heading = next(csv.reader(stream))
    if not path.read_text(encoding="utf-8").endswith("\n"):
        path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    with path.open("a", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, heading, restval="", lineterminator="\n")
        writer.writerows(rows)


def add(space: Workspace, figures: str = FIGURES, *, mapped: bool = True) -> None:
    """The five steps of the guide."""
    path = space.raw / "invented" / "1" / "figures.csv"
    path.parent.mkdir(parents=True)
    path.write_text(figures, encoding="utf-8", newline="\n")
    body = path.read_bytes()
    with (space.raw / "sources.toml").open("a", encoding="utf-8") as stream:
        stream.write(f'''
[[source]]
id = "invented"
title = "An invented table"
publisher = "Nobody"
licence = "CC0"
licence_url = "https://example.org/licence"
attribution = "Nobody, an invented table"
landing_page = "https://example.org"
reader = "invented"
in_repository = true
country = "XX"

[[source.release]]
release = "1"
date = "2026-01-01"

[[source.release.file]]
name = "figures.csv"
sha256 = "{hashlib.sha256(body).hexdigest()}"
bytes = {len(body)}
''')
    (space.schemas / "layouts" / "invented.toml").write_text(
        'columns = ["food", "name", "grp", "component", "unit", "text", "n", "type"]\n', encoding="utf-8")
    append(space.schemas / "component_sources.csv", [
        {"source": "invented", "source_component": number, "component": tag, "preference": "1", "steps": steps}
        for number, tag, steps in MAPPED])
    append(space.schemas / "status_map.csv", [
        {"source": "invented", "kind": kind, "code": code, "description": told, "status": status}
        for kind, code, told, status in CODES])
    append(space.schemas / "food_groups.csv", [
        {"source": "invented", "group_prefix": "MEAT", "realm": "animal", "scope": "animal", "kind": "meat",
         "default_part": "muscle", "default_species": "unknown"}])
    if mapped:
        append(space.maintainer / "ingredient_foods.csv", [
            {"ingredient_id": "beef-liver", "source": "invented", "food_id": "L1", "match_quality": "A",
             "food_name": "Beef, liver, raw"}])


@pytest.fixture
def reader() -> Iterator[None]:
    """The reader module, beside the others."""
    module = types.ModuleType("rawref.sources.invented")
    exec(compile(READER, "invented.py", "exec"), module.__dict__)
    sys.modules[module.__name__] = module
    rawref.sources.invented = module  # type: ignore[attr-defined]
    yield
    del sys.modules[module.__name__], rawref.sources.invented  # type: ignore[attr-defined]


def values(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[Any, ...]]:
    return {r[0]: r[1:] for r in con.execute(
        "select component, status, value, low, high, evidence, steps from reference.\"values\""
        " where source = 'invented' and food_id = 'L1'").fetchall()}


def test_a_source_is_added_by_rows_and_a_reader(tmp_path: Path, reader: None) -> None:
    space = Workspace(small_root(tmp_path / "root"))
    add(space)
    build(space, lambda _: None, workbook=False)
    with connect(space.database, read_only=True) as con:
        found = values(con)
        assert found == {
            "ZN": ("measured", 4.12, None, None, True, '["g_to_mg"]'),
            "NA": ("measured", 71.0, None, None, True, "[]"),
            "ID": ("trace", None, 0.0, None, False, "[]"),
            "TAU": ("below_detection", None, 0.0, 5.0, False, "[]"),
            "VITD": ("imputed", 1.2, None, None, False, "[]"),
            "FE": ("label_claim", 4.9, None, None, True, "[]"),
            "MN": ("below_detection", None, 0.0, None, False, "[]"),
        }
        offered = {r[0] for r in con.execute("select component from curated.candidates where source = 'invented'"
                                             " and ingredient_id = 'beef-liver'").fetchall()}
        assert {"ZN", "NA", "TAU"} <= offered
        free = [f["food_id"] for f in find(con, "", space.schemas, unmapped=True)["foods"]]
        assert "K2" in free and "L1" not in free


@pytest.mark.parametrize(("old", "new", "told"), [
    ("0.00412,6,A", "0.00412,6,Z", "unknown code"),
    (",zinc,gram,", ",zinc,milligram,", "expects g"),
    (",zinc,gram,", ",zinc,gram/100 ml,", "unit that is not known"),
    ("iodine,mcg,tr.", "iodine,mcg,ca. 5", "unknown code"),
])
def test_what_its_rows_do_not_say_stops_the_build(
    tmp_path: Path, reader: None, old: str, new: str, told: str
) -> None:
    space = Workspace(small_root(tmp_path / "root"))
    add(space, FIGURES.replace(old, new))
    with pytest.raises(InputError, match=told):
        build(space, lambda _: None, workbook=False)


def test_a_source_of_which_nothing_is_mapped_says_so(tmp_path: Path, reader: None) -> None:
    from rawref.render.terminal import build_summary

    space = Workspace(small_root(tmp_path / "root"))
    add(space, mapped=False)
    said = " ".join(build_summary(build(space, lambda _: None, workbook=False)).split())
    assert "invented: none of its 2 foods stands for an ingredient (rawref find --unmapped)" in said


def test_all_faults_of_a_maintainer_file_are_told_in_one_run(tmp_path: Path) -> None:
    space = Workspace(small_root(tmp_path / "root"))
    path = space.maintainer / "ingredient_foods.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[1] = lines[1].replace(",A,", ",Z,", 1)
    lines[2] = "," + lines[2].partition(",")[2]
    lines.append(lines[3])
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    cited = space.maintainer / "cited_values.csv"
    body = cited.read_text(encoding="utf-8").splitlines()
    body[1] = "," + body[1].partition(",")[2]
    cited.write_text("\n".join([*body, ""]), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        build(space, lambda _: None, workbook=False)
    told = "\n".join(caught.value.lines())
    assert all(f"ingredient_foods.csv:{line}" in told for line in (2, 3, len(lines)))
    assert "cited_values.csv:2" in told  # and those of the other files
