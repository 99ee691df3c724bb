"""SR Legacy: read by the layout of Foundation Foods, side-loaded as undeclared, beside SR28 and no witness for it.

The archive is made from SR28's own values (tests/sr_legacy.py says what is real in it). That the layout is the
publisher's is checked against the field descriptions and the tables in the official Foundation Foods archive.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import pytest
from openpyxl import load_workbook
from rawref.drift.compare import drift
from rawref.errors import InputError, SourceMissing
from rawref.fetch.decide import available, fetch
from rawref.lookup.trace import trace_from
from rawref.release.build import build
from rawref.sources import usda_fdc, usda_sr_legacy
from rawref.workspace import Workspace

from tests import oracle, sr_legacy
from tests.rebuild import small_members, small_root, with_members
from tests.test_readers import LAYOUTS, count, read

FOODS = ("01001", "05027", "13325", "13326", "15050", "23573")
"""Butter, chicken liver, beef liver raw and cooked, mackerel, ground beef cooked."""


def rows(stem: str, *, drop: tuple[str, ...] = (), **more: list[dict[str, str]]) -> dict[str, sr_legacy.Rows]:
    """Tables of one food, without some files, with other rows for some."""
    made = {**sr_legacy.tables([stem]), **more}
    return {name: table for name, table in made.items() if name not in drop}


# ---- the layout and the mapping against the publisher's own files

(FOUNDATION,) = (LAYOUTS.parents[1] / "raw" / "usda-fdc" / "2025-04-24").glob("*.zip")

@pytest.fixture(scope="module")
def foundation() -> zipfile.ZipFile:
    return zipfile.ZipFile(FOUNDATION)


def test_the_layout_is_that_of_the_field_descriptions(foundation: zipfile.ZipFile) -> None:
    """Every heading is in the publisher's field descriptions, or in the same file of the Foundation Foods archive."""
    name = next(n for n in foundation.namelist() if n.endswith(".xlsx"))
    sheet = load_workbook(io.BytesIO(foundation.read(name)), read_only=True)["Field Descriptions"]
    known: dict[str, set[str]] = {}
    for table, field, *_ in sheet.iter_rows(min_row=3, values_only=True):
        # a table stands alone with its description, or before it; its fields follow
        stem, second = str(table or "").strip(), str(field or "").strip()
        if re.fullmatch(r"[a-z_]+", stem) and f"{stem}.csv" in LISTED:
            known.setdefault(current := stem, set())
        elif re.fullmatch(r"\w+", stem or second) and known:
            known[current].add(stem or second)
    for name in foundation.namelist():
        if (stem := Path(name).stem) in known:
            with foundation.open(name) as stream:
                known[stem] |= set(next(csv.reader(io.TextIOWrapper(stream, "utf-8"))))
    described = {f["name"].removesuffix(".csv"): {*f["columns"], *f.get("may", [])} for f in DOCUMENT["file"]}
    assert set(described) == set(known)
    for stem, columns in described.items():
        assert columns <= known[stem], (stem, columns - known[stem])


DOCUMENT = tomllib.loads((LAYOUTS / "usda-sr-legacy.toml").read_text(encoding="utf-8"))
LISTED = {f["name"] for f in DOCUMENT["file"]}


def test_components_are_mapped_as_those_of_sr28(foundation: zipfile.ZipFile) -> None:
    """By the nutrient number that the publisher's nutrient.csv gives each id, every row is a row of SR28's."""
    name = next(n for n in foundation.namelist() if n.endswith("/nutrient.csv"))
    with foundation.open(name) as stream:
        numbers = {r["id"]: r["nutrient_nbr"] for r in csv.DictReader(io.TextIOWrapper(stream, "utf-8"))}
    fields = ("component", "preference", "steps", "status")
    mapped: dict[str, list[Any]] = {"usda-sr28": [], "usda-sr-legacy": []}
    for row in oracle.schema("component_sources"):
        if row["source"] in mapped:
            own = row["source_component"]
            number = own if row["source"] == "usda-sr28" else numbers[own]
            mapped[row["source"]].append((number, *(row[f] for f in fields)))
    assert sorted(mapped["usda-sr-legacy"]) == sorted(mapped["usda-sr28"]) != []


def test_derivation_codes_mean_what_they_mean_in_sr28() -> None:
    found = {r["code"]: r["status"] for r in oracle.schema("status_map")
             if r["source"] == "usda-sr-legacy" and r["kind"] == "derivation" and r["code"]}
    assert sorted(found) == sorted(DOCUMENT["derivation_codes"])
    theirs = {str(row[0]) for row in oracle.table("DERIV_CD")}
    assert {c: s for c, s in found.items() if c in theirs} == {c: oracle.status_map()["derivation", c] for c in theirs}
    assert len(found) == len(theirs) + 9


# ---- reading


def test_every_value_is_read_verbatim_and_counted(tmp_path: Path) -> None:
    path = sr_legacy.archive(tmp_path, sr_legacy.tables(FOODS))
    assert usda_sr_legacy.identify(path, LAYOUTS) == "2018-04"
    units = {sr_legacy.nutrient_ids()[n]: sr_legacy.UNITS[u] for n, u in oracle.units().items()
             if n in sr_legacy.nutrient_ids()}
    expected, place = [], 1
    for food in FOODS:
        for nutrient, line in oracle.line_numbers()[food].items():
            if nutrient in sr_legacy.nutrient_ids():
                row, place = oracle.fields(line), place + 1
                component = sr_legacy.nutrient_ids()[nutrient]
                expected.append((
                    sr_legacy.fdc_id(food), component, row["Nutr_Val"], units[component], row["Num_Data_Pts"],
                    row["Min"], row["Max"], row["Deriv_Cd"], "food_nutrient.csv", str(place)))
    with read(usda_sr_legacy, [path]) as con:
        found = con.execute(
            "select food_id, source_component, text, unit, n, min, max, derivation, file, line"
            " from archival.values order by line::int").fetchall()
        assert found == expected
        assert con.execute("select * from archival.set_aside").fetchall() == []
        assert dict(con.execute("select file, records from archival.files").fetchall()) == {
            f"{stem}.csv": len(table) for stem, table in sr_legacy.tables(FOODS).items()}
        names = oracle.food_names()
        assert con.execute("select food_id, name, group_code, nitrogen_factor from archival.foods order by 1").fetchall(
            ) == [(sr_legacy.fdc_id(f), names[f], *next(
                (str(r[1]), r[10]) for r in oracle.table("FOOD_DES") if r[0] == f)) for f in FOODS]
        assert con.execute("select key from archival.food_keys order by food_id").fetchall() == [
            (f"ndb:{int(food)}",) for food in FOODS]


def test_rows_are_kept_or_set_aside(tmp_path: Path) -> None:
    """A food that the list lacks, and a value without amount, are counted with the reason."""
    made = sr_legacy.tables(["05027", "13325"])
    made["sr_legacy_food"] = made["sr_legacy_food"][:1]
    made["food_nutrient"][3]["amount"] = ""
    total = len(made["food_nutrient"])
    other = sum(r["fdc_id"] == sr_legacy.fdc_id("13325") for r in made["food_nutrient"])
    with read(usda_sr_legacy, [sr_legacy.archive(tmp_path, made)]) as con:
        assert count(con, "select count(*) from archival.foods") == 1
        assert count(con, "select count(*) from archival.values") == total - other - 1
        assert con.execute("select file, line, reason, content from archival.set_aside order by all").fetchall() == [
            ("food.csv", None, "not a current food: not listed in sr_legacy_food.csv",
             "1 records, kept in archival.srl_food"),
            ("food_nutrient.csv", "5", "no amount", f"{sr_legacy.fdc_id('05027')}/"
             + made["food_nutrient"][3]["nutrient_id"]),
            ("food_nutrient.csv", None, "values of no current food: not listed in sr_legacy_food.csv",
             f"{other} records, kept in archival.srl_food_nutrient"),
        ]


def test_without_a_table_of_derivations_only_confirmed_ids_are_read(tmp_path: Path) -> None:
    """The ids that Foundation Foods confirms are read as their codes; others are listed until the layout has them."""
    path = sr_legacy.archive(tmp_path, rows("05027", drop=("food_nutrient_derivation",)))
    with pytest.raises(InputError) as caught:
        read(usda_sr_legacy, [path])
    used = {r["derivation_id"] for r in sr_legacy.tables(["05027"])["food_nutrient"]}
    unknown = used - {"", "1", "4", "49"}
    assert unknown and set(re.findall(r"derivation id '(\d+)'", caught.value.line())) == unknown
    assert "schemas/layouts/usda-sr-legacy.toml" in caught.value.line()
    layouts = shutil.copytree(LAYOUTS, tmp_path / "layouts")
    codes = {number: code for code, number in sr_legacy.derivation_ids().items()}
    text = (layouts / "usda-sr-legacy.toml").read_text(encoding="utf-8")
    entered = ", ".join(f'{number} = "{codes[number]}"' for number in sorted(unknown))
    assert text.count('75 = "LCCD" }') == 1
    (layouts / "usda-sr-legacy.toml").write_text(
        text.replace('75 = "LCCD" }', f'75 = "LCCD", {entered} }}'), encoding="utf-8")
    with read(usda_sr_legacy, [path], layouts) as con:
        assert {r[0] for r in con.execute("select distinct derivation from archival.values").fetchall()} == {
            codes.get(number, "") for number in used}


def test_what_is_not_known_is_listed_with_its_line(tmp_path: Path) -> None:
    made = sr_legacy.tables(["05027"])
    made["food"][0]["data_type"] = "mystery_food"
    made["sr_legacy_food"][0]["NDB_number"] = "5O27"
    made["food_nutrient"][0]["amount"] = "<1"
    used = next(r["derivation_id"] for r in made["food_nutrient"] if r["derivation_id"])
    place, row = next((i, r) for i, r in enumerate(made["food_nutrient_derivation"], 2) if r["id"] == used)
    row["code"] = "QQ"
    with pytest.raises(InputError) as caught:
        read(usda_sr_legacy, [sr_legacy.archive(tmp_path, made)])
    for expected in ("food.csv:2 data type 'mystery_food'", "sr_legacy_food.csv:2 NDB number '5O27'",
                     "food_nutrient.csv:2 amount '<1'", f"food_nutrient_derivation.csv:{place} derivation code 'QQ'"):
        assert expected in caught.value.line()
    made = sr_legacy.tables(["05027"])
    made["food_nutrient_derivation"].append(made["food_nutrient_derivation"][0] | {"code": "Z"})
    with pytest.raises(InputError, match="repeated id '"):
        read(usda_sr_legacy, [sr_legacy.archive(tmp_path, made)])


def test_unknown_files_and_headings_are_refused(tmp_path: Path) -> None:
    columns = dict(sr_legacy.COLUMNS) | {"colours": "id", "food": sr_legacy.COLUMNS["food"] + " colour scientific_name"}
    columns["food_nutrient"] = sr_legacy.COLUMNS["food_nutrient"].removesuffix(" min_year_acquired") + " loq"
    with pytest.raises(InputError) as caught:
        usda_sr_legacy.identify(
            sr_legacy.archive(tmp_path, rows("05027", drop=("nutrient",), colours=[]), columns=columns), LAYOUTS)
    listed = "; ".join((
        "4 unknown or wrong: file colours.csv is not known", "file nutrient.csv is missing",
        "food.csv:1 heading 'colour' is not known", "food_nutrient.csv:1 heading 'min_year_acquired' is missing"))
    assert listed in caught.value.line()
    with pytest.raises(InputError, match="does not name a release"):
        usda_sr_legacy.identify(sr_legacy.archive(tmp_path, rows("05027"), inside="elsewhere"), LAYOUTS)


def test_which_archive_it_is_stands_in_it(tmp_path: Path) -> None:
    """Each reader refuses the other's archive, whatever it is called, and names the source to give it to."""
    renamed = shutil.copyfile(sr_legacy.archive(tmp_path, rows("05027")), tmp_path / "download.zip")
    with pytest.raises(InputError, match=r"sr_legacy_food\.csv is in it.*rawref fetch usda-sr-legacy --from"):
        _line(usda_fdc, renamed)
    with pytest.raises(InputError, match=r"foundation_food\.csv is in it.*rawref fetch usda-fdc --from"):
        _line(usda_sr_legacy, FOUNDATION)


def _line(module: Any, path: Path) -> None:
    try:
        module.identify(path, LAYOUTS)
    except InputError as error:
        raise InputError(error.line()) from error


# ---- side-loading, and a build beside SR28


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A small root, built and published from SR28 alone."""
    root = small_root(tmp_path_factory.mktemp("legacy") / "root")
    with_members(root, {
        f"{name}.txt": b"".join(
            line + b"\r\n" for line in oracle.lines(f"{name}.txt")
            if line[1:6].decode() in {*own_foods(), BORROWER, LENDER})
        for name in ("FOOD_DES", "NUT_DATA", "LANGUAL", "DATSRCLN")})
    made = Workspace(root)
    build(made, lambda _: None, workbook=False)
    return made


BORROWER, LENDER = "13907", "23042"
"""A raw steak whose folate equivalents (435) SR28 calculates from a cooked one: calculated, and yet no evidence."""


def own_foods() -> list[str]:
    """The foods that SR28 has in every small root."""
    return [line[1:6].decode() for line in small_members()["FOOD_DES.txt"].split(b"\r\n") if line]


NEW = "17199"
"""A raw food that the small root's SR28 lacks: lamb liver."""


@pytest.fixture(scope="module")
def beside(space: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The same root with SR Legacy side-loaded and built; its curated/ is still the one published before."""
    folder = tmp_path_factory.mktemp("with-legacy")
    made = Workspace(Path(shutil.copytree(space.root, folder / "root")))
    path = sr_legacy.archive(folder, sr_legacy.tables([*own_foods(), BORROWER, LENDER, NEW]))
    entry = fetch(made, ["usda-sr-legacy"], origin=path).entries[0]
    assert (entry.release, entry.standing, entry.state) == ("2018-04", "undeclared", "pinned")
    assert build(made, lambda _: None, workbook=False).standing == "differs"
    return made


@pytest.fixture(scope="module")
def both(beside: Workspace) -> Any:
    with duckdb.connect(str(beside.database), read_only=True) as con:
        yield con


def test_nothing_is_declared_so_it_can_only_be_side_loaded(space: Workspace) -> None:
    with pytest.raises(SourceMissing, match="no release is declared") as caught:
        fetch(space, ["usda-sr-legacy"]).require()
    assert "rawref fetch usda-sr-legacy --from FILE" in caught.value.line() and caught.value.exit_status == 3
    offline = fetch(space, offline=True)
    assert not offline.failures and "usda-sr-legacy" not in {e.source for e in offline.entries}


def test_an_archive_with_unknown_codes_is_not_pinned(space: Workspace, tmp_path: Path) -> None:
    path = sr_legacy.archive(tmp_path, rows("05027", drop=("food_nutrient_derivation",)))
    with pytest.raises(InputError, match=r"derivation id '\d+'"):
        fetch(space, ["usda-sr-legacy"], origin=path)
    assert not available(space) and not (space.pinned / "usda-sr-legacy").exists()


def test_the_same_value_has_the_same_number_and_status_as_in_sr28(both: duckdb.DuckDBPyConnection) -> None:
    """Number always; status wherever a derivation stands and the figure is not 0, as SR Legacy has no source codes.

    And never evidence where SR28 has none for the same figure.
    """
    pairs = both.execute("""
        select l.component, o.value, l.value, o.status, l.status, o.derivation, try_cast(o.text as double) = 0, o.n,
          o.evidence, l.evidence
        from reference."values" l
          join archival.food_keys a on a.source = l.source and a.food_id = l.food_id
          join archival.food_keys b on b.source = 'usda-sr28' and b.key = a.key
          join reference."values" o on o.source = 'usda-sr28' and o.food_id = b.food_id and o.component = l.component
            and o.preference = l.preference
        where l.source = 'usda-sr-legacy'""").fetchall()
    assert len(pairs) == count(both, """select count(*) from reference."values" where source = 'usda-sr28'""")
    seen = set()
    for _, ours, theirs, status, legacy, derivation, zero, n, known, counts in pairs:
        assert known or not counts
        if not zero:
            assert theirs == ours is not None
            assert legacy == ("unspecified" if known and not derivation else status)
            assert counts == known
        elif status == "assumed_zero" and derivation:
            assert (legacy, theirs) == ("assumed_zero", 0)
        elif status == "below_detection" and n:
            assert (legacy, theirs) == ("below_detection", None)
        else:
            assert legacy in ("imputed", "below_detection") if n else legacy == "imputed"
        seen.add((zero, bool(derivation), legacy))
    assert {(False, True, "measured"), (False, False, "unspecified"), (False, False, "imputed"),
            (True, True, "assumed_zero"), (True, False, "imputed")} <= seen
    # evidence is what the status and the state of a donor say (the contract, rule D02), here as everywhere
    borrowed = both.execute("""
        select food_id, status, donor_state, evidence from reference."values"
        where source = 'usda-sr-legacy' and evidence is distinct from (
          coalesce(donor_state, 'raw') in ('raw', 'unknown')
          and status in ('measured', 'calculated', 'composed', 'label_claim', 'unspecified'))""").fetchall()
    assert borrowed == []
    assert (sr_legacy.fdc_id(BORROWER), "calculated", "cooked", False) in both.execute(
        """select food_id, status, donor_state, evidence from reference."values" """).fetchall()


def test_it_is_no_witness_for_sr28(
    space: Workspace, beside: Workspace, both: duckdb.DuckDBPyConnection
) -> None:
    """A food that SR28 has under the same NDB number adds no comparable food; one that it lacks does."""
    doubled = dict(both.execute(
        "select food_id, duplicate_of from reference.foods where source = 'usda-sr-legacy'").fetchall())
    shared = {sr_legacy.fdc_id(f): f"usda-sr28:{f}" for f in (*own_foods(), BORROWER, LENDER)}
    assert doubled == shared | {sr_legacy.fdc_id(NEW): None}
    query = "select source, food_id, component, value from reference.peer_values order by all"
    with duckdb.connect(str(space.database), read_only=True) as con:
        alone = con.execute(query).fetchall()
    now = both.execute(query).fetchall()
    assert set(alone) <= set(now)
    assert {row[:2] for row in set(now) - set(alone)} == {("usda-sr-legacy", sr_legacy.fdc_id(NEW))}


def test_it_supplies_nothing_until_a_food_is_mapped(space: Workspace, beside: Workspace) -> None:
    """The published cells are those of SR28 alone, but for peers; a mapping by NDB number makes a candidate."""
    for name in ("values", "candidates", "ingredients"):
        old, new = (oracle.read_csv(folder / f"{name}.csv") for folder in (space.curated, beside.built))
        loose = ("low", "high", "spread_basis")
        assert [{k: v for k, v in r.items() if k not in loose} for r in new] == [
            {k: v for k, v in r.items() if k not in loose} for r in old]


def test_drift_names_the_source(beside: Workspace) -> None:
    changes = drift(beside)["changes"]
    assert changes and {c["cause"] for c in changes} == {"source"}
    assert any("usda-sr-legacy" in str(c) for c in changes)


def test_trace_finds_a_line(both: duckdb.DuckDBPyConnection) -> None:
    food, component, line = both.execute("""
        select food_id, source_component, line from reference."values"
        where source = 'usda-sr-legacy' and component = 'RETOL' and value > 0
        order by line::int limit 1""").fetchall()[0]
    found = trace_from(both, f"usda-sr-legacy:food_nutrient.csv:{line}")
    assert (found["published"]["food_id"], found["published"]["source_component"]) == (food, component)
    assert [r["component"] for r in found["reference"]] == ["RETOL"] and found["curated"] == []


def test_a_food_mapped_by_ndb_number_is_a_candidate_and_no_disagreement(
    beside: Workspace, tmp_path: Path
) -> None:
    made = Workspace(Path(shutil.copytree(beside.root, tmp_path / "root")))
    path = made.maintainer / "ingredient_foods.csv"
    name = oracle.food_names()["05027"]
    with path.open("a", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerow(
            ["chicken-liver", "usda-sr-legacy", "ndb:5027", "A", name, ""])
    build(made, lambda _: None, workbook=False)
    rows = [r for r in oracle.read_csv(made.built / "candidates.csv")
            if r["ingredient_id"] == "chicken-liver" and r["source"] == "usda-sr-legacy"]
    assert {r["food_id"] for r in rows} == {sr_legacy.fdc_id("05027")}
    cells = [r for r in oracle.read_csv(made.built / "values.csv") if r["ingredient_id"] == "chicken-liver"]
    assert {r["disagreement"] for r in cells if r["source"] != "maintainer"} == {""}
