"""The trial mix: what a recipe holds per 1000 kcal, what is unknown of it, and what that says about a requirement.

Pure computation: `evaluate` returns a dictionary of plain values that render_mix prints and JSON carries.

Energy. Requirements are per 1000 kcal ME, so every verdict divides by the energy of the same mix. Verdicts hold energy
at the figure that the formula gives for the table's protein, fat and carbohydrate; energy that is unknown (no protein
or fat figure) is added in full where a minimum is judged and left out where a maximum is, so that it never helps.
The spread of protein, fat and carbohydrate is not mixed into the verdict, but every verdict is judged a second time
over the whole range of energy, with the protein and fat of a food kept equal in numerator and denominator; where the
answer differs, `energy_sensitive` says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from rawref.errors import InputError
from rawref.mix.cautions import cautions_of
from rawref.mix.content import ZERO, Content, Item, content_of, judge, lacking_share, rests_on_parts
from rawref.mix.dry import DryMatter, dry_matter_of
from rawref.mix.energy import ACTIVITIES, DEFAULT_FORMULA, activity_of, check_activity, daily_need, factors_of
from rawref.mix.inputs import (
    Assays,
    MixRow,
    edible,
    named,
    parse_replace,
    read_assay,
    read_mix,
    resolve,
    substituted,
)
from rawref.mix.kcal import Energy, all_energies, either, energy_of, out, range_drivers, weighted
from rawref.mix.shares import shares_of
from rawref.mix.table import WATER_ID, Table, load_table
from rawref.needs.profile import Bound, Need, parts_of, unit_of

__all__ = [
    "ACTIVITIES", "compare", "evaluate", "has_findings", "load_table", "named", "parse_replace", "read_assay",
    "read_mix",
]  # fmt: skip

SCHEMA_VERSION = "1"
OUNCE_G = Fraction("28.349523125")  # international avoirdupois ounce, exact by definition
RATIO = "CA/P"
THOUSAND = Fraction(1000)
METHOD = (
    "Contents of different ingredients are free of each other: bounds add (worst case). Amounts count points and the "
    "low end of ranges. Unknown counts as nothing at the low end and as the highest comparable food, else without "
    "limit, at the high end; water without a figure is at most what the other proximates leave. Verdicts hold energy "
    "at the figure of the formula; energy_sensitive marks those that its range would change."
)


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

    Raises InputError for an unknown or cooked ingredient, refuse that is not known, a substitution of something that
    is not there, and a weight or activity that makes no sense (an activity without a weight included).
    """
    check_activity(activity, weight_kg)
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
    total = sum(grams.values(), ZERO)
    formulas = factors_of(table.formulas)
    if formula not in formulas:
        raise InputError(f"unknown energy formula {formula!r}", "--energy", f"use one of {', '.join(formulas)}")
    used = formulas[formula]
    energies = {key: energy_of(table, assays, key, used) for key in grams}
    kcal = weighted(grams, {key: energy.point for key, energy in energies.items()})
    kcal_low = weighted(grams, {key: energy.low for key, energy in energies.items()})
    kcal_high = weighted(grams, {key: energy.high + energy.unknown for key, energy in energies.items()})
    unknown_kcal = weighted(grams, {key: energy.unknown for key, energy in energies.items()})
    names = [key for key, item in table.components.items() if item.needed]
    names += [key for key in (RATIO, *need.components()) if key not in names]
    dry = dry_matter_of(table, assays, grams)
    daily = daily_need(weight_kg, activity or activity_of(need.mer)) if weight_kg is not None else None
    entries = [
        _component(table, assays, grams, energies, need, key, kcal, unknown_kcal, dry, daily[0] if daily else None)
        for key in dict.fromkeys(names)
    ]
    by_name = {entry["component"]: entry for entry in entries}
    density, density_low, density_high = dry.per(kcal, kcal_low, kcal_high)
    result: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "need": need.name,
        "need_path": need.path,
        "table": table.folder,
        "grams": out(total),
        "energy_kcal": out(kcal),
        "energy_low_kcal": out(kcal_low),
        "energy_high_kcal": out(kcal_high),
        "energy_range_from": range_drivers(grams, energies),
        "energy_unknown_from": sorted(key for key, energy in energies.items() if energy.unknown > 0),
        "energy_formula": formula,
        "energy_formula_title": next(iter(used.values())).title,
        "energy_source": next(iter(used.values())).source,
        "energies": all_energies(table, assays, grams, formulas, dry.point),
        "energy_density_kcal_per_g": out(kcal / total),
        "energy_density_kcal_per_g_dm": out(density),
        "energy_density_low_kcal_per_g_dm": out(density_low),
        "energy_density_high_kcal_per_g_dm": out(density_high),
        **dry.fields(),
        "proximates": _proximates(by_name, total),
        "calcium_phosphorus_ratio": by_name[RATIO]["amount"],
        **shares_of(table, grams),
        "daily": _daily(daily, weight_kg, activity or activity_of(need.mer), kcal, total),
        "ingredients": _ingredients(table, grams, purchased, energies, total),
        "assays": [
            {
                "ingredient_id": key[0], "component": key[1], "value": item.text, "unit": item.unit,
                "basis": item.basis, "laboratory": item.laboratory, "date": item.date, "where": item.where,
                "note": item.note,
            }
            for key, item in sorted(assays.items())
            if _uses(table, grams, *key)
        ],
        "assay_unused": [
            {"ingredient_id": key[0], "component": key[1], "where": item.where}
            for key, item in sorted(assays.items())
            if not _uses(table, grams, *key)
        ],
        "summary": {
            verdict: sum(entry["verdict"] == verdict for entry in entries)
            for verdict in ("over", "short", "undecided", "meets", "no_requirement")
        },
        "method": METHOD,
        "components": entries,
    }  # fmt: skip
    result["cautions"] = cautions_of(table, assays, grams, result)
    return result


def has_findings(result: Mapping[str, Any]) -> bool:
    """Whether the command ends with exit status 1: something is short or over."""
    return any(entry["verdict"] in {"short", "over"} for entry in result["components"])


def compare(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """What a substitution changes, component by component: per 1000 kcal before and after, and the verdicts."""
    old = {entry["component"]: entry for entry in before["components"]}
    rows = [
        {
            "component": entry["component"],
            "unit": entry["unit"],
            "before": old[entry["component"]]["per_1000kcal"],
            "after": entry["per_1000kcal"],
            "change": _difference(old[entry["component"]]["per_1000kcal"], entry["per_1000kcal"]),
            "change_pct": _relative(old[entry["component"]]["per_1000kcal"], entry["per_1000kcal"]),
            "unknown_share_before": old[entry["component"]]["unknown_share"],
            "unknown_share_after": entry["unknown_share"],
            "verdict_before": old[entry["component"]]["verdict"],
            "verdict_after": entry["verdict"],
            "verdict_changed": old[entry["component"]]["verdict"] != entry["verdict"],
        }
        for entry in after["components"]
        if entry["component"] in old
    ]
    return {
        "grams": {"before": before["grams"], "after": after["grams"]},
        "energy_kcal": {"before": before["energy_kcal"], "after": after["energy_kcal"]},
        "verdicts_changed": [row["component"] for row in rows if row["verdict_changed"]],
        "components": rows,
    }


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


def _uses(table: Table, grams: Mapping[str, Fraction], ingredient_id: str, component: str) -> bool:
    """Whether the mix asks for this content: the ingredient is in it, or in a composite that is made of its parts."""
    return ingredient_id in grams or any(
        rests_on_parts(table, key, component) and any(part.ingredient_id == ingredient_id for part in table.parts[key])
        for key in grams
    )


def _component(
    table: Table, assays: Assays, grams: Mapping[str, Fraction], energies: Mapping[str, Energy], need: Need, key: str,
    kcal: Fraction, unknown_kcal: Fraction, dry: DryMatter, kcal_per_day: float | None,
) -> dict[str, Any]:  # fmt: skip
    """One entry of `components`."""
    form, parts = parts_of(key)
    numerator = parts[0] if form == "ratio" else key
    contents = {name: content_of(table, assays, name, numerator) for name in grams}
    dens = {name: content_of(table, assays, name, parts[1]) for name in grams} if form == "ratio" else {}
    pairs = {name: (contents[name], dens[name]) if dens else (contents[name],) for name in grams}
    lacking = {name: lacking_share(name, *pairs[name]) for name in grams}
    unknown = [name for name in grams if lacking[name]]
    least, most = need.applied(key, "minimum"), need.applied(key, "maximum")
    if form == "ratio":
        scale, (amount, low, high) = Fraction(1), _ratio(grams, contents, dens)
    else:
        scale, (amount, low, high) = THOUSAND, _amount(grams, contents)
    bounds = [row.per_1000kcal / scale if row else None for row in (least, most)]
    verdict = judge(_items(grams, contents, dens, energies), bounds[0], bounds[1])
    imputed = _flagged(pairs, "imputed")
    bare = _items(grams, _bare(contents), _bare(dens), energies)
    rests = bool(imputed) and judge(bare, bounds[0], bounds[1]) != verdict
    sensitive = False
    if form != "ratio":
        wide = [_wide_item(grams[name], contents[name], energies[name], key) for name in grams]
        sensitive = judge(wide, bounds[0], bounds[1]) != verdict
    shown = need.shown(key)
    if verdict in {"no_requirement", "meets"} and least is None and any(row.bound == "minimum" for row in shown):
        verdict = "undecided"  # only figures for other kinds of food exist: none of them is a minimum for raw food
    per = (lambda value: _per(value, kcal)) if form != "ratio" else out
    top = _per(high, kcal) if form != "ratio" else out(high)
    bottom = _per(low, kcal + unknown_kcal) if form != "ratio" else out(low)
    plain = form != "ratio"
    per_dry = dry.per(amount, low, high) if plain else (None, None, None)
    total = sum(grams.values(), ZERO)
    registered = table.components.get(key)
    entry: dict[str, Any] = {
        "component": key,
        "name": registered.name if registered else key,
        "unit": unit_of(key, table.units()),
        "amount": out(amount),
        "low": out(low),
        "high": out(high),
        "known_high": out(_known_high(grams, contents)) if plain else None,
        "per_1000kcal": per(amount),
        "per_1000kcal_low": bottom,
        "per_1000kcal_high": top,
        "per_100g": out(amount / total * 100) if plain and amount is not None else None,
        "per_ounce": out(amount / total * OUNCE_G) if plain and amount is not None else None,
        "per_100g_dm": _hundred(per_dry[0]),
        "per_100g_dm_low": _hundred(per_dry[1]),
        "per_100g_dm_high": _hundred(per_dry[2]),
        "per_day": _day(amount, kcal, kcal_per_day) if plain else None,
        "unknown_share": out(sum((grams[name] * lacking[name] for name in unknown), ZERO) / total),
        "unknown_from": sorted(unknown),
        "range_from": sorted(name for name in grams if contents[name].state == "range"),
        "imputed_from": imputed,
        "estimated_from": _flagged(pairs, "estimate"),
        "assayed_from": _flagged(pairs, "assay"),
        "no_spread_from": _flagged({name: pairs[name] for name in grams if name != WATER_ID}, "no_spread"),
        "minimum": out(least.per_1000kcal) if least else None,
        "maximum": out(most.per_1000kcal) if most else None,
        "minimum_standing": least.standing if least else None,
        "maximum_standing": most.standing if most else None,
        "minimum_kind": least.kind if least else None,
        "maximum_kind": most.kind if most else None,
        "minimum_source": _citation(least),
        "maximum_source": _citation(most),
        "minimum_note": least.note if least else None,
        "maximum_note": most.note if most else None,
        "other_figures": [_other(row, bottom, top) for row in shown],
        "rests_on_memory": any(row.standing == "memory" for row in (least, most) if row),
        "rests_on_imputed": rests and verdict in {"over", "short", "meets"},
        "energy_sensitive": sensitive,
        "verdict": verdict,
        "decided_by": [],
    }
    if verdict == "undecided":
        entry["decided_by"] = _deciders(table, assays, grams, key)
    entry["reason"] = _reason(entry)
    return entry


def _item(grams: Fraction, content: Content, energy: Energy) -> Item:
    return Item(grams, content.low, content.high, energy.point, energy.point + energy.unknown, not content.known)


def _wide_item(grams: Fraction, content: Content, energy: Energy, key: str) -> Item:
    """The item over the whole range of energy, a food's own protein or fat being the same above and below the line."""
    slope = {"PROCNT": energy.protein, "FAT": energy.fat}.get(key, ZERO)
    if slope and content.point is not None and content.high is not None:
        low = energy.low - slope * content.low
        high = energy.high - slope * content.high + energy.unknown
        return Item(grams, content.low, content.high, max(ZERO, low), max(ZERO, high), not content.known, slope)
    return Item(grams, content.low, content.high, energy.low, energy.high + energy.unknown, not content.known)


def _ratio_item(grams: Fraction, over: Content, under: Content) -> Item:
    return Item(grams, over.low, over.high, under.low, under.high, not over.known, den_unknown=not under.known)


def _items(
    grams: Mapping[str, Fraction], contents: Mapping[str, Content], dens: Mapping[str, Content],
    energies: Mapping[str, Energy],
) -> list[Item]:  # fmt: skip
    """The items of a test: per kcal, or of a ratio where `dens` has the contents below the line."""
    if dens:
        return [_ratio_item(grams[name], contents[name], dens[name]) for name in grams]
    return [_item(grams[name], contents[name], energies[name]) for name in grams]


def _bare(contents: Mapping[str, Content]) -> dict[str, Content]:
    """The contents as if no source had imputed any."""
    return {
        name: Content("unknown", None, ZERO, None) if "imputed" in content.flags else content
        for name, content in contents.items()
    }


def _amount(
    grams: Mapping[str, Fraction], contents: Mapping[str, Content]
) -> tuple[Fraction | None, Fraction, Fraction | None]:
    """Total of what is counted (points, low ends of ranges), of the low ends, of the high ends (None: no limit)."""
    low = weighted(grams, {name: content.low for name, content in contents.items()})
    highs = [content.high for content in contents.values()]
    high = (
        None
        if any(value is None for value in highs)
        else weighted(grams, {name: either(content.high, None) for name, content in contents.items()})
    )
    figures = [name for name, content in contents.items() if content.point is not None or content.low > 0]
    if not any(name != WATER_ID or contents[name].point for name in figures) and set(grams) != {WATER_ID}:
        return None, low, high  # nothing but water has a figure
    return weighted(grams, {name: content.counted for name, content in contents.items()}), low, high


def _known_high(grams: Mapping[str, Fraction], contents: Mapping[str, Content]) -> Fraction | None:
    """The high end of what is known, the known parts of sums and composites included."""
    known = {name: content.known_high for name, content in contents.items()}
    if any(value is None for value in known.values()):
        return None
    return weighted(grams, {name: either(value, None) for name, value in known.items()})


def _ratio(
    grams: Mapping[str, Fraction], over: Mapping[str, Content], under: Mapping[str, Content]
) -> tuple[Fraction | None, Fraction, Fraction | None]:
    top, top_low, top_high = _amount(grams, over)
    base, base_low, base_high = _amount(grams, under)
    low = top_low / base_high if base_high else ZERO
    high = top_high / base_low if top_high is not None and base_low else None
    return (top / base if top is not None and base else None), low, high


def _deciders(table: Table, assays: Assays, grams: Mapping[str, Fraction], key: str) -> list[dict[str, Any]]:
    """The ingredients and components whose figure would decide, the one that could hold most first."""
    found: list[tuple[bool, Fraction, str, str, str]] = []
    for part in parts_of(key)[1]:
        for name, weight in grams.items():
            content = content_of(table, assays, name, part)
            width = None if content.high is None else (content.high - content.low) * weight / 100
            if width == 0:
                continue
            why = {"unknown": "unknown", "range": "a range"}.get(content.state, "spread")
            if why == "unknown" and lacking_share(name, content) < 1:
                why = "partly unknown"
            found.append((width is not None, -(width or weight), name, part, why))
    found.sort()
    return [
        {"ingredient_id": name, "component": part, "why": why, "could_add": out(-size) if bounded else None}
        for bounded, size, name, part, why in found[:5]
    ]


def _reason(entry: Mapping[str, Any]) -> str:
    """One sentence that says why the verdict is what it is."""
    verdict, unknown = entry["verdict"], entry["unknown_from"]
    if verdict == "no_requirement":
        return "the profile has no figure"
    imputed = f"; rests on imputed figures of {_some(entry['imputed_from'])}" if entry["rests_on_imputed"] else ""
    if verdict == "over":
        return f"even the low end is above the maximum{imputed}"
    if verdict == "short":
        if unknown:
            return f"below the minimum even with the most that the unknown could hold{imputed}"
        return f"even the high end is below the minimum{imputed}"
    if verdict == "meets":
        return f"the known part alone meets it at its low end{imputed}"
    shown = [row for row in entry["other_figures"] if row["bound"] == "minimum"]
    if entry["minimum"] is None and shown:
        figures = ", ".join(f"{row['variant']} {row['per_1000kcal']:.4g} ({row['compares']})" for row in shown)
        return f"no minimum exists for raw food; published per 1000 kcal: {figures}"
    if not entry["decided_by"]:
        return "the mix has no known energy" if entry["per_1000kcal"] is None else "a bound could be crossed"
    by = entry["decided_by"][0]
    verbs = {"unknown": "is unknown", "partly unknown": "is not wholly known", "a range": "is only a range"}
    verb = verbs.get(by["why"], "varies")
    return f"{by['component']} of {by['ingredient_id']} {verb} and could cross a bound"


def _some(names: Sequence[str]) -> str:
    more = len(names) - 4
    return ", ".join(names[:4]) + (f" and {more} more" if more > 0 else "")


def _other(row: Bound, low: float | None, high: float | None) -> dict[str, Any]:
    figure = float(row.per_1000kcal)
    side = "above" if low is not None and low >= figure else "below" if high is not None and high < figure else "either"
    return {
        "bound": row.bound, "variant": row.variant, "kind": row.kind, "per_1000kcal": figure,
        "standing": row.standing, "source": row.source, "note": row.note, "compares": side,
    }  # fmt: skip


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
        }
    return found


def _ingredients(
    table: Table, grams: Mapping[str, Fraction], purchased: Mapping[str, Fraction], energies: Mapping[str, Energy],
    total: Fraction,
) -> list[dict[str, Any]]:  # fmt: skip
    return [
        {
            "ingredient_id": key,
            "name": table.ingredients[key].name if key in table.ingredients else key,
            "kind": table.ingredients[key].kind if key in table.ingredients else "water" if key == WATER_ID else "own",
            "grams": out(weight),
            "grams_as_purchased": out(purchased.get(key)),
            "share_pct": out(weight / total * 100),
            "energy_kcal": out(weight * energies[key].point / 100),
        }
        for key, weight in grams.items()
    ]


def _daily(
    daily: tuple[float, str] | None, weight_kg: float | None, activity: str, kcal: Fraction, total: Fraction
) -> dict[str, Any] | None:
    if daily is None:
        return None
    density = float(kcal / total)
    return {
        "weight_kg": weight_kg, "activity": activity, "kcal": daily[0], "formula": daily[1],
        "grams": daily[0] / density if density else None,
    }  # fmt: skip


def _day(amount: Fraction | None, kcal: Fraction, kcal_per_day: float | None) -> float | None:
    if amount is None or not kcal or kcal_per_day is None:
        return None
    return float(amount / kcal) * kcal_per_day


def _flagged(contents: Mapping[str, Sequence[Content]], flag: str) -> list[str]:
    """The ingredients of which a content (numerator or denominator) has the flag."""
    return sorted(name for name, own in contents.items() if any(flag in content.flags for content in own))


def _citation(row: Bound | None) -> str | None:
    return f"{row.source}; edition {row.edition}" if row and row.edition else row.source if row else None


def _hundred(value: Fraction | None) -> float | None:
    return None if value is None else float(value * 100)


def _per(value: Fraction | None, kcal: Fraction) -> float | None:
    return None if value is None or not kcal else float(value / kcal * THOUSAND)


def _difference(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None else after - before


def _relative(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None or before == 0 else (after / before - 1) * 100
