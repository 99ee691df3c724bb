"""Requirement profiles: the figures against the reference file, the conversions against worked examples, bad input."""

from __future__ import annotations

import csv
import re
from fractions import Fraction
from pathlib import Path

import pytest
from rawref.errors import InputError
from rawref.mix.energy import activity_of, daily_need
from rawref.needs.profile import DEFAULT_NEED, STANDINGS, component_units, load_need, need_names, read_need, unit_of
from rawref.workspace import Workspace

REPO = Path(__file__).resolve().parents[1]
WORKSPACE = Workspace(REPO)
UNITS = component_units(WORKSPACE)
REFERENCE = REPO.parent / "shared" / "reference" / "cat_requirements.csv"
HEADING = "component,bound,kind,value,unit,basis,variant,edition,standing,source,note\n"
GOOD = "CA,minimum,recommended,530,mg,per_100g_DM,,2021,memory,a standard,\n"


def per_1000kcal(name: str, component: str, bound: str = "minimum") -> float:
    row = load_need(WORKSPACE, name).applied(component, bound)
    assert row is not None
    return float(row.per_1000kcal)


def test_the_profiles_that_the_issue_asks_for_are_there() -> None:
    assert {
        DEFAULT_NEED, "fediaf-2021-adult-mer100", "aafco-2016-adult", "nrc-2006-adult",
    } <= set(need_names(WORKSPACE))  # fmt: skip


@pytest.mark.parametrize("name", need_names(WORKSPACE))
def test_every_profile_is_valid_canonical_and_cited(name: str) -> None:
    need = load_need(WORKSPACE, name)
    assert len(need.bounds) > 40
    for row in need.bounds:
        assert row.unit == unit_of(row.component, UNITS)
        assert row.source and row.edition and row.standing in STANDINGS
        # the standards themselves are cited, not pages that repeat them
        assert not re.search(r"https?:|web page|blog|reprint", row.source)


@pytest.mark.parametrize("name", need_names(WORKSPACE))
def test_units_in_the_files_are_canonical_as_written(name: str) -> None:
    with (WORKSPACE.maintainer / "needs" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            assert row["unit"] == unit_of(row["component"], UNITS)


@pytest.mark.skipif(not REFERENCE.is_file(), reason="the reference folder `shared` is not beside the checkout")
@pytest.mark.parametrize("name", need_names(WORKSPACE))
def test_no_standing_is_better_than_the_reference_file_says(name: str) -> None:
    """Every applied figure is one of the reference file, by an own conversion, and no better known than there."""
    standard = {"fediaf": "FEDIAF", "aafco": "AAFCO", "nrc": "NRC"}[name.split("-")[0]]
    factors = {"per_1000kcal_ME": 1.0, "per_100g_DM": 2.5, "per_kg_DM": 0.25, "per_MJ": 4.184}
    units = {"g": 1.0, "mg": 1e-3, "ug": 1e-6}
    iu = {"RETOL": 0.3, "VITD": 0.025, "TOCPHA": 0.67}
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        reference = [row for row in csv.DictReader(file) if row["standard"] in {standard, "EFSA"}]
    for row in load_need(WORKSPACE, name).bounds:
        best = []
        component = row.component.replace("VITK1+MK4", "VITK")
        for other in reference:
            if other["component"] != component or (row.bound == "maximum") != (
                "maximum" in other["kind"] or other["kind"] == "safe_upper_limit"
            ):
                continue
            value = float(other["value"])
            if other["unit"] == "ratio":
                figure = value
            elif other["unit"] == "IU":
                figure = value * iu[component] * factors[other["basis"]]
            else:
                figure = value * units[other["unit"]] / units[row.unit] * factors[other["basis"]]
            if figure == pytest.approx(float(row.per_1000kcal), rel=1e-6):
                best.append(STANDINGS.index(other["seen_or_memory"]))
        if name == "nrc-2006-adult" and component == "TAU" and row.variant in {"dry", "canned"}:
            assert row.standing == "memory"  # named only in a note of the reference file
            continue
        assert best, f"{row.component} {row.bound} {row.variant} is not in the reference file"
        assert STANDINGS.index(row.standing) >= min(best)


def test_worked_conversion_1_iodine_of_fediaf() -> None:
    """Reference notes on cat nutrition, section 4, worked conversion 1 (FEDIAF adult, 4 kg cat)."""
    at_100, at_75 = per_1000kcal("fediaf-2021-adult-mer100", "ID"), per_1000kcal(DEFAULT_NEED, "ID")
    assert at_100 == pytest.approx(325)
    assert at_75 == pytest.approx(425)
    assert at_100 / 4.184 == pytest.approx(77.7, abs=0.05)
    active, _ = daily_need(4, "active")
    indoor, _ = daily_need(4, "neutered_indoor")
    assert active == pytest.approx(253, abs=0.5)
    assert indoor == pytest.approx(190, abs=0.5)
    assert active * at_100 / 1000 == pytest.approx(82, abs=0.5)
    assert indoor * at_75 / 1000 == pytest.approx(81, abs=0.5)
    assert per_1000kcal("nrc-2006-adult", "ID") == pytest.approx(350)
    assert per_1000kcal("aafco-2016-adult", "ID") == pytest.approx(150)


def test_minimums_of_worked_conversion_2_and_the_check_across_standards() -> None:
    """Same notes, worked conversion 2: calcium 1.33 (FEDIAF MER 75), 1.5 (AAFCO), 0.72 g (NRC); vitamin A 250 ug."""
    assert per_1000kcal(DEFAULT_NEED, "CA") == pytest.approx(1325)
    assert per_1000kcal("aafco-2016-adult", "CA") == pytest.approx(1500)
    assert per_1000kcal("nrc-2006-adult", "CA") == pytest.approx(720)
    assert per_1000kcal("fediaf-2021-adult-mer100", "RETOL") == pytest.approx(250, rel=0.002)
    assert per_1000kcal("nrc-2006-adult", "RETOL") == pytest.approx(250)


def test_mer_75_asks_for_four_thirds_of_mer_100() -> None:
    """Same notes, section 4: each calorie must carry 4/3 as much; fat is not scaled. One-digit figures round by 7 %."""
    low, high = load_need(WORKSPACE, "fediaf-2021-adult-mer100"), load_need(WORKSPACE, DEFAULT_NEED)
    assert (low.mer, high.mer) == (100, 75)
    assert (activity_of(100), activity_of(75), activity_of(None)) == ("active", "neutered_indoor", "neutered_indoor")
    for row in low.bounds:
        other = high.applied(row.component, row.bound)
        if row.bound == "minimum" and not row.variant and other and row.component not in {"FAT", "CA/P"}:
            assert float(other.per_1000kcal / row.per_1000kcal) == pytest.approx(4 / 3, rel=0.07), row.component
    fat = (low.applied("FAT", "minimum"), high.applied("FAT", "minimum"))
    assert fat[0] and fat[1] and fat[0].per_1000kcal == fat[1].per_1000kcal


@pytest.mark.parametrize(("weight_lb", "lean", "overweight"), [(10, 280, 240)])
def test_daily_energy_against_the_printed_pamphlet(weight_lb: int, lean: int, overweight: int) -> None:
    """National Academies pamphlet 'Your Cat's Nutritional Needs' (2006): 280 and 240 kcal for 10 lb, within 4 %."""
    kg = weight_lb * 0.45359237
    assert daily_need(kg, "active")[0] == pytest.approx(lean, rel=0.04)
    assert daily_need(kg, "overweight")[0] == pytest.approx(overweight, rel=0.04)


@pytest.mark.parametrize("name", need_names(WORKSPACE))
def test_taurine_has_variants_and_no_applied_minimum(name: str) -> None:
    """Same notes, section 7: no standard has a minimum for raw food."""
    need = load_need(WORKSPACE, name)
    assert need.applied("TAU", "minimum") is None
    assert {row.variant for row in need.shown("TAU")} >= {"canned"}
    assert len(need.shown("TAU")) >= 2


def test_marks_of_the_superseded_aafco_profile_are_absent() -> None:
    """Same notes, section 1: adult methionine 0.62 %, iodine 0.35 mg/kg, selenium 0.1 mg/kg are the old edition."""
    assert per_1000kcal("aafco-2016-adult", "MET") == pytest.approx(0.5)
    assert per_1000kcal("aafco-2016-adult", "ID") != pytest.approx(87.5)
    assert per_1000kcal("aafco-2016-adult", "SE") == pytest.approx(75)
    assert per_1000kcal("aafco-2016-adult", "RETOL") == pytest.approx(249.9)


def test_own_profile_by_path_converts_units(tmp_path: Path) -> None:
    file = tmp_path / "mine-mer75.csv"
    file.write_text(HEADING + "CA,minimum,recommended,0.53,g,per_100g_DM,,2021,memory,own,\n", encoding="utf-8")
    need = load_need(WORKSPACE, str(file))
    row = need.applied("CA", "minimum")
    assert row is not None and row.value == 530 and row.unit == "mg" and row.per_1000kcal == 1325
    assert need.name == "mine-mer75" and need.mer == 75


@pytest.mark.parametrize(
    ("line", "problem", "cure"),
    [
        ("CA,minimum,recommended,530,mg,per_day,,2021,memory,x,", "bad basis 'per_day'", "per_1000kcal_ME"),
        ("CA,minimum,recommended,530,IU,per_100g_DM,,2021,memory,x,", "unit 'IU' does not fit CA", "give mg"),
        ("RETOL,minimum,recommended,444,IU,per_100g_DM,,2021,memory,x,", "does not fit RETOL", "0.3 ug"),
        ("CALC,minimum,recommended,530,mg,per_100g_DM,,2021,memory,x,", "unknown component 'CALC'", ""),
        ("CA+K/P,minimum,recommended,1,ratio,per_100g_DM,,2021,memory,x,", "unknown component", ""),
        ('CA,minimum,recommended,"5,3",mg,per_100g_DM,,2021,memory,x,', "value is '5,3'", "decimal point"),
        ("CA,minimum,recommended,-1,mg,per_100g_DM,,2021,memory,x,", "value is negative", "zero or above"),
        ("CA,minimum,recommended,,mg,per_100g_DM,,2021,memory,x,", "value is missing", "number"),
        ("CA,minimum,recommended,1e999999999,mg,per_100g_DM,,2021,memory,x,", "value is '1e999999999'", "ordinary"),
        ("CA,least,recommended,530,mg,per_100g_DM,,2021,memory,x,", "bad bound 'least'", "minimum, maximum"),
        ("CA,minimum,wish,530,mg,per_100g_DM,,2021,memory,x,", "bad kind 'wish'", "recommended"),
        ("CA,minimum,recommended,530,mg,per_100g_DM,,2021,sure,x,", "bad standing 'sure'", "memory"),
        ("P,maximum,safe_upper_limit,1,mg,per_100g_DM,,2021,memory,x,", "below its minimum", "check value"),
        ("CA,minimum,recommended,530", "4 cells", "one cell per column"),
        ("P,minimum,recommended,1,mg,per_100g_DM,,2021,memory,x,", "given twice, first on line 2", "variant"),
        ('CA,minimum,"recommended,1,mg', "not CSV", "quote"),
    ],
)
def test_bad_profile_says_file_line_and_cure(tmp_path: Path, line: str, problem: str, cure: str) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(f"{HEADING}{GOOD.replace('CA,', 'P,', 1)}{line}\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_need(file, UNITS, "bad.csv")
    message = caught.value.line()
    assert message.startswith("bad.csv:3") and problem in message and cure in message and caught.value.exit_status == 2
    assert "\n" not in message


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", "the file is empty"),
        (HEADING.encode(), "no row"),
        (b"component,value\nCA,1\n", "no column"),
        (HEADING.replace("note", "colour").encode() + GOOD.encode(), "unknown column colour"),
        (b"\xff\xfe\x00bad", "not UTF-8"),
    ],
)
def test_bad_profile_file(tmp_path: Path, content: bytes, problem: str) -> None:
    file = tmp_path / "bad.csv"
    file.write_bytes(content)
    with pytest.raises(InputError, match=problem):
        read_need(file, UNITS)


def test_unknown_profile_names_near_ones() -> None:
    with pytest.raises(InputError) as caught:
        load_need(WORKSPACE, "fediaf-2021-adult")
    assert DEFAULT_NEED in caught.value.line()


def test_a_row_of_zero_width_is_a_number() -> None:
    assert Fraction("0.53") * 2 == Fraction("1.06")  # exact decimals, on which every conversion above rests
