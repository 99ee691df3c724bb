"""The command line: help, exit statuses, JSON shapes of the contract, output for a terminal and for a pipe."""

from __future__ import annotations

import csv
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
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
import pytest
from rawref.cli import ACCEPTED, BOTH, BUILD, apart, app
from rawref.lookup.find import find
from rawref.lookup.trace import trace_cell, trace_from, trace_step
from rawref.render import terminal as render
from rawref.workspace import Workspace
from typer.testing import CliRunner

from tests import oracle
from tests.rebuild import content, small_root

SCHEMAS = Path(__file__).parents[1] / "schemas"
HEAVY = [
    "pandas",
    "numpy",
    "pandera",
    "great_expectations",
    "pyarrow",
    "duckdb",
    "openpyxl",
    "xlrd",
    "xlsxwriter",
    "python_calamine",
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
    return [sys.executable, "-m", "rawref", "--root", str(root), *arguments]


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
        "import sys\nfrom rawref.cli import main\nsys.argv = ['rawref', sys.argv[1]]\ntry:\n    main()\n"
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


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (("mix", "x.csv", "--format", "xml"), "mix: invalid value for '--format': 'xml' is not one of 'text', 'json'"),
        (("check", "--format", "xml"), "check: invalid value for '--format': 'xml' is not one of"),
        (("mix", "x.csv", "--weight", "abc"), "mix: invalid value for '--weight': it should be a valid number"),
        (("build", "--threads", "0"), "build: invalid value for '--threads': it should be greater than or equal to 1"),
        (("mix",), "mix: missing argument 'file' -> see rawref mix --help"),
        (("mix", "x.csv", "--bogus"), "mix: no such option: --bogus -> see rawref mix --help"),
        (("nonsense",), "no such command 'nonsense' -> see rawref --help"),
        (("trace",), "trace: give INGREDIENT and COMPONENT, or --from, or --step -> see rawref trace --help"),
        (("find",), "find: give words of a name, --review or --unmapped -> "),
        (("suggest",), "suggest: give INGREDIENT and COMPONENT, or --errors -> see rawref suggest --help"),
        (("accept", "--reason", " "), "accept: the reason is empty -> "),
    ],
)
def test_wrong_usage_is_one_line_in_our_words(root: Path, arguments: tuple[str, ...], line: str) -> None:
    """The contract of bad usage: where, what, remedy, exit 2; not a word of the library that reads the options."""
    told = refused(root, *arguments)
    assert told.startswith(f"rawref: {line}") and " -> " in told
    assert "Value error" not in told and "Input should" not in told and "rawref: rawref" not in told


@pytest.mark.parametrize("name", COMMANDS)
def test_every_choice_is_refused_in_our_words(root: Path, name: str) -> None:
    told = refused(root, name, "--format", "nonsense")
    assert told.startswith(f"rawref: {name}: invalid value for '--format': 'nonsense' is not one of 'text', 'json'")


def test_no_command_shows_the_help() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rawref"],
        cwd=oracle.ROOT,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2 and "Commands:" in done.stderr and "rawref: " not in done.stderr


def test_version() -> None:
    project = tomllib.loads((oracle.ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert CliRunner().invoke(app, ["--version"]).stdout.strip() == f"rawref {project['version']}"


def test_trace_of_an_assumed_zero(root: Path) -> None:
    """SR28 prints 0.0 for vitamin D of raw abalone (15155), and nobody measured it: source 7, derivation Z, no sample.

    It prints the same for chicken liver, where another table measured some: that zero is not chosen.
    """
    liver = document(root, "trace", "chicken-liver", "VITD")
    assert liver["status"] == "measured" and liver["value"] > 0
    assert ("usda-sr28", "0.0", "assumed_zero") in {
        (a["source"], a["source_value"], a["status"]) for a in liver["alternatives"]
    }
    found = document(root, "trace", "abalone", "VITD")
    assert set(TRACE_KEYS) <= set(found)
    line = oracle.fields(int(found["line"]))
    assert (found["source"], found["release"], found["food_id"]) == ("usda-sr28", "28", "15155")
    assert (
        (found["source_value"], found["value"], found["status"])
        == (line["Nutr_Val"], 0.0, "assumed_zero")
        == ("0.0", 0.0, "assumed_zero")
    )
    assert (line["Src_Cd"], line["Deriv_Cd"], line["Num_Data_Pts"]) == ("7", "Z", "0")
    assert found["gap"]["kind"] in ("doubtful_zero", "only_assumed_zero")
    assert set(liver["peers"]) >= {"n", "low", "median", "high"}
    text = run(root, "trace", "abalone", "VITD").stdout
    for word in (found["sha256"], found["line"], "NUT_DATA.txt", "assumed", "'0.0'", "15155", "Assumed zero", "gap"):
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
    printed = {r["ingredient_id"]: [r[f"peers_{end}"] for end in ("n", "low", "median", "high")] for r in published}
    for gap in found:
        told = [gap["peers"][end] for end in ("n", "low", "median", "high")]
        assert told == [float(text) if text else None for text in printed[gap["ingredient_id"]]]
    one = document(root, "gaps", "--ingredient", "chicken-liver")["gaps"]
    assert one and {g["ingredient_id"] for g in one} == {"chicken-liver"}


NEED = "fediaf-2021-adult-mer75"


def test_gaps_of_common_animals_come_first(root: Path) -> None:
    """With a profile: what is required, then common animals before rare ones (schemas/commonness.csv), then by how
    often the unknown decides a verdict in the reference recipes."""
    with (root / "schemas" / "commonness.csv").open(encoding="utf-8", newline="") as stream:
        common = {r["species"]: ("common", "occasional").index(r["commonness"]) for r in csv.DictReader(stream)}
    species = {r["ingredient_id"]: r["species"] for r in oracle.published(root / "curated", "ingredients")}
    published = {(r["ingredient_id"], r["component"]) for r in oracle.published(root / "curated", "gaps")}
    found = json.loads(run(root, "gaps", "--need", NEED, "--format", "json").stdout)["gaps"]
    assert len(found) == len(published) == len({(g["ingredient_id"], g["component"]) for g in found})
    order = [
        (not g["required"], common.get(species[g["ingredient_id"]], 2), -g["impact"])
        for g in found
        if g["impact"] is not None
    ]
    assert order == sorted(order)
    assert {place for _, place, _ in order} == {0, 1, 2}
    assert species["emu-ground"] == "emu" and "emu" not in common
    # taurine: mix gives no verdict on it (FEDIAF has figures for canned and dry food only), so nothing decides one
    taurine = [g for g in found if g["component"] == "TAU"]
    assert taurine and all(g["impact"] is None and not g["required"] for g in taurine)
    assert max(g["against_shown"] for g in taurine) > 0.5
    assert re.search(r"(?m)^TAU Taurine: \d+ gaps; no verdict", run(root, "gaps", "--need", NEED).stdout)


def test_long_gaps_are_grouped_and_cut_in_the_text_only(root: Path) -> None:
    """The whole list is some 700 KB: the text shows the first few by component and says how to see all."""
    published = oracle.published(root / "curated", "gaps")
    text = run(root, "gaps", "--need", NEED).stdout
    assert len(text) < 15_000 and f"{len(published)} gaps" in text and "--all" in text and "--format csv" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    heads = re.findall(r"(?m)^([A-Z0-9_]+) \S.*: \d+ gaps?", text)
    assert len(heads) == len(set(heads)) > 5
    counts = Counter(r["component"] for r in published)
    listed = " ".join(text.partition("further components: ")[2].split())
    assert all(f"{c} {n}" in listed for c, n in counts.items() if c not in heads)
    assert f"{heads[0]} " in text and f": {counts[heads[0]]} gaps" in text
    whole = run(root, "gaps", "--all").stdout
    assert all(f"\n{r['ingredient_id']} "[:20] in whole for r in published)
    assert whole.count("not_reported") == sum(r["kind"] == "not_reported" for r in published)
    rows = list(csv.DictReader(run(root, "gaps", "--format", "csv").stdout.splitlines()))
    assert {(r["ingredient_id"], r["component"], r["kind"]) for r in rows} == {
        (r["ingredient_id"], r["component"], r["kind"]) for r in published
    }
    # A short list is one table, whole.
    assert "shown" not in run(root, "gaps", "--ingredient", "chicken-liver").stdout


def test_commonness_names_known_species(root: Path) -> None:
    def column(name: str, key: str) -> list[str]:
        with (root / "schemas" / name).open(encoding="utf-8", newline="") as stream:
            return [row[key] for row in csv.DictReader(stream)]

    named = column("commonness.csv", "species")
    assert len(named) == len(set(named)) and set(named) <= set(column("species.csv", "species"))
    assert set(column("commonness.csv", "commonness")) == {"common", "occasional"}
    assert set(column("commonness.csv", "note")) == {"common practice, no source"}


def test_trace_shows_decisions_on_the_whole_food(root: Path) -> None:
    """A decision without a source component sets no decision_id in a cell; the trace of every cell that rests on the
    food shows it, a composite's part included, and no other cell does."""
    with (root / "raw" / "maintainer" / "decisions.csv").open(encoding="utf-8", newline="") as stream:
        whole = [r for r in csv.DictReader(stream) if not r["source_component"] and r["source"] == "usda-sr28"]
    assert whole
    for decision in whole:
        cells = [
            r
            for r in oracle.published(root / "curated", "values")
            if (r["source"], r["food_id"]) == (decision["source"], decision["food_id"])
            and decision["ingredient_id"] in ("", r["ingredient_id"])
        ]
        assert cells and all(r["decision_id"] != decision["decision_id"] for r in cells)
        cell = cells[0]
        found = document(root, "trace", cell["ingredient_id"], cell["component"])
        assert [d["decision_id"] for d in found["food_decisions"]] == [decision["decision_id"]]
        text = run(root, "trace", cell["ingredient_id"], cell["component"]).stdout
        assert decision["decision_id"] in text and "whole food" in text and decision["action"] in text
    assert document(root, "trace", "turkey-neck-bone-in", "CA")["food_decisions"]
    assert document(root, "trace", "beef-liver", "CU")["food_decisions"] == []


def test_trace_reads_plainly(root: Path) -> None:
    """Codes are put in words, candidates that were passed over say how far off they are, ranges of parts are shown."""
    text = " ".join(run(root, "trace", "beef-liver", "RETOL").stdout.split())
    for words in ("Retinol", "measured: analysed", "90 % prediction interval", "A best, D weakest", "same animal, part",
                  "gap none", "comparable raw foods (liver, bovine)", "New Zealand"):  # fmt: skip
        assert words in text, words
    assert ("below them" in text) == (document(root, "trace", "beef-liver", "RETOL")["peers"]["low"] > 4948)
    # SR28 line of food 23425, number 319, against that of 13325: 28319 ug and 4948 ug.
    assert "'28319' µg" in text and f"{28319 / 4948:.3g} times the chosen" in text
    bone = " ".join(run(root, "trace", "turkey-neck-bone-in", "CA").stdout.split())
    assert "any any" not in bone and "unknown mg" not in bone
    row = next(
        r for r in oracle.published(root / "curated", "values")
        if (r["ingredient_id"], r["component"]) == ("turkey-bone-fresh", "CA")
    )  # fmt: skip
    assert f"turkey-bone-fresh: {float(row['low']):.0f} to {float(row['high']):.0f} mg" in bone
    # of a composite that is unknown in part: 64 % of a neck is meat and skin (SR28 05084, refuse 36 %), selenium 12 ug
    part = document(root, "trace", "chicken-neck-bone-in", "SE")
    assert part["status"] == "missing" and part["known_part"] == {"amount": pytest.approx(7.68), "share_pct": 64}
    assert document(root, "trace", "chicken-heart", "CA")["known_part"] is None
    # The text of a paper carries its own unit; ours is not put behind it.
    assert "per 100 g of ESP' mg" not in run(root, "trace", "eggshell-powder", "CA").stdout


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


def test_find_never_cuts_an_id(built: duckdb.DuckDBPyConnection) -> None:
    """Ids are what the next command is given; every ingredient of the table, in the narrow form."""
    ids = [row[0] for row in built.execute("select ingredient_id from curated.ingredients").fetchall()]
    told = render.found(find(built, "", SCHEMAS), wide=False, every=True).split("\n\n")[0].splitlines()
    assert [line.split()[0] for line in told[2:]] == sorted(ids) and len(max(ids, key=len)) > 40
    for text in ("chicken egg", "poultry mechanically", "beef heart", "kelp"):
        narrow = render.found(find(built, text, SCHEMAS), wide=False)
        assert all(len(line) <= 80 for line in narrow.splitlines()) and "…" not in narrow
    eggs = render.found(find(built, "chicken egg", SCHEMAS), wide=False)
    assert re.search(r"^chicken-egg-\S+ +egg_white +- +- +\d+ +\d+ +\d+$", eggs, re.M)


def test_find_counts_and_lists_in_plain_words(built: duckdb.DuckDBPyConnection) -> None:
    for text in ("beef heart", "kelp", "manufacturing beef", "composite beef", "chicken egg", "taurine"):
        found = find(built, text, SCHEMAS)
        told = render.found(found, wide=True, every=True)
        few, many = len(found["ingredients"]), len(found["foods"])
        counted = f"{few} ingredient{'s' * (few != 1)}, {many} source food{'s' * (many != 1)}"
        if found["components"]:
            counted = f"{len(found['components'])} component, {counted}"
        assert told.endswith(f"\n\n{counted}") and "\n\n\n" not in told and "['" not in told
    assert "composite: all_grades, composite_of_cuts" in render.found(
        find(built, "composite beef", SCHEMAS), wide=True, every=True
    )


@pytest.mark.parametrize("width", [60, 100, 160])
def test_find_is_bounded_and_says_how_much_there_is(
    built: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    monkeypatch.setattr(render, "columns", lambda: width)
    found = find(built, "bone", SCHEMAS)
    few, many = len(found["ingredients"]), len(found["foods"])
    assert few > 20 and many > 100
    told = render.found(found, wide=False)
    assert len(told.splitlines()) < 100 and max(map(len, told.splitlines())) <= width
    counted = f"{few} ingredients, the first 20 shown; {many} source foods, the first 5 shown: all with --all"
    assert " ".join(told.split()).endswith(f"{counted} or --format csv")
    ids = [i["ingredient_id"] for i in found["ingredients"]]
    assert [line.split()[0] for line in told.splitlines()[2:22]] == ids[:20]
    whole = render.found(found, wide=False, every=True)
    assert whole.endswith(f"{few} ingredients, {many} source foods") and len(whole) > 5 * len(told)


def test_find_of_nothing_says_so_and_what_is_near(root: Path) -> None:
    """One sentence in the text, exit 0; the JSON is an empty listing of the usual shape."""
    (line,) = run(root, "find", "zzz").stdout.splitlines()
    assert line.startswith("nothing found") and "'zzz'" in line and "try" in line
    found = document(root, "find", "zzz")
    assert (found["ingredients"], found["foods"], found["not_found"]) == ([], [], {"zzz": []})
    hart = run(root, "find", "beef hart").stdout
    assert "heart" in hart and "'hart'" in hart and "'beef'" not in hart
    assert "kelp-dried" in run(root, "find", "kelp-dryed").stdout
    # Both words are known, but no name has the two.
    both = run(root, "find", "beef wing")
    assert (both.returncode, both.stderr) == (0, "") and "fewer words" in both.stdout
    assert document(root, "find", "beef heart")["not_found"] == {}


@pytest.mark.parametrize(
    "arguments, words",
    [
        (("trace", "chicken-livr", "VITD"), ("chicken-livr", "chicken-liver")),
        (("trace", "chicken-liver", "VITX"), ("VITX", "VITD")),
        (("trace", "chicken-liver", "niacine"), ("niacine", "NIA")),
        (("trace", "chicken-liver"), ("COMPONENT",)),
        (("trace", "--from", "usda-sr28"), ("SOURCE:FILE:LINE",)),
        (("trace", "--from", "usda-sr28:NUT_DATA.txt:700000"), ("700000",)),
        (("trace", "--from", "nobody:NUT_DATA.txt:1"), ("nobody", "usda-sr28")),
        (("trace", "--step", "vitd_iu"), ("vitd_iu_to_ug", "schemas/conversions.csv")),
        (("trace", "--step", "foo"), ("foo", "schemas/conversions.csv")),
        (("trace", "--from", "usda:NUT_DATA.txt:1"), ("usda-sr28",)),
        (("trace", "chicken-liver", "VITA"), ("VITA", "RETOL")),
        (("trace", "chicken-liver", "vitamin"), ("VITD", "VITK1")),
        (("trace", "liver", "ID"), ("beef-liver", "chicken-liver")),
        (("suggest", "beef livr", "VITD"), ("beef-liver",)),
        (("suggest", "beef-liver", "VITX"), ("VITD",)),
        (("gaps", "--need", "nrc"), ("nrc-2006-adult",)),
        (("check", "--rule", "no-such-rule"), ("no-such-rule", "schemas/checks.csv")),
        (("gaps", "--ingredient", "beef-hart"), ("beef-heart",)),
        (("gaps", "--component", "MNN"), ("MN",)),
        (("find",), ("words",)),
    ],
    ids=lambda x: " ".join(x) if x and x[0] in ("trace", "gaps", "find", "suggest", "check") else "",
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
        ("gaps", "--component", "MN"),
        ("find", "chiken livr zzz"),
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
    by_status = found["values_by_status"]
    assert known["cells"] == sum(by_status.values()) - by_status.get("not_applicable", 0)
    assert known["evidence"] == known["cells"] - sum(found["gaps_by_kind"].values())
    assert known["measured"] == found["values_by_status"]["measured"] < known["valued"] < known["cells"]
    assert known["valued"] <= known["known"] and known["sampled"] <= known["measured"]
    core = found["coverage_core"]
    assert f"coverage, {core['ingredients']} core raw ingredients: of {core['cells']} cells" in text
    for kind in ("valued", "known", "measured", "sampled", "evidence"):
        assert re.search(rf"\b{known[kind]} [a-z0-9 ]+ \({known[f'{kind}_pct']} %\)", text)


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
        [sys.executable, "-m", "rawref", "find", "beef liver"],
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


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("trace", "chicken-liver", "VITD"), BUILD),
        (("gaps", "--component", "MN"), BUILD),
        (("gaps", "--component", "MN", "--need", "nrc-2006-adult"), BOTH),
        (("find", "liver"), BUILD),
        (("suggest", "chicken-liver", "VITD"), BUILD),
        (("mix", "raw/maintainer/mixes/example.csv"), ACCEPTED),
    ],
)
def test_a_listing_says_which_table_it_is_where_build_and_accepted_differ(
    root: Path, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    """One line on stderr and the same stdout; nothing where the two are one."""
    same = run(root, *arguments, "--format", "json")
    assert "note: this" not in same.stderr and "differ" not in same.stderr
    fork = forked(root, tmp_path)
    manifest = json.loads((fork / "curated" / "manifest.json").read_text(encoding="utf-8"))
    manifest["content"]["values"] = "0" * 64
    (fork / "curated" / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    done = run(fork, *arguments, "--format", "json")
    assert (done.returncode, done.stdout) == (same.returncode, same.stdout)
    notes = [line for line in done.stderr.splitlines() if line.startswith("note: ")]
    assert notes == [f"note: {said}. See: rawref drift"]


def forked(root: Path, tmp_path: Path) -> Path:
    """A second root over the same build, with a curated/ of its own."""
    fork = tmp_path / "fork"
    fork.mkdir()
    for name in ("schemas", "pipeline", ".rawref"):
        (fork / name).symlink_to(root / name)
    for name in ("raw", "curated"):
        shutil.copytree(root / name, fork / name)
    return fork


def test_an_edit_by_hand_is_told_without_reading_a_table(root: Path, tmp_path: Path) -> None:
    space = Workspace(forked(root, tmp_path))
    assert not apart(space)
    with (space.curated / "gaps.csv").open("a", encoding="utf-8") as stream:
        stream.write("\n")
    assert apart(space)
    (space.curated / "manifest.json").write_text("{", encoding="utf-8")
    assert not apart(space)  # not whole: drift and mix name the fault


def test_two_places_of_one_source_are_refused(root: Path) -> None:
    assert "2 times --from" in refused(root, "fetch", "mext", "--from", "a.xlsx", "--from", "b.xlsx")


def test_a_file_that_the_source_does_not_have_is_named_with_the_nearest(root: Path) -> None:
    assert "did you mean NUT_DATA.txt" in refused(root, "trace", "--from", "usda-sr28:NUT.txt:1")
