"""The build: sources to curated table, and what happens to it beside the accepted one."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import __version__
from rawref.database import beside
from rawref.errors import InputError
from rawref.fetch.decide import pinned_files
from rawref.files import PARTIAL, read_json, sweep, sync, write_whole
from rawref.sources import Release, committed, declared, sha256
from rawref.workspace import Workspace

if TYPE_CHECKING:
    import duckdb

Say = Callable[[str], None]
STATE = "state.json"
"""What the last build read and left. Unreadable or untrue: there is no build."""
CHECK = "check.json"
"""What the rules found."""
SCRATCH = "selftest"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a build came to: its summary, and how it stands to the accepted table."""

    summary: dict[str, Any]
    standing: str
    """published | equal | differs | refused"""
    unchanged: bool
    """Whether the build was taken over, as no input had changed."""


INPUTS = (".csv", ".toml", ".zip", ".gz", ".xls", ".xlsx", ".py", ".sql", ".json")
"""Endings of the files that a build reads."""


def input_digests(workspace: Workspace) -> dict[str, str]:
    """SHA-256 of everything that a build reads, by path relative to the root: sources, registry, code."""
    found: dict[str, str] = {}
    folders = (workspace.raw, workspace.schemas, workspace.root / "pipeline")
    paths = [path for folder in folders for path in sorted(folder.glob("**/*")) if path.suffix in INPUTS]
    for path in [*paths, *pinned_files(workspace)]:
        if path.is_file():
            found[workspace.relative(path)] = sha256(path)
    return found


@contextmanager
def locked(workspace: Workspace) -> Iterator[None]:
    """Hold the one build lock of the workspace; InputError when another build has it."""
    workspace.require_sources()
    workspace.work.mkdir(exist_ok=True)
    with (workspace.work / "lock").open("w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InputError(
                "another build is running here", workspace.relative(workspace.work / "lock"), "wait for it to end"
            ) from error
        _sweep(workspace)
        yield


def _sweep(workspace: Workspace) -> None:
    """Remove what commands left that were killed while they held the lock."""
    sweep(workspace.root, (f".{workspace.curated.name}-*",), workspace.curated)
    sweep(workspace.reports, (".site-*",), workspace.reports / "site")
    sweep(workspace.work, ("accept-*", "attribute-*", f"{SCRATCH}-*", "rawref.new*", f"{PARTIAL}*"))
    sweep(workspace.built.parent, ("curated.new",))


def _current(workspace: Workspace, inputs: dict[str, str]) -> dict[str, Any] | None:
    """The summary of the last build where it was made from just these inputs and is all there; else None."""
    state = read_json(workspace.work / STATE) or {}
    if state.get("inputs") != inputs or state.get("left") != _left(workspace):
        return None
    if read_json(workspace.work / CHECK) is None:
        return None
    return state["summary"] if isinstance(state.get("summary"), dict) else None


def _left(workspace: Workspace) -> dict[str, int] | None:
    """Size of the database and of each built table; None where something is missing. What accept stamps is left out."""
    if not (workspace.database.is_file() and (workspace.built / "manifest.json").is_file()):
        return None
    tables = [path for path in sorted(workspace.built.glob("*")) if path.suffix in (".csv", ".parquet")]
    return {path.name: path.stat().st_size for path in (workspace.database, *tables)}


def present_releases(workspace: Workspace) -> list[Release]:
    """The release of each source that a build reads, in declared order: the one it asks for, else the newest at hand.

    Of a release that is both in the repository and fetched, the repository's is read. InputError where the release
    that a source asks for is not at hand.
    """
    from rawref.fetch.decide import available

    found: dict[str, Release] = {}
    for release in (*committed(workspace), *available(workspace)):
        held = found.get(release.source)
        if held is None or (release.date, release.release) > (held.date, held.release):
            found[release.source] = release
    sources = declared(workspace)
    for source in sources:
        if source.use and source.id not in found:
            raise InputError(
                f"{source.id} asks for release {source.use}, which is not at hand", "raw/sources.toml",
                f"rawref fetch {source.id}, or take its line use out",
            )
    return [found[source.id] for source in sources if source.id in found]


def build(workspace: Workspace, say: Say, *, workbook: bool = True, threads: int | None = None) -> Outcome:
    """Bring the build up to date and, where no table was accepted yet, publish it."""
    with locked(workspace):
        inputs = input_digests(workspace)
        held = _current(workspace, inputs)
        summary = _make(workspace, inputs, say, threads, workbook) if held is None else held
        if workbook and held is not None:
            _write_workbook(workspace, say)
        return Outcome(summary, _settle(workspace, summary["checks"]["open"]), held is not None)


def refresh(workspace: Workspace, say: Say, *, threads: int | None = None) -> bool:
    """Bring the build up to date without publishing anything; whether it had to be made."""
    with locked(workspace):
        inputs = input_digests(workspace)
        if _current(workspace, inputs) is not None:
            return False
        _make(workspace, inputs, say, threads)
        return True


def _make(
    workspace: Workspace, inputs: dict[str, str], say: Say, threads: int | None, workbook: bool = False
) -> dict[str, Any]:
    from rawref.checks.gate import Gate, beneath
    from rawref.checks.run import Rules
    from rawref.checks.selftest import selftest
    from rawref.database import new
    from rawref.published.export import export_tables
    from rawref.published.place import write_json
    from rawref.registry.models import require, validate_handover, validate_maintainer
    from rawref.stages.archival import build_archival, require_sound
    from rawref.stages.curated import build_curated
    from rawref.stages.decisions import verify
    from rawref.stages.reference import build_reference

    started = time.monotonic()
    sources = declared(workspace)
    releases = present_releases(workspace)
    fresh = workspace.database.with_suffix(".new")
    staged = workspace.built.with_name("curated.new")
    try:
        with new(fresh, threads=threads) as con:
            say("archival: " + ", ".join(f"{r.source} {r.release}" for r in releases))
            build_archival(con, sources, releases, workspace.schemas)
            say("reference: components, units, statuses, facets, comparable foods; validating what came in meanwhile")
            with _beside(con) as (pool, other):
                sound = pool.submit(require_sound, other, releases)
                handed_over = pool.submit(validate_handover, other, workspace.schemas)
                entered = pool.submit(validate_maintainer, workspace.maintainer, workspace.schemas)
                try:
                    build_reference(con, workspace.schemas)
                except Exception:  # a fault of what was handed over or entered is named before what it led to
                    sound.result()
                    require([*entered.result(), *handed_over.result()])
                    raise
                sound.result()
                require([*entered.result(), *handed_over.result()])
                verify(con)
            say("curated: choosing values, naming gaps; judging the sources and planting faults meanwhile")
            with (
                tempfile.TemporaryDirectory(prefix=f"{SCRATCH}-", dir=workspace.work) as scratch,
                Rules(con, workspace.schemas) as rules,
                _beside(con) as (pool, _),
            ):
                judged_sources = pool.submit(rules.judge_sources)
                planted = pool.submit(selftest, workspace.schemas, scratch=Path(scratch))
                build_curated(con, workspace.schemas, workspace.maintainer / "needs")
                judged_sources.result()
                say("checks: every rule; writing tables meanwhile")
                checking = pool.submit(rules.judge_table)
                summary = _summary(con)
                summary["absent"] = [source.id for source in sources if source.id not in {r.source for r in releases}]
                export_tables(con, staged, workspace.schemas)
                described = _describe(con, staged, workspace, inputs, workbook)
                with _workbook_beside(staged, workspace.schemas, described) if workbook else nullcontext():
                    con.execute("checkpoint")
                    judged = Gate.of(checking.result(), planted.result())
            summary["checks"] = {
                **judged.result["summary"], "gate": judged.why, "open": judged.open,
                "beneath": beneath(con, judged.result),
            }
            write_json(staged / "manifest.json", described | {"checks": judged.result["summary"]})
    except BaseException:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        shutil.rmtree(staged, ignore_errors=True)
        raise
    for path in (fresh, *staged.iterdir(), staged):
        sync(path)
    (workspace.work / STATE).unlink(missing_ok=True)  # else a build cut off here passes for the one before
    os.replace(fresh, workspace.database)
    shutil.rmtree(workspace.built, ignore_errors=True)
    staged.rename(workspace.built)
    sync(workspace.built.parent)
    write_whole(workspace.work / CHECK, json.dumps(judged.result).encode())
    summary["seconds"] = round(time.monotonic() - started, 1)
    state = {"inputs": inputs, "left": _left(workspace), "summary": summary}
    write_whole(workspace.work / STATE, json.dumps(state).encode())
    return summary


class _beside:
    """A thread to work beside this one, and a connection for it. Where this one fails or is interrupted, the other's
    query is stopped and waited for, so that no busy connection hides the reason.

    No generator: an interruption on its way in would leave one to be ended when its connection is closed already."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._pool, self._other = ThreadPoolExecutor(1), beside(con)

    def __enter__(self) -> tuple[ThreadPoolExecutor, duckdb.DuckDBPyConnection]:
        return self._pool, self._other

    def __exit__(self, failed: object, *_: object) -> None:
        if failed is not None:
            self._other.interrupt()
        self._pool.shutdown(cancel_futures=failed is not None)
        self._other.close()


def _describe(
    con: Any, folder: Path, workspace: Workspace, inputs: dict[str, str], workbook: bool
) -> dict[str, Any]:
    """Write the data package descriptor beside the tables in `folder`; the manifest, still without its checks."""
    from rawref.published.descriptor import data_package, manifest, with_workbook
    from rawref.published.place import write_json

    sources = declared(workspace)
    stamp = accepted_stamp(workspace)
    described = manifest(con, folder, sources, inputs, stamp, {})
    releases = {s["id"]: s["release"] for s in described["sources"] if s["present"]}
    package = data_package(folder, sources, releases, workspace.schemas, stamp)
    write_json(folder / "datapackage.json", with_workbook(package, workbook))
    return described


@contextmanager
def _workbook_beside(folder: Path, schemas: Path, described: dict[str, Any]) -> Iterator[None]:
    """Write the spreadsheet meanwhile, from the files: it asks nothing of the database that the rules ask."""
    from rawref.published.workbook import write_workbook

    with ThreadPoolExecutor(1) as other:
        writing = other.submit(write_workbook, folder, folder / "table.xlsx", schemas, described)
        yield
        writing.result()


def _write_workbook(workspace: Workspace, say: Say) -> None:
    """Put the spreadsheet beside the built tables, unless they have it, as after a build without one."""
    from rawref.published.descriptor import with_workbook
    from rawref.published.place import write_json
    from rawref.published.workbook import write_workbook

    target = workspace.built / "table.xlsx"
    if not target.is_file():
        say("writing the workbook")
        partial = workspace.work / f"{PARTIAL}table.xlsx"
        write_workbook(workspace.built, partial, workspace.schemas)
        os.replace(partial, target)
        package = workspace.built / "datapackage.json"
        write_json(package, with_workbook(json.loads(package.read_text(encoding="utf-8")), there=True))


def accepted_stamp(workspace: Workspace) -> dict[str, str]:
    """Version and time of the accepted table; empty where none was accepted. A build carries both over."""
    document = read_json(workspace.curated / "manifest.json") or {}  # edited by hand: drift names it
    return {key: str(document[key]) for key in ("version", "created") if key in document}


def _settle(workspace: Workspace, is_open: bool) -> str:
    """Publish where no table is in place yet and the gate is open; else say how the build stands to what is there."""
    from rawref.published.descriptor import described_otherwise
    from rawref.published.export import content_digests
    from rawref.published.place import put_in_place

    if (workspace.curated / "manifest.json").is_file():
        same = content_digests(workspace.curated) == content_digests(workspace.built)
        same = same and not described_otherwise(workspace.curated, workspace.built)
        if same:
            _note_equal(workspace)
        return "equal" if same else "differs"
    if not is_open:
        return "refused"
    put_in_place(workspace.built, workspace.curated)
    return "published"


def _note_equal(workspace: Workspace) -> None:
    """Keep what the present build was made from: where it differs from what the accepted table was made from, it has
    changed nothing, and is the cause of no later change."""
    made = read_json(workspace.built / "manifest.json") or {}
    kept = {key: made.get(key) for key in ("inputs", "code")}
    note = {"accepted": sha256(workspace.curated / "manifest.json"), **kept}
    if read_json(workspace.equal) != note:
        write_whole(workspace.equal, json.dumps(note).encode())


def check_result(workspace: Workspace) -> dict[str, Any]:
    """Findings of every rule over the present build, as the build left them."""
    found = read_json(workspace.work / CHECK)
    if found is None:
        raise InputError("no findings of the last build", workspace.relative(workspace.work / CHECK), "rawref build")
    return found


def _summary(con: Any) -> dict[str, Any]:
    from rawref.database import rows, scalar
    from rawref.published.coverage import core_coverage, coverage

    return {
        "schema_version": "1",
        "program": __version__,
        "sources": rows(
            con,
            """select r.source, r.release, r.release_date as date, r.standing, r.in_repository,
                 (select count(*) from archival.foods f where f.source = r.source) as foods,
                 (select count(*) from archival."values" v where v.source = r.source) as "values",
                 (select count(*) from archival.set_aside s where s.source = r.source) as set_aside,
                 (select count(distinct food_id) from reference.links l where l.source = r.source) as mapped
               from archival.releases r order by r.source_order""",
        ),
        "ingredients": scalar(con, "select count(*) from curated.ingredients"),
        "coverage": coverage(con, 'curated."values"', "curated.gaps"),
        "coverage_core": core_coverage(con),
        "values_by_status": {
            r["status"]: r["n"]
            for r in rows(
                con, 'select status, count(*) as n from curated."values" group by status order by n desc, status'
            )
        },
        "gaps_by_kind": {
            r["kind"]: r["n"]
            for r in rows(con, "select kind, count(*) as n from curated.gaps group by kind order by n desc, kind")
        },
        "review_list": scalar(con, "select count(*) from reference.foods where may_supply_raw = 'review'"),
    }
