"""What an ingredient cannot hold: no number, no gap, nothing in a mix, and never in place of a published amount."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import duckdb
import pytest

ROOT = Path(__file__).resolve().parent.parent
ELEMENTS = {"Ca": "CA", "P": "P", "K": "K", "Na": "NA", "Cl": "CLD", "Mg": "MG", "Fe": "FE", "Cu": "CU", "Mn": "MN",
            "Zn": "ZN", "I": "ID", "Se": "SE"}  # fmt: skip
CONTRADICTED = """
  select v.ingredient_id, v.component, c.source, c.food_id, c.value
  from curated."values" v join curated.cell_candidates c using (ingredient_id, component)
  where v.status = 'not_applicable' and c.value > 0 and c.reject_id is null"""


def test_no_number_no_gap_and_a_reason(built: duckdb.DuckDBPyConnection) -> None:
    """design.md section 4: no number, no gap, a reason with its source."""
    rows = built.execute(
        """select count(*), count(*) filter (value is not null or low is not null or high is not null
             or confidence is not null or source is not null or reason not like 'not applicable: %'),
             count(*) filter (exists (from curated.gaps g where g.ingredient_id = v.ingredient_id
               and g.component = v.component))
           from curated."values" v where status = 'not_applicable'"""
    ).fetchone()
    assert rows is not None and rows[0] > 2000 and rows[1:] == (0, 0)


def test_a_published_amount_stands(built: duckdb.DuckDBPyConnection) -> None:
    assert built.execute(CONTRADICTED).fetchall() == []


def test_a_pure_substance_holds_the_elements_of_its_formula(built: duckdb.DuckDBPyConnection) -> None:
    """Source: the chemical formula beside each pure substance. No element in it is said to be impossible, and what it
    lacks of the elements is."""
    none = set(
        built.execute("""select ingredient_id, component from curated."values" where status = 'not_applicable'""")
        .fetchall()
    )  # fmt: skip
    seen = 0
    with (ROOT / "raw" / "maintainer" / "ingredients.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if "pure_substance" not in row["cautions"]:
                continue
            formula = re.search(r"Pure substance ([^ ,]+)", row["note"])
            assert formula, row["ingredient_id"]
            found = set(re.findall(r"[A-Z][a-z]?", formula.group(1)))
            for element, component in ELEMENTS.items():
                assert ((row["ingredient_id"], component) in none) == (element not in found), (row, component)
                seen += 1
    assert seen > 500


@pytest.mark.parametrize(("ingredient_id", "component", "cannot"), [
    ("pumpkin", "TAU", True), ("kelp-dried", "TAU", False), ("kelp-dried", "VITB12", False),
    ("kelp-dried", "RETOL", True), ("nutritional-yeast-fortified", "VITB12", False),
    ("nutritional-yeast-fortified", "RETOL", False), ("copper-sulfate-pentahydrate", "WATER", False),
    ("zinc-oxide", "WATER", True), ("beef-heart", "FIBTG", True), ("spinach", "FIBTG", False),
    ("atlantic-mackerel", "RETOL", False), ("pork-lard", "TAU", True), ("pork-lard", "VITD", False),
    ("nicotinamide", "ENERC_KCAL", True), ("retinyl-palmitate", "ENERC_KCAL", False),
])  # fmt: skip
def test_exceptions(built: duckdb.DuckDBPyConnection, ingredient_id: str, component: str, cannot: bool) -> None:
    """Algae and yeasts may hold what land plants do not; hydrates hold water, oils what dissolves in fat."""
    row = built.execute(
        'select status from curated."values" where ingredient_id = ? and component = ?', [ingredient_id, component]
    ).fetchone()
    assert row is not None and (row[0] == "not_applicable") == cannot


@pytest.mark.parametrize(("ingredient_id", "component", "formula", "element"), [
    ("cyanocobalamin", "P", "C63H88CoN14O14P", "P"), ("thiamin-hydrochloride", "CLD", "C12H18Cl2N4OS", "Cl"),
    ("pyridoxine-hydrochloride", "CLD", "C8H12ClNO3", "Cl"),
])  # fmt: skip
def test_what_the_formula_holds_is_worked_out(
    built: duckdb.DuckDBPyConnection, ingredient_id: str, component: str, formula: str, element: str
) -> None:
    """Source: standard atomic weights, abridged (IUPAC Technical Report, Pure Appl. Chem. 94 (2022) 573)."""
    weights = {"H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999, "P": 30.974, "S": 32.06, "Cl": 35.45, "Co": 58.933}
    atoms = {e: int(k or 1) for e, k in re.findall(r"([A-Z][a-z]?)([0-9]*)", formula)}
    due = 100_000 * atoms[element] * weights[element] / sum(weights[e] * k for e, k in atoms.items())
    row = built.execute(
        'select value, status from curated."values" where ingredient_id = ? and component = ?',
        [ingredient_id, component],
    ).fetchone()
    assert row is not None and row[0] == pytest.approx(due, rel=5e-4) and row[1] == "calculated"
