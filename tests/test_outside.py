"""The table away from its checkout: an installed package, a folder that holds only a published table, a program that
reads it, and the example workflow tried in a repository with nothing else in it."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
import venv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import rawref
from rawref.errors import InputError
from rawref.published.export import table_digest
from rawref.workspace import Workspace

from tests import spoil

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ("pipeline", "schemas", "raw/maintainer", "raw/sources.toml", "pyproject.toml", "README.md", "LICENSE",
          ".ci/constraints.txt", ".ci/workflow-example.yml")  # fmt: skip
"""What a package is made from, with the pins and the workflow of the example."""
Run = Callable[..., subprocess.CompletedProcess[str]]


def copy_source(target: Path) -> None:
    for name in SOURCE:
        place = target / name
        place.parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / name).is_dir():
            skip = shutil.ignore_patterns("__pycache__", "*.egg-info")
            shutil.copytree(ROOT / name, place, symlinks=True, ignore=skip)
        else:
            shutil.copyfile(ROOT / name, place)


def offline(**more: str) -> dict[str, str]:
    """An environment in which pip asks nobody and builds with what is installed."""
    pip = {"NO_INDEX": "1", "NO_DEPS": "1", "NO_BUILD_ISOLATION": "0", "DISABLE_PIP_VERSION_CHECK": "1"}
    quiet = {f"PIP_{name}": value for name, value in pip.items()}
    return {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "HOME": "/nonexistent", **quiet, **more}


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A virtual environment that sees the libraries of this one, pip and setuptools too, and no rawref yet."""
    pytest.importorskip("pip", reason="this environment has no pip")
    folder = tmp_path_factory.mktemp("environment") / "venv"
    venv.create(folder, symlinks=True)
    (place,) = folder.glob("lib/python*/site-packages")
    (place / "libraries.pth").write_text("\n".join(p for p in sys.path if p.endswith("site-packages")) + "\n")
    return folder


@pytest.fixture(scope="module")
def installed(environment: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same environment with our package installed from its source, not as a link to it."""
    source = tmp_path_factory.mktemp("source")
    copy_source(source)
    done = subprocess.run(
        [environment / "bin" / "python", "-m", "pip", "install", "--quiet", str(source)],
        env=offline(), cwd=source, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    shutil.rmtree(source)
    return environment


@pytest.fixture(scope="module")
def alone(small_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds nothing but a published table, of a few ingredients."""
    folder = tmp_path_factory.mktemp("alone")
    shutil.copytree(small_workspace.built, folder / "curated")
    return folder


@pytest.fixture(scope="module")
def run(installed: Path, alone: Path) -> Run:
    def command(*arguments: str, cwd: Path = alone) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [installed / "bin" / "rawref", *arguments], cwd=cwd, env=offline(), capture_output=True, text=True,
            encoding="utf-8", timeout=300, check=False,
        )  # fmt: skip

    return command


def test_the_package_carries_the_files_of_the_checkout(installed: Path) -> None:
    """Byte for byte; nothing of the checkout is read."""
    (place,) = installed.glob("lib/python*/site-packages/rawref")
    wanted = [p for name in ("schemas", "raw/maintainer") for p in sorted((ROOT / name).rglob("*")) if p.is_file()]
    for path in [*wanted, ROOT / "raw" / "sources.toml"]:
        assert (place / "data" / path.relative_to(ROOT)).read_bytes() == path.read_bytes(), path
    assert wanted
    assert (place / "data/raw/maintainer/needs/fediaf-2021-adult-mer75.csv").is_file()
    assert (place / "py.typed").is_file() and not (place / "data").is_symlink()


def values(folder: Path) -> dict[tuple[str, str], dict[str, str]]:
    with (folder / "values.csv").open(encoding="utf-8", newline="") as stream:
        return {(r["ingredient_id"], r["component"]): r for r in csv.DictReader(stream)}


@pytest.mark.parametrize("cell", [("chicken-liver", "VITD"), ("beef-heart", "FE"), ("chicken-liver", "TAU")])
def test_trace_tells_what_is_published(run: Run, alone: Path, cell: tuple[str, str]) -> None:
    done = run("trace", *cell, "--format", "json")
    assert done.returncode == 0, done.stderr
    told, row = json.loads(done.stdout), values(alone / "curated")[cell]
    for key in ("status", "source", "food_id", "source_value", "file", "line", "unit", "confidence"):
        assert (told[key] or "") == row[key], key
    assert told["value"] == (float(row["value"]) if row["value"] else None)
    if row["source"] not in ("", "maintainer"):  # a release has files with digests
        assert len(told["sha256"]) == 64
    assert run("trace", *cell).returncode == 0


def test_find_gaps_steps_and_lines_read_the_published_table(run: Run, alone: Path) -> None:
    found = json.loads(run("find", "beef heart", "--format", "json").stdout)
    assert "beef-heart" in {r["ingredient_id"] for r in found["ingredients"]} and found["foods"]
    assert json.loads(run("find", "--unmapped", "--format", "json").stdout)["foods"]
    gaps = json.loads(run("gaps", "--ingredient", "chicken-liver", "--format", "json").stdout)["gaps"]
    with (alone / "curated" / "gaps.csv").open(encoding="utf-8", newline="") as stream:
        wanted = {r["component"] for r in csv.DictReader(stream) if r["ingredient_id"] == "chicken-liver"}
    assert {g["component"] for g in gaps} == wanted
    ranked = run("gaps", "--component", "TAU", "--need", "nrc-2006-adult", "--format", "csv")
    assert ranked.returncode == 0 and ranked.stdout.count("\n") > 3, ranked.stderr
    row = values(alone / "curated")["chicken-liver", "VITD"]
    line = json.loads(run("trace", "--from", f"{row['source']}:{row['file']}:{row['line']}", "--format", "json").stdout)
    assert ("chicken-liver", "VITD") in {(r["ingredient_id"], r["component"]) for r in line["curated"]}
    assert json.loads(run("trace", "--step", "vitd_iu_to_ug", "--format", "json").stdout)["step"]["id"]


def test_a_mix_is_the_same_as_in_the_checkout(run: Run, tmp_path: Path, built_workspace: Workspace) -> None:
    mix = shutil.copyfile(ROOT / "raw" / "maintainer" / "mixes" / "example.csv", tmp_path / "mix.csv")
    away = run("--table", str(built_workspace.built), "mix", str(mix), "--format", "json", cwd=tmp_path)
    here = subprocess.run(
        [sys.executable, "-m", "rawref", "--root", str(built_workspace.root), "mix", str(mix), "--format", "json"],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT / "pipeline")}, capture_output=True, text=True,
        encoding="utf-8", timeout=120, check=False,
    )  # fmt: skip
    assert away.returncode == here.returncode, away.stderr
    assert json.loads(away.stdout) | {"table": ""} == json.loads(here.stdout) | {"table": ""}


def test_what_needs_sources_says_so_and_writes_nothing(run: Run, alone: Path) -> None:
    for arguments in (("build",), ("fetch", "--offline"), ("suggest", "beef-heart", "SE"), ("accept", "--reason", "x"),
                      ("check",), ("drift",)):  # fmt: skip
        done = run(*arguments)
        (line,) = done.stderr.splitlines()
        assert (done.returncode, done.stdout) == (2, "") and "without its sources" in line, line
    assert [p.name for p in alone.iterdir() if p.name != "reports"] == ["curated"]


def test_check_and_report_stand_on_the_folder_alone(run: Run, alone: Path, tmp_path: Path) -> None:
    done = run("check", "--accepted", "--format", "json")
    result = json.loads(done.stdout)
    closing = [(r["id"], f["subject"], f["detail"]) for r in result["rules"] for f in r["findings"]
               if f["severity"] == "fail" and f["scope"] == "curated" and not f.get("decision_id")]
    assert closing == []
    assert done.returncode == 0 and result["summary"]["failed"] == 0, done.stderr
    assert result["table"]["digest"] == table_digest(alone / "curated")
    copy = spoil.copy(alone / "curated", tmp_path / "else")
    wrong = run("--table", str(copy), "check", "--accepted", "--digest", "0" * 64, cwd=tmp_path)
    assert wrong.returncode == 2 and result["table"]["digest"] in wrong.stderr
    spoil.edit(copy, "values", lambda rows: rows[0].update(status="guessed"))
    assert run("--table", str(copy), "check", "--accepted", cwd=tmp_path).returncode == 1
    made = run("report")
    assert made.returncode == 0 and (alone / "reports" / "site" / "index.html").is_file(), made.stderr


def test_the_example_workflow_in_an_empty_repository(
    environment: Path, installed: Path, built_workspace: Workspace, tmp_path: Path
) -> None:
    """Every step as printed, against a publisher whose table changes after the tag."""
    yaml = pytest.importorskip("ruamel.yaml").YAML(typ="safe", pure=True)
    publisher, consumer = tmp_path / "publisher", tmp_path / "consumer"
    copy_source(publisher)
    shutil.copytree(built_workspace.built, publisher / "curated")
    git(publisher, "init", "--quiet", "--initial-branch", "main")
    git(publisher, "add", "--all", "--force")
    git(publisher, "commit", "--quiet", "-m", "table")
    workflow = yaml.load((publisher / ".ci" / "workflow-example.yml").read_text(encoding="utf-8"))
    git(publisher, "tag", workflow["env"]["TAG"])
    consumer.mkdir()
    git(consumer, "init", "--quiet")
    pins = {**workflow["env"], "REPOSITORY": str(publisher), "DIGEST": table_digest(publisher / "curated")}
    steps = workflow["jobs"]["table"]["steps"]
    status, posted = play(steps, consumer, environment, pins)
    assert status == 0, posted

    spoil.edit(publisher / "curated", "values", lambda rows: rows[1].update(value="99.9"))
    git(publisher, "commit", "--quiet", "-am", "another table")
    shutil.rmtree(consumer / "newest")
    later = [step for step in steps if step.get("with", {}).get("path") == "newest" or "drift" in step.get("run", "")]
    status, posted = play(later, consumer, environment, pins)
    assert len(later) == 2 and status == 1 and "99.9" in posted and "|" in posted
    held = [step for step in steps if "DIGEST" in step.get("run", "")]
    assert len(held) == 1 and play(held, consumer, environment, {**pins, "DIGEST": "0" * 64})[0] == 2


def git(folder: Path, *arguments: str) -> None:
    author = {"GIT_AUTHOR_NAME": "a", "GIT_AUTHOR_EMAIL": "a@example.org", "GIT_COMMITTER_NAME": "a",
              "GIT_COMMITTER_EMAIL": "a@example.org", "GIT_CONFIG_GLOBAL": "/dev/null"}  # fmt: skip
    subprocess.run(["git", "-C", str(folder), *arguments], env={**offline(), **author}, check=True, timeout=60)


def play(steps: list[dict[str, Any]], folder: Path, environment: Path, pins: dict[str, str]) -> tuple[int, str]:
    """Run the steps of a job as a runner does: the first status that is not 0, and the summary that was posted."""
    summary = folder / "summary.md"
    summary.write_text("")
    path = f"{environment / 'bin'}:{os.environ['PATH']}"
    for step in steps:
        if step.get("uses", "").startswith("actions/checkout"):
            told = {k: re.sub(r"\$\{\{ env\.(\w+) \}\}", lambda m: pins[m[1]], v) for k, v in step["with"].items()}
            branch = ["--branch", told["ref"]] if "ref" in told else []
            quiet = ("--quiet", "-c", "advice.detachedHead=false")
            git(folder, "clone", *quiet, *branch, told["repository"], told["path"])
        elif "run" in step:
            done = subprocess.run(
                ["bash", "-eo", "pipefail", "-c", step["run"]], cwd=folder, timeout=300, capture_output=True, text=True,
                env=offline(PATH=path, GITHUB_STEP_SUMMARY=str(summary), **pins), check=False,
            )  # fmt: skip
            if done.returncode:
                return done.returncode, summary.read_text(encoding="utf-8") or done.stderr
        else:
            assert step["uses"].startswith("actions/setup-python")
    return 0, summary.read_text(encoding="utf-8")


# the door for programs


def test_import_rawref_is_light() -> None:
    code = "import rawref, sys; print(sorted(m for m in ('duckdb', 'pandas', 'pyarrow', 'typer') if m in sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], env={**offline(), "PYTHONPATH": str(ROOT / "pipeline")}, capture_output=True,
        text=True, check=True, timeout=60,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


def test_values_and_gaps_are_the_csv_with_the_missing_missing(alone: Path) -> None:
    """Against the CSV files, read as text."""
    table = rawref.table(alone / "curated")
    for name, frame, arrow in (
        ("values", table.values(), table.values("arrow")),
        ("gaps", table.gaps(), table.gaps("arrow")),
    ):
        with (alone / "curated" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        assert list(frame.columns) == arrow.column_names == list(rows[0]) and len(frame) == len(rows)
        for column in frame.columns:
            texts, cells = [r[column] for r in rows], frame[column]
            lists = texts[0].startswith("[")
            assert arrow[column].null_count == cells.isna().sum() == texts.count("")
            if lists:
                assert [list(c) for c in cells] == [json.loads(t) for t in texts]
            elif str(cells.dtype) in ("float64", "Int64"):
                assert [float(c) for c in cells.dropna()] == [float(t) for t in texts if t]
            else:
                assert list(cells.dropna()) == [t for t in texts if t]
        assert (frame["component"] == "NA").any()


def test_one_cell_says_whether_it_is_evidence(alone: Path) -> None:
    table = rawref.table(alone / "curated")
    gaps = {(r["ingredient_id"], r["component"]): r["kind"] for r in spoil.read(alone / "curated", "gaps")}
    for key, row in values(alone / "curated").items():
        cell = table.value(*key)
        assert cell.value == (float(row["value"]) if row["value"] else None)
        assert (cell.low, cell.high) == tuple(float(row[c]) if row[c] else None for c in ("low", "high"))
        assert (cell.status, cell.unit, cell.gap) == (row["status"], row["unit"], gaps.get(key))
        assert cell.evidence == (key not in gaps)
    assert table.value("Chicken liver", "vitd") == table.value("chicken-liver", "VITD")
    for wrong, near in ((("chiken-liver", "VITD"), "chicken-liver"), (("chicken-liver", "VITDD"), "VITD")):
        with pytest.raises(InputError, match="did you mean") as raised:
            table.value(*wrong)
        assert near in raised.value.line()


def test_a_pin_holds_version_and_content(alone: Path, tmp_path: Path) -> None:
    digest = rawref.table(alone / "curated").digest
    copy = spoil.copy(alone / "curated", tmp_path / "curated")
    assert rawref.table(copy, digest=digest).digest == digest
    spoil.edit(copy, "values", lambda rows: rows[0].update(value="1"))
    with pytest.raises(InputError, match="content digest"):
        rawref.table(copy, digest=digest)
    with pytest.raises(InputError, match="version"):
        rawref.table(copy, version="1999.1.1")
    with pytest.raises(InputError, match="no published table"):
        rawref.table(tmp_path)
