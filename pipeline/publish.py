"""Writing a build as the published form, and putting it in place of the old one in a single step."""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import CONTRACT_VERSION, __version__, registry
from pipeline.database import literal, rows, scalar
from pipeline.sources import Source, sha256

if TYPE_CHECKING:
    import duckdb

WIDE = ("table", "table_status")
TABLE_CODE = (
    "pipeline/sources/",
    "pipeline/reference/",
    "pipeline/curated/",
    "pipeline/archival.py",
    "pipeline/registry.py",
    "pipeline/publish.py",
    "pipeline/build.py",
    "pipeline/database.py",
    "pipeline/suggest.py",
    "pipeline/cooking",
    "pipeline/cooked_",
)
"""Program files that make the table; the commands that only read it are not among them."""
ORDER = {
    "ingredients": "ingredient_id",
    "values": "ingredient_id, (select position from reference.components c where c.component = t.component)",
    "gaps": "ingredient_id, (select position from reference.components c where c.component = t.component)",
    "candidates": "ingredient_id, (select position from reference.components c where c.component = t.component), rank",
    "components": "(select position from reference.components c where c.component = t.component)",
    "references": "reference_id",
    "catalogue": "source, release, food_id",
}


def export_tables(con: duckdb.DuckDBPyConnection, folder: Path, schemas: Path) -> None:
    """Write every published table below `folder` as CSV (RFC 4180, LF, keys in order) and Parquet."""
    folder.mkdir(parents=True)
    for name in registry.PUBLISHED:
        # an empty text is a blank in the CSV: the Parquet twin must not tell the two apart
        columns = ", ".join(
            f'nullif("{f.column}"::text, \'\') as "{f.column}"'
            if f.sql_type == "text"
            else f'"{f.column}"::{f.sql_type} as "{f.column}"'
            for f in registry.fields(schemas)[name]
        )
        _copy(con, f'select {columns} from curated."{name}" t order by {ORDER[name]}', folder / name)
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
        )


def wide_column(component: dict[str, str]) -> str:
    """Column of the wide table: TAGNAME_unit, the unit not repeated where the tag ends in it."""
    tag, unit = component["component"], component["unit"]
    return tag if tag.lower().endswith(f"_{unit.lower()}") else f"{tag}_{unit}"


def _copy(con: duckdb.DuckDBPyConnection, query: str, stem: Path) -> None:
    csv, parquet = (literal(f"{stem.as_posix()}{ending}") for ending in (".csv", ".parquet"))
    con.execute(f"create or replace temp table going_out as {query}")
    con.execute(f"copy going_out to {csv} (format csv, header true, delimiter ',', quote '\"', escape '\"')")
    con.execute(f"copy going_out to {parquet} (format parquet, compression zstd, row_group_size 200000)")
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


def code_digest(inputs: dict[str, str]) -> str:
    """One SHA-256 over the program files that a published number passes through."""
    lines = [f"{path} {found}" for path, found in sorted(inputs.items()) if path.startswith(TABLE_CODE)]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def manifest(
    con: duckdb.DuckDBPyConnection,
    folder: Path,
    sources: list[Source],
    inputs: dict[str, str],
    stamp: dict[str, str],
    checks: dict[str, Any],
) -> dict[str, Any]:
    """What the build was made from and what it holds; no clock, no machine."""
    present = {r["source"]: r for r in rows(con, "select * from archival.releases")}
    return {
        "schema_version": "1",
        "program": {"name": "rawref", "version": __version__},
        "contract_version": CONTRACT_VERSION,
        **stamp,
        "sources": [
            {
                "id": s.id,
                "title": s.title,
                "licence": s.licence,
                "attribution": s.attribution_of(present[s.id]["release"] if s.id in present else ""),
                "present": s.id in present,
                **(
                    {
                        "release": present[s.id]["release"],
                        "date": present[s.id]["release_date"],
                        "standing": present[s.id]["standing"],
                    }
                    if s.id in present
                    else {}
                ),
            }
            for s in sources
        ],
        "inputs": {path: found for path, found in inputs.items() if not path.startswith("pipeline/")},
        "code": code_digest(inputs),
        "source_files": rows(
            con, "select source, release, file, sha256, bytes, records from archival.files order by all"
        ),
        "rows": {name: scalar(con, f'select count(*) from curated."{name}"') for name in registry.PUBLISHED},
        "content": content_digests(folder),
        "files": {path.name: digest(path)["sha256"] for path in sorted(folder.glob("*.parquet"))},
        "checks": checks,
    }


def data_package(
    folder: Path, sources: list[Source], releases: dict[str, str], schemas: Path, stamp: dict[str, str]
) -> dict[str, Any]:
    """The Data Package (v2) descriptor of the published CSV files, generated from the registry.

    `releases`: source id to the release that the tables were made from; the other sources are not named.
    """
    words = registry.vocabularies(schemas)
    resources = []
    for name in registry.PUBLISHED:
        columns = registry.fields(schemas)[name]
        schema: dict[str, Any] = {
            "fields": [_table_field(f, words) for f in columns],
            "missingValues": [""],
            "primaryKey": [f.column for f in columns if f.key],
        }
        foreign = [
            {"fields": [f.column], "reference": {"resource": f.constraint[4:], "fields": [f.column]}}
            for f in columns
            if f.constraint.startswith("ref:")
        ]
        if foreign:
            schema["foreignKeys"] = foreign
        resources.append(_resource(folder, name, schema))
    for name, kind in (("table", "number"), ("table_status", "string")):
        schema = {
            "fields": [{"name": "ingredient_id", "type": "string"}, {"name": "name", "type": "string"}]
            + [
                {
                    "name": wide_column(c),
                    "type": kind,
                    "title": c["name"],
                    "description": (f"{c['name']}, {c['unit']}. " if kind == "number" else f"Status of {c['name']}. ")
                    + (c["usage_warning"] or "")
                    + " Blank is unknown, never zero.",
                }
                for c in registry.components(schemas)
                if c["needed"] == "yes"
            ],
            "missingValues": [""],
            "primaryKey": ["ingredient_id"],
        }
        resources.append(_resource(folder, name, schema))
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "rawref-curated",
        "title": "rawref: raw ingredients for formulating cat diets, with the provenance of every value",
        "description": "One row per ingredient and component, with the gap where there is no evidence. "
        "A blank is unknown, never zero. Not veterinary advice.",
        **stamp,
        "licenses": [
            {
                "name": "CC0-1.0",
                "title": "CC0 1.0 for the compilation; sources keep their own terms",
                "path": "https://creativecommons.org/publicdomain/zero/1.0/",
            }
        ],
        "sources": [
            {"title": s.attribution_of(releases[s.id]), "path": s.landing_page, "version": releases[s.id]}
            for s in sources
            if s.id in releases
        ],
        "contributors": [{"title": "rawref contributors", "roles": ["creator"]}],
        "resources": resources,
    }


def _resource(folder: Path, name: str, schema: dict[str, Any]) -> dict[str, Any]:
    facts = digest(folder / f"{name}.csv")
    return {
        "name": name,
        "path": f"{name}.csv",
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": facts["bytes"],
        "hash": f"sha256:{facts['sha256']}",
        "schema": schema,
    }


def _table_field(field: registry.Field, words: dict[str, dict[str, str]]) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if field.required else {}
    kind, _, rest = field.constraint.partition(":")
    if kind == "range":
        low, _, high = rest.partition(":")
        constraints |= ({"minimum": float(low)} if low else {}) | ({"maximum": float(high)} if high else {})
    elif kind == "pattern":
        constraints["pattern"] = rest
    elif kind in words and kind not in ("species", "part"):
        constraints["enum"] = list(words[kind])
    made = {
        "name": field.column,
        "type": {"text": "string", "list": "array"}.get(field.type, field.type),
        "description": field.description + (f" Unit: {field.unit}." if field.unit else ""),
    }
    return made | ({"constraints": constraints} if constraints else {})


def described_otherwise(one: Path, other: Path) -> list[str]:
    """Places at which the descriptors of two folders differ; none where one has no descriptor that can be read.

    The stamp of the version and the digests of the files are no description.
    """
    found = []
    for folder in (one, other):
        try:
            document = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
            resources = {f"resource {r['name']}": r for r in document.pop("resources")}
        except (OSError, ValueError, TypeError, AttributeError, KeyError):
            return []
        leave = ("version", "created", "bytes", "hash")
        found.append(
            {place: said for place, said in document.items() if place not in leave}
            | {place: {k: v for k, v in r.items() if k not in leave} for place, r in resources.items()}
        )
    was, now = found
    return [place for place in was | now if was.get(place) != now.get(place)]


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document with a final line feed, keys in the order given."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8", newline="\n")


def put_in_place(new: Path, target: Path) -> None:
    """Make a copy of `new` the folder `target` in one step; on any failure `target` is untouched."""
    staged = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        staged.chmod(0o755)
        for item in sorted(new.iterdir()):
            shutil.copyfile(item, staged / item.name)
            with (staged / item.name).open("rb") as stream:
                os.fsync(stream.fileno())
        _sync(staged)
        if target.exists() and any(target.iterdir()):
            _exchange(staged, target)
        else:
            os.rename(staged, target)
        _sync(target.parent)
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _exchange(one: Path, other: Path) -> None:
    """Swap two folders: atomically where the system can, else by two renames."""
    exchange = 2
    libc = ctypes.CDLL(None, use_errno=True)
    if hasattr(libc, "renameat2"):
        here = -100
        if libc.renameat2(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0:
            return
        if ctypes.get_errno() not in (errno.ENOSYS, errno.EINVAL):
            raise OSError(ctypes.get_errno(), "cannot swap folders", str(other))
    aside = other.with_name(f"{one.name}-old")
    os.rename(other, aside)
    os.rename(one, other)
    os.rename(aside, one)
