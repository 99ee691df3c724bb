"""The rooms of the program and the order of their imports: tests/data/rooms.csv is the one place that states it."""

from __future__ import annotations

import ast
import csv
from pathlib import Path

REPO = Path(__file__).parents[1]
PACKAGE = REPO / "pipeline" / "rawref"
with (REPO / "tests" / "data" / "rooms.csv").open(encoding="utf-8", newline="") as stream:
    LEVELS = {row["room"]: int(row["level"]) for row in csv.DictReader(stream)}


def imports(path: Path) -> list[tuple[int, str]]:
    """Line and room of every import of our own package, those inside functions included."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = (
                [f"rawref.{alias.name}" for alias in node.names] if node.module == "rawref" else [node.module]
            )
        found += [(node.lineno, name.split(".")[1]) for name in names if name.startswith("rawref.")]
    return found


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def test_every_module_has_a_room():
    rooms = {room_of(p) for p in PACKAGE.rglob("*.py")} - {"__init__", "__main__"}
    assert rooms == set(LEVELS)


def test_imports_point_downward():
    """A module imports its own room, or rooms of a lower level; never one beside or above it."""
    upward = [
        f"{path.relative_to(REPO)}:{line} imports {target}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if room_of(path) not in ("__init__", "__main__")
        for line, target in imports(path)
        if target in LEVELS and target != room_of(path) and LEVELS[target] >= LEVELS[room_of(path)]
    ]
    assert upward == []


def test_no_code_outside_the_package():
    """schemas/ holds data only, and pipeline/ holds the one import package."""
    assert not list((REPO / "schemas").rglob("*.py"))
    assert [p for p in (REPO / "pipeline").rglob("*.py") if PACKAGE not in p.parents] == []


def test_only_the_command_line_prints():
    """`print` stands in cli.py alone, so that everything else can be used as a library."""
    printing = [
        str(path.relative_to(REPO))
        for path in PACKAGE.rglob("*.py")
        if any(
            isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        )
    ]
    assert set(printing) <= {"pipeline/rawref/cli.py"}
