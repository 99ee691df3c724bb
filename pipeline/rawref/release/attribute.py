"""Two causes told apart by building again: the old files of one input group with all else as it is now.

A change that such a build does not show any more, or shows otherwise, comes from that group; what no group moves comes
from the code. Limits: a group can only be held back where its old files are still at hand, by digest: under raw/,
schemas/ and .rawref/sources/, or in the git history at the commit that last wrote curated/manifest.json. The old code
is never run. A change that several groups move keeps the cause that its provenance gives, and says so.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rawref.drift.compare import compare, summary
from rawref.drift.history import history
from rawref.drift.inputs import changed_groups, group_of
from rawref.errors import RawrefError
from rawref.workspace import Workspace

DATA_GROUPS = ("source", "rule", "decision", "ingredients")
Say = Callable[[str], None]


def attribute(workspace: Workspace, result: dict[str, Any], before: Path, say: Say) -> dict[str, Any]:
    """The drift result with causes settled by building again, and under `attribution` what was tried.

    `attribution`: group to `separated`, or the reason why it could not be. Nothing is tried where fewer than two input
    groups changed. Costs one build a group; the workspace itself is not touched.
    """
    groups = changed_groups(_manifest(before), _manifest(workspace.built))
    tried: dict[str, str] = {}
    moved: dict[str, set[tuple[str, str, str]]] = {}
    if len(groups) > 1:
        for group in [g for g in DATA_GROUPS if g in groups]:
            say(f"attribution: building with the old {group}")
            try:
                moved[group] = _moved_by(workspace, group, before)
                tried[group] = "separated"
            except LookupError as error:
                tried[group] = f"not separated: {error.args[0]} is no longer at hand"
            except RawrefError as error:
                tried[group] = f"not separated: does not build with the old files: {error.line()}"
    changes = [_settled(c, moved, groups, tried) for c in result["changes"]]
    return result | {"attribution": tried, "changes": changes, "summary": summary(changes)}


def _settled(
    change: dict[str, Any],
    moved: dict[str, set[tuple[str, str, str]]],
    groups: dict[str, list[str]],
    tried: dict[str, str],
) -> dict[str, Any]:
    if change["kind"] == "schema" or not moved or change.get("cause_why", "").startswith("edited by hand"):
        return change
    rows = {(m["table"], m["subject"]) for m in change.get("members", ())}
    by = [
        g for g in moved
        if (change["table"], change["subject"], change["kind"]) in moved[g] or rows & {m[:2] for m in moved[g]}
    ]
    if len(by) == 1:
        return change | {
            "cause": by[0],
            "cause_why": f"built again with the old {by[0]}: this change comes out otherwise",
        }
    if len(by) > 1:
        return change | {"cause_why": "several inputs move it, each alone: " + ", ".join(by)}
    if "code" in groups and all(t == "separated" for t in tried.values()):
        return change | {
            "cause": "code",
            "cause_why": "built again with old " + ", ".join(moved) + ": this change remains",
        }
    return change


def _moved_by(workspace: Workspace, group: str, before: Path) -> set[tuple[str, str, str]]:
    """(table, subject, kind) of what differs when the group's files are the old ones; LookupError names a lost file."""
    from rawref.release.build import build

    root = Path(tempfile.mkdtemp(prefix="attribute-", dir=workspace.work))
    try:
        for name in ("raw", "schemas", ".rawref/sources"):
            if (workspace.root / name).is_dir():
                shutil.copytree(workspace.root / name, root / name, symlinks=True)
        _put_back(workspace, root, group, before)
        scratch = Workspace(root)
        build(scratch, lambda _: None, workbook=False)
        found = compare(scratch.built, workspace.built, workspace.schemas, whole=True)
        return {(c["table"], c["subject"], c["kind"]) for c in found["changes"]}
    finally:
        shutil.rmtree(root, ignore_errors=True)


def _put_back(workspace: Workspace, root: Path, group: str, before: Path) -> None:
    """Give the scratch root the old files of the group, and only those."""
    wanted = {p: d for p, d in _manifest(before).get("inputs", {}).items() if group_of(p) == group}
    held = {
        _sha256(p.read_bytes()): p
        for folder in ("raw", "schemas", ".rawref/sources")
        for p in sorted((workspace.root / folder).rglob("*"))
        if p.is_file()
    }
    past = history(workspace, before)
    bodies: dict[str, bytes] = {}
    for path, digest in wanted.items():
        if digest in held:
            bodies[path] = held[digest].read_bytes()
            continue
        body = past.text(path, digest)
        if body is None:
            raise LookupError(path)
        bodies[path] = body
    for path in sorted(root.rglob("*")):
        if path.is_file() and group_of(path.relative_to(root).as_posix()) == group:
            path.unlink()
    for name, body in bodies.items():
        target = (root / name).resolve()
        if not target.is_relative_to(root.resolve()):
            raise LookupError(name)  # a manifest edited by hand must not write outside the scratch folder
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(body)


def _sha256(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()


def _manifest(folder: Path) -> dict[str, Any]:
    try:
        document = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return document if isinstance(document, dict) else {}
