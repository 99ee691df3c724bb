"""Writing the tables of a build in the published form: CSV and its Parquet twin."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import literal
from rawref.sources import sha256

if TYPE_CHECKING:
    import duckdb

WIDE = ("table", "table_status")
LICENCE = "CC0-1.0 for the compilation; sources keep their own terms"
TABLE_CODE = (
    "pipeline/rawref/sources/",
    "pipeline/rawref/stages/",
    "pipeline/rawref/cooked/",
    "pipeline/rawref/registry/__init__.py",
    "pipeline/rawref/published/export.py",
    "pipeline/rawref/release/build.py",
    "pipeline/rawref/database.py",
)
"""Program files that make the table; the commands that only read it are not among them."""
ORDER = {
    "ingredients": "ingredient_id",
    "values": "ingredient_id, (select position from reference.components c where c.component = t.component)",
    "gaps": "ingredient_id, (select position from reference.components c where c.component = t.component)",
    "candidates": "ingredient_id, (select position from reference.components c where c.component = t.component), rank",
    "components": "(select position from reference.components c where c.component = t.component)",
    "references": "reference_id",
    "catalogue": "source, food_id",
    "calibration": "measure, component, class, left_out",
}


def only(table: str) -> str:
    """Which rows of a table are published, in SQL: of the candidates those that lost, as what was chosen stands in
    `values` already, with all that is said of it; of every other table all."""
    return "where reason_not_chosen is not null" if table == "candidates" else ""


def export_tables(con: duckdb.DuckDBPyConnection, folder: Path, schemas: Path) -> None:
    """Write every published table below `folder` as CSV (RFC 4180, LF, keys in order) and Parquet."""
    folder.mkdir(parents=True)
    for name in registry.PUBLISHED:
        # an empty text is a blank in the CSV: the Parquet twin must not tell the two apart
        columns = ", ".join(
            f"""to_json(from_json("{f.column}", '["VARCHAR"]'))::text as "{f.column}\""""  # one spelling of a list
            if f.type == "list"
            else f'nullif("{f.column}"::text, \'\') as "{f.column}"'
            if f.sql_type == "text"
            else f'"{f.column}"::{f.sql_type} as "{f.column}"'
            for f in registry.fields(schemas)[name]
        )
        units = {f.column: f.unit for f in registry.fields(schemas)[name] if f.unit}
        lists = [f.column for f in registry.fields(schemas)[name] if f.type == "list"]
        query = f'select {columns} from curated."{name}" t {only(name)} order by {ORDER[name]}'
        _copy(con, query, folder / name, units, lists)
    for name, column in (("table", "value"), ("table_status", "status")):
        cells = ", ".join(
            f"max(v.{column}) filter (v.component = '{c['component']}') as \"{wide_column(c)}\""
            for c in registry.components(schemas)
            if c["needed"] == "yes"
        )
        _copy(
            con,
            f'select i.ingredient_id, i.name, {cells} from curated.ingredients i join curated."values" v'
            " using (ingredient_id) group by i.ingredient_id, i.name order by i.ingredient_id",
            folder / name,
            {wide_column(c): c["unit"] for c in registry.components(schemas) if c["needed"] == "yes"}
            if column == "value" else {},
        )


def wide_column(component: dict[str, str]) -> str:
    """Column of the wide table: TAGNAME_unit, the unit not repeated where the tag ends in it."""
    tag, unit = component["component"], component["unit"]
    return tag if tag.lower().endswith(f"_{unit.lower()}") else f"{tag}_{unit}"


def _copy(
    con: duckdb.DuckDBPyConnection, query: str, stem: Path, units: dict[str, str], lists: Sequence[str] = ()
) -> None:
    """Write a query as CSV, its `lists` as JSON, and as Parquet, where they are lists. The Parquet says of itself what
    it holds: its licence, the units of its columns and the digest of the CSV, by which manifest.json names the version
    (a number that a build does not know yet)."""
    csv, parquet = (literal(f"{stem.as_posix()}{ending}") for ending in (".csv", ".parquet"))
    con.execute(f"create or replace temp table going_out as {query}")
    con.execute(f"copy going_out to {csv} (format csv, header true, delimiter ',', quote '\"', escape '\"')")
    stated = {
        "title": f"rawref: {stem.name}",
        "licence": LICENCE,
        "missing": "null is unknown, never zero",
        "units": json.dumps(units, ensure_ascii=False),
        "csv_sha256": sha256(stem.with_name(f"{stem.name}.csv")),
    }
    metadata = ", ".join(f"{key}: {literal(text)}" for key, text in stated.items())
    typed = ", ".join(f"""from_json("{column}", '["VARCHAR"]') as "{column}\"""" for column in lists)
    out = f"select * {'replace (' + typed + ')' if lists else ''} from going_out"
    con.execute(
        f"copy ({out}) to {parquet} (format parquet, compression zstd, row_group_size 200000,"
        f" kv_metadata {{{metadata}}})"
    )
    con.execute("drop table going_out")


def digest(path: Path) -> dict[str, Any]:
    """SHA-256 and size of a published file."""
    return {"sha256": sha256(path), "bytes": path.stat().st_size}


def content_digests(folder: Path) -> dict[str, str]:
    """SHA-256 of the CSV form of every published table, which is the canonical content."""
    return {
        name: digest(folder / f"{name}.csv")["sha256"]
        for name in (*registry.PUBLISHED, *WIDE)
        if (folder / f"{name}.csv").is_file()
    }


def table_digest(folder: Path) -> str:
    """One SHA-256 over the content of all published tables, by which a consumer pins them."""
    lines = [f"{name} {found}" for name, found in sorted(content_digests(folder).items())]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def code_digest(inputs: dict[str, str]) -> str:
    """One SHA-256 over the program files that a published number passes through."""
    lines = [f"{path} {found}" for path, found in sorted(inputs.items()) if path.startswith(TABLE_CODE)]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
