"""Reading a folder of published tables for comparison: every fault of the folder is a finding, none is an error."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import literal
from rawref.published.export import WIDE, content_digests, digest
from rawref.registry import Field

if TYPE_CHECKING:
    import duckdb

KEYS = {"candidates": ("ingredient_id", "component", "source", "food_id", "source_component")}
"""What tells rows apart where it is not the published key: a new candidate must not shift the ones below it."""

CSV_FORM = "header = true, auto_detect = false, delim = ',', quote = '\"', escape = '\"', strict_mode = true"


@dataclass(slots=True)
class Side:
    """One of the two folders: its manifest, the digests of its CSV files, and what is wrong with it."""

    name: str
    """before | after: also the prefix of its tables in the database."""
    folder: Path
    shown: str
    manifest: dict[str, Any] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)
    faults: list[dict[str, Any]] = field(default_factory=list)
    edited: dict[str, str] = field(default_factory=dict)
    """Tables whose bytes are not those of the manifest, with its digest."""

    def fault(self, table: str, why: str, *, line: int | None = None, **more: Any) -> None:
        """Note one fault of kind schema."""
        self.faults.append({"table": table, "why": why, "line": line, "side": self.name, **more})


def key_of(table: str, fields: tuple[Field, ...]) -> tuple[str, ...]:
    """The columns by which rows of a table are matched."""
    return KEYS.get(table) or tuple(f.column for f in fields if f.key)


def open_side(name: str, folder: Path, shown: str) -> Side:
    """A folder with its digests taken; a digest that its manifest or descriptor does not state is a fault."""
    side = Side(name, folder, shown, digests=content_digests(folder))
    if not side.digests:
        return side
    side.manifest = _document(side, "manifest.json")
    for table in (*registry.PUBLISHED, *WIDE):
        if table not in side.digests:
            side.fault(table, f"{table}.csv is missing")
    stated = side.manifest.get("content", {})
    if not isinstance(stated, dict):
        side.fault("manifest", "manifest.json: content is not a list of digests")
        stated = {}
    for table, found in side.digests.items():
        if side.manifest and stated.get(table) != found:
            side.edited[table] = str(stated.get(table, ""))
    for file, stated_digest in _stated_files(side).items():
        path = folder / file
        if not path.is_file():
            side.fault(Path(file).stem, f"{file} is missing, though manifest.json states its digest")
        elif digest(path)["sha256"] != stated_digest:
            side.fault(Path(file).stem, f"{file} is not the file whose digest manifest.json states")
    _check_descriptor(side)
    return side


def _document(side: Side, name: str) -> dict[str, Any]:
    path = side.folder / name
    if not path.is_file():
        return {}
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(document, dict):
            raise ValueError("not an object")
    except ValueError as error:
        side.fault(path.stem, f"{name} cannot be read: {str(error).splitlines()[0]}")
        return {}
    return document


def _stated_files(side: Side) -> dict[str, str]:
    stated = side.manifest.get("files", {})
    return {str(k): str(v) for k, v in stated.items()} if isinstance(stated, dict) else {}


def _check_descriptor(side: Side) -> None:
    resources = _document(side, "datapackage.json").get("resources", [])
    for resource in resources if isinstance(resources, list) else []:
        name = str(resource.get("name", "")) if isinstance(resource, dict) else ""
        if name in side.digests and name not in side.edited and resource.get("hash") != f"sha256:{side.digests[name]}":
            side.fault(name, f"datapackage.json states another hash for {name}.csv")


def load(con: duckdb.DuckDBPyConnection, side: Side, table: str, fields: tuple[Field, ...]) -> None:
    """Make `<side>_<table>`: the registry's columns as text, with `row_line` and the `occurrence` of a key."""
    path = side.folder / f"{table}.csv"
    names = [f.column for f in fields]
    target = f"{side.name}_{table}"
    heading = _heading(side, table, names)
    if not heading:
        con.execute(
            f"create or replace temp table {target} as select "
            + ", ".join(f'null::text as "{n}"' for n in names)
            + ", 0::bigint as row_line, 0::bigint as occurrence where false"
        )
        return
    _read(con, side, table, path, heading, target)
    _conform(con, target, names, heading)
    if lists := [f.column for f in fields if f.type == "list" and f.column in heading]:
        # a list is the same however its JSON is spaced
        spaced = ", ".join(f"""replace("{c}", '", "', '","') as "{c}\"""" for c in lists)
        con.execute(f"create or replace temp table {target} as select * replace ({spaced}) from {target}")
    _number(con, target, key_of(table, fields))
    _doubled(con, side, table, fields)


def _conform(con: duckdb.DuckDBPyConnection, target: str, names: list[str], held: list[str]) -> None:
    """Give a table the registry's columns where it has others: those it lacks are empty."""
    if held == names:
        return
    columns = ", ".join(f'"{n}"' if n in held else f'null::text as "{n}"' for n in names)
    con.execute(f"create or replace temp table {target} as select {columns}, row_line, occurrence from {target}")


def _number(con: duckdb.DuckDBPyConnection, target: str, key: tuple[str, ...]) -> None:
    """Number the rows that share a key, where there are any."""
    keys = ", ".join(f'"{k}"' for k in key)
    if con.execute(f"select 1 from {target} group by {keys} having count(*) > 1 limit 1").fetchall():
        con.execute(
            f"create or replace temp table {target} as select * replace (row_number() over (partition by {keys}"
            f" order by row_line) as occurrence) from {target}"
        )


def _heading(side: Side, table: str, names: list[str]) -> list[str]:
    """The columns of the file in its order; faults where they are not the registry's. Empty: no table to read."""
    path = side.folder / f"{table}.csv"
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", errors="replace", newline="") as stream:
        heading = next(csv.reader(stream), [])
    if not heading:
        side.fault(table, f"{table}.csv is empty", line=1)
        return []
    for name in names:
        if name not in heading:
            side.fault(table, f"{table}.csv has no column {name}", line=1, column=name)
    for name in dict.fromkeys(heading):
        if name not in names:
            side.fault(table, f"{table}.csv has a column {name} that the registry does not know", line=1, column=name)
        if heading.count(name) > 1:
            side.fault(table, f"{table}.csv names column {name} twice", line=1, column=name)
    if set(heading) == set(names) and len(heading) == len(names) and heading != names:
        side.fault(table, f"{table}.csv has its columns in another order than the registry", line=1)
    unique: list[str] = []
    for position, name in enumerate(heading):
        unique.append(name if name.lower() not in {u.lower() for u in unique} else f"{name} {position}")
    return unique


def _read(con: duckdb.DuckDBPyConnection, side: Side, table: str, path: Path, heading: list[str], target: str) -> None:
    import duckdb

    columns = ", ".join(f"{literal(name)}: 'VARCHAR'" for name in heading)
    try:
        con.execute(
            f"create or replace temp table {target} as select *, row_number() over () + 1 as row_line,"
            f" 1::bigint as occurrence from read_csv($1, columns = {{{columns}}}, {CSV_FORM})",
            [path.as_posix()],
        )
    except duckdb.Error:
        _read_leniently(con, side, table, path, heading, target)


def _read_leniently(
    con: duckdb.DuckDBPyConnection, side: Side, table: str, path: Path, heading: list[str], target: str
) -> None:
    """Rows of a spoilt file, each spoilt row named; cells that are not there are empty."""
    import pyarrow as pa

    body: list[list[str]] = []
    lines: list[int] = []
    try:
        path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        side.fault(
            table, f"{table}.csv is not UTF-8: {error.reason}", line=path.read_bytes()[: error.start].count(b"\n") + 1
        )
    with path.open(encoding="utf-8", errors="replace", newline="") as stream:
        reader = csv.reader(line.replace("\0", "") for line in stream)
        next(reader, None)
        start = reader.line_num
        try:
            for row in reader:
                line, start = start + 1, reader.line_num
                if len(row) != len(heading):
                    side.fault(table, f"{table}.csv: {len(row)} fields where the heading has {len(heading)}", line=line)
                    row = [*row, *[""] * len(heading)][: len(heading)]
                body.append(row)
                lines.append(line)
        except csv.Error as error:
            side.fault(table, f"{table}.csv cannot be read on: {error}", line=reader.line_num)
    turned = [[cell or None for cell in cells] for cells in zip(*body, strict=True)] or [[]] * len(heading)
    arrow = pa.table(
        {name: pa.array(cells, pa.string()) for name, cells in zip(heading, turned, strict=True)}
        | {"row_line": pa.array(lines, pa.int64())}
    )
    con.register("lenient", arrow)
    con.execute(f"create or replace temp table {target} as select *, 1::bigint as occurrence from lenient")
    con.unregister("lenient")


def _doubled(con: duckdb.DuckDBPyConnection, side: Side, table: str, fields: tuple[Field, ...]) -> None:
    """A key that stands on two lines is a fault of the second."""
    key = [f.column for f in fields if f.key]
    keys = ", ".join(f'"{k}"' for k in key)
    if not con.execute(f"select 1 from {side.name}_{table} group by {keys} having count(*) > 1 limit 1").fetchall():
        return
    found = con.execute(
        f"select {keys}, row_line from {side.name}_{table}"
        f" qualify row_number() over (partition by {keys} order by row_line) > 1"
        " order by row_line"
    ).fetchall()
    for *values, line in found:
        cell = dict(zip(key, values, strict=True))
        side.fault(
            table,
            f"{table}.csv: {'/'.join(str(v) for v in values)} stands a second time",
            line=line,
            ingredient_id=cell.get("ingredient_id"),
            component=cell.get("component"),
        )


def find_faulty_cells(
    con: duckdb.DuckDBPyConnection, side: Side, table: str, fields: tuple[Field, ...], words: dict[str, dict[str, str]]
) -> None:
    """Cells that break the registry: empty where required, not a number, out of range, not of the vocabulary."""
    key = [f.column for f in fields if f.key]
    subject = " || '/' || ".join(f"coalesce(\"{k}\", '')" for k in key)
    cell = ", ".join(f'"{c}"' if c in key else "null" for c in ("ingredient_id", "component"))
    parts = []
    parameters: list[Any] = []
    for f in fields:
        for condition, complaint, bound in _rules(f, words):
            parts.append(
                f"select row_line, {cell}, {subject}, '{f.column}', \"{f.column}\", '{complaint}'"
                f" from {side.name}_{table} where {condition}"
            )
            parameters += bound
    if not parts:
        return
    for line, ingredient, component, named, column, text, complaint in con.execute(
        " union all ".join(parts) + " order by all", parameters
    ).fetchall():
        said = " ".join(filter(None, (column, text, complaint)))
        side.fault(
            table,
            f"{table}.csv: {named}: {said}",
            word=said,
            line=line,
            column=column,
            ingredient_id=ingredient,
            component=component,
        )


def _rules(f: Field, words: dict[str, dict[str, str]]) -> list[tuple[str, str, list[Any]]]:
    """(SQL condition that is true of a bad cell, complaint, bound values) of one column."""
    found: list[tuple[str, str, list[Any]]] = []
    c = f'"{f.column}"'
    if f.required:
        found.append((f"{c} is null", "is empty, though required", []))
    if f.type in ("number", "integer"):
        # a cast to bigint would round 1.5
        broken = f" or not regexp_full_match({c}, '[-+]?[0-9]+')" if f.type == "integer" else ""
        found.append(
            (
                f"{c} is not null and (not coalesce(isfinite(try_cast({c} as double)), false){broken})",
                "is not a finite number" if f.type == "number" else "is not a whole number",
                [],
            )
        )
        low, high = f.limits
        if low:
            found.append((f"try_cast({c} as double) < {float(low)!r}", f"is below {low}", []))
        if high:
            found.append((f"try_cast({c} as double) > {float(high)!r}", f"is above {high}", []))
    elif f.type in ("list", "object"):
        sign = "[" if f.type == "list" else "{"
        found.append(
            (f"{c} is not null and (not json_valid({c}) or {c} not like '{sign}%')", f"is not a JSON {f.type}", [])
        )
    elif f.pattern:
        found.append((f"{c} is not null and not regexp_full_match({c}, '{f.pattern}')", "is not well formed", []))
    elif f.vocabulary in words:
        held = list(words[f.vocabulary])
        found.append((f"{c} is not null and not list_contains(?, {c})", "is not in the vocabulary", [held]))
    return found
