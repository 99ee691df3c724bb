"""How much of a mix is decided, over the recipes of tests/data and raw/maintainer, and how often a verdict holds where
another table's figure can be taken for the truth. Benchmark on request: python -m tests.benchmarks.mix_decided.

The recipes are our own. Those named complete-* were made by one rule: what the figures bring of a nutrient below 125 %
of its minimum (profile DEFAULT_NEED) is topped up to 150 % by a pure addition, calcium to 1.25 times phosphorus by
eggshell; taurine to 400 mg per 1000 kcal (common practice, no source). The others are as people mix them: not complete.

The truth of a line: for every ingredient the figure of another table for the same ingredient (an evidence candidate
that was not chosen), where at least HELD of what the line counts comes from ingredients that have such a figure; the
rest keeps the published figure. The interval of a value may have been fitted on all tables together, so this is a
check of the method on recipes, not a proof out of sample: that stands with the calibration of the ranges.

What comparable foods foretell is checked out of sample: one known figure at a time is hidden as if it were unknown (the
ingredient is left out of its own comparable foods), and another table's figure for it is the truth.
"""

from __future__ import annotations

import csv
import math
import statistics
import sys
from collections import Counter, defaultdict
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from rawref.mix.batch import ask, bounds_of
from rawref.mix.inputs import read_mix
from rawref.mix.line import judged_line
from rawref.mix.mix import batch_of, evaluate
from rawref.mix.table import Table, load_table
from rawref.needs.profile import DEFAULT_NEED, Need, load_need
from rawref.registry import evidence
from rawref.workspace import Workspace

from tests.mix_tables import RECIPES

REPO = Path(__file__).resolve().parents[2]
HELD, MOST = Fraction(1, 2), Fraction(7, 10)
EVIDENCE = evidence(REPO / "schemas")
PROXIMATES = ("PROCNT", "FAT")
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
            other = row["status"] in EVIDENCE and row["value"] and row["source"] != chosen.get(key)
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
        unseen = False
        for part in component.split("+"):
            for key, content in batch.contents(part).items():
                unseen |= content.foretold is not None and (key, part) not in rivals
                amount = batch.grams[key] * content.counted / 100
                rival = rivals.get((key, part))
                own += amount
                other += amount if rival is None else batch.grams[key] * rival / 100
                covered += 0 if rival is None else amount
        if unseen or not own or covered < HELD * own:
            continue
        reached = float(other / batch.kcal * 1000) >= entry["minimum"]
        held[component] = reached == (entry["verdict"] == "meets")
    return held


def hidden(table: Table, need: Need, rivals: dict[tuple[str, str], Fraction]) -> tuple[Counter[str], list[Any]]:
    """Verdicts that rest on comparable foods for one hidden figure: how many hold by the figure of another table, and
    those that do not; and how often a maximum that is said to be kept is."""
    found, failed = Counter[str](), []
    for file in RECIPES:
        batch, _ = batch_of(table, read_mix(file))
        for component in need.components():
            bounds = bounds_of(batch, need, component)
            if bounds.minimum is None or "/" in component or "+" in component or component in PROXIMATES:
                continue
            contents = batch.contents(component)
            for key, content in contents.items():
                if content.state != "known" or content.flags or (key, component) not in rivals:
                    continue
                cell, gap = table.raw_cells[key, component], table.raw_gaps.pop((key, component), None)
                table.raw_cells[key, component] = ("missing", None, None, None, None)
                batch.found.clear()
                judged = judged_line(batch, ask(batch, component), bounds)
                batch.found.clear()
                table.raw_cells[key, component] = cell
                if gap is not None:
                    table.raw_gaps[key, component] = gap
                true = batch.grams[key] * (rivals[key, component] - content.counted) / 100
                true += sum(batch.grams[k] * c.counted / 100 for k, c in contents.items())
                per_1000kcal = true / batch.kcal * 1000
                if bounds.maximum is not None and judged.maximum is not None and judged.maximum.sure:
                    kept = per_1000kcal <= bounds.maximum.per_1000kcal
                    found[f"maximum kept {'holds' if kept else 'fails'}"] += 1
                if not judged.on_comparables or judged.minimum is None:
                    continue
                if not (judged.minimum.sure or judged.minimum.hopeless):
                    found["undecided"] += 1
                    continue
                reached = per_1000kcal >= bounds.minimum.per_1000kcal
                holds = reached == judged.minimum.sure
                found[f"{'meets' if judged.minimum.sure else 'short'} {'holds' if holds else 'fails'}"] += 1
                if not holds:
                    failed.append((file.stem, key, component))
    return found, failed


def spread_of_truths(table: Table, need: Need, rivals: dict[tuple[str, str], Fraction]) -> Counter[str]:
    """How often a quotient by other tables' figures, energy included, lies within the 50 % and the 90 % interval that
    the recipe foretells, for lines of which MOST or more has such a figure. Were the intervals too wide, more than that
    would: then verdicts could be bolder."""
    found = Counter[str]()
    for file in RECIPES:
        batch, _ = batch_of(table, read_mix(file))
        kcal = math.fsum(
            float(batch.grams[key] * factor * rivals.get((key, bearer), content.counted)) / 100
            for key, energy in batch.energies.items() for bearer, (factor, content) in energy.parts.items()
        )  # fmt: skip
        for component in (name for name in need.components() if "/" not in name and "+" not in name):
            contents = batch.contents(component)
            own = sum(batch.grams[key] * content.counted for key, content in contents.items())
            seen = sum(batch.grams[key] * c.counted for key, c in contents.items() if (key, component) in rivals)
            other = math.fsum(
                float(batch.grams[key] * rivals.get((key, component), content.counted)) / 100
                for key, content in contents.items()
            )
            if not own or seen < MOST * own or other <= 0:
                continue
            below = 1 - ask(batch, component).quotient.chance(other / kcal)
            found["lines"] += 1
            found["in the 50 % interval"] += 0.25 <= below <= 0.75
            found["in the 90 % interval"] += 0.05 <= below <= 0.95
    return found


def moves_with_fat(folder: Path, components: Sequence[str]) -> dict[str, tuple[int, float]]:
    """Number of pairs of foods and correlation of log(another table / ours) of a component with that of fat, foods of
    one ingredient: near 0, the errors of the two are independent; above, the quotient by energy errs less than that."""
    with (folder / "values.csv").open(encoding="utf-8", newline="") as file:
        ours = {(row["ingredient_id"], row["component"]): row for row in csv.DictReader(file)}
    foods: dict[tuple[str, str, str], dict[str, float]] = defaultdict(dict)
    with (folder / "candidates.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["status"] in EVIDENCE and float(row["value"] or 0) > 0 and "cop" not in row["reason_not_chosen"]:
                foods[row["ingredient_id"], row["source"], row["food_id"]][row["component"]] = float(row["value"])
    found = {}
    for component in components:
        pairs = []
        for (ingredient_id, source, _), held in foods.items():
            both = [ours[ingredient_id, name] for name in ("FAT", component) if (ingredient_id, name) in ours]
            if len(both) == 2 and {"FAT", component} <= held.keys() and all(
                row["source"] not in ("", source) and row["status"] in EVIDENCE and float(row["value"] or 0) > 0
                for row in both
            ):
                pairs.append([math.log(held[row["component"]] / float(row["value"])) for row in both])
        found[component] = len(pairs), statistics.correlation(*zip(*pairs, strict=True))
    return found


def measure(workspace: Workspace, folder: Path, need_name: str = DEFAULT_NEED) -> dict[str, Any]:
    """The share of judged lines that are decided, by recipe and in all, and the share of verdicts that hold."""
    table, need = load_table(workspace, folder), load_need(workspace, need_name)
    rivals = rivals_of(folder)
    rows, open_lines, failed = [], Counter[str](), []
    judged = decided = tested = right = 0
    for file in RECIPES:
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
        "open": open_lines.most_common(), "spread": spread_of_truths(table, need, rivals),
        "with_fat": moves_with_fat(folder, ("PROCNT", "P", "K", "MG", "FE", "ZN", "SE", "THIA", "F18D2N6", "TOCPHA")),
        "hidden": hidden(table, need, rivals),
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
    complete = [row for row in found["rows"] if row[0].startswith("complete")]
    whole, done = sum(row[1] for row in complete), sum(row[2] for row in complete)
    lines += [
        f"complete recipes: {done} of {whole} lines decided, {done / whole * 100:.1f} %",
        f"all: {found['decided']} of {found['judged']} lines decided, {found['share'] * 100:.1f} %",
        f"verdicts that hold with another table's figures: {found['right']} of {found['tested']}",
        f"do not hold: {found['failed']}",
        f"undecided, in recipes: {found['open']}",
        f"quotients by other tables' figures, energy included: {dict(found['spread'])}",
        "correlation of the errors with that of fat: "
        + ", ".join(f"{name} {value:.2f} (n {n})" for name, (n, value) in found["with_fat"].items()),
        f"with one figure hidden, lines that rest on comparable foods: {dict(found['hidden'][0])}",
        f"do not hold by another table's figure: {found['hidden'][1]}",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
