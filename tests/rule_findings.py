"""What each rule judged and found in the accepted table's build, counted: `tests/data/rule_findings.csv`.

A rule that begins to judge other subjects, or to object to more or fewer of them, shows as a changed line of that file.
`python -m tests.rule_findings` renews it from the last build of this checkout; tests/test_checks.py compares. The
counts are the program's own, so they say that nothing changed unseen, not that they are right: that is what the cases
of tests/test_checks.py are for.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path
from typing import Any

from rawref.release.build import check_result
from rawref.workspace import Workspace

REPO = Path(__file__).parents[1]
FILE = REPO / "tests" / "data" / "rule_findings.csv"
COLUMNS = ("rule", "severity", "scope", "number", "decided")


def counted(result: dict[str, Any]) -> list[tuple[str, ...]]:
    """One line for what a rule judged, then one for each severity and scope of what it found: how many, and of how many
    a decision was made."""
    lines: list[tuple[str, ...]] = []
    for rule in result["rules"]:
        found = Counter((f["severity"], f["scope"]) for f in rule["findings"])
        decided = Counter((f["severity"], f["scope"]) for f in rule["findings"] if "decision_id" in f)
        lines.append((rule["id"], "", "", str(rule["evaluated"]), ""))
        lines += [(rule["id"], *key, str(number), str(decided[key])) for key, number in sorted(found.items())]
    return lines


if __name__ == "__main__":
    with FILE.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerows([COLUMNS, *counted(check_result(Workspace(REPO)))])
