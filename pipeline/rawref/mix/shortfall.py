"""What recipes lack of a minimum and leave of a maximum, as points: where an unknown content could decide a verdict."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from rawref.errors import InputError
from rawref.mix.batch import Batch, bounds_of
from rawref.mix.energy import DEFAULT_FORMULA, factors_of
from rawref.mix.inputs import read_mix
from rawref.mix.spread import Points, scaled, total
from rawref.mix.table import WATER_ID, Table
from rawref.needs.profile import Bound, Need


@dataclass(frozen=True, slots=True)
class Room:
    """Per gram of one recipe: what it lacks of a minimum (or leaves below a maximum) as far as it is known; negative
    where the bound is passed. In the canonical unit of the component."""

    line: str
    bound: str
    points: Points


def rooms_of(table: Table, files: Iterable[Path], need: Need, shown: Mapping[str, Bound]) -> list[Room]:
    """The room of every recipe in every line but ratios, against the bounds that `mix` judges it by, and in the lines
    of `shown` against those; recipes that name an ingredient which the table lacks are left out."""
    lines = [name for name in need.components() if "/" not in name]
    found = []
    for file in sorted(files):
        try:
            rows = read_mix(file, file.name, table)
        except InputError:
            continue
        grams = {row.ingredient_id: row.grams for row in rows if row.ingredient_id != WATER_ID}
        batch = Batch(table, {}, grams, factors_of(table.formulas)[DEFAULT_FORMULA])
        for name in lines:
            judged = bounds_of(batch, need, name)
            bounds = [row for row in (judged.minimum, judged.maximum, shown.get(name)) if row is not None]
            known = scaled(total(batch.amounts(batch.contents(name)).values()), -1.0) if bounds else ()
            for row in bounds:
                asks = scaled(batch.energy.whole, float(row.per_1000kcal) / 1000)
                found.append(Room(name, row.bound, total([asks, known])))
    return found
