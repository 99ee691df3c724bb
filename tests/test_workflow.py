"""The workflow to copy: it parses, runs our commands only, and names no host."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

PATH = Path(__file__).resolve().parent.parent / ".ci" / "workflow-example.yml"
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
