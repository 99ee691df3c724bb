"""Which ingredient supplies how much of a nutrient, within which interval, and where nothing is known."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from rawref.mix.assay import component_of
from rawref.mix.batch import Batch
from rawref.mix.content import lacking_share
from rawref.mix.kcal import out
from rawref.mix.line import counted_of
from rawref.mix.table import Table
from rawref.needs.profile import parts_of, unit_of


def nutrient_of(table: Table, text: str, where: str) -> str:
    """The component, or the sum, that a person names by tagname or by name. InputError for anything else."""
    form, parts = parts_of(text) if "+" in text else ("plain", (text,))
    found = [component_of(table, part.strip(), where) for part in parts]
    return "+".join(found) if form == "sum" else found[0]


def contributions(batch: Batch, component: str) -> dict[str, Any]:
    """The nutrient by ingredient, the largest share first; what has no figure stands with its ceiling and its gap."""
    contents = batch.contents(component)
    counted = {key: batch.grams[key] * content.counted / 100 for key, content in contents.items()}
    whole = sum(counted.values(), Fraction(0))
    rows: list[dict[str, Any]] = []
    for key, content in contents.items():
        weight = batch.grams[key] / 100
        gap = batch.table.gap(key, component)
        none = content.point is None and not content.low and content.state in {"unknown", "range"}
        nothing = none and not content.high
        ceiling = None if content.ceiling is None else content.ceiling * weight
        rows.append({
            "ingredient_id": key,
            "grams": out(batch.grams[key]),
            "amount": None if none else out(counted[key]),
            "low": None if nothing else out(content.low * weight),
            "high": None if nothing else out(content.high * weight),
            "could_add": out(ceiling) if content.ceiling != 0 else 0.0,
            "foretold_low": None if content.foretold is None else content.foretold.low * float(weight),
            "foretold_high": None if content.foretold is None else content.foretold.high * float(weight),
            "share_pct": None if none or not whole else float(counted[key] / whole * 100),
            "per_100g": None if none else out(content.counted),
            "state": content.state,
            "unknown_share": out(lacking_share(key, content)),
            "flags": list(content.flags),
            "gap": gap.kind if gap is not None and "assay" not in content.flags else None,
        })  # fmt: skip
    rows.sort(key=lambda row: (-(row["amount"] or 0), row["ingredient_id"]))
    return {
        "component": component, "unit": unit_of(component, batch.table.units()),
        "amount": out(counted_of(batch, contents)),
        "ingredients": rows,
    }  # fmt: skip
