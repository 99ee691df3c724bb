"""Copies of a published folder with one thing spoilt, for the tests of drift, models and the consumer suite."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

from rawref.published.export import content_digests, digest, wide_column
from rawref.published.place import write_json

Rows = list[dict[str, str]]


def copy(folder: Path, target: Path) -> Path:
    """A copy of a published folder to spoil."""
    shutil.copytree(folder, target)
    return target


def read(folder: Path, table: str) -> Rows:
    """Rows of a published CSV, every cell text."""
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write(folder: Path, table: str, rows: Rows) -> None:
    """Write rows back as the program does: LF, quotes only where needed."""
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def edit(folder: Path, table: str, change: Callable[[Rows], None], *, restamp: bool = True) -> None:
    """Apply `change` to the rows of a table; restamp the manifest unless the edit is to look like one by hand."""
    rows = read(folder, table)
    change(rows)
    write(folder, table, rows)
    if restamp:
        stamp(folder)


def stamp(folder: Path) -> None:
    """Make manifest and descriptor state the digests that the files have."""
    path = folder / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["content"] = content_digests(folder)
    write_json(path, document)
    path = folder / "datapackage.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    for resource in document["resources"]:
        facts = digest(folder / resource["path"])
        resource["bytes"], resource["hash"] = facts["bytes"], f"sha256:{facts['sha256']}"
    write_json(path, document)


def cell(rows: Rows, ingredient: str, component: str) -> dict[str, str]:
    """The row of an ingredient and component."""
    return next(r for r in rows if r["ingredient_id"] == ingredient and r.get("component", component) == component)


def set_cell(
    folder: Path, ingredient: str, component: str, *, restamp: bool = True, table: str = "values", **to: str
) -> dict[str, str]:
    """Set columns of one row of a table, in `values` with its wide twins; returns the row as it was."""
    was = dict(cell(read(folder, table), ingredient, component))
    edit(folder, table, lambda rows: cell(rows, ingredient, component).update(to), restamp=False)
    if table == "values" and restamp:
        wide(folder)
    if restamp:
        stamp(folder)
    return was


def wide(folder: Path) -> None:
    """Make the wide twins say what `values` says."""
    units = {r["component"]: wide_column(r) for r in read(folder, "components") if r["needed"] == "yes"}
    held = {(r["ingredient_id"], units[r["component"]]): r for r in read(folder, "values")}
    for table, column in (("table", "value"), ("table_status", "status")):
        rows = read(folder, table)
        for row in rows:
            for name in list(row)[2:]:
                if (row["ingredient_id"], name) in held:
                    row[name] = held[row["ingredient_id"], name][column]
        write(folder, table, rows)
