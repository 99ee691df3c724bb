"""Listing of the gaps, those first that could matter most."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from pipeline.database import rows
from pipeline.trace import resolve_component, resolve_ingredient

if TYPE_CHECKING:
    import duckdb

    from pipeline.needs import Need
    from pipeline.workspace import Workspace


def list_gaps(
    con: duckdb.DuckDBPyConnection, *, ingredient: str | None = None, component: str | None = None
) -> list[dict[str, Any]]:
    """The gaps that match, each with its peers; ranked by what comparable foods hold, unknown ones first."""
    ingredient = resolve_ingredient(con, ingredient) if ingredient else None
    component = resolve_component(con, component) if component else None
    found = rows(
        con,
        """select g.*, i.name as ingredient_name from curated.gaps g join curated.ingredients i using (ingredient_id)
             join reference.components c using (component)
           where coalesce($ingredient, g.ingredient_id) = g.ingredient_id
             and coalesce($component, g.component) = g.component
           order by c.position, g.peers_median desc nulls first, g.ingredient_id""",
        {"ingredient": ingredient, "component": component})
    return [
        {
            "ingredient_id": g["ingredient_id"], "ingredient_name": g["ingredient_name"], "component": g["component"],
            "kind": g["kind"], "needed_by": json.loads(g["needed_by"]), "detail": g["detail"],
            "peers": {"n": g["peers_n"], "low": g["peers_low"], "median": g["peers_median"], "high": g["peers_high"],
                      "unit": g["unit"]},
            "impact": None, "remedy": g["remedy"],
        }
        for g in found
    ]


def rank(space: Workspace, found: list[dict[str, Any]], need: Need) -> list[dict[str, Any]]:
    """The gaps of `found` by the share of the requirement that the unknown could hide; those without a bound first."""
    from pipeline.gap_impact import gap_impact

    ranked = {(g["ingredient_id"], g["component"]): (place, g) for place, g in enumerate(gap_impact(space, need))}
    kept = [{**g, "impact": ranked[key][1]["impact"]} for g in found
            if (key := (g["ingredient_id"], g["component"])) in ranked]
    return sorted(kept, key=lambda g: ranked[g["ingredient_id"], g["component"]][0])
