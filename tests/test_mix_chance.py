"""The chances of a mix: against a Monte Carlo with a fixed seed, decided lines, unknowns that matter, remedies."""

from __future__ import annotations

import csv
import io
import json
import math
import random
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from rawref.mix.batch import ask
from rawref.mix.compare import compare
from rawref.mix.contributions import contributions
from rawref.mix.mix import batch_of, evaluate
from rawref.mix.quotient import Unknown
from rawref.mix.spread import Z90, at_least, points_of, quantile, reaches, scaled, together, total, variance_within
from rawref.mix.target import parse_target, reach
from rawref.needs.profile import load_need
from rawref.render import sheet
from rawref.render.mix import compare_text, mix_text
from typer.testing import CliRunner

from tests.mix_tables import WORKSPACE, cells, entry, ingredient, minimum, need_of, rows_of, table_of

PLAIN = {"WATER": "75", "PROCNT": "20", "FAT": "4", "ASH": "1", "CHOCDF": "0"}  # 114 kcal per 100 g
DRAWS = 200_000
WITHIN = 0.02


def test_one_amount_has_its_published_ends() -> None:
    """low and high are the 5 % and 95 % points, the figure the median (contract, ranges)."""
    for low, figure, high in ((4.0, 9.0, 20.0), (2.0, 9.0, 10.0), (8.9, 9.0, 40.0), (0.0, 5.0, 12.0)):
        points = points_of(low, figure, high)
        assert at_least(points, figure) == pytest.approx(0.5, abs=0.01)
        assert at_least(points, high) == pytest.approx(0.05, abs=0.005)
        if low:
            assert at_least(points, low) == pytest.approx(0.95, abs=0.005)
    assert quantile(points_of(0.0, None, 1.0), 0.05) == pytest.approx(0.05, abs=0.005)
    assert points_of(3.0, 3.0, 3.0) == (3.0,)


def draws(generator: np.random.Generator, low: float, figure: float | None, high: float) -> np.ndarray:
    """Draws of an amount as the contract states it: lognormal about the figure on each side, even where low is 0."""
    if figure is None:
        return generator.random(DRAWS) * high
    z = generator.standard_normal(DRAWS)
    up, down = math.log(high / figure) / Z90, math.log(figure / low) / Z90
    return figure * np.exp(np.where(z < 0, down * z, up * z))


@pytest.mark.parametrize("seed", range(12))
def test_the_chance_agrees_with_a_monte_carlo(seed: int) -> None:
    """The method against random draws with a fixed seed: within two points of a hundred, for up to ten ingredients with
    sigma up to 1.2 (a 50-fold interval) and a far end of 3.5 (vitamin D of beef), trace ranges, and energy with its own
    spread."""
    pick, generator = random.Random(seed), np.random.default_rng(seed)
    over, under, above, below = [], [], np.zeros(DRAWS), np.zeros(DRAWS)
    for _ in range(pick.randint(1, 10)):
        weight = 10 ** pick.uniform(-2, 0.5)
        sigmas = [pick.uniform(0.03, 1.2), pick.uniform(0.03, pick.choice((1.2, 3.5)))]
        figure = None if pick.random() < 0.15 else 1.0
        low = 0.0 if figure is None else math.exp(-Z90 * sigmas[0])
        high = 1.0 if figure is None else math.exp(Z90 * sigmas[1])
        over.append(scaled(points_of(low, figure, high), weight))
        above += weight * draws(generator, low, figure, high)
        share, sigma = 10 ** pick.uniform(-1, 0.5), pick.uniform(0.03, 0.35)
        ends = (math.exp(-Z90 * sigma), 1.0, math.exp(Z90 * sigma))
        under.append(scaled(points_of(*ends), share))
        below += share * draws(generator, *ends)
    sums, energy = total(over), total(under)
    for chance in (0.03, 0.05, 0.2, 0.5, 0.8, 0.95, 0.97):
        bound = float(np.quantile(above / below, chance))
        assert reaches(sums, energy, bound) == pytest.approx(1 - chance, abs=WITHIN)


def test_nothing_of_an_ingredient_and_a_far_end_that_hardly_comes() -> None:
    """No grams of an ingredient add nothing and no width; a high end hundreds of times the figure (vitamin D of beef,
    SR28 23354: 0.025, to 7.76) does not outweigh the doubt of what decides (cod-liver oil)."""
    assert total([scaled(points_of(1.0, 2.0, 4.0), 0.0), scaled(points_of(1.0, 2.0, 4.0), 0.0)]) == (0.0,)
    assert len(total([scaled(points_of(1.0, 2.0, 4.0), 0.0), points_of(1.0, 2.0, 4.0)])) > 1
    beef, oil = scaled(points_of(0.0039, 0.025, 7.76), 9.0), scaled(points_of(8.7, 250.0, 778.0), 0.2)
    assert variance_within(oil) > 5 * variance_within(beef)
    assert at_least(total([beef, oil]), 60.0) == pytest.approx(0.45, abs=0.02)


def test_fat_and_a_sum_of_one_food_go_together() -> None:
    """By draws: fat above and below the line is one amount; two amino acids of a food rise and fall as one."""
    generator = np.random.default_rng(7)
    z = generator.standard_normal(DRAWS)
    one, other = 2 * np.exp(0.4 * z), 1 * np.exp(0.7 * z)
    points = together(points_of(2 * math.exp(-0.4 * Z90), 2.0, 2 * math.exp(0.4 * Z90)),
                      points_of(math.exp(-0.7 * Z90), 1.0, math.exp(0.7 * Z90)))  # fmt: skip
    for bound in (1.5, 3.0, 5.0):
        assert at_least(points, bound) == pytest.approx(float((one + other >= bound).mean()), abs=WITHIN)


def test_a_whole_mix_agrees_with_a_monte_carlo(tmp_path: Path) -> None:
    """Two foods, fat in the energy and as the nutrient, manganese with its own spread; drawn by other code."""
    values = [
        *cells("a", WATER="68", PROCNT="19 17 21", FAT="11 6 20", ASH="1", CHOCDF="0", MN="0.2 0.1 0.4"),
        *cells("b", WATER="75", PROCNT="20 18 22", FAT="4 2 8", ASH="1", CHOCDF="0", MN="0.5 0.2 1.2"),
    ]
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values)
    batch, _ = batch_of(table, rows_of(("a", 300), ("b", 100)))
    generator = np.random.default_rng(11)
    fat = 3 * draws(generator, 6, 11, 20) + draws(generator, 2, 4, 8)
    protein = 3 * draws(generator, 17, 19, 21) + draws(generator, 18, 20, 22)
    manganese = 3 * draws(generator, 0.1, 0.2, 0.4) + draws(generator, 0.2, 0.5, 1.2)
    kcal = 8.5 * fat + 4 * protein  # FEDIAF, natural foods, cats
    for component, amount in (("FAT", fat), ("MN", manganese), ("PROCNT", protein)):
        asked = ask(batch, component)
        for chance in (0.05, 0.5, 0.95):
            bound = float(np.quantile(amount / kcal, chance))
            assert asked.quotient.chance(bound) == pytest.approx(1 - chance, abs=WITHIN), component
            assert asked.quotient.end(chance, Unknown()) == pytest.approx(bound, rel=0.05)


def test_the_chance_has_two_ends_where_something_is_unknown(tmp_path: Path) -> None:
    """Low end: the unknown holds none; high end: its ceiling, here that of comparable foods (contract)."""
    values = [*cells("a", **PLAIN, MN="0.1 0.08 0.125"), *cells("b", **PLAIN)]
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values, {("b", "MN"): "0.5"})
    need = need_of(tmp_path, minimum("MN", "1", "mg"))  # a and b together: 0.44, with the ceiling 2.6
    found = entry(evaluate(table, rows_of(("a", 100), ("b", 100)), need), "MN")
    assert found["chance_minimum"] == [0, 1] and found["verdict"] == "undecided"
    assert found["material_unknown_from"] == ["b"] and found["decided_by"][0]["ingredient_id"] == "b"
    assay = found["assay_that_decides"]
    # 228 kcal ask for 0.228 mg; a holds about 0.1
    assert assay["ingredient_id"] == "b" and 0.128 < assay["at_least"] < 0.16 and 0.09 < assay["at_most"] < 0.128
    for value, verdict in ((assay["at_least"] * 1.01, "meets"), (assay["at_most"] * 0.97, "short")):
        known = [*values, *cells("b", MN=f"{value:.5f}")]
        more = table_of(tmp_path / verdict, [ingredient("a"), ingredient("b")], known)
        decided = entry(evaluate(more, rows_of(("a", 100), ("b", 100)), need), "MN")
        assert decided["verdict"] == verdict


def test_a_pinch_without_a_figure_is_immaterial(tmp_path: Path) -> None:
    """0.1 mg of a powder that could be nothing but manganese holds 0.1 mg: it cannot lift 0.2 mg to 10."""
    values = [*cells("a", **PLAIN, MN="0.02 0.015 0.03")]
    parts = [ingredient("a"), ingredient("powder", "none", "plant", "addition")]
    table = table_of(tmp_path / "t", parts, values)
    mix = rows_of(("a", 1000), ("powder", "1/10000"))
    found = entry(evaluate(table, mix, need_of(tmp_path, minimum("MN", "10", "mg"))), "MN")
    assert found["verdict"] == "short" and found["unknown_from"] == ["powder"] and found["material_unknown_from"] == []
    assert "powder" not in found["reason"]


def test_grams_that_decide_do_decide(tmp_path: Path) -> None:
    values = [*cells("a", **PLAIN, MN="0.1 0.08 0.125"), *cells("b", **PLAIN, MN="3 2 4.5")]
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values)
    need = need_of(tmp_path, minimum("MN", "2", "mg"))
    found = entry(evaluate(table, rows_of(("a", 1000), ("b", 45)), need), "MN")
    grams = found["grams_that_decide"]
    assert found["verdict"] != "meets" and grams["ingredient_id"] == "b" and grams["grams"] > 0
    more = str(Fraction(45 + grams["grams"]).limit_denominator(1000))
    after = evaluate(table, rows_of(("a", 1000), ("b", more)), need)
    assert entry(after, "MN")["chance_minimum"][0] >= 0.94


def test_contributions_add_up_and_name_the_gap(tmp_path: Path) -> None:
    values = [*cells("a", **PLAIN, MN="0.1 0.08 0.125"), *cells("b", **PLAIN)]
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values, {("b", "MN"): "0.5"})
    batch, _ = batch_of(table, rows_of(("a", 200), ("b", 50)))
    found = contributions(batch, "MN")
    first, second = found["ingredients"]
    assert (first["ingredient_id"], first["amount"], first["low"], first["high"]) == ("a", 0.2, 0.16, 0.25)
    assert first["share_pct"] == 100 and found["amount"] == 0.2
    assert second["amount"] is None and second["could_add"] == 0.25 and second["gap"] == "not_reported"


def test_the_grams_that_reach_a_target(tmp_path: Path) -> None:
    """By hand: (10 + 380 g) / (200 + 0) = 1.2 needs 230 / 380 g per 100 g of meat."""
    parts = [ingredient("a"), ingredient("eggshell-powder", part="shell", kind="addition")]
    shell = cells("eggshell-powder", CA="38000 37000 39000", P="0")
    values = [*cells("a", **PLAIN, CA="10 8 12", P="200 180 220"), *shell]
    table = table_of(tmp_path / "t", parts, values)
    batch, _ = batch_of(table, rows_of(("a", 100)))
    component, figure = parse_target(table, "CA/P=1.2")
    found = reach(batch, component, figure, "eggshell-powder")
    assert found["grams"] == pytest.approx(230 / 380) and found["present"] == pytest.approx(0.05)
    assert found["grams_low"] < found["grams"] < found["grams_high"]
    need = need_of(tmp_path, "CA/P,minimum,minimum,1.2,ratio,per_1000kcal_ME,,2021,seen,a standard,")
    mix = rows_of(("a", 100), ("eggshell-powder", str(Fraction(found["grams_high"]).limit_denominator(10**6))))
    assert entry(evaluate(table, mix, need), "CA/P")["chance_minimum"][0] == pytest.approx(0.95, abs=0.02)


def test_two_mixes_side_by_side_and_an_unknown_swap_has_no_percentage(tmp_path: Path) -> None:
    parts = [ingredient("a"), ingredient("b"), ingredient("c")]
    values = [*cells("a", **PLAIN, MN="0.1"), *cells("b", **PLAIN, MN="1"), *cells("c", **PLAIN)]
    table, need = table_of(tmp_path / "t", parts, values), need_of(tmp_path, minimum("MN", "1", "mg"))
    one = evaluate(table, rows_of(("a", 100), ("b", 100)), need)
    same = compare(one, evaluate(table, rows_of(("a", 1000), ("b", 1000)), need))
    assert same["verdicts_changed"] == [] and same["grams_per_1000kcal"]["before"] == pytest.approx(200 / 0.228)
    assert all(row["change"] in {None, 0} for row in same["components"])
    row = next(row for row in compare(one, evaluate(table, rows_of(("a", 100), ("c", 100)), need))["components"]
               if row["component"] == "MN")  # fmt: skip
    assert row["change_pct"] is None and row["change_unknown_from"] == ["c"]
    other = evaluate(table, rows_of(("a", 100), ("c", 100)), need)
    text = compare_text(compare(one, other), (one, other))
    assert "unknown" in next(line for line in text.splitlines() if " · MN" in line)


def test_the_sheet_has_the_same_content_in_both_forms(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, CA="10", P="200"))
    result = evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE), weight_kg=4)
    plain = sheet.markdown(sheet.analysis(result, "A mix | of ours"))
    page = sheet.html(sheet.analysis(result, "A mix <of> ours"))
    assert plain.startswith("# A mix \\| of ours\n") and "<title>A mix &lt;of&gt; ours</title>" in page
    for words in ("Moisture, g", "per ounce", "kcal a day", "no maximum published", "Cautions", "from memory"):
        assert words in plain and words in page
    # 114 kcal per 100 g, 28.35 g per ounce
    assert f"{114 * 0.28349523125:.4g}" in plain and f"{114 * 0.28349523125:.4g}" in page
    widths = {line.count(" | ") for line in plain.split("## Nutrients")[1].split("##")[0].splitlines() if line}
    assert widths == {5}


def test_a_wider_terminal_shows_more(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, CA="10 8 12"))
    result = evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE))
    for width in (60, 80, 100, 140):
        lines = mix_text(result, width=width).splitlines()
        assert max(map(len, lines)) <= max(80, width)
        assert any("90 % interval" in line and "nutrient" in line for line in lines) is (width >= 100)


def test_the_command_asks_one_question(tmp_path: Path) -> None:
    from rawref.cli import app

    runner = CliRunner()
    mix = WORKSPACE.maintainer / "mixes" / "example.csv"
    done = runner.invoke(app, ["mix", str(mix), "--contributions", "Manganese", "--format", "json"])
    assert done.exit_code == 0 and json.loads(done.stdout)["component"] == "MN"
    target = ["--target", "CA/P=1.5", "--with", "eggshell-powder"]
    done = runner.invoke(app, ["mix", str(mix), *target, "--format", "json"])
    assert done.exit_code == 0 and json.loads(done.stdout)["grams"] > 0


QUESTIONS = (
    ("--contributions", "Manganese"), ("--target", "CA/P=1.5", "--with", "eggshell-powder"),
    ((WORKSPACE.maintainer / "mixes" / "rabbit-and-organs.csv").as_posix(),),
)  # fmt: skip


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda question: question[0].rsplit("/", 1)[-1])
def test_every_question_has_every_format(question: tuple[str, ...]) -> None:
    """The same figures in each: what JSON carries is in the CSV cell for cell, and pages name every ingredient or
    nutrient of it. A page is valid to the parser of the standard library."""
    from rawref.cli import app

    mix = (WORKSPACE.maintainer / "mixes" / "example.csv").as_posix()
    asked = {form: CliRunner().invoke(app, ["mix", mix, *question, "--format", form])
             for form in ("json", "csv", "markdown", "html")}  # fmt: skip
    assert {done.exit_code for done in asked.values()} <= {0, 1}
    whole = json.loads(asked["json"].stdout)
    rows = whole["comparison"]["components"] if "comparison" in whole else whole.get("ingredients", [whole])
    written = list(csv.DictReader(io.StringIO(asked["csv"].stdout)))
    assert len(written) == len(rows)
    for row, line in zip(rows, written, strict=True):
        for key, value in line.items():
            given = row.get(key)
            assert value == "" if given is None else str(given)[:4] == value[:4] or isinstance(given, list | bool)
    names = [row.get("ingredient_id") or row["component"] for row in rows]
    plain = asked["markdown"].stdout.replace("\\", "")
    assert plain.startswith("# ") and all(name in plain for name in names)
    page = HTMLParser(convert_charrefs=True)
    seen: list[str] = []
    page.handle_data = seen.append  # type: ignore[method-assign]
    page.feed(asked["html"].stdout)
    assert all(any(name in text for text in seen) for name in names)
