"""What makes a line uncertain and what would decide it, by hand and by draws, in tables made up for it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rawref.mix.batch import ask
from rawref.mix.doubt import doubts_of
from rawref.mix.mix import batch_of, evaluate
from rawref.mix.spread import Z90

from tests.mix_tables import cells, entry, ingredient, minimum, need_of, rows_of, table_of

DRY = {"WATER": "75", "PROCNT": "20", "FAT": "4", "ASH": "1", "CHOCDF": "0"}  # 80 + 34 kcal per 100 g (FEDIAF)


def lognormal(low: float, figure: float, high: float) -> float:
    """Variance of an amount within its 90 % interval, what lies beyond taken as its end, by draws: lognormal about the
    figure on each side (contract)."""
    z = np.random.default_rng(5).standard_normal(400_000)
    z = np.clip(z, -Z90, Z90)
    up, down = math.log(high / figure) / Z90, math.log(figure / low) / Z90
    return float(np.var(figure * np.exp(np.where(z < 0, down * z, up * z))))


def test_the_shares_of_the_doubt_are_those_of_the_variance(tmp_path: Path) -> None:
    """Of nutrient less bound times energy: the spread of one food, the unknown of another, even between nothing and
    its ceiling, and the fat of a third, 8.5 kcal a gram (FEDIAF, natural foods)."""
    values = [
        *cells("a", **DRY, MN="0.2 0.1 0.4"), *cells("b", **DRY),
        *cells("c", **{**DRY, "FAT": "4 2 8"}, MN="0.1"),
    ]
    table = table_of(tmp_path / "t", [ingredient(key) for key in "abc"], values, {("b", "MN"): "0.5"})
    batch, _ = batch_of(table, rows_of(("a", 300), ("b", 100), ("c", 600)))
    bound = 0.002
    found = {doubt.ingredient_id: doubt for doubt in doubts_of(batch, ask(batch, "MN"), bound)}
    due = {
        "a": 3**2 * lognormal(0.1, 0.2, 0.4), "b": 0.5**2 / 12,
        "c": (6 * 8.5 * bound) ** 2 * lognormal(2, 4, 8),
    }
    whole = sum(due.values())
    assert {key: doubt.share for key, doubt in found.items()} == pytest.approx(
        {key: share / whole for key, share in due.items()}, abs=0.03)
    assert sum(doubt.share for doubt in found.values()) == pytest.approx(1)
    assert (found["a"].why, found["b"].why, found["c"].why) == ("spread", "unknown", "energy")
    assert (found["a"].could_add, found["b"].could_add, found["c"].could_add) == (pytest.approx(0.6), 0.5, None)


def test_below_the_line_of_a_ratio_the_bound_weighs(tmp_path: Path) -> None:
    values = [*cells("a", **DRY, CA="10 5 20", P="100"), *cells("b", **DRY, CA="10", P="200 100 400")]
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values)
    batch, _ = batch_of(table, rows_of(("a", 300), ("b", 100)))
    for bound in (0.05, 0.2):
        found = {d.ingredient_id: d for d in doubts_of(batch, ask(batch, "CA/P"), bound)}
        due = {"a": 9 * lognormal(5, 10, 20), "b": bound**2 * lognormal(100, 200, 400)}
        assert found["b"].share / found["a"].share == pytest.approx(due["b"] / due["a"], rel=0.1)
        assert (found["a"].component, found["b"].component) == ("CA", "P")


def test_of_a_sum_each_part_is_named_for_itself(tmp_path: Path) -> None:
    values = [*cells("a", **DRY, MET="0.5 0.4 0.6"), *cells("b", **DRY)]
    peers = {("a", "CYS"): "0.3", ("b", "CYS"): "0.3", ("b", "MET"): "0.7"}
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values, peers)
    batch, _ = batch_of(table, rows_of(("a", 100), ("b", 100)))
    found = {(d.ingredient_id, d.component): d for d in doubts_of(batch, ask(batch, "MET+CYS"), 0.004)}
    assert {key: doubt.why for key, doubt in found.items()} == {
        ("a", "MET"): "spread", ("a", "CYS"): "unknown", ("b", "MET"): "unknown", ("b", "CYS"): "unknown"}
    assert found["b", "MET"].share / found["b", "CYS"].share == pytest.approx(0.7**2 / 0.3**2, rel=0.01)


def decided(folder: Path, ceiling: str, asks: str) -> dict[str, Any] | None:
    values = [*cells("a", **DRY, MN="0.3 0.2 0.45"), *cells("b", **DRY)]
    table = table_of(folder / "t", [ingredient("a"), ingredient("b")], values, {("b", "MN"): ceiling})
    found = entry(evaluate(table, rows_of(("a", 100), ("b", 100)), need_of(folder, minimum("MN", asks, "mg"))), "MN")
    assert found["verdict"] == "undecided"
    deciding: dict[str, Any] | None = found["assay_that_decides"]
    return deciding


def test_no_assay_decides_by_more_than_can_be(tmp_path: Path) -> None:
    """228 kcal; a holds 0.2 to 0.45 mg. What would meet the minimum for sure is more than the ceiling of b: only that
    so little is in it that the mix is short can be found."""
    wide = decided(tmp_path / "wide", "0.8", "3.2")  # 0.73 mg: 0.53 of b would do with a at its low end
    narrow = decided(tmp_path / "narrow", "0.5", "3.2")
    assert wide is not None and 0.5 < wide["at_least"] < 0.6 and wide["bound"] == "minimum"
    assert narrow is not None and narrow["at_least"] is None and 0.25 < narrow["at_most"] < 0.3


def test_an_unknown_of_the_energy_is_even_up_to_what_100_g_leave(tmp_path: Path) -> None:
    """The fat of b is unknown: what its water, protein and ash leave is 10 g, of which the fat brings 8.5 kcal each."""
    lean = {"WATER": "70", "PROCNT": "19", "ASH": "1", "CHOCDF": "0"}
    values = [*cells("a", **DRY, MN="0.2 0.1 0.4"), *cells("b", **lean, MN="0.1")]
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], values)
    batch, _ = batch_of(table, rows_of(("a", 100), ("b", 100)))
    for bound in (0.0005, 0.002):
        found = {doubt.ingredient_id: doubt for doubt in doubts_of(batch, ask(batch, "MN"), bound)}
        due = {"a": lognormal(0.1, 0.2, 0.4), "b": (10 * 8.5 * bound) ** 2 / 12}
        assert found["b"].share / found["a"].share == pytest.approx(due["b"] / due["a"], rel=0.03)
        assert found["b"].why == "energy unknown" and found["b"].could_add is None
