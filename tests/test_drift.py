"""Drift: every change of content is seen with its kind, weighed in a tier, and traced to its cause."""

from __future__ import annotations

import json
import shutil
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import junitparser
import pytest
from rawref import registry
from rawref.drift.compare import TIERS, compare, drift, require_table
from rawref.drift.inputs import REACH, changed_groups, group_of
from rawref.drift.read import KEYS
from rawref.drift.tiers import thresholds
from rawref.errors import InputError
from rawref.needs.profile import Need, load_need
from rawref.release.attribute import attribute
from rawref.release.build import build, refresh
from rawref.render import drift as render_drift
from rawref.workspace import Workspace

from tests import spoil
from tests.oracle import ROOT
from tests.rebuild import git, small_root


@pytest.fixture(scope="module")
def small(small_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A root of a few ingredients, built and published."""
    return Workspace(spoil.copy(small_workspace.root, tmp_path_factory.mktemp("drift") / "root"))


@pytest.fixture(scope="module")
def built_folder(small: Workspace) -> Path:
    return small.built


@pytest.fixture(scope="module")
def need(checkout: Workspace) -> Need:
    return load_need(checkout)


@pytest.fixture
def old(built_folder: Path, tmp_path: Path) -> Path:
    """A copy of the build that plays the accepted table."""
    return spoil.copy(built_folder, tmp_path / "curated")


@pytest.fixture
def drift_to(built_folder: Path, checkout: Workspace, need: Need) -> Any:
    """Compare an accepted table with the build."""
    return lambda folder: compare(folder, built_folder, checkout.schemas, need, shown=("curated", "build"))


def of(result: dict[str, Any], **wanted: Any) -> list[dict[str, Any]]:
    return [c for c in result["changes"] if all(c[k] == v for k, v in wanted.items())]


def measured(folder: Path) -> dict[str, str]:
    """A measured cell of SR28 with a number, for spoiling."""
    wanted = ("measured", "PROCNT", "usda-sr28")
    return next(r for r in spoil.read(folder, "values") if (r["status"], r["component"], r["source"]) == wanted)


def test_equal_tables_have_no_drift(old: Path, drift_to: Any) -> None:
    result = drift_to(old)
    assert result["changes"] == []
    assert {k: result["summary"][k] for k in ("added", "removed", "changed", "significant")} == dict.fromkeys(
        ("added", "removed", "changed", "significant"), 0
    )


def test_a_value_that_changed_is_named_with_both_numbers(old: Path, drift_to: Any) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value=str(float(row["value"]) * 10))
    result = drift_to(old)
    (change,) = result["changes"]
    assert (change["kind"], change["ingredient_id"], change["component"]) == ("value", row["ingredient_id"], "PROCNT")
    assert (change["before"], change["after"]) == (float(row["value"]) * 10, float(row["value"]))
    assert change["relative_change"] == pytest.approx(-0.9)
    assert change["tier"] == "requirement"
    assert "PROCNT" not in change["why"] and "minimum" in change["why"]


def test_a_figure_is_weighed_by_the_accepted_part(old: Path, drift_to: Any, checkout: Workspace) -> None:
    """schemas/inclusion.csv: how much of a mix a part makes."""
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value=str(float(row["value"]) * 10))
    (plain,) = drift_to(old)["changes"]
    rows = spoil.read(old, "ingredients")
    described = next(r for r in rows if r["ingredient_id"] == row["ingredient_id"])
    part, described["part"] = described["part"], "eye"
    spoil.write(old, "ingredients", rows)
    spoil.stamp(old)
    changes = of(drift_to(old), ingredient_id=row["ingredient_id"])
    assert sorted((c["table"], c["column"]) for c in changes) == [("ingredients", "part"), ("values", "value")]
    included = {r["part"]: float(r["share_pct"]) for _, r in registry.read_csv(
        checkout.schemas / "inclusion.csv", "inclusion.csv") if not r["species_group"]}  # fmt: skip
    moved = next(c for c in changes if c["column"] == "value")
    assert part != "eye" and moved["share_of_requirement"] == pytest.approx(
        plain["share_of_requirement"] * included["eye"] / included[part])


@pytest.mark.parametrize(
    ("column", "text", "kind"),
    [
        ("status", "imputed", "status"),
        ("unit", "mg", "unit"),
        ("food_id", "99999", "provenance"),
        ("line", "1", "provenance"),
        ("n", "77", "provenance"),
        ("low", "0.001", "value"),
        ("confidence", "D", "provenance"),
        ("steps", '["x"]', "provenance"),
        ("decision_id", "d-1", "provenance"),
        ("food_name", "another", "provenance"),
    ],
)
def test_every_column_of_values_is_compared(old: Path, drift_to: Any, column: str, text: str, kind: str) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], **{column: text})
    found = of(drift_to(old), kind=kind, ingredient_id=row["ingredient_id"], component=row["component"])
    assert [c["column"] for c in found] == [column]
    assert str(found[0]["before"]) == text


def test_every_table_is_compared_in_every_column(
    old: Path, built_folder: Path, drift_to: Any, checkout: Workspace
) -> None:
    """One cell of every column of every table is altered; each must be seen."""
    expected = set()
    for table in registry.PUBLISHED:
        rows = spoil.read(old, table)
        if not rows:  # one table alone calibrates nothing
            continue
        for position, f in enumerate(registry.fields(checkout.schemas)[table]):
            if f.key or f.column in KEYS.get(table, ()):  # such a row is another row: removed and added
                continue
            row = rows[(position * 7) % len(rows)]
            row[f.column] = {"number": "123456", "integer": "123456", "list": '["spoilt"]'}.get(f.type, "spoilt")
            expected.add((table, f.column))
        spoil.write(old, table, rows)
    spoil.stamp(old)
    changes = drift_to(old)["changes"]
    seen = {(c["table"], column) for change in changes for c in (change, *change.get("members", ()))
            for column in c["fields"]}
    assert expected - seen == set()


def test_a_source_that_declares_another_unit_is_significant_and_told_first(old: Path, drift_to: Any) -> None:
    """The amounts are the same and every rule is content: a person must look. SR28 gives zinc (309) in mg."""
    for ingredient in ("beef-liver", "chicken-liver"):
        spoil.set_cell(old, ingredient, "ZN", source_unit="g")
    result = drift_to(old)
    (change,) = of(result, kind="unit")
    assert (change["tier"], change["before"], change["after"], len(change["members"])) == ("requirement", "g", "mg", 2)
    assert result["summary"]["significant"] == 1
    assert result["head"][0].startswith("usda-sr28 now gives 309 in mg, not g")


def test_rows_added_removed_and_doubled(old: Path, drift_to: Any) -> None:
    def change(rows: spoil.Rows) -> None:
        gone = rows.pop(5)
        change.gone = (gone["ingredient_id"], gone["component"])  # type: ignore[attr-defined]
        rows.append({**rows[7], "ingredient_id": "unicorn-liver"})
        rows.insert(20, dict(rows[20]))
        change.doubled = rows[20]["component"]  # type: ignore[attr-defined]

    spoil.edit(old, "values", change)
    result = drift_to(old)
    added, removed = of(result, kind="added", table="values"), of(result, kind="removed", ingredient_id="unicorn-liver")
    assert [(c["ingredient_id"], c["component"]) for c in added] == [change.gone]  # type: ignore[attr-defined]
    assert len(removed) == 1
    doubled = [c for c in of(result, kind="schema") if "second time" in c["why"]]
    assert [c["component"] for c in doubled] == [change.doubled]  # type: ignore[attr-defined]


def test_an_edit_by_hand_names_the_cells(old: Path, drift_to: Any) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.23", restamp=False)
    result = drift_to(old)
    (fault,) = of(result, kind="schema")
    assert (fault["ingredient_id"], fault["component"], fault["column"]) == (row["ingredient_id"], "PROCNT", "value")
    assert (fault["before"], fault["after"]) == (float(row["value"]), 1.23)
    assert "edited by hand" in fault["why"] and fault["line"] > 1
    (change,) = of(result, kind="value")
    assert change["cause"] == "unknown" and "edited by hand" in change["cause_why"]


def test_another_form_of_the_same_content_is_a_fault_but_no_drift(old: Path, drift_to: Any) -> None:
    path = old / "references.csv"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    result = drift_to(old)
    assert {c["kind"] for c in result["changes"]} == {"schema"}
    assert "another form" in result["changes"][0]["why"]


@pytest.mark.parametrize(
    ("spoilt", "told"),
    [
        ("short row", "fields where the heading has"),
        ("no column", "has no column steps"),
        ("extra column", "does not know"),
        ("not UTF-8", "not UTF-8"),
        ("not a number", "is not a finite number"),
        ("infinite", "is not a finite number"),
        ("unknown word", "is not in the vocabulary"),
        ("empty file", "is empty"),
        ("no file", "is missing"),
        ("manifest", "manifest.json cannot be read"),
        ("descriptor", "states another hash"),
        ("parquet", "is not the file whose"),
    ],
)
def test_a_spoilt_folder_is_a_finding_not_an_error(old: Path, drift_to: Any, spoilt: str, told: str) -> None:
    path = old / "values.csv"
    lines = path.read_text(encoding="utf-8").split("\n")
    if spoilt == "short row":
        lines[3] = "a,b"
    elif spoilt == "no column":
        lines[0] = lines[0].replace(",steps", ",stairs")
    elif spoilt == "extra column":
        lines = [line and line + ",x" for line in lines]
    elif spoilt == "not a number":
        spoil.set_cell(old, measured(old)["ingredient_id"], "PROCNT", value="many")
    elif spoilt == "infinite":
        spoil.set_cell(old, measured(old)["ingredient_id"], "PROCNT", value="inf")
    elif spoilt == "unknown word":
        spoil.set_cell(old, measured(old)["ingredient_id"], "PROCNT", status="guessed")
    if spoilt in ("short row", "no column", "extra column"):
        path.write_text("\n".join(lines), encoding="utf-8")
    elif spoilt == "not UTF-8":
        path.write_bytes(path.read_bytes().replace(b"measured", b"m\xe9asured", 1))
    elif spoilt == "empty file":
        path.write_bytes(b"")
    elif spoilt == "no file":
        path.unlink()
    elif spoilt == "manifest":
        (old / "manifest.json").write_text("{", encoding="utf-8")
    elif spoilt == "descriptor":
        document = json.loads((old / "datapackage.json").read_text(encoding="utf-8"))
        document["resources"][0]["hash"] = "sha256:" + "0" * 64
        (old / "datapackage.json").write_text(json.dumps(document), encoding="utf-8")
    elif spoilt == "parquet":
        (old / "gaps.parquet").write_bytes(b"PAR1")
    faults = of(drift_to(old), kind="schema")
    assert any(told in c["why"] for c in faults), [c["why"] for c in faults[:5]]
    if spoilt in ("not UTF-8", "empty file"):
        line = 1 + next(n for n, text in enumerate(lines) if "measured" in text) if spoilt == "not UTF-8" else 1
        assert line in [c["line"] for c in faults if told in c["why"]]
    assert all(c["tier"] == "requirement" for c in faults)


def test_another_description_of_the_same_table_is_a_note(old: Path, drift_to: Any) -> None:
    """Else a committed descriptor that the registry outgrew could never be accepted anew."""
    path = old / "datapackage.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["resources"][1]["schema"]["fields"][2]["description"] = "another"
    document |= {"version": "2020.1.1", "created": "2020-01-01T00:00:00Z"}
    path.write_text(json.dumps(document), encoding="utf-8")
    touch(old, "schemas/fields.csv", code=True)
    (change,) = drift_to(old)["changes"]
    assert (change["table"], change["subject"]) == ("datapackage", "resource values")
    assert (change["kind"], change["tier"], change["cause"]) == ("provenance", "note", "rule")
    (result,) = render_drift.sarif(drift_to(old))["runs"][0]["results"]
    assert result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == "curated/datapackage.json"


def test_wide_twins_must_say_what_values_says(old: Path, drift_to: Any) -> None:
    spoil.edit(old, "table", lambda rows: rows[3].update(NA_mg="4711"))
    faults = of(drift_to(old), kind="schema")
    assert [(c["table"], c["component"], c["after"]) for c in faults] == [("table", "NA", "4711")]


def test_without_accepted_table_everything_is_added(tmp_path: Path, drift_to: Any, built_folder: Path) -> None:
    result = drift_to(tmp_path)
    kinds = result["summary"]["kinds"]
    assert kinds.pop("added") == len(result["changes"]) > len(spoil.read(built_folder, "values"))
    assert set(kinds.values()) == {0}


@pytest.mark.parametrize("held", [(), ("manifest.json", "values.parquet"), ("other.csv",)])
def test_a_folder_without_a_table_is_bad_input(old: Path, tmp_path: Path, held: tuple[str, ...]) -> None:
    """The contract: the CSV files of DIR are canonical; where there is none, DIR is not a table."""
    folder = tmp_path / "empty"
    folder.mkdir()
    for name in held:
        (folder / name).write_bytes((old / name).read_bytes() if (old / name).is_file() else b"a\n")
    with pytest.raises(InputError, match="no published table"):
        require_table(folder)
    with pytest.raises(InputError, match="no such folder"):
        require_table(tmp_path / "absent")
    assert require_table(old) == old


def test_coverage_before_and_after_is_that_of_the_rows(old: Path, built_folder: Path, drift_to: Any) -> None:
    """Counted here by other code over the published rows: a value is a number, evidence is a cell without a gap."""
    spoil.set_cell(old, measured(old)["ingredient_id"], "PROCNT", value="", status="missing")
    spoil.edit(old, "gaps", lambda rows: rows.pop(0))
    result = drift_to(old)
    for side, folder in (("before", old), ("after", built_folder)):
        cells = [r for r in spoil.read(folder, "values") if r["status"] != "not_applicable"]
        counts = {
            "valued": sum(r["value"] != "" for r in cells),
            "known": sum(r["value"] + r["low"] + r["high"] != "" for r in cells),
            "sampled": sum(r["status"] == "measured" and r["n"] not in ("", "0") for r in cells),
            "measured": sum(r["status"] == "measured" for r in cells),
            "evidence": len(cells) - len(spoil.read(folder, "gaps")),
        }
        shares = {f"{k}_pct": pytest.approx(100 * n / len(cells), abs=0.051) for k, n in counts.items()}
        assert result["coverage"][side] == {"cells": len(cells), **counts, **shares}
    for text in (render_drift.text(result), render_drift.markdown(result)):
        for kind in ("valued", "measured", "evidence"):
            before, after = (result["coverage"][side][f"{kind}_pct"] for side in ("before", "after"))
            assert f"{before} % -> {after} %" in " ".join(text.split())
    assert "coverage: of " in render_drift.text(drift_to(built_folder))


def test_no_build_is_an_error_with_the_cure(tmp_path: Path, checkout: Workspace, built_folder: Path) -> None:
    with pytest.raises(InputError, match="rawref build"):
        compare(built_folder, tmp_path, checkout.schemas)


# tiers ----------------------------------------------------------------------------------------------------------------


def tier_of(old: Path, drift_to: Any, ingredient: str, component: str, **to: str) -> tuple[str, str]:
    spoil.set_cell(old, ingredient, component, **to)
    change = next(c for c in drift_to(old)["changes"] if c["table"] == "values" and c["kind"] in ("value", "status"))
    return change["tier"], change["why"]


def test_tiers_by_hand_worked_amounts(old: Path, drift_to: Any, need: Need) -> None:
    """Beef liver at 5 % of a mix of 1.6 kcal/g: 1000 kcal hold 31.25 g; 1 mg/100 g is 0.3125 mg per 1000 kcal."""
    row = spoil.cell(spoil.read(old, "values"), "beef-liver", "ZN")
    minimum = float(need.applied("ZN", "minimum").per_1000kcal)  # type: ignore[union-attr]
    limit = 0.05 * minimum / 0.3125
    value, step = float(row["value"]), 0.01
    assert row["source_value"] == f"{value:.2f}"
    above = tier_of(old, drift_to, "beef-liver", "ZN", value=repr(value + limit * 1.001), low="", high="")
    assert above[0] == "requirement" and "minimum" in above[1]
    assert (
        tier_of(old, drift_to, "beef-liver", "ZN", value=repr(value + limit * 0.999), low="", high="")[0]
        != "requirement"
    )
    assert tier_of(old, drift_to, "beef-liver", "ZN", value=repr(value + step * 5), low="0", high="99")[0] in (
        "rounding",
        "requirement",
    )
    small = tier_of(old, drift_to, "beef-liver", "ZN", value=repr(value + step * 0.4), low=row["low"], high=row["high"])
    assert small[0] == "note"


@pytest.mark.parametrize(
    ("printed", "step"), [("4.00", 0.01), ("4,00", 0.01), ("4.00-4.00", 0.01), ("4.0", 0.1), ("4.000", 0.01)]
)
def test_the_last_decimal_is_that_of_the_printed_text(old: Path, drift_to: Any, printed: str, step: float) -> None:
    """Tables of France print a decimal comma, cited texts a range: one unit of the second decimal is 0.01. Where one
    side prints fewer decimals (SR28 has 4.00), no more is known."""
    for moved, tier in ((0.4 * step, "note"), (5 * step, "rounding")):
        to = {"value": str(4 + moved), "low": "1", "high": "9", "source_value": printed}
        found = tier_of(old, drift_to, "beef-liver", "ZN", **to)
        assert found[0] == tier and (tier == "note" or f"({step:g}" in found[1])


def test_of_two_ends_that_moved_the_one_that_moved_more_is_shown(old: Path, drift_to: Any) -> None:
    """The first is 1.2 times what it was, the second 1.5 times; what came new has moved by no share of itself."""
    row = spoil.cell(spoil.read(old, "values"), "beef-bone-fresh", "CA")
    low, high = float(row["low"]), float(row["high"])
    for *ends, shown in ((low / 1.2, high / 1.5, "high"), (low / 1.5, high / 1.2, "low"), ("", high / 1.5, "high")):
        spoil.set_cell(old, "beef-bone-fresh", "CA", low=str(ends[0]), high=str(ends[1]))
        change = next(c for c in drift_to(old)["changes"] if c["table"] == "values" and c["kind"] == "value")
        assert change["column"] == shown


def test_what_is_published_for_other_food_alone_is_not_told_as_the_minimum(old: Path, drift_to: Any) -> None:
    """FEDIAF gives taurine for canned and dry food; the strictest of them weighs."""
    found = tier_of(old, drift_to, "beef-heart", "TAU", high="900")
    assert found[0] == "requirement" and "of the minimum of canned food" in found[1]


def test_outside_the_accepted_range_is_spread(old: Path, drift_to: Any, need: Need) -> None:
    """Of a component without a requirement: where there is one, an end that moved far is of tier requirement."""
    row = next(
        r for r in spoil.read(old, "values") if r["ingredient_id"] == "beef-liver" and float(r["value"] or 0) > 1
        and r["status"] == "measured" and not any(need.applied(r["component"], end) for end in ("minimum", "maximum"))
    )  # fmt: skip
    component = row["component"]
    value = float(row["value"])
    inside = tier_of(
        old, drift_to, "beef-liver", component, value=repr(value * 1.05), low=repr(value * 0.99), high=repr(value * 1.1)
    )
    outside = tier_of(
        old, drift_to, "beef-liver", component, value=repr(value * 1.05), low=repr(value * 1.01), high=repr(value * 1.1)
    )
    assert outside[0] == "spread" and "accepted range" in outside[1]
    assert inside[0] != "spread"


def test_unknown_that_becomes_zero_weighs_what_peers_hold(
    old: Path, built_folder: Path, tmp_path: Path, need: Need, checkout: Workspace
) -> None:
    """A blank that is written as zero is the classic fault: it must not hide among the notes."""
    gap = next(
        g
        for g in spoil.read(old, "gaps")
        if need.applied(g["component"], "minimum")
        and spoil.cell(spoil.read(old, "values"), g["ingredient_id"], g["component"])["status"] == "missing"
    )
    new = spoil.copy(built_folder, tmp_path / "new")
    for folder in (old, new):
        spoil.set_cell(folder, gap["ingredient_id"], gap["component"], table="gaps", peers_high="5000")
    spoil.set_cell(new, gap["ingredient_id"], gap["component"], value="0")
    (change,) = of(compare(old, new, checkout.schemas, need), table="values")
    assert (change["before"], change["after"], change["tier"]) == (None, 0.0, "requirement")
    assert "an unknown becomes a known amount" in change["why"]
    assert " per 1000 kcal by comparable foods = " in change["why"]
    assert not change["filled"]  # a blank that became a zero


Cell = tuple[str, str, str]


@pytest.mark.parametrize(
    ("was", "now", "moved", "told"),
    [
        (("", "10", "90"), ("", "10.1", "90"), 0.1, ""),
        (("", "10", "90"), ("", "10", "60"), 30, "its high end moved by 9.38 mg per 1000 kcal"),
        (("", "10", "90"), ("", "60", "100"), 50, "its low end moved by 15.6 mg per 1000 kcal"),
        (("", "10", "90"), ("", "20", ""), 70, "the high end that came or went lies 21.9 mg per 1000 kcal above"),
        (("", "20", ""), ("", "10", "90"), 70, "the high end that came or went lies 21.9 mg per 1000 kcal above"),
        (("20", "", ""), ("", "10", "90"), 70, "the value and the high end lie 21.9 mg per 1000 kcal apart"),
        (("", "10", "90"), ("80", "", ""), 70, "the value and the low end lie 21.9 mg per 1000 kcal apart"),
        (("", "10", "90"), ("20", "15", "30"), 70, "the value and the high end lie 21.9 mg per 1000 kcal apart"),
        (("20", "", ""), ("", "19", ""), 1, ""),
        (("20", "10", "30"), ("22", "10", "60"), 30, "its high end moved by 9.38 mg per 1000 kcal"),
        (("20", "10", "30"), ("60", "40", "70"), 40, "its value moved by 12.5 mg per 1000 kcal"),
        (("20", "", ""), ("60", "40", "70"), 40, "its value moved by 12.5 mg per 1000 kcal"),
        (("", "", ""), ("20", "10", "30"), 20, "its value makes 6.25 mg per 1000 kcal"),
        (("", "", ""), ("", "10", "30"), 30, "its high end makes 9.38 mg per 1000 kcal"),
        (("", "20", ""), ("", "", ""), 20, "its low end makes 6.25 mg per 1000 kcal"),
    ],
)
def test_what_moved_is_the_end_or_value_that_moved_and_is_told_so(
    old: Path,
    built_folder: Path,
    tmp_path: Path,
    need: Need,
    checkout: Workspace,
    was: Cell,
    now: Cell,
    moved: float,
    told: str,
) -> None:
    """By hand, 5 % of a mix of 1.6 kcal/g: 1 mg/100 g is 0.3125 mg per 1000 kcal (schemas/inclusion.csv, liver)."""
    new = spoil.copy(built_folder, tmp_path / "new")
    for folder, cell in ((old, was), (new, now)):
        spoil.set_cell(folder, "beef-liver", "ZN", **dict(zip(("value", "low", "high"), cell, strict=True)))
    (change,) = of(compare(old, new, checkout.schemas, need), table="values")
    minimum = float(need.applied("ZN", "minimum").per_1000kcal)  # type: ignore[union-attr]
    assert change["share_of_requirement"] == pytest.approx(moved * 0.3125 / minimum)
    assert (change["tier"] == "requirement") == bool(told) and told in change["why"]
    assert change["filled"] == (was == ("", "", ""))


def test_an_amount_that_came_or_went_is_told_as_that_of_comparable_foods_if_that_is_more(
    old: Path, built_folder: Path, tmp_path: Path, need: Need, checkout: Workspace
) -> None:
    new = spoil.copy(built_folder, tmp_path / "new")
    for folder in (old, new):
        spoil.edit(
            folder,
            "gaps",
            lambda rows: rows.append({**rows[0], "ingredient_id": "beef-liver", "component": "ZN", "peers_high": "80"}),
        )
    spoil.set_cell(old, "beef-liver", "ZN", value="", low="", high="")
    spoil.set_cell(new, "beef-liver", "ZN", value="20", low="", high="")
    for one, other in ((old, new), (new, old)):
        (change,) = of(compare(one, other, checkout.schemas, need), table="values")
        assert "at 5 % of a mix up to 25 mg per 1000 kcal by comparable foods = " in change["why"]
    spoil.set_cell(new, "beef-liver", "ZN", value="90")
    (change,) = of(compare(old, new, checkout.schemas, need), table="values")
    assert "at 5 % of a mix its value makes 28.1 mg per 1000 kcal = " in change["why"]


def test_thresholds_are_data_and_must_be_numbers(tmp_path: Path, checkout: Workspace) -> None:
    assert thresholds(checkout.schemas)["requirement_share"] == 5
    text = (checkout.schemas / "drift.csv").read_text(encoding="utf-8")
    (tmp_path / "drift.csv").write_text(text.replace("requirement_share,5", "requirement_share,five"), encoding="utf-8")
    with pytest.raises(InputError, match="not a number"):
        thresholds(tmp_path)


def test_worst_first_in_a_total_order(old: Path, drift_to: Any) -> None:
    def change(rows: spoil.Rows) -> None:
        for position, row in enumerate(rows):
            if row["value"]:
                row["value"] = repr(float(row["value"]) * (1, 1.5, 1.0001, 1.01)[position % 4])
                row["low"] = row["high"] = ""
                row["line"] = "1"

    spoil.edit(old, "values", change)
    one, two = drift_to(old), drift_to(old)
    assert one == two
    tiers = [TIERS.index(c["tier"]) for c in one["changes"]]
    assert tiers == sorted(tiers) and set(tiers) == {0, 1, 2, 3}
    assert one["summary"]["significant"] == sum(t < 2 for t in tiers)


def test_losses_and_moved_amounts_stand_before_filled_gaps(
    old: Path, built_folder: Path, tmp_path: Path, need: Need, checkout: Workspace
) -> None:
    """A filled gap weighs what comparable foods could hold, which is seldom what it does."""
    new = spoil.copy(built_folder, tmp_path / "new")

    def add_gap(rows: spoil.Rows) -> None:
        rows.append({**rows[0], "ingredient_id": "beef-liver", "component": "CU", "peers_high": "5000"})

    spoil.edit(old, "gaps", add_gap)
    spoil.set_cell(old, "beef-liver", "CU", value="", low="", high="", status="missing")
    spoil.set_cell(new, "beef-liver", "CU", value="9", low="", high="", status="measured")
    for folder, value in ((old, "20"), (new, "40")):
        spoil.set_cell(folder, "beef-liver", "ZN", value=value, low="", high="")
    spoil.set_cell(new, "beef-liver", "FE", status="imputed")
    found = of(compare(old, new, checkout.schemas, need), tier="requirement")
    told = [(c["table"], c["component"], c["kind"], c["filled"]) for c in found]
    assert set(told[:2]) == {("values", "ZN", "value", False), ("values", "FE", "status", False)}
    assert told[2:] == [
        ("gaps", "CU", "removed", True),
        ("values", "CU", "value", True),
        ("values", "CU", "status", True),
    ]
    assert found[2]["share_of_requirement"] > found[0]["share_of_requirement"]
    # where the cell goes with the gap, nothing is filled
    spoil.edit(new, "values", lambda rows: rows.remove(spoil.cell(rows, "beef-liver", "CU")))
    gone = of(compare(old, new, checkout.schemas, need), component="CU", kind="removed")
    assert [c["table"] for c in gone] == ["gaps", "values"] and not any(c["filled"] for c in gone)


# causes ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "group"),
    [
        ("raw/usda-sr28/28/sr28asc.zip", "source"),
        (".rawref/sources/mext/2020/file.xlsx", "source"),
        ("raw/sources.toml", "source"),
        ("raw/maintainer/cited_values.csv", "source"),
        ("raw/maintainer/citations.csv", "source"),
        ("raw/maintainer/decisions.csv", "decision"),
        ("raw/maintainer/ingredients.csv", "ingredients"),
        ("raw/maintainer/ingredient_foods.csv", "ingredients"),
        ("raw/maintainer/composites.csv", "ingredients"),
        ("schemas/status_map.csv", "rule"),
        ("raw/maintainer/needs/x.csv", "rule"),
        ("pipeline/rawref/registry/models.py", "code"),
        ("pipeline/rawref/stages/curated/cells.sql", "code"),
        ("raw/maintainer/mixes/example.csv", None),
    ],
)
def test_input_files_stand_for_causes(path: str, group: str | None) -> None:
    assert group_of(path) == group


def test_what_an_input_reaches_is_told_of_files_that_are_there() -> None:
    """Each place of the table stands for a file or folder of the repository; the paths of raw/ and schemas/ too."""
    files = [p.relative_to(ROOT).as_posix() for top in ("raw", "schemas", "pipeline") for p in (ROOT / top).rglob("*")]
    gone = {"raw/maintainer/copied_foods."}  # of a table that was accepted with it
    for path in {row[0] for row in REACH} - gone:
        assert any(f"{name}/".startswith(path) or name.startswith(path) for name in files), path


def touch(folder: Path, *paths: str, code: bool = False) -> None:
    """Make the manifest say that these inputs were others."""
    path = folder / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    for name in paths:
        assert name in document["inputs"]
        document["inputs"][name] = "0" * 64
    if code:
        document["code"] = "0" * 64
    path.write_text(json.dumps(document), encoding="utf-8")


DECISIONS, ZIP, RULES = "raw/maintainer/decisions.csv", "raw/usda-sr28/28/sr28asc.zip", "schemas/status_map.csv"
FOODS = "raw/maintainer/ingredient_foods.csv"


@pytest.mark.parametrize(
    ("paths", "code", "cause"),
    [
        ((DECISIONS,), False, "decision"),
        ((ZIP,), False, "source"),
        ((RULES,), False, "rule"),
        ((FOODS,), False, "ingredients"),
        ((), True, "code"),
        ((), False, "unknown"),
    ],
)
def test_one_changed_input_is_the_cause(
    old: Path, drift_to: Any, paths: tuple[str, ...], code: bool, cause: str
) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5")
    touch(old, *paths, code=code)
    (change,) = drift_to(old)["changes"]
    assert change["cause"] == cause


@pytest.mark.parametrize(
    ("columns", "cause"),
    [
        ({"decision_id": "d-9"}, "decision"),
        ({"source_value": "1.50"}, "source"),
        ({"release": "27"}, "source"),
        ({"food_id": "01001"}, "ingredients"),
        ({"steps": '["x"]'}, "rule"),
        ({"status": "calculated"}, "rule"),
        ({}, "code"),
    ],
)
def test_the_cell_decides_where_several_inputs_changed(
    old: Path, drift_to: Any, columns: dict[str, str], cause: str
) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5", **columns)
    touch(old, DECISIONS, ZIP, RULES, FOODS, code=True)
    found = of(drift_to(old), kind="value", table="values")
    assert [c["cause"] for c in found] == [cause]


def test_source_and_code_without_provenance_is_code(old: Path, drift_to: Any) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5")
    touch(old, ZIP, code=True)
    assert [c["cause"] for c in of(drift_to(old), kind="value")] == ["code"]


def test_equal_code_is_never_the_cause(old: Path, drift_to: Any) -> None:
    """Whatever a cell shows: with equal digests of the code, a change that nothing explains is of unknown cause."""
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5")
    touch(old, ZIP, FOODS)
    assert {c["cause"] for c in drift_to(old)["changes"]} == {"unknown"}


def test_causes_are_followed_where_no_source_changed(old: Path, drift_to: Any) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], decision_id="d-9")
    spoil.edit(old, "candidates", lambda rows: rows[3].update(steps='["x"]'))
    spoil.edit(old, "values", lambda rows: rows.pop(9))
    touch(old, DECISIONS, RULES)
    causes = {(c["table"], c["kind"]): c["cause"] for c in of(drift_to(old)) if c["kind"] != "schema"}
    assert causes["values", "provenance"] == "decision" and causes["candidates", "provenance"] == "rule"
    assert causes["values", "added"] == "rule"


def test_a_source_read_otherwise_is_the_code(old: Path, drift_to: Any) -> None:
    """The cited figures and the code changed: a text of SR28, whose file is the same, is not the source's doing."""
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], source_value="1.50", value="1.5")
    touch(old, "raw/maintainer/cited_values.csv", code=True)
    assert {c["cause"] for c in drift_to(old)["changes"]} == {"code"}


@pytest.fixture
def grown(built_folder: Path, tmp_path: Path) -> Path:
    """A copy of the build whose manifest says that a source is present which the accepted table did not have."""
    folder = spoil.copy(built_folder, tmp_path / "grown")
    path = folder / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    entry = next(s for s in document["sources"] if s["id"] == "usda-fdc")
    entry |= {"present": True, "release": "2024-10-31"}
    path.write_text(json.dumps(document), encoding="utf-8")
    return folder


@pytest.fixture
def of_grown(old: Path, grown: Path, checkout: Workspace) -> Any:
    """Changes of `values`, `gaps` and `candidates` from the accepted table to the grown build, with another code."""
    touch(old, code=True)

    def found(**wanted: Any) -> list[dict[str, Any]]:
        result = compare(old, grown, checkout.schemas)
        assert not of(result, kind="schema")
        return of(result, **wanted)

    return found


def offered(folder: Path, ingredient: str, component: str, source: str = "usda-fdc") -> None:
    """A losing candidate of the new source (or another) for one cell."""

    def change(rows: spoil.Rows) -> None:
        own = [r for r in rows if (r["ingredient_id"], r["component"]) == (ingredient, component)]
        place = rows.index(own[-1]) + 1
        fresh = {"source": source, "release": "2024-10-31", "food_id": "1", "reason_not_chosen": "fewer samples"}
        rows.insert(place, {**own[-1], **fresh, "rank": str(int(own[-1]["rank"]) + 1)})

    spoil.edit(folder, "candidates", change)


def test_a_candidate_of_a_new_source_and_what_the_cell_says_of_it_is_the_source(grown: Path, of_grown: Any) -> None:
    offered(grown, "beef-liver", "ZN")
    spoil.set_cell(grown, "beef-liver", "ZN", alternatives='["usda-fdc:1:1095"]', disagreement="1.2")
    spoil.set_cell(grown, "beef-liver", "FE", alternatives='["usda-fdc:1:1089"]')
    causes = {(c["table"], c["component"]): c["cause"] for c in of_grown()}
    assert causes == {("candidates", "ZN"): "source", ("values", "ZN"): "source", ("values", "FE"): "code"}


def test_a_cited_figure_of_a_source_that_came_is_its_doing(grown: Path, of_grown: Any) -> None:
    """A cited record repeats a figure of a source that is absent: it comes and goes with the set of sources, and no
    figure of another source does."""
    offered(grown, "beef-liver", "ZN", "maintainer")
    offered(grown, "beef-liver", "FE", "usda-sr28")
    causes = {c["component"]: c["cause"] for c in of_grown(table="candidates")}
    assert causes == {"ZN": "source", "FE": "code"}


def test_the_amount_of_a_cell_is_not_explained_by_another_candidate(grown: Path, of_grown: Any) -> None:
    """A candidate that lost cannot have moved the figure of the one that won."""
    offered(grown, "beef-liver", "ZN")
    spoil.set_cell(grown, "beef-liver", "ZN", value="77", low="70", high="80")
    assert [c["cause"] for c in of_grown(table="values", kind="value")] == ["code"]


def test_a_range_of_comparable_foods_follows_the_foods(grown: Path, of_grown: Any) -> None:
    """Two cells whose range rests on comparable foods: new beef livers of the source explain the one, not the other."""
    for component in ("ZN", "FE"):
        for ingredient in ("beef-liver", "chicken-liver"):
            for folder in (grown, grown.parent / "curated"):
                spoil.set_cell(folder, ingredient, component, spread_basis="pairs_peers")
            spoil.set_cell(grown, ingredient, component, low="0.001", high="99")

    def change(rows: spoil.Rows) -> None:
        liver = next(r for r in rows if (r["may_supply_raw"], r["species"], r["part"]) == ("yes", "cattle", "liver"))
        rows.append({**liver, "source": "usda-fdc", "release": "2024-10-31", "food_id": "1"})

    spoil.edit(grown, "catalogue", change)
    found = {c["subject"]: (c["cause"], len(c["members"])) for c in of_grown(table="values", kind="value")}
    assert found == {"pool bovine liver": ("source", 2), "pool bird liver": ("code", 2)}


def test_a_block_that_is_re_expressed_follows_the_protein(grown: Path, of_grown: Any) -> None:
    """An amino acid of the same food moves because the protein now comes from the new source."""
    steps = '["reexpress_on_protein"]'
    for folder in (grown, grown.parent / "curated"):
        for ingredient in ("beef-liver", "chicken-liver"):
            spoil.set_cell(folder, ingredient, "ILE", steps=steps)
    for ingredient in ("beef-liver", "chicken-liver"):
        spoil.set_cell(grown, ingredient, "ILE", value="0.657", low="", high="")
    spoil.set_cell(grown, "beef-liver", "PROCNT", source="usda-fdc", release="2024-10-31", food_id="1", value="21.5")
    found = {c["ingredient_id"]: c["cause"] for c in of_grown(table="values", kind="value", component="ILE")}
    assert found == {"beef-liver": "source", "chicken-liver": "code"}


def test_a_cited_record_that_changed_is_the_source_and_so_are_the_lines_below_it(old: Path, drift_to: Any) -> None:
    cited = [r for r in spoil.read(old, "values") if r["source"] == "maintainer" and r["value"]]
    spoil.set_cell(old, cited[0]["ingredient_id"], cited[0]["component"], n="77")
    spoil.set_cell(old, cited[1]["ingredient_id"], cited[1]["component"], line="9999")
    touch(old, "raw/maintainer/cited_values.csv", code=True)
    assert [c["cause"] for c in drift_to(old)["changes"]] == ["source", "source"]


def test_a_composite_has_the_cause_of_its_parts(old: Path, drift_to: Any) -> None:
    """A part is supplied by another release, the composite's sum follows it; its own row names no source."""
    cells = spoil.read(old, "values")
    whole = next(r for r in cells if r["status"] == "composed" and r["value"])
    part = whole["reason"].removeprefix("composed: ").split(" ")[0]
    spoil.set_cell(old, part, whole["component"], release="27")
    spoil.set_cell(old, whole["ingredient_id"], whole["component"], value="1.5")
    touch(old, ZIP, "raw/maintainer/cited_values.csv", code=True)
    found = {c["ingredient_id"]: c["cause"] for c in drift_to(old)["changes"]}
    assert found == {part: "source", whole["ingredient_id"]: "source"}


def test_a_source_that_came_or_went_is_a_changed_source() -> None:
    before = {"inputs": {"a": "1"}, "sources": [{"id": "mext", "present": False}]}
    after = {"inputs": {"a": "1"}, "sources": [{"id": "mext", "present": True, "release": "2020"}]}
    assert changed_groups(before, after) == {"source": ["mext"]}


def test_attribution_says_when_old_files_are_lost(small: Workspace, old: Path, drift_to: Any) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5")
    touch(old, "raw/maintainer/cited_values.csv", code=True)
    result = attribute(small, drift_to(old), old, lambda _: None)
    assert "no longer at hand" in result["attribution"]["source"]
    assert not list(small.work.glob("attribute-*"))


def accepted_in_git(tmp_path: Path, *tracked: str) -> Workspace:
    """A small root that is built and published, with these folders and files committed in git."""
    space = Workspace(small_root(tmp_path / "root"))
    refresh(space, lambda _: None)
    shutil.copytree(space.built, space.curated)
    git(space.root, "init", "-q")
    git(space.root, "add", *tracked)
    git(space.root, "commit", "-qm", "accepted")
    return space


def test_two_causes_are_told_apart_by_building_again(tmp_path: Path) -> None:
    """A cited figure and the code changed: with the old figure the one change goes, the other stays."""
    space = accepted_in_git(tmp_path, "raw/maintainer", "raw/sources.toml", "curated")
    path = space.maintainer / "cited_values.csv"
    rows = spoil.read(space.maintainer, "cited_values")
    chosen = {
        (r["ingredient_id"], r["component"])
        for r in spoil.read(space.built, "values")
        if r["source"] == "maintainer" and r["value"]
    }
    target = next(
        r for r in rows if (r["ingredient_id"], r["component"]) in chosen and r["steps"] == "[]" and r["value"]
    )
    target["value"] = target["text"] = "0.123"
    target["low"] = target["high"] = ""
    spoil.write(space.maintainer, "cited_values", rows)
    assert path.is_file()
    refresh(space, lambda _: None)
    other = next(r for r in spoil.read(space.curated, "values") if r["component"] == "FE" and r["status"] == "measured")
    spoil.set_cell(space.curated, other["ingredient_id"], "FE", value="77")
    touch(space.curated, code=True)
    first = compare(space.curated, space.built, space.schemas)
    result = attribute(space, first, space.curated, lambda _: None)
    assert result["attribution"] == {"source": "separated"}
    causes = {(c["ingredient_id"], c["component"]): c["cause"] for c in of(result, kind="value", table="values")}
    assert causes[target["ingredient_id"], target["component"]] == "source"
    assert causes[other["ingredient_id"], "FE"] == "code"


def test_what_made_the_accepted_table_again_is_no_cause(tmp_path: Path) -> None:
    """The table was accepted by another code, and this code makes the same: what a decision then moves is its doing."""
    space = accepted_in_git(tmp_path, "raw/maintainer", "schemas", "pipeline", "curated")
    touch(space.curated, RULES, code=True)
    assert build(space, lambda _: None, workbook=False).standing == "equal"
    assert drift(space)["changed_inputs"] == {}
    path = space.maintainer / "cited_values.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("88.8", "70.5"), encoding="utf-8")
    assert build(space, lambda _: None, workbook=False).standing == "differs"
    found = drift(space)
    assert found["changed_inputs"] == {"source": ["raw/maintainer/cited_values.csv"]}
    assert found["changes"] and {c["cause"] for c in found["changes"]} == {"source"}
    space.equal.unlink()
    assert {"code", "rule", "source"} <= set(drift(space)["changed_inputs"])


def test_a_decision_a_status_and_a_module_that_changed_are_named(tmp_path: Path) -> None:
    """Three inputs change at once. Git has the accepted ones: each cell names the row or module that moved it."""
    space = accepted_in_git(tmp_path, "raw/maintainer", "schemas", "pipeline", "curated")
    measured_zinc = next(r for r in spoil.read(space.built, "values")
                         if (r["ingredient_id"], r["component"]) == ("beef-liver", "ZN"))
    decisions = space.maintainer / "decisions.csv"
    names = decisions.read_text(encoding="utf-8").strip().split(",")
    row = dict.fromkeys(names, "") | {
        "decision_id": "d-zinc", "source": measured_zinc["source"], "food_id": measured_zinc["food_id"],
        "source_component": measured_zinc["source_component"], "component": "ZN",
        "expect_text": measured_zinc["source_value"], "expect_derivation": measured_zinc["derivation"],
        "action": "reject", "reason": "invented for the test", "citation": "none", "standing": "open",
    }
    spoil.write(space.maintainer, "decisions", [row])
    status = space.schemas / "status_map.csv"
    text = status.read_text(encoding="utf-8")
    assert text.count("usda-sr28,derivation,NC,") == 1  # calculated
    line = next(one for one in text.splitlines() if one.startswith("usda-sr28,derivation,NC,"))
    status.write_text(text.replace(line, line.replace(",calculated,", ",imputed,", 1)), encoding="utf-8")
    module = space.root / "pipeline" / "rawref" / "stages" / "curated" / "ranges.py"
    module.write_text(module.read_text(encoding="utf-8") + "\n# another model\n", encoding="utf-8")
    refresh(space, lambda _: None)
    spoil.edit(space.curated, "values", lambda rows: [r.update(low="0.001") for r in rows if r["component"] == "FE"])
    git(space.root, "add", "curated")
    git(space.root, "commit", "-qm", "as if another model had made the ranges")
    changes = drift(space)["changes"]
    assert "unknown" not in {c["cause"] for c in changes}
    zinc = of({"changes": changes}, ingredient_id="beef-liver", component="ZN", table="values", kind="value")
    assert [(c["cause"], "d-zinc" in c["cause_why"]) for c in zinc] == [("decision", True)]
    read_otherwise = of({"changes": changes}, table="values", kind="status", cause="rule")
    assert any("calculated -> imputed" in c["cause_why"] for c in read_otherwise)
    ranges = [c for c in changes if c["cause"] == "code"]
    assert ranges and all("stages/curated/ranges.py" in c["cause_why"] for c in ranges)


# forms ----------------------------------------------------------------------------------------------------------------


@pytest.fixture
def some_drift(old: Path, drift_to: Any) -> dict[str, Any]:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5", food_name="a | b <script> & \x0b `c`")
    spoil.edit(old, "gaps", lambda rows: rows.pop(3), restamp=False)
    result: dict[str, Any] = drift_to(old)
    return result


def test_text_fits_80_columns_and_says_why(some_drift: dict[str, Any]) -> None:
    text = render_drift.text(some_drift)
    assert max(map(len, text.splitlines())) <= 80
    assert "crosses a requirement" in text and "cause:" in text and "rawref accept" in text


def test_changed_inputs_are_listed_once_and_each_row_has_a_few_words(old: Path, drift_to: Any) -> None:
    row = measured(old)
    spoil.set_cell(old, row["ingredient_id"], row["component"], value="1.5", low="1", high="2")
    spoil.set_cell(old, "beef-liver", "ZN", value="99")
    assert drift_to(old)["changed_inputs"] == {}
    names = [f"schemas/{name}.csv" for name in ("conversions", "status_map", "species", "parts")]
    touch(old, *names)
    result = drift_to(old)
    assert result["changed_inputs"] == {"rule": sorted(names)}
    assert len(result["changes"]) > 1
    for text in (render_drift.text(result), render_drift.text(result, wide=True), render_drift.markdown(result)):
        listed = text.replace("\\_", "_").partition("hanged inputs")[2]
        assert all(listed.count(name) == 1 for name in names)
    assert {c["cause"] for c in result["changes"]} == {"rule"}
    # species.csv describes foods: it reaches no value
    assert not [c for c in result["changes"] if "value" in c["fields"] and "species.csv" in c["cause_why"]]
    touch(old, DECISIONS, code=True)
    result = drift_to(old)
    assert list(result["changed_inputs"]) == ["rule", "decision", "code"]
    assert render_drift.changed_inputs(result, 2) == [
        "rule: schemas/conversions.csv, schemas/parts.csv and 2 more",
        f"decision: {DECISIONS}",
        "code: pipeline/",
    ]


def test_one_more_column_and_more_columns(old: Path, drift_to: Any) -> None:
    spoil.set_cell(old, "beef-liver", "ZN", value="99", low="98", high="100")
    (change,) = of(drift_to(old), kind="value")
    assert render_drift.headline(change).endswith(" and 2 more columns")
    assert render_drift.headline(change | {"fields": dict(list(change["fields"].items())[:2])}).endswith(
        " and 1 more column"
    )


def test_brief_has_the_worst_tier_and_counts_the_rest(old: Path, drift_to: Any) -> None:
    def change(rows: spoil.Rows) -> None:
        for position, row in enumerate(rows[:200]):
            row["reason"] = "another"
            if row["value"] and position % 2:
                row["value"] = repr(float(row["value"]) * 9)

    spoil.edit(old, "values", change)
    result = drift_to(old)
    tiers = result["summary"]["tiers"]
    assert tiers["requirement"] > 10 and tiers["note"] == 200
    text = render_drift.brief(result, "See elsewhere")
    flat = " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80 and text.count("; cause: ") == 10
    between = {"spread": "outside the spread", "rounding": "above one rounding step of the source"}
    counted = "".join(f"{words} ({tiers[tier]}); " for tier, words in between.items() if tiers[tier])
    assert counted and f"Not shown: {tiers['requirement'] - 10} more of these; {counted}notes (" in flat
    assert flat.endswith("notes (200). See elsewhere.") and "Take it over" not in text
    few = {**result, "changes": result["changes"][:3]}
    assert "Not shown" not in render_drift.brief(few, "See elsewhere")


def test_text_states_its_cap_and_wide_has_none(old: Path, drift_to: Any) -> None:
    def change(rows: spoil.Rows) -> None:
        for row in rows[:200]:
            row["reason"] = "another"

    spoil.edit(old, "values", change)
    result = drift_to(old)
    assert "160 more; --wide or --format json" in render_drift.text(result)
    assert " more; " not in render_drift.text(result, wide=True)
    assert "170 more" in render_drift.markdown(result)


def test_no_drift_is_said(old: Path, drift_to: Any) -> None:
    result = drift_to(old)
    assert "no drift" in render_drift.text(result) and "No drift" in render_drift.markdown(result)
    suite = junitparser.JUnitXml.fromstring(render_drift.junit(result).encode())
    assert (suite.tests, suite.failures) == (4, 0)


def test_junit_is_read_by_a_parser_of_another_make(some_drift: dict[str, Any]) -> None:
    """junitparser 5 reads it; the element tree of the standard library too, control characters and all."""
    body = render_drift.junit(some_drift)
    suite = junitparser.JUnitXml.fromstring(body.encode())
    assert (suite.tests, suite.failures) == (4, sum(any(c["tier"] == t for c in some_drift["changes"]) for t in TIERS))
    assert ElementTree.fromstring(body).tag == "testsuites"
    assert "hostname" not in body and "timestamp" not in body


def test_sarif_has_a_rule_a_place_and_a_stable_mark_for_every_result(some_drift: dict[str, Any]) -> None:
    """Required properties after SARIF 2.1.0, sections 3.13, 3.14, 3.27."""
    log = render_drift.sarif(some_drift)
    run = log["runs"][0]
    assert log["version"] == "2.1.0" and run["tool"]["driver"]["name"] == "rawref"
    rules = [r["id"] for r in run["tool"]["driver"]["rules"]]
    assert len(run["results"]) == len(some_drift["changes"])
    for result in run["results"]:
        assert rules[result["ruleIndex"]] == result["ruleId"] and result["message"]["text"]
        assert result["level"] in ("error", "warning", "note") and len(result["partialFingerprints"]) == 1
        place = result["locations"][0]["physicalLocation"]
        assert (
            place["artifactLocation"]["uri"].endswith(".csv")
            and place.get("region", {"startLine": 1})["startLine"] >= 1
        )
    assert log == render_drift.sarif(some_drift)


def test_markdown_cannot_be_broken_by_a_cell(some_drift: dict[str, Any]) -> None:
    text = render_drift.markdown(some_drift)
    assert "<script>" not in text
    rows = [line for line in text.splitlines() if line.startswith("| ") and not line.startswith("| cell")]
    assert rows and all(line.replace("\\|", "").count("|") == 5 for line in rows)


def test_annotations_are_one_line_each(some_drift: dict[str, Any]) -> None:
    lines = render_drift.annotation_lines(some_drift)
    assert 0 < len(lines) <= 10 and all(line.startswith("::") and "\n" not in line for line in lines)
    assert lines[0].startswith("::error ")
