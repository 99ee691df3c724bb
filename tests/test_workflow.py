"""The workflow to copy: it parses, runs our commands only, and names no host. CI's comparison of two tables."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from tests import spoil

CI = Path(__file__).resolve().parent.parent / ".ci"
PATH = CI / "workflow-maintainer.yml"
CURATED = CI.parent / "curated"
KNOWN = {"build", "check", "drift", "fetch"}


@pytest.fixture(scope="module")
def workflow() -> dict[str, Any]:
    yaml = pytest.importorskip("ruamel.yaml")
    found: dict[str, Any] = yaml.YAML(typ="safe", pure=True).load(PATH.read_text(encoding="utf-8"))
    return found


def scripts(workflow: dict[str, Any], job: str) -> str:
    return "\n".join(step.get("run", "") for step in workflow["jobs"][job]["steps"])


def test_a_change_fails_on_drift_and_on_rules(workflow: dict[str, Any]) -> None:
    run = scripts(workflow, "gate")
    assert re.search(
        r"rawref drift --format markdown >> \"\$GITHUB_STEP_SUMMARY\" \|\| status=\$\?\nexit \"\$status\"", run
    )
    assert "rawref check" in run and "--consumer" in run
    assert "pull_request" in workflow.get("on", workflow.get(True, {}))


def test_a_refresh_runs_on_schedule_posts_the_summary_and_never_accepts(workflow: dict[str, Any]) -> None:
    run = scripts(workflow, "refresh")
    assert workflow.get("on", workflow.get(True, {}))["schedule"][0]["cron"]
    assert "rawref fetch" in run and "GITHUB_STEP_SUMMARY" in run and run.rstrip().endswith('exit "$status"')
    assert "accept" not in run and workflow["permissions"] == {"contents": "read"}


def test_only_our_commands_and_no_host(workflow: dict[str, Any]) -> None:
    text = PATH.read_text(encoding="utf-8")
    assert (
        set(re.findall(r"(?:^|[\s;|&])rawref ([a-z]+)", scripts(workflow, "gate") + scripts(workflow, "refresh")))
        <= KNOWN
    )
    assert "http" not in text and ".org" not in text and ".com" not in text


def differing(folder: Path) -> str:
    """What .ci/same.py names as differing from the committed table; empty where it exits 0."""
    done = subprocess.run(
        [sys.executable, str(CI / "same.py"), str(CURATED), str(folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode in (0, 1) and (done.returncode == 1) == done.stderr.startswith("differing: "), done.stderr
    return done.stderr.strip().removeprefix("differing: ")


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("values.csv", b"measured", b"imputed"),
        ("datapackage.json", b"Not veterinary advice", b"Veterinary advice"),
        ("table_status.csv", b"\n", b"\r\n"),
        ("manifest.json", b"usda-sr28", b"usda-sr27"),
    ],
)
def test_ci_compares_text_by_bytes(tmp_path: Path, name: str, old: bytes, new: bytes) -> None:
    folder = spoil.copy(CURATED, tmp_path / "curated")
    assert differing(folder) == ""
    body = (folder / name).read_bytes()
    assert old in body
    (folder / name).write_bytes(body.replace(old, new, 1))
    assert differing(folder) == name


def test_ci_compares_parquet_by_content(tmp_path: Path) -> None:
    folder = spoil.copy(CURATED, tmp_path / "curated")
    path = folder / "gaps.parquet"
    table = pq.read_table(path)
    pq.write_table(table, path, compression="none")  # other bytes, the same content
    assert path.read_bytes() != (CURATED / path.name).read_bytes() and differing(folder) == ""
    pq.write_table(table.take([1, 0, *range(2, table.num_rows)]), path)
    assert differing(folder) == path.name
    path.unlink()
    assert differing(folder) == path.name


def test_ci_takes_a_table_that_a_later_program_makes_the_same(tmp_path: Path) -> None:
    """A build that changes no content leaves the accepted manifest: the digests of the code are those of acceptance."""
    folder = spoil.copy(CURATED, tmp_path / "curated")
    document = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    document["code"] = "0" * 64
    (folder / "manifest.json").write_text(json.dumps(document), encoding="utf-8")
    assert differing(folder) == ""
