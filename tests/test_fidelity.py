"""Every published number of SR28 against the line of the release that it names, read by other code. No exception.

The oracle is the release itself: raw/usda-sr28/28/sr28asc.zip (US Department of Agriculture, 2015).
"""

from __future__ import annotations

import csv
import hashlib
import json
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest
from rawref.workspace import Workspace

from tests import oracle

Row = dict[str, str]
RESCALED = {"reexpress_on_fat": "204", "reexpress_on_protein": "203"}


@pytest.fixture(scope="module", params=["values", "candidates"])
def sr28_rows(request: pytest.FixtureRequest, built_workspace: Workspace) -> list[Row]:
    rows = [r for r in oracle.published(built_workspace.curated, request.param) if r["source"] == "usda-sr28"]
    assert len(rows) > 10_000
    return rows


def faults(found: list[str]) -> None:
    """Fail with the count and the first few."""
    assert not found, f"{len(found)} faults: " + "; ".join(found[:5])


def told(row: Row) -> str:
    return f"{row['ingredient_id']}/{row['component']} line {row['line']}"


@cache
def rivals(folder: Path) -> dict[tuple[str, str], set[str]]:
    """The sources of the candidates of each cell."""
    held = oracle.by_cell(oracle.published(folder, "candidates"))
    return {cell: {row["source"] for row in rows} for cell, rows in held.items()}


def spans_countries(row: Row, folder: Path) -> bool:
    """Whether a component of soil or feed (schemas/soil_driven.csv) has candidates of two sources or more, so that the
    range may take in what another country found."""
    listed = oracle.ROOT / "schemas" / "soil_driven.csv"
    driven = {line["component"] for line in csv.DictReader(listed.read_text(encoding="utf-8").splitlines())}
    others = rivals(folder).get((row["ingredient_id"], row["component"]), set()) - {row["source"]}
    return row["component"] in driven and bool(others)


def product(row: Row) -> Decimal:
    """The published number times the factors of its steps, exactly."""
    amount = Decimal(row["source_value"])
    for step in json.loads(row["steps"]):
        if step not in RESCALED:
            factor = oracle.factors()[step]
            assert factor is not None, f"{step} has no factor"
            amount *= factor
    return amount


def test_the_line_holds_what_the_row_says(sr28_rows: list[Row]) -> None:
    """Verbatim text, unit, codes, samples, donor, food and its name: all from the line that file and line name."""
    found = []
    for row in sr28_rows:
        if row["file"] != "NUT_DATA.txt":
            found.append(f"{told(row)} file {row['file']}")
            continue
        line = oracle.fields(int(row["line"]))
        food = str(line["NDB_No"])
        donor = line["Ref_NDB_No"] or ""
        derivation = f"{line['Src_Cd']}/{line['Deriv_Cd']}" if line["Deriv_Cd"] else line["Src_Cd"]
        expected = {
            "food_id": food,
            "source_component": line["Nutr_No"],
            "source_value": line["Nutr_Val"],
            "source_unit": oracle.units()[str(line["Nutr_No"])],
            "derivation": derivation,
            "n": line["Num_Data_Pts"],
            "donor_food_id": "" if donor == food else donor,
            "food_name": oracle.food_names()[food],
            "release": "28",
        }
        found += [
            f"{told(row)} {column}: {row[column]!r} is not {text!r}"
            for column, text in expected.items()
            if row[column] != text
        ]
    faults(found)


def test_steps_are_those_of_the_registry(sr28_rows: list[Row]) -> None:
    """A source component reaches a component by the steps that component_sources.csv names, and no other."""
    found = []
    for row in sr28_rows:
        named = oracle.component_map().get((row["source_component"], row["component"]))
        steps = [s for s in json.loads(row["steps"]) if s not in RESCALED]
        if named is None or named[1] != steps:
            found.append(f"{told(row)}: {row['source_component']} by {steps}, registry {named}")
    faults(found)


def test_conversion_is_exact(sr28_rows: list[Row], built_workspace: Workspace) -> None:
    """No step: the number of the text. Factors: their product, rounded once. Re-expressed: within 1e-9."""
    found = []
    for row in sr28_rows:
        value, steps = oracle.number(row["value"]), json.loads(row["steps"])
        if value is None:
            continue
        rescaled = [s for s in steps if s in RESCALED]
        if not steps and value != float(row["source_value"]):
            found.append(f"{told(row)}: {row['value']} is not {row['source_value']}")
        elif not rescaled and value != float(product(row)):
            found.append(f"{told(row)}: {row['value']} is not {product(row)}")
        elif rescaled:
            base = RESCALED[rescaled[0]]
            own = oracle.proximate_foods(built_workspace.curated)[row["ingredient_id"]]
            goal = oracle.base(built_workspace.curated, row["ingredient_id"], base)
            if not oracle.value(row["food_id"], base):  # nothing to re-express on: only nothing may come of it
                if value:
                    found.append(f"{told(row)}: {row['value']} of a food without {base}")
                continue
            exact = product(row) * goal / oracle.value(row["food_id"], base)
            if len(rescaled) > 1 or own == ("usda-sr28", row["food_id"]) or not oracle.near(value, float(exact)):
                found.append(f"{told(row)}: {row['value']} is not {exact}")
    faults(found)


def test_no_point_value_means_no_number(sr28_rows: list[Row], built_workspace: Workspace) -> None:
    """A value is blank exactly where the status gives no point value; then the range is from 0 to a limit."""
    found = []
    for row in sr28_rows:
        if (row["value"] == "") != (row["status"] in ("trace", "below_detection", "missing")):
            found.append(f"{told(row)}: {row['status']} with value {row['value']!r}")
        if row["status"] in ("trace", "below_detection") and (row["low"] != "0.0" or (
            row["spread_basis"] != "limit"
            and not (row["spread_basis"] == "countries" and spans_countries(row, built_workspace.curated))
        )):
            found.append(f"{told(row)}: {row['status']} from {row['low']!r} by {row['spread_basis']!r}")
    faults(found)


def test_a_zero_hides_at_least_half_of_its_last_digit(sr28_rows: list[Row]) -> None:
    """Source: what rounding means. SR28 publishes no limit with a zero: 0.00 may be anything below 0.005."""
    zeros = [r for r in sr28_rows if r["spread_basis"] == "limit" and not set(json.loads(r["steps"])) & set(RESCALED)]
    assert len(zeros) > 100
    found = []
    for row in zeros:
        if Decimal(row["source_value"]) != 0:
            found.append(f"{told(row)}: {row['source_value']} is no zero")
        digits = -int(Decimal(row["source_value"]).as_tuple().exponent)
        # without decimals the usual ones of the component count, three at most
        hidden = Decimal(5).scaleb(-1 - (digits or 3))
        for step in json.loads(row["steps"]):
            factor = oracle.factors()[step]
            assert factor is not None, f"{step} has no factor"
            hidden *= factor
        if row["low"] != "0.0" or not float(row["high"] or 0) >= float(hidden) * 0.999:
            found.append(f"{told(row)}: {row['source_value']} from {row['low']!r} to {row['high']!r}")
    faults(found)


def test_spread(sr28_rows: list[Row], built_workspace: Workspace) -> None:
    """Every figure lies within its range and its basis is named; that the figure's own standard error and n (3 at
    least), or else its extremes (n 2 at least), took part is said exactly where SR28 prints them."""
    found = []
    for row in sr28_rows:
        if not row["value"]:
            continue
        line, value = oracle.fields(int(row["line"])), float(row["value"])
        n = int(line["Num_Data_Pts"] or 0)
        se, low, high = (None if line[f] is None else float(str(line[f])) for f in ("Std_Error", "Min", "Max"))
        printed = float(row["source_value"])
        own = (se is not None and n >= 3) or (
            low is not None and high is not None and n >= 2 and low <= printed <= high)
        basis = row["spread_basis"]
        if row["status"] == "assumed_zero":
            good = not basis and not row["low"] and not row["high"]
        elif basis == "countries":
            good = spans_countries(row, built_workspace.curated) and float(row["low"]) <= value <= float(row["high"])
        elif basis == "standard":  # of salt: test_ranges.py works out its ends
            good = row["ingredient_id"].startswith("table-salt") and float(row["low"]) <= value <= float(row["high"])
        elif value == 0:
            good = basis == "limit" and float(row["low"]) == 0 < float(row["high"])
        else:
            good = (basis.startswith("pairs") and ("_own" in basis) == own
                    and float(row["low"]) <= value <= float(row["high"]))
        if not good:
            found.append(f"{told(row)}: {basis!r} {row['low']} {value} {row['high']}, own {own}")
    faults(found)


def test_no_range_goes_above_100_g_in_100_g(sr28_rows: list[Row], built_workspace: Workspace) -> None:
    """Source: what per cent by weight means. Beef suet (SR28 13335) has 94 g fat: by ratio alone it goes beyond."""
    over = [told(r) for r in sr28_rows if r["unit"] == "g" and r["high"] and float(r["high"]) > 100]
    faults(over)
    values = oracle.by_cell(oracle.published(built_workspace.curated, "values"))
    suet = values["beef-suet", "FAT"]
    assert [(r["food_id"], float(r["value"])) for r in suet] == [("13335", 94.0)]
    assert 94.0 < float(suet[0]["high"]) <= 100.0


def test_a_plant_is_no_measure_of_another(built_workspace: Workspace) -> None:
    """Source: SR28 prints 91.6 g water for raw pumpkin (11422) and 6.5 g for raw peanuts (16087): not alike."""
    assert (oracle.value("11422", "255"), oracle.value("16087", "255")) == (Decimal("91.60"), Decimal("6.50"))
    named = oracle.published(built_workspace.curated, "ingredients")
    plants = {r["ingredient_id"] for r in named if r["part"] == "plant"}
    assert len(plants) >= 10
    rows = [r for r in oracle.published(built_workspace.curated, "gaps") if r["ingredient_id"] in plants]
    assert len(rows) > 80
    faults([f"{r['ingredient_id']}/{r['component']}" for r in rows if r["peers_n"] != "0"])


def test_digest_of_the_file_is_published(built_workspace: Workspace) -> None:
    """The manifest names the digest of every release file that a line number counts in."""
    manifest = json.loads((built_workspace.curated / "manifest.json").read_text(encoding="utf-8"))
    stated = {f["file"]: f["sha256"] for f in manifest["source_files"] if f["source"] == "usda-sr28"}
    assert len(stated) == 12
    assert stated == {name: hashlib.sha256(oracle.member(name)).hexdigest() for name in stated}


def test_cited_records_are_verbatim(built_workspace: Workspace) -> None:
    """A value from a cited record has the record's text, number, steps and line of raw/maintainer/cited_values.csv."""
    path = oracle.ROOT / "raw" / "maintainer" / "cited_values.csv"
    at_line = path.read_text(encoding="utf-8").split("\n")
    records = {r["id"]: r for r in oracle.maintainer("cited_values")}
    found = []
    for row in oracle.published(built_workspace.curated, "values"):
        if row["source"] != "maintainer":
            continue
        record = records[row["food_id"]]
        if not at_line[int(row["line"]) - 1].startswith(f"{record['id']},"):
            found.append(f"{told(row)}: not the line of {record['id']}")
        pairs = {
            "ingredient_id": "ingredient_id",
            "component": "component",
            "source_value": "text",
            "status": "status",
            "steps": "steps",
            "unit": "unit",
            "n": "n",
            "match_quality": "match_quality",
        }
        found += [
            f"{told(row)}: {ours} {row[ours]!r}, record {record[theirs]!r}"
            for ours, theirs in pairs.items()
            if (json.loads(row[ours]) != json.loads(record[theirs]) if ours == "steps" else row[ours] != record[theirs])
        ]
        if oracle.number(row["value"]) != oracle.number(record["value"]):
            found.append(f"{told(row)}: {row['value']} is not {record['value']}")
        if record["repeats_source"] == "usda-sr28":
            found.append(f"{told(row)}: repeats SR28, which is present")
    faults(found)
