"""The drawings as SVG text: no colour without a shape, each with a sentence for those who do not see it. The strips of
an ingredient, ten thousand in all, are drawn by the script of the pages from a few letters."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from string import ascii_lowercase, ascii_uppercase
from typing import Any

from markupsafe import Markup, escape

from rawref.report.tables import Peers
from rawref.report.words import number, plain, rounded, short

STRIP_WIDTH, TICK = 150, 3
"""Foods within TICK of each other share a tick."""
LETTERS = ascii_uppercase + ascii_lowercase
FEWEST = 3
"""Comparable foods from which a strip is drawn: one or two say nothing that the chain does not."""
BLANK, BY_NATURE = "e", "n"
"""The band of what is unknown (schemas/statuses.csv), which the picture leaves blank, and that of what an ingredient
cannot hold, hatched. Bands of figures are told apart by height: a is full, b two thirds, c a thin line, d dots."""
CELL, ROW = 13, 7
PLOT_LEFT, PLOT_WIDTH, DOT = 176, 680, 4
STACK = 11
"""Dots of one column before they overlap."""


def strip(peers: Peers | None, value: float | None, low: float | None, high: float | None, unit: str) -> str:
    """A cell against its comparable foods on an axis from zero, for the script of the pages to draw: `ticks median
    range value end`. A tick is a letter, its place in steps of TICK (A 0, a 26); range is `at+width`; `-` is none.

    Ticks are foods, the tall one their median, the bar the range and the diamond the value of the cell. Empty where
    there are too few to compare with. The chain of the cell says the same in words."""
    if peers is None or len(peers.amounts) < FEWEST:
        return ""
    top = max([peers.amounts[-1], *(x for x in (value, high) if x is not None)]) or 1.0

    def at(amount: float | None, step: int = 1) -> Any:
        return "-" if amount is None else round((STRIP_WIDTH - 6) * amount / top / step)

    ticks = "".join(LETTERS[at] for at in sorted({at(amount, TICK) for amount in peers.amounts}))
    bar = f"{at(low)}+{max(at(high) - at(low), 1)}" if low is not None and high is not None else "-"
    return f"{ticks} {at(peers.median)} {bar} {at(value)} {rounded(top)} {unit}"


def bar(part: int, whole: int) -> Markup:
    """A share as a bar of 60 by 8; its number stands beside it, so it is hidden from screen readers."""
    width = round(60 * part / whole) if whole else 0
    return Markup(f'<svg class="bar" viewBox="0 0 60 8" aria-hidden="true"><path class="all" d="M0 4h60"/>'
                  f'<path class="part" d="M0 4h{width}"/></svg>')


def picture(lines: Sequence[Sequence[str]], tags: Sequence[str], said: str) -> Markup:
    """Bands of statuses of many ingredients (rows) by component (columns), told apart by height."""
    top = 66
    runs: dict[str, list[str]] = {}
    for at_row, row in enumerate(lines):
        start = 0
        for band, same in groupby(row):
            length = len(list(same))
            if band != BLANK:
                runs.setdefault(band, []).append(f"M{start * CELL} {top + at_row * ROW + 3}h{length * CELL}")
            start += length
    heads = "".join(f'<text transform="translate({i * CELL + 9} {top - 6})rotate(-90)">{escape(tag)}</text>'
                    for i, tag in enumerate(tags))
    bottom = top + len(lines) * ROW
    grid = "".join(f"M{i * CELL} {top - 3}V{bottom}" for i in range(len(tags) + 1))
    bands = "".join(f'<path class="{band}" d="{"".join(found)}"/>' for band, found in sorted(runs.items()))
    return Markup(f'<svg class="picture" viewBox="0 0 {len(tags) * CELL + 1} {bottom + 2}" '
                  f'width="{len(tags) * CELL + 1}" height="{bottom + 2}" role="img" aria-label="')\
        + escape(said) + Markup(f'"><path class="grid" d="{grid}"/>{heads}{bands}</svg>')


@dataclass(frozen=True, slots=True)
class Dot:
    """One ingredient of a distribution; `mark` is its number among the outliers, 0 for none."""

    ingredient_id: str
    value: float
    mark: int = 0


def distribution(parts: Sequence[tuple[str, Sequence[Dot]]], unit: str, said: str) -> Markup:
    """Amounts by part on a logarithmic line: a dot per ingredient, outliers as numbered diamonds; empty without any.

    Dots are stacked where they meet. Zeros stand apart at the left, as a logarithm has none.
    """
    amounts = [dot.value for _, dots in parts for dot in dots if dot.value > 0]
    if not amounts:
        return Markup("")
    first = math.floor(math.log10(min(amounts)))
    last = max(math.ceil(math.log10(max(amounts))), first + 1)
    zeros = any(dot.value == 0 for _, dots in parts for dot in dots)
    left = PLOT_LEFT + (40 if zeros else 0)
    scale = (PLOT_WIDTH - (40 if zeros else 0)) / (last - first)

    def across(value: float) -> float:
        return left + (math.log10(value) - first) * scale if value > 0 else PLOT_LEFT + 12.0

    drawn, y = [], 26.0
    for part, dots in parts:
        columns: dict[int, int] = {}
        places = []
        for dot in sorted(dots, key=lambda d: (d.mark == 0, d.value, d.ingredient_id)):
            column = round(across(dot.value) / DOT)
            stacked = columns.get(column, 0)
            columns[column] = stacked + 1
            places.append((dot, column * DOT, stacked % STACK))
        tallest = min(max(columns.values(), default=1), STACK)
        height = (32 if any(dot.mark for dot in dots) else 20) + tallest * DOT
        floor = y + height - 8
        drawn.append(f'<path class="floor" d="M{PLOT_LEFT} {floor + 3:g}H{PLOT_LEFT + PLOT_WIDTH}"/>'
                     f'<text x="{PLOT_LEFT - 8}" y="{floor:g}" text-anchor="end">'
                     f"{escape(plain(part))} ({len(dots)})</text>")
        dotted = "".join(f"M{x:g} {floor - stacked * DOT:g}h0" for dot, x, stacked in places if not dot.mark)
        drawn.append(f'<path class="dots" d="{dotted}"/>')
        drawn += [_mark(dot, x, floor - stacked * DOT, unit) for dot, x, stacked in places if dot.mark]
        y += height
    axis = []
    for power in range(first, last + 1):
        x = round(left + (power - first) * scale, 1)
        axis.append(f'<path class="grid" d="M{x:g} 20V{y:g}"/><text x="{x:g}" y="14" text-anchor="middle">'
                    f"{number(10.0 ** power) if -5 < power < 9 else f'1e{power}'}</text>")
    if zeros:
        axis.append(f'<text x="{PLOT_LEFT + 12}" y="14" text-anchor="middle">0</text>')
    return Markup(f'<svg class="plot" viewBox="0 0 {PLOT_LEFT + PLOT_WIDTH + 20} {y + 6:g}" role="img" aria-label="')\
        + escape(said) + Markup(f'">{"".join(axis)}{"".join(drawn)}</svg>')


def _mark(dot: Dot, x: float, y: float, unit: str) -> str:
    title = f"<title>{escape(dot.ingredient_id)} {short(dot.value)} {escape(unit)}</title>"
    above = y - (6 if dot.mark % 2 else 15)  # two lines of numbers, as outliers lie close together
    return (f'<path class="far" d="M{x:g} {y - 4:g}l4 4-4 4-4-4z">{title}</path>'
            f'<text class="no" x="{x:g}" y="{above:g}" text-anchor="middle">{dot.mark}</text>')


def stack(parts: Iterable[tuple[str, int]], said: str) -> Markup:
    """Shares of a whole by band as one bar, told apart by height as the picture is."""
    found = sorted(((band, n) for band, n in parts if n), key=lambda part: (part[0], -part[1]))
    whole = sum(n for _, n in found) or 1
    drawn, start = [], 0.0
    for band, n in found:
        width = 1000 * n / whole
        drawn.append(f'<path class="{band}" d="M{start:.1f} 14h{max(width - 1, 0.5):.1f}"/>')
        start += width
    return Markup('<svg class="stack" viewBox="0 0 1000 28" preserveAspectRatio="none" role="img" aria-label="')\
        + escape(said) + Markup(f'">{"".join(drawn)}</svg>')


def said_of(words: dict[str, Any]) -> str:
    """A sentence of counts, such as `12 measured, 3 missing`."""
    return ", ".join(f"{n} {plain(code)}" for code, n in words.items() if n)


def coverage(lines: Sequence[tuple[str, Sequence[tuple[bool, float, int]]]]) -> Markup:
    """Observed against expected coverage, a line each: a diamond where the species was left out, a square where the
    other table was; the tall line is the 90 % due, the band 84 to 96 %. `lines`: name, (species?, share, pairs)."""
    if not lines:
        return Markup("")
    left, width, step, lowest = 130, 270, 15, 0.4

    def at(share: float) -> int:
        return left + round(width * (max(share, lowest) - lowest) / (1 - lowest))

    tall = step * len(lines) + 24
    deep = tall - 20
    drawn = [f'<path class="due" d="M{at(0.84)} 0h{at(0.96) - at(0.84)}v{deep}H{at(0.84)}z"/>'
             f'<path class="m" d="M{at(0.9)} 0v{deep}"/>']
    for place, (name, held) in enumerate(lines):
        y = 12 + step * place
        drawn.append(f'<text x="8" y="{y + 4}">{escape(name)}</text>')
        for by_species, share, pairs in held:
            x = at(share)
            shape = f"M{x} {y - 5}l5 5-5 5-5-5z" if by_species else f"M{x - 4} {y - 4}h8v8h-8z"
            way = "species" if by_species else "other table"
            label = f"{escape(name)}, {way} left out: {share:.1%} of {pairs}"
            drawn.append(f'<path class="{"v" if by_species else "k"}" d="{shape}"><title>{label}</title></path>')
    for share in (0.4, 0.6, 0.8, 0.9, 1.0):
        drawn.append(f'<text x="{at(share)}" y="{tall - 4}" text-anchor="middle">'
                     f'{"≤ " if share == lowest else ""}{share * 100:.0f} %</text>')
    said = "; ".join(f"{name} " + " and ".join(f"{share:.0%}" for _, share, _ in held) for name, held in lines)
    wide = left + width + 24
    head = Markup(f'<svg class="plot calibrated" viewBox="0 0 {wide} {tall}" role="img" aria-label="')
    return head + escape(f"Share within the range, 90 % due: {said}") + Markup(f'">{"".join(drawn)}</svg>')
