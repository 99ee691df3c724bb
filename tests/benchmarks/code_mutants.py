"""Mutation score of the code: one seeded fault at a time in a scratch copy, and whether the tests see it.

    python -m tests.benchmarks.code_mutants [--number 150] [--seed 11] [--rooms stages,checks] [--held FOLDER]
        [--out mutants.csv] [--seconds 300] [--part 1 --parts 1] [--builds] [--report]

A mutant alters one operator, number or word of one line of code or SQL; what is no longer SQL or Python is not drawn.
It is seen ("killed") where the build fails or makes another table than the unaltered code, where a rule finds something
else in it or in its cases or a planted fault of the gate goes unseen (tests/benchmarks/witness.py), or where a test of
the files of its room (TESTS) fails. Tests share one build, as what is asked of them made the same table; those that
fail without a mutant are left out. One that does not end in time counts as not seen. Where a judged mutant changes
nothing that anybody can see, tests/data/equivalent_mutants.csv says why, and it is listed apart.

`--held` keeps the scratch copy and the states to compare with; `--out` is written line by line, and what it holds
already is not tried again. The mutants come in random order, so that the first of them are a fair sample. The figures
are in the output alone.
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
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CODE = Path("pipeline/rawref")
TESTS = {
    "registry": ("test_words", "test_needs", "test_units", "test_models"),
    "sources": ("test_pieces", "test_readers", "test_archival", "test_fidelity", "test_bad_input"),
    "cooked": ("test_cooking",),
    "stages": ("test_stage_pieces", "test_all_sources", "test_completeness", "test_fidelity", "test_ranges",
               "test_facets"),
    "checks": ("test_ranges", "test_consumer", "test_checks"),
    "needs": ("test_pieces", "test_needs", "test_mix", "test_mix_results"),
    "mix": ("test_pieces", "test_mix_doubt", "test_mix_results", "test_mix_chance", "test_mix_comparables",
            "test_mix_safety", "test_mix"),
    "lookup": ("test_pieces", "test_words", "test_mix_results", "test_lookup_results", "test_beside_the_number",
               "test_cli"),
    "drift": ("test_pieces", "test_drift_results", "test_drift"),
}
"""The rooms that are mutated, in proportion to their lines, and the files of tests that are asked about each."""
BUILT = ("registry", "sources", "cooked", "stages", "checks")
"""Rooms whose code a build runs: the build itself is asked first."""
CRASH = "the tests do not get to their end"
EQUIVALENT = ROOT / "tests" / "data" / "equivalent_mutants.csv"
"""Survivors that a person judged to change nothing: file, the line before and after, and why."""
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

    @property
    def key(self) -> tuple[str, str, str]:
        return self.file, self.before.strip(), self.after.strip()


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


def chosen(number: int, seed: int, rooms: tuple[str, ...], root: Path = ROOT) -> list[Mutant]:
    """`number` mutants, drawn line by line so that a crowded line counts once; the same for the same seed and code."""
    by_line: dict[tuple[str, int], list[Mutant]] = {}
    for path in sorted((root / CODE).rglob("*")):
        file = path.relative_to(root / CODE).as_posix()
        if path.suffix in (".py", ".sql") and Path(file).parts[0] in rooms:
            text = path.read_text(encoding="utf-8")
            for mutant in sql_mutants(text, file) if path.suffix == ".sql" else python_mutants(text, file):
                by_line.setdefault((file, mutant.line), []).append(mutant)
    draw = random.Random(seed)
    places = sorted(by_line)
    draw.shuffle(places)
    found: list[Mutant] = []
    for place in places:
        draw.shuffle(by_line[place])
        found += [mutant for mutant in by_line[place] if stands(mutant, root)][:1]
        if len(found) == number:
            break
    return found


def stands(mutant: Mutant, root: Path = ROOT) -> bool:
    """Whether the altered file can still be parsed, and no text is subtracted from a text."""
    whole = altered(mutant, (root / CODE / mutant.file).read_text(encoding="utf-8"))
    if mutant.file.endswith(".sql"):
        import duckdb

        try:
            return bool(duckdb.extract_statements(whole.replace("$SCHEMAS", "x")))
        except duckdb.Error:
            return False
    try:
        tree = ast.parse(whole)
    except SyntaxError:
        return False
    return not any(
        isinstance(node, ast.BinOp) and isinstance(node.op, (ast.Sub, ast.Mult)) and node.lineno == mutant.line
        and any(isinstance(side, ast.JoinedStr) or (isinstance(side, ast.Constant) and isinstance(side.value, str))
                for side in (node.left, node.right))
        for node in ast.walk(tree)
    )


def altered(mutant: Mutant, whole: str) -> str:
    """The text of the file with the mutant in place."""
    rows = whole.splitlines(keepends=True)
    rows[mutant.line - 1] = rows[mutant.line - 1].replace(mutant.before, mutant.after)
    return "".join(rows)


@dataclass(slots=True)
class Scratch:
    """A copy of the checkout to alter, the states to compare with, and one build that the tests share."""

    held: Path
    seconds: float
    failing: list[str] = field(default_factory=list)
    """Tests that fail without a mutant."""
    sound: set[str] = field(default_factory=set)

    @property
    def root(self) -> Path:
        return self.held / "root"

    def prepare(self) -> None:
        """Copy and build, unless that was done: a scratch copy that is kept stays as it is, tests and code together."""
        (self.held).mkdir(parents=True, exist_ok=True)
        away = shutil.ignore_patterns(".git", ".venv", ".rawref", "__pycache__", "site", "table.xlsx")
        if not self.root.is_dir():
            shutil.copytree(ROOT, self.root, ignore=away)
        self.restore()
        built = self.held / "built"
        if not (built / "curated").is_dir():
            shutil.rmtree(built, ignore_errors=True)
            for name in ("raw", "schemas", "pipeline"):
                shutil.copytree(self.root / name, built / name, ignore=away)
            shutil.copyfile(self.root / "pyproject.toml", built / "pyproject.toml")
            self._need(self.ask(["-m", "rawref", "build", "--no-workbook"], 900, built))
        if not (self.held / "expected.json").is_file():
            self._need(self.ask(["-m", "tests.benchmarks.witness", "hold", str(self.held)], 900))

    def restore(self) -> None:
        """Undo the mutant in place, also one of a run that was cut off."""
        if self.whole.is_file():
            file, whole = json.loads(self.whole.read_text(encoding="utf-8"))
            (self.root / CODE / file).write_text(whole, encoding="utf-8")

    @property
    def whole(self) -> Path:
        return self.held / "unaltered.json"

    @staticmethod
    def _need(done: tuple[int, str]) -> None:
        if done[0]:
            sys.exit(f"the code without a mutant fails: {done[1][-500:]}")

    def ask(self, command: list[str], seconds: float, where: Path | None = None) -> tuple[int, str]:
        """Status and the end of what a Python command says, run with the altered code; 124 where it does not end."""
        environment = {
            **os.environ, "PYTHONPATH": f"{self.root / 'pipeline'}:{self.root}", "PYTHONDONTWRITEBYTECODE": "1",
            "RAWREF_BUILT": str(self.held / "built"),
        }
        with subprocess.Popen([sys.executable, *command], cwd=where or self.root, env=environment, text=True,
                              stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True) as process:
            try:
                text, _ = process.communicate(timeout=max(seconds, 1))
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)  # the workers of a build with it
                return 124, "no end"
        return process.returncode, text[-4000:]

    def tested(self, names: list[str], seconds: float) -> str:
        """The first test that fails; "" for none, or where they do not end in time."""
        away = [f"--deselect={name}" for name in self.failing if name not in names]
        ends = time.monotonic() + seconds
        for _ in range(2):  # a run that the machine cut off names nothing: once more
            status, text = self.ask(["-m", "pytest", "-x", "-q", "-n0", "--no-header", "-p", "no:cacheprovider",
                                     "--tb=no", "-rfE", *names, *away], ends - time.monotonic())
            if status in (0, 5, 124):
                return ""
            if hit := re.search(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", text, re.MULTILINE):
                return hit[1]
        return CRASH

    def _fails_anyway(self, name: str) -> bool:
        """Whether a test fails without a mutant too: then it says nothing, and is left out from now on."""
        if name not in self.sound and self.tested([name], self.seconds):
            if "::" not in name:
                sys.exit(f"{name} cannot be run without a mutant either")
            self.failing.append(name)
            return True
        self.sound.add(name)
        return False

    def seen_by(self, mutant: Mutant, tests: bool) -> str | None:
        """What sees the mutant: "build", what witness.py says, a test, or "" for nothing; None where only `tests` could
        tell and they are not to be asked."""
        ends = time.monotonic() + self.seconds
        path = self.root / CODE / mutant.file
        whole = path.read_text(encoding="utf-8")
        self.whole.write_text(json.dumps([mutant.file, whole]), encoding="utf-8")
        path.write_text(altered(mutant, whole), encoding="utf-8")
        try:
            if mutant.room in BUILT:
                status, text = self.ask(["-m", "tests.benchmarks.witness", "compare", str(self.held), mutant.file],
                                        self.seconds)
                differs = re.search(r"^differs: (\w*)$", text, re.MULTILINE)
                if status != 124 and (status or not differs):
                    return "build"
                if differs and differs[1]:
                    return differs[1]
            if not tests:
                return None
            names = [f"tests/{name}.py" for name in TESTS[mutant.room]]
            while hit := self.tested(names, ends - time.monotonic()):
                self.restore()
                if hit == CRASH or not self._fails_anyway(hit):
                    return hit
                path.write_text(altered(mutant, whole), encoding="utf-8")
            return ""
        finally:
            self.restore()


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _lines(path: Path | None) -> dict[tuple[str, ...], dict[str, str]]:
    """The rows of a file of mutants by what they alter: the number of a line may have changed since."""
    if path is None or not path.is_file():
        return {}
    with path.open(encoding="utf-8", newline="") as handle:
        return {(row["file"], row["before"], row["after"]): row for row in csv.DictReader(handle)}


COLUMNS = ("number", "file", "line", "before", "after", "seen_by", "seconds")


def _try(asked: argparse.Namespace, mutants: list[Mutant], held: Path) -> None:
    """Try what the file of results does not hold yet."""
    scratch = Scratch(held, asked.seconds)
    scratch.prepare()
    done = _lines(asked.out)
    fresh = not asked.out.is_file()
    with asked.out.open("a", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, COLUMNS, lineterminator="\n")
        if fresh:
            writer.writeheader()
        for number, mutant in enumerate(mutants, start=1):
            if mutant.key in done or number % asked.parts != asked.part - 1 or (
                    asked.builds and mutant.room not in BUILT):
                continue
            started = time.monotonic()
            what = scratch.seen_by(mutant, not asked.builds)
            if what is None:
                continue
            writer.writerow({"number": number, "file": mutant.file, "line": mutant.line,
                             "before": mutant.before.strip(), "after": mutant.after.strip(), "seen_by": what,
                             "seconds": round(time.monotonic() - started)})
            handle.flush()
            say(f"{number}/{len(mutants)} {time.monotonic() - started:4.0f} s {what or 'SURVIVES':60.60}"
                f" {mutant.file}:{mutant.line}")


def _report(mutants: list[Mutant], done: dict[tuple[str, ...], dict[str, str]]) -> int:
    """Counts of what was tried, by room and by what saw it; survivors; 1 where fewer than nine in ten are seen."""
    judged = _lines(EQUIVALENT)
    tried = [(mutant, done[mutant.key]["seen_by"]) for mutant in mutants if mutant.key in done]
    alike = [mutant for mutant, what in tried if not what and mutant.key in judged]
    counted = [(mutant, what) for mutant, what in tried if what or mutant.key not in judged]
    say("\nroom        seen  of")
    for room in sorted({mutant.room for mutant, _ in counted}):
        own = [what for mutant, what in counted if mutant.room == room]
        say(f"{room:10} {sum(map(bool, own)):5} {len(own):4}")
    seen = sum(bool(what) for _, what in counted)
    say(f"all        {seen:5} {len(counted):4}  {seen / max(len(counted), 1):.1%}; tried {len(tried)} of"
        f" {len(mutants)} drawn, {len(alike)} change nothing that can be seen")
    say(f"seen by: {dict(Counter(w.split('::')[0] or 'nothing' for _, w in counted).most_common())}\nsurvivors:")
    for mutant, what in counted:
        if not what:
            say(f"  {mutant.file}:{mutant.line}\n    - {mutant.before.strip()}\n    + {mutant.after.strip()}")
    say("change nothing that can be seen:")
    for mutant in alike:
        say(f"  {mutant.file}:{mutant.line} {judged[mutant.key]['reason']}\n    + {mutant.after.strip()}")
    return seen < 0.9 * len(counted)


def main() -> int:
    """Draw, try and count; 1 where fewer than nine in ten are seen."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--number", type=int, default=150)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--rooms", default=",".join(TESTS))
    parser.add_argument("--held", type=Path, help="folder of the scratch copy, kept for the next run")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--seconds", type=float, default=300, help="the most that one mutant may take")
    parser.add_argument("--part", type=int, default=1, help="of several runs beside each other: which one")
    parser.add_argument("--parts", type=int, default=1)
    parser.add_argument("--builds", action="store_true", help="ask no test yet: only what a build shows")
    parser.add_argument("--report", action="store_true", help="count what --out holds, and try nothing")
    asked = parser.parse_args()
    kept = asked.held / "root" if asked.held and (asked.held / "root").is_dir() else ROOT
    mutants = chosen(asked.number, asked.seed, tuple(asked.rooms.split(",")), kept)
    with tempfile.TemporaryDirectory() as scratch:
        asked.out = asked.out or Path(scratch) / "mutants.csv"
        if not asked.report:
            _try(asked, mutants, asked.held or Path(scratch))
        return _report(mutants, _lines(asked.out))


if __name__ == "__main__":
    sys.exit(main())
