"""What people hand to the trial mix: mix file, assay file, substitutions; all validated, with line and cure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

from rawref.clock import now
from rawref.errors import InputError, raise_all
from rawref.mix.table import WATER_ID, Cell, Table
from rawref.needs.profile import IU_CURES, MASS_IN_G, number, read_rows, unit_factor
from rawref.registry.nearest import did_you_mean, nearest

MIX_COLUMNS = ("ingredient_id", "grams", "as_purchased")
ASSAY_COLUMNS = (
    "ingredient_id", "component", "value", "unit", "basis", "laboratory", "date", "low", "high", "note",
)  # fmt: skip
# Factor to 100 g; the bases on dry matter need the water of the same product.
ASSAY_BASES = {
    "per_100g": Fraction(1),
    "per_kg": Fraction(1, 10),
    "per_g": Fraction(100),
    "per_100g_DM": Fraction(1),
    "per_kg_DM": Fraction(1, 10),
}
IU_TO_UG = {"RETOL": Fraction(3, 10), "VITD": Fraction(1, 40)}  # steps iu_retinol and vitd_iu_to_ug
COOKED_WORDS = frozenset(
    [
        "cooked", "boiled", "broiled", "roasted", "roast", "braised", "simmered", "stewed", "fried", "grilled", "baked",
        "steamed", "poached", "microwaved", "canned", "smoked", "dried", "cured",
    ]
)  # fmt: skip
# Water, protein, fat and ash of one sample may add up to a little more than the sample, by analytical error (common
# practice, no source), g per 100 g.
PARTS_OF_100_G = ("WATER", "PROCNT", "FAT", "ASH")
TOLERANCE_G = Fraction(5)
MAX_GRAMS = Fraction(10_000_000)  # ten tonnes: above this a slip of the keyboard


@dataclass(frozen=True, slots=True)
class MixRow:
    """One row of a mix: grams as written, edible unless `as_purchased`; `where` is file and line."""

    ingredient_id: str
    grams: Fraction
    as_purchased: bool
    where: str


@dataclass(frozen=True, slots=True)
class Assay:
    """A user's own figure, per 100 g in the canonical unit, with the laboratory or label that it is from."""

    cell: Cell
    text: str
    unit: str
    basis: str
    laboratory: str
    date: str
    note: str
    where: str


Assays = dict[tuple[str, str], Assay]


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
        try:
            _look_up(item, table, own)
        except InputError as fault:
            found.insert(0, fault)
        key = (item.ingredient_id, item.as_purchased)
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
    grams = number(text, where, "grams")
    if grams == 0 or grams > MAX_GRAMS:
        raise InputError(f"grams is {text!r}", where, "write a weight above zero, or leave the row out")
    return grams


def _look_up(row: MixRow, table: Table | None, also: frozenset[str]) -> None:
    """Raises InputError where the row names no ingredient, or one that the table cannot use as the row asks."""
    if not row.ingredient_id:
        raise InputError("no ingredient", row.where, "give an ingredient id in the first column")
    if table is not None:
        resolved = resolve(table, row.ingredient_id, row.where, also)
        edible(table, MixRow(resolved, row.grams, row.as_purchased, row.where))


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
    """The id in the table for what a user wrote: itself, a renamed id, or an id of `also` (assayed products).

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
    words = set(re.split(r"[^a-z]+", ingredient_id.lower()))
    cooked = sorted(words & COOKED_WORDS)
    base = "-".join(part for part in re.split(r"[-_ ]+", ingredient_id.lower()) if part not in COOKED_WORDS)
    near = near_ids(table, base, also)
    if cooked:
        cure = f"give the raw ingredient and its raw weight{': ' + ', '.join(near) if near else ''}"
        raise InputError(f"{ingredient_id!r} is {cooked[0]}: the table holds raw ingredients only", where, cure)
    cure = f"did you mean {', '.join(near)}?" if near else "look for it with rawref find"
    raise InputError(f"unknown ingredient {ingredient_id!r}", where, cure)


def near_ids(table: Table, text: str, also: Iterable[str] = ()) -> list[str]:
    """Up to three ids that look like `text`, nearest first."""
    return nearest(text, [*table.ingredients, WATER_ID, *also], 3)


def read_assay(path: Path, table: Table, shown: str | None = None, also: Iterable[str] = ()) -> Assays:
    """The user's figures of an assay file, by (ingredient, component), per 100 g in canonical units.

    An ingredient that the table lacks is allowed where it is in `also`, the ids that the mix names: a product of the
    user's own. Bases on dry matter take the water of the same file, else of the table. Raises InputError with file,
    line and cure, InputErrors where several rows are bad.
    """
    name = shown or path.as_posix()
    required = ("ingredient_id", "component", "value", "unit", "basis", "laboratory", "date")
    faults: list[tuple[int, InputError]] = []
    rows = read_rows(path, ASSAY_COLUMNS, name, required, faults)
    if not rows and not faults:
        raise InputError("the assay file has no row", name, "give at least one figure")
    found: Assays = {}
    own = frozenset(also) - {""}
    # water first, so that a figure on dry matter finds the water of the same product wherever it stands
    for line, row in sorted(rows, key=lambda item: (item[1]["component"] != "WATER", item[0])):
        try:
            _take(row, f"{name}:{line}", found, table, own)
        except InputError as fault:
            faults.append((line, fault))
    faults += _too_full(found)
    raise_all([fault for _, fault in sorted(faults, key=lambda item: item[0])], name)
    return found


def _too_full(found: Assays) -> list[tuple[int, InputError]]:
    """A fault, at the last of its rows, for every ingredient that holds more than its own weight."""
    faults = []
    for ingredient_id in dict.fromkeys(key for key, _ in found):
        own = {part: found[ingredient_id, part] for part in PARTS_OF_100_G if (ingredient_id, part) in found}
        total = sum((item.cell.value or Fraction(0) for item in own.values()), Fraction(0))
        if total > 100 + TOLERANCE_G:
            line, where = max((int(item.where.rpartition(":")[2]), item.where) for item in own.values())
            what = f"{', '.join(own)} of {ingredient_id} add up to {float(total):.4g} g in 100 g"
            faults.append((line, InputError(what, where, "check unit and basis of these rows")))
    return faults


def _take(row: dict[str, str], where: str, found: Assays, table: Table, also: frozenset[str]) -> None:
    """Put the figure of one row of an assay file into `found`."""
    if not row["ingredient_id"]:
        raise InputError("no ingredient", where, "give an ingredient id in the first column")
    ingredient_id = resolve(table, row["ingredient_id"], where, also)
    component = table.components.get(row["component"])
    if component is None:
        cure = did_you_mean(row["component"], table.components, "use an id of curated/components.csv")
        raise InputError(f"unknown component {row['component']!r}", where, cure)
    key = (ingredient_id, component.component)
    if key in found:
        what = f"{key[1]} of {key[0]} is given twice, first at {found[key].where}"
        raise InputError(what, where, "keep one figure, with low and high for the spread")
    found[key] = _assay(row, where, key, component.unit, found, table)


def _assay(row: dict[str, str], where: str, key: tuple[str, str], unit: str, found: Assays, table: Table) -> Assay:
    if row["basis"] not in ASSAY_BASES:
        raise InputError(f"bad basis {row['basis']!r}", where, f"use one of {', '.join(ASSAY_BASES)}")
    if not row["laboratory"]:
        raise InputError("no laboratory", where, "name the laboratory, or write label")
    try:
        on = date.fromisoformat(row["date"])
    except ValueError:
        raise InputError(f"date is {row['date']!r}", where, "write the date as YYYY-MM-DD") from None
    if on > (now() + timedelta(hours=14)).date():  # today's date anywhere on earth (UTC+14)
        raise InputError(f"date is {row['date']}, in the future", where, "give the date of the analysis or the label")
    factor = _unit(row["unit"], unit, key[1], where) * ASSAY_BASES[row["basis"]]
    if row["basis"].endswith("_DM"):
        factor *= _dry_share(key[0], found, table, where)
    value = number(row["value"], where, "value") * factor
    low = number(row["low"], where, "low") * factor if row["low"] else None
    high = number(row["high"], where, "high") * factor if row["high"] else None
    if (low is not None and low > value) or (high is not None and high < value):
        raise InputError("value is outside low and high", where, "check the three numbers")
    if unit in MASS_IN_G and value * MASS_IN_G[unit] > 100:
        raise InputError(f"more than 100 g of {key[1]} in 100 g", where, "check unit and basis")
    cell = Cell("measured" if row["laboratory"].lower() != "label" else "label_claim", value, low, high, "", "assay")
    return Assay(cell, row["value"], row["unit"], row["basis"], row["laboratory"], row["date"], row["note"], where)


def _unit(given: str, unit: str, component: str, where: str) -> Fraction:
    if given == "pct" and unit in {"g", "mg", "ug"}:
        return unit_factor("g", unit, component, where)
    if given == "IU" and component in IU_TO_UG:
        return IU_TO_UG[component]
    if given == "IU":
        raise InputError(f"unit 'IU' does not fit {component}", where, IU_CURES.get(component, f"give {unit}"))
    return unit_factor(given, unit, component, where)


def _dry_share(ingredient_id: str, found: Assays, table: Table, where: str) -> Fraction:
    """Grams of dry matter per gram of the product, from its assayed or published water."""
    assayed = found.get((ingredient_id, "WATER"))
    cell = assayed.cell if assayed else table.cell(ingredient_id, "WATER")
    if cell is None or cell.value is None:
        cure = "give the water of the product in the assay file, or the figure per 100 g as supplied"
        raise InputError(f"the water of {ingredient_id} is unknown, so dry matter cannot be converted", where, cure)
    return 1 - cell.value / 100


def substituted(rows: Sequence[MixRow], without: Sequence[str], replace: dict[str, str]) -> list[MixRow]:
    """The rows of the mix after leaving `without` out and putting B in the place of A at the same weight.

    Raises InputError where an ingredient to leave out or replace is not in the mix, or where nothing is left.
    """
    present = sorted({row.ingredient_id for row in rows})
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
