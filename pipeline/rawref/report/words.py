"""Numbers, ranges and codes as a reader meets them on a page; nothing here looks anything up."""

from __future__ import annotations

import json
import re
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from functools import lru_cache
from typing import Any
from urllib.parse import urlsplit

from markupsafe import Markup

SPELT = {
    "closing": "stop publication", "none": "additions", "sheep_goat": "sheep and goat",
    "marine_mammal": "marine mammals",
    "reptile_amphibian": "reptiles and amphibians", "liver_vitamin_a": "liver and vitamin A",
    "fish_oil_vitamin_d": "fish oil and vitamin D", "vitamin_a_d_margin": "margin of vitamins A and D",
    "vitamin_e_form": "form of vitamin E", "vitamin_e_with_fish": "vitamin E with fish", "amino_acid": "amino acids",
    "fatty_acid": "fatty acids", "macro_mineral": "macro minerals", "trace_element": "trace elements",
    "fat_soluble_vitamin": "fat-soluble vitamins", "b_vitamin_and_other": "B vitamins and others",
}
"""Codes whose words are more than the code without its underscores."""
DIGITS, RANGE_DIGITS = 6, 4


def plain(code: Any) -> str:
    """A code of ours in words."""
    return SPELT.get(str(code), str(code).replace("_", " ").replace("-", " ")) if code else ""


@lru_cache(maxsize=100_000)
def number(value: float | int | None) -> str:
    """The number as the CSV has it, without a closing `.0`; empty for none."""
    if value is None:
        return ""
    text = repr(value)
    return text[:-2] if text.endswith(".0") else text


@lru_cache(maxsize=100_000)
def short(value: float | None) -> str:
    """The number itself while it has at most six digits, else rounded to three and marked `≈`."""
    text = number(value)
    if value is None or len(Decimal(text).normalize().as_tuple().digits) <= DIGITS:
        return text
    return f"≈{_plainly(Decimal(f'{value:.3g}'))}"


@lru_cache(maxsize=100_000)
def rounded(value: float) -> str:
    """A figure to four significant digits, for a table that is looked over; the chain has every digit."""
    return _plainly(Decimal(f"{value:.4g}"))


@lru_cache(maxsize=100_000)
def outward(value: float, *, up: bool) -> str:
    """One end of a range to four digits, rounded away from the middle: a range is never shown narrower than it is."""
    exact = Decimal(number(value))
    if not exact:
        return "0"
    unit = Decimal(1).scaleb(exact.adjusted() - RANGE_DIGITS + 1)
    return _plainly(exact.quantize(unit, ROUND_CEILING if up else ROUND_FLOOR) if unit > _last(exact) else exact)


def _last(exact: Decimal) -> Decimal:
    exponent = exact.as_tuple().exponent
    return Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)


def _plainly(value: Decimal) -> str:
    text = f"{value:f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text) or "0"


def span(low: float | None, high: float | None) -> str:
    """A range in few characters; an open end is said, not drawn as a number."""
    if low is None and high is None:
        return ""
    if high is None:
        return f"{outward(low or 0.0, up=False)} to unknown"
    if low is None:
        return f"unknown to {outward(high, up=True)}"
    return f"{outward(low, up=False)}–{outward(high, up=True)}"


def exact_span(low: float | None, high: float | None) -> str:
    """The same range, every digit."""
    if low is None and high is None:
        return ""
    return f"{'unknown' if low is None else number(low)} to {'unknown' if high is None else number(high)}"


def count(value: int | None) -> str:
    """A count with thin spaces between thousands; the word unknown for none."""
    return "unknown" if value is None else f"{value:,}".replace(",", "\u202f")


def size(octets: int) -> str:
    """A size in the unit that suits it."""
    for unit, step in (("MB", 1_000_000), ("kB", 1_000)):
        if octets >= step:
            return f"{octets / step:.1f} {unit}"
    return f"{octets} bytes"


def share(part: float, whole: float) -> str:
    """A share in per cent, rounded; `no cells` of nothing. Near an end it has a decimal: 0 means none and 100 all."""
    if not whole:
        return "no cells"
    exact = 100 * part / whole
    text = f"{exact:.0f}"
    if part not in (0, whole) and text in ("0", "100"):
        text = f"{exact:.1f}"
        text = {"0.0": "<0.1", "100.0": ">99.9"}.get(text, text)
    return f"{text} %"


def micro(text: str | None) -> str:
    """A sentence with µg where a person reads it; behind a figure or before a stroke, so that no id is touched. The
    thousands of a figure stay on one line."""
    return re.sub(r"(?<=\d) (?=\d{3}\b)", "\u202f", re.sub(r"(?<=\d )ug\b|\bug(?=/)", "µg", text or ""))


def cut(value: Any, most: int = 400) -> str:
    """A text of a listing, at most so many characters; `…` says that there is more."""
    text = number(value) if isinstance(value, float) else str(value)
    text = micro(text)
    return text if len(text) <= most else f"{text[:most - 1]}…"


def web(address: Any) -> str:
    """An address that may stand in a link, else an empty text: only http and https."""
    text = str(address or "").strip()
    return text if urlsplit(text).scheme in ("http", "https") else ""


def embedded(document: Any) -> Markup:
    """JSON that may stand inside a script element: no character in it can end the element or start a comment."""
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)
