"""Why a cell changed: which inputs differ by the two manifests, and what the cell's own provenance says.

One input group changed: it is the cause. Several changed: the cell decides where it can (decision, source text, source
and release, food, steps, status). What it cannot decide is told apart by pipeline/attribute.py, which builds again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.drift_read import Side

if TYPE_CHECKING:
    import duckdb

CAUSES = ("source", "rule", "decision", "ingredients", "code", "unknown")
INGREDIENT_FILES = ("ingredients", "ingredient_foods", "copied_foods", "ingredient_aliases", "composites")
NOT_READ = ("raw/maintainer/mixes/",)
"""Inputs that no published number comes from."""


def group_of(path: str) -> str | None:
    """The cause that a changed input file stands for; None where it cannot change the table."""
    if path.startswith(NOT_READ):
        return None
    if path.startswith("pipeline/"):
        return "code"
    if path.startswith("schemas/"):
        return "code" if path.endswith(".py") else "rule"
    if path == "raw/maintainer/decisions.csv":
        return "decision"
    if path.startswith("raw/maintainer/needs/"):
        return "rule"
    if path.startswith("raw/maintainer/") and path.rsplit("/", 1)[-1].split(".")[0] in INGREDIENT_FILES:
        return "ingredients"
    return "source"


def changed_groups(before: dict[str, Any], after: dict[str, Any]) -> dict[str, list[str]]:
    """Cause to the input files that differ between two manifests; `code` by its one digest."""
    old, new = _digests(before), _digests(after)
    found: dict[str, list[str]] = {}
    for path in sorted(set(old) | set(new)):
        group = group_of(path)
        if group and old.get(path) != new.get(path):
            found.setdefault(group, []).append(path)
    pairs = {(s.get("id"), s.get("release") if s.get("present") else None) for s in _sources(before)}
    for source in _sources(after):
        named = str(source.get("id"))
        if (source.get("id"), source.get("release") if source.get("present") else None) not in pairs:
            found.setdefault("source", []).append(named)
    if before.get("code") != after.get("code"):
        found.setdefault("code", []).append("pipeline/")
    return found


def _digests(manifest: dict[str, Any]) -> dict[str, str]:
    inputs = manifest.get("inputs", {})
    return dict(inputs) if isinstance(inputs, dict) else {}


def _sources(manifest: dict[str, Any]) -> list[dict[str, Any]]:
    sources = manifest.get("sources", [])
    return [s for s in sources if isinstance(s, dict)] if isinstance(sources, list) else []


def causes(
    con: duckdb.DuckDBPyConnection, old: Side, new: Side, changes: list[dict[str, Any]], edited: set[tuple[str, str]]
) -> None:
    """Set `cause` and `cause_why` of every change; `edited` names (table, subject) that were edited by hand."""
    if not old.digests:
        for change in changes:
            change["cause_why"] = "no table to compare with"
        return
    if not _digests(old.manifest) or not _digests(new.manifest):
        for change in changes:
            change["cause_why"] = "a manifest with the digests of the inputs is lacking"
        return
    groups = changed_groups(old.manifest, new.manifest)
    cells = _cells(con) if len(groups) > 1 else {}
    files = set(groups.get("source", ()))
    for change in changes:
        if (change["table"], change["subject"]) in edited:
            change["cause_why"] = f"edited by hand in {old.shown}"
        elif not groups:
            change["cause_why"] = "no input differs by the manifests"
        elif len(groups) == 1:
            change["cause"], names = next(iter(groups.items()))
            change["cause_why"] = "only this changed: " + _some(names)
        else:
            change["cause"], change["cause_why"] = _of_cell(change, set(groups), cells, files)


def _some(names: list[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _cells(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], dict[str, Any]]:
    """What the provenance of each changed cell says differs; empty where no cell differs."""
    from pipeline.database import rows, scalar

    if not scalar(con, "select count(*) from duckdb_tables() where table_name = 'drift_cell'"):
        return {}
    return {
        (r["ingredient_id"], r["component"]): r
        for r in rows(
            con,
            """
            select ingredient_id, component, in_before, in_after,
              old.decision_id is distinct from new.decision_id as decision,
              old.source is distinct from new.source or old.release is distinct from new.release as source,
              old.source = new.source and old.food_id = new.food_id and old.source_component = new.source_component
                and (old.source_value is distinct from new.source_value
                  or old.derivation is distinct from new.derivation) as source_text,
              old.food_id is distinct from new.food_id as food,
              old.source_component is distinct from new.source_component as component_of_source,
              old.steps is distinct from new.steps as steps,
              old.status is distinct from new.status as status
            from drift_cell where old is distinct from new""",
        )
    }


def _of_cell(
    change: dict[str, Any], groups: set[str], cells: dict[tuple[str, str], dict[str, Any]], files: set[str]
) -> tuple[str, str]:
    """Cause and reason of one change where several input groups changed."""
    table = change["table"]
    fields = set(change["fields"])
    cell = cells.get((change["ingredient_id"] or "", change["component"] or ""))
    tests: list[tuple[str, bool, str]] = []
    if table in ("values", "gaps", "candidates") and cell:
        whole = not (cell["in_before"] and cell["in_after"])
        tests = [
            ("ingredients", whole, "the ingredient or its row is new or gone"),
            ("decision", bool(cell["decision"]), "another decision touches the cell"),
            ("source", bool(cell["source_text"]), "the source now says something else in the same place"),
            ("source", bool(cell["source"]), "another source or release supplies the cell"),
            ("ingredients", bool(cell["food"]), "another food of the same source supplies the cell"),
            (
                "rule",
                bool(cell["component_of_source"] or cell["steps"]),
                "other steps lead from the source to the value",
            ),
            ("rule", bool(cell["status"]), "the same source content has another status"),
        ]
    elif table == "ingredients":
        tests = [("ingredients", True, "a row of the ingredient list")]
    elif table == "components":
        tests = [
            ("rule", bool(fields) and fields != {"source_components"}, "the component registry"),
            ("source", fields == {"source_components"}, "other sources are present"),
        ]
    elif table == "references":
        tests = [("source", True, "a reference of a source")]
    elif table == "catalogue":
        tests = [
            (
                "source",
                change["kind"] in ("added", "removed") or bool(fields & {"name", "group", "langual"}),
                "the source lists other foods, or names them otherwise",
            ),
            ("rule", True, "the source's food is described otherwise"),
        ]
    for cause, holds, why in tests:
        if holds and cause in groups:
            return cause, why
    left = [g for g in ("code", "rule", "source", "ingredients", "decision") if g in groups]
    if left[0] == "code" and "rule" not in groups:
        return "code", "nothing in the cell's provenance differs that another changed input would explain"
    return "unknown", "several inputs changed and the cell does not tell which: " + ", ".join(sorted(groups))
