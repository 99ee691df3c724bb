"""Energy and dry matter of a mix, ingredient by ingredient: the figure, its range, and what unknown parts could add."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from pipeline.mix_content import ZERO, Content, content_of
from pipeline.mix_energy import NRC_FORMULA, NRC_SOURCE, NRC_TITLE, Factors, food_class, nrc_me
from pipeline.mix_inputs import Assays
from pipeline.mix_table import Table


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy per 100 g by one formula: the figure, its range from spread, and the most that unknown parts could add."""

    point: Fraction
    low: Fraction
    high: Fraction
    unknown: Fraction
    protein: Fraction  # factor, for protein in its own energy
    fat: Fraction


def energy_of(table: Table, assays: Assays, key: str, classes: Mapping[str, Factors]) -> Energy:
    """Energy per 100 g of one ingredient by one formula."""
    factors = _factors(table, key, classes)
    protein, fat = content_of(table, assays, key, "PROCNT"), content_of(table, assays, key, "FAT")
    water, ash = content_of(table, assays, key, "WATER"), content_of(table, assays, key, "ASH")
    carbohydrate, undetermined = carbohydrate_of(table, assays, key, factors.on_nfe)
    points = [protein.counted, fat.counted, carbohydrate.counted]
    low = factors.kcal(protein.low, fat.low, carbohydrate.low)
    high = factors.kcal(*(_top(content) for content in (protein, fat, carbohydrate)))
    unknown = ZERO
    if not (protein.known and fat.known) or undetermined:
        # what is not water, ash or a known proximate could be any of the unknown ones, at the most energetic of them
        left = max(ZERO, 100 - water.counted - ash.counted - sum(points, ZERO))
        missing = [
            (factor, content.high)
            for factor, content, lacks in (
                (factors.fat, fat, not fat.known),
                (factors.protein, protein, not protein.known),
                (factors.carbohydrate, carbohydrate, undetermined),
            )
            if lacks
        ]
        unknown = left * max(factor for factor, _ in missing)
        if all(peers is not None for _, peers in missing):
            unknown = min(unknown, sum((factor * either(peers, None) for factor, peers in missing), ZERO))
    # a range without a point counts at its low end; the rest of it could be there, and never helps a verdict
    for factor, content in ((factors.protein, protein), (factors.fat, fat), (factors.carbohydrate, carbohydrate)):
        if content.state == "range" and content.point is None and content.high is not None:
            unknown += factor * (content.high - content.low)
    point = factors.kcal(*points)
    return Energy(point, min(low, point), max(high, point), unknown, factors.protein, factors.fat)


def _top(content: Content) -> Fraction:
    """The high end of what is known; what is not known is counted apart."""
    return either(content.high, content.point) if content.known else content.point or ZERO


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


def dry_matter_of(table: Table, assays: Assays, grams: Mapping[str, Fraction]) -> Fraction | None:
    """Grams of dry matter in the mix; an ingredient of unknown water counts at the share of the rest. None if none."""
    known = {key: content_of(table, assays, key, "WATER").point for key in grams}
    weight = sum((grams[key] for key, water in known.items() if water is not None), ZERO)
    if not weight:
        return None
    water = weighted(grams, {key: either(value, None) for key, value in known.items() if value is not None})
    dry = (weight - water) * sum(grams.values(), ZERO) / weight
    return dry if dry > 0 else None


def weighted(grams: Mapping[str, Fraction], per_100g: Mapping[str, Fraction]) -> Fraction:
    """Total of a content per 100 g over the ingredients that have one."""
    return sum((grams[key] * value for key, value in per_100g.items()), ZERO) / 100


def either(value: Fraction | None, other: Fraction | None) -> Fraction:
    """The first of two numbers that is there, else zero."""
    return value if value is not None else other if other is not None else ZERO


def out(value: Fraction | None) -> float | None:
    """A number for output; None stays None."""
    return None if value is None else float(value)
