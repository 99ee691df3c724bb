"""Raw and cooked: formulas, retentions and errors measured on SR28, the ten refusal rules, accepted estimates.

External sources are named beside each check. Figures of the dossier on cooking are read from its own tables, in the
folder `shared` beside the checkout; tests of them skip where it is absent.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from rawref.cooked import cooking
from rawref.cooked.estimates import apply_accepted
from rawref.cooked.twin import Judge
from rawref.database import connect, rows, scalar
from rawref.errors import InputError
from rawref.lookup.suggest import error_table, suggest
from rawref.render.suggest import render_errors, render_suggest
from rawref.workspace import Workspace

from tests import cooking_results, pinned

COMPONENTS = {
    "thiamin": "THIA", "riboflavin": "RIBF", "niacin": "NIA", "pantothenic": "PANTAC", "B6": "VITB6A", "B12": "VITB12",
    "folate": "FOL", "K": "K", "Na": "NA", "Mg": "MG", "P": "P", "Zn": "ZN", "Fe": "FE", "Cu": "CU", "Mn": "MN",
    "Se": "SE", "Ca": "CA"}


@pytest.fixture(scope="module")
def reference(checkout: Workspace) -> Path:
    folder = checkout.root.parent / "shared" / "reference"
    if not folder.is_dir():
        pytest.skip("no folder shared/reference beside the checkout")
    return folder


@pytest.fixture(scope="module")
def model(built_workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection of its own with the model of every component."""
    with connect(built_workspace.database, read_only=True) as con:
        cooking.prepare(con, built_workspace.schemas)
        cooking.evaluate(con)
        yield con


@pytest.fixture(scope="module")
def errors(built_workspace: Workspace) -> dict[str, Any]:
    with connect(built_workspace.database, read_only=True) as con:
        return error_table(con, built_workspace.schemas)


@pytest.fixture(scope="module")
def of_all_pairs(built_workspace: Workspace) -> dict[tuple[str, str, str], tuple[float, float]]:
    """Median and 90th percentile by group, component and way, with the pairs that rule 7 refuses, as the dossier has
    them."""
    with connect(built_workspace.database, read_only=True) as con:
        cooking.prepare(con, built_workspace.schemas)
        con.execute("update cooking_truth set plausible = true")
        cooking.evaluate(con)
        found = con.execute("select domain, component, way, median, p90 from cooking_errors").fetchall()
    return {row[:3]: row[3:] for row in found}


@pytest.fixture
def writable(built_workspace: Workspace, tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A copy of the working database to write to, in which beef-heart selenium has no raw value."""
    copy = tmp_path / "copy.duckdb"
    shutil.copyfile(built_workspace.database, copy)
    with connect(copy) as con:
        con.execute("""update curated."values" set value = null, status = 'missing', evidence = false
                       where ingredient_id = 'beef-heart' and component = 'SE'""")
        con.execute("delete from curated.cell_candidates where ingredient_id = 'beef-heart' and component = 'SE'")
        con.execute("delete from archival.maintainer_decisions")
        yield con


def table(text: str, heading: str) -> tuple[list[str], list[list[str]]]:
    """Heading and body of the first table after a heading of a Markdown text."""
    found: list[list[str]] = []
    for line in text.split(heading, 1)[1].split("\n")[1:]:
        if line.startswith("|"):
            found.append([cell.strip().strip("*") for cell in line.strip("|").split("|")])
        elif found:
            break
    return found[0], found[2:]


# --- formulas ---------------------------------------------------------------------------------------------------------


def test_formulas_of_the_worked_examples(reference: Path, model: duckdb.DuckDBPyConnection) -> None:
    """USDA SR28 Documentation, p. 12 (s02); USDA SR28, NDB 05027, 05028, 13325, 13326 (s03, s04)."""
    with (reference / "worked_examples.csv").open(encoding="utf-8", newline="") as stream:
        expected = {r["id"]: (float(r["expected"]), float(r["tolerance"])) for r in csv.DictReader(stream)
                    if r["id"] in ("s02", "s03", "s04")}

    def close(example: str, value: float) -> None:
        assert value == pytest.approx(expected[example][0], abs=expected[example][1])

    close("s02", cooking.to_raw(0.2614, 60, 0.70))
    close("s03", scalar(model, "select cooked_value / raw_value * yield_solids from cooking_truth"
                               " where cooked_id = '05028' and component = 'THIA'"))
    # retinol of 13326 is not measured, so the pair gives no retention: the ratio is read from the amounts
    close("s04", scalar(model, """
        select k.value / r.value * p.yield_solids from cooking_pairs p
          join cooking_amounts r on r.food_id = p.raw_id and r.component = 'RETOL'
          join cooking_amounts k on k.food_id = p.cooked_id and k.component = 'RETOL'
        where p.cooked_id = '13326'"""))


def test_yields_on_protein_and_on_solids_agree(model: duckdb.DuckDBPyConnection) -> None:
    """Dossier on cooking, section 1: median 1.01, 5th to 95th percentile 0.95 to 1.08."""
    low, middle, high = model.execute(
        """select quantile_cont(x, 0.05), quantile_cont(x, 0.5), quantile_cont(x, 0.95)
           from (select yield_nonfat / yield_protein as x from cooking_pairs)""").fetchall()[0]
    assert (low, middle, high) == (pytest.approx(0.95, abs=0.01), pytest.approx(1.01, abs=0.01),
                                   pytest.approx(1.08, abs=0.01))


# --- measured on SR28, against the dossier ----------------------------------------------------------------------------


def test_pairs_are_found_by_name(model: duckdb.DuckDBPyConnection, errors: dict[str, Any]) -> None:
    """Dossier, section 3: 1,023 pairs, 359 of them measured on both sides. Ours: lean-only cuts may differ in the trim
    of the outer fat, and foods that were soaked before cooking are left out."""
    assert scalar(model, "select count(*) from cooking_pairs") == pytest.approx(1023, rel=0.03)
    assert sum(r["measured_pairs"] for r in errors["pairs"]) == pytest.approx(359, rel=0.03)
    twins = dict(model.execute("select cooked_id, raw_id from cooking_pairs").fetchall())
    assert twins["05028"] == "05027"  # chicken liver, simmered
    assert twins["15047"] == "15046"  # Atlantic mackerel, dry heat
    assert "15067" not in twins       # its raw twin was treated with salts: additions unknown
    assert "17372" not in twins       # soaked and simmered


def test_a_family_is_a_cut_without_grade_trim_and_lean_or_fat(model: duckdb.DuckDBPyConnection) -> None:
    families = dict(model.execute("select food_id, family from cooking_foods").fetchall())
    # top sirloin steak: lean and fat choice 0", lean only select 1/8", all grades
    assert families["13452"] == families["23588"] == families["23610"]
    assert families["13452"] != families["13970"]  # flank steak
    assert families["23577"] == families["23564"]  # ground beef of two fat shares


def test_yields_of_the_dossier(reference: Path, model: duckdb.DuckDBPyConnection) -> None:
    """Section 4. Cells with fewer than five pairs here are not compared."""
    heading, body = table((reference / "cooking.md").read_text(encoding="utf-8"), "## 4.")
    assert heading[0] == "class"
    measured = {(name, method): (y, n) for name, method, y, n in model.execute(
        """select c, method_group, quantile_cont(yield_protein, 0.5), count(*) from (
             select if(pool = 'organ', 'organs', class) as c, method_group, yield_protein from cooking_pairs)
           group by all""").fetchall()}
    # Shellfish: other pairs (oysters and mussels by name); the dossier's 0.68 rests on pairs that it does not list.
    compared = {(row[0], method): float(cell) for row in body
                for method, cell in zip(("broil", "roast", "moist", "fry"), row[1:], strict=True)
                if cell != "-" and row[0] != "shellfish" and measured[row[0], method][1] >= 5}
    assert len(compared) >= 24
    for key, expected in compared.items():
        # fried organs: seven pairs here, eleven there, four of them soaked first
        assert measured[key][0] == pytest.approx(expected, abs=0.035 if key == ("organs", "fry") else 0.025), key


def test_retention_of_the_dossier(reference: Path, errors: dict[str, Any]) -> None:
    """Section 5, land-animal muscle, medians over families. Frying (11 families here, 9 to 11 there) moves most."""
    heading, body = table((reference / "cooking.md").read_text(encoding="utf-8"), "## 5.")
    measured = {(r["method_group"], r["component"]): r["retention"] for r in errors["retention"]
                if r["level"] == "pool" and r["group"] == "land_muscle"}
    gaps = {(row[0], name): abs(measured[row[0], COMPONENTS[name]] - float(cell)) for row in body
            for name, cell in zip(heading[1:], row[1:], strict=True) if cell != "-"}
    assert len(gaps) == 67
    assert sorted(gaps.values())[len(gaps) // 2] <= 1.0
    assert all(gap <= (9.0 if method == "fry" else 5.0) for (method, _), gap in gaps.items()), gaps


# The needed fatty acids fall back on the undifferentiated ones; the dossier lists 18:2 and 20:4 undifferentiated.
SAME = ("ZN", "CHOLE", "SE", "FE", "P", "MG", "ASH", "NIA", "RIBF", "K", "NA", "CU", "THIA", "VITB6A", "PANTAC",
        "VITB12", "CA", "MN", "FAT", "TOCPHA", "FOL", "RETOL")


@pytest.mark.parametrize(("heading", "group"), [("### Muscle", "muscle"), ("### Organs", "organ")])
def test_leave_family_out_errors_of_the_dossier(
    reference: Path, of_all_pairs: dict[tuple[str, str, str], tuple[float, float]], heading: str, group: str
) -> None:
    """Section 6. At the median the typical difference is below one point for muscle, below two for organs.

    Differences: soaked organs are left out here (six pairs), which moves organ 90th percentiles; folate and retinol
    rest on few pairs; the published factor of a method without one is 100 here, so thiamin differs (27 against 19).
    """
    head, body = table((reference / "cooking.md").read_text(encoding="utf-8"), heading)
    medians: dict[str, list[float]] = {}
    tails: dict[str, list[float]] = {}
    for row in body:
        if row[0] in SAME:
            for way, cell in zip(head[2:-2], row[2:-2], strict=True):
                middle, tail = (float(x) for x in cell.strip("*").split("/"))
                got_middle, got_tail = of_all_pairs[group, row[0], way.replace(" ", "_")]
                medians.setdefault(way, []).append(abs(got_middle - middle))
                tails.setdefault(way, []).append(abs(got_tail - tail))
    for way in set(head[2:-2]) - {"peers", "published"}:
        assert sorted(medians[way])[len(medians[way]) // 2] <= (1.0 if group == "muscle" else 2.0), way
        assert max(medians[way]) <= (6.0 if group == "muscle" else 9.0), way
        assert sorted(tails[way])[len(tails[way]) // 2] <= (3.0 if group == "muscle" else 5.0), way


def test_what_the_dossier_concludes_holds(errors: dict[str, Any]) -> None:
    """Section 6: moisture adjustment is worse than copying for what leaches; measured retention beats both."""
    muscle = {e["component"]: e["errors"] for e in errors["errors"] if e["group"] == "muscle"}
    for component in ("THIA", "VITB6A", "K", "NA", "MG", "PANTAC"):
        assert muscle[component]["moisture"]["median"] > muscle[component]["as_is"]["median"]
        assert muscle[component]["measured"]["median"] < muscle[component]["as_is"]["median"]
    for component in ("ZN", "SE", "FE"):
        assert muscle[component]["moisture"]["p90"] < muscle[component]["as_is"]["p90"]
    assert muscle["VITB6A"]["published"]["median"] > 2 * muscle["VITB6A"]["measured"]["median"]


def test_no_figure_measured_on_pairs_moved_unseen(errors: dict[str, Any]) -> None:
    moved = pinned.moved(cooking_results.FILE, cooking_results.told(errors))
    assert moved == [], "see what changed and why, then: python -m tests.cooking_results"


def test_coverage_on_held_out_families(errors: dict[str, Any]) -> None:
    """80 % intervals fitted on half of the families hold 75 to 85 % of the other half; organs only when widened."""
    held = {c["group"]: c for c in errors["coverage"]}
    assert 75 <= held["muscle"]["coverage"] <= 85
    assert 75 <= held["organ"]["coverage"] <= 85
    assert held["organ"]["coverage_unwidened"] < 75
    assert held["muscle"]["coverage"] == held["muscle"]["coverage_unwidened"]


def test_offers_follow_from_the_errors(errors: dict[str, Any], model: duckdb.DuckDBPyConnection) -> None:
    limits = {(r["error_group"], r["limit"]): r["value"] for r in rows(model, "select * from cooking_limits")}
    for e in errors["errors"]:
        group = "organ" if e["group"] == "organ" else "muscle"
        p90 = scalar(model, "select p90 from cooking_offers where component = ? and domain = ?",
                     [e["component"], e["group"]])
        expected = next((o for o in ("yes", "care", "weak") if p90 <= limits[group, "offer_" + o]), "no")
        assert e["by_error"] == expected
        assert e["offer"] == ("no" if e["rule"] else expected)
        assert e["factor_low"] < 1 < e["factor_high"]
    muscle = {e["component"]: e["offer"] for e in errors["errors"] if e["group"] == "muscle"}
    assert [c for c in ("ZN", "CHOLE", "SE", "FE", "P", "MG") if muscle[c] != "yes"] == []
    assert muscle["THIA"] == muscle["CU"] == "care"
    assert muscle["FOL"] == "weak"
    # retinol: 75 % over all pairs (the dossier, section 6: weak), 77 % over those that rule 7 lets through
    assert muscle["FAT"] == muscle["F20D4N6"] == muscle["RETOL"] == "no"


def test_errors_are_measured_on_what_rule_7_offers(errors: dict[str, Any], model: duckdb.DuckDBPyConnection) -> None:
    """A pair that rule 7 refuses (read here from the amounts that SR28 prints) counts in no error. One organ pair
    in four is one, and with them iron of organs missed by 58 % where it now misses by 32 (90th percentile)."""
    limits = {r["limit"]: r["value"] for r in rows(model, "select * from cooking_limits where error_group is null")}
    amounts: dict[str, dict[str, float]] = {}
    for food, component, value in model.execute(
            """select food_id, component, value from reference."values" where source = 'usda-sr28' and preference = 1
               and component in ('WATER', 'FAT', 'PROCNT') and value is not null""").fetchall():
        amounts.setdefault(food, {})[component] = value
    refused = set()
    for cooked, raw in model.execute("select distinct cooked_id, raw_id from cooking_truth").fetchall():
        c, r = amounts[cooked], amounts[raw]
        protein = r["PROCNT"] / c["PROCNT"]
        solids = (100 - r["WATER"] - r["FAT"]) / (100 - c["WATER"] - c["FAT"])
        if not limits["yield_low"] <= protein <= limits["yield_high"] \
                or abs(protein / solids - 1) > limits["yield_disagreement"]:
            refused.add(cooked)
    organs = {row[0] for row in model.execute(
        "select distinct cooked_id from cooking_truth where error_group = 'organ'").fetchall()}
    assert len(organs & refused) >= 10
    counted = {row[0] for row in model.execute("select distinct cooked_id from cooking_predicted").fetchall()}
    assert counted and not counted & refused
    iron = next(e for e in errors["errors"] if (e["group"], e["component"]) == ("organ", "FE"))
    assert iron["errors"]["measured"]["p90"] == pytest.approx(32, abs=1)


def test_spelling_hides_no_pair(model: duckdb.DuckDBPyConnection) -> None:
    """FOOD_DES of SR28: emu "inside drums" and "inside drum"; beef "ribs 10- 12" and "ribs 10-12"; pork "leg, loin, and
    shoulder" and "leg, loin, shoulder". A bone-in and a boneless cut stay two."""
    twins = dict(model.execute("select cooked_id, raw_id from cooking_pairs").fetchall())
    assert (twins["05629"], twins["13490"], twins["10093"]) == ("05628", "13284", "10002")
    assert twins.get("10990") != "10028"


def test_published_factors_are_found_again_in_sr28(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    """USDA Release 6, beef, broiled cut: SR28 made 13977 from raw 13149 with it (BFPY on protein, BFNY on non-fat
    solids); the factor divides out, for thiamin 70."""
    with (checkout.schemas / "retention_factors.csv").open(encoding="utf-8", newline="") as stream:
        factors = {r["component"]: int(r["retention_pct"]) for r in csv.DictReader(stream)
                   if (r["class"], r["method_group"], r["standing"]) == ("beef", "broil", "recovered")}
    found = rows(built, """
        with base as (
          select food_id, max(value) filter (component = 'PROCNT') as protein,
            100 - max(value) filter (component = 'WATER') - max(value) filter (component = 'FAT') as nonfat
          from reference."values" where source = 'usda-sr28' and food_id in ('13977', '13149') group by food_id)
        select k.component, k.value, k.value / r.value * 100 * if(k.derivation = 'BFPY', rb.protein / kb.protein,
            rb.nonfat / kb.nonfat) as retention
        from reference."values" k join reference."values" r
          on r.source = k.source and r.component = k.component and r.source_component = k.source_component
            and r.food_id = k.donor_food_id
          join base kb on kb.food_id = k.food_id join base rb on rb.food_id = r.food_id
        where k.source = 'usda-sr28' and k.food_id = '13977' and k.derivation in ('BFPY', 'BFNY') and r.value > 0""")
    seen = {r["component"]: r["retention"] for r in found if r["component"] in factors}
    assert factors["THIA"] == 70
    assert {"THIA", "RIBF", "NIA", "VITB6A", "VITB12"} <= set(seen)
    for component, retention in seen.items():
        assert retention == pytest.approx(factors[component], abs=5 if component == "FOL" else 1.5), component


def test_published_factors_are_whole_numbers(scratch: Workspace) -> None:
    """A 2017 copy of Release 6 is said to hold dates in the factor column: such a row stops the program."""
    path = scratch.schemas / "retention_factors.csv"
    lines = path.read_text(encoding="utf-8").split("\n")
    lines[3] = lines[3].replace(",95,beef", ",5-Sep,beef")
    path.write_text("\n".join(lines), encoding="utf-8")
    with connect() as con, pytest.raises(InputError, match=r"retention_factors\.csv:4.*'5-Sep'"):
        cooking._load_published(con, path)


# --- refusal rules ----------------------------------------------------------------------------------------------------


def judge(model: duckdb.DuckDBPyConnection, component: str = "SE", ingredient: str = "beef-heart") -> Judge:
    return Judge(model, ingredient, component)


def base(judged: Judge, food: str = "13322") -> dict[str, Any]:
    """Beef heart, simmered: measured in both states, twins in name."""
    return judged.prepared_foods(food)[0]


def rules(row: dict[str, Any]) -> list[int]:
    return [r["rule"] for r in row["refusals"]]


def test_the_neighbour_of_every_rule_is_offered(model: duckdb.DuckDBPyConnection) -> None:
    judged = judge(model)
    twin = judged.judge(base(judged))
    assert rules(twin) == []
    assert twin["offer"] == "care"
    assert twin["low"] < twin["value"] < twin["high"]
    # by hand, on the retention of other families and the yield on protein
    assert twin["value"] == pytest.approx(38.9 * twin["yield"] / (twin["retention_pct"] / 100), rel=1e-5)
    assert twin["yield"] == pytest.approx(17.72 / 28.48, rel=1e-4)  # protein of NDB 13321 and 13322
    assert twin["families"] >= 3


@pytest.mark.parametrize("change", [
    {"status": "imputed"}, {"source_code": "4"}, {"n": 0}, {"n": None}, {"derivation": "BFSN"},
    {"value": 0.0}, {"value": None, "status": "below_detection"}])
def test_rule_1_the_donor_is_not_measured(model: duckdb.DuckDBPyConnection, change: dict[str, Any]) -> None:
    judged = judge(model)
    assert rules(judged.judge(base(judged) | change)) == [1]
    assert rules(judged.judge(base(judged) | {"derivation": None})) == []


def test_rule_1_on_a_real_food(model: duckdb.DuckDBPyConnection) -> None:
    """USDA SR28: selenium of cooked fish is mostly BFSN, adjusted on solids: going back returns the assumption."""
    twin = judge(model, "SE", "blue-mussel").donors("15165")[0]
    assert twin["derivation"] == "BFSN"
    assert 1 in rules(twin)
    assert twin["value"] is None


@pytest.mark.parametrize("change", [
    {"state": "cured"}, {"state": "dried"}, {"state": "processed"}, {"additions": '["salt"]'}, {"additions": "unknown"},
    {"class": None, "family": None}, {"raw_additions": '["solution"]'}, {"raw_additions": "unknown"}])
def test_rule_2_more_than_heat(model: duckdb.DuckDBPyConnection, change: dict[str, Any]) -> None:
    judged = judge(model)
    assert 2 in rules(judged.judge(base(judged) | change))


@pytest.mark.parametrize("component", ["PROCNT", "FAT", "F18D2N6", "ARG", "ENERC_KCAL", "ASH"])
def test_rule_3_blocks(model: duckdb.DuckDBPyConnection, component: str) -> None:
    assert 3 in rules(judge(model, component).judge(base(judge(model))))
    assert 3 not in rules(judge(model, "ZN").judge(base(judge(model, "ZN"))))


def test_rule_4_no_measured_retention(model: duckdb.DuckDBPyConnection) -> None:
    for component in ("VITD", "VITK1"):
        judged = judge(model, component)
        assert 4 in [r for d in judged.donors() for r in rules(d)], component
    # minimal: no published value exists, so selenium's row is judged as each of them
    for component in ("ID", "BIOT", "TAU", "CLD", "MK4"):
        assert 4 in rules(judge(model, component).judge(base(judge(model)))), component
    assert 4 not in rules(judge(model, "ZN").judge(base(judge(model, "ZN"))))


def test_rule_5_another_cut_part_or_skin(model: duckdb.DuckDBPyConnection) -> None:
    judged = judge(model)
    assert rules(judged.judge(base(judged) | {"raw_id": None})) == [5]
    thigh = {d["donor_food_id"]: d for d in judge(model, "ZN", "chicken-thigh-meat-and-skin").donors()}
    assert 5 not in rules(thigh["05094"])  # thigh, meat and skin, roasted
    assert 5 in rules(thigh["05098"])      # thigh, meat only, roasted
    assert 5 in rules(thigh["05070"])      # drumstick, meat and skin, stewed
    assert any("skin no against yes" in r["text"] for r in thigh["05098"]["refusals"])


def test_raw_egg_never_from_cooked_egg(model: duckdb.DuckDBPyConnection) -> None:
    """Dossier, section 6: raw and hard-boiled egg differ by sample (thiamin retention 165 %)."""
    for component in ("THIA", "CU", "ZN", "SE", "CHOLN", "RETOL"):
        donors = judge(model, component, "chicken-egg-whole").donors()
        assert donors
        assert all(5 in rules(d) and d["value"] is None for d in donors), component


def test_rule_6_fried_and_fat_soluble(model: duckdb.DuckDBPyConnection) -> None:
    for component in ("NA", "RETOL", "TOCPHA"):
        judged = judge(model, component, "beef-heart" if component != "TOCPHA" else "chicken-liver")
        row = judged.prepared_foods()[0]
        assert 6 in rules(judged.judge(row | {"method_group": "fry"}))
        assert 6 not in rules(judged.judge(row | {"method_group": "moist"}))
    judged = judge(model)
    assert 6 not in rules(judged.judge(base(judged) | {"method_group": "fry"}))  # selenium stays


def test_rule_7_yields(model: duckdb.DuckDBPyConnection) -> None:
    judged = judge(model)
    row = base(judged)
    for share, refused in ((0.44, True), (0.46, False), (0.99, False), (1.01, True)):
        solids = row["cooked_protein"] * share / row["raw_protein"]
        changed = row | {"raw_protein": row["cooked_protein"] * share,
                         # non-fat solids moved alike, so that only the size is out of the ordinary
                         "cooked_water": 40.0, "cooked_fat": 10.0, "raw_fat": 0.0, "raw_water": 100 - 50 * share}
        assert (7 in rules(judged.judge(changed))) is refused, (share, solids)
    for apart, refused in ((0.89, True), (0.92, False), (1.09, False), (1.12, True)):
        changed = row | {"raw_protein": row["cooked_protein"] * 0.7, "cooked_water": 40.0, "cooked_fat": 10.0,
                         "raw_fat": 0.0, "raw_water": 100 - 50 * 0.7 / apart}
        assert (7 in rules(judged.judge(changed))) is refused, apart
    unknown = dict.fromkeys(("raw_protein", "raw_water", "raw_fat"))
    fallback = judged.judge(row | unknown)
    assert fallback["yield_basis"] == "class_median"
    assert 7 not in rules(fallback)
    assert 7 in rules(judged.judge(row | unknown | {"class_yield": None}))


def test_rule_8_too_few_families(model: duckdb.DuckDBPyConnection) -> None:
    judged = judge(model)
    row = base(judged)
    vote = {"component": "SE", "class": "heart", "pool": "organ", "method_group": "moist", "pairs": 1,
            "retention": 100.0}
    judged.votes = [vote | {"family": f"family {i}"} for i in range(2)]
    assert rules(judged.judge(row)) == [8]
    judged.votes.append(vote | {"family": row["family"]})  # its own family does not count
    assert rules(judged.judge(row)) == [8]
    judged.votes.append(vote | {"family": "family 2", "class": "liver"})
    assert judged.judge(row)["level"] == "group and method: organ, moist"
    judged.votes[-1]["class"] = "heart"
    assert judged.judge(row)["level"] == "class and method: heart, moist"


def test_rule_8_the_method_is_not_named(model: duckdb.DuckDBPyConnection) -> None:
    judged = judge(model)
    row = base(judged) | {"method": "unspecified", "method_group": None}
    vote = {"component": "SE", "class": "heart", "pool": "organ", "pairs": 1}

    def votes(fried: float) -> list[dict[str, Any]]:
        return [vote | {"family": f"family {i}", "method_group": m, "retention": r}
                for m, r in (("moist", 100.0), ("fry", fried)) for i in range(3)]

    judged.votes = votes(119.0)
    assert rules(judged.judge(row)) == []
    judged.votes = votes(121.0)
    assert rules(judged.judge(row)) == [8]


def test_rule_9_raw_peers(model: duckdb.DuckDBPyConnection) -> None:
    judged = judge(model)
    row = base(judged)
    value = judged.judge(row)["value"]
    judged.peers = [value * 0.8, value * 0.9, value * 0.99]
    outside = judged.judge(row)
    assert rules(outside) == [9]
    assert outside["value"] == value  # both are reported
    judged.peers = [value * 0.8, value * 0.9, value * 1.01]
    assert rules(judged.judge(row)) == []
    judged.offers["organ"] = judged.offers["organ"] | {"peers_as_good": True}
    assert rules(judged.judge(row)) == [9]
    judged.peers = judged.peers[:2]  # too few to tell
    assert rules(judged.judge(row)) == []


def test_rule_9_potassium_and_magnesium_go_by_raw_peers(errors: dict[str, Any]) -> None:
    """Dossier, section 6: peers rival the cooked twin for ash, K, Mg, P of muscle and K, Mg, P, Na of organs."""
    as_good = {(e["group"], e["component"]) for e in errors["errors"] if e["peers_as_good"]}
    assert {("muscle", c) for c in ("ASH", "K", "MG", "P")} | {("organ", c) for c in ("K", "MG", "P", "NA")} <= as_good
    assert not {("muscle", c) for c in ("ZN", "FE", "SE", "CU", "CA", "VITB6A", "THIA")} & as_good


def test_rule_10_liver(model: duckdb.DuckDBPyConnection) -> None:
    for component in ("RETOL", "FOL", "CU"):
        assert all(10 in rules(d) for d in judge(model, component, "chicken-liver").donors()), component
    assert all(10 not in rules(d) for d in judge(model, "ZN", "chicken-liver").donors())
    assert all(10 not in rules(d) for d in judge(model, "CU", "beef-kidney").donors())


# --- suggest and accepted estimates -----------------------------------------------------------------------------------


def test_a_build_never_estimates_by_itself(built: duckdb.DuckDBPyConnection) -> None:
    decided = scalar(built, "select count(*) from archival.maintainer_decisions where action = 'accept_estimate'")
    estimated = scalar(built, """select count(*) from curated."values" where status = 'estimated_from_cooked'""")
    assert estimated <= decided
    assert scalar(built, """select count(*) from curated."values" v where status = 'estimated_from_cooked'
        and (decision_id is null or evidence or not (low < value and value < high) or donor_state <> 'cooked')""") == 0


def test_suggest_says_what_there_is(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    r = suggest(built, checkout.schemas, "beef-heart", "SE")
    assert json.loads(json.dumps(r))["ingredient_id"] == "beef-heart"
    assert next(t["donor_food_id"] for t in r["cooked"]["offered"]) == "13322"
    assert r["now"]["evidence"]
    assert r["next"][0]["do"] == "nothing"
    assert r == suggest(built, checkout.schemas, "beef-heart", "SE")
    liver = suggest(built, checkout.schemas, "chicken-liver", "CU")
    assert not liver["cooked"]["offered"]
    assert liver["peers"]["n"] == len(liver["peers"]["list"]) >= 3
    assert [p["same_species"] for p in liver["peers"]["list"]] == sorted(
        (p["same_species"] for p in liver["peers"]["list"]), reverse=True)


def test_text_fits_eighty_columns(built: duckdb.DuckDBPyConnection, checkout: Workspace,
                                  errors: dict[str, Any]) -> None:
    for ingredient, component in (("beef-heart", "SE"), ("chicken-liver", "CU"), ("atlantic-mackerel", "VITD"),
                                  ("chicken-egg-whole", "CU"), ("beef-spleen", "VITK1")):
        text = render_suggest(suggest(built, checkout.schemas, ingredient, component), False)
        lines = text.split("\n")
        after_paste = {i + 1 for i, line in enumerate(lines) if line.startswith("  paste into")}
        assert [line for i, line in enumerate(lines) if len(line) > 80 and i not in after_paste] == []
    assert max(map(len, render_errors(errors, False).split("\n"))) <= 80


def test_unknown_names_are_met_with_near_ones(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    with pytest.raises(InputError, match="beef-heart"):
        suggest(built, checkout.schemas, "beef-hart", "SE")
    with pytest.raises(InputError, match="SE"):
        suggest(built, checkout.schemas, "beef-heart", "selenum")
    assert suggest(built, checkout.schemas, "beef heart", "selenium")["component"] == "SE"


def decide(con: duckdb.DuckDBPyConnection, row: str) -> None:
    names = [c[0] for c in con.execute("select * from archival.maintainer_decisions").description or []]
    fields = [field or None for field in next(csv.reader([row]))]
    con.execute(f"insert into archival.maintainer_decisions values ({', '.join('?' * len(names))})", [*fields, 7])


def test_a_pasted_row_is_taken_over_and_the_gap_stays(writable: duckdb.DuckDBPyConnection,
                                                      checkout: Workspace) -> None:
    r = suggest(writable, checkout.schemas, "beef-heart", "SE")
    step = next(s for s in r["next"] if s["do"] == "accept_estimate")
    decide(writable, step["row"])
    gaps = scalar(writable, "select count(*) from curated.gaps")
    assert apply_accepted(writable, checkout.schemas) == 1
    cell = rows(writable, 'select * from curated."values" where ingredient_id = ? and component = ?',
                ["beef-heart", "SE"])[0]
    assert (cell["status"], cell["confidence"], cell["evidence"]) == ("estimated_from_cooked", "D", False)
    assert (cell["donor_food_id"], cell["donor_state"], cell["source_value"]) == ("13322", "cooked", "38.9")
    assert json.loads(cell["steps"]) == ["cooked_to_raw"]
    assert cell["low"] < cell["value"] < cell["high"]
    assert cell["value"] == r["cooked"]["offered"][0]["value"]
    assert "from cooked" in cell["reason"]
    assert cell["decision_id"] == "estimate-beef-heart-se"
    assert scalar(writable, "select count(*) from curated.gaps") == gaps


HEAD = "estimate-x,usda-sr28,"
TAIL = ",accept_estimate,why,source,,open"


@pytest.mark.parametrize(("row", "message"), [
    (HEAD + "13322,317,beef-heart,SE,39.9,A" + TAIL, "fixed by the publisher, or the decision no longer matches"),
    (HEAD + "13322,317,beef-heart,SE,38.9,AR" + TAIL, "fixed by the publisher, or the decision no longer matches"),
    (HEAD + "13322,317,beef-heart,SE,,A" + TAIL, "needs ingredient_id, component and expect_text"),
    (HEAD + "05028,317,beef-heart,SE,38.9,A" + TAIL, "no cooked food of the same animal and part"),
    (HEAD + "13322,309,beef-heart,ZN,2.87,A" + TAIL, "has a raw value"),
])
def test_a_decision_that_does_not_hold_stops_the_build(
        writable: duckdb.DuckDBPyConnection, checkout: Workspace, row: str, message: str) -> None:
    decide(writable, row)
    with pytest.raises(InputError, match=message) as caught:
        apply_accepted(writable, checkout.schemas)
    assert caught.value.where == "raw/maintainer/decisions.csv:7"


@pytest.mark.parametrize(("ingredient", "component", "donor", "message"), [
    ("chicken-liver", "CU", "05028", "refused by rule 10"),
    ("beef-heart", "PROCNT", "13322", "refused by rule 3"),
    ("beef-heart", "THIA", "13322", "refused by rule 9"),
])
def test_refused_and_weak_estimates_are_not_taken_over(
        writable: duckdb.DuckDBPyConnection, checkout: Workspace, ingredient: str, component: str, donor: str,
        message: str) -> None:
    writable.execute("""update curated."values" set evidence = false where ingredient_id = ? and component = ?""",
                     [ingredient, component])
    writable.execute("delete from curated.cell_candidates where ingredient_id = ? and component = ?",
                     [ingredient, component])
    found = rows(writable, """select source_component, text, derivation from reference."values" where food_id = ?
        and component = ? and source = 'usda-sr28'""", [donor, component])[0]
    decide(writable, f"x,usda-sr28,{donor},{found['source_component']},{ingredient},{component},{found['text']},"
                     f"{found['derivation'] or ''}{TAIL}")
    with pytest.raises(InputError, match=message):
        apply_accepted(writable, checkout.schemas)


def test_a_published_factor_begins_with_its_fat_and_ends_below_it(model: duckdb.DuckDBPyConnection) -> None:
    """The USDA table gives finfish by the fat of the raw food (schemas/retention_factors.csv): the end of one
    class is where the next begins, and belongs to that."""
    seen = 0
    for component in ("SE", "THIA", "RIBF", "ZN", "FE"):
        judged = judge(model, component)
        for row in judged.published:
            donor = {"class": row["class"], "method_group": row["method_group"]}
            following = next(
                (r for r in judged.published if all(r[key] == donor[key] for key in donor)
                 and r["raw_fat_from_g"] == row["raw_fat_below_g"]), None)  # fmt: skip
            first = judged._published_factor({**donor, "raw_fat": row["raw_fat_from_g"]})
            assert first is not None and first["retention_pct"] == row["retention_pct"]
            after = judged._published_factor({**donor, "raw_fat": row["raw_fat_below_g"]})
            assert (after and after["retention_pct"]) == (following and following["retention_pct"])
            seen += following is not None
    assert seen
