"""The rule catalogue, schemas/checks.csv: every rule with its thresholds as numbers, validated."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.errors import InputError

SCOPES = ("source", "candidate", "curated")
SHOWN = "schemas/checks.csv"
NUMBER = r"-?\d+(?:\.\d+)?"
INTERVAL = re.compile(rf"({NUMBER})?\.\.({NUMBER})?")


@dataclass(frozen=True, slots=True)
class Limits:
    """What is allowed, ends included: outside `warn` is a warning, outside `fail` a failure.

    `and_warn` and `and_fail` are figures that the rule's second measure must pass as well.
    """

    warn: tuple[float | None, float | None] = (None, None)
    fail: tuple[float | None, float | None] = (None, None)
    and_warn: float | None = None
    and_fail: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its text, published source, where it looks, its thresholds per class of subject, and its cure."""

    id: str
    level: str
    scopes: tuple[str, ...]
    name: str
    rule: str
    source: str
    implemented: bool
    why_not: str
    cure: str
    note: str
    limits: dict[str, Limits] = field(default_factory=dict)
    numbers: dict[str, float] = field(default_factory=dict)
    lists: dict[str, tuple[str, ...]] = field(default_factory=dict)
    via: str | None = None


def load(schemas: Path) -> tuple[Rule, ...]:
    """All rules in the order of the file; InputError names the line of a threshold that is not a number."""
    rules: list[Rule] = []
    seen: dict[str, int] = {}
    for line, row in registry.read_csv(schemas / "checks.csv", SHOWN):
        where = f"{SHOWN}:{line}"
        if row["id"] in seen:
            raise InputError(f"rule {row['id']} stands already on line {seen[row['id']]}", where, "keep one of the two")
        seen[row["id"]] = line
        if row["implemented"] not in ("yes", "no"):
            raise InputError(f"implemented {row['implemented']!r} is neither yes nor no", where, "write yes or no")
        scopes = tuple(filter(None, row["scope"].split(";")))
        if unknown := set(scopes) - set(SCOPES):
            raise InputError(f"unknown scope {sorted(unknown)[0]!r}", where, "use source, candidate, curated")
        if row["implemented"] == "no" and not row["why_not"]:
            raise InputError(f"rule {row['id']} is not implemented and does not say why", where, "fill why_not")
        rules.append(_rule(row, scopes, where))
    return tuple(rules)


def _rule(row: dict[str, str], scopes: tuple[str, ...], where: str) -> Rule:
    try:
        given = json.loads(row["parameters"] or "{}")
    except ValueError as error:
        raise InputError(f"parameters are not JSON: {error}", where, "write a JSON object") from error
    if not isinstance(given, dict):
        raise InputError("parameters are not a JSON object", where, 'write it as {"name": number}')
    classes, lists, via = given.pop("classes", {}), given.pop("lists", {}), given.pop("via", None)
    if via not in (None, "cell", "cells", "food"):
        raise InputError(f"via {via!r} is not cell, cells or food", where, "correct the word")
    limits = {"": Limits(_interval(row["warn"], "warn", where), _interval(row["fail"], "fail", where))}
    for name, limit in classes.items():
        limits[name] = Limits(
            _interval(limit.get("warn", ""), f"{name} warn", where),
            _interval(limit.get("fail", ""), f"{name} fail", where),
            *(
                _number(limit[key], f"{name} {key}", where) if key in limit else None
                for key in ("and_warn", "and_fail")
            ),
        )
    return Rule(
        row["id"],
        row["level"],
        scopes,
        row["name"],
        row["rule"],
        row["source"],
        row["implemented"] == "yes",
        row["why_not"],
        row["cure"],
        row["note"],
        limits,
        {name: _number(value, name, where) for name, value in given.items()},
        {name: tuple(map(str, words)) for name, words in lists.items()},
        via,
    )


def _number(value: Any, name: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"threshold {name} {value!r} is not a number", where, "write a plain number")
    return float(value)


def _interval(text: Any, name: str, where: str) -> tuple[float | None, float | None]:
    """Both ends of what is allowed, from `low..high` with either end open; empty: no threshold."""
    if text == "":
        return None, None
    match = INTERVAL.fullmatch(text) if isinstance(text, str) else None
    if not match or match[1] is match[2] is None:
        raise InputError(
            f"threshold {name} {text!r} is not a number",
            where,
            "write what is allowed as low..high, one end may be open, for instance ..0.956",
        )
    low, high = (float(end) if end is not None else None for end in match.groups())
    if low is not None and high is not None and low > high:
        raise InputError(f"threshold {name} {text!r} has its ends swapped", where, "write the smaller number first")
    return low, high
