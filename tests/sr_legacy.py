"""An SR Legacy CSV archive made from SR28's own values.

Layout from the publisher's field descriptions (the workbook in the Foundation Foods archive); no official archive was
at hand, so this one shows that the documented form is read, not that the official file has that form. The foods,
names, groups and figures are SR28's (SR Legacy is a later release of that table); fdc_id, record ids and the derivation
ids are invented.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from tests import oracle

UNITS = {"g": "G", "mg": "MG", "µg": "UG", "IU": "IU", "kcal": "KCAL", "kJ": "kJ"}
CONFIRMED = {"A": "1", "AS": "4", "NC": "49"}
"""Derivation ids that Foundation Foods uses too."""

Rows = list[dict[str, str]]


@cache
def nutrient_ids() -> dict[str, str]:
    """SR28 nutrient number to FoodData Central id, as the registry pairs them (tests/test_sr_legacy.py checks it)."""
    ids = {(r["component"], r["preference"]): r["source_component"]
           for r in oracle.schema("component_sources") if r["source"] == "usda-sr-legacy"}
    return {r["source_component"]: ids[r["component"], r["preference"]]
            for r in oracle.schema("component_sources") if r["source"] == "usda-sr28"}


@cache
def derivation_ids() -> dict[str, str]:
    """Derivation code to an id: the three that are confirmed, and invented ones."""
    codes = [str(row[0]) for row in oracle.table("DERIV_CD")]
    return {code: CONFIRMED.get(code, str(1000 + place)) for place, code in enumerate(codes)}


def fdc_id(food: str) -> str:
    """The invented fdc_id of an SR28 food."""
    return str(900_000 + int(food))


def tables(foods: Iterable[str]) -> dict[str, Rows]:
    """Rows by file stem for these SR28 foods, with every value of a nutrient that the registry maps."""
    chosen = sorted(set(foods))
    described = {str(row[0]): row for row in oracle.table("FOOD_DES")}
    groups = {str(row[0]): str(place) for place, row in enumerate(oracle.table("FD_GROUP"), start=1)}
    made: dict[str, Rows] = {
        "food": [
            {"fdc_id": fdc_id(food), "data_type": "sr_legacy_food", "description": str(described[food][2]),
             "food_category_id": groups[str(described[food][1])], "publication_date": "2019-04-01"}
            for food in chosen
        ],
        "sr_legacy_food": [{"fdc_id": fdc_id(food), "NDB_number": str(int(food))} for food in chosen],
        "food_category": [
            {"id": groups[str(row[0])], "code": str(row[0]), "description": str(row[1])}
            for row in oracle.table("FD_GROUP")
        ],
        "nutrient": [
            {"id": nutrient_ids()[str(row[0])], "name": str(row[3]), "unit_name": UNITS[str(row[1])],
             "nutrient_nbr": str(row[0]), "rank": str(row[5])}
            for row in oracle.table("NUTR_DEF") if row[0] in nutrient_ids()
        ],
        "food_nutrient_derivation": [
            {"id": derivation_ids()[str(row[0])], "code": str(row[0]), "description": str(row[1])}
            for row in oracle.table("DERIV_CD")
        ],
        "food_nutrient_conversion_factor": [],
        "food_protein_conversion_factor": [],
        "food_nutrient": [],
    }
    for food in chosen:
        if factor := described[food][10]:
            number = str(70_000 + int(food))
            made["food_nutrient_conversion_factor"].append({"id": number, "fdc_id": fdc_id(food)})
            made["food_protein_conversion_factor"].append(
                {"food_nutrient_conversion_factor_id": number, "value": factor})
        for nutrient, line in oracle.line_numbers()[food].items():
            if nutrient in nutrient_ids():
                row = oracle.fields(line)
                made["food_nutrient"].append({
                    "id": str(line), "fdc_id": fdc_id(food), "nutrient_id": nutrient_ids()[nutrient],
                    "amount": row["Nutr_Val"] or "", "data_points": row["Num_Data_Pts"] or "",
                    "derivation_id": derivation_ids()[row["Deriv_Cd"]] if row["Deriv_Cd"] else "",
                    "min": row["Min"] or "", "max": row["Max"] or "",
                })
    return made


COLUMNS = {
    "food": "fdc_id data_type description food_category_id publication_date",
    "sr_legacy_food": "fdc_id NDB_number",
    "food_category": "id code description",
    "nutrient": "id name unit_name nutrient_nbr rank",
    "food_nutrient_derivation": "id code description",
    "food_nutrient_conversion_factor": "id fdc_id",
    "food_protein_conversion_factor": "food_nutrient_conversion_factor_id value",
    "food_nutrient": "id fdc_id nutrient_id amount data_points derivation_id min max median footnote min_year_acquired",
}
"""Headings as in the publisher's field descriptions, less `loq` and `scientific_name`, which may be there."""


def archive(
    folder: Path, made: Mapping[str, Rows], *, release: str = "2018-04", columns: Mapping[str, str] = COLUMNS,
    inside: str = "",
) -> Path:
    """Write the archive with one file per table of `made`, every field in double quotes."""
    path = folder / f"FoodData_Central_sr_legacy_food_csv_{release}.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as bundle:
        for stem, rows in made.items():
            text = io.StringIO()
            writer = csv.DictWriter(text, columns[stem].split(), restval="", quoting=csv.QUOTE_ALL, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
            member = zipfile.ZipInfo(f"{inside or path.stem}/{stem}.csv", (2018, 4, 1, 0, 0, 0))
            bundle.writestr(member, text.getvalue())
    return path
