"""Killing commands: SIGKILL at a random moment, a reader beside, then the next command.

On request: `python -m tests.faults.kills --trials 200`; it prints a table and exits 1 where `curated/` was mixed, a
reader saw two tables as one, or something was left lying about after the next command. There each command runs in a
fork of one process that has the libraries loaded, so that the moments fall into the work and not into imports.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import importlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from rawref import cli
from rawref.files import steady

from tests.faults.targets import foundation
from tests.rebuild import content, small_root

ROOT = Path(__file__).resolve().parents[2]
ARCHIVE = "FoodData_Central_foundation_food_csv_2026-04-30.zip"
COMMANDS = {
    "build": ("build", "--no-workbook"),
    "accept": ("accept", "--no-workbook", "--reason", "killed or not"),
    "fetch": ("fetch", "usda-fdc", "--from", ARCHIVE),
    "report": ("report",),
    "check": ("check",),
}
STAYS = {"lock", "state.json", "check.json", "equal.json", "rawref.duckdb", "build", "sources", "accepted-versions"}
"""What may stand in .rawref/ when nothing runs."""
TOP = {"raw", "schemas", "pipeline", "pyproject.toml", "curated", "reports", ".rawref", ARCHIVE, "told"}


def command(root: Path, *arguments: str) -> subprocess.Popen[str]:
    """The command line in a process of its own."""
    environment = {
        "PATH": os.environ["PATH"], "HOME": str(root), "LC_ALL": "C.UTF-8", "PYTHONPATH": str(ROOT / "pipeline"),
    }
    return subprocess.Popen(
        [sys.executable, "-m", "rawref", "--root", str(root), *arguments], cwd=root, env=environment,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )


def mixed(folder: Path) -> list[str]:
    """Tables of a published folder that are not those that its manifest states; empty where it is whole."""
    from rawref.published.export import content_digests

    if not folder.is_dir():
        return ["there is no folder"]
    try:
        stated = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["content"]
    except (OSError, ValueError, KeyError) as error:
        return [f"manifest: {error}"]
    found = content_digests(folder)
    return sorted(name for name in stated.keys() | found.keys() if stated.get(name) != found.get(name))


def left_over(root: Path) -> list[str]:
    """What lies about in a root where nothing runs."""
    found = [path.name for path in root.iterdir() if path.name not in TOP]
    found += [path.name for path in (root / ".rawref").iterdir() if path.name not in STAYS]
    found += [path.name for path in (root / ".rawref" / "build").glob("*") if path.name != "curated"]
    found += [path.name for path in (root / "reports").glob("*") if path.name != "site"]
    names = (".unpack-*", ".partial-*", "*/*/.partial-*")
    found += [path.name for name in names for path in (root / ".rawref" / "sources").glob(name)]
    return sorted(found)


FORMER = "<!-- former -->"


def pages(site: Path) -> dict[str, bool]:
    """Every file of a site by its path, and whether it is marked as one of a former site."""
    return {
        path.relative_to(site).as_posix(): path.read_bytes().endswith(FORMER.encode())
        for path in sorted(site.rglob("*")) if path.is_file()
    }


def make_former(site: Path) -> set[str]:
    """Mark every file of a site, so that old and new can be told apart file by file; their paths."""
    for path in site.rglob("*"):
        if path.is_file() and not path.read_bytes().endswith(FORMER.encode()):
            with path.open("a", encoding="utf-8") as stream:
                stream.write(FORMER)
    return set(pages(site))


def torn(site: Path, due: set[str]) -> list[str]:
    """What is amiss with a site that must be wholly the former or wholly the new one."""
    found = steady(site, lambda: pages(site))
    wrong = [f"the site has {len(found)} files where {len(due)} are due"] if set(found) != due else []
    return wrong + (["the site is of two runs"] if len(set(found.values())) > 1 else [])


def change(root: Path, number: int) -> None:
    """Something for the next build to differ by."""
    path = root / "raw" / "maintainer" / "ingredients.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    rows[1][rows[0].index("name")] = f"Changed {number}"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


def forked(root: Path, *arguments: str) -> int:
    """The command line in a fork of this process, which must not have opened a database; the number of the process."""
    number = os.fork()
    if number:
        return number
    with contextlib.suppress(BaseException):
        sys.stdout.flush()
        drain = os.open(root / "told", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        os.dup2(drain, 1)
        os.dup2(drain, 2)
        os.chdir(root)
        sys.argv = ["rawref", "--root", str(root), *arguments]
        try:
            cli.main()
        except SystemExit as end:
            os._exit(end.code if isinstance(end.code, int) else 4)
    os._exit(99)


def ended(number: int, seconds: float, beside: Callable[[], None]) -> int | None:
    """Exit status of a fork, or None where it had to be killed after so many seconds; `beside` runs meanwhile."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        done, status = os.waitpid(number, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        beside()
        time.sleep(0.003)
    os.kill(number, signal.SIGKILL)
    os.waitpid(number, 0)
    return None


def reader(folder: Path, seen: list[str]) -> Callable[[], None]:
    """A reader of a published folder that looks again and again; what it saw amiss goes to `seen`."""

    def look() -> None:
        from rawref.published.export import content_digests

        def read() -> tuple[dict[str, str], dict[str, str]]:
            stated = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["content"]
            return stated, content_digests(folder)

        try:
            stated, found = steady(folder, read)
        except (OSError, ValueError, KeyError) as error:
            seen.append(f"a reader: {type(error).__name__}: {error}")
            return
        if stated != found:
            seen.append("a reader saw two tables as one")

    return look


def trial(root: Path, name: str, moment: float, number: int, *, fork: bool = False) -> tuple[str, float, list[str]]:
    """Kill one command after so many seconds; `killed` or `ended`, after how long, and what is wrong afterwards."""
    wrong: list[str] = []
    site = root / "reports" / "site"
    due = make_former(site) if name == "report" and site.is_dir() else set[str]()
    look = reader(root / "curated", wrong) if not due else lambda: wrong.extend(torn(site, due))

    def run(arguments: Sequence[str], seconds: float, beside: Callable[[], None]) -> int | None:
        if fork:
            return ended(forked(root, *arguments), seconds, beside)
        running = command(root, *arguments)
        try:
            running.communicate(timeout=seconds)
        except subprocess.TimeoutExpired:
            running.send_signal(signal.SIGKILL)
            running.communicate()
            return None
        return running.returncode

    def nothing() -> None:
        pass

    held = (root / "raw" / "maintainer" / "ingredients.csv").read_bytes()
    if name in ("build", "accept"):
        change(root, number)
    if name == "accept":
        run(COMMANDS["build"], 300, nothing)
    before = content(root / "curated")
    began = time.monotonic()
    came = "killed" if run(COMMANDS[name], moment, look) is None else "ended"
    took = time.monotonic() - began
    wrong += [f"mixed after {name}: {table}" for table in mixed(root / "curated")]
    wrong += [f"after {name}: {what}" for what in (torn(site, due) if due else ())]
    if name != "accept" and content(root / "curated") != before:
        wrong.append(f"{name} changed curated/")
    if name == "build":
        (root / "raw" / "maintainer" / "ingredients.csv").write_bytes(held)
    if name == "fetch":  # a folder of no build of ours: the next command must find the pin or make it
        wrong += _next(run(COMMANDS["fetch"], 300, nothing), name)
        shutil.rmtree(root / ".rawref" / "sources", ignore_errors=True)  # no build is to read the invented foods
    wrong += _next(run(COMMANDS["build"], 300, nothing), name)
    wrong += [f"left after {name}: {item}" for item in left_over(root)]
    return came, took, wrong


def _next(status: int | None, name: str) -> list[str]:
    return [] if status in (0, 1) else [f"next command after {name}: {status}"]


def prepared(folder: Path) -> Path:
    """A small root with an accepted table, and an archive to side-load."""
    root = small_root(folder / "root")
    (root / ARCHIVE).write_bytes(foundation())
    for arguments in (COMMANDS["build"], COMMANDS["accept"]):
        text, _ = (ran := command(root, *arguments)).communicate(timeout=300)
        assert ran.returncode == 0, text
    return root


def _load() -> None:
    """Import what the commands import, and open nothing: a fork is to begin with its work."""
    for name in (
        "duckdb", "pandas", "pandera.pandas", "pyarrow.csv", "pyarrow.compute", "pyarrow.parquet",
        "rawref.release.build", "rawref.release.accept", "rawref.report.site", "rawref.checks.run",
        "rawref.checks.selftest", "rawref.checks.gate", "rawref.registry.models", "rawref.drift.compare",
        "rawref.fetch.decide",
    ):
        importlib.import_module(name)


def main(arguments: Sequence[str] | None = None) -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--trials", type=int, default=200)
    options.add_argument("--seed", default=time.strftime("%Y%m%d%H%M%S"))
    chosen = options.parse_args(arguments)
    rng = random.Random(chosen.seed)
    came: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    _load()
    with tempfile.TemporaryDirectory(prefix="rawref-kills-") as folder:
        root = prepared(Path(folder))
        lasts: dict[str, float] = {}
        for name in COMMANDS:
            _, lasts[name], found = trial(root, name, 300, 0, fork=True)
            wrong += found
        for number in range(chosen.trials):
            name = list(COMMANDS)[number % len(COMMANDS)]
            moment = rng.uniform(0.01, lasts[name])
            what, _, found = trial(root, name, moment, number + 1, fork=True)
            came[name, what] += 1
            wrong += found
            sys.stdout.write("".join(f"{line}\n" for line in (f"{number + 1} {name} {what}", *found)))
            sys.stdout.flush()
    sys.stdout.write(f"seed {chosen.seed}\n{'command':10}{'killed':>8}{'ended':>8}\n")
    for name in COMMANDS:
        sys.stdout.write(f"{name:10}{came[name, 'killed']:8}{came[name, 'ended']:8}\n")
    sys.stdout.write(f"{chosen.trials} trials, {len(wrong)} wrong\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
