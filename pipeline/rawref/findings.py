"""Findings: what a rule, a reader or a comparison objects to, and the test case that it is reported in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


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
    """One rule with what it found; a case without findings passed."""

    id: str
    rule: str
    source: str = ""
    findings: Sequence[Finding] = field(default_factory=tuple)


@dataclass(frozen=True, slots=True)
class Tested:
    """One test case of a JUnit document: it failed, was skipped, or passed with messages."""

    group: str
    name: str
    failure: tuple[str, str] | None = None
    """Type and message."""
    skipped: str = ""
    """Why."""
    messages: Sequence[str] = ()
    """A line per finding."""
