"""Every published number of SR28 against the line of the release that it names, read by other code. No exception.

The oracle is the release itself: raw/usda-sr28/28/sr28asc.zip (US Department of Agriculture, 2015).
"""

from __future__ import annotations

import hashlib
import json
import math
from decimal import Decimal

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
            _, own = oracle.proximate_foods(built_workspace.curated)[row["ingredient_id"]]
            exact = product(row) * oracle.value(own, base) / oracle.value(row["food_id"], base)
            if len(rescaled) > 1 or own == row["food_id"] or not oracle.near(value, float(exact)):
                found.append(f"{told(row)}: {row['value']} is not {exact}")
    faults(found)


def test_no_point_value_means_no_number(sr28_rows: list[Row]) -> None:
    """A value is blank exactly where the status gives no point value; then low is 0 and high the limit or blank."""
    found = []
    for row in sr28_rows:
        if (row["value"] == "") != (row["status"] in ("trace", "below_detection", "missing")):
            found.append(f"{told(row)}: {row['status']} with value {row['value']!r}")
        if row["status"] in ("trace", "below_detection") and (row["low"], row["high"]) != ("0.0", ""):
            # SR28 publishes no limit with a zero.
            found.append(f"{told(row)}: {row['status']} from {row['low']!r} to {row['high']!r}")
    faults(found)


def test_spread(sr28_rows: list[Row], built_workspace: Workspace) -> None:
    """From SE and n where given (n at least 3), else min and max, else from comparable foods; the basis is named.

    Chosen or not, re-expressed or not: the ends go through the same steps as the value.
    """
    found = []
    for row in sr28_rows:
        if not row["value"]:
            continue
        line, value = oracle.fields(int(row["line"])), float(row["value"])
        scale = value / float(row["source_value"]) if float(row["source_value"]) else 1.0
        n = int(line["Num_Data_Pts"] or 0)
        se, low, high = (None if line[f] is None else float(str(line[f])) * scale for f in ("Std_Error", "Min", "Max"))
        shown = [oracle.number(row["low"]), oracle.number(row["high"])]
        if row["status"] == "assumed_zero":
            basis, ends = "", [None, None]
        elif se is not None and n >= 3:
            # nothing holds more than 100 g in 100 g
            most = max(100.0, value) if row["unit"] == "g" else math.inf
            basis, ends = "se_n", [max(0.0, value - se * math.sqrt(n)), min(most, value + se * math.sqrt(n))]
        elif low is not None and high is not None and n >= 2 and low <= value <= high:
            basis, ends = "min_max", [low, high]
        elif row["spread_basis"] == "peers_cv":
            basis, ends = "peers_cv", shown
            if not float(row["low"]) <= value <= float(row["high"]):
                found.append(f"{told(row)}: {value} outside {shown}")
        else:
            basis, ends = "", [None, None]
        same = all(
            a is b is None or (a is not None and b is not None and abs(a - b) <= 2e-9 + 1e-9 * a)
            for a, b in zip(ends, shown, strict=True)
        )
        if row["spread_basis"] != basis or not same:
            found.append(f"{told(row)}: {row['spread_basis']!r} {shown}, expected {basis!r} {ends}")
    faults(found)


def test_no_range_goes_above_100_g_in_100_g(sr28_rows: list[Row]) -> None:
    """Source: what per cent by weight means. Beef suet (SR28 13335, fat 94 g, no spread of its own) takes its range
    from other fats, and would reach 110 g."""
    over = [told(r) for r in sr28_rows if r["unit"] == "g" and r["high"] and float(r["high"]) > 100]
    faults(over)
    suet = [r for r in sr28_rows if told(r).startswith("beef-suet/FAT") and r["food_id"] == "13335"]
    shown = {(float(r["value"]), float(r["high"]), r["spread_basis"]) for r in suet}
    assert shown == {(94.0, 100.0, "peers_cv")}


def test_a_plant_is_no_measure_of_another(built_workspace: Workspace) -> None:
    """Source: SR28 prints 91.6 g water for raw pumpkin (11422) and 6.5 g for raw peanuts (16087): not alike."""
    assert (oracle.value("11422", "255"), oracle.value("16087", "255")) == (Decimal("91.60"), Decimal("6.50"))
    named = oracle.published(built_workspace.curated, "ingredients")
    plants = {r["ingredient_id"] for r in named if r["part"] == "plant"}
    assert len(plants) >= 10
    for name in ("values", "candidates", "gaps"):
        rows = [r for r in oracle.published(built_workspace.curated, name) if r["ingredient_id"] in plants]
        assert len(rows) > 100
        faults([
            f"{name} {r['ingredient_id']}/{r['component']}" for r in rows
            if r.get("spread_basis") == "peers_cv" or r.get("peers_n", "0") != "0"
        ])


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
