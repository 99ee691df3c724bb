"""What a source says beside a figure is heeded: remarks that state another one, footnotes of treatment, refuse."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import duckdb
import pytest
from rawref.database import connect, run_file
from rawref.lookup.trace import trace_cell, trace_from
from rawref.render import terminal
from rawref.workspace import Workspace

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


def test_trace_shows_the_notes_of_the_source(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    """Notes on foods and figures as the files have them: SR28 FOOTNOTE.txt, MEXT remarks. Read here from the tables of
    the files themselves; a note on another figure of the food is not shown."""
    for notes, about in (("N", "figure"), ("D", "food")):
        asked = built.execute(
            """select v.ingredient_id, v.component, n.Footnt_Txt, n.line from curated."values" v
               join archival.sr28_footnote n on v.source = 'usda-sr28' and n.NDB_No = v.food_id
                 and n.Footnt_Typ = ? and coalesce(nullif(n.Nutr_No, ''), v.source_component) = v.source_component
               order by all limit 2""", [notes]).fetchall()
        for ingredient, component, text, line in asked:
            told = trace_cell(built, checkout.schemas, ingredient, component)
            assert (about, text, str(line)) in [(n["about"], n["text"], n["line"]) for n in told["footnotes"]]
            assert " ".join(text.split())[:30] in " ".join(terminal.trace_cell(told, True).split())
        assert asked
    other = built.execute(
        """select source, file, line, food_id, source_component from archival."values" v
           where (source, food_id) in (select (source, food_id) from archival.footnotes where kind = 'N')
             and (source, food_id, source_component) not in (
               select (source, food_id, source_component) from archival.footnotes where kind = 'N')
           order by all limit 1""").fetchall()[0]
    told = trace_from(built, ":".join(other[:3]))
    assert [n for n in told["footnotes"] if n["about"] == "figure"] == []
    figure = built.execute(
        """select v.source, v.file, v.line, n.text from archival."values" v join archival.footnotes n
             using (source, release, food_id, source_component) where n.kind = 'N' order by all limit 1"""
    ).fetchall()[0]
    told = trace_from(built, ":".join(figure[:3]))
    assert ("figure", figure[3]) in [(n["about"], n["text"]) for n in told["footnotes"]]
    assert f"footnote   on the figure: {figure[3][:20]}" in terminal.trace_from(told, True)


def test_trace_of_a_mext_food_tells_its_remark_once(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    """MEXT 2020 prints the remark of a food in the main table and again in the table of fatty acids."""
    ingredient, component, food = built.execute(
        """select ingredient_id, component, food_id from curated."values" where source = 'mext' and food_id in (
             select food_id from archival.footnotes where source = 'mext' group by food_id, text having count(*) = 2)
           order by all limit 1""").fetchall()[0]
    texts = {row[0] for row in built.execute(
        "select text from archival.footnotes where source = 'mext' and food_id = ?", [food]).fetchall()}
    told = trace_cell(built, checkout.schemas, ingredient, component)
    assert sorted(n["text"] for n in told["footnotes"]) == sorted(texts)


def test_bone_in_flesh_is_no_comparable_of_boneless(built: duckdb.DuckDBPyConnection) -> None:
    """MEXT 2020 10391 (骨付き, with bone: Ca 780) and 11211 (骨・皮つき: Ca 1100) are raw flesh with its bone."""
    named = {row[0] for row in built.execute(
        r"select food_id from archival.foods where source = 'mext' and regexp_matches(name, '骨付き|骨・皮つき')"
        " and name like '%生'").fetchall()}
    assert {"10391", "11211"} <= named
    kept = {row[0] for row in built.execute(
        "select food_id from reference.peer_values where source = 'mext' and part = 'muscle'").fetchall()}
    assert kept and not named & kept
    assert built.execute("""select count(*) from reference.peer_values v join reference.foods f using (source, food_id)
        where f.part = 'muscle' and f.bone = 'yes'""").fetchone() == (0,)


def test_the_liquid_of_a_can_is_no_animal(built: duckdb.DuckDBPyConnection) -> None:
    """SR28 15162 "Mollusks, clam, mixed species, canned, liquid"; 15160 (drained solids) is the animal. A carcass is
    all cuts together (13001, 10001), hocks are feet (10898), a jowl and a head are named parts."""
    rows = {r[0]: r[1:] for r in built.execute(
        "select food_id, part, composite from reference.foods where source = 'usda-sr28' and food_id in"
        " ('15162', '13001', '10001', '10898', '10105')").fetchall()}
    assert rows["15162"][0] == "other"
    assert rows["13001"] == rows["10001"] == ("muscle", True)
    assert (rows["10898"][0], rows["10105"][0]) == ("foot", "variety_meat")


def test_what_the_sources_contradict_or_leave_open_is_told(
        built_workspace: Workspace, built: duckdb.DuckDBPyConnection) -> None:
    """SR28 NUT_DATA: source code 7 is an assumed zero (SRC_CD.txt), yet 47 such rows have samples (Num_Data_Pts > 0).
    FDC 2025-04-24: rows without a derivation_id, counted from food_nutrient.csv itself."""
    rules = {r["id"]: r["findings"] for r in json.loads((built_workspace.work / "check.json").read_text())["rules"]}
    conflict = {f["subject"] for f in rules["D09"]
                if "say that it is assumed" in f["detail"] and f["scope"] == "source"}
    assert conflict == {":".join(row) for row in built.execute(
        "select 'usda-sr28', NDB_No, Nutr_No from archival.sr28_nut_data where Src_Cd = '7' and Num_Data_Pts <> '0'"
    ).fetchall()} and len(conflict) == 47
    open_ = {f["subject"] for f in rules["D12"] if f["scope"] == "source"}
    assert open_ == {":".join(row) for row in built.execute(
        """select distinct 'usda-fdc', v.fdc_id, v.nutrient_id from archival.fdc_food_nutrient v
           join reference.foods f on f.source = 'usda-fdc' and f.food_id = v.fdc_id
           join reference.component_map m on m.source = 'usda-fdc' and m.source_component = v.nutrient_id
           where coalesce(v.derivation_id, '') = '' and coalesce(v.amount, '') <> ''
             and (f.realm = 'animal' and f.state = 'raw'
               or (f.source, f.food_id) in (select (source, food_id) from reference.links))""").fetchall()} and open_


def test_equal_twins_and_two_foods_of_a_publisher_are_told(built_workspace: Workspace) -> None:
    """SR28: tripe 13341 has 0.085 mg Mn, 23445 4.055; foods that are one record under two numbers are named."""
    rules = {r["id"]: r["findings"] for r in json.loads((built_workspace.work / "check.json").read_text())["rules"]}
    assert any("4.055" in f["detail"] for f in rules["B03"] if f["subject"] == "beef-tripe:MN")
    whole = [m for f in rules["F14"] if (m := re.match(r"(\d+) of (\d+) figures", f["detail"])) and m[1] == m[2]]
    assert any(int(m[2]) >= 60 for m in whole)


def test_vitamin_d_is_taken_where_it_was_sampled(built: duckdb.DuckDBPyConnection) -> None:
    """SR28 prints vitamin D twice, 324 in IU and 328 in µg; the sum 328 shows no samples where 324 shows its own
    (NUT_DATA, Num_Data_Pts). Neither a figure nor a sampled zero gives way to the sum."""
    chosen = built.execute(
        """select v.ingredient_id, v.source_component from curated."values" v
           join archival.sr28_nut_data s on s.NDB_No = v.food_id and s.Nutr_No = '324' and s.Num_Data_Pts <> '0'
           join archival.sr28_nut_data t on t.NDB_No = v.food_id and t.Nutr_No = '328' and t.Num_Data_Pts = '0'
           where v.component = 'VITD' and v.source = 'usda-sr28'""").fetchall()
    assert chosen and {number for _, number in chosen} == {"324"}
