"""The published table as the trial mix reads it: ingredients, contents, gaps and peers, from one folder."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.database import parquet
from rawref.errors import InputError
from rawref.registry.units import units
from rawref.workspace import Workspace

WATER_GROUPS = frozenset({"finfish", "mollusc", "crustacean"})
LENT = "borrowed"
WATER_ID = "water"
# component NA is sodium and must stay text; the numbers keep the digits of the file
CSV_AS_TEXT = """read_csv(?, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"')"""
WATER_MOLAR_MASS = Fraction("18.015")  # g/mol, IUPAC 2021 abridged atomic weights


@dataclass(frozen=True, slots=True)
class Status:
    """A row of schemas/statuses.csv: whether it is evidence, and how it counts: known, range, unknown or nothing."""

    evidence: bool
    counts: str


UNKNOWN_STATUS = Status(False, "unknown")


@dataclass(frozen=True, slots=True)
class Ingredient:
    """What the mix needs to know of an ingredient; `refuse_pct` is None where the table does not say."""

    ingredient_id: str
    name: str
    species: str
    species_group: str
    part: str
    kind: str
    bone: str
    refuse_pct: Fraction | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A published cell, per 100 g edible portion in the canonical unit; numbers as exact fractions of their text."""

    status: str
    value: Fraction | None
    low: Fraction | None
    high: Fraction | None
    decision_id: str = ""
    origin: str = "table"


@dataclass(frozen=True, slots=True)
class Gap:
    """A gap row: its kind, what comparable foods hold (None where there are none), and the published ceiling."""

    kind: str
    needed_by: str
    detail: str
    peers_n: int | None
    peers_low: Fraction | None
    peers_median: Fraction | None
    peers_high: Fraction | None
    ceiling: Fraction | None = None

    @property
    def most(self) -> Fraction | None:
        """What the unknown holds at most: its ceiling, in a table without ceilings the high end of comparable foods."""
        return self.peers_high if self.ceiling is None else self.ceiling


@dataclass(frozen=True, slots=True)
class Share:
    """A part of a composite: its share of the weight, of 1, with the low and the high end."""

    ingredient_id: str
    share: Fraction
    low: Fraction
    high: Fraction


@dataclass(frozen=True, slots=True)
class Component:
    """A component of the registry."""

    component: str
    name: str
    unit: str
    group: str
    needed: bool
    definition: str = ""

    @property
    def short(self) -> str:
        """The name without what the registry explains behind it: Linoleic acid, Retinol, Thiamin."""
        return self.name.partition(" (")[0].partition(",")[0]


@dataclass(frozen=True, slots=True)
class Limit:
    """The most that a product can hold of a component: a row of schemas/assay_limits.csv, grams in 100 g."""

    caution: str
    part: str
    component: str
    grams: Fraction
    reason: str


@dataclass(frozen=True, slots=True)
class Rules:
    """schemas/mix_rules.csv: numbers that decide what a line of a mix says, by rule and component ("" for any)."""

    rows: Mapping[tuple[str, str], Fraction] = field(default_factory=dict)

    def of(self, rule: str, component: str = "") -> Fraction | None:
        """The number of a rule for a component, else its number for any component; None where there is none."""
        return self.rows.get((rule, component), self.rows.get((rule, "")))

    def number(self, rule: str) -> Fraction:
        """The number of a rule that every table has. KeyError for a name that the file lacks."""
        return self.rows[rule, ""]

    def components(self, rule: str) -> list[str]:
        """The components that a rule names."""
        return sorted(component for name, component in self.rows if name == rule and component)


@dataclass(slots=True)
class Table:
    """The curated table in memory. `cell` and `gap` parse on demand: a mix looks at a few of some thousand rows.

    `crystal_water`: g per 100 g of a pure salt that its formula holds as water. `rivals`: the largest other evidence
    for a cell, for the components whose excess harms (schemas/mix_rules.csv). `version`: of the accepted table.
    `thiaminase_free`: by species the standing of the report that it holds none, seen or memory. `never_fed`: what is
    toxic to cats, by a word of its name.
    `named`: reads what a person calls a component, as the other commands do; without it only tagnames and names do.
    `named_food`: the ids that a person's words for an ingredient fit; without it only their spelling is compared.
    `known`: what comparables.py has worked out so far, by component.
    """

    ingredients: dict[str, Ingredient]
    components: dict[str, Component]
    raw_cells: dict[tuple[str, str], tuple[str | None, ...]]
    raw_gaps: dict[tuple[str, str], tuple[str | None, ...]]
    cautions: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    mix_cautions: tuple[Mapping[str, str], ...] = ()
    formulas: tuple[Mapping[str, str], ...] = ()
    aliases: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    parts: Mapping[str, tuple[Share, ...]] = field(default_factory=dict)
    crystal_water: Mapping[str, Fraction] = field(default_factory=dict)
    folder: str = ""
    rivals: Mapping[tuple[str, str], Fraction] = field(default_factory=dict)
    rules: Rules = field(default_factory=Rules)
    assay_limits: tuple[Limit, ...] = ()
    spellings: Mapping[str, str] = field(default_factory=dict)
    thiaminase_free: Mapping[str, str] = field(default_factory=dict)
    never_fed: tuple[Mapping[str, str], ...] = ()
    version: str = ""
    statuses: Mapping[str, Status] = field(default_factory=dict)
    named: Callable[[str], str] | None = field(default=None, repr=False)
    named_food: Callable[[str], list[str]] | None = field(default=None, repr=False)
    known: dict[str, Any] = field(default_factory=dict, repr=False)
    _largest: dict[str, dict[str, str]] = field(default_factory=dict, repr=False)

    def cell(self, ingredient_id: str, component: str) -> Cell | None:
        """The published cell, or None where the table has no row."""
        row = self.raw_cells.get((ingredient_id, component))
        if row is None:
            return None
        status, value, low, high, decision = row
        return Cell(status or "missing", fraction(value), fraction(low), fraction(high), decision or "")

    def gap(self, ingredient_id: str, component: str) -> Gap | None:
        """The gap row that stands beside the cell, or None."""
        row = self.raw_gaps.get((ingredient_id, component))
        if row is None:
            return None
        kind, needed_by, detail, n, low, median, high, *rest = row
        peers_n = int(float(n)) if n else None
        ceiling = fraction(rest[0]) if rest else None
        return Gap(
            kind or "", needed_by or "", detail or "", peers_n, fraction(low), fraction(median), fraction(high), ceiling
        )

    def status(self, name: str) -> Status:
        """How a status counts; one that the registry lacks counts as unknown."""
        return self.statuses.get(name, UNKNOWN_STATUS)

    def evidence(self, ingredient_id: str, component: str) -> float | None:
        """The published figure where it is evidence, 0 where a source says nothing or less than it can measure, None
        where nothing is known."""
        row = self.raw_cells.get((ingredient_id, component))
        if row is None:
            return None
        status = self.status(row[0] or "missing")
        if status.evidence and row[1]:
            return float(row[1]) if (ingredient_id, component) not in self.raw_gaps else None
        return 0.0 if row[0] in {"trace", "below_detection", "assumed_zero", "not_applicable"} else None

    def largest(self, component: str, part: str = "") -> Fraction | None:
        """The largest content of the component in any raw ingredient that has evidence for it, and in the ingredients
        of a part, such as oils; None without one."""
        if part not in self._largest:
            found: dict[str, tuple[float, str]] = {}
            for (key, name), row in self.raw_cells.items():
                item = self.ingredients.get(key)
                if item is None or (item.kind != "raw" and item.part != part) or not row[1]:
                    continue
                amount = float(row[1])
                if (name not in found or amount > found[name][0]) and (
                    self.status(row[0] or "").evidence and (key, name) not in self.raw_gaps
                ):
                    found[name] = amount, row[1]
            self._largest[part] = {name: text for name, (_, text) in found.items()}
        return fraction(self._largest[part].get(component))

    def not_fed(self, ingredient_id: str) -> list[Mapping[str, str]]:
        """The rows of schemas/not_to_be_fed.csv whose words stand in an id, or in the name of its ingredient."""
        item = self.ingredients.get(ingredient_id)
        words = frozenset(re.findall(r"[a-z]+", f"{ingredient_id} {item.name if item else ''}".lower()))
        return registry.not_fed(self.never_fed, words)

    def largest_of_parts(self, component: str, parts: frozenset[str]) -> Fraction | None:
        """The largest content of the component that an ingredient of these parts has evidence for; None without one."""
        found = [
            Fraction(row[1]) for (key, name), row in self.raw_cells.items()
            if name == component and row[1] and self.status(row[0] or "").evidence and (key, name) not in self.raw_gaps
            and key in self.ingredients and self.ingredients[key].part in parts
        ]  # fmt: skip
        return max(found, default=None)

    def units(self) -> dict[str, str]:
        """Canonical unit per component."""
        return {key: component.unit for key, component in self.components.items()}


@cache  # the same few thousand texts, again and again
def fraction(text: str | None) -> Fraction | None:
    """A number of the table as an exact fraction; None for an empty cell."""
    return Fraction(text) if text else None


def load_table(workspace: Workspace, folder: Path | None = None) -> Table:
    """The table in `folder` (the accepted one unless given), with the vocabularies that a mix needs.

    Reads the CSV files, which are canonical, or the Parquet files where a CSV file is absent.
    Raises InputError where there is no table or a file lacks a column.
    """
    import duckdb  # 0.1 s: only the commands that read the table pay for it

    at = folder or workspace.curated
    shown = workspace.relative(at)
    with duckdb.connect() as database:
        ingredients = _read(
            database, at, shown, "ingredients",
            ("ingredient_id", "name", "species", "part", "kind", "bone", "refuse_pct", "cautions"),
        )  # fmt: skip
        cells = _read(
            database, at, shown, "values",
            ("ingredient_id", "component", "status", "value", "low", "high", "decision_id"),
        )  # fmt: skip
        gaps = _read(
            database, at, shown, "gaps",
            ("ingredient_id", "component", "kind", "needed_by", "detail", "peers_n", "peers_low", "peers_median",
             "peers_high", "ceiling"), optional=frozenset({"ceiling"}),
        )  # fmt: skip
        components = _read(
            database, at, shown, "components", ("component", "name", "unit", "group", "needed", "definition")
        )  # fmt: skip
        rules = read_rules(workspace.schemas / "mix_rules.csv")
        rivals = _rivals(database, at, rules.components("rival_evidence"), registry.evidence(workspace.schemas))
    groups = {row["species"]: row["species_group"] for row in _vocabulary(workspace.schemas / "species.csv")}
    return Table(
        ingredients={row[0]: _ingredient(row, groups) for row in ingredients},
        components={
            key: Component(key, name, unit, group or "", _yes(needed), definition or "")
            for key, name, unit, group, needed, definition in components
        },
        raw_cells={(row[0], row[1]): row[2:] for row in cells},
        raw_gaps={(row[0], row[1]): row[2:] for row in gaps},
        cautions={row["code"]: row for row in _vocabulary(workspace.schemas / "cautions.csv")},
        mix_cautions=tuple(_vocabulary(workspace.schemas / "mix_cautions.csv")),
        formulas=tuple(_vocabulary(workspace.schemas / "energy_formulas.csv")),
        aliases={
            row["alias"]: (row["ingredient_id"], row["standing"])
            for row in _vocabulary(workspace.maintainer / "ingredient_aliases.csv")
        },
        parts=_parts(workspace.maintainer / "composites.csv"),
        crystal_water=_crystal_water(workspace.schemas / "hydrates.csv"),
        folder=shown,
        rivals=rivals,
        rules=rules,
        spellings=units(workspace.schemas),
        assay_limits=tuple(
            Limit(row["caution"], row["part"], row["component"], Fraction(row["most_per_100g"]), row["reason"])
            for row in _vocabulary(workspace.schemas / "assay_limits.csv")
        ),
        thiaminase_free={
            row["species"]: row["standing"] for row in _vocabulary(workspace.schemas / "thiaminase_free.csv")
        },
        never_fed=tuple(_vocabulary(workspace.schemas / "not_to_be_fed.csv")),
        version=_version(at),
        statuses=statuses_of(workspace.schemas),
    )


def statuses_of(schemas: Path) -> dict[str, Status]:
    """How each status counts, from schemas/statuses.csv."""
    return {
        row["status"]: Status(row["evidence"] == "yes", row["counts_in_mix"]) for row in registry.statuses(schemas)
    }


def read_rules(path: Path) -> Rules:
    """The numbers of schemas/mix_rules.csv."""
    return Rules({(row["rule"], row["component"]): Fraction(row["value"]) for row in _vocabulary(path)})


def _version(folder: Path) -> str:
    manifest = folder / "manifest.json"
    return str(json.loads(manifest.read_text(encoding="utf-8")).get("version", "")) if manifest.is_file() else ""


def _rivals(
    database: Any, folder: Path, components: list[str], evidence: frozenset[str]
) -> dict[tuple[str, str], Fraction]:  # fmt: skip
    """The largest evidence that was not chosen, by cell; none where the folder has no candidates."""
    parquet, text = folder / "candidates.parquet", folder / "candidates.csv"
    if not components or not (parquet.is_file() or text.is_file()):
        return {}
    if parquet.is_file():
        source, path = "read_parquet(?)", parquet
    else:
        source, path = CSV_AS_TEXT, text
    found = database.execute(
        f"""SELECT ingredient_id, component, CAST(max(TRY_CAST(value AS DOUBLE)) AS VARCHAR) FROM {source}
        WHERE list_contains(?, component) AND list_contains(?, status) AND CAST(rank AS INTEGER) > 1
          AND coalesce(reason_not_chosen, '') NOT LIKE '%reject%'
        GROUP BY ALL HAVING max(TRY_CAST(value AS DOUBLE)) > 0""",
        [path.as_posix(), components, sorted(evidence)],
    ).fetchall()
    return {(row[0], row[1]): Fraction(row[2]) for row in found}


def _parts(path: Path) -> dict[str, tuple[Share, ...]]:
    """Per composite its parts with their shares."""
    found: dict[str, tuple[Share, ...]] = {}
    for row in _vocabulary(path):
        shares = (Fraction(row[column]) / 100 for column in ("share_pct", "share_low_pct", "share_high_pct"))
        part = Share(row["part_ingredient_id"], *shares)
        found[row["ingredient_id"]] = (*found.get(row["ingredient_id"], ()), part)
    return found


def _crystal_water(path: Path) -> dict[str, Fraction]:
    """Water in 100 g of each hydrate, by molar masses."""
    return {
        row["ingredient_id"]: Fraction(row["waters"]) * WATER_MOLAR_MASS / Fraction(row["molar_mass"]) * 100
        for row in _vocabulary(path)
    }


def _read(
    database: Any, folder: Path, shown: str, name: str, columns: tuple[str, ...],
    optional: frozenset[str] = frozenset(),
) -> list[Any]:  # fmt: skip
    """The rows of one table, every cell text or None, in file order; `optional` columns of an older table may lack."""
    import duckdb

    csv_file, parquet_file = folder / f"{name}.csv", folder / f"{name}.parquet"
    if optional and csv_file.is_file():
        with csv_file.open(encoding="utf-8", newline="") as file:
            present = set(next(csv.reader(file), []))
        columns = tuple(column for column in columns if column in present or column not in optional)
    wanted = ", ".join(f'"{column}"' for column in columns)
    if csv_file.is_file():
        path = csv_file
    elif parquet_file.is_file():
        wanted = ", ".join(f'CAST("{column}" AS VARCHAR)' for column in columns)
        path = parquet_file
    else:
        raise InputError("no table here", f"{shown}/{name}.csv", "run rawref build first")
    try:
        if path == parquet_file:
            return database.execute(f"SELECT {wanted} FROM ({parquet(database, path)})").fetchall()
        return database.execute(f"SELECT {wanted} FROM {CSV_AS_TEXT}", [path.as_posix()]).fetchall()
    except duckdb.Error as error:
        first = str(error).splitlines()[0]
        raise InputError(f"cannot be read: {first}", f"{shown}/{path.name}", "run rawref build again") from None


def _ingredient(row: Any, groups: Mapping[str, str]) -> Ingredient:
    key, name, species, part, kind, bone, refuse, cautions = (cell or "" for cell in row)
    group = groups.get(species, "")
    return Ingredient(key, name, species, group, part, kind, bone, fraction(refuse), list_of(cautions))


def list_of(text: str) -> tuple[str, ...]:
    """The items of a list cell: a JSON array in published files, semicolons in files that people write."""
    if text.startswith("["):
        return tuple(str(item) for item in json.loads(text))
    return tuple(item.strip() for item in text.split(";") if item.strip())


def _yes(text: str | None) -> bool:
    return (text or "").lower() in {"yes", "true", "1"}


def _vocabulary(path: Path) -> list[dict[str, str]]:
    """The rows of a small CSV file of ours; none where the file is absent."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
