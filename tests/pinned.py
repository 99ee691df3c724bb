"""Results that are written down, so that a change of any of them is seen: one line each, told in short.

They are the program's own, so they say that nothing changed unseen, not that it is right: that is what the other tests
are for. `rest` is a digest of all that the line does not show.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

COLUMNS = ("question", "subject", "of", "told", "rest")
Line = tuple[str, ...]


def short(thing: Any) -> Any:
    """Numbers at four digits, the same on every machine."""
    if isinstance(thing, dict):
        return {key: short(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [short(value) for value in thing]
    return float(f"{float(thing):.4g}") if isinstance(thing, float | Fraction) else thing


def line(question: str, subject: str, of: str, said: dict[str, Any], shown: Iterable[str]) -> Line:
    """One result, with what is `shown` of it where it says anything."""
    told = {key: said[key] for key in shown if said[key] not in (None, [], "")}
    rest = json.dumps(short({key: value for key, value in said.items() if key not in told}), sort_keys=True)
    text = json.dumps(short(told), separators=(",", ":"), ensure_ascii=False)
    return question, subject, of, text, hashlib.sha256(rest.encode()).hexdigest()[:8]


def write(file: Path, lines: Iterable[Line]) -> None:
    made = [COLUMNS, *lines]
    with file.open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle, lineterminator="\n").writerows(made)


def moved(file: Path, lines: Iterable[Line]) -> list[str]:
    """What is another line now than in the file, as of a diff."""
    with file.open(encoding="utf-8", newline="") as handle:
        _, *stated = [tuple(row) for row in csv.reader(handle)]
    found = list(lines)
    gone, new = set(stated) - set(found), set(found) - set(stated)
    rows = [f"- {row}" for row in stated if row in gone] + [f"+ {row}" for row in found if row in new]
    return rows or ([] if found == stated else ["the order of the lines"])
