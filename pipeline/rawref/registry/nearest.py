"""Did you mean: the known names that look like what was typed; one home for ids, tagnames, steps, rules and words."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches

CUTOFF = 0.6
_BREAK = re.compile(r"[^\w]+|_")


def as_id(text: str) -> str:
    """What a person wrote as an id is written: small letters, one hyphen for whatever stands between words."""
    return re.sub(r"[\W_]+", "-", text.strip().lower())


def nearest(text: str, known: Iterable[str], most: int = 5) -> list[str]:
    """Up to `most` known names, nearest first: those with all the words of `text`, then by spelling, then those that
    hold it. Upper and lower case are one."""
    names = {name.lower(): name for name in sorted(known)}
    asked = text.lower().strip()
    words = {word for word in _BREAK.split(asked) if word}
    if not words:
        return []
    parts = {name: set(_BREAK.split(name)) for name in names}
    whole = sorted((name for name in names if words <= parts[name]), key=lambda name: (len(parts[name]), name))
    close = get_close_matches(asked, list(names), most, CUTOFF)
    held = [name for name in names if len(asked) > 2 and asked in name]
    return [names[name] for name in list(dict.fromkeys([*whole, *close, *held]))[:most]]


def did_you_mean(text: str, known: Iterable[str], otherwise: str) -> str:
    """The cure for an unknown name: the nearest known ones, else `otherwise`."""
    found = nearest(text, known)
    return f"did you mean {', '.join(found)}?" if found else otherwise
