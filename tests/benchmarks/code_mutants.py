"""Mutation score of the code: one seeded fault at a time in a scratch copy, and whether the tests see it.

    python -m tests.benchmarks.code_mutants [--number 150] [--seed 11] [--rooms stages,checks] [--out mutants.csv]

A mutant alters one operator, number or word of one line of code or SQL. It is seen ("killed") where the build fails or
gives another table than the committed one, where a planted fault of the gate goes unseen or a rule finds something else
than before, or where a test of the room fails (TESTS, the quick ones; `--all` asks the others too). The others survive:
they are listed for a person to judge, as some change nothing that anybody can see. The figures are in the output alone.
"""

from __future__ import annotations

import argparse
import ast
import csv
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.rule_findings import counted

ROOT = Path(__file__).resolve().parents[2]
CODE = Path("pipeline/rawref")
TESTS = {
    "registry": ("test_words", "test_needs", "test_units", "test_models"),
    "sources": ("test_readers", "test_archival", "test_fidelity"),
    "cooked": ("test_cooking",),
    "stages": ("test_all_sources", "test_completeness", "test_fidelity", "test_ranges", "test_facets"),
    "checks": ("test_checks",),
    "needs": ("test_needs", "test_mix"),
    "mix": ("test_mix", "test_mix_safety", "test_mix_chance"),
    "lookup": ("test_cli",),
    "drift": ("test_drift",),
}
"""The rooms that are mutated, in proportion to their lines, and the files of tests that are asked about each."""
BUILT = ("registry", "sources", "cooked", "stages", "checks")
"""Rooms whose code a build runs: the build itself is asked first."""
SECONDS = 900
SQL_SWAPS = (
    (r"(?<![<>=!])=(?![=>])", "<>"), (r"<>", "="), (r"<=", "<"), (r">=", ">"), (r"(?<![<>=-])<(?![<>=])", "<="),
    (r"(?<![<>=-])>(?![<>=])", ">="), (r"\band\b", "or"), (r"\bor\b", "and"), (r"\bnot\b ", ""),
    (r"\bis null\b", "is not null"), (r"\bis not null\b", "is null"), (r"\bleft join\b", "join"),
    (r"\bmin\(", "max("), (r"\bmax\(", "min("), (r"\bgreatest\(", "least("), (r"\bleast\(", "greatest("),
    (r"\bwhere\b", "where true or"), (r"\bdesc\b", "asc"), (r" \* ", " / "), (r" \+ ", " - "), (r" - ", " + "),
    (r"(?<![\w.'\"])(\d+(?:\.\d+)?)(?![\w.'\"])", None),
)
"""What an SQL token becomes; a number becomes one more."""
COMPARED = {
    ast.Eq: "!=", ast.NotEq: "==", ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.In: "not in",
    ast.NotIn: "in", ast.Is: "is not", ast.IsNot: "is",
}
SHOWN = {
    ast.Eq: "==", ast.NotEq: "!=", ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.In: "in",
    ast.NotIn: "not in", ast.Is: "is", ast.IsNot: "is not",
}
COUNTED = {ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*")}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One altered place: the file below the code, the line, and the line before and after."""

    file: str
    line: int
    before: str
    after: str

    @property
    def room(self) -> str:
        return Path(self.file).parts[0]


def sql_mutants(text: str, file: str) -> Iterator[Mutant]:
    """Every place of an SQL file that can be altered; comments and quoted text stay."""
    for number, line in enumerate(text.splitlines(), start=1):
        code = line.split("--", 1)[0]
        plain = re.sub(r"'[^']*'", lambda m: "'" + "·" * (len(m[0]) - 2) + "'", code)
        for pattern, other in SQL_SWAPS:
            for hit in re.finditer(pattern, plain):
                put = str(float(hit[1]) + 1).removesuffix(".0") if other is None else other
                yield Mutant(file, number, line, line[: hit.start()] + put + line[hit.end() :])


def python_mutants(text: str, file: str) -> Iterator[Mutant]:
    """Every comparison, connective, sum, product and number of a module that stands on one line."""
    lines = text.splitlines()

    def between(left: ast.expr, right: ast.expr, old: str, new: str) -> Iterator[Mutant]:
        if left.end_lineno == right.lineno and left.end_col_offset is not None:
            line = lines[right.lineno - 1].encode()
            gap = line[left.end_col_offset : right.col_offset].decode()
            if gap.count(old) == 1:
                after = line[: left.end_col_offset].decode() + gap.replace(old, new) + line[right.col_offset :].decode()
                yield Mutant(file, right.lineno, line.decode(), after)

    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Compare):
            for left, operator, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
                yield from between(left, right, SHOWN[type(operator)], COMPARED[type(operator)])
        elif isinstance(node, ast.BoolOp):
            old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
            for left, right in zip(node.values, node.values[1:], strict=False):
                yield from between(left, right, old, new)
        elif isinstance(node, ast.BinOp) and type(node.op) in COUNTED:
            yield from between(node.left, node.right, *COUNTED[type(node.op)])
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            line = lines[node.lineno - 1].encode()
            yield Mutant(file, node.lineno, line.decode(),
                         line[: node.col_offset].decode() + line[node.operand.col_offset :].decode())
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.end_col_offset:
            line = lines[node.lineno - 1].encode()
            yield Mutant(file, node.lineno, line.decode(), line[: node.col_offset].decode() + repr(node.value + 1)
                         + line[node.end_col_offset :].decode())


def chosen(number: int, seed: int, rooms: tuple[str, ...]) -> list[Mutant]:
    """`number` mutants, drawn line by line so that a crowded line counts once; the same for the same seed and code."""
    by_line: dict[tuple[str, int], list[Mutant]] = {}
    for path in sorted((ROOT / CODE).rglob("*")):
        file = path.relative_to(ROOT / CODE).as_posix()
        if path.suffix in (".py", ".sql") and Path(file).parts[0] in rooms:
            text = path.read_text(encoding="utf-8")
            for mutant in sql_mutants(text, file) if path.suffix == ".sql" else python_mutants(text, file):
                by_line.setdefault((file, mutant.line), []).append(mutant)
    draw = random.Random(seed)
    places = draw.sample(sorted(by_line), min(number, len(by_line)))
    return [draw.choice(by_line[place]) for place in places]


def _ask(command: list[str], root: Path) -> tuple[int, str]:
    environment = {**os.environ, "PYTHONPATH": f"{root / 'pipeline'}:{root}", "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(command, cwd=root, env=environment, capture_output=True, text=True, timeout=SECONDS,
                              check=False)
    except subprocess.TimeoutExpired:
        return 124, "no end"
    return done.returncode, (done.stdout + done.stderr)[-2000:]


def seen_by(mutant: Mutant, root: Path, python: str, expected: object) -> str:
    """What sees the mutant in the scratch copy: "build", "table", "rules", a test, or "" for nothing."""
    if mutant.room in BUILT:
        status, text = _ask([python, "-m", "rawref", "build", "--no-workbook"], root)
        if status or "equal to the accepted table" not in text:
            return "build" if "accepted table" not in text else "table"
        if findings(root) != expected:
            return "rules"
    for name in TESTS[mutant.room]:
        status, text = _ask([python, "-m", "pytest", "-x", "-q", "-n0", "--no-header", f"tests/{name}.py"], root)
        if status:
            hit = re.search(r"^(?:FAILED|ERROR) (\S+)", text, re.MULTILINE)
            return hit[1] if hit else name
    return ""


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def findings(root: Path) -> list[tuple[str, ...]]:
    """What the rules of the last build judged and found, counted as tests/test_checks.py compares it."""
    return counted(json.loads((root / ".rawref" / "check.json").read_text(encoding="utf-8")))


def main() -> int:
    """Draw, try and count; 1 where fewer than nine in ten are seen."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--number", type=int, default=150)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--rooms", default=",".join(TESTS))
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    mutants = chosen(asked.number, asked.seed, tuple(asked.rooms.split(",")))
    made, killed, by = Counter[str](), Counter[str](), Counter[str]()
    lines: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch) / "root"
        shutil.copytree(ROOT, root, ignore=shutil.ignore_patterns(".git", ".venv", ".rawref", "__pycache__", "site"))
        status, text = _ask([sys.executable, "-m", "rawref", "build", "--no-workbook"], root)
        if "equal to the accepted table" not in text:
            sys.exit(f"the code without a mutant does not make the committed table (status {status}): {text[-300:]}")
        expected = findings(root)
        for mutant in mutants:
            path = root / CODE / mutant.file
            whole = path.read_text(encoding="utf-8")
            rows = whole.splitlines(keepends=True)
            rows[mutant.line - 1] = rows[mutant.line - 1].replace(mutant.before, mutant.after)
            started = time.monotonic()
            path.write_text("".join(rows), encoding="utf-8")
            try:
                what = seen_by(mutant, root, sys.executable, expected)
            finally:
                path.write_text(whole, encoding="utf-8")
            made[mutant.room] += 1
            killed[mutant.room] += bool(what)
            by[what.split("::")[0] or "nothing"] += 1
            lines.append({"file": mutant.file, "line": mutant.line, "before": mutant.before.strip(),
                          "after": mutant.after.strip(), "seen_by": what})
            say(f"{len(lines)}/{len(mutants)} {time.monotonic() - started:4.0f} s {what or 'SURVIVES':40.40}"
                f" {mutant.file}:{mutant.line}")
    if asked.out:
        with asked.out.open("w", encoding="utf-8", newline="") as handle:
            writer = csv.DictWriter(handle, list(lines[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(lines)
    say("\nroom        seen  of")
    for room in made:
        say(f"{room:10} {killed[room]:5} {made[room]:4}")
    total, seen = sum(made.values()), sum(killed.values())
    say(f"all        {seen:5} {total:4}  {seen / total:.1%}\nseen by: {dict(by.most_common())}\nsurvivors:")
    for line in lines:
        if not line["seen_by"]:
            say(f"  {line['file']}:{line['line']}\n    - {line['before']}\n    + {line['after']}")
    return seen < 0.9 * total


if __name__ == "__main__":
    sys.exit(main())
