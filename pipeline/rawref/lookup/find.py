"""Finding ingredients, components and source foods by words, with what they are and what they carry."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import rows
from rawref.lookup.words import Question, no_meat, notes_on, question, text_of, vocabulary, words_of

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb


def find(
    con: duckdb.DuckDBPyConnection, text: str, schemas: Path, *, review: bool = False, unmapped: bool = False
) -> dict[str, Any]:
    """Ingredients, needed components and source foods that hold every word of `text`, in the sense of `lookup/words`;
    with `review`, only the foods that need review; with `unmapped`, only raw foods that could stand for an ingredient
    and stand for none.

    Ingredients come first, the likeliest meaning and those named by the asked words alone before others; of the source
    foods plants come last (a tomato can be called beef heart). `cautions` has each caution that a found ingredient
    carries: its code and text and those ingredients, the one that the fewest carry first. `read_as` has
    the words that were read as another one; where nothing is found, `not_found` has the words that no name holds, each
    with the nearest ones.
    """
    ingredients = [] if review or unmapped else rows(
        con,
        """select ingredient_id, name, scientific_name, species, part, kind, state, skin, bone, fat_trim, refuse_pct,
             components_valued, components_measured, components_missing, cautions from curated.ingredients
           order by ingredient_id""")
    components = [] if review or unmapped else rows(
        con, "select component, name, unit from reference.components where needed order by position")
    named = con.execute(
        "select source, release, food_id, name from reference.foods where (not $review or may_supply_raw = 'review')"
        " and (not $unmapped or may_supply_raw = 'yes' and (source, food_id) not in"
        "   (select source, food_id from reference.links))"
        " order by species = 'plant', may_supply_raw = 'yes' desc, source, release, food_id",
        {"review": review, "unmapped": unmapped}).fetchall()
    of_ingredient = [frozenset(words_of(text_of(i, schemas))) for i in ingredients]
    of_component = [frozenset(words_of(f"{c['name']} {c['component']}")) for c in components]
    of_food = [frozenset(words_of(name)) for *_, name in named]
    texts = [*of_ingredient, *of_component, *of_food]
    asked = _understood(text, schemas, texts)
    hits = [(words, i) for words, i in zip(of_ingredient, ingredients, strict=True) if asked.meets(words)]
    if asked.units:
        hits.sort(key=lambda hit: (asked.likely(hit[0]), len(hit[0]), no_meat(hit[1]), hit[1]["ingredient_id"]))
    keys = [key for key, words in zip(named, of_food, strict=True) if asked.meets(words)]
    found = {
        "ingredients": [row for _, row in hits],
        "components": [row for words, row in zip(of_component, components, strict=True)
                       if asked.units and asked.meets(words)],
        "foods": _foods(con, keys),
    }  # fmt: skip
    for row in (*found["ingredients"], *found["foods"]):
        for column in ("witnesses", "review_reasons", "cautions", "langual"):
            if column in row:
                row[column] = json.loads(row[column] or "[]")
    return {
        "schema_version": "1", "text": text, "review": review, "unmapped": unmapped, **found,
        "cautions": _cautions(found["ingredients"], schemas), "notes": notes_on(text, schemas),
        "read_as": asked.read_as, "not_found": {} if any(found.values()) else asked.unknown,
    }  # fmt: skip


def _understood(text: str, schemas: Path, texts: list[frozenset[str]]) -> Question:
    """The question as it is written, or, where no text meets it, with one of its words read as the nearest other, or as
    the next one."""
    known = vocabulary(texts)
    asked = question(text, schemas, known)
    if not asked.unknown and not any(map(asked.meets, texts)):
        for word in (*asked.read_as.values(), *words_of(text)):
            other = question(text, schemas, known - {word})
            if other.read_as and any(map(other.meets, texts)):
                return other
    return asked


def _cautions(ingredients: list[dict[str, Any]], schemas: Path) -> list[dict[str, Any]]:
    """The cautions that these ingredients carry, each once, with its text from schemas/cautions.csv."""
    carried: dict[str, list[str]] = {}
    for row in ingredients:
        for code in row["cautions"]:
            carried.setdefault(code, []).append(row["ingredient_id"])
    texts = {r["code"]: r["text"] for _, r in registry.read_csv(schemas / "cautions.csv", "schemas/cautions.csv")}
    return [{"code": code, "text": texts.get(code, ""), "ingredients": carried[code]}
            for code in sorted(carried, key=lambda code: (len(carried[code]), code))]


def _foods(con: duckdb.DuckDBPyConnection, keys: list[tuple[str, ...]]) -> list[dict[str, Any]]:
    """The foods of these keys, in their order."""
    if not keys:
        return []
    return rows(
        con,
        """select f.source, f.release, f.food_id, f.name, f.group_name as "group", f.state, f.method, f.species,
             f.part, f.skin, f.bone, f.fat_trim, f.additions, f.may_supply_raw, f.witnesses, f.review_reasons,
             f.cautions, f.langual, f.refuse_pct, f.refuse_note, c.components_valued, c.components_measured
           from (select unnest($sources::text[]) as source, unnest($releases::text[]) as release,
                   unnest($foods::text[]) as food_id, unnest(range($n)) as place)
             join reference.foods f using (source, release, food_id)
             join curated.catalogue c using (source, release, food_id) order by place""",
        {"sources": [k[0] for k in keys], "releases": [k[1] for k in keys], "foods": [k[2] for k in keys],
         "n": len(keys)})
