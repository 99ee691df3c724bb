"""Two results side by side: a recipe and its variant, or two recipes, always per 1000 kcal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rawref.mix.energy import HUMAN_ENERGY

TOO_LITTLE_PCT = 1  # of the mix: a pinch without a figure that could decide nothing does not hide what the rest changes


def compare(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """What differs, component by component: per 1000 kcal before and after, and the verdicts.

    `change` and `change_pct` are None where a figure that counts before is unknown after, in an ingredient that the
    other side does not hold: a total that only lost a figure did not fall.
    """
    old = {entry["component"]: entry for entry in before["components"]}
    held = [{row["ingredient_id"]: row["share_pct"] for row in side["ingredients"]} for side in (before, after)]
    # the energy of the food tables is by factors for people: the energies compared are those for cats
    asked = [entry for entry in after["components"] if entry["component"] in old.keys() - {HUMAN_ENERGY}]
    rows = [_row(old[entry["component"]], entry, held) for entry in asked]
    return {
        "grams": {"before": before["grams"], "after": after["grams"]},
        "energy_kcal": {"before": before["energy_kcal"], "after": after["energy_kcal"]},
        "grams_per_1000kcal": {"before": _per_1000(before), "after": _per_1000(after)},
        "findings": {"before": before["findings"], "after": after["findings"]},
        "verdicts_changed": [row["component"] for row in rows if row["verdict_changed"]],
        "components": rows,
    }


def _row(old: Mapping[str, Any], new: Mapping[str, Any], held: list[dict[str, float]]) -> dict[str, Any]:
    one, other = old["per_1000kcal"], new["per_1000kcal"]
    unknown = sorted({
        key
        for entry, own, others in ((old, *held), (new, *reversed(held)))
        for key in entry["unknown_from"]
        if key not in others and (own.get(key, 0) >= TOO_LITTLE_PCT or key in entry["material_unknown_from"])
    })
    known = one is not None and other is not None and not unknown
    return {
        "component": new["component"],
        "name": new["name"],
        "unit": new["unit"],
        "before": one,
        "after": other,
        "before_low": old["per_1000kcal_low"],
        "before_high": old["per_1000kcal_high"],
        "after_low": new["per_1000kcal_low"],
        "after_high": new["per_1000kcal_high"],
        "change": other - one if known else None,
        "change_pct": (other / one - 1) * 100 if known and one else None,
        "change_unknown_from": unknown,
        "unknown_share_before": old["unknown_share"],
        "unknown_share_after": new["unknown_share"],
        "verdict_before": old["verdict"],
        "verdict_after": new["verdict"],
        "far_above_minimum_before": old["far_above_minimum"],
        "far_above_minimum_after": new["far_above_minimum"],
        "verdict_changed": (old["verdict"], old["far_above_minimum"]) != (new["verdict"], new["far_above_minimum"]),
    }


def _per_1000(result: Mapping[str, Any]) -> float | None:
    return result["grams"] / result["energy_kcal"] * 1000 if result["energy_kcal"] else None
