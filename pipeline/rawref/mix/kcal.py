"""Energy of a mix: per ingredient by a named formula, its spread, and what unknown parts could add.

Protein, fat and carbohydrate of one food err independently of each other; each is the same amount above and below the
line where it is itself what is judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from rawref.mix.assay import Assays
from rawref.mix.content import ZERO, Content, content_of, exact, mineral_of
from rawref.mix.energy import NRC_FORMULA, NRC_SOURCE, NRC_TITLE, Factors, food_class, nrc_me
from rawref.mix.spread import Points, quantile, scaled, total, variance_within
from rawref.mix.table import Table

# By difference: the error of the four others, in a food that holds hardly any (common practice, no source).
CARBOHYDRATE_ERROR_G = Fraction(1)
BEARERS = ("PROCNT", "FAT", "CHOCDF")


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy of one ingredient by one formula, kcal per 100 g.

    `point`: of what is counted. `unknown`: the most that parts without a figure could add, and `unknown_in` which.
    `parts`: the factor and the content of each bearer of energy.
    """

    point: Fraction
    unknown: Fraction
    parts: Mapping[str, tuple[Fraction, Content]]
    unknown_in: tuple[str, ...] = ()


def energy_of(table: Table, assays: Assays, key: str, classes: Mapping[str, Factors]) -> Energy:
    """Energy per 100 g of one ingredient by one formula."""
    factors = _factors(table, key, classes)
    water, ash = content_of(table, assays, key, "WATER"), content_of(table, assays, key, "ASH")
    parts = {
        "PROCNT": (factors.protein, content_of(table, assays, key, "PROCNT")),
        "FAT": (factors.fat, content_of(table, assays, key, "FAT")),
        "CHOCDF": (factors.carbohydrate, carbohydrate_of(table, assays, key, factors.on_nfe)),
    }
    counted = [content.counted for _, content in parts.values()]
    point = sum((factor * content.counted for factor, content in parts.values()), ZERO)
    lacking = {name: (factor, content.ceiling) for name, (factor, content) in parts.items() if content.ceiling != 0}
    if not lacking:
        return Energy(point, ZERO, parts)
    # what is not water, ash or a known bearer could be any of the unknown ones, at the most energetic of them
    left = max(ZERO, 100 - water.counted - max(ash.counted, mineral_of(table, assays, key)) - sum(counted, ZERO))
    most = left * max(factor for factor, _ in lacking.values())
    ceilings = [factor * ceiling for factor, ceiling in lacking.values() if ceiling is not None]
    if len(ceilings) == len(lacking):
        most = min(most, sum(ceilings, ZERO))
    return Energy(point, most, parts, tuple(lacking) if most else ())


def carbohydrate_of(table: Table, assays: Assays, key: str, on_nfe: bool) -> Content:
    """Carbohydrate per 100 g, less fibre where the formula is on NFE.

    Carbohydrate is by difference: with water, protein, fat and ash known it is never unknown. The published figure
    counts where there is one, zero where the source assumed zero, else 100 less the other four; from nothing to that
    where one of the four is a range.
    """
    content = content_of(table, assays, key, "CHOCDF")
    if not content.known:
        cell = table.cell(key, "CHOCDF")
        others = [content_of(table, assays, key, name) for name in ("WATER", "PROCNT", "FAT", "ASH")]
        if all(other.known and other.ceiling == 0 for other in others):
            rest = max(ZERO, 100 - sum((_middle(other) for other in others), ZERO))
            if any(other.point is None for other in others):
                content = Content("range", None, ZERO, max(CARBOHYDRATE_ERROR_G, rest))
            else:
                content = exact(ZERO if cell is not None and cell.status == "assumed_zero" else rest)
    elif content.high > content.counted:
        content = replace(content, high=max(content.counted, min(content.high, _left(table, assays, key))))
    if on_nfe and content.known and content.point:
        fibre = content_of(table, assays, key, "FIBTG")
        if fibre.point:
            less = [max(ZERO, amount - fibre.point) for amount in (content.point, content.low, content.high)]
            return Content(content.state, less[0], less[1], less[2], content.ceiling, content.flags)
    return content


def _left(table: Table, assays: Assays, key: str) -> Fraction:
    """What the figures of water, protein, fat and ash leave of 100 g, at least what analyses may err by."""
    others = [_middle(content_of(table, assays, key, name)) for name in ("WATER", "PROCNT", "FAT", "ASH")]
    return max(CARBOHYDRATE_ERROR_G, 100 - sum(others, ZERO))


def _middle(content: Content) -> Fraction:
    """The figure, or the middle of a range: what the others leave of 100 g is no wider than all ranges together."""
    return content.point if content.point is not None else (content.low + content.high) / 2


def _factors(table: Table, key: str, classes: Mapping[str, Factors]) -> Factors:
    if "all" in classes:
        return classes["all"]
    ingredient = table.ingredients.get(key)
    return classes[food_class(ingredient.part, ingredient.species_group) if ingredient else "meat"]


@dataclass(frozen=True, slots=True)
class EnergyTotal:
    """The energy of a gram of the mix: the points of each bearer, kcal, and the most that unknown parts could add."""

    parts: Mapping[str, Points]
    factors: Mapping[str, float]
    whole: Points
    unknown: float

    def without(self, bearer: str) -> Points:
        """The energy that the other two bearers supply."""
        return total(points for name, points in self.parts.items() if name != bearer)


def energy_total(shares: Mapping[str, float], energies: Mapping[str, Energy]) -> EnergyTotal:
    """Independent contents of the ingredients add up; `shares` are grams of each per gram of the mix."""
    parts = {
        bearer: total(
            scaled(content.points, float(factor) * shares[key] / 100)
            for key, (factor, content) in ((key, energy.parts[bearer]) for key, energy in energies.items())
        )
        for bearer in BEARERS
    }
    factors = {bearer: float(max(energy.parts[bearer][0] for energy in energies.values())) for bearer in BEARERS}
    unknown = sum(float(energy.unknown) * shares[key] / 100 for key, energy in energies.items())
    return EnergyTotal(parts, factors, total(parts.values()), unknown)


def energy_ends(energy: EnergyTotal, grams: float) -> tuple[float, float]:
    """The 90 % interval of the energy of the whole mix, kcal; the high end with what unknown parts could add."""
    return quantile(energy.whole, 0.05) * grams, (quantile(energy.whole, 0.95) + energy.unknown) * grams


def range_drivers(
    grams: Mapping[str, Fraction], energies: Mapping[str, Energy], limit: int = 5
) -> list[dict[str, Any]]:  # fmt: skip
    """What makes the energy uncertain, by its share of the doubt: an unknown as if even from nothing to its most."""
    found: list[tuple[float, dict[str, Any]]] = []
    for key, energy in energies.items():
        weight = float(grams[key]) / 100
        for bearer, (factor, content) in energy.parts.items():
            doubt = variance_within(scaled(content.points, float(factor) * weight))
            if doubt:
                why = "a range" if content.state == "range" else "spread"
                kcal = float(factor * (content.high - content.low)) * weight
                found.append((doubt, _driver(key, bearer, why, kcal, content.low, content.high)))
        if energy.unknown:
            kcal = float(energy.unknown) * weight
            found.append((kcal * kcal / 12, _driver(key, "+".join(energy.unknown_in), "unknown", kcal, None, None)))
    whole = sum(doubt for doubt, _ in found)
    found.sort(key=lambda item: (-item[0], item[1]["ingredient_id"], item[1]["component"]))
    return [{**row, "share": round(doubt / whole, 4)} for doubt, row in found[:limit]]


def _driver(
    key: str, component: str, why: str, kcal: float, low: Fraction | None, high: Fraction | None
) -> dict[str, Any]:
    return {
        "ingredient_id": key, "component": component, "why": why, "kcal": kcal, "low_per_100g": out(low),
        "high_per_100g": out(high),
    }  # fmt: skip


def all_energies(
    table: Table, assays: Assays, grams: Mapping[str, Fraction], formulas: Mapping[str, Mapping[str, Factors]],
    dry: Fraction | None,
) -> list[dict[str, Any]]:  # fmt: skip
    """The energy of the mix by every formula, each with its name and source."""
    whole = sum(grams.values(), ZERO)
    rows = []
    for name, classes in formulas.items():
        kcal = weighted(grams, {key: energy_of(table, assays, key, classes).point for key in grams})
        first = next(iter(classes.values()))
        rows.append((name, first.title, first.source, kcal))
    sums = {name: _counted(table, assays, grams, name) for name in ("PROCNT", "FAT", "FIBTG")}
    available = weighted(grams, {key: carbohydrate_of(table, assays, key, True).counted for key in grams})
    if dry:
        # crude fibre is not in the sources; dietary fibre stands in, and raw animal food has neither
        kcal = nrc_me(sums["PROCNT"], sums["FAT"], available, sums["FIBTG"], dry)
        rows.append((NRC_FORMULA, NRC_TITLE, NRC_SOURCE, kcal))
    return [
        {
            "formula": name, "title": title, "source": source, "kcal": out(kcal),
            "kcal_per_100g": out(kcal / whole * 100),
        }
        for name, title, source, kcal in rows
    ]  # fmt: skip


def _counted(table: Table, assays: Assays, grams: Mapping[str, Fraction], component: str) -> Fraction:
    return weighted(grams, {key: content_of(table, assays, key, component).counted for key in grams})


def weighted(grams: Mapping[str, Fraction], per_100g: Mapping[str, Fraction]) -> Fraction:
    """Total of a content per 100 g over the ingredients that have one."""
    return sum((grams[key] * value for key, value in per_100g.items()), ZERO) / 100


def limited(grams: Mapping[str, Fraction], per_100g: Mapping[str, Fraction | None]) -> Fraction | None:
    """Total of a bound per 100 g; None as soon as one ingredient of some weight has none."""
    known = {key: value for key, value in per_100g.items() if value is not None}
    return weighted(grams, known) if all(key in known for key in grams if grams[key]) else None


def out(value: Fraction | None) -> float | None:
    """A number for output; None stays None."""
    return None if value is None else float(value)


def drivers_of(energies: Mapping[str, Energy]) -> Sequence[str]:
    """The ingredients whose energy is unknown in part."""
    return sorted(key for key, energy in energies.items() if energy.unknown > 0)
