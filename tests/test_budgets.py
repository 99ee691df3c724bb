"""The cheap budgets of the design, with wide margins: what a change must not make several times slower.

tests/benchmarks/bench.py prints the ratios themselves.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest
from rawref.database import connect
from rawref.workspace import Workspace

MARGIN = 2.5
"""Other work may run on the machine that tests run on."""


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    path = Path(__file__).parent / "benchmarks" / "bench.py"
    spec = importlib.util.spec_from_file_location("bench", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def unit(bench: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> float:
    return float(bench.unit(tmp_path_factory.mktemp("unit"), 2).seconds)


@pytest.mark.parametrize(
    "arguments, budget",
    [
        (("build", "--no-workbook"), 1.0),
        (("trace", "chicken-liver", "VITD"), 0.7),
        (("gaps", "--component", "MN"), 0.7),
        (("find", "beef heart"), 0.7),
    ],
    ids=lambda x: " ".join(x) if isinstance(x, tuple) else "",
)
def test_ratio(
    bench: ModuleType, unit: float, built_workspace: Workspace, arguments: tuple[str, ...], budget: float
) -> None:
    runs = [bench.measure(bench.rawref(built_workspace.root, *arguments)) for _ in range(2)]
    assert all(run.status == 0 for run in runs)
    assert bench.best(runs).seconds <= MARGIN * budget * unit


def test_help_is_quick(bench: ModuleType) -> None:
    runs = [bench.measure([sys.executable, "-m", "rawref", "--help"]) for _ in range(3)]
    assert bench.best(runs).seconds <= MARGIN * 0.2


@pytest.mark.parametrize(
    ("taken", "growth"),
    [({1: 30.0, 10: 210.0}, 0.7), ({1: 30.0, 4: 60.0, 10: 120.0}, 1.0), ({1: 30.0, 4: 60.0, 10: 180.0}, 2.0)],
)
def test_growth_is_that_of_a_further_copy(bench: ModuleType, taken: dict[int, float], growth: float) -> None:
    """By hand: alone a copy takes 30 s, among ten 21; from 1 to 4 ten seconds a copy, from 4 to 10 ten or twenty."""
    from tests.benchmarks import scale

    assert scale.growth_of(taken) == pytest.approx(growth)


def test_the_database_keeps_to_its_memory() -> None:
    """The budget of the design is 6 GB for the process; half of that is the database's."""
    with connect() as con:
        size, unit = con.execute("select current_setting('memory_limit')").fetchall()[0][0].split()
    assert unit in ("MiB", "GiB") and float(size) * (1 if unit == "GiB" else 1 / 1024) <= 3
