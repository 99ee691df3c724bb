"""The rooms of the program and the order of their imports: tests/data/rooms.csv is the one place that states it."""

from __future__ import annotations

import ast
import csv
import re
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


def test_every_step_is_used_or_is_for_a_source_to_come():
    """A named step stands in a mapping, a rule or a cited record; what none uses is a conversion of unit or basis."""
    with (REPO / "schemas" / "conversions.csv").open(encoding="utf-8", newline="") as stream:
        steps = [row["id"] for row in csv.DictReader(stream)]
    places = [p for p in (REPO / "schemas").rglob("*") if p.suffix in (".csv", ".toml") and p.stem != "conversions"]
    places += [p for p in PACKAGE.rglob("*") if p.suffix in (".py", ".sql")]
    places += list((REPO / "raw" / "maintainer").glob("*.csv"))
    words = {word for p in places for word in re.findall(r"\w+", p.read_text(encoding="utf-8"))}
    unused = {step for step in steps if step not in words}
    developers = (REPO / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert all(f"`{step}`" in developers for step in unused), sorted(unused)


def test_no_source_is_named_outside_its_reader():
    """What sources differ in is said by schemas/source_traits.csv and the declaration; scene.py is invented."""
    declared = re.findall(r'^id = "([^"]+)"', (REPO / "raw" / "sources.toml").read_text(encoding="utf-8"), re.M)
    assert len(declared) > 3
    national = "|".join(re.escape(name) for name in declared if name != "maintainer")
    told = re.compile(rf"""['"](?:{national}|usda-?%)['"]""")
    naming = [
        f"{path.relative_to(REPO)}:{number}"
        for path in sorted(PACKAGE.rglob("*"))
        if path.suffix in (".py", ".sql") and path.parent.name != "sources" and path.name != "scene.py"
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if told.search(line)
    ]
    assert naming == []


def test_lines_of_sql_are_as_short_as_those_of_python():
    long = [
        f"{path.relative_to(REPO)}:{number}"
        for path in sorted(PACKAGE.rglob("*.sql"))
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if len(line) > 120
    ]
    assert long == []


def test_every_sentence_is_said_and_no_case_holds_another():
    """Words of the table stand in schemas/sentences.csv; the SQL of its rows holds none but codes and units."""
    text = "\n".join(p.read_text(encoding="utf-8") for p in sorted((PACKAGE / "stages" / "curated").glob("*.sql")))
    with (REPO / "schemas" / "sentences.csv").open(encoding="utf-8", newline="") as file:
        names = {row["name"] for row in csv.DictReader(file)}
    assert names == set(re.findall(r"\bsaid\.(\w+)\(", text))
    bare = "\n".join(line.split("--")[0] for line in text.splitlines())
    assert not re.findall(r"\b(?:then|else)\s+(?:format\()?'[^'\n]*[a-z] [a-z][^'\n]*'", bare)
