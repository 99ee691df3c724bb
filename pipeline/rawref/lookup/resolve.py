"""Which ingredient or component a word on the command line means."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rawref.database import rows
from rawref.errors import InputError
from rawref.registry.nearest import did_you_mean, nearest

if TYPE_CHECKING:
    import duckdb


def resolve_ingredient(con: duckdb.DuckDBPyConnection, ingredient: str) -> str:
    """The id under which an ingredient stands; old ids are followed, unknown ones are an InputError."""
    known = [r["ingredient_id"] for r in rows(con, "select ingredient_id from curated.ingredients order by 1")]
    if ingredient in known:
        return ingredient
    alias = rows(con, "select * from archival.maintainer_ingredient_aliases where alias = ?", [ingredient])
    if alias and alias[0]["ingredient_id"]:
        return str(alias[0]["ingredient_id"])
    if alias:
        raise InputError(f"ingredient {ingredient!r} was retired in {alias[0]['since']}", "", alias[0]["note"] or "")
    cure = did_you_mean(ingredient, known, "look for it by a word of its name with rawref find")
    raise InputError(f"no ingredient {ingredient!r}", "", cure)


def resolve_component(con: duckdb.DuckDBPyConnection, component: str) -> str:
    """The tagname of a needed component, or InputError with near ones."""
    known = [r["component"] for r in rows(con, "select component from reference.components where needed order by 1")]
    if component.upper() in known:
        return component.upper()
    registered = rows(
        con,
        "select component, name, needed, coalesce(definition, '') as definition from reference.components"
        " order by position",
    )
    text = component.lower()
    # What is only kept for checks says in its definition which published component to use (VITA: RETOL).
    exact = [r["definition"] for r in registered if r["component"].lower() == text]
    named = [r for r in registered if len(text) > 1 and text in r["name"].lower()]
    said = exact or [r["definition"] for r in named]
    near = [r["component"] for r in named if r["needed"]] if not exact else []
    near = near or [tag for tag in known if re.search(rf"\b{re.escape(tag)}\b", " ".join(said))]
    near = near or [
        r["component"] for r in registered if r["needed"] and len(text) > 4 and text in r["definition"].lower()
    ]
    near = near or nearest(component, known)
    cure = f"did you mean {', '.join(near[:5])}?" if near else "the needed components are marked in components.csv"
    raise InputError(f"no needed component {component!r}", "", cure)
