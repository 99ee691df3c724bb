"""An analysis sheet of a mix to publish: Markdown or one HTML page without script, the same content in both."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

from rawref.registry.units import shown_unit
from rawref.render.mix import NO_MAXIMUM, chance_text, figure, standing, verdict_text

OUNCE_G = 28.349523125
Table = tuple[Sequence[str], list[Sequence[str]]]
PROXIMATES = (
    ("WATER", "Moisture"), ("PROCNT", "Protein"), ("FAT", "Fat"), ("ASH", "Ash"), ("CHOCDF", "Carbohydrate"),
)  # fmt: skip


def markdown(result: Mapping[str, Any], title: str) -> str:
    """The sheet as Markdown (CommonMark with pipe tables), lines end LF."""
    blocks = [f"# {_plain(title)}", *(_plain(text) for text in _facts(result))]
    for heading, table in _tables(result):
        blocks.append(f"## {heading}")
        blocks.append("\n".join(_pipe_rows(table)))
    blocks.append("## Cautions")
    blocks.append("\n".join(f"- {_plain(text)}" for text in _cautions(result)))
    blocks.append("## What these figures are")
    blocks += [_plain(text) for text in _standing(result)]
    return "\n\n".join(blocks) + "\n"


def html(result: Mapping[str, Any], title: str) -> str:
    """The sheet as one HTML page that can be printed."""
    body = [f"<h1>{escape(title)}</h1>", *(f"<p>{escape(text)}</p>" for text in _facts(result))]
    for heading, (head, rows) in _tables(result):
        cells = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
        lines = "\n".join(
            f'<tr><th scope="row">{escape(row[0])}</th>{"".join(f"<td>{escape(cell)}</td>" for cell in row[1:])}</tr>'
            for row in rows
        )
        body.append(
            f"<h2>{escape(heading)}</h2>\n<table>\n<thead><tr>{cells}</tr></thead>\n<tbody>\n{lines}\n</tbody>\n</table>"
        )
    body.append("<h2>Cautions</h2>\n<ul>" + "\n".join(f"<li>{escape(text)}</li>" for text in _cautions(result)))
    body.append("</ul>\n<h2>What these figures are</h2>")
    body += [f"<p>{escape(text)}</p>" for text in _standing(result)]
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


def _facts(result: Mapping[str, Any]) -> list[str]:
    found = [
        f"{figure(result['grams'])} g hold {figure(result['energy_kcal'])} kcal of metabolisable energy "
        f"(90 % interval {figure(result['energy_low_kcal'])} to {figure(result['energy_high_kcal'])}), by "
        f"{result['energy_formula_title']} ({result['energy_formula']}).",
        f"Animal ingredients without bone {figure(result['meat_pct'])} %, bone {figure(result['bone_pct'])} %, "
        f"additions {figure(result['additions_pct'])} %. Calcium to phosphorus "
        f"{figure(result['calcium_phosphorus_ratio'])}.",
    ]
    daily = result["daily"]
    if daily:
        found.append(
            f"A cat of {figure(daily['weight_kg'])} kg ({daily['activity'].replace('_', ', ')}) needs about "
            f"{figure(daily['kcal'])} kcal a day: {figure(daily['grams'])} g or {figure(daily['ounces'])} oz."
        )
    return found


def _tables(result: Mapping[str, Any]) -> list[tuple[str, Table]]:
    return [("Ingredients", _ingredients(result)), ("Analysis", _analysis(result)), ("Nutrients", _nutrients(result))]


def _ingredients(result: Mapping[str, Any]) -> Table:
    rows: list[Sequence[str]] = [
        (row["name"], figure(row["grams"]), f"{row['share_pct']:.1f}", row["kind"]) for row in result["ingredients"]
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
        "Energy, kcal ME", figure(energy * 100), figure(energy * OUNCE_G), figure(None if dry is None else dry * 100),
    ))  # fmt: skip
    return ("", "per 100 g", "per ounce", "per 100 g dry matter"), rows


def _nutrients(result: Mapping[str, Any]) -> Table:
    rows: list[Sequence[str]] = []
    for entry in result["components"]:
        least, most = entry["minimum"], entry["maximum"]
        top = figure(most) if most is not None else "" if entry["verdict"] == "no_requirement" else NO_MAXIMUM
        chance = chance_text(entry)
        rows.append((
            f"{entry['name']} · {entry['component']}", f"{figure(entry['per_1000kcal'])} {shown_unit(entry['unit'])}",
            "" if least is None else figure(least), top, verdict_text(entry), f"{chance} %" if chance else "",
            standing(entry),
        ))  # fmt: skip
    return ("Nutrient", "per 1000 kcal", "Minimum", "Maximum", "Verdict", "Chance", "Requirement figure"), rows


def _cautions(result: Mapping[str, Any]) -> list[str]:
    found = []
    for row in result["cautions"]:
        detail = f" ({row['detail']})" if row["detail"] else ""
        at = f" [{', '.join(row['from'])}]" if row["from"] else ""
        found.append(f"{row['text']}{detail}{at}")
    return found


def _standing(result: Mapping[str, Any]) -> Iterable[str]:
    yield f"Requirement profile {result['need']}; table version {result['table_version'] or 'not accepted yet'}."
    memory = sorted(entry["component"] for entry in result["components"] if entry["rests_on_memory"])
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
