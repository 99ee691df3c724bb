"""The trial mix: worked conversions and energy examples of the reference, a mix computed by other code, properties,
verdict rules, bad input, renderers. Tables are made up in the columns of the published one, so no build is needed;
the facts of the trade at the end look at the published table."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from collections.abc import Mapping
from datetime import timedelta
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rawref.clock import now
from rawref.errors import InputError, InputErrors
from rawref.lookup.impact import gap_impact
from rawref.mix.assay import ASSAY_BASES, ASSAY_COLUMNS, read_assay
from rawref.mix.compare import compare
from rawref.mix.content import content_of
from rawref.mix.energy import nfe, nrc_digestibility, nrc_gross, nrc_me
from rawref.mix.inputs import MIX_COLUMNS, MixRow, parse_replace, read_mix
from rawref.mix.kcal import energy_of
from rawref.mix.mix import batch_of, evaluate, has_findings
from rawref.mix.shares import shares_of
from rawref.mix.table import WATER_MOLAR_MASS, Component, Ingredient, Table, load_table, read_rules, statuses_of
from rawref.mix.target import reach
from rawref.needs.profile import DEFAULT_NEED, Bound, Need, load_need
from rawref.render.mix import compare_text, mix_csv, mix_text
from rawref.report.profile import draw

from tests.mix_tables import (
    EVIDENCE,
    FORMULA_ROWS,
    FORMULAS,
    RECIPES,
    REPO,
    THIGH,
    UNITS,
    WORKSPACE,
    cells,
    entry,
    ingredient,
    maximum,
    minimum,
    need_of,
    rows_of,
    table_of,
    write_table,
)


@pytest.fixture
def small(tmp_path: Path) -> Table:
    """Thigh, liver, heart, an egg with refuse, a bone-in neck, eggshell, kelp."""
    ingredients = [
        ingredient("chicken-thigh-meat-only"),
        ingredient("chicken-liver", part="liver", cautions='["liver_vitamin_a"]'),
        ingredient("beef-heart", species="cattle", part="heart", refuse_pct="29"),
        ingredient("atlantic-mackerel", species="atlantic-mackerel"),
        ingredient("eggshell-powder", part="shell", kind="addition"),
        ingredient("kelp-dried", species="none", part="plant", kind="addition", cautions='["kelp_iodine"]'),
        ingredient("taurine", species="none", part="amino_acid", kind="addition", cautions='["pure_substance"]'),
    ]
    values = [
        *cells("chicken-thigh-meat-only", **THIGH, CA="7 5 9", P="185", MN="0.013", RETOL="20", NA="95", MET="0.5"),
        *cells("chicken-thigh-meat-only", "assumed_zero", CHOCDF="0", FIBTG="0", VITD="0"),
        *cells(
            "chicken-liver", WATER="76.46", PROCNT="16.92", FAT="4.83", ASH="1.06", CHOCDF="0.73", CA="8", P="297",
            MN="0.255", RETOL="3290 1600 14000", NA="71", MET="0.43", CYS="0.24", TAU="110",
        ),
        *cells("beef-heart", WATER="77.11", PROCNT="17.72", FAT="3.94", ASH="1.1", CHOCDF="0.14", CA="7", P="212"),
        *cells("beef-heart", "imputed", MN="0.035"),
        *cells("beef-heart", "below_detection", VITD="- 0 0.1"),
        *cells("atlantic-mackerel", WATER="63.55", PROCNT="18.6", FAT="13.89", ASH="1.35", CHOCDF="0", VITD="16.1"),
        *cells("eggshell-powder", CA="37000", P="150"),
        *cells("kelp-dried", WATER="10", PROCNT="8", FAT="1", ASH="30", CHOCDF="51", ID="80000"),
        *cells("taurine", TAU="100000"),
    ]  # fmt: skip
    return table_of(tmp_path / "curated", ingredients, values, {("beef-heart", "RETOL"): "60"})


# ---------------------------------------------------------------------------------------------- external: energy


def test_energy_examples_en17_to_en23() -> None:
    """worked_examples.csv en17 to en23. Sources: Missouri 2 CSR 70-31.080 (modified Atwater); FEDIAF energy annex
    (reprint), after NRC 2006; applied to USDA SR28 NDB 05096."""
    n = nfe(Fraction(27), Fraction(14), Fraction(10), Fraction(6), Fraction(2))
    assert n == 41  # en18
    assert FORMULAS["modified_atwater"]["all"].kcal(Fraction(27), Fraction(14), n) == 357  # en17
    protein, fat, none = Fraction("19.66"), Fraction("4.12"), Fraction(0)
    assert float(FORMULAS["fediaf_natural_cat"]["all"].kcal(protein, fat, none)) == pytest.approx(113.66, abs=0.01)
    assert float(FORMULAS["modified_atwater"]["all"].kcal(protein, fat, none)) == pytest.approx(103.83, abs=0.01)
    assert float(nrc_gross(protein, fat, none, none)) == pytest.approx(150.79, abs=0.01)
    assert float(nrc_me(protein, fat, none, none, Fraction("23.78"))) == pytest.approx(117.41, abs=0.01)
    assert float(nrc_digestibility(Fraction(2) / 90 * 100)) == pytest.approx(85.94, abs=0.01)
    # en07: Atwater specific, muscle, 121 kcal
    assert float(FORMULAS["atwater_specific"]["meat"].kcal(protein, fat, none)) == pytest.approx(121, abs=0.5)


# Protein, fat and carbohydrate per 100 g and the energy that USDA SR28 prints for the food (203, 204, 205, 208).
PRINTED = [
    ("egg", "12.56", "9.51", "0.72", 143),  # 01123, worked_examples.csv en01
    ("meat", "16.92", "4.83", "0.73", 119),  # 05027, en04
    ("meat", "20.36", "3.63", "3.89", 135),  # 13325, en05
    ("shellfish_and_tongue", "9.45", "2.3", "4.95", 81),  # 15171, en06
    ("milk", "3.15", "3.25", "4.80", 61),  # 01077, whole milk
    ("gelatin", "85.60", "0.10", "0.00", 335),  # 19177, dry powder
    ("animal_fat", "0.00", "100.00", "0.00", 902),  # 04002, lard
    ("vegetable", "2.82", "0.37", "6.64", 34),  # 11090, broccoli
    ("root", "0.93", "0.24", "9.58", 41),  # 11124, carrots
    ("fruit", "0.74", "0.33", "14.49", 57),  # 09050, blueberries
]


@pytest.mark.parametrize(("food_class", "protein", "fat", "carbohydrate", "kcal"), PRINTED)
def test_atwater_specific_reproduces_the_published_energy(
    food_class: str, protein: str, fat: str, carbohydrate: str, kcal: int
) -> None:
    """Every row of schemas/energy_formulas.csv against energy that a publisher prints, no source file needed."""
    found = FORMULAS["atwater_specific"][food_class].kcal(Fraction(protein), Fraction(fat), Fraction(carbohydrate))
    assert float(found) == pytest.approx(kcal, abs=0.6)


def test_every_energy_factor_is_held_by_a_published_figure_and_by_its_step() -> None:
    """The classes above are all there are, and the formulas of schemas/conversions.csv print the same factors."""
    assert {row["class"] for row in FORMULA_ROWS if row["formula"] == "atwater_specific"} == {row[0] for row in PRINTED}
    assert {row["formula"] for row in FORMULA_ROWS} == {"fediaf_natural_cat", "modified_atwater", "atwater_specific"}
    with (REPO / "schemas" / "conversions.csv").open(encoding="utf-8", newline="") as file:
        steps = {row[0]: row for row in csv.reader(file)}
    for row in FORMULA_ROWS:
        formula = next(cell for cell in steps[row["step"]] if "*P" in cell or "*F" in cell)
        stated = {letter: Fraction(factor) for factor, letter in re.findall(r"([0-9.]+)\*(P|F|C|NFE)\b", formula)}
        carbohydrate = stated.get("C", stated.get("NFE", Fraction(0)))
        assert (stated.get("P", 0), stated["F"], carbohydrate) == (
            Fraction(row["protein"]), Fraction(row["fat"]), Fraction(row["carbohydrate"])
        ), row["step"]  # fmt: skip


def test_worked_conversion_2_calcium_of_a_raw_mix(tmp_path: Path) -> None:
    """Reference notes on cat nutrition, section 4, worked conversion 2, and the energies of section 5."""
    given = cells("mix", WATER="68", PROCNT="19", FAT="10", ASH="2.2", CHOCDF="0.8", FIBTG="0", CA="300", P="250")
    table = table_of(tmp_path / "t", [ingredient("mix")], given)
    result = evaluate(table, rows_of(("mix", 250)), load_need(WORKSPACE))
    assert result["energy_kcal"] == pytest.approx(164.2 * 2.5)
    assert result["energy_density_kcal_per_g_dm"] * 1000 == pytest.approx(5131, abs=0.5)
    assert result["energy_density_kcal_per_g"] == pytest.approx(1.642)
    assert result["moisture_pct"] == pytest.approx(68)
    by_formula = {row["formula"]: row["kcal_per_100g"] for row in result["energies"]}
    assert by_formula["modified_atwater"] == pytest.approx(154, abs=0.5)
    assert by_formula["fediaf_natural_cat"] == pytest.approx(164, abs=0.5)
    assert by_formula["nrc_2006"] == pytest.approx(166, abs=0.5)
    calcium = entry(result, "CA")
    assert calcium["per_1000kcal"] == pytest.approx(1830, abs=5)
    assert calcium["per_100g_dm"] == pytest.approx(940, abs=3)
    for name, least in ((DEFAULT_NEED, 1325), ("aafco-2016-adult", 1500), ("nrc-2006-adult", 720)):
        found = entry(evaluate(table, rows_of(("mix", 250)), load_need(WORKSPACE, name)), "CA")
        assert (found["minimum"], found["verdict"]) == (pytest.approx(least), "meets")
    # AAFCO 0.6 % of dry matter corrected to the density of the mix is 0.77 %
    assert 0.6 * result["energy_density_kcal_per_g_dm"] / 4 == pytest.approx(0.77, abs=0.005)


def test_as_purchased_and_dry_matter_of_the_publisher() -> None:
    """worked_examples.csv m02 (Danish formula; SR28 NDB 13321, refuse 29 %): buy 140.85 g for 100 g edible."""
    assert float(Fraction(100) / (1 - Fraction(29, 100))) == pytest.approx(140.85, abs=0.01)


# ------------------------------------------------------------------------------------ a mix by other code


def test_a_mix_computed_by_other_code(small: Table, tmp_path: Path) -> None:
    """The same mix from the CSV files with csv and fractions alone: energy, totals, ranges, shares, Ca:P."""
    mix = {"chicken-thigh-meat-only": 700, "chicken-liver": 50, "beef-heart": 200, "eggshell-powder": 6, "water": 44}
    file = tmp_path / "mix.csv"
    file.write_text("ingredient_id,grams\n" + "".join(f"{k},{v}\n" for k, v in mix.items()), encoding="utf-8")
    result = evaluate(small, read_mix(file), load_need(WORKSPACE))
    with (tmp_path / "curated" / "values.csv").open(encoding="utf-8", newline="") as source:
        given = {(row["ingredient_id"], row["component"]): row for row in csv.DictReader(source)}

    def amount(component: str, column: str = "value") -> Fraction:
        total = Fraction(0)
        for key, grams in mix.items():
            row = given.get((key, component), {})
            text = row.get(column) or row.get("value")
            if text and row["status"] not in {"assumed_zero", "missing"}:
                total += Fraction(text) * grams / 100
        return total

    kcal = 4 * amount("PROCNT") + Fraction("8.5") * amount("FAT") + 4 * amount("CHOCDF")
    assert result["energy_kcal"] == float(kcal)
    assert result["grams"] == 1000
    calcium = entry(result, "CA")
    assert calcium["amount"] == float(amount("CA"))
    assert calcium["low"] == float(amount("CA") - 700 * Fraction(2, 100))
    assert calcium["high"] == float(amount("CA") + 700 * Fraction(2, 100))
    assert calcium["per_1000kcal"] == float(amount("CA") / kcal * 1000)
    assert calcium["per_100g"] == float(amount("CA") / 10)
    assert calcium["per_ounce"] == pytest.approx(float(amount("CA")) * 28.349523125 / 1000)
    assert calcium["unknown_share"] == 0
    assert result["calcium_phosphorus_ratio"] == float(amount("CA") / amount("P"))
    assert result["meat_pct"] == 95 and result["additions_pct"] == 0.6
    retinol = entry(result, "RETOL")
    assert retinol["unknown_from"] == ["beef-heart", "eggshell-powder"]
    assert retinol["unknown_share"] == 0.206
    manganese = entry(result, "MN")
    assert manganese["imputed_from"] == ["beef-heart"]
    assert manganese["amount"] == float(amount("MN"))
    vitamin_d = entry(result, "VITD")  # thigh assumed zero, heart below detection, liver and shell missing
    assert vitamin_d["amount"] is None and vitamin_d["low"] == 0
    assert vitamin_d["high"] > 1e7  # nothing but the weight of the food bounds it
    assert vitamin_d["range_from"] == ["beef-heart"]
    assert vitamin_d["unknown_from"] == ["chicken-liver", "chicken-thigh-meat-only", "eggshell-powder"]


def test_per_day_follows_weight_and_activity(small: Table) -> None:
    """FEDIAF: 75 and 100 kcal per kg^0.67."""
    mix = rows_of(("chicken-thigh-meat-only", 100))
    indoor = evaluate(small, mix, load_need(WORKSPACE), weight_kg=4)
    active = evaluate(small, mix, load_need(WORKSPACE, "fediaf-2021-adult-mer100"), weight_kg=4)
    chosen = evaluate(small, mix, load_need(WORKSPACE), weight_kg=4, activity="overweight")
    assert indoor["daily"]["kcal"] == pytest.approx(75 * 4**0.67)
    assert active["daily"]["kcal"] == pytest.approx(100 * 4**0.67)
    assert chosen["daily"]["kcal"] == pytest.approx(130 * 4**0.4)
    calcium = entry(indoor, "CA")
    assert calcium["per_day"] == pytest.approx(calcium["per_1000kcal"] * indoor["daily"]["kcal"] / 1000)
    assert indoor["daily"]["grams"] == pytest.approx(indoor["daily"]["kcal"] / indoor["energy_density_kcal_per_g"])


# --------------------------------------------------------------------------------------------- verdict rules


def test_each_verdict(small: Table, tmp_path: Path) -> None:
    mix = rows_of(("chicken-thigh-meat-only", 100))  # 113.66 kcal
    lines = [
        minimum("CA", "40", "mg"),  # low end 5 mg is 44 per 1000 kcal
        minimum("P", "2000", "mg"),
        minimum("VITD", "1", "ug"),  # assumed zero, no peers
        maximum("NA", "800", "mg"),  # 836
        minimum("RETOL", "100", "ug"),
        minimum("TAU", "325", "mg", "dry"),
        minimum("TAU", "675", "mg", "canned"),
        minimum("MET+CYS", "5", "g"),  # cystine missing, methionine alone is 4.4 per 1000 kcal
    ]
    result = evaluate(small, mix, need_of(tmp_path, *lines))
    verdicts = {row["component"]: row["verdict"] for row in result["components"]}
    assert verdicts["CA"] == "meets" and verdicts["P"] == "short" and verdicts["NA"] == "over"
    assert verdicts["VITD"] == "undecided" and verdicts["RETOL"] == "meets" and verdicts["MG"] == "no_requirement"
    assert verdicts["TAU"] == verdicts["WATER"] == "no_requirement" and verdicts["MET+CYS"] == "undecided"
    taurine = entry(result, "TAU")
    assert taurine["minimum"] is None
    assert [row["per_1000kcal"] for row in taurine["other_figures"]] == [325, 675]
    assert "325" in taurine["reason"] and "675" in taurine["reason"]
    assert entry(result, "MET+CYS")["decided_by"][0]["component"] == "CYS"
    assert entry(result, "VITD")["decided_by"][0]["ingredient_id"] == "chicken-thigh-meat-only"
    assert entry(result, "CA")["minimum_standing"] == "memory" and entry(result, "CA")["rests_on_memory"]
    assert has_findings(result) and not has_findings(evaluate(small, mix, need_of(tmp_path, minimum("CA", "20", "mg"))))


def test_taurine_has_no_requirement_and_the_published_figures_beside_it(small: Table) -> None:
    """Reference notes, section 7: no standard has a minimum for raw food."""
    rich = evaluate(small, rows_of(("chicken-liver", 100), ("taurine", 5)), load_need(WORKSPACE))
    assert entry(rich, "TAU")["verdict"] == "no_requirement"
    assert {row["compares"] for row in entry(rich, "TAU")["other_figures"]} == {"above"}


def test_short_needs_a_bound_on_the_unknown(tmp_path: Path) -> None:
    values = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0")
    need = need_of(tmp_path, minimum("MN", "1.2", "mg"))
    for peers, verdict in ((None, "undecided"), ("0.1", "short"), ("0.5", "undecided")):
        table = table_of(tmp_path / f"t{peers}", [ingredient("a")], values, {("a", "MN"): peers} if peers else None)
        found = entry(evaluate(table, rows_of(("a", 100)), need), "MN")
        assert found["verdict"] == verdict
        assert found["amount"] is None and found["unknown_share"] == 1
        # without comparable foods the rest of 100 g bounds it, at least the 5 g that analyses may err by
        assert found["high"] == (float(peers) if peers else 5000)


def test_imputed_counts_and_is_flagged_assumed_zero_does_not(tmp_path: Path) -> None:
    base = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0")
    need = need_of(tmp_path, minimum("MN", "1", "mg"))
    counts = {"known": "meets", "range": "undecided", "unknown": "undecided", "nothing": "short"}
    for status, how in statuses_of(WORKSPACE.schemas).items():  # a status that is added needs no code
        verdict = counts[how.counts]
        table = table_of(tmp_path / status, [ingredient("a")], [*base, *cells("a", status, MN="5")])
        found = entry(evaluate(table, rows_of(("a", 100)), need), "MN")
        assert found["verdict"] == verdict, status
        assert found["imputed_from"] == (["a"] if status == "imputed" else [])


def test_a_borrowed_figure_counts_as_a_range(tmp_path: Path) -> None:
    """design.md section 4: a stand-in is no evidence. 200 mg of another animal's bone, 100 to 300 by the table."""
    base = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0")  # 114 kcal
    table = table_of(tmp_path / "t", [ingredient("a")], [*base, *cells("a", "borrowed", CA="200 100 300")])
    for least, verdict in (("800", "meets"), ("1700", "undecided"), ("3000", "short")):
        found = entry(evaluate(table, rows_of(("a", 100)), need_of(tmp_path, minimum("CA", least, "mg"))), "CA")
        assert found["verdict"] == verdict
        assert (found["amount"], found["low"], found["high"]) == (100, 100, 300)
        assert found["range_from"] == found["estimated_from"] == ["a"]


def test_a_figure_published_as_a_range_counts_its_low_end(tmp_path: Path) -> None:
    """Poultry bone: calcium has a low and a high and no point."""
    base = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0")  # 114 kcal
    table = table_of(tmp_path / "t", [ingredient("a")], [*base, *cells("a", "composed", CA="- 100 300", P="100")])
    for least, verdict in (("800", "meets"), ("1000", "undecided"), ("3000", "short")):
        result = evaluate(table, rows_of(("a", 100)), need_of(tmp_path, minimum("CA", least, "mg")))
        found = entry(result, "CA")
        assert found["verdict"] == verdict
        assert (found["amount"], found["low"], found["high"]) == (100, 100, 300) and found["range_from"] == ["a"]
        ratio = entry(result, "CA/P")
        assert ratio["amount"] == 1
        assert (ratio["low"], ratio["high"]) == (pytest.approx(1, rel=0.01), pytest.approx(3, rel=0.01))


def test_a_doubtful_imputed_zero_is_no_upper_bound(tmp_path: Path) -> None:
    base = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0")
    folder = write_table(tmp_path / "t", [ingredient("a")], [*base, *cells("a", "imputed", VITD="0")])
    gaps = folder / "gaps.csv"
    gaps.write_text(gaps.read_text(encoding="utf-8").replace("only_imputed", "doubtful_zero"), encoding="utf-8")
    found = entry(
        evaluate(load_table(WORKSPACE, folder), rows_of(("a", 100)), need_of(tmp_path, minimum("VITD", "2", "ug"))),
        "VITD",
    )
    assert found["verdict"] == "undecided" and found["amount"] == 0 and found["imputed_from"] == ["a"]


def test_below_detection_counts_as_its_range(tmp_path: Path) -> None:
    base = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0")  # 114 kcal
    table = table_of(tmp_path / "t", [ingredient("a")], [*base, *cells("a", "below_detection", VITD="- 0 0.1")])
    for least, verdict in (("0.5", "undecided"), ("1", "short")):
        found = entry(evaluate(table, rows_of(("a", 100)), need_of(tmp_path, minimum("VITD", least, "ug"))), "VITD")
        assert found["verdict"] == verdict and found["unknown_share"] == 0 and found["amount"] is None
        assert (found["low"], found["high"]) == (0, 0.1)


def test_unknown_energy_is_counted_against_a_minimum_only(tmp_path: Path) -> None:
    known = cells("a", WATER="75", PROCNT="20", FAT="4", ASH="1", CHOCDF="0", MN="1", RETOL="10")  # 114 kcal
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], [*known, *cells("b", MN="0", RETOL="0")])
    mix = rows_of(("a", 100), ("b", 10))  # b could add up to 85 kcal
    need = need_of(tmp_path, minimum("MN", "7", "mg"), maximum("RETOL", "87", "ug"))
    result = evaluate(table, mix, need)
    assert result["energy_kcal"] == 114 and result["energy_unknown_from"] == ["b"]
    assert result["energy_high_kcal"] == 199
    assert entry(result, "MN")["verdict"] == "undecided"  # 8.8 at 114 kcal, 5.0 at 199
    assert entry(result, "RETOL")["verdict"] == "undecided"  # 87.7 at 114 kcal: not over, it could be diluted
    assert any(row["code"] == "energy_incomplete" for row in result["cautions"])


def test_carbohydrate_by_difference_is_never_unknown_with_the_other_four_known(tmp_path: Path) -> None:
    """FAO/INFOODS: CHOCDF = 100 - (water + protein + fat + ash); an assumed zero of the source stays zero."""
    for extra, kcal in (([], 4 * 20 + 8.5 * 4 + 4 * 2), (cells("a", "assumed_zero", CHOCDF="0"), 4 * 20 + 8.5 * 4)):
        values = [*cells("a", WATER="73", PROCNT="20", FAT="4", ASH="1"), *extra]
        table = table_of(tmp_path / f"t{len(extra)}", [ingredient("a")], values)
        result = evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE))
        assert result["energy_kcal"] == kcal and result["energy_unknown_from"] == []


def test_fat_of_a_food_is_the_same_above_and_below_the_line(tmp_path: Path) -> None:
    """4 to 14 g fat about 9 beside 20 g protein: 8.5 x fat is a part of the energy, so per 1000 kcal the ends are
    4/(80+34) = 35 and 14/(80+119) = 70, not 4/199 = 20 and 14/114 = 123."""
    values = cells("a", WATER="70", PROCNT="20", FAT="9 4 14", ASH="1", CHOCDF="0")
    table = table_of(tmp_path / "t", [ingredient("a")], values)
    fat = entry(evaluate(table, rows_of(("a", 100)), need_of(tmp_path, minimum("FAT", "22.5", "g"))), "FAT")
    assert fat["per_1000kcal_low"] == pytest.approx(35.1, rel=0.02)
    assert fat["per_1000kcal_high"] == pytest.approx(70.4, rel=0.02)
    assert fat["verdict"] == "meets"


def test_water_is_an_ingredient_and_dilutes_nothing_per_1000kcal(small: Table) -> None:
    dry = evaluate(small, rows_of(("chicken-liver", 100)), load_need(WORKSPACE))
    wet = evaluate(small, rows_of(("chicken-liver", 100), ("water", 100)), load_need(WORKSPACE))
    assert [row["per_1000kcal"] for row in wet["components"] if row["component"] != "WATER"] == [
        row["per_1000kcal"] for row in dry["components"] if row["component"] != "WATER"
    ]
    assert wet["moisture_pct"] == pytest.approx((76.46 + 100) / 2)
    only = evaluate(small, rows_of(("water", 100)), load_need(WORKSPACE))
    assert only["energy_kcal"] == 0 and entry(only, "CA")["verdict"] == "undecided"
    assert entry(only, "CA")["per_1000kcal"] is None


def test_kelp_iodine_needs_an_assay(small: Table, tmp_path: Path) -> None:
    """Reference notes, section 8: never use a table value, require the product's assay."""
    mix = rows_of(("chicken-liver", 100), ("kelp-dried", 1))
    without = evaluate(small, mix, load_need(WORKSPACE))
    assert "kelp-dried" in entry(without, "ID")["unknown_from"]
    assert any(row["code"] == "kelp_iodine" for row in without["cautions"])
    file = tmp_path / "assay.csv"
    file.write_text(
        "ingredient_id,component,value,unit,basis,laboratory,date,low,high,note\n"
        "kelp-dried,ID,700,mg,per_kg,A laboratory,2024-05-01,600,800,batch 7\n"
        "chicken-liver,ID,2.4,ug,per_100g,label,2024-05-01\n",
        encoding="utf-8",
    )
    assays = read_assay(file, small, "assay.csv")
    found = evaluate(small, mix, load_need(WORKSPACE), assay=assays)
    iodine = entry(found, "ID")
    assert iodine["amount"] == 702.4
    assert (iodine["low"], iodine["high"]) == (pytest.approx(602.4), pytest.approx(802.4))
    assert iodine["assayed_from"] == ["chicken-liver", "kelp-dried"] and iodine["unknown_share"] == 0
    assert iodine["verdict"] == "over"  # 5900 ug per 1000 kcal against the tolerance of 1420 (EFSA 2014)
    assert found["assays"][1]["where"] == "assay.csv:2" and found["assays"][1]["laboratory"] == "A laboratory"
    assert not any(row["code"] == "kelp_iodine" for row in found["cautions"])


def test_assay_on_dry_matter_and_for_an_own_product(small: Table, tmp_path: Path) -> None:
    file = tmp_path / "assay.csv"
    file.write_text(
        "ingredient_id,component,value,unit,basis,laboratory,date\n"
        "my-powder,VITD,400,IU,per_g,label,2024-01-31\n"
        "my-powder,MN,50,mg,per_kg_DM,label,2024-01-31\n"
        "my-powder,WATER,10,pct,per_100g,label,2024-01-31\n",
        encoding="utf-8",
    )
    with pytest.raises(InputErrors, match="3 faults"):
        read_assay(file, small)  # a product of the user's own only where the mix names it
    assays = read_assay(file, small, also=["my-powder"])
    assert assays["my-powder", "VITD"].cell.value == 1000  # 400 IU/g x 0.025 ug x 100 g
    assert assays["my-powder", "MN"].cell.value == Fraction("4.5")  # 5 mg per 100 g DM x 0.9
    result = evaluate(small, rows_of(("chicken-liver", 99), ("my-powder", 1)), load_need(WORKSPACE), assay=assays)
    assert entry(result, "VITD")["amount"] == 10 and result["additions_pct"] == 1
    assert "my-powder" in result["energy_unknown_from"]
    assert "Not in the table, so taken as a product of your own: my-powder." in mix_text(result)


def test_a_pure_substance_is_unknown_but_holds_nothing_else(small: Table) -> None:
    found = evaluate(small, rows_of(("chicken-thigh-meat-only", 100), ("taurine", 1)), load_need(WORKSPACE))
    phosphorus, manganese = entry(found, "P"), entry(found, "MN")
    assert phosphorus["unknown_from"] == ["taurine"] and phosphorus["high"] == 185
    assert manganese["verdict"] == "short"
    assert found["energy_unknown_from"] == []


def test_what_cannot_be_there_is_known_to_be_nothing(tmp_path: Path) -> None:
    """design.md section 4: not_applicable counts as nothing; missing beside it stays unknown."""
    rows = cells("pumpkin", "not_applicable", RETOL="-", TAU="-")
    rows += cells("pumpkin", WATER="91.6", PROCNT="1", FAT="0.1", ASH="0.8", CHOCDF="6.5")
    table = table_of(tmp_path, [ingredient("pumpkin", "plant", "plant")], rows)
    found = evaluate(table, rows_of(("pumpkin", 100)), load_need(WORKSPACE))
    for component in ("RETOL", "TAU"):
        got = entry(found, component)
        assert (got["amount"], got["high"], got["unknown_from"]) == (0, 0, []), got
    assert entry(found, "RETOL")["verdict"] == "short"
    assert entry(found, "VITB12")["unknown_from"] == ["pumpkin"]


def test_as_purchased_takes_the_refuse_off(small: Table, tmp_path: Path) -> None:
    """worked_examples.csv m02: SR28 NDB 13321, refuse 29 %: 140.85 g bought are 100 g edible."""
    file = tmp_path / "mix.csv"
    file.write_text(
        "ingredient_id,grams,as_purchased\nbeef-heart,140.85,yes\nchicken-liver,10,no\nbeef-heart,5,\n",
        encoding="utf-8",
    )
    result = evaluate(small, read_mix(file), load_need(WORKSPACE))
    heart = result["ingredients"][0]
    assert heart["grams"] == pytest.approx(105, abs=0.01) and heart["grams_as_purchased"] == 140.85
    file.write_text("ingredient_id,grams,as_purchased\nchicken-liver,100,yes\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"refuse of chicken-liver is unknown"):
        evaluate(small, read_mix(file), load_need(WORKSPACE))


def test_without_replace_and_compare(small: Table) -> None:
    mix = rows_of(("chicken-thigh-meat-only", 100), ("chicken-liver", 50))
    need = load_need(WORKSPACE)
    before = evaluate(small, mix, need)
    left = evaluate(small, mix, need, without=["chicken-liver"])
    assert left["grams"] == 100 and [row["ingredient_id"] for row in left["ingredients"]] == ["chicken-thigh-meat-only"]
    swapped = evaluate(small, mix, need, replace=parse_replace(["chicken-thigh-meat-only=beef-heart"]))
    assert [row["ingredient_id"] for row in swapped["ingredients"]] == ["beef-heart", "chicken-liver"]
    comparison = compare(before, left)
    retinol = next(row for row in comparison["components"] if row["component"] == "RETOL")
    assert retinol["before"] > retinol["after"] and retinol["change"] < 0
    assert set(comparison["verdicts_changed"]) == {
        row["component"] for row in comparison["components"] if row["verdict_before"] != row["verdict_after"]
    }
    assert "RETOL" in compare_text(comparison, (before, left))


# -------------------------------------------------------------------------------------------------- properties

COMPONENTS = ("WATER", "PROCNT", "FAT", "ASH", "CHOCDF", "FIBTG", "CA", "P", "RETOL", "MET", "CYS")
AMOUNTS = st.integers(0, 400).map(str)


def memory_table(contents: Mapping[str, Mapping[str, tuple[str | None, ...]]], peers: Mapping[str, str]) -> Table:
    """A table without files: contents by ingredient and component as (status, value, low, high, decision)."""
    raw_cells = {(key, component): cell for key, row in contents.items() for component, cell in row.items()}
    raw_gaps = {
        (key, component): ("not_reported", "", "", "3", "0", "0", peers.get(key))
        for key in contents
        for component in COMPONENTS
        if raw_cells.get((key, component), ("missing",))[0] not in EVIDENCE
    }
    return Table(
        {key: Ingredient(key, key, "chicken", "bird", "muscle", "raw", "no", None, ()) for key in contents},
        {key: Component(key, key, UNITS[key], "", True) for key in COMPONENTS},
        raw_cells,
        raw_gaps,
        formulas=FORMULA_ROWS,
        rules=read_rules(WORKSPACE.schemas / "mix_rules.csv"),
        statuses=statuses_of(WORKSPACE.schemas),
    )


@st.composite
def contents(draw: st.DrawFn) -> dict[str, tuple[str | None, ...]]:
    """Proximates of a real food, and other components known with or without spread, ranged, or unknown."""
    protein, fat, water = draw(st.integers(5, 25)), draw(st.integers(0, 30)), draw(st.integers(30, 40))
    found: dict[str, tuple[str | None, ...]] = {
        "PROCNT": ("measured", str(protein), None, None, None), "FAT": ("measured", str(fat), None, None, None),
        "WATER": ("measured", str(water), None, None, None), "ASH": ("measured", "1", None, None, None),
    }  # fmt: skip
    for component in ("CA", "P", "RETOL", "MET", "CYS"):
        status = draw(st.sampled_from(["measured", "imputed", "assumed_zero", "missing", "below_detection"]))
        low, value, high = sorted(draw(st.tuples(*[st.integers(0, 400)] * 3)))
        spread = draw(st.booleans())
        if status == "missing":
            found[component] = (status, None, None, None, None)
        elif status == "below_detection":
            found[component] = (status, None, "0", str(high) if spread else None, None)
        else:
            found[component] = (status, str(value), *((str(low), str(high)) if spread else (None, None)), None)
    return found


def bounded_need(component: str, least: int, most: int) -> Need:
    """A profile of one component; a negative number leaves the bound out."""
    unit = "ratio" if "/" in component else {**UNITS, "MET+CYS": "g"}[component]
    rows = tuple(
        Bound(
            component, bound, "", Fraction(value), unit, "per_1000kcal_ME", "", "", "seen", "", "", 2, Fraction(value)
        )
        for bound, value in (("minimum", least), ("maximum", most))
        if value >= 0
    )
    return Need("own", "own.csv", None, rows)


TARGETS = st.sampled_from(["RETOL", "CA", "CA/P", "MET+CYS"])


@settings(max_examples=25, deadline=None)
@given(
    foods=st.lists(contents(), min_size=1, max_size=3),
    unknown=contents(),
    grams=st.lists(st.integers(1, 500), min_size=4, max_size=4),
    peers=st.one_of(st.none(), AMOUNTS),
    target=TARGETS,
    least=st.integers(0, 2000),
)
def test_an_unknown_never_helps(
    foods: list[dict[str, tuple[str | None, ...]]], unknown: dict[str, tuple[str | None, ...]], grams: list[int],
    peers: str | None, target: str, least: int,
) -> None:  # fmt: skip
    """Adding an ingredient of unknown content never raises the low end of the chance that a minimum is met, whatever
    its energy, its peers and its other contents are."""
    part = {"CA/P": "CA", "MET+CYS": "CYS"}.get(target, target)
    hidden = {**unknown, part: ("missing", None, None, None, None)}
    if target == "MET+CYS":
        hidden["MET"] = hidden[part]
    own = {f"f{n}": food for n, food in enumerate(foods)}
    table = memory_table({**own, "x": hidden}, {"x": peers} if peers is not None else {})
    need = bounded_need(target, least // 500 if target == "CA/P" else least, -1)
    mix = rows_of(*((f"f{n}", grams[n]) for n in range(len(foods))))
    before = entry(evaluate(table, mix, need), target)["chance_minimum"]
    after = entry(evaluate(table, [*mix, *rows_of(("x", grams[3]))], need), target)["chance_minimum"]
    assert after[0] <= before[0] + 0.02  # points of a hundred that the method may be off by


@settings(max_examples=15, deadline=None)
@given(
    foods=st.lists(contents(), min_size=1, max_size=3),
    grams=st.lists(st.integers(1, 500), min_size=3, max_size=3),
    scale=st.fractions(min_value=Fraction(1, 1000), max_value=1000),
    cut=st.fractions(min_value=Fraction(1, 100), max_value=Fraction(99, 100)),
)
def test_scaling_and_splitting_change_nothing(
    foods: list[dict[str, tuple[str | None, ...]]], grams: list[int], scale: Fraction, cut: Fraction
) -> None:
    """Per 1000 kcal, verdicts and shares are the same numbers, bit for bit, whatever the batch and the rows."""
    table = memory_table({f"f{n}": food for n, food in enumerate(foods)}, {})
    need = bounded_need("RETOL", 500, 3000)
    mix = rows_of(*((f"f{n}", grams[n]) for n in range(len(foods))))
    first = evaluate(table, mix, need)
    scaled = evaluate(table, [MixRow(r.ingredient_id, r.grams * scale, False, r.where) for r in mix], need)
    head = mix[0]
    split = evaluate(
        table,
        [
            MixRow(head.ingredient_id, head.grams * cut, False, "a"),
            *mix[1:],
            MixRow(head.ingredient_id, head.grams * (1 - cut), False, "b"),
        ],
        need,
    )
    # the order of first mention is kept, so a split mix is the same document
    assert json.dumps(split) == json.dumps(first)
    for one, other in zip(first["components"], scaled["components"], strict=True):
        for key in ("per_1000kcal", "per_1000kcal_low", "per_1000kcal_high", "unknown_share", "verdict", "per_100g"):
            assert one[key] == other[key], (one["component"], key)


# --------------------------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("content", "problem", "cure"),
    [
        ("ingredient_id,grams\n", "the mix is empty", "at least one row"),
        ("", "the file is empty", "heading"),
        ("ingredient,grams\nchicken-liver,1\n", "no column ingredient_id", "heading"),
        ("ingredient_id,grams\nchicken-liver,-5\n", "grams is negative", "above zero"),
        ("ingredient_id,grams\nchicken-liver,lots\n", "grams is 'lots'", "decimal point"),
        ("ingredient_id,grams\nchicken-liver,nan\n", "grams is 'nan'", "number"),
        ("ingredient_id,grams\nchicken-liver,\n", "grams is missing", "number"),
        ("ingredient_id,grams\nchicken-liver,0\n", "grams is '0'", "leave the row out"),
        ('ingredient_id,grams\nchicken-liver,"1,5"\n', "grams is '1,5'", "decimal point"),
        ("ingredient_id,grams\n,5\n", "no ingredient", "first column"),
        ("ingredient_id,grams\nchicken-liver,5\nchicken-liver,5\n", "already on line 2", "add the grams up"),
        ("ingredient_id,grams,as_purchased\nchicken-liver,5,maybe\n", "as_purchased is 'maybe'", "yes, no"),
        ("ingredient_id,grams\nchicken-liver,5,6,7\n", "4 cells", "one cell per column"),
    ],
)
def test_bad_mix_file(tmp_path: Path, content: str, problem: str, cure: str) -> None:
    file = tmp_path / "mix.csv"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_mix(file, "mix.csv")
    message = caught.value.line()
    assert message.startswith("mix.csv") and problem in message and cure in message
    assert caught.value.exit_status == 2 and "\n" not in message


def test_an_ingredient_of_a_mix_may_be_written_in_any_case(tmp_path: Path) -> None:
    """The same mix, whatever the case and the separator; once more under another spelling it is a second row."""
    table, file = load_table(WORKSPACE), tmp_path / "mix.csv"
    file.write_text("ingredient_id,grams\nBeef heart,100\nchicken_liver,20\n", encoding="utf-8")
    assert set(batch_of(table, read_mix(file, "mix.csv", table), None)[0].grams) == {"beef-heart", "chicken-liver"}
    file.write_text("ingredient_id,grams\nBeef heart,100\nbeef-heart,20\n", encoding="utf-8")
    with pytest.raises(InputError, match="already on line 2"):
        read_mix(file, "mix.csv", table)


@pytest.mark.parametrize(
    ("key", "problem", "cure"),
    [
        ("chicken-livr", "unknown ingredient 'chicken-livr'", "chicken-liver"),
        ("chicken-liver-cooked", "raw ingredients only", "chicken-liver"),
        ("roasted-chicken-thigh", "'roasted-chicken-thigh' is roasted", "chicken-thigh-meat-only"),
        ("zzz", "unknown ingredient", "rawref find"),
    ],
)
def test_unknown_or_cooked_ingredient(small: Table, key: str, problem: str, cure: str) -> None:
    with pytest.raises(InputError) as caught:
        evaluate(small, [MixRow(key, Fraction(1), False, "mix.csv:2")], load_need(WORKSPACE))
    message = caught.value.line()
    assert message.startswith("mix.csv:2") and problem in message and cure in message


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("chicken-liver,CA,7,mg,per_cup,lab,2024-01-31,,,", "bad basis 'per_cup'"),
        ("chicken-liver,CA,7,IU,per_100g,lab,2024-01-31,,,", "unit 'IU' does not fit CA"),
        ("chicken-liver,TOCPHB,7,IU,per_100g,lab,2024-01-31,,,", "unknown component 'TOCPHB'"),
        ("chicken-liver,CALCIUM,7,mg,per_100g,lab,2024-01-31,,,", "unknown component"),
        ("chicken-liver,CA,7,mg,per_100g,,2024-01-31,,,", "no laboratory"),
        ("chicken-liver,CA,7,mg,per_100g,lab,31.1.2024,,,", "date is '31.1.2024'"),
        ("chicken-liver,CA,x,mg,per_100g,lab,2024-01-31,,,", "value is 'x'"),
        ("chicken-liver,CA,7,mg,per_100g,lab,2024-01-31,8,9,", "outside low and high"),
        ("chicken-liver,CA,200,g,per_100g,lab,2024-01-31,,,", ""),
        ("chicken-liver,CA,100001,mg,per_100g,lab,2024-01-31,,,", "more than 100 g of CA in 100 g"),
        ("chicken-liver,ID,11,g,per_g,lab,2024-01-31,,,", "more than 100 g of ID in 100 g"),
        (
            "chicken-livr,CA,7,mg,per_100g,lab,2024-01-31,,,",
            "unknown ingredient 'chicken-livr' -> did you mean chicken",
        ),
        ("chicken-liver,CA,7,mg,per_100g,lab,9999-12-31,,,", "date is 9999-12-31, in the future"),
        ("eggshell-powder,CA,7,mg,per_kg_DM,lab,2024-01-31,,,", "water of eggshell-powder is unknown"),
        ("chicken-liver,P,7,mg,per_100g,lab,2024-01-31,,,", "given twice, first at assay.csv:2"),
    ],
)
def test_bad_assay_file(small: Table, tmp_path: Path, line: str, problem: str) -> None:
    file = tmp_path / "assay.csv"
    heading = "ingredient_id,component,value,unit,basis,laboratory,date,low,high,note\n"
    file.write_text(f"{heading}chicken-liver,P,7,mg,per_100g,lab,2024-01-31,,,\n{line}\n", encoding="utf-8")
    if not problem:
        file.write_text(f"{heading}chicken-liver,FAT,200,g,per_100g,lab,2024-01-31,,,\n", encoding="utf-8")
        problem = "more than 100 g of FAT"
    with pytest.raises(InputError) as caught:
        read_assay(file, small, "assay.csv")
    assert caught.value.line().startswith("assay.csv:") and problem in caught.value.line()


def test_bad_options(small: Table) -> None:
    mix, need = rows_of(("chicken-liver", 1)), load_need(WORKSPACE)
    for arguments, problem in (
        ({"without": ["beef-heart"]}, "not in the mix"),
        ({"without": ["chicken-liver"]}, "nothing is left"),
        ({"replace": {"beef-heart": "chicken-liver"}}, "not in the mix"),
        ({"replace": {"chicken-liver": "beef-hart"}}, "beef-heart"),
        ({"weight_kg": -1.0}, "weight is -1 kg"),
        ({"weight_kg": 4.0, "activity": "lazy"}, "unknown activity"),
        ({"activity": "lazy"}, "unknown activity"),
        ({"activity": "active"}, "an activity without a weight"),
        ({"formula": "guess"}, "unknown energy formula"),
    ):
        with pytest.raises(InputError, match=problem):
            evaluate(small, mix, need, **arguments)  # type: ignore[arg-type]
    for pairs in (["a"], ["=b"], ["a="], ["a=b", "a=c"]):
        with pytest.raises(InputError):
            parse_replace(pairs)


def test_no_table_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="rawref build"):
        load_table(WORKSPACE, tmp_path)


# --------------------------------------------------------------------------------------------------- renderers


def test_text_fits_80_columns_and_names_what_matters(small: Table) -> None:
    mix = rows_of(("chicken-thigh-meat-only", 700), ("chicken-liver", 50), ("kelp-dried", 1), ("eggshell-powder", 6))
    result = evaluate(small, mix, load_need(WORKSPACE), weight_kg=4)
    text = mix_text(result)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert max(len(line) for line in mix_text(result, wide=True).splitlines()) <= 140
    for word in ("fediaf_natural_cat", "memory", "undecided", "Cautions", "veterinary", "Ca:P"):
        assert word in text
    calcium = next(line for line in text.splitlines() if line.startswith("Ca · CA "))
    assert "1325*" in calcium  # the figure is from memory, in the same line


def test_json_and_csv_carry_everything(small: Table) -> None:
    result = evaluate(small, rows_of(("chicken-liver", 50)), load_need(WORKSPACE))
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    contract = {
        "need", "grams", "energy_kcal", "energy_formula", "energy_density_kcal_per_g", "moisture_pct",
        "calcium_phosphorus_ratio", "meat_pct", "additions_pct", "cautions", "components", "schema_version",
    }  # fmt: skip
    assert contract <= set(result)
    fields = {
        "component", "unit", "amount", "low", "high", "per_1000kcal", "unknown_share", "unknown_from", "minimum",
        "maximum", "minimum_standing", "maximum_standing", "verdict",
    }  # fmt: skip
    assert all(fields <= set(row) for row in result["components"])
    rows = list(csv.DictReader(io.StringIO(mix_csv(result))))
    assert len(rows) == len(result["components"])
    assert {row["component"] for row in rows} >= {"NA", "CA/P", "MET+CYS"}


def test_the_drawing_is_the_same_twice_and_only_svg(small: Table, tmp_path: Path) -> None:
    result = evaluate(small, rows_of(("chicken-liver", 50)), load_need(WORKSPACE))
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    draw(result, first)
    draw(result, second)
    assert first.read_bytes() == second.read_bytes() and first.read_bytes().startswith(b"<?xml")
    root = ElementTree.fromstring(first.read_text(encoding="utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"  # SVG 1.1, https://www.w3.org/TR/SVG11/
    texts = "".join(root.itertext())
    assert "Manganese" in texts or "Mn" in texts
    for name in ("a.png", "a"):
        with pytest.raises(InputError, match=r"\.svg"):
            draw(result, tmp_path / name)
    with pytest.raises(InputError, match="no such folder"):
        draw(result, tmp_path / "none" / "a.svg")


def test_cautions_apply_where_they_should(small: Table) -> None:
    def codes(*pairs: tuple[str, str | int]) -> set[str]:
        result = evaluate(small, rows_of(*pairs), load_need(WORKSPACE))
        return {row["code"] for row in result["cautions"]}

    thigh = codes(("chicken-thigh-meat-only", 100))
    assert {"not_veterinary_advice", "pathogens", "calcium_phosphorus", "unknown_is_not_zero"} <= thigh
    assert not {"liver_vitamin_a", "vitamin_e_with_fish", "kelp_iodine"} & thigh
    assert "liver_vitamin_a" in codes(("chicken-liver", 5))
    assert {"vitamin_e_with_fish", "vitamin_k_fish"} <= codes(("atlantic-mackerel", 100))
    assert "vitamin_k_fish" not in codes(("atlantic-mackerel", 5), ("chicken-thigh-meat-only", 100))


# ------------------------------------------------------------------------------------------------- gaps that matter


def test_gap_impact_knows_the_share_of_the_requirement(tmp_path: Path) -> None:
    need = need_of(tmp_path, minimum("MN", "1", "mg"), minimum("ZN", "10", "mg"), minimum("BIOT", "10", "ug"))
    parts = [ingredient("m"), ingredient("l", part="liver"), ingredient("h", part="heart")]
    folder = write_table(
        tmp_path / "t", parts, [*cells("m", ZN="2"), *cells("h", MN="0.5")], {("m", "MN"): "0.2", ("l", "MN"): "0.4"}
    )
    rows = gap_impact(WORKSPACE, need, folder)
    found = {(row["ingredient_id"], row["component"]): row for row in rows}
    # 625 g per 1000 kcal, 60 % muscle, 0.2 mg per 100 g against 1 mg
    assert found["m", "MN"]["could_hide"] == pytest.approx(625 * 0.6 * 0.2 / 100 / 1)
    assert found["l", "MN"]["could_hide"] == pytest.approx(625 * 0.05 * 0.4 / 100 / 1)
    assert found["l", "MN"]["impact_basis"] == "comparable foods"
    assert found["l", "ZN"]["could_hide"] == pytest.approx(625 * 0.05 * 2 / 100 / 10)
    assert found["l", "ZN"]["impact_basis"] == "any raw ingredient in the table"
    assert found["m", "BIOT"]["could_hide"] is None and found["m", "BIOT"]["impact_basis"] == "nothing to compare with"
    order = [(row["ingredient_id"], row["component"]) for row in rows if row["component"] in {"MN", "ZN", "BIOT"}]
    assert order[:4] == [("m", "BIOT"), ("h", "BIOT"), ("l", "BIOT"), ("m", "MN")]


def test_gaps_are_ranked_by_the_chance_that_they_decide(tmp_path: Path) -> None:
    """One recipe of the repository in a made-up table: its manganese is far below, its zinc just short and unknown in
    one ingredient, its phosphorus far above. Only the zinc decides."""
    recipe = read_mix(WORKSPACE.maintainer / "mixes" / "rabbit-and-organs.csv")
    parts = [ingredient(row.ingredient_id) for row in recipe]
    plain = {"WATER": "75", "PROCNT": "20", "FAT": "4", "ASH": "1", "CHOCDF": "0"}
    values = [row for part in parts for row in cells(part["ingredient_id"], **plain, P="900")]
    main = "rabbit-meat"
    values += cells(main, ZN="2 1.9 2.1", MN="0.01")
    others = [part["ingredient_id"] for part in parts if part["ingredient_id"] != main]
    values = [row for row in values if not (row["ingredient_id"] == others[0] and row["component"] == "P")]
    for key in others[1:]:
        values += cells(key, ZN="2 1.9 2.1", MN="0.01")
    peers = {(others[0], "ZN"): "9", (others[0], "MN"): "0.02", (others[0], "P"): "900"}
    folder = write_table(tmp_path / "t", parts, values, peers)
    need = need_of(tmp_path, minimum("ZN", "17", "mg"), minimum("MN", "5", "mg"), minimum("P", "500", "mg"))
    rows = {row["component"]: row for row in gap_impact(WORKSPACE, need, folder) if row["ingredient_id"] == others[0]}
    assert rows["ZN"]["impact"] > 0.9 and rows["MN"]["impact"] == rows["P"]["impact"] == 0
    assert next(iter(rows)) == "ZN"


def test_inclusion_names_every_part_and_says_that_it_has_no_source() -> None:
    def column(name: str, key: str) -> list[str]:
        with (REPO / "schemas" / name).open(encoding="utf-8", newline="") as file:
            return [row[key] for row in csv.DictReader(file)]

    assert set(column("inclusion.csv", "part")) == set(column("parts.csv", "part"))
    assert set(column("inclusion.csv", "note")) == {"common practice, no source"}
    assert all(0 < float(share) <= 100 for share in column("inclusion.csv", "share_pct"))


@pytest.mark.parametrize(("ending", "told"), [("parquet", "values.parquet"), ("csv", "values.csv")])
def test_a_damaged_table_is_named_with_the_reader_s_first_words(tmp_path: Path, ending: str, told: str) -> None:
    folder = write_table(tmp_path / "t", [ingredient("a")], cells("a", ZN="2"))
    (folder / "values.csv").unlink()
    (folder / f"values.{ending}").write_bytes(b'ingredient_id,component\n"a,ZN\n' * 3)
    with pytest.raises(InputError) as caught:
        load_table(WORKSPACE, folder)
    assert told in caught.value.where and re.fullmatch(r"cannot be read: .{12,}", caught.value.what)
    assert caught.value.cure == "run rawref build again"


def test_reading_and_judging_needs_no_heavy_library(tmp_path: Path) -> None:
    """A listing starts cold within 0.7 of the time of reading SR28 (bench.py); pandas alone takes as long."""
    code = (
        "import sys; import rawref.mix.mix, rawref.needs.profile, rawref.render.mix, rawref.lookup.impact; "
        "print([m for m in ('pandas', 'matplotlib', 'pyarrow', 'duckdb', 'numpy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=REPO, check=True)
    assert done.stdout.strip() == "[]"


# ------------------------------------------------------------------ facts of the trade: common practice, no source

CURATED = WORKSPACE.curated
MIXES = REPO / "tests" / "data" / "mixes"
published = pytest.mark.skipif(not (CURATED / "values.csv").is_file(), reason="no published table in curated/ yet")


@cache
def accepted() -> Table:
    """The published table, read once."""
    return load_table(WORKSPACE, CURATED)


def trade(name: str, need: str = DEFAULT_NEED, **options: Any) -> dict[str, Any]:
    return evaluate(
        accepted(), read_mix(MIXES / f"{name}.csv"), load_need(WORKSPACE, need), **options
    )


@published
@pytest.mark.parametrize("file", RECIPES)
def test_every_demo_recipe_runs(file: Path) -> None:
    result = evaluate(accepted(), read_mix(file), load_need(WORKSPACE))
    assert 0.8 < result["energy_density_kcal_per_g"] < 3
    assert max(len(line) for line in mix_text(result).splitlines()) <= 80


@published
def test_muscle_and_organs_fall_short_of_manganese() -> None:
    """Common practice, no source: without tripe, mussels or a supplement manganese is short."""
    manganese = entry(trade("plain-muscle-two-organs"), "MN")
    assert manganese["verdict"] == "short"
    assert entry(trade("poultry-mussel-mackerel"), "MN")["per_1000kcal"] > 5 * manganese["per_1000kcal"]


@published
def test_pork_brings_the_thiamin() -> None:
    """Common practice, no source: a mix without pork and yeast may lack thiamin, pork brings it."""
    poultry, pork = entry(trade("boneless-poultry-organ"), "THIA"), entry(trade("pork-and-fish"), "THIA")
    assert poultry["per_1000kcal"] < poultry["minimum"] < pork["per_1000kcal"]


@published
def test_a_little_oily_fish_brings_the_vitamin_d() -> None:
    """Common practice, no source: five or six per cent of oily fish brings the vitamin D."""
    fish = trade("poultry-mussel-mackerel")
    share = next(row["share_pct"] for row in fish["ingredients"] if row["ingredient_id"] == "atlantic-mackerel")
    assert 5 <= share <= 6
    vitamin_d = entry(fish, "VITD")
    # at the figure of the table; the spread of mackerel between fishes reaches down to none, so that the verdict may
    # stay undecided: that is the data, and no contradiction
    assert vitamin_d["per_1000kcal"] > 2 * vitamin_d["minimum"] and vitamin_d["verdict"] != "short"
    without = entry(trade("poultry-mussel-mackerel", without=["atlantic-mackerel"]), "VITD")
    assert (without["per_1000kcal"] or 0) < vitamin_d["minimum"]


@published
def test_bone_in_parts_and_a_little_eggshell(tmp_path: Path) -> None:
    """Common practice, no source: bone-in parts alone may leave Ca:P below 1; a little eggshell brings it to 1.1."""
    rows = read_mix(MIXES / "bone-in-poultry.csv")
    table, need = accepted(), load_need(WORKSPACE)
    before = evaluate(table, rows, need)["calcium_phosphorus_ratio"]
    assert 0.3 < before < 1
    found = reach(batch_of(table, rows)[0], "CA/P", Fraction("1.1"), "eggshell-powder")
    assert 0 < found["grams"] <= 10  # at most 1 % of the mix
    more = [*rows, MixRow("eggshell-powder", Fraction(found["grams"]), False, "")]
    assert evaluate(table, more, need)["calcium_phosphorus_ratio"] == pytest.approx(1.1)


@published
def test_additions_stay_below_two_per_cent() -> None:
    """Common practice, no source."""
    for file in MIXES.glob("*.csv"):
        grams = {row.ingredient_id: row.grams for row in read_mix(file)}
        assert shares_of(accepted(), grams)["additions_pct"] < 2


@published
def test_one_portion_of_chicken_liver_stays_within_the_vitamin_a_limit() -> None:
    """Common practice, no source: a few per cent of chicken liver stay within the limit, at the high end as well."""
    retinol = entry(trade("plain-muscle-two-organs"), "RETOL")
    assert retinol["verdict"] != "over"
    assert retinol["known_high"] / trade("plain-muscle-two-organs")["energy_kcal"] * 1000 < retinol["maximum"]


# ------------------------------------------------------------------- water that is unknown, bone, what widens energy


def pure(table_folder: Path) -> Table:
    """Thigh with its water, three salts and taurine without any, eggshell."""
    names = ("calcium-carbonate", "zinc-sulfate-heptahydrate", "calcium-citrate-tetrahydrate", "taurine")
    ingredients = [
        ingredient("chicken-thigh-meat-only"),
        ingredient("eggshell-powder", part="shell", kind="addition"),
        *(ingredient(n, "none", "mineral", "addition", cautions='["pure_substance"]') for n in names),
    ]
    values = [
        *cells("chicken-thigh-meat-only", **THIGH, CHOCDF="0", CA="7"),
        *cells("eggshell-powder", CA="38650", P="150"),
    ]
    return table_of(table_folder, ingredients, values)


def test_moisture_is_the_water_of_the_parts_by_their_weight(tmp_path: Path) -> None:
    """Arithmetic: moisture = sum of grams of water / grams of the mix. 981 g of thigh hold 76.22 % (SR28 05096); 6 g of
    eggshell, whose water nobody states, hold between nothing and what its calcium leaves as carbonate (38.65 g of
    calcium are 96.5 g of calcium carbonate, 100.086 / 40.078)."""
    table = pure(tmp_path / "t")
    result = evaluate(table, rows_of(("chicken-thigh-meat-only", 981), ("eggshell-powder", 6)), load_need(WORKSPACE))
    water, left = 981 * 0.7622, 6 * (1 - 0.3865 * round(100.086 / 40.078, 4))
    dry = 987 - left - water
    assert result["moisture_pct"] == result["moisture_low_pct"] == pytest.approx(water / 987 * 100)
    assert result["moisture_high_pct"] == pytest.approx((water + left) / 987 * 100, abs=1e-4)
    assert result["moisture_pct"] < 76.22  # not the share of the rest
    assert result["moisture_could_add_pct"] == pytest.approx(left * 100 / 987, abs=1e-4)
    assert result["moisture_unknown_from"] == ["eggshell-powder"] and result["moisture_range_from"] == []
    assert result["moisture_pct"] == pytest.approx(result["proximates"]["WATER"]["as_fed_pct"])
    assert result["dry_matter_g"] == pytest.approx(987 - water)
    assert result["dry_matter_low_g"] == pytest.approx(dry)
    protein, kcal = result["proximates"]["PROCNT"], result["energy_kcal"]
    assert protein["dry_matter_pct"] == pytest.approx(981 * 19.66 / (987 - water))
    assert protein["dry_matter_low_pct"] == protein["dry_matter_pct"]
    calcium = entry(result, "CA")
    total = 981 * 0.07 + 6 * 386.5
    assert calcium["per_100g_dm"] == pytest.approx(total / (987 - water) * 100)
    assert calcium["per_100g_dm_low"] == calcium["per_100g_dm"]
    assert calcium["per_100g_dm_high"] == pytest.approx(total / dry * 100)
    assert result["energy_density_kcal_per_g_dm"] == pytest.approx(kcal / (987 - water))
    assert result["energy_density_low_kcal_per_g_dm"] == pytest.approx(kcal / (987 - water))
    assert result["energy_density_high_kcal_per_g_dm"] == pytest.approx(result["energy_high_kcal"] / dry)
    text = " ".join(mix_text(result).split())
    assert (987 - water) / dry - 1 < 0.01
    assert "Water is unknown in eggshell-powder: no figure on dry matter is as much as 1 % higher for it." in text
    half = evaluate(table, rows_of(("chicken-thigh-meat-only", 100), ("eggshell-powder", 100)), load_need(WORKSPACE))
    text, left = " ".join(mix_text(half).split()), 100 * (1 - 0.3865 * round(100.086 / 40.078, 4))
    assert f"up to {left / 2:.3g} % of the mix more than counted here" in text
    assert f"up to {left / (200 - 76.22 - left) * 100:.3g} % higher than printed" in text


def test_known_water_leaves_nothing_open(small: Table) -> None:
    result = evaluate(small, rows_of(("chicken-liver", 100), ("kelp-dried", 1)), load_need(WORKSPACE))
    assert result["moisture_low_pct"] == result["moisture_pct"] == result["moisture_high_pct"]
    assert result["moisture_could_add_pct"] == 0 and result["moisture_unknown_from"] == []
    assert "Water is" not in mix_text(result)


def test_a_mix_without_any_known_water_has_no_moisture(tmp_path: Path) -> None:
    """Missing is never zero: no figure at all, and the range is what protein, fat and ash leave."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", PROCNT="20", FAT="4", ASH="1"))
    result = evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE))
    assert result["moisture_pct"] is None and result["energy_density_kcal_per_g_dm"] is None
    assert (result["moisture_low_pct"], result["moisture_high_pct"]) == (0, 75)
    assert result["proximates"]["PROCNT"]["dry_matter_pct"] is None
    assert (result["dry_matter_g"], result["dry_matter_low_g"], result["dry_matter_high_g"]) == (None, 25, 100)
    assert "without a known limit" in " ".join(mix_text(result).split())


def test_water_of_pure_substances_is_that_of_their_formula(tmp_path: Path) -> None:
    """IUPAC 2021 abridged atomic weights: ZnSO4.7H2O holds 7 x 18.015 / 287.541 = 43.86 % water of crystallisation,
    Ca3(C6H5O7)2.4H2O 4 x 18.015 / 570.492 = 12.63 %, CaCO3 and taurine (C2H7NO3S) none."""
    table = pure(tmp_path / "t")
    for name, most in (
        ("zinc-sulfate-heptahydrate", 43.86), ("calcium-citrate-tetrahydrate", 12.63),
        ("calcium-carbonate", 0), ("taurine", 0),
    ):  # fmt: skip
        result = evaluate(table, rows_of(("chicken-thigh-meat-only", 50), (name, 50)), load_need(WORKSPACE))
        assert result["moisture_low_pct"] == pytest.approx(76.22 / 2)
        assert result["moisture_high_pct"] == pytest.approx((76.22 + most) / 2, abs=0.005)
        assert result["moisture_unknown_from"] == []
        assert result["moisture_range_from"] == ([name] if most else [])


def test_hydrates_are_the_salts_of_the_table_by_their_formulas() -> None:
    """Molar masses from IUPAC 2021 abridged atomic weights (Prohaska et al. 2022), summed here from the formulas."""
    weight = {
        "H": 1.008, "C": 12.011, "O": 15.999, "S": 32.06, "P": 30.974, "K": 39.098, "Ca": 40.078, "Mn": 54.938,
        "Fe": 55.845, "Cu": 63.546, "Zn": 65.38,
    }  # fmt: skip

    def mass(text: str) -> float:
        text = re.sub(r"\((.*?)\)(\d+)", lambda m: m.group(1) * int(m.group(2)), text)
        return sum(weight[element] * int(count or 1) for element, count in re.findall(r"([A-Z][a-z]?)(\d*)", text))

    with (REPO / "schemas" / "hydrates.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (REPO / "raw" / "maintainer" / "ingredients.csv").open(encoding="utf-8", newline="") as file:
        own = {row["ingredient_id"] for row in csv.DictReader(file) if "pure_substance" in row["cautions"]}
    greek = {"mono": 1, "di": 2, "tetra": 4, "penta": 5, "hepta": 7}
    named = {key: re.search(r"-(mono|di|tetra|penta|hepta)hydrate$", key) for key in own}
    assert {key for key, match in named.items() if match} == {row["ingredient_id"] for row in rows}
    for row in rows:
        salt, dot, water = row["formula"].partition(".")
        count = int(re.sub("H2O", "", water) or 1)
        match = named[row["ingredient_id"]]
        assert dot and match and count == int(row["waters"]) == greek[match.group(1)]
        assert mass(salt) + count * mass("H2O") == pytest.approx(float(row["molar_mass"]), abs=0.002)
    assert mass("H2O") == pytest.approx(float(WATER_MOLAR_MASS))


@settings(max_examples=20, deadline=None)
@given(
    grams=st.lists(st.integers(1, 500), min_size=3, max_size=3),
    water=st.integers(30, 80),
    share=st.fractions(min_value=0, max_value=1),
)
def test_the_true_moisture_is_inside_whatever_the_unknown_water_is(
    grams: list[int], water: int, share: Fraction
) -> None:
    """Arithmetic identity, for any water that the unknown ingredient could hold beside its protein and fat."""
    row = {"PROCNT": ("measured", "10", None, None, None), "FAT": ("measured", "5", None, None, None)}
    known: Any = {**row, "WATER": ("measured", str(water), None, None, None)}
    table = memory_table({"a": known, "x": row}, {})
    mix = rows_of(("a", grams[0]), ("x", grams[1]), ("water", grams[2]))
    result = evaluate(table, mix, bounded_need("RETOL", 1, -1))
    true = (grams[0] * water + grams[1] * share * 85 + grams[2] * 100) / sum(grams)
    slack = 1e-9
    assert result["moisture_low_pct"] - slack <= true <= result["moisture_high_pct"] + slack
    assert result["moisture_pct"] + result["moisture_could_add_pct"] == pytest.approx(result["moisture_high_pct"])
    dry = sum(grams) * (1 - true / 100)
    protein = (grams[0] + grams[1]) * 10 / dry
    shown = result["proximates"]["PROCNT"]
    assert shown["dry_matter_low_pct"] - slack <= protein <= shown["dry_matter_high_pct"] + slack


@pytest.fixture
def bony(tmp_path: Path) -> Table:
    """Parts of turkey as published: shares of raw/maintainer/composites.csv, which load_table reads."""
    birds = {"species": "turkey"}
    ingredients = [
        ingredient("turkey-neck-bone-in", kind="composite", bone="yes", cautions='["bone"]', **birds),
        ingredient("turkey-thigh-bone-in", kind="composite", bone="yes", cautions='["bone"]', **birds),
        ingredient("turkey-neck-meat-only", cautions='["bone"]', **birds),
        ingredient("turkey-bone-fresh", part="bone", bone="yes", cautions='["bone"]', **birds),
        ingredient("pork-mechanically-separated", "pig", "mechanically_separated", bone="yes"),
    ]
    one = "turkey-neck-meat-only"
    return table_of(tmp_path / "bony", ingredients, cells(one, **THIGH, CHOCDF="0", CA="7"))


def test_the_bone_caution_follows_the_facet(bony: Table) -> None:
    """A boneless part has no bone to warn of, although the table warns of the part as it is sold."""

    def warned(*names: str) -> list[str]:
        result = evaluate(bony, rows_of(*((name, 100) for name in names)), load_need(WORKSPACE))
        return next((row["from"] for row in result["cautions"] if row["code"] == "bone"), [])

    assert warned("turkey-neck-meat-only") == []
    assert warned("turkey-neck-bone-in", "turkey-neck-meat-only") == ["turkey-neck-bone-in"]
    assert warned("pork-mechanically-separated") == ["pork-mechanically-separated"]


def test_the_bone_of_a_composite_is_no_meat(bony: Table) -> None:
    """USDA SR28 05179, refuse 60 % "Bone and connective tissue 60%": 99 g of turkey neck hold 59.4 g of it. Turkey
    thigh (SR28 05742, 05740, 05726): 19 %, 16 to 20 %."""
    neck = evaluate(bony, rows_of(("turkey-neck-bone-in", 99), ("water", 1)), load_need(WORKSPACE))
    assert (neck["meat_pct"], neck["bone_pct"]) == (pytest.approx(39.6), pytest.approx(59.4))
    assert neck["bone_low_pct"] == neck["bone_high_pct"] == neck["bone_pct"]
    assert neck["shares_pct"] == {"bone": pytest.approx(59.4), "muscle": pytest.approx(39.6), "water": 1}
    assert "Animal ingredients without bone 39.6 %, bone 59.4 %, additions 0 %" in " ".join(mix_text(neck).split())
    thigh = evaluate(bony, rows_of(("turkey-thigh-bone-in", 100)), load_need(WORKSPACE))
    assert [thigh[key] for key in ("bone_pct", "bone_low_pct", "bone_high_pct")] == [19, 16, 20]
    assert "bone 19 % (range 16 to 20)" in mix_text(thigh)
    ground = evaluate(bony, rows_of(("pork-mechanically-separated", 100)), load_need(WORKSPACE))
    assert ground["bone_unknown_from"] == ["pork-mechanically-separated"] and ground["meat_pct"] == 100
    assert (ground["bone_low_pct"], ground["bone_high_pct"]) == (0, 100)
    assert evaluate(bony, rows_of(("turkey-bone-fresh", 1)), load_need(WORKSPACE))["bone_pct"] == 100


def test_the_fish_caution_counts_fish_of_unknown_water(tmp_path: Path) -> None:
    """AAFCO 2016: fish above 25 % of the dry matter. 20 g of fish of unknown water could be 20 g of dry matter beside
    24 g of the rest: it may be above, so the caution stands."""
    ingredients = [ingredient("chicken-thigh-meat-only"), ingredient("fish", species="atlantic-mackerel")]
    table = table_of(tmp_path / "t", ingredients, cells("chicken-thigh-meat-only", **THIGH, CHOCDF="0"))
    for grams, stands in ((20, True), (5, False)):
        mix = rows_of(("chicken-thigh-meat-only", 100), ("fish", grams))
        codes = {row["code"] for row in evaluate(table, mix, load_need(WORKSPACE))["cautions"]}
        assert ("vitamin_k_fish" in codes) is stands


def test_what_makes_the_energy_uncertain_is_named(tmp_path: Path) -> None:
    """4, 8.5 and 4 kcal per g (FEDIAF, natural foods, cats): 10 g of width in fat are 85 kcal, 4 g in protein 16, and
    the share of the doubt goes with their squares."""
    wide = cells("a", WATER="70", PROCNT="20 18 22", FAT="9 4 14", ASH="1", CHOCDF="0")
    ranged = cells("b", WATER="70", PROCNT="20", ASH="1", CHOCDF="0")
    table = table_of(
        tmp_path / "t",
        [ingredient("a"), ingredient("b"), ingredient("c")],
        [*wide, *ranged, *cells("b", "trace", FAT="- 0 2")],
    )
    result = evaluate(table, rows_of(("a", 100), ("b", 100)), load_need(WORKSPACE))
    named = [(row["ingredient_id"], row["component"], row["why"]) for row in result["energy_range_from"]]
    assert named == [("a", "FAT", "spread"), ("b", "FAT", "a range"), ("a", "PROCNT", "spread")]
    assert [row["kcal"] for row in result["energy_range_from"]] == pytest.approx([85, 17, 16])
    shares = [row["share"] for row in result["energy_range_from"]]
    assert sum(shares) == pytest.approx(1, abs=1e-3) and shares[0] > 0.9
    # worst-case adding gave 186 to 304; independent errors leave less, and the figure stays inside
    assert 186 < result["energy_low_kcal"] < result["energy_kcal"] < result["energy_high_kcal"] < 304
    assert "Its doubt comes mostly from FAT of a, 4 to 14 g per 100 g" in " ".join(mix_text(result).split())
    unknown = evaluate(table, rows_of(("a", 10), ("c", 100)), load_need(WORKSPACE))
    first = unknown["energy_range_from"][0]
    assert (first["ingredient_id"], first["why"], first["kcal"]) == ("c", "unknown", 850)  # 100 g of nothing but fat
    assert "PROCNT, FAT, CHOCDF of c, unknown" in " ".join(mix_text(unknown).split())


@published
def test_no_energy_is_more_than_a_hundred_grams_can_hold() -> None:
    """Conservation of mass: beside the known grams of 100 g only the rest can be something, at most all of it fat."""
    table = accepted()
    for formula in FORMULAS.values():
        for key in table.ingredients:
            energy = energy_of(table, {}, key, formula)
            known = [content_of(table, {}, key, name) for name in ("WATER", "ASH", "PROCNT", "FAT")]
            rest = max(Fraction(0), 100 - sum((content.counted for content in known), Fraction(0)))
            densest = max(factor for factor, _ in energy.parts.values())
            assert energy.unknown <= rest * densest, key


@published
def test_every_share_of_every_published_ingredient_adds_up() -> None:
    """Meat, bone, additions, plants and water are all of a mix; every composite has a bone share."""
    table = accepted()
    for key, item in table.ingredients.items():
        found = shares_of(table, {key: Fraction(7)})
        assert sum(found["shares_pct"].values()) == pytest.approx(100), key
        plant = 100 if item.part == "plant" and item.kind != "addition" else 0
        assert found["meat_pct"] + found["bone_pct"] + found["additions_pct"] + plant == pytest.approx(100), key
        if item.kind == "composite":
            assert 0 < found["bone_low_pct"] <= found["bone_pct"] <= found["bone_high_pct"] < 100, key
            assert found["bone_unknown_from"] == []


# ------------------------------------------------------------------------------------------------ many faults, help


def test_every_bad_row_is_reported(small: Table, tmp_path: Path) -> None:
    file = tmp_path / "mix.csv"
    file.write_text(
        "ingredient_id,grams,as_purchased\nchicken-livr,10\nchicken-liver,-5\nbeef-heart\n,4\nchicken-liver,5,yes\n"
        "beef-hart,lots,perhaps\nbeef-heart,10\n",
        encoding="utf-8",
    )
    with pytest.raises(InputErrors) as caught:
        read_mix(file, "mix.csv", small)
    lines = caught.value.lines()
    assert [line.split(" ")[0] for line in lines] == [
        *(f"mix.csv:{n}:" for n in (2, 3, 4, 5, 6, 7, 7, 7)), "mix.csv:"
    ]  # fmt: skip
    for line, problem in zip(
        lines,
        ("unknown ingredient 'chicken-livr'", "grams is negative", "1 cell where", "no ingredient",
         "refuse of chicken-liver is unknown", "unknown ingredient 'beef-hart'", "as_purchased is", "grams is 'lots'",
         "8 faults -> correct them"),
        strict=True,
    ):  # fmt: skip
        assert problem in line
    assert caught.value.exit_status == 2 and isinstance(caught.value, InputError)


def test_a_flood_of_bad_rows_is_cut_and_counted(small: Table, tmp_path: Path) -> None:
    file = tmp_path / "mix.csv"
    file.write_text("ingredient_id,grams\n" + "".join(f"x{n},1\n" for n in range(250)), encoding="utf-8")
    with pytest.raises(InputErrors) as caught:
        read_mix(file, "mix.csv", small)
    lines = caught.value.lines()
    assert len(lines) == 21 and lines[-1].startswith("mix.csv: 250 faults, the first 20 shown")


def test_every_bad_row_of_an_assay_is_reported(small: Table, tmp_path: Path) -> None:
    file = tmp_path / "assay.csv"
    file.write_text(
        "ingredient_id,component,value,unit,basis,laboratory,date\n"
        "chicken-liver,CALCIUM,7,mg,per_100g,lab,2024-01-31\n"
        "chicken-liver,WATER,7,g,per_cup,lab,2024-01-31\n"
        "chicken-liver,P,7,mg,per_100g,lab,2024-01-31\n"
        "chicken-liver,CA,7,mg,per_100g,,2024-01-31\n",
        encoding="utf-8",
    )
    with pytest.raises(InputErrors) as caught:
        read_assay(file, small, "assay.csv")
    assert [line.split(" ")[0] for line in caught.value.lines()] == [
        "assay.csv:2:", "assay.csv:3:", "assay.csv:5:", "assay.csv:"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "name"),
    [
        ("ingredient_id;grams\nchicken-liver;12,5\n", "semicolon"),
        ('"ingredient_id";"grams";"as_purchased"\nchicken-liver;12,5;no\n', "semicolon"),
        ("sep=;\ningredient_id;grams\nchicken-liver;5\n", "semicolon"),
        ("ingredient_id\tgrams\nchicken-liver\t5\n", "tab"),
    ],
)
def test_another_separator_is_recognised(tmp_path: Path, content: str, name: str) -> None:
    file = tmp_path / "mix.csv"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_mix(file, "mix.csv")
    assert caught.value.line().startswith(f"mix.csv:1: the file looks {name}-separated -> save it as CSV with commas")
    file.write_text("name;of,something\na,b\n", encoding="utf-8")  # a heading that is wrong in another way
    with pytest.raises(InputError, match="no column ingredient_id"):
        read_mix(file, "mix.csv")


def command_line(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rawref", *arguments], capture_output=True, text=True, cwd=REPO, check=False
    )


def test_help_names_every_column_and_basis() -> None:
    shown = " ".join(command_line("mix", "--help").stdout.split())
    assert ",".join(MIX_COLUMNS) in shown
    for word in (*ASSAY_COLUMNS, *ASSAY_BASES):
        assert re.search(rf"\b{word}\b", shown), word


def test_an_ingredient_holds_no_more_than_its_weight(small: Table, tmp_path: Path) -> None:
    """Analytical error may add up to 5 g per 100 g (common practice, no source); the last of the rows is named."""
    file = tmp_path / "assay.csv"
    heading = "ingredient_id,component,value,unit,basis,laboratory,date\n"
    rows = (
        "chicken-liver,{},{},g,per_100g,lab,2024-01-31\n".format(*pair)
        for pair in (("FAT", 5), ("WATER", 76), ("PROCNT", 22))
    )
    body = heading + "".join(rows) + "beef-heart,WATER,77,g,per_100g,lab,2024-01-31\n"
    file.write_text(f"{body}chicken-liver,ASH,2,g,per_100g,lab,2024-01-31\n", encoding="utf-8")
    assert len(read_assay(file, small)) == 5  # 105 g
    file.write_text(f"{body}chicken-liver,ASH,2.1,g,per_100g,lab,2024-01-31\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"assay.csv:6: WATER, PROCNT, FAT, ASH of chicken-liver add up to 105.1 g"):
        read_assay(file, small, "assay.csv")


def test_today_is_no_future(small: Table, tmp_path: Path) -> None:
    file = tmp_path / "assay.csv"
    for days, good in ((0, True), (1, False)):
        on = (now() + timedelta(hours=14)).date() + timedelta(days=days)
        file.write_text(
            "ingredient_id,component,value,unit,basis,laboratory,date\n"
            f"chicken-liver,CA,7,mg,per_100g,lab,{on.isoformat()}\n",
            encoding="utf-8",
        )
        if good:
            assert read_assay(file, small)
        else:
            with pytest.raises(InputError, match="in the future"):
                read_assay(file, small)


def test_an_assay_that_is_not_used_is_told(bony: Table, tmp_path: Path) -> None:
    file = tmp_path / "assay.csv"
    file.write_text(
        "ingredient_id,component,value,unit,basis,laboratory,date\n"
        "turkey-thigh-bone-in,CA,7,mg,per_100g,lab,2024-01-31\n"
        "turkey-neck-meat-only,MN,1,mg,per_100g,lab,2024-01-31\n"
        "turkey-neck-bone-in,FE,1,mg,per_100g,lab,2024-01-31\n",
        encoding="utf-8",
    )
    assays = read_assay(file, bony, "assay.csv")
    result = evaluate(bony, rows_of(("turkey-neck-bone-in", 100)), load_need(WORKSPACE), assay=assays)
    assert result["assay_unused"] == [
        {"ingredient_id": "turkey-thigh-bone-in", "component": "CA", "where": "assay.csv:2"}
    ]
    assert "Assay not used, since the ingredient is not in the mix: CA of" in mix_text(result)
    # a part of a composite in the mix is used: 40 % of the neck is meat (USDA SR28 05179)
    assert entry(result, "MN")["amount"] == pytest.approx(0.4) and entry(result, "MN")["assayed_from"]


# ------------------------------------------------------------------------------------- sums, parts, imputed figures

PLAIN = {"WATER": "75", "PROCNT": "20", "FAT": "4", "ASH": "1", "CHOCDF": "0"}  # 114 kcal per 100 g


def test_a_sum_follows_its_parts(tmp_path: Path) -> None:
    """Contract, known and unknown in a mix: `over` by the low end, `short` by the high end, unknown part included.
    The sum is not wholly known as soon as a part is not (reference notes on requirements: unknown if a part is)."""
    values = [
        *cells("a", **PLAIN, MET="0.5 0.4 0.6", CYS="0.2 0.1 0.3"), *cells("b", **PLAIN, MET="1 0.8 1.5"),
    ]  # fmt: skip
    mix = rows_of(("a", 100), ("b", 100))
    for peers, high, verdicts in (
        (None, None, ("meets", "undecided", "undecided")),
        ("0.1", 0.6 + 0.3 + 1.5 + 0.1, ("meets", "undecided", "short")),
    ):
        table = table_of(
            tmp_path / f"t{peers}", [ingredient("a"), ingredient("b")], values,
            {("b", "CYS"): peers} if peers else None,
        )  # fmt: skip
        for least, verdict in zip(("5.7", "8", "14"), verdicts, strict=True):  # 1.7 of 228 kcal: 7.5
            result = evaluate(table, mix, need_of(tmp_path, minimum("MET+CYS", least, "g")))
            found, one, other = (entry(result, key) for key in ("MET+CYS", "MET", "CYS"))
            assert found["verdict"] == verdict, (peers, least)
            # of one food the two go together, between the foods they are independent: above 0.5 + 0.8 = 1.3
            assert 1.3 < found["low"] < 1.5 and one["low"] + other["low"] <= found["low"] + 1e-9
            assert found["amount"] == pytest.approx(one["amount"] + other["amount"]) == pytest.approx(1.7)
            assert 1.9 < found["known_high"] < 0.6 + 0.3 + 1.5
            assert high is None or found["high"] == pytest.approx(found["known_high"] + 0.1)
            assert found["unknown_from"] == ["b"] and found["unknown_share"] == 0.5
        over = evaluate(table, mix, need_of(tmp_path, maximum("MET+CYS", "4.5", "g")))
        assert entry(over, "MET+CYS")["verdict"] == "over"


@settings(max_examples=20, deadline=None)
@given(foods=st.lists(contents(), min_size=1, max_size=3), grams=st.lists(st.integers(1, 500), min_size=3, max_size=3))
def test_a_sum_adds_up_whatever_is_unknown(
    foods: list[dict[str, tuple[str | None, ...]]], grams: list[int]
) -> None:  # fmt: skip
    """The amount of a sum is that of its parts, and what is unknown in a part is unknown in the sum."""
    table = memory_table({f"f{n}": food for n, food in enumerate(foods)}, {})
    result = evaluate(table, rows_of(*((f"f{n}", grams[n]) for n in range(len(foods)))), bounded_need("MET+CYS", 1, 9))
    found, one, other = (entry(result, key) for key in ("MET+CYS", "MET", "CYS"))
    amounts = [part["amount"] for part in (one, other) if part["amount"] is not None]
    assert found["amount"] == (pytest.approx(sum(amounts)) if amounts else None)
    assert set(found["unknown_from"]) == {*one["unknown_from"], *other["unknown_from"]}
    for row in (found, one, other):
        assert row["known_high"] is None or row["low"] <= row["known_high"] * (1 + 1e-12)


def test_of_a_composite_only_the_part_without_a_figure_is_unknown(bony: Table, tmp_path: Path) -> None:
    """USDA SR28 05179: 60 % of a turkey neck is bone and connective tissue, for which nobody gives these."""
    result = evaluate(bony, rows_of(("turkey-neck-bone-in", 50), ("water", 50)), load_need(WORKSPACE))
    fat, manganese, ratio = (entry(result, key) for key in ("FAT", "MN", "CA/P"))
    assert (fat["unknown_share"], fat["unknown_from"]) == (0.3, ["turkey-neck-bone-in"])
    assert fat["amount"] == fat["low"] == fat["known_high"] == pytest.approx(0.4 * 4.12 * 0.5)
    assert manganese["unknown_share"] == 0.5  # neither part has a figure
    assert ratio["unknown_share"] == 0.5  # the meat has no phosphorus, the bone neither
    line = next(line for line in mix_text(result, wide=True).splitlines() if line.startswith("Fat · FAT"))
    assert " 30 " in line[100:]


def test_imputed_figures_are_seen_where_they_matter(tmp_path: Path) -> None:
    values = [
        *cells("a", **PLAIN, ZN="5", FE="5"), *cells("b", **PLAIN, FE="5"), *cells("b", "imputed", ZN="5", MN="1"),
    ]  # fmt: skip
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values)
    mix = rows_of(("a", 100), ("b", 100))
    for least, rests, verdict in (("20", False, "meets"), ("40", True, "meets"), ("60", True, "short")):
        result = evaluate(table, mix, need_of(tmp_path, minimum("ZN", least, "mg"), minimum("FE", "20", "mg")))
        zinc, iron = entry(result, "ZN"), entry(result, "FE")  # 43.9 per 1000 kcal, 21.9 without b
        assert (zinc["verdict"], zinc["rests_on_imputed"], zinc["imputed_from"]) == (verdict, rests, ["b"])
        assert ("rests on imputed figures of b" in zinc["reason"]) == rests and "imputed" not in iron["reason"]
        text = mix_text(result)
        assert (f" · ZN {verdict}" in text and "rests on imputed figures of b" in " ".join(text.split())) == rests
        assert "Counted although imputed by the source, for some components: b." in " ".join(text.split())


def test_the_head_gives_ranges_and_water_has_none(bony: Table, tmp_path: Path) -> None:
    need = load_need(WORKSPACE)
    text = " ".join(mix_text(evaluate(bony, rows_of(("turkey-neck-bone-in", 100)), need)).split())
    # 40 % meat; bone, without a figure, holds at most what the richest raw food of the table does, the same meat
    assert "ash 0.38 (range 0.38 to 0.95" in text and "fat 1.65 (range 1.65 to 4.12" in text
    meat = " ".join(mix_text(evaluate(bony, rows_of(("turkey-neck-meat-only", 100)), need)).split())
    assert "ash 0.95 (3.99 of dry matter)" in meat and "Animal ingredients 100 %, additions 0 %." in meat
    water = mix_text(evaluate(bony, rows_of(("water", 100)), need))
    row = next(line for line in water.splitlines() if line.startswith("Fat · FAT"))
    assert row.split()[3] == "-" and "--?" not in water


@published
def test_an_assay_of_another_id_is_refused_on_the_command_line(tmp_path: Path) -> None:
    mix, assay = tmp_path / "mix.csv", tmp_path / "assay.csv"
    mix.write_text("ingredient_id,grams\nchicken-liver,10\nmy-powder,1\n", encoding="utf-8")
    heading = "ingredient_id,component,value,unit,basis,laboratory,date\nmy-powder,MN,50,mg,per_kg,label,2024-01-31\n"
    assay.write_text(heading, encoding="utf-8")
    assert command_line("mix", mix.as_posix(), "--assay", assay.as_posix()).returncode in {0, 1}
    assay.write_text(heading + "chicken-livr,MN,50,mg,per_kg,label,2024-01-31\n", encoding="utf-8")
    done = command_line("mix", mix.as_posix(), "--assay", assay.as_posix())
    assert (done.returncode, done.stdout) == (2, "")
    assert f"{assay.as_posix()}:3: unknown ingredient 'chicken-livr' -> did you mean chicken-liver" in done.stderr


@published
@pytest.mark.parametrize("options", [("--activity", "foo"), ("--activity", "active")])
def test_an_activity_without_a_weight_is_bad_usage(options: tuple[str, str]) -> None:
    done = command_line("mix", "raw/maintainer/mixes/example.csv", *options)
    assert (done.returncode, done.stdout) == (2, "") and "--activity" in done.stderr


@published
def test_bad_rows_on_the_command_line(tmp_path: Path) -> None:
    file = tmp_path / "mix.csv"
    file.write_text("ingredient_id,grams\nchicken-livr,10\nchicken-heart,-5\n", encoding="utf-8")
    done = command_line("mix", file.as_posix())
    assert (done.returncode, done.stdout) == (2, "")
    lines = [line for line in done.stderr.splitlines() if line.startswith("rawref: ")]  # beside a note on the build
    assert [line.removeprefix(f"rawref: {file.as_posix()}").split(" ")[0] for line in lines] == [":2:", ":3:", ":"]
