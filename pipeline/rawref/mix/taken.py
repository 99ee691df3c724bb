"""What one food of a mix takes from the nutrients of all of it: thiaminase destroys thiamin, avidin binds biotin.

It counts against a minimum only, as if it took the most that it can; nobody knows what it takes of a mix that is fed at
once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from rawref.mix.table import Table

THIAMINASE = "raw_fish_thiaminase"
"""The caution of an ingredient of which thiaminase was reported (schemas/cautions.csv)."""
THIAMIN, BIOTIN = "THIA", "BIOT"


@dataclass(frozen=True, slots=True)
class Taken:
    """What an ingredient takes of a component by `what`: `most` in 100 g of it, None where it may take all."""

    ingredient_id: str
    what: str
    most: Fraction | None


def taken_of(table: Table, grams: Mapping[str, Fraction], component: str) -> list[Taken]:
    """The ingredients of a mix that take of a component."""
    own = {key: table.ingredients[key] for key, weight in grams.items() if weight and key in table.ingredients}
    foods = sorted((key, item) for key, item in own.items() if item.kind != "addition")
    if component == THIAMIN:
        return [Taken(key, "thiaminase", None) for key, item in foods if THIAMINASE in item.cautions]
    binds, yolk = table.rules.of("avidin_binds", component), table.rules.of("egg_yolk_share")
    if component != BIOTIN or binds is None or yolk is None:
        return []
    white = {"egg_white": Fraction(1), "egg_whole": 1 - yolk}
    return [Taken(key, "avidin", binds * white[item.part]) for key, item in foods if item.part in white]


def lost_of(taken: list[Taken], shares: Mapping[str, float]) -> float | None:
    """The most that is taken, per gram of the mix; None where all of it may be. `shares`: grams per gram of the mix."""
    if any(row.most is None for row in taken):
        return None
    return sum(float(row.most or 0) * shares[row.ingredient_id] / 100 for row in taken)


def as_entries(taken: list[Taken], per_1000kcal: Mapping[str, float]) -> list[dict[str, Any]]:
    """For output; `per_1000kcal`: grams of each ingredient."""
    return [
        {
            "ingredient_id": row.ingredient_id, "what": row.what,
            "per_1000kcal": None if row.most is None else float(row.most) / 100 * per_1000kcal[row.ingredient_id],
        }
        for row in taken
    ]  # fmt: skip
