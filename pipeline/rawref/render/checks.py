"""How a check result is shown: text, JUnit XML, Markdown, SARIF 2.1.0, and annotations for hosted CI."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.checks.run import closes
from rawref.findings import Tested
from rawref.render import ci
from rawref.render.terminal import columns

CheckResult = dict[str, Any]
Rule = dict[str, Any]
Finding = dict[str, Any]
WORST = {"failed": 0, "warned": 1, "not_applicable": 2, "passed": 3}
SHOWN = {"failed": 20, "warned": 3}
FIRST = 4
"""How many subjects of a rule that closes nothing are named in the text."""


def worst_first(result: CheckResult) -> list[Rule]:
    """Rules in order of concern: failed, warned, not applicable, passed; the id breaks ties."""
    return sorted(result["rules"], key=lambda rule: (WORST[rule["status"]], rule["id"]))


def open_first(found: list[Finding]) -> list[Finding]:
    """Findings in order of concern: what closes the gate, then failures, then warnings, decided ones last in each."""
    scopes = {"curated": 0, "candidate": 1, "source": 2}
    return sorted(
        found, key=lambda f: (f["severity"] != "fail", scopes[f["scope"]], bool(f.get("decision_id")), f["subject"])
    )


def text(result: CheckResult, *, wide: bool = False, whole: bool = False) -> str:
    """The result for a terminal, 80 columns unless `wide`: what closes the gate first and whole, then a few lines a
    rule. With `whole` every finding of every rule."""
    width = 10_000 if wide else columns()
    lines = [_counted(result), ""]
    shown = [rule for rule in worst_first(result) if whole or rule["status"] in SHOWN]
    for rule in shown:
        lines += _rule_whole(rule, width, whole) if whole or rule["status"] == "failed" else _rule_short(rule, width)
        lines.append("")
    idle = [rule["id"] for rule in worst_first(result) if rule["status"] == "not_applicable"]
    if idle:
        lines += _wrapped("not applicable (input missing, or not implemented): " + ", ".join(idle), width, "")
    if shown and not whole:
        lines += _wrapped(
            "Scopes: curated is the published table, candidate a source value that could stand in it, source any other."
            " Only an undecided fail of scope curated closes the gate.",
            width,
            "",
        )
        lines += _wrapped(f"One rule whole, with its cure: rawref check --rule {shown[0]['id']}", width, "")
        lines += _wrapped("All findings: rawref check --format json", width, "")
    closing = result["summary"].get("closing", 0)
    lines.append(
        "nothing closes the gate"
        if not closing
        else f"{closing} undecided failures close the gate: reject or acknowledge each"
    )
    if closing:
        lines.append("in raw/maintainer/decisions.csv, or correct the source of the fault")
    return "\n".join(lines)


def _closes(f: Finding) -> bool:
    return bool(f["severity"] == "fail" and f["scope"] == "curated" and not f.get("decision_id"))


def _rule_whole(rule: Rule, width: int, every: bool) -> list[str]:
    """A rule with its source, note and cure; all findings where `every`, else those that close the gate."""
    lines = _wrapped(f"{rule['status'].upper()} {rule['id']} {rule['name']}: {rule['rule']}", width, "")
    lines += _wrapped(f"source: {rule['source']}", width, "  ")
    if rule.get("note"):
        lines += _wrapped(f"note: {rule['note']}", width, "  ")
    found = open_first(rule["findings"])
    shown = [f for f in found if every or _closes(f)]
    for f in shown:
        decided = f" [decided: {f['decision_id']}]" if f.get("decision_id") else ""
        lines += _wrapped(f"{f['severity']} {f['scope']} {f['subject']}: {f['detail']}{decided}", width, "  ")
    rest = [f for f in found if not every and not _closes(f)]
    if rest:
        lines += _wrapped(f"and {_tally(rest)}", width, "  ")
    if found:
        lines += _wrapped(f"cure: {found[0]['cure']}", width, "  ")
    return lines


def _rule_short(rule: Rule, width: int) -> list[str]:
    """A rule that closes nothing: what it found by severity and scope, the first subjects, the first detail."""
    found = open_first(rule["findings"])
    lines = _wrapped(f"{rule['status'].upper()} {rule['id']} {rule['name']}: {_tally(found)}", width, "")
    subjects = list(dict.fromkeys(f["subject"] for f in found))
    lines += _wrapped(f"{subjects[0]}: {_first_words(found[0]['detail'], width)}", width, "  ")
    if len(subjects) > 1:
        more = f", and {len(subjects) - FIRST} more" if len(subjects) > FIRST else ""
        lines += _wrapped(f"also {', '.join(subjects[1:FIRST])}{more}", width, "  ")
    return lines


def _first_words(detail: str, width: int) -> str:
    """A detail in about a line and a half."""
    room = width * 3 // 2
    return detail if len(detail) <= room else detail[: room - 1] + "…"


def _tally(found: list[Finding]) -> str:
    """How many findings of each severity and scope, the worst first: `3 fail curated (3 decided), 12 warn source`."""
    counts: dict[tuple[str, str], list[bool]] = {}
    for f in found:
        counts.setdefault((f["severity"], f["scope"]), []).append(bool(f.get("decision_id")))
    return ", ".join(
        f"{len(decided)} {severity} {scope}{f' ({sum(decided)} decided)' if any(decided) else ''}"
        for (severity, scope), decided in counts.items()
    )


def _counted(result: CheckResult) -> str:
    s = result["summary"]
    return (
        f"{s['rules']} rules: {s['failed']} failed, {s['warned']} warned, {s['passed']} passed,"
        f" {s['not_applicable']} not applicable"
    )


def _wrapped(line: str, width: int, indent: str) -> list[str]:
    return textwrap.wrap(
        line, width, initial_indent=indent, subsequent_indent=indent + "  ", break_on_hyphens=False
    ) or [indent]


def markdown(result: CheckResult) -> str:
    """The result as a page or a job summary: a table of the rules that found something, the worst findings below."""
    lines = [
        "# Checks",
        "",
        _counted(result) + ".",
        "",
        "| rule | status | finding | fail | warn |",
        "|---|---|---|---|---|",
    ]
    shown = [rule for rule in worst_first(result) if rule["findings"]]
    for rule in shown:
        fails = sum(f["severity"] == "fail" for f in rule["findings"])
        lines.append(
            f"| {rule['id']} | {rule['status']} | {_cell(rule['name'])} | {fails} | {len(rule['findings']) - fails} |"
        )
    for rule in shown:
        found, cap = open_first(rule["findings"]), SHOWN[rule["status"]]
        lines += [
            "",
            f"## {rule['id']} {rule['name']}",
            "",
            f"{rule['rule']}. Source: {rule['source']}.",
            "",
            "| severity | scope | subject | detail | decision |",
            "|---|---|---|---|---|",
        ]
        lines += [
            f"| {f['severity']} | {f['scope']} | {_cell(f['subject'])} | {_cell(f['detail'])} |"
            f" {f.get('decision_id', '')} |"
            for f in found[:cap]
        ]
        if len(found) > cap:
            lines += ["", f"{len(found) - cap} more; the JSON form lists all {len(found)}."]
        lines += ["", f"Cure: {found[0]['cure']}."]
    return "\n".join(lines) + "\n"


def _cell(words: str) -> str:
    return words.replace("|", "\\|").replace("\n", " ")


def junit(result: CheckResult) -> str:
    """One test case a rule: failed rules are failures, warnings go to system-out, not applicable is skipped."""
    return ci.junit("rawref check", [_tested(rule) for rule in result["rules"]])


def _tested(rule: Rule) -> Tested:
    failure, skipped = None, ""
    if rule["status"] == "failed":
        failure = (rule["id"], f"{sum(map(closes, rule['findings']))} undecided: {rule['rule']}")
    elif rule["status"] == "not_applicable":
        skipped = rule.get("why_not") or "what the rule needs is not there"
    messages = [f"{f['severity']} {f['scope']} {f['subject']}: {f['detail']}" for f in open_first(rule["findings"])]
    return Tested(f"rawref.check.{rule['level']}", f"{rule['id']} {rule['name']}", failure, skipped, messages)


class Places:
    """Where a subject stands in the published CSV files: file and line, counted from 1."""

    def __init__(self, folder: Path, shown: str = "curated") -> None:
        self.shown = shown
        self.lines: dict[tuple[str, ...], tuple[str, int]] = {}
        for name, keys in (
            ("catalogue", ("source", "food_id")),
            ("ingredients", ("ingredient_id",)),
            ("values", ("ingredient_id", "component")),
        ):
            if (folder / f"{name}.csv").is_file():
                for line, row in registry.read_csv(folder / f"{name}.csv"):
                    self.lines.setdefault(tuple(row.get(k, "") for k in keys), (f"{shown}/{name}.csv", line))

    def of(self, subject: str) -> tuple[str, int]:
        """File and line of a subject; the first line of the values where it stands nowhere."""
        parts = tuple(subject.split(":"))
        for key in (parts[:2], parts[:1]):
            if key in self.lines:
                return self.lines[key]
        return f"{self.shown}/values.csv", 1


def sarif(result: CheckResult, folder: Path) -> dict[str, Any]:
    """The result as a SARIF 2.1.0 log, worst first."""
    places = Places(folder)
    rules = worst_first(result)
    found = [(place, rule, f) for place, rule in enumerate(rules) for f in open_first(rule["findings"])]
    found.sort(key=lambda at: (not closes(at[2]), at[2]["severity"] != "fail"))
    return ci.sarif(
        [
            {
                "id": r["id"],
                "name": r["name"],
                "shortDescription": {"text": r["name"]},
                "fullDescription": {"text": r["rule"]},
                "help": {"text": f"{r['rule']}. Source: {r['source']}"},
                "properties": {"level": r["level"], "status": r["status"]},
            }
            for r in rules
        ],
        (_sarif_result(rule, f, place, places) for place, rule, f in found),
        len(found),
    )


def _sarif_result(rule: Rule, f: Finding, position: int, places: Places) -> dict[str, Any]:
    made: dict[str, Any] = {
        "ruleId": rule["id"],
        "ruleIndex": position,
        "level": "error" if closes(f) else "warning" if f["severity"] == "fail" else "note",
        "message": {"text": f"{f['subject']}: {f['detail']}. Cure: {f['cure']}"},
        "locations": [
            {
                "physicalLocation": ci.place(*places.of(f["subject"])),
                "logicalLocations": [{"fullyQualifiedName": f["subject"], "kind": f["scope"]}],
            }
        ],
        "partialFingerprints": {"rawref/v1": ci.mark(rule["id"], f["severity"], f["scope"], f["subject"])},
        "properties": {"severity": f["severity"], "scope": f["scope"]},
    }
    if f.get("decision_id"):
        made["suppressions"] = [
            {"kind": "external", "status": "accepted", "justification": f"decision {f['decision_id']}"}
        ]
    return made


def ci_annotations(result: CheckResult, folder: Path, environment: Mapping[str, str]) -> list[str]:
    """Lines that a hosted CI shows beside the files: the worst few, and only where the variable CI is set."""
    if not environment.get("CI"):
        return []
    found = [
        (rule, f)
        for rule in worst_first(result)
        if rule["status"] == "failed"
        for f in open_first(rule["findings"])
        if closes(f)
    ]
    if not found:
        return []
    places = Places(folder)
    lines = []
    for rule, f in found[: ci.ANNOTATION_CAP]:
        file, line = places.of(f["subject"])
        title = f"{rule['id']} {rule['name']}"
        lines.append(ci.annotation("error", f"{f['subject']}: {f['detail']}", title=title, file=file, line=line))
    if len(found) > len(lines):
        lines.append(
            ci.annotation("note", f"{len(found) - len(lines)} more undecided failures are in the report")
        )
    return lines
