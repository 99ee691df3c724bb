"""What recipes lack of a minimum and leave of a maximum, as points: where an unknown content could decide a verdict."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from rawref.errors import InputError
from rawref.mix.batch import Batch
from rawref.mix.energy import DEFAULT_FORMULA, factors_of
from rawref.mix.inputs import read_mix
from rawref.mix.spread import Points, scaled, total
from rawref.mix.table import WATER_ID, Table


@dataclass(frozen=True, slots=True)
class Room:
    """Per gram of one recipe: what it lacks of a minimum (or leaves below a maximum) as far as it is known; negative
    where the bound is passed. In the canonical unit of the component."""

    component: str
    bound: str
    points: Points


def rooms_of(
    table: Table, files: Iterable[Path], asked: Iterable[tuple[str, float | None, float | None]]
) -> list[Room]:  # fmt: skip
    """The room of every recipe for every component that has a minimum or a maximum, per 1000 kcal; recipes that name
    an ingredient which the table lacks are left out."""
    wanted = list(asked)
    found = []
    for file in sorted(files):
        try:
            rows = read_mix(file, file.name, table)
        except InputError:
            continue
        grams = {row.ingredient_id: row.grams for row in rows if row.ingredient_id != WATER_ID}
        batch = Batch(table, {}, grams, factors_of(table.formulas)[DEFAULT_FORMULA])
        for component, minimum, maximum in wanted:
            known = total(batch.amounts(batch.contents(component)).values())
            for bound, figure in (("minimum", minimum), ("maximum", maximum)):
                if figure is not None:
                    asks = scaled(batch.energy.whole, figure / 1000)
                    found.append(Room(component, bound, total([asks, scaled(known, -1.0)])))
    return found
