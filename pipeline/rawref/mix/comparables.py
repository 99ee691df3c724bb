"""What comparable foods of the table foretell of a content without a figure: a distribution, never a value.

Method, on the natural logarithm. Contents of one component vary between ingredients of the same part and animal (cuts),
and between animals within the same part; both variances are pooled over all ingredients that have evidence (one-way
layout with unequal groups). What lacks a figure is foretold as one more of the nearest group that has any: other
ingredients of the same part and animal, else the same part of other animals of land or water; else, an organ of a land
animal, as one more part, by the means of the other organs and of muscle and the variance between them. Liver is not:
it stores, and held more than that in 16 of 100 known cells. The 90 % interval of one more observation is mean +- t s
sqrt(1 + 1/n), with the degrees of freedom of the variance (prediction interval of a normal sample; t by Abramowitz &
Stegun 26.7.5). A comparable food without a figure above zero (a zero, a trace, below detection, assumed zero) lets the
interval begin at zero. It ends at the ceiling of the unknown at the latest; where the table publishes none, its 99 %
point is the ceiling.

Out of sample it holds what it says: tests/test_mix_comparables.py, tests/benchmarks/mix_decided.py.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from statistics import NormalDist

from rawref.mix.spread import Z90, Points, points_of
from rawref.mix.table import WATER_GROUPS, Table

Z99 = NormalDist().inv_cdf(0.99)
LEAST_FREEDOM = 5
"""Degrees of freedom from which a pooled variance is used (common practice, no source)."""
LEAST_PARTS = 3
"""Parts of land animals from which another one is foretold (common practice, no source)."""
STORE = "liver"
ORGANS = frozenset({
    "muscle", STORE, "heart", "kidney", "spleen", "lung", "tongue", "brain", "tripe", "gizzard", "pancreas", "thymus",
    "testis", "stomach", "intestine", "ear", "foot", "tail",
})  # fmt: skip
"""Parts of land animals that are soft tissue with blood; not fat, skin, marrow, bone, egg, milk or mixtures."""
Group = tuple[bool, str, str]


@dataclass(frozen=True, slots=True)
class Foretold:
    """Per 100 g in the canonical unit: the 5 %, 50 %, 95 % and 99 % points, and in words what they rest on."""

    low: float
    middle: float
    high: float
    most: float
    basis: tuple[str, ...]

    @property
    def points(self) -> Points:
        """As equally likely amounts."""
        return points_of(self.low, self.middle, self.high)

    def times(self, factor: float) -> Foretold:
        """The same of another weight."""
        return Foretold(
            self.low * factor, self.middle * factor, self.high * factor, self.most * factor, self.basis
        )  # fmt: skip

    def within(self, ceiling: Fraction | None) -> Foretold:
        """No more than the ceiling."""
        if ceiling is None or self.high <= ceiling:
            return self
        top = float(ceiling)
        return Foretold(min(self.low, top), min(self.middle, top), top, min(self.most, top), self.basis)


ENDS = ("low", "middle", "high", "most")


def together(parts: list[Foretold]) -> Foretold | None:
    """The sum of what goes together in one food; None without any."""
    if not parts:
        return None
    basis = tuple(dict.fromkeys(text for part in parts for text in part.basis))
    low, middle, high, most = (math.fsum(getattr(part, end) for part in parts) for end in ENDS)
    return Foretold(low, middle, high, most, basis)


@dataclass(slots=True)
class Known:
    """What the table knows of one component: logarithms by group and ingredient, and who has no figure above zero."""

    cuts: dict[Group, dict[str, float]] = field(default_factory=lambda: defaultdict(dict))
    empty: dict[Group, set[str]] = field(default_factory=lambda: defaultdict(set))

    def without(self, left_out: str, group: Group) -> Known:
        """The same without one ingredient of a group."""
        if left_out not in self.cuts.get(group, {}) and left_out not in self.empty.get(group, set()):
            return self
        cuts = {**self.cuts, group: {key: v for key, v in self.cuts.get(group, {}).items() if key != left_out}}
        empty = {**self.empty, group: self.empty.get(group, set()) - {left_out}}
        return Known({key: values for key, values in cuts.items() if values}, empty)

    def foretell(self, group: Group) -> Foretold | None:
        """One more of the nearest group; None where nothing is comparable."""
        own = list(self.cuts.get(group, {}).values())
        variance, freedom = _pooled(self.cuts[key].values() for key in self.cuts)
        if own and freedom >= LEAST_FREEDOM:
            words = f"{len(own)} other ingredient{'s' if len(own) > 1 else ''} of the same part and animal"
            return _one_more(own, variance, freedom, bool(self.empty.get(group)), words)
        parts: dict[tuple[bool, str], list[float]] = defaultdict(list)
        for key, values in self.cuts.items():
            if key != group:
                parts[key[:2]].append(math.fsum(values.values()) / len(values))
        animals = parts.get(group[:2], [])
        variance, freedom = _pooled(parts.values())
        if animals and freedom >= LEAST_FREEDOM:
            words = f"the same part of {len(animals)} other animal{'s' if len(animals) > 1 else ''}"
            zero = any(names for key, names in self.empty.items() if key[:2] == group[:2])
            return _one_more(animals, variance, freedom, zero, words)
        return self._as_another_part(parts, group)

    def _as_another_part(self, parts: Mapping[tuple[bool, str], list[float]], group: Group) -> Foretold | None:
        """An organ of a land animal by the other parts."""
        water, part, _ = group
        if water or part not in ORGANS - {STORE, "muscle"}:
            return None
        means = [math.fsum(own) / len(own) for (wet, name), own in parts.items()
                 if not wet and name != part and name in ORGANS]  # fmt: skip
        if len(means) < LEAST_PARTS:
            return None
        variance, freedom = _pooled([means])
        zero = any(names for (wet, name, _), names in self.empty.items() if not wet and name in ORGANS)
        return _one_more(means, variance, freedom, zero, f"{len(means)} other parts of land animals")


def foretold(table: Table, ingredient_id: str, component: str) -> Foretold | None:
    """What comparable raw ingredients foretell of a content, the figure of the ingredient itself left out.

    None for additions and composites, and where the table has nothing that is comparable.
    """
    ingredient = table.ingredients.get(ingredient_id)
    if ingredient is None or ingredient.kind != "raw":
        return None
    if component not in table.known:
        table.known[component] = _known(table, component)
    known: Known = table.known[component]
    group = _group(ingredient.species_group, ingredient.part, ingredient.species)
    return known.without(ingredient_id, group).foretell(group)


def _group(species_group: str, part: str, species: str) -> Group:
    return species_group in WATER_GROUPS, part, species


def _known(table: Table, component: str) -> Known:
    found = Known()
    for key, ingredient in table.ingredients.items():
        if ingredient.kind != "raw":
            continue
        group = _group(ingredient.species_group, ingredient.part, ingredient.species)
        amount = table.evidence(key, component)
        if amount:
            found.cuts[group][key] = math.log(amount)
        elif amount == 0:
            found.empty[group].add(key)
    return found


def _pooled(groups: Iterable[Iterable[float]]) -> tuple[float, int]:
    """The variance within groups, and its degrees of freedom."""
    squares: list[float] = []
    freedom = 0
    for group in groups:
        values = list(group)
        if len(values) > 1:
            middle = math.fsum(values) / len(values)
            squares += [(value - middle) ** 2 for value in values]
            freedom += len(values) - 1
    return (math.fsum(squares) / freedom, freedom) if freedom else (0.0, 0)


def _one_more(values: list[float], variance: float, freedom: int, zero: bool, words: str) -> Foretold:
    middle = math.fsum(values) / len(values)
    error = math.sqrt(variance * (1 + 1 / len(values)))
    half, far = student(freedom) * error, student(freedom, Z99) * error
    low = 0.0 if zero else math.exp(middle - half)
    return Foretold(low, math.exp(middle), math.exp(middle + half), math.exp(middle + far), (words,))


def student(freedom: int, z: float = Z90) -> float:
    """A point of Student's t, of 95 % where `z` of the normal distribution is not given: Abramowitz & Stegun 26.7.5."""
    first, second = (z**3 + z) / 4, (5 * z**5 + 16 * z**3 + 3 * z) / 96
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return z + first / freedom + second / freedom**2 + third / freedom**3
