"""A refresh of a source, told as what happened.

Outside the project: the publisher's two archives of Foundation Foods, compared row by row beside the project: 149,615
records of current foods are shared and equal, none is gone; 24 foods are new, and 718 figures, 244 of them of 48 foods
that were there before.
"""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap
from typing import Any

import pytest
from rawref.drift.compare import compare
from rawref.fetch.decide import fetch
from rawref.release.build import build
from rawref.render.terminal import build_summary
from rawref.workspace import Workspace

from tests import oracle
from tests.rebuild import small_members, small_root, with_members


def _made(root: Path) -> Workspace:
    space = Workspace(root)
    build(space, lambda _: None, workbook=False)
    return space


@pytest.fixture(scope="module")
def small(small_workspace: Workspace) -> Path:
    return small_workspace.built


def _without(food: str) -> dict[str, bytes]:
    mark = f"~{food}~".encode()
    return {name: b"".join(line for line in body.splitlines(keepends=True) if not line.startswith(mark))
            for name, body in small_members().items()}


def test_a_food_nobody_mapped_that_goes_is_a_handful_of_changes(small: Path, tmp_path: Path, checkout: Any) -> None:
    """The first food of the release is butter: dropping it moves the line of every other figure, and where butter was
    the largest figure of any food, the ceiling that rests on it; nothing else."""
    first = oracle.table("FOOD_DES")[0]
    root = small_root(tmp_path / "root")
    with_members(root, _without(first[0]))
    found = compare(small, _made(root).built, checkout.schemas)
    assert len(found["changes"]) <= 6
    assert found["summary"]["significant"] == 0
    head = "\n".join(found["head"])
    assert len([line for sentence in found["head"] for line in wrap(sentence, 76)]) <= 10
    assert f"1 food removed: {first[2]} ({first[0]})" in head
    assert "no figure of a food that stands for an ingredient changed in its source" in head
    assert "the place of " in head
    moved = [c for c in found["changes"] if c["kind"] == "provenance" and c.get("members")]
    assert len(moved) == 1 and len(moved[0]["members"]) > 100  # the full list is kept
    assert {c["cause"] for c in found["changes"]} == {"source"}
    assert all(c["cause_why"] not in ("", "no other input changed") for c in found["changes"]
               if c["table"] in ("values", "catalogue"))


def test_a_figure_that_changed_in_the_source_is_told_with_both_texts(
    small: Path, tmp_path: Path, checkout: Any
) -> None:
    """Zinc (309) of raw beef liver, 13325: 4.00 mg in SR28."""
    root = small_root(tmp_path / "root")
    body = small_members()["NUT_DATA.txt"]
    assert body.count(b"~13325~^~309~^4.00^") == 1
    with_members(root, {"NUT_DATA.txt": body.replace(b"~13325~^~309~^4.00^", b"~13325~^~309~^5.00^")})
    found = compare(small, _made(root).built, checkout.schemas)
    assert any("beef-liver ZN 4.00 -> 5.00" in sentence for sentence in found["head"])


def test_foundation_foods_of_april_after_those_of_october(official: Path, tmp_path: Path, checkout: Any) -> None:
    archives = [official / "fdc" / f"FoodData_Central_foundation_food_csv_{day}.zip"
                for day in ("2024-10-31", "2025-04-24")]
    for archive in archives:
        if not archive.is_file():
            pytest.skip(f"{archive.name} is not at hand: only the current release is in the repository")
    made = []
    for archive in archives:
        space = Workspace(small_root(tmp_path / archive.stem[-10:]))
        fetch(space, ["usda-fdc"], origin=archive)
        made.append(_made(space.root).built)
    found = compare(made[0], made[1], checkout.schemas)
    head = "\n".join(found["head"])
    assert "usda-fdc: 24 foods added with 474 figures" in head  # 474 + 244 = 718
    assert "usda-fdc: 48 foods gained 244 figures" in head
    assert "no food was removed" in head
    assert "no figure of a food that stands for an ingredient changed in its source" in head
    assert "release 2024-10-31 -> 2025-04-24" in head
    assert "Chicken, drumstick, meat and skin, raw (2727566)" in head  # the first candidate to map is named
    assert len([line for sentence in found["head"] for line in wrap(sentence, 76)]) <= 10
    assert len(found["changes"]) < 60


def test_a_fault_of_the_source_under_a_chosen_figure_is_told_by_the_build(tmp_path: Path) -> None:
    """The mean of zinc outside its own minimum and maximum (D07) in the food that supplies the cell."""
    root = small_root(tmp_path / "root")
    lines = small_members()["NUT_DATA.txt"].split(b"\r\n")
    at = next(i for i, line in enumerate(lines) if line.startswith(b"~13325~^~309~^"))
    cells = lines[at].split(b"^")
    cells[10], cells[11] = b"40", b"50"  # Min and Max (Documentation and User Guide, p. 32)
    lines[at] = b"^".join(cells)
    with_members(root, {"NUT_DATA.txt": b"\r\n".join(lines)})
    outcome = build(Workspace(root), lambda _: None, workbook=False)
    assert outcome.summary["checks"]["beneath"].get("D07", 0) >= 1
    assert "which close no gate: " in " ".join(build_summary(outcome).split())
