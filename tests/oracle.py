"""A second reading of the SR28 release and of the published table, by other code than the program's.

The release is read with zipfile and by splitting lines, the table with the csv module, amounts with decimal. Nothing
here imports the program, so that an error in it cannot hide in its own test.
"""

from __future__ import annotations

import csv
import functools
import json
import math
import re
import zipfile
from decimal import Decimal
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ARCHIVE = ROOT / "raw" / "usda-sr28" / "28" / "sr28asc.zip"

NUT_DATA = [
    "NDB_No",
    "Nutr_No",
    "Nutr_Val",
    "Num_Data_Pts",
    "Std_Error",
    "Src_Cd",
    "Deriv_Cd",
    "Ref_NDB_No",
    "Add_Nutr_Mark",
    "Num_Studies",
    "Min",
    "Max",
    "DF",
    "Low_EB",
    "Up_EB",
    "Stat_Cmt",
    "AddMod_Date",
    "CC",
]
"""Fields of the values file, SR28 documentation p. 32 to 34."""

STATUS_ORDER = (
    "measured",
    "composed",
    "calculated",
    "unspecified",
    "label_claim",
    "imputed",
    "below_detection",
    "trace",
    "assumed_zero",
    "missing",
)
"""From the best known origin to none."""

EVIDENCE = {"measured", "calculated", "composed", "label_claim", "unspecified"}


@functools.cache
def member(name: str) -> bytes:
    """The bytes of one file of the release."""
    with zipfile.ZipFile(ARCHIVE) as bundle:
        return bundle.read(name)


@functools.cache
def lines(name: str) -> list[bytes]:
    """The lines of one file of the release, without their ends; line k of the file is item k - 1."""
    body = member(name)
    assert body.endswith(b"\r\n")
    return body[:-2].split(b"\r\n")


def split(line: bytes) -> list[str | None]:
    """Fields of one line: text between tildes as it is ("" where empty), nothing between carets as None."""
    found: list[str | None] = []
    for field in line.decode("cp1252").split("^"):
        if field.startswith("~"):
            assert field.endswith("~") and len(field) >= 2
            found.append(field[1:-1])
        else:
            found.append(field or None)
    return found


def fields(number: int) -> dict[str, str | None]:
    """Line `number` of the values file by field name."""
    return dict(zip(NUT_DATA, split(lines("NUT_DATA.txt")[number - 1]), strict=True))


@functools.cache
def table(name: str) -> list[list[str | None]]:
    """Every row of one (small) file of the release."""
    return [split(line) for line in lines(f"{name}.txt")]


@functools.cache
def line_numbers() -> dict[str, dict[str, int]]:
    """Food, then nutrient number, to the line of the values file."""
    found: dict[str, dict[str, int]] = {}
    for number, line in enumerate(lines("NUT_DATA.txt"), start=1):
        found.setdefault(line[1:6].decode(), {})[line[9:12].decode()] = number
    return found


def value(food: str, nutrient: str) -> Decimal:
    """The published number of a food and nutrient of SR28."""
    return Decimal(str(fields(line_numbers()[food][nutrient])["Nutr_Val"]))


@functools.cache
def base(folder: Path, ingredient: str, nutrient: str) -> Decimal:
    """Fat (204) or protein (203) of an ingredient, g per 100 g, that its blocks are re-expressed on."""
    key = (ingredient, component := {"204": "FAT", "203": "PROCNT"}[nutrient])
    row = next(r for r in published(folder, "values") if (r["ingredient_id"], r["component"]) == key)
    source, food = proximate_foods(folder)[ingredient]
    assert (row["source"], row["food_id"]) == (source, food), f"{ingredient}: {component} is of another food"
    return value(food, nutrient) if source == "usda-sr28" else Decimal(row["value"])


@functools.cache
def food_names() -> dict[str, str]:
    """Long description by food."""
    return {str(row[0]): str(row[2]) for row in table("FOOD_DES")}


@functools.cache
def units() -> dict[str, str]:
    """Unit as printed, by nutrient number."""
    return {str(row[0]): str(row[1]) for row in table("NUTR_DEF")}


def read_csv(path: Path) -> list[dict[str, str]]:
    """Rows of one of our CSV files."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream, strict=True))


@functools.cache
def schema(name: str) -> list[dict[str, str]]:
    """Rows of a registry file."""
    return read_csv(ROOT / "schemas" / f"{name}.csv")


@functools.cache
def maintainer(name: str) -> list[dict[str, str]]:
    """Rows of a maintainer file."""
    return read_csv(ROOT / "raw" / "maintainer" / f"{name}.csv")


@functools.cache
def factors() -> dict[str, Decimal | None]:
    """Factor by step id; None where the step is a formula."""
    return {row["id"]: Decimal(row["factor"]) if row["factor"] else None for row in schema("conversions")}


@functools.cache
def blocks() -> dict[str, str]:
    """Block (proximate, fatty_acid, amino_acid or "") by needed component."""
    return {row["component"]: row["block"] for row in schema("components") if row["needed"] == "yes"}


@functools.cache
def component_map() -> dict[tuple[str, str], tuple[int, list[str]]]:
    """SR28: (nutrient number, component) to preference and steps."""
    return {
        (row["source_component"], row["component"]): (int(row["preference"]), json.loads(row["steps"] or "[]"))
        for row in schema("component_sources")
        if row["source"] == "usda-sr28"
    }


@functools.cache
def status_map() -> dict[tuple[str, str], str]:
    """SR28: (kind, code) to status, after value_status_map.csv."""
    return {(row["kind"], row["code"]): row["status"] for row in schema("status_map") if row["source"] == "usda-sr28"}


def sr28_status(row: dict[str, str | None]) -> str:
    """Status of one row of the values file after value_status_map.csv: the derivation decides, then rules on zeros."""
    code, derivation = str(row["Src_Cd"]), row["Deriv_Cd"]
    status = status_map()[("derivation", derivation) if derivation else ("source_code", code)]
    samples = int(row["Num_Data_Pts"] or 0)
    # amino acids (501 to 521) without a sample are a pattern per protein: nobody analysed this food
    if "501" <= str(row["Nutr_No"]) <= "521" and status == "measured" and code == "1" and samples == 0:
        return "calculated"
    if Decimal(str(row["Nutr_Val"])) != 0 or status == "assumed_zero":
        return status
    comments = re.findall(r"\d+", row["Stat_Cmt"] or "")
    if status == "measured" and ("1" in comments or samples > 0):
        return "below_detection"
    if code == "4":
        return "imputed"
    if derivation in ("AR", "DA") and samples > 0:
        return "below_detection"
    if status == "measured" and code == "1" and samples == 0:
        return "calculated"
    return status


def number(text: str) -> float | None:
    """A number of the published table; None where the cell is blank."""
    return float(text) if text else None


def near(one: float, other: float, relative: float = 1e-9) -> bool:
    """Whether two numbers agree within `relative`."""
    return math.isclose(one, other, rel_tol=relative, abs_tol=0.0)


@functools.cache
def published(folder: Path, name: str) -> list[dict[str, str]]:
    """Rows of one published CSV file, every cell as its text."""
    return read_csv(folder / f"{name}.csv")


def by_cell(rows: list[dict[str, str]]) -> dict[tuple[str, str], list[dict[str, str]]]:
    """Rows by ingredient and component, in file order."""
    found: dict[tuple[str, str], list[dict[str, str]]] = {}
    for row in rows:
        found.setdefault((row["ingredient_id"], row["component"]), []).append(row)
    return found


@functools.cache
def proximate_foods(folder: Path) -> dict[str, tuple[str, str]]:
    """Source and food of the water, protein and fat of each ingredient that has them from one."""
    found = {}
    for row in published(folder, "values"):
        if row["component"] == "WATER" and row["source"] and row["source"] != "maintainer":
            found[row["ingredient_id"]] = (row["source"], row["food_id"])
    return found
