"""Whether find, trace, gaps and suggest still answer as was written down when that was looked at."""

from __future__ import annotations

from rawref.workspace import Workspace

from tests import lookup_results, pinned


def test_no_answer_moved_unseen(built_workspace: Workspace) -> None:
    moved = pinned.moved(lookup_results.FILE, lookup_results.told(built_workspace.root))
    assert moved == [], "see what changed and why, then: python -m tests.lookup_results"
