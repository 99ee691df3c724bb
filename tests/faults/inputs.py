"""Putting damaged inputs through their targets: what was refused in one line, what was accepted, and what got through.

On request: `python -m tests.faults.inputs --trials 100000`; it prints a table and exits 1 if there is a find. A find is
a traceback, a hang, or rows that are neither kept nor set aside; corpus.csv keeps each as target, file, seed.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import random
import resource
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rawref.cli import message_of
from rawref.errors import InputError, SourceMissing

from tests.faults.targets import Target, targets

CORPUS = Path(__file__).with_name("corpus.csv")
SECONDS = 60
"""Longer than this is a hang."""


def tell(line: str) -> None:
    """A line of the table, at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


@dataclass(slots=True)
class Tally:
    """What came of the trials of one target."""

    refused: int = 0
    accepted: int = 0
    seconds: float = 0.0
    """Of the processor, as of `slowest`: what else runs on the machine does not count."""
    slowest: float = 0.0
    finds: list[tuple[str, str, str]] = field(default_factory=list)
    """File, seed, what got through."""


class Hang(BaseException):
    """A trial took too long."""


def trial(target: Target, file: str, seed: str) -> tuple[str, str]:
    """`accepted`, `refused`, or `find` with what got through."""
    key = int(hashlib.sha256(f"{target.name}/{file}/{seed}".encode()).hexdigest()[:16], 16)
    body = target.damage(target.sound[file], random.Random(key))

    def ring(number: int, frame: object) -> None:
        raise Hang(f"longer than {SECONDS} s")

    signal.signal(signal.SIGALRM, ring)
    signal.alarm(SECONDS)
    try:
        target.read(file, body)
    except (Exception, Hang) as error:
        status, lines = (4, []) if isinstance(error, Hang) else message_of(error)
        if status in (InputError.exit_status, SourceMissing.exit_status):
            if all(line.strip() and "\n" not in line for line in lines):
                return "refused", lines[0]
            return "find", f"no line: {lines}"
        place = traceback.extract_tb(error.__traceback__)
        ours = [f for f in place if "/rawref/" in f.filename] or place
        text = " ".join(str(error).split())[:160]
        return "find", f"{type(error).__name__}: {text} ({Path(ours[-1].filename).name}:{ours[-1].lineno})"
    finally:
        signal.alarm(0)
    return "accepted", ""


def run(target: Target, trials: int, seed: str) -> Tally:
    """So many trials of one target, spread over its files."""
    tally = Tally()
    files = sorted(target.sound)
    for number in range(trials):
        file = files[number % len(files)]
        began = time.process_time()
        came, what = trial(target, file, f"{seed}-{number}")
        took = time.process_time() - began
        tally.seconds += took
        tally.slowest = max(tally.slowest, took)
        if came == "find":
            tally.finds.append((file, f"{seed}-{number}", what))
        elif came == "refused":
            tally.refused += 1
        else:
            tally.accepted += 1
    return tally


def corpus() -> list[dict[str, str]]:
    """The finds of former runs, each repaired since."""
    with CORPUS.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def main(arguments: Sequence[str] | None = None) -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--trials", type=int, default=100_000, help="over all targets, by their share")
    options.add_argument("--seed", default=time.strftime("%Y%m%d%H%M%S"))
    options.add_argument("--only", nargs="*", default=[], help="these targets")
    chosen = options.parse_args(arguments)
    tell(f"seed {chosen.seed}")
    tell(f"{'target':14}{'trials':>8}{'refused':>9}{'accepted':>10}{'finds':>7}{'s':>8}{'slowest':>9}{'MB':>7}")
    total: Counter[str] = Counter()
    with targets(chosen.only) as found:
        shares = sum(target.share for target in found)
        for target in found:
            tally = run(target, max(chosen.trials * target.share // shares, 1), chosen.seed)
            trials = tally.refused + tally.accepted + len(tally.finds)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            tell(f"{target.name:14}{trials:8}{tally.refused:9}{tally.accepted:10}{len(tally.finds):7}"
                  f"{tally.seconds:8.0f}{tally.slowest:9.1f}{peak:7.0f}")
            seen: set[str] = set()
            for file, seed, what in tally.finds:
                if what not in seen and len(seen) < 25:
                    tell(f"  {target.name},{file},{seed}: {what}")
                seen.add(what)
            total["trials"] += trials
            total["finds"] += len(tally.finds)
    tell(f"{total['trials']} trials, {total['finds']} finds")
    return 1 if total["finds"] else 0


if __name__ == "__main__":
    sys.exit(main())
