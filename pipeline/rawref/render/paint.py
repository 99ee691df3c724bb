"""Restrained colour on a terminal: words of a verdict or a severity, and headings; nothing depends on it.

Text is painted after `visible` has made it safe, so that no escape sequence is there but ours. Red, magenta and green
of the terminal's own sixteen (ECMA-48, SGR 31, 35, 32) can be read on light and dark grounds; yellow on white cannot.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from typing import TextIO

BOLD, BAD, DOUBT, GOOD, PLAIN = "\x1b[1m", "\x1b[1;31m", "\x1b[35m", "\x1b[32m", "\x1b[0m"
WORDS = {
    "short": BAD, "over": BAD, "fail": BAD, "failed": BAD, "undecided": DOUBT, "warn": DOUBT, "warned": DOUBT,
    "meets": GOOD, "pass": GOOD, "passed": GOOD,
}  # fmt: skip
_WORD = re.compile(rf"\b({'|'.join(WORDS)})\b", re.I)
_RULE = re.compile(r"-{2,}(  +-+)*$")
_LED = re.compile(
    r"^(?P<severity>FAILED|WARNED|PASSED|  (?:fail|warn))(?= )"
    r"|^(?=.{1,60}? · )[^.]{1,60}? · [A-Z0-9+/-]+ (?P<verdict>short|over|undecided|meets)\b"
)
"""A line of `check` begins with the severity, a note of `mix` with the nutrient and its verdict."""
_TITLE = re.compile(r"Per 1000 kcal ME[^:]*:|Cautions|not chosen:|why|changed inputs|[a-z][a-z, ]+ \(\d+\)")


def wanted(stream: TextIO, environment: Mapping[str, str] = os.environ) -> bool:
    """Whether colour goes to `stream`: a terminal that has it, and nobody set NO_COLOR to anything (no-color.org)."""
    return stream.isatty() and not environment.get("NO_COLOR") and environment.get("TERM") not in ("dumb", "", None)


def paint(text: str) -> str:
    """`text` with colour in the column of verdicts, at the words that lead a line, and headings in bold."""
    lines, column, done = text.split("\n"), None, []
    for place, line in enumerate(lines):
        following = lines[place + 1] if place + 1 < len(lines) else ""
        head = (at := line.find("  verdict")) >= 0 or line.startswith("nutrient ")
        if head or (line.strip() and _RULE.fullmatch(following.strip())):
            column = (at if at >= 0 else line.find(" verdict")) + 1 if head else None
            done.append(_in(BOLD, line))
        elif not line.strip():
            column = None
            done.append(line)
        elif found := _LED.match(line):
            start, end = found.span("severity" if found["severity"] else "verdict")
            done.append(line[:start] + _words(line[start:end]) + line[end:])
        elif column is not None and column > 0:
            done.append(line[:column] + _words(line[column : column + 24]) + line[column + 24 :])
        else:
            done.append(_in(BOLD, line) if _TITLE.fullmatch(line) else line)
    return "\n".join(done)


def _in(colour: str, text: str) -> str:
    return f"{colour}{text}{PLAIN}"


def _words(text: str) -> str:
    return _WORD.sub(lambda found: _in(WORDS[found[0].lower()], found[0]), text)
