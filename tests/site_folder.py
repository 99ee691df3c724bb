"""A small folder of published tables for the site's tests, and what a hostile publisher could have put into it."""

from __future__ import annotations

import csv
import fcntl
import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rawref.database import connect
from rawref.report import write_site
from rawref.workspace import Workspace

TABLES = ("ingredients", "values", "gaps", "candidates", "components", "references", "catalogue")
FEW = ("beef-heart", "beef-liver", "chicken-egg-whole", "chicken-gizzard", "chicken-heart", "chicken-liver",
       "atlantic-mackerel", "blue-mussel", "pork-tenderloin-lean", "turkey-liver")
HOSTILE = {
    "script": "<script>window.hurt=1</script>",
    "attribute": "\"'><img src=x onerror=\"window.hurt=1\">",
    "end": "</script><script>window.hurt=1</script><!--",
    "formula": "=cmd|' /C calc'!A0",
    "rtl": "\u202egnp.rekcal\u202c \u05d0\u05d1 liver",
    "template": "{{ 7 * 7 }}{% raw %}&lt;b&gt;&amp;",
}
"""Names that must be shown as they are and do nothing."""


def read(folder: Path, table: str) -> list[dict[str, str]]:
    """The rows of a published CSV file, every field as text."""
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write(folder: Path, table: str, found: list[dict[str, str]], heading: list[str]) -> None:
    """Write rows as the published form has them."""
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, heading, lineterminator="\n")
        writer.writeheader()
        writer.writerows(found)


def small(published: Path, target: Path, names: Mapping[str, str] | None = None) -> Path:
    """A copy of `published` with ten ingredients; `names` replaces the names of the first ingredients, and every other
    text that a source or a person wrote in their cells."""
    target.mkdir(parents=True)
    given = dict(zip(FEW, (names or {}).values(), strict=False))
    for table in TABLES:
        heading = list(csv.reader((published / f"{table}.csv").open(encoding="utf-8", newline="")).__next__())
        kept = [row for row in read(published, table) if row.get("ingredient_id", FEW[0]) in FEW]
        for row in kept:
            hostile = given.get(row.get("ingredient_id", ""))
            if hostile is None:
                continue
            for column in ("name", "scientific_name", "refuse_note", "food_name", "source_value", "source_unit",
                           "source_component", "reason", "detail", "remedy", "reason_not_chosen", "file",
                           "donor_food_id"):
                if row.get(column):
                    row[column] = hostile
        if names and table == "references":
            for row in kept:
                row |= {"title": HOSTILE["end"], "authors": HOSTILE["attribute"], "url": "javascript:window.hurt=1"}
        write(target, table, kept, heading)
    for name in ("manifest.json", "datapackage.json"):
        shutil.copyfile(published / name, target / name)
    if names:
        manifest = json.loads((target / "manifest.json").read_text(encoding="utf-8"))
        manifest["version"] = HOSTILE["script"]
        (target / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    return target


def whole(built: Workspace, base: Path) -> tuple[Path, Path, dict[str, Any]]:
    """The site of the whole table from the working database, written once below `base`, that of a run of tests, by the
    first worker to ask for it; the published files that it leads to, and its summary."""
    folder = (base.parent if base.name.startswith("popen-") else base) / "whole-site"
    folder.mkdir(exist_ok=True)
    out, kept = folder / "site", folder / "summary.json"
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.is_file():
            with connect(built.database, read_only=True) as con:
                summary = write_site(built, con, out, check=CHECK, drift=DRIFT)
            kept.write_text(json.dumps([str(built.built), summary]), encoding="utf-8")
    published, summary = json.loads(kept.read_text(encoding="utf-8"))
    return out, Path(published), summary


CHECK: dict[str, Any] = {
    "summary": {"rules": 2, "passed": 1, "warned": 0, "failed": 1, "not_applicable": 0},
    "rules": [
        {"id": "P01", "level": "food", "rule": "the proximates sum to 95 to 105 g", "source": "a guideline",
         "status": "failed", "findings": [
             {"severity": "fail", "scope": "curated", "subject": "beef-liver:WATER", "detail": "sum 140 g",
              "cure": "look"},
             *({"severity": "warn", "scope": "source", "subject": f"usda-sr28:{n:05}", "detail": HOSTILE["script"],
                "cure": HOSTILE["attribute"]} for n in range(300))]},
        {"id": "P02", "level": "value", "rule": HOSTILE["end"], "source": "another", "status": "passed",
         "findings": []},
    ],
}
DRIFT: dict[str, Any] = {
    "summary": {"added": 0, "removed": 1, "changed": 1, "significant": 1},
    "changes": [
        {"kind": "value", "ingredient_id": "beef-liver", "component": "RETOL", "before": 4948.0, "after": 0.0,
         "relative_change": -1.0, "tier": "requirement", "cause": "source", "why": HOSTILE["script"]},
        {"kind": "removed", "ingredient_id": "gone-liver", "component": None, "before": HOSTILE["attribute"],
         "after": None, "relative_change": None, "tier": "note", "cause": "ingredients", "why": "retired"},
    ],
}
