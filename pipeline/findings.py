"""Findings in the forms that CI reads: JUnit XML, SARIF 2.1.0 and annotation lines. No clock, no host, no query."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from pipeline import __version__

SARIF_SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
SARIF_CAP = 5000
"""Hosts show this many results of a run; the worst come first and the cap is stated."""
ANNOTATION_CAP = 10
LEVELS = {"fail": "error", "warn": "warning", "note": "note"}
_CONTROL = re.compile("[^\\t\\n\\r -\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to object to: where it is, what it is, and the cure."""

    severity: str
    """fail | warn | note"""
    subject: str
    detail: str
    cure: str = ""
    scope: str = "curated"
    file: str = ""
    line: int | None = None
    rule: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The finding with the keys of the contract first."""
        return {
            "severity": self.severity,
            "scope": self.scope,
            "subject": self.subject,
            "detail": self.detail,
            "cure": self.cure,
            "file": self.file,
            "line": self.line,
            "rule": self.rule,
        }


@dataclass(frozen=True, slots=True)
class Case:
    """One rule with what it found; a case without findings passed, unless it was not applicable."""

    id: str
    rule: str
    source: str = ""
    findings: Sequence[Finding] = field(default_factory=tuple)
    applicable: bool = True
    reason: str = ""


def junit(suite: str, cases: Sequence[Case]) -> str:
    """A JUnit document, one testcase a rule; only `fail` findings fail a case, the rest is in its output."""
    failed = sum(any(f.severity == "fail" for f in c.findings) for c in cases)
    skipped = sum(not c.applicable for c in cases)
    counts = f'tests="{len(cases)}" failures="{failed}" errors="0" skipped="{skipped}"'
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f"<testsuites {counts}>",
        f"  <testsuite name={_attribute(suite)} {counts}>",
    ]
    for case in cases:
        out.append(f"    <testcase classname={_attribute(suite)} name={_attribute(case.id)}>")
        hard = [f for f in case.findings if f.severity == "fail"]
        soft = [f for f in case.findings if f.severity != "fail"]
        if not case.applicable:
            out.append(f"      <skipped message={_attribute(case.reason or 'not applicable')}/>")
        if hard:
            out.append(
                f"      <failure type={_attribute(case.id)} message={_attribute(case.rule)}>"
                + _text("\n".join(_line(f) for f in hard))
                + "</failure>"
            )
        if soft:
            out.append("      <system-out>" + _text("\n".join(_line(f) for f in soft)) + "</system-out>")
        out.append("    </testcase>")
    return "\n".join([*out, "  </testsuite>", "</testsuites>", ""])


def _line(finding: Finding) -> str:
    where = f"{finding.file}:{finding.line}: " if finding.file and finding.line else ""
    cure = f" -> {finding.cure}" if finding.cure else ""
    return f"{finding.severity}: {where}{finding.subject}: {finding.detail}{cure}"


def _text(text: str) -> str:
    return escape(_CONTROL.sub("\ufffd", text))


def _attribute(text: str) -> str:
    return quoteattr(_CONTROL.sub("\ufffd", text))


def sarif(cases: Sequence[Case], information_uri: str = "") -> dict[str, Any]:
    """A SARIF 2.1.0 log: a rule per case, a result per finding, at most SARIF_CAP and then said so."""
    results: list[dict[str, Any]] = []
    total = 0
    for position, case in enumerate(cases):
        for finding in case.findings:
            total += 1
            if len(results) < SARIF_CAP:
                results.append(_result(case, position, finding))
    driver: dict[str, Any] = {
        "name": "rawref",
        "version": __version__,
        "semanticVersion": __version__,
        "rules": [
            {
                "id": c.id,
                "shortDescription": {"text": c.rule or c.id},
                **({"fullDescription": {"text": f"{c.rule} Source: {c.source}"}} if c.source else {}),
            }
            for c in cases
        ],
    }
    if information_uri:
        driver["informationUri"] = information_uri
    run: dict[str, Any] = {"tool": {"driver": driver}, "columnKind": "unicodeCodePoints", "results": results}
    if total > len(results):
        run["properties"] = {"capped": f"{len(results)} of {total} results, the worst first"}
    return {"$schema": SARIF_SCHEMA, "version": "2.1.0", "runs": [run]}


def _result(case: Case, position: int, finding: Finding) -> dict[str, Any]:
    text = f"{finding.subject}: {finding.detail}" + (f" Cure: {finding.cure}" if finding.cure else "")
    mark = hashlib.sha256(f"{case.id}|{finding.file}|{finding.subject}".encode()).hexdigest()[:32]
    result: dict[str, Any] = {
        "ruleId": case.id,
        "ruleIndex": position,
        "level": LEVELS[finding.severity],
        "message": {"text": text},
        "partialFingerprints": {"rawrefSubject/v1": mark},
    }
    if finding.file:
        place: dict[str, Any] = {"artifactLocation": {"uri": finding.file}}
        if finding.line:
            place["region"] = {"startLine": finding.line}
        result["locations"] = [{"physicalLocation": place}]
    return result


def annotation_lines(cases: Sequence[Case], limit: int = ANNOTATION_CAP) -> list[str]:
    """Lines that a CI host shows beside the file; the first `limit` of the order given."""
    words = {"fail": "error", "warn": "warning", "note": "notice"}
    found = [(c, f) for c in cases for f in c.findings]
    out = []
    for case, f in found[:limit]:
        place = ([f"file={_property(f.file)}"] if f.file else []) + ([f"line={f.line}"] if f.file and f.line else [])
        head = ",".join([*place, f"title={_property(case.id)}"])
        out.append(
            f"::{words[f.severity]} {head}::"
            + _message(f"{f.subject}: {f.detail}" + (f" -> {f.cure}" if f.cure else ""))
        )
    return out


def _message(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _message(text).replace(":", "%3A").replace(",", "%2C")
