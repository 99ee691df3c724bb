"""Killing commands: SIGKILL at a random moment, a reader beside, then the next command.

On request: `python -m tests.faults.kills --trials 200`; it prints a table and exits 1 where `curated/` was mixed, a
reader saw two tables as one, or something was left lying about after the next command.
"""

from __future__ import annotations

import argparse
import csv
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
from collections.abc import Sequence
from pathlib import Path

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
STAYS = {"lock", "state.json", "check.json", "rawref.duckdb", "build", "sources", "accepted-versions"}
"""What may stand in .rawref/ when nothing runs."""
TOP = {"raw", "schemas", "pipeline", "pyproject.toml", "curated", "reports", ".rawref", ARCHIVE}


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


def change(root: Path, number: int) -> None:
    """Something for the next build to differ by."""
    path = root / "raw" / "maintainer" / "ingredients.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    rows[1][rows[0].index("name")] = f"Changed {number}"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


def trial(root: Path, name: str, rng: random.Random, number: int, seconds: float) -> tuple[str, list[str]]:
    """Kill one command after at most so many seconds; `killed` or `ended`, and what is wrong afterwards."""
    change(root, number)
    before = content(root / "curated")
    if name == "accept":
        command(root, "build", "--no-workbook").communicate(timeout=300)
    running = command(root, *COMMANDS[name])
    try:
        running.communicate(timeout=rng.uniform(0.05, seconds))
        came = "ended"
    except subprocess.TimeoutExpired:
        running.send_signal(signal.SIGKILL)
        running.communicate()
        came = "killed"
    wrong = [f"mixed after {name}: {table}" for table in mixed(root / "curated")]
    if name != "accept" and content(root / "curated") != before:
        wrong.append(f"{name} changed curated/")
    after = command(root, *COMMANDS["fetch" if name == "fetch" else "build"])
    text, _ = after.communicate(timeout=300)
    if after.returncode not in (0, 1):
        wrong.append(f"next command after {name}: {after.returncode} {text.splitlines()[-1:]}")
    wrong += [f"left after {name}: {item}" for item in left_over(root)]
    shutil.rmtree(root / ".rawref" / "sources", ignore_errors=True)  # no build is to read the invented foods
    return came, wrong


def prepared(folder: Path) -> Path:
    """A small root with an accepted table, and an archive to side-load."""
    root = small_root(folder / "root")
    (root / ARCHIVE).write_bytes(foundation())
    for arguments in (COMMANDS["build"], COMMANDS["accept"]):
        text, _ = (ran := command(root, *arguments)).communicate(timeout=300)
        assert ran.returncode == 0, text
    return root


def main(arguments: Sequence[str] | None = None) -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--trials", type=int, default=200)
    options.add_argument("--seed", default=time.strftime("%Y%m%d%H%M%S"))
    chosen = options.parse_args(arguments)
    rng = random.Random(chosen.seed)
    came: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    with tempfile.TemporaryDirectory(prefix="rawref-kills-") as folder:
        root = prepared(Path(folder))
        lasts: dict[str, float] = {}
        for name in COMMANDS:
            change(root, 0)
            began = time.monotonic()
            command(root, *COMMANDS[name]).communicate(timeout=300)
            lasts[name] = time.monotonic() - began
            shutil.rmtree(root / ".rawref" / "sources", ignore_errors=True)
        for number in range(chosen.trials):
            name = list(COMMANDS)[number % len(COMMANDS)]
            what, found = trial(root, name, rng, number + 1, lasts[name])
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
