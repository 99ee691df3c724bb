"""The rules over the committed table alone: its CSV files against the models, the manifest and the Parquet twins."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.checks import catalogue
from rawref.checks.run import FRAME, CheckResult, run, summarise
from rawref.database import connect, literal, rows, run_file
from rawref.errors import InputError
from rawref.published import twins
from rawref.published.export import WIDE, digest, wide_column
from rawref.registry.models import validate_published
from rawref.registry.units import load_units

if TYPE_CHECKING:
    import duckdb

Finding = dict[str, Any]
STATED = ("title", "licenses", "sources")


def run_accepted(folder: Path, schemas: Path, maintainer: Path | None = None) -> CheckResult:
    """Every rule that the published files in `folder` alone can answer; the rest is not applicable.

    A broken heading, digest or number in a file is a finding: rule T02 is answered by the models of the registry.
    InputError only where there is no table at all.
    Decisions are read from `maintainer` (default: raw/maintainer beside `schemas`), where it is there.
    """
    if not (folder / "values.csv").is_file() or not (folder / "ingredients.csv").is_file():
        raise InputError("no published table here", folder.name, "run rawref build")
    contract = validate_published(folder, schemas, folder.name)
    named = {f.subject for f in contract if f.rule.startswith(("contract:values.", "contract:ingredients."))}
    with connect() as con:
        load(con, folder, schemas)
        _load_decisions(con, schemas, maintainer or schemas.parent / "raw" / "maintainer")
        result = run(con, schemas)
        extra = {
            "T02": [_fault(f.subject, f"{Path(f.file).name}:{f.line or 1}: {f.detail}") for f in contract],
            "T04": _wide(con, folder, schemas),
            "T05": _documents(folder, schemas),
            "T08": digests(con, folder, schemas),
        }
    rules = {rule.id: rule for rule in catalogue.load(schemas)}
    for made in result["rules"]:
        if made["id"] == "T02":  # what a model names is not told again by the query
            made["findings"] = [f for f in made["findings"] if f["subject"] not in named]
        if made["id"] in extra:
            found = [f | {"scope": "curated", "cure": rules[made["id"]].cure} for f in extra[made["id"]]]
            made["findings"] += [{k: f[k] for k in ("severity", "scope", "subject", "detail", "cure")} for f in found]
            made["evaluated"] += 1
    return summarise(result["rules"])


def load(con: duckdb.DuckDBPyConnection, folder: Path, schemas: Path) -> None:
    """Fill schema `curated` from the CSV files, typed by the registry.

    What the registry does not allow is left empty, so that the rules can be run; the models name it.
    """
    run_file(con, FRAME / "skeleton.sql")
    load_units(con, schemas)
    registry.load_statuses(con, schemas)
    registry.load_source_traits(con, schemas)
    con.executemany(
        "insert into reference.components values (?, ?, ?, ?, ?, ?)",
        [
            [c["component"], c["name"], c["unit"], c["group"], c["needed"] == "yes", c["block"] or None]
            for c in registry.components(schemas)
        ],
    )
    for name in registry.PUBLISHED:
        columns = registry.fields(schemas)[name]
        typed = ", ".join(f'null::{f.sql_type} as "{f.column}"' for f in columns)
        con.execute(f'create table curated."{name}" as select {typed} where false')
        try:
            con.execute(f"create or replace temp table incoming as select * from {_csv(folder / f'{name}.csv')}")
        except Exception:  # whatever it is: the models or T08 say that the file cannot be read
            continue
        if [row["column_name"] for row in rows(con, "describe incoming")] != [f.column for f in columns]:
            continue
        casts = ", ".join(
            f'if({_is_list(f.column)}, "{f.column}", \'[]\') as "{f.column}"'
            if f.type == "list"
            else f'try_cast("{f.column}" as {f.sql_type}) as "{f.column}"'
            for f in columns
        )
        con.execute(f'insert into curated."{name}" select {casts} from incoming')
    # the published candidates are those that lost; rules compare them with what was chosen
    con.execute(
        """insert into curated.candidates by name
           select v.*, 1 as rank, null::text as reason_not_chosen from curated."values" v where v.food_id is not null"""
    )


def _load_decisions(con: duckdb.DuckDBPyConnection, schemas: Path, maintainer: Path) -> None:
    if not (maintainer / "decisions.csv").is_file():
        return
    columns = [f.column for f in registry.fields(schemas)["maintainer.decisions"]]
    lines = [
        [*(row[c] or None for c in columns), line]
        for line, row in registry.read_csv(maintainer / "decisions.csv", "raw/maintainer/decisions.csv")
    ]
    if lines:
        con.executemany(
            f"insert into archival.maintainer_decisions values ({', '.join('?' * (len(columns) + 1))})", lines
        )


def digests(
    con: duckdb.DuckDBPyConnection, folder: Path, schemas: Path, tables: tuple[str, ...] = (*registry.PUBLISHED, *WIDE)
) -> list[Finding]:
    """Files that are not what the manifest states, with the changed cells as far as the Parquet twin tells them."""
    try:
        stated = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["content"]
    except (OSError, ValueError, KeyError, TypeError):
        return [_fault("manifest.json", "manifest.json is missing or states no digests")]
    found: list[Finding] = []
    for name in tables:
        path = folder / f"{name}.csv"
        if not path.is_file():
            found.append(_fault(name, f"{name}.csv is missing"))
            continue
        changed = digest(path)["sha256"] != stated.get(name)
        cells = _changed(con, folder, name, schemas)
        if cells:
            found += cells
        elif changed:
            found.append(
                _fault(name, f"{name}.csv is not what the manifest states; its content agrees with the Parquet twin")
            )
    return found


def _changed(con: duckdb.DuckDBPyConnection, folder: Path, name: str, schemas: Path) -> list[Finding]:
    """The cells in which the CSV file and its Parquet twin differ, by row."""
    twin = folder / f"{name}.parquet"
    if not twin.is_file():
        return [_fault(name, f"{name}.parquet is missing")]
    try:
        con.execute(
            "create or replace temp table now as select *, row_number() over () + 1 as row_line"
            f" from {_csv(folder / f'{name}.csv')}"
        )
    except Exception as error:
        return [_fault(name, f"{name}: {str(error).splitlines()[0]}")]
    keys = (
        [f.column for f in registry.fields(schemas)[name] if f.key] if name in registry.PUBLISHED else ["ingredient_id"]
    )
    compared = twins.compare(con, "now", twin, keys)
    if compared.fault:
        return [_fault(name, f"{name}.parquet {compared.fault}")]
    return [
        _fault(":".join(part for part in row.key if part is not None) or name, f"{name}.csv: {_detail(row)}")
        for row in compared.rows
    ]


def _detail(row: twins.Row) -> str:
    if not row.cells:
        return "row is gone" if row.line is None else "row was added"
    blank = "(blank)"
    return "; ".join(
        f"{column} {blank if was is None else was} became {blank if now is None else now}"
        for column, was, now in row.cells
    )


def _wide(con: duckdb.DuckDBPyConnection, folder: Path, schemas: Path) -> list[Finding]:
    """Cells in which a wide table is not the pivot of the long one."""
    found: list[Finding] = []
    for name, column in (("table", "value"), ("table_status", "status")):
        if not (folder / f"{name}.csv").is_file():
            continue
        con.execute(f"create or replace temp table wide as select * from {_csv(folder / f'{name}.csv')}")
        held = {row["column_name"] for row in rows(con, "describe wide")}
        for component in registry.components(schemas):
            if component["needed"] != "yes":
                continue
            title = wide_column(component)
            if title not in held:
                found.append(_fault(component["component"], f"{name}.csv has no column {title}"))
        titles = [
            (c["component"], wide_column(c))
            for c in registry.components(schemas)
            if c["needed"] == "yes" and wide_column(c) in held
        ]
        cells = " union all ".join(
            f"select ingredient_id, '{tag}' as component, \"{title}\" as shown from wide" for tag, title in titles
        )
        kind = "double" if column == "value" else "text"
        found += [
            _fault(f"{ingredient}:{tag}", f"{name}.csv shows {shown or 'a blank'}, values.csv has {kept or 'a blank'}")
            for ingredient, tag, shown, kept in con.execute(
                f"""select ingredient_id, component, w.shown, v.kept from ({cells}) w
                    full join (select ingredient_id, component, {column}::text as kept from curated."values") v
                      using (ingredient_id, component)
                    where try_cast(w.shown as {kind}) is distinct from try_cast(v.kept as {kind}) order by all"""
            ).fetchall()
        ]
    return found


def _documents(folder: Path, schemas: Path) -> list[Finding]:
    """What must be stated with the table: licences, sources, every table and field described."""
    try:
        package = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return [_fault("datapackage.json", "datapackage.json is missing or not JSON")]
    found = [_fault("datapackage.json", f"{key} is not stated") for key in STATED if not package.get(key)]
    described = {r.get("name"): r.get("schema", {}) for r in package.get("resources", [])}
    for name in registry.PUBLISHED:
        if name not in described:
            found.append(_fault(name, f"{name} is not in datapackage.json"))
            continue
        texts = {f.get("name"): f.get("description") for f in described[name].get("fields", [])}
        found += [
            _fault(name, f"{name}.{f.column} is not described", "warn")
            for f in registry.fields(schemas)[name]
            if not texts.get(f.column)
        ]
        if "missingValues" not in described[name]:
            found.append(_fault(name, f"{name} does not say how a missing value is written"))
    return found


def _fault(subject: str | None, detail: str, severity: str = "fail") -> Finding:
    return {"severity": severity, "subject": subject or "", "detail": detail}


def _is_list(column: str) -> str:
    return f'coalesce(json_valid("{column}") and left(ltrim("{column}"), 1) = \'[\', false)'


def _csv(path: Path) -> str:
    """A CSV file with every column as text, blanks as null."""
    return (
        f"read_csv({literal(path.as_posix())}, all_varchar = true, header = true, delim = ',', quote = '\"',"
        " escape = '\"', strict_mode = true, allow_quoted_nulls = false, auto_detect = false,"
        f" columns = {_columns(path)})"
    )


def _columns(path: Path) -> str:
    import csv

    with path.open(encoding="utf-8", newline="") as stream:
        heading = next(csv.reader(stream), [])
    return "{" + ", ".join(f"{literal(c)}: 'VARCHAR'" for c in heading) + "}"
