"""Making the build the accepted table: version, changelog, manifest, workbook, put in place in one step."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.clock import now, plausible
from rawref.errors import InputError
from rawref.workspace import Workspace

Say = Callable[[str], None]
ENTRY_LINES = 40
"""Lines of an entry of the change log; the list of every change stands beside it."""
FULL_LIST = "changes.tsv"
LIST_ROWS = 5_000
"""Rows of the full list, worst first: the table's size budget holds whatever changes."""
LEDGER = "accepted-versions"
"""In the working folder: every number that was given out, in case a table is taken back by git."""
MOVED = {"manifest.json": "contract_version", "datapackage.json": "keywords"}
"""The key after which the stamp stands in each document."""
WHY_LINES = 6
"""Of these, for the mechanisms."""
HEAD = "# Changelog\n\nAccepted versions of the table, newest first; numbered year.month.n.\n"


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What accept came to."""

    standing: str
    """accepted | nothing | refused"""
    version: str
    """Version of the table that stands now; empty where none does."""
    drift: dict[str, Any]
    undecided: tuple[str, ...] = ()
    workbook: str = "untouched"
    """written | removed (the former table's spreadsheet must not stand beside the new table) | none | untouched"""

    @property
    def exit_status(self) -> int:
        return 1 if self.standing == "refused" else 0


def accept(
    workspace: Workspace, reason: str, say: Say, *, undecided: Sequence[str] = (), workbook: bool = True
) -> Acceptance:
    """Make the present build the accepted table unless it is so already; `undecided` fail findings refuse it.

    The build must be current. An accepted table that carries no version counts as not accepted yet. Where the rules
    have nothing against it, the models of the registry are asked: what breaks them refuses the build too, and so does a
    release that no other clone could have. What is in place stays untouched on any failure. InputError where the reason
    is empty or there is no build.
    """
    from rawref.drift.compare import drift
    from rawref.release.build import accepted_stamp, locked

    reason = " ".join(reason.split())
    if not reason:
        raise InputError("the reason is empty", "accept", 'say why, for instance --reason "Release 29 of SR"')
    if not (workspace.built / "manifest.json").is_file():
        raise InputError("no build to accept", workspace.relative(workspace.built), "run rawref build first")
    with locked(workspace):
        found = drift(workspace)
        version = accepted_version(workspace)
        if version and not found["changes"]:
            return Acceptance("nothing", version, found)
        _require_successors(workspace)
        if refusing := (*tuple(undecided), *_not_to_be_had(workspace)) or _broken_contract(workspace):
            return Acceptance("refused", version, found, refusing)
        time = now()
        plausible(time, accepted_stamp(workspace).get("created", ""))
        fresh = next_version(time, _versions(workspace))
        say(f"writing version {fresh}")
        book = "written" if workbook else "removed" if (workspace.curated / "table.xlsx").is_file() else "none"
        _publish(workspace, found, reason, time, fresh, workbook, first=not version)
        with (workspace.work / LEDGER).open("a", encoding="utf-8") as ledger:
            ledger.write(f"{fresh}\n")
    return Acceptance("accepted", fresh, found, workbook=book)


def _not_to_be_had(workspace: Workspace) -> tuple[str, ...]:
    """The releases of the build that no fresh clone can have, each with the cure.

    A release is reproducible where the repository keeps it, or where every file has a declared digest and address.
    """
    from rawref.sources import declared

    declarations = {(s.id, r.release): r for s in declared(workspace) for r in s.releases}
    manifest = json.loads((workspace.built / "manifest.json").read_text(encoding="utf-8"))
    lines = []
    for source in manifest["sources"]:
        if not source["present"]:
            continue
        name, release = source["id"], source["release"]
        entry = declarations.get((name, release))
        if entry and (entry.in_repository or all(file.urls or entry.urls for file in entry.files)):
            continue
        folder = f"raw/{name}/{release}"
        lines.append(
            f"{name} {release} is {'declared without an address' if entry else 'not declared'} and not in the"
            f" repository, so no fresh clone could make this table: commit its files under {folder}/ and declare them"
            " in raw/sources.toml (in_repository = true), or declare each file there with its SHA-256 and address"
        )
    return tuple(lines)


def _require_successors(workspace: Workspace) -> None:
    """InputError where an id of the accepted table is gone and no row says what became of it: mixes name it."""
    accepted = workspace.curated / "ingredients.csv"
    if not accepted.is_file():
        return

    def ids(path: Path, column: str = "ingredient_id") -> set[str]:
        return {row.get(column, "") for _, row in registry.read_csv(path, workspace.relative(path))}

    aliases = workspace.maintainer / "ingredient_aliases.csv"
    try:
        before = ids(accepted)
    except InputError:  # spoilt by hand: drift names it
        return
    if lost := sorted(before - {""} - ids(workspace.built / "ingredients.csv") - ids(aliases, "alias")):
        more = f", and {len(lost) - 1} more" if lost[1:] else ""
        raise InputError(
            f"ingredient {lost[0]!r} of the accepted table is gone{more}", workspace.relative(aliases),
            "add a row for the old id: renamed with the id that replaces it, or retired; or bring the ingredient back",
        )


def _broken_contract(workspace: Workspace) -> tuple[str, ...]:
    """What the models of the registry find wrong with the built tables, and where a Parquet twin says otherwise."""
    from rawref.checks.accepted import digests
    from rawref.database import connect
    from rawref.registry.models import validate_published

    found = validate_published(workspace.built, workspace.schemas)
    with connect() as con:
        differing = digests(con, workspace.built, workspace.schemas)
    return (
        *(f"{f.rule} {f.subject}: {f.detail} ({f.file}{f':{f.line}' if f.line else ''})" for f in found),
        *(f"T08 {f['subject']}: {f['detail']}" for f in differing),
    )


def accepted_version(workspace: Workspace) -> str:
    """Version of the accepted table; empty where there is none or it was published without one."""
    from rawref.release.build import accepted_stamp

    return accepted_stamp(workspace).get("version", "")


def next_version(time: datetime, used: Sequence[str]) -> str:
    """year.month.n, n one above what that month has."""
    month = f"{time.year}.{time.month}."
    taken = [int(v.removeprefix(month)) for v in used if re.fullmatch(re.escape(month) + r"\d+", v)]
    return f"{month}{max(taken, default=0) + 1}"


def _versions(workspace: Workspace) -> list[str]:
    """Every number that was ever given out: by the table in place, by git (tags, any commit of any branch), by us."""
    ledger = workspace.work / LEDGER
    given = ledger.read_text(encoding="utf-8").split() if ledger.is_file() else []
    in_place = re.findall(HEADING, _changelog(workspace.curated), re.MULTILINE)
    return [*in_place, accepted_version(workspace), *given, *_versions_in_git(workspace)]


HEADING = r"^## (\d+\.\d+\.\d+)\b"


def _versions_in_git(workspace: Workspace) -> list[str]:
    """Numbers that a tag `table-…` or any commit of the manifest or change log holds; none outside a repository."""
    from rawref.drift.history import git

    tags = (git(workspace.root, "tag", "--list", "table-*") or b"").decode("utf-8", "replace").split()
    found = [tag.removeprefix("table-") for tag in tags]
    # a folder below another repository's top is not that repository's table
    paths = [f"{workspace.curated.name}/{name}" for name in ("CHANGELOG.md", "manifest.json")]
    said = git(workspace.root, "log", "--all", "--format=", "--no-textconv", "-p", "-U0", "--", *paths) or b""
    text = said.decode("utf-8", "replace")
    found += re.findall(r"^\+## (\d+\.\d+\.\d+)\b", text, re.MULTILINE)
    return found + re.findall(r'^\+\s*"version": "(\d+\.\d+\.\d+)"', text, re.MULTILINE)


def tag_command(version: str) -> str:
    """How the accepted version is named in git, once it is committed."""
    return f"git tag table-{version}"


def _changelog(folder: Path) -> str:
    path = folder / "CHANGELOG.md"
    return path.read_text(encoding="utf-8", errors="replace") if path.is_file() else HEAD


def _publish(
    workspace: Workspace,
    found: dict[str, Any],
    reason: str,
    time: datetime,
    version: str,
    workbook: bool,
    *,
    first: bool,
) -> None:
    from rawref.published.descriptor import with_workbook
    from rawref.published.place import put_in_place, write_json

    stamp = {"version": version, "created": time.strftime("%Y-%m-%dT%H:%M:%SZ")}
    staged = Path(tempfile.mkdtemp(prefix="accept-", dir=workspace.work))
    try:
        for item in sorted(workspace.built.iterdir()):
            if item.is_file() and item.name not in ("CHANGELOG.md", "table.xlsx"):
                shutil.copyfile(item, staged / item.name)
        for name, after in MOVED.items():
            document = json.loads((staged / name).read_text(encoding="utf-8"))
            if "resources" in document:
                document = with_workbook(document, workbook)
            write_json(staged / name, stamped(document, after, stamp))
        if workbook:
            from rawref.published.workbook import write_workbook

            write_workbook(staged, staged / "table.xlsx", workspace.schemas)
        text = _changelog(workspace.curated)
        (staged / "CHANGELOG.md").write_text(
            inserted(text, entry(found, reason, version, stamp["created"][:10], first=first)),
            encoding="utf-8",
            newline="\n",
        )
        if version_list := full_list(found, version):
            (staged / FULL_LIST).write_text(version_list, encoding="utf-8", newline="\n")
        _keep_others(workspace.curated, staged)
        put_in_place(staged, workspace.curated)
        (workspace.built / "table.xlsx").unlink(missing_ok=True)
        for name in (*MOVED, *(["table.xlsx"] if workbook else [])):  # the build is the accepted table in every byte
            replaced = workspace.built / f".{name}"
            shutil.copyfile(staged / name, replaced)
            os.replace(replaced, workspace.built / name)
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def _keep_others(folder: Path, staged: Path) -> None:
    """Files that people keep beside the table (a read-me) stay; forms of tables that are no longer published go."""
    for item in sorted(folder.iterdir()) if folder.is_dir() else ():
        if (
            item.is_file()
            and item.suffix not in (".csv", ".parquet", ".xlsx", ".json")
            and not (staged / item.name).exists()
        ):
            shutil.copyfile(item, staged / item.name)


def stamped(document: dict[str, Any], after: str, stamp: dict[str, str]) -> dict[str, Any]:
    """The document with version and time where a build puts them: behind the key `after`."""
    made: dict[str, Any] = {}
    for key, value in document.items():
        if key not in stamp:
            made[key] = value
        if key == after:
            made |= stamp
    return made


def inserted(text: str, fresh: str) -> str:
    """The changelog with a new entry above the others."""
    head, mark, rest = text.partition("\n## ")
    return f"{head.rstrip()}\n\n{fresh}" + (f"\n## {rest}" if mark else "")


def entry(found: dict[str, Any], reason: str, version: str, day: str, *, first: bool) -> str:
    """The changelog entry of a version, at most ENTRY_LINES lines: reason, what happened, why, the worst changes."""
    lines = [f"## {version} ({day})", "", f"Reason: {_plain(reason)}", ""]
    if first:
        return "\n".join([*lines, "First accepted version.", ""])
    from rawref.render.drift import by_cause, counts, explained, headline

    causes = by_cause(found)
    lines += [f"{counts(found)}." + (f" By cause: {causes}." if causes else ""), ""]
    if head := found.get("head"):
        lines += ["### What happened", "", *(f"- {_plain(sentence)}" for sentence in head), ""]
    lines += ["### Why", "", *(f"- {_plain(line)}" for line in explained(found, WHY_LINES)), ""]
    closing = [
        f"Every change, worst first: [{FULL_LIST}]({FULL_LIST}); once another version is in place, that of the tag"
        f" table-{version}.",
        "",
    ]
    room = ENTRY_LINES - len(lines) - len(closing) - 4
    broken = [c for c in found["changes"] if _weight(c) < TIERED]
    moved = [c for c in found["changes"] if _weight(c) >= TIERED]
    shown = sorted(broken, key=_weight)[: max(room // 2, room - len(moved))]
    shown += moved[: room - len(shown)]
    bullets = [
        f"- {WEIGHT[_weight(c)]}: {_plain(headline(c))}. {_plain(c['why'])}; cause: {c['cause']}{_because(c)}"
        for c in shown
    ]
    listed = {id(c) for c in shown}
    if left := Counter(_weight(c) for c in found["changes"] if id(c) not in listed):
        bullets.append("- and " + ", ".join(f"{n} more ({WEIGHT[weight]})" for weight, n in sorted(left.items())))
    return "\n".join([*lines, "### Worst first", "", *bullets, "", *closing])


WEIGHT = (
    "columns or units (programs that read them need review)", "fault of the former table, now corrected",
    "crosses a requirement", "outside the spread", "above one rounding step of the source", "note",
)
TIERED = 2
"""Where the tiers begin in WEIGHT."""
TIERS = ("requirement", "spread", "rounding", "note")


def _weight(change: dict[str, Any]) -> int:
    """The place in WEIGHT of what a change means to a reader of the log."""
    if change["kind"] == "unit" or (change["kind"] == "schema" and (change["line"] == 1 or change["cause"] == "rule")):
        return 0
    return 1 if change["kind"] == "schema" else TIERED + TIERS.index(change["tier"])


def _because(change: dict[str, Any]) -> str:
    why = change.get("cause_why", "")
    return f" ({_plain(why)})" if why else ""


LIST_COLUMNS = ("tier", "kind", "table", "subject", "column", "before", "after", "cause", "cause_why", "why", "event")


def full_list(found: dict[str, Any], version: str) -> str:
    """Every change and, below it, the rows that it stands for: tab-separated, worst first, at most LIST_ROWS.

    Empty where there is no former table.
    """
    if not found.get("head"):
        return ""
    rows: list[list[str]] = []
    for number, change in enumerate(found["changes"], start=1):
        rows.append([_cell(change.get(c)) for c in LIST_COLUMNS[:-1]] + [str(number)])
        for m in change.get("members", ()):
            rows += [
                [m["tier"], change["kind"], m["table"], m["subject"], column, _cell(f["before"]), _cell(f["after"]),
                 change["cause"], "", "", str(number)]
                for column, f in (m["fields"] or {"": {"before": None, "after": None}}).items()
            ]
    over = len(rows) - LIST_ROWS
    body = ["\t".join(row) for row in rows[:LIST_ROWS]]
    if over > 0:
        body.append(f"# {over} more rows of version {version}: rawref drift --against the former table lists them")
    return "\n".join(["\t".join(LIST_COLUMNS), *body, ""])


def _cell(value: Any) -> str:
    """A cell of the full list: no tab, no line break; empty for null."""
    return "" if value is None else " ".join(str(value).split())


def _plain(text: str) -> str:
    """Text that Markdown shows as it is, on one line."""
    return re.sub(r"([\\`*_<\[\]#|])", r"\\\1", " ".join(text.split()))
