"""Finding foods and ingredients by words, with what they are and what they carry."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from rawref.database import rows, scalar
from rawref.registry.nearest import nearest

if TYPE_CHECKING:
    import duckdb


def find(con: duckdb.DuckDBPyConnection, text: str, *, review: bool = False) -> dict[str, Any]:
    """Ingredients and source foods whose name holds every word of `text`; with `review`, only what needs a person.

    Where nothing is found, `not_found` has the words that no name holds, each with the nearest words and ids.
    """
    words = [w for w in re.split(r"[\s,]+", text.lower()) if w]
    match = " and ".join("regexp_matches(lower(name), ?)" for _ in words) or "true"
    patterns = [_pattern(w) for w in words]
    ingredients = [] if review else rows(
        con,
        f"""select ingredient_id, name, species, part, kind, state, skin, bone, fat_trim, refuse_pct, components_valued,
              components_measured, components_missing, cautions from curated.ingredients
            where {match.replace("lower(name)", "lower(name || ' ' || ingredient_id)")}
            order by ingredient_id""", patterns)
    foods = rows(
        con,
        f"""select f.source, f.release, f.food_id, f.name, f.group_name as "group", f.state, f.method, f.species,
              f.part, f.skin, f.bone, f.fat_trim, f.additions, f.may_supply_raw, f.witnesses, f.review_reasons,
              f.cautions, f.langual, f.refuse_pct, f.refuse_note, c.components_valued, c.components_measured
            from reference.foods f join curated.catalogue c using (source, release, food_id)
            where {match} and ({'f.may_supply_raw = ' + "'review'" if review else 'true'})
            order by (f.may_supply_raw = 'yes') desc, f.source, f.release, f.food_id""".replace(
                "lower(name)", "lower(f.name)"), patterns)
    for row in (*ingredients, *foods):
        for column in ("witnesses", "review_reasons", "cautions", "langual"):
            if column in row:
                row[column] = json.loads(row[column] or "[]")
    unknown = {} if ingredients or foods else _unknown_words(con, words)
    return {
        "schema_version": "1", "text": text, "review": review, "ingredients": ingredients, "foods": foods,
        "not_found": unknown,
    }  # fmt: skip


def _pattern(word: str) -> str:
    """A word stands alone, or in the plural: raw is not in strawberry."""
    return f"(^|[^\\pL\\pN]){re.escape(word)}(e?s)?($|[^\\pL\\pN])"


def _unknown_words(con: duckdb.DuckDBPyConnection, words: list[str]) -> dict[str, list[str]]:
    """The words that no name of a food or an ingredient holds, each with the nearest that one does."""
    named = "select lower(name) as name from reference.foods union all select ingredient_id from curated.ingredients"
    unknown = [
        w for w in dict.fromkeys(words)
        if not scalar(con, f"select count(*) from ({named}) where regexp_matches(name, ?)", [_pattern(w)])
    ]  # fmt: skip
    if not unknown:
        return {}
    spelt = con.execute(
        f"""select distinct unnest(regexp_extract_all(name, '[\\pL\\pN]{{3,}}')) as word from ({named})
            union select ingredient_id from curated.ingredients"""
    ).fetchall()
    return {w: nearest(w, [row[0] for row in spelt]) for w in unknown}
