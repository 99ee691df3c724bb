"""The batch that is judged: what is in it by weight, with the contents that every line of the result asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from typing import Any

from rawref.mix.assay import Assays
from rawref.mix.content import KELP, OIL, OTHER_PRODUCTS, PURE, ZERO, Content, content_of, unknown
from rawref.mix.energy import Factors
from rawref.mix.kcal import Energy, EnergyTotal, energy_of, energy_total, limited, weighted
from rawref.mix.quotient import PerEnergy, PerMineral, Quotient, Unknown
from rawref.mix.spread import Points, scaled, total
from rawref.mix.table import WATER_ID, Table
from rawref.mix.taken import Taken, lost_of, taken_of
from rawref.needs.profile import IF_ADDED, Bound, Need, parts_of

THOUSAND = Fraction(1000)
AQUATIC = frozenset({"finfish", "mollusc", "crustacean"})


@dataclass(frozen=True)
class Batch:
    """Edible grams by ingredient, in order of first mention, and the formula that gives their energy.

    `found`: contents and energies that were looked up; a batch with other grams of the same table keeps them.
    """

    table: Table
    assays: Assays
    grams: Mapping[str, Fraction]
    formula: Mapping[str, Factors]
    found: dict[tuple[str, str], Any] = field(default_factory=dict, compare=False, repr=False)

    @cached_property
    def total(self) -> Fraction:
        return sum(self.grams.values(), ZERO)

    @cached_property
    def shares(self) -> dict[str, float]:
        """Grams of each ingredient per gram of the batch."""
        return {key: float(weight / self.total) for key, weight in self.grams.items()}

    @cached_property
    def energies(self) -> dict[str, Energy]:
        return {key: self._of(key, "") for key in self.grams}

    @cached_property
    def kcal(self) -> Fraction:
        return weighted(self.grams, {key: energy.point for key, energy in self.energies.items()})

    @cached_property
    def unknown_kcal(self) -> Fraction:
        return weighted(self.grams, {key: energy.unknown for key, energy in self.energies.items()})

    @cached_property
    def energy(self) -> EnergyTotal:
        return energy_total(self.shares, self.energies)

    def contents(self, component: str) -> dict[str, Content]:
        """What each ingredient holds of a component or a sum."""
        return {key: self._of(key, component) for key in self.grams}

    def content(self, key: str, component: str) -> Content:
        """What one ingredient holds of a component or a sum."""
        found: Content = self._of(key, component)
        return found

    def _of(self, key: str, component: str) -> Any:
        """The content of an ingredient, or its energy where no component is named; each is looked up once."""
        if (key, component) not in self.found:
            self.found[key, component] = (
                content_of(self.table, self.assays, key, component)
                if component
                else energy_of(self.table, self.assays, key, self.formula)
            )
        return self.found[key, component]

    def amounts(self, contents: Mapping[str, Content], left_out: str = "") -> dict[str, Points]:
        """The known amounts per gram of the batch, by ingredient."""
        return {
            key: scaled(content.points, self.shares[key] / 100) for key, content in contents.items() if key != left_out
        }

    def foretold(self, contents: Mapping[str, Content]) -> tuple[Points, float | None]:
        """Per gram of the batch: what is known with what comparable foods foretell, and the most that the rest of the
        unknown could hold."""
        amounts = total(scaled(content.foretold_points, self.shares[key] / 100) for key, content in contents.items())
        grams = {key: self.grams[key] for key in contents}
        rest = limited(grams, {key: content.unforetold for key, content in contents.items()})
        return amounts, None if rest is None else float(rest / self.total)

    def hoped(self, contents: Mapping[str, Content], component: str) -> float | None:
        """As `ceiling`, for a minimum: a content that is known of other products alone counts at most as theirs."""
        return self.ceiling({key: self.at_most(key, component, content) for key, content in contents.items()})

    def at_most(self, key: str, component: str, content: Content) -> Content:
        """A content with the high end that is published of other products as its ceiling, where there is one."""
        cell = self.table.cell(key, component) if OTHER_PRODUCTS in content.flags else None
        return content if cell is None or cell.high is None else replace(content, ceiling=cell.high)

    def ceiling(self, contents: Mapping[str, Content]) -> float | None:
        """What the unknown could hold, per gram of the batch; None where nothing bounds it."""
        grams = {key: self.grams[key] for key in contents}
        found = limited(grams, {key: content.ceiling for key, content in contents.items()})
        return None if found is None else float(found / self.total)

    def is_addition(self, key: str) -> bool:
        """Whether an ingredient is an addition: of that kind, or a product of the user's own."""
        ingredient = self.table.ingredients.get(key)
        return key != WATER_ID if ingredient is None else ingredient.kind == "addition"

    def fish_oils(self) -> list[str]:
        """The oils of fish in the mix."""
        own = {key: self.table.ingredients.get(key) for key, weight in self.grams.items() if weight}
        return sorted(
            key for key, item in own.items() if item is not None and item.part == OIL and item.species_group in AQUATIC
        )

    def added(self, component: str, maximum: Bound) -> list[str]:
        """The additions that carry a component: a share of its legal maximum or more, of what is no pure substance or
        product of the user's own a larger one (schemas/mix_rules.csv)."""
        found = []
        for key, weight in self.grams.items():
            if not self.is_addition(key):
                continue
            content = self._of(key, component)
            ingredient = self.table.ingredients.get(key)
            kelp = component == "ID" and ingredient is not None and KELP in ingredient.cautions
            pure = ingredient is None or PURE in ingredient.cautions
            least = self.table.rules.number("added_share" if pure else "carried_share")
            brought = content.high * weight / 100
            if kelp or (brought > 0 and brought * THOUSAND >= least * maximum.per_1000kcal * self.kcal):
                found.append(key)
        return sorted(found)


    def may_add(self, component: str, maximum: Bound) -> list[str]:
        """The additions of which nobody states the content, and which could pass the maximum alone."""
        found = []
        for key, weight in self.grams.items():
            content = self.content(key, component)
            most = content.ceiling
            if self.is_addition(key) and (
                most is None or most * weight / 100 * THOUSAND > maximum.per_1000kcal * self.kcal
            ):
                found.append(key)
        return sorted(found)


@dataclass(frozen=True)
class Asked:
    """What one line asks: the quotient, what is unknown of it, and the contents behind it, above and below the line.

    `foretold`: the same with what comparable foods foretell of the unknown; None where they foretell nothing.
    `least`: what the unknown holds at least, per gram of the batch; counts against a maximum only. `taken`: what
    food of the mix takes of it, `lost` the most of that, per gram of the batch, None for all; they count against a
    minimum only. `hoped`: what the unknown could bring towards a minimum, per gram of the batch, None where nothing
    bounds it.
    """

    component: str
    over: Mapping[str, Content]
    under: Mapping[str, Content]
    quotient: Quotient
    unknown: Unknown
    foretold: tuple[Quotient, Unknown] | None = None
    least: float = 0.0
    taken: Sequence[Taken] = ()
    lost: float | None = 0.0
    hoped: float | None = None

    @property
    def is_ratio(self) -> bool:
        return bool(self.under)

    @property
    def scale(self) -> Fraction:
        """What turns the quotient into the figure of the line: 1000 kcal, and 1 for a ratio."""
        return Fraction(1) if self.is_ratio else THOUSAND

    @property
    def divides(self) -> bool:
        """Of a ratio: whether anything below the line is known or could be there."""
        return any(content.most is None or content.most > 0 for content in self.under.values())

    def pairs(self) -> dict[str, tuple[Content, ...]]:
        """The contents of each ingredient that the line rests on."""
        return {key: (self.over[key], self.under[key]) if self.under else (self.over[key],) for key in self.over}


def more_of(batch: Batch, ingredient_id: str, grams: Fraction) -> Batch:
    """The batch with that many grams more of one ingredient."""
    return replace(batch, grams={**batch.grams, ingredient_id: batch.grams.get(ingredient_id, Fraction(0)) + grams})


def ask(batch: Batch, component: str, bare: bool = False) -> Asked:
    """What a line asks of a batch; `bare` as if no source had imputed anything."""
    form, parts = parts_of(component)
    if form != "ratio":
        over = _bare(batch.contents(component)) if bare else batch.contents(component)
        bearer = component if component in batch.energy.parts else ""
        quotient: Quotient = PerEnergy(total(batch.amounts(over).values()), batch.energy, bearer)
        foretold = None
        if any(content.foretold for content in over.values()):
            amounts, rest = batch.foretold(over)
            foretold = PerEnergy(amounts, batch.energy, bearer), Unknown(rest, batch.energy.unknown)
        least = sum(float(content.least) * batch.shares[key] / 100 for key, content in over.items())
        taken = taken_of(batch.table, batch.grams, component)
        return Asked(
            component, over, {}, quotient, Unknown(batch.ceiling(over), batch.energy.unknown), foretold, least,
            taken, lost_of(taken, batch.shares), batch.hoped(over, component),
        )  # fmt: skip
    over, under = (_bare(batch.contents(part)) if bare else batch.contents(part) for part in parts)
    above, below = batch.amounts(over), batch.amounts(under)
    quotient = PerMineral({key: (above[key], below[key]) for key in batch.grams})
    most = batch.ceiling(over)
    return Asked(component, over, under, quotient, Unknown(most, batch.ceiling(under)), hoped=most)


def _bare(contents: Mapping[str, Content]) -> dict[str, Content]:
    return {key: unknown(None) if "imputed" in content.flags else content for key, content in contents.items()}


@dataclass(frozen=True, slots=True)
class Bounds:
    """The figures that a line is held against; `added_by`: the additions that call on the legal maximum, or that may,
    since nobody states what they hold (`may_add`); `of`: the profile that the maximum is from where the one asked has
    none."""

    minimum: Bound | None
    maximum: Bound | None
    added_by: tuple[str, ...] = ()
    of: str = ""
    may_add: bool = False


def maxima_of(batch: Batch, need: Need, component: str) -> list[Bounds]:
    """The maxima that apply with the minimum beside each, the strictest first: that of foods and, where an addition
    carries it, that of the law; those of the other profiles where this one has neither; else the minimum alone."""
    minimum, maximum = minimum_of(batch, need, component), need.applied(component, "maximum")
    legal = need.if_added(component)
    found = [Bounds(minimum, maximum)] if maximum is not None else []
    if legal is not None and (called := _called(batch, component, minimum, legal)):
        strict = maximum is None or legal.per_1000kcal < maximum.per_1000kcal
        found.insert(0 if strict else 1, called)
    if not found and legal is None:
        found = maxima_of_others(batch, need, component, minimum)
    return found or [Bounds(minimum, None)]


def minimum_of(batch: Batch, need: Need, component: str) -> Bound | None:
    """The minimum of the profile, raised by what every gram of fish oil asks for on top (schemas/mix_rules.csv)."""
    minimum = need.applied(component, "minimum")
    each = batch.table.rules.of("fish_oil_demand", component)
    oils = batch.fish_oils()
    if minimum is None or each is None or not oils or not batch.kcal:
        return minimum
    more = each * sum((batch.grams[key] for key in oils), ZERO) / batch.kcal * THOUSAND
    return replace(minimum, per_1000kcal=minimum.per_1000kcal + more)


def maxima_of_others(batch: Batch, need: Need, component: str, minimum: Bound | None) -> list[Bounds]:
    """What harms beyond a maximum (schemas/mix_rules.csv) is held to that of another profile where the one asked has
    none that applies: no profile's silence blesses an overdose."""
    if not batch.table.rules.of("others_maximum", component):
        return []
    found = []
    for name, row in need.others:
        if row.component == component and row.variant in {"", IF_ADDED}:
            called = _called(batch, component, minimum, row) if row.variant else Bounds(minimum, row)
            if called is not None:
                found.append(replace(called, of=name))
    return sorted(found, key=_strictness)


def _called(batch: Batch, component: str, minimum: Bound | None, legal: Bound) -> Bounds | None:
    """The legal maximum with the additions that call on it, surely or perhaps; None where none does."""
    if added := batch.added(component, legal):
        return Bounds(minimum, legal, tuple(added))
    perhaps = batch.may_add(component, legal)
    return Bounds(minimum, legal, tuple(perhaps), may_add=True) if perhaps else None


def _strictness(bounds: Bounds) -> tuple[Fraction, bool]:
    """The strictest first, of equals one that was seen."""
    row = bounds.maximum
    return (row.per_1000kcal, row.standing == "memory") if row is not None else (ZERO, False)


def legal_if_added(batch: Batch, need: Need, component: str) -> Bound | None:
    """The legal maximum that would hold if an addition carried the component: of the profile, else of another."""
    others = [
        row for _, row in need.others
        if row.component == component and row.variant == IF_ADDED and batch.table.rules.of("others_maximum", component)
    ]  # fmt: skip
    return need.if_added(component) or min(others, key=lambda row: row.per_1000kcal, default=None)


def bounds_of(batch: Batch, need: Need, component: str) -> Bounds:
    """The minimum, and the strictest maximum that applies."""
    return maxima_of(batch, need, component)[0]
