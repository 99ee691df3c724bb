"""What there is to object to in a mix: the reasons for exit status 1, each with what it concerns.

A maximum from memory warns in its line, yet is no finding unless an addition passes it by far.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rawref.mix.batch import Batch
from rawref.mix.line import NO_ENERGY

EVEN = 0.5
UNFIT = ("not_to_be_fed", "no_energy", "over", "far_over", "maximum_in_doubt", "high")
"""The findings with which a mix is not to be fed as it stands, however little of it."""


def findings_of(batch: Batch, result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The findings as {code, components, ingredients, text}, the gravest first; none where there is nothing."""
    entries = result["components"]
    found: list[dict[str, Any]] = []

    def add(code: str, text: str, components: list[str], ingredients: list[str]) -> None:
        found.append({"code": code, "text": text, "components": components, "ingredients": ingredients})

    for key in batch.grams:
        for row in batch.table.not_fed(key):
            add("not_to_be_fed", f"{key}: {row['reason']}", [], [key])
    if not batch.kcal:
        add("no_energy", f"{NO_ENERGY}: add a food, or give protein, fat, ash and water of your product", [], [])
    over = [row for row in entries if row["verdict"] == "over" and row["maximum_standing"] != "memory"]
    if over:
        add("over", f"over the maximum: {_named(over)}", [row["component"] for row in over], [])
    far = [row for row in entries if row["high_by"] and _far_over(batch, row)]
    if far:
        names, at = [row["component"] for row in far], sorted({key for row in far for key in row["high_by"]})
        add("far_over", f"far over a maximum from memory: {_named(far)}, by {', '.join(at)}", names, at)
    doubtful = [row for row in entries if batch.kcal and _in_doubt(batch, row)]
    if doubtful:
        names = [row["component"] for row in doubtful]
        at = sorted({key for row in doubtful for key in row["maximum_open_from"]})
        why = f", unknown in {', '.join(at)}" if at else ""
        add("maximum_in_doubt", f"may be over the maximum: {_named(doubtful)}{why}", names, at)
    high = [row for row in entries if _is_high(batch, row)]
    if high:
        names, at = [row["component"] for row in high], sorted({key for row in high for key in row["high_by"]})
        by = f", by {', '.join(at)}" if at else ""
        add("high", f"far above every figure that is asked for, no maximum published: {_named(high)}{by}", names, at)
    low = [row for row in entries if row["verdict"] == "no_requirement" and _below_all(row)]
    if low:
        text = "; ".join(f"{row['name']} below every figure published for any food" for row in low)
        add("below_published", text, [row["component"] for row in low], [])
    short = [row for row in entries if row["verdict"] == "short"]
    if short:
        add("short", f"short of {_named(short)}", [row["component"] for row in short], [])
    likely = [row for row in entries if batch.kcal and _rather_short(batch, row)]
    if likely:
        add("probably_short", f"probably short of {_named(likely)}", [row["component"] for row in likely], [])
    return found


def _named(entries: Sequence[Mapping[str, Any]]) -> str:
    return ", ".join(str(row["name"]) for row in entries)


def _in_doubt(batch: Batch, entry: Mapping[str, Any]) -> bool:
    """Whether a maximum may well be passed: by what is known, or with an unknown at its worst that nothing but
    a bound tells of (schemas/mix_rules.csv)."""
    least = float(batch.table.rules.number("maximum_in_doubt"))
    if entry["verdict"] != "undecided" or entry["maximum_standing"] in {None, "memory"}:
        return False
    low, high = entry["chance_maximum"]
    return bool(high < least or (low < least and entry["maximum_open_from"]))


def warned(result: Mapping[str, Any], verdict: str) -> list[Mapping[str, Any]]:
    """The lines that are over a maximum from memory (`verdict` over), or rather over it than not (`undecided`): a
    warning and no finding."""
    told = {key for row in result["findings"] for key in row["components"]}
    return [
        row for row in result["components"]
        if row["verdict"] == verdict and row["component"] not in told
        and (verdict == "over" or (row["maximum_standing"] == "memory" and row["chance_maximum"][1] < EVEN))
    ]  # fmt: skip


def _below_all(entry: Mapping[str, Any]) -> bool:
    """Whether what has no minimum for raw food is below all that is published for other food."""
    rows = [row for row in entry["other_figures"] if row["bound"] == "minimum"]
    return bool(rows) and entry["per_1000kcal"] is not None and all(row["compares"] == "below" for row in rows)


def _rather_short(batch: Batch, entry: Mapping[str, Any]) -> bool:
    """Whether a minimum is rather missed than met, even with the unknown at its best (schemas/mix_rules.csv)."""
    least = float(batch.table.rules.number("minimum_in_doubt"))
    chances = entry["chance_minimum"]
    return bool(entry["verdict"] == "undecided" and chances and chances[1] < least)


def _far_over(batch: Batch, entry: Mapping[str, Any]) -> bool:
    """Whether a maximum from memory is passed so far that no slip of memory explains it (schemas/mix_rules.csv)."""
    limit = batch.table.rules.of("memory_decides")
    amount = entry["per_1000kcal"]
    if entry["verdict"] not in {"over", "undecided"} or entry["maximum_standing"] != "memory":
        return False
    return bool(limit and amount and amount >= float(limit) * entry["maximum"])


def _is_high(batch: Batch, entry: Mapping[str, Any]) -> bool:
    """Whether additions bring so many times the minimum, or the largest figure published beside it where none is
    applied, that it is objected to although nobody publishes a maximum; of some components whatever brings it."""
    limit = batch.table.rules.of("high_decides" if entry["high_by"] else "far_decides", entry["component"])
    if limit is None or entry["maximum"] is not None or entry["verdict"] not in {"meets", "no_requirement"}:
        return False
    if entry["minimum"] is not None:
        return bool((entry["times_minimum"] or 0) >= float(limit))
    shown = [row["per_1000kcal"] for row in entry["other_figures"] if row["bound"] == "minimum"]
    return bool(shown and (entry["per_1000kcal"] or 0) >= float(limit) * max(shown))
