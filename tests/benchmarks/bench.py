"""How long the work takes, as ratios to U, against the budgets of the design.

    python tests/benchmarks/bench.py [--repeat 3]

U = read the values file of SR28 with pyarrow and store it in a DuckDB file, as one process, measured here and now.
Every figure is the best of the repeats, each in a process of its own; memory is the peak of that process.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ARCHIVE = ROOT / "raw" / "usda-sr28" / "28" / "sr28asc.zip"

UNIT = """
import sys
import duckdb, pyarrow as pa, pyarrow.csv as pc
names = [f"c{i}" for i in range(18)]
table = pc.read_csv(
    sys.argv[1], read_options=pc.ReadOptions(column_names=names, encoding="cp1252"),
    parse_options=pc.ParseOptions(delimiter="^", quote_char="~", double_quote=False),
    convert_options=pc.ConvertOptions(column_types={n: pa.string() for n in names}, null_values=[""],
                                      strings_can_be_null=True, quoted_strings_can_be_null=False))
con = duckdb.connect(sys.argv[2], config={"threads": 2})
con.register("incoming", table)
con.execute("create table kept as select * from incoming")
con.close()
"""

RULES = """
import sys
from pathlib import Path
from rawref.checks.run import run
from rawref.database import connect
with connect(Path(sys.argv[1]), read_only=True) as con:
    run(con, Path(sys.argv[2]))
"""
PLANTED = """
import sys, time
from pathlib import Path
import duckdb, pandera.pandas
from rawref.checks.selftest import selftest
started = time.perf_counter()
seen = all(plant.seen for plant in selftest(Path(sys.argv[1])))
print(time.perf_counter() - started)
sys.exit(not seen)
"""
"""As the gate plants them: a build has loaded the libraries."""
"""Sources that are side-loaded from beside the checkout, and the folder of their files there."""


@dataclass(frozen=True)
class Measured:
    """Wall time in seconds and peak memory in MB of one process, its exit status, and its time on the processors."""

    seconds: float
    megabytes: float
    status: int
    processor: float = 0


def tell(text: str) -> None:
    """One line of the result, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def measure(arguments: list[str], folder: Path = ROOT) -> Measured:
    """Run one process, its output thrown away."""
    started = time.perf_counter()
    process = subprocess.Popen(arguments, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    process.returncode = os.waitstatus_to_exitcode(status)
    megabytes = usage.ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)
    return Measured(seconds, megabytes, process.returncode, usage.ru_utime + usage.ru_stime)


def best(runs: list[Measured]) -> Measured:
    return min(runs, key=lambda run: run.seconds)


def unit(folder: Path, repeat: int = 3) -> Measured:
    """U on this machine, now."""
    with zipfile.ZipFile(ARCHIVE) as bundle:
        text = Path(bundle.extract("NUT_DATA.txt", folder))
    runs = []
    for _ in range(repeat):
        target = folder / "unit.duckdb"
        target.unlink(missing_ok=True)
        runs.append(measure([sys.executable, "-c", UNIT, str(text), str(target)]))
        assert runs[-1].status == 0
    return best(runs)


def fresh_clone(target: Path) -> Path:
    """What a build reads, without anything built or published."""
    shutil.rmtree(target, ignore_errors=True)
    for name in ("raw", "schemas", "pipeline"):
        shutil.copytree(ROOT / name, target / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copyfile(ROOT / "pyproject.toml", target / "pyproject.toml")
    return target


def rawref(root: Path, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "rawref", "--root", str(root), *arguments]


def gate_of(schemas: Path) -> Measured:
    """The planted faults alone, without the start of the process."""
    done = subprocess.run([sys.executable, "-c", PLANTED, str(schemas)], cwd=ROOT, capture_output=True, text=True)
    return Measured(float(done.stdout or "inf"), 0, done.returncode)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--repeat", type=int, default=3)
    repeat = options.parse_args().repeat
    over = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        one = unit(folder, repeat)
        tell(f"U = {one.seconds:.2f} s, {one.megabytes:.0f} MB\n")
        tell(f"{'work':<44}{'seconds':>9}{'ratio':>8}{'budget':>9}{'MB':>7}")

        def report(work: str, run: Measured, budget: float, in_seconds: bool = False, memory: float = 0) -> None:
            amount = run.seconds if in_seconds else run.seconds / one.seconds
            good = amount <= budget and (not memory or run.megabytes <= memory) and run.status == 0
            over.extend([] if good else [work])
            tell(
                f"{work:<44}{run.seconds:>9.2f}{run.seconds / one.seconds:>8.2f}"
                f"{f'{budget:g} s' if in_seconds else f'{budget:g} U':>9}{run.megabytes:>7.0f}"
                + ("" if good else f"  OVER (exit {run.status})")
            )

        root = folder / "root"
        builds = [measure(rawref(fresh_clone(root), "build", "--no-workbook")) for _ in range(repeat)]
        report("build from a fresh clone, --no-workbook", best(builds), 8, memory=1000)

        def times(*arguments: str) -> Measured:
            return best([measure(rawref(root, *arguments)) for _ in range(repeat)])

        report("build with nothing changed", times("build", "--no-workbook"), 1)
        report("trace chicken-liver VITD", times("trace", "chicken-liver", "VITD"), 0.7)
        report("trace --from a line", times("trace", "--from", "usda-sr28:NUT_DATA.txt:69721"), 0.7)
        report("trace --step", times("trace", "--step", "vitd_iu_to_ug"), 0.7)
        report("gaps", times("gaps"), 0.7)
        report("gaps --component MN", times("gaps", "--component", "MN"), 0.7)
        report('find "beef heart"', times("find", "beef heart"), 0.7)
        report("find --review", times("find", "--review"), 0.7)
        report("--help", times("--help"), 0.2, in_seconds=True)

        def code(text: str, *arguments: Path) -> Measured:
            return best([measure([sys.executable, "-c", text, *map(str, arguments)]) for _ in range(repeat)])

        database, schemas = root / ".rawref" / "rawref.duckdb", root / "schemas"
        report("all rules over a built table, cold", code(RULES, database, schemas), 2)
        report("planted faults in the gate", best([gate_of(schemas) for _ in range(repeat)]), 1)
    tell("\n" + (f"over budget: {', '.join(over)}" if over else "all within budget"))
    return 1 if over else 0


if __name__ == "__main__":
    sys.exit(main())
