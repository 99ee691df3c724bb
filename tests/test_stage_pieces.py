"""Statements of the stages over a handful of rows made up for them: what the committed sources happen not to hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import duckdb
import pytest
from rawref.database import connect, rows, run_file
from rawref.errors import InputError
from rawref.stages.reference import _require_sound_links

ROOT = Path(__file__).parents[1]
SCHEMAS = ROOT / "schemas"
STAGES = ROOT / "pipeline" / "rawref" / "stages"


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


def values_of(con: duckdb.DuckDBPyConnection, figures: Sequence[Mapping[str, str]]) -> list[dict[str, Any]]:
    """The rows of reference."values" for these figures, a food each, read by the committed maps of statuses."""
    for name in ("status_map", "statuses"):
        con.execute(f"create table reference.{name} as from read_csv('{SCHEMAS / name}.csv', all_varchar = true)")
    con.execute("""
        update reference.status_map set code = '' where code is null; -- as the stage reads its own files
        insert into reference.status_map by name
          select 'own' as source, 'derivation' as kind, unnest(['X', 'Y']) as code, unnest(['measured', 'calculated'])
            as status;
        alter table reference.statuses alter evidence type boolean using evidence = 'yes';
        create temp table states as select 'raw' as state;
        create table reference.components as select * from (values ('CA', 'mg', null), ('TRP', 'g', 'amino_acid'),
          ('ENERC', 'kcal', null)) t(component, unit, block);
        create table archival.releases as select distinct source, '1' as release from reference.status_map;
        create table archival.maintainer_cited_values(id text, component text, text text, unit text, value double,
          low double, high double, status text, n text, steps text, line int, citation_id text);
        create table archival.maintainer_citations(citation_id text, year text);
        create table archival."values"(source text, release text, food_id text, source_component text, text text,
          unit text, n text, se text, "min" text, "max" text, source_code text, derivation text, stat_comment text,
          donor_food_id text, "date" text, file text, line text);
        create table reference.component_map as
          select source, code as source_component, component, 1 as preference, factor, '[]' as steps,
            null::text as status_override
          from (select distinct source from reference.status_map)
            cross join (values ('301', 'CA', 1::decimal(20, 9)), ('301000', 'CA', 1000), ('501', 'TRP', 1),
              ('2047', 'ENERC', 1)) t(code, component, factor)""")
    for place, figure in enumerate(figures):
        row = {"release": "1", "food_id": f"{place:03}", "source_component": "301", "unit": "mg", "file": "f"} | figure
        names = ", ".join(f'"{name}"' for name in row)
        con.execute(f'insert into archival."values"({names}) values ({", ".join("?" * len(row))})', list(row.values()))
    run_file(con, STAGES / "reference" / "values.sql")
    return rows(con, 'select * from reference."values" order by food_id')


def sr28(text: str, n: str, source: str, derivation: str, comment: str = "", of: str = "301") -> dict[str, str]:
    return {"source": "usda-sr28", "text": text, "n": n, "source_code": source, "derivation": derivation,
            "stat_comment": comment, "source_component": of}  # fmt: skip


def fdc(source: str, text: str, n: str | None, derivation: str, of: str = "301") -> dict[str, Any]:
    return {"source": source, "text": text, "n": n, "derivation": derivation, "source_component": of}


READ = (
    # SR28 documentation (2015), p. 33 and appendices D and E: comment 1, "less than" was replaced by a number
    (sr28("0", "3", "1", "A", "1"), "below_detection"), (sr28("0", "0", "1", "A", "2, 1"), "below_detection"),
    (sr28("0", "0", "1", "A", "2, 11"), "calculated"), (sr28("0.1", "3", "1", "A", "1"), "measured"),
    # a zero with samples behind it lies below a limit; without, it cannot be told from what was never looked for
    (sr28("0", "3", "1", "A"), "below_detection"), (sr28("0", "1", "1", "A"), "below_detection"),
    (sr28("0", "0", "1", "A"), "calculated"), (sr28("0", "0", "12", "A"), "measured"),
    (sr28("0", "0", "1", ""), "calculated"), (sr28("0.1", "0", "1", ""), "measured"),
    (sr28("0", "3", "4", "BFZN"), "imputed"), (sr28("0", "3", "4", "NC"), "imputed"),
    (sr28("0", "0", "4", "Z"), "assumed_zero"), (sr28("0.1", "0", "4", "NC"), "calculated"),
    # a line fitted to samples (AR), a concentration of samples (DA)
    (sr28("0", "3", "1", "AR"), "below_detection"), (sr28("0", "0", "1", "AR"), "calculated"),
    (sr28("0.1", "3", "1", "AR"), "calculated"), (sr28("0", "3", "1", "DA"), "below_detection"),
    (sr28("0", "1", "1", "AR"), "below_detection"), (sr28("0", "1", "1", "DA"), "below_detection"),
    (sr28("0", "0", "1", "DA"), "calculated"), (sr28("0.1", "3", "1", "DA"), "calculated"),
    # amino acids without samples are a pattern per gram of protein
    (sr28("0.2", "0", "1", "A", of="501"), "calculated"), (sr28("0.2", "2", "1", "A", of="501"), "measured"),
    (sr28("0.2", "0", "12", "A", of="501"), "measured"), (sr28("0.2", "0", "1", "A"), "measured"),
    (sr28("0.2", "", "1", "A", of="501"), "calculated"), (sr28("0.2", "0", "1", "?"), "unmapped"),
    # FoodData Central: 1 analytical, 49 calculated; Atwater energy without data points is none that was analysed
    (fdc("usda-fdc", "0", "3", "1"), "below_detection"), (fdc("usda-fdc", "0.1", "3", "1"), "measured"),
    (fdc("usda-fdc", "0", "3", "49"), "calculated"), (fdc("usda-fdc", "50", None, "1", "2047"), "calculated"),
    (fdc("usda-fdc", "50", "2", "1", "2047"), "measured"), (fdc("usda-fdc", "50", None, "1"), "measured"),
    # its copy of the older table has no source codes
    (fdc("usda-sr-legacy", "0", "3", "A"), "below_detection"), (fdc("usda-sr-legacy", "0", None, "A"), "imputed"),
    (fdc("usda-sr-legacy", "0", "0", "A"), "imputed"), (fdc("usda-sr-legacy", "0.1", "0", "A"), "measured"),
    (fdc("usda-sr-legacy", "0", "3", "NC"), "imputed"), (fdc("usda-sr-legacy", "0", "3", "AR"), "below_detection"),
    (fdc("usda-sr-legacy", "0", None, "Z"), "assumed_zero"), (fdc("usda-sr-legacy", "0", "1", "A"), "below_detection"),
    # a source of codes that says nothing of zeros
    (fdc("own", "0", None, "X"), "below_detection"), (fdc("own", "1", None, "X"), "measured"),
    (fdc("own", "0", None, "Y"), "calculated"),
    # Ciqual 2020 documentation and the preface of MEXT 2020 on what their cells print
    *[({"source": "anses-ciqual", "text": text}, status) for text, status in (
        ("0,5", "unspecified"), ("0", "unspecified"), ("< 0,5", "below_detection"), ("traces", "trace"),
        ("-", "missing"), ("", "missing"))],
    *[({"source": "mext", "text": text}, status) for text, status in (
        ("0.5", "measured"), ("0", "below_detection"), ("Tr", "trace"), ("(0)", "assumed_zero"), ("(Tr)", "trace"),
        ("(1)", "imputed"),
        ("(0.5)", "imputed"), ("（0.5）", "imputed"), ("-", "missing"), ("0.5†", "measured"), ("-0.5", "imputed"),
        ("*", "missing"), ("", "missing"))],
)  # fmt: skip
"""Figures as the sources print them, and what schemas/status_map.csv says of them."""


def test_what_a_printed_figure_is(con: duckdb.DuckDBPyConnection) -> None:
    """The notes beside the codes in schemas/status_map.csv name the pages of the sources."""
    found = values_of(con, [figure for figure, _ in READ])
    wrong = [(figure, row["status"], status) for (figure, status), row in zip(READ, found, strict=True)
             if row["status"] != status]  # fmt: skip
    assert wrong == []
    assert all(row["value"] is None for row in found if row["status"] in ("trace", "below_detection", "missing"))
    known = {"measured", "calculated", "unspecified"}  # of what is here, by the definitions of schemas/statuses.csv
    assert {row["status"] for row in found if row["evidence"]} == known
    assert all(row["evidence"] for row in found if row["status"] in known)


def test_amounts_are_in_the_unit_of_the_component_all_of_them(con: duckdb.DuckDBPyConnection) -> None:
    """1.5 g are 1500 mg, its standard error, ends and limit too; what is below a limit lies between nothing and it."""
    gram = {"source": "usda-sr28", "source_component": "301000", "n": "2", "source_code": "1", "derivation": "A"}
    of_mext = {"source": "mext", "source_component": "301000"}
    found = values_of(con, [
        gram | {"text": "1.5", "se": "0.1", "min": "1.25", "max": "2", "date": "06/2004", "donor_food_id": "x"},
        gram | {"text": "0"}, {"source": "anses-ciqual", "source_component": "301000", "text": "< 0,5"},
        of_mext | {"text": "-0.5"}, of_mext | {"text": "0.5†"}, of_mext | {"text": "Tr"},
        gram | {"text": "1.5", "donor_food_id": "006"},
    ])  # fmt: skip
    columns = ("value", "low", "high", "se", "min", "max", "year", "donor_food_id")
    assert [tuple(row[name] for name in columns) for row in found] == [
        (1500, None, None, 100, 1250, 2000, 2004, "x"), (None, 0, None, None, None, None, None, None),
        (None, 0, 500, None, None, None, None, None), (500, None, None, None, None, None, None, None),
        (500, None, None, None, None, None, None, None), (None, 0, None, None, None, None, None, None),
        (1500, None, None, None, None, None, None, None),
    ]  # fmt: skip


def test_two_editions_of_a_table_are_one_witness(con: duckdb.DuckDBPyConnection) -> None:
    """What the younger says less about is no better known in the older; of two releases the first by name counts."""
    con.execute("""
        create table archival.releases as select * from (values ('own', '2', 'first'), ('first', '1', null),
          ('first', '0', null)) t(source, release, repeats);
        create table archival.food_keys as select * from (values ('own', '2', 'b', '7'), ('own', '2', 'c', '8'),
          ('first', '1', 'a', '7'), ('first', '0', 'z', '7'), ('first', '0', 'y', '9'))
          t(source, release, food_id, key);
        create table reference.foods as select source, release, food_id, null::text as duplicate_of
          from archival.food_keys;
        create table reference.statuses as select * from (values ('measured', true), ('calculated', true),
          ('imputed', false)) t(status, evidence)""")
    cases = {  # theirs, ours, equal figures: what ours becomes
        "A": ("imputed", "measured", True, "imputed", False), "B": ("imputed", "measured", False, "measured", True),
        "C": ("calculated", "measured", True, "calculated", True), "F": ("imputed", "imputed", True, "imputed", False),
        "D": ("measured", "measured", True, "measured", True),
        "E": ("measured", "calculated", True, "calculated", True),
    }  # fmt: skip
    con.execute("""create table reference."values"(source text, release text, food_id text, component text,
        preference int, text text, status text, evidence boolean, donor_state text)""")
    for name, (theirs, ours, equal, *_) in cases.items():
        for source, release, food, status, text in (
            ("first", "0", "z", theirs, "1.50"), ("first", "1", "a", "calculated", "1.5"),
            ("own", "2", "b", ours, "1.5" if equal else "1.6"), ("own", "2", "c", ours, "1.5")):  # fmt: skip
            con.execute('insert into reference."values" values (?, ?, ?, ?, 1, ?, ?, ?, ?)', [
                source, release, food, name, text, status, status != "imputed", "cooked" if food == "z" else None])
    run_file(con, STAGES / "reference" / "repeats.sql")
    assert {row["food_id"]: row["duplicate_of"] for row in rows(con, "from reference.foods")} == {
        "a": None, "z": None, "y": None, "c": None, "b": "first:z"}  # fmt: skip
    found = {row["component"]: row for row in rows(con, """from reference."values" where food_id = 'b'""")}
    assert {name: (row["status"], row["evidence"]) for name, row in found.items()} == {
        name: case[3:] for name, case in cases.items()}  # fmt: skip
    assert [name for name, row in sorted(found.items()) if row["donor_state"] == "cooked"] == ["A", "C"]
    others = {row["status"] for row in rows(con, """from reference."values" where food_id = 'a'""")}
    assert others == {"calculated"}


@pytest.mark.parametrize(
    ("food", "told"),
    [
        ({}, ""), ({"food_name": "Beef,  liver\u3000raw"}, ""), ({"additions": "unknown"}, ""),
        ({"name": None}, "own has no food 7"), ({"food_name": "Pork"}, "own 7 is 'Beef, liver raw', not 'Pork'"),
        ({"state": "cooked"}, "may not supply a raw ingredient: state is cooked"),
        ({"additions": "salt"}, "may not supply a raw ingredient: additions are salt"),
        ({"state": "cooked", "kind": "addition"}, ""),
    ],
)  # fmt: skip
def test_a_mapped_food_is_there_under_its_name_raw_and_plain(
    con: duckdb.DuckDBPyConnection, food: dict[str, Any], told: str
) -> None:
    row = {"kind": "raw", "food_name": "Beef, liver raw", "name": "Beef, liver raw", "state": "raw",
           "additions": "none"} | food  # fmt: skip
    con.execute("create table archival.maintainer_ingredients as select 'a' as ingredient_id, $kind as kind",
                {"kind": row.pop("kind")})
    con.execute("create table reference.links as select 4 as line, 'a' as ingredient_id, 'own' as source,"
                " '1' as release, '7' as food_id, '7' as mapped_as, $name as food_name",
                {"name": row.pop("food_name")})
    con.execute("create table reference.foods as select 'own' as source, '1' as release, '7' as food_id,"
                " $name as name, $state as state, $additions as additions", row)
    if not told:
        return _require_sound_links(con)
    with pytest.raises(InputError) as found:
        _require_sound_links(con)
    assert told in found.value.what and found.value.where.endswith("ingredient_foods.csv:4")
    return None
