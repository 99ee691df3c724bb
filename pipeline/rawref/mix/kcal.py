"""Energy of a mix, ingredient by ingredient: the figure, its range and what widens it, what unknown parts could add."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from rawref.mix.content import ZERO, Content, content_of
from rawref.mix.energy import NRC_FORMULA, NRC_SOURCE, NRC_TITLE, Factors, food_class, nrc_me
from rawref.mix.inputs import Assays
from rawref.mix.table import Table


@dataclass(frozen=True, slots=True)
class Width:
    """What one component of an ingredient, or several unknown ones, add to the width of its energy, kcal per 100 g.

    `low` and `high` are g per 100 g of the component; None where several are unknown together.
    """

    component: str
    why: str  # spread | a range | unknown
    kcal: Fraction
    low: Fraction | None = None
    high: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy per 100 g by one formula: the figure, its range from spread, and the most that unknown parts could add."""

    point: Fraction
    low: Fraction
    high: Fraction
    unknown: Fraction
    protein: Fraction  # factor, for protein in its own energy
    fat: Fraction
    widths: tuple[Width, ...] = ()  # together high + unknown - low


def energy_of(table: Table, assays: Assays, key: str, classes: Mapping[str, Factors]) -> Energy:
    """Energy per 100 g of one ingredient by one formula."""
    factors = _factors(table, key, classes)
    protein, fat = content_of(table, assays, key, "PROCNT"), content_of(table, assays, key, "FAT")
    water, ash = content_of(table, assays, key, "WATER"), content_of(table, assays, key, "ASH")
    carbohydrate, undetermined = carbohydrate_of(table, assays, key, factors.on_nfe)
    points = [protein.counted, fat.counted, carbohydrate.counted]
    named = [
        ("PROCNT", factors.protein, protein), ("FAT", factors.fat, fat), ("CHOCDF", factors.carbohydrate, carbohydrate),
    ]  # fmt: skip
    low = factors.kcal(*(min(content.low, content.counted) for _, _, content in named))
    high = factors.kcal(*(_top(content) for _, _, content in named))
    unknown = ZERO
    widths = [
        Width(name, "spread", factor * (_top(content) - min(content.low, content.counted)), content.low, _top(content))
        for name, factor, content in named
    ]
    # what is not water, ash or a known proximate could be any of the unknown ones, at the most energetic of them
    left = max(ZERO, 100 - water.counted - ash.counted - sum(points, ZERO))
    open_ended: list[Width] = []
    densest = ZERO
    if not (protein.known and fat.known) or undetermined:
        lacking = {"PROCNT": not protein.known, "FAT": not fat.known, "CHOCDF": undetermined}
        missing = [(name, factor, content.high) for name, factor, content in named if lacking[name]]
        densest = max(factor for _, factor, _ in missing)
        unknown = left * densest
        if all(peers is not None for _, _, peers in missing):
            unknown = min(unknown, sum((factor * either(peers, None) for _, factor, peers in missing), ZERO))
        open_ended.append(Width("+".join(name for name, _, _ in missing), "unknown", unknown))
    # a range without a point counts at its low end; the rest of it could be there, and never helps a verdict
    for name, factor, content in named:
        if content.state == "range" and content.point is None and content.high is not None:
            rest = factor * (content.high - content.low)
            unknown += rest
            densest = max(densest, factor)
            open_ended.append(Width(name, "a range", rest, content.low, content.high))
    if unknown > left * densest:  # 100 g hold no more than 100 g
        open_ended = [replace(width, kcal=width.kcal * left * densest / unknown) for width in open_ended]
        unknown = left * densest
    kept = tuple(width for width in [*widths, *open_ended] if width.kcal)
    return Energy(factors.kcal(*points), low, high, unknown, factors.protein, factors.fat, kept)


def range_drivers(
    grams: Mapping[str, Fraction], energies: Mapping[str, Energy], limit: int = 5
) -> list[dict[str, Any]]:  # fmt: skip
    """What widens the range of energy, widest first: ingredient, component, kcal of the mix, g per 100 g."""
    found = sorted(
        (-width.kcal * grams[key] / 100, key, width.component, width.why, width)
        for key, energy in energies.items()
        for width in energy.widths
    )
    return [
        {
            "ingredient_id": key, "component": component, "why": why, "kcal": out(-size),
            "low_per_100g": out(width.low), "high_per_100g": out(width.high),
        }
        for size, key, component, why, width in found[:limit]
    ]  # fmt: skip


def _top(content: Content) -> Fraction:
    """The high end of a point; what is not known, or only a range, is counted apart."""
    return content.counted if content.point is None else max(content.point, either(content.high, content.point))


def carbohydrate_of(table: Table, assays: Assays, key: str, on_nfe: bool) -> tuple[Content, bool]:
    """Carbohydrate per 100 g, less fibre where the formula is on NFE, and whether it is undetermined.

    Carbohydrate is by difference: with water, protein, fat and ash known it is never unknown. The published figure
    counts where there is one, zero where the source assumed zero, else 100 less the other four.
    """
    content = content_of(table, assays, key, "CHOCDF")
    others = [content_of(table, assays, key, name) for name in ("WATER", "PROCNT", "FAT", "ASH")]
    determined = all(other.point is not None for other in others)
    residual = max(ZERO, 100 - sum((other.point or ZERO for other in others), ZERO))
    if not content.known:
        cell = table.cell(key, "CHOCDF")
        assumed = cell is not None and cell.status == "assumed_zero"
        point = ZERO if assumed else residual if determined else None
        most = residual if content.high is None else min(residual, content.high)
        content = Content("known" if point is not None else "unknown", point, ZERO, most)
        if not determined:
            return content, True
    if on_nfe and content.point:
        fibre = content_of(table, assays, key, "FIBTG")
        if fibre.point:
            less = [max(ZERO, content.point - fibre.point), max(ZERO, content.low - either(fibre.high, fibre.point))]
            high = None if content.high is None else max(ZERO, content.high - fibre.low)
            return Content(content.state, less[0], less[1], high, content.flags), False
    return content, False


def _factors(table: Table, key: str, classes: Mapping[str, Factors]) -> Factors:
    if "all" in classes:
        return classes["all"]
    ingredient = table.ingredients.get(key)
    return classes[food_class(ingredient.part, ingredient.species_group) if ingredient else "meat"]


def all_energies(
    table: Table, assays: Assays, grams: Mapping[str, Fraction], formulas: Mapping[str, Mapping[str, Factors]],
    dry: Fraction | None,
) -> list[dict[str, Any]]:  # fmt: skip
    """The energy of the mix by every formula, each with its name and source."""
    total = sum(grams.values(), ZERO)
    rows = []
    for name, classes in formulas.items():
        kcal = weighted(grams, {key: energy_of(table, assays, key, classes).point for key in grams})
        first = next(iter(classes.values()))
        rows.append((name, first.title, first.source, kcal))
    sums = {name: _points(table, assays, grams, name) for name in ("PROCNT", "FAT", "FIBTG")}
    available = weighted(grams, {key: carbohydrate_of(table, assays, key, True)[0].counted for key in grams})
    if dry:
        # crude fibre is not in the sources; dietary fibre stands in, and raw animal food has neither
        kcal = nrc_me(sums["PROCNT"], sums["FAT"], available, sums["FIBTG"], dry)
        rows.append((NRC_FORMULA, NRC_TITLE, NRC_SOURCE, kcal))
    return [
        {
            "formula": name, "title": title, "source": source, "kcal": out(kcal),
            "kcal_per_100g": out(kcal / total * 100),
        }
        for name, title, source, kcal in rows
    ]  # fmt: skip


def _points(table: Table, assays: Assays, grams: Mapping[str, Fraction], component: str) -> Fraction:
    return weighted(grams, {key: content_of(table, assays, key, component).counted for key in grams})


def weighted(grams: Mapping[str, Fraction], per_100g: Mapping[str, Fraction]) -> Fraction:
    """Total of a content per 100 g over the ingredients that have one."""
    return sum((grams[key] * value for key, value in per_100g.items()), ZERO) / 100


def either(value: Fraction | None, other: Fraction | None) -> Fraction:
    """The first of two numbers that is there, else zero."""
    return value if value is not None else other if other is not None else ZERO


def out(value: Fraction | None) -> float | None:
    """A number for output; None stays None."""
    return None if value is None else float(value)
