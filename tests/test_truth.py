"""What a figure is evidence of: statuses have one home, zeros that nobody measured, copies, evidence before match."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import pytest
from rawref import registry

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

pytestmark = pytest.mark.usefixtures("rich")


def count(con: duckdb.DuckDBPyConnection, sql: str) -> int:
    found = con.execute(sql).fetchone()
    assert found
    return int(found[0])


def test_evidence_is_spelt_out_once(repository: Path) -> None:
    """design.md section 4 names the evidence; no module lists it again."""
    assert registry.evidence(repository / "schemas") == {
        "measured", "calculated", "composed", "label_claim", "unspecified"}
    assert set(registry.vocabularies(repository / "schemas")["status"]) == {
        s["status"] for s in registry.statuses(repository / "schemas")}
    for path in (repository / "pipeline").rglob("*.sql"):
        assert "'label_claim'" not in path.read_text(encoding="utf-8"), path


def test_unsampled_amino_acids_of_sr28_are_not_measured(rich: duckdb.DuckDBPyConnection) -> None:
    """SR28 documentation: Num_Data_Pts 0 with source code 1 is no analysis of this food."""
    cells = """from reference."values" v join reference.components c using (component)
      where c.block = 'amino_acid' and v.source = 'usda-sr28' and v.source_code = '1' and v.value > 0"""
    assert count(rich, f"select count(*) {cells} and coalesce(v.n, 0) = 0 and v.status = 'measured'") == 0
    assert count(rich, f"select count(*) {cells} and coalesce(v.n, 0) = 0 and v.status = 'calculated'") > 1000
    assert count(rich, f"select count(*) {cells} and v.n >= 1 and v.status = 'measured'") > 1000


def test_no_unsampled_zero_is_evidence(rich: duckdb.DuckDBPyConnection) -> None:
    """A zero that no sample stands behind leaves a gap, and a candidate with a figure goes before it."""
    zero = """from curated."values" v join reference.components c using (component)
      where v.value = 0 and coalesce(v.n, 0) = 0 and v.source <> 'maintainer' and c.block is distinct from 'proximate'"""
    assert count(rich, f"select count(*) {zero}") > 100
    assert count(rich, f"select count(*) {zero} and v.evidence") == 0
    assert count(rich, f"""select count(*) {zero} and exists (from curated.cell_candidates x
      where x.ingredient_id = v.ingredient_id and x.component = v.component and x.value > 0 and x.evidence
        and x.refused is null and x.match_quality in ('A', 'B') and v.match_quality in ('A', 'B')
        and v.component not in (from reference.soil_driven))""") == 0


def test_no_laundered_cell(rich: duckdb.DuckDBPyConnection) -> None:
    """No evidence of a copy is a figure that its original counts as none, to the figure it prints."""
    assert count(rich, "select count(*) from reference.copies") >= 36
    assert count(rich, """select count(*) from curated."values" v
      join reference.copies k using (source, food_id)
      join reference."values" t on t.source = k.original_source and t.food_id = k.original_food_id
        and t.component = v.component and try_cast(replace(v.source_value, ',', '.') as double) = t.value
      where v.evidence and not t.evidence and v.steps = '[]'
        and not exists (from reference."values" o where o.source = t.source and o.food_id = t.food_id
          and o.component = t.component and o.preference < t.preference)""") == 0


def test_copies_that_were_found_by_hand_are_found_by_value(rich: duckdb.DuckDBPyConnection, repository: Path) -> None:
    """The 14 foods of Ciqual 2020 that were compared with SR28 figure by figure."""
    with (repository / "raw/maintainer/copied_foods.csv").open(newline="", encoding="utf-8") as file:
        known = {tuple(r[k] for k in ("source", "food_id", "original_source", "original_food_id"))
                 for r in csv.DictReader(file)}
    found = set(rich.execute("select source, food_id, original_source, original_food_id from reference.copies").fetchall())
    assert known <= found


def test_evidence_goes_before_match(rich: duckdb.DuckDBPyConnection) -> None:
    """Between A and B; where soil and feed decide, the better match stays."""
    lost = """from curated.cell_candidates f join curated.cell_candidates o using (ingredient_id, component)
      where f.rank = 1 and f.refused is null and f.prefer_id is null and not f.evidence and f.match_quality in ('A', 'B')
        and o.evidence and o.refused is null and o.match_quality in ('A', 'B')"""
    assert count(rich, f"select count(*) {lost} and component not in (from reference.soil_driven)") == 0


def test_disagreement_is_counted(rich: duckdb.DuckDBPyConnection) -> None:
    """Largest over smallest among independent analyses, two foods of one publisher included."""
    assert count(rich, 'select count(*) from curated."values" where disagreement >= 1') > 1000
