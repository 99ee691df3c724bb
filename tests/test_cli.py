"""The command line: help, exit statuses, JSON shapes of the contract, output for a terminal and for a pipe."""

from __future__ import annotations

import fcntl
import functools
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import duckdb
import pytest
from typer.testing import CliRunner

from pipeline import render
from pipeline.cli import app
from pipeline.trace import trace_cell, trace_from, trace_step
from pipeline.workspace import Workspace
from tests import oracle
from tests.rebuild import content, small_root

HEAVY = [
    "pandas",
    "numpy",
    "pandera",
    "great_expectations",
    "pyarrow",
    "duckdb",
    "openpyxl",
    "xlrd",
    "matplotlib",
    "scipy",
    "requests",
    "requests_cache",
    "jinja2",
    "rich",
]
TRACE_KEYS = [
    "ingredient_id",
    "component",
    "value",
    "unit",
    "status",
    "low",
    "high",
    "confidence",
    "source",
    "release",
    "food_id",
    "food_name",
    "source_component",
    "source_value",
    "source_unit",
    "derivation",
    "donor_food_id",
    "donor_state",
    "file",
    "line",
    "sha256",
    "steps",
    "references",
    "alternatives",
    "peers",
    "gap",
]
COMMANDS = sorted(str(c.name) for c in app.registered_commands)


def environment(**more: str) -> dict[str, str]:
    return {"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", **more}


def command(root: Path, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "pipeline", "--root", str(root), *arguments]


@functools.cache
def run(root: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(root, *arguments),
        cwd=oracle.ROOT,
        env=environment(),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="session")
def root(built_workspace: Workspace) -> Path:
    return built_workspace.root


def document(root: Path, *arguments: str) -> dict[str, Any]:
    """The JSON of a listing; nothing but one document on stdout, nothing on stderr, exit 0."""
    done = run(root, *arguments, "--format", "json")
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    found = json.loads(done.stdout)
    assert found["schema_version"]
    assert "NaN" not in done.stdout and "Infinity" not in done.stdout
    return dict(found)


def refused(root: Path, *arguments: str) -> str:
    """The one line of a command that refuses its input with exit 2."""
    done = run(root, *arguments)
    assert (done.returncode, done.stdout) == (2, ""), (done.returncode, done.stderr)
    (line,) = done.stderr.splitlines()
    assert line.startswith("rawref: ")
    return line


def test_help_loads_nothing_heavy() -> None:
    """--help and --version answer without a library that they do not need."""
    code = (
        "import sys\nfrom pipeline.cli import main\nsys.argv = ['rawref', sys.argv[1]]\ntry:\n    main()\n"
        "except SystemExit:\n    pass\n"
        f"print('loaded', sorted(set(sys.modules) & {set(HEAVY)!r}), file=sys.stderr)"
    )
    for option in ("--help", "--version"):
        done = subprocess.run(
            [sys.executable, "-c", code, option],
            cwd=oracle.ROOT,
            env=environment(),
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        assert done.stderr.splitlines()[-1] == "loaded []"
        assert done.stdout


def test_the_commands_of_the_contract_are_there() -> None:
    assert {"build", "trace", "gaps", "find"} <= set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_every_command_has_an_example(name: str) -> None:
    done = CliRunner().invoke(app, [name, "--help"])
    assert done.exit_code == 0
    assert f"Example: rawref {name}" in " ".join(done.stdout.split())
    assert "\x1b" not in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_version() -> None:
    project = tomllib.loads((oracle.ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert CliRunner().invoke(app, ["--version"]).stdout.strip() == f"rawref {project['version']}"


def test_trace_of_an_assumed_zero(root: Path) -> None:
    """The issue's own example: SR28 prints 0.0 for vitamin D of raw chicken liver, and nobody measured it."""
    found = document(root, "trace", "chicken-liver", "VITD")
    assert set(TRACE_KEYS) <= set(found)
    line = oracle.fields(int(found["line"]))
    assert (found["source"], found["release"], found["food_id"]) == ("usda-sr28", "28", "05027")
    assert (
        (found["source_value"], found["value"], found["status"])
        == (line["Nutr_Val"], 0.0, "assumed_zero")
        == ("0.0", 0.0, "assumed_zero")
    )
    assert (line["Src_Cd"], line["Deriv_Cd"], line["Num_Data_Pts"]) == ("7", "Z", "0")
    assert found["gap"]["kind"] in ("doubtful_zero", "only_assumed_zero")
    assert set(found["peers"]) >= {"n", "low", "median", "high"}
    text = run(root, "trace", "chicken-liver", "VITD").stdout
    for word in (found["sha256"], found["line"], "NUT_DATA.txt", "assumed", "'0.0'", "05027", "Assumed zero", "gap"):
        assert word in text


def test_trace_digest_is_of_the_file(root: Path) -> None:
    import hashlib

    found = document(root, "trace", "beef-liver", "CU")
    assert found["sha256"] == hashlib.sha256(oracle.member(found["file"])).hexdigest()
    assert found["steps"] == [] and found["value"] == float(found["source_value"]) and found["gap"] is None


def test_trace_through_steps_and_alternatives(root: Path) -> None:
    rows = oracle.published(root / "curated", "values")
    row = next(r for r in rows if r["steps"] == '["vitd_iu_to_ug"]' and r["source"] == "usda-sr28")
    found = document(root, "trace", row["ingredient_id"], "vitd")
    (step,) = found["steps"]
    assert set(step) >= {"id", "from", "to", "factor", "source"}
    assert step["id"] == "vitd_iu_to_ug" and float(step["factor"]) == 0.025 and step["source"]
    assert found["value"] == float(row["value"]) == float(found["source_value"]) * 0.025
    row = next(
        r for r in rows if r["alternatives"] != "[]" and r["source"] == "usda-sr28" and r["reference_ids"] != "[]"
    )
    found = document(root, "trace", row["ingredient_id"], row["component"])
    assert len(found["alternatives"]) == len(json.loads(row["alternatives"]))
    assert all(a["reason_not_chosen"] for a in found["alternatives"])
    assert [r["reference_id"] for r in found["references"]] == json.loads(row["reference_ids"])


def test_trace_of_a_composite_names_its_parts(root: Path) -> None:
    row = next(
        (r for r in oracle.published(root / "curated", "values") if r["status"] == "composed" and r["value"]), None
    )
    if row is None:
        pytest.skip("no composite has a value from its parts")
    found = document(root, "trace", row["ingredient_id"], row["component"])
    assert found["value"] == pytest.approx(sum(p["share_pct"] * p["value"] for p in found["parts"]) / 100, abs=1e-8)


def test_trace_forward_from_a_line(root: Path) -> None:
    """From the line of a chosen value forward to the cell that it reached, and from a line that reached none."""
    cell = document(root, "trace", "beef-heart", "FE")
    found = document(root, "trace", "--from", f"usda-sr28:NUT_DATA.txt:{cell['line']}")
    assert found["published"]["text"] == cell["source_value"]
    reached = [c for c in found["curated"] if (c["ingredient_id"], c["component"]) == ("beef-heart", "FE")]
    assert [(c["rank"], c["value"]) for c in reached] == [(1, cell["value"])]
    butter = document(root, "trace", "--from", "usda-sr28:NUT_DATA.txt:1")
    assert butter["published"]["food_id"] == "01001" and butter["curated"] == []
    cited = next(r for r in oracle.published(root / "curated", "values") if r["source"] == "maintainer")
    found = document(root, "trace", "--from", f"maintainer:{cited['file']}:{cited['line']}")
    assert found["published"]["text"] == cited["source_value"]
    assert (cited["ingredient_id"], cited["component"]) in {
        (c["ingredient_id"], c["component"]) for c in found["curated"]
    }


def test_trace_of_a_step_lists_what_it_touched(root: Path) -> None:
    found = document(root, "trace", "--step", "vitd_iu_to_ug")
    expected = {
        (r["ingredient_id"], r["component"])
        for r in oracle.published(root / "curated", "values")
        if "vitd_iu_to_ug" in json.loads(r["steps"])
    }
    assert {(t["ingredient_id"], t["component"]) for t in found["touched"]} == expected != set()


def test_gaps(root: Path) -> None:
    found = document(root, "gaps", "--component", "MN")["gaps"]
    published = [r for r in oracle.published(root / "curated", "gaps") if r["component"] == "MN"]
    assert {(g["ingredient_id"], g["kind"]) for g in found} == {(g["ingredient_id"], g["kind"]) for g in published}
    for gap in found:
        assert set(gap) >= {"ingredient_id", "component", "kind", "needed_by", "detail", "peers", "impact"}
        assert isinstance(gap["needed_by"], list) and set(gap["peers"]) >= {"n", "low", "median", "high"}
    one = document(root, "gaps", "--ingredient", "chicken-liver")["gaps"]
    assert one and {g["ingredient_id"] for g in one} == {"chicken-liver"}


def test_find(root: Path) -> None:
    found = document(root, "find", "beef heart")
    assert "beef-heart" in [i["ingredient_id"] for i in found["ingredients"]]
    names = [f["name"].lower() for f in found["foods"]]
    assert names and all("beef" in n and "heart" in n for n in names)
    assert {"state", "may_supply_raw", "components_valued", "components_measured"} <= set(found["foods"][0])
    # A word is a word: raw is not in strawberry.
    berries = [f["name"].lower() for f in document(root, "find", "raw")["foods"] if "strawberr" in f["name"].lower()]
    assert all("raw" in name.replace("strawberr", "") for name in berries)
    review = document(root, "find", "--review")
    assert review["foods"] and {f["may_supply_raw"] for f in review["foods"]} == {"review"}
    assert all(f["review_reasons"] for f in review["foods"])


def test_find_takes_words_as_they_are(root: Path) -> None:
    """An apostrophe, a bracket or a dot in the text is a character, not a command; nothing found is no error."""
    apostrophe = next(n for n in oracle.food_names().values() if "'" in n and "," not in n.split("'")[0])
    word = next(w for w in apostrophe.replace(",", " ").split() if "'" in w)
    assert apostrophe in [f["name"] for f in document(root, "find", word)["foods"]]
    assert document(root, "find", "a.b(c")["foods"] == []
    assert run(root, "find", "xyzzy").returncode == 0


@pytest.mark.parametrize(
    "arguments, words",
    [
        (("trace", "chicken-livr", "VITD"), ("chicken-livr", "chicken-liver")),
        (("trace", "chicken-liver", "VITX"), ("VITX", "VITD")),
        (("trace", "chicken-liver", "niacin"), ("niacin", "NIA")),
        (("trace", "chicken-liver"), ("COMPONENT",)),
        (("trace", "--from", "usda-sr28"), ("SOURCE:FILE:LINE",)),
        (("trace", "--from", "usda-sr28:NUT_DATA.txt:700000"), ("700000",)),
        (("trace", "--from", "nobody:NUT_DATA.txt:1"), ("nobody", "usda-sr28")),
        (("trace", "--step", "vitd_iu"), ("vitd_iu_to_ug",)),
        (("gaps", "--ingredient", "beef-hart"), ("beef-heart",)),
        (("gaps", "--component", "MNN"), ("MN",)),
        (("find",), ("words",)),
    ],
    ids=lambda x: " ".join(x) if x and x[0] in ("trace", "gaps", "find") else "",
)
def test_what_is_not_known_is_refused_with_a_cure(
    root: Path, arguments: tuple[str, ...], words: tuple[str, ...]
) -> None:
    line = refused(root, *arguments)
    _, _, cure = line.partition(" -> ")
    assert cure and all(word in line for word in words), line


@pytest.mark.parametrize(
    "arguments", [("no-such-command",), ("trace", "--no-such-option"), ("find", "x", "--format", "xml")]
)
def test_bad_usage_is_exit_2(root: Path, arguments: tuple[str, ...]) -> None:
    done = run(root, *arguments)
    assert (done.returncode, done.stdout) == (2, "") and done.stderr and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("trace", "chicken-liver", "VITD"),
        ("trace", "chicken-thigh-meat-and-skin", "F20D5N3"),
        ("trace", "--from", "usda-sr28:NUT_DATA.txt:69721"),
        ("trace", "--step", "f18d2_as_f18d2n6"),
        ("gaps",),
        ("find", "beef"),
        ("find", "--review"),
        ("build", "--no-workbook"),
    ],
    ids=" ".join,
)
def test_text_fits_a_terminal_and_a_pipe(root: Path, arguments: tuple[str, ...]) -> None:
    """At most 80 columns, no escape codes when piped, no spaces at line ends, nothing on stderr."""
    done = run(root, *arguments)
    assert (done.returncode, done.stderr) == (0, "")
    assert "\x1b" not in done.stdout and "\r" not in done.stdout
    long = [line for line in done.stdout.splitlines() if len(line) > 80]
    assert not long, long[:3]


def test_text_of_many_cells_fits(built: duckdb.DuckDBPyConnection, built_workspace: Workspace) -> None:
    """One cell of every ingredient, another component each time, as text: nothing is wider than 80 columns."""
    rows = oracle.published(built_workspace.curated, "values")
    long = []
    for place in range(0, len(rows), 51 * 4 + 7):
        row = rows[place]
        text = render.trace_cell(
            trace_cell(built, built_workspace.schemas, row["ingredient_id"], row["component"]), False
        )
        long += [line for line in text.splitlines() if len(line) > 80]
    for step in oracle.factors():
        text = render.trace_step(trace_step(built, built_workspace.schemas, step), False)
        long += [line for line in text.splitlines() if len(line) > 80 and "://" not in line]
    for line in range(1, 679_045, 22_501):
        text = render.trace_from(trace_from(built, f"usda-sr28:NUT_DATA.txt:{line}"), False)
        long += [line for line in text.splitlines() if len(line) > 80]
    assert not long, long[:5]


def test_a_closed_pipe_is_quiet(root: Path) -> None:
    """rawref gaps | head -1: no traceback, no complaint."""
    with subprocess.Popen(
        command(root, "gaps"), cwd=oracle.ROOT, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout and process.stderr
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(60) in (0, 1, 128 + signal.SIGPIPE)


def test_broken_pipe_status(root: Path) -> None:
    """The reader had enough: there is nothing to object to."""
    done = subprocess.run(
        ["bash", "-c", 'set -o pipefail; "$@" | head -1', "bash", *command(root, "gaps")],
        cwd=oracle.ROOT,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stderr == "" and done.stdout.count("\n") == 1
    assert done.returncode == 0


@pytest.fixture
def small(tmp_path: Path, small_built: Path) -> Path:
    return Path(shutil.copytree(small_built, tmp_path / "root"))


@pytest.fixture(scope="module")
def small_built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small_root(tmp_path_factory.mktemp("cli") / "root")
    done = run(folder, "build", "--no-workbook", "--format", "json")
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert summary["schema_version"] and summary["standing"] == "published"
    assert "archival" in done.stderr  # progress is not the result
    return folder


def test_the_build_says_how_much_is_known(small: Path) -> None:
    """The same counts in text and JSON; evidence and gaps make up the cells."""
    text = " ".join(run(small, "build", "--no-workbook").stdout.split())
    found = document(small, "build", "--no-workbook")
    known = found["coverage"]
    assert known["cells"] == sum(found["values_by_status"].values())
    assert known["evidence"] == known["cells"] - sum(found["gaps_by_kind"].values())
    assert known["measured"] == found["values_by_status"]["measured"] < known["valued"] < known["cells"]
    for kind in ("valued", "measured", "evidence"):
        assert re.search(rf"\b{known[kind]} [a-z ]+ \({known[f'{kind}_pct']} %\)", text)


def test_drift_against_a_folder_without_a_table_is_refused(small: Path, tmp_path: Path) -> None:
    assert "no published table in this folder" in refused(small, "drift", "--against", str(tmp_path))


def test_a_listing_builds_once_where_nothing_is_built(small: Path) -> None:
    shutil.rmtree(small / ".rawref")
    done = run(small, "find", "chicken liver", "--format", "json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["ingredients"][0]["ingredient_id"] == "chicken-liver"
    assert "building" in done.stderr


def test_root_is_found_upwards(small: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "find", "beef liver"],
        cwd=small / "raw" / "maintainer",
        env=environment(PYTHONPATH=str(oracle.ROOT)),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    assert done.returncode == 0 and "beef-liver" in done.stdout, done.stderr


def test_only_one_build_at_a_time(small: Path) -> None:
    with (small / ".rawref" / "lock").open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        assert "another build" in refused(small, "build", "--no-workbook")


@pytest.mark.parametrize("stage", ["archival", "reference", "curated"])
def test_an_interrupted_build_leaves_everything_as_it_was(small: Path, stage: str) -> None:
    """Control-C: exit 130, one line, the published table and the last build untouched, no leftovers."""
    before = content(small / "curated")
    path = (
        small / "raw" / "maintainer" / "ingredients.csv"
    )  # an input that changed, so that there is something to build
    path.write_text(
        path.read_text(encoding="utf-8").replace("Beef, heart", "Beef heart"), encoding="utf-8", newline="\n"
    )
    with subprocess.Popen(
        command(small, "build", "--no-workbook"),
        cwd=oracle.ROOT,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr and any(line.startswith(f"{stage}:") for line in process.stderr)
        os.kill(process.pid, signal.SIGINT)
        rest = process.stderr.read()
        assert process.wait(60) == 130, rest
    assert "Traceback" not in rest
    assert content(small / "curated") == before
    assert not list((small / ".rawref").rglob("*.new*"))
    assert "chicken-liver" in run(small, "find", "chicken").stdout


def test_a_changed_input_makes_the_build_differ(small: Path) -> None:
    """A published table is not overwritten: exit 1, the build beside it, and it says so."""
    before = content(small / "curated")
    path = small / "raw" / "maintainer" / "ingredients.csv"
    path.write_text(
        path.read_text(encoding="utf-8").replace("Beef, heart", "Beef heart"), encoding="utf-8", newline="\n"
    )
    done = run(small, "build", "--no-workbook")
    assert done.returncode == 1, done.stderr
    assert content(small / "curated") == before
    assert (small / ".rawref" / "build" / "curated" / "values.csv").is_file()
    assert "differs" in done.stdout and "rawref accept" in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
