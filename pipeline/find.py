"""Finding foods and ingredients by words, with what they are and what they carry."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from pipeline.database import rows

if TYPE_CHECKING:
    import duckdb


def find(con: duckdb.DuckDBPyConnection, text: str, *, review: bool = False) -> dict[str, Any]:
    """Ingredients and source foods whose name holds every word of `text`; with `review`, only what needs a person."""
    words = [re.escape(w) for w in re.split(r"[\s,]+", text.lower()) if w]
    match = " and ".join("regexp_matches(lower(name), ?)" for _ in words) or "true"
    patterns = [f"(^|[^\\pL\\pN]){w}(e?s)?($|[^\\pL\\pN])" for w in words]
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
    return {"schema_version": "1", "ingredients": ingredients, "foods": foods}
