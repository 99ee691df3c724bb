"""What is known of each ingredient's content, as intervals, and the tests that turn intervals into a verdict.

Method. All numbers are exact fractions of their text, so sums do not depend on order and no rounding has to be
bounded. Contents of different ingredients are taken as free of each other: their bounds are added, the worst case.
A ratio (per kcal, Ca:P) is never formed from two rounded ends; "numerator / denominator >= bound" is tested as
"sum of (numerator - bound x denominator) >= 0", ingredient by ingredient, which keeps the grams of an ingredient
on both sides together. What is unknown may hurt a verdict and never help it: where its term would help (by diluting a
maximum, say) the term counts as zero. The known part of a sum or of a composite is no unknown: it holds at its low end,
so it counts towards a minimum like any other figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from rawref.mix.inputs import Assays
from rawref.mix.table import COUNTED, DECIDED, NOTHING, RANGED, WATER_ID, Cell, Table
from rawref.needs.profile import parts_of

ZERO = Fraction(0)
KELP = "kelp_iodine"
PURE = "pure_substance"
WATER = "WATER"
# Bone and shell have no comparable foods: what they lack a figure for is bounded by the richest raw ingredient of the
# table, which no bone or shell could plausibly exceed (common practice, no source).
SKELETAL = ("bone", "shell")


@dataclass(frozen=True, slots=True)
class Content:
    """Content per 100 g. `point` is None where there is no point value; `high` None means without an upper bound.

    `counted` is what a total takes: the point, the low end of a range, nothing for the unknown; of a sum or composite
    that is unknown in part, what its known parts hold (a lower bound).

    state: known | range (trace, below detection, published as a range) | unknown, in whole or in part.
    flags: imputed, estimate, no_spread, assay.
    part_high: of the unknown, the high end of its known part. lacking: of a composite that is unknown in part, the
    parts without a figure, each with its share of the weight, of 1.
    """

    state: str
    point: Fraction | None
    low: Fraction
    high: Fraction | None
    flags: tuple[str, ...] = ()
    part_high: Fraction | None = ZERO
    lacking: tuple[tuple[str, Fraction], ...] = ()

    @property
    def known(self) -> bool:
        """Whether the content counts, as a point or as a range."""
        return self.state != "unknown"

    @property
    def counted(self) -> Fraction:
        """The amount that a total takes."""
        return self.point if self.point is not None else self.low

    @property
    def known_high(self) -> Fraction | None:
        """The high end of what is known; None where that has none."""
        return self.high if self.known else self.part_high


@dataclass(frozen=True, slots=True)
class Item:
    """One ingredient in a test: grams, the numerator's bounds and the denominator's, per 100 g.

    unknown: the numerator's high end is no figure of the food. den_unknown: nor is the denominator's.
    slope: the share of the denominator that is the numerator itself (protein and fat in the energy of their own food);
    the denominator's bounds are then those of the rest.
    """

    grams: Fraction
    low: Fraction
    high: Fraction | None
    den_low: Fraction
    den_high: Fraction | None
    unknown: bool
    slope: Fraction = ZERO
    den_unknown: bool = False

    def least(self, bound: Fraction) -> Fraction | None:
        """The least of numerator - bound x denominator; None without a lower end."""
        if self.den_high is None:
            return None
        rise = 1 - bound * self.slope
        own = self.low * rise if rise >= 0 or self.high is None else self.high * rise
        return self.grams * (own - bound * self.den_high)

    def most(self, bound: Fraction) -> Fraction | None:
        """The most of numerator - bound x denominator; None without an upper end."""
        if self.high is None:
            return None
        rise = 1 - bound * self.slope
        own = self.high * rise if rise >= 0 else self.low * rise
        return self.grams * (own - bound * self.den_low)


def content_of(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    """The content of a component or of a sum."""
    form, parts = parts_of(component)
    if form == "sum":
        return _sum(ingredient_id, [_plain(table, assays, ingredient_id, part) for part in parts])
    return _plain(table, assays, ingredient_id, component)


def lacking_share(ingredient_id: str, *contents: Content) -> Fraction:
    """The share of an ingredient's weight, of 1, for which one of the contents has no figure.

    Of a composite only the parts without a figure count, each once.
    """
    shares = dict(pair for content in contents for pair in _lacking(ingredient_id, content))
    return min(Fraction(1), sum(shares.values(), ZERO))


def rests_on_parts(table: Table, ingredient_id: str, component: str) -> bool:
    """Whether the content of a composite is made of its parts here, since the table has no figure for it."""
    cell = table.cell(ingredient_id, component)
    return ingredient_id in table.parts and (cell is None or cell.status == "missing")


def judge(items: Sequence[Item], minimum: Fraction | None, maximum: Fraction | None) -> str:
    """over | short | undecided | meets | no_requirement, for bounds in the unit of numerator per denominator."""
    if minimum is None and maximum is None:
        return "no_requirement"
    if not any(item.den_low > 0 or item.slope * item.low > 0 for item in items):
        return "undecided"  # nothing to divide by
    if maximum is not None:
        least = _total([item.least(maximum) for item in items])
        if least is not None and least > 0:
            return "over"
    if minimum is not None:
        most = _total([item.most(minimum) for item in items])
        if most is not None and most < 0:
            return "short"
    return "meets" if _safe(items, minimum, maximum) else "undecided"


def _safe(items: Sequence[Item], minimum: Fraction | None, maximum: Fraction | None) -> bool:
    """Whether no bound can be crossed, with unknown ingredients never helping."""
    if minimum is not None:
        least = _total([_unhelpful(item.den_unknown, item.least(minimum), -1) for item in items])
        if least is None or least < 0:
            return False
    if maximum is not None:
        most = _total([_unhelpful(item.unknown or item.den_unknown, item.most(maximum), 1) for item in items])
        if most is None or most > 0:
            return False
    return True


def _unhelpful(unknown: bool, margin: Fraction | None, sign: int) -> Fraction | None:
    if not unknown or margin is None:
        return margin
    return max(ZERO, margin) if sign > 0 else min(ZERO, margin)


def _total(terms: Sequence[Fraction | None]) -> Fraction | None:
    known = [term for term in terms if term is not None]
    return sum(known, ZERO) if len(known) == len(terms) else None


def _plain(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    content = _found(table, assays, ingredient_id, component)
    return _water(table, assays, ingredient_id, content) if component == WATER else content


def _water(table: Table, assays: Assays, ingredient_id: str, content: Content) -> Content:
    """Water has a limit where other components have none: what the known protein, fat, ash and carbohydrate leave.

    A pure substance holds the water of its formula and no other. Water of crystallisation is a range from none: how
    much of it counts as moisture depends on the drying.
    """
    ingredient = table.ingredients.get(ingredient_id)
    if content.state == "unknown" and ingredient is not None and PURE in ingredient.cautions:
        crystal = table.crystal_water.get(ingredient_id, ZERO)
        return Content("range", None, ZERO, crystal) if crystal else Content("known", ZERO, ZERO, ZERO)
    if content.point is not None:
        high = None if content.high is None else min(content.high, Fraction(100))
        return replace(content, high=high)
    others = [_found(table, assays, ingredient_id, name).low for name in ("PROCNT", "FAT", "ASH", "CHOCDF")]
    limit = max(content.low, 100 - sum(others, ZERO))
    skeletal = ingredient is not None and ingredient.part in SKELETAL
    if content.high is None or (skeletal and not content.known):
        return replace(content, high=limit)  # of dried shell the raw foods say nothing
    return replace(content, high=min(content.high, limit))


def _found(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    assay = assays.get((ingredient_id, component))
    if assay is not None:
        return _counted(assay.cell, ("assay",))
    if ingredient_id == WATER_ID and WATER_ID not in table.ingredients:
        # drinking water: 100 g of water by definition; what is dissolved in it differs by place and is not counted
        exact = Fraction(100) if component == "WATER" else ZERO
        return Content("known", exact, exact, exact)
    cell, gap = table.cell(ingredient_id, component), table.gap(ingredient_id, component)
    bound = gap.peers_high if gap else None
    ingredient = table.ingredients.get(ingredient_id)
    if component == "ID" and ingredient is not None and KELP in ingredient.cautions:
        return Content("unknown", None, ZERO, None)  # no table value can stand for a product of kelp
    if ingredient is not None and PURE in ingredient.cautions and bound is None:
        bound = ZERO  # no figure, but by the definition of its basis it holds nothing beyond its formula
    if rests_on_parts(table, ingredient_id, component):
        return _from_parts(table, assays, ingredient_id, component)
    if bound is None and ingredient is not None and ingredient.part in SKELETAL:
        bound = table.largest(component)
    if cell is None:
        return Content("unknown", None, ZERO, bound)
    if cell.status == NOTHING:
        return Content("known", ZERO, ZERO, ZERO)
    if cell.status in RANGED:
        limit = cell.high if cell.high is not None else bound
        return Content("range", None, cell.low or ZERO, limit)
    if cell.value is None and cell.status in COUNTED and cell.high is not None and gap is None:
        return Content("range", None, cell.low or ZERO, cell.high)  # published as a range, such as poultry bone
    if cell.value is not None:
        if cell.status == "imputed" and gap is not None and gap.kind == "doubtful_zero":
            return Content("known", cell.value, ZERO, bound, ("imputed",))  # counts as printed, but not as a limit
        if cell.status == "imputed" or (gap is not None and gap.kind == "only_imputed" and cell.status in COUNTED):
            return _counted(cell, ("imputed",))
        if cell.status in DECIDED:
            return _counted(cell, ("estimate",))
        if cell.status in COUNTED and gap is None:
            return _counted(cell, ())
    return Content("unknown", None, ZERO, bound)


def _from_parts(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    """A composite for which the table has no figure: what its known parts bring at the low end of their shares counts.

    Unknown in part as soon as a part is; the high end is there only where every part has one.
    """
    contents = [(part, _plain(table, assays, part.ingredient_id, component)) for part in table.parts[ingredient_id]]
    least = sum((part.low * content.low for part, content in contents), ZERO)
    most = _total([None if content.high is None else part.high * content.high for part, content in contents])
    top = _total([None if content.known_high is None else part.high * content.known_high for part, content in contents])
    found = {flag for _, content in contents for flag in content.flags}
    flags = tuple(flag for flag in ("imputed", "estimate", "assay") if flag in found)
    lacking = [
        (key, part.share * share) for part, content in contents for key, share in _lacking(part.ingredient_id, content)
    ]
    return Content("unknown" if lacking else "range", None, least, most, flags, top, tuple(lacking))


def _lacking(ingredient_id: str, content: Content) -> tuple[tuple[str, Fraction], ...]:
    return () if content.known else content.lacking or ((ingredient_id, Fraction(1)),)


def _counted(cell: Cell, flags: tuple[str, ...]) -> Content:
    value = cell.value if cell.value is not None else ZERO
    if cell.low is None and cell.high is None:
        return Content("known", value, value, value, (*flags, "no_spread"))
    low = min(value, cell.low) if cell.low is not None else value
    high = max(value, cell.high) if cell.high is not None else value
    return Content("known", value, max(ZERO, low), high, flags)


def _sum(ingredient_id: str, parts: Sequence[Content]) -> Content:
    """A sum by its parts: low ends, high ends and amounts add, an unknown part holding at least nothing.

    Unknown in part as soon as a part is: the amount is then a lower bound.
    """
    flags = tuple(dict.fromkeys(flag for part in parts for flag in part.flags))
    low, high = sum((part.low for part in parts), ZERO), _total([part.high for part in parts])
    whole = all(part.point is not None for part in parts)
    state = "unknown" if not all(part.known for part in parts) else "known" if whole else "range"
    pointed = any(part.point is not None for part in parts)
    point = sum((part.counted for part in parts), ZERO) if pointed else None
    lacking = dict(pair for part in parts for pair in _lacking(ingredient_id, part))
    top = _total([part.known_high for part in parts])
    return Content(state, point, low, high, flags, top, tuple(lacking.items()))
