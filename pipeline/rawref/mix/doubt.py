"""What makes a line uncertain, in order of its share of the doubt, and what would decide it: an assay, or grams.

The doubt of a line is the variance of its margin, nutrient - bound x energy. A known content has that within its 90 %
interval, an unknown of a minimum that of what comparable foods foretell; any other unknown counts as if it were even
between nothing and its ceiling, and one that nothing bounds takes all of the doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from rawref.mix.batch import Asked, Batch
from rawref.mix.content import OTHER_PRODUCTS, Content, lacking_share
from rawref.mix.quotient import CERTAIN_HIGH, PerEnergy, Unknown
from rawref.mix.spread import mean, scaled, solve, total, variance_within
from rawref.needs.profile import Need, parts_of


@dataclass(frozen=True, slots=True)
class Doubt:
    """One source of doubt: a component of an ingredient, why, its share of 1, and how much it could still add."""

    ingredient_id: str
    component: str
    why: str
    share: float
    could_add: float | None

    def as_dict(self) -> dict[str, Any]:
        return {
            "ingredient_id": self.ingredient_id, "component": self.component, "why": self.why,
            "share": round(self.share, 4), "could_add": self.could_add,
        }  # fmt: skip


def doubts_of(batch: Batch, asked: Asked, bound: float, upper: bool = False) -> list[Doubt]:
    """The sources of doubt about whether the quotient reaches `bound` (`upper`: a maximum), the largest first, as
    many as schemas/mix_rules.csv says."""
    rules = batch.table.rules
    least = float(rules.number("doubt_named"))
    guessed = not upper and asked.foretold is not None
    found: list[Weighed] = []
    parts = parts_of(asked.component)[1]
    over_parts = parts[:1] if asked.is_ratio else parts
    for part in over_parts:
        contents = batch.contents(part) if len(over_parts) > 1 else asked.over
        found += [
            item for key, content in contents.items() for item in _of_content(batch, key, part, content, 1.0, guessed)
        ]
    if asked.is_ratio:
        for key, content in asked.under.items():
            found += _of_content(batch, key, parts[1], content, bound, False)
    else:
        found += _of_energy(batch, asked, bound)
    whole = math.fsum(weight for weight, *_ in found)
    endless = sum(math.isinf(weight) for weight, *_ in found)
    named = []
    for weight, key, part, why, could_add in found:
        share = (math.isinf(weight) / endless) if endless else weight / whole if whole else 0.0
        if share >= least:
            named.append(Doubt(key, part, why, share, could_add))
    named.sort(key=lambda doubt: (-doubt.share, doubt.ingredient_id, doubt.component, doubt.why))
    return named[: int(rules.number("doubts_named"))]


Weighed = tuple[float, str, str, str, float | None]
"""The variance that a doubt brings, and the Doubt without its share."""


def _of_content(batch: Batch, key: str, part: str, content: Content, factor: float, guessed: bool) -> list[Weighed]:
    share, weight = batch.shares[key] / 100 * factor, float(batch.grams[key]) / 100
    found: list[Weighed] = []
    spread = variance_within(scaled(content.points, share))
    if spread:
        why = "a range" if content.state == "range" else "spread"
        found.append((spread, key, part, why, float(content.high - content.counted) * weight))
    why = "partly unknown" if lacking_share(key, content) < 1 and not content.known else "unknown"
    ceiling = content.unforetold if guessed else content.ceiling
    if guessed and content.foretold is not None:
        likely = variance_within(scaled(content.foretold.points, share))
        found.append((likely, key, part, why, content.foretold.high * weight))
    if ceiling is None:
        found.append((math.inf, key, part, why, None))
    elif ceiling:
        wide = float(ceiling) * share
        found.append((wide * wide / 12, key, part, why, float(ceiling) * weight))
    return found


def _of_energy(batch: Batch, asked: Asked, bound: float) -> list[Weighed]:
    found: list[Weighed] = []
    for key, energy in batch.energies.items():
        share = batch.shares[key] / 100 * bound
        for bearer, (factor, content) in energy.parts.items():
            if bearer != asked.component:
                spread = variance_within(scaled(content.points, float(factor) * share))
                if spread:
                    found.append((spread, key, bearer, "energy", None))
        if energy.unknown:
            wide = float(energy.unknown) * share
            found.append((wide * wide / 12, key, "+".join(energy.unknown_in), "energy unknown", None))
    return found


def deciding_assay(batch: Batch, asked: Asked, bound: float, doubt: Doubt, upper: bool) -> dict[str, Any] | None:
    """From which content of one ingredient on an assay would decide, per 100 g: {at_least, at_most, bound}, with the
    interval that the table has of it (known_low, known_high).

    For a minimum `at_least` makes it met and `at_most` short; for a maximum (`upper`) `at_most` makes it kept; for
    what only brings energy (bound `energy`) `at_most` makes the minimum met and `at_least` short. None where no content
    that is possible would decide.
    """
    if not isinstance(asked.quotient, PerEnergy) or (asked.lost is None and not upper):
        return None
    if doubt.why == "energy":
        return None if upper else _energy_assay(batch, asked, asked.quotient, bound, doubt)
    parts = parts_of(asked.component)[1]
    if doubt.component not in parts:
        return None
    own = batch.contents(doubt.component)[doubt.ingredient_id]
    own = own if upper else batch.at_most(doubt.ingredient_id, doubt.component, own)
    fixed = dict(asked.over)
    fixed.pop(doubt.ingredient_id, None)
    amounts, others = (total(batch.amounts(fixed).values()), batch.ceiling(fixed)) if upper else batch.foretold(fixed)
    rest = total([amounts, *_other_parts(batch, parts, doubt)])
    quotient = PerEnergy(rest, batch.energy, asked.quotient.bearer)
    per_100g = 100 / batch.shares[doubt.ingredient_id]
    most = own.most
    times = float(batch.table.rules.number("assay_times"))
    limit = times * float(own.high) if most is None or own.known else float(most)
    top = limit / per_100g

    def met(extra: float) -> float:
        return quotient.chance(bound, Unknown(0.0, asked.unknown.under), extra - (asked.lost or 0.0))

    def possible(extra: float) -> float:
        return quotient.chance(bound, Unknown(others, 0.0), extra)

    at_least = at_most = None
    if upper:
        if possible(0.0) <= 1 - CERTAIN_HIGH < possible(top):
            at_most = solve(possible, 1 - CERTAIN_HIGH, 0.0, top, 24) * per_100g
    else:
        if met(0.0) < CERTAIN_HIGH <= met(top):
            at_least = solve(met, CERTAIN_HIGH, 0.0, top, 24) * per_100g
        if possible(0.0) <= 1 - CERTAIN_HIGH < possible(top):
            at_most = solve(possible, 1 - CERTAIN_HIGH, 0.0, top, 24) * per_100g
    if at_least is None and at_most is None:
        return None
    return {
        "ingredient_id": doubt.ingredient_id, "component": doubt.component, "at_least": at_least, "at_most": at_most,
        "bound": "maximum" if upper else "minimum", **_interval(own),
    }  # fmt: skip


def _energy_assay(
    batch: Batch, asked: Asked, quotient: PerEnergy, bound: float, doubt: Doubt
) -> dict[str, Any] | None:
    """From which protein, fat or carbohydrate of one ingredient on its energy would decide about a minimum."""
    factor, content = batch.energies[doubt.ingredient_id].parts[doubt.component]
    others = {
        key: scaled(energy.parts[doubt.component][1].points,
                    float(energy.parts[doubt.component][0]) * batch.shares[key] / 100)
        for key, energy in batch.energies.items() if key != doubt.ingredient_id
    }  # fmt: skip
    parts = {**batch.energy.parts, doubt.component: total(others.values())}
    rest = PerEnergy(quotient.over, replace(batch.energy, parts=parts, whole=total(parts.values())), quotient.bearer)
    per_100g = 100 / batch.shares[doubt.ingredient_id] / float(factor)
    top = float(batch.table.rules.number("assay_times") * content.high) / per_100g

    def lost(kcal: float) -> float:
        return 1 - rest.chance(bound, Unknown(0.0, (asked.unknown.under or 0.0) + kcal), -(asked.lost or 0.0))

    def hopeless(kcal: float) -> float:
        return 1 - rest.chance(bound, Unknown(asked.unknown.over, kcal))

    met = solve(lost, 1 - CERTAIN_HIGH, 0.0, top, 24) * per_100g if lost(0.0) <= 1 - CERTAIN_HIGH else None
    short = solve(hopeless, CERTAIN_HIGH, 0.0, top, 24) * per_100g if hopeless(top) >= CERTAIN_HIGH else None
    if met is None and short is None:
        return None
    return {
        "ingredient_id": doubt.ingredient_id, "component": doubt.component, "at_least": short, "at_most": met,
        "bound": "energy", **_interval(content),
    }  # fmt: skip


def _interval(content: Content) -> dict[str, float | None]:
    """What the table says of a content, per 100 g, to hold a deciding content against; None where it has no figure."""
    known = content.known and content.low != content.high
    return {"known_low": float(content.low) if known else None, "known_high": float(content.high) if known else None}


def _other_parts(batch: Batch, parts: tuple[str, ...], doubt: Doubt) -> list[tuple[float, ...]]:
    """Of a sum: what the other parts of the doubtful ingredient hold."""
    return [
        scaled(batch.contents(part)[doubt.ingredient_id].points, batch.shares[doubt.ingredient_id] / 100)
        for part in parts
        if part != doubt.component
    ]


@dataclass(frozen=True, slots=True)
class Dose:
    """An ingredient of the mix whose weight could decide a line: about how many grams of it (more for a minimum, less
    for a maximum), and how many would still be the same recipe."""

    ingredient_id: str
    grams: float
    most: float


def plausible_source(batch: Batch, need: Need, key: str, component: str) -> bool:
    """Whether more of an ingredient is a remedy for want of a component (schemas/mix_rules.csv).

    An addition is one for what it is given for: the component that it holds most of, as multiples of the minimum, and
    any other that comes near it; what holds an unknown dose (kelp) is none. A food is one unless it would come nearer
    to another maximum, at its high end, than to this minimum.
    """
    addition = batch.is_addition(key)
    own, most = 0.0, 0.0
    for line in need.components():
        if "/" in line:
            continue
        content = batch.content(key, line)
        if OTHER_PRODUCTS in content.flags:
            return False
        least, limit = need.applied(line, "minimum"), need.applied(line, "maximum")
        times = float(content.counted / least.per_1000kcal) if least is not None and least.per_1000kcal else 0.0
        if line == component:
            own = times
        if addition:
            most = max(most, times)
        elif limit is not None and line != component:
            most = max(most, float(content.high / limit.per_1000kcal))
    return own > 0 and own >= most * float(batch.table.rules.number("remedy_own") if addition else 1)


def dose_of(batch: Batch, need: Need, asked: Asked, bound: float, upper: bool) -> Dose | None:
    """More of the ingredient that is richest would meet a minimum, less of the one that brings most would keep a
    maximum: a first guess, at the low (high) end of that ingredient's interval, the rest of the mix as it is."""
    if not isinstance(asked.quotient, PerEnergy):
        return _dose_of_ratio(batch, need, asked, bound, upper)
    best: tuple[float, str] | None = None
    for key, content in asked.over.items():
        if key not in batch.table.ingredients or batch.grams[key] == 0:
            continue
        if not upper and not plausible_source(batch, need, key, asked.component):
            continue
        kcal = float(batch.energies[key].point)
        gain = float(content.low if not upper else content.counted) - bound * kcal
        weight = batch.shares[key] if upper else 1.0
        if gain > 0 and (best is None or gain * weight > best[0] * (batch.shares[best[1]] if upper else 1.0)):
            best = (gain, key)
    if best is None:
        return None
    gain, key = best
    shift = Unknown(asked.unknown.over, 0.0) if upper else Unknown(0.0, asked.unknown.under)
    scale = mean(batch.energy.whole) * bound + mean(asked.quotient.over)
    if upper:
        if asked.unknown.over is None:
            return None
        found = solve(lambda less: 1 - asked.quotient.chance(bound, shift, -less), CERTAIN_HIGH, 0.0, scale * 4, 30)
    else:
        found = solve(lambda more: asked.quotient.chance(bound, shift, more), CERTAIN_HIGH, 0.0, scale * 8, 30)
    return Dose(key, found / gain * 100 * float(batch.total), _most(batch, key, upper))


def _dose_of_ratio(batch: Batch, need: Need, asked: Asked, bound: float, upper: bool) -> Dose | None:
    """The same for one mineral over another, as the figures count: what brings most above the line for each below."""
    over, under = ({key: float(content.counted) for key, content in part.items()} for part in (asked.over, asked.under))
    gains = {key: over[key] - bound * under[key] for key in over if key in batch.table.ingredients}
    upper_part = parts_of(asked.component)[1][0]
    fit = [key for key, gain in gains.items() if gain > 0 and (upper or plausible_source(batch, need, key, upper_part))]
    if not fit:
        return None
    key = max(fit, key=lambda each: gains[each] * (batch.shares[each] if upper else 1.0))
    lacks = sum((bound * under[each] - over[each]) * float(batch.grams[each]) for each in over)
    first = float(batch.grams[key]) / 100  # the figures may be on the right side already, with too little room
    return Dose(key, max(first, (-lacks if upper else lacks) / gains[key]), _most(batch, key, upper))


def _most(batch: Batch, key: str, upper: bool) -> float:
    """The most grams that a remedy may name: what the mix holds of it, or what leaves the recipe the same."""
    own, rules = float(batch.grams[key]), batch.table.rules
    share = rules.number("remedy_addition" if batch.is_addition(key) else "remedy_food")
    return own if upper else min(float(share * batch.total), float(rules.number("remedy_times")) * own)
