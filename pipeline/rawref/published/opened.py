"""A published folder opened by itself: its tables, and what lookups ask of a working database as far as it tells.

Everything is a view on the CSV files, typed by the registry: a column that the folder lacks is null, one that the
registry does not know is left out, so that a table of another version of the program can be read. Whether the folder
keeps its contract is what `check --accepted` says.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import connect, literal, run_file
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).resolve().parent
KEPT = ("composites", "decisions", "ingredient_aliases")
"""Files of the maintainer that lookups read; they come with the program."""


def document(folder: Path) -> dict[str, Any]:
    """manifest.json of a published folder; InputError where it cannot be read."""
    path = folder / "manifest.json"
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"not a manifest: {error}", path.as_posix(), "copy curated/ whole") from error
    if not isinstance(found, dict):
        raise InputError("not a manifest", path.as_posix(), "copy curated/ whole")
    return found


AGAIN = "copy curated/ again"
_BAD_CSV = re.compile(r"CSV Error on Line: (?P<line>\d+)(?P<message>.*?)\n\s*file = (?P<file>[^\n]+)", re.DOTALL)
_FILE = re.compile(r"file = ([^\n]+)")
_NAME = re.compile(r"[\w+/.,:() -]+")
"""What a heading is made of: component tags, units, words."""
_WHAT = re.compile(r"Expected Number of Columns.*|.*unterminated quote.*|Invalid unicode[^.]*")


def damage(error: BaseException) -> InputError | None:
    """A damaged table, told from what the database says of its CSV file: file, line, cure; else None."""
    if not type(error).__module__.endswith("duckdb"):
        return None
    if found := _BAD_CSV.search(str(error)):
        what = _WHAT.search(found["message"])
        return InputError(
            f"a damaged record: {what[0].strip() if what else 'it cannot be read'}", f"{found['file']}:{found['line']}",
            AGAIN,
        )
    if "CSV" in str(error):
        file = _FILE.search(str(error))
        return InputError("a CSV file that cannot be read", file[1] if file else "a published table", AGAIN)
    if "Malformed JSON" in str(error):
        return InputError("a list that is none: " + " ".join(str(error).split())[:120], "a published table", AGAIN)
    return None


@contextmanager
def reading() -> Iterator[None]:
    """Turn what the database raises for a damaged table into an InputError."""
    try:
        yield
    except Exception as error:
        if found := damage(error):
            raise found from error
        raise


def select(folder: Path, name: str, schemas: Path, *, lists: bool = False) -> str:
    """A query for a published table: text, numbers and integers by the registry, blanks null; lists as JSON text, or
    as lists where asked for. The wide tables are text where they hold words and numbers where they hold amounts."""
    path = folder / f"{name}.csv"
    heading = _heading(path)
    texts = "{" + ", ".join(f"{literal(c)}: 'VARCHAR'" for c in heading) + "}"
    source = (
        f"read_csv({literal(path.as_posix())}, header = true, auto_detect = false, delim = ',', quote = '\"',"
        f" escape = '\"', strict_mode = true, allow_quoted_nulls = false, columns = {texts})"
    )
    fields = registry.fields(schemas).get(name, ())
    if not fields:
        numbers = set(heading[2:]) if name == "table" else set()
        made = [f'try_cast("{c}" as double) as "{c}"' if c in numbers else f'"{c}"' for c in heading]
    else:
        made = [_typed(f, lists) if f.column in heading else f'null::{f.sql_type} as "{f.column}"' for f in fields]
    return f"select {', '.join(made)} from {source}"


def _typed(field: registry.Field, lists: bool) -> str:
    if field.type == "list" and lists:
        return f"""from_json("{field.column}", '["VARCHAR"]') as "{field.column}\""""
    return f'try_cast("{field.column}" as {field.sql_type}) as "{field.column}"'


def _heading(path: Path) -> list[str]:
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            heading = next(csv.reader(stream), [])
    except FileNotFoundError:
        raise InputError("published table is missing", path.as_posix(), "copy curated/ whole") from None
    except UnicodeDecodeError as error:
        raise InputError(f"not UTF-8: {error.reason}", path.as_posix(), AGAIN) from error
    except csv.Error as error:
        raise InputError(f"damaged heading: {error}", path.as_posix(), AGAIN) from error
    if not heading:
        raise InputError("published table has no heading", path.as_posix(), AGAIN)
    if bad := [name for name in heading if heading.count(name) > 1 or not _NAME.fullmatch(name)]:
        raise InputError(f"heading {bad[0]!r} is none, or stands twice", f"{path.as_posix()}:1", AGAIN)
    return heading


def open_published(folder: Path, schemas: Path, maintainer: Path) -> duckdb.DuckDBPyConnection:
    """A database in memory with the schemas of a working one, for the lookups: `curated` whole, of `reference` and
    `archival` what the published files tell, read by the vocabularies in `schemas`."""
    manifest = document(folder)
    con = connect()
    for name in ("curated", "reference", "archival"):
        con.execute(f"create schema {name}")
    for name in registry.PUBLISHED:
        if name not in manifest.get("content", {}) and not (folder / f"{name}.csv").is_file():
            # a table of an earlier version, which had none
            columns = ", ".join(f'null::{f.sql_type} as "{f.column}"' for f in registry.fields(schemas)[name])
            con.execute(f'create view curated."{name}" as select {columns} where false')
            continue
        query = select(folder, name, schemas)
        if name == "values":  # columns that only a working database has
            query = f"select *, null::boolean as evidence, null::int as year from ({query})"
        con.execute(f'create view curated."{name}" as {query}')
    con.execute("create table archival.files(source text, release text, file text, sha256 text, bytes bigint)")
    files = [
        [f.get(key) for key in ("source", "release", "file", "sha256", "bytes")]
        for f in manifest.get("source_files", [])
    ]
    if files:
        con.executemany("insert into archival.files values (?, ?, ?, ?, ?)", files)
    for name in KEPT:
        columns = ", ".join(
            f'try_cast("{f.column}" as {f.sql_type}) as "{f.column}"'
            for f in registry.fields(schemas)[f"maintainer.{name}"]
        )
        path = literal((maintainer / f"{name}.csv").as_posix())
        con.execute(
            f"create table archival.maintainer_{name} as select {columns}, 1 + row_number() over () as line"
            f" from read_csv({path}, header = true, all_varchar = true, delim = ',', quote = '\"', escape = '\"')"
        )
    con.execute(registry.CLASS_OF)
    registry.load_statuses(con, schemas)
    con.execute("set variable schemas = ?", [schemas.as_posix()])
    run_file(con, HERE / "opened.sql")
    return con


def made_with_other(folder: Path, maintainer: Path) -> list[str]:
    """Files of the maintainer that this program carries in another state than the table was made with."""
    from rawref.sources import sha256

    inputs = document(folder).get("inputs", {})
    return [
        f"{name}.csv"
        for name in KEPT
        if f"raw/maintainer/{name}.csv" in inputs
        and inputs[f"raw/maintainer/{name}.csv"] != sha256(maintainer / f"{name}.csv")
    ]
