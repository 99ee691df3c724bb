"""What a requirement asks of a mix: a nutrient per kcal, or one mineral per another; its chance to reach a bound.

Everything is per gram of the mix, so a batch of any size gives the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

from rawref.mix.kcal import EnergyTotal
from rawref.mix.spread import (
    Points,
    around,
    at_least,
    coarse,
    mean,
    quantile,
    ratios,
    reaches,
    scaled,
    solve,
    together,
    total,
)

CERTAIN_LOW, CERTAIN_HIGH = 0.05, 0.95


@dataclass(frozen=True, slots=True)
class Unknown:
    """What has no figure, added above and below the line, per gram of the mix; None where nothing bounds it."""

    over: float | None = 0.0
    under: float | None = 0.0


class Quotient(Protocol):
    """A nutrient over what it is counted by."""

    def chance(self, bound: float, unknown: Unknown = ..., extra: float = ...) -> float:
        """The chance that the quotient is `bound` or more; `extra` is added above the line."""

    def end(self, chance: float, unknown: Unknown = ...) -> float | None:
        """The quotient that is not reached with this chance; None where nothing bounds it."""


@dataclass(frozen=True)
class PerEnergy:
    """A nutrient per kcal, independent of the energy unless it bears energy itself (`bearer`)."""

    over: Points
    energy: EnergyTotal
    bearer: str = ""

    @cached_property
    def rest(self) -> Points:
        """The energy below the line, of a bearer that of the other two."""
        return self.energy.without(self.bearer) if self.bearer else self.energy.whole

    @property
    def factor(self) -> float:
        """kcal per gram that the nutrient itself brings."""
        return self.energy.factors[self.bearer] if self.bearer else 0.0

    def chance(self, bound: float, unknown: Unknown = Unknown(), extra: float = 0.0) -> float:
        if unknown.over is None:
            return 1.0
        if unknown.under is None:
            return 0.0
        over = _shifted(self.over, unknown.over + extra)
        share = 1 - bound * self.factor  # n / (f n + r) >= b is n (1 - b f) >= b r
        if share <= 0:
            return 0.0
        return reaches(scaled(over, share), _shifted(self.rest, unknown.under), bound)

    def end(self, chance: float, unknown: Unknown = Unknown()) -> float | None:
        if unknown.over is None:
            return None
        if unknown.under is None:
            return 0.0
        over, rest = _shifted(self.over, unknown.over), coarse(_shifted(self.rest, unknown.under))
        if over[-1] <= 0:
            return 0.0
        if rest[0] <= 0:
            return None
        found = quantile(ratios(over, rest), chance)
        return found / (self.factor * found + 1)


@dataclass(frozen=True)
class PerMineral:
    """One component over another; the two of one ingredient rise and fall together, as the ash of bone does."""

    pairs: Mapping[str, tuple[Points, Points]]

    def chance(self, bound: float, unknown: Unknown = Unknown(), extra: float = 0.0) -> float:
        if unknown.over is None:
            return 1.0
        if unknown.under is None:
            return 0.0
        return at_least(self._margin(bound), bound * unknown.under - unknown.over - extra)

    def end(self, chance: float, unknown: Unknown = Unknown()) -> float | None:
        if unknown.over is None:
            return None
        if unknown.under is None:
            return 0.0
        over = sum(points[-1] for points, _ in self.pairs.values()) + unknown.over
        under = sum(points[0] for _, points in self.pairs.values()) + unknown.under
        if over <= 0:
            return 0.0
        if under <= 0:
            return None
        low = sum(points[0] for points, _ in self.pairs.values()) + unknown.over
        most = sum(points[-1] for _, points in self.pairs.values()) + unknown.under
        first, last = math.log(max(low, over * 1e-6) / most), math.log(over / under)
        middle = sum(mean(points) for points, _ in self.pairs.values()) + unknown.over
        guess = math.log(middle / (sum(mean(points) for _, points in self.pairs.values()) + unknown.under))

        def rising(at: float) -> float:
            return 1 - self.chance(math.exp(at), unknown)

        return math.exp(solve(rising, chance, *around(rising, chance, guess, first, last), 12))

    def _margin(self, bound: float) -> Points:
        return total(
            tuple(sorted(together(over, scaled(under, -bound)[::-1] if len(under) > 1 else (-bound * under[0],))))
            for over, under in self.pairs.values()
        )


def _shifted(points: Points, by: float) -> Points:
    return tuple([point + by for point in points]) if by else points


@dataclass(frozen=True, slots=True)
class Chances:
    """The chance that a bound is kept: `low` with the unknown at its worst for it, `high` at its best."""

    low: float
    high: float

    @property
    def sure(self) -> bool:
        return self.low >= CERTAIN_HIGH

    @property
    def hopeless(self) -> bool:
        return self.high <= CERTAIN_LOW

    def listed(self) -> list[float]:
        return [self.low, self.high]


def meets_minimum(asked: Quotient, minimum: float, unknown: Unknown, lost: float | None = 0.0) -> Chances:
    """Low: what has no figure brings nothing of the nutrient and all the energy that it could, and `lost` per gram of
    the mix is taken away, None for all of it; high: the reverse, and nothing is taken."""
    low = 0.0 if lost is None else asked.chance(minimum, Unknown(0.0, unknown.under), -lost)
    return _chances(low, asked.chance(minimum, Unknown(unknown.over, 0.0)))


def keeps_maximum(asked: Quotient, maximum: float, unknown: Unknown, least: float = 0.0) -> Chances:
    """Low: what has no figure brings all of the nutrient that it could and no energy; high: the reverse, and `least` of
    the nutrient, per gram of the mix."""
    above = math.nextafter(maximum, math.inf)
    low = 1 - asked.chance(above, Unknown(unknown.over, 0.0))
    return _chances(low, 1 - asked.chance(above, Unknown(least, unknown.under)))


def _chances(low: float, high: float) -> Chances:
    low, high = (round(min(max(value, 0.0), 1.0), 4) for value in (low, high))
    return Chances(low, max(low, high))


def verdict_of(minimum: Chances | None, maximum: Chances | None) -> str:
    """over | short | meets | undecided | no_requirement (contract, known and unknown in a mix)."""
    if minimum is None and maximum is None:
        return "no_requirement"
    if maximum is not None and maximum.hopeless:
        return "over"
    if minimum is not None and minimum.hopeless:
        return "short"
    if (minimum is None or minimum.sure) and (maximum is None or maximum.sure):
        return "meets"
    return "undecided"


def ends(asked: Quotient, unknown: Unknown) -> tuple[float | None, float | None]:
    """The 90 % interval of the quotient: the low end without what is unknown, the high end with all of it."""
    low = asked.end(CERTAIN_LOW, Unknown(0.0, unknown.under))
    return low, asked.end(CERTAIN_HIGH, Unknown(unknown.over, 0.0))


def listed(chances: Chances | None) -> list[float] | None:
    """For output."""
    return None if chances is None else chances.listed()
