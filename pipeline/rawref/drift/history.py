"""What git still holds of the inputs of an accepted table: the old text of a file, the program files that changed."""

from __future__ import annotations

import hashlib
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from rawref.workspace import Workspace


def git(root: Path, *arguments: str) -> bytes | None:
    """What git says, run in `root`; None where there is no git, no repository or it refuses."""
    try:
        done = subprocess.run(["git", "-C", str(root), *arguments], capture_output=True, check=False, timeout=60)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 else None


@dataclass(frozen=True, slots=True)
class History:
    """The commit in which a published folder was accepted, seen from a workspace; `commit` is empty where none is.

    Where no commit has just this manifest it is the last that wrote one: its files are still told by their digests.
    """

    root: Path
    commit: str = ""
    exact: bool = False

    def text(self, path: str, digest: str) -> bytes | None:
        """The old bytes of an input, if git has those whose SHA-256 the manifest states."""
        body = git(self.root, "show", f"{self.commit}:./{path}") if self.commit else None
        return body if body is not None and hashlib.sha256(body).hexdigest() == digest else None

    def changed_below(self, folder: str) -> list[str]:
        """Files of `folder` that are not as they were in that commit, new ones included."""
        if not self.exact:
            return []
        changed = git(self.root, "diff", "--name-only", "--relative", "-z", self.commit, "--", folder) or b""
        fresh = git(self.root, "ls-files", "--others", "--exclude-standard", "-z", "--", folder) or b""
        return sorted({p for p in (changed + fresh).decode("utf-8", "replace").split("\0") if p})


@cache
def _accepted(root: Path, manifest: str) -> dict[str, str]:
    """Git's name of each manifest that was ever committed, to the latest commit that wrote it."""
    said = git(root, "log", "--format=commit %H", "--raw", "--no-abbrev", "--no-renames", "--", manifest) or b""
    found: dict[str, str] = {}
    commit = ""
    for line in said.decode("utf-8", "replace").splitlines():
        if line.startswith("commit "):
            commit = line.removeprefix("commit ")
        elif line.startswith(":"):
            found.setdefault(line.split()[3], commit)
    return found


def history(workspace: Workspace, folder: Path) -> History:
    """The commit that wrote the manifest of `folder` into the workspace's table."""
    try:
        body = (folder / "manifest.json").read_bytes()
    except OSError:
        return History(workspace.root)
    blob = hashlib.sha1(b"blob %d\0" % len(body) + body, usedforsecurity=False).hexdigest()
    held = _accepted(workspace.root, f"{workspace.curated.name}/manifest.json")
    return History(workspace.root, held.get(blob) or next(iter(held.values()), ""), blob in held)
