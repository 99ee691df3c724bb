"""Mutation score: seeded single-cell mutations of the published table and of the reference stage, and what sees them.

Run on request:  python -m tests.benchmarks.mutations ROOT [N]
ROOT is a built root; N mutations of each (default 2,200). A sample of 100 runs with the tests. Several mutations share
one scratch copy, each in a row (published table) or food (reference stage) of its own, and each is looked for by name.
"""

from __future__ import annotations

import csv
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rawref.checks.accepted import run_accepted
from rawref.checks.run import run
from rawref.database import connect

KINDS = (
    "times_10",
    "times_1000",
    "sign",
    "blank_to_zero",
    "zero_to_blank",
    "unit_swap",
    "status_change",
    "row_dropped",
    "row_doubled",
    "food_swapped",
    "provenance_altered",
    "basis_change",
    "release_change",
    "alias_change",
)
BATCH = 110


@dataclass
class Score:
    """What became of the mutations: seen or not, by kind and by what saw them; the survivors by name."""

    made: Counter[str] = field(default_factory=Counter)
    seen: Counter[str] = field(default_factory=Counter)
    by_rule: Counter[str] = field(default_factory=Counter)
    survivors: list[str] = field(default_factory=list)
    alarms: int = 0
    """Told of a copy in which nothing was spoilt."""

    def share(self) -> float:
        return sum(self.seen.values()) / max(1, sum(self.made.values()))

    def text(self, title: str) -> str:
        lines = [f"{title}: {sum(self.seen.values())} of {sum(self.made.values())} seen ({self.share():.1%})"]
        lines += [f"  {kind:20} {self.seen[kind]:5} of {self.made[kind]:5}" for kind in KINDS if self.made[kind]]
        lines += ["  seen by (a mutation may be seen by several):"]
        lines += [f"    {rule:8} {count}" for rule, count in self.by_rule.most_common()]
        lines += [f"  false alarms on an unspoilt copy: {self.alarms}"]
        lines += [f"  survivors: {len(self.survivors)}"] + [f"    {name}" for name in self.survivors[:40]]
        return "\n".join(lines)


# --- the published table
def mutate_row(kind: str, row: dict[str, str], rng: random.Random) -> list[dict[str, str]] | None:
    """The rows that stand in place of `row`; None where the kind does not apply to it."""
    value, changed = row["value"], dict(row)
    if kind in ("times_10", "times_1000", "sign"):
        if not value or float(value) == 0:
            return None
        changed["value"] = repr(float(value) * {"times_10": 10, "times_1000": 1000, "sign": -1}[kind])
    elif kind == "blank_to_zero":
        if value:
            return None
        changed["value"] = "0.0"
    elif kind == "zero_to_blank":
        if not value or float(value) != 0:
            return None
        changed["value"] = ""
    elif kind == "unit_swap":
        changed["unit"] = rng.choice([u for u in ("g", "mg", "ug") if u != row["unit"]])
    elif kind == "status_change":
        changed["status"] = rng.choice(
            [s for s in ("measured", "calculated", "imputed", "missing") if s != row["status"]]
        )
    elif kind == "row_dropped":
        return []
    elif kind == "row_doubled":
        return [row, changed]
    elif kind == "food_swapped":
        if not row["food_id"]:
            return None
        changed["food_id"] = (
            str(int(row["food_id"]) + 1).zfill(5) if row["food_id"].isdigit() else row["food_id"] + "-2"
        )
    elif kind == "basis_change":
        changed["basis"] = rng.choice(["per kg edible portion, raw", "per 100 g dry matter", ""])
    elif kind == "release_change":
        if not row["release"]:
            return None
        changed["release"] = row["release"] + "1"
    elif kind == "alias_change":  # an id that nobody gave, as an alias that was never written down
        changed["ingredient_id"] = row["ingredient_id"] + "-old"
    else:
        column = rng.choice(["source_value", "derivation", "line", "source_component", "reference_ids"])
        changed[column] = (row[column] or "0") + "1"
    return [changed]


def mutate_published(folder: Path, schemas: Path, count: int, seed: int = 1) -> Score:
    """Mutations of values.csv, each seen when check or drift names its cell."""
    try:
        from rawref.drift.compare import compare
    except ImportError:
        compare = None  # type: ignore[assignment]
    rng, score = random.Random(seed), Score()
    with (folder / "values.csv").open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        heading, rows = list(reader.fieldnames or []), list(reader)
    quiet = named_published(run_accepted(folder, schemas))
    done = 0
    with tempfile.TemporaryDirectory() as scratch:
        spoilt = Path(scratch) / "curated"
        shutil.copytree(folder, spoilt)
        score.alarms = int(named_published(run_accepted(spoilt, schemas)) != quiet)
        if compare is not None:
            score.alarms += len(compare(folder, spoilt, schemas)["changes"])
        while done < count:
            planned: dict[int, tuple[str, list[dict[str, str]]]] = {}
            while len(planned) < min(BATCH, count - done):
                place, kind = rng.randrange(len(rows)), KINDS[(done + len(planned)) % len(KINDS)]
                made = mutate_row(kind, rows[place], rng)
                if place not in planned and made is not None:
                    planned[place] = (kind, made)
            with (spoilt / "values.csv").open("w", encoding="utf-8", newline="") as stream:
                writer = csv.DictWriter(stream, heading, lineterminator="\n")
                writer.writeheader()
                for place, row in enumerate(rows):
                    writer.writerows(planned[place][1] if place in planned else [row])
            told = named_published(run_accepted(spoilt, schemas))
            drifted = set()
            if compare is not None:
                drifted = {
                    f"{c['ingredient_id']}:{c['component']}" for c in compare(folder, spoilt, schemas)["changes"]
                }
            for place, (kind, _) in planned.items():
                subject = f"{rows[place]['ingredient_id']}:{rows[place]['component']}"
                rules = told.get(subject, set()) - quiet.get(subject, set())
                _count(
                    score,
                    kind,
                    subject,
                    {r.split("|")[0] for r in rules} | ({"drift"} if subject in drifted else set()),
                )
            done += len(planned)
            _progress(score)
    return score


def named_published(result: dict[str, Any]) -> dict[str, set[str]]:
    """What each subject of the published table is told for: rule and detail."""
    found: dict[str, set[str]] = {}
    for rule in result["rules"]:
        for f in rule["findings"]:
            if f["scope"] == "curated":
                found.setdefault(f["subject"], set()).add(f"{rule['id']}|{f['severity']}|{f['detail']}")
    return found


# --- the reference stage
SPOILT_WORDS = ("source_unit", "release", "derivation", "source_component")
"""Columns of the reference values that are spoilt by a word that no source has."""


def mutate_reference(database: Path, schemas: Path, count: int, seed: int = 2) -> Score:
    """Mutations of reference."values" of foods in scope, one a food and batch; each seen when a rule names its food."""
    rng, score, done = random.Random(seed), Score(), 0
    with tempfile.TemporaryDirectory() as scratch:
        with connect(database, read_only=True) as con:
            quiet = named_foods(run(con, schemas))
            score.alarms = int(named_foods(run(con, schemas)) != quiet)
            rows = con.execute(
                """select v.rowid, v.food_id, v.component, v.value, v.status, v.unit from reference."values" v
                   join reference.foods f using (source, release, food_id)
                   where v.source = 'usda-sr28' and f.realm = 'animal' and f.state = 'raw' order by v.rowid"""
            ).fetchall()
        foods = sorted({row[1] for row in rows})
        sound, copy = Path(scratch) / "sound.duckdb", Path(scratch) / "spoilt.duckdb"
        shutil.copyfile(database, sound)
        with connect(sound) as con:
            for column in SPOILT_WORDS:  # else only words that some source prints could stand there
                con.execute(f'alter table reference."values" alter {column} type text')
        while done < count:
            planned: dict[str, tuple[str, str, str]] = {}
            shutil.copyfile(sound, copy)
            with connect(copy) as con:
                while len(planned) < min(BATCH, count - done):
                    row, kind = rng.choice(rows), KINDS[(done + len(planned)) % len(KINDS)]
                    if row[1] not in planned and mutate_stored(con, kind, row, foods, rng):
                        planned[row[1]] = (kind, row[2], row[4])
                told = named_foods(run(con, schemas))
            for food, (kind, component, status) in planned.items():
                rules = {r.split("|")[0] for r in told.get(food, set()) - quiet.get(food, set())}
                _count(score, kind, f"{food} {component} ({status}): {kind}", rules)
            done += len(planned)
            _progress(score)
    return score


def mutate_stored(con: Any, kind: str, row: tuple[Any, ...], foods: list[str], rng: random.Random) -> bool:
    """Spoil one stored row; whether the kind applies to it."""
    rowid, food, component, value, status, unit = row
    table = 'reference."values"'
    if kind in ("times_10", "times_1000", "sign"):
        if not value:
            return False
        con.execute(
            f"update {table} set value = value * ? where rowid = ?",
            [{"times_10": 10, "times_1000": 1000, "sign": -1}[kind], rowid],
        )
    elif kind == "blank_to_zero":
        if value is not None:
            return False
        con.execute(f"update {table} set value = 0 where rowid = ?", [rowid])
    elif kind == "zero_to_blank":
        if value != 0:
            return False
        con.execute(f"update {table} set value = null where rowid = ?", [rowid])
    elif kind == "unit_swap":
        con.execute(
            f"update {table} set unit = ? where rowid = ?",
            [rng.choice([u for u in ("g", "mg", "ug") if u != unit]), rowid],
        )
    elif kind == "status_change":
        other = rng.choice([s for s in ("measured", "calculated", "imputed", "missing") if s != status])
        con.execute(f"update {table} set status = ? where rowid = ?", [other, rowid])
    elif kind == "row_dropped":
        con.execute(f"delete from {table} where rowid = ?", [rowid])
    elif kind == "row_doubled":
        con.execute(f"insert into {table} select * from {table} where rowid = ?", [rowid])
    elif kind == "food_swapped":
        con.execute(
            f"update {table} set food_id = ? where rowid = ?", [rng.choice([f for f in foods if f != food]), rowid]
        )
    elif kind == "basis_change":
        con.execute(f"update {table} set source_unit = source_unit || '/kg' where rowid = ?", [rowid])
    elif kind == "release_change":
        con.execute(f"update {table} set release = release || '1' where rowid = ?", [rowid])
    elif kind == "alias_change":  # read as another component of the same unit
        con.execute(
            f"update {table} set component = (select component from reference.components c where c.unit = ? and"
            f" c.component <> ? order by hash(c.component || ?) limit 1) where rowid = ?",
            [unit, component, str(rng.random()), rowid],
        )
    else:
        column = rng.choice(["text", "derivation", "source_component", "donor_food_id", "n"])
        changed = "coalesce(n, 0) + 1" if column == "n" else f"coalesce({column}, '') || '1'"
        con.execute(f"update {table} set {column} = {changed} where rowid = ?", [rowid])
    return True


def named_foods(result: dict[str, Any]) -> dict[str, set[str]]:
    """What each SR28 food is told for: rule, scope and detail."""
    found: dict[str, set[str]] = {}
    for rule in result["rules"]:
        for f in rule["findings"]:
            parts = f["subject"].split(":")
            if parts[0] == "usda-sr28" and len(parts) > 1:
                found.setdefault(parts[1], set()).add(f"{rule['id']}|{f['severity']}|{f['subject']}|{f['detail']}")
    return found


def _progress(score: Score) -> None:
    """How far a long run is, for whoever watches it: what was seen counts though the run be cut off."""
    sys.stderr.write(f"{sum(score.seen.values())} of {sum(score.made.values())} seen\n")
    sys.stderr.flush()


def _count(score: Score, kind: str, name: str, rules: set[str]) -> None:
    score.made[kind] += 1
    if rules:
        score.seen[kind] += 1
        score.by_rule.update(sorted(rules))
    else:
        score.survivors.append(name if kind in name else f"{name}: {kind}")


def main() -> None:
    """Print both scores."""
    root, count = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 2200
    for title, measure, place in (
        ("published table", mutate_published, root / "curated"),
        ("reference stage", mutate_reference, root / ".rawref" / "rawref.duckdb"),
    ):
        started = time.monotonic()
        score = measure(place, root / "schemas", count)
        sys.stdout.write(f"{score.text(title)}\n  {time.monotonic() - started:.0f} s\n")


if __name__ == "__main__":
    main()
