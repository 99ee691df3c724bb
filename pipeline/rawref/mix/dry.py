"""Water and dry matter of a mix: what is known, the range, and what unknown water could change.

An ingredient whose water is unknown is neither dry nor as moist as the rest. Like every amount, the water of a mix
counts points and the low end of ranges; what the unknown could hold on top is said beside it, and is in the high end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from rawref.mix.assay import Assays
from rawref.mix.content import WATER, ZERO, Content, content_of
from rawref.mix.kcal import out, weighted
from rawref.mix.spread import quantile, scaled, total
from rawref.mix.table import Table


@dataclass(frozen=True, slots=True)
class DryMatter:
    """Grams of dry matter in a mix of `total` grams; `point` is None where no water is known.

    `could_be_water`: grams counted as dry that unknown water, or the rest of a range, could be.
    """

    total: Fraction
    point: Fraction | None
    low: Fraction
    high: Fraction
    could_be_water: Fraction
    unknown_from: tuple[str, ...]
    range_from: tuple[str, ...]

    def fields(self) -> dict[str, Any]:
        """The keys of the result: moisture in per cent of the mix, dry matter in grams."""
        share = Fraction(100) / self.total
        return {
            "moisture_pct": None if self.point is None else out(100 - self.point * share),
            "moisture_low_pct": out(100 - self.high * share),
            "moisture_high_pct": out(100 - self.low * share),
            "moisture_could_add_pct": out(self.could_be_water * share),
            "moisture_unknown_from": list(self.unknown_from),
            "moisture_range_from": list(self.range_from),
            "dry_matter_g": out(self.point),
            "dry_matter_low_g": out(self.low),
            "dry_matter_high_g": out(self.high),
        }

    def per(
        self, amount: Fraction | None, low: float | None, high: float | None
    ) -> tuple[float | None, float | None, float | None]:
        """An amount of the mix and its ends per 100 g of dry matter, each end at the worst case of both."""
        return (
            float(amount / self.point * 100) if amount is not None and self.point else None,
            low / float(self.high) * 100 if low is not None and self.high else None,
            high / float(self.low) * 100 if high is not None and self.low else None,
        )


def dry_matter_of(table: Table, assays: Assays, grams: Mapping[str, Fraction]) -> DryMatter:
    """The dry matter of the mix, from the water of its ingredients: independent, what is unknown at its most on top."""
    water = {key: content_of(table, assays, key, WATER) for key in grams}
    whole = sum(grams.values(), ZERO)
    dry = whole - weighted(grams, {key: content.counted for key, content in water.items()})
    unsure = {key: _top(content) - content.high for key, content in water.items()}
    ranged = {key: content.high - content.low for key, content in water.items() if content.state == "range"}
    ends = [weighted(grams, {key: getattr(content, end) for key, content in water.items()}) for end in ("low", "high")]
    if sum(content.low != content.high for content in water.values()) > 1:
        points = total(scaled(content.points, float(grams[key]) / 100) for key, content in water.items())
        ends = [Fraction(quantile(points, chance)) for chance in (0.05, 0.95)]
    least, most = ends
    open_water = weighted(grams, unsure)
    return DryMatter(
        whole,
        dry if any(content.known for content in water.values()) else None,
        max(ZERO, whole - most - open_water),
        whole - least,
        open_water + weighted(grams, ranged),
        tuple(sorted(key for key, content in water.items() if not content.known)),
        tuple(sorted(key for key, content in water.items() if content.state == "range")),
    )


def greatest_share(table: Table, assays: Assays, grams: Mapping[str, Fraction], keys: Sequence[str]) -> Fraction:
    """The most that some ingredients could be of the dry matter, of 1, as far as unknown water leaves it open."""
    water = {key: content_of(table, assays, key, WATER) for key in grams}
    own = weighted(grams, {key: 100 - water[key].counted for key in keys})
    rest = [key for key in grams if key not in keys]
    other = weighted(grams, {key: 100 - _middle(water[key]) for key in rest})
    return own / (own + other) if own + other else ZERO


def _middle(content: Content) -> Fraction:
    return _top(content) if content.point is None else content.point


def _top(content: Content) -> Fraction:
    """The most water that an ingredient could hold."""
    return min(Fraction(100), max(content.counted, content.high + (content.ceiling or ZERO)))
