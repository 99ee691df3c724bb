"""What a build makes of altered code, and how far that is what the unaltered code made; run by code_mutants.py.

    python -m tests.benchmarks.witness hold FOLDER          the states to compare with, made by the code as it is
    python -m tests.benchmarks.witness compare FOLDER FILE  what differs where FILE (below the code) is altered

The stages are run from the last state that the altered file cannot have touched, and only as far as something differs:
where a stage makes what it made before, so do those behind it.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.checks.run import FAMILIES, OF_SOURCES, run
from rawref.checks.selftest import selftest
from rawref.database import connect
from rawref.published.export import only
from rawref.release.build import present_releases
from rawref.sources import declared
from rawref.stages.archival import build_archival
from rawref.stages.curated import build_curated
from rawref.stages.decisions import verify
from rawref.stages.reference import build_reference
from rawref.workspace import Workspace

from tests.check_cases import scene
from tests.rule_findings import of_cases, results

if TYPE_CHECKING:
    import duckdb

ROOT = Path(__file__).resolve().parents[2]
STAGES = ("archival", "reference", "curated")
FROM = (("stages/reference", 1), ("stages/decisions", 1), ("stages/curated", 2), ("cooked", 2), ("checks", 3))
"""The first stage that a file can touch, by how its name begins; any other file: the first of all."""


def _make(con: duckdb.DuckDBPyConnection, stage: int, space: Workspace) -> None:
    if stage == 0:
        build_archival(con, declared(space), present_releases(space), space.schemas)
    elif stage == 1:
        build_reference(con, space.schemas)
        verify(con)
    else:
        build_curated(con, space.schemas, space.maintainer / "needs")


def _hashes(con: duckdb.DuckDBPyConnection, stage: str, schemas: Path) -> dict[str, str]:
    """Rows and content of every table of a stage, whatever the order of its rows."""
    found = {}
    fields = registry.fields(schemas)
    tables = con.execute("select table_name from duckdb_tables() where schema_name = ? order by all", [stage])
    for (name,) in tables.fetchall():
        shown = stage == "curated" and name in registry.PUBLISHED
        columns = ", ".join(f'"{f.column}"' for f in fields[name]) if shown else "*"
        query = f'select {columns} from {stage}."{name}" {only(name) if shown else ""}'
        found[name] = str(con.execute(f"select count(*), sum(hash(t)::hugeint) from ({query}) t").fetchall())
    return found


def _of_family(con: duckdb.DuckDBPyConnection, file: str, schemas: Path, told: dict[str, Any]) -> bool:
    """Whether the rules of one altered file of rules find something else; the other files are not run."""
    ids = _judges(Path(file).name)
    families = [name for name in FAMILIES if name in OF_SOURCES or _judges(f"{name}.sql") & ids]
    made = results(run(con, schemas, families=families))
    return [list(line) for line in made if line[0] in ids] != [line for line in told["rules"] if line[0] in ids]


def _judges(file: str) -> set[str]:
    """The ids of the rules in a file of rules."""
    text = (ROOT / "pipeline" / "rawref" / "checks" / "rules" / file).read_text(encoding="utf-8")
    return set(re.findall(r"'([A-Z]\d\d)' as rule_id", text))


def _judged(con: duckdb.DuckDBPyConnection, schemas: Path) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as scratch:
        return {
            "rules": [list(line) for line in results(run(con, schemas))],
            "cases": [list(line) for line in of_cases(scene(schemas, "out"), scene(schemas, "in"))],
            "plants": [plant.name for plant in selftest(schemas, scratch=Path(scratch)) if not plant.seen],
        }


def hold(held: Path) -> None:
    """The database after each stage, the content of its tables, what rules, their cases and planted faults give."""
    space = Workspace(ROOT)
    told: dict[str, Any] = {}
    work = held / "work.duckdb"
    for number, stage in enumerate(STAGES):
        with connect(work) as con:
            _make(con, number, space)
            con.execute("checkpoint")
            told[stage] = _hashes(con, stage, space.schemas)
            if number == 2:
                told |= _judged(con, space.schemas)
        shutil.copyfile(work, held / f"{stage}.duckdb")
    work.unlink()
    (held / "expected.json").write_text(json.dumps(told), encoding="utf-8")


def compare(held: Path, file: str) -> str:
    """"table", "rules", "cases", "plants", or "" where nothing that a build shows is another."""
    told = json.loads((held / "expected.json").read_text(encoding="utf-8"))
    space = Workspace(ROOT)
    first = next((stage for name, stage in FROM if file.startswith(name)), 0)
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder) / "work.duckdb"
        if first:
            shutil.copyfile(held / f"{STAGES[first - 1]}.duckdb", work)
        altered = False
        with connect(work) as con:
            for number in range(first, len(STAGES)):
                _make(con, number, space)
                made = _hashes(con, STAGES[number], space.schemas)
                if number == 2 and any(made.get(name) != told["curated"][name] for name in registry.PUBLISHED):
                    return "table"
                altered = altered or made != told[STAGES[number]]
                if not altered:
                    return ""
            if file.startswith("checks/rules/") and _of_family(con, file, space.schemas, told):
                return "rules"
            judged = _judged(con, space.schemas)
        return next((what for what in ("rules", "cases", "plants") if judged[what] != told[what]), "")


if __name__ == "__main__":
    if sys.argv[1] == "hold":
        hold(Path(sys.argv[2]))
    else:
        sys.stdout.write(f"differs: {compare(Path(sys.argv[2]), sys.argv[3])}\n")
