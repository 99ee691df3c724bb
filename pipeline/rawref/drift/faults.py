"""Faults of one folder that its own other forms betray: cells edited by hand, wide twins that say something else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rawref.drift.read import Side
from rawref.drift.rows import typed
from rawref.published.export import wide_column
from rawref.published.twins import Compared, compare
from rawref.registry import Field

if TYPE_CHECKING:
    import duckdb


def name_hand_edits(
    con: duckdb.DuckDBPyConnection, side: Side, fields: dict[str, tuple[Field, ...]]
) -> set[tuple[str, str]]:
    """Name the cells in which an altered CSV differs from its Parquet twin; returns their (table, subject)."""
    found: set[tuple[str, str]] = set()
    for table in side.edited:
        if table not in fields:
            side.fault(table, f"{table}.csv is not the file whose digest manifest.json states")
            continue
        key = [f.column for f in fields[table] if f.key]
        path = side.folder / f"{table}.parquet"
        compared = compare(con, f"{side.name}_{table}", path, key) if path.is_file() else Compared(fault="is missing")
        if compared.fault and not compared.rows:
            side.fault(
                table,
                f"{table}.csv is not the file whose digest manifest.json states; no Parquet twin to name the cells",
            )
            continue
        held = {f.column: f for f in fields[table]}
        for row in compared.rows:
            named = dict(zip(key, row.key, strict=True))
            subject = "/".join(str(v) for v in row.key)
            found.add((table, subject))
            common: dict[str, Any] = {
                "line": row.line, "ingredient_id": named.get("ingredient_id"), "component": named.get("component")
            }
            if not row.cells:
                done = "removed" if row.line is None else "added"
                side.fault(table, f"{table}.csv edited by hand: row {subject} {done}", **common)
            for column, was, now in row.cells:
                side.fault(
                    table,
                    f"{table}.csv edited by hand: {subject} {column} was"
                    f" {was if was is not None else '(empty)'}, is {now if now is not None else '(empty)'}",
                    column=column,
                    before=typed(held[column], was),
                    after=typed(held[column], now),
                    **common,
                )
        if not compared.rows:
            side.fault(
                table,
                f"{table}.csv is not the file whose digest manifest.json states, though it holds what its"
                " Parquet twin holds: written in another form, or the manifest was edited",
            )
    return found


def check_wide(con: duckdb.DuckDBPyConnection, side: Side, edited: set[tuple[str, str]]) -> None:
    """The wide twins must say what `values` says; cells of `edited` are named already."""
    import duckdb

    wide = {
        wide_column({"component": c, "unit": u or ""}): c
        for c, u in con.execute(
            f"select component, unit from {side.name}_components where needed = 'yes' and component is not null"
        ).fetchall()
    }
    for table, column in (("table", "value"), ("table_status", "status")):
        path = side.folder / f"{table}.csv"
        if not path.is_file():
            continue
        try:
            con.execute(
                "create or replace temp table wide as select row_number() over () + 1 as wide_line, * from read_csv($1,"
                " header = true, all_varchar = true, delim = ',', quote = '\"', escape = '\"', strict_mode = true)",
                [path.as_posix()],
            )
        except duckdb.Error as error:
            side.fault(table, f"{table}.csv cannot be read: {str(error).splitlines()[0]}")
            continue
        held = [r[0] for r in con.execute("select column_name from (describe wide)").fetchall()][1:]
        expected = ["ingredient_id", "name", *wide]
        if set(held) != set(expected):
            side.fault(
                table,
                f"{table}.csv has other columns than components.csv gives: "
                + ", ".join(sorted(set(held) ^ set(expected))),
                line=1,
            )
            continue
        con.execute(
            "create or replace temp table wide_names as select unnest($1) as column_name, unnest($2) as component",
            [list(wide), list(wide.values())],
        )
        equal = (
            "try_cast(w.cell as double) is not distinct from try_cast(v.cell as double)"
            if column == "value"
            else "false"
        )
        for ingredient, component, line, cell, ours in con.execute(
            f"""with long as (
                 select ingredient_id, wide_line, n.component, nullif(text, '') as cell
                 from (select * exclude (name) from wide) unpivot include nulls (
                   text for column_name in (columns(* exclude (ingredient_id, wide_line))))
                 join wide_names n using (column_name)
               ), w as (
                 select *, row_number() over (partition by ingredient_id, component order by wide_line) as occurrence
                 from long)
               select coalesce(w.ingredient_id, v.ingredient_id), coalesce(w.component, v.component), w.wide_line,
                 w.cell, v.cell
               from w full join (select ingredient_id, component, "{column}" as cell, occurrence from {side.name}_values
                   where component in (select component from wide_names)) v
                 on w.ingredient_id = v.ingredient_id and w.component = v.component and w.occurrence = v.occurrence
               where w.cell is distinct from v.cell and not ({equal})
                 or w.ingredient_id is null or v.ingredient_id is null
               order by all"""
        ).fetchall():
            if ("values", f"{ingredient}/{component}") in edited:
                continue
            side.fault(
                table,
                f"{table}.csv: {ingredient}/{component} is {cell if cell is not None else '(empty)'} where"
                f" values.csv has {ours if ours is not None else '(empty)'}",
                line=line,
                ingredient_id=ingredient,
                component=component,
                column=column,
                before=ours,
                after=cell,
            )
