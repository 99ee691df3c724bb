"""What is measured on raw and cooked pairs in the accepted table's build: `tests/data/cooking_results.csv`, in the form
of `tests/pinned.py`. `python -m tests.cooking_results` renews it from the last build of this checkout;
tests/test_cooking.py compares.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rawref.database import connect
from rawref.lookup.suggest import error_table
from rawref.workspace import Workspace

from tests.pinned import Line, line, write
from tests.rule_findings import REPO

FILE = REPO / "tests" / "data" / "cooking_results.csv"
SHOWN = {
    "errors": ("pairs", "families", "by_error", "rule", "coverage"),
    "coverage": ("trials", "coverage"),
    "yields": ("pairs", "yield_protein"),
    "pairs": ("pairs", "families"),
}
NAMED = ("group", "class", "method_group", "component")


def told(measured: dict[str, Any]) -> Iterator[Line]:
    """Errors of every way to predict, their coverage, yields, retentions, and how many pairs there are."""
    for part, shown in SHOWN.items():
        for row in measured[part]:
            named = [row[name] or "" for name in NAMED if name in row]
            yield line(part, named[0], " ".join(named[1:]), row, shown)
    of_group: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in measured["retention"]:
        of_group.setdefault((row["level"], row["group"]), []).append(row)
    for (level, group), medians in of_group.items():
        yield line("retention", group, level, {"medians": len(medians), "all": medians}, ("medians",))


if __name__ == "__main__":
    space = Workspace(REPO)
    with connect(space.database, read_only=True) as con:
        write(FILE, told(error_table(con, space.schemas)))
