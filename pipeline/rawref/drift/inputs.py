"""Which inputs differ between two tables, and which changes each of them can reach at all.

The manifests name the files. What stood in them before is read from git where it is at hand: then a registry row or a
decision reaches only the cells that it names, and of the program only the modules that changed are looked at.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rawref.drift.history import History
from rawref.drift.read import Side

CAUSES = ("source", "rule", "decision", "ingredients", "code", "unknown")
NEEDS = "raw/maintainer/needs/"
RANGE = "low high spread_basis"
PEERS = "peers_n peers_low peers_median peers_high"
CATALOGUE = f"catalogue ingredients {PEERS} ceiling ceiling_basis {RANGE}"
GAP = "kind detail remedy"
REACH = (
    ("raw/", "source", "", ""),
    ("raw/maintainer/mixes/", None, "", ""),
    ("raw/maintainer/decisions.csv", "decision", "", ""),
    ("raw/maintainer/ingredients.", "ingredients", "", ""),
    ("raw/maintainer/ingredient_", "ingredients", "", ""),
    ("raw/maintainer/copied_foods.", "ingredients", "", ""),
    ("raw/maintainer/composites.", "ingredients", "", ""),
    (NEEDS, "rule", "needed_by", "what is required"),
    ("schemas/", "rule", "", ""),
    ("schemas/checks.csv", None, "", ""),
    ("schemas/commonness.csv", None, "", ""),
    ("schemas/consumer_suite.json", None, "", ""),
    ("schemas/datapackage.schema.json", None, "", ""),
    ("schemas/drift.csv", None, "", ""),
    ("schemas/energy_formulas.csv", None, "", ""),
    ("schemas/hydrates.csv", None, "", ""),
    ("schemas/inclusion.csv", None, "", ""),
    ("schemas/mix_", None, "", ""),
    ("schemas/assay_limits.csv", None, "", ""),
    ("schemas/search_words.csv", None, "", ""),
    ("schemas/thiaminase_free.csv", None, "", ""),
    ("schemas/not_to_be_fed.csv", None, "", ""),
    ("schemas/fields.csv", "rule", "datapackage", "columns and their descriptions"),
    ("schemas/handover.csv", "rule", "datapackage", "what readers hand over"),
    ("schemas/vocabularies.csv", "rule", "datapackage", "words and their definitions"),
    ("schemas/units.csv", "rule", f"value {RANGE} unit steps", "units"),
    ("schemas/confidence.csv", "rule", "confidence", "the rubric of the grades"),
    ("schemas/cautions.csv", "rule", "cautions datapackage", "cautions"),
    ("schemas/cooking_", "rule", GAP, "which cooked food may stand beside a gap"),
    ("schemas/retention_factors.csv", "rule", GAP, "retention factors"),
    ("schemas/facet_", "rule", CATALOGUE, "how a food is described"),
    ("schemas/food_groups.csv", "rule", CATALOGUE, "how a food is described"),
    ("schemas/name_phrases.csv", "rule", CATALOGUE, "how a food is described"),
    ("schemas/species", "rule", CATALOGUE, "how a food is described"),
    ("schemas/langual_facets.csv", "rule", CATALOGUE, "how a food is described"),
    ("schemas/witness_", "rule", CATALOGUE, "how a food is described"),
    ("schemas/review_reasons.csv", "rule", CATALOGUE, "how a food is described"),
    ("pipeline/", "code", "", ""),
    ("pipeline/rawref/checks/", None, "", ""),
    ("pipeline/rawref/cli.py", None, "", ""),
    ("pipeline/rawref/clock.py", None, "", ""),
    ("pipeline/rawref/drift/", None, "", ""),
    ("pipeline/rawref/fetch/", None, "", ""),
    ("pipeline/rawref/lookup/", None, "", ""),
    ("pipeline/rawref/mix/", None, "", ""),
    ("pipeline/rawref/render/", None, "", ""),
    ("pipeline/rawref/report/", None, "", ""),
    ("pipeline/rawref/release/", None, "", ""),
    ("pipeline/rawref/published/", None, "", ""),
    ("pipeline/rawref/published/descriptor.py", "code", "datapackage", "how the table is described"),
    ("pipeline/rawref/published/export.py", "code", "", ""),
    ("pipeline/rawref/cooked/", "code", GAP, "what cooked food stands beside a gap"),
    ("pipeline/rawref/stages/curated/ranges", "code", f"{RANGE} reason disagreement calibration",
     "how ranges are worked out"),
    ("pipeline/rawref/stages/curated/calibration", "code", "calibration", "how ranges are judged"),
    ("pipeline/rawref/stages/curated/ceilings", "code", "ceiling ceiling_basis", "how ceilings are worked out"),
    ("pipeline/rawref/stages/curated/gaps.sql", "code", "gaps", "what kind of gap it is"),
    ("pipeline/rawref/stages/reference/facets", "code", CATALOGUE, "how a food is described"),
    ("pipeline/rawref/stages/reference/peers.sql", "code", f"{PEERS} ceiling ceiling_basis {RANGE}",
     "which foods are comparable"),
)
"""By how a path begins, the longest first: the cause that it stands for, None where no published cell comes from it;
the columns or tables that it can alter, empty for all; and how that is told."""
CELL = ("ingredient_id", "component")
KEYS = (*CELL, "source", "food_id")
"""Columns by which a row of a changed file names the cells that it is about."""


@dataclass(frozen=True)
class Input:
    """One input that differs."""

    path: str
    cause: str
    reach: frozenset[str]
    what: str
    rows: tuple[dict[str, str], ...] | None = None
    """Rows that came, went or changed; None where the old file is not at hand, or it has no rows."""

    @cached_property
    def _asked(self) -> tuple[str, ...]:
        """What of a change its rows can be held against."""
        held = {column for row in self.rows or () for column in row}
        return (*(k for k in KEYS if k in held), *(["derivation"] if {"kind", "code"} <= held else []),
                *(["steps"] if "from_unit" in held else []))

    @cached_property
    def _rows_of(self) -> dict[tuple[Any, ...], dict[str, str] | None]:
        return {}

    def row(self, change: dict[str, Any]) -> dict[str, str] | None:
        """The first of its changed rows that may be about the change."""
        if not self.rows:
            return None
        about = (change.get("about") or {}) | {k: change[k] for k in CELL}
        key = tuple(about.get(k) for k in self._asked)
        if key not in self._rows_of:
            known = dict(zip(self._asked, key, strict=True))
            self._rows_of[key] = next((row for row in self.rows or () if _concerns(row, known)), None)
        return self._rows_of[key]

    @cached_property
    def _cells(self) -> dict[tuple[str, ...], dict[str, str]]:
        return {key: row for row in self.rows or () for key in _cells_of(row)}

    def names(self, change: dict[str, Any]) -> dict[str, str] | None:
        """The changed row that names just this cell, or just the figure that it rests on."""
        if not self.rows:
            return None
        about = (change.get("about") or {}) | {k: change[k] for k in CELL}
        return next((self._cells[key] for key in _cells_of(about) if key in self._cells), None)

    def alters(self, table: str, fields: Iterable[str]) -> bool:
        """Whether it can alter all of these columns."""
        return not self.reach or table in self.reach or (bool(fields) and self.reach.issuperset(fields))

    def reaches(self, change: dict[str, Any]) -> bool:
        """Whether the whole change can come from this input."""
        return self.alters(change["table"], change["fields"]) and (self.rows is None or self.row(change) is not None)

    def message(self, change: dict[str, Any]) -> str:
        """What changed in it, as far as it is about the change."""
        where = self.path + _label(self.names(change) or self.row(change))
        return f"{self.what}: {where}" if self.what else where

    def first(self) -> str:
        """The file, with the first of its changed rows, and whether there are others."""
        if not self.rows:
            return self.path
        first = _label(self.rows[0])
        alone = all(_label(row) == first for row in self.rows)
        return self.path + (first if alone else f"{first[:-1]} and others)")


def _label(row: dict[str, str] | None) -> str:
    return f" ({'/'.join([v for v in row.values() if v][:3])[:60]})" if row else ""


def _cells_of(row: dict[str, Any]) -> list[tuple[str, ...]]:
    """The cell, and the figure of a source, that a row or change names in full."""
    wanted = (("ingredient_id", "component"), ("source", "food_id", "source_component"))
    return [tuple(row[c] for c in columns) for columns in wanted if all(row.get(c) for c in columns)]


def _concerns(row: dict[str, str], about: dict[str, Any]) -> bool:
    """Whether what a row names is what is known of the change; what neither says is open."""
    if any(row.get(k) and about.get(k) and row[k] != about[k] for k in KEYS):
        return False
    if row.get("kind") == "derivation" and about.get("derivation") and row.get("code") != about["derivation"]:
        return False
    step = row.get("id") if "from_unit" in row else None
    return not step or step in (about.get("steps") or "")


def entry(path: str) -> tuple[str, str | None, str, str]:
    """The row of REACH for a path; what the table does not know is a file that a source brought."""
    return max((r for r in REACH if path.startswith(r[0])), key=lambda r: len(r[0]), default=("", "source", "", ""))


def group_of(path: str) -> str | None:
    """The cause that a changed input file stands for; None where it cannot change the table."""
    return entry(path)[1]


def changed_groups(before: dict[str, Any], after: dict[str, Any]) -> dict[str, list[str]]:
    """Cause to the input files that differ between two manifests; `code` by its one digest."""
    old, new = digests(before), digests(after)
    found: dict[str, list[str]] = {}
    for path in sorted(set(old) | set(new)):
        group = group_of(path)
        if group and old.get(path) != new.get(path):
            found.setdefault(group, []).append(path)
    pairs = {(s.get("id"), s.get("release") if s.get("present") else None) for s in sources(before)}
    for source in sources(after):
        named = str(source.get("id"))
        if (source.get("id"), source.get("release") if source.get("present") else None) not in pairs:
            found.setdefault("source", []).append(named)
    if before.get("code") != after.get("code"):
        found.setdefault("code", []).append("pipeline/")
    return found


def inputs_that_differ(old: Side, new: Side) -> dict[str, list[str]]:
    """Cause to the inputs that differ, in the order of CAUSES; empty where a manifest does not state its inputs."""
    if not old.digests or not digests(old.manifest) or not digests(new.manifest):
        return {}
    found = changed_groups(old.manifest, new.manifest)
    return {cause: found[cause] for cause in CAUSES if cause in found}


def changed_inputs(
    groups: dict[str, list[str]], old: Side, new: Side, past: History | None
) -> tuple[Input, ...]:
    """Each changed input with its reach; `pipeline/` gives way to its changed modules where git tells them."""
    found = []
    stated = digests(old.manifest)
    names = {str(s.get("id")) for side in (old, new) for s in sources(side.manifest)}
    for cause, paths in groups.items():
        modules = past.changed_below("pipeline") if past and cause == "code" else []
        for path in [m for m in modules if group_of(m)] if modules else paths:
            _, _, reach, what = entry(path)
            rows = None
            if path.endswith(".csv") and past and (past.root / path).is_file():
                before = past.text(path, stated[path]) if path in stated else b""
                rows = None if before is None else _changed_rows(before, (past.root / path).read_bytes(), names)
            found.append(Input(path, cause, frozenset(reach.split()), what, rows))
    return tuple(found)


def _changed_rows(before: bytes, after: bytes, names: set[str]) -> tuple[dict[str, str], ...]:
    """Rows of two forms of a CSV file that stand in one of them only; a column `source` that cites is left out."""
    sides = [list(csv.DictReader(io.StringIO(body.decode("utf-8", "replace")))) for body in (before, after)]
    known = [{tuple(sorted((k, v) for k, v in row.items() if k and v)) for row in rows} for rows in sides]
    return tuple(
        {k: v for k, v in row.items() if k and isinstance(v, str) and (k != "source" or v in names)}
        for rows, other in zip(sides, reversed(known), strict=True)
        for row in rows
        if tuple(sorted((k, v) for k, v in row.items() if k and v)) not in other
    )


def digests(manifest: dict[str, Any]) -> dict[str, str]:
    """The inputs that a manifest states, by path."""
    inputs = manifest.get("inputs", {})
    return dict(inputs) if isinstance(inputs, dict) else {}


def sources(manifest: dict[str, Any]) -> list[dict[str, Any]]:
    """The sources that a manifest lists."""
    listed = manifest.get("sources", [])
    return [s for s in listed if isinstance(s, dict)] if isinstance(listed, list) else []


def releases(manifest: dict[str, Any]) -> dict[str, Any]:
    """Source to its release, of those present."""
    return {str(s.get("id")): s.get("release") for s in sources(manifest) if s.get("present")}


def changed_sources(old: Side, new: Side, files: Iterable[str]) -> set[str]:
    """Sources whose release, presence or files differ."""
    was, now = releases(old.manifest), releases(new.manifest)
    found = {s for s in was.keys() | now.keys() if was.get(s) != now.get(s)}
    for path in files:
        place = Path(path).parts
        if path.startswith(".rawref/sources/") and len(place) > 2:
            found.add(place[2])
        elif path.startswith("raw/") and len(place) > 2:
            found.add(place[1])
    return found


def listed(text: Any) -> list[Any]:
    """A JSON list of a cell; empty where a hand has spoilt it."""
    try:
        found = json.loads(text or "[]")
    except ValueError:
        return []
    return found if isinstance(found, list) else []
