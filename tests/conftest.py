"""Fixtures shared by the tests: the checkout, the official files beside it, a build of all and one of a few foods."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from rawref.checks import selftest
from rawref.database import connect
from rawref.release.build import build
from rawref.sources import committed, declared
from rawref.stages.archival import build_archival
from rawref.stages.reference import build_reference
from rawref.workspace import Workspace

from tests.rebuild import small_root

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


@pytest.fixture(scope="session", autouse=True)
def _plants_once() -> Iterator[None]:
    """The gate tries itself in each process once for the same registries and not in each of the many builds: the tests
    of the gate ask it themselves, and the builds of the command line too."""
    asked, seen = selftest.selftest, {}

    def plant(schemas: Path, *more: Any, **named: Any) -> Any:
        files = sorted(p for p in schemas.rglob("*") if p.is_file())
        key = hashlib.sha256(b"".join(p.read_bytes() for p in files)).hexdigest()
        if key not in seen:
            seen[key] = asked(schemas, *more, **named)
        return seen[key]

    patched = pytest.MonkeyPatch()
    patched.setattr(selftest, "selftest", plant)
    yield
    patched.undo()


def once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Workspace:
    """A copy for this worker of a root that the first worker to ask for it makes and builds."""
    base = tmp_path_factory.getbasetemp()
    shared = (base.parent if base.name.startswith("popen-") else base) / f"shared-{name}"
    with shared.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not shared.is_dir():
            making = shared.with_suffix(".making")
            make(making)
            build(Workspace(making), lambda _: None, workbook=False)
            making.rename(shared)
    return Workspace(Path(shutil.copytree(shared, tmp_path_factory.mktemp(name) / "root")))


@pytest.fixture(scope="session")
def built_workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A scratch root in which `build` ran once and published; RAWREF_BUILT names one that is there already."""
    if held := os.environ.get("RAWREF_BUILT"):
        return Workspace(Path(held))
    return once(tmp_path_factory, "built", copy_root)


@pytest.fixture(scope="session")
def small_workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A root of a few ingredients, built and published; to be read, or copied and spoiled."""
    return once(tmp_path_factory, "small", small_root)


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
