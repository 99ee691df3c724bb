"""One line of the result: a component of the batch, its bounds, the chances, the verdict and its reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_UP, Context
from fractions import Fraction
from typing import Any

from rawref.mix.batch import (
    THOUSAND,
    Asked,
    Batch,
    Bounds,
    ask,
    bounds_of,
    legal_if_added,
    maxima_of,
    maxima_of_others,
    more_of,
)
from rawref.mix.content import OTHER_PRODUCTS, WATER, Content, lacking_share
from rawref.mix.doubt import Dose, Doubt, deciding_assay, dose_of, doubts_of
from rawref.mix.dry import DryMatter
from rawref.mix.kcal import limited, out, weighted
from rawref.mix.quotient import (
    CERTAIN_HIGH,
    CERTAIN_LOW,
    Chances,
    PerEnergy,
    Quotient,
    Unknown,
    ends,
    keeps_maximum,
    listed,
    meets_minimum,
    verdict_of,
)
from rawref.mix.spread import quantile, total
from rawref.mix.table import WATER_ID
from rawref.mix.taken import as_entries
from rawref.needs.profile import Bound, Need, unit_of
from rawref.registry.units import shown_unit

ZERO = Fraction(0)
HUNDRED_G = 100.0
OUNCE_G = Fraction("28.349523125")  # international avoirdupois ounce, exact by definition
STEP, HALVINGS, FAR, LESS = 1.5, 6, 2, (0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95)
"""How grams are sought: upwards by this factor, then between the last two by so many halvings, or below the first guess
where half of it is enough; not at all where that guess is this many times the most. Of less, these shares of all that
the mix holds are tried."""
_DIGITS_UP, _DIGITS_DOWN = Context(prec=3, rounding=ROUND_UP), Context(prec=3, rounding=ROUND_DOWN)
NO_ENERGY = "the mix has no known energy, so nothing can be judged per 1000 kcal"
Range = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Amount:
    """Totals of the batch in the canonical unit: what is counted, the 90 % interval, the high end of the known part.

    `counted` is None where nothing but water has a figure; `high` is None where nothing bounds what is unknown. Of a
    ratio the three are the ratio itself, and `known_high` is None.
    """

    counted: Fraction | None
    low: float | None
    high: float | None
    known_high: float | None


@dataclass(frozen=True, slots=True)
class Judgement:
    """The chances of both bounds and what follows; whether that of the minimum rests on comparable foods."""

    minimum: Chances | None
    maximum: Chances | None
    verdict: str
    on_comparables: bool = False

    @property
    def open_above(self) -> bool:
        """Whether there is a maximum that is not surely kept."""
        return self.maximum is not None and not self.maximum.sure


def line_of(batch: Batch, need: Need, component: str, dry: DryMatter, kcal_per_day: float | None) -> dict[str, Any]:
    """One entry of `components` (contract): numbers, sources, chances, verdict, reason and remedy."""
    asked = ask(batch, component)
    bounds, judged = _held_against(batch, need, asked)
    per = ends(asked.quotient, asked.unknown) if batch.kcal or asked.is_ratio else (None, None)
    amount = _ratio(batch, asked, per) if asked.is_ratio else _amount(batch, asked.over, asked.quotient)
    scale = float(asked.scale)
    bottom, top = (None if value is None else value * scale for value in per)
    if asked.is_ratio:
        bottom, top = amount.low, amount.high
    elif amount.counted is not None and batch.kcal:  # a range counts at its low end, in energy too
        counted = float(amount.counted / batch.kcal * asked.scale)
        bottom, top = None if bottom is None else min(bottom, counted), None if top is None else max(top, counted)
    pairs = asked.pairs()
    lacking = {key: lacking_share(key, *contents) for key, contents in pairs.items()}
    imputed = _flagged(pairs, "imputed")
    material = _material(batch, asked, bounds)
    registered = batch.table.components.get(component)
    entry: dict[str, Any] = {
        "component": component,
        "name": registered.short if registered else _long_name(batch, component),
        "unit": unit_of(component, batch.table.units()),
        **_per(batch, asked, amount, dry, kcal_per_day),
        "per_1000kcal_low": bottom,
        "per_1000kcal_high": top,
        "unknown_share": out(sum((batch.grams[key] * share for key, share in lacking.items()), ZERO) / batch.total),
        "unknown_from": sorted(key for key, share in lacking.items() if share),
        "material_unknown_from": material,
        "range_from": sorted(key for key, content in asked.over.items() if content.state == "range"),
        "imputed_from": imputed,
        "estimated_from": _flagged(pairs, "estimate"),
        "assayed_from": _flagged(pairs, "assay"),
        "rival_from": _flagged(pairs, "rival"),
        "not_counted_from": _flagged(pairs, "bound"),
        "taken_by": _taken(batch, asked) if bounds.minimum is not None else [],
        "minimum_raised_by": _raised_by(batch, need, component, bounds),
        "other_products_from": _other_products(batch, asked),
        "no_spread_from": _flagged({key: pairs[key] for key in pairs if key != WATER_ID}, "no_spread"),
        "added_by": list(bounds.added_by),
        "may_be_added": bounds.may_add,
        **_bound_keys("minimum", bounds.minimum),
        **_bound_keys("maximum", bounds.maximum),
        "maximum_of": bounds.of or None,
        "maximum_if_added": None,
        "at_least_from": _at_least(batch, asked) if bounds.maximum is not None else [],
        "chance_minimum": listed(judged.minimum),
        "chance_maximum": listed(judged.maximum),
        "other_figures": _others(need, component, bounds, bottom, top),
        "rests_on_comparables": _comparables(asked) if judged.on_comparables else [],
        "rests_on_memory": any(row.standing == "memory" for row in _deciding(bounds, judged)),
        "rests_on_imputed": bool(imputed) and _rests_on_imputed(batch, component, bounds, judged),
        "verdict": judged.verdict,
        "times_minimum": _times(batch, asked, amount, bounds),
        "far_above_minimum": False,
        "high_by": [],
        "maximum_open_from": _open_from(batch, asked, bounds, judged),
        "decided_by": [],
        "assay_that_decides": None,
        "grams_that_decide": None,
        "no_grams_decide": None,
    }
    limit = batch.table.rules.of("far_above_minimum", component)
    entry["far_above_minimum"] = bool(
        judged.verdict == "meets" and bounds.maximum is None and limit and (entry["times_minimum"] or 0) >= float(limit)
    )
    entry["high_by"] = _brought_by_additions(batch, asked)
    if bounds.maximum is None and (legal := legal_if_added(batch, need, component)) is not None:
        entry["maximum_if_added"] = out(legal.per_1000kcal)
        if judged.verdict == "meets":
            most = float(batch.table.rules.number("natural_high") * legal.per_1000kcal)
            entry["far_above_minimum"] = entry["far_above_minimum"] or (entry["per_1000kcal"] or 0) >= most
    if judged.verdict in {"undecided", "short", "over"}:
        _add_remedies(batch, need, asked, bounds, judged, entry)
    entry["reason"] = reason_of(entry, need.name) if batch.kcal or asked.is_ratio else NO_ENERGY
    return entry


def _held_against(batch: Batch, need: Need, asked: Asked) -> tuple[Bounds, Judgement]:
    """What a line is held against, and the judgement: the strictest maximum, unless that is from memory, or the profile
    has one only for what is added, and another that was seen, of any profile, is passed. The seen one then stands in
    the line, as only it decides the exit status."""
    first, *rest = maxima_of(batch, need, asked.component)
    if first.maximum is None or first.maximum.standing == "memory":
        rest += maxima_of_others(batch, need, asked.component, first.minimum)
        for other in rest:
            if other.maximum is not None and other.maximum.standing != "memory":
                judged = judged_line(batch, asked, other)
                if judged.verdict == "over":
                    return other, judged
    return first, judged_line(batch, asked, first)


def judged_line(batch: Batch, asked: Asked, bounds: Bounds) -> Judgement:
    """The chances of both bounds; where the unknown decides about a minimum, by what comparable foods foretell."""
    scale = asked.scale
    least = most = None
    if not (asked.divides if asked.is_ratio else batch.kcal):  # nothing to divide by, so nothing is known
        least, most = (Chances(0.0, 1.0) if row else None for row in (bounds.minimum, bounds.maximum))
        return Judgement(least, most, verdict_of(least, most))
    if bounds.minimum is not None:
        unknown = Unknown(asked.hoped, asked.unknown.under)
        least = meets_minimum(asked.quotient, float(bounds.minimum.per_1000kcal / scale), unknown, asked.lost)
    if bounds.maximum is not None:
        # a maximum is kept only with the unknown at its ceiling: what comparable foods hold blesses no overdose
        most = keeps_maximum(asked.quotient, float(bounds.maximum.per_1000kcal / scale), asked.unknown, asked.least)
        if bounds.may_add:  # where the addition holds none of it, no legal maximum holds
            most = Chances(most.low, 1.0)
    if asked.foretold is None or bounds.minimum is None or least is None or least.sure or least.hopeless:
        return Judgement(least, most, verdict_of(least, most))
    found = meets_minimum(asked.foretold[0], float(bounds.minimum.per_1000kcal / scale), asked.foretold[1], asked.lost)
    least = Chances(max(least.low, found.low), min(least.high, max(least.low, found.high)))
    return Judgement(least, most, verdict_of(least, most), True)


def _amount(batch: Batch, contents: Mapping[str, Content], quotient: Quotient) -> Amount:
    counted = counted_of(batch, contents)
    ceiling = limited(batch.grams, {key: content.ceiling for key, content in contents.items()})
    if sum(content.low != content.high for content in contents.values()) <= 1:  # nothing to combine: exact
        low, top = (
            float(weighted(batch.grams, {key: getattr(content, end) for key, content in contents.items()}))
            for end in ("low", "high")
        )
    else:
        known = quotient.over if isinstance(quotient, PerEnergy) else total(batch.amounts(contents).values())
        low, top = (quantile(known, chance) * float(batch.total) for chance in (CERTAIN_LOW, CERTAIN_HIGH))
    if counted is not None:  # a range without a figure counts by its low end, which the 5 % point of a sum may exceed
        low, top = min(low, float(counted)), max(top, float(counted))
    return Amount(counted, low, None if ceiling is None else top + float(ceiling), top)


def counted_of(batch: Batch, contents: Mapping[str, Content]) -> Fraction | None:
    """The total of what counts; None where nothing has a figure but water and what holds none by its nature, and
    something else is unknown: that is no zero."""
    figures = [key for key, content in contents.items() if content.point is not None or content.low > 0]
    own = [key for key in figures if contents[key].point or contents[key].low > 0]
    bare = [key for key in figures if key != WATER_ID and contents[key].state != "nothing"]
    unknown = any(content.state in {"unknown", "range"} for content in contents.values())
    if not own and not bare and (unknown or not figures) and set(batch.grams) != {WATER_ID}:
        return None
    return weighted(batch.grams, {key: content.counted for key, content in contents.items()})


def _ratio(batch: Batch, asked: Asked, per: Range) -> Amount:
    over, under = counted_of(batch, asked.over), counted_of(batch, asked.under)
    ratio = over / under if over is not None and under else None
    low, high = per
    if ratio is not None:  # a range counts by its low end
        low, high = None if low is None else min(low, float(ratio)), None if high is None else max(high, float(ratio))
    return Amount(ratio, low, high, None)


def _per(
    batch: Batch, asked: Asked, amount: Amount, dry: DryMatter, kcal_per_day: float | None
) -> dict[str, float | None]:
    """The total and its ends, and the total per 1000 kcal, 100 g, ounce, 100 g of dry matter and day."""
    found: dict[str, float | None] = {
        "amount": out(amount.counted), "low": amount.low, "high": amount.high, "known_high": amount.known_high,
        "per_1000kcal": out(amount.counted), "per_100g": None, "per_ounce": None, "per_100g_dm": None,
        "per_100g_dm_low": None, "per_100g_dm_high": None, "per_day": None,
    }  # fmt: skip
    if asked.is_ratio:
        return found
    counted = amount.counted
    found["per_1000kcal"] = None if counted is None or not batch.kcal else float(counted / batch.kcal * THOUSAND)
    if counted is not None:
        found["per_100g"] = float(counted / batch.total * 100)
        found["per_ounce"] = float(counted / batch.total * OUNCE_G)
        if batch.kcal and kcal_per_day is not None:
            found["per_day"] = float(counted / batch.kcal) * kcal_per_day
    middle, low, high = dry.per(counted, amount.low, amount.high)
    if unit_of(asked.component, batch.table.units()) == "g" and asked.component != WATER:  # ends of no one mix
        low, high = (None if end is None else min(end, HUNDRED_G) for end in (low, high))
    found |= {"per_100g_dm": middle, "per_100g_dm_low": low, "per_100g_dm_high": high}
    return found


def _material(batch: Batch, asked: Asked, bounds: Bounds) -> list[str]:
    """The ingredients whose unknown content could move a chance by a point of a hundred (schemas/mix_rules.csv)."""
    least = float(batch.table.rules.of("immaterial_chance") or ZERO)
    scale = asked.scale
    figures = [float(row.per_1000kcal / scale) for row in (bounds.minimum, bounds.maximum) if row is not None]
    found = set()
    for contents, above in ((asked.over, True), (asked.under, False)):
        if all(content.ceiling == 0 for content in contents.values()):
            continue
        full = asked.unknown.over if above else asked.unknown.under
        most = Unknown(full, 0.0) if above else Unknown(0.0, full)
        moved = {figure: tuple(asked.quotient.chance(figure, each) for each in (Unknown(), most)) for figure in figures}
        if full is not None and all(abs(one - other) < least for one, other in moved.values()):
            continue  # all of it cannot, so no part of it can
        for key, content in contents.items():
            if content.ceiling == 0:
                continue
            if content.ceiling is None:
                found.add(key)
                continue
            size = float(content.ceiling) * batch.shares[key] / 100
            alone = Unknown(size, 0.0) if above else Unknown(0.0, size)
            rest = _less(asked.unknown, size, above)
            for figure, (without, whole) in moved.items():
                if abs(asked.quotient.chance(figure, alone) - without) >= least or (
                    rest is not None and abs(whole - asked.quotient.chance(figure, rest)) >= least
                ):
                    found.add(key)
                    break
    return sorted(found)


def _less(unknown: Unknown, size: float, above: bool) -> Unknown | None:
    full = unknown.over if above else unknown.under
    if full is None:
        return None
    return Unknown(max(0.0, full - size), 0.0) if above else Unknown(0.0, max(0.0, full - size))


def _deciding(bounds: Bounds, judged: Judgement) -> list[Bound]:
    """The figures that a verdict rests on: of `short` the minimum alone, of `over` the maximum alone, of `undecided`
    what is not kept for certain."""
    least, most = (bounds.minimum, judged.minimum), (bounds.maximum, judged.maximum)
    pairs = {"short": [least], "over": [most]}.get(judged.verdict, [least, most])
    unsure = judged.verdict == "undecided"
    return [row for row, kept in pairs if row is not None and not (unsure and kept is not None and kept.sure)]


def _rests_on_imputed(batch: Batch, component: str, bounds: Bounds, judged: Judgement) -> bool:
    if judged.verdict not in {"over", "short", "meets"}:
        return False
    return judged_line(batch, ask(batch, component, bare=True), bounds).verdict != judged.verdict


def _comparables(asked: Asked) -> list[dict[str, Any]]:
    """What comparable foods foretell of the contents without a figure, per 100 g of the ingredient."""
    return [
        {
            "ingredient_id": key, "component": asked.component, "low": content.foretold.low,
            "middle": content.foretold.middle, "high": content.foretold.high, "basis": list(content.foretold.basis),
        }
        for key, content in sorted(asked.over.items())
        if content.foretold is not None
    ]  # fmt: skip


def _other_products(batch: Batch, asked: Asked) -> list[dict[str, Any]]:
    """The contents that the table publishes a range for, of other products: the range per 100 g, and what it would
    bring per 1000 kcal; not counted."""
    found = []
    for key in _flagged(asked.pairs(), OTHER_PRODUCTS):
        cell = batch.table.cell(key, asked.component)
        if cell is None or cell.high is None or not batch.kcal:
            continue
        per = float(batch.grams[key] / batch.kcal * 10)
        low, high = float(cell.low or 0), float(cell.high)
        found.append({"ingredient_id": key, "low": low, "high": high, "per_1000kcal": [low * per, high * per]})
    return found


def _at_least(batch: Batch, asked: Asked) -> list[dict[str, Any]]:
    """The contents that no table figure can stand for and that hold at least so much per 1000 kcal."""
    return [
        {"ingredient_id": key, "per_1000kcal": float(content.least * batch.grams[key] / batch.kcal * 10)}
        for key, content in sorted(asked.over.items()) if content.least and batch.kcal
    ]  # fmt: skip


def _open_from(batch: Batch, asked: Asked, bounds: Bounds, judged: Judgement) -> list[str]:
    """The ingredients of which what is unknown could, alone and at its most, bring the maximum into doubt
    (schemas/mix_rules.csv); not those of which comparable foods foretell it."""
    if bounds.maximum is None or judged.verdict != "undecided" or not batch.kcal:
        return []
    bound = float(bounds.maximum.per_1000kcal / asked.scale)
    least = float(batch.table.rules.number("maximum_in_doubt"))
    if keeps_maximum(asked.quotient, bound, Unknown()).low < least:  # by what is known alone: the doubt is if it holds
        return sorted(bounds.added_by) if bounds.may_add else []
    found = []
    for key, content in asked.over.items():
        if content.ceiling != 0 and content.foretold is None:
            alone = None if content.ceiling is None else float(content.ceiling) * batch.shares[key] / 100
            if keeps_maximum(asked.quotient, bound, Unknown(alone, 0.0)).low < least:
                found.append(key)
    return sorted(found)


def over_now(batch: Batch, need: Need) -> list[str]:
    """The components of which a mix is over a maximum that is not from memory."""
    found = []
    for component in judged_components(need):
        bounds, judged = _held_against(batch, need, ask(batch, component))
        if judged.verdict == "over" and bounds.maximum is not None and bounds.maximum.standing != "memory":
            found.append(component)
    return found


def _brought_by_additions(batch: Batch, asked: Asked) -> list[str]:
    """The additions that bring a component, where they bring half of it or more; none otherwise. One that brings less
    than a share of the whole (schemas/mix_rules.csv) is not named."""
    brought = {key: batch.grams[key] * content.counted for key, content in asked.over.items()}
    whole = sum(brought.values(), ZERO)
    added = {key: amount for key, amount in brought.items() if amount and batch.is_addition(key)}
    least = batch.table.rules.number("brought_named") * whole
    return sorted(key for key in added if added[key] >= least) if 2 * sum(added.values(), ZERO) >= whole else []


def _times(batch: Batch, asked: Asked, amount: Amount, bounds: Bounds) -> float | None:
    if bounds.minimum is None or amount.counted is None or not bounds.minimum.per_1000kcal:
        return None
    if asked.is_ratio:
        return float(amount.counted / bounds.minimum.per_1000kcal)
    return float(amount.counted / batch.kcal * THOUSAND / bounds.minimum.per_1000kcal) if batch.kcal else None


def _add_remedies(
    batch: Batch, need: Need, asked: Asked, bounds: Bounds, judged: Judgement, entry: dict[str, Any]
) -> None:
    """What the doubt comes from, and what would decide: an assay of the first that can, grams of an ingredient."""
    scale = asked.scale
    maximal = judged.minimum is None or (judged.open_above and judged.minimum.sure)
    row = bounds.maximum if maximal or judged.verdict == "over" else bounds.minimum
    if row is None or not (batch.kcal or asked.is_ratio):
        return
    upper = row is bounds.maximum
    bound = float(row.per_1000kcal / scale)
    doubts: Sequence[Doubt] = doubts_of(batch, asked, bound, upper)
    if judged.verdict == "undecided":
        entry["decided_by"] = [doubt.as_dict() for doubt in doubts]
        for doubt in doubts[:2]:
            found = deciding_assay(batch, asked, bound, doubt, upper)
            if found and not upper and bounds.maximum is not None:
                found = _below_maximum(batch, asked, float(bounds.maximum.per_1000kcal / scale), doubt, judged, found)
            if found:
                entry["assay_that_decides"] = found
                break
    dose = dose_of(batch, need, asked, bound, upper)
    if dose is not None:
        entry["grams_that_decide"], passed = _deciding_grams(batch, need, asked.component, dose, upper)
        # where another ingredient's unknown is the doubt, it says nothing that these grams do not decide
        elsewhere = any(
            row["why"] in {"unknown", "partly unknown"} and row["ingredient_id"] != dose.ingredient_id
            for row in entry["decided_by"][:1]
        )
        if entry["grams_that_decide"] is None and judged.verdict == "undecided" and not elsewhere:
            entry["no_grams_decide"] = {
                "ingredient_id": dose.ingredient_id, "up_to": round_down(dose.most) * (-1 if upper else 1),
                "passes_maximum_of": passed, "of_addition": batch.is_addition(dose.ingredient_id),
            }  # fmt: skip


def _deciding_grams(
    batch: Batch, need: Need, component: str, dose: Dose, upper: bool
) -> tuple[dict[str, Any] | None, list[str]]:  # fmt: skip
    """The grams, three digits, with which the whole line says meets and no other maximum is opened: the mix is
    evaluated with them. None where none do, up to the weight that is still the same recipe, with the components whose
    maximum the grams that meet would pass or leave in doubt."""
    sign, most = -1 if upper else 1, round_down(dose.most)

    def meets(grams: float) -> bool:
        changed = more_of(batch, dose.ingredient_id, sign * Fraction(grams))
        if changed.total <= 0 or changed.grams[dose.ingredient_id] < 0:
            return False
        return judged_line(changed, ask(changed, component), bounds_of(changed, need, component)).verdict == "meets"

    low, high = 0.0, min(round_up(dose.grams), most)
    if high <= 0 or (not upper and dose.grams > FAR * most):  # the guess is hardly wrong by so much
        return None, []
    if upper and not meets(high):  # not enough less, or too much
        high = next((less for share in LESS if meets(less := round_up(most * share))), most)
    while not meets(high):
        if high >= most:
            return None, []
        low, high = high, min(round_up(high * STEP), most)
    for _ in range(HALVINGS if low or upper or meets(round_up(high / 2)) else 0):
        middle = round_up((low + high) / 2)
        if middle >= high:
            break
        low, high = (low, middle) if meets(middle) else (middle, high)
    passed = [] if upper else passed_maxima(batch, need, dose.ingredient_id, Fraction(high))
    if passed:
        return None, passed
    return {
        "ingredient_id": dose.ingredient_id, "grams": sign * high, "bound": "maximum" if upper else "minimum"
    }, []  # fmt: skip


def round_up(value: float) -> float:
    """The next number of three digits."""
    return float(_DIGITS_UP.create_decimal(repr(value)))


def round_down(value: float) -> float:
    """The number of three digits before."""
    return float(_DIGITS_DOWN.create_decimal(repr(value)))


def _below_maximum(
    batch: Batch, asked: Asked, maximum: float, doubt: Doubt, judged: Judgement, found: dict[str, Any]
) -> dict[str, Any] | None:
    """The assay that would meet a minimum, with the content up to which the maximum is kept too (`kept_up_to`); None
    where the maximum stays open whatever the assay says."""
    kept = deciding_assay(batch, asked, maximum, doubt, True)
    most = kept["at_most"] if kept and found["bound"] == "minimum" else None
    crossed = most is not None and found["at_least"] is not None and most < found["at_least"]
    if crossed or (judged.open_above and most is None):
        return None if found["at_most"] is None else found | {"at_least": None, "kept_up_to": None}
    return found | {"kept_up_to": most}


def judged_components(need: Need) -> list[str]:
    """What a mix is held against: the lines of the profile, and what other profiles alone have a maximum of."""
    return list(dict.fromkeys([*need.components(), *(row.component for _, row in need.others)]))


def passed_maxima(batch: Batch, need: Need, key: str, grams: Fraction) -> list[str]:
    """The components whose maximum more of an ingredient passes or leaves in doubt."""
    fuller = more_of(batch, key, grams)
    least = float(batch.table.rules.number("immaterial_chance"))
    found = []
    for component in judged_components(need):
        after = _chance_kept(fuller, need, component)
        if after is not None and after < CERTAIN_HIGH:
            before = _chance_kept(batch, need, component)
            if before is None or before >= CERTAIN_HIGH or before - after >= least:
                found.append(component)
    return found


def _chance_kept(batch: Batch, need: Need, component: str) -> float | None:
    """The chance, at its low end, that the maximum of a component is kept; None where it has none."""
    bounds = bounds_of(batch, need, component)
    if bounds.maximum is None:
        return None
    asked = ask(batch, component)
    scale = asked.scale
    return keeps_maximum(asked.quotient, float(bounds.maximum.per_1000kcal / scale), asked.unknown, asked.least).low


def _taken(batch: Batch, asked: Asked) -> list[dict[str, Any]]:
    """What food of the mix may take of the component, per 1000 kcal."""
    per = {key: float(weight / batch.kcal * THOUSAND) if batch.kcal else 0.0 for key, weight in batch.grams.items()}
    return as_entries(list(asked.taken), per)


def _raised_by(batch: Batch, need: Need, component: str, bounds: Bounds) -> list[str]:
    """The ingredients for which the minimum stands above that of the profile."""
    own = need.applied(component, "minimum")
    raised = own is not None and bounds.minimum is not None and bounds.minimum.per_1000kcal > own.per_1000kcal
    return batch.fish_oils() if raised else []


def _flagged(contents: Mapping[str, Sequence[Content]], flag: str) -> list[str]:
    """The ingredients of which a content (above or below the line) has the flag."""
    return sorted(key for key, own in contents.items() if any(flag in content.flags for content in own))


def _bound_keys(name: str, row: Bound | None) -> dict[str, Any]:
    source = f"{row.source}; edition {row.edition}" if row and row.edition else row.source if row else None
    return {
        name: out(row.per_1000kcal) if row else None, f"{name}_standing": row.standing if row else None,
        f"{name}_kind": row.kind if row else None, f"{name}_source": source, f"{name}_note": row.note if row else None,
    }  # fmt: skip


def _others(need: Need, component: str, bounds: Bounds, low: float | None, high: float | None) -> list[dict[str, Any]]:
    """The published figures that are shown and not applied, the maximum that a stricter one replaced included."""
    rows = [*need.shown(component), *(row for row in [need.applied(component, "maximum")] if row)]
    found = []
    for row in rows:
        if row is bounds.maximum:
            continue
        figure = float(row.per_1000kcal)
        above, below = low is not None and low >= figure, high is not None and high < figure
        side = "above" if above else "below" if below else "either"
        found.append({
            "bound": row.bound, "variant": row.variant, "kind": row.kind, "per_1000kcal": figure,
            "standing": row.standing, "source": row.source, "note": row.note, "compares": side,
        })  # fmt: skip
    return found


def _long_name(batch: Batch, component: str) -> str:
    """The name of a sum or a ratio, by the short names of its parts."""
    sign = "/" if "/" in component else "+"
    parts = [batch.table.components.get(part) for part in component.split(sign)]
    words = [part.short if part else name for part, name in zip(parts, component.split(sign), strict=True)]
    return f"{words[0]}/{words[1].lower()}" if sign == "/" else " + ".join([words[0], *map(_lower, words[1:])])


def _lower(word: str) -> str:
    return word if word.isupper() else word.lower()


def reason_of(entry: Mapping[str, Any], need: str) -> str:
    """Why the verdict is what it is, in a sentence or two: what matters most first, then what would decide."""
    verdict = entry["verdict"]
    tail = f"; rests on imputed figures of {some(entry['imputed_from'])}" if entry["rests_on_imputed"] else ""
    if entry["rests_on_comparables"]:
        rests = some([_comparable(row, entry["unit"]) for row in entry["rests_on_comparables"]])
        tail += f"; rests on comparable foods for {rests}"
    tail += "".join(f"; {_other_range(row, entry['unit'])}" for row in entry["other_products_from"])
    tail += "".join(f"; {_least_of(row, entry['unit'])}" for row in entry["at_least_from"])
    tail += "".join(f"; {_taker(row, entry['unit'])}" for row in entry["taken_by"])
    if entry["minimum_raised_by"]:
        tail += f"; the minimum counts what {some(entry['minimum_raised_by'])} asks for on top"
    if entry["not_counted_from"]:
        tail += f"; biotin of raw egg white does not count ({some(entry['not_counted_from'])})"
    if verdict == "no_requirement":
        return _without_requirement(entry)
    adds = "add" if len(entry["added_by"]) > 1 else "adds"
    holds = f"holds because {some(entry['added_by'])} {adds} it" if entry["added_by"] else ""
    if verdict == "over":
        who = f", which {holds}" if holds else ""
        above = chance(entry["chance_maximum"], contrary=True)
        return f"above {_whose(entry, need)} with a chance of {above}{who}{tail}"
    if verdict == "short":
        strict = entry["material_unknown_from"] and not entry["rests_on_comparables"]
        most = "even with the most that the unknown could hold, " if strict else ""
        return f"{most}the minimum is met with a chance of {chance(entry['chance_minimum'])}{tail}"
    if verdict == "meets":
        bare = entry["no_spread_from"]
        tail += f"; no range is known for {some(bare)}" if bare else ""
        return f"{_kept(entry, need)}{tail}"
    tail = f"; the maximum {holds}{tail}" if holds else tail
    return f"{_kept(entry, need)}{tail}{_by(entry)}"


def _least_of(row: Mapping[str, Any], unit: str) -> str:
    """What a product of unknown content holds at least."""
    least = f"{three_digits(row['per_1000kcal'])} {shown_unit(unit)}"
    return (
        f"{row['ingredient_id']} brings {least} or more, by the least published of any product of its kind, and that "
        "counts against the maximum"
    )


def _other_range(row: Mapping[str, Any], unit: str) -> str:
    """Why the published range of a product is not counted."""
    ends = " to ".join(map(three_digits, row["per_1000kcal"]))
    return (
        f"the published range of {row['ingredient_id']}, {row['low']:.0f} to {row['high']:.0f} {shown_unit(unit)} per "
        f"100 g, is of the products of one study and does not count; it would bring {ends} {shown_unit(unit)}"
    )


def _taker(row: Mapping[str, Any], unit: str) -> str:
    """What may take of the nutrient, in words."""
    if row["per_1000kcal"] is None:
        return f"{row['what']} of {row['ingredient_id']} may destroy all of it while the mix is kept"
    most = f"{three_digits(row['per_1000kcal'])} {shown_unit(unit)}"
    return f"{row['what']} of {row['ingredient_id']} may bind {most} of it"


def _comparable(row: Mapping[str, Any], unit: str) -> str:
    span = f"{three_digits(row['low'])} to {three_digits(row['high'])} {shown_unit(unit)} per 100 g"
    return f"{row['ingredient_id']} ({'; '.join(row['basis'])}: {span})"


def three_digits(value: float) -> str:
    """Three digits, without an exponent above one."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def _whose(entry: Mapping[str, Any], need: str) -> str:
    """The maximum, and whose it is where the profile has none that applies."""
    if not entry["maximum_of"]:
        return "the maximum"
    legal = "legal maximum" if entry["maximum_kind"] == "maximum_legal" else "maximum"
    return f"the {legal} of {entry['maximum_of']} ({need} has none that applies)"


def _kept(entry: Mapping[str, Any], need: str) -> str:
    found = []
    if entry["chance_minimum"]:
        found.append(f"minimum met with a chance of {chance(entry['chance_minimum'])}")
    if entry["chance_maximum"]:
        found.append(f"{_whose(entry, need)} kept with {chance(entry['chance_maximum'])}".removeprefix("the "))
    return ", ".join(found)


def _without_requirement(entry: Mapping[str, Any]) -> str:
    shown = [row for row in entry["other_figures"] if row["bound"] == "minimum"]
    if not shown:
        return "the profile has no figure"
    unit = shown_unit(entry["unit"])
    words = {"above": "this mix holds that", "below": "this mix holds less", "either": "this mix may hold less"}
    figures = ", ".join(
        f"{row['variant']} food {three_digits(row['per_1000kcal'])} {unit} ({words[row['compares']]})" for row in shown
    )
    return f"no minimum exists for raw food; published per 1000 kcal for {figures}"


def _by(entry: Mapping[str, Any]) -> str:
    if not entry["decided_by"]:
        return "; the mix has no known energy" if entry["per_1000kcal"] is None else ""
    first = entry["decided_by"][0]
    verbs = {
        "spread": " varies", "a range": " is only a range", "unknown": " is unknown",
        "partly unknown": " is not wholly known", "energy": ", and with it the energy, varies",
        "energy unknown": ", and with it the energy, is unknown",
    }  # fmt: skip
    who = f"{first['component']} of {first['ingredient_id']}{verbs[first['why']]}"
    return f"; {who}: {first['share'] * 100:.0f} % of the doubt"


def chance(ends_of: Sequence[float], *, contrary: bool = False) -> str:
    """A chance or its range in per cent, in words at either end; with `contrary`, that of the contrary."""
    low, high = (1 - ends_of[1], 1 - ends_of[0]) if contrary else ends_of
    one, other = per_cent(low), per_cent(high)
    if one == other:
        return f"{one.replace('<', 'less than ').replace('>', 'more than ')} %"
    if one.startswith("<") != other.startswith(">"):
        return f"at most {other} %" if one.startswith("<") else f"{one} % or more"
    return f"{one.replace('<1', '0')} to {other.replace('>99', '100')} %"


def per_cent(part: float) -> str:
    """A chance in whole per cent; never 0 or 100, which would be certain: `<1`, `>99`; nor on the other side of a bound
    that decides, as 94.7 would be."""
    if part < 0.005 or part >= 0.995:
        return "<1" if part < 0.005 else ">99"
    whole = round(part * 100)
    if whole == round(CERTAIN_HIGH * 100) and part < CERTAIN_HIGH:
        whole -= 1
    if whole == round(CERTAIN_LOW * 100) and part > CERTAIN_LOW:
        whole += 1
    return str(whole)


def some(names: Sequence[str]) -> str:
    """Up to four names."""
    more = len(names) - 4
    return ", ".join(names[:4]) + (f" and {more} more" if more > 0 else "")
