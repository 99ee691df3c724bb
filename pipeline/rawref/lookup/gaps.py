"""Listing of the gaps, those first that could matter most."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

from rawref.database import rows
from rawref.lookup.resolve import resolve_component, resolve_ingredient

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from rawref.needs.profile import Need
    from rawref.workspace import Workspace


def list_gaps(
    con: duckdb.DuckDBPyConnection, schemas: Path, *, ingredient: str | None = None, component: str | None = None
) -> list[dict[str, Any]]:
    """The gaps that match, each with its peers, by component; common animals first (schemas/commonness.csv), then by
    what comparable foods hold, unknown ones first."""
    ingredient = resolve_ingredient(con, schemas, ingredient) if ingredient else None
    component = resolve_component(con, schemas, component) if component else None
    found = rows(
        con,
        """select g.*, i.name as ingredient_name, c.name as component_name,
             coalesce(m.commonness, 'rare') as commonness
           from curated.gaps g join curated.ingredients i using (ingredient_id)
             join reference.components c using (component)
             left join read_csv($commonness, header = true, all_varchar = true) m using (species)
           where coalesce($ingredient, g.ingredient_id) = g.ingredient_id
             and coalesce($component, g.component) = g.component
           order by c.position, list_position(['common', 'occasional', 'rare'], commonness),
             i.kind = 'addition', g.peers_median desc nulls first, g.ingredient_id""",
        {"ingredient": ingredient, "component": component, "commonness": (schemas / "commonness.csv").as_posix()})
    needed_by = {text: json.loads(text) for text in {g["needed_by"] for g in found}}
    return [
        {
            "ingredient_id": g["ingredient_id"], "ingredient_name": g["ingredient_name"], "component": g["component"],
            "component_name": g["component_name"], "commonness": g["commonness"],
            "kind": g["kind"], "needed_by": needed_by[g["needed_by"]], "detail": g["detail"],
            "peers": {"n": g["peers_n"], "low": g["peers_low"], "median": g["peers_median"], "high": g["peers_high"],
                      "unit": g["unit"]},
            "ceiling": g["ceiling"], "ceiling_basis": g["ceiling_basis"],
            "impact": None, "against_shown": None, "remedy": g["remedy"],
        }
        for g in found
    ]


def rank(space: Workspace, found: list[dict[str, Any]], need: Need) -> list[dict[str, Any]]:
    """The gaps of `found` in the order of `gap_impact`, each with the chance that it decides a verdict."""
    from rawref.lookup.impact import gap_impact

    ranked = {(g["ingredient_id"], g["component"]): (place, g) for place, g in enumerate(gap_impact(space, need))}
    kept = [
        {**g, **{name: ranked[key][1][name] for name in ("impact", "against_shown", "could_hide", "judged")},
         "required": ranked[key][1]["judged"] and ranked[key][1]["minimum"] is not None}
        for g in found if (key := (g["ingredient_id"], g["component"])) in ranked
    ]  # fmt: skip
    return sorted(kept, key=lambda g: ranked[g["ingredient_id"], g["component"]][0])


def gaps_csv(found: list[dict[str, Any]]) -> str:
    """Every gap as CSV, one row each, in the order given; impact is the chance that it decides,
    against_shown the same against a figure for other food where no verdict is given; empty where unknown."""
    columns = ("ingredient_id", "component", "kind", "needed_by", "detail", "impact", "against_shown", "commonness",
               "remedy", "ceiling", "ceiling_basis")
    peers = ("n", "low", "median", "high", "unit")
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*columns, *(f"peers_{name}" if name != "unit" else name for name in peers)])
    for g in found:
        row = {**g, "needed_by": json.dumps(g["needed_by"])}
        writer.writerow([*(row[name] for name in columns), *(g["peers"][name] for name in peers)])
    return stream.getvalue()
