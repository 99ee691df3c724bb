"""What is known of each ingredient's content: a figure with its 90 % interval, a range, a bounded unknown, or nothing.

Numbers are exact fractions of their text. A total takes the figure, the low end of a range, and nothing of the unknown;
what the unknown could hold stands beside it as a ceiling: the published one (chance at most 5 % that the truth is
above), else what comparable foods hold, else what the rest of 100 g leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from rawref.mix.assay import Assays
from rawref.mix.comparables import Foretold, foretold, together
from rawref.mix.spread import Points, points_of, total
from rawref.mix.table import LENT, WATER_ID, Cell, Gap, Ingredient, Table
from rawref.needs.profile import MASS_IN_G, parts_of

ZERO = Fraction(0)
HUNDRED = Fraction(100)
KELP = "kelp_iodine"
OTHER_PRODUCTS = "other_products"
"""Flag of a content that the table has a range for, of other products than the one in the mix."""
IMPUTED = "imputed"
ASSUMED = "only_assumed_zero"  # a gap where a source took it for nothing: what others hold says little of it
PURE = "pure_substance"
WATER = "WATER"
# Bone and shell have no comparable foods: what they lack a figure for is bounded by the richest raw ingredient of the
# table, which no bone or shell could plausibly exceed (common practice, no source).
SKELETAL = ("bone", "shell")
# Vitamins of shell are at most those of the egg that it is from, not of liver (common practice, no source).
SHELL, EGG = "shell", frozenset({"egg_whole", "egg_yolk", "egg_white"})
# White of egg is nearly free of fat: per g of fat it holds no more of a fat-soluble vitamin than the yolk does (common
# practice, no source).
WHITE, YOLK, FAT_SOLUBLE = "egg_white", frozenset({"egg_yolk"}), "fat_soluble_vitamin"
# An oil is bounded by the richest raw ingredient or oil of the table (common practice, no source).
OIL = "oil"
PLANT = "plant"
# A component of these groups is a part of this proximate of the same food.
WITHIN = {"amino_acid": "PROCNT", "fatty_acid": "FAT", "macro_mineral": "ASH", "trace_element": "ASH"}
# Water, protein, fat and ash of one food add up to 100 g within this (common practice, no source).
MASS_ERROR_G = Fraction(5)
PROXIMATES = ("WATER", "PROCNT", "FAT", "ASH", "CHOCDF")


@dataclass(frozen=True, slots=True)
class Content:
    """Content per 100 g in the canonical unit.

    state: known | range (trace, below detection, published as a range) | unknown, in whole or in part | nothing (not
    applicable). `point` is None where there is no figure. `low` and `high` are the 5 % and 95 % points of what is
    known. `ceiling`: the most that what has no figure could hold on top, None where nothing bounds it. flags: imputed,
    estimate, assay, no_spread, rival (the high end is another table's evidence), bound (avidin), other_products.
    `lacking`: of a composite that is unknown in part, the parts without a figure, each with its share of the weight.
    `foretold`: what comparable foods say of what has no figure, and `beyond` the ceiling of the rest of it, of which
    they say nothing; without `foretold` that is the ceiling. `least`: what a content without a figure holds at least.
    """

    state: str
    point: Fraction | None
    low: Fraction
    high: Fraction
    ceiling: Fraction | None = ZERO
    flags: tuple[str, ...] = ()
    lacking: tuple[tuple[str, Fraction], ...] = ()
    foretold: Foretold | None = None
    beyond: Fraction | None = ZERO
    least: Fraction = ZERO

    @property
    def known(self) -> bool:
        """Whether the content counts, as a figure, as a range or as nothing."""
        return self.state != "unknown"

    @property
    def counted(self) -> Fraction:
        """The amount that a total takes."""
        return self.point if self.point is not None else self.low

    @property
    def most(self) -> Fraction | None:
        """The high end with what the unknown could hold; None where nothing bounds that."""
        return None if self.ceiling is None else self.high + self.ceiling

    @property
    def points(self) -> Points:
        """The known part as equally likely amounts."""
        return points_of(float(self.low), None if self.point is None else float(self.point), float(self.high))

    @property
    def foretold_points(self) -> Points:
        """The known part with what comparable foods foretell of the other."""
        return self.points if self.foretold is None else total([self.points, self.foretold.points])

    @property
    def unforetold(self) -> Fraction | None:
        """The most that could come on top of `foretold_points`; None where nothing bounds it."""
        return self.ceiling if self.foretold is None else self.beyond


NONE = Content("nothing", ZERO, ZERO, ZERO)


def unknown(ceiling: Fraction | None) -> Content:
    """A content without a figure."""
    return Content("unknown", None, ZERO, ZERO, ceiling)


def exact(amount: Fraction) -> Content:
    """A content by definition."""
    return Content("known", amount, amount, amount)


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


def _plain(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    if component == WATER:
        return _water(table, assays, ingredient_id)
    if component == "BIOT":
        return _biotin(table, assays, ingredient_id)
    return _found(table, assays, ingredient_id, component)


def _water(table: Table, assays: Assays, ingredient_id: str) -> Content:
    """Water has a limit where other components have none: what the known protein, fat, ash and carbohydrate leave.

    A pure substance holds the water of its formula and no other. Water of crystallisation is a range from none: how
    much of it counts as moisture depends on the drying.
    """
    content = _found(table, assays, ingredient_id, WATER)
    ingredient = table.ingredients.get(ingredient_id)
    if content.point is None and ingredient is not None and PURE in ingredient.cautions:
        crystal = table.crystal_water.get(ingredient_id, ZERO)
        return Content("range", None, ZERO, crystal) if crystal else exact(ZERO)
    if content.point is not None:
        return replace(content, high=max(content.point, min(content.high, HUNDRED)))
    limit = max(ZERO, _left(table, assays, ingredient_id, WATER) - content.high)
    return replace(content, ceiling=limit if content.ceiling is None else min(content.ceiling, limit))


def _biotin(table: Table, assays: Assays, ingredient_id: str) -> Content:
    """Avidin of raw egg white binds biotin: that of the white does not count, nor the white's part of a whole egg."""
    content = _found(table, assays, ingredient_id, "BIOT")
    ingredient = table.ingredients.get(ingredient_id)
    share = table.rules.of("egg_yolk_share")
    if ingredient is None or share is None or content.state == "nothing":
        return content
    if ingredient.part == "egg_white":
        return replace(NONE, state="known", flags=("bound",))
    if ingredient.part != "egg_whole":
        return content
    yolk = _found(table, assays, ingredient_id.replace("egg-whole", "egg-yolk"), "BIOT")
    if yolk.point is None or content.point is None:
        return Content("unknown", None, ZERO, ZERO, content.most, ("bound",))
    part = [min(own, share * other) for own, other in (
        (content.point, yolk.point), (content.low, yolk.low), (content.high, yolk.high))]  # fmt: skip
    return Content("known", part[0], min(part[0], part[1]), max(part[0], part[2]), flags=(*content.flags, "bound"))


def _found(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    """The content by the user's own figure, by the table, by the parts of a composite, or unknown."""
    assay = assays.get((ingredient_id, component))
    if assay is not None:
        return _counted(assay.cell, ("assay",))
    ingredient = table.ingredients.get(ingredient_id)
    if ingredient_id == WATER_ID and ingredient is None:
        # drinking water: 100 g of water by definition; what is dissolved in it differs by place and is not counted
        return exact(HUNDRED if component == WATER else ZERO)
    if component == "ID" and ingredient is not None and KELP in ingredient.cautions:
        # no table value can stand for a product of kelp: those that were analysed differ five-hundredfold, and the
        # published range is that of the products of one study
        most, limit = _physical(table, assays, ingredient_id, component), _limit(table, ingredient, component)
        ceiling = most if limit is None else limit if most is None else min(most, limit)
        return replace(unknown(ceiling), flags=(OTHER_PRODUCTS,), least=table.rules.of("kelp_least", component) or ZERO)
    if rests_on_parts(table, ingredient_id, component):
        return _from_parts(table, assays, ingredient_id, component)
    cell, gap = table.cell(ingredient_id, component), table.gap(ingredient_id, component)
    if cell is not None:
        if table.status(cell.status).counts == "nothing":
            return NONE
        content = _by_status(table, cell, gap)
        if content is not None:
            rival = table.rivals.get((ingredient_id, component))
            if rival is not None and rival > content.high:
                content = replace(content, high=rival, flags=(*content.flags, "rival"))
            content = _within(table, ingredient, component, content)
            if content.ceiling is not None:
                return content
            return replace(content, ceiling=_ceiling(table, assays, ingredient_id, component, ingredient, gap))
    ceiling = _ceiling(table, assays, ingredient_id, component, ingredient, gap)
    found = None if gap is not None and gap.kind == ASSUMED else foretold(table, ingredient_id, component)
    if found is None:
        return unknown(ceiling)
    if gap is None or gap.ceiling is None:  # only the rest of 100 g bounds it: what comparable foods hold is nearer
        most = Fraction(found.most)
        ceiling = most if ceiling is None else min(ceiling, most)
    return replace(unknown(ceiling), foretold=found.within(ceiling))


def _limit(table: Table, ingredient: Ingredient, component: str) -> Fraction | None:
    """The most that a product can hold, per 100 g in the canonical unit (schemas/assay_limits.csv); None without."""
    found = [
        limit.grams / MASS_IN_G[table.components[component].unit]
        for limit in table.assay_limits
        if limit.component == component and component in table.components
        and (limit.caution in ingredient.cautions if limit.caution else limit.part == ingredient.part)
    ]  # fmt: skip
    return min(found, default=None)


def _within(table: Table, ingredient: Ingredient | None, component: str, content: Content) -> Content:
    """The high end at most what the substance can hold: shell no more than carbonate."""
    most = None if ingredient is None else _limit(table, ingredient, component)
    return content if most is None else replace(content, high=max(content.counted, min(content.high, most)))


def _by_status(table: Table, cell: Cell, gap: Gap | None) -> Content | None:
    """What a published cell says (schemas/statuses.csv); a ceiling of None is still to be found. None where it says
    nothing."""
    status = table.status(cell.status)
    if status.counts == "range":
        low = cell.low or ZERO
        if cell.high is None:
            return Content("range", None, low, low, None)
        if cell.status == LENT:  # another ingredient's figure is none of this one: only its range counts, and is named
            return Content("range", None, low, cell.high, flags=("estimate",))
        # where a limit of detection is high, comparable foods bound more than the limit does
        high = cell.high if gap is None or gap.ceiling is None else min(cell.high, gap.ceiling)
        return Content("range", None, low, max(low, high))
    if cell.value is None:
        if status.evidence and cell.high is not None and gap is None:
            return Content("range", None, cell.low or ZERO, cell.high)  # published as a range, such as poultry bone
        return None
    if cell.status == IMPUTED and gap is not None and gap.kind == "doubtful_zero":
        return Content("known", cell.value, cell.value, cell.value, None, ("imputed",))  # counts, but is no limit
    if cell.status == IMPUTED or (gap is not None and gap.kind == "only_imputed" and status.evidence):
        return _counted(cell, ("imputed",))
    if status.counts == "known" and not status.evidence:
        return _counted(cell, ("estimate",))
    return _counted(cell, ()) if status.evidence and gap is None else None


def _ceiling(
    table: Table, assays: Assays, ingredient_id: str, component: str, ingredient: Ingredient | None, gap: Gap | None
) -> Fraction | None:
    """The most that an unknown content could be, per 100 g; None where nothing bounds it."""
    limit = _physical(table, assays, ingredient_id, component)
    bound = gap.most if gap else None
    if bound is None and ingredient is not None and PURE in ingredient.cautions:
        bound = ZERO  # by the definition of its basis a pure substance holds nothing beyond its formula
    if bound is None and ingredient is not None and ingredient.part in SKELETAL and component != WATER:
        registered = table.components.get(component)
        vitamin = registered is not None and "vitamin" in registered.group
        if ingredient.part == SHELL and vitamin:
            bound = table.largest_of_parts(component, EGG)
        bound = table.largest(component) if bound is None else bound
    if bound is None and ingredient is not None and ingredient.part == OIL:
        bound = table.largest(component, OIL)
    if bound is None and ingredient is not None and ingredient.part == PLANT and (
        component in table.rules.components("plant_no_richer")
    ):
        bound = max(filter(None, (table.largest(component), table.largest(component, OIL))), default=None)
    if ingredient is not None and ingredient.part == WHITE and component in table.components and (
        table.components[component].group == FAT_SOLUBLE
    ):
        yolk, fat_of_yolk = table.largest_of_parts(component, YOLK), table.largest_of_parts("FAT", YOLK)
        fat = table.largest_of_parts("FAT", frozenset({WHITE}))
        if yolk is not None and fat is not None and fat_of_yolk:
            most = yolk * fat / fat_of_yolk
            bound = most if bound is None else min(bound, most)
    if bound is None:
        return limit
    return bound if limit is None else min(bound, limit)


def _physical(table: Table, assays: Assays, ingredient_id: str, component: str) -> Fraction | None:
    """What 100 g can hold: amino acids within the protein, fatty acids within the fat, minerals within the ash, and
    everything within what the other proximates leave. None for what is no mass."""
    registered = table.components.get(component)
    gram = MASS_IN_G.get(registered.unit) if registered else None
    if registered is None or gram is None:
        return None
    whole = WITHIN.get(registered.group)
    if whole and whole != component:
        content = _found(table, assays, ingredient_id, whole)
        if content.point is not None:
            return content.high / gram
    return _left(table, assays, ingredient_id, component) / gram


def _left(table: Table, assays: Assays, ingredient_id: str, component: str) -> Fraction:
    """What the known low ends of the other proximates leave of 100 g; at least what their analyses may err by."""
    known = {name: _least(table, assays, ingredient_id, name) for name in PROXIMATES if name != component}
    if "ASH" in known:
        known["ASH"] = max(known["ASH"], mineral_of(table, assays, ingredient_id))
    return max(ZERO if component == WATER else MASS_ERROR_G, HUNDRED - sum(known.values(), ZERO))


def mineral_of(table: Table, assays: Assays, ingredient_id: str) -> Fraction:
    """The mineral, g per 100 g, that the calcium of a shell stands for, by its low end: shell is calcium carbonate."""
    ingredient, per_calcium = table.ingredients.get(ingredient_id), table.rules.of("shell_mineral", "CA")
    if ingredient is None or ingredient.part != "shell" or per_calcium is None:
        return ZERO
    return min(HUNDRED, _least(table, assays, ingredient_id, "CA") / 1000 * per_calcium)


def _least(table: Table, assays: Assays, ingredient_id: str, component: str) -> Fraction:
    """The low end of an assay, else of the table; nothing where neither has a figure."""
    assay = assays.get((ingredient_id, component))
    return _low_of(table, ingredient_id, component) if assay is None else _counted(assay.cell, ()).low


def _low_of(table: Table, ingredient_id: str, component: str) -> Fraction:
    cell = table.cell(ingredient_id, component)
    content = _by_status(table, cell, table.gap(ingredient_id, component)) if cell is not None else None
    return content.low if content is not None else ZERO


def _from_parts(table: Table, assays: Assays, ingredient_id: str, component: str) -> Content:
    """A composite for which the table has no figure: its known parts by their shares, and a ceiling for the others.

    The shares of one carcass and the contents of its parts go together: low ends with low ends.
    """
    contents = [(part, _plain(table, assays, part.ingredient_id, component)) for part in table.parts[ingredient_id]]
    low = sum((part.low * content.low for part, content in contents), ZERO)
    middle = sum((part.share * content.counted for part, content in contents), ZERO)
    high = sum((part.high * content.high for part, content in contents), ZERO)
    ceiling = _total([None if content.ceiling is None else part.high * content.ceiling for part, content in contents])
    found = {flag for _, content in contents for flag in content.flags}
    flags = tuple(flag for flag in ("imputed", "estimate", "assay", "rival", "bound") if flag in found)
    lacking = [
        (key, part.share * share) for part, content in contents for key, share in _lacking(part.ingredient_id, content)
    ]
    pointed = any(content.point is not None for _, content in contents)
    state = "unknown" if lacking else "known" if pointed else "range"
    guess = together([content.foretold.times(float(part.share)) for part, content in contents if content.foretold])
    beyond = _total([
        None if content.unforetold is None else part.high * content.unforetold for part, content in contents
    ])  # fmt: skip
    return Content(
        state, middle if pointed else None, min(low, middle) if pointed else low, max(middle, high), ceiling, flags,
        tuple(lacking), guess, beyond,
    )  # fmt: skip


def _lacking(ingredient_id: str, content: Content) -> tuple[tuple[str, Fraction], ...]:
    return () if content.known else content.lacking or ((ingredient_id, Fraction(1)),)


def _counted(cell: Cell, flags: tuple[str, ...]) -> Content:
    if cell.value is None and cell.high is not None:  # an assay that says no more than a range
        return Content("range", None, cell.low or ZERO, cell.high, ZERO, flags)
    value = cell.value if cell.value is not None else ZERO
    if cell.low is None and cell.high is None:
        return Content("known", value, value, value, ZERO, (*flags, "no_spread") if value else flags)
    low = min(value, cell.low) if cell.low is not None else value
    high = max(value, cell.high) if cell.high is not None else value
    return Content("known", value, max(ZERO, low), high, ZERO, flags)


def _total(terms: Sequence[Fraction | None]) -> Fraction | None:
    known = [term for term in terms if term is not None]
    return sum(known, ZERO) if len(known) == len(terms) else None


def _sum(ingredient_id: str, parts: Sequence[Content]) -> Content:
    """A sum by its parts, which go together in one food; unknown in part as soon as a part is."""
    flags = tuple(dict.fromkeys(flag for part in parts for flag in part.flags))
    whole = all(part.point is not None for part in parts)
    state = "unknown" if not all(part.known for part in parts) else "known" if whole else "range"
    pointed = any(part.point is not None for part in parts)
    lacking = dict(pair for part in parts for pair in _lacking(ingredient_id, part))
    low, high = sum((part.low for part in parts), ZERO), sum((part.high for part in parts), ZERO)
    point = sum((part.counted for part in parts), ZERO) if pointed else None
    if all(part.state == "nothing" for part in parts):
        return NONE
    ceiling = _total([part.ceiling for part in parts])
    guess = together([part.foretold for part in parts if part.foretold])
    beyond = _total([part.unforetold for part in parts])
    return Content(state, point, low, high, ceiling, flags, tuple(lacking.items()), guess, beyond)
