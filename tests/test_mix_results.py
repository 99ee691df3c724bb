"""Whether the trial mix still says of every recipe of the repository what was written down when it was looked at."""

from __future__ import annotations

from rawref.workspace import Workspace

from tests import mix_results, pinned


def test_no_result_of_a_mix_moved_unseen() -> None:
    here = Workspace(mix_results.REPO)
    moved = pinned.moved(mix_results.FILE, mix_results.told(here, here.curated))
    assert moved == [], "see what changed and why, then: python -m tests.mix_results"
