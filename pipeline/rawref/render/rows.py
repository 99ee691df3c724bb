"""Listings as CSV (RFC 4180, LF): a heading even where nothing is found, a row each, nothing for what is missing."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

Row = Mapping[str, Any]
FINDING = ("severity", "scope", "subject", "detail", "cure", "decision_id")
CHANGE = ("tier", "kind", "table", "subject", "ingredient_id", "component", "column", "before", "after",
          "relative_change", "cause", "cause_why", "why", "line")
FILLER = ("what", "source", "food_id", "food_name", "match_quality", "source_value", "source_unit", "value", "low",
          "high", "unit", "status", "n", "why_not")
FOUND = ("what", "source", "id", "name", "species", "part", "state", "skin", "bone", "components_valued",
         "components_measured", "cautions")
TOUCHED = ("ingredient_id", "component", "source", "food_id", "source_value", "source_unit", "value", "unit", "status")
FORWARD = ("ingredient_id", "component", "rank", "value", "unit", "status", "steps", "reason_not_chosen")
RELEASE = ("source", "release", "standing", "state", "freshness", "files", "bytes", "fetched_at", "age_days", "note")


def csv_text(heading: Sequence[str], rows: Sequence[Row]) -> str:
    """The columns of `heading`, then those that the first row has beyond them; lists and objects as JSON."""
    columns = list(dict.fromkeys([*heading, *(rows[0] if rows else ())]))
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    return stream.getvalue()


def _cell(value: Any) -> Any:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, bool | list | tuple | dict) else value


def found(result: Row) -> str:
    """What `find` found: ingredients, then source foods."""
    return csv_text(FOUND, [
        {"what": what, "id": row[key], **{name: row.get(name) for name in FOUND if name not in ("what", "id")}}
        for what, key in (("ingredient", "ingredient_id"), ("food", "food_id")) for row in result[f"{what}s"]])


def traced(result: Row) -> str:
    """The cells that a step touched or that a source line reached, or the one cell that was traced."""
    if "touched" in result:
        return csv_text(TOUCHED, result["touched"])
    return csv_text(FORWARD, result["curated"]) if "curated" in result else csv_text((), [result])


def suggestion(result: Row) -> str:
    """What could fill a cell, in the order of the text: candidates, comparable raw foods, cooked foods with the
    estimate or why not; all of them."""
    rows: list[Row] = [{"what": "candidate", **{name: c[name] for name in FILLER[1:-1] if name in c},
                        "why_not": c["reason_not_chosen"]} for c in result["candidates"]]
    rows += [{"what": "comparable", "source": p["source"], "food_id": p["food_id"], "food_name": p["name"],
              "value": p["value"], "unit": result["unit"], "n": p["n"]} for p in result["peers"]["list"]]
    rows += [{"what": f"cooked_{kind}", "source": t["donor_source"], "food_id": t["donor_food_id"],
              "food_name": t["donor_name"], "match_quality": t["match_quality"], "source_value": t["published"],
              "source_unit": t["published_unit"], "value": t["value"], "low": t["low"], "high": t["high"],
              "unit": t["unit"], "status": t["status"], "n": t["n"],
              "why_not": "; ".join(f"rule {r['rule']}: {r['text']}" for r in t["refusals"])}
             for kind in ("offered", "weak", "refused") for t in result["cooked"][kind]]
    return csv_text(FILLER, [{name: row.get(name) for name in FILLER} for row in rows])


def errors(result: Row) -> str:
    """The measured errors of estimates, a row for each group and component, a column for each way and figure."""
    return csv_text(("group", "component"), [
        {**{name: cell for name, cell in e.items() if name != "errors"},
         **{f"{way}_{name}": (told or {}).get(name) for way, told in e["errors"].items()
            for name in ("median", "p90", "pairs", "families")}} for e in result["errors"]])


def checked(rules: Sequence[Row]) -> str:
    """A row for each finding of `rules`; a rule without one has a row of its own, so that its status is told."""
    heading = ("rule", "name", "level", "status", *FINDING)
    return csv_text(heading, [
        {"rule": r["id"], "name": r["name"], "level": r["level"], "status": r["status"],
         **{name: f.get(name) for name in FINDING}} for r in rules for f in r["findings"] or [{}]])


def drifted(result: Row) -> str:
    """A row for each change, in the order of the report."""
    return csv_text(CHANGE, [{name: c.get(name) for name in CHANGE} for c in result["changes"]])
