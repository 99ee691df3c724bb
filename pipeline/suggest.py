"""What could fill a gap: other candidates, comparable raw foods, a cooked twin with its measured error, or why not."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

from pipeline import cooking
from pipeline.cooked_twin import Judge
from pipeline.database import rows
from pipeline.errors import InputError
from pipeline.trace import resolve_component, resolve_ingredient

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

Row = dict[str, Any]
METHOD = "retention measured on raw and cooked pairs of USDA SR28; formula of USDA Release 6 (2007)"
COOKED = ("cooked_to_raw",)


def suggest(con: duckdb.DuckDBPyConnection, schemas: Path, ingredient: str, component: str) -> Row:
    """Candidates that were not chosen, comparable raw foods, cooked twins or their refusals, and what to do next.

    Nothing is written. InputError for an unknown ingredient or component, with near names.
    """
    ingredient, component = resolve_ingredient(con, ingredient), resolve_component(con, component)
    key = [ingredient, component]
    cell = rows(con, 'select * from curated."values" where ingredient_id = ? and component = ?', key)[0]
    kind = rows(con, "select kind, part, species, species_group from curated.ingredient_keys where ingredient_id = ?",
                [ingredient])[0]
    gap = rows(con, "select kind, detail, remedy from curated.gaps where ingredient_id = ? and component = ?", key)
    candidates = rows(con, """
        select rank, source, food_id, food_name, match_quality, source_value, source_unit, value, unit, status, n,
          source_component, derivation, reason_not_chosen
        from curated.candidates where ingredient_id = ? and component = ? and reason_not_chosen is not null
        order by rank, source, food_id""", key)
    peers = _peers(con, ingredient, component) if kind["kind"] == "raw" else {"n": 0, "list": []}
    twins: list[Row] = []
    if kind["kind"] == "raw":
        cooking.prepare(con, schemas, [component])
        cooking.evaluate(con)
        twins = Judge(con, ingredient, component).donors()
    offered = [t for t in twins if t["offer"] in ("yes", "care") and not t["refusals"]]
    better = _better(con, ingredient, component)
    parts = rows(con, """
        select c.part_ingredient_id as ingredient_id, v.status from archival.maintainer_composites c
          join curated."values" v on v.ingredient_id = c.part_ingredient_id and v.component = ?
        where c.ingredient_id = ? and not v.evidence order by 1""", [component, ingredient])
    return {
        "schema_version": "1", "ingredient_id": ingredient, "component": component, "unit": cell["unit"],
        "kind": kind["kind"],
        "now": {**{name: cell[name] for name in ("value", "status", "evidence", "source", "food_id", "match_quality",
                                                 "decision_id")}, "gap": gap[0] if gap else None},
        "candidates": candidates, "peers": peers,
        "cooked": {"offered": offered,
                   "weak": [t for t in twins if t["offer"] == "weak" and not t["refusals"]],
                   # no estimate is taken over while one of these raw values could be chosen
                   "outranked_by": better,
                   "refused": [t for t in twins if t not in offered and (t["refusals"] or t["offer"] != "weak")]},
        "next": _next(cell, kind["kind"], candidates, peers, [] if better else offered, parts),
    }


def _peers(con: duckdb.DuckDBPyConnection, ingredient: str, component: str) -> Row:
    """Range, median and list of comparable raw foods; the same species first."""
    summary = rows(con, """
        select p.n, p.low, p.median, p.high, p.part, p.species_group from reference.peers p
          join curated.ingredient_keys k on k.part = p.part and k.species_group = p.species_group
        where k.ingredient_id = ? and p.component = ?""", [ingredient, component])
    listed = rows(con, """
        select p.source, p.food_id, f.name, p.species, p.species = k.species as same_species, p.value, p.n
        from reference.peer_values p
          join curated.ingredient_keys k on k.part = p.part and k.species_group = p.species_group
          join reference.foods f on f.source = p.source and f.food_id = p.food_id
        where k.ingredient_id = ? and p.component = ?
        order by same_species desc, p.value, p.source, p.food_id""", [ingredient, component])
    head = summary[0] if summary else {"n": 0, "low": None, "median": None, "high": None}
    return {**head, "same_species": sum(r["same_species"] for r in listed), "list": listed}


def _better(con: duckdb.DuckDBPyConnection, ingredient: str, component: str) -> list[Row]:
    """Raw values with evidence and match A or B that could be chosen: an estimate ranks below every one of them."""
    return rows(con, """
        select source, food_id, status, match_quality from curated.cell_candidates
        where ingredient_id = ? and component = ? and evidence and refused is null and match_quality in ('A', 'B')
        order by rank""", [ingredient, component])


def _next(cell: Row, kind: str, candidates: list[Row], peers: Row, offered: list[Row], parts: list[Row]) -> list[Row]:
    """What a person can do, best first; a row for decisions.csv where a decision would do it."""
    ingredient, component = cell["ingredient_id"], cell["component"]
    if cell["evidence"]:
        return [{"do": "nothing", "text": f"the cell has evidence ({cell['status']}); an estimate would rank below it",
                 "row": None}]
    found: list[Row] = []
    if kind == "composite":
        told = "ask for the part that lacks it: rawref suggest"
        return [{"do": "part", "text": f"{told} {p['ingredient_id']} {component}", "row": None} for p in parts]
    best = next((c for c in candidates if c["status"] in ("measured", "calculated", "label_claim", "unspecified")
                 and not (c["reason_not_chosen"] or "").startswith(("block", "struck out"))), None)
    if best:
        found.append({
            "do": "prefer", "text": f"take over {best['source']} {best['food_id']}, {best['status']}, match"
                                    f" {best['match_quality']}, if the food is close enough",
            "row": _row(f"prefer-{ingredient}-{component.lower()}", best["source"], best["food_id"],
                        best["source_component"], ingredient, component, best["source_value"],
                        (best["derivation"] or "").rpartition("/")[2] if best["source"] == "usda-sr28" else "",
                        "prefer", "write why this food may stand for the ingredient", "write the source")})
    if offered:
        t = offered[0]
        found.append({
            "do": "accept_estimate",
            "text": f"take over the estimate from {t['donor_food_id']} ({t['offer']}); the gap stays on record",
            "row": _row(f"estimate-{ingredient}-{component.lower()}", t["donor_source"], t["donor_food_id"],
                        t["source_component"], ingredient, component, t["published"], t["derivation"] or "",
                        "accept_estimate", "write why an estimate is better than the gap", METHOD)})
    if peers["n"]:
        found.append({"do": "bound", "text": f"{peers['n']} comparable raw foods bound it: {_figure(peers['low'])} to"
                                             f" {_figure(peers['high'])} {cell['unit']}; a mix uses them as a bound",
                      "row": None})
    found.append({"do": "cite", "text": "enter an analysis or a published figure of the raw food in"
                                        " raw/maintainer/cited_values.csv", "row": None})
    return found


def _figure(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.4g}"


def _row(*fields: str) -> str:
    """A line of decisions.csv without the line end; told_publisher empty, standing open."""
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow([*fields, "", "open"])
    return text.getvalue()


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
    for raw in _better(con, ingredient, component):
        raise InputError(f"{raw['source']} {raw['food_id']} has a raw value ({raw['status']}, match"
                         f" {raw['match_quality']}): an estimate ranks below it", where, "prefer that value instead")
    found = Judge(con, ingredient, component).donors(donor) if decision["source"] == "usda-sr28" else []
    if not found:
        raise InputError(f"{decision['source']} {donor} is no cooked food of the same animal and part with {component}",
                         where, f"see rawref suggest {ingredient} {component}")
    twin = found[0]
    expected = decision["expect_derivation"]
    if twin["published"] != decision["expect_text"] or expected not in (None, twin["derivation"] or ""):
        raise InputError(f"{donor} {component} is {twin['published']!r} (derivation {twin['derivation'] or 'none'}),"
                         f" not {decision['expect_text']!r}: mended upstream, or aim lost", where,
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


def error_table(con: duckdb.DuckDBPyConnection, schemas: Path) -> Row:
    """The leave-family-out table with offers and coverage; see `pipeline.cooking.error_table`."""
    return cooking.error_table(con, schemas)
