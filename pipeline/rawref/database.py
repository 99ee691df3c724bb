"""The working database: how it is opened, and small readings from it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb


MEMORY_MB = 3072
"""What the database may hold at once, in MiB, where the machine has more: the rest of a large build goes to a file
beside it, and the whole process stays below 6 GB."""


def connect(
    path: Path | None = None, *, read_only: bool = False, threads: int | None = None
) -> duckdb.DuckDBPyConnection:
    """A connection that never reaches for an extension, a network or a Python variable."""
    return _opened(str(path) if path else ":memory:", read_only, threads)


@contextmanager
def new(path: Path, *, threads: int | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a new database at `path`, of use when it is whole, or not at all: no log is kept of what is
    written, so that nothing is in the file for sure before a checkpoint. `beside` makes another connection to it."""
    with _opened(":memory:", False, threads) as con:
        if not threads:
            share(con)
        con.execute(f"set temp_directory = {literal(f'{path}.tmp')}")
        con.execute("set fsync_mode = 'NONE'")  # whoever keeps the file syncs it
        con.execute(f"attach {literal(str(path))} as {path.stem} (recovery_mode 'no_wal_writes')")
        con.execute(f"use {path.stem}")
        yield con


def share(con: duckdb.DuckDBPyConnection) -> None:
    """Leave a processor to what runs beside the queries of `con`: two queries on a thread each take less time of the
    processors than two on both, one after the other."""
    now = scalar(con, "select current_setting($name)", {"name": "threads"})
    con.execute(f"set threads = {max(1, min(now, (os.cpu_count() or 1) - 1))}")


def beside(con: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """Another connection for another thread, `con` being busy or not: to the file that was opened first, if any was."""
    other = con.cursor()
    opened = "select database_name from duckdb_databases() where path is not null order by database_oid limit 1"
    for (name,) in other.execute(opened).fetchall():
        other.execute(f"use {name}")
    return other


def _opened(path: str, read_only: bool, threads: int | None) -> duckdb.DuckDBPyConnection:
    import duckdb

    config: dict[str, Any] = {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "python_enable_replacements": "false",
    }
    if threads:
        config["threads"] = threads
    con = duckdb.connect(path, read_only=read_only, config=config)
    con.execute("set TimeZone = 'UTC'")
    con.execute("set checkpoint_threshold = '4GB'")
    if _megabytes(scalar(con, "select current_setting('memory_limit')")) > MEMORY_MB:
        con.execute(f"set memory_limit = '{MEMORY_MB}MiB'")
    return con


def _megabytes(size: str) -> float:
    """MiB of a size as the database prints it, for instance `18.8 GiB`."""
    number, unit = size.split()
    return float(number) * 1024 ** ("bytes", "KiB", "MiB", "GiB", "TiB").index(unit) / 1024**2


def literal(text: str) -> str:
    """`text` as an SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def parquet(con: duckdb.DuckDBPyConnection, path: Path) -> str:
    """A query for a published Parquet file with its lists as the JSON text that the CSV twin has."""
    source = f"read_parquet({literal(path.as_posix())})"
    lists = [
        f'to_json("{r["column_name"]}")::text as "{r["column_name"]}"'
        for r in rows(con, f"describe from {source}")
        if r["column_type"].endswith("[]")
    ]
    return f"select * {'replace (' + ', '.join(lists) + ')' if lists else ''} from {source}"


def scalar(con: duckdb.DuckDBPyConnection, query: str, parameters: Any = None) -> Any:
    """The one value of a query that gives one row."""
    return con.execute(query, parameters).fetchall()[0][0]


def rows(con: duckdb.DuckDBPyConnection, query: str, parameters: Any = None) -> list[dict[str, Any]]:
    """The rows of a query as dictionaries in column order."""
    cursor = con.execute(query, parameters)
    names = [column[0] for column in cursor.description or []]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def run_file(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Run the statements of one .sql file of ours."""
    con.execute(path.read_text(encoding="utf-8"))


def load_rows(con: duckdb.DuckDBPyConnection, table: str, rows_in: Sequence[Mapping[str, Any]]) -> None:
    """Append rows to an existing table by column name, in one go."""
    if not rows_in:
        return
    import pyarrow as pa

    names = list(rows_in[0])
    con.register("incoming", pa.table({name: pa.array([row[name] for row in rows_in]) for name in names}))
    con.execute(f"insert into {table} by name select * from incoming")
    con.unregister("incoming")
