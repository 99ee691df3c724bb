"""What more sources do to the table: the official files of all four, compiled beside the cited records.

Figures in the tests are those that the publishers print: SR28 by NUT_DATA line, Ciqual 2020 and MEXT 2020 by the row of
their workbook.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

import duckdb
import pytest
from rawref import registry
from rawref.database import connect, rows
from rawref.sources import committed, declared
from rawref.stages.archival import build_archival
from rawref.stages.curated import build_curated
from rawref.stages.decisions import verify
from rawref.stages.reference import build_reference
from rawref.workspace import Workspace

from tests import oracle

Row = dict[str, Any]
CIQUAL, MEXT, FDC, SR28 = "anses-ciqual", "mext", "usda-fdc", "usda-sr28"


@pytest.fixture(scope="module")
def rich(checkout: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """Archival, reference and curated stages of all four official sources and the cited records."""
    with compiled(checkout) as con:
        yield con


@contextmanager
def compiled(space: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """The three stages of `space`, in memory, without checks."""
    with connect() as con:
        build_archival(con, declared(space), list(committed(space)), space.schemas)
        build_reference(con, space.schemas)
        verify(con)
        build_curated(con, space.schemas, space.maintainer / "needs")
        yield con


def cell(con: duckdb.DuckDBPyConnection, ingredient: str, component: str) -> Row:
    """The published row, with the kind of its gap or None."""
    (found,) = rows(
        con,
        """select v.*, g.kind, g.detail from curated."values" v
             left join curated.gaps g using (ingredient_id, component)
           where ingredient_id = ? and component = ?""",
        [ingredient, component],
    )
    return found


def printed(con: duckdb.DuckDBPyConnection, source: str, food: str, heading: str) -> str | None:
    """The text that the source prints, as the reader left it."""
    found = con.execute(
        'select text from archival."values" where source = ? and food_id = ? and source_component = ?',
        [source, food, heading],
    ).fetchall()
    return found[0][0] if found else None


def test_a_cited_record_yields_only_to_a_figure_that_is_there(rich: duckdb.DuckDBPyConnection) -> None:
    """design.md section 5: a record that repeats a present source yields to it; losers stay with the reason."""
    faults = []
    found = rows(
        rich,
        """select v.id, v.repeats_source, v.repeats_food_id, c.refused,
             exists (from reference.links l where l.ingredient_id = v.ingredient_id and l.source = v.repeats_source
               and l.food_id = v.repeats_food_id) as mapped,
             exists (from curated.cell_candidates o where o.ingredient_id = v.ingredient_id
               and o.component = v.component and o.source = v.repeats_source and o.food_id = v.repeats_food_id) as there
           from archival.maintainer_cited_values v
             left join curated.cell_candidates c on c.source = 'maintainer' and c.food_id = v.id
           where v.repeats_source is not null and v.status <> 'missing'""",
    )
    assert len(found) > 400
    for row in found:
        told = f"repeats {row['repeats_source']} {row['repeats_food_id']}"
        yields = row["refused"] is not None and row["refused"].startswith((told, "the food needs review", "struck out"))
        if yields != row["there"] or not row["mapped"]:
            faults.append(row)
    assert not faults, faults[:5]


def test_more_sources_do_not_take_the_yeast_away(rich: duckdb.DuckDBPyConnection) -> None:
    """Ciqual 11009 prints chloride 251 and niacin 18,5, MEXT 17083 biotin 310.0: as the cited records say."""
    for component, source, food, heading, value in (
        ("CLD", CIQUAL, "11009", "Chloride (mg/100g)", 251.0),
        ("NIA", CIQUAL, "11009", "Vitamin B3 or Niacin (mg/100g)", 18.5),
    ):
        text = printed(rich, source, food, heading)
        assert text is not None and float(text.replace(",", ".")) == value
        row = cell(rich, "nutritional-yeast-unfortified", component)
        assert (row["source"], row["food_id"], row["value"], row["kind"]) == (source, food, value, None)
    row = cell(rich, "nutritional-yeast-unfortified", "BIOT")
    assert (row["source"], row["food_id"], row["value"], row["kind"]) == (MEXT, "17083", 310.0, None)


def test_a_record_stands_where_the_food_that_it_repeats_supplies_nothing(scratch: Workspace) -> None:
    """The yeast records without the rows that map their foods; the pilchard without the decision on its hold."""
    for name, unwanted in (("ingredient_foods", "nutritional-yeast-unfortified,"), ("decisions", "look-26065,")):
        path = scratch.maintainer / f"{name}.csv"
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [line for line in lines if not line.startswith(unwanted)]
        assert len(kept) < len(lines)
        path.write_text("".join(kept), encoding="utf-8", newline="\n")
    with compiled(scratch) as con:
        row = cell(con, "nutritional-yeast-unfortified", "CLD")
        assert (row["source"], row["value"], row["kind"]) == ("maintainer", 251.0, None)
        # a record of a food that waits, waits with it
        assert cell(con, "european-pilchard", "CLD")["status"] == "missing"
        refused = con.execute(
            "select source, refused from curated.cell_candidates where ingredient_id = 'european-pilchard'"
            " and component = 'CLD' order by 1"
        ).fetchall()
        assert [source for source, _ in refused] == [CIQUAL, "maintainer"]
        assert all(why.startswith("the food needs review (water_low_for_raw)") for _, why in refused), refused


def test_a_hold_is_decided_once_for_the_food_and_what_repeats_it(rich: duckdb.DuckDBPyConnection) -> None:
    """Ciqual 26065 prints water 64, protein 19,5, fat 9,48, ash 2,2: 95.2 g. The water is struck out, the state raw."""
    text = [
        printed(rich, CIQUAL, "26065", f"{name} (g/100g)").replace(",", ".")  # type: ignore[union-attr]
        for name in ("Water", "Protein", "Fat", "Ash")
    ]
    assert sum(map(Decimal, text)) == Decimal("95.18")
    for component, value in (("CLD", 130.0), ("ID", 26.8), ("VITD", 14.0)):
        row = cell(rich, "european-pilchard", component)
        assert (row["value"], row["source"], row["kind"]) == (value, CIQUAL, None)
    # without the decision both the food and the records that repeat it would wait
    held = rows(
        rich,
        "select may_supply_raw, review_reasons from reference.foods where source = ? and food_id = '26065'",
        [CIQUAL],
    )
    assert held == [{"may_supply_raw": "review", "review_reasons": '["water_low_for_raw"]'}]


@pytest.mark.parametrize(
    ("ingredient", "food"),
    [
        ("pork-tenderloin-lean", "10060"),
        ("beef-kidney", "13323"),
        ("beef-heart", "13321"),
        ("beef-tongue", "13339"),
        ("chicken-liver", "05027"),
        ("chicken-egg-whole", "01123"),
    ],
)
def test_measured_acids_are_not_outvoted_by_zeros(rich: duckdb.DuckDBPyConnection, ingredient: str, food: str) -> None:
    """SR28 measured linoleic (675 before 618) and arachidonic acid (855 before 620) of the food of the proximates."""
    for component, numbers in (("F18D2N6", ("675", "618")), ("F20D4N6", ("855", "620"))):
        row = cell(rich, ingredient, component)
        assert (row["source"], row["food_id"], row["status"]) == (SR28, food, "measured")
        assert row["source_component"] in numbers and "reexpress" not in row["steps"]
        assert row["value"] == float(oracle.value(food, row["source_component"])) > 0


def test_re_expressing_upgrades_nothing(rich: duckdb.DuckDBPyConnection) -> None:
    """design.md section 4: unspecified is never upgraded; a measured value that is re-expressed is calculated."""
    found = rich.execute(
        """select v.status, r.status, count(*) from curated."values" v
             join reference."values" r using (source, release, food_id, component, source_component)
           where v.steps like '%reexpress%' group by all"""
    ).fetchall()
    assert {(new, old) for new, old, _ in found} >= {("unspecified", "unspecified"), ("calculated", "measured")}
    assert all(new == old or (new, old) == ("calculated", "measured") for new, old, _ in found), found


def test_no_block_is_taken_that_cannot_be_re_expressed(rich: duckdb.DuckDBPyConnection) -> None:
    """Where a block cannot be re-expressed, none of its foods has fat or protein to be re-expressed on."""
    found = rich.execute(
        """select distinct c.ingredient_id, c.block, o.value from curated.cell_candidates c
             left join curated.cell_candidates o on o.ingredient_id = c.ingredient_id and o.source = c.source
               and o.food_id = c.food_id and o.component = if(c.block = 'fatty_acid', 'FAT', 'PROCNT')
           where c.refused like 'block: cannot be re-expressed%'"""
    ).fetchall()
    assert ("table-salt-iodized", "fatty_acid", None) in found
    assert not [row for row in found if row[2]]


def test_a_component_without_a_single_figure_is_not_carried(rich: duckdb.DuckDBPyConnection) -> None:
    """Foundation Foods lists taurine (1234) in nutrient.csv and has it for no food; nor have the others."""
    assert rich.execute("select count(*) from archival.fdc_nutrient where id = '1234'").fetchall() == [(1,)]
    assert rich.execute("select count(*) from archival.fdc_food_nutrient where nutrient_id = '1234'").fetchall() == [
        (0,)
    ]
    kinds = rich.execute(
        """select distinct v.status, kind from curated.gaps join curated."values" v using (ingredient_id, component)
           where component = 'TAU' and v.status = 'missing'"""
    ).fetchall()
    assert kinds == [("missing", "not_carried")]
    assert not rich.execute(
        "select 1 from curated.gaps where kind = 'not_carried' and component in ('ID', 'CLD')"
    ).fetchall()


def test_copies_are_one_witness(rich: duckdb.DuckDBPyConnection) -> None:
    """design.md section 5: tables that copy each other are not independent, so they cannot agree with each other."""
    for ingredient in ("lamb-brain", "beef-tripe"):
        sources = {r[0] for r in rich.execute(
            "select source from curated.cell_candidates where ingredient_id = ? and component = 'WATER' and evidence"
            " and match_quality in ('A', 'B')", [ingredient]).fetchall()}  # fmt: skip
        assert {SR28, CIQUAL} <= sources
        copied = rich.execute(
            "select count(*) from reference.links l join reference.copies k using (source, food_id)"
            " where l.ingredient_id = ? and l.source = ? and k.original_source = ?", [ingredient, CIQUAL, SR28]
        ).fetchone()
        assert copied and copied[0] >= 1
    # a food of the same table that copies nothing still speaks
    assert cell(rich, "beef-heart", "FE")["disagreement"] > 1
    note = rich.execute(
        "select note from curated.cell_candidates where ingredient_id = 'lamb-brain' and food_id = '40002' limit 1"
    ).fetchone()
    assert note and re.fullmatch(r"not independent: (\d+) of \1 figures compared are those of usda-sr28 17185", note[0])


ENERGY = [("gelatin", "19177", 344.346)] + [
    (name, food, None)
    for name, food in (
        ("broccoli", "11090"), ("butternut-squash", "11485"), ("carrot", "11124"), ("kale", "11233"),
        ("spinach", "11457"), ("zucchini", "11477"),
    )
]  # fmt: skip


@pytest.mark.parametrize(("ingredient", "food", "expected"), ENERGY)
def test_energy_by_the_factors_that_sr28_states(
    rich: duckdb.DuckDBPyConnection, ingredient: str, food: str, expected: float | None
) -> None:
    """FOOD_DES of SR28 states Pro_Factor, Fat_Factor, CHO_Factor of the same food: 3.90 and 9.02 for gelatin."""
    stated = next(r for r in oracle.table("FOOD_DES") if r[0] == food)
    protein, fat, carbohydrate = (float(f or 0) for f in stated[-3:])
    row = cell(rich, ingredient, "ENERC_KCAL")
    parts = {c: cell(rich, ingredient, c) for c in ("PROCNT", "FAT", "CHOCDF")}
    assert row["kind"] is None and {p["food_id"] for p in parts.values()} == {row["food_id"]}
    total = protein * parts["PROCNT"]["value"] + fat * parts["FAT"]["value"] + carbohydrate * parts["CHOCDF"]["value"]
    assert row["value"] == pytest.approx(total, abs=6e-4)
    if expected:
        assert row["value"] == expected
    formula = next(r["formula"] for r in oracle.schema("conversions") if [r["id"]] == [row["steps"][2:-2]])
    assert [float(x) for x in re.findall(r"[0-9.]+", formula)] == [f for f in (protein, fat, carbohydrate) if f]


def test_no_unsampled_zero_is_evidence_against_another_source(rich: duckdb.DuckDBPyConnection) -> None:
    """design.md, gap kind doubtful_zero: zero where comparable foods clearly are not."""
    stands = rich.execute(
        """select v.ingredient_id, v.component from curated."values" v
             join curated.cell_candidates o using (ingredient_id, component)
             join reference.components c using (component)
           where v.evidence and v.value = 0 and coalesce(v.n, 0) = 0 and v.status in ('unspecified', 'calculated')
             and c.block is distinct from 'proximate' and o.evidence and o.value > 0 and o.match_quality in ('A', 'B')
             and o.source <> v.source and not exists (
               from archival.maintainer_decisions d where d.action = 'acknowledge' and d.source = v.source
                 and d.food_id = v.food_id and d.source_component = v.source_component)"""
    ).fetchall()
    assert stands == []
    # Ciqual 40202 and 40502 print vitamin D 0, SR28 23443 0.3 ug and 23445 0.2 ug; thiamin 0 beside 0.051 mg
    for ingredient, component in (
        ("beef-tongue", "VITD"), ("beef-tripe", "VITD"), ("beef-tripe", "THIA"),
    ):  # fmt: skip
        row = cell(rich, ingredient, component)
        assert row["value"] != 0 or row["kind"] in ("doubtful_zero", "only_assumed_zero"), row
        assert row["value"] != 0 or "prints 0" in row["detail"]


def test_gaps_and_evidence_fit(rich: duckdb.DuckDBPyConnection) -> None:
    """design.md section 1: a gap stands beside a cell exactly when there is no evidence."""
    assert rich.execute(
        """select count(*) from curated."values" v full join curated.gaps g using (ingredient_id, component)
           where v.status <> 'not_applicable' and v.evidence is distinct from (g.kind is null)
             or v.status = 'not_applicable' and g.kind is not null"""
    ).fetchall() == [(0,)]


def count(con: duckdb.DuckDBPyConnection, sql: str) -> int:
    found = con.execute(sql).fetchone()
    assert found
    return int(found[0])


def test_evidence_is_spelt_out_once(checkout: Workspace) -> None:
    """design.md section 4 names the evidence; no module lists it again."""
    assert registry.evidence(checkout.schemas) == {
        "measured", "calculated", "composed", "label_claim", "unspecified"}
    assert set(registry.vocabularies(checkout.schemas)["status"]) == {
        s["status"] for s in registry.statuses(checkout.schemas)}
    for path in (checkout.root / "pipeline").rglob("*.sql"):
        listed = re.findall(r"\([^()]*'label_claim'[^()]*\)", path.read_text(encoding="utf-8"))
        assert [words for words in listed if "'composed'" in words or "'measured'" in words] == [], path


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
      where v.value = 0 and coalesce(v.n, 0) = 0 and v.source <> 'maintainer'
        and c.block is distinct from 'proximate'"""
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


def test_no_more_equal_figures_than_chance_brings(rich: duckdb.DuckDBPyConnection) -> None:
    """Chosen figures without samples that equal what an older table did not analyse of the same ingredient, by source,
    against the equal ones among that table's other foods of the part and species group: what chance brings. The
    Japanese table, which took nothing, has 9 and 9; a count above the 99th percentile of chance would be laundering."""
    rich.execute("""create or replace temp table digits as
      select v.source, v.food_id, v.component, v.evidence, r.release_date, f.part, f.species_group, f.state,
        floor(log10(v.value))::int * 1000 + round(v.value / pow(10, floor(log10(v.value)) - 2))::int as figure
      from reference."values" v join reference.foods f using (source, release, food_id)
        join archival.releases r on r.source = v.source
        join reference.components c on c.component = v.component and c.needed
      where v.value > 0 and v.source <> 'maintainer' and v.component not in ('ENERC_KCAL', 'CHOCDF')
      qualify row_number() over (partition by v.source, v.food_id, v.component
        order by v.preference, v.source_component) = 1""")
    rich.execute("""create or replace temp table pairs as
      select distinct c.source, c.food_id, c.component, t.source as first_source, t.food_id as first_food, o.figure,
        o.figure = t.figure as same, t.part, t.species_group
      from curated."values" c join reference.links f using (ingredient_id)
        join digits o on o.source = c.source and o.food_id = c.food_id and o.component = c.component
        join digits t on t.source = f.source and t.food_id = f.food_id and t.component = c.component
      where c.evidence and c.value > 0 and coalesce(c.n, 0) = 0 and not t.evidence and t.source <> o.source
        and t.release_date < o.release_date and f.match_quality in ('A', 'B') and c.match_quality in ('A', 'B')""")
    counted = rich.execute("""with chance as (
        select p.* exclude (same, part, species_group, figure), avg((d.figure = p.figure)::int) as rate
        from pairs p join digits d on d.source = p.first_source and d.component = p.component and d.part = p.part
          and d.species_group = p.species_group and d.state = 'raw' and d.food_id <> p.first_food group by all)
      select source, count(*), sum(same::int), sum(rate) from pairs
        left join chance using (source, food_id, component, first_source, first_food) group by 1""").fetchall()
    found = {source: (n, same, expected) for source, n, same, expected in counted}
    assert found[CIQUAL][0] > 100 and found[MEXT][0] > 300
    for source, (_, same, expected) in found.items():
        at_most = next(k for k in range(100) if sum(
            math.exp(-expected) * expected**i / math.factorial(i) for i in range(k + 1)) >= 0.99)
        assert same <= at_most, (source, same, expected)


def test_what_cannot_be_beside_the_food_s_other_figures_is_struck_out(rich: duckdb.DuckDBPyConnection) -> None:
    """SR28 05621, emu: its 18 amino acids (501 to 518) sum to 0.677 of the protein; 17267, bison: tryptophan 0 beside
    21.4 g protein; 13349, beef: fatty acids 9.06 g in 5.41 g fat. Ciqual 10016, cuttlefish: chloride 0."""
    acids = sum(oracle.value("05621", str(number)) for number in range(501, 519))
    assert round(acids / oracle.value("05621", "203"), 3) == Decimal("0.677")
    assert oracle.value("17267", "501") == 0 and oracle.value("17267", "203") > 20
    assert sum(oracle.value("13349", number) for number in ("606", "645", "646")) > oracle.value("13349", "204")
    for ingredient, component, said in (
        ("emu-ground", "LYS", "the 18 amino acids of the food sum to 0.677 of its protein"),
        ("bison-top-sirloin-lean", "TRP", "printed as 0 beside 21.4 g of protein"),
        ("cuttlefish", "CLD", "printed as 0 beside 16.2 g of protein"),
    ):
        row = cell(rich, ingredient, component)
        assert (row["status"], row["kind"]) == ("missing", "rejected") and said in row["detail"], row
    struck = rich.execute("select count(distinct component) from reference.impossible where food_id = '13349'")
    assert struck.fetchone() == (3,)  # EPA and DHA of it are below detection
    # cited-values.md of the dossier: 0 is published for tuna, dab, dogfish, sea trout, pollack, ling, redfish, octopus
    # and cuttlefish in Ciqual
    chlorides = rich.execute("select food_id from reference.impossible where component = 'CLD' order by 1").fetchall()
    assert [food for food, in chlorides] == [
        "10016", "10018", "26053", "26057", "26074", "26092", "26129", "26130", "26210"]
    foods = rich.execute("select count(distinct food_id) from reference.impossible where component = 'LYS'").fetchone()
    assert foods == (7,)  # every emu of the release


def test_copies_found_by_hand_are_found_by_value(rich: duckdb.DuckDBPyConnection) -> None:
    """The 14 foods of Ciqual 2020 that were compared with SR28 figure by figure (tests/data/known_copies.csv)."""
    known = {tuple(r[k] for k in ("source", "food_id", "original_source", "original_food_id"))
             for r in oracle.read_csv(oracle.ROOT / "tests" / "data" / "known_copies.csv")}
    assert len(known) == 14
    columns = "source, food_id, original_source, original_food_id"
    found = set(rich.execute(f"select {columns} from reference.copies").fetchall())
    assert known <= found


def test_evidence_goes_before_match(rich: duckdb.DuckDBPyConnection) -> None:
    """Between A and B; where soil and feed decide, the better match stays."""
    lost = """from curated.cell_candidates f join curated.cell_candidates o using (ingredient_id, component)
      where f.rank = 1 and f.refused is null and f.prefer_id is null and not f.evidence
        and f.match_quality in ('A', 'B')
        and o.evidence and o.refused is null and o.match_quality in ('A', 'B')"""
    assert count(rich, f"select count(*) {lost} and component not in (from reference.soil_driven)") == 0


def test_disagreement_is_counted(rich: duckdb.DuckDBPyConnection) -> None:
    """Largest over smallest among independent analyses, two foods of one publisher included."""
    assert count(rich, 'select count(*) from curated."values" where disagreement >= 1') > 1000


def test_what_peers_and_the_cooked_twin_deny_is_struck_out(rich: duckdb.DuckDBPyConnection) -> None:
    """SR28: 05091, thigh with skin, raw, prints pantothenic acid 0.19 mg; 05094, the same roasted, has 2.9 times as
    much per g of protein, and cooking adds nothing. Foundation Foods prints copper 0.003638 mg for a chicken breast."""
    raw, cooked = oracle.value("05091", "410"), oracle.value("05094", "410")
    per_protein = (cooked / oracle.value("05094", "203")) / (raw / oracle.value("05091", "203"))
    assert raw == Decimal("0.190") and per_protein > Decimal("2.5")
    row = cell(rich, "chicken-thigh-meat-and-skin", "PANTAC")
    assert row["value"] != 0.19 and row["evidence"], row
    refused = rich.execute(
        "select refused, evidence from curated.cell_candidates where source = ? and food_id = '05091'"
        " and component = 'PANTAC' and ingredient_id = 'chicken-thigh-meat-and-skin'", [SR28]).fetchone()
    assert refused and refused[0].startswith("struck out by rule: outside the ") and not refused[1]
    # where nothing else is at hand the gap says why
    gap = cell(rich, "orange-roughy", "FOL")
    assert (gap["status"], gap["kind"]) == ("missing", "rejected") and "struck out by rule" in gap["detail"]


def test_a_rule_strikes_out_only_what_both_deny(rich: duckdb.DuckDBPyConnection) -> None:
    """schemas/absurd_limits.csv, over every figure that was struck out: outside the peers, and 2.4 times as
    much or more, or 0.27 times or less, in cooked food. A figure that the peers allow stands whatever its twin says."""
    found = rows(rich, """
        select c.ingredient_id, c.component, c.refused, v.value, p.low, p.high from curated.cell_candidates c
          join reference."values" v using (source, food_id, component, source_component)
          join reference.foods f using (source, food_id)
          join reference.peers p on p.component = c.component and p.part = f.part and p.species_group = f.species_group
        where c.refused like 'struck out by rule: outside%'""")
    assert 5 <= len(found) <= 20
    for row in found:
        times = float(re.search(r"has ([0-9.]+) times", row["refused"]).group(1))  # type: ignore[union-attr]
        below, above = row["value"] < row["low"] and times >= 2.4, row["value"] > row["high"] and times <= 0.27
        assert below or above, row


def test_a_decision_keeps_what_the_rule_would_strike_out(scratch: Workspace) -> None:
    """The cause of it: the same build with the pantothenic acid of 05091 acknowledged chooses it, and without its
    cooked twins the rule has nothing to say. Where the folate 0 of SR28 10218 is rejected, that of Ciqual 28204 takes
    its place and says so."""
    path = scratch.maintainer / "decisions.csv"
    with path.open("a", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows([
            ["keep-05091-410", SR28, "05091", "410", "chicken-thigh-meat-and-skin", "PANTAC", "0.190", "",
             "acknowledge", "invented for a test", "none", "", "acknowledged"],
            ["zero-10218-417", SR28, "10218", "417", "", "FOL", "0", "", "reject", "invented for a test", "none", "",
             "open"]])
    limits = scratch.schemas / "absurd_limits.csv"
    limits.write_text(limits.read_text(encoding="utf-8").replace("cooked_under_raw,0.27", "cooked_under_raw,0.01"),
                      encoding="utf-8", newline="\n")
    with compiled(scratch) as con:
        assert cell(con, "chicken-thigh-meat-and-skin", "PANTAC")["value"] == 0.19
        # the limit is read: orange roughy's folate is seven times that of the cooked fish, not a hundred times
        assert cell(con, "orange-roughy", "FOL")["value"] == 26.0
        gap = cell(con, "pork-tenderloin-lean-and-fat", "FOL")
        said = "the like zero of usda-sr28 10218 was struck out by decision zero-10218-417"
        assert (gap["value"], gap["source"]) == (0, "anses-ciqual") and said in gap["reason"] and said in gap["detail"]


def test_figures_of_another_country_lie_in_the_range(rich: duckdb.DuckDBPyConnection) -> None:
    """design.md section 5: for selenium, iodine and other soil- or feed-driven components the range spans both."""
    driven = {r["component"] for r in oracle.schema("soil_driven")}
    assert {"SE", "ID"} <= driven
    faults = rows(rich, """
        select v.ingredient_id, v.component, v.low, v.high, o.source, o.value
        from curated."values" v join curated.cell_candidates o using (ingredient_id, component)
          join archival.releases own on own.source = v.source join archival.releases r on r.source = o.source
        where v.component in (select unnest(?)) and v.match_quality in ('A', 'B') and v.low is not null
          and o.evidence and o.refused is null and o.match_quality in ('A', 'B') and o.value is not null
          and r.country <> own.country and (o.value < v.low - 1e-6 or o.value > v.high + 1e-6)""", [sorted(driven)])
    assert not faults, faults[:5]
    spans = rows(rich, "from curated.\"values\" where spread_basis = 'countries'")
    assert len(spans) >= 20 and {r["component"] for r in spans} <= driven


def test_stand_ins_are_borrowed(rich: duckdb.DuckDBPyConnection) -> None:
    """Kakimov 2021 ground chicken with bone, Phiraphinyo 2006 chicken bone: no analysis of turkey, duck or quail bone
    or of a bone meal. No evidence, a gap beside it, a range as wide as what bone of other animals holds."""
    lamb = cell(rich, "lamb-bone-fresh", "CA")
    for bird in ("turkey", "duck", "quail"):
        row = cell(rich, f"{bird}-bone-fresh", "CA")
        assert (row["status"], row["evidence"], row["confidence"], row["kind"]) == (
            "borrowed", False, "D", "only_imputed")
        assert row["spread_basis"] == "borrowed" and row["low"] <= 4352.68 and row["high"] >= lamb["high"]
        assert row["value"] is None and "not measured on " + bird in row["detail"]
    meal = cell(rich, "bone-meal", "CA")
    assert (meal["status"], meal["value"], meal["evidence"]) == ("borrowed", 32200.0, False)
    assert meal["low"] < 25000 and meal["high"] > 40000
    whole = cell(rich, "turkey-neck-bone-in", "CA")
    assert (whole["status"], whole["evidence"], whole["value"]) == ("borrowed", False, None)
    # the bird that was analysed keeps its evidence
    assert cell(rich, "chicken-bone-fresh", "CA")["evidence"]


def test_what_was_seen_and_not_quantified_starts_at_nothing(rich: duckdb.DuckDBPyConnection) -> None:
    """SR28, Ciqual and MEXT document Tr, traces, "<" and a measured 0 as amounts below a limit: from 0 on."""
    found = rows(rich, """select status, low, value, count(*) as n from reference."values"
        where source <> 'maintainer' and (status in ('trace', 'below_detection') or low is not null) group by all""")
    assert {r["status"] for r in found} == {"trace", "below_detection"} and sum(r["n"] for r in found) > 10_000
    assert all(r["low"] == 0 and r["value"] is None for r in found)
