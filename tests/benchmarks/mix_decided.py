"""How much of a mix is decided, over the recipes of tests/data and raw/maintainer, and how often a verdict holds where
another table's figure can be taken for the truth. Benchmark on request: python tests/benchmarks/mix_decided.py.

The truth of a line: for every ingredient the figure of another table for the same ingredient (an evidence candidate
that was not chosen), where at least HELD of what the line counts comes from ingredients that have such a figure; the
rest keeps the published figure. The interval of a value may have been fitted on all tables together, so this is a
check of the method on recipes, not a proof out of sample: that stands with the calibration of the ranges.
"""

from __future__ import annotations

import csv
import sys
from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import Any

from rawref.mix.inputs import read_mix
from rawref.mix.mix import batch_of, evaluate
from rawref.mix.table import COUNTED, Table, load_table
from rawref.needs.profile import DEFAULT_NEED, load_need
from rawref.workspace import Workspace

REPO = Path(__file__).resolve().parents[2]
RECIPES = [file for place in ("tests/data", "raw/maintainer") for file in (REPO / place / "mixes").glob("*.csv")]
HELD = Fraction(1, 2)
DECIDED = ("over", "short", "meets")


def rivals_of(folder: Path) -> dict[tuple[str, str], Fraction]:
    """The best ranked evidence of another source than the chosen one, by ingredient and component."""
    with (folder / "values.csv").open(encoding="utf-8", newline="") as file:
        chosen = {(row["ingredient_id"], row["component"]): row["source"] for row in csv.DictReader(file)}
    found: dict[tuple[str, str], Fraction] = {}
    with (folder / "candidates.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            key = (row["ingredient_id"], row["component"])
            why = row["reason_not_chosen"]
            other = row["status"] in COUNTED and row["value"] and row["source"] != chosen.get(key)
            if other and key not in found and "cop" not in why and "reject" not in why:
                found[key] = Fraction(row["value"])
    return found


def truths(
    table: Table, file: Path, result: dict[str, Any], rivals: dict[tuple[str, str], Fraction]
) -> dict[str, bool]:  # fmt: skip
    """Whether the verdicts `meets` and `short` hold, by component, where enough of the line has another figure."""
    batch, _ = batch_of(table, read_mix(file))
    held = {}
    for entry in result["components"]:
        component = entry["component"]
        if entry["verdict"] not in {"meets", "short"} or entry["minimum"] is None or "/" in component:
            continue
        own = other = covered = Fraction(0)
        for part in component.split("+"):
            for key, content in batch.contents(part).items():
                amount = batch.grams[key] * content.counted / 100
                rival = rivals.get((key, part))
                own += amount
                other += amount if rival is None else batch.grams[key] * rival / 100
                covered += 0 if rival is None else amount
        if not own or covered < HELD * own:
            continue
        reached = float(other / batch.kcal * 1000) >= entry["minimum"]
        held[component] = reached == (entry["verdict"] == "meets")
    return held


def measure(workspace: Workspace, folder: Path, need_name: str = DEFAULT_NEED) -> dict[str, Any]:
    """The share of judged lines that are decided, by recipe and in all, and the share of verdicts that hold."""
    table, need = load_table(workspace, folder), load_need(workspace, need_name)
    rivals = rivals_of(folder)
    rows, open_lines, failed = [], Counter[str](), []
    judged = decided = tested = right = 0
    for file in sorted(RECIPES, key=lambda path: path.stem):
        result = evaluate(table, read_mix(file), need)
        lines = [entry for entry in result["components"] if entry["verdict"] != "no_requirement"]
        done = sum(entry["verdict"] in DECIDED for entry in lines)
        open_lines.update(entry["component"] for entry in lines if entry["verdict"] == "undecided")
        held = truths(table, file, result, rivals)
        failed += [(file.stem, component) for component, holds in held.items() if not holds]
        rows.append((file.stem, len(lines), done, len(held), sum(held.values())))
        judged, decided = judged + len(lines), decided + done
        tested, right = tested + len(held), right + sum(held.values())
    return {
        "rows": rows, "judged": judged, "decided": decided, "share": decided / judged, "tested": tested,
        "right": right, "holds": right / tested if tested else None, "failed": failed,
        "open": open_lines.most_common(),
    }  # fmt: skip


def main() -> None:
    """Print the measures for the accepted table, or for the folder given."""
    workspace = Workspace(REPO)
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else workspace.curated
    found = measure(workspace, folder)
    lines = [
        f"{name:<28} {done:>3} of {judged:>3} decided {done / judged * 100:5.1f} %   {right} of {tested} hold"
        for name, judged, done, tested, right in found["rows"]
    ]
    lines += [
        f"all: {found['decided']} of {found['judged']} lines decided, {found['share'] * 100:.1f} %",
        f"verdicts that hold with another table's figures: {found['right']} of {found['tested']}",
        f"do not hold: {found['failed']}",
        f"undecided, in recipes: {found['open']}",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
