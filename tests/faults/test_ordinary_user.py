"""As an ordinary user: the permissions of files count, which root does not see."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from tests.faults.kills import ROOT, left_over, mixed
from tests.rebuild import small_root

NOBODY = 65534


def run(root: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The command line as user `nobody`, or as who runs the tests where that is not root; skips where no Python of this
    version can be reached by that user."""
    user = NOBODY if os.getuid() == 0 else None
    environment = {
        "PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "HOME": str(root), "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONPATH": os.pathsep.join([str(ROOT / "pipeline"), *(p for p in sys.path if "site-packages" in p)]),
    }
    version = f"python{sys.version_info.major}.{sys.version_info.minor}"
    assert sysconfig.get_python_version() in version
    for python in (sys.executable, f"/usr/bin/{version}"):
        try:
            asked = subprocess.run(
                [python, "-c", "import rawref.cli, duckdb, pandas"], env=environment, user=user, cwd="/",
                capture_output=True, timeout=60,
            )
        except OSError:
            continue
        if asked.returncode == 0:
            return subprocess.run(
                [python, "-m", "rawref", "--root", str(root), *arguments], env=environment, user=user, cwd="/",
                capture_output=True, text=True, timeout=240,
            )
    pytest.skip("no Python that an ordinary user can reach")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A small root that belongs to the ordinary user, in folders that he may pass through."""
    made = small_root(tmp_path / "root")
    if os.getuid() == 0:
        for path in (made, *made.rglob("*")):
            os.chown(path, NOBODY, NOBODY)
        for path in (tmp_path, *tmp_path.parents):
            if str(path).startswith("/tmp/pytest"):
                path.chmod(path.stat().st_mode | 0o011)
    return made


def test_an_ordinary_user_builds_and_a_read_only_root_is_told(root: Path) -> None:
    done = run(root, "build", "--no-workbook")
    assert done.returncode == 0, done.stderr
    assert mixed(root / "curated") == [] and left_over(root) == []
    (root / ".rawref" / "state.json").unlink()
    (root / ".rawref").chmod(0o555)
    done = run(root, "build", "--no-workbook")
    assert done.returncode == 5 and "writable" in done.stderr.splitlines()[-1], done.stderr
    (root / ".rawref").chmod(0o755)
    (root / "raw" / "maintainer" / "ingredients.csv").chmod(0)
    done = run(root, "build", "--no-workbook")
    assert done.returncode == 5 and "ingredients.csv" in done.stderr.splitlines()[-1], done.stderr
    assert "restore" not in done.stderr and mixed(root / "curated") == []
