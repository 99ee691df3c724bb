"""Estimates from cooked food that decisions accept, written into the curated stage."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from rawref.cooked import cooking
from rawref.cooked.twin import Judge
from rawref.database import rows
from rawref.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

Row = dict[str, Any]
COOKED = ("cooked_to_raw",)


def better_values(con: duckdb.DuckDBPyConnection, ingredient: str, component: str) -> list[Row]:
    """Raw values with evidence and match A or B that could be chosen: an estimate ranks below every one of them."""
    return rows(con, """
        select source, food_id, status, match_quality from curated.cell_candidates
        where ingredient_id = ? and component = ? and evidence and refused is null and match_quality in ('A', 'B')
        order by rank""", [ingredient, component])


def apply_accepted(con: duckdb.DuckDBPyConnection, schemas: Path) -> int:
    """Write the estimates that decisions accept into curated."values"; how many there were.

    The cell gets status estimated_from_cooked, confidence D, the donor, the interval and the decision; it is no
    evidence, so its gap stays. InputError with the line of decisions.csv where a decision is incomplete, its aim is
    gone, a raw value stands or could be chosen, a rule refuses the donor, or the measured error is too large.
    """
    decisions = rows(con, "select * from archival.maintainer_decisions where action = 'accept_estimate' order by line")
    if not decisions:
        return 0
    for decision in decisions:
        if not (decision["ingredient_id"] and decision["component"] and decision["expect_text"]):
            raise InputError("an accepted estimate needs ingredient_id, component and expect_text", _where(decision),
                             "paste the row that rawref suggest prints")
    cooking.prepare(con, schemas, sorted({d["component"] for d in decisions}))
    cooking.evaluate(con)
    for decision in decisions:
        _write(con, decision, _accepted(con, decision))
    return len(decisions)


def _where(decision: Row) -> str:
    return f"raw/maintainer/decisions.csv:{decision['line']}"


def _accepted(con: duckdb.DuckDBPyConnection, decision: Row) -> Row:
    """The estimate of one decision, or InputError."""
    ingredient, component, donor = decision["ingredient_id"], decision["component"], decision["food_id"]
    where = _where(decision)
    cells = rows(con, 'select evidence, status, source, food_id, match_quality from curated."values"'
                      " where ingredient_id = ? and component = ?", [ingredient, component])
    if not cells:
        raise InputError(f"no cell {ingredient} {component}", where, "name an ingredient and a needed component")
    if cells[0]["evidence"]:
        raise InputError(f"{ingredient} {component} has a raw value, {cells[0]['source'] or 'of its parts'}"
                         f" {cells[0]['food_id'] or ''} ({cells[0]['status']}): an estimate ranks below it", where,
                         "take the decision out")
    for raw in better_values(con, ingredient, component):
        raise InputError(f"{raw['source']} {raw['food_id']} has a raw value ({raw['status']}, match"
                         f" {raw['match_quality']}): an estimate ranks below it", where, "prefer that value instead")
    found = [d for d in Judge(con, ingredient, component).donors(donor) if d["donor_source"] == decision["source"]]
    if not found:
        raise InputError(f"{decision['source']} {donor} is no cooked food of the same animal and part with {component}",
                         where, f"see rawref suggest {ingredient} {component}")
    twin = found[0]
    expected = decision["expect_derivation"]
    if twin["published"] != decision["expect_text"] or expected not in (None, twin["derivation"] or ""):
        raise InputError(f"{donor} {component} is {twin['published']!r} (derivation {twin['derivation'] or 'none'}),"
                         f" not {decision['expect_text']!r}: fixed by the publisher, or the decision no longer"
                         " matches", where,
                         "look at the value again, then renew or withdraw the decision")
    if decision["source_component"] not in (None, twin["source_component"]):
        raise InputError(f"{component} of {donor} is component {twin['source_component']} of the source", where,
                         "paste the row that rawref suggest prints")
    if twin["refusals"]:
        first = twin["refusals"][0]
        raise InputError(f"estimate refused by rule {first['rule']}: {first['text']}", where, "take the decision out")
    if twin["offer"] not in ("yes", "care"):
        error = twin["error"]
        raise InputError(f"estimate refused: offer {twin['offer']}, 90th percentile error {error['p90_pct']:g} % on"
                         f" {error['pairs']} pairs of {error['group']}", where, "take the decision out")
    return twin


def estimate_reason(twin: Row) -> str:
    """The basis of an estimate in one line, with the words `from cooked`."""
    error = twin["error"]
    return (f"estimated from cooked {twin['donor_food_id']} ({twin['method'] or 'method not named'}): yield"
            f" {twin['yield']:.3g} ({twin['yield_basis']}), retention {twin['retention_pct']:.3g} % measured on"
            f" {twin['pairs']} pairs of {twin['families']} families ({twin['level']}); error median"
            f" {error['median_pct']:g} %, 90th percentile {error['p90_pct']:g} %")


def _write(con: duckdb.DuckDBPyConnection, decision: Row, twin: Row) -> None:
    steps = json.dumps([*json.loads(twin["source_steps"]), *COOKED])
    derivation = "/".join(filter(None, (twin["source_code"], twin["derivation"])))
    references = rows(con, """
        select coalesce(to_json(list_sort(list(distinct source || ':' || reference_id)))::text, '[]') as ids
        from archival.value_references where source = ? and food_id = ? and source_component = ?""",
        [twin["donor_source"], twin["donor_food_id"], twin["source_component"]])[0]["ids"]
    con.execute(
        """update curated."values" set value = $value, status = 'estimated_from_cooked', low = $low, high = $high,
             spread_basis = 'cooked_twin', n = $n, confidence = 'D', source = $source, release = $release,
             food_id = $food, food_name = $name, match_quality = $match, source_component = $source_component,
             source_value = $text, source_unit = $source_unit, derivation = $derivation, donor_food_id = $food,
             donor_state = 'cooked', file = $file, line = $line, steps = $steps, reference_ids = $references,
             disagreement = null, decision_id = $decision, reason = $reason, evidence = false, year = $year
           where ingredient_id = $ingredient and component = $component""",
        {"value": twin["value"], "low": twin["low"], "high": twin["high"], "n": twin["n"],
         "source": twin["donor_source"], "release": twin["donor_release"], "food": twin["donor_food_id"],
         "name": twin["donor_name"], "match": twin["match_quality"], "source_component": twin["source_component"],
         "text": twin["published"], "source_unit": twin["published_unit"], "derivation": derivation,
         "file": twin["file"], "line": twin["line"], "steps": steps, "references": references,
         "decision": decision["decision_id"], "reason": estimate_reason(twin), "year": twin["year"],
         "ingredient": decision["ingredient_id"], "component": decision["component"]})
    # What stood there before becomes a candidate that was not chosen.
    con.execute(
        """update curated.cell_candidates set refused = 'an estimate from cooked stands, by decision ' || ?
           where ingredient_id = ? and component = ? and refused is null""",
        [decision["decision_id"], decision["ingredient_id"], decision["component"]])
