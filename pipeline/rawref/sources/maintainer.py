"""Reader of what people enter under raw/maintainer/: validated by the registry, each fault with its line."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.errors import InputError, gathered, raise_all
from rawref.registry.nearest import nearest
from rawref.sources import Release, declared
from rawref.workspace import Workspace

if TYPE_CHECKING:
    import duckdb

ID = "maintainer"
NUMBER = re.compile(r"-?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")
# A comma is a decimal sign, except that before three digits and with more text behind it may set off thousands.
_FIGURE = r"(\d+(?:\.\d+|,(?!\d{3}(?!\d))\d+)?)"
PLAIN = re.compile(r"\d+([.,]\d+)?")
# Behind a figure: no more of the number (12 000, 1.2E3, 1.2 x 10), no other end of a range.
_ENDS = r"(?![\d.,]|\s*(?:\d|(?:[-\u2013eE\u00d7x*]|to\b)[-+\s]*\d))"
ONE = re.compile(_FIGURE + _ENDS)
RANGE = re.compile(rf"{_FIGURE}\s*(?:[-\u2013]|to\b)\s*{_FIGURE}{_ENDS}")
BELOW = re.compile(rf"<\s*{_FIGURE}{_ENDS}")
"""What a published text may begin with: a figure, a range, a limit; any other text is not held against the number."""
NO_POINT = ("trace", "below_detection", "missing")
"""Statuses without a point value."""

MOST_WORDS = 15
"""A list of words that is longer, species and parts, is named by its file."""

Row = dict[str, Any]


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.maintainer_<file> (typed, with `line`) and return the SELECT of each common archival table."""
    import pyarrow as pa

    folder, schemas = release.files[0], layouts.parent
    tables = read_all(folder, schemas, [source.id for source in declared(Workspace(folder.parent.parent))])
    types = {"number": pa.float64(), "integer": pa.int64()}
    for name, rows in tables.items():
        columns = registry.fields(schemas)[f"maintainer.{name}"]
        arrow = pa.table(
            {c.column: pa.array([r[c.column] for r in rows], types.get(c.type, pa.string())) for c in columns}
            | {"line": pa.array([r["line"] for r in rows], pa.int64())}
        )
        con.register("incoming", arrow)
        con.execute(f'create table archival."maintainer_{name}" as select * from incoming')
        con.unregister("incoming")
    key = f"'{ID}' as source, '{release.release}' as release"
    return {
        "foods": f"""
            select {key}, v.id as food_id, i.name || ' (' || c.title || ')' as name, 'cited' as group_code,
              'cited record' as group_name, i.scientific_name, 'cited_values.csv' as file, v.line::text as line
            from archival.maintainer_cited_values v
              join archival.maintainer_ingredients i using (ingredient_id)
              join archival.maintainer_citations c using (citation_id)""",
        "values": f"""
            select {key}, id as food_id, component as source_component, text, unit, n::text as n, status as derivation,
              'cited_values.csv' as file, line::text as line
            from archival.maintainer_cited_values""",
        "references": f"""
            select {key}, citation_id as reference_id, authors, title, year, container as journal, volume, issue,
              pages, 'citations.csv' as file, line::text as line
            from archival.maintainer_citations""",
        "value_references": f"""
            select {key}, id as food_id, component as source_component, citation_id as reference_id
            from archival.maintainer_cited_values""",
    }


def read_all(folder: Path, schemas: Path, sources: Sequence[str] | None = None) -> dict[str, list[Row]]:
    """Rows of every maintainer file with typed fields and `line`; InputError has the faults of all files together.

    `sources` are the ids that raw/sources.toml declares; without them a source is taken as it stands.
    """
    tables: dict[str, list[Row]] = {}
    faults: list[InputError] = []
    for name in registry.MAINTAINER:
        with gathered(faults):
            tables[name] = _read(folder / f"{name}.csv", name, schemas)
    raise_all(faults, "raw/maintainer")
    for name, rows in tables.items():
        for column in registry.fields(schemas)[f"maintainer.{name}"]:
            if column.vocabulary == "source" and sources is not None:
                for row in rows:
                    if row[column.column] is not None and row[column.column] not in sources:
                        raise InputError(
                            f"{column.column} {row[column.column]!r} is not one of {', '.join(sources)}",
                            _where(name, row),
                            "correct the id, or declare the source in raw/sources.toml",
                        )
            if column.refers_to.startswith("maintainer."):
                target = column.refers_to.removeprefix("maintainer.")
                key = next(c.column for c in registry.fields(schemas)[f"maintainer.{target}"] if c.key)
                known = {r[key] for r in tables[target]}
                for row in rows:
                    if row[column.column] is not None and row[column.column] not in known:
                        raise InputError(
                            f"{column.column} {row[column.column]!r} is not in {target}.csv",
                            _where(name, row),
                            f"add it to {target}.csv or correct the id",
                        )
    cautions = {r["code"] for _, r in registry.read_csv(schemas / "cautions.csv", "schemas/cautions.csv")}
    for row in tables["ingredients"]:
        for code in filter(None, (row["cautions"] or "").split(";")):
            if code not in cautions:
                raise InputError(
                    f"unknown caution {code!r}", _where("ingredients", row), "use a code of schemas/cautions.csv"
                )
    for row in tables["ingredient_foods"]:
        if row["match_quality"] != "A" and not row["note"]:
            raise InputError(
                f"match quality {row['match_quality']} without a note",
                _where("ingredient_foods", row),
                "say in note what differs",
            )
    with gathered(faults):
        _check_aliases(tables["ingredient_aliases"], {row["ingredient_id"] for row in tables["ingredients"]})
    with gathered(faults):
        _check_cited(tables["cited_values"], schemas)
    with gathered(faults):
        _check_composites(tables["composites"], tables["ingredients"])
    raise_all(faults, "raw/maintainer")
    return tables


def _check_aliases(rows: list[Row], live: set[str]) -> None:
    """An old id is no live one, a renamed one leads to its successor, and a retired one to nothing or another."""
    for row in rows:
        where = _where("ingredient_aliases", row)
        if row["alias"] in live:
            raise InputError(
                f"alias {row['alias']!r} is the id of an ingredient", where,
                "take the row out, or give the ingredient another id: an id is never reused",
            )
        if row["standing"] == "renamed" and not row["ingredient_id"]:
            raise InputError(
                f"alias {row['alias']!r} is renamed, but to nothing", where,
                "name the id that replaces it, or write retired",
            )


def _where(name: str, row: Row) -> str:
    return f"raw/maintainer/{name}.csv:{row['line']}"


def _read(path: Path, name: str, schemas: Path) -> list[Row]:
    columns = registry.fields(schemas)[f"maintainer.{name}"]
    shown = f"raw/maintainer/{name}.csv"
    rows: list[Row] = []
    seen: dict[tuple[Any, ...], int] = {}
    faults: list[InputError] = []
    for line, text in registry.read_csv(path, shown, [c.column for c in columns]):
        row: Row = {"line": line}
        for c in columns:
            try:
                row[c.column] = _typed(c, text[c.column], f"{shown}:{line}", schemas)
            except InputError as error:
                faults.append(error)
                row[c.column] = None
        key = tuple(row[c.column] for c in columns if c.key)
        if key in seen and None not in key:
            faults.append(InputError(
                f"{'/'.join(map(str, key))} stands already on line {seen[key]}",
                f"{shown}:{line}",
                "keep one of the two rows",
            ))
        seen.setdefault(key, line)
        rows.append(row)
    raise_all(faults, shown)
    return rows


def _typed(field: registry.Field, text: str, where: str, schemas: Path) -> Any:
    """The field's value, or InputError: empty where required, not a number, out of range, not in the vocabulary."""
    if text == "":
        if field.required:
            means = field.description.rstrip(".")
            cure = f"fill it in: {means[:1].lower()}{means[1:]}" + _words(field.vocabulary, schemas)
            raise InputError(f"{field.column} is empty", where, cure)
        return None
    if field.type in ("number", "integer"):
        if not NUMBER.fullmatch(text):
            raise InputError(f"{field.column} {text!r} is not a number", where, "write a plain decimal number")
        value = float(text)
        if field.type == "integer" and not value.is_integer():
            raise InputError(f"{field.column} {text!r} is not a whole number", where, "write a whole number")
        low, high = field.limits
        if (low and value < float(low)) or (high and value > float(high)):
            raise InputError(
                f"{field.column} {text} is outside {low or '...'} to {high or '...'}", where, "correct the number"
            )
        return int(value) if field.type == "integer" else value
    if field.type == "list":
        try:
            if not isinstance(json.loads(text), list):
                raise ValueError
        except ValueError as error:
            raise InputError(f"{field.column} {text!r} is not a JSON list", where, 'write it as ["a", "b"]') from error
    if field.pattern and not re.fullmatch(field.pattern, text):
        raise InputError(f"{field.column} {text!r} is not well formed", where, "lower case, digits and hyphens")
    if field.refers_to == "components" and text not in {c["component"] for c in registry.components(schemas)}:
        raise InputError(
            f"component {text!r} is not in the registry", where, "use a component of schemas/components.csv"
        )
    words = registry.vocabularies(schemas).get(field.vocabulary)
    if words is not None and text not in words:
        near = " or ".join(repr(word) for word in nearest(text, words))
        cure = (f"did you mean {near}? " if near else "") + _words(field.vocabulary, schemas).removeprefix("; ")
        raise InputError(f"{field.column} {text!r} is not a word of its list", where, cure)
    return text


def _words(vocabulary: str, schemas: Path) -> str:
    """What a column may hold: each word in quotes, as some hold commas; a long list by its file. Empty where free."""
    words = registry.vocabularies(schemas).get(vocabulary)
    if words is None:
        return ""
    if len(words) > MOST_WORDS:
        file = {"species": "species", "part": "parts"}.get(vocabulary, "vocabularies")
        return f"; the words are in schemas/{file}.csv"
    return f"; the words are {', '.join(repr(word) for word in words)}"


def _check_cited(rows: list[Row], schemas: Path) -> None:
    """A cited amount is in the component's own unit, and is what the published text gives by the named steps."""
    units = {c["component"]: c["unit"] for c in registry.components(schemas)}
    steps = registry.steps(schemas)
    words = registry.vocabularies(schemas)["unit"]
    for row in rows:
        where, unit = _where("cited_values", row), units[row["component"]]
        if row["unit"] != unit:
            raise InputError(
                f"unit is {row['unit']}, the canonical unit of {row['component']} is {unit}",
                where,
                f"give the amount in {unit}, with the steps that lead there from the published text",
            )
        named = json.loads(row["steps"])
        for step in named:
            if not isinstance(step, str) or step not in steps:
                raise InputError(
                    f"step {step!r} is not defined", where, "name a step of schemas/conversions.csv, or define it there"
                )
        if named:
            last = steps[named[-1]]
            leads = last["to_unit"].split("/")[0].strip()
            if (leads in words and leads != unit) or (
                last["to_component"] in units and last["to_component"] != row["component"]
            ):
                raise InputError(
                    f"step {named[-1]} leads to {last['to_component']} in {last['to_unit']}, not to {row['component']}"
                    f" in {unit}",
                    where,
                    "name the step that leads to the component in its unit",
                )
        value, low, high = row["value"], row["low"], row["high"]
        known = [amount for amount in (low, value, high) if amount is not None]
        if known != sorted(known):
            raise InputError(
                f"low {_shown(low)}, value {_shown(value)}, high {_shown(high)} are not in order",
                where,
                "correct the numbers",
            )
        if not known:
            raise InputError("neither value nor low nor high", where, "give the amount, or take the row out")
        if value is not None and row["status"] in NO_POINT:
            raise InputError(
                f"value {_shown(value)} with status {row['status']}",
                where,
                "leave value empty and give low and high, or correct the status",
            )
        for column, amount in _stated(row, [steps[step]["factor"] for step in named]).items():
            if float(amount) != row[column]:
                by = f" by the steps {row['steps']}" if named else ""
                raise InputError(
                    f"text {row['text']!r}{by} gives {column} {amount.normalize():f}, not {_shown(row[column])}",
                    where,
                    "correct the number, the text or the steps",
                )


def _stated(row: Row, factors: list[str]) -> dict[str, Decimal]:
    """What value, low and high must be by the published text and steps of fixed factor; empty where they do not tell.

    Only columns that are filled: a range with a mean has its value from elsewhere in the text.
    """
    if not all(factors):
        return {}
    text, found = row["text"].strip(), {}
    if row["value"] is not None:
        if match := PLAIN.fullmatch(text) or ONE.match(text):
            found["value"] = match[0]
    elif match := RANGE.match(text):
        found = {"low": match[1], "high": match[2]}
    elif match := BELOW.match(text):
        found["high"] = match[1]
    product = Decimal(1)
    for factor in factors:
        product *= Decimal(factor)
    return {
        column: Decimal(figure.replace(",", ".")) * product
        for column, figure in found.items()
        if row[column] is not None
    }


def _shown(number: float | None) -> str:
    """A number as a person writes it, without a needless exponent."""
    return "empty" if number is None else f"{Decimal(repr(number)).normalize():f}"


def _check_composites(rows: list[Row], ingredients: list[Row]) -> None:
    """A composite has parts, and nothing else has; shares sum to 100, with low <= share <= high."""
    kinds = {row["ingredient_id"]: row["kind"] for row in ingredients}
    for row in rows:
        for column, due in (("ingredient_id", True), ("part_ingredient_id", False)):
            if (kinds[row[column]] == "composite") != due:
                raise InputError(
                    f"{row[column]} is of kind {kinds[row[column]]}, and {'has parts' if due else 'is a part'}",
                    _where("composites", row),
                    "a composite is made of parts that are none: correct the ids, or kind in ingredients.csv",
                )
    made = {row["ingredient_id"] for row in rows}
    for row in ingredients:
        if row["kind"] == "composite" and row["ingredient_id"] not in made:
            raise InputError(
                f"composite {row['ingredient_id']} has no parts",
                _where("ingredients", row),
                "give its parts and shares in composites.csv, or correct kind",
            )
    total: dict[str, float] = {}
    for row in rows:
        if not row["share_low_pct"] <= row["share_pct"] <= row["share_high_pct"]:
            raise InputError("share is outside its own range", _where("composites", row), "correct the shares")
        total[row["ingredient_id"]] = total.get(row["ingredient_id"], 0.0) + row["share_pct"]
    for row in rows:
        if abs(total[row["ingredient_id"]] - 100) > 1e-6:
            raise InputError(
                f"shares of {row['ingredient_id']} sum to {total[row['ingredient_id']]:g}, not 100",
                _where("composites", row),
                "correct the shares",
            )
