"""What comparable foods foretell of an unknown content: the textbook interval, and that it holds out of sample."""

from __future__ import annotations

import csv
import math
from collections import Counter
from fractions import Fraction
from pathlib import Path

import pytest
from rawref import registry
from rawref.mix.comparables import Known, foretold, student
from rawref.mix.content import content_of
from rawref.mix.mix import evaluate
from rawref.mix.table import Table, load_table
from rawref.render import sheet
from rawref.render.mix import mix_csv, mix_text

from tests.mix_tables import REPO, WORKSPACE, cells, entry, ingredient, maximum, minimum, need_of, rows_of, table_of

PLAIN = {"WATER": "75", "PROCNT": "20", "FAT": "4", "ASH": "1", "CHOCDF": "0"}  # 114 kcal per 100 g


@pytest.mark.parametrize(("freedom", "point"), [(5, 2.015), (10, 1.812), (20, 1.725), (30, 1.697), (120, 1.658)])
def test_the_quantile_of_student_is_that_of_the_tables(freedom: int, point: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, critical values of Student's t, 0.95."""
    assert student(freedom) == pytest.approx(point, abs=0.002)


def hearts(folder: Path, zinc: dict[str, str]) -> Table:
    """Made up: hearts and livers of some animals, the zinc of one heart unknown."""
    parts = [ingredient(f"{animal}-{part}", animal, part) for animal in ("cattle", "pig", "chicken", "sheep", "duck")
             for part in ("heart", "liver")]  # fmt: skip
    values = [row for part in parts for row in cells(part["ingredient_id"], **PLAIN)]
    values += [row for key, text in zinc.items() for row in cells(key, ZN=text)]
    return table_of(folder, parts, values)


ZINC = {
    "cattle-heart": "2", "pig-heart": "2.5", "chicken-heart": "1.6", "sheep-heart": "2.2",
    "cattle-liver": "4", "pig-liver": "6", "chicken-liver": "3", "sheep-liver": "5", "duck-liver": "4.5",
}  # fmt: skip


def test_one_more_animal_is_foretold_by_the_prediction_interval(tmp_path: Path) -> None:
    """By hand: mean and pooled variance of the logarithms within part, 3 + 4 degrees of freedom, t(7) = 1.895."""
    table = hearts(tmp_path / "t", ZINC)
    logs = {part: [math.log(float(v)) for key, v in ZINC.items() if key.endswith(part)] for part in ("heart", "liver")}
    squares = sum((x - sum(own) / len(own)) ** 2 for own in logs.values() for x in own)
    middle, half = sum(logs["heart"]) / 4, 1.895 * math.sqrt(squares / 7 * (1 + 1 / 4))
    found = foretold(table, "duck-heart", "ZN")
    assert found is not None and found.basis == ("the same part of 4 other animals",)
    assert [math.log(value) for value in (found.low, found.middle, found.high)] == pytest.approx(
        [middle - half, middle, middle + half], abs=1e-3
    )


def test_an_unknown_is_no_value_and_comparable_foods_bless_no_maximum(tmp_path: Path) -> None:
    """The total stays without it, the line names what it rests on, and a maximum takes the unknown at its ceiling."""
    table = hearts(tmp_path / "t", ZINC)
    mix = rows_of(("duck-heart", 100))
    found = entry(evaluate(table, mix, need_of(tmp_path, minimum("ZN", "5", "mg"))), "ZN")  # 2 mg are 17 per 1000 kcal
    assert found["verdict"] == "meets" and found["amount"] is None
    assert [row["ingredient_id"] for row in found["rests_on_comparables"]] == ["duck-heart"]
    assert "rests on comparable foods for duck-heart" in found["reason"]
    both = evaluate(table, mix, need_of(tmp_path, minimum("ZN", "5", "mg"), maximum("ZN", "30", "mg")))
    assert entry(both, "ZN")["chance_maximum"] == [0, 1] and entry(both, "ZN")["verdict"] == "undecided"
    result = evaluate(table, mix, need_of(tmp_path, minimum("ZN", "5", "mg")))
    page = sheet.markdown(sheet.analysis(result, "Hearts"))
    assert "Decided by the spread of comparable foods, since there is no figure: ZN (duck-heart)." in page
    assert "rests on comparable foods for duck-heart" in " ".join(mix_text(result).split())
    assert any("duck-heart" in line for line in mix_csv(result).splitlines() if ",ZN," in line)


def test_without_a_published_ceiling_the_far_end_of_comparable_foods_is_the_ceiling(tmp_path: Path) -> None:
    """t(7) = 2.998 at 0.99 (the same tables). A published ceiling goes before it, and is what a maximum is held to."""
    table = hearts(tmp_path / "t", ZINC)
    found = foretold(table, "duck-heart", "ZN")
    assert found is not None
    reach = math.log(found.high / found.middle) / 1.895 * 2.998
    assert math.log(found.most / found.middle) == pytest.approx(reach, abs=0.01)
    assert content_of(table, {}, "duck-heart", "ZN").ceiling == Fraction(found.most)
    kept = entry(evaluate(table, rows_of(("duck-heart", 100)), need_of(tmp_path, maximum("ZN", "50", "mg"))), "ZN")
    assert kept["verdict"] == "meets"  # 4.5 mg at most are 39 per 1000 kcal
    over = entry(evaluate(table, rows_of(("duck-heart", 100)), need_of(tmp_path, maximum("ZN", "30", "mg"))), "ZN")
    assert over["verdict"] == "undecided"


def test_an_oil_is_bounded_by_the_richest_raw_ingredient_or_oil(tmp_path: Path) -> None:
    parts = [ingredient("liver", part="liver"), ingredient("rich-oil", "finfish", "oil", "addition"),
             ingredient("oil", "finfish", "oil", "addition")]  # fmt: skip
    values = [*cells("liver", **PLAIN, RETOL="9000"), *cells("rich-oil", FAT="100", RETOL="30000"),
              *cells("oil", FAT="100")]  # fmt: skip
    assert content_of(table_of(tmp_path / "t", parts, values), {}, "oil", "RETOL").ceiling == 30000


def test_a_decided_line_does_not_call_on_comparable_foods(tmp_path: Path) -> None:
    table = hearts(tmp_path / "t", ZINC)
    mix = rows_of(("duck-heart", 10), ("cattle-liver", 90))
    found = entry(evaluate(table, mix, need_of(tmp_path, minimum("ZN", "5", "mg"))), "ZN")
    assert found["verdict"] == "meets" and found["rests_on_comparables"] == []


def test_an_organ_is_foretold_by_the_other_parts_and_liver_never(tmp_path: Path) -> None:
    """By hand: the parts' means and their standard deviation, t(4) = 2.132; a store such as liver is like no other."""
    zinc = {"heart": 2.0, "kidney": 3.0, "tongue": 2.5, "lung": 1.5, "muscle": 4.0}
    parts = [ingredient(f"pig-{part}", "pig", part) for part in (*zinc, "spleen", "liver")]
    values = [row for key, amount in zinc.items() for row in cells(f"pig-{key}", **PLAIN, ZN=str(amount))]
    table = table_of(tmp_path / "t", parts, values)
    logs = [math.log(amount) for amount in zinc.values()]
    middle = sum(logs) / 5
    half = 2.132 * math.sqrt(sum((x - middle) ** 2 for x in logs) / 4 * (1 + 1 / 5))
    found = foretold(table, "pig-spleen", "ZN")
    assert found is not None and found.basis == ("5 other parts of land animals",)
    assert [math.log(found.low), math.log(found.high)] == pytest.approx([middle - half, middle + half], abs=0.01)
    assert foretold(table, "pig-liver", "ZN") is None


def test_nothing_is_foretold_from_little(tmp_path: Path) -> None:
    few = hearts(tmp_path / "few", {key: ZINC[key] for key in ("cattle-heart", "pig-heart", "cattle-liver")})
    assert foretold(few, "duck-heart", "ZN") is None  # one degree of freedom
    livers = hearts(tmp_path / "livers", {key: text for key, text in ZINC.items() if key.endswith("liver")})
    assert foretold(livers, "duck-heart", "ZN") is None
    assert content_of(livers, {}, "duck-heart", "ZN").foretold is None


def test_five_degrees_of_freedom_are_enough_and_four_are_not(tmp_path: Path) -> None:
    """Three hearts have two; four livers three more, three livers two (common practice, no source)."""
    for name, gone, enough in (("five", {"sheep-heart", "duck-liver"}, True),
                               ("four", {"sheep-heart", "duck-liver", "sheep-liver"}, False)):  # fmt: skip
        found = foretold(hearts(tmp_path / name, {k: v for k, v in ZINC.items() if k not in gone}), "duck-heart", "ZN")
        assert (found is not None) is enough


def test_a_comparable_zero_lets_the_interval_begin_at_zero(tmp_path: Path) -> None:
    found = foretold(hearts(tmp_path / "t", {**ZINC, "sheep-heart": "0"}), "duck-heart", "ZN")
    assert found is not None and found.low == 0 < found.middle


def test_out_of_sample_the_interval_holds_for_the_figures_of_other_tables() -> None:
    """The accepted table; the figure of every known organ and every eighth of muscle is hidden, for the same part of
    other animals the whole animal, for other parts the whole part. The truth is what another table has for the same
    ingredient: 88 of 100 or more are inside, as of the ranges (contract), and no side has more than 7, where 90 and 5
    are promised."""
    table = load_table(WORKSPACE)
    evidence, chosen, truth = registry.evidence(WORKSPACE.schemas), {}, {}
    with (REPO / "curated" / "values.csv").open(encoding="utf-8", newline="") as file:
        chosen = {(row["ingredient_id"], row["component"]): row["source"] for row in csv.DictReader(file)}
    with (REPO / "curated" / "candidates.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            key = (row["ingredient_id"], row["component"])
            usable = row["status"] in evidence and row["value"] and float(row["value"]) > 0
            if usable and row["source"] != chosen[key] and "reject" not in row["reason_not_chosen"]:
                truth.setdefault(key, float(row["value"]))
    seen: Counter[tuple[str, str]] = Counter()
    others = 0
    for (key, component), value in sorted(truth.items()):
        item = table.ingredients[key]
        if item.kind != "raw" or not table.components[component].needed:
            continue
        others += item.part == "muscle"
        if item.part == "muscle" and others % 8:
            continue
        found = foretold(table, key, component)
        known: Known = table.known[component]
        group = next((g for g, own in known.cuts.items() if key in own), None)
        if group is None:
            continue
        alone = Known({g: own for g, own in known.cuts.items() if g[2] != group[2]}, known.empty)
        apart = Known({g: own for g, own in known.cuts.items() if g[1] != group[1]}, known.empty)
        tried = (("nearest", found), ("animals", alone.foretell(group)), ("parts", apart.foretell(group)))
        for reach, guess in tried:
            if guess is not None:
                side = "below" if value < guess.low else "above" if value > guess.high else "inside"
                seen[reach, side] += 1
    for reach in ("nearest", "animals", "parts"):
        whole = sum(count for (name, _), count in seen.items() if name == reach)
        assert whole > 400
        assert seen[reach, "inside"] / whole >= 0.88, seen
        assert seen[reach, "below"] / whole <= 0.07 and seen[reach, "above"] / whole <= 0.07, seen


def test_the_ceiling_ends_what_is_foretold(tmp_path: Path) -> None:
    """The amino acids of a food are within its protein, whatever comparable foods hold."""
    found = foretold(hearts(tmp_path / "t", ZINC), "duck-heart", "ZN")
    assert found is not None and found.within(Fraction(1)).high == 1 and found.within(None) == found
