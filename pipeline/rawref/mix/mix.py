"""The trial mix: what a recipe holds per 1000 kcal, what is unknown of it, and what that says about a requirement.

Pure computation: `evaluate` returns a dictionary of plain values that render/ prints and JSON carries.

Method. Requirements are per 1000 kcal ME, so a verdict divides a nutrient by the energy of the same mix. Amounts are
sums of the published figures. Each figure errs within its published 90 % interval: figures of different ingredients
independently of each other, those of one ingredient together where they are one (fat in the fat and in the energy, the
two amino acids of a sum, calcium and phosphorus of a bone). The chance that a total reaches a bound follows from that
without a random number (spread.py). What has no figure is between nothing and its ceiling: every chance is given with
the unknown at its worst and at its best for the bound. Where that leaves a minimum undecided, what comparable foods
foretell of the unknown takes its place, as a distribution (comparables.py), and the line says on what it rests; what
nothing foretells stays at its worst and its best, and a maximum is always judged so (a ceiling that the table does not
publish is the 99 % point of comparable foods). `meets` takes 95 % at the low
end, `short` 5 % at the high end; in between a line is undecided, and says what its doubt comes from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from rawref.errors import InputError
from rawref.mix.assay import Assays, assay_rows
from rawref.mix.batch import Batch, more_of
from rawref.mix.cautions import cautions_of
from rawref.mix.content import ZERO, rests_on_parts
from rawref.mix.dry import DryMatter, dry_matter_of
from rawref.mix.energy import ACTIVITIES, DEFAULT_FORMULA, activity_of, check_activity, daily_need, factors_of
from rawref.mix.findings import UNFIT, findings_of
from rawref.mix.inputs import MixRow, edible, resolve, substituted
from rawref.mix.kcal import all_energies, drivers_of, energy_ends, out, range_drivers
from rawref.mix.line import OUNCE_G, line_of
from rawref.mix.shares import shares_of
from rawref.mix.table import WATER_ID, Table
from rawref.needs.profile import Need

__all__ = ["ACTIVITIES", "batch_of", "evaluate", "has_findings"]

SCHEMA_VERSION = "1"
RATIO = "CA/P"
VERDICTS = ("over", "short", "undecided", "meets", "no_requirement")
METHOD = (
    "Each figure errs within its published 90 % interval, those of different ingredients independently, those of one "
    "ingredient together. Chances are computed from equally likely points, without random numbers. Unknown contents "
    "are between nothing and their ceiling: a chance has a low and a high end. Where that leaves a minimum undecided, "
    "the spread of comparable foods stands for the unknown, and the line names it; a maximum is judged without them. "
    "meets: 95 % or more at the low end; short and over: 5 % or less at the high end."
)


def batch_of(
    table: Table,
    mix: Sequence[MixRow],
    assay: Assays | None = None,
    without: Sequence[str] = (),
    replace: Mapping[str, str] | None = None,
    formula: str = DEFAULT_FORMULA,
) -> tuple[Batch, dict[str, Fraction]]:
    """The batch to judge, and the grams bought of what is weighed as purchased.

    Raises InputError for an unknown or cooked ingredient, refuse that is not known, a substitution of something that
    is not there, an unknown formula.
    """
    assays = assay or {}
    own = {ingredient_id for ingredient_id, _ in assays}
    rows = [
        MixRow(resolve(table, row.ingredient_id, row.where, own), row.grams, row.as_purchased, row.where) for row in mix
    ]
    if not rows:
        raise InputError("the mix is empty", "mix", "give at least one row ingredient_id,grams")
    wanted = {
        resolve(table, old, "--replace", own): resolve(table, new, "--replace", own)
        for old, new in (replace or {}).items()
    }
    rows = substituted(rows, [resolve(table, key, "--without", own) for key in without], wanted)
    grams, purchased = _edible(table, rows)
    formulas = factors_of(table.formulas)
    if formula not in formulas:
        raise InputError(f"unknown energy formula {formula!r}", "--energy", f"use one of {', '.join(formulas)}")
    return Batch(table, assays, grams, formulas[formula]), purchased


def evaluate(
    table: Table,
    mix: Sequence[MixRow],
    need: Need,
    weight_kg: float | None = None,
    activity: str | None = None,
    assay: Assays | None = None,
    without: Sequence[str] = (),
    replace: Mapping[str, str] | None = None,
    formula: str = DEFAULT_FORMULA,
) -> dict[str, Any]:
    """The mix judged against `need`: amounts are totals in the mix, minimum and maximum are per 1000 kcal ME.

    Raises InputError as `batch_of`, and for a weight or activity that makes no sense (an activity without a weight, a
    weight with a profile that is not for adults).
    """
    check_activity(activity, weight_kg)
    if weight_kg is not None and not need.is_adult:
        what = f"the energy of a day is known for adult cats, and {need.name} is not for them"
        raise InputError(what, "--weight", "leave --weight out: kittens and nursing cats need far more")
    batch, purchased = batch_of(table, mix, assay, without, replace, formula)
    level = activity or activity_of(need.mer)
    daily = daily_need(weight_kg, level) if weight_kg is not None else None
    dry = dry_matter_of(table, batch.assays, batch.grams)
    entries = _entries(batch, need, dry, daily[0] if daily else None)
    by_name = {entry["component"]: entry for entry in entries}
    taken, left = assay_rows(table, batch.assays, [key for key in batch.assays if _uses(batch, *key)])
    result: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "need": need.name,
        "need_path": need.path,
        "table": table.folder,
        "table_version": table.version,
        "grams": out(batch.total),
        **_energy(batch, dry, formula),
        **dry.fields(),
        "proximates": _proximates(by_name, batch.total),
        "calcium_phosphorus_ratio": by_name[RATIO]["amount"],
        **shares_of(table, batch.grams),
        "daily": _daily(daily, weight_kg, level, batch),
        "ingredients": _ingredients(batch, purchased),
        "assays": taken,
        "assay_unused": left,
        "summary": {verdict: sum(entry["verdict"] == verdict for entry in entries) for verdict in VERDICTS},
        "method": METHOD,
        "components": entries,
    }
    result["findings"] = findings_of(batch, result)
    result["cautions"] = cautions_of(batch, result)
    return result


def _entries(batch: Batch, need: Need, dry: DryMatter, kcal_per_day: float | None) -> list[dict[str, Any]]:
    """The lines of a result, in the order of the registry, then of the profile."""
    names = [key for key, item in batch.table.components.items() if item.needed]
    return [line_of(batch, need, key, dry, kcal_per_day) for key in dict.fromkeys([*names, RATIO, *need.components()])]


def unfit_with(batch: Batch, need: Need, ingredient_id: str, grams: Fraction) -> list[str]:
    """Why a mix is not to be fed with so much more of an ingredient, in words; nothing where it is as fit without."""
    told = []
    for each in (batch, more_of(batch, ingredient_id, grams)):
        entries = _entries(each, need, dry_matter_of(each.table, each.assays, each.grams), None)
        told.append([row for row in findings_of(each, {"components": entries}) if row["code"] in UNFIT])
    known = [(row["code"], row["components"]) for row in told[0]]
    return [row["text"] for row in told[1] if (row["code"], row["components"]) not in known]


def has_findings(result: Mapping[str, Any]) -> bool:
    """Whether the command ends with exit status 1: there is something to object to (findings.py)."""
    return bool(result["findings"])


def _edible(table: Table, rows: Sequence[MixRow]) -> tuple[dict[str, Fraction], dict[str, Fraction]]:
    """Edible grams and grams bought, by ingredient in order of first mention; split rows are added up."""
    grams: dict[str, Fraction] = {}
    purchased: dict[str, Fraction] = {}
    for row in rows:
        if row.as_purchased:
            purchased[row.ingredient_id] = purchased.get(row.ingredient_id, ZERO) + row.grams
        grams[row.ingredient_id] = grams.get(row.ingredient_id, ZERO) + edible(table, row)
    if not any(grams.values()):
        raise InputError("nothing edible is left of the mix", rows[0].where, "check the weights as purchased")
    return grams, purchased


def _uses(batch: Batch, ingredient_id: str, component: str) -> bool:
    """Whether the mix asks for this content: the ingredient is in it, or in a composite that is made of its parts."""
    return ingredient_id in batch.grams or any(
        rests_on_parts(batch.table, key, component)
        and any(part.ingredient_id == ingredient_id for part in batch.table.parts[key])
        for key in batch.grams
    )


def _energy(batch: Batch, dry: DryMatter, formula: str) -> dict[str, Any]:
    """The energy of the mix and its density, with 90 % intervals, and what makes it uncertain."""
    used = next(iter(batch.formula.values()))
    low, high = energy_ends(batch.energy, float(batch.total))
    density = [
        None if value is None else min(value, 100 * float(used.fat)) for value in dry.per(batch.kcal, low, high)
    ]  # no food is richer than fat
    if density[0] is not None and density[1] is not None:
        density[1] = min(density[0], density[1])
    return {
        "energy_kcal": out(batch.kcal),
        "energy_low_kcal": low,
        "energy_high_kcal": high,
        "energy_range_from": range_drivers(batch.grams, batch.energies),
        "energy_unknown_from": drivers_of(batch.energies),
        "energy_formula": formula,
        "energy_formula_title": used.title,
        "energy_source": used.source,
        "energies": all_energies(batch.table, batch.assays, batch.grams, factors_of(batch.table.formulas), dry.point),
        "energy_density_kcal_per_g": out(batch.kcal / batch.total),
        **{
            f"energy_density_{end}kcal_per_g_dm": None if value is None else value / 100
            for end, value in zip(("", "low_", "high_"), density, strict=True)
        },
    }


def _proximates(entries: Mapping[str, Mapping[str, Any]], total: Fraction) -> dict[str, Any]:
    """Water, protein, fat, ash, carbohydrate, fibre: per cent as fed, per cent of dry matter, per 1000 kcal.

    A high end is at most 100 per cent; it is None where nothing bounds the unknown.
    """
    found = {}
    for key in ("WATER", "PROCNT", "FAT", "ASH", "CHOCDF", "FIBTG"):
        entry = entries.get(key)
        if entry is None:
            continue
        amount, high = entry["amount"], entry["per_100g_dm_high"]
        dry = key != "WATER"
        found[key] = {
            "as_fed_pct": None if amount is None else amount / float(total) * 100,
            "as_fed_low_pct": entry["low"] / float(total) * 100,
            "as_fed_high_pct": None if entry["high"] is None else min(100.0, entry["high"] / float(total) * 100),
            "dry_matter_pct": entry["per_100g_dm"] if dry else None,
            "dry_matter_low_pct": entry["per_100g_dm_low"] if dry else None,
            "dry_matter_high_pct": None if not dry or high is None else min(100.0, high),
            "per_1000kcal": entry["per_1000kcal"],
            "unknown_share": entry["unknown_share"],
            "unknown_from": entry["unknown_from"],
        }
    return found


def _ingredients(batch: Batch, purchased: Mapping[str, Fraction]) -> list[dict[str, Any]]:
    table = batch.table
    return [
        {
            "ingredient_id": key,
            "name": table.ingredients[key].name if key in table.ingredients else key,
            "kind": table.ingredients[key].kind if key in table.ingredients else "water" if key == WATER_ID else "own",
            "grams": out(weight),
            "grams_as_purchased": out(purchased.get(key)),
            "share_pct": out(weight / batch.total * 100),
            "energy_kcal": out(weight * batch.energies[key].point / 100),
        }
        for key, weight in batch.grams.items()
    ]


def _daily(
    daily: tuple[float, str] | None, weight_kg: float | None, activity: str, batch: Batch
) -> dict[str, Any] | None:
    if daily is None:
        return None
    density = float(batch.kcal / batch.total)
    return {
        "weight_kg": weight_kg, "activity": activity, "kcal": daily[0], "formula": daily[1],
        "grams": daily[0] / density if density else None,
        "ounces": daily[0] / density / float(OUNCE_G) if density else None,
    }  # fmt: skip
