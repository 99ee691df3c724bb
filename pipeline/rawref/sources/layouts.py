"""Layouts of published files, data in schemas/layouts/, and how a reader stops when a file is not as laid out."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref.database import literal
from rawref.errors import InputError
from rawref.sources import content

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

LEADING_BYTES = {"zip": b"PK\x03\x04", "xlsx": b"PK\x03\x04", "xls": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"}
"""How each kind of file begins; an XLSX workbook is a zip archive."""


def layout(layouts: Path, source: str) -> dict[str, Any]:
    """The layout document of a source, schemas/layouts/<source>.toml."""
    return tomllib.loads((layouts / f"{source}.toml").read_text(encoding="utf-8"))


def layout_columns(layouts: Path, source: str, release: str) -> list[dict[str, str]]:
    """The published columns of a release in order, from schemas/layouts/<source>.csv; empty for an unknown release."""
    with (layouts / f"{source}.csv").open(encoding="utf-8", newline="") as stream:
        return [row for row in csv.DictReader(stream) if row["release"] == release]


def leading_fault(head: bytes, kind: str) -> str:
    """Why a file that begins with `head` cannot be of this kind; empty when it can."""
    if not head:
        return "an empty file"
    if head.startswith(LEADING_BYTES[kind]):
        return ""
    if head.lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith((b"<!doctype", b"<html", b"<?xml", b"<head")):
        return "a web page, not the file: the publisher may have answered with a notice"
    return f"not a {kind} file: it begins with {head[:4].hex(' ')}"


def require_kind(path: Path, kind: str) -> None:
    """InputError unless the file exists and begins as a file of this kind does."""
    if not path.is_file():
        raise InputError("no such file", path.name, "give the path of the file as downloaded")
    head = content(path)[:512]
    if fault := leading_fault(head, kind):
        raise InputError(fault, path.name, "download the file again from the publisher's page")


def refuse(problems: Iterable[str], file: str, layout_file: str) -> None:
    """InputError listing every problem, if there is any."""
    listed = list(problems)
    if listed:
        raise InputError(
            f"{len(listed)} unknown or wrong: {'; '.join(listed)}",
            file,
            f"if the publisher changed the file, describe the change in schemas/layouts/{layout_file}",
        )


def release_key(source: str, release: str) -> str:
    """The two leading columns of every common SELECT."""
    return f"{literal(source)} as source, {literal(release)} as release"


def token_case(tokens: Iterable[Mapping[str, str]], column: str) -> str:
    """SQL giving the code of the first token pattern that the whole of a text column matches, null if none does."""
    branches = " ".join(
        f"when regexp_full_match({column}, {literal(token['pattern'])}) then {literal(token['code'])}"
        for token in tokens
    )
    return f"case {branches} end"


def _controls(column: pa.ChunkedArray) -> str:
    """The first text of a column with a control character other than tab and line ends; empty where there is none."""
    import pyarrow.compute as pc

    found = pc.match_substring_regex(column, r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
    if not pc.any(found).as_py():
        return ""
    return str(column.filter(found)[0].as_py())


def store(con: duckdb.DuckDBPyConnection, name: str, table: pa.Table, *, clean: bool = False) -> None:
    """Create archival.<name> with the rows of an Arrow table; InputError for a control character, unless it is known
    to be `clean`."""
    for heading, column in zip(table.column_names, table.columns, strict=True):
        if not clean and str(column.type) == "string" and (held := _controls(column)):
            raise InputError(
                f"control character in {held!r}", f"{name}, {heading}", "get the file again from the publisher"
            )
    con.register("incoming", table)
    con.execute(f'create table archival."{name}" as select * from incoming')
    con.unregister("incoming")


def record_file(
    con: duckdb.DuckDBPyConnection, source: str, release: str, file: str, sha256: str, size: int, records: int
) -> None:
    """One row of archival.files."""
    con.execute(
        "insert into archival.files values ($source, $release, $file, $sha256, $bytes, $records)",
        {"source": source, "release": release, "file": file, "sha256": sha256, "bytes": size, "records": records},
    )


def column_letters(position: int) -> str:
    """The letters of a 0-based workbook column: A, B, ... Z, AA."""
    letters = ""
    position += 1
    while position:
        position, digit = divmod(position - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return letters


def cell_text(value: object) -> str | None:
    """What a workbook cell holds: text as it stands, a number in its shortest form (13.5, 0), null if empty."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return repr(value)
