"""What is said about a published table: the manifest, and the Data Package (v2) descriptor."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import CONTRACT_VERSION, __version__, registry
from rawref.database import rows, scalar
from rawref.published.export import WIDE, code_digest, content_digests, digest, only, wide_column
from rawref.sources import Source

if TYPE_CHECKING:
    import duckdb


def _unused(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, int]]:
    """Source to what of it reaches no published cell, counted: set aside by reason, and components nobody mapped."""
    found: dict[str, dict[str, int]] = {}
    for source, what, n in con.execute(
        """select source, 'set aside: ' || reason, count(*) from archival.set_aside group by all
           union all
           select c.source, 'components that are not mapped', count(*) from archival.components c
           where c.source <> 'maintainer' and not exists (from reference.component_map m
             where m.source = c.source and m.source_component = c.source_component) group by all
           order by all"""
    ).fetchall():
        found.setdefault(source, {})[what] = n
    return found

ID = "urn:uuid:08c584e6-4286-5e3b-bf71-9f7139b22bad"
"""The data package, whatever its version and wherever it lies: uuid5 of its name in the URL namespace (RFC 9562)."""
KEYWORDS = ("food composition", "raw ingredients", "cat", "nutrients", "INFOODS", "LanguaL", "provenance")


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
    unused = _unused(con)
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
                        "unused": unused.get(s.id, {}),
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
        "rows": {
            name: scalar(con, f'select count(*) from curated."{name}" {only(name)}') for name in registry.PUBLISHED
        },
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
            {"fields": [f.column], "reference": {"resource": f.refers_to, "fields": [f.column]}}
            for f in columns
            if f.refers_to
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
                    + (
                        " Blank: no single figure, never zero; table_status says whether it is unknown (missing) or"
                        " has a range, which values holds."
                        if kind == "number"
                        else " Blank is unknown, never zero."
                    ),
                }
                for c in registry.components(schemas)
                if c["needed"] == "yes"
            ],
            "missingValues": [""],
            "primaryKey": ["ingredient_id"],
        }
        resources.append(_resource(folder, name, schema))
    resources += [_twin(name, registry.fields(schemas).get(name, ())) for name in (*registry.PUBLISHED, *WIDE)]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "id": ID,
        "name": "rawref-curated",
        "title": "rawref: raw ingredients for formulating cat diets, with the provenance of every value",
        "description": "One row per ingredient and component, with the gap where there is no evidence. "
        "A blank is unknown, never zero. Not veterinary advice.",
        "keywords": list(KEYWORDS),
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


WORKBOOK = {
    "name": "workbook",
    "path": "table.xlsx",
    "title": "The table, its gaps and its provenance as a spreadsheet",
    "type": "file",
    "format": "xlsx",
    "mediatype": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
"""A file, as its first sheet is a read-me. Like a Parquet file without a digest; named only where it lies
beside the tables, as a build may leave it out."""


def with_workbook(document: dict[str, Any], there: bool) -> dict[str, Any]:
    """The descriptor with the workbook among its resources, or without it."""
    tables = [r for r in document["resources"] if r["name"] != WORKBOOK["name"]]
    return document | {"resources": [*tables, *([WORKBOOK] if there else [])]}


def _twin(name: str, fields: Sequence[registry.Field]) -> dict[str, Any]:
    """The Parquet form of a table: its digest is in manifest.json, as its bytes follow the library that wrote it.

    Its columns are described beside the CSV. Where some are lists, their types are stated all the same, as a reader
    that has to guess stumbles over a list; `any` is the one type of the standard that holds a list of Parquet.
    """
    types = {"text": "string", "list": "any", "integer": "number"}
    listed = [{"name": f.column, "type": types.get(f.type, f.type)} for f in fields]
    schema = {"schema": {"fields": listed, "missingValues": []}} if any(f.type == "list" for f in fields) else {}
    return {
        "name": f"{name}-parquet",
        "path": f"{name}.parquet",
        "title": f"{name} as Parquet, the same content",
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        **schema,
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
    low, high = field.limits
    constraints |= ({"minimum": float(low)} if low else {}) | ({"maximum": float(high)} if high else {})
    if field.pattern:
        constraints["pattern"] = field.pattern
    elif field.vocabulary in words and field.vocabulary not in ("species", "part"):
        constraints["enum"] = list(words[field.vocabulary])
    made = {
        "name": field.column,
        "type": {"text": "string", "list": "array"}.get(field.type, field.type),
        "description": field.description + (f" Unit: {field.unit}." if field.unit else ""),
    }
    return made | ({"constraints": constraints} if constraints else {})


def described_otherwise(one: Path, other: Path) -> list[str]:
    """Places at which the descriptors of two folders differ; none where one has no descriptor that can be read.

    The stamp of the version, the digests of the files and whether a workbook was written are no description.
    """
    found = []
    for folder in (one, other):
        try:
            document = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
            document = with_workbook(document, there=False)
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
