"""A published CSV file against its Parquet twin: the one place that compares the two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rawref.database import parquet, rows

if TYPE_CHECKING:
    import duckdb

OURS = ("row_line", "occurrence")
"""Columns of a loaded CSV file that the file has not."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row in which the two differ: its key, its line in the CSV file, and the cells; one without cells stands in one
    of the two alone, in the twin where it has no line."""

    key: tuple[str | None, ...]
    line: int | None
    cells: tuple[tuple[str, str | None, str | None], ...]
    """Column, what the twin holds, what the CSV file holds; numbers in one spelling."""


@dataclass(frozen=True, slots=True)
class Compared:
    """The rows that differ, in order of key; `fault` says why the two cannot be compared, or not whole."""

    rows: tuple[Row, ...] = ()
    fault: str = ""


def compare(con: duckdb.DuckDBPyConnection, text: str, twin: Path, key: Sequence[str]) -> Compared:
    """Relation `text` of the database (the cells of a CSV file as text, and `row_line`) against the Parquet file.

    Columns that one of the two lacks are a fault and are not compared. A hash of the content comes first, as most
    twins agree. Numbers are compared as numbers; what is no number in a column of numbers, as it is written.
    """
    import duckdb

    try:
        con.execute(f"create or replace temp table twin_held as {parquet(con, twin)}")
    except duckdb.Error as error:
        return Compared(fault=f"cannot be read: {str(error).splitlines()[0]}")
    held = {r["column_name"]: r["column_type"] for r in rows(con, "describe twin_held")}
    there = [r["column_name"] for r in rows(con, f"describe {text}") if r["column_name"] not in OURS]
    names = [name for name in held if name in there]
    fault = "has other columns than the CSV file" if list(held) != there else ""
    if fault and not set(key) <= set(names):
        return Compared(fault=fault)
    spelt = ", ".join(_spelt(name, held[name]) for name in names)
    plain = ", ".join(f'nullif("{name}"::text, \'\') as "{name}"' for name in names)
    sides = f"select {spelt} from {text}", f"select {plain} from twin_held"
    sums = [con.execute(f"select count(*), sum(hash(t)::hugeint) from ({side}) t").fetchall() for side in sides]
    if sums[0] == sums[1]:
        return Compared(fault=fault)
    keys = ", ".join(f'"{name}"' for name in key)
    order = ", ".join(f'"{name}"' for name in names)
    alike = f"row_number() over (partition by {keys} order by {order}) as twin_number"
    on = " and ".join(f'n."{name}" is not distinct from w."{name}"' for name in (*key, "twin_number"))
    pairs = ", ".join(
        f"if(n.\"{name}\" is distinct from w.\"{name}\", {{'c': '{name}', 'w': w.\"{name}\", 'n': n.\"{name}\"}}, null)"
        for name in names if name not in key
    )
    differs = " or ".join(f'n."{name}" is distinct from w."{name}"' for name in names)
    both = "n.twin_number is not null and w.twin_number is not null"
    found = con.execute(
        f"""with n as (select *, {alike} from (select {spelt}, row_line from {text})),
              w as (select *, {alike} from ({sides[1]}))
            select [{', '.join(f'coalesce(n."{name}", w."{name}")' for name in key)}] as key, n.row_line,
              if({both}, list_filter([{pairs}], lambda x: x is not null), []) as cells
            from n full join w on {on}
            where not ({both}) or {differs} order by all"""
    ).fetchall()
    return Compared(
        tuple(Row(tuple(k), line, tuple((c["c"], c["w"], c["n"]) for c in cells)) for k, line, cells in found), fault
    )


def _spelt(name: str, kind: str) -> str:
    """A cell of the CSV file as the twin's type would write it."""
    if kind == "VARCHAR":
        return f'nullif("{name}", \'\') as "{name}"'
    return f'coalesce(try_cast("{name}" as {kind})::text, nullif("{name}", \'\')) as "{name}"'
