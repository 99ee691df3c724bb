"""A mix result as text for a terminal (80 columns, or wide) and as CSV. No colour: the words carry the meaning."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

WIDTH, WIDE = 80, 140
STANDINGS = {"seen": "seen", "seen_earlier_edition": "earlier", "derived": "derived", "memory": "memory"}
WORST = ("memory", "derived", "seen_earlier_edition", "seen")
CSV_COLUMNS = (
    "component", "name", "unit", "amount", "low", "high", "per_1000kcal", "per_1000kcal_low", "per_1000kcal_high",
    "per_100g", "per_ounce", "per_100g_dm", "per_100g_dm_low", "per_100g_dm_high", "per_day", "unknown_share",
    "unknown_from", "range_from", "imputed_from", "estimated_from", "assayed_from", "no_spread_from", "minimum",
    "maximum", "minimum_standing", "maximum_standing", "minimum_kind", "maximum_kind", "minimum_source",
    "maximum_source", "rests_on_imputed", "energy_sensitive", "verdict", "reason",
)  # fmt: skip


def mix_text(result: Mapping[str, Any], wide: bool = False) -> str:
    """The whole result for a terminal; no line is longer than 80 characters (140 with `wide`)."""
    width = WIDE if wide else WIDTH
    blocks = [
        _head(result, width),
        _table(result, wide),
        _legend(width),
        _notes(result, width),
        _cautions(result, width),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def mix_csv(result: Mapping[str, Any]) -> str:
    """One row per component, lists joined by semicolons, blank for unknown; line ends LF."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("need", "energy_formula", *CSV_COLUMNS))
    for entry in result["components"]:
        writer.writerow((result["need"], result["energy_formula"], *(_cell(entry[key]) for key in CSV_COLUMNS)))
    return out.getvalue()


def compare_text(comparison: Mapping[str, Any], wide: bool = False) -> str:
    """What a substitution changes: components whose figure or verdict differs, per 1000 kcal."""
    width = WIDE if wide else WIDTH
    grams, energy = comparison["grams"], comparison["energy_kcal"]
    lines = [
        f"Substitution: {figure(grams['before'])} g, {figure(energy['before'])} kcal before; "
        f"{figure(grams['after'])} g, {figure(energy['after'])} kcal after. Per 1000 kcal:",
        f"{'component':<16}{'unit':<6}{'before':>10}{'after':>10}{'change':>9}  verdict",
    ]
    for row in comparison["components"]:
        if row["before"] == row["after"] and not row["verdict_changed"]:
            continue
        change = "" if row["change_pct"] is None else f"{row['change_pct']:+.0f} %"
        verdict = row["verdict_after"]
        if row["verdict_changed"]:
            verdict = f"{row['verdict_before']} -> {verdict}"
        lines.append(
            f"{row['component']:<16}{row['unit'] or '':<6}{figure(row['before']):>10}{figure(row['after']):>10}"
            f"{change:>9}  {verdict.replace('no_requirement', 'none set')}"
        )
    return "\n".join(line for text in lines for line in _wrap(text, width)) + "\n"


def figure(value: float | None, width: int = 9) -> str:
    """Four significant digits without exponents, fewer where the width asks for it, `-` for unknown."""
    if value is None:
        return "-"
    if value == 0:
        return "0"
    for digits in (4, 3, 2, 1):
        text = f"{value:.{digits}g}"
        if "e" in text and abs(value) >= 1:
            text = f"{value:.0f}"
        if "e" not in text and len(text) <= width:
            return text
    return "~0" if abs(value) < 1 else f"{value:.0e}"


def _span(low: float | None, high: float | None, width: int) -> str:
    """`low-high` in at most `width` characters, `?` for no upper bound, `-` where there is no range."""
    if low is None:
        return "-"
    for each in (9, width // 2, width // 2 - 1, 5):
        text = f"{figure(low, each)}-{'?' if high is None else figure(high, each)}"
        if len(text) <= width:
            return text
    return text


def _head(result: Mapping[str, Any], width: int) -> str:
    dm = result["energy_density_kcal_per_g_dm"]
    lines = [
        f"Mix of {figure(result['grams'])} g, {figure(result['energy_kcal'])} kcal ME "
        f"(range {figure(result['energy_low_kcal'])} to {figure(result['energy_high_kcal'])}) by "
        f"{result['energy_formula']}: {result['energy_formula_title']}. {figure(result['energy_density_kcal_per_g'])} "
        f"kcal/g as fed, {figure(dm)} kcal/g dry matter.{_widest(result)}",
        "Other formulas, kcal: "
        + "; ".join(
            f"{row['formula']} {figure(row['kcal'])}"
            for row in result["energies"]
            if row["formula"] != result["energy_formula"]
        )
        + ".",
        _proximates(result),
        *_dry_matter(result),
        f"Ca:P {figure(result['calcium_phosphorus_ratio'])}. Animal ingredients"
        f"{' without bone' if result['bone_high_pct'] else ''} {figure(result['meat_pct'])} %, {_bone(result)}"
        f"additions {figure(result['additions_pct'])} %.",
    ]
    daily = result["daily"]
    if daily:
        lines.append(
            f"A cat of {figure(daily['weight_kg'])} kg ({daily['activity'].replace('_', ', ')}) needs about "
            f"{figure(daily['kcal'])} kcal, {figure(daily['grams'])} g of this mix a day: {daily['formula']}."
        )
    lines.append(f"Need: {result['need']} ({result['need_path']}).")
    return "\n".join(line for text in lines for line in _wrap(text, width))


def _widest(result: Mapping[str, Any]) -> str:
    """What widens the range of energy most, in words."""
    width = result["energy_high_kcal"] - result["energy_low_kcal"]
    if not result["energy_range_from"] or not width:
        return ""
    row = result["energy_range_from"][0]
    if row["why"] == "unknown":
        what = f"{row['component'].replace('+', ', ')} of {row['ingredient_id']}, unknown"
    else:
        ends = f"{figure(row['low_per_100g'])} to {figure(row['high_per_100g'])}"
        what = f"{row['component']} of {row['ingredient_id']}, {ends} g per 100 g"
    return f" The range is widened most by {what}: {figure(row['kcal'])} of {figure(width)} kcal."


def _dry_matter(result: Mapping[str, Any]) -> list[str]:
    """How far unknown water could move the figures on dry matter; nothing where all water is known."""
    open_water, dry = result["moisture_could_add_pct"], result["dry_matter_g"]
    if not open_water:
        return []
    who = [
        f"{words} {', '.join(names)}"
        for words, names in (
            ("unknown in", result["moisture_unknown_from"]), ("only a range in", result["moisture_range_from"]),
        )
        if names
    ]  # fmt: skip
    left = None if dry is None else dry - open_water / 100 * result["grams"]
    off = "without a known limit" if not dry or not left or left <= 0 else f"up to {figure((dry / left - 1) * 100)} %"
    return [
        f"Water is {' and '.join(who)}: it could be up to {figure(open_water)} % of the mix more than counted here, "
        f"and figures on dry matter {off} higher than printed."
    ]


def _bone(result: Mapping[str, Any]) -> str:
    """The share of bone by weight, where there is any."""
    low, high, unknown = result["bone_low_pct"], result["bone_high_pct"], result["bone_unknown_from"]
    if not high:
        return ""
    span = "" if low == high else f" (range {figure(low)} to {figure(high)})"
    at = f", unknown in {', '.join(unknown)} and not taken off there" if unknown else ""
    return f"bone {figure(result['bone_pct'])} %{span}{at}, "


def _proximates(result: Mapping[str, Any]) -> str:
    names = {"WATER": "water", "PROCNT": "protein", "FAT": "fat", "ASH": "ash", "CHOCDF": "carbohydrate"}
    found = result["proximates"]
    parts = []
    for key, name in names.items():
        row = found.get(key)
        if row:
            low, high = row["as_fed_low_pct"], row["as_fed_high_pct"]
            if key == "WATER":
                low, high = result["moisture_low_pct"], result["moisture_high_pct"]
            notes = [] if low == high else [f"range {figure(low)} to {'?' if high is None else figure(high)}"]
            if row["dry_matter_pct"] is not None:
                notes.append(f"{figure(row['dry_matter_pct'])} of dry matter")
            beside = f" ({'; '.join(notes)})" if notes else ""
            parts.append(f"{name} {figure(row['as_fed_pct'])}{beside}")
    return f"Per cent as fed: {', '.join(parts)}."


def _table(result: Mapping[str, Any], wide: bool) -> str:
    title = (
        f"{'component, unit':<17} {'/Mcal':>7}  {'range':>13} {'unk%':>4} {'min':>7} {'max':>7} {'verdict':<9} figure"
    )
    lines = [
        "Per 1000 kcal ME:",
        title[:WIDTH] if not wide else f"{title}  {'per 100 g':>9} {'per oz':>8} {'per day':>8}",
    ]
    for entry in result["components"]:
        low, high = entry["per_1000kcal_low"], entry["per_1000kcal_high"]
        span = _span(low, high, 13)
        mark = "i" if entry["imputed_from"] and entry["amount"] is not None else " "
        unknown = entry["unknown_share"]
        share = "" if not unknown else "<1" if unknown < 0.005 else f"{unknown * 100:.0f}"
        name = f"{entry['component']} {entry['unit'] or ''}".replace(" ratio", "")
        verdict = "none set" if entry["verdict"] == "no_requirement" else entry["verdict"]
        line = (
            f"{name:<17} {figure(entry['per_1000kcal'], 7):>7}{mark} {span:>13} {share:>4} "
            f"{figure(entry['minimum'], 7):>7} {figure(entry['maximum'], 7):>7} {verdict:<9} {_standing(entry)}"
            f"{'~' if entry['energy_sensitive'] else ''}"
        )
        if wide:
            line = (
                f"{line:<82} {figure(entry['per_100g']):>9} {figure(entry['per_ounce']):>8} "
                f"{figure(entry['per_day']):>8}  {', '.join(entry['unknown_from'])}"[:WIDE].rstrip()
            )
        lines.append(line.rstrip())
    return "\n".join(lines)


def _standing(entry: Mapping[str, Any]) -> str:
    """The weakest standing among the figures that the verdict compares with."""
    given = {entry["minimum_standing"], entry["maximum_standing"]} | {
        row["standing"] for row in entry["other_figures"] if entry["minimum"] is None and row["bound"] == "minimum"
    }
    return next((STANDINGS[name] for name in WORST if name in given), "")


def _legend(width: int) -> str:
    text = (
        "/Mcal: amount per 1000 kcal; i: it counts a figure that a source imputed. range: low end without, high end "
        "with what the unknown could hold; ? no bound. unk%: share of the mix by weight with no value, in a composite "
        "that of the parts with none; an amount beside it is a lower bound. figure: how the requirement is known, the "
        "weaker of two; memory: from memory, not seen; earlier: seen in an earlier edition. ~ the verdict would differ "
        "within the range of energy."
    )
    return "\n".join(_wrap(text, width))


def _notes(result: Mapping[str, Any], width: int) -> str:
    lines: list[str] = []
    for verdict in ("over", "short", "undecided"):
        for entry in result["components"]:
            if entry["verdict"] == verdict:
                memory = " (figure from memory)" if entry["rests_on_memory"] else ""
                lines += _wrap(f"{entry['component']} {verdict}{memory}: {entry['reason']}{_names(entry)}.", width)
    for entry in result["components"]:
        if entry["verdict"] == "meets" and entry["rests_on_imputed"]:
            lines += _wrap(f"{entry['component']} meets: {entry['reason']}.", width)
    flagged = sorted({key for entry in result["components"] for key in entry["imputed_from"]})
    if flagged:
        words = "Counted although imputed by the source, for the components marked i"
        lines += _wrap(f"{words}: {', '.join(flagged)}.", width)
    for row in result["assays"]:
        lines += _wrap(
            f"Assay: {row['component']} of {row['ingredient_id']} {row['value']} {row['unit']} {row['basis']}, "
            f"{row['laboratory']}, {row['date']} ({row['where']}).",
            width,
        )
    own = [row["ingredient_id"] for row in result["ingredients"] if row["kind"] == "own"]
    if own:
        lines += _wrap(f"Not in the table, so taken as a product of your own: {', '.join(own)}.", width)
    for row in result["assay_unused"]:
        what = f"{row['component']} of {row['ingredient_id']} ({row['where']})"
        lines += _wrap(f"Assay not used, since the ingredient is not in the mix: {what}.", width)
    return "\n".join(lines)


def _names(entry: Mapping[str, Any]) -> str:
    if not entry["unknown_from"]:
        return ""
    shown = entry["unknown_from"][:4]
    more = len(entry["unknown_from"]) - len(shown)
    return f"; unknown in {', '.join(shown)}{f' and {more} more' if more else ''}"


def _cautions(result: Mapping[str, Any], width: int) -> str:
    lines = ["Cautions"]
    for row in result["cautions"]:
        at = f" [{', '.join(row['from'])}]" if row["from"] else ""
        detail = f" ({row['detail']})" if row["detail"] else ""
        lines += textwrap.wrap(
            f"- {row['text']}{detail}{at}",
            width,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return "\n".join(lines) if len(lines) > 1 else ""


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False) or [""]


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Iterable) and not isinstance(value, str):
        return ";".join(str(item) for item in value)
    return repr(value) if isinstance(value, float) else value
