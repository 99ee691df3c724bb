"""Seeded faults for every rule: just outside its threshold, and just inside; see test_checks.py."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from rawref.checks.run import run
from rawref.checks.scene import SOUND, SOURCE, Scene

Build = Callable[[Scene, str], None]
ACIDS = (
    "ALA",
    "ARG",
    "ASP",
    "CYS",
    "GLU",
    "GLY",
    "HIS",
    "ILE",
    "LEU",
    "LYS",
    "MET",
    "PHE",
    "PRO",
    "SER",
    "THR",
    "TRP",
    "TYR",
    "VAL",
)
ACID_SUM = sum(SOUND[a] for a in ACIDS)


class Case(NamedTuple):
    """A rule, the severity that is due outside, and what builds a scene on either side of the threshold."""

    rule: str
    severity: str
    out: Build
    inside: Build


CASES: list[Case] = []


def food(rule: str, severity: str, out: dict[str, float | None], inside: dict[str, float | None], **told: Any) -> None:
    """A case of a source food that differs from the sound one in the given amounts."""
    CASES.append(
        Case(rule, severity, lambda s, name: s.food(name, out, **told), lambda s, name: s.food(name, inside, **told))
    )


def facet(rule: str, severity: str, out: dict[str, Any], inside: dict[str, Any]) -> None:
    """A case of a source food that differs from the sound one in its description or the rows of its values."""
    CASES.append(Case(rule, severity, lambda s, name: s.food(name, **out), lambda s, name: s.food(name, **inside)))


def cell(rule: str, severity: str, component: str, out: dict[str, Any], inside: dict[str, Any], **told: Any) -> None:
    """A case of one published cell."""

    def build(row: dict[str, Any]) -> Build:
        return lambda s, name: s.ingredient(name, f"food-{name}", rows={component: row}, **told)

    CASES.append(Case(rule, severity, build(out), build(inside)))


def ingredient(
    rule: str, severity: str, out: dict[str, Any], inside: dict[str, Any], values: dict[str, float | None] | None = None
) -> None:
    """A case of one published ingredient."""
    CASES.append(
        Case(
            rule,
            severity,
            lambda s, name: s.ingredient(name, f"food-{name}", values, **out),
            lambda s, name: s.ingredient(name, f"food-{name}", values, **inside),
        )
    )


def case(rule: str, severity: str, build: Callable[[Scene, str, Any], None], out: Any, inside: Any) -> None:
    """A case that needs more than one row."""
    CASES.append(Case(rule, severity, lambda s, name: build(s, name, out), lambda s, name: build(s, name, inside)))


def pair(component: str, out: float, inside: float) -> tuple[dict[str, float | None], dict[str, float | None]]:
    return {component: out}, {component: inside}


# --- proximates and energy; the sound food has 72 + 21 + 5.5 + 1.1 = 99.6 g
for severity, out, inside in (
    ("warn", 75.41, 75.39),
    ("fail", 77.41, 77.39),
    ("warn", 69.39, 69.41),
    ("fail", 67.39, 67.41),
):
    food("P01", severity, *pair("WATER", out, inside))
# available carbohydrate does not hold the fibre: both count
food("P01", "warn", {"CHOAVL": 2.0, "FIBTG": 1.5}, {"CHOAVL": 2.0, "FIBTG": 1.3})
for severity, out, inside in (
    ("warn", 74.41, 74.39),
    ("fail", 77.41, 77.39),
    ("warn", 69.39, 69.41),
    ("fail", 67.39, 67.41),
):
    food("P02", severity, *pair("WATER", out, inside))
for severity, out, inside in (("warn", 72.41, 72.39), ("fail", 74.41, 74.39)):
    food(
        "P03",
        severity,
        {"WATER": out, "CHOCDF": 0.05},
        {"WATER": inside, "CHOCDF": 0.05},
        rows={"CHOCDF": {"status": "calculated"}},
    )
for severity, out, inside in (("warn", 74.41, 74.39), ("fail", 77.41, 77.39)):
    food("P03", severity, *pair("WATER", out, inside), rows={"CHOCDF": {"status": "calculated"}})
for part, group, severity, out, inside in (
    ("muscle", "bovine", "warn", 1.51, 1.49),
    ("muscle", "bovine", "fail", 4.01, 3.99),
    ("heart", "bovine", "warn", 2.01, 1.99),
    ("liver", "bovine", "warn", 8.01, 7.99),
    ("liver", "bovine", "fail", 12.01, 11.99),
    ("muscle", "mollusc", "warn", 8.01, 7.99),
):
    food("P04", severity, *pair("CHOCDF", out, inside), part=part, species_group=group)
food("P05", "fail", *pair("FIBTG", 0.01, 0))
for severity, out, inside in (("warn", 0.51, 0.49), ("fail", 5.01, 4.99)):
    food("P06", severity, *pair("SUGAR", out, inside))
food("P07", "fail", *pair("WATER", 100.01, 100.0))
for severity, component, out, inside in (
    ("warn", "WATER", 56.6, 56.8),
    ("fail", "WATER", 41.9, 42.1),
    ("warn", "PROCNT", 11.99, 12.01),
    ("fail", "PROCNT", 7.99, 8.01),
):
    food("P08", severity, *pair(component, out, inside))
for severity, out, inside in (
    ("warn", 88.51, 88.49),
    ("fail", 93.51, 93.49),
    ("warn", 67.49, 67.51),
    ("fail", 58.49, 58.51),
):
    food("P09", severity, *pair("WATER", out, inside))
for severity, out, inside in (("warn", 2.61, 2.59), ("fail", 4.01, 3.99), ("warn", 0.49, 0.51), ("fail", 0.0, 0.01)):
    food("P10", severity, *pair("ASH", out, inside))
for severity, out, inside in (("warn", 0.728, 0.729), ("fail", 0.582, 0.584), ("warn", 1.81, 1.80)):
    food("P11", severity, *pair("ASH", out, inside))
for severity, out, inside in (("warn", 136.5, 136.6), ("fail", 133.9, 134.0)):  # recomputed 139.28 kcal
    food("E01", severity, *pair("ENERC_KCAL", out, inside))
for severity, out, inside in (("warn", 121.3, 121.4), ("fail", 111.2, 111.3)):  # 4-9-4 gives 133.5 kcal
    food("E02", severity, *pair("ENERC_KCAL", out, inside), factors={})
for severity, out, inside in (("warn", 587.5, 587.4), ("fail", 612.2, 612.1)):  # 4.184 x 139 = 581.576 kJ
    food("E03", severity, *pair("ENERC_KJ", out, inside))
for severity, out, inside in (("warn", 900.1, 900.0), ("fail", 902.1, 902.0)):
    food("E05", severity, *pair("ENERC_KCAL", out, inside))
food("E06", "fail", *pair("ENERC_KCAL_ATWGEN", 136.2, 136.0), source="usda-fdc")  # 4 x 21 + 9 x 5.5 + 4 x 0.4 = 135.1
food(
    "E06",
    "warn",
    {"WATER": 72.41, "ENERC_KCAL_ATWGEN": 133.5},
    {"WATER": 72.39, "ENERC_KCAL_ATWGEN": 133.5},
    source="usda-fdc",
)
cell("E04", "warn", "ENERC_KCAL", {"source_component": "somewhere"}, {"source_component": "208"})

# --- amino acids
for severity, out, inside in (("warn", 3.3681, 3.3679), ("fail", 3.4401, 3.4399)):
    food("A01", severity, *pair("NT", out, inside))
facet("A02", "warn", {"factors": {"nitrogen_factor": 6.24}}, {"factors": {"nitrogen_factor": 6.25}})
for severity, ratio, step in (("warn", 0.85, 1), ("fail", 0.70, 1), ("warn", 1.10, -1), ("fail", 1.20, -1)):
    edge = ACID_SUM / ratio
    food("A03", severity, *pair("PROCNT", edge + 0.01 * step, edge - 0.01 * step))
food("A04", "warn", *pair("TYR", None, 0.67))
for severity, component, out, inside in (
    ("warn", "LYS", 2.437, 2.435),
    ("fail", "LYS", 4.873, 4.871),
    ("warn", "TRP", 0.1049, 0.1051),
    ("fail", "TRP", 0.0524, 0.0526),
):
    food("A05", severity, *pair(component, out, inside))
for severity, out, inside in (
    ("warn", 0.433, 0.431),
    ("fail", 0.811, 0.809),
    ("warn", 0.161, 0.163),
    ("fail", 0.080, 0.082),
):
    food("A06", severity, *pair("CYS", out, inside))
food("A07", "fail", *pair("TRP", 0.0, 0.001))
food("A08", "warn", *pair("LYS", 2.731, 2.729))
food("A08", "fail", *pair("GLU", SOUND["GLU"] + 1.3 * 21 - ACID_SUM + 0.01, SOUND["GLU"] + 1.3 * 21 - ACID_SUM - 0.01))
for severity, x, y in (("warn", 901.0, 899.0), ("fail", 1501.0, 1499.0)):
    CASES.append(
        Case(
            "A09",
            severity,
            lambda s, name, x=x: s.ingredient(name, "f", {"TAU": x}, species="blue-mussel"),
            lambda s, name, y=y: s.ingredient(name, "f", {"TAU": y}, species="blue-mussel"),
        )
    )
for severity, out, inside in (("warn", 0.421, 0.419), ("fail", 2.941, 2.939)):
    food("A10", severity, *pair("HYP", out, inside))

# --- fat
for severity, out, inside in (("warn", 2.709, 2.707), ("fail", 2.951, 2.949)):
    food("L01", severity, *pair("FASAT", out, inside))
food("L02", "warn", *pair("FASAT", 3.264, 3.262))
food("L02", "fail", {"FASAT": 1.79, "FAMS": 0.1}, {"FASAT": 1.81, "FAMS": 0.1})


def single_acid(s: Scene, name: str, text: str) -> None:
    s.food(name)
    s.put('archival."values"', source=SOURCE, release="28", food_id=name, source_component="613", text=text)


case("L03", "warn", single_acid, "2.255", "2.253")
case("L03", "fail", single_acid, "2.431", "2.429")
for severity, out, inside in (("warn", 0.2101, 0.2099), ("fail", 0.2201, 0.2199)):
    food("L04", severity, *pair("F18D2N6", out, inside))
facet(
    "L05",
    "fail",
    {"values": {"F20D5N3": 0}, "rows": {"F20D5N3": {"n": 0}}},
    {"values": {"F20D5N3": 0}, "rows": {"F20D5N3": {"n": 1}}},
)
facet(
    "L05",
    "warn",
    {"values": {"F20D5N3": 0}, "rows": {"F20D5N3": {"n": 0, "status": "imputed", "evidence": False}}},
    {"values": {"F20D5N3": 0.001}, "rows": {"F20D5N3": {"n": 0, "status": "imputed", "evidence": False}}},
)
food("L06", "warn", {"F20D4N6": 0, "FAT": 0.51}, {"F20D4N6": 0, "FAT": 0.49})
food("L07", "warn", *pair("CHOLE", 0, 1))
for severity, out, inside in (("warn", 5.51, 5.49), ("fail", 55.01, 54.99)):
    food("L08", severity, *pair("F18D2N6", out, inside))
for severity, out, inside in (("warn", 5.61, 5.59), ("fail", 5.78, 5.77)):
    food("L09", severity, *pair("FATNLEA", out, inside))

# --- minerals; the peers hold 0.01 mg manganese and 20 ug selenium
for severity, out, inside in (("warn", 0.101, 0.099), ("fail", 3.17, 3.15)):
    food("M01", severity, *pair("MN", out, inside))
food("M01", "fail", *pair("MN", 3.17, 3.15), species_group="equine")
for severity, out, inside in (("warn", 40.1, 39.8), ("fail", 200.1, 199.9)):
    food("M02", severity, *pair("SE", out, inside))
for rule, severity, component, out, inside in (
    ("M03", "warn", "CA", 60.1, 59.9),
    ("M03", "fail", "CA", 180.1, 179.9),
    ("M04", "warn", "CA", 60.1, 59.9),
    ("M04", "fail", "CA", 150.1, 149.9),
    ("M05", "warn", "NA", 120.1, 119.9),
    ("M05", "fail", "NA", 300.1, 299.9),
    ("M06", "warn", "NA", 283.4, 283.2),
    ("M06", "fail", "NA", 1133.4, 1133.2),
    ("M08", "warn", "P", 357.1, 356.9),
    ("M08", "fail", "P", 840.1, 839.9),
    ("M10", "fail", "ZN", 0, 0.01),
    ("M11", "warn", "MN", 0, 0.01),
):
    food(rule, severity, *pair(component, out, inside))
for severity, out, inside in (("warn", 10.32, 10.30), ("fail", 11.12, 11.10)):
    food("M07", severity, {"NA": 4000, "NACL_EQ": out}, {"NA": 4000, "NACL_EQ": inside})
for severity, out, inside in (("warn", 25.1, 24.9), ("fail", 50.1, 49.9)):
    food("M09", severity, *pair("CU", out, inside), part="liver")

# --- vitamins
for rule, severity, out, inside in (
    ("V01", "warn", {"RETOL": 101.1, "VITA_RAE": 100, "VITA": 101}, {"RETOL": 100.9, "VITA_RAE": 100, "VITA": 101}),
    ("V01", "fail", {"RETOL": 102.1, "VITA_RAE": 100, "VITA": 101}, {"RETOL": 101.9, "VITA_RAE": 100, "VITA": 101}),
    ("V02", "warn", {"RETOL": 100, "VITA_RAE": 102.1}, {"RETOL": 100, "VITA_RAE": 102.0}),
    ("V02", "fail", {"RETOL": 100, "VITA_RAE": 111.2}, {"RETOL": 100, "VITA_RAE": 111.0}),
    ("V03", "warn", {"RETOL": 30, "VITA_IU": 105.3}, {"RETOL": 30, "VITA_IU": 105.2}),
    ("V03", "fail", {"RETOL": 30, "VITA_IU": 133.4}, {"RETOL": 30, "VITA_IU": 133.3}),
    ("V06", "warn", {"RETOL": 0}, {"RETOL": 0.1}),
    ("V07", "warn", {"VITD": 10, "VITD_IU": 421.1}, {"VITD": 10, "VITD_IU": 421.0}),
    ("V07", "fail", {"VITD": 10, "VITD_IU": 500.1}, {"VITD": 10, "VITD_IU": 499.9}),
    ("V08", "warn", {"VITD": 0.21}, {"VITD": 0.19}),
    ("V08", "fail", {"VITD": 1.11}, {"VITD": 1.09}),
    ("V11", "warn", {"TOCPHA": 0.41}, {"TOCPHA": 0.39}),
    ("V11", "fail", {"TOCPHA": 0.421}, {"TOCPHA": 0.419}),
    ("V12", "warn", {"NIAEQ": 9.5}, {"NIAEQ": 9.4}),
    ("V13", "warn", {"FOL": 9.1}, {"FOL": 8.9}),
    ("V13", "fail", {"FOL": 16.1}, {"FOL": 15.9}),
    ("V14", "fail", {"FOLAC": 0.1}, {"FOLAC": 0}),
    ("V15", "warn", {"VITB12": 0}, {"VITB12": 0.01}),
    ("V18", "warn", {"CHOLN": 1200.1}, {"CHOLN": 1200}),
    ("V18", "fail", {"CHOLN": 3000.1}, {"CHOLN": 3000}),
    ("V19", "warn", {"VITC": 8.1}, {"VITC": 8}),
    ("V19", "fail", {"VITC": 24.1}, {"VITC": 24}),
    ("V20", "warn", {"CARTB": 300.1}, {"CARTB": 300}),
):
    food(rule, severity, out, inside, **({"rows": {"RETOL": {"status": "assumed_zero"}}} if rule == "V06" else {}))
food("V04", "fail", {"CARTB": 1}, {"CARTB": 0}, rows={"RETOL": {"steps": '["vita_iu_to_retol"]'}})
for severity, out, inside in (("warn", 1999, 2001), ("fail", 99, 101)):
    food("V05", severity, *pair("RETOL", out, inside), part="liver")
facet(
    "V09",
    "warn",
    {"part": "liver", "values": {"VITD": 0}, "rows": {"VITD": {"n": 0}}},
    {"part": "liver", "values": {"VITD": 0}, "rows": {"VITD": {"n": 1}}},
)


def mapped(s: Scene, name: str, told: tuple[str, str, str]) -> None:
    number, component, tag = told
    s.put(
        "reference.component_map",
        source=SOURCE,
        source_component=number,
        component=component,
        preference=1,
        steps="[]",
        factor=1,
    )
    s.put(
        "archival.components",
        source=SOURCE,
        release="28",
        source_component=number,
        name=name,
        unit=s.units[component],
        tagname=tag,
    )


for rule, out, inside in (("V10", "v10", "328"), ("V12", "v12", "406"), ("V16", "v16", "404"), ("V17", "v17", "430")):
    component = {"V10": "VITD", "V12": "NIA", "V16": "THIA", "V17": "VITK1"}[rule]
    case(rule, "warn", mapped, (out, component, ""), (inside, component, ""))
case("P12", "fail", mapped, ("p12-1", "FAT", "FATCE"), ("p12-1", "FAT", "FAT"))
case("P12", "warn", mapped, ("p12-2", "FAT", "F-"), ("p12-2", "FAT", "FAT"))
case("C03", "fail", mapped, ("c03", "FOL", "FOLFD"), ("c03", "FOL", "FOL"))


def by_tag(s: Scene, name: str, number: str) -> None:
    mapped(s, name, (number, "VITD", "VITD"))
    s.put(
        "archival.components",
        source=SOURCE,
        release="28",
        source_component=f"{name}-twin",
        name=name,
        unit="ug",
        tagname="VITD",
    )


case("C02", "fail", by_tag, "VITD", "c02")


def unit(s: Scene, name: str, told: tuple[str, float]) -> None:
    s.put(
        "reference.component_map",
        source=SOURCE,
        source_component=name,
        component="ZN",
        preference=1,
        steps='["ug_to_mg"]',
        factor=told[1],
    )
    s.put(
        "archival.components", source=SOURCE, release="28", source_component=name, name=name, unit=told[0], tagname=""
    )


case("D06", "fail", unit, ("ug", 1.0), ("ug", 0.001))
case("D05", "fail", unit, ("pinch", 0.001), ("ug", 0.001))

# --- documentation
cell("D01", "fail", "TAU", {"status": "missing", "value": 3.0}, {"status": "missing"})
cell("D02", "fail", "SE", {"value": 0.0}, {"value": 0.0, "status": "imputed"})
cell("D02", "warn", "SE", {"value": 0.0, "status": "unspecified"}, {"value": 0.1, "status": "unspecified"})
cell(
    "D03",
    "fail",
    "SE",
    {"status": "below_detection", "low": 0.0},
    {"status": "below_detection", "low": 0.0, "value": None},
)
cell("D05", "fail", "SE", {"unit": "pinch"}, {"unit": "ug"})
cell("D06", "fail", "SE", {"unit": "mg"}, {"unit": "ug"})
cell("D06", "fail", "SE", {"source_unit": "mg"}, {"source_unit": "mcg"})
cell("D06", "fail", "ZN", {"source_unit": "g"}, {"source_unit": "g", "steps": '["g_to_mg"]'})


def token(s: Scene, name: str, text: str) -> None:
    s.put(
        'reference."values"',
        source="mext",
        release="2020",
        food_id=name,
        component="SE",
        source_component=name,
        preference=1,
        text=text,
        status="missing",
        evidence=False,
    )


case("D04", "fail", token, "about 3", "-")


def ranged(s: Scene, name: str, least: str, number: str = "301") -> None:
    s.put("archival.foods", source=SOURCE, release="28", food_id=name, name=name)
    s.put(
        'archival."values"',
        source=SOURCE,
        release="28",
        food_id=name,
        source_component=number,
        text="1.0",
        min=least,
        max="9",
    )


case("D07", "fail", ranged, "1.051", "1.05")
case("D07", "warn", lambda s, name, least: ranged(s, name, least, "675"), "1.051", "1.05")  # 18:2 n-6 of SR28
cell("D07", "fail", "SE", {"low": 20.1, "high": 30.0}, {"low": 20.0, "high": 30.0})
facet("D08", "fail", {"rows": {"SE": {"se": 0.1, "n": 1}}}, {"rows": {"SE": {"se": 0.1, "n": 2}}})
facet("D08", "warn", {"rows": {"SE": {"se": 10.1, "n": 4}}}, {"rows": {"SE": {"se": 9.9, "n": 4}}})
cell("D09", "warn", "SE", {"status": "imputed", "derivation": "4"}, {"status": "imputed", "derivation": "4/BFFN"})
facet("D10", "warn", {"rows": {"SE": {"text": "20.001"}}}, {"rows": {"SE": {"text": "20.01"}}})
cell("D10", "fail", "SE", {"source_value": "20.01"}, {"source_value": "20.0"})
cell(
    "D10",
    "fail",
    "VITD",
    {"source_value": "4.1", "steps": '["vitd_iu_to_ug"]'},
    {"source_value": "4", "steps": '["vitd_iu_to_ug"]'},
)


def coded(s: Scene, name: str, row: dict[str, Any]) -> None:
    """A source that codes how a figure came about: 7 and Z an assumed zero (SR28), 1 an analysis (FDC)."""
    for kind, code, status in (("source_code", "7", "assumed_zero"), ("derivation", "Z", "assumed_zero"),
                               ("derivation", "1", "measured")):
        s.put("reference.status_map", source=name, kind=kind, code=code, status=status)
    s.put("archival.foods", source=name, release="1", food_id=name, name=name)
    s.put('archival."values"', source=name, release="1", food_id=name, source_component="301", **row)


ZERO = {"text": "0", "source_code": "7", "derivation": "Z"}
case("D09", "warn", coded, ZERO | {"n": "1"}, ZERO | {"n": "0"})
SAMPLED = ZERO | {"n": "1"}
case("D09", "warn", coded, SAMPLED | {"derivation": None}, SAMPLED | {"source_code": "1", "derivation": "A"})
case("D09", "warn", coded, {"text": "5", "derivation": "1"}, {"text": "5", "derivation": "1", "n": "1"})


def undocumented(s: Scene, name: str, codes: dict[str, Any]) -> None:
    s.put("reference.status_map", source=name, kind="derivation", code="1", status="measured")
    s.put("reference.component_map", source=name, source_component=name, component="SE", preference=1, steps="[]",
          factor=1)  # fmt: skip
    s.food(name, source=name, rows={"SE": codes | {"source_component": name}})


case("D12", "warn", undocumented, {"derivation": None, "source_code": None}, {"derivation": None, "source_code": "1"})
cell("D11", "fail", "SE", {"reference_ids": '["usda-sr28:nowhere"]'}, {"reference_ids": '["usda-sr28:known"]'})
for _column in ("source", "release", "food_id", "file", "line"):  # each of them alone breaks the chain
    cell("D11", "fail", "SE", {_column: None}, {})
cell("D12", "warn", "SE", {"derivation": None}, {"derivation": "1"})
cell(
    "D13",
    "warn",
    "SE",
    {"status": "imputed", "donor_food_id": "1", "donor_state": "cooked"},
    {"status": "imputed", "donor_food_id": "1", "donor_state": "raw"},
)
cell("D15", "fail", "SE", {"confidence": None}, {"confidence": "A"})
cell("D16", "fail", "SE", {"value": 0.0}, {"value": 0.1})
cell("D16", "warn", "SE", {"value": 0.0, "status": "imputed"}, {"value": 0.1, "status": "imputed"})


def doubted(s: Scene, name: str, component: str, n: int, low: float, species: str = "cattle") -> None:
    """A zero that the source did not measure, beside comparable foods."""
    part, group = ("plant", "plant") if species == "plant" else ("muscle", "bovine")
    s.put("reference.peers", component=component, part=part, species_group=group, n=n, low=low, median=1.0, high=2.0)
    status = {"value": 0.0, "source_value": "0", "n": 0, "status": "unspecified"}
    s.ingredient(name, f"food-{name}", rows={component: status}, species=species, part=part)


case("D16", "fail", lambda s, name, n: doubted(s, name, "SE", n, 0.1), 3, 2)
case("D16", "fail", lambda s, name, low: doubted(s, name, "ZN", 3, low), 0.1, 0.0)
case("D16", "fail", lambda s, name, species: doubted(s, name, "FE", 3, 0.1, species), "cattle", "plant")


def laundered(s: Scene, name: str, same: float, n: int = 0) -> None:
    """A chosen figure of an older table's imputed one; the share of the other figures that the two foods have alike."""
    if not any(r.get("source") == "older" for r in s.rows["archival.releases"]):
        s.put("archival.releases", source="older", release="1", release_date="2009-09", country="United States",
              source_order=9)
    told = {"SE": {"value": 12.3, "text": "12.3", "status": "unspecified", "n": n}}
    other = {c: x * 1.31 for k, (c, x) in enumerate(sorted(SOUND.items())) if k >= same * len(SOUND)}
    s.food(f"food-{name}", rows=told)
    s.food(f"old-{name}", other, rows={"SE": {**told["SE"], "status": "imputed", "evidence": False}}, source="older",
           release="1")
    s.ingredient(name, f"food-{name}", rows={"SE": {"value": 12.3, "source_value": "12.3", "status": "unspecified",
                                                    "n": n}})


case("D17", "fail", laundered, 0.6, 0.1)


def taken(s: Scene, name: str, same: int) -> None:
    """A component of 20 foods of which so many have the older table's figure; the first is one that it imputed."""
    component = "ZN"
    if not any(r.get("source") == "older" for r in s.rows["archival.releases"]):
        s.put("archival.releases", source="older", release="1", release_date="2009-09", country="United States",
              source_order=9)
    for k in range(20):
        own = {component: {"value": 11.0 + k, "text": str(11 + k), "status": "unspecified", "n": 0}}
        old = {component: {**own[component], "value": 11.0 + k + (k >= same) / 2, "evidence": k > 0,
                            "status": "calculated" if k else "imputed"}}
        s.food(f"{name}-{k}", rows=own)
        s.food(f"old-{name}-{k}", {c: None for c in SOUND if c != component}, rows=old, source="older", release="1")
        s.put("reference.links", ingredient_id=f"{name}-{k}" if k else name, source="older", release="1",
              food_id=f"old-{name}-{k}", match_quality="A")
        if k:
            s.put("reference.links", ingredient_id=f"{name}-{k}", source=SOURCE, release="28", food_id=f"{name}-{k}",
                  match_quality="A")
    s.ingredient(name, f"{name}-0",
                 rows={component: {"value": 11.0, "source_value": "11", "status": "unspecified", "n": 0}})


case("D17", "fail", taken, 10, 9)


def stated(s: Scene, name: str, row: dict[str, Any]) -> None:
    """A source whose codes have a status: 1 an analysis, 4 a calculation, and what it says of zeros as SR28 does."""
    for kind, code, status in (
        ("derivation", "1", "measured"), ("derivation", "4", "calculated"), ("source_code", "7", "assumed_zero"),
        ("rule", "value=0+measured+stat1", "below_detection"), ("rule", "value=0+src1+n=0", "imputed"),
    ):
        s.put("reference.status_map", source=name, kind=kind, code=code, status=status)
    s.put("reference.component_map", source=name, source_component=name, component="SE", preference=1, steps="[]",
          factor=1)  # fmt: skip
    s.food(name, source=name, rows={"SE": {"source_component": name, "derivation": "1"} | row})


LIMITED = {"text": "0", "value": None, "stat_comment": "1, 4"}
for wrong, right in (
    ({"status": "imputed"}, {"status": "measured"}),
    ({"derivation": "4"}, {"derivation": "4", "status": "calculated"}),
    ({"derivation": "", "source_code": "7", "value": 0, "text": "0", "status": "measured"},
     {"derivation": "", "source_code": "7", "value": 0, "text": "0", "status": "assumed_zero"}),
    (LIMITED | {"status": "measured"}, LIMITED | {"status": "below_detection"}),
    ({"text": "0", "value": 0, "n": 0, "status": "measured"}, {"text": "0", "value": 0, "n": 0, "status": "imputed"}),
    ({"text": None, "value": None}, {"text": None, "value": None, "status": "missing"}),
):  # fmt: skip
    case("D18", "fail", stated, wrong, right)


def aged(s: Scene, name: str, year: int) -> None:
    s.food(f"food-{name}", rows={"SE": {"year": year}})
    s.ingredient(name, f"food-{name}")


case("D14", "warn", aged, 1994, 1995)

# --- foods
CASES.append(
    Case(
        "F01",
        "fail",
        lambda s, name: (
            s.put('archival."values"', source=SOURCE, release="28", food_id=name, source_component="301", text="1")
            and None
        ),
        lambda s, name: s.food(name),
    )
)
facet("F02", "fail", {"name": ""}, {"name": "Beef, f02a, raw"})
facet("F02", "warn", {"species": "unknown", "part": "unknown"}, {"part": "unknown"})


def kept(s: Scene, name: str, row: dict[str, Any]) -> None:
    s.put(
        "reference.component_map",
        source=SOURCE,
        source_component=name,
        component="ZN",
        preference=1,
        steps="[]",
        factor=1,
    )
    s.food(name, rows={"ZN": {"source_component": name} | row})


def doubled(s: Scene, name: str, twice: bool) -> None:
    kept(s, name, {})
    if twice:
        s.rows['reference."values"'].append(
            dict(next(r for r in s.rows['reference."values"'] if r["source_component"] == name))
        )


def lost(s: Scene, name: str, gone: bool) -> None:
    kept(s, name, {})
    if gone:
        s.rows['reference."values"'] = [r for r in s.rows['reference."values"'] if r["source_component"] != name]


def twice(s: Scene, name: str, again: bool) -> None:
    for _ in range(2 if again else 1):
        s.put("archival.foods", source=SOURCE, release="28", food_id=name, name=name)


case("F01", "fail", twice, True, False)
case("F01", "fail", doubled, True, False)
case("F01", "fail", lost, True, False)


def orphan(s: Scene, name: str, table: str, there: bool) -> None:
    if there:
        s.food(name)
    value = {"source_component": "SE"} if table == "archival.value_references" else {}
    s.put(table, source=SOURCE, release="28", food_id=name, **value)


def orphan_case(table: str) -> None:
    case("F01", "fail", lambda s, name, there: orphan(s, name, table, there), False, True)


for beside in ("archival.langual", "archival.footnotes", "archival.value_references"):
    orphan_case(beside)
case("D10", "fail", kept, {"value": 40.0}, {})
case("D10", "fail", kept, {"value": None}, {})
case("D06", "fail", kept, {"unit": "ug"}, {})
case("D02", "fail", kept, {"evidence": False}, {})


def twins(s: Scene, name: str, other: str) -> None:
    s.food(name, name="Beef, twin, raw")
    s.food(f"{name}-other", name=other)


case("F03", "warn", twins, "Beef,  TWIN, raw", "Beef, single, raw")
facet("F04", "fail", {"name": "Strawberry beef"}, {"name": "Beef, strawberry, raw"})
facet("F04", "warn", {"langual": '["F0014"]'}, {"langual": '["F0003"]'})


def linked(s: Scene, name: str, told: dict[str, Any]) -> None:
    s.food(name, **told)
    s.ingredient(f"{name}-lean", name)


case("F05", "fail", linked, {"name": "Beef, cured, raw"}, {"name": "Beef, not to be cured, raw"})
case("F05", "warn", linked, {"additions": "unknown"}, {"additions": "none"})
case("F08", "fail", linked, {"part": "giblets"}, {"part": "muscle"})
ingredient("F06", "fail", {"species": "unknown"}, {"species": "cattle"})
ingredient("F06", "warn", {"scientific_name": ""}, {"scientific_name": "Bos taurus"})
facet("F07", "fail", {"part": "unknown"}, {"part": "heart"})
facet("F07", "warn", {"skin": "unknown"}, {"skin": "no"})
ingredient("F09", "warn", {"match": "C"}, {"match": "B"})
ingredient("F09", "fail", {"match": ""}, {"match": "B"})
cell("F10", "warn", "SE", {"source": "nowhere"}, {"source": SOURCE})
for severity, out_pct, in_pct in (("warn", 70.1, 70.0), ("fail", 95.0, 94.9)):
    facet(
        "F11", severity, {"refuse_pct": out_pct, "refuse_note": "bone"}, {"refuse_pct": in_pct, "refuse_note": "bone"}
    )
facet("F11", "warn", {"refuse_pct": 10.0}, {"refuse_pct": 10.0, "refuse_note": "bone"})


def skinned(s: Scene, name: str, refuse: float) -> None:
    """As SR28 05066: the food with its skin throws away no more than its meat alone, which loses the skin too."""
    told = {"species_group": "bird", "refuse_note": "bone"}
    s.food(name, name=f"Quail, {name}, meat and skin, raw", refuse_pct=refuse, **told)
    s.food(f"{name}-meat", name=f"Quail, {name}, meat only, raw", refuse_pct=42.0, **told)


case("F11", "warn", skinned, 42.1, 42.0)
cell("F12", "fail", "SE", {"basis": "per 100 g as supplied"}, {"basis": "per 100 g edible portion, raw"})


def alike(s: Scene, name: str, changed: int, group: str = "rabbit") -> None:
    filled = [k for k, v in SOUND.items() if v > 0]
    s.food(name, species_group=group)
    s.food(f"{name}-like", {k: SOUND[k] * 1.07 for k in filled[:changed]}, species_group=group)


SHARED = sum(v > 0 for v in SOUND.values())
case("F14", "warn", alike, int(SHARED * 0.1), int(SHARED * 0.1) + 1)


def named_twins(s: Scene, name: str, changed: int) -> None:
    """A food that the facets hold for the same record as another is told all the more."""
    alike(s, name, changed, "marine_mammal")
    s.rows["reference.foods"][-1]["duplicate_of"] = name


case("F14", "warn", named_twins, 0, int(SHARED * 0.1) + 1)
facet("F15", "warn", {"langual": '["F0014", "G0005"]'}, {"langual": '["F0003", "G0003"]'})
food("F16", "fail", *pair("WATER", None, 72.0))
food("F16", "warn", *pair("ENERC_KCAL", None, 139.0))


# --- between foods
def cooked(s: Scene, name: str, zinc: float) -> None:
    s.food(name, name=f"Beef, {name}, raw")
    s.food(f"{name}-cooked", {"ZN": zinc}, name=f"Beef, {name}, cooked, braised", state="cooked")


case("B01", "warn", cooked, 5.01, 4.99)
case("B01", "fail", cooked, 8.01, 7.99)


def broth(s: Scene, name: str, water: float) -> None:
    s.food(name, name=f"Beef, {name}, raw")
    s.food(f"{name}-cooked", {"ZN": 8.01, "WATER": water}, name=f"Beef, {name}, cooked, braised", state="cooked")


case("B01", "fail", broth, 99.0, 100.0)  # nothing is told of what has no dry matter


def series(s: Scene, name: str, water: float, fat: float = 6.0) -> None:
    s.food(name, name=f"Beef, {name}, separable lean only, raw")
    s.food(f"{name}-fat", {"FAT": fat, "WATER": water}, name=f"Beef, {name}, separable lean and fat, raw")


case("B02", "warn", series, 72.31, 72.29)


def candidates(
    s: Scene, name: str, component: str, unit: str, *told: tuple[str, str, float], chosen: dict[str, Any] | None = None
) -> None:
    """An ingredient with a candidate for one cell from each (source, food id, value), and the cell as published."""
    s.ingredient(name, f"food-{name}" if chosen else None, rows={component: chosen or {}})
    for rank, (source, food, value) in enumerate(told, 1):
        s.put(
            "curated.candidates",
            ingredient_id=name,
            component=component,
            value=value,
            unit=unit,
            basis="x",
            status="measured",
            source=source,
            food_id=food,
            match_quality="A",
            steps="[]",
            reference_ids="[]",
            alternatives="[]",
            reason="x",
            rank=rank,
        )


def two_sources(s: Scene, name: str, larger: float) -> None:
    candidates(s, name, "FE", "mg", (SOURCE, "1", 1.0), ("anses-ciqual", "2", larger))


def two_foods(s: Scene, name: str, larger: float) -> None:
    """As tripe of SR28: 13341 has 0.085 mg Mn, 23445 4.055."""
    candidates(s, name, "MN", "mg", (SOURCE, "1", 1.0), (SOURCE, "2", larger))


case("B03", "warn", two_sources, 2.01, 1.99)
case("B03", "warn", two_foods, 2.01, 1.99)
case("B03", "fail", two_foods, 10.01, 9.99)
case("B03", "fail", two_sources, 10.01, 9.99)


def bird(s: Scene, name: str, protein: float) -> None:
    told = {"species": "quail", "species_group": "bird"}
    s.food(name, {"PROCNT": protein}, name=f"Quail, {name}, meat and skin, raw", skin="yes", **told)
    s.food(f"{name}-meat", name=f"Quail, {name}, meat only, raw", skin="no", **told)
    s.food(f"{name}-skin", {"PROCNT": 15.0}, name=f"Quail, {name}, skin only, raw", part="skin", **told)


case("B04", "warn", bird, 23.4, 23.3)


# --- the table
def gap_lost(s: Scene, name: str, lost: bool) -> None:
    s.ingredient(name, f"food-{name}")
    if lost:
        s.rows["curated.gaps"] = [
            r for r in s.rows["curated.gaps"] if (r["ingredient_id"], r["component"]) != (name, "BIOT")
        ]


case("T01", "fail", gap_lost, True, False)
cell("T02", "fail", "SE", {"value": -0.1}, {"value": 0.0})
cell("T02", "fail", "SE", {"low": 21.0, "high": 19.0}, {"low": 19.0, "high": 21.0})
cell("R04", "fail", "SE", {"low": None}, {})
cell("R04", "fail", "ZN", {"high": None}, {})
cell("R04", "fail", "FE", {"value": 2.0, "low": 1.0, "high": 1.9}, {"value": 2.0, "low": 1.0, "high": 2.0})


def rival(s: Scene, name: str, told: tuple[float, str]) -> None:
    """Manganese of tripe: one sample of USDA 13341 has 0.085 mg, another table many times as much."""
    value, reason = told
    cell_told = {"value": 0.085, "low": 0.05, "high": 0.2, "reason": reason}
    candidates(s, name, "MN", "mg", ("anses-ciqual", "2", value), chosen=cell_told)


case("R05", "fail", rival, (0.21, "first of 2"), (0.2, "first of 2"))
case("R05", "fail", rival, (4.06, "first of 2"), (4.06, "outside the range: anses-ciqual 2 has 4.06 mg"))
cell("T03", "fail", "FAT", {"food_id": "another"}, {})
cell("T03", "fail", "LYS", {"food_id": "another"}, {})


def composite(s: Scene, name: str, share: float) -> None:
    s.ingredient(f"{name}-part", f"food-{name}")
    s.ingredient(f"{name}-bone", f"food-{name}")
    s.ingredient(name, None, kind="composite")
    for part, amount in ((f"{name}-part", share), (f"{name}-bone", 30.0)):
        s.put("archival.maintainer_composites", ingredient_id=name, part_ingredient_id=part, share_pct=amount)


case("T06", "fail", composite, 69.9, 70.0)
case("B02", "warn", lambda s, name, fat: series(s, name, 72.31, fat), 5.81, 5.8)


def name_of(position: int) -> str:
    return f"{CASES[position].rule.lower()}-{position}"


def scene(schemas: Path, side: str) -> dict[str, Any]:
    """One run over a scene with every case on one side of its threshold, among sound foods."""
    made = Scene(schemas)
    for number in range(12):
        made.food(f"sound{number}", {"CHOCDF": 0.0})
    made.put("archival.releases", source="nowhere", release="1", release_date="2015-01", source_order=9)
    made.put('curated."references"', reference_id="usda-sr28:known", source=SOURCE)
    for position, known in enumerate(CASES):
        (known.out if side == "out" else known.inside)(made, name_of(position))
    with made.database() as con:
        return run(con, schemas)
