"""Fixtures shared by the tests: the checkout, the official files beside it, and one build of SR28."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from rawref.database import connect
from rawref.release.build import build
from rawref.sources import committed, declared
from rawref.stages.archival import build_archival
from rawref.stages.reference import build_reference
from rawref.workspace import Workspace

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def checkout() -> Workspace:
    """The workspace under test, for reading."""
    return Workspace(ROOT)


@pytest.fixture(scope="session")
def official() -> Path:
    """The folder of official files beside the checkout; tests that need it skip where it is absent."""
    folder = ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("no folder shared/data beside the checkout")
    return folder


def copy_root(target: Path) -> Workspace:
    """A scratch copy of what a build reads, without anything published or built."""
    for name in ("raw", "schemas", "pipeline"):
        shutil.copytree(ROOT / name, target / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copyfile(ROOT / "pyproject.toml", target / "pyproject.toml")
    return Workspace(target)


@pytest.fixture
def scratch(tmp_path: Path) -> Workspace:
    """A scratch root to spoil."""
    return copy_root(tmp_path / "root")


@pytest.fixture(scope="session")
def built_workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A scratch root in which `build` ran once and published."""
    space = copy_root(tmp_path_factory.mktemp("built") / "root")
    build(space, lambda _: None, workbook=False)
    return space


@pytest.fixture(scope="session")
def built(built_workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """The working database of that build: archival, reference and curated of what the repository holds."""
    with connect(built_workspace.database, read_only=True) as con:
        yield con


@pytest.fixture(scope="session")
def reference_only() -> Iterator[duckdb.DuckDBPyConnection]:
    """Archival and reference stages in memory."""
    space = Workspace(ROOT)
    with connect() as con:
        build_archival(con, declared(space), list(committed(space)), space.schemas)
        build_reference(con, space.schemas)
        yield con
