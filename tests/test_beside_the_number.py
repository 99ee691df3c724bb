"""What a source says beside a figure is heeded: remarks that state another one, footnotes of treatment, refuse."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import duckdb
import pytest
from rawref.database import connect, run_file

SQL = Path(__file__).resolve().parent.parent / "pipeline" / "rawref" / "stages" / "reference" / "remarks.sql"
RULES = Path(__file__).resolve().parent.parent / "schemas" / "remarks.csv"


def test_every_remark_that_takes_metabolites_out_is_applied(built: duckdb.DuckDBPyConnection) -> None:
    """MEXT 2020, remarks column: egg 12004 printed 3.8, 1.3 without active metabolites; yolk 12010 12.0 and 4.5. Read
    here by other code from the remarks themselves."""
    told = built.execute("select food_id, text from archival.footnotes where source = 'mext'").fetchall()
    found = {
        food: hit.group(1)
        for food, text in told
        if (hit := re.search("含まない場合： *([0-9.]+|Tr)", text)) and "ビタミンD" in text
    }
    assert (found["12004"], found["12010"]) == ("1.3", "4.5") and len(found) >= 7
    held = built.execute(
        """select food_id, text, value, status, steps from reference."values"
           where source = 'mext' and component = 'VITD' and (steps <> '[]' or food_id in ('12004', '12010'))"""
    ).fetchall()
    assert {row[0] for row in held} == set(found)
    for food, text, value, status, steps in held:
        assert steps == '["without_25ohd_by_remark"]' and text != found[food]
        assert (value, status) == ((None, "trace") if found[food] == "Tr" else (float(found[food]), "measured"))


@pytest.mark.parametrize(("remark", "held"), [
    ("ビタミンD活性代謝物を含まない場合： 2.5 µg", (2.5, "measured", '["without_25ohd_by_remark"]')),
    ("ビタミンD活性代謝物を含まない場合： Tr", (None, "trace", '["without_25ohd_by_remark"]')),
    ("ビタミンD： 添加品含む", (9.0, "measured", "[]")),
    ("ビタミンD活性代謝物を含む 2.5 µg", (9.0, "measured", "[]")),
])  # fmt: skip
def test_an_invented_remark(remark: str, held: tuple[float | None, str, str]) -> None:
    """Invented food: only a remark that states the other figure changes one."""
    with connect() as con, RULES.open(encoding="utf-8", newline="") as file:
        con.execute("create schema archival; create schema reference")
        con.execute("create table archival.footnotes as select 'mext' as source, 'r' as release, 'a' as food_id,"
                    f" '{remark}' as text")
        con.execute('create table reference."values" as select \'mext\' as source, \'r\' as release, \'a\' as food_id,'
                    " 'VITD' as component, 9.0::double as value, null::double as low, 'measured' as status,"
                    " true as evidence, '[]' as steps")
        con.execute("create temp table remark_rules(source text, component text, pattern text, step text, note text)")
        rules = [list(row.values()) for row in csv.DictReader(file)]
        con.executemany("insert into remark_rules values (?, ?, ?, ?, ?)", rules)
        run_file(con, SQL)
        assert con.execute('select value, status, steps from reference."values"').fetchone() == held


def test_treatment_in_a_footnote_is_for_review(built: duckdb.DuckDBPyConnection) -> None:
    """Every raw animal food of SR28 or Foundation Foods whose footnote tells of treatment or additives."""
    told = built.execute(
        """select f.source, f.food_id, n.text, f.may_supply_raw from reference.foods f
           join archival.footnotes n using (source, food_id)
           where f.realm = 'animal' and f.state = 'raw' and f.source in ('usda-sr28', 'usda-fdc')"""
    ).fetchall()
    treated = {(s, f): yes for s, f, text, yes in told if re.search(r"treated|retain moisture|additives", text.lower())
               and "without additives" not in text.lower()}  # fmt: skip
    assert {("usda-sr28", "15033"), ("usda-sr28", "15157"), ("usda-fdc", "333374")} <= set(treated)
    assert set(treated.values()) <= {"review", "no"}


def test_refuse_counts_no_bone_twice_and_unknown_is_not_none(built: duckdb.DuckDBPyConnection) -> None:
    """Source: FOOD_DES of SR28. 05066 prints 66 % for two names of one bone, its meat-only twin 05071 has 33 % bone; a
    note of "No component data available" stands beside 0 % in 23482; two kinds of wing in 05312 are an average."""
    rows = dict(built.execute(
        "select food_id, refuse_pct from reference.foods where source = 'usda-sr28'"
        " and food_id in ('05066', '05071', '05100', '23482', '23485', '05312', '05088', '13321')").fetchall())
    assert rows == {"05066": 33, "05071": 42, "05100": 38, "23482": None, "23485": None, "05312": 33, "05088": 75,
                    "13321": 29}  # fmt: skip
    assert built.execute("select count(*) from curated.ingredients where refuse_note ilike '%no component data%'"
                         " and refuse_pct is not null").fetchone() == (0,)


def test_facets_of_what_is_no_plain_ingredient(built: duckdb.DuckDBPyConnection) -> None:
    """Names and LanguaL codes of SR28: dehydrated pork is dried, tofu with F0014 is heated, a dish is no muscle, an egg
    mix is not free of additions."""
    rows = {r[0]: r[1:] for r in built.execute(
        "select food_id, state, part, additions, may_supply_raw from reference.foods where source = 'usda-sr28'"
        " and food_id in ('43297', '16426', '16427', '35001', '35186', '01210')").fetchall()}
    assert rows["43297"][0] == "dried"
    assert rows["16426"][3] == rows["16427"][3] == "no"
    assert rows["35001"][1] == rows["35186"][1] == "other"
    assert rows["01210"][2] == "unknown"
    dishes = built.execute("select count(*) from reference.foods where realm = 'mixed' and part = 'muscle'")
    assert dishes.fetchone() == (0,)
