"""Tables, profiles and mixes made up for the tests of the trial mix, in the columns of the published ones."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from rawref.mix.energy import factors_of
from rawref.mix.inputs import MixRow
from rawref.mix.table import Table, load_table
from rawref.needs.profile import Need, component_units, read_need
from rawref.workspace import Workspace

REPO = Path(__file__).resolve().parents[1]
WORKSPACE = Workspace(REPO)
RECIPES = sorted(
    (file for place in ("tests/data", "raw/maintainer") for file in (REPO / place / "mixes").glob("*.csv")),
    key=lambda file: file.stem,
)
"""Every recipe of the repository."""
COLUMNS = {
    "ingredients": "ingredient_id,name,scientific_name,species,part,kind,state,skin,bone,fat_trim,additions,refuse_pct,"
    "refuse_note,langual,cautions,source_foods,components_valued,components_measured,components_missing",
    "values": "ingredient_id,component,value,unit,basis,status,low,high,spread_basis,n,confidence,source,release,"
    "food_id,food_name,match_quality,source_component,source_value,source_unit,derivation,donor_food_id,donor_state,file,line,"
    "steps,reference_ids,alternatives,disagreement,decision_id,reason",
    "gaps": "ingredient_id,component,needed_by,kind,detail,peers_n,peers_low,peers_median,peers_high,unit,remedy,"
    "ceiling,ceiling_basis",
    "components": "component,name,unit,group,needed,usage_warning,definition,source_components",
}
EVIDENCE = {"measured", "calculated", "composed", "label_claim", "unspecified"}
PROXIMATES = ("WATER", "PROCNT", "FAT", "ASH", "CHOCDF", "FIBTG")


def write_table(
    folder: Path,
    ingredients: Iterable[Mapping[str, str]],
    values: Iterable[Mapping[str, str]],
    peers: Mapping[tuple[str, str], str] | None = None,
) -> Path:
    """Write the four files. Every ingredient gets a row per needed component, `missing` where none is given, and a gap
    row where there is no evidence, with `peers_high` from `peers`."""
    units = component_units(WORKSPACE)
    with (REPO / "schemas" / "components.csv").open(encoding="utf-8", newline="") as file:
        needed = [row["component"] for row in csv.DictReader(file) if row["needed"] == "yes"]
    own = list(ingredients)
    given = {(row["ingredient_id"], row["component"]): dict(row) for row in values}
    cells, gaps = [], []
    for item in own:
        for component in needed:
            key = (item["ingredient_id"], component)
            row = {"ingredient_id": key[0], "component": component, "unit": units[component], "status": "missing"}
            row.update(given.get(key, {}))
            cells.append(row)
            if row["status"] not in EVIDENCE:
                high = (peers or {}).get(key, "")
                kind = "only_imputed" if row["status"] == "imputed" else "not_reported"
                gaps.append(
                    {
                        "ingredient_id": key[0], "component": component, "kind": kind, "unit": units[component],
                        "peers_n": "5" if high else "", "peers_high": high,
                    }
                )  # fmt: skip
    registry = [
        {"component": key, "name": key.title(), "unit": units[key], "group": "", "needed": "true"} for key in needed
    ]
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in (("ingredients", own), ("values", cells), ("gaps", gaps), ("components", registry)):
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS[name].split(","), restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return folder


def ingredient(
    ingredient_id: str, species: str = "chicken", part: str = "muscle", kind: str = "raw", refuse_pct: str = "",
    cautions: str = "[]", bone: str = "no",
) -> dict[str, str]:  # fmt: skip
    """A row of ingredients.csv."""
    return {
        "ingredient_id": ingredient_id, "name": ingredient_id, "species": species, "part": part, "kind": kind,
        "state": "raw", "bone": bone, "refuse_pct": refuse_pct, "cautions": cautions,
    }  # fmt: skip


def cells(ingredient_id: str, status: str = "measured", **amounts: str) -> list[dict[str, str]]:
    """Rows of values.csv from "value low high" by component; a lone value has no spread, `-` is no value."""
    found = []
    for component, text in amounts.items():
        value, low, high = (*text.split(), "", "")[:3]
        found.append(
            {
                "ingredient_id": ingredient_id, "component": component, "value": "" if value == "-" else value,
                "low": low, "high": high, "status": status,
            }
        )  # fmt: skip
    return found


def table_of(
    folder: Path,
    ingredients: Iterable[Mapping[str, str]],
    values: Iterable[Mapping[str, str]],
    peers: Mapping[tuple[str, str], str] | None = None,
) -> Table:
    """The table written to `folder` and read back by the program."""
    return load_table(WORKSPACE, write_table(folder, ingredients, values, peers))


NEED_HEADING = "component,bound,kind,value,unit,basis,variant,edition,standing,source,note\n"
UNITS = component_units(WORKSPACE)
with (REPO / "schemas" / "energy_formulas.csv").open(encoding="utf-8", newline="") as _file:
    FORMULA_ROWS = tuple(csv.DictReader(_file))
FORMULAS = factors_of(FORMULA_ROWS)

# USDA SR28, NDB 05096 (chicken, dark meat, thigh, meat only, raw) as quoted in the worked examples en07 and en19 to
# en22; other contents are round numbers of our own.
THIGH = {"WATER": "76.22", "PROCNT": "19.66", "FAT": "4.12", "ASH": "0.95"}


def rows_of(*pairs: tuple[str, str | int]) -> list[MixRow]:
    return [MixRow(key, Fraction(grams), False, f"mix:{n}") for n, (key, grams) in enumerate(pairs, 2)]


def need_of(folder: Path, *lines: str, name: str = "own-adult") -> Need:
    file = folder / f"{name}.csv"
    file.write_text(NEED_HEADING + "\n".join(lines) + "\n", encoding="utf-8")
    return read_need(file, UNITS)


def minimum(component: str, value: str, unit: str, variant: str = "", standing: str = "memory") -> str:
    return f"{component},minimum,recommended,{value},{unit},per_1000kcal_ME,{variant},2021,{standing},a standard,"


def maximum(component: str, value: str, unit: str, variant: str = "", standing: str = "seen") -> str:
    return f"{component},maximum,safe_upper_limit,{value},{unit},per_1000kcal_ME,{variant},2021,{standing},a standard,"


def entry(result: Mapping[str, Any], component: str) -> dict[str, Any]:
    return next(row for row in result["components"] if row["component"] == component)
