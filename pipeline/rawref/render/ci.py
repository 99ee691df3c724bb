"""The forms that CI reads: JUnit XML, SARIF 2.1.0, annotation lines. No clock, no host, no query.

The form is written here; what each rule and finding says in it is put into words by the module that reports it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from rawref import CONTRACT_VERSION, __version__
from rawref.findings import Tested

SARIF_SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
SARIF_CAP = 5000
"""Hosts show this many results of a run; the worst come first and the cap is stated."""
ANNOTATION_CAP = 10
_CONTROL = re.compile("[^\\t\\n\\r -\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")


def junit(suite: str, tested: Sequence[Tested]) -> str:
    """A JUnit document of one suite."""
    failed, skipped = sum(t.failure is not None for t in tested), sum(bool(t.skipped) for t in tested)
    counts = f'name={_attribute(suite)} tests="{len(tested)}" failures="{failed}" errors="0" skipped="{skipped}"'
    out = ['<?xml version="1.0" encoding="UTF-8"?>', f"<testsuites {counts}>", f" <testsuite {counts}>"]
    for t in tested:
        head = f"  <testcase classname={_attribute(t.group)} name={_attribute(t.name)}"
        said = escape(_printable("\n".join(t.messages)))
        if t.failure is not None:
            kind, message = map(_attribute, t.failure)
            out += [f"{head}>", f"   <failure message={message} type={kind}>{said}</failure>", "  </testcase>"]
        elif t.skipped:
            out += [f"{head}>", f"   <skipped message={_attribute(t.skipped)} />", "  </testcase>"]
        elif said:
            out += [f"{head}>", f"   <system-out>{said}</system-out>", "  </testcase>"]
        else:
            out.append(f"{head} />")
    return "\n".join([*out, " </testsuite>", "</testsuites>", ""])


def _printable(text: str) -> str:
    """Text with a replacement sign for each character that XML 1.0 forbids."""
    return _CONTROL.sub("\ufffd", text)


def _attribute(text: str) -> str:
    return quoteattr(_printable(text))


def sarif(rules: list[dict[str, Any]], results: Iterable[dict[str, Any]], total: int) -> dict[str, Any]:
    """A SARIF 2.1.0 log with the first SARIF_CAP of `total` results; where some are left out it says so."""
    driver = {"name": "rawref", "version": __version__, "semanticVersion": __version__, "rules": rules}
    shown = list(islice(results, SARIF_CAP))
    run: dict[str, Any] = {
        "tool": {"driver": driver},
        "columnKind": "unicodeCodePoints",
        "results": shown,
        "properties": {"contract_version": CONTRACT_VERSION, "total_results": total, "shown_results": len(shown)},
    }
    if total > len(shown):
        text = f"the worst {len(shown)} of {total} findings; --format json has all"
        run["invocations"] = [
            {
                "executionSuccessful": True,
                "toolExecutionNotifications": [{"level": "note", "message": {"text": text}}],
            }
        ]
    return {"$schema": SARIF_SCHEMA, "version": "2.1.0", "runs": [run]}


def place(file: str, line: int | None) -> dict[str, Any]:
    """A physical location of SARIF; without a line, the whole file."""
    made: dict[str, Any] = {"artifactLocation": {"uri": file}}
    return made | ({"region": {"startLine": line}} if line else {})


def mark(*parts: str) -> str:
    """A fingerprint by which a host knows a finding again."""
    return hashlib.sha256("|".join(parts).encode()).hexdigest()[:32]


def annotation(level: str, text: str, *, title: str = "", file: str = "", line: int | None = None) -> str:
    """A line that a CI host shows beside the file; `level` is that of SARIF: error, warning or note."""
    properties = {"file": file, "line": str(line) if file and line else "", "title": title}
    head = ",".join(f"{key}={_property(value)}" for key, value in properties.items() if value)
    return f"::{'notice' if level == 'note' else level}{' ' if head else ''}{head}::{_message(text)}"


def _message(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _message(text).replace(":", "%3A").replace(",", "%2C")
