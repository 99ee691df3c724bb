"""Requirement profiles: what a cat needs, per 1000 kcal ME, with the standing of every figure.

A profile is a CSV file with the columns of COLUMNS; ours lie in raw/maintainer/needs/. Amounts per dry matter presume
4 kcal ME per g DM, as FEDIAF, AAFCO and NRC all do, so that every base converts to 1000 kcal by a plain factor.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from rawref import registry
from rawref.errors import InputError
from rawref.registry.nearest import did_you_mean, nearest
from rawref.workspace import Workspace

COLUMNS = (
    "component", "bound", "kind", "value", "unit", "basis", "variant", "edition", "standing", "source", "note",
)  # fmt: skip
DEFAULT_NEED = "fediaf-2021-adult-mer75"
BOUNDS = ("minimum", "maximum")
IF_ADDED = "legal_if_added"
"""The variant of a maximum that holds when an addition carries the nutrient, and then for the total."""
KINDS = ("recommended", "minimum", "adequate_intake", "maximum_nutritional", "maximum_legal", "safe_upper_limit")
STANDINGS = ("seen", "seen_earlier_edition", "derived", "memory")

# Presumed energy density of the standards: 4 kcal ME per g dry matter (FEDIAF, AAFCO, NRC 2006), so 1000 kcal is 250 g
# DM. 1 kcal = 4.184 kJ.
PRESUMED_KCAL_PER_G_DM = Fraction(4)
TO_PER_1000KCAL: Mapping[str, Fraction] = {
    "per_1000kcal_ME": Fraction(1),
    "per_100g_DM": Fraction(10) / PRESUMED_KCAL_PER_G_DM,
    "per_kg_DM": Fraction(1) / PRESUMED_KCAL_PER_G_DM,
    "per_MJ": Fraction("4.184"),
}
MASS_IN_G: Mapping[str, Fraction] = {"g": Fraction(1), "mg": Fraction(1, 1000), "ug": Fraction(1, 1_000_000)}
IU_CURES: Mapping[str, str] = {
    "RETOL": "give ug retinol (1 IU = 0.3 ug)",
    "VITD": "give ug (1 ug = 40 IU)",
    "TOCPHA": "give mg alpha-tocopherol (1 IU = 0.67 mg in the unit of the standards)",
}
_NUMBER = re.compile(r"\d+(\.\d+)?([eE][+-]?\d+)?")
_MER = re.compile(r"-mer(\d+)$")
_OTHER_STAGES = re.compile(r"growth|reproduction|kitten|gestation|lactation")


@dataclass(frozen=True, slots=True)
class Bound:
    """One figure of a profile; `value` is in the canonical unit and on `basis`, `per_1000kcal` per 1000 kcal ME."""

    component: str
    bound: str
    kind: str
    value: Fraction
    unit: str
    basis: str
    variant: str
    edition: str
    standing: str
    source: str
    note: str
    line: int
    per_1000kcal: Fraction


@dataclass(frozen=True, slots=True)
class Need:
    """A profile: `name` is the stem of its file, `mer` the energy intake it presumes (kcal/kg^0.67) or None."""

    name: str
    path: str
    mer: int | None
    bounds: tuple[Bound, ...]
    others: tuple[tuple[str, Bound], ...] = ()
    """The maxima of the other profiles that come with the program, each with the name of its profile."""

    @property
    def is_adult(self) -> bool:
        """Whether the profile is for adults: by its name it is for no other stage of life."""
        return not _OTHER_STAGES.search(self.name)

    def applied(self, component: str, bound: str) -> Bound | None:
        """The figure that a verdict compares with: the row without a variant."""
        for row in self.bounds:
            if row.component == component and row.bound == bound and not row.variant:
                return row
        return None

    def if_added(self, component: str) -> Bound | None:
        """The legal maximum that holds for the total as soon as the nutrient is added."""
        for row in self.bounds:
            if row.component == component and row.bound == "maximum" and row.variant == IF_ADDED:
                return row
        return None

    def shown(self, component: str) -> tuple[Bound, ...]:
        """The figures of a variant (dry and canned food, legal maximum of additives): shown beside those applied."""
        return tuple(row for row in self.bounds if row.component == component and row.variant)

    def components(self) -> tuple[str, ...]:
        """The components and expressions named in the profile, in file order, each once."""
        return tuple(dict.fromkeys(row.component for row in self.bounds))


def parts_of(component: str) -> tuple[str, tuple[str, ...]]:
    """How an expression is made: ("sum", parts), ("ratio", (numerator, denominator)) or ("plain", (component,))."""
    if "/" in component:
        over, _, under = component.partition("/")
        return "ratio", (over, under)
    if "+" in component:
        return "sum", tuple(component.split("+"))
    return "plain", (component,)


def unit_of(component: str, units: Mapping[str, str]) -> str | None:
    """The canonical unit of a component or expression; None where a part is not a component or units do not agree."""
    form, parts = parts_of(component)
    found = {units.get(part) for part in parts}
    if None in found or len(found) != 1 or not all(parts):
        return None
    return "ratio" if form == "ratio" else found.pop()


def component_units(workspace: Workspace) -> dict[str, str]:
    """Canonical unit per component id, from the registry in schemas/components.csv."""
    path = workspace.schemas / "components.csv"
    if not path.is_file():
        raise InputError("the component registry is missing", workspace.relative(path), "restore it from git")
    with path.open(encoding="utf-8", newline="") as file:
        return {row["component"]: row["unit"] for row in csv.DictReader(file)}


def needs_folder(workspace: Workspace) -> Path:
    """Where the profiles that come with the program lie."""
    return workspace.maintainer / "needs"


def need_names(workspace: Workspace) -> list[str]:
    """The stems of the profiles at hand, sorted."""
    return sorted(path.stem for path in needs_folder(workspace).glob("*.csv"))


def find_need(workspace: Workspace, spec: str) -> Path:
    """The file of a profile given by stem or by path; InputError with near names where there is none."""
    ours = needs_folder(workspace) / f"{spec}.csv"
    if not re.search(r"[\\/]", spec) and ours.is_file():
        return ours
    given = Path(spec)
    if given.is_file():
        return given
    names = need_names(workspace)
    near = nearest(spec, names) or names
    raise InputError("no such requirement profile", spec, f"use one of {', '.join(near)}, or the path of a file")


def load_need(workspace: Workspace, spec: str = DEFAULT_NEED, units: Mapping[str, str] | None = None) -> Need:
    """Read and validate a profile by stem or path. Raises InputError with file, line and cure."""
    path = find_need(workspace, spec)
    units = units if units is not None else component_units(workspace)
    need = read_need(path, units, workspace.relative(path))
    return replace(need, others=_maxima_of_others(workspace, need.name, units))


def _maxima_of_others(workspace: Workspace, name: str, units: Mapping[str, str]) -> tuple[tuple[str, Bound], ...]:
    """The maxima of the other profiles at hand, of the default first; those of growth only for a profile of growth."""
    found = []
    for stem in sorted(need_names(workspace), key=lambda stem: (stem != DEFAULT_NEED, stem)):
        if stem != name and ("growth" in name or "growth" not in stem):
            path = needs_folder(workspace) / f"{stem}.csv"
            rows = read_need(path, units, workspace.relative(path)).bounds
            found += [(stem, row) for row in rows if row.bound == "maximum"]
    return tuple(found)


def read_need(path: Path, units: Mapping[str, str], shown: str | None = None) -> Need:
    """The profile in `path`; `units` gives the canonical unit per component, `shown` the file name in messages."""
    name = shown or path.as_posix()
    rows = read_rows(path, COLUMNS, name, required=("component", "bound", "value", "unit", "basis", "standing"))
    bounds = tuple(_bound(row, line, name, units) for line, row in rows)
    if not bounds:
        raise InputError("the profile has no row", name, "give at least one component with a minimum or maximum")
    _no_doubles(bounds, name)
    _no_crossing(bounds, name)
    match = _MER.search(path.stem)
    return Need(path.stem, name, int(match.group(1)) if match else None, bounds)


def read_rows(
    path: Path,
    columns: tuple[str, ...],
    shown: str,
    required: tuple[str, ...],
    faults: list[tuple[int, InputError]] | None = None,
) -> list[tuple[int, dict[str, str]]]:
    """(line, row) of a CSV file that people write; cells stripped, blank lines passed over, missing columns empty.

    Raises InputError for a file that cannot be read, is not UTF-8, lacks a required column, has an unknown one, or
    has a row with too many or too few cells; such a row goes to `faults` with its line where that is given.
    """
    try:
        text = registry.plain_text(path, shown)
    except FileNotFoundError:
        raise InputError("no such file", shown, "check the path") from None
    except OSError as error:
        raise InputError(error.strerror or "cannot be read", shown, "give a CSV file that can be read") from None
    _check_separator(text, columns, shown)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        return _rows_of(reader, columns, shown, required, faults)
    except csv.Error as error:
        line = registry.faulty_quote(text) or reader.line_num
        raise InputError(f"not CSV: {error}", f"{shown}:{line}", registry.MEND_QUOTE) from None


def number(text: str, where: str, what: str, span: str = "of zero or above") -> Fraction:
    """A plain decimal number, zero or above; InputError otherwise (a decimal comma, a unit, a sign, nothing).

    `span`: what the remedy asks for.
    """
    if not _NUMBER.fullmatch(text):
        cure = f"write a number {span} with a decimal point and without a unit"
        problem = "is missing" if not text else f"is negative: {text!r}" if text.startswith("-") else f"is {text!r}"
        raise InputError(f"{what} {problem}", where, cure)
    # a text such as 1e999999999 would be an integer of a billion digits
    exponent = re.split(r"[eE]", text)[1:]
    if len(text) > 40 or (exponent and abs(int(exponent[0])) > 12):
        raise InputError(f"{what} is {text!r}", where, "write a number of ordinary size")
    return Fraction(text)


def _rows_of(
    reader: object,
    columns: tuple[str, ...],
    shown: str,
    required: tuple[str, ...],
    faults: list[tuple[int, InputError]] | None,
) -> list[tuple[int, dict[str, str]]]:
    rows: list[tuple[int, dict[str, str]]] = []
    heading: list[str] | None = None
    for cells in reader:  # type: ignore[attr-defined]
        line = reader.line_num  # type: ignore[attr-defined]
        cells = [cell.strip() for cell in cells]
        if not any(cells):
            continue
        if heading is None:
            heading = cells
            _check_heading(heading, columns, f"{shown}:{line}", required)
            continue
        if len(cells) > len(heading) or len(cells) < len(required):
            what = f"{len(cells)} cell{'s' if len(cells) != 1 else ''} where the heading has {len(heading)}"
            fault = InputError(what, f"{shown}:{line}", "give one cell per column; quote cells that hold commas")
            if faults is None:
                raise fault
            faults.append((line, fault))
            continue
        row = dict.fromkeys(columns, "")
        row.update(zip(heading, cells, strict=False))
        rows.append((line, row))
    if heading is None:
        raise InputError("the file is empty", shown, f"begin with the heading {','.join(required)}")
    return rows


def _check_separator(text: str, columns: tuple[str, ...], shown: str) -> None:
    """Spreadsheets of many countries write semicolons, since the comma is their decimal sign."""
    lines = text.splitlines()
    line = next((number for number, words in enumerate(lines, 1) if words.strip()), 0)
    heading = lines[line - 1] if line else ""
    for sign, name in ((";", "semicolon"), ("\t", "tab")):
        words = [word.strip(' "') for word in heading.split(sign)]
        if len(words) > 1 and (set(words) & set(columns) or words[0] == "sep="):
            cure = "save it as CSV with commas between the cells and a point in decimal numbers"
            raise InputError(f"the file looks {name}-separated", f"{shown}:{line}", cure)


def _check_heading(heading: list[str], columns: tuple[str, ...], where: str, required: tuple[str, ...]) -> None:
    missing = [column for column in required if column not in heading]
    if missing:
        raise InputError(f"no column {', '.join(missing)}", where, f"begin with the heading {','.join(columns)}")
    unknown = [column for column in heading if column not in columns]
    if unknown:
        raise InputError(f"unknown column {', '.join(unknown)}", where, f"the columns are {','.join(columns)}")
    if len(set(heading)) != len(heading):
        raise InputError("a column is named twice", where, f"the columns are {','.join(columns)}")


def _bound(row: dict[str, str], line: int, name: str, units: Mapping[str, str]) -> Bound:
    where = f"{name}:{line}"
    component = row["component"]
    unit = unit_of(component, units)
    if unit is None:
        cure = did_you_mean(component, units, "use a component of schemas/components.csv, A+B or A/B")
        raise InputError(f"unknown component {component!r}", where, cure)
    _one_of(row["bound"], BOUNDS, "bound", where)
    if row["kind"]:
        _one_of(row["kind"], KINDS, "kind", where)
    _one_of(row["basis"], tuple(TO_PER_1000KCAL), "basis", where)
    _one_of(row["standing"], STANDINGS, "standing", where)
    value = number(row["value"], where, "value") * unit_factor(row["unit"], unit, component, where)
    ratio = unit == "ratio"  # a ratio by mass has no base
    return Bound(
        component, row["bound"], row["kind"], value, unit, row["basis"], row["variant"], row["edition"],
        row["standing"], row["source"], row["note"], line,
        value if ratio else value * TO_PER_1000KCAL[row["basis"]],
    )  # fmt: skip


def unit_factor(given: str, unit: str, component: str, where: str) -> Fraction:
    """What a number in `given` is multiplied by to be in `unit`; InputError where it does not fit."""
    if given == unit:
        return Fraction(1)
    if given in MASS_IN_G and unit in MASS_IN_G:
        return MASS_IN_G[given] / MASS_IN_G[unit]
    cure = IU_CURES.get(component, f"give {unit}") if given == "IU" else f"give {unit}"
    raise InputError(f"unit {given!r} does not fit {component}", where, cure)


def _one_of(value: str, allowed: tuple[str, ...], what: str, where: str) -> None:
    if value not in allowed:
        raise InputError(f"bad {what} {value!r}", where, f"use one of {', '.join(allowed)}")


def _no_doubles(bounds: tuple[Bound, ...], name: str) -> None:
    seen: dict[tuple[str, str, str], int] = {}
    for row in bounds:
        key = (row.component, row.bound, row.variant)
        if key in seen:
            what = f"{row.bound} of {row.component} is given twice, first on line {seen[key]}"
            raise InputError(what, f"{name}:{row.line}", "keep one row, or name a variant")
        seen[key] = row.line


def _no_crossing(bounds: tuple[Bound, ...], name: str) -> None:
    lowest = {row.component: row for row in bounds if row.bound == "minimum" and not row.variant}
    for row in bounds:
        least = lowest.get(row.component)
        if row.bound == "maximum" and not row.variant and least and least.per_1000kcal > row.per_1000kcal:
            what = f"the maximum of {row.component} is below its minimum (line {least.line}) per 1000 kcal"
            raise InputError(what, f"{name}:{row.line}", "check value, unit and basis of both rows")
