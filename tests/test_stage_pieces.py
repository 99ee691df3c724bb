"""Statements of the stages over a handful of rows made up for them: what the committed sources happen not to hold."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from rawref.database import connect, rows, run_file

STAGES = Path(__file__).parents[1] / "pipeline" / "rawref" / "stages"


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    with connect() as made:
        for schema in ("archival", "reference", "curated"):
            made.execute(f"create schema {schema}")
        yield made


def test_a_food_of_which_nothing_is_printed_is_in_the_catalogue(con: duckdb.DuckDBPyConnection) -> None:
    """Every food of the sources (contract, catalogue): one without a figure as well, and its figures are none."""
    con.execute("""
        create table reference.foods as select * from (values ('s', '1', 'a', 'one'), ('s', '1', 'b', 'two'))
          t(source, release, food_id, name) cross join (
            select '' as group_name, '' as state, '' as method, '' as species, '' as part, '' as skin, '' as bone,
              '' as fat_trim, '' as additions, '' as may_supply_raw, '{}' as witnesses, '[]' as langual);
        create table reference.components as select 'ZN' as component, true as needed;
        create table reference.several(source text, component text);
        create table reference."values" as
          select 's' as source, '1' as release, 'a' as food_id, 'ZN' as component, 'measured' as status;
        create table archival."values" as select 's' as source, '1' as release, 'a' as food_id, '2.5' as text""")
    run_file(con, STAGES / "curated" / "catalogue.sql")
    found = {row["food_id"]: row for row in rows(con, "from curated.catalogue")}
    counts = ("components_valued", "components_measured", "figures")
    assert {key: [row[name] for name in counts] for key, row in found.items()} == {"a": [1, 1, 1], "b": [0, 0, 0]}
