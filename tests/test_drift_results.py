"""Whether drift still tells changes made up for it as was written down when that was looked at."""

from __future__ import annotations

from pathlib import Path

from rawref.workspace import Workspace

from tests import drift_results, pinned


def test_no_change_is_told_otherwise_unseen(small_workspace: Workspace, tmp_path: Path) -> None:
    moved = pinned.moved(drift_results.FILE, drift_results.told(small_workspace.root, tmp_path))
    assert moved == [], "see what changed and why, then: python -m tests.drift_results"
