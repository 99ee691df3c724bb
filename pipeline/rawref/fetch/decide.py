"""Getting source releases, verifying them, and pinning them under .rawref/sources/<source>/<release>/.

A pinned release is a folder with the publisher's files as issued and pin.json, which says where they came from. A pin
is never overwritten: a new release stands beside it, and another file for the same release is refused.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from rawref.clock import now
from rawref.errors import InputError, SourceMissing
from rawref.files import PARTIAL, read_json, sweep, write_whole
from rawref.registry.nearest import did_you_mean
from rawref.sources import (
    COMMON_TABLES,
    DeclaredRelease,
    PinnedFile,
    Release,
    Source,
    committed,
    issued_name,
    real_date,
    require_digest,
    unpack,
)
from rawref.sources import declared as declared_sources
from rawref.sources import sha256 as digest_of
from rawref.sources.foreign import parsing
from rawref.sources.layouts import LEADING_BYTES, leading_fault
from rawref.workspace import Workspace

if TYPE_CHECKING:
    from rawref.fetch.download import Downloader, Limits, Progress

PIN = "pin.json"
NAME_MAX = 255
"""Bytes of a file name, on every file system in use (POSIX NAME_MAX)."""
SIDE_LOADED_MAX = 256 << 20
"""Bytes of a file that somebody gives; the releases that we know have at most 6 MB."""


@dataclass(frozen=True, slots=True)
class Pinned:
    """One file in pin.json. `url` is empty for a side-loaded file; `freshness` says how it was had."""

    name: str
    sha256: str
    bytes: int
    url: str
    freshness: str
    fetched_at: str


@dataclass(frozen=True, slots=True)
class Pin:
    """The content of a pin.json."""

    source: str
    release: str
    date: str
    standing: str
    files: tuple[Pinned, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """What fetch has to say about one release: `state` is pinned, already pinned, in the repository, incomplete."""

    source: str
    release: str
    standing: str
    state: str
    freshness: str = ""
    files: tuple[str, ...] = ()
    bytes: int = 0
    fetched_at: str = ""
    age_days: int | None = None
    note: str = ""


@dataclass(slots=True)
class FetchResult:
    """Every release that was asked for and is at hand, and what could not be had."""

    entries: list[Entry] = field(default_factory=list)
    failures: list[SourceMissing] = field(default_factory=list)

    def require(self) -> None:
        """Raise SourceMissing (exit status 3) if anything that was asked for could not be had."""
        if len(self.failures) == 1:
            raise self.failures[0]
        if self.failures:
            raise SourceMissing("; ".join(failure.line() for failure in self.failures))


def available(workspace: Workspace) -> list[Release]:
    """The newest fetched release of each source that the repository does not keep, digests verified.

    Of a source that asks for one release (`use`), only that one. InputError when a pinned file is not the one that was
    pinned, or not the one that raw/sources.toml declares.
    """
    found = []
    for source in declared_sources(workspace):
        kept = {release.release for release in source.releases if release.in_repository}
        complete = [
            pin for pin in _pins(workspace, source.id)
            if pin.release not in kept and source.use in ("", pin.release) and not _lacking(source, pin)
        ]
        if complete:
            newest = max(complete, key=lambda pin: (pin.date, pin.release))
            found.append(_release(workspace, source, newest))
    return found


def pinned_files(workspace: Workspace) -> list[Path]:
    """Every file under .rawref/sources/ that a pin names, and the pins: what a build may read of that folder."""
    found: list[Path] = []
    for path in sorted(workspace.pinned.glob(f"*/*/{PIN}")):
        pin = read_json(path) or {}
        names = [entry.get("name") for entry in pin.get("files", []) if isinstance(entry, dict)]
        found += [path, *(path.with_name(name) for name in names if isinstance(name, str))]
    return found


def fetch(
    workspace: Workspace, names: Sequence[str] = (), *, origin: Path | None = None, offline: bool = False,
    limits: Limits | None = None, progress: Progress | None = None,
) -> FetchResult:
    """Get, verify and pin the newest declared release of the named sources, or of all.

    `origin` side-loads a file or a folder for the one source that is named; nothing is downloaded. With `offline`
    nothing is downloaded either: what is cached is pinned, what is at hand is listed. InputError for bad usage or a bad
    side-loaded file. What cannot be had is in `failures`, so that one dead server does not hide the other sources.
    """
    chosen = _select(workspace, names)
    with _lock(workspace):
        if origin is not None:
            if len(names) != 1:
                raise InputError("--from needs one source", str(origin), "rawref fetch SOURCE --from PATH")
            if not chosen:
                return FetchResult([_compare_with_repository(workspace, names[0], origin)])
            return FetchResult(_side_load(workspace, chosen[0], origin))
        return _download_all(workspace, chosen, names, offline, limits, progress)


def _select(workspace: Workspace, names: Sequence[str]) -> list[Source]:
    """The named sources that are fetched, in declared order; InputError for a name that is not declared."""
    sources = declared_sources(workspace)
    known = [source.id for source in sources]
    for name in names:
        if name not in known:
            cure = did_you_mean(name, known, f"one of {', '.join(known)}")
            raise InputError(f"no source is called {name!r}", "raw/sources.toml", cure)
    return [source for source in sources if _is_fetched(source) and (not names or source.id in names)]


def _is_fetched(source: Source) -> bool:
    """Whether its reader can tell a release from a file; one that cannot reads only what the repository keeps."""
    return hasattr(source.module(), "identify")


@contextmanager
def _lock(workspace: Workspace) -> Iterator[None]:
    """One fetch at a time, so that two cannot pin into each other."""
    workspace.pinned.mkdir(parents=True, exist_ok=True)
    with (workspace.pinned / ".lock").open("w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InputError("another fetch is running", workspace.relative(workspace.pinned), "wait for it") from error
        sweep(workspace.pinned, (".unpack-*", f"*/*/{PARTIAL}*"))
        yield


def _stamp() -> str:
    return now().strftime("%Y-%m-%dT%H:%M:%SZ")


# ---- pins on disk


def _folder(workspace: Workspace, source: str, release: str) -> Path:
    return workspace.pinned / source / release


def _pins(workspace: Workspace, source: str) -> list[Pin]:
    """The pins of a source by release; InputError for a pin.json that cannot be read."""
    pins = []
    for path in sorted((workspace.pinned / source).glob(f"*/{PIN}")):
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            files = tuple(Pinned(**entry) for entry in document.pop("files"))
            document.pop("schema_version")
            pin = Pin(files=files, **document)
            if any(PurePosixPath(file.name).name != file.name for file in files):
                raise ValueError("a file name leaves the folder")
            if (pin.source, pin.release) != (source, path.parent.name):
                raise ValueError(f"it is of {pin.source} {pin.release}"[:80])
            if any(len(file.name.encode()) > NAME_MAX for file in files):
                raise ValueError("a file name is too long")
            if "-" in pin.date:
                real_date(pin.date, workspace.relative(path))
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            raise InputError(
                f"cannot be read: {error}", workspace.relative(path), f"delete its folder, then rawref fetch {source}"
            ) from error
        pins.append(pin)
    return pins


def _pin_of(workspace: Workspace, source: str, release: str) -> Pin | None:
    return next((pin for pin in _pins(workspace, source) if pin.release == release), None)


def _declaration(source: Source, release: str) -> DeclaredRelease | None:
    return next((entry for entry in source.releases if entry.release == release), None)


def _lacking(source: Source, pin: Pin) -> list[str]:
    """Names of declared files that a pin does not have; an undeclared release lacks nothing."""
    entry = _declaration(source, pin.release)
    have = {file.name for file in pin.files}
    return [file.name for file in entry.files if file.name not in have] if entry else []


def _release(workspace: Workspace, source: Source, pin: Pin) -> Release:
    """A complete pin as a Release, with every file verified against the pin and the declaration."""
    folder = _folder(workspace, source.id, pin.release)
    entry = _declaration(source, pin.release)
    due = {file.name: file.sha256 for file in entry.files} if entry else {}
    by_name = {file.name: file for file in pin.files}
    order = [*due, *sorted(set(by_name) - set(due))]
    for name in order:
        path = folder / name
        where = workspace.relative(path)
        cure = f"delete the folder {workspace.relative(folder)}, then rawref fetch {source.id}"
        if not path.is_file():
            raise InputError("pinned file is missing", where, cure)
        actual = digest_of(path)
        if actual != by_name[name].sha256:
            raise InputError("wrong digest: not the bytes that were pinned", where, cure)
        if name in due and actual != due[name]:
            raise InputError("wrong digest: not the bytes that raw/sources.toml declares", where, cure)
    return Release(
        source.id, pin.release, source.title, source.publisher, entry.date if entry else pin.date,
        "declared" if entry else "undeclared", tuple(folder / name for name in order), False,
        set_aside=entry.set_aside if entry else None,
    )


def _write_pin(
    workspace: Workspace, source: Source, release: str, date: str, standing: str, new: Sequence[tuple[Pinned, bytes]]
) -> Pin:
    """Add files to a pin, each whole or not at all; pin.json comes last, so that a file it names is there."""
    folder = _folder(workspace, source.id, release)
    before = _pin_of(workspace, source.id, release)
    files = {file.name: file for file in before.files} if before else {}
    for file, _ in new:
        if file.name in files and files[file.name].sha256 != file.sha256:
            raise InputError(
                "another file is pinned for this release under this name", workspace.relative(folder / file.name),
                f"a pin is never overwritten: compare them, and delete {workspace.relative(folder)} to take this one",
            )
    folder.mkdir(parents=True, exist_ok=True)
    for file, body in new:
        write_whole(folder / file.name, body)
        files[file.name] = file
    pin = Pin(source.id, release, date, standing, tuple(files[name] for name in sorted(files)))
    text = json.dumps({"schema_version": 1, **asdict(pin)}, indent=2, ensure_ascii=False) + "\n"
    write_whole(folder / PIN, text.encode("utf-8"))
    return pin


def _entry(source: Source, pin: Pin, state: str, freshness: str = "", note: str = "") -> Entry:
    oldest = min((file.fetched_at for file in pin.files), default="")
    age = (now() - datetime.fromisoformat(oldest)).days if oldest else None
    lacking = _lacking(source, pin)
    note = note or (_how_to_complete(source, pin, lacking) if lacking else _how_to_use(source, pin))
    return Entry(
        source.id, pin.release, "declared" if _declaration(source, pin.release) else "undeclared", state,
        freshness or ", ".join(sorted({file.freshness for file in pin.files})),
        tuple(file.name for file in pin.files), sum(file.bytes for file in pin.files), oldest, age, note,
    )


def _how_to_use(source: Source, pin: Pin) -> str:
    """For a release that no build reads: which it reads instead, and how to ask for this one; else empty."""
    newer = [r for r in source.releases if r.in_repository and (r.date, r.release) > (pin.date, pin.release)]
    read = source.use or (newer[0].release if newer else pin.release)
    if read == pin.release:
        return ""
    return f'a build reads {read}; for this one write use = "{pin.release}" under {source.id} in raw/sources.toml'


def _how_to_complete(source: Source, pin: Pin, lacking: Sequence[str]) -> str:
    """What a release still needs before a build reads it, where it may be had, and the command."""
    entry = _declaration(source, pin.release)
    urls = [url for file in entry.files if file.name in lacking for url in _addresses(entry, file)[:1]] if entry else []
    return (
        f"lacks {' and '.join(lacking)}; no build reads {source.id} until it is there. Download it from "
        f"{' and '.join(urls) or source.landing_page} and run: rawref fetch {source.id} --from FILE"
    )


def _in_repository(release: Release) -> Entry:
    files = [path for path in release.files if path.is_file()]
    return Entry(
        release.source, release.release, release.standing, "in the repository", "",
        tuple(map(issued_name, files)), sum(path.stat().st_size for path in files),
    )


# ---- downloading


def _download_all(
    workspace: Workspace, chosen: Iterable[Source], names: Sequence[str], offline: bool, limits: Limits | None,
    progress: Progress | None,
) -> FetchResult:
    from rawref.fetch.download import Limits as DefaultLimits
    from rawref.fetch.download import downloader

    result = FetchResult([_in_repository(release) for release in committed(workspace)
                          if not names or release.source in names])
    with downloader(workspace.work / "download", limits or DefaultLimits(), progress) as web:
        for source in chosen:
            at_hand = [pin for pin in _pins(workspace, source.id) if not _lacking(source, pin)]
            wanted = _declaration(source, source.use) if source.use else next(iter(source.releases), None)
            try:
                if not (wanted or at_hand) and names:
                    raise SourceMissing(
                        "no release is declared, so there is nothing to verify a download by", source.id,
                        f"download it from {source.landing_page} and run: rawref fetch {source.id} --from FILE",
                    )
                if wanted is None or wanted.in_repository or (offline and at_hand):
                    result.entries += [_entry(source, pin, "already pinned") for pin in at_hand]
                else:
                    result.entries.append(_download_release(workspace, source, wanted, web, offline))
            except SourceMissing as failure:
                # Offline, without names, the question is what is at hand: an absent source is no failure.
                if not offline or names:
                    result.failures.append(failure)
    return result


def _download_release(
    workspace: Workspace, source: Source, release: DeclaredRelease, web: Downloader, offline: bool
) -> Entry:
    """Get every file of a declared release; what is verified is pinned even if a later file cannot be had.

    For a pinned release the publisher is asked whether the file is still the same: no answer is a note, another file
    is a failure, and the pin stays as it is.
    """
    pin = _pin_of(workspace, source.id, release.release)
    if pin is not None and not _lacking(source, pin):
        _release(workspace, source, pin)
    pinned = {file.name: file for file in pin.files} if pin else {}
    notes, freshness = [], []
    for file in release.files:
        held = pinned.get(file.name)
        try:
            url, fresh, body = _download_file(source, release, file, web, offline)
        except SourceMissing as failure:
            if held is None or not isinstance(failure, _Unreachable):
                raise
            notes.append(f"{file.name}: {failure.what}")
            continue
        freshness.append(fresh)
        if held is None:
            new = Pinned(file.name, file.sha256, len(body), url, fresh, _stamp())
            pin = _write_pin(workspace, source, release.release, release.date, "declared", [(new, body)])
    if pin is None:
        raise SourceMissing("the release declares no file", f"raw/sources.toml, {source.id}", "declare its files")
    state = "already pinned" if all(file.name in pinned for file in release.files) else "pinned"
    return _entry(source, pin, state, ", ".join(dict.fromkeys(freshness)), "; ".join(notes))


class _Unreachable(SourceMissing):
    """No address of a file answered; unlike a wrong digest, this says nothing about the file."""


def _download_file(
    source: Source, release: DeclaredRelease, file: PinnedFile, web: Downloader, offline: bool
) -> tuple[str, str, bytes]:
    """Address, freshness and bytes of a declared file; SourceMissing says what each address gave instead."""
    from rawref.fetch.download import NotCached, TooLarge

    faults: list[str] = []
    reached = False
    for url in _addresses(release, file):
        try:
            fresh, body = web.get(url, offline=offline, bytes_max=file.bytes)
        except NotCached as error:
            faults.append(f"{url} could not be had ({error})")
            continue
        except TooLarge as error:
            faults.append(f"{url} gives another file: {error}")
            reached = True
            continue
        if fault := _fault(file, body):
            web.forget(url)
            faults.append(f"{url} gives another file: {fault}")
            reached = True
            continue
        return url, fresh, body
    kind = SourceMissing if reached else _Unreachable
    raise kind(
        "; ".join(faults) or "no address is declared", f"{source.id} {release.release}, {file.name}",
        f"download it from {source.landing_page} and run: rawref fetch {source.id} --from FILE",
    )


def _addresses(release: DeclaredRelease, file: PinnedFile) -> list[str]:
    """Where a file may be had: its own addresses, then those of a release that has only this file."""
    shared = release.urls if len(release.files) == 1 else ()
    return list(dict.fromkeys([*file.urls, *shared]))


def _fault(file: PinnedFile, body: bytes) -> str:
    """Why bytes are not the declared file; empty when they are."""
    kind = PurePosixPath(file.name).suffix.lstrip(".").lower()
    if kind in LEADING_BYTES and (fault := leading_fault(body[:512], kind)):
        return fault
    if len(body) != file.bytes:
        return f"{len(body)} bytes, declared {file.bytes}"
    actual = hashlib.sha256(body).hexdigest()
    return "" if actual == file.sha256 else f"SHA-256 {actual}, declared {file.sha256}"


# ---- side-loading


def _side_load(workspace: Workspace, source: Source, origin: Path) -> list[Entry]:
    """Pin a file, or the files of a folder, that somebody downloaded; InputError if they are not of this source.

    One entry per release. A file that the repository keeps is not pinned a second time.
    """
    _require_regular(origin)
    paths = _candidates(source, origin) if origin.is_dir() else [origin]
    if not paths:
        raise InputError(f"no file here that could be of {source.id}", str(origin), "name the file itself")
    pins: dict[str, Pin] = {}
    added: set[str] = set()
    kept: dict[str, Entry] = {}
    with tempfile.TemporaryDirectory(dir=workspace.pinned, prefix=".unpack-") as scratch:
        for path in paths:
            opened = _unwrap(source, path, Path(scratch))
            release, name = _which(workspace, source, opened)
            body = opened.read_bytes()
            entry = _declaration(source, release)
            if entry and entry.in_repository:
                (here,) = (r for r in committed(workspace, {source.id: release}))
                kept[release] = replace(_in_repository(here), note=f"{path.name} holds the same files")
                continue
            before = _pin_of(workspace, source.id, release)
            known = before is not None and any(
                file.name == name and file.sha256 == hashlib.sha256(body).hexdigest() for file in before.files
            )
            if known and before is not None:
                pins.setdefault(release, before)
                continue
            _refuse_second(workspace, source, release, entry, before, path)
            new = Pinned(name, hashlib.sha256(body).hexdigest(), len(body), "", "side-loaded", _stamp())
            pins[release] = _write_pin(
                workspace, source, release, entry.date if entry else release, "declared" if entry else "undeclared",
                [(new, body)],
            )
            added.add(release)
    states = {
        release: "incomplete" if _lacking(source, pin) else "pinned" if release in added else "already pinned"
        for release, pin in pins.items()
    }
    return [*kept.values(), *(_entry(source, pin, states[release]) for release, pin in pins.items())]


def _require_regular(origin: Path) -> None:
    """InputError unless this is a folder or a regular file of a size that can be one: a pipe or a device never ends."""
    if not origin.exists():
        raise InputError("no such file or folder", str(origin), "give the path of the downloaded file")
    if not (origin.is_file() or origin.is_dir()):
        raise InputError("neither a regular file nor a folder", str(origin), "save it as a file first")
    if origin.is_file() and origin.stat().st_size > SIDE_LOADED_MAX:
        raise InputError(f"more than {SIDE_LOADED_MAX} bytes", str(origin), "this is no file of a source")


def _refuse_second(
    workspace: Workspace, source: Source, release: str, entry: DeclaredRelease | None, before: Pin | None, path: Path
) -> None:
    """InputError when an undeclared release has its files already: another one, whatever its name, is refused."""
    if entry is None and before is not None and len(before.files) >= source.module().FILES:
        folder = workspace.relative(_folder(workspace, source.id, release))
        raise InputError(
            f"{source.id} {release} is pinned with another file, {before.files[0].name}", path.name,
            f"a pin is never overwritten: compare the two, and delete {folder} to take this one",
        )


def _candidates(source: Source, folder: Path) -> list[Path]:
    """The files of a folder that have a declared name, else those whose ending is that of a declared file."""
    names = {file.name for release in source.releases for file in release.files}
    endings = {PurePosixPath(name).suffix.lower() for name in names}
    files = sorted(path for path in folder.iterdir() if path.is_file())
    return [path for path in files if path.name in names] or [p for p in files if p.suffix.lower() in endings]


def _unwrap(source: Source, path: Path, scratch: Path) -> Path:
    """The file itself, or the one declared file inside a zip archive that somebody packed it into."""
    names = {file.name for release in source.releases for file in release.files}
    if path.name in names or not zipfile.is_zipfile(path):
        return path
    with unpack.open_archive(path, path.name) as bundle:
        inside = [PurePosixPath(member.filename).name for member in unpack.contents(bundle, path.name)]
    wrapped = [name for name in inside if name in names]
    return unpack.extract(path, wrapped[0], scratch, path.name) if len(wrapped) == 1 else path


def _which(workspace: Workspace, source: Source, path: Path) -> tuple[str, str]:
    """Release and pinned name of a side-loaded file: by digest if declared, else by what the reader finds in it."""
    actual = digest_of(path)
    for release in source.releases:
        for file in release.files:
            if file.sha256 == actual:
                return release.release, file.name
    layouts = workspace.schemas / "layouts"
    if zipfile.is_zipfile(path):
        unpack.verify(path, path.name)
    with parsing(path.name):
        found: str = source.module().identify(path, layouts)
    if _declaration(source, found):
        raise InputError(
            f"this is {source.id} {found}, but not the file that raw/sources.toml declares (SHA-256 {actual})",
            path.name,
            "download it again; if the publisher reissued it, declare the new digest as a release of its own",
        )
    before = _pin_of(workspace, source.id, found)
    others = tuple(_folder(workspace, source.id, found) / file.name for file in before.files) if before else ()
    files = (*(other for other in others if other.name != path.name), path) if source.module().FILES > 1 else (path,)
    foods = _try_reading(source, found, files, layouts)
    _refuse_remnant(workspace, source, found, foods, path.name)
    return found, path.name


def _refuse_remnant(workspace: Workspace, source: Source, release: str, foods: int, where: str) -> None:
    """InputError where an undeclared release has fewer than half the foods of the newest pinned one: a part of it."""
    pins = [pin for pin in _pins(workspace, source.id) if pin.release != release and not _lacking(source, pin)]
    if pins:
        newest = _release(workspace, source, max(pins, key=lambda pin: (pin.date, pin.release)))
        before = _try_reading(source, newest.release, newest.files, workspace.schemas / "layouts")
        if foods * 2 < before:
            raise InputError(
                f"{foods} foods, where the pinned release {newest.release} has {before}", where,
                "get the whole file again from the publisher; if it is whole, declare it in raw/sources.toml",
            )


def _try_reading(source: Source, release: str, files: tuple[Path, ...], layouts: Path) -> int:
    """Read a release once, in memory, so that an unknown code or marker stops it before it is pinned; its foods."""
    from rawref.database import connect, scalar

    with parsing(", ".join(path.name for path in files)), connect() as con:
        con.execute("create schema archival")
        con.execute(
            "create table archival.files(source text, release text, file text, sha256 text, bytes bigint,"
            " records bigint)"
        )
        trial = Release(source.id, release, source.title, source.publisher, release, "undeclared", files, False)
        selects: dict[str, Any] = source.module().load(con, trial, layouts)
        for name in COMMON_TABLES:
            if name in selects:
                con.execute(f"select count(*) from ({selects[name]})").fetchall()
        return int(scalar(con, f"select count(*) from ({selects['foods']})"))


def _compare_with_repository(workspace: Workspace, name: str, origin: Path) -> Entry:
    """For a source that is in the repository: whether another copy of its archive holds the same files."""
    release = next((entry for entry in committed(workspace) if entry.source == name), None)
    if release is None or not release.members:
        raise InputError(f"{name} is kept in the repository as text files", str(origin), "edit the files there")
    _require_regular(origin)
    if origin.is_dir():
        raise InputError("a folder", str(origin), "give the path of the downloaded archive")
    if digest_of(origin) not in {digest_of(path) for path in release.files}:
        with unpack.open_archive(origin, origin.name) as bundle:
            inside = {member.filename: member for member in unpack.contents(bundle, origin.name)}
            if absent := sorted(set(release.members) - set(inside)):
                raise InputError(f"lacks {', '.join(absent)}", origin.name, "give the archive of this release")
            for name, member in release.members.items():
                body = unpack.read(bundle, inside[name], origin.name)
                require_digest(hashlib.sha256(body).hexdigest(), member.sha256, f"{origin.name}!{name}")
    return replace(_in_repository(release), note=f"{origin.name} holds the same files")
