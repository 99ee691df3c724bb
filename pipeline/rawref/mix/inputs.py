"""What people hand to the trial mix: the mix file and substitutions; all validated, with line and cure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from rawref.errors import InputError, raise_all
from rawref.mix.table import WATER_ID, Table
from rawref.needs.profile import number, read_rows
from rawref.registry.nearest import as_id, nearest

MIX_COLUMNS = ("ingredient_id", "grams", "as_purchased")
COOKED_WORDS = frozenset(
    [
        "cooked", "boiled", "broiled", "roasted", "roast", "braised", "simmered", "stewed", "fried", "grilled", "baked",
        "steamed", "poached", "microwaved", "canned", "smoked", "dried", "cured",
    ]
)  # fmt: skip
MAX_GRAMS = Fraction(10_000_000)  # ten tonnes: above this a slip of the keyboard
TOTALS = frozenset({"total", "sum", "batch", "yield", "gesamt", "summe", "somme"})


@dataclass(frozen=True, slots=True)
class MixRow:
    """One row of a mix: grams as written, edible unless `as_purchased`; `where` is file and line."""

    ingredient_id: str
    grams: Fraction
    as_purchased: bool
    where: str


def read_mix(
    path: Path, shown: str | None = None, table: Table | None = None, also: Iterable[str] = ()
) -> list[MixRow]:  # fmt: skip
    """The rows of a mix file `ingredient_id,grams[,as_purchased]`; with `table` every ingredient is looked up too.

    An ingredient may stand once by edible weight and once as purchased; a second row of the same sort is an error.
    Raises InputError with file, line and cure, InputErrors where several rows are bad.
    """
    name = shown or path.as_posix()
    rows: list[MixRow] = []
    faults: list[tuple[int, InputError]] = []
    seen: dict[tuple[str, bool], int] = {}
    own = frozenset(also)
    for line, row in read_rows(path, MIX_COLUMNS, name, ("ingredient_id", "grams"), faults):
        where = f"{name}:{line}"
        found: list[InputError] = []
        purchased = row["as_purchased"].lower()
        if purchased not in {"", "yes", "no"}:
            found.append(InputError(f"as_purchased is {row['as_purchased']!r}", where, "write yes, no or nothing"))
        try:
            grams = _grams(row["grams"], where)
        except InputError as fault:
            found.append(fault)
            grams = Fraction(1)
        item = MixRow(row["ingredient_id"], grams, purchased == "yes", where)
        known = item.ingredient_id
        try:
            known = _look_up(item, table, own)
        except InputError as fault:
            found.insert(0, fault)
        key = (known, item.as_purchased)
        if item.ingredient_id and key in seen:
            what = f"{key[0]} is already on line {seen[key]}"
            found.append(InputError(what, where, "add the grams up in one row"))
        seen.setdefault(key, line)
        faults += [(line, fault) for fault in found]
        rows.append(item)
    raise_all([fault for _, fault in sorted(faults, key=lambda item: item[0])], name)
    if not rows:
        raise InputError("the mix is empty", name, "give at least one row ingredient_id,grams")
    return rows


def named(path: Path, shown: str | None = None) -> frozenset[str]:
    """The ids that a mix file names, looked up nowhere. Raises InputError where the file is no mix file at all."""
    rows = read_rows(path, MIX_COLUMNS, shown or path.as_posix(), ("ingredient_id", "grams"), [])
    return frozenset(row["ingredient_id"] for _, row in rows)


def _grams(text: str, where: str) -> Fraction:
    grams = number(text, where, "grams", "above zero")
    if grams > MAX_GRAMS:
        what = f"grams is {text!r}, more than ten tonnes"
        raise InputError(what, where, "give grams; a smaller batch of the same recipe has the same verdicts")
    if grams == 0:
        raise InputError(f"grams is {text!r}", where, "write a weight above zero, or leave the row out")
    return grams


def _look_up(row: MixRow, table: Table | None, also: frozenset[str]) -> str:
    """The id that the row names, as the table has it.

    Raises InputError where the row names no ingredient, or one that the table cannot use as the row asks.
    """
    if not row.ingredient_id:
        raise InputError("no ingredient", row.where, "give an ingredient id in the first column")
    if row.ingredient_id.startswith(("=", "+", "-", "@")):
        what = f"{row.ingredient_id!r} would be a formula in a spreadsheet"
        raise InputError(what, row.where, "begin an id with a letter or a digit")
    if table is None:
        return row.ingredient_id
    resolved = resolve(table, row.ingredient_id, row.where, also)
    edible(table, MixRow(resolved, row.grams, row.as_purchased, row.where))
    return resolved


def edible(table: Table, row: MixRow) -> Fraction:
    """The edible grams of a row: the refuse comes off what was weighed as purchased. InputError where it is unknown."""
    if not row.as_purchased:
        return row.grams
    ingredient = table.ingredients.get(row.ingredient_id)
    refuse = ingredient.refuse_pct if ingredient else None
    if refuse is None:
        what = f"the refuse of {row.ingredient_id} is unknown, so its weight as purchased cannot be used"
        raise InputError(what, row.where, "weigh the edible part and leave as_purchased out")
    return row.grams * (1 - refuse / 100)


def resolve(table: Table, ingredient_id: str, where: str, also: Iterable[str] = ()) -> str:
    """The id in the table for what a user wrote: itself in any case and with any separator, a renamed id,
    or an id of `also` (assayed products).

    Raises InputError with near names for anything else; says so where a cooked food is asked for or an id is retired.
    """
    if ingredient_id in table.ingredients or ingredient_id == WATER_ID or ingredient_id in set(also):
        return ingredient_id
    if ingredient_id in table.aliases:
        target, standing = table.aliases[ingredient_id]
        if standing == "renamed" and target in table.ingredients:
            return target
        cure = f"use {target}" if target else "use another ingredient"
        raise InputError(f"ingredient {ingredient_id!r} is retired", where, cure)
    written = as_id(ingredient_id)
    if written in table.ingredients or written == WATER_ID:
        return written
    words = set(re.split(r"[^a-z]+", ingredient_id.lower()))
    if words & TOTALS:
        what = f"{ingredient_id!r} looks like a row of totals"
        raise InputError(what, where, "leave it out: the program adds up itself")
    if toxic := table.not_fed(ingredient_id):
        raise InputError(f"unknown ingredient {ingredient_id!r}: {toxic[0]['reason']}", where, "leave it out")
    cooked = sorted(words & COOKED_WORDS)
    base = "-".join(part for part in re.split(r"[-_ ]+", ingredient_id.lower()) if part not in COOKED_WORDS)
    near = near_ids(table, base, also)
    if cooked:
        cure = f"give the raw ingredient and its raw weight{': ' + ', '.join(near) if near else ''}"
        raise InputError(f"{ingredient_id!r} is {cooked[0]}: the table holds raw ingredients only", where, cure)
    cure = f"did you mean {', '.join(near)}?" if near else "look for it with rawref find"
    raise InputError(f"unknown ingredient {ingredient_id!r}", where, cure)


def near_ids(table: Table, text: str, also: Iterable[str] = ()) -> list[str]:
    """Up to three ids for `text`: those that its words mean, then those that look like it, nearest first."""
    meant = table.named_food(text) if table.named_food else []
    return list(dict.fromkeys([*meant, *nearest(text, [*table.ingredients, WATER_ID, *also], 3)]))[:3]


def substituted(rows: Sequence[MixRow], without: Sequence[str], replace: dict[str, str]) -> list[MixRow]:
    """The rows of the mix after leaving `without` out and putting B in the place of A at the same weight.

    Raises InputError where an ingredient to leave out or replace is not in the mix, or where nothing is left.
    """
    present = sorted({row.ingredient_id for row in rows})
    for ingredient_id in without:
        if ingredient_id in replace:
            what = f"{ingredient_id} is both left out and replaced"
            raise InputError(what, "--without", "give one of --without and --replace for an ingredient")
    for option, ids in (("--without", list(without)), ("--replace", list(replace))):
        for ingredient_id in ids:
            if ingredient_id not in present:
                near = nearest(ingredient_id, present, 3) or present
                raise InputError(f"{ingredient_id!r} is not in the mix", option, f"it holds {', '.join(near)}")
    changed = [
        MixRow(replace.get(row.ingredient_id, row.ingredient_id), row.grams, row.as_purchased, row.where)
        for row in rows
        if row.ingredient_id not in set(without)
    ]
    if not changed:
        raise InputError("nothing is left of the mix", "--without", "leave at least one ingredient in")
    return changed


def parse_replace(pairs: Sequence[str]) -> dict[str, str]:
    """`["A=B"]` as {"A": "B"}. Raises InputError for a text of another form or an ingredient replaced twice."""
    found: dict[str, str] = {}
    for pair in pairs:
        old, sign, new = (part.strip() for part in pair.partition("="))
        if not (old and sign and new):
            raise InputError(f"{pair!r} is not a replacement", "--replace", "write OLD=NEW, two ingredient ids")
        if old in found:
            raise InputError(f"{old} is replaced twice", "--replace", "give one replacement per ingredient")
        found[old] = new
    return found
