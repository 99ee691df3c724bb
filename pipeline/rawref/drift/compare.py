"""What differs between two folders of published tables: each change with its kind, its weight and its cause.

Content is compared, not bytes: CSV files are canonical, rows are matched by key, numbers as numbers. Tiers:

requirement  at realistic inclusion (schemas/inclusion.csv) the change moves 1000 kcal of a mix by at least the share
             `requirement_share` (schemas/drift.csv) of the minimum or maximum of the default profile; so does a known
             amount that becomes unknown or the reverse, and a unit or the contract itself that changes.
spread       outside the accepted low..high; where there is none, outside the robust spread of the same part.
rounding     above one unit of the last decimal that the source printed.
note         the rest: provenance, ranges within a rounding step, rows of the listings.

What moves: the value, or an end of the range where that moves further; between a value and a range, how far the one may
lie from the other; where an amount becomes known or unknown, what comparable foods could hold if that is more. `why`
says which of them it tells. Within a tier faults of the contract come first, then amounts that moved and knowledge
that is lost, then gaps that were filled (`filled`): a blank that became a zero is not among these.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.drift.cause import causes
from rawref.drift.faults import check_wide, name_hand_edits
from rawref.drift.group import explanations, food_changes, grouped
from rawref.drift.head import head
from rawref.drift.history import History, history
from rawref.drift.inputs import CAUSES, inputs_that_differ
from rawref.drift.read import Side, find_faulty_cells, load, open_side
from rawref.drift.rows import Change, changed_rows, new_change
from rawref.drift.tiers import tier_cells, weigh_cells
from rawref.errors import InputError
from rawref.files import read_json
from rawref.published.descriptor import described_otherwise
from rawref.published.export import WIDE, content_digests
from rawref.sources import sha256
from rawref.workspace import Workspace

if TYPE_CHECKING:
    import duckdb

    from rawref.needs.profile import Need

TIERS = ("requirement", "spread", "rounding", "note")
KINDS = ("schema", "removed", "added", "unit", "value", "status", "provenance")
CELLS = ("values", "gaps")
FOLLOWED = {"values", "gaps", "candidates"}
"""Tables whose cells are followed to their inputs for the cause."""
ALIASES = "raw/maintainer/ingredient_aliases.csv"
CONTRACT = ("schemas/fields.csv", "schemas/vocabularies.csv", "schemas/components.csv")
"""Inputs that say which columns and words a published table has."""
LISTED = ("values", "ingredients", "gaps")
"""Tables whose rows are listed one by one even where the other folder has no such table."""


def compare(
    before: Path,
    after: Path,
    schemas: Path,
    need: Need | None = None,
    *,
    shown: tuple[str, str] = ("before", "after"),
    whole: bool = False,
    renamed: Mapping[str, str] | None = None,
    past: History | None = None,
    proven: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Differences of content from the table in `before` to that in `after`, worst first; the order is total.

    `need` gives the requirement that a change is weighed against; without it no change is of tier requirement by its
    amount. Changes of one event are one change with `members` (group.py), unless `whole`. Ids of `renamed` (old to new)
    are followed; `past` gives the old inputs, `proven` those from which the old table was made again. An absent or
    spoilt table in `before` is a finding of kind schema; without any published table in `after` InputError.
    """
    from rawref.database import connect

    old, new = open_side("before", before, shown[0]), open_side("after", after, shown[1])
    if not new.digests:
        raise InputError("no table here", shown[1], "run rawref build first")
    old.manifest |= proven or {}
    with connect() as con:
        changes = _changes(con, old, new, schemas, need, renamed or {}, past)
        foods = _foods(con, old, schemas)
        everything = len(changes)
        if foods is not None and not whole:
            changes = grouped(con, changes, foods, schemas)
        known = {side.name: _coverage(con, side) for side in (old, new)}
    changes.sort(key=_order)
    return {
        "schema_version": "1",
        "before": _about(old),
        "after": _about(new),
        "need": need.name if need else None,
        "summary": summary(changes),
        "coverage": known,
        "changed_inputs": inputs_that_differ(old, new),
        "head": head(old, new, changes, foods or [], everything),
        "explanations": explanations(changes),
        "changes": changes,
    }


def _foods(con: duckdb.DuckDBPyConnection, old: Side, schemas: Path) -> list[dict[str, Any]] | None:
    """Foods of the sources that changed; None where nothing was followed, or there is no former catalogue."""
    held = {r[0] for r in con.execute("select table_name from information_schema.tables").fetchall()}
    read = ("catalogue", "candidates", "ingredients", "values")
    wanted = {f"{side}_{t}" for side in ("before", "after") for t in read}
    return food_changes(con, schemas) if wanted <= held and "catalogue" in old.digests else None


def _coverage(con: duckdb.DuckDBPyConnection, side: Side) -> dict[str, Any] | None:
    """How much of a side is known; None where it lacks a table for that."""
    from rawref.published.coverage import coverage

    if not set(CELLS) <= set(side.digests):
        return None
    return coverage(con, f"{side.name}_values", f"{side.name}_gaps")


def drift(workspace: Workspace, against: Path | None = None) -> dict[str, Any]:
    """What the present build changes against the accepted table, or against the folder `against`; of a published table
    that stands alone, what it changes against that folder."""
    from rawref.needs.profile import load_need

    folder = require_table(against) if against else workspace.curated
    present = workspace.built if workspace.table is None else workspace.curated
    return compare(
        folder,
        present,
        workspace.schemas,
        load_need(workspace),
        renamed=renamed_ids(workspace),
        past=history(workspace, folder),
        proven=proven_inputs(workspace, folder),
        shown=(workspace.relative(folder), workspace.relative(present)),
    )


def proven_inputs(workspace: Workspace, folder: Path) -> dict[str, Any]:
    """`inputs` and `code` of the last build here that was equal to the table in `folder`; empty where there was none.

    What has changed before that build has changed nothing of the table, and no later change is laid at its door."""
    note, manifest = read_json(workspace.equal) or {}, folder / "manifest.json"
    if not (manifest.is_file() and isinstance(note.get("inputs"), dict) and note.get("accepted") == sha256(manifest)):
        return {}
    return {"inputs": note["inputs"], "code": note.get("code")}


def renamed_ids(workspace: Workspace) -> dict[str, str]:
    """Old ingredient ids to those that replace them, by raw/maintainer/ingredient_aliases.csv."""
    path = workspace.maintainer / "ingredient_aliases.csv"
    if not path.is_file():
        return {}
    rows = registry.read_csv(path, workspace.relative(path))
    return {r["alias"]: r["ingredient_id"] for _, r in rows if r["standing"] == "renamed" and r["ingredient_id"]}


def require_table(folder: Path) -> Path:
    """The folder, if it holds a published table; InputError else."""
    cure = "give a folder that holds published CSV files, such as a copy of curated/"
    if not folder.is_dir():
        raise InputError("no such folder", str(folder), cure)
    if not content_digests(folder):
        raise InputError("no published table in this folder", str(folder), cure)
    return folder


def summary(changes: list[Change]) -> dict[str, Any]:
    """Counts: added and removed rows, changed cells (faults included), and those of the two upper tiers."""

    def count(key: str, names: tuple[str, ...]) -> dict[str, int]:
        return {n: sum(c[key] == n for c in changes) for n in names}

    kinds = count("kind", KINDS)
    renamed = sum(bool(c.get("renamed")) for c in changes)
    return {
        "added": kinds["added"],
        "removed": kinds["removed"],
        "renamed": renamed,
        "changed": len(changes) - kinds["added"] - kinds["removed"] - renamed,
        "significant": sum(c["tier"] in ("requirement", "spread") for c in changes),
        "tiers": count("tier", TIERS),
        "kinds": kinds,
        "causes": count("cause", CAUSES),
    }


def _about(side: Side) -> dict[str, Any]:
    return {"folder": side.shown, "version": side.manifest.get("version"), "tables": len(side.digests)}


def _order(change: Change) -> tuple[Any, ...]:
    return (
        TIERS.index(change["tier"]),
        KINDS.index(change["kind"]) > 0,
        change["filled"],
        -(change["share_of_requirement"] or 0.0),
        -abs(change["relative_change"] or 0.0),
        KINDS.index(change["kind"]),
        change["table"],
        change["subject"],
        change["column"] or "",
        change["line"] or 0,
        change["why"],
    )


def _rename(con: duckdb.DuckDBPyConnection, tables: set[str], renamed: Mapping[str, str]) -> list[Change]:
    """Give the former table the present ids of ingredients that were renamed; a change for each."""
    if "ingredients" not in tables:
        return []
    ids = {side: {r[0] for r in con.execute(f"select ingredient_id from {side}_ingredients").fetchall()}
           for side in ("before", "after")}
    found = []
    for old_id, new_id in sorted(renamed.items()):
        if old_id not in ids["before"] - ids["after"] or new_id not in ids["after"] - ids["before"]:
            continue
        for table in sorted(tables):
            columns = {r[0] for r in con.execute(f"select column_name from (describe before_{table})").fetchall()}
            if "ingredient_id" in columns:
                con.execute(f"update before_{table} set ingredient_id = ? where ingredient_id = ?", [new_id, old_id])
            for column in sorted(columns & {"reason", "reason_not_chosen", "detail", "remedy"}):
                con.execute(
                    f"update before_{table} set {column} = regexp_replace({column},"
                    f" '(^|[^a-z0-9-])' || $1 || '($|[^a-z0-9-])', '\\1' || $2 || '\\2', 'g')"
                    f" where contains({column}, $1)", [old_id, new_id],
                )
        found.append(new_change(
            "provenance", "ingredients", ingredient_id=new_id, subject=new_id, column="ingredient_id", before=old_id,
            after=new_id, renamed=True, why=f"renamed from {old_id}",
        ))
    return found


def _changes(
    con: duckdb.DuckDBPyConnection, old: Side, new: Side, schemas: Path, need: Need | None, renamed: Mapping[str, str],
    past: History | None,
) -> list[Change]:
    fields = registry.fields(schemas)
    words = registry.vocabularies(schemas)
    if not old.digests:
        old.faults.clear()
    differing = {t for t in registry.PUBLISHED if old.digests.get(t) != new.digests.get(t)}
    suspect = differing | {t for side in (old, new) for t in side.edited if t in fields}
    wide = any(side.edited for side in (old, new)) or any(
        old.digests and old.digests.get(t) != new.digests.get(t) for t in WIDE
    )
    wanted = suspect | set(CELLS)
    if suspect & set(CELLS):
        wanted.add("ingredients")
    if suspect & (FOLLOWED | {"catalogue", "ingredients"}):
        wanted |= FOLLOWED | {"ingredients", "catalogue"}
    if wide:
        wanted |= {"values", "components"}
    for table in registry.PUBLISHED:
        if table in wanted:
            for side in (old, new):
                load(con, side, table, fields[table])
                if table in suspect and side.digests:
                    find_faulty_cells(con, side, table, fields[table], words)
    hand = {side.name: name_hand_edits(con, side, fields) for side in (old, new) if side.edited}
    for side in (old, new):
        if wide and side.digests:
            check_wide(con, side, hand.get(side.name, set()))
        for table in WIDE if wide and old.digests else ():
            named = any(f["table"] == table for s in (old, new) for f in s.faults)
            if (
                side is old
                and old.digests.get(table) != new.digests.get(table)
                and "values" not in differing
                and not named
            ):
                side.fault(table, f"{table}.csv differs, though values.csv does not: a name or the form of the file")
    renames = _rename(con, {t for t in wanted if t in registry.PUBLISHED}, renamed) if renamed else []
    changes: list[Change] = []
    for table in registry.PUBLISHED:
        if table not in differing:
            continue
        if table not in LISTED and table not in old.digests:
            changes.append(
                new_change(
                    "added", table, subject=table, after=_count(con, f"after_{table}"), why="the whole table is new"
                )
            )
            continue
        changes += changed_rows(con, table, fields[table])
    if cells := [c for c in changes if c["table"] in CELLS]:
        tier_cells(con, cells, weigh_cells(con, schemas, need, cells), need.name if need else "")
    changes += _descriptor_changes(old, new)
    causes(con, old, new, changes, hand.get("before", set()), schemas, past)
    changes += [c | {"cause": "ingredients"} | dict.fromkeys(("mechanism", "cause_why"), ALIASES) for c in renames]
    contract = [p for p in inputs_that_differ(old, new).get("rule", ()) if p in CONTRACT]
    for side in (old, new):
        changes += _faults(side, contract if side is old else [])
    return changes


def _descriptor_changes(old: Side, new: Side) -> list[Change]:
    """The same table may be described otherwise: a note for each place of the descriptor that differs."""
    return [
        new_change(
            "provenance",
            "datapackage",
            subject=place,
            column="description",
            before="as accepted",
            after="as the registry gives it",
            why="datapackage.json describes it otherwise",
        )
        for place in (described_otherwise(old.folder, new.folder) if old.digests else ())
    ]


def _count(con: duckdb.DuckDBPyConnection, table: str) -> str:
    from rawref.database import scalar

    return f"{scalar(con, f'select count(*) from {table}')} rows"


def _faults(side: Side, contract: list[str]) -> list[Change]:
    """What is wrong with a folder; where the `contract` changed since it was accepted, its words were words then: one
    change for each that is none any more."""
    if not contract:
        return [_fault(side, f) for f in side.faults]
    words: dict[tuple[str, str], list[dict[str, Any]]] = {}
    lacking = {(f["table"], f.get("column")) for f in side.faults if f.get("line") == 1}
    for fault in side.faults:
        if fault.get("word") and (fault["table"], fault.get("column")) in lacking:
            continue  # its cells are empty because the column was not there
        words.setdefault((fault["table"], fault.get("word") or fault["why"]), []).append(fault)
    found = []
    for (table, word), faults in words.items():
        change = _fault(side, faults[0])
        change |= {"cause": "rule", "mechanism": "the columns or words of the table changed",
                   "cause_why": f"the columns or words of the table changed: {', '.join(contract)}"}
        if len(faults) > 1:
            change |= {"ingredient_id": None, "component": None, "subject": table, "line": None,
                       "why": f"{side.shown}/{table}.csv: {word} any more, in {len(faults)} rows",
                       "members": [{"table": table, "subject": f"line {f['line']}", "tier": "requirement", "fields": {}}
                                   for f in faults]}
        found.append(change)
    return found


def _fault(side: Side, fault: dict[str, Any]) -> Change:
    table = fault["table"]
    cell = "/".join(x for x in (fault.get("ingredient_id"), fault.get("component")) if x)
    return new_change(
        "schema",
        table,
        ingredient_id=fault.get("ingredient_id"),
        component=fault.get("component"),
        before=fault.get("before"),
        after=fault.get("after"),
        tier="requirement",
        subject=cell or table,
        column=fault.get("column"),
        line=fault.get("line"),
        why=f"{side.shown}/{fault['why']}",
        mechanism="the folder itself is at fault",
        cause_why="the folder itself is at fault",
    )
