"""A CSV file and its Parquet twin are compared in one place: rule T08, drift and accept all ask it."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from rawref.database import connect
from rawref.published.twins import Row, compare

TWIN = {"id": ["a", "b", "c"], "amount": [1.5, None, 10.0], "note": ["x", None, "y"]}


def compared(folder: Path, lines: list[tuple[str | None, ...]], twin: dict[str, list[object]] = TWIN) -> object:
    """An invented table of three columns against an invented twin."""
    pq.write_table(pa.table(twin), folder / "t.parquet")
    with connect() as con:
        con.execute("create temp table text (id text, amount text, note text, row_line bigint)")
        con.executemany("insert into text values (?, ?, ?, ?)", [(*line, n) for n, line in enumerate(lines, 2)])
        return compare(con, "text", folder / "t.parquet", ("id",))


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        ([("a", "1.50", "x"), ("b", None, None), ("c", "1e1", "y")], ()),  # another spelling of the same numbers
        ([("c", "10", "y"), ("a", "1.5", "x"), ("b", "", "")], ()),  # another order; a blank is a blank
        ([("a", "1.6", "x"), ("b", None, None), ("c", "10", "y")], (Row(("a",), 2, (("amount", "1.5", "1.6"),)),)),
        ([("a", "1.5", "x"), ("b", "0", None), ("c", "10", "y")], (Row(("b",), 3, (("amount", None, "0.0"),)),)),
        ([("a", "1.5", "x"), ("b", "inf", None), ("c", "10", "y")], (Row(("b",), 3, (("amount", None, "inf"),)),)),
        ([("a", "1.5", "x"), ("b", "much", "z"), ("c", "10", "y")],
         (Row(("b",), 3, (("amount", None, "much"), ("note", None, "z"))),)),
        ([("a", "1.5", "x"), ("c", "10", "y")], (Row(("b",), None, ()),)),
        ([("a", "1.5", "x"), ("b", None, None), ("c", "10", "y"), ("d", "2", "")], (Row(("d",), 5, ()),)),
        ([("a", "1.5", "x"), ("a", "1.5", "x"), ("b", None, None), ("c", "10", "y")], (Row(("a",), 3, ()),)),
    ],
)  # fmt: skip
def test_the_rows_that_differ_are_named(tmp_path: Path, lines: list[tuple[str | None, ...]], found: object) -> None:
    made = compared(tmp_path, lines)
    assert (made.rows, made.fault) == (found, "")


def test_lists_are_the_json_that_the_csv_has(tmp_path: Path) -> None:
    twin = TWIN | {"note": [["x", "z"], [], ["y"]]}
    lines = [("a", "1.5", '["x","z"]'), ("b", None, "[]"), ("c", "10", '["n"]')]
    assert compared(tmp_path, lines, twin).rows == (Row(("c",), 4, (("note", '["y"]', '["n"]'),)),)


def test_what_cannot_be_compared_says_why(tmp_path: Path) -> None:
    same = [("a", "1.5", "x"), ("b", None, None), ("c", "10", "y")]
    more = compared(tmp_path, same, TWIN | {"more": [1, 2, 3]})
    assert (more.rows, more.fault) == ((), "has other columns than the CSV file")
    less = compared(tmp_path, same, {key: TWIN[key] for key in ("id", "amount")})
    assert (less.rows, less.fault) == ((), "has other columns than the CSV file")
    other = compared(tmp_path, same, {"key": ["a", "b", "c"]})
    assert other.fault == "has other columns than the CSV file"
    with connect() as con:
        con.execute("create temp table text (id text, row_line bigint)")
        (tmp_path / "t.parquet").write_bytes(b"no")
        assert compare(con, "text", tmp_path / "t.parquet", ("id",)).fault.startswith("cannot be read")
