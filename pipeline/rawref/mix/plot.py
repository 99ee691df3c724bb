"""A picture of a profile: the range of every component against its minimum and maximum, on one logarithmic axis."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rawref.errors import InputError

FORMATS = {".png", ".svg"}
FLOOR, CEILING = 0.01, 100.0  # of the minimum; what lies outside is drawn at the edge
SHAPES = {"meets": "o", "short": "v", "over": "^", "undecided": "D"}  # told apart without colour


def plot(result: Mapping[str, Any], path: Path) -> None:
    """Write the picture as PNG or SVG, by the ending of `path`; the same bytes for the same result.

    A bar is the range of the component per 1000 kcal as a multiple of its minimum (of its maximum where there is no
    minimum), a mark the amount, its shape the verdict. An open right end means that the unknown part has no bound.
    Raises InputError for another ending or a folder that is not there.
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"cannot draw {path.suffix or 'without an ending'}", str(path), "end the name in .png or .svg")
    if not path.parent.is_dir():
        raise InputError("no such folder", str(path.parent), "make the folder first")
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    rows = [entry for entry in result["components"] if _base(entry)]
    with mpl.rc_context({"svg.hashsalt": "rawref", "font.family": "DejaVu Sans", "font.size": 8}):
        figure = Figure(figsize=(8, 1.5 + 0.19 * len(rows)), dpi=100, layout="constrained")
        canvas = FigureCanvasAgg(figure) if path.suffix.lower() == ".png" else FigureCanvasSVG(figure)
        axes = figure.add_subplot()
        _draw(axes, rows)
        axes.set_title(f"{result['need']}, energy by {result['energy_formula']}", loc="left")
        # no date and no program version in the file: the same result gives the same bytes
        metadata: dict[str, Any] = {"Software": None} if path.suffix.lower() == ".png" else {"Date": None}
        if path.suffix.lower() == ".png":
            canvas.print_figure(path, format="png", metadata=metadata)
        else:
            canvas.print_figure(path, format="svg", metadata={**metadata, "Creator": None})


def _base(entry: Mapping[str, Any]) -> float | None:
    """What the bar is a multiple of: the minimum, else the strictest figure shown, else the maximum."""
    figures = [row["per_1000kcal"] for row in entry["other_figures"] if row["bound"] == "minimum"]
    base = entry["minimum"] or (max(figures) if figures else None) or entry["maximum"]
    return float(base) if base else None


def _draw(axes: Any, rows: list[Mapping[str, Any]]) -> None:
    for height, entry in enumerate(reversed(rows)):
        base = _base(entry) or 1.0
        low = _clip((entry["per_1000kcal_low"] or 0.0) / base)
        high = entry["per_1000kcal_high"]
        right = CEILING if high is None else _clip(high / base)
        style = ":" if high is None else "-"
        axes.plot([low, right], [height, height], color="0.45", linewidth=4, linestyle=style, solid_capstyle="butt")
        if entry["per_1000kcal"] is not None:
            shape = SHAPES.get(entry["verdict"], "o")
            axes.plot([_clip(entry["per_1000kcal"] / base)], [height], marker=shape, color="black", markersize=4)
        if entry["minimum"]:
            axes.plot([1, 1], [height - 0.4, height + 0.4], color="black", linewidth=1.5)
        if entry["maximum"]:
            edge = _clip(entry["maximum"] / base)
            axes.plot([edge, edge], [height - 0.4, height + 0.4], color="black", linewidth=1.5, linestyle="--")
    axes.set_yticks(range(len(rows)), [_label(entry) for entry in reversed(rows)])
    axes.set_xscale("log")
    axes.set_xlim(FLOOR, CEILING)
    axes.set_ylim(-0.8, len(rows) - 0.2)
    axes.set_xlabel(
        "multiple of the minimum per 1000 kcal (solid line; dashed: maximum; dotted bar: no upper bound)\n"
        "marks: circle meets, triangle down short, triangle up over, diamond undecided; (m) figure from memory"
    )
    axes.grid(visible=True, axis="x", color="0.85", linewidth=0.5)


def _label(entry: Mapping[str, Any]) -> str:
    return f"{entry['component']}{' (m)' if entry['rests_on_memory'] else ''}"


def _clip(value: float) -> float:
    return min(max(value, FLOOR), CEILING)
