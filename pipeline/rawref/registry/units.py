"""Units: one list of spellings (schemas/units.csv), and the steps between units (schemas/conversions.csv)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rawref import registry
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb


def units(schemas: Path) -> dict[str, str]:
    """Each spelling of a unit, as sources print it, to the unit that it is. InputError where one stands twice."""
    found: dict[str, str] = {}
    for line, row in registry.read_csv(schemas / "units.csv", "schemas/units.csv"):
        if row["spelling"] in found:
            raise InputError(
                f"spelling {row['spelling']!r} stands twice", f"schemas/units.csv:{line}", "take one of the rows out"
            )
        found[row["spelling"]] = row["unit"]
    return found


def load_units(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Create reference.units(spelling, unit) and reference.step_units(step, from_unit, to_unit).

    A step stands in step_units where both its ends are units of the list and it has a factor.
    """
    spellings = units(schemas)
    con.execute("create table reference.units as select unnest($s) as spelling, unnest($u) as unit",
                {"s": list(spellings), "u": list(spellings.values())})
    legal = set(spellings.values())
    walked = [(i, s["from_unit"], s["to_unit"]) for i, s in registry.steps(schemas).items()
              if s["factor"] and s["from_unit"] in legal and s["to_unit"] in legal]
    con.execute("create table reference.step_units as select unnest($i) as step, unnest($f) as from_unit,"
                " unnest($t) as to_unit", {"i": [w[0] for w in walked], "f": [w[1] for w in walked],
                                           "t": [w[2] for w in walked]})


def step_between(schemas: Path, declared: str, expected: str) -> str | None:
    """The id of the plain step that leads from one unit to another, for any component; None where there is none."""
    for name, step in registry.steps(schemas).items():
        if (step["from_component"], step["from_unit"], step["to_unit"]) == ("any", declared, expected):
            return name
    return None


def shown_unit(unit: str | None) -> str:
    """A unit of ours as a person reads it: µg for ug, nothing for a ratio."""
    return {"ug": "µg", "ratio": ""}.get(unit or "", unit or "")
