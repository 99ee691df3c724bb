"""The terminal: the width there is, help in full, names completed, lists in JSON that end."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from rawref import cli
from rawref.lookup.suggest import BOUND, REFUSED, bounded
from rawref.render import rows, terminal
from rawref.render.paint import BAD, DOUBT, PLAIN, paint
from rawref.workspace import Workspace
from typer.testing import CliRunner

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(("told", "width"), [("60", 60), ("100", 100), ("160", 160), ("20", 60), ("900", 200)])
def test_a_table_takes_the_width_there_is(monkeypatch: pytest.MonkeyPatch, told: str, width: int) -> None:
    monkeypatch.setenv("COLUMNS", told)
    text = terminal.table(("id", "what"), [("a", "x" * 300), ("b", "y")], False)
    longest = max(map(len, text.splitlines()))
    assert terminal.columns() == longest == width and "…" in text


def test_nothing_is_cut_that_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    row = ("a", "x" * 90)
    monkeypatch.setenv("COLUMNS", "80")
    assert "…" in terminal.table(("id", "what"), [row], False)
    monkeypatch.setenv("COLUMNS", "100")
    assert "x" * 90 in terminal.table(("id", "what"), [row], False)
    monkeypatch.delenv("COLUMNS")
    assert terminal.columns() == 80  # a test writes to no terminal


@pytest.mark.parametrize("width", ["60", "100", "160"])
def test_help_tells_each_command_whole(width: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rawref", "--help"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT / "pipeline"), "COLUMNS": width},
    )  # fmt: skip
    said = " ".join(done.stdout.split())
    for command in cli.app.registered_commands:
        assert command.callback is not None and " ".join((command.callback.__doc__ or "-").split()) in said


def test_names_are_completed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """From the published table and the profiles; where there is neither, nothing and no fault."""
    monkeypatch.setattr(cli, "_root", ROOT)
    assert "beef-heart" in cli.complete_ingredient("beef-h") and "chicken-liver" not in cli.complete_ingredient("beef")
    assert cli.complete_component("vit") and all(c.startswith("VIT") for c in cli.complete_component("vit"))
    assert "nrc-2006-adult" in cli.complete_need("nrc")
    monkeypatch.setattr(cli, "_root", tmp_path)
    assert cli.complete_ingredient("") == cli.complete_component("") == cli.complete_need("") == []


def test_a_suggestion_in_json_ends() -> None:
    """Invented lists of 500: the first of each in short, and how many there are."""
    refused = [{**dict.fromkeys(REFUSED), "donor_food_id": str(n), "error": {"group": "muscle"}} for n in range(500)]
    peers = [{"n": n} for n in range(500)]
    told = bounded({"peers": {"n": 500, "list": peers}, "cooked": {"offered": refused[:2], "refused": refused}})
    assert [t["donor_food_id"] for t in told["cooked"]["refused"]] == [str(n) for n in range(BOUND)]
    assert told["cooked"]["refused_count"] == 500 and set(told["cooked"]["refused"][0]) == set(REFUSED)
    assert told["peers"]["list"] == peers[:BOUND] and told["peers"]["n"] == 500
    assert told["cooked"]["offered"] == refused[:2]  # what may be taken over is told in full


def listing(workspace: Workspace, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "rawref", "--root", str(workspace.root), *arguments],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT / "pipeline"), "CI": ""},
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


@pytest.mark.parametrize(
    ("arguments", "begins"),
    [
        (("find", "beef heart"), "what,source,id,name"),
        (("find", "zzzz"), "what,source,id,name"),
        (("trace", "--step", "vitd_iu_to_ug"), "ingredient_id,component,source"),
        (("trace", "chicken-liver", "VITD"), "schema_version,ingredient_id,component"),
        (("suggest", "beef-heart", "SE"), "what,source,food_id,food_name"),
        (("check", "--rule", "D07"), "rule,name,level,status,severity,scope,subject"),
    ],
    ids=lambda x: " ".join(x) if isinstance(x, tuple) else "",
)
def test_listings_as_csv(built_workspace: Workspace, arguments: tuple[str, ...], begins: str) -> None:
    """RFC 4180: one heading, as many cells in each row, nothing but rows; ids and counts as JSON has them."""
    text = listing(built_workspace, *arguments, "--format", "csv")
    heading, *told = csv.reader(io.StringIO(text))
    assert text.startswith(begins) and {len(r) for r in told} <= {len(heading)}
    every = ("--all",) if arguments[0] == "suggest" else ()
    document = json.loads(listing(built_workspace, *arguments, *every, "--format", "json"))
    if "touched" in document:
        assert [r[:2] for r in told] == [[t["ingredient_id"], t["component"]] for t in document["touched"]]
    elif "foods" in document:
        ids = [r["ingredient_id"] for r in document["ingredients"]] + [r["food_id"] for r in document["foods"]]
        assert [r[2] for r in told] == ids
    elif "rules" in document:
        found = [f for r in document["rules"] for f in r["findings"]]
        assert sorted(r[6] for r in told) == sorted(f["subject"] for f in found) and told
    elif "cooked" in document:
        counts = Counter(r[0] for r in told)
        assert counts["candidate"] == len(document["candidates"]) and counts["comparable"] == document["peers"]["n"] > 0
        for kind in ("offered", "weak", "refused"):
            assert counts[f"cooked_{kind}"] == len(document["cooked"][kind])
        by_name = [dict(zip(heading, r, strict=True)) for r in told]
        assert all(r["why_not"] for r in by_name if r["what"] in ("candidate", "cooked_refused"))
    else:
        assert told[0][1:3] == ["chicken-liver", "VITD"]


def test_measured_errors_as_csv() -> None:
    """Invented: a way that was not tried has empty cells, never zeros."""
    tried = {"median": 1.5, "p90": 9.0, "pairs": 4, "families": 3}
    text = rows.errors({"errors": [{"group": "organ", "component": "SE", "offer": "no",
                                    "errors": {"measured": tried, "published": None}}]})  # fmt: skip
    heading, row = csv.reader(io.StringIO(text))
    told = dict(zip(heading, row, strict=True))
    assert told["component"] == "SE" and told["measured_p90"] == "9.0" and told["published_pairs"] == ""


def test_rules_without_a_finding_and_decisions_as_csv() -> None:
    """Invented: a rule that could not be applied is told as such; a cell with a comma and a quote comes back whole."""
    finding = {"severity": "fail", "scope": "curated", "subject": "x:SE", "detail": 'a, "b"', "cure": "c"}
    rules: list[dict[str, Any]] = [
        {"id": "Z01", "name": "n", "level": "value", "status": "warned",
         "findings": [{**finding, "decision_id": "d-1"}]},
        {"id": "Z02", "name": "n", "level": "value", "status": "not_applicable", "findings": []},
    ]
    found = list(csv.DictReader(io.StringIO(rows.checked(rules))))
    assert [(r["rule"], r["status"], r["subject"]) for r in found] == [
        ("Z01", "warned", "x:SE"), ("Z02", "not_applicable", "")]  # fmt: skip
    assert found[0]["detail"] == 'a, "b"' and found[0]["decision_id"] == "d-1"


def test_changes_as_csv(built_workspace: Workspace, tmp_path: Path) -> None:
    """One value less in the table compared with: that row is added, in CSV as in JSON; no change is a heading alone."""
    from rawref.drift.compare import drift

    same = Path(shutil.copytree(built_workspace.curated, tmp_path / "same"))
    assert rows.drifted(drift(built_workspace, same)) == ",".join(rows.CHANGE) + "\n"
    text = (same / "gaps.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (same / "gaps.csv").write_text("".join(text[:1] + text[2:]), encoding="utf-8")
    result = drift(built_workspace, same)
    found = list(csv.DictReader(io.StringIO(rows.drifted(result))))
    assert [(r["kind"], r["subject"], r["tier"]) for r in found] == [
        (c["kind"], c["subject"], c["tier"]) for c in result["changes"]]  # fmt: skip
    assert [r["table"] for r in found if r["kind"] == "added"] == ["gaps"]


LISTINGS = ("fetch", "trace", "gaps", "find", "check", "drift", "suggest", "mix")
WIDE_ONES = (
    ("mix", "raw/maintainer/mixes/example.csv"),
    ("mix", "raw/maintainer/mixes/example.csv", "--contributions", "SE"),
    ("gaps", "--component", "MN"),
    ("check",),
    ("trace", "chicken-liver", "VITD"),
    ("trace", "--step", "vitd_iu_to_ug"),
    ("find", "beef heart"),
)


@pytest.mark.parametrize("arguments", WIDE_ONES, ids=" ".join)
def test_a_listing_is_no_wider_than_the_terminal_and_cuts_less_in_a_wider_one(
    built_workspace: Workspace, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    """At 160 columns nothing is cut but the example of a rule in `check`, which is bounded by the width itself."""
    cut: dict[int, int] = {}
    for width in (60, 160):
        monkeypatch.setenv("COLUMNS", str(width))
        text = listing(built_workspace, *arguments)
        assert max(map(len, text.splitlines())) <= width
        cut[width] = text.count("…")
    assert cut[160] <= (1 if arguments == ("check",) else 0) and cut[160] <= cut[60]


def test_help_is_whole_and_fits_at_every_width() -> None:
    """Every command at 60, 80 and 100 columns: no line is wider, no word is broken, and nothing is left out."""
    said = {}
    for width in (60, 80, 100):
        for name in ("", *(str(c.name) for c in cli.app.registered_commands)):
            told = CliRunner().invoke(cli.app, [*([name] if name else []), "--help"], env={"COLUMNS": str(width)},
                                      terminal_width=width).output  # fmt: skip
            assert max(map(len, told.splitlines())) <= width, name
            assert "…" not in told and "..." not in told.replace("]...", "").replace("[ARGS]...", "")
            words = sorted(told.split())
            assert said.setdefault(name, words) == words, f"{name} at {width} columns says other words"


def test_a_replacement_is_completed_on_both_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cli, "_root", ROOT)
    assert "beef-heart=" in cli.complete_replacement("beef-h")
    assert "beef-heart=lamb-heart" in cli.complete_replacement("beef-heart=lamb-h")


@pytest.mark.parametrize("name", LISTINGS)
def test_every_listing_takes_csv_and_says_so(name: str) -> None:
    told = " ".join(CliRunner().invoke(cli.app, [name, "--help"], env={"COLUMNS": "100"}).stdout.split())
    assert re.search(r"--format <text\|json\|csv[a-z|]*> text, json(,| or) csv", told)


@pytest.mark.parametrize(
    ("typed", "offered"),
    [("trace beef-h", "beef-heart"), ("trace beef-heart VIT", "VITD"), ("gaps --need nrc", "nrc-2006-adult"),
     ("mix x.csv --without beef-h", "beef-heart"), ("mix x.csv --with eggsh", "eggshell-powder"),
     ("mix x.csv --contributions CA", "CA/P")],
)
def test_a_shell_is_offered_names(typed: str, offered: str) -> None:
    """Through the variables by which bash asks for completions; nothing on stderr, and only what begins so."""
    words = f"rawref {typed}"
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv = ['rawref']; from rawref.cli import main; main()"],
        cwd=ROOT, capture_output=True, text=True, check=True, timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT / "pipeline"), "_RAWREF_COMPLETE": "complete_bash",
             "COMP_WORDS": words, "COMP_CWORD": str(len(words.split()) - 1)},
    )  # fmt: skip
    names = done.stdout.split()
    assert offered in names and done.stderr == ""
    assert all(name.startswith(typed.split()[-1]) for name in names)


SHELL = "import sys; sys.path.insert(0, 'pipeline'); from rawref import cli; cli.show(sys.argv[1]); cli.emit({'a': 1})"
PAINTED = "id   verdict\n---  -------\nx    short\n"


def on_a_terminal(text: str, **environment: str) -> str:
    """What a process writes to a terminal of its own that is told `text` to show."""
    import pty

    main, side = pty.openpty()
    bare = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR")}
    told_so = {**bare, "TERM": "xterm"} | environment
    done = subprocess.Popen([sys.executable, "-c", SHELL, text], cwd=ROOT, stdout=side, stderr=side, env=told_so)
    assert done.wait(60) == 0
    os.close(side)
    told = b""
    with contextlib.suppress(OSError):  # Linux ends a terminal whose other side is closed with EIO
        while got := os.read(main, 65536):
            told += got
    os.close(main)
    return told.decode().replace("\r\n", "\n")


def test_colour_is_for_a_terminal_that_nobody_asked_to_do_without() -> None:
    """https://no-color.org: set to anything but nothing, NO_COLOR keeps colour out; so do a pipe and TERM=dumb."""
    assert "\x1b[" in on_a_terminal(PAINTED) and "\x1b[" in on_a_terminal(PAINTED, NO_COLOR="")
    plain = PAINTED + '\n{\n "a": 1\n}\n'
    assert re.sub(r"\x1b\[[\d;]*m", "", on_a_terminal(PAINTED)) == plain
    for environment in ({"NO_COLOR": "1"}, {"NO_COLOR": "0"}, {"TERM": "dumb"}):
        assert on_a_terminal(PAINTED, **environment) == plain
    piped = subprocess.run([sys.executable, "-c", SHELL, PAINTED], cwd=ROOT, capture_output=True, text=True, check=True)
    assert piped.stdout == plain


def test_what_a_source_writes_is_no_colour_and_what_we_paint_is_no_more_than_words() -> None:
    told = on_a_terminal("id   verdict\n---  -------\n\x1b[31mover  fail")
    assert r"\x1b[31mover" in told and "\x1b[31m" not in told
    for line in ("beef fell short of it", "x: over 3 samples, failed", "fail"):
        assert paint(line) == line, "only where a verdict or a severity stands"
    assert paint("  warn source x: fail") == f"  {DOUBT}warn{PLAIN} source x: fail"
    assert paint("FAILED P01 x") == f"{BAD}FAILED{PLAIN} P01 x"
    assert paint("Iron · FE short (a): over") == f"Iron · FE {BAD}short{PLAIN} (a): over"
