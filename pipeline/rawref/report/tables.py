"""Everything that the pages show, read once: from the working database, or from a folder of published tables."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import connect, rows
from rawref.errors import InputError
from rawref.sources import declared
from rawref.workspace import Workspace

if TYPE_CHECKING:
    import duckdb

Row = dict[str, Any]
READ = ("ingredients", "values", "gaps", "candidates", "components", "references")
CSV_FORM = "header = true, auto_detect = false, delim = ',', quote = '\"', escape = '\"', nullstr = ''"


@dataclass(frozen=True, slots=True)
class Peers:
    """Comparable foods of one component, part and species group: 5th percentile, median, 95th, and each amount."""

    n: int
    low: float | None
    median: float | None
    high: float | None
    amounts: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Tables:
    """One build as plain rows, every list in its published order."""

    ingredients: list[Row]
    cells: dict[str, list[Row]]
    """Cells of an ingredient, one per needed component, each with its gap (or None) and its candidates."""
    components: list[Row]
    """The needed components in the order of the registry."""
    references: dict[str, Row]
    files: list[Row]
    sources: list[Row]
    peers: dict[tuple[str, str, str], Peers]
    """By component, part and species group; empty where the reference stage is not at hand."""
    codes: dict[tuple[str, str, str], str]
    """What a code of a source means, by source, kind and code."""
    catalogue: list[Row]
    """The foods of the sources, every field as text; empty in a folder without catalogue.csv."""
    calibration: list[Row]
    """How often ranges and ceilings held what was left out; empty in a folder that does not say."""
    decisions: list[Row]
    composites: dict[str, list[Row]]
    species: dict[str, Row]
    stamp: dict[str, str]
    """Version and time of the accepted table; empty before the first acceptance."""
    folder: Path
    """Where the published files of this build lie, to be offered for download."""
    from_database: bool
    counted: frozenset[str]
    """The statuses whose figure or range counts in a mix."""
    letters: dict[str, str]
    """One letter per status for the map: read in grey, by a screen reader, and in print."""
    bands: dict[str, str]
    """How a status is drawn: a to d by how well it is known, e what is unknown."""

    def letter(self, cell: Row) -> str:
        """The letter of the status of a cell; `?` of a status that this version does not know."""
        return self.letters.get(cell["status"], "?")

    def group(self, ingredient: Row) -> str:
        """The species group of an ingredient."""
        return str(self.species.get(ingredient["species"], {}).get("species_group") or "none")


def read(workspace: Workspace, origin: duckdb.DuckDBPyConnection | Path) -> Tables:
    """The tables of a working database or of a folder of CSV files; InputError names what is missing."""
    if not isinstance(origin, Path):
        folder = workspace.built if (workspace.built / "values.csv").is_file() else workspace.curated
        return _assemble(workspace, origin, folder, from_database=True)
    with connect() as con:
        con.execute("create schema curated")
        for name in READ:
            _load(con, origin, name, workspace.schemas)
        return _assemble(workspace, con, origin, from_database=False)


def _load(con: duckdb.DuckDBPyConnection, folder: Path, name: str, schemas: Path) -> None:
    import duckdb

    path = folder / f"{name}.csv"
    if not path.is_file():
        raise InputError("published table is missing", path.name, "run rawref build, or name a folder that has it")
    columns = {f.column: f.sql_type for f in registry.fields(schemas)[name]}
    try:
        con.execute(f'create table curated."{name}" as select * from read_csv($path, columns = $columns, {CSV_FORM})',
                    {"path": str(path), "columns": columns})
    except duckdb.Error as error:
        what = str(error).splitlines()[0]
        raise InputError(f"not a published table: {what}", path.name, "run rawref build") from error


def _assemble(workspace: Workspace, con: duckdb.DuckDBPyConnection, folder: Path, *, from_database: bool) -> Tables:
    schemas = workspace.schemas
    needed = [c["component"] for c in registry.components(schemas) if c["needed"] == "yes"]
    place = {component: at for at, component in enumerate(needed)}
    published = {name: _select(con, name, schemas) for name in READ}
    _parse_lists(published, schemas)

    others: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in published["candidates"]:
        if row["reason_not_chosen"] is not None:
            others[row["ingredient_id"], row["component"]].append(row)
    gaps = {(row["ingredient_id"], row["component"]): row for row in published["gaps"]}
    cells: dict[str, list[Row]] = {row["ingredient_id"]: [] for row in published["ingredients"]}
    for row in published["values"]:
        key = row["ingredient_id"], row["component"]
        row["gap"] = gaps.get(key)
        row["others"] = sorted(others[key], key=lambda r: (r["rank"], r["source"], r["food_id"], r["source_component"]))
        cells[row["ingredient_id"]].append(row)
    for of_one in cells.values():
        of_one.sort(key=lambda row: place[row["component"]])

    manifest = _document(folder / "manifest.json")
    by_id = {row["component"]: row for row in published["components"]}
    return Tables(
        ingredients=sorted(published["ingredients"], key=lambda row: row["ingredient_id"]),
        cells=cells,
        components=[by_id[component] for component in needed if component in by_id],
        references={row["reference_id"]: row for row in published["references"]},
        files=_files(con, manifest, from_database),
        sources=_sources(workspace, con, manifest, from_database),
        peers=_peers(con) if from_database else {},
        codes={(r["source"], r["kind"], r["code"]): r["description"]
               for _, r in registry.read_csv(schemas / "status_map.csv", "schemas/status_map.csv")},
        catalogue=_plain(folder / "catalogue.csv"),
        calibration=_calibration(folder / "calibration.csv"),
        decisions=_maintained(workspace, "decisions"),
        composites=_by(_maintained(workspace, "composites"), "ingredient_id"),
        species={r["species"]: r for _, r in registry.read_csv(schemas / "species.csv", "schemas/species.csv")},
        stamp={key: str(manifest[key]) for key in ("version", "created") if key in manifest},
        folder=folder,
        from_database=from_database,
        counted=registry.counted(schemas),
        letters={s["status"]: s["letter"] for s in registry.statuses(schemas)},
        bands={s["status"]: s["band"] for s in registry.statuses(schemas)},
    )


def _plain(path: Path) -> list[Row]:
    return [dict(row) for _, row in registry.read_csv(path)] if path.is_file() else []


def _calibration(path: Path) -> list[Row]:
    numbers = ("n", "expected", "coverage")
    if not path.is_file():
        return []
    return [{**r, **{name: float(r[name]) for name in numbers}} for _, r in registry.read_csv(path)]


def _select(con: duckdb.DuckDBPyConnection, name: str, schemas: Path) -> list[Row]:
    columns = ", ".join(f'"{f.column}"::{f.sql_type} as "{f.column}"' for f in registry.fields(schemas)[name])
    return rows(con, f'select {columns} from curated."{name}" order by all')


def _parse_lists(published: Mapping[str, list[Row]], schemas: Path) -> None:
    """Turn the JSON arrays of list columns into lists, in place."""
    known: dict[str, list[Any]] = {}
    for name, found in published.items():
        for column in [f.column for f in registry.fields(schemas)[name] if f.type == "list"]:
            for row in found:
                text = row[column] or "[]"
                if text not in known:
                    known[text] = json.loads(text)
                row[column] = known[text]


def _peers(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str, str], Peers]:
    found = rows(
        con,
        """select p.component, p.part, p.species_group, p.n, p.low, p.median, p.high,
             (select list(v.value order by v.value) from reference.peer_values v where v.component = p.component
                and v.part = p.part and v.species_group = p.species_group) as amounts
           from reference.peers p order by p.component, p.part, p.species_group""")
    return {(r["component"], r["part"], r["species_group"]):
            Peers(r["n"], r["low"], r["median"], r["high"], tuple(r["amounts"] or ())) for r in found}


def _files(con: duckdb.DuckDBPyConnection, manifest: Mapping[str, Any], from_database: bool) -> list[Row]:
    if from_database:
        return rows(con, "select source, release, file, sha256, bytes, records from archival.files order by all")
    return list(manifest.get("source_files", []))


def _sources(
    workspace: Workspace, con: duckdb.DuckDBPyConnection, manifest: Mapping[str, Any], from_database: bool,
) -> list[Row]:
    """Every declared source with what this build read of it; `release` is empty where it was absent."""
    present: dict[str, Row]
    if from_database:
        present = {r["source"]: r for r in rows(
            con,
            """select r.source, r.release, r.release_date as date, r.standing,
                 (select count(*) from archival.foods f where f.source = r.source) as foods,
                 (select count(*) from archival."values" v where v.source = r.source) as published,
                 (select count(*) from archival.set_aside s where s.source = r.source) as set_aside
               from archival.releases r order by r.source""")}
    else:
        present = {r["id"]: r for r in manifest.get("sources", []) if r.get("present")}
    made = []
    for source in declared(workspace):
        here = present.get(source.id, {})
        release = str(here.get("release", ""))
        differs = next((r.differs for r in source.releases if r.release == release), "")
        made.append({
            "id": source.id, "title": source.title, "publisher": source.publisher, "licence": source.licence,
            "licence_url": source.licence_url, "attribution": source.attribution_of(release),
            "landing_page": source.landing_page,
            "in_repository": source.in_repository, "release": release, "date": str(here.get("date") or ""),
            "standing": here.get("standing", ""), "foods": here.get("foods"), "published": here.get("published"),
            "set_aside": here.get("set_aside"), "differs": differs.strip(),
        })
    return made


def _maintained(workspace: Workspace, name: str) -> list[Row]:
    """A file that people keep, with the line of each row; empty where there is none."""
    path = workspace.maintainer / f"{name}.csv"
    if not path.is_file():
        return []
    return [{**row, "line": line} for line, row in registry.read_csv(path, f"raw/maintainer/{name}.csv")]


def _by(found: list[Row], key: str) -> dict[str, list[Row]]:
    grouped: dict[str, list[Row]] = defaultdict(list)
    for row in found:
        grouped[row[key]].append(row)
    return dict(grouped)


def _document(path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {}
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise InputError(f"not JSON: {error}", path.name, "run rawref build") from error
    return document if isinstance(document, dict) else {}
