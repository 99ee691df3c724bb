"""The drawing of a mix: every line against its minimum and maximum on one logarithmic axis, as an SVG file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from markupsafe import escape

from rawref.errors import InputError

FLOOR, CEILING = 0.01, 100.0  # of the minimum; what lies outside is drawn at the edge
LEFT, WIDTH, RIGHT, ROW, TOP = 200, 560, 20, 18, 44
SHAPES = {
    "meets": "M{x} {y}m-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0", "short": "M{x} {y}m-5 -4h10l-5 9z",
    "over": "M{x} {y}m-5 4h10l-5 -9z", "undecided": "M{x} {y}m0 -5l5 5l-5 5l-5 -5z",
}  # fmt: skip
"""Marks told apart without colour: circle, triangle down, triangle up, diamond."""
LEGEND = (
    "multiple of the minimum per 1000 kcal (solid line; dashed: maximum; dotted bar: no upper bound)",
    "circle meets, triangle down short, triangle up over, diamond undecided; * figure from memory",
)


def draw(result: Mapping[str, Any], path: Path) -> None:
    """Write the drawing as SVG; the same bytes for the same result.

    A bar is the 90 % interval per 1000 kcal as a multiple of the minimum (of the maximum where there is no minimum), a
    mark the amount, its shape the verdict. InputError for another ending or a folder that is not there.
    """
    if path.suffix.lower() != ".svg":
        shown = path.suffix or "a file without an ending"
        raise InputError(f"cannot draw {shown}", str(path), "end the name in .svg, which every browser opens")
    if not path.parent.is_dir():
        raise InputError("no such folder", str(path.parent), "make the folder first")
    path.write_text(drawing(result), encoding="utf-8", newline="\n")


def drawing(result: Mapping[str, Any]) -> str:
    """The SVG document."""
    rows = [entry for entry in result["components"] if _base(entry)]
    bottom = TOP + ROW * len(rows)
    height, whole = bottom + 62, LEFT + WIDTH + RIGHT
    title = f"{result['need']}, energy by {result['energy_formula']}"
    said = "; ".join(f"{entry['name']} {entry['verdict'].replace('_', ' ')}" for entry in rows)
    grid = "".join(f"M{_across(10.0**power):.1f} {TOP - 4}V{bottom}" for power in range(-2, 3))
    ticks = "".join(
        f'<text x="{_across(10.0**power):.1f}" y="{bottom + 16}" text-anchor="middle">{10.0**power:g}</text>'
        for power in range(-2, 3)
    )
    notes = "".join(
        f'<text x="{LEFT}" y="{bottom + 34 + 16 * n}">{escape(text)}</text>' for n, text in enumerate(LEGEND)
    )
    lines = "".join(_row(entry, TOP + ROW * n + ROW / 2) for n, entry in enumerate(rows))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {whole} {height}" width="{whole}" height="{height}" '
        f'role="img" font-family="sans-serif" font-size="12"><title>{escape(title)}</title><desc>{escape(said)}</desc>'
        f'<rect width="{whole}" height="{height}" fill="#fff"/>'
        f'<text x="{LEFT}" y="20" font-size="14">{escape(title)}</text>'
        f'<path d="{grid}" stroke="#ccc" fill="none"/>{lines}{ticks}{notes}</svg>\n'
    )


def _row(entry: Mapping[str, Any], y: float) -> str:
    base = _base(entry) or 1.0
    low, high = _across((entry["per_1000kcal_low"] or 0.0) / base), entry["per_1000kcal_high"]
    right = _across(CEILING if high is None else high / base)
    dots = ' stroke-dasharray="2 3"' if high is None else ""
    mark = "*" if entry["rests_on_memory"] else ""
    name = f"{entry['name']} · {entry['component']}"
    text = f"{name if len(name) <= 30 else entry['component']}{mark}"
    drawn = [
        f'<text x="{LEFT - 10}" y="{y + 4:.1f}" text-anchor="end">{escape(text)}</text>',
        f'<path d="M{low:.1f} {y:.1f}H{right:.1f}" stroke="#767676" stroke-width="5"{dots}/>',
    ]
    for key, style in (("minimum", ""), ("maximum", ' stroke-dasharray="3 2"')):
        if entry[key]:
            at = _across(entry[key] / base)
            drawn.append(f'<path d="M{at:.1f} {y - 7:.1f}v14" stroke="#000" stroke-width="2"{style}/>')
    if entry["per_1000kcal"] is not None:
        shape = SHAPES.get(entry["verdict"], SHAPES["meets"])
        place = shape.format(x=f"{_across(entry['per_1000kcal'] / base):.1f}", y=f"{y:.1f}")
        drawn.append(f'<path d="{place}" fill="#000"/>')
    return "".join(drawn)


def _base(entry: Mapping[str, Any]) -> float | None:
    """What the bar is a multiple of: the minimum, else the strictest figure shown, else the maximum."""
    figures = [row["per_1000kcal"] for row in entry["other_figures"] if row["bound"] == "minimum"]
    base = entry["minimum"] or (max(figures) if figures else None) or entry["maximum"]
    return float(base) if base else None


def _across(multiple: float) -> float:
    share = math.log(min(max(multiple, FLOOR), CEILING) / FLOOR) / math.log(CEILING / FLOOR)
    return LEFT + WIDTH * share
