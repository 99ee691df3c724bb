"""What a mix is made of by weight: meat, bone, additions, and the finer groups.

The bone of a composite is that of its published shares (raw/maintainer/composites.csv), so it is not counted as meat.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from rawref.mix.content import ZERO
from rawref.mix.table import WATER_ID, Share, Table

MEAT_DEFINITION = (
    "animal foods of kind raw or composite, less the bone of composites: meat, organs, fish, shellfish, egg, milk; "
    "bone of unknown share (bone_unknown_from) is still inside"
)
NONE = Share("", ZERO, ZERO, ZERO)


def shares_of(table: Table, grams: Mapping[str, Fraction]) -> dict[str, Any]:
    """Per cent of the mix by weight: meat_pct, bone_pct with its ends, additions_pct, and shares_pct by group."""
    total = sum(grams.values(), ZERO)
    groups: dict[str, Fraction] = {}
    meat = additions = bone = low = high = ZERO
    unknown = []
    for key, weight in grams.items():
        part, own = weight / total * 100, bone_of(table, key)
        share = own or NONE
        if _is_meat(table, key):
            meat += part * (1 - share.share)
            bone += part * share.share
            low += part * share.low
            high += part * (share.high if own else 1)
            if own is None:
                unknown.append(key)
        elif _is_meat(table, key) is False:
            additions += part
        for group, portion in ((_group(table, key), 1 - share.share), ("bone", share.share)):
            if portion:
                groups[group] = groups.get(group, ZERO) + part * portion
    return {
        "meat_pct": float(meat),
        "bone_pct": float(bone),
        "bone_low_pct": float(low),
        "bone_high_pct": float(high),
        "bone_unknown_from": sorted(unknown),
        "additions_pct": float(additions),
        "meat_pct_is": MEAT_DEFINITION,
        "shares_pct": {group: float(share) for group, share in sorted(groups.items())},
    }


def bone_of(table: Table, key: str) -> Share | None:
    """The share of an ingredient's weight that is bone; None where it holds bone in a share that nobody states."""
    ingredient = table.ingredients.get(key)
    if ingredient is None or ingredient.kind == "addition":
        return NONE
    if ingredient.part == "bone":
        return Share(key, Fraction(1), Fraction(1), Fraction(1))
    bones = [
        part
        for part in table.parts.get(key, ())
        if part.ingredient_id in table.ingredients and table.ingredients[part.ingredient_id].part == "bone"
    ]
    if bones:
        return Share(
            key,
            sum((part.share for part in bones), ZERO),
            sum((part.low for part in bones), ZERO),
            sum((part.high for part in bones), ZERO),
        )
    return None if ingredient.bone == "yes" else NONE


def _is_meat(table: Table, key: str) -> bool | None:
    """True for animal foods, False for additions (a user's own product included), None for water and plants."""
    ingredient = table.ingredients.get(key)
    if key == WATER_ID:
        return None
    if ingredient is None or ingredient.kind == "addition":
        return False
    return None if ingredient.part == "plant" else True


def _group(table: Table, key: str) -> str:
    """The group of what is not bone: muscle, organ, fish, shellfish, egg_and_milk, plant, addition, water."""
    ingredient = table.ingredients.get(key)
    if key == WATER_ID and ingredient is None:
        return "water"
    if ingredient is None or ingredient.kind == "addition":
        return "addition"
    if ingredient.species_group == "finfish":
        return "fish"
    if ingredient.species_group in {"mollusc", "crustacean"}:
        return "shellfish"
    if ingredient.part.startswith("egg") or ingredient.part == "milk":
        return "egg_and_milk"
    if ingredient.part == "plant":
        return "plant"
    return "muscle" if ingredient.part in {"muscle", "skin", "fat", "mechanically_separated"} else "organ"
