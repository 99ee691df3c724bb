"""What could fill a gap: other candidates, comparable raw foods, a cooked twin with its measured error, or why not."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.cooked import cooking
from rawref.cooked.estimates import better_values
from rawref.cooked.twin import Judge
from rawref.database import rows
from rawref.lookup.resolve import resolve_component, resolve_ingredient

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

Row = dict[str, Any]
BOUND = 10
"""How many refused cooked foods and comparable foods are listed in JSON unless all are asked for."""
REFUSED = ("donor_source", "donor_release", "donor_food_id", "donor_name", "donor_state", "published", "published_unit",
           "source_component", "status", "n", "file", "line", "value", "low", "high", "unit", "offer", "refusals")
"""What is said of a refused cooked food unless all is asked for: the food, what it publishes and where, why not. How
its estimate would be made, and with what error, is the same for all of its kind and decides nothing."""
METHOD = "retention measured on raw and cooked pairs of USDA SR28; formula of USDA Release 6 (2007)"


def suggest(con: duckdb.DuckDBPyConnection, schemas: Path, ingredient: str, component: str) -> Row:
    """Candidates that were not chosen, comparable raw foods, cooked twins or their refusals, and what to do next.

    Nothing is written. InputError for an unknown ingredient or component, with near names.
    """
    ingredient, component = resolve_ingredient(con, schemas, ingredient), resolve_component(con, schemas, component)
    key = [ingredient, component]
    cell = rows(con, 'select * from curated."values" where ingredient_id = ? and component = ?', key)[0]
    kind = rows(con, "select kind, part, species, species_group from curated.ingredient_keys where ingredient_id = ?",
                [ingredient])[0]
    gap = rows(con, "select kind, detail, remedy, ceiling, ceiling_basis from curated.gaps"
                    " where ingredient_id = ? and component = ?", key)
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
    better = better_values(con, ingredient, component)
    two_codes = {r["source"] for r in rows(con, "from reference.source_traits where trait = 'two_codes'")}
    parts = rows(con, """
        select c.part_ingredient_id as ingredient_id, v.status from archival.maintainer_composites c
          join curated."values" v on v.ingredient_id = c.part_ingredient_id and v.component = ?
        where c.ingredient_id = ? and not v.evidence order by 1""", [component, ingredient])
    return {
        "schema_version": "1", "ingredient_id": ingredient, "component": component, "unit": cell["unit"],
        "kind": kind["kind"],
        "now": {**{name: cell[name] for name in ("value", "low", "high", "spread_basis", "status", "evidence", "source",
                                                 "food_id", "match_quality",
                                                 "decision_id")}, "gap": gap[0] if gap else None},
        "candidates": candidates, "peers": peers,
        "cooked": {"offered": offered,
                   "weak": [t for t in twins if t["offer"] == "weak" and not t["refusals"]],
                   # no estimate is taken over while one of these raw values could be chosen
                   "outranked_by": better,
                   "refused": [t for t in twins if t not in offered and (t["refusals"] or t["offer"] != "weak")]},
        "next": _next(cell, kind["kind"], candidates, peers, [] if better else offered, parts,
                      registry.evidence(schemas), two_codes),
    }


def bounded(result: Row) -> Row:
    """A suggestion with the first of each long list, beside how many there are; refused foods in short."""
    cooked, peers = result["cooked"], result["peers"]
    return {
        **result,
        "peers": {**peers, "list": peers["list"][:BOUND], "listed": min(len(peers["list"]), BOUND)},
        "cooked": {**cooked, "refused": [{name: t[name] for name in REFUSED} for t in cooked["refused"][:BOUND]],
                   "refused_count": len(cooked["refused"])},
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


def _next(cell: Row, kind: str, candidates: list[Row], peers: Row, offered: list[Row], parts: list[Row],
          evidence: frozenset[str], two_codes: set[str]) -> list[Row]:
    """What a person can do, best first; a row for decisions.csv where a decision would do it."""
    ingredient, component = cell["ingredient_id"], cell["component"]
    if cell["evidence"]:
        return [{"do": "nothing", "text": f"the cell has evidence ({cell['status']}); an estimate would rank below it",
                 "row": None}]
    found: list[Row] = []
    if kind == "composite":
        message = "ask for the part that lacks it: rawref suggest"
        return [{"do": "part", "text": f"{message} {p['ingredient_id']} {component}", "row": None} for p in parts]
    best = next((c for c in candidates if c["status"] in evidence
                 and not (c["reason_not_chosen"] or "").startswith(("block", "struck out"))), None)
    if best:
        found.append({
            "do": "prefer", "text": f"take over {best['source']} {best['food_id']}, {best['status']}, match"
                                    f" {best['match_quality']}, if the food is close enough",
            "row": _row(f"prefer-{ingredient}-{component.lower()}", best["source"], best["food_id"],
                        best["source_component"], ingredient, component, best["source_value"],
                        (best["derivation"] or "").rpartition("/")[2] if best["source"] in two_codes else "",
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


def error_table(con: duckdb.DuckDBPyConnection, schemas: Path) -> Row:
    """The leave-family-out table with offers and coverage; see `rawref.cooked.cooking.error_table`."""
    return cooking.error_table(con, schemas)
