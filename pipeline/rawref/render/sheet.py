"""Sheets to publish about a mix: its analysis, two mixes side by side, one nutrient by ingredient, grams to a target.

Each is one Sheet; `markdown` and `html` write any of them, the same content in both; `rows_csv` writes exact numbers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from rawref.mix.energy import HUMAN_ENERGY
from rawref.registry.units import shown_unit
from rawref.render.mix import (
    NO_MAXIMUM,
    amount_text,
    cell_text,
    chance_text,
    change_text,
    energy_text,
    figure,
    grams_per_day,
    outcome,
    share_text,
    source_note,
    supplied,
    total_of,
    verdict_of_side,
    verdict_text,
)

OUNCE_G = 28.349523125
Table = tuple[Sequence[str], list[Sequence[str]]]
PROXIMATES = (
    ("WATER", "Moisture"), ("PROCNT", "Protein"), ("FAT", "Fat"), ("ASH", "Ash"), ("CHOCDF", "Carbohydrate"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a sheet says: sentences, tables under headings, cautions, and what the figures are."""

    title: str
    facts: Sequence[str]
    tables: Sequence[tuple[str, Table]]
    cautions: Sequence[str] = ()
    notes: Sequence[str] = ()


def analysis(result: Mapping[str, Any], title: str, comparison: Mapping[str, Any] | None = None) -> Sheet:
    """The sheet of one mix, with what changed against it before where it was changed."""
    tables = _tables(result)
    if comparison:
        tables.append(("Compared with the mix as it was", _compared(comparison)))
    return Sheet(title, _facts(result), tables, _cautions(result), list(_standing(result)))


def side_by_side(
    comparison: Mapping[str, Any], title: str, notes: Sequence[str], outcomes: Sequence[str] = ()
) -> Sheet:
    """Two mixes, scaled to the same energy, with what is to be said of each."""
    grams, energy, scaled = (comparison[key] for key in ("grams", "energy_kcal", "grams_per_1000kcal"))
    facts = [*outcomes, *(
        f"{name.capitalize()}: {figure(grams[name])} g hold {figure(energy[name])} kcal of metabolisable energy; "
        f"{figure(scaled[name])} g hold 1000 kcal."
        for name in ("before", "after")
    )]
    return Sheet(title, facts, [("Per 1000 kcal", _compared(comparison))], (), notes)


def of_nutrient(found: Mapping[str, Any], name: str, title: str) -> Sheet:
    """One nutrient by ingredient, the largest share first."""
    unit = shown_unit(found["unit"])
    rows: list[Sequence[str]] = [
        (
            row["ingredient_id"], figure(row["grams"]), supplied(row),
            figure(row["low"]), figure(row["high"]),
            "" if row["share_pct"] is None else share_text(row["share_pct"]), source_note(row, unit),
        )
        for row in found["ingredients"]
    ]  # fmt: skip
    facts = [total_of(found, name, unit)]
    head = ("Ingredient", "g", unit, "Low", "High", "Share, %", "Note")
    return Sheet(title, facts, [("By ingredient", (head, rows))])


def of_target(found: Mapping[str, Any], sentence: str, title: str) -> Sheet:
    """The grams that reach a target."""
    unit = "" if found["unit"] in {None, "ratio"} else f", {shown_unit(found['unit'])} per 1000 kcal"
    row = (
        found["component"], figure(found["present"]), figure(found["target"]), found["with"],
        *(figure(found[key], 14) for key in ("grams", "grams_low", "grams_high")),
    )  # fmt: skip
    head = ("Nutrient", f"Present{unit}", "Target", "With", "Grams", "Grams, chance 5 %", "Grams, chance 95 %")
    return Sheet(title, [sentence], [("Grams to add", (head, [row]))])


def markdown(sheet: Sheet) -> str:
    """The sheet as Markdown (CommonMark with pipe tables), lines end LF."""
    blocks = [f"# {_plain(sheet.title)}", *(_plain(text) for text in sheet.facts)]
    for heading, table in sheet.tables:
        blocks += [f"## {heading}", "\n".join(_pipe_rows(table))]
    if sheet.cautions:
        blocks += ["## Cautions", "\n".join(f"- {_plain(text)}" for text in sheet.cautions)]
    if sheet.notes:
        blocks += ["## What these figures are", *(_plain(text) for text in sheet.notes)]
    return "\n\n".join(blocks) + "\n"


def html(sheet: Sheet) -> str:
    """The sheet as one HTML page that can be printed."""
    title = sheet.title
    body = [f"<h1>{escape(title)}</h1>", *(f"<p>{escape(text)}</p>" for text in sheet.facts)]
    for heading, (head, rows) in sheet.tables:
        cells = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
        lines = "\n".join(
            f'<tr><th scope="row">{escape(row[0])}</th>{"".join(f"<td>{escape(cell)}</td>" for cell in row[1:])}</tr>'
            for row in rows
        )
        body.append(
            f"<h2>{escape(heading)}</h2>\n<table>\n<thead><tr>{cells}</tr></thead>\n<tbody>\n{lines}\n</tbody>\n</table>"
        )
    if sheet.cautions:
        items = "\n".join(f"<li>{escape(text)}</li>" for text in sheet.cautions)
        body.append(f"<h2>Cautions</h2>\n<ul>{items}</ul>")
    if sheet.notes:
        body += ["<h2>What these figures are</h2>", *(f"<p>{escape(text)}</p>" for text in sheet.notes)]
    style = (
        "body{font:16px/1.5 serif;max-width:60em;margin:2em auto;padding:0 1em}table{border-collapse:collapse}"
        "th,td{border-bottom:1px solid #767676;padding:.2em .6em;text-align:left}"
        "td{font-variant-numeric:tabular-nums}@media print{body{margin:0}}"
    )
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{escape(title)}</title>\n'
        f'<meta name="viewport" content="width=device-width">\n<style>{style}</style>\n</head>\n<body>\n<main>\n'
        + "\n".join(body)
        + "\n</main>\n</body>\n</html>\n"
    )


def rows_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    """Rows of plain values as CSV, exact numbers, lists joined by semicolons, blank for unknown; lines end LF."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(rows[0])
    writer.writerows([cell_text(value) for value in row.values()] for row in rows)
    return out.getvalue()


def _compared(comparison: Mapping[str, Any]) -> Table:
    rows: list[Sequence[str]] = []
    for row in comparison["components"]:
        change = change_text(row["change_pct"])
        if row["change_unknown_from"]:
            change = f"unknown ({', '.join(row['change_unknown_from'])})"
        verdicts = [verdict_of_side(row, side) for side in ("before", "after")]
        rows.append((
            f"{row['name']} · {row['component']}, {shown_unit(row['unit'])}", figure(row["before"]),
            figure(row["after"]), change, *verdicts,
        ))  # fmt: skip
    return ("Nutrient", "Before", "After", "Change", "Verdict before", "Verdict after"), rows


def _facts(result: Mapping[str, Any]) -> list[str]:
    found = [
        *outcome(result),
        f"{figure(result['grams'])} g hold {energy_text(result, 'kcal of metabolisable energy')}, by "
        f"{result['energy_formula_title']} ({result['energy_formula']}).",
        f"Animal ingredients without bone {figure(result['meat_pct'])} %, bone {figure(result['bone_pct'])} %, "
        f"additions {figure(result['additions_pct'])} %. Calcium to phosphorus "
        f"{figure(result['calcium_phosphorus_ratio'])}.",
    ]
    daily = result["daily"]
    if daily:
        found.append(
            f"A cat of {figure(daily['weight_kg'])} kg ({daily['activity'].replace('_', ', ')}) needs about "
            f"{figure(daily['kcal'])} kcal a day: {grams_per_day(result)}."
        )
    return found


def _tables(result: Mapping[str, Any]) -> list[tuple[str, Table]]:
    return [("Ingredients", _ingredients(result)), ("Analysis", _analysis(result)), ("Nutrients", _nutrients(result))]


def _ingredients(result: Mapping[str, Any]) -> Table:
    rows: list[Sequence[str]] = [
        (row["name"], figure(row["grams"]), share_text(row["share_pct"]), row["kind"]) for row in result["ingredients"]
    ]
    return ("Ingredient", "g", "% of the mix", "Kind"), rows


def _analysis(result: Mapping[str, Any]) -> Table:
    rows: list[Sequence[str]] = []
    for key, name in PROXIMATES:
        row = result["proximates"].get(key)
        if row:
            amount = row["as_fed_pct"]
            ounce = None if amount is None else amount * OUNCE_G / 100
            rows.append((f"{name}, g", figure(amount), figure(ounce), figure(row["dry_matter_pct"])))
    energy = result["energy_density_kcal_per_g"]
    dry = result["energy_density_kcal_per_g_dm"]
    rows.append((
        f"Energy for cats, kcal ME, by {result['energy_formula_title']}", figure(energy * 100),
        figure(energy * OUNCE_G), figure(None if dry is None else dry * 100),
    ))  # fmt: skip
    return ("", "per 100 g", "per ounce", "per 100 g dry matter"), rows


def _nutrients(result: Mapping[str, Any]) -> Table:
    rows: list[Sequence[str]] = []
    for entry in result["components"]:
        if entry["component"] == HUMAN_ENERGY:
            continue
        chance, more = chance_text(entry), amount_text(entry).endswith("+")
        value = entry["per_1000kcal"]
        amount = "unknown" if value is None else f"{figure(value)} {shown_unit(entry['unit'])}".strip()
        rows.append((
            f"{entry['name']} · {entry['component']}", f"{amount} and more" if more else amount,
            _bound(entry, "minimum"), _most(entry), verdict_text(entry), f"{chance} %" if chance else "",
        ))  # fmt: skip
    return ("Nutrient", "per 1000 kcal", "Minimum", "Maximum", "Verdict", "Chance"), rows


def _bound(entry: Mapping[str, Any], name: str) -> str:
    """A figure of the profile, and how it is known; of what was read in the standard nothing more is said."""
    words = {"memory": ", from memory", "derived": ", derived", "seen_earlier_edition": ", of an earlier edition"}
    return "" if entry[name] is None else f"{figure(entry[name])}{words.get(entry[f'{name}_standing'], '')}"


def _most(entry: Mapping[str, Any]) -> str:
    """The maximum that holds with why and whose it is, else the one that would hold if the nutrient were added."""
    if entry["maximum"] is not None:
        carries = "may carry it" if entry["may_be_added"] else "carries it"
        added = f", legal, since {', '.join(entry['added_by'])} {carries}" if entry["added_by"] else ""
        of = f", of {entry['maximum_of']}, as this profile has none" if entry["maximum_of"] else ""
        return f"{_bound(entry, 'maximum')}{added}{of}"
    if entry["maximum_if_added"] is not None:
        return f"legal maximum {figure(entry['maximum_if_added'])}, only if added"
    return "" if entry["verdict"] == "no_requirement" else NO_MAXIMUM


def _cautions(result: Mapping[str, Any]) -> list[str]:
    found = []
    for row in result["cautions"]:
        detail = f" ({row['detail']})" if row["detail"] else ""
        at = f" [{', '.join(row['from'])}]" if row["from"] else ""
        found.append(f"{row['text']}{detail}{at}")
    return found


def _standing(result: Mapping[str, Any]) -> Iterable[str]:
    yield f"Requirement profile {result['need']}; table version {result['table_version'] or 'not accepted yet'}."
    memory = sorted(
        entry["component"] for entry in result["components"]
        if "memory" in (entry["minimum_standing"], entry["maximum_standing"])
    )  # fmt: skip
    if memory:
        yield f"Requirement figures from memory, not seen in the standard: {', '.join(memory)}."
    bare = sorted({key for entry in result["components"] for key in entry["no_spread_from"]})
    if bare:
        yield f"Figures without a known range, for some nutrients, of: {', '.join(bare)}."
    unknown = [
        f"{entry['component']} ({', '.join(entry['material_unknown_from'])})"
        for entry in result["components"]
        if entry["material_unknown_from"]
    ]
    if unknown:
        yield f"Unknown, and it matters: {'; '.join(unknown)}."
    guessed = [
        f"{entry['component']} ({', '.join(row['ingredient_id'] for row in entry['rests_on_comparables'])})"
        for entry in result["components"]
        if entry["rests_on_comparables"] and entry["verdict"] in {"meets", "short"}
    ]
    if guessed:
        yield f"Decided by the spread of comparable foods, since there is no figure: {'; '.join(guessed)}."
    for entry in result["components"]:
        if entry["verdict"] == "no_requirement" and any(row["bound"] == "minimum" for row in entry["other_figures"]):
            yield f"{entry['name']} · {entry['component']}: {entry['reason']}."
    yield result["method"]


def _pipe_rows(table: Table) -> list[str]:
    head, rows = table
    return [
        f"| {' | '.join(_plain(cell) for cell in row)} |"
        for row in (head, ["---"] * len(head), *rows)
    ]  # fmt: skip


def _plain(text: str) -> str:
    """Text that Markdown leaves as it is."""
    for sign in ("\\", "|", "*", "_", "[", "]", "<"):
        text = text.replace(sign, f"\\{sign}")
    return text
