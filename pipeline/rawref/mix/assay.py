"""The user's own laboratory or label figures, held against the table and against what 100 g can hold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

from rawref.clock import now
from rawref.errors import InputError, raise_all
from rawref.mix.inputs import resolve
from rawref.mix.table import Cell, Table
from rawref.needs.profile import IU_CURES, MASS_IN_G, number, read_rows, unit_factor
from rawref.registry.nearest import did_you_mean

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
# Steps iu_retinol, vitd_iu_to_ug and vite_iu_natural. A label IU of vitamin E is the unit that the standards count in
# (1 IU = 1 mg all-rac-alpha-tocopheryl acetate), and the profiles carry that unit as 0.67 mg RRR-alpha-tocopherol, so
# requirement and supplement stay in one currency.
IU_IN = {"RETOL": Fraction(3, 10), "VITD": Fraction(1, 40), "TOCPHA": Fraction(67, 100)}
# Water, protein, fat and ash of one sample may add up to a little more than the sample, by analytical error (common
# practice, no source), g per 100 g.
PARTS_OF_100_G = ("WATER", "PROCNT", "FAT", "ASH")
TOLERANCE_G = Fraction(5)
PART_OF = {"amino_acid": "PROCNT", "fatty_acid": "FAT", "fat_soluble_vitamin": "FAT", "macro_mineral": "ASH",
           "trace_element": "ASH"}  # fmt: skip
FAR = 10  # times the table's interval: an error of unit rather than another animal (common practice, no source)
DILUTED = Fraction("0.5")  # of its formula: less is no longer that substance (common practice, no source)
ROUNDING = Fraction(102, 100)  # of a formula's content: a laboratory may find two per cent more (common practice)
EARLIEST = date(1950, 1, 1)  # older figures are typing errors (common practice, no source)
LABEL = "label"


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

    @property
    def silences(self) -> bool:
        """Whether it may take a caution away: a label's zero may be rounding, or a duty not to state."""
        return not (self.laboratory.lower() == LABEL and not _least(self.cell))


Assays = dict[tuple[str, str], Assay]


def read_assay(path: Path, table: Table, shown: str | None = None, also: Iterable[str] = ()) -> Assays:
    """The user's figures of an assay file, by (ingredient, component), per 100 g in canonical units.

    An ingredient that the table lacks is allowed where it is in `also`, the ids that the mix names: a product of the
    user's own. A value is a number, `<2` for below a limit (a range from nothing to it), or empty beside low and high
    (a range without a figure). Bases on dry matter take the water of the same file, else of the table. Raises
    InputError with file, line and cure, InputErrors where several rows are bad.
    """
    name = shown or path.as_posix()
    required = ("ingredient_id", "component", "unit", "basis", "laboratory", "date")
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
    faults += _too_full(found, table) + _no_room(found, table)
    raise_all([fault for _, fault in sorted(faults, key=lambda item: item[0])], name)
    return found


def _too_full(found: Assays, table: Table) -> list[tuple[int, InputError]]:
    """A fault, at the last of its rows, for every ingredient that holds more than its own weight, the table's water,
    protein, fat and ash included where the file gives none."""
    faults = []
    for ingredient_id in dict.fromkeys(key for key, _ in found):
        own = {part: found[ingredient_id, part] for part in PARTS_OF_100_G if (ingredient_id, part) in found}
        if not own:
            continue
        rest = {part: _figure(table, ingredient_id, part) for part in PARTS_OF_100_G if part not in own}
        total = sum((_least(item.cell) for item in own.values()), Fraction(0))
        beside = sum(rest.values(), Fraction(0))
        line, where = max((int(item.where.rpartition(":")[2]), item.where) for item in own.values())
        if total > 100 + TOLERANCE_G:
            what = f"{', '.join(own)} of {ingredient_id} add up to {float(total):.4g} g in 100 g"
            faults.append((line, InputError(what, where, "check unit and basis of these rows")))
        elif total + beside > 100 + TOLERANCE_G:
            lacking = [part for part in PARTS_OF_100_G if rest.get(part)]
            what = (
                f"{', '.join(own)} of {ingredient_id} and {', '.join(lacking)} of the table add up to "
                f"{float(total + beside):.4g} g in 100 g"
            )
            faults.append((line, InputError(what, where, f"give {' and '.join(lacking)} of the same product too")))
        else:
            faults += _too_wide(ingredient_id, own, total + beside)
    return faults


def _no_room(found: Assays, table: Table) -> list[tuple[int, InputError]]:
    """A fault for every figure of a nutrient that is more than the other parts of the food leave of 100 g: what is a
    part of the protein, the fat or the ash beside the other three, anything else beside the four."""
    faults = []
    for (ingredient_id, name), item in found.items():
        component = table.components[name]
        grams = _least(item.cell) * MASS_IN_G.get(component.unit, Fraction(0))
        if name in PARTS_OF_100_G or name in {"CHOCDF", "FIBTG"} or grams <= TOLERANCE_G:
            continue
        rest = [part for part in PARTS_OF_100_G if part != PART_OF.get(component.group)]
        figures = {
            part: _least(found[ingredient_id, part].cell) if (ingredient_id, part) in found
            else _figure(table, ingredient_id, part)
            for part in rest
        }  # fmt: skip
        if grams + sum(figures.values(), Fraction(0)) > 100 + TOLERANCE_G:
            beside = " and ".join(part for part, amount in figures.items() if amount)
            what = f"{float(grams):.4g} g of {name} leave no room for {beside} in 100 g of {ingredient_id}"
            faults.append((int(item.where.rpartition(":")[2]), InputError(what, item.where, "check unit and basis")))
    return faults


def _too_wide(
    ingredient_id: str, own: Mapping[str, Assay], least: Fraction
) -> list[tuple[int, InputError]]:  # fmt: skip
    """A fault for every range without a figure whose high end the others, `least` in all, leave no room for."""
    faults = []
    for part, item in own.items():
        if item.cell.value is None and item.cell.high is not None:
            whole = least - _least(item.cell) + item.cell.high
            if whole > 100 + TOLERANCE_G:
                what = (
                    f"at the high end of {part}, water, protein, fat and ash of {ingredient_id} are "
                    f"{float(whole):.4g} g in 100 g"
                )
                cure = "give a high end that the others leave room for"
                faults.append((int(item.where.rpartition(":")[2]), InputError(what, item.where, cure)))
    return faults


def _least(cell: Cell) -> Fraction:
    """The figure, of a range its low end."""
    return cell.value if cell.value is not None else cell.low or Fraction(0)


def _figure(table: Table, ingredient_id: str, component: str) -> Fraction:
    cell = table.cell(ingredient_id, component)
    return cell.value if cell is not None and cell.value is not None else Fraction(0)


def _take(row: dict[str, str], where: str, found: Assays, table: Table, also: frozenset[str]) -> None:
    """Put the figure of one row of an assay file into `found`."""
    if not row["ingredient_id"]:
        raise InputError("no ingredient", where, "give an ingredient id in the first column")
    ingredient_id = resolve(table, row["ingredient_id"], where, also)
    component = table.components[component_of(table, row["component"], where)]
    if component.component in {"ENERC_KCAL", "ENERC"} or component.unit in {"kcal", "kJ"}:
        cure = "give protein, fat, ash and water of the product: energy is computed from them"
        raise InputError("a figure for energy changes nothing here", where, cure)
    key = (ingredient_id, component.component)
    if key in found:
        what = f"{key[1]} of {key[0]} is given twice, first at {found[key].where}"
        raise InputError(what, where, "keep one figure, with low and high for the spread")
    assay = _assay(row, where, key, component.unit, found, table)
    _within_limits(table, key, component.unit, assay, where)
    found[key] = assay


def component_of(table: Table, text: str, where: str) -> str:
    """The component of a tagname in any case, of a name with or without what stands behind it in the registry, or of
    the words that `Table.named` reads. InputError for anything else."""
    asked = text.strip().lower()
    for key, component in table.components.items():
        if asked in {key.lower(), component.name.lower(), component.short.lower()}:
            if component.needed or component.unit in {"kcal", "kJ"} or table.named is None:
                return key  # what is kept for checks only has no row in the table: the words say what to ask for
            break
    if table.named is not None and asked:
        try:
            return table.named(text.strip())
        except InputError as fault:
            raise InputError(fault.what, where, fault.cure) from None
    cure = did_you_mean(text, table.components, "use an id of curated/components.csv, or its name")
    raise InputError(f"unknown component {text!r}", where, cure)


def _within_limits(table: Table, key: tuple[str, str], unit: str, assay: Assay, where: str) -> None:
    """Raises InputError for more than the substance can hold: by its formula, or by schemas/assay_limits.csv."""
    ingredient = table.ingredients.get(key[0])
    if ingredient is None or unit not in MASS_IN_G:
        return
    grams = (assay.cell.high or assay.cell.value or Fraction(0)) * MASS_IN_G[unit]
    cell = table.cell(*key)
    evidence = cell is not None and table.status(cell.status).evidence
    if "pure_substance" in ingredient.cautions and cell is not None and cell.value and evidence:
        pure = cell.value * MASS_IN_G[unit]
        what = f"{float(grams):.4g} g of {key[1]} in 100 g; pure {key[0]} holds {float(pure):.4g} g"
        if grams > pure * ROUNDING:
            raise InputError(what, where, "check unit and basis")
        if grams < pure * DILUTED:
            cure = "check unit and basis; give a diluted product an ingredient_id of its own, in mix and assay"
            raise InputError(what, where, cure)
    for limit in table.assay_limits:
        fits = limit.caution in ingredient.cautions if limit.caution else limit.part == ingredient.part
        if fits and limit.component == key[1] and grams > limit.grams:
            what = f"{float(grams):.4g} g of {key[1]} in 100 g of {key[0]}: at most {float(limit.grams):.4g} g"
            raise InputError(f"{what} ({limit.reason})", where, "check unit and basis")


def _assay(row: dict[str, str], where: str, key: tuple[str, str], unit: str, found: Assays, table: Table) -> Assay:
    if row["basis"] not in ASSAY_BASES:
        raise InputError(f"bad basis {row['basis']!r}", where, f"use one of {', '.join(ASSAY_BASES)}")
    if not row["laboratory"]:
        raise InputError("no laboratory", where, "name the laboratory, or write label")
    _check_date(row["date"], where)
    factor = _unit(row["unit"], unit, key[1], table.spellings, where) * ASSAY_BASES[row["basis"]]
    if row["basis"].endswith("_DM"):
        factor *= _dry_share(key[0], found, table, where)
    value, low, high, text = _amounts(row, where)
    for what, amount in (("", value), (" at the high end", high)):
        if unit in MASS_IN_G and amount is not None and amount * factor * MASS_IN_G[unit] > 100:
            raise InputError(f"more than 100 g of {key[1]} in 100 g{what}", where, "check unit and basis")
    status = "label_claim" if row["laboratory"].lower() == LABEL else "measured"
    value, low, high = (None if amount is None else amount * factor for amount in (value, low, high))
    cell = Cell(status, value, low, high, "", "assay")
    return Assay(cell, text, row["unit"], row["basis"], row["laboratory"], row["date"], row["note"], where)


def _amounts(
    row: Mapping[str, str], where: str
) -> tuple[Fraction | None, Fraction | None, Fraction | None, str]:  # fmt: skip
    """Value, low and high as written, with a text that tells them: a figure, `<limit`, or a range alone."""
    given = row["value"]
    if given.startswith("<"):
        if row["low"] or row["high"]:
            what = f"value is {given!r}, which is a range, and low or high is given too"
            raise InputError(what, where, "leave low and high empty, or leave value empty")
        limit = number(given[1:].strip(), where, "the limit in value")
        if not limit:
            raise InputError(f"value is {given!r}", where, "give the limit below which it was not found, such as <2")
        return None, Fraction(0), limit, given
    low, high = (number(row[end], where, end) if row[end] else None for end in ("low", "high"))
    if not given:
        if low is None or high is None or not low < high:
            what = "no value" if low is None or high is None else f"low {row['low']} is not below high {row['high']}"
            raise InputError(what, where, "give a number, or <LIMIT where it was not found, or low and high")
        return None, low, high, f"{row['low']} to {row['high']}"
    value = number(given, where, "value")
    if (low is not None and low > value) or (high is not None and high < value):
        raise InputError("value is outside low and high", where, "check the three numbers")
    return value, low, high, given


def _check_date(text: str, where: str) -> None:
    try:
        on = date.fromisoformat(text)
    except ValueError:
        raise InputError(f"date is {text!r}", where, "write the date as YYYY-MM-DD") from None
    if on > (now() + timedelta(hours=14)).date():  # today's date anywhere on earth (UTC+14)
        raise InputError(f"date is {text}, in the future", where, "give the date of the analysis or the label")
    if on < EARLIEST:
        raise InputError(f"date is {text}, before {EARLIEST.year}", where, "give the date of the analysis or the label")


def _unit(given: str, unit: str, component: str, spellings: Mapping[str, str], where: str) -> Fraction:
    given = spellings.get(given, spellings.get(given.lower(), given))
    if given == "pct" and unit in MASS_IN_G:
        return unit_factor("g", unit, component, where)
    if given == "IU" and component in IU_IN:
        return IU_IN[component]
    if given == "IU":
        raise InputError(f"unit 'IU' does not fit {component}", where, IU_CURES.get(component, f"give {unit}"))
    return unit_factor(given, unit, component, where)


def _dry_share(ingredient_id: str, found: Assays, table: Table, where: str) -> Fraction:
    """Grams of dry matter per gram of the product, from its assayed or published water."""
    assayed = found.get((ingredient_id, "WATER"))
    cell = assayed.cell if assayed else table.cell(ingredient_id, "WATER")
    if cell is None or cell.value is None:
        cure = "give the water of the product in the assay file, or the figure per 100 g as supplied"
        what = "only a range" if cell is not None and cell.high is not None else "unknown"
        raise InputError(f"the water of {ingredient_id} is {what}, so dry matter cannot be converted", where, cure)
    return 1 - cell.value / 100


def assay_rows(
    table: Table, assays: Assays, used: Sequence[tuple[str, str]]
) -> tuple[list[dict[str, Any]], list[dict[str, str]]]:
    """The figures that the mix asks for, and those that it does not, as rows for output; `far_from_table`: what the
    table has of it (low and high per 100 g), where the figure lies a tenfold and more outside of that."""
    taken = [
        {
            "ingredient_id": key[0], "component": key[1], "value": item.text, "unit": item.unit,
            "basis": item.basis, "laboratory": item.laboratory, "date": item.date, "where": item.where,
            "note": item.note, "far_from_table": _far_from_table(table, key, item),
        }
        for key, item in sorted(assays.items()) if key in used
    ]  # fmt: skip
    left = [
        {"ingredient_id": key[0], "component": key[1], "where": item.where}
        for key, item in sorted(assays.items())
        if key not in used
    ]
    return taken, left


def _far_from_table(table: Table, key: tuple[str, str], item: Assay) -> list[float | None] | None:
    """The interval that an assay lies far from, or [None, ceiling] where the table has none and what an unknown is
    bounded by is passed."""
    cell, gap = table.cell(*key), table.gap(*key)
    own = item.cell.value if item.cell.value is not None else item.cell.high
    if own is None:
        return None
    if cell is not None and cell.low is not None and cell.high is not None and table.status(cell.status).evidence:
        far = own > FAR * cell.high or own * FAR < cell.low
        return [float(cell.low), float(cell.high)] if far else None
    most = gap.most if gap else None
    return [None, float(most)] if most is not None and own > most else None
