"""Bone-in composites against their parts and against published ground bone-in and bone-sieved figures.

Sources: USDA SR28 foods 05301 to 05304, 10114, 13330, 17209 (mechanically separated, read from the build); Kakimov et
al. 2021, Theory and Practice of Meat Processing 6:39-45, abstract (cattle ribs and vertebrae ground with meat rests,
5318 mg Ca per 100 g); MEXT 2020, food 11211 (tree sparrow with bone and skin: 1100 mg Ca, 660 mg P).
"""

from __future__ import annotations

import csv
from dataclasses import replace
from fractions import Fraction
from typing import Any

import duckdb
import pytest
from rawref.mix.inputs import read_mix
from rawref.mix.mix import evaluate
from rawref.mix.table import load_table
from rawref.needs.profile import load_need
from rawref.workspace import Workspace

CATTLE_PASTE_CA = 5318.13
SPARROW_CA_P = 1100 / 660


@pytest.fixture(scope="module")
def cells(built: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], tuple[Any, ...]]:
    rows = built.execute(
        """select ingredient_id, component, value, low, high, status from curated."values"
           where component in ('CA', 'P')"""
    ).fetchall()
    return {(row[0], row[1]): row[2:] for row in rows}


@pytest.fixture(scope="module")
def composites(checkout: Workspace) -> dict[str, list[dict[str, str]]]:
    found: dict[str, list[dict[str, str]]] = {}
    with (checkout.maintainer / "composites.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            found.setdefault(row["ingredient_id"], []).append(row)
    return found


def test_calcium_is_that_of_the_parts_by_their_shares(
    cells: dict[tuple[str, str], tuple[Any, ...]], composites: dict[str, list[dict[str, str]]]
) -> None:
    checked = 0
    for composite, parts in composites.items():
        assert sum(Fraction(part["share_pct"]) for part in parts) == 100
        for component in ("CA", "P"):
            value, low, high, status = cells[composite, component]
            points = [cells[part["part_ingredient_id"], component] for part in parts]
            if status == "missing":
                continue
            if all(point[0] is not None for point in points):
                shares = [float(part["share_pct"]) for part in parts]
                expected = sum(share * point[0] for share, point in zip(shares, points, strict=True)) / 100
                assert value == pytest.approx(expected, rel=1e-9)
                checked += 1
            assert low <= (value if value is not None else high) <= high
    assert checked >= 8


PRINTED = {
    "chicken neck": "chicken-neck-bone-in",
    "chicken wing": "chicken-wing-bone-in",
    "chicken leg": "chicken-leg-bone-in",
    "quail, whole body without organs": "quail-bone-in",
    "beef short rib": "beef-short-rib-bone-in",
    "pork spare rib": "pork-sparerib-bone-in",
    "lamb neck": "lamb-neck-bone-in",
}
"""Rows of the table in raw/maintainer/README.md."""


def test_the_figures_printed_beside_the_composites_are_those_of_the_table(
    cells: dict[tuple[str, str], tuple[Any, ...]], composites: dict[str, list[dict[str, str]]], checkout: Workspace
) -> None:
    """raw/maintainer/README.md: share of bone, calcium and phosphorus to the milligram, ratio of the low and of
    the high ends."""
    text = (checkout.maintainer / "README.md").read_text(encoding="utf-8")
    lines = text[text.index("| composite | bone % |") :].split("\n\n")[0].splitlines()[2:]
    rows = {cols[0]: cols[1:5] for cols in ([c.strip() for c in line.strip("|").split("|")] for line in lines)}
    assert list(rows) == list(PRINTED)
    for name, (bone, calcium, phosphorus, ratio) in rows.items():
        (part,) = (p for p in composites[PRINTED[name]] if "-bone-" in p["part_ingredient_id"])
        ends = dict.fromkeys(part[column] for column in ("share_low_pct", "share_high_pct"))
        assert bone == " to ".join(ends), name
        amounts = [cells[PRINTED[name], component] for component in ("CA", "P")]
        for printed, (value, low, high, _) in zip((calcium, phosphorus), amounts, strict=True):
            span = f"{low:.0f} to {high:.0f}"
            assert printed == (span if value is None else f"{value:.0f} ({span})"), name
        low, high = (amounts[0][end] / amounts[1][end] for end in (1, 2))
        assert ratio == f"{low:.2f} to {high:.2f}", name


def test_bone_raises_calcium_far_above_the_meat_and_above_meat_with_the_bone_sieved_out(
    cells: dict[tuple[str, str], tuple[Any, ...]], built: duckdb.DuckDBPyConnection
) -> None:
    sieved = built.execute(
        """select max(value) from reference."values" where source = 'usda-sr28' and component = 'CA'
           and food_id in ('05301', '05302', '05303', '05304', '10114', '13330', '17209')"""
    ).fetchall()[0][0]
    assert sieved == 485
    parts = (
        "chicken-neck-bone-in",
        "chicken-wing-bone-in",
        "chicken-back-bone-in",
        "chicken-leg-bone-in",
        "pork-sparerib-bone-in",
        "lamb-neck-bone-in",
        "beef-short-rib-bone-in",
    )
    for part in parts:
        assert cells[part, "CA"][1] > 2 * sieved, part
    assert cells["chicken-neck-meat-and-skin", "CA"][0] == 18


def test_calcium_to_phosphorus_lies_between_small_animals_and_hydroxyapatite(
    cells: dict[tuple[str, str], tuple[Any, ...]], composites: dict[str, list[dict[str, str]]]
) -> None:
    # Ca:P of hydroxyapatite Ca5(PO4)3OH by mass, IUPAC atomic weights: 5 x 40.078 / (3 x 30.974) = 2.157
    hydroxyapatite = 5 * 40.078 / (3 * 30.974)
    for composite in composites:
        calcium, phosphorus = cells[composite, "CA"], cells[composite, "P"]
        if "missing" in (calcium[3], phosphorus[3]):
            continue
        for end in (1, 2):
            assert 0.9 < calcium[end] / phosphorus[end] < hydroxyapatite, composite
    neck = cells["chicken-neck-bone-in", "CA"][1] / cells["chicken-neck-bone-in", "P"][1]
    assert neck > SPARROW_CA_P  # refuse counts as bone: the composites overstate Ca:P, as raw/maintainer/README.md says


# Field (2000), Meat Science 55:255-264: calcium in per cent x 4.5 is per cent of fresh cortical bone
CORTICAL_CA = 100 / 4.5 * 1000
# Paloheimo et al. (1965): ash of 19 whole cow femurs 34.8 (30.0 to 39.9) g; Field (2000): 37 % of it is calcium
FEMUR_CA = 34.8 * 370, 39.9 * 370
# Margalida & Villalba (2017), Table 1: 49.17 g ash in 100 g dry matter, 60.92 g dry matter in 100 g fresh bone
SHEEP_AND_PIG_CA = 49.17 * 0.6092 * 370


@pytest.mark.parametrize(
    ("bone", "point", "high"),
    [
        ("lamb-bone-fresh", SHEEP_AND_PIG_CA, CORTICAL_CA),
        ("pork-bone-fresh", SHEEP_AND_PIG_CA, CORTICAL_CA),
        ("beef-bone-fresh", *FEMUR_CA),
    ],
)
def test_mammal_bone_stands_between_published_ends(
    cells: dict[tuple[str, str], tuple[Any, ...]], bone: str, point: float, high: float
) -> None:
    """The point is the published one, no mid-point; the ends are the papers' own."""
    value, low, top, _ = cells[bone, "CA"]
    assert (value, low, top) == (pytest.approx(point, rel=1e-9), CATTLE_PASTE_CA, pytest.approx(high, rel=2e-5))
    assert abs(value - (low + top) / 2) > 0.1 * value
    # Hua, Liu & Bureau (2005): P = 0.185 x ash, so half of calcium
    assert cells[bone, "P"][:3] == tuple(pytest.approx(x / 2, rel=2e-5) for x in (value, low, top))


def test_mammal_composites_reach_from_bone_to_bone(
    cells: dict[tuple[str, str], tuple[Any, ...]], composites: dict[str, list[dict[str, str]]]
) -> None:
    """By hand from the papers' figures: share of bone in the refuse of SR28 (17412: 32 %, 10088: 30 %, 13147: 27 %)."""
    for composite, meat, share, high in (
        ("lamb-neck-bone-in", "lamb-neck-lean-and-fat", 0.32, CORTICAL_CA),
        ("pork-sparerib-bone-in", "pork-sparerib-lean-and-fat", 0.30, CORTICAL_CA),
        ("beef-short-rib-bone-in", "beef-rib-short-rib-lean-and-fat", 0.27, FEMUR_CA[1]),
    ):
        value, low, top, _ = cells[composite, "CA"]
        point, least, most, _ = cells[meat, "CA"]
        least, most = (point if least is None else least), (point if most is None else most)
        assert low == pytest.approx(share * CATTLE_PASTE_CA + (1 - share) * least, rel=1e-6), composite
        assert top == pytest.approx(share * high + (1 - share) * most, rel=1e-4), composite
        assert low < value / 2 < value < top


def test_a_mix_is_judged_by_the_ends_of_the_bone(built_workspace: Workspace) -> None:
    """raw/maintainer/mixes/bone-in-lamb.csv: the point of calcium is above the minimum, the low end below, by hand.

    Source: minimum of calcium of the profile file; the calcium of the other five ingredients as SR28 prints it.
    """
    rows = read_mix(built_workspace.maintainer / "mixes" / "bone-in-lamb.csv")
    result = evaluate(load_table(built_workspace), rows, load_need(built_workspace, "fediaf-2021-adult-mer75"))
    calcium = next(row for row in result["components"] if row["component"] == "CA")
    megacalories = result["energy_kcal"] / 1000
    # 80 g of neck, 32 % bone: what the two ends of the bone alone make of it, per 1000 kcal
    bone = [0.8 * 0.32 * end / megacalories for end in (CATTLE_PASTE_CA, SHEEP_AND_PIG_CA, CORTICAL_CA)]
    assert calcium["per_1000kcal"] > calcium["minimum"] > bone[0]
    assert calcium["low"] / megacalories < calcium["minimum"]
    assert bone[1] < calcium["per_1000kcal"] < bone[1] * 1.2
    assert calcium["verdict"] == "undecided"
    # with three times as much neck even the low end is enough
    more = [replace(row, grams=row.grams * 3) if row.ingredient_id == "lamb-neck-bone-in" else row for row in rows]
    enough = evaluate(load_table(built_workspace), more, load_need(built_workspace, "fediaf-2021-adult-mer75"))
    assert next(row for row in enough["components"] if row["component"] == "CA")["verdict"] == "meets"


def test_bone_that_is_not_known_is_bounded_and_never_a_point(built: duckdb.DuckDBPyConnection) -> None:
    """Zinc of a bone-in neck from the printed figures: MEXT 11211 has 2.7 mg Zn beside 1100 mg Ca; the paste of Kakimov
    et al. leaves at most 8270.1 mg Ca in 100 g of poultry bone; no raw flesh of a bird has less than 0.51 mg Zn (SR28
    05363, ruffed grouse); SR28 05084 is 36 % bone."""
    rows = built.execute(
        """select component, value, low, high, status, confidence from curated."values"
           where spread_basis = 'bone_bound'"""
    ).fetchall()
    assert len(rows) > 500
    assert all(value is None and 0 <= low <= high for _, value, low, high, *_ in rows)
    assert {row[4:] for row in rows} == {("composed", "D")}
    assert not {"TAU", "ID", "SE", "BIOT", "CHOLN"} & {row[0] for row in rows}, "nothing bounds these in bone"
    (edible,) = built.execute(
        """select coalesce(low, value), coalesce(high, value) from curated."values"
           where ingredient_id = 'chicken-neck-meat-and-skin' and component = 'ZN'"""
    ).fetchall()
    (found,) = built.execute(
        """select low, high from curated."values" where ingredient_id = 'chicken-neck-bone-in' and component = 'ZN'"""
    ).fetchall()
    ceiling = (2.7 - 0.51) / 1100 * 8270.1 + 0.51
    assert found == pytest.approx((0.64 * edible[0], 0.64 * edible[1] + 0.36 * ceiling), rel=1e-6)


def test_bone_sieved_out_of_a_part_is_within_its_bounds(built: duckdb.DuckDBPyConnection) -> None:
    """Deboned by machine, backs and necks keep marrow and a little bone (SR28 05301, with skin): what they hold
    is at most what the bone-in back may hold."""
    rows = built.execute(
        """select v.component, v.high, w.value from curated."values" v
             join reference."values" w on w.component = v.component and w.source = 'usda-sr28' and w.food_id = '05301'
           where v.ingredient_id = 'chicken-back-bone-in' and v.spread_basis = 'bone_bound' and w.evidence
             and w.value is not null and v.component not in ('ENERC_KCAL')"""
    ).fetchall()
    assert len(rows) >= 10
    assert [row for row in rows if row[2] > row[1]] == []
