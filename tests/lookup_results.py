"""What find, trace, gaps and suggest answer to some questions of the accepted table's build:
`tests/data/lookup_results.csv`, line by line as they are printed, and a digest of the JSON.

An answer that moves shows as changed lines of that file (pinned.py). `python -m tests.lookup_results` renews it from
the last build of this checkout; tests/test_lookup_results.py compares.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from rawref.cli import app
from typer.testing import CliRunner

from tests.pinned import Line, line, write

REPO = Path(__file__).parents[1]
FILE = REPO / "tests" / "data" / "lookup_results.csv"
QUESTIONS = (
    "trace beef-liver ZN", "trace chicken-liver VITD", "trace beef-heart TAU", "trace kelp-dried ID",
    "trace beef-short-rib-bone-in CA", "trace beef-flank-lean CHOLN", "trace atlantic-mackerel CHOCDF",
    "trace --from usda-sr28:NUT_DATA.txt:299148", "trace --step vitd_iu_to_ug",
    "find beef heart", "find whiting", "find livr chiken", "find --review", "find --unmapped --all pork",
    "gaps --ingredient beef-heart", "gaps --component MN --all",
    "gaps --need nrc-2006-adult --ingredient duck-meat-and-skin",
    "suggest beef-flank-lean SE", "suggest beef-heart SE", "suggest chicken-egg-yolk TAU",
)
MOST = 60
"""So many lines of an answer are kept; the digest is of all."""


def told(root: Path) -> Iterator[Line]:
    """The answers, question by question."""
    for question in QUESTIONS:
        words = question.split()
        run = CliRunner().invoke(app, ["--root", str(root), *words])
        for at, text in enumerate(run.output.splitlines()[:MOST], start=1):
            yield question, str(at), "", text.rstrip(), ""
        answer = CliRunner().invoke(app, ["--root", str(root), *words, "--format", "json"])
        said = {"exit": run.exit_code, "json": json.loads(answer.stdout or "null")}
        yield line(question, "exit", "", said, ("exit",))


if __name__ == "__main__":
    write(FILE, told(REPO))
