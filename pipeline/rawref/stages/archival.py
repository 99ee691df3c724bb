"""Archival stage: every published value verbatim, one reader per source, with counts that must agree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from rawref.database import beside
from rawref.errors import InputError, InternalError
from rawref.sources import COMMON_TABLES, Release, Source

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb


def build_archival(
    con: duckdb.DuckDBPyConnection, sources: Sequence[Source], releases: Sequence[Release], schemas: Path
) -> None:
    """Create schema `archival` from the given releases: verbatim tables, and the common tables over them.

    Whether they are sound is asked by `require_sound`.
    """
    con.execute("create schema archival")
    con.execute(
        "create table archival.releases(source text, release text, title text, publisher text, release_date text,"
        " standing text, in_repository boolean, country text, source_order int,"
        " repeats text, primary key (source, release))"
    )
    con.execute(
        "create table archival.files(source text, release text, file text, sha256 text, bytes bigint, records bigint)"
    )
    selects: dict[str, list[str]] = {name: [] for name in COMMON_TABLES}
    order = {source.id: position for position, source in enumerate(sources)}
    by_id = {source.id: source for source in sources}
    for release in releases:
        source = by_id[release.source]
        con.execute(
            "insert into archival.releases values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                release.source,
                release.release,
                release.title,
                release.publisher,
                release.date,
                release.standing,
                release.in_repository,
                source.country,
                order[release.source],
                source.repeats or None,
            ],
        )
    for release, common in zip(releases, _read(con, by_id, releases, schemas / "layouts"), strict=True):
        if unknown := set(common) - set(COMMON_TABLES):
            raise InternalError(
                f"reader gives unknown tables {sorted(unknown)}",
                f"pipeline/rawref/sources/{by_id[release.source].reader}.py",
            )
        for name, select in common.items():
            selects[name].append(select)
    for name, columns in COMMON_TABLES.items():
        typed = ", ".join(f'null::text as "{column}"' for column in columns.split())
        named = ", ".join(f'"{column}"' for column in columns.split())
        union = "\nunion all by name\n".join([f"select {typed} where false", *(f"({s})" for s in selects[name])])
        # the two large ones are only looked at: each row is stored once, as it was read
        form = "view" if name in ("values", "value_references") else "table"
        con.execute(f'create {form} archival."{name}" as select {named} from ({union})')


def _read(
    con: duckdb.DuckDBPyConnection, sources: Mapping[str, Source], releases: Sequence[Release], layouts: Path
) -> list[dict[str, str]]:
    """Fill the verbatim tables of each release, three at a time; the SELECTs of the common tables, in the given order.

    Where several have a fault, that of the first in the given order is raised.
    """

    def load(release: Release) -> dict[str, str]:
        with beside(con) as other:
            return sources[release.source].module().load(other, release, layouts)

    with ThreadPoolExecutor(3) as pool:
        return list(pool.map(load, releases))


def require_sound(con: duckdb.DuckDBPyConnection, releases: Sequence[Release]) -> None:
    """InputError where a food or a value is published twice, or another number of records was set aside than is
    declared. After `build_archival`; a build asks it while the reference stage is made."""
    _require_unique(con)
    _require_set_aside(con, releases)


def _require_unique(con: duckdb.DuckDBPyConnection) -> None:
    """A food and a value are published once per source and release; a second one stops the build."""
    for table, key in (("foods", "food_id"), ("values", "food_id, source_component")):
        # hashes are cheap to count; only where two are equal are the rows themselves looked at
        rows, different = con.execute(
            f'select count(*), count(distinct hash(source, release, {key})) from archival."{table}"'
        ).fetchall()[0]
        if rows == different:
            continue
        doubled = con.execute(
            f'select source, {key}, min(file), max(try_cast(line as bigint)) from archival."{table}"'
            f" group by source, release, {key} having count(*) > 1 order by all limit 1"
        ).fetchall()
        if doubled:
            *name, file, line = doubled[0]
            raise InputError(f"{'/'.join(name)} is published twice", f"{file}:{line}", "restore the pinned file")


def _require_set_aside(con: duckdb.DuckDBPyConnection, releases: Sequence[Release]) -> None:
    """As many records are set aside as the release is declared with: one more is a key that was damaged."""
    found = dict(con.execute("select source, count(*) from archival.set_aside group by source").fetchall())
    for release in releases:
        if release.set_aside is not None and (count := found.get(release.source, 0)) != release.set_aside:
            first = con.execute(
                "select file, line, reason, content from archival.set_aside where source = $source"
                " order by all limit 3",
                {"source": release.source},
            ).fetchall()
            raise InputError(
                f"{count} records set aside where {release.set_aside} are declared: "
                + "; ".join(" ".join(str(part) for part in row if part is not None) for row in first),
                f"raw/sources.toml, {release.source} {release.release}",
                "restore the pinned file; where the reader has changed on purpose, declare the new number (set_aside)",
            )
