"""The working database: how it is opened, and small readings from it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb


def connect(path: Path | None = None, *, read_only: bool = False, threads: int | None = None) -> duckdb.DuckDBPyConnection:
    """A connection that never reaches for an extension, a network or a Python variable."""
    import duckdb

    config: dict[str, Any] = {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "python_enable_replacements": "false",
    }
    if threads:
        config["threads"] = threads
    con = duckdb.connect(str(path) if path else ":memory:", read_only=read_only, config=config)
    con.execute("set TimeZone = 'UTC'")
    return con


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
