"""A tiny database in memory, sound by itself, into which faults are planted: for the gate's self-test and the tests."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.checks.run import FRAME
from rawref.database import connect, run_file
from rawref.registry.units import load_units

if TYPE_CHECKING:
    import duckdb

SOURCE = "usda-sr28"
# A plausible lean beef, per 100 g: no published food, but within every threshold of the catalogue.
SOUND: dict[str, float] = {
    "WATER": 72.0,
    "PROCNT": 21.0,
    "FAT": 5.5,
    "ASH": 1.1,
    "CHOCDF": 0.0,
    "FIBTG": 0.0,
    "SUGAR": 0.0,
    "ENERC_KCAL": 139.0,
    "ENERC_KJ": 583.0,
    "NT": 3.36,
    "FATNLEA": 5.0,
    "FASAT": 2.2,
    "FAMS": 2.3,
    "FAPU": 0.3,
    "F18D2": 0.2,
    "F18D3": 0.02,
    "F20D4": 0.04,
    "F18D2N6": 0.2,
    "F18D3N3": 0.02,
    "F20D4N6": 0.04,
    "F20D5N3": 0.005,
    "F22D6N3": 0.003,
    "CHOLE": 60.0,
    "ALA": 1.28,
    "ARG": 1.37,
    "ASP": 1.92,
    "CYS": 0.22,
    "GLU": 3.16,
    "GLY": 1.28,
    "HIS": 0.7,
    "ILE": 0.95,
    "LEU": 1.66,
    "LYS": 1.75,
    "MET": 0.54,
    "PHE": 0.83,
    "PRO": 1.0,
    "SER": 0.83,
    "THR": 0.85,
    "TRP": 0.21,
    "TYR": 0.67,
    "VAL": 1.04,
    "HYP": 0.15,
    "CA": 10.0,
    "P": 200.0,
    "K": 340.0,
    "NA": 60.0,
    "NACL_EQ": 0.15,
    "MG": 23.0,
    "FE": 2.0,
    "CU": 0.08,
    "MN": 0.01,
    "ZN": 4.0,
    "SE": 20.0,
    "RETOL": 3.0,
    "VITA_RAE": 3.0,
    "VITA": 3.0,
    "VITA_IU": 10.0,
    "CARTB": 0.0,
    "CARTA": 0.0,
    "CRYPXB": 0.0,
    "VITD": 0.1,
    "VITD_IU": 4.0,
    "CHOCAL": 0.1,
    "ERGCAL": 0.0,
    "TOCPHA": 0.3,
    "VITE": 0.4,
    "VITK1": 1.2,
    "THIA": 0.08,
    "RIBF": 0.2,
    "NIA": 5.0,
    "NIAEQ": 8.5,
    "PANTAC": 0.6,
    "VITB6A": 0.5,
    "VITB12": 2.0,
    "FOL": 6.0,
    "FOLFD": 6.0,
    "FOLAC": 0.0,
    "FOLDFE": 6.0,
    "CHOLN": 70.0,
    "VITC": 0.0,
}
ASSUMED_ZERO = ("CHOCDF", "FIBTG", "SUGAR", "VITC", "FOLAC")
FOOD = {
    "source": SOURCE,
    "release": "28",
    "group_code": "1300",
    "scientific_name": "Bos taurus",
    "realm": "animal",
    "species": "cattle",
    "species_group": "bovine",
    "part": "muscle",
    "state": "raw",
    "skin": "not_applicable",
    "bone": "no",
    "fat_trim": "lean_only",
    "additions": "none",
    "composite": False,
    "may_supply_raw": "yes",
    "witnesses": "{}",
    "langual": "[]",
}
INGREDIENT = {
    "scientific_name": "Bos taurus",
    "species": "cattle",
    "part": "muscle",
    "kind": "raw",
    "state": "raw",
    "skin": "not_applicable",
    "bone": "no",
    "fat_trim": "lean_only",
    "additions": "none",
    "langual": "[]",
    "cautions": "[]",
    "source_foods": "[]",
    "components_valued": 0,
    "components_measured": 0,
    "components_missing": 0,
}
Row = dict[str, Any]


class Scene:
    """Rows for the database, by table; `database()` writes them all at once."""

    def __init__(self, schemas: Path) -> None:
        self.schemas = schemas
        self.rows: dict[str, list[Row]] = {}
        self.units = {c["component"]: c["unit"] for c in registry.components(schemas)}
        self.needed = [c["component"] for c in registry.components(schemas) if c["needed"] == "yes"]
        self.put(
            "archival.releases",
            source=SOURCE,
            release="28",
            release_date="2015-09",
            country="United States",
            source_order=0,
        )

    def put(self, table: str, **columns: Any) -> Row:
        """One row of a table, to be written later; the row itself, for changing."""
        self.rows.setdefault(table, []).append(columns)
        return columns

    def food(
        self,
        food_id: str,
        values: dict[str, float | None] | None = None,
        *,
        rows: dict[str, Row] | None = None,
        factors: Row | None = None,
        **facets: Any,
    ) -> None:
        """A source food with the sound profile, changed by `values` (None takes one out) and `rows` per component."""
        stated = FOOD | {"food_id": food_id, "name": f"Beef, {food_id}, separable lean only, raw"} | facets
        self.put("reference.foods", **stated)
        self.put(
            "archival.foods",
            source=stated["source"],
            release=stated["release"],
            food_id=food_id,
            name=stated["name"],
            **(
                {"nitrogen_factor": 6.25, "protein_factor": 4.27, "fat_factor": 9.02, "cho_factor": 3.87}
                if factors is None
                else factors
            ),
        )
        profile = {**SOUND, **(values or {})}
        for component, x in profile.items():
            if x is None:
                continue
            status = "assumed_zero" if x == 0 and component in ASSUMED_ZERO else "measured"
            row = {
                "source": stated["source"],
                "release": stated["release"],
                "food_id": food_id,
                "component": component,
                "source_component": component,
                "preference": 1,
                "text": f"{x:g}",
                "value": x,
                "unit": self.units.get(component, "g"),
                "status": status,
                "evidence": status == "measured",
                "n": 3,
                "source_code": "1",
                "derivation": "A",
                "steps": "[]",
                "year": 2012,
            } | (rows or {}).get(component, {})
            comment = row.pop("stat_comment", None)
            self.put('reference."values"', **row)
            self.put(
                'archival."values"',
                source=stated["source"],
                release=stated["release"],
                food_id=food_id,
                source_component=row["source_component"],
                text=row["text"],
                n=None if row["n"] is None else str(row["n"]),
                source_code=row["source_code"],
                derivation=row["derivation"],
                stat_comment=comment,
            )

    def ingredient(
        self,
        ingredient_id: str,
        food_id: str | None,
        values: dict[str, float | None] | None = None,
        *,
        rows: dict[str, Row] | None = None,
        match: str = "A",
        **facets: Any,
    ) -> None:
        """An ingredient with a published cell, and a gap where it has no evidence, for every needed component."""
        self.put(
            "curated.ingredients", **(INGREDIENT | {"ingredient_id": ingredient_id, "name": ingredient_id} | facets)
        )
        if food_id:
            self.put(
                "reference.links",
                ingredient_id=ingredient_id,
                source=SOURCE,
                release="28",
                food_id=food_id,
                match_quality=match,
            )
        profile: dict[str, float | None] = {**SOUND, **(values or {})} if food_id else dict(values or {})
        for component in self.needed:
            x = profile.get(component)
            unit = self.units[component]
            row: Row = {
                "ingredient_id": ingredient_id,
                "component": component,
                "unit": unit,
                "steps": "[]",
                "basis": "per 100 g edible portion, raw",
                "reference_ids": "[]",
                "alternatives": "[]",
                "reason": "test",
            }
            if x is None:
                row |= {"status": "missing"}
            else:
                status = "assumed_zero" if x == 0 and component in ASSUMED_ZERO else "measured"
                row |= {
                    "value": x,
                    "low": x,
                    "high": x,
                    "status": status,
                    "n": 3,
                    "confidence": "A",
                    "source": SOURCE,
                    "release": "28",
                    "food_id": food_id,
                    "food_name": "test",
                    "match_quality": match,
                    "source_component": component,
                    "source_value": f"{x:g}",
                    "source_unit": unit,
                    "derivation": "1/A",
                    "file": "NUT_DATA.txt",
                    "line": "1",
                }
            row |= (rows or {}).get(component, {})
            self.put('curated."values"', **row)
            if row["status"] not in registry.evidence(self.schemas):
                self.put(
                    "curated.gaps",
                    ingredient_id=ingredient_id,
                    component=component,
                    needed_by="[]",
                    kind="not_reported",
                    detail="test",
                    peers_n=0,
                    unit=unit,
                    remedy="test",
                )

    def database(self) -> duckdb.DuckDBPyConnection:
        """The database in memory, with every row written."""
        con = connect(threads=1)
        run_file(con, FRAME / "skeleton.sql")
        load_units(con, self.schemas)
        registry.load_statuses(con, self.schemas)
        registry.load_source_traits(con, self.schemas)
        for name in registry.PUBLISHED:
            columns = ", ".join(f'"{f.column}" {f.sql_type}' for f in registry.fields(self.schemas)[name])
            con.execute(f'create table curated."{name}"({columns})')
        _insert(
            con,
            "reference.components",
            [
                {
                    "component": c["component"],
                    "name": c["name"],
                    "unit": c["unit"],
                    "group": c["group"],
                    "needed": c["needed"] == "yes",
                    "block": c["block"] or None,
                }
                for c in registry.components(self.schemas)
            ],
        )
        for table, lines in self.rows.items():
            _insert(con, table, lines)
        return con


def _insert(con: duckdb.DuckDBPyConnection, table: str, lines: list[Row]) -> None:
    columns = list(dict.fromkeys(column for line in lines for column in line))
    shape = json.dumps([dict.fromkeys(columns, "VARCHAR")])
    con.execute(
        f"insert into {table} by name select unnest(line) from (select unnest(from_json(?, '{shape}')) as line)",
        [json.dumps(lines)],
    )
