"""The declared sources and their pinned releases; one reader module per source stands beside this file."""

from __future__ import annotations

import gzip
import hashlib
import importlib
import tomllib
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

from rawref.errors import InputError
from rawref.sources.foreign import parsing
from rawref.workspace import Workspace

COMMON_TABLES = {
    "foods": "source release food_id name group_code group_name scientific_name refuse_pct refuse_note"
    " nitrogen_factor protein_factor fat_factor cho_factor file line",
    "components": "source release source_component name unit tagname file line",
    "values": "source release food_id source_component text unit n se min max low_eb up_eb source_code derivation"
    " donor_food_id stat_comment date file line",
    "langual": "source release food_id code",
    "footnotes": "source release food_id kind source_component text file line",
    "references": "source release reference_id authors title year journal volume issue pages file line",
    "value_references": "source release food_id source_component reference_id",
    "set_aside": "source release file line reason content",
    "codes": "source release kind code meaning",
    "food_keys": "source release key food_id",
}
"""Common archival tables and their columns, all text; a reader gives a SELECT for each that its source has."""

PACKED = ".gz"
"""Ending of a file that the repository keeps compressed; its declared digest is that of the file as published."""

CONTENT_MAX = 256 << 20
"""Bytes to which a compressed file may unpack; the largest that is kept has 4 MB."""


@dataclass(frozen=True, slots=True)
class PinnedFile:
    """One file of a release as declared: name, digest, size, where it may be had; records, of a file in an archive."""

    name: str
    sha256: str
    bytes: int
    urls: tuple[str, ...] = ()
    records: int | None = None


@dataclass(frozen=True, slots=True)
class DeclaredRelease:
    """A release as sources.toml declares it."""

    release: str
    date: str
    urls: tuple[str, ...]
    files: tuple[PinnedFile, ...]
    members: tuple[PinnedFile, ...]
    differs: str = ""
    in_repository: bool = False
    """Whether its files are kept under raw/<source>/<release>/, each as published or as <name>.gz."""
    set_aside: int | None = None
    """Records that a reader sets aside, where counted: another number is a damaged key or another file."""


@dataclass(frozen=True, slots=True)
class Source:
    """A source as sources.toml declares it, newest release first."""

    id: str
    title: str
    publisher: str
    licence: str
    licence_url: str
    attribution: str
    landing_page: str
    reader: str
    in_repository: bool
    country: str
    releases: tuple[DeclaredRelease, ...]
    """Empty where no official file has been seen: then the source can only be side-loaded, as undeclared."""
    repeats: str = ""
    use: str = ""
    """The release that a build reads; empty: the newest that is at hand."""
    """The source of which this one is another edition: their agreement is not independent."""

    def attribution_of(self, release: str) -> str:
        """What to name when this release is used: the declared wording is that of the newest declared release."""
        if not release or not self.releases or release == self.releases[0].release:
            return self.attribution
        return f"{self.publisher}. {self.title}, release {release}. {self.landing_page}"

    def module(self) -> ModuleType:
        """The reader module of this source."""
        return importlib.import_module(f"rawref.sources.{self.reader}")


@dataclass(frozen=True, slots=True)
class Release:
    """A release that is on disk and may be read."""

    source: str
    release: str
    title: str
    publisher: str
    date: str
    standing: str
    files: tuple[Path, ...]
    in_repository: bool
    members: dict[str, PinnedFile] = field(default_factory=dict)
    """What is expected of each file inside the archive, where declared."""
    set_aside: int | None = None
    """How many records the reader sets aside, where declared."""


def declared(workspace: Workspace) -> list[Source]:
    """The sources of raw/sources.toml in their order; InputError names what is wrong with the file.

    A release is in the repository as its source is, unless it says otherwise.
    """
    path = workspace.raw / "sources.toml"
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
        if not all(isinstance(entry, dict) for entry in document.get("source", [])):
            raise InputError("source is no list of tables", workspace.relative(path), "write [[source]]")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"not valid TOML: {error}", workspace.relative(path), "correct the declaration") from error
    return [_source(entry, workspace.relative(path)) for entry in document.get("source", [])]


def _source(entry: dict[str, Any], where: str) -> Source:
    def files(rows: list[dict[str, Any]], *, counted: bool = False) -> tuple[PinnedFile, ...]:
        return tuple(
            PinnedFile(
                r["name"], r["sha256"], r["bytes"], tuple(r.get("urls", ())), r["records"] if counted else None
            )
            for r in rows
        )

    try:
        for r in entry["release"]:
            real_date(r["date"], f"{where}, {entry['id']} {r['release']}")
        releases = tuple(
            DeclaredRelease(
                r["release"], r["date"], tuple(r.get("urls", ())), files(r.get("file", [])),
                files(r.get("member", []), counted=True), r.get("differs", ""),
                r.get("in_repository", entry["in_repository"]), r.get("set_aside"),
            )
            for r in entry["release"]
        )
        return Source(
            entry["id"], entry["title"], entry["publisher"], entry["licence"], entry["licence_url"],
            entry["attribution"], entry["landing_page"], entry["reader"], entry["in_repository"],
            entry.get("country", ""), releases, entry.get("repeats", ""), entry.get("use", ""),
        )
    except KeyError as error:
        raise InputError(f"source {entry.get('id', '?')} lacks {error}", where, "add the key") from error
    except (TypeError, AttributeError) as error:
        raise InputError(f"source {entry.get('id', '?')}: {error}", where, "a key holds another type") from error


def real_date(text: str, where: str) -> None:
    """InputError unless `text` is a day on which a table can have been published: the date decides which release is
    the newest, and one that cannot be would be the newest for ever."""
    try:
        whole = text + "-01-01"[len(text) - 4 :] if len(text) in (4, 7) else text  # a year, a month: its first day
        real = 1900 <= date.fromisoformat(whole).year <= 2100
    except (ValueError, TypeError):
        real = False
    if not real:
        raise InputError(f"{text!r} is no date of a release", where, "write it as YYYY-MM-DD")


def sha256(path: Path) -> str:
    """The SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def content(path: Path) -> bytes:
    """The bytes of a pinned file as its publisher issued it; InputError for a compressed one that cannot be read."""
    if path.suffix != PACKED:
        return path.read_bytes()
    with parsing(path.name, "restore the file with git checkout"), gzip.open(path) as stream:
        body = stream.read(CONTENT_MAX + 1)
    if len(body) > CONTENT_MAX:
        raise InputError(f"unpacks to more than {CONTENT_MAX} bytes", path.name, "restore the file with git checkout")
    return body


def issued_name(path: Path) -> str:
    """What the publisher calls a pinned file."""
    return path.name.removesuffix(PACKED)


def committed(workspace: Workspace, asked: Mapping[str, str] | None = None) -> Iterator[Release]:
    """The newest release of every source whose pinned files are in the repository, digests verified.

    Of a source that asks for one release (`use`), only that one. `asked` (source to release) asks instead, and leaves
    the other sources out.
    """
    for source in declared(workspace):
        if asked is not None and source.id not in asked:
            continue
        use = asked[source.id] if asked else source.use
        kept = [r for r in source.releases if r.in_repository and use in ("", r.release)]
        if not kept:
            continue
        newest = kept[0]
        folder = workspace.raw / source.id / newest.release
        paths = [_stored(folder, pinned.name) for pinned in newest.files]
        for pinned, path in zip(newest.files, paths, strict=True):
            where = workspace.relative(path)
            if not path.is_file():
                raise InputError("pinned file is missing", where, "restore it with git checkout")
            digest = hashlib.sha256(content(path)).hexdigest() if path.suffix == PACKED else sha256(path)
            if digest != pinned.sha256:
                raise InputError(
                    "wrong digest: not the bytes that raw/sources.toml declares", where,
                    "restore the file with git checkout, or declare a new release beside it",
                )
        yield Release(
            source.id, newest.release, source.title, source.publisher, newest.date, "declared",
            tuple(paths) or (workspace.raw / source.id,), True, {member.name: member for member in newest.members},
            newest.set_aside,
        )


def _stored(folder: Path, name: str) -> Path:
    """Where a file of the repository is: as published, or compressed where only that is there."""
    packed = folder / f"{name}{PACKED}"
    return packed if packed.is_file() and not (folder / name).is_file() else folder / name


@contextmanager
def opened_archive(archive: Path, names: Iterable[str], where: str) -> Iterator[zipfile.ZipFile]:
    """The zip archive, open; InputError where it cannot be read or lacks one of the files `names`."""
    cure = "restore the pinned archive with git checkout"
    with parsing(where, cure), zipfile.ZipFile(archive) as bundle:
        if absent := sorted(set(names) - set(bundle.namelist())):
            raise InputError(f"lacks {', '.join(absent)}", where, cure)
        yield bundle


def require_digest(found: str, expected: str, where: str) -> None:
    """InputError unless the two digests are one."""
    if found != expected:
        raise InputError("wrong digest", where, "restore the pinned archive with git checkout")
