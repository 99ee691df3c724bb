"""The same inputs give the same table: whatever the number of threads, the locale, the time zone or the hash seed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from rawref.workspace import Workspace

from tests import oracle
from tests.conftest import copy_root

THREADS, ENVIRONMENT = "3", {"LC_ALL": "tr_TR.UTF-8", "TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "1"}


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """curated/ of a build in a process of its own, under other settings; .ci/run tries two more."""
    space = copy_root(tmp_path_factory.mktemp("other") / "root")
    done = subprocess.run(
        [sys.executable, "-m", "rawref", "--root", str(space.root), "build", "--no-workbook", "--threads", THREADS],
        cwd=oracle.ROOT,
        env={"PATH": "/usr/bin:/bin", **ENVIRONMENT},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return space.curated


def test_the_same_bytes(built_workspace: Workspace, other: Path) -> None:
    """Text files byte for byte; the manifest and the descriptor too, as they hold no clock and no machine."""
    names = sorted(p.name for p in built_workspace.curated.iterdir())
    assert sorted(p.name for p in other.iterdir()) == names
    differing = [
        name
        for name in names
        if not name.endswith(".parquet")
        and (other / name).read_bytes() != (built_workspace.curated / name).read_bytes()
    ]
    assert not differing


def test_the_same_parquet(built_workspace: Workspace, other: Path) -> None:
    """Parquet by content, rows in the same order; and by bytes, under the pinned versions."""
    for path in sorted(built_workspace.curated.glob("*.parquet")):
        assert pq.read_table(path).equals(pq.read_table(other / path.name)), path.name
        assert path.read_bytes() == (other / path.name).read_bytes(), path.name


def test_no_clock_and_no_machine(built_workspace: Workspace) -> None:
    """What is published names no time of the build and no folder of the machine."""
    for path in built_workspace.curated.iterdir():
        body = path.read_bytes()
        assert str(built_workspace.root).encode() not in body, path.name
    manifest = json.loads((built_workspace.curated / "manifest.json").read_text(encoding="utf-8"))
    assert not {"created", "built", "date", "time"} & set(manifest)
    assert all(not key.startswith("/") for key in manifest["inputs"])


def test_manifest_tells_the_content(built_workspace: Workspace) -> None:
    """Digests and row counts in the manifest are those of the files beside it."""
    import hashlib

    manifest = json.loads((built_workspace.curated / "manifest.json").read_text(encoding="utf-8"))
    for name, digest in manifest["content"].items():
        body = (built_workspace.curated / f"{name}.csv").read_bytes()
        assert hashlib.sha256(body).hexdigest() == digest
    for name, rows in manifest["rows"].items():
        assert len(oracle.published(built_workspace.curated, name)) == rows
    package = json.loads((built_workspace.curated / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        body = (built_workspace.curated / resource["path"]).read_bytes()
        if resource["format"] == "parquet":  # bytes are those of a version of the library: the content is stated
            continue
        assert (resource["hash"], resource["bytes"]) == (f"sha256:{hashlib.sha256(body).hexdigest()}", len(body))
