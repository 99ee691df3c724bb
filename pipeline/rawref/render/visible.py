"""Text from outside as a person may safely see it: what would steer a terminal is shown, not obeyed."""

from __future__ import annotations

import re

_STEERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
"""Controls of ISO/IEC 6429 (C0 but for tab and line feed, DEL, C1), line separators, and Unicode's marks that turn
the direction of writing (UAX 9): the latter make text read as something else than it is."""


def visible(text: str) -> str:
    r"""`text` with every character that steers a terminal written as its number: ESC becomes \x1b."""
    return _STEERS.sub(lambda found: _escape(ord(found[0])), text) if _STEERS.search(text) else text


def _escape(number: int) -> str:
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}"
