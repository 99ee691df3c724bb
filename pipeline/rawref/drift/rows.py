"""Rows and columns of two loaded tables that differ, as changes with their kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rawref.drift.read import key_of
from rawref.registry import Field

if TYPE_CHECKING:
    import duckdb

Change = dict[str, Any]
VALUE = {
    "value",
    "low",
    "high",
    "refuse_pct",
    "components_valued",
    "components_measured",
    "components_missing",
    "peers_n",
    "peers_low",
    "peers_median",
    "peers_high",
}
STATUS = {"status", "state", "kind", "may_supply_raw", "needed"}
ABOUT = ("source", "food_id", "source_component", "spread_basis", "derivation", "steps")
"""What a change knows of its row beside the columns that differ."""
IDENTITY = {"kind", "state", "species", "part", "skin", "bone", "fat_trim", "additions", "cautions"}
"""Columns of `ingredients` that say what the row is about, or what to beware of."""


def new_change(kind: str, table: str, **known: Any) -> Change:
    """A change with every key, those of the contract first."""
    return {
        "kind": kind,
        "ingredient_id": None,
        "component": None,
        "before": None,
        "after": None,
        "relative_change": None,
        "tier": "note",
        "cause": "unknown",
        "mechanism": "",
        "why": "",
        "table": table,
        "subject": "",
        "column": None,
        "line": None,
        "share_of_requirement": None,
        "filled": False,
        "fields": {},
    } | known


def _kind(table: str, f: Field) -> str:
    if f.column in ("unit", "basis"):
        return "unit"
    if f.column in STATUS and not (table == "ingredients" and f.column == "kind"):
        return "status"
    return "value" if f.column in VALUE else "provenance"


def _differs(f: Field, one: str, other: str) -> str:
    a, b = f'{one}."{f.column}"', f'{other}."{f.column}"'
    if f.type in ("number", "integer"):  # 0.10 and 0.1 are the same number; what is no number is compared as text
        return (
            f"{a} is distinct from {b} and (try_cast({a} as double) is distinct from try_cast({b} as double)"
            f" or try_cast({a} as double) is null)"
        )
    return f"{a} is distinct from {b}"


def pairs(one: str, other: str, table: str, fields: tuple[Field, ...]) -> str:
    """A query of the rows that differ: (there, here, key…, other line, one line, [differing columns], about)."""
    key = key_of(table, fields)
    on = " and ".join(f'a."{k}" is not distinct from b."{k}"' for k in (*key, "occurrence"))
    keys = ", ".join(f'coalesce(b."{k}", a."{k}")' for k in (f.column for f in fields if f.key))
    cells = ", ".join(
        f"case when {_differs(f, 'b', 'a')} then {{'c': {i}, 'b': b.\"{f.column}\", 'a': a.\"{f.column}\"}} end"
        for i, f in enumerate(fields)
        if f.column not in key
    )
    held = {f.column for f in fields}
    known = [f"'{c}': coalesce(a.\"{c}\", b.\"{c}\")" for c in ABOUT if c in held]
    known += ["'basis_before': b.spread_basis"] if "spread_basis" in held else []
    about = f"{{{', '.join(known)}}} as about" if known else "null as about"
    same = " or ".join(f'b."{f.column}" is distinct from a."{f.column}"' for f in fields if f.column not in key)
    return (
        f"select b.row_line is not null, a.row_line is not null, {keys}, b.row_line, a.row_line,"
        f" case when b.row_line is not null and a.row_line is not null then"
        f" list_filter([{cells}], lambda x: x is not null) else [] end as cells, {about}"
        f" from {one} b full join {other} a on {on}"
        f" where b.row_line is null or a.row_line is null or {same} order by 1, 2, b.row_line, a.row_line"
    )


def changed_rows(con: duckdb.DuckDBPyConnection, table: str, fields: tuple[Field, ...]) -> list[Change]:
    """Changes of one table: rows added and removed, and one change per row and kind."""
    key = [f.column for f in fields if f.key]
    found: list[Change] = []
    for in_before, in_after, *rest in con.execute(pairs(f"before_{table}", f"after_{table}", table, fields)).fetchall():
        values, (old_line, new_line, cells, about) = rest[: len(key)], rest[len(key) :]
        cell = dict(zip(key, values, strict=True))
        common = {
            "ingredient_id": cell.get("ingredient_id"),
            "component": cell.get("component"),
            "subject": "/".join(str(v) for v in values),
            "line": old_line if in_before else new_line,
            "about": about,
        }
        if not (in_before and in_after):
            kind, shown = ("removed", "before") if in_before else ("added", "after")
            found.append(new_change(kind, table, **common, **{shown: "row"}, why=f"row {kind}"))
            continue
        by_kind: dict[str, list[dict[str, Any]]] = {}
        columns = {fields[changed["c"]].column for changed in cells}
        for changed in cells:
            kind = _kind(table, fields[changed["c"]])
            if fields[changed["c"]].column == "source_unit" and not columns & {"source", "food_id", "source_component"}:
                kind = "unit"  # the source itself says another unit: whatever else it says, a person must look
            by_kind.setdefault(kind, []).append(changed)
        for kind, items in by_kind.items():
            shown_fields = {
                fields[i["c"]].column: {
                    "before": typed(fields[i["c"]], i["b"]),
                    "after": typed(fields[i["c"]], i["a"]),
                }
                for i in items
            }
            column = next(iter(shown_fields))
            if kind == "value" and column != "value":  # of the ends of a range the one that moved most is shown
                column = max(shown_fields, key=lambda c: abs(_relative(**shown_fields[c]) or 0.0))
            first = shown_fields[column]
            found.append(
                new_change(
                    kind,
                    table,
                    **common,
                    **first,
                    column=column,
                    fields=shown_fields,
                    relative_change=_relative(first["before"], first["after"]) if kind == "value" else None,
                    tier=_plain_tier(table, kind, shown_fields),
                    why=_plain_why(table, shown_fields),
                )
            )
    for change in found:  # a new ingredient changes no mix; one that is gone does
        if table == "ingredients" and change["kind"] == "removed":
            change["tier"], change["why"] = "requirement", "mixes that name the ingredient stop working"
    return found


def _plain_tier(table: str, kind: str, changed: dict[str, Any]) -> str:
    if kind == "unit":
        return "requirement"
    if table == "ingredients" and IDENTITY & set(changed):
        return "spread"
    return "note"


def _plain_why(table: str, changed: dict[str, Any]) -> str:
    if table == "ingredients" and IDENTITY & set(changed):
        return "what the ingredient is, or its cautions, changed: " + ", ".join(changed)
    return "changed: " + ", ".join(changed)


def typed(f: Field, text: str | None) -> Any:
    if text is None or f.type not in ("number", "integer"):
        return text
    try:
        return int(text) if f.type == "integer" else float(text)
    except ValueError:
        return text


def _relative(before: Any, after: Any) -> float | None:
    if isinstance(before, (int, float)) and isinstance(after, (int, float)) and before:
        return round((after - before) / abs(before), 9)
    return None
