"""Which ingredient or component a word on the command line means: its id in any case and with any separator, or words
that one name alone has; what several have is answered by a list."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref.database import rows
from rawref.errors import InputError
from rawref.lookup.words import meanings, question, text_of, vocabulary, words_of
from rawref.registry.nearest import as_id, did_you_mean, nearest

if TYPE_CHECKING:
    import duckdb


LISTED = 8


def _by_words(text: str, names: dict[str, frozenset[str]], schemas: Path) -> list[str]:
    """The keys whose words answer `text`; where its words are exactly those of some, these alone."""
    asked = question(text, schemas, vocabulary(names.values()))
    if not asked.units or asked.unknown or asked.read_as:
        return []  # a slip of typing is asked about, never guessed
    same = [key for key, words in names.items() if words == frozenset(words_of(text))]
    return same or [key for key, words in names.items() if asked.meets(words)]


def _several(what: str, text: str, found: list[str]) -> InputError:
    more = f" and {len(found) - LISTED} more" if len(found) > LISTED else ""
    return InputError(f"{text!r} fits {len(found)} {what}", "", f"give one of {', '.join(found[:LISTED])}{more}")


def resolve_ingredient(con: duckdb.DuckDBPyConnection, schemas: Path, ingredient: str) -> str:
    """The id under which an ingredient stands; old ids are followed, unknown ones and what fits several are an
    InputError."""
    listed = rows(con, "select ingredient_id, name, scientific_name, species, kind, state from curated.ingredients"
                       " order by ingredient_id")  # fmt: skip
    known = [r["ingredient_id"] for r in listed]
    if ingredient in known:
        return ingredient
    written = as_id(ingredient)
    if written in known:
        return written
    alias = rows(con, "select * from archival.maintainer_ingredient_aliases where alias = ?", [ingredient])
    if alias and alias[0]["ingredient_id"]:
        return str(alias[0]["ingredient_id"])
    if alias:
        raise InputError(f"ingredient {ingredient!r} was retired in {alias[0]['since']}", "", alias[0]["note"] or "")
    if found := ingredients_among(listed, schemas, ingredient):
        if len(found) > 1:
            raise _several("ingredients", ingredient, found)
        return found[0]
    cure = did_you_mean(ingredient, known, "look for it by a word of its name with rawref find")
    raise InputError(f"no ingredient {ingredient!r}", "", cure)


def ingredients_among(listed: Sequence[Mapping[str, Any]], schemas: Path, text: str) -> list[str]:
    """The ids that the words of `text` fit, by their own words before those of their names; among rows of
    ingredient_id, name, scientific_name, species, kind and state."""
    by_id = {r["ingredient_id"]: frozenset(words_of(r["ingredient_id"])) for r in listed}
    whole = {r["ingredient_id"]: frozenset(words_of(text_of(r, schemas))) for r in listed}
    return _by_words(text, by_id, schemas) or _by_words(text, whole, schemas)


def resolve_component(con: duckdb.DuckDBPyConnection, schemas: Path, component: str) -> str:
    """The tagname of a needed component, by tagname or name; InputError with near ones, or with those that it fits."""
    registered = rows(
        con,
        "select component, name, needed, coalesce(definition, '') as definition from reference.components"
        " order by position",
    )
    return component_among(registered, schemas, component)


def component_among(registered: Sequence[Mapping[str, Any]], schemas: Path, component: str) -> str:
    """As `resolve_component`, among rows of component, name, needed and definition."""
    known = sorted(r["component"] for r in registered if r["needed"])
    if component.upper() in known:
        return component.upper()
    text = component.lower()
    # What is only kept for checks says in its definition which published component to use (VITA: RETOL).
    exact = [r["definition"] for r in registered if r["component"].lower() == text]
    if not exact:
        names = {r["component"]: frozenset(words_of(r["name"])) for r in registered if r["needed"]}
        # a word that only stands for something, such as B1, is known although no name has it
        meant = frozenset(word for phrase in meanings(schemas) for word in phrase)
        found = _by_words(component, names, schemas)
        if not found and frozenset(words_of(component)) <= meant:
            asked = question(component, schemas, meant)
            found = [k for k, words in names.items() if asked.meets(words)]
        if len(found) == 1:
            return found[0]
        if found:
            raise _several("components", component, found)
    named = [r for r in registered if len(text) > 1 and text in r["name"].lower()]
    said = exact or [r["definition"] for r in named]
    near = [r["component"] for r in named if r["needed"]] if not exact else []
    near = near or [tag for tag in known if re.search(rf"\b{re.escape(tag)}\b", " ".join(said))]
    near = near or [
        r["component"] for r in registered if r["needed"] and len(text) > 4 and text in r["definition"].lower()
    ]
    # by the name as well as by its part before the comma: niacine is near to niacin, not to "niacin, preformed"
    tags = {n: r["component"] for r in registered if r["needed"] for n in (r["name"].lower().split(",")[0],
                                                                           r["name"].lower())}
    near = near or list(dict.fromkeys(tags[n] for n in nearest(text, tags))) or nearest(component, known)
    cure = f"did you mean {', '.join(near[:5])}?" if near else "the needed components are marked in components.csv"
    raise InputError(f"no needed component {component!r}", "", cure)
