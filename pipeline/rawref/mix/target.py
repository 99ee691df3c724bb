"""How many grams of an ingredient bring a mix to a target, with the interval that the figures leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from rawref.errors import InputError
from rawref.mix.batch import Batch, ask, more_of
from rawref.mix.contributions import nutrient_of
from rawref.mix.kcal import out
from rawref.mix.line import counted_of, three_digits
from rawref.mix.quotient import CERTAIN_HIGH, CERTAIN_LOW, Unknown
from rawref.mix.spread import solve
from rawref.mix.table import Table
from rawref.needs.profile import number, parts_of, unit_of

LEAST = 1e-12  # of the mix: no dose is sought below


def parse_target(table: Table, text: str) -> tuple[str, Fraction]:
    """`CA/P=1.2` or `Iodine=425` as a component (or ratio) and a figure, per 1000 kcal in the canonical unit."""
    name, sign, value = (part.strip() for part in text.partition("="))
    if not (name and sign and value):
        raise InputError(f"{text!r} is no target", "--target", "write NUTRIENT=FIGURE or A/B=FIGURE, such as CA/P=1.2")
    if "/" in name:
        over, _, under = name.partition("/")
        component = f"{nutrient_of(table, over.strip(), '--target')}/{nutrient_of(table, under.strip(), '--target')}"
    else:
        component = nutrient_of(table, name, "--target")
    figure = number(value, "--target", "the figure")
    if not figure:
        raise InputError("the figure is 0", "--target", "give a figure above zero")
    return component, figure


def reach(
    batch: Batch, component: str, figure: Fraction, ingredient_id: str, over: Sequence[str] = ()
) -> dict[str, Any]:
    """Grams of `ingredient_id` to add until the mix holds `figure`: by the figures of the table, and with a chance of 5
    and of 95 %, what has no figure counting as nothing. `over`: what the mix is over the maximum of.

    InputError where no amount of it reaches the target."""
    scale = ask(batch, component).scale
    now, rich = _quotient(batch, component, scale), _quotient(_only(batch, ingredient_id), component, scale)
    if now is not None and now >= figure:
        what = f"the mix holds {three_digits(float(now))} already"
        cure = "give a higher target, or leave something out with --without"
        if component in over:
            what, cure = f"{what}, and that is over the maximum", "leave out or lessen what brings it"
        raise InputError(what, "--target", cure)
    unknown = [part for part in parts_of(component)[1] if not _known(batch, ingredient_id, part)]
    if unknown and (rich is None or rich <= figure):
        what = f"{' and '.join(unknown)} of {ingredient_id} {'is' if len(unknown) == 1 else 'are'} unknown"
        raise InputError(what, "--with", "give its assay with --assay, or choose another ingredient")
    if rich is not None and rich <= figure:
        holds, wanted = three_digits(float(rich)), three_digits(float(figure))
        what = f"{ingredient_id} itself holds {holds}, so it cannot bring the mix to {wanted}"
        raise InputError(what, "--with", "choose a richer ingredient")
    grams = _by_figures(batch, component, figure, scale, ingredient_id)
    known = counted_of(batch, batch.contents(component.partition("/")[0]))  # what nobody knows is no zero
    ends = [_with_chance(batch, component, figure / scale, ingredient_id, chance) for chance in
            (CERTAIN_LOW, CERTAIN_HIGH)]  # fmt: skip
    return {
        "component": component, "unit": unit_of(component, batch.table.units()), "target": float(figure),
        "present": out(now) if known is not None else None, "with": ingredient_id, "grams": out(grams),
        "grams_low": ends[0], "grams_high": ends[1],
    }  # fmt: skip


def _only(batch: Batch, ingredient_id: str) -> Batch:
    return replace(batch, grams={ingredient_id: Fraction(100)})


def _known(batch: Batch, ingredient_id: str, part: str) -> bool:
    """Whether an ingredient has a figure or a range for a component, or holds none by its nature."""
    return bool(_only(batch, ingredient_id).contents(part)[ingredient_id].known)


def _sums(batch: Batch, component: str) -> tuple[Fraction, Fraction]:
    """What stands above and below the line, as the figures count."""
    form, parts = parts_of(component)
    over, *under = parts if form == "ratio" else (component,)
    sums = [
        sum((batch.grams[key] * content.counted / 100 for key, content in batch.contents(part).items()), Fraction(0))
        for part in (over, *under)
    ]
    return sums[0], sums[1] if under else batch.kcal


def _quotient(batch: Batch, component: str, scale: Fraction) -> Fraction | None:
    over, under = _sums(batch, component)
    return over / under * scale if under else None


def _by_figures(batch: Batch, component: str, figure: Fraction, scale: Fraction, ingredient_id: str) -> Fraction:
    """Exact: (over + g a) / (under + g b) = target is linear in g."""
    over, under = _sums(batch, component)
    rich, beside = _sums(_only(batch, ingredient_id), component)
    target = figure / scale
    gain = (rich - target * beside) / 100
    if gain <= 0:
        what = f"{ingredient_id} has no figure that would bring the mix to {three_digits(float(figure))}"
        raise InputError(what, "--with", "choose another ingredient, or give its assay with --assay")
    grams = (target * under - over) / gain
    if grams > batch.total * batch.table.rules.number("target_times"):
        what = f"it would take {three_digits(float(grams))} g of {ingredient_id}, more than the mix weighs"
        raise InputError(what, "--with", "choose a richer ingredient")
    return grams


def _with_chance(batch: Batch, component: str, bound: Fraction, ingredient_id: str, chance: float) -> float | None:
    """Grams from which the target is reached with this chance; None above the most."""
    def reached(grams: float) -> float:
        asked = ask(more_of(batch, ingredient_id, Fraction(grams)), component)
        return asked.quotient.chance(float(bound), Unknown())

    most = float(batch.total * batch.table.rules.number("target_times"))
    if reached(most) < chance:
        return None
    # doses differ from micrograms to hundreds of grams: what is sought is halved in until it is bracketed
    high = most
    while high > most * LEAST and reached(high / 8) >= chance:
        high /= 8
    return solve(reached, chance, 0.0 if high <= most * LEAST else high / 8, high, 12)
