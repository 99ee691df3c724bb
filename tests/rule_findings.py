"""What each rule judged and found in the accepted table's build and of the cases of `tests/check_cases.py`:
`tests/data/rule_findings.csv` and `rule_cases.csv`, in the form of `tests/pinned.py`: one line for what a rule judged,
then one for each severity and scope of what it found.

A rule that begins to judge other subjects, to object to more or fewer of them, or to say another thing of one shows as
a changed line. `python -m tests.rule_findings` renews the files from the last build of this checkout;
tests/test_checks.py compares.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rawref.release.build import check_result
from rawref.workspace import Workspace

from tests import pinned
from tests.check_cases import scene

REPO = Path(__file__).parents[1]
FILE = REPO / "tests" / "data" / "rule_findings.csv"
CASES_FILE = REPO / "tests" / "data" / "rule_cases.csv"


def results(result: dict[str, Any]) -> list[pinned.Line]:
    """How many subjects a rule judged; how many findings it has of a severity and scope, of how many a decision was
    made, and the first of them."""
    lines = []
    for rule in result["rules"]:
        lines.append(pinned.line(rule["id"], "", "", {"judged": rule["evaluated"]}, ["judged"]))
        found: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for finding in rule["findings"]:
            found.setdefault((finding["severity"], finding["scope"]), []).append(finding)
        for (severity, scope), of in sorted(found.items()):
            said = {
                "found": len(of), "decided": sum("decision_id" in finding for finding in of),
                "first": f"{of[0]['subject']}: {of[0]['detail']}", "all": of,
            }  # fmt: skip
            lines.append(pinned.line(rule["id"], severity, scope, said, ["found", "decided", "first"]))
    return lines


def of_cases(outside: dict[str, Any], inside: dict[str, Any]) -> list[pinned.Line]:
    """What is found where every case stands outside its threshold, and where each stands inside."""
    sides = {"outside": outside, "inside": inside}
    return [(f"{line[0]} {side}", *line[1:]) for side, result in sides.items() for line in results(result)]


if __name__ == "__main__":
    space = Workspace(REPO)
    pinned.write(FILE, results(check_result(space)))
    pinned.write(CASES_FILE, of_cases(scene(space.schemas, "out"), scene(space.schemas, "in")))
