"""The terminal: the width there is, help in full, names completed, lists in JSON that end."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from rawref import cli
from rawref.lookup.suggest import BOUND, bounded
from rawref.render import terminal
from rawref.workspace import Workspace

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(("told", "width"), [("60", 60), ("100", 100), ("160", 160), ("20", 60), ("900", 200)])
def test_a_table_takes_the_width_there_is(monkeypatch: pytest.MonkeyPatch, told: str, width: int) -> None:
    monkeypatch.setenv("COLUMNS", told)
    text = terminal.table(("id", "what"), [("a", "x" * 300), ("b", "y")], False)
    longest = max(map(len, text.splitlines()))
    assert terminal.columns() == longest == width and "…" in text


def test_nothing_is_cut_that_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    row = ("a", "x" * 90)
    monkeypatch.setenv("COLUMNS", "80")
    assert "…" in terminal.table(("id", "what"), [row], False)
    monkeypatch.setenv("COLUMNS", "100")
    assert "x" * 90 in terminal.table(("id", "what"), [row], False)
    monkeypatch.delenv("COLUMNS")
    assert terminal.columns() == 80  # a test writes to no terminal


@pytest.mark.parametrize("width", ["60", "100", "160"])
def test_help_tells_each_command_whole(width: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rawref", "--help"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT / "pipeline"), "COLUMNS": width},
    )  # fmt: skip
    said = " ".join(done.stdout.split())
    for command in cli.app.registered_commands:
        assert command.callback is not None and " ".join((command.callback.__doc__ or "-").split()) in said


def test_names_are_completed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """From the published table and the profiles; where there is neither, nothing and no fault."""
    monkeypatch.setattr(cli, "_root", ROOT)
    assert "beef-heart" in cli.complete_ingredient("beef-h") and "chicken-liver" not in cli.complete_ingredient("beef")
    assert cli.complete_component("vit") and all(c.startswith("VIT") for c in cli.complete_component("vit"))
    assert "nrc-2006-adult" in cli.complete_need("nrc")
    monkeypatch.setattr(cli, "_root", tmp_path)
    assert cli.complete_ingredient("") == cli.complete_component("") == cli.complete_need("") == []


def test_a_suggestion_in_json_ends() -> None:
    """Invented lists of 500: the first of each, and how many there are."""
    rows = [{"n": n} for n in range(500)]
    found = bounded({"peers": {"n": 500, "list": rows}, "cooked": {"offered": rows[:2], "refused": rows}})
    assert found["cooked"]["refused"] == rows[:BOUND] and found["cooked"]["refused_count"] == 500
    assert found["peers"]["list"] == rows[:BOUND] and found["peers"]["n"] == 500
    assert found["cooked"]["offered"] == rows[:2]


@pytest.mark.parametrize(
    ("arguments", "begins"),
    [
        (("find", "beef heart"), "what,source,id,name"),
        (("trace", "--step", "vitd_iu_to_ug"), "ingredient_id,component,source"),
        (("trace", "chicken-liver", "VITD"), "schema_version,ingredient_id,component"),
    ],
)
def test_listings_as_csv(built_workspace: Workspace, arguments: tuple[str, ...], begins: str) -> None:
    """RFC 4180: one heading, as many cells in each row, nothing but rows; ids as JSON has them."""
    told: dict[str, str] = {}
    for form in ("csv", "json"):
        done = subprocess.run(
            [sys.executable, "-m", "rawref", "--root", str(built_workspace.root), *arguments, "--format", form],
            cwd=ROOT, capture_output=True, text=True, check=True, timeout=120,
            env={**os.environ, "PYTHONPATH": str(ROOT / "pipeline")},
        )  # fmt: skip
        told[form] = done.stdout
    heading, *rows = csv.reader(io.StringIO(told["csv"]))
    assert told["csv"].startswith(begins) and rows and {len(r) for r in rows} == {len(heading)}
    document = json.loads(told["json"])
    if "touched" in document:
        assert [r[:2] for r in rows] == [[t["ingredient_id"], t["component"]] for t in document["touched"]]
    elif "foods" in document:
        ids = [r["ingredient_id"] for r in document["ingredients"]] + [r["food_id"] for r in document["foods"]]
        assert [r[2] for r in rows] == ids
    else:
        assert rows[0][1:3] == ["chicken-liver", "VITD"]
