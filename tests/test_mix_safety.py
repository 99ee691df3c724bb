"""The trial mix never blesses an overdose: added nutrients, liver, thiaminase, avidin, vitamin E, the user's figures.

Made-up tables; the legal maxima and requirement figures are those of the profile files, which name their regulation.
"""

from __future__ import annotations

import csv
from dataclasses import asdict, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from rawref.errors import InputError, InputErrors
from rawref.lookup.resolve import component_among, ingredients_among
from rawref.mix.assay import read_assay
from rawref.mix.batch import Batch, ask, bounds_of, more_of
from rawref.mix.compare import compare
from rawref.mix.contributions import contributions, nutrient_of
from rawref.mix.doubt import plausible_source
from rawref.mix.energy import daily_need
from rawref.mix.inputs import read_mix, resolve, substituted
from rawref.mix.line import chance, judged_line, passed_maxima, per_cent, reason_of
from rawref.mix.mix import batch_of, evaluate, has_findings, unfit_with
from rawref.mix.table import Table, load_table
from rawref.mix.target import parse_target, reach
from rawref.needs.profile import Need, load_need
from rawref.render import sheet
from rawref.render.mix import (
    amount_text,
    compare_text,
    contributions_text,
    dose,
    energy_text,
    figure,
    grams_per_day,
    mix_text,
    outcome,
    target_text,
)

from tests.mix_tables import (
    WORKSPACE,
    cells,
    entry,
    ingredient,
    maximum,
    minimum,
    need_of,
    rows_of,
    table_of,
    write_table,
)

PLAIN = {"WATER": "75", "PROCNT": "20", "FAT": "4", "ASH": "1", "CHOCDF": "0"}  # 114 kcal per 100 g
HEADING = "ingredient_id,component,value,unit,basis,laboratory,date,low,high\n"


def salty(folder: Path) -> Table:
    """Poultry, a salt of zinc, shell with a trace of zinc."""
    parts = [
        ingredient("chicken-thigh-meat-only"),
        ingredient("zinc-oxide", "none", "mineral", "addition", cautions='["pure_substance"]'),
        ingredient("eggshell-powder", part="shell", kind="addition"),
    ]
    values = [
        *cells("chicken-thigh-meat-only", **PLAIN, ZN="2.5 2 3"),
        *cells("zinc-oxide", ZN="80340"), *cells("eggshell-powder", ZN="0.5", CA="38000"),
    ]  # fmt: skip
    return table_of(folder, parts, values)


def test_an_added_nutrient_is_held_to_the_legal_maximum_of_the_total(tmp_path: Path) -> None:
    """Commission Implementing Regulation (EU) 2019/1125: 200 mg Zn per kg feed at 12 % moisture, dogs and cats, which
    the profile carries as 22.7 mg per 100 g DM = 56.75 mg per 1000 kcal. 1200 g of poultry hold 1368 kcal."""
    table, need = salty(tmp_path / "t"), load_need(WORKSPACE)
    plain_mix = evaluate(table, rows_of(("chicken-thigh-meat-only", 1200)), need)
    plain = entry(plain_mix, "ZN")
    assert plain["maximum"] is None and plain["maximum_if_added"] == pytest.approx(56.75)
    assert plain["maximum_of"] is None and plain["added_by"] == []
    dosed = evaluate(table, rows_of(("chicken-thigh-meat-only", 1200), ("zinc-oxide", 5)), need)
    zinc = entry(dosed, "ZN")
    assert zinc["per_1000kcal"] > 2500 and zinc["maximum"] == pytest.approx(56.75)
    assert (zinc["verdict"], zinc["added_by"], has_findings(dosed)) == ("over", ["zinc-oxide"], True)
    assert "which holds because zinc-oxide adds it" in zinc["reason"]
    assert "because a, b add it" in reason_of(zinc | {"added_by": ["a", "b"]}, need.name)
    assert "added" not in mix_text(dosed).split("Per 1000 kcal ME:")[0]
    assert "· ZN" in mix_text(plain_mix) and "56.75 only if added" in mix_text(plain_mix)
    assert next(line for line in mix_text(dosed).splitlines() if " · ZN " in line).endswith("56.75 since added")
    small = evaluate(table, rows_of(("chicken-thigh-meat-only", 1200), ("zinc-oxide", "1/50")), need)
    assert entry(small, "ZN")["maximum"] == pytest.approx(56.75) and entry(small, "ZN")["verdict"] == "meets"


def test_a_trace_in_shell_is_no_addition_of_zinc(tmp_path: Path) -> None:
    """A hundredth of the maximum or more counts (schemas/mix_rules.csv): 6 g of shell bring 0.03 mg of 77.6."""
    table = salty(tmp_path / "t")
    found = entry(evaluate(table, rows_of(("chicken-thigh-meat-only", 1200), ("eggshell-powder", 6)),
                           load_need(WORKSPACE)), "ZN")  # fmt: skip
    assert found["maximum"] is None and found["added_by"] == []


def test_a_line_without_a_maximum_says_so_and_far_above_asks_for_a_look(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, P="200", K="300", RIBF="30"))
    need = need_of(tmp_path, minimum("P", "1000", "mg"), minimum("K", "200", "mg"), minimum("RIBF", "27", "mg"))
    result = evaluate(table, rows_of(("a", 100)), need)
    assert [entry(result, key)["verdict"] for key in ("P", "K", "RIBF")] == ["meets"] * 3
    assert [entry(result, key)["far_above_minimum"] for key in ("P", "K", "RIBF")] == [False, True, False]  # 13 and 9.7
    shown = mix_text(result).split("Per 1000 kcal ME:")[1].split("\n\n")[0]
    lines = {key: line for line in shown.splitlines() for key in ("P", "K") if line.startswith(f"{key} ")}
    assert all(line.endswith("no maximum published") and " - " not in line[24:] for line in lines.values())
    assert "meets, high" in lines["K"] and "meets, high" not in lines["P"]


def test_much_liver_is_judged_at_the_high_end_with_rival_evidence(tmp_path: Path) -> None:
    """USDA SR28: retinol of beef liver 4948 µg per 100 g (13325), of New Zealand beef liver 28319 (23425). FEDIAF
    nutritional maximum 40 000 IU = 12 000 µg per 100 g DM, 30 000 per 1000 kcal."""
    parts = [ingredient("beef", "cattle"), ingredient("beef-liver", "cattle", "liver")]
    values = [*cells("beef", **PLAIN, RETOL="0"), *cells("beef-liver", **PLAIN, RETOL="4948 3500 7000")]
    folder = write_table(tmp_path / "t", parts, values)
    mix, need = rows_of(("beef", 750), ("beef-liver", 250)), load_need(WORKSPACE)
    assert entry(evaluate(load_table(WORKSPACE, folder), mix, need), "RETOL")["verdict"] == "meets"
    (folder / "candidates.csv").write_text(
        "ingredient_id,component,value,status,rank,reason_not_chosen\nbeef-liver,RETOL,4948,measured,1,\n"
        "beef-liver,RETOL,28319,measured,2,match B\n",
        encoding="utf-8",
    )
    found = entry(evaluate(load_table(WORKSPACE, folder), mix, need), "RETOL")
    assert found["verdict"] == "undecided" and found["rival_from"] == ["beef-liver"]
    assert found["chance_maximum"][0] < 0.95 < found["chance_minimum"][0]
    assert found["high"] == pytest.approx(28319 * 2.5)
    little = evaluate(load_table(WORKSPACE, folder), rows_of(("beef", 960), ("beef-liver", 40)), need)
    assert entry(little, "RETOL")["verdict"] == "meets"


def test_any_raw_fish_or_shellfish_has_the_thiaminase_caution(tmp_path: Path) -> None:
    parts = [ingredient("tuna", "albacore-tuna"), ingredient("mussel", "blue-mussel"), ingredient("chicken"),
             ingredient("oil", "finfish", "oil", "addition")]  # fmt: skip
    table = table_of(tmp_path / "t", parts, [row for key in ("tuna", "mussel", "chicken", "oil")
                                            for row in cells(key, **PLAIN)])  # fmt: skip
    for key, warned in (("tuna", True), ("mussel", True), ("chicken", False), ("oil", False)):
        found = evaluate(table, rows_of((key, 5), ("chicken", 95)), load_need(WORKSPACE))
        at = [row["from"] for row in found["cautions"] if row["code"] == "raw_fish_thiaminase"]
        assert at == ([[key]] if warned else []), key


def test_a_verdict_rests_on_the_figure_that_decides_it_alone(tmp_path: Path) -> None:
    """By a minimum from memory and a maximum that was seen; 70 to 88 mg per 1000 kcal."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, ZN="9 8 10"))
    for least, most, verdict, memory in (
        ("1", "5", "over", False), ("90", "100", "short", True), ("1", "100", "meets", True),
        ("1", "80", "undecided", False), ("80", "100", "undecided", True), ("78", "80", "undecided", True),
    ):  # fmt: skip
        need = need_of(tmp_path, minimum("ZN", least, "mg"), maximum("ZN", most, "mg"))
        found = entry(evaluate(table, rows_of(("a", 100)), need), "ZN")
        assert (found["verdict"], found["rests_on_memory"]) == (verdict, memory)


def test_an_amount_that_may_be_more_says_so_and_of_nothing_there_is_no_zero(tmp_path: Path) -> None:
    """a has 4 mg of taurine and chloride, b no figure, c a range of calcium alone."""
    parts = [ingredient("a"), ingredient("b"), ingredient("c", part="bone")]
    values = [*cells("a", **PLAIN, CLD="4", CA="10", P="200", TAU="4"), *cells("b", **PLAIN, CA="10", P="200"),
              *cells("c", **PLAIN, P="9000", CLD="4", TAU="4"),
              *cells("c", "borrowed", CA="25000 20000 30000")]  # fmt: skip
    table = table_of(tmp_path / "t", parts, values)
    need = need_of(tmp_path, minimum("CLD", "300", "mg"), minimum("CA", "1500", "mg"), minimum("P", "1000", "mg"),
                   minimum("ID", "1", "ug"),
                   "TAU,minimum,recommended,675,mg,per_1000kcal_ME,canned,2021,seen,x,")  # fmt: skip
    result = evaluate(table, rows_of(("a", 100), ("b", 880), ("c", 20)), need)
    shown = {key: amount_text(entry(result, key)) for key in ("CLD", "CA", "P", "ID")}
    assert {key: text[-1] == "+" for key, text in shown.items()} == {"CLD": True, "CA": True, "P": False, "ID": False}
    assert shown["ID"] == "-"
    text = " ".join(mix_text(result).split())
    assert "with c at the least of a range. Animal" in text and "(88 % of the mix has no figure), may be below" in text


def test_of_an_undecided_line_it_is_said_which_figure_is_from_memory_and_who_adds(tmp_path: Path) -> None:
    parts = [ingredient("a"), ingredient("drops", "none", "vitamin", "addition", cautions='["pure_substance"]')]
    values = [*cells("a", **PLAIN, VITD="1 0.5 2"), *cells("drops", VITD="100")]
    table = table_of(tmp_path / "t", parts, values)
    lines = (minimum("VITD", "12", "ug"), maximum("VITD", "20", "ug", "legal_if_added"))
    result = evaluate(table, rows_of(("a", 1000), ("drops", 4)), need_of(tmp_path, *lines))
    text = " ".join(mix_text(result).split())
    assert "· VITD undecided (minimum from memory): " in text and "the maximum holds because drops adds it" in text


def test_a_report_from_memory_does_not_silence_the_thiaminase_caution(tmp_path: Path) -> None:
    """schemas/thiaminase_free.csv: what was not seen is told beside the caution; what was seen takes it away."""
    parts = [ingredient("salmon", "atlantic-salmon"), ingredient("tuna", "albacore-tuna")]
    table = table_of(tmp_path / "t", parts, [row for key in ("salmon", "tuna") for row in cells(key, **PLAIN)])
    assert table.thiaminase_free["atlantic-salmon"] == "memory"
    mix, need = rows_of(("salmon", 5), ("tuna", 5)), load_need(WORKSPACE)
    found = [row for row in evaluate(table, mix, need)["cautions"] if row["code"] == "raw_fish_thiaminase"]
    assert found[0]["from"] == ["salmon", "tuna"]
    assert found[0]["detail"] == "reported absent in salmon, from memory, no source seen"
    seen = replace(table, thiaminase_free={"atlantic-salmon": "seen"})
    found = [row for row in evaluate(seen, mix, need)["cautions"] if row["code"] == "raw_fish_thiaminase"]
    assert found[0]["from"] == ["tuna"] and found[0]["detail"] == ""


def test_biotin_of_raw_egg_white_does_not_count(tmp_path: Path) -> None:
    """Avidin binds it. USDA SR28 WEIGHT: a large egg of 50 g has 17 g of yolk, so 100 g of whole egg count at most the
    34 g of yolk in them."""
    parts = [ingredient(f"chicken-egg-{part}", part=f"egg_{part}") for part in ("white", "yolk", "whole")]
    values = [*cells("chicken-egg-white", **PLAIN, BIOT="7"), *cells("chicken-egg-yolk", **PLAIN, BIOT="50"),
              *cells("chicken-egg-whole", **PLAIN, BIOT="24")]  # fmt: skip
    table = table_of(tmp_path / "t", parts, values)
    for part, biotin in (("white", 0), ("yolk", 50), ("whole", 17)):
        found = entry(evaluate(table, rows_of((f"chicken-egg-{part}", 100)), load_need(WORKSPACE)), "BIOT")
        assert (found["amount"] or 0) == pytest.approx(biotin)
        assert bool(found["not_counted_from"]) is (part != "yolk")


def assays(folder: Path, table: Table, *lines: str, also: tuple[str, ...] = ()) -> Any:
    file = folder / "assay.csv"
    file.write_text(HEADING + "\n".join(lines) + "\n", encoding="utf-8")
    return read_assay(file, table, "assay.csv", also)


def test_vitamin_e_has_one_currency(tmp_path: Path) -> None:
    """1 IU is 1 mg all-rac-alpha-tocopheryl acetate, in which the standards count (AAFCO 2016: 40 IU per kg DM = 10 IU
    per 1000 kcal): a label of just that many IU is enough, and not short."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, TOCPHA="0"))
    need = load_need(WORKSPACE, "aafco-2016-adult")
    for units, verdict in (("1.15", "meets"), ("1.1", "short")):  # 1000 g of a are 1140 kcal: 11.4 IU
        given = assays(tmp_path, table, f"e-oil,TOCPHA,{units},IU,per_g,label,2024-01-31,,", also=("e-oil",))
        result = evaluate(table, rows_of(("a", 1000), ("e-oil", 10)), need, assay=given)
        assert entry(result, "TOCPHA")["chance_minimum"][1] == (1 if verdict == "meets" else 0)


def kelp(folder: Path) -> Table:
    parts = [
        ingredient("chicken-liver", part="liver"),
        ingredient("kelp-dried", "none", "plant", "addition", cautions='["kelp_iodine"]'),
        ingredient("table-salt", "none", "salt", "addition"),
        ingredient("taurine", "none", "amino_acid", "addition", cautions='["pure_substance"]'),
    ]
    values = [*cells("chicken-liver", **PLAIN), *cells("table-salt", NA="38760", CLD="60000"),
              *cells("taurine", TAU="100000")]  # fmt: skip
    return table_of(folder, parts, values)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("chicken-liver,PROCNT,90,g,per_100g,lab,2024-01-31,,", "add up to 170 g in 100 g"),
        ("kelp-dried,ID,60,pct,per_100g,lab,2024-01-31,,", "at most 2 g"),
        ("table-salt,NA,60,pct,per_100g,lab,2024-01-31,,", "at most 39.4 g"),
        ("chicken-liver,CA,1,mg,per_100g,lab,2024-01-31,0.5,100001", "more than 100 g of CA in 100 g at the high end"),
        ("chicken-liver,CA,1,mg,per_100g,lab,0001-01-01,,", "before 1950"),
        ("chicken-liver,ENERC_KCAL,120,kcal,per_100g,lab,2024-01-31,,", "energy changes nothing"),
        ("taurine,TAU,110,g,per_100g,lab,2024-01-31,,", "more than 100 g"),
        ("chicken-liver,MN,50,g,per_100g,lab,2024-01-31,,", "leave no room for WATER"),
    ],
)
def test_an_impossible_figure_is_refused_with_the_reason(tmp_path: Path, line: str, problem: str) -> None:
    """NaCl is 39.34 % sodium (IUPAC 2021); kelp holds 16 to over 8000 µg per g (Teas et al. 2004)."""
    with pytest.raises((InputError, InputErrors)) as caught:
        assays(tmp_path, kelp(tmp_path / "t"), line)
    assert caught.value.line().startswith("assay.csv:2:") and problem in caught.value.line()


def test_an_assay_may_say_no_more_than_a_range(tmp_path: Path) -> None:
    """Below a limit is a range from nothing to it (as in the tables: INFOODS, below detection), low and high alone are
    a range; the total counts the low end."""
    table = kelp(tmp_path / "t")
    given = assays(
        tmp_path, table, "kelp-dried,ID,<2,mg,per_kg,lab,2024-01-31,,",
        "chicken-liver,CU,,mg,per_kg,lab,2024-01-31,2,4",
    )  # fmt: skip
    result = evaluate(table, rows_of(("chicken-liver", 100), ("kelp-dried", 10)), load_need(WORKSPACE), assay=given)
    copper, iodine = entry(result, "CU"), entry(result, "ID")
    assert copper["range_from"] == ["chicken-liver"] and (copper["low"], copper["known_high"]) == (0.2, 0.4)
    assert (copper["amount"], iodine["range_from"]) == (0.2, ["kelp-dried"])
    assert (iodine["low"], iodine["known_high"]) == (0, 20)
    assert [row["value"] for row in result["assays"]] == ["2 to 4", "<2"]
    assert not any(row["code"] == "kelp_iodine" for row in result["cautions"])


@pytest.mark.parametrize(
    ("value", "low", "high", "problem"),
    [
        ("", "", "", "no value"), ("", "1", "", "no value"), ("", "4", "2", "low 4 is not below high 2"),
        ("<0", "", "", "such as <2"), ("<", "", "", "the limit in value is missing"), ("<2x", "", "", "'2x'"),
        ("<2", "1", "", "which is a range"), (">2", "", "", "'>2'"), ("3", "4", "5", "outside low and high"),
        ("<30", "", "", "at most 2 g"),
    ],
)  # fmt: skip
def test_a_range_that_contradicts_itself_is_refused(
    tmp_path: Path, value: str, low: str, high: str, problem: str
) -> None:
    with pytest.raises((InputError, InputErrors)) as caught:
        assays(tmp_path, kelp(tmp_path / "t"), f"kelp-dried,ID,{value},g,per_100g,lab,2024-01-31,{low},{high}")
    assert caught.value.line().startswith("assay.csv:2:") and problem in caught.value.line()


def test_a_range_leaves_room_for_the_rest_of_100_g(tmp_path: Path) -> None:
    table = kelp(tmp_path / "t")
    assays(tmp_path, table, "chicken-liver,PROCNT,,g,per_100g,lab,2024-01-31,15,24")
    with pytest.raises((InputError, InputErrors)) as caught:
        assays(tmp_path, table, "chicken-liver,PROCNT,,g,per_100g,lab,2024-01-31,10,60")
    assert "at the high end of PROCNT" in caught.value.line() and "140 g in 100 g" in caught.value.line()


@pytest.mark.parametrize(
    ("line", "problem"),
    [("Total,530", "looks like a row of totals"), ("chicken-liver,50000000", "more than ten tonnes")],
)
def test_a_row_of_totals_and_a_huge_weight_get_a_fitting_hint(tmp_path: Path, line: str, problem: str) -> None:
    file = tmp_path / "mix.csv"
    file.write_text(f"ingredient_id,grams\nbeef-heart,500\n{line}\n", encoding="utf-8")
    with pytest.raises((InputError, InputErrors), match=problem):
        read_mix(file, "mix.csv", load_table(WORKSPACE))
    with pytest.raises(InputError, match="400 kg"):
        daily_need(400, "active")
    with pytest.raises(InputError, match="both left out and replaced"):
        substituted(rows_of(("beef-heart", 500)), ["beef-heart"], {"beef-heart": "lamb-heart"})


def test_the_published_range_of_kelp_is_told_and_does_not_count() -> None:
    """Kelp holds 16 to over 8000 µg iodine per g (Teas et al. 2004, abstract): the range of one study stands for no
    product, so the line is open; 20 mg per g bounds it, so that a trace of kelp leaves the maximum kept."""
    table, need = load_table(WORKSPACE), load_need(WORKSPACE)
    cell = table.cell("kelp-dried", "ID")
    assert cell is not None and cell.high is not None
    mix = rows_of(("beef-heart", 1000), ("kelp-dried", "0.3"))
    line = entry(evaluate(table, mix, need), "ID")
    assert line["verdict"] == "undecided" and line["chance_maximum"][0] == 0
    assert [(row["ingredient_id"], row["high"]) for row in line["other_products_from"]] == [
        ("kelp-dried", float(cell.high))
    ]
    assert "does not count" in line["reason"] and "published range of kelp-dried" in line["reason"]
    trace = entry(evaluate(table, rows_of(("beef-heart", 1000), ("kelp-dried", "0.001")), need), "ID")
    assert trace["chance_maximum"][0] > 0.99
    batch, _ = batch_of(table, mix, None, [], {})
    with pytest.raises(InputError, match="unknown"):
        reach(batch, "ID", Fraction(425), "kelp-dried")


def test_every_limit_of_a_remedy_is_data_with_a_reason() -> None:
    with (WORKSPACE.schemas / "mix_rules.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert all(row["reason"] and row["source"] for row in rows)
    assert {"remedy_food", "remedy_addition", "remedy_times", "target_times", "assay_times"} <= {
        row["rule"] for row in rows
    }


def test_a_sheet_has_one_energy_and_names_it() -> None:
    """The food tables' energy is by factors for people: the sheet shows the energy for cats alone."""
    table, rows = shipped("example")
    result = evaluate(table, rows, load_need(WORKSPACE))
    page = sheet.markdown(sheet.analysis(result, "A mix"))
    lines = [line for line in page.splitlines() if "energy" in line.lower() and line.startswith("|")]
    assert len(lines) == 1 and "for cats" in lines[0] and result["energy_formula_title"] in lines[0]


def test_a_target_that_is_an_overdose_is_none(tmp_path: Path) -> None:
    """No profile publishes a maximum of magnesium; five times the minimum by a salt is objected to."""
    parts = [ingredient("a"), ingredient("mgo", "none", "mineral", "addition", cautions='["pure_substance"]')]
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, MG="30"), *cells("mgo", MG="60000")])
    need = need_of(tmp_path, minimum("MG", "200", "mg"))
    batch, _ = batch_of(table, rows_of(("a", 1000)))
    assert unfit_with(batch, need, "mgo", Fraction("0.1")) == []
    assert "Mg, by mgo" in unfit_with(batch, need, "mgo", Fraction(3))[0]


def test_a_lack_that_no_kelp_can_fill_is_one(tmp_path: Path) -> None:
    """Invented: kelp published with 1000 to 5000 ug of iodine per 100 g: a tenth of a gram brings at most 5 of 400."""
    parts = [ingredient("a"), ingredient("kelp", "kelp", "plant", "addition", cautions='["kelp_iodine"]')]
    values = [*cells("a", **PLAIN, ID="1 1 1"), *cells("kelp", status="borrowed", ID="- 1000 5000")]
    table = table_of(tmp_path / "t", parts, values)
    need = need_of(tmp_path, minimum("ID", "400", "ug"))
    few, many = (evaluate(table, rows_of(("a", 1000), ("kelp", grams)), need) for grams in (0.1, 30))
    assert entry(few, "ID")["verdict"] == "short" and entry(many, "ID")["verdict"] == "undecided"
    assert entry(many, "ID")["chance_minimum"][1] == 1


def test_a_little_fish_oil_is_not_given_for_its_vitamin_d(tmp_path: Path) -> None:
    """Less than a twentieth of the legal maximum by an oil calls on no law; by a pure substance a hundredth does."""
    parts = [ingredient("a"), ingredient("oil", "finfish", "oil", "addition"),
             ingredient("pure", "none", "vitamin", "addition", cautions='["pure_substance"]')]  # fmt: skip
    values = [*cells("a", **PLAIN, VITD="1"), *cells("oil", VITD="10"), *cells("pure", VITD="10")]
    table = table_of(tmp_path / "t", parts, values)
    need = need_of(tmp_path, maximum("VITD", "14.19", "ug", "legal_if_added"))
    for key, grams, named in (("oil", 3, []), ("oil", 10, ["oil"]), ("pure", 3, ["pure"])):
        assert entry(evaluate(table, rows_of(("a", 1000), (key, grams)), need), "VITD")["added_by"] == named


@pytest.mark.parametrize(("per_100g", "looked_at"), [("3", False), ("5", True)])
def test_what_is_by_nature_twice_the_legal_maximum_asks_for_a_look(
    tmp_path: Path, per_100g: str, looked_at: bool
) -> None:
    """Of 152 kcal (plain Atwater: 20 g protein, 8 fat) 3 and 5 ug are 19.7 and 32.9 per 1000 kcal; by law 14.19 where
    it is added."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, VITD=per_100g))
    need = need_of(tmp_path, minimum("VITD", "10", "ug"), maximum("VITD", "14.19", "ug", "legal_if_added"))
    found = entry(evaluate(table, rows_of(("a", 100)), need), "VITD")
    assert (found["verdict"], found["maximum"], found["maximum_if_added"]) == ("meets", None, 14.19)
    assert found["far_above_minimum"] is looked_at
    short = need_of(tmp_path, minimum("VITD", "500", "ug"), maximum("VITD", "14.19", "ug", "legal_if_added"))
    assert not entry(evaluate(table, rows_of(("a", 100)), short), "VITD")["far_above_minimum"]


def test_an_assay_far_from_the_table_or_the_formula_is_held_against_it(tmp_path: Path) -> None:
    """Potassium iodide holds 76.45 g of iodine in 100 g (IUPAC standard atomic weights 2021): a thousandth of it is an
    error of unit. Of a food the line says what the table has."""
    parts = [ingredient("a"), ingredient("ki", "none", "mineral", "addition", cautions='["pure_substance"]')]
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, FE="2 1 3"), *cells("ki", ID="76450000")])
    with pytest.raises(InputError, match=r"0\.07645 g of ID in 100 g; pure ki holds 76\.45 g"):
        assays(tmp_path, table, "ki,ID,76.45,mg,per_100g,lab,2024-01-31,,")
    for given, told in (("0.09", True), ("0.11", False), ("31", True)):
        own = assays(tmp_path, table, f"a,FE,{given},mg,per_100g,lab,2024-01-31,,")
        text = " ".join(mix_text(evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE), assay=own)).split())
        assert ("The table has 1 to 3 per 100 g: check unit and basis." in text) is told
        assert ("Far from the table, check unit and basis of your assay: FE of a." in text) is told


def test_an_assay_above_the_ceiling_of_an_unknown_is_held_against_it(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN), {("a", "TAU"): "300"})
    for given, told in (("300", False), ("301", True)):
        own = assays(tmp_path, table, f"a,TAU,{given},mg,per_100g,lab,2024-01-31,,")
        text = " ".join(mix_text(evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE), assay=own)).split())
        assert ("The table says at most 300 per 100 g: check unit and basis." in text) is told


def test_a_target_is_told_in_whole_sentences() -> None:
    table, rows = shipped("example")
    batch, _ = batch_of(table, rows, None, [], {})
    found = reach(batch, "CA", Fraction(1390), "eggshell-powder") | {"passes_maximum_of": [], "over_already": ["SE"],
                                                                "objections": []}  # fmt: skip
    text = " ".join(target_text(found).split())
    assert "g is enough with a chance of 95 %; the mix as it is holds enough with a chance of 5 % or more." in text
    assert "over the maximum of SE already: not to be fed" in text


def test_names_and_units_as_people_write_them(tmp_path: Path) -> None:
    table = kelp(tmp_path / "t")
    found = assays(
        tmp_path, table, "chicken-liver,Mn,2.5,mg,per_kg,lab,2024-01-31,,",
        "chicken-liver,se,30,mcg,per_100g,lab,2024-01-31,,",
        "chicken-liver,ID,3,µg,per_100g,lab,2024-01-31,,", "chicken-liver,VITD,1,μg,per_100g,lab,2024-01-31,,",
    )  # fmt: skip
    values = {key[1]: item.cell.value for key, item in found.items()}
    assert values == {"MN": Fraction(1, 4), "SE": 30, "ID": 3, "VITD": 1}


def test_a_label_of_zero_does_not_silence_a_caution(tmp_path: Path) -> None:
    table = kelp(tmp_path / "t")
    mix = rows_of(("chicken-liver", 100), ("kelp-dried", 1))
    for line, warned in (
        ("kelp-dried,ID,0,ug,per_g,label,2024-01-31,,", True), ("kelp-dried,ID,600,ug,per_g,label,2024-01-31,,", False),
        ("kelp-dried,ID,0,ug,per_g,A laboratory,2024-01-31,,", False),
    ):  # fmt: skip
        result = evaluate(table, mix, load_need(WORKSPACE), assay=assays(tmp_path, table, line))
        assert any(row["code"] == "kelp_iodine" for row in result["cautions"]) is warned, line


def test_a_maximum_from_memory_warns_and_does_not_decide_the_exit_status(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, F20D4N6="0.1"))
    for standing, ends in (("memory", False), ("seen", True)):
        line = maximum("F20D4N6", "0.5", "g").replace(",seen,", f",{standing},")
        result = evaluate(table, rows_of(("a", 100)), need_of(tmp_path, line))
        assert entry(result, "F20D4N6")["verdict"] == "over" and has_findings(result) is ends
        assert "over" in mix_text(result)


def shipped(name: str) -> tuple[Table, Any]:
    """The committed table and a mix of the repository."""
    table = load_table(WORKSPACE)
    path = WORKSPACE.maintainer / "mixes" / f"{name}.csv"
    return table, read_mix(path, path.name, table, set())


def test_a_maximum_from_memory_does_not_hide_that_a_seen_one_is_passed(tmp_path: Path) -> None:
    """Vitamin D in the profile: FEDIAF 2021 nutritional maximum 30 000 IU = 750 µg per kg DM, 187.5 per 1000 kcal
    (seen); the legal maximum where it is added is stricter, and from memory."""
    parts = [ingredient("chicken-thigh-meat-only"), ingredient("oil", part="oil", kind="addition")]
    table = table_of(tmp_path / "t", parts, [*cells("chicken-thigh-meat-only", **PLAIN, VITD="0.1 0.05 0.2"),
                                             *cells("oil", VITD="2500")])  # fmt: skip
    need = load_need(WORKSPACE)
    some = evaluate(table, rows_of(("chicken-thigh-meat-only", 1200), ("oil", 2)), need)
    much = evaluate(table, rows_of(("chicken-thigh-meat-only", 1200), ("oil", 20)), need)
    told = [(e["verdict"], e["maximum_standing"]) for e in (entry(some, "VITD"), entry(much, "VITD"))]
    assert told == [("over", "memory"), ("over", "seen")]
    assert entry(much, "VITD")["maximum"] == pytest.approx(187.5)
    assert [codes(found).get("over") for found in (some, much)] == [None, ["VITD"]]


@pytest.mark.parametrize(
    ("nutrient", "target", "salt"),
    [("VITD", 5, "cholecalciferol"), ("ID", 500, "potassium-iodide"), ("SE", 200, "sodium-selenite-anhydrous")],
)
def test_a_dose_of_micrograms_is_found_as_exactly_as_one_of_grams(nutrient: str, target: int, salt: str) -> None:
    """What is added reaches the target and does not pass it: recomputed from the batch with that much more."""
    table, rows = shipped("beef-supplements-no-kelp")
    batch, _ = batch_of(table, rows, None, [], {})
    found = reach(batch, nutrient, Fraction(target), salt)
    fuller = more_of(batch, salt, Fraction(found["grams"]))
    held = sum(fuller.grams[key] * content.counted / 100 for key, content in fuller.contents(nutrient).items())
    assert float(held / fuller.kcal * 1000) == pytest.approx(target, rel=1e-6)
    assert 0 <= found["grams_low"] <= found["grams"] <= found["grams_high"] < 0.01


def test_a_dose_that_passes_a_maximum_says_so() -> None:
    table, rows = shipped("beef-supplements-no-kelp")
    batch, _ = batch_of(table, rows, None, [], {})
    need = load_need(WORKSPACE)
    assert "ID" in passed_maxima(batch, need, "potassium-iodide", Fraction(1, 100))
    table, rows = shipped("example")
    batch, _ = batch_of(table, rows, None, [], {})
    assert passed_maxima(batch, need, "eggshell-powder", Fraction(1)) == []


def test_a_mix_of_nothing_is_neither_enough_nor_too_much() -> None:
    """Water and a pure amino acid hold no calcium, no phosphorus and no energy: nothing follows from 0 / 0."""
    table, need = load_table(WORKSPACE), load_need(WORKSPACE)
    for only in ("water", "taurine"):
        result = evaluate(table, rows_of((only, 100)), need)
        assert {line["verdict"] for line in result["components"]} == {"undecided", "no_requirement"}, only
        assert [row["code"] for row in result["findings"]] == ["no_energy"] and has_findings(result)
        assert "no known energy" in mix_text(result) and "a day" not in mix_text(result)


def verdict_with(batch: Batch, need: Need, component: str, key: str, grams: float) -> str:
    """The verdict on one line of the mix with so much more of an ingredient."""
    changed = more_of(batch, key, Fraction(grams))
    return judged_line(changed, ask(changed, component), bounds_of(changed, need, component)).verdict


@pytest.mark.parametrize("name", ["beef-supplements-no-kelp", "example", "bone-in-lamb", "rabbit-and-organs"])
@pytest.mark.parametrize("profile", ["fediaf-2021-adult-mer75", "nrc-2006-adult"])
def test_no_remedy_is_another_recipe_or_an_overdose(name: str, profile: str) -> None:
    """Grams that are offered decide, by an evaluation with them, are at most as much again of what the mix holds, and
    open no maximum; an assay that is offered for a minimum says up to where the maximum is kept."""
    table, rows = shipped(name)
    need = load_need(WORKSPACE, profile)
    batch, _ = batch_of(table, rows, None, [], {})
    for line in evaluate(table, rows, need)["components"]:
        grams, assay = line["grams_that_decide"], line["assay_that_decides"]
        if grams:  # what is printed reaches the verdict, and does not by being ten times too much
            said = verdict_with(batch, need, line["component"], grams["ingredient_id"], grams["grams"])
            half = verdict_with(batch, need, line["component"], grams["ingredient_id"], grams["grams"] / 2)
            assert (said, half == "meets") == ("meets", False), line["component"]
        if grams and grams["grams"] > 0:
            assert grams["grams"] <= batch.grams[grams["ingredient_id"]], line["component"]
            assert passed_maxima(batch, need, grams["ingredient_id"], Fraction(grams["grams"])) == []
            assert line["chance_maximum"] is None or line["chance_maximum"][0] >= 0.95
        if assay and assay["bound"] == "minimum" and assay["at_least"] is not None and line["maximum"] is not None:
            assert assay["kept_up_to"] is None or assay["kept_up_to"] >= assay["at_least"]


def test_a_dose_is_printed_in_the_unit_in_which_it_is_weighed() -> None:
    assert [dose(grams) for grams in (2.5, 0.0025, 0.0000025, 0.0)] == ["2.5 g", "2.5 mg", "2.5 µg", "nothing"]


@pytest.mark.parametrize("name", ["beef-supplements-no-kelp", "example", "bone-in-lamb", "rabbit-and-organs"])
def test_what_nobody_knows_is_no_zero_and_every_figure_lies_in_its_range(name: str) -> None:
    """A salt holds no vitamin by its nature; that says nothing about the meat beside it, whose content is unknown."""
    table, rows = shipped(name)
    for line in evaluate(table, rows, load_need(WORKSPACE))["components"]:
        low, high = line["low"], line["high"]
        if line["amount"] is not None and "/" not in line["component"]:
            assert low <= line["amount"] * (1 + 1e-9), line["component"]
            assert high is None or line["amount"] <= high * (1 + 1e-9), line["component"]
    line = entry(evaluate(table, rows, load_need(WORKSPACE)), "MK4")
    assert line["amount"] is None or line["amount"] > 0 or not line["unknown_from"]


def codes(result: Any) -> dict[str, list[str]]:
    """The findings of a mix by code, with their components."""
    return {row["code"]: row["components"] for row in result["findings"]}


def test_no_silence_of_a_profile_blesses_an_overdose(tmp_path: Path) -> None:
    """NRC 2006 has no maximum of iodine and selenium. FEDIAF 2021: iodine 5680 µg per kg DM = 1420 per 1000 kcal; EU
    law, 0.5 mg selenium per kg feed at 12 % moisture = 142 µg per 1000 kcal, where added. KI is 76.45 % iodine."""
    parts = [ingredient("chicken"), ingredient("fish", "albacore-tuna"),
             ingredient("iodide", "none", "mineral", "addition", cautions='["pure_substance"]'),
             ingredient("selenite", "none", "mineral", "addition", cautions='["pure_substance"]')]  # fmt: skip
    values = [*cells("chicken", **PLAIN, ID="1", SE="15"), *cells("fish", **PLAIN, ID="1", SE="100"),
              *cells("iodide", ID="76450000"), *cells("selenite", SE="45660000")]  # fmt: skip
    table, need = table_of(tmp_path / "t", parts, values), load_need(WORKSPACE, "nrc-2006-adult")
    assert need.applied("ID", "maximum") is need.if_added("SE") is None
    dosed = evaluate(table, rows_of(("chicken", 1000), ("iodide", "1/20"), ("selenite", "1/50")), need)
    assert set(codes(dosed)["over"]) == {"ID", "SE"}
    iodine, selenium = entry(dosed, "ID"), entry(dosed, "SE")
    assert (iodine["maximum"], selenium["maximum"]) == (pytest.approx(1420), pytest.approx(142))
    assert iodine["maximum_of"] == "fediaf-2021-adult-mer75" and "nrc-2006-adult has none" in iodine["reason"]
    assert next(line for line in mix_text(dosed).splitlines() if " · ID " in line).endswith("1420 (fediaf)")
    ocean = entry(evaluate(table, rows_of(("fish", 1000)), need), "SE")  # 877 µg by nature: the law is on what is added
    assert ocean["maximum"] is None and ocean["verdict"] == "meets"


def test_of_growth_no_maximum_holds_for_adults() -> None:
    """FEDIAF 2021: Ca:P at most 1.5 in growth and 2 in adults."""
    ratios = {name: [float(row.value) for _, row in load_need(WORKSPACE, name).others if row.component == "CA/P"]
              for name in ("nrc-2006-adult", "aafco-2016-growth-reproduction")}  # fmt: skip
    assert set(ratios["nrc-2006-adult"]) == {2.0} and min(ratios["aafco-2016-growth-reproduction"]) == 1.5


def test_the_least_that_kelp_holds_counts_against_the_maximum(tmp_path: Path) -> None:
    """Teas et al. 2004 (abstract): 16 to over 8000 µg iodine per g. FEDIAF profile: 1420 µg per 1000 kcal, 1619 in
    1000 g of poultry of 1140 kcal: 150 g hold 2400 or more, one gram 16 or up to 8000 and more."""
    parts = [ingredient("chicken"), ingredient("kelp-dried", "none", "plant", "addition", cautions='["kelp_iodine"]')]
    table = table_of(tmp_path / "t", parts, [*cells("chicken", **PLAIN, ID="2"), *cells("kelp-dried", **PLAIN)])
    need = load_need(WORKSPACE)
    much, little = (evaluate(table, rows_of(("chicken", 1000), ("kelp-dried", g)), need) for g in (150, 1))
    assert entry(much, "ID")["verdict"] == "over" and "ID" in codes(much)["over"]
    assert "kelp-dried brings 1" in entry(much, "ID")["reason"]
    assert entry(little, "ID")["verdict"] == "undecided" and "ID" in codes(little)["maximum_in_doubt"]
    assert entry(little, "ID")["chance_minimum"][0] == 0.0  # it blesses no minimum


def test_what_is_toxic_to_cats_is_refused_or_a_finding(tmp_path: Path) -> None:
    """Wilson et al. 2019, JAVMA 254:1172-1179: onion, garlic, leek and chive."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN))
    file = tmp_path / "mix.csv"
    file.write_text("ingredient_id,grams\na,90\nGarlic powder,10\n", encoding="utf-8")
    with pytest.raises((InputError, InputErrors), match="toxic to cats"):
        read_mix(file, "mix.csv", table)
    own = assays(tmp_path, table, "soup-with-leeks,PROCNT,5,g,per_100g,lab,2024-01-31,,", also=("soup-with-leeks",))
    result = evaluate(table, rows_of(("a", 90), ("soup-with-leeks", 10)), load_need(WORKSPACE), 4, assay=own)
    assert "not_to_be_fed" in codes(result) and has_findings(result)
    text = " ".join(mix_text(result).split())
    assert "Not to be fed as it stands: soup-with-leeks: leek" in text
    assert "if it were fit to be fed, which it is not" in text
    page = sheet.markdown(sheet.analysis(result, "A mix"))
    assert "Not to be fed as it stands" in page and "which it is not" in page


def test_a_dose_without_any_maximum_is_no_quiet_success(tmp_path: Path) -> None:
    """No standard has a maximum of potassium: ten times the minimum, brought by a salt, ends with exit status 1; by
    food alone it asks for a look (schemas/mix_rules.csv). KCl is 52.4 % potassium."""
    parts = [ingredient("a"), ingredient("b"), ingredient("kcl", "none", "mineral", "addition")]
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, K="300"), *cells("b", **PLAIN, K="2500"),
                                             *cells("kcl", K="52400")])  # fmt: skip
    need = need_of(tmp_path, minimum("K", "2000", "mg"))
    dosed, rich, plain = (evaluate(table, rows_of(*mix), need) for mix in (
        (("a", 1000), ("kcl", 50)), (("b", 1000),), (("a", 1000), ("kcl", 2))))  # fmt: skip
    assert codes(dosed) == {"high": ["K"]} and entry(dosed, "K")["high_by"] == ["kcl"]
    assert entry(rich, "K")["far_above_minimum"] and codes(rich) == codes(plain) == {}


def test_what_is_rather_missed_than_met_is_an_objection(tmp_path: Path) -> None:
    """75 % interval ends as of a normal figure: 3 of 100 g with 2 to 4 around a minimum of 4 is met in few cases, of
    2.9 in more than half; what an unknown could still bring is no objection. 114 kcal per 100 g."""
    parts = [ingredient("a"), ingredient("b")]
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, ZN="3 2 4"), *cells("b", **PLAIN)])
    found = {}
    for least in (3.5, 2.9):
        need = need_of(tmp_path, minimum("ZN", str(least / 0.114), "mg"))
        found[least] = evaluate(table, rows_of(("a", 1000)), need)
        assert entry(found[least], "ZN")["verdict"] == "undecided"
    assert codes(found[3.5]) == {"probably_short": ["ZN"]} and has_findings(found[3.5]) and codes(found[2.9]) == {}
    assert "Not complete as it stands: probably short of Zn." in mix_text(found[3.5])
    assert f"By the figures of {need.name} nothing is short or over; undecided: Zn." in mix_text(found[2.9])
    half = evaluate(table, rows_of(("a", 500), ("b", 500)), need_of(tmp_path, minimum("ZN", "20", "mg")))
    assert entry(half, "ZN")["chance_minimum"][0] < 0.5 and codes(half) == {}


def test_thiaminase_and_avidin_take_from_the_whole_mix(tmp_path: Path) -> None:
    """Thiaminase was reported of raw carp (Honeyfield et al. 2012, J Great Lakes Res 38:11-17); cod is beside it. 100 g
    of white bind 76 ug of biotin: 10.9 g protein (SR28 01124) x 1/2000 avidin x 14 ug per mg (both from memory)."""
    parts = [
        ingredient("beef"), ingredient("cod", "atlantic-cod"),
        ingredient("carp", "carp", cautions='["raw_fish_thiaminase"]'),
        ingredient("egg-white", part="egg_white"),
    ]  # fmt: skip
    values = [row for key in ("beef", "cod", "carp", "egg-white") for row in cells(key, **PLAIN, THIA="1", BIOT="20")]
    table = table_of(tmp_path / "t", parts, values)
    need = need_of(tmp_path, minimum("THIA", "1", "mg"), minimum("BIOT", "60", "ug"))
    cod, carp, white = (evaluate(table, rows_of(*mix), need) for mix in (
        (("beef", 500), ("cod", 500)), (("beef", 990), ("carp", 10)), (("beef", 500), ("egg-white", 500))))
    assert entry(cod, "THIA")["verdict"] == "meets" and entry(cod, "THIA")["taken_by"] == []
    assert entry(carp, "THIA")["verdict"] == "undecided" and entry(carp, "THIA")["chance_minimum"] == [0, 1]
    assert entry(carp, "BIOT")["verdict"] == "meets" and "undecided: Thia" in mix_text(carp)
    assert "thiaminase of carp may destroy all of it" in " ".join(mix_text(carp).split())
    assert entry(carp, "THIA")["assay_that_decides"] is None and entry(carp, "THIA")["grams_that_decide"] is None
    biotin = entry(white, "BIOT")  # 100 ug of the beef, of which 500 g of white may bind 380; 1140 kcal
    assert biotin["verdict"] == "undecided" and biotin["taken_by"][0]["per_1000kcal"] == pytest.approx(380 / 1.14)
    assert biotin["chance_minimum"] == [0, 1] and biotin["per_1000kcal"] == pytest.approx(100 / 1.14)
    few = evaluate(table, rows_of(("beef", 900), ("egg-white", 100)), need)  # 180 - 76 = 104 ug: 91 per 1000 kcal
    assert entry(few, "BIOT")["verdict"] == "meets"


def test_fish_oil_asks_for_vitamin_e_on_top(tmp_path: Path) -> None:
    """AAFCO Cat Food Nutrient Profiles 2016: add 10 IU of vitamin E per g of fish oil per kg of diet; 1 IU of the
    natural form is 0.67 mg. 10 g ask for 67 mg more, whatever the diet weighs."""
    parts = [ingredient("a"), ingredient("fish-oil", "finfish", "oil", "addition"),
             ingredient("lard", "pig", "oil", "addition")]  # fmt: skip
    fat = {"WATER": "0", "PROCNT": "0", "FAT": "100", "ASH": "0", "CHOCDF": "0"}
    oils = [row for key in ("fish-oil", "lard") for row in cells(key, **fat, TOCPHA="0")]
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, TOCPHA="3"), *oils])
    need = need_of(tmp_path, minimum("TOCPHA", "10", "mg"))
    oil, lard = (evaluate(table, rows_of(("a", 1000), (key, 10)), need) for key in ("fish-oil", "lard"))
    assert entry(lard, "TOCPHA")["minimum"] == 10 and entry(lard, "TOCPHA")["verdict"] == "meets"
    found = entry(oil, "TOCPHA")
    assert found["minimum"] == pytest.approx(10 + 67 / oil["energy_kcal"] * 1000)
    assert found["verdict"] == "short" and found["minimum_raised_by"] == ["fish-oil"]
    assert "the minimum counts what fish-oil asks for on top" in found["reason"]


def test_phosphate_is_no_source_of_phosphorus_to_bless(tmp_path: Path) -> None:
    """Common practice, no source: what harms as a salt is objected to at a few times the minimum."""
    parts = [ingredient("a"), ingredient("b"), ingredient("dcp", "none", "mineral", "addition",
                                                          cautions='["pure_substance"]')]  # fmt: skip
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, P="200"), *cells("b", **PLAIN, P="500"),
                                             *cells("dcp", P="18000")])  # fmt: skip
    need = need_of(tmp_path, minimum("P", "1", "g"))
    dosed, rich = (evaluate(table, rows_of(*mix), need) for mix in ((("a", 1000), ("dcp", 20)), (("b", 1000),)))
    assert codes(dosed) == {"high": ["P"]} and codes(rich) == {}
    assert {row["code"] for row in dosed["cautions"]} - {row["code"] for row in rich["cautions"]} >= {"phosphate_salts"}


def test_what_is_over_a_maximum_from_memory_is_said_first(tmp_path: Path) -> None:
    """A maximum from memory warns and decides no exit status, yet the first line is no blessing."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, VITD="3 2 4"))
    for limit, words in (("10", "over a maximum that is from memory: Vitd"),
                         ("25", "probably over a maximum that is from memory: Vitd")):  # fmt: skip
        need = need_of(tmp_path, maximum("VITD", limit, "ug", standing="memory"))
        result = evaluate(table, rows_of(("a", 1000)), need)
        assert not has_findings(result) and mix_text(result).startswith("Have a look before it is fed: ")
        assert words in mix_text(result).replace("\n  ", " ")


def test_less_taurine_than_any_food_is_held_to_is_an_objection(tmp_path: Path) -> None:
    """FEDIAF 2021, per 1000 kcal at MER 75: 675 mg in canned, 325 mg in dry food."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, TAU="5 4 6"))
    result = evaluate(table, rows_of(("a", 1000)), load_need(WORKSPACE))
    assert "below_published" in codes(result) and has_findings(result)


def test_taurine_that_nobody_knows_is_not_passed_over(tmp_path: Path) -> None:
    """No figure is no zero, and no reason to say nothing; nor does a target begin at zero."""
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("taurine", "none", "amino_acid", "addition")],
                     [*cells("a", **PLAIN), *cells("taurine", TAU="100000")], {("a", "TAU"): "300"})  # fmt: skip
    head = " ".join(outcome(evaluate(table, rows_of(("a", 1000)), load_need(WORKSPACE))))
    assert "no ingredient of this mix has a figure, so it may be below what is published for canned food (675)" in head
    found = reach(batch_of(table, rows_of(("a", 1000)))[0], "TAU", Fraction(700), "taurine")
    assert found["present"] is None and found["grams"] == pytest.approx(0.7 * 1.14)


def test_of_two_mixes_neither_is_passed_over(tmp_path: Path) -> None:
    table = salty(tmp_path / "t")
    need = load_need(WORKSPACE)
    plain, dosed = (evaluate(table, rows_of(*mix), need) for mix in (
        (("chicken-thigh-meat-only", 1200),), (("chicken-thigh-meat-only", 1200), ("zinc-oxide", 5))))
    for sides in ((plain, dosed), (dosed, plain)):
        assert "Not to be fed as it stands: over the maximum: Zn" in compare_text(compare(*sides), sides)


def test_a_day_s_energy_is_that_of_adults(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN))
    with pytest.raises(InputError, match="known for adult cats"):
        evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE, "fediaf-2021-growth"), weight_kg=1.2)


def test_cooked_bone_is_refused_as_what_it_is(tmp_path: Path) -> None:
    mix = tmp_path / "mix.csv"
    mix.write_text("ingredient_id,grams\ncooked-chicken-bone,10\n", encoding="utf-8")
    with pytest.raises(InputError, match="cooked bone splinters: it is never fed"):
        read_mix(mix, "mix.csv", salty(tmp_path / "t"), set())


def test_what_is_published_for_other_food_alone_stands_at_the_head(tmp_path: Path) -> None:
    """Taurine of canned food, FEDIAF 2021: 270 mg per 100 g DM at MER 75, which is 675 mg per 1000 kcal (4000 kcal per
    kg DM). No standard sets a minimum for raw food."""
    need = load_need(WORKSPACE)
    heads = {}
    for taurine in ("25 20 30", "75 70 80", "100 90 110"):
        table = table_of(tmp_path / taurine[:2], [ingredient("a")], cells("a", **PLAIN, TAU=taurine))
        heads[taurine] = " ".join(mix_text(evaluate(table, rows_of(("a", 1000)), need)).split())
    both = "is below what is published for canned food (675) and dry food (325)"
    assert f"Tau, 219.3 mg per 1000 kcal, {both}" in heads["25 20 30"]
    assert "Tau, 657.9 mg per 1000 kcal, may be below what is published for canned food (675)" in heads["75 70 80"]
    assert "1140 kcal ME (90 % interval 1140 to 1140)" in heads["25 20 30"]
    assert "is below what is published" not in heads["100 90 110"]
    assert "canned food 675 mg (this mix holds that)" in heads["100 90 110"]


def test_an_unbounded_addition_is_named(tmp_path: Path) -> None:
    """A yeast of which nobody states the zinc: with it at its most, the maximum is passed."""
    parts = [ingredient("a"), ingredient("yeast", "none", "yeast", "addition")]
    table = table_of(tmp_path / "t", parts, [*cells("a", **PLAIN, ZN="3"), *cells("yeast", **PLAIN)])
    result = evaluate(table, rows_of(("a", 1000), ("yeast", 40)), need_of(tmp_path, maximum("ZN", "60", "mg")))
    assert codes(result) == {"maximum_in_doubt": ["ZN"]} and entry(result, "ZN")["maximum_open_from"] == ["yeast"]
    assert "may be over the maximum: Zn, unknown in yeast" in mix_text(result)


def test_a_component_has_the_same_names_in_every_question() -> None:
    """As `rawref trace` reads them: contributions, targets, assays."""
    table = load_table(WORKSPACE)
    table.named = partial(component_among, [asdict(row) for row in table.components.values()], WORKSPACE.schemas)
    for said, meant in (("vitamin-d", "VITD"), ("B1", "THIA"), ("vit a", "RETOL"), ("mn", "MN")):
        assert nutrient_of(table, said, "--contributions") == meant
        assert parse_target(table, f"{said} = 5") == (meant, 5)
    with pytest.raises(InputError, match="RETOL"):  # of what is kept for checks the table has no row: no zero is told
        nutrient_of(table, "VITA", "--contributions")


def test_what_a_person_calls_an_ingredient_is_suggested_before_what_is_spelt_like_it() -> None:
    table = load_table(WORKSPACE)
    listed = [asdict(row) | {"scientific_name": "", "state": ""} for row in table.ingredients.values()]
    table.named_food = partial(ingredients_among, listed, WORKSPACE.schemas)
    for said in ("cow heart", "cooked cow-heart"):
        with pytest.raises(InputError) as found:
            resolve(table, said, "mix.csv:2")
        assert "beef-heart, " in found.value.cure


def test_of_what_nobody_knows_no_zero_is_told(tmp_path: Path) -> None:
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN))
    found = contributions(batch_of(table, rows_of(("a", 100), ("water", 50)))[0], "MK4")
    assert found["amount"] is None and "no figure" in contributions_text(found, "Menaquinone-4")


def test_a_remedy_is_a_source_of_what_lacks() -> None:
    """By the molar masses of IUPAC 2021 potassium iodide is 23.6 % potassium and 76.4 % iodine, table salt is sodium
    and chloride with a trace of iron, potassium chloride both of its own; no liver for protein or iron."""
    table, need = load_table(WORKSPACE), load_need(WORKSPACE)
    keys = ("beef-heart", "beef-liver", "potassium-iodide", "table-salt", "potassium-chloride", "kelp-dried")
    batch, _ = batch_of(table, rows_of(*((key, 10) for key in keys)), None, [], {})
    sources = {
        component: {key for key in keys if plausible_source(batch, need, key, component)}
        for component in ("K", "NA", "ID", "FE", "PROCNT", "CU")
    }
    assert "potassium-chloride" in sources["K"] and not {"potassium-iodide", "kelp-dried"} & sources["K"]
    assert "table-salt" in sources["NA"] and "potassium-iodide" in sources["ID"]
    assert "beef-heart" in sources["FE"] and not {"table-salt", "beef-liver"} & sources["FE"]
    assert "beef-heart" in sources["PROCNT"] and "beef-liver" not in sources["PROCNT"] and "beef-liver" in sources["CU"]


def test_less_of_an_ingredient_leaves_enough_of_it() -> None:
    """More than half liver: without it retinol would be short, with less of it the maximum is kept."""
    table, need = load_table(WORKSPACE), load_need(WORKSPACE)
    rows = rows_of(("chicken-thigh-meat-and-skin", 600), ("beef-liver", 700), ("eggshell-powder", 6))
    line = entry(evaluate(table, rows, need), "RETOL")
    assert line["verdict"] == "undecided" and -700 < line["grams_that_decide"]["grams"] < 0
    batch, _ = batch_of(table, rows, None, [], {})
    less = line["grams_that_decide"]["grams"]
    assert verdict_with(batch, need, "RETOL", "beef-liver", less) == "meets"
    assert verdict_with(batch, need, "RETOL", "beef-liver", -700) != "meets"


def test_an_addition_of_unknown_content_may_call_on_the_law(tmp_path: Path) -> None:
    """Liver copper alone is under no legal maximum (7 mg per 1000 kcal, EU 2018/1039, where copper is added). Beside a
    yeast of which nobody states the copper it may be: no `meets`, and no `over` either."""
    parts = [ingredient("liver", "cattle", "liver"), ingredient("yeast", "none", "yeast", "addition"),
             ingredient("shell", part="shell", kind="addition")]  # fmt: skip
    values = [*cells("liver", **PLAIN, CU="9"), *cells("yeast", **PLAIN), *cells("shell", ASH="96", CU="0.1")]
    table, need = table_of(tmp_path / "t", parts, values), load_need(WORKSPACE)
    plain, doubtful = (evaluate(table, rows_of(("liver", 1000), (key, 9)), need) for key in ("shell", "yeast"))
    copper = entry(plain, "CU")
    assert (copper["verdict"], copper["maximum"]) == ("meets", None) and copper["far_above_minimum"]
    copper = entry(doubtful, "CU")
    assert copper["verdict"] == "undecided" and copper["may_be_added"] and copper["added_by"] == ["yeast"]
    assert copper["chance_maximum"] == [0.0, 1.0] and "CU" in codes(doubtful)["maximum_in_doubt"]
    assert next(line for line in mix_text(doubtful).splitlines() if " · CU " in line).endswith("7 may be added")


def test_a_range_from_nothing_is_no_zero_beside_what_holds_none(tmp_path: Path) -> None:
    """Iodine below a limit in the meat, none in a pure substance: the total is no zero."""
    parts = [ingredient("a"), ingredient("pure", "none", "vitamin", "addition", cautions='["pure_substance"]')]
    values = [*cells("a", **PLAIN), *cells("a", "below_detection", ID="- 0 20"),
              *cells("pure", "not_applicable", ID="-")]  # fmt: skip
    table = table_of(tmp_path / "t", parts, values)
    mix = rows_of(("a", 100), ("pure", 1))
    assert entry(evaluate(table, mix, load_need(WORKSPACE)), "ID")["amount"] is None
    found = contributions(batch_of(table, mix)[0], "ID")
    assert found["amount"] is None and "a range" in contributions_text(found, "Iodine")


def test_numbers_and_chances_are_for_people(tmp_path: Path) -> None:
    printed = [figure(value, 6) for value in (None, 0, 123456.0, 1234567.0, 0.00001234)]
    assert printed == ["-", "0", "123456", "1235k", "~0"]
    assert figure(0.00001234) == "0.0000123"
    assert [per_cent(part) for part in (0.0, 0.947, 0.952, 0.0503, 1.0)] == ["<1", "94", "95", "6", ">99"]
    assert [chance(ends) for ends in ((0.0, 0.0), (0.0, 0.03), (0.97, 1.0), (0.4, 0.6))] == [
        "less than 1 %", "at most 3 %", "97 % or more", "40 to 60 %"
    ]  # fmt: skip


def test_what_meets_by_its_range_is_marked(tmp_path: Path) -> None:
    """A range counts by its low end: 10 to 100 mg per 100 g of 114 kcal, 88 to 877 per 1000 kcal."""
    table = table_of(tmp_path / "t", [ingredient("a"), ingredient("b")], [*cells("a", **PLAIN), *cells("b", **PLAIN)])
    need = need_of(tmp_path, minimum("K", "93", "mg"))
    given = assays(tmp_path, table, "a,K,,mg,per_100g,lab,2024-01-31,10,100", "b,K,,mg,per_100g,lab,2024-01-31,10,100")
    result = evaluate(table, rows_of(("a", 50), ("b", 50)), need, assay=given)
    line = entry(result, "K")
    assert line["verdict"] == "meets" and line["per_1000kcal"] < 93 and amount_text(line) == "87.72+"
    assert "K meets: minimum met" in mix_text(result) and "| 87.72 mg and more |" in sheet.markdown(
        sheet.analysis(result, "A mix"))  # fmt: skip


def test_a_maximum_from_memory_decides_where_an_addition_passes_it_by_far(tmp_path: Path) -> None:
    """Ca:P at most 2 (FEDIAF 2021, from memory). Twice that, by a carbonate (40.04 % calcium, IUPAC 2021), is no slip
    of memory; by bone, which is food, it warns. Taurine has no minimum for raw food, canned food has."""
    parts = [ingredient("a"), ingredient("bone", part="bone"), ingredient("carbonate", "none", "mineral", "addition"),
             ingredient("taurine", "none", "amino_acid", "addition")]  # fmt: skip
    values = [*cells("a", **PLAIN, CA="10", P="200", TAU="50"), *cells("bone", **PLAIN, CA="9000", P="2000"),
              *cells("carbonate", CA="40040", P="0"), *cells("taurine", TAU="100000")]  # fmt: skip
    table, need = table_of(tmp_path / "t", parts, values), load_need(WORKSPACE)
    some, much, food = (evaluate(table, rows_of(("a", 1000), added), need)
                        for added in (("carbonate", 12), ("carbonate", 25), ("bone", 5000)))  # fmt: skip
    assert [entry(found, "CA/P")["verdict"] for found in (some, much, food)] == ["over"] * 3  # 2.5, 5.0 and 3.8
    assert ["CA/P" in codes(found).get("far_over", []) for found in (some, much, food)] == [False, True, False]
    enough, slip = (evaluate(table, rows_of(("a", 1000), ("taurine", g)), need) for g in (2, 100))
    assert ["TAU" in codes(found).get("high", []) for found in (enough, slip)] == [False, True]


def test_a_seen_maximum_of_another_profile_decides_where_ours_is_from_memory(tmp_path: Path) -> None:
    """NRC 2006: 25000 µg retinol per 1000 kcal, from memory; AAFCO 2016: 333 300 IU per kg DM, the same, seen."""
    table = table_of(tmp_path / "t", [ingredient("a")], cells("a", **PLAIN, RETOL="5000"))
    result = evaluate(table, rows_of(("a", 100)), load_need(WORKSPACE, "nrc-2006-adult"))
    line = entry(result, "RETOL")
    assert line["verdict"] == "over" and line["maximum_of"] and line["maximum_standing"] != "memory"
    assert "RETOL" in codes(result)["over"]


@pytest.mark.parametrize(("shell", "sign"), [(4, 1), (20, -1)])
def test_the_grams_that_decide_a_ratio_are_offered_and_do(shell: int, sign: int) -> None:
    table, need = load_table(WORKSPACE), load_need(WORKSPACE)
    rows = rows_of(("beef-round-top-lean", 600), ("beef-heart", 200), ("eggshell-powder", shell))
    line = entry(evaluate(table, rows, need), "CA/P")
    grams = line["grams_that_decide"]["grams"]
    assert line["verdict"] != "meets" and grams * sign > 0
    batch, _ = batch_of(table, rows, None, [], {})
    assert verdict_with(batch, need, "CA/P", "eggshell-powder", grams) == "meets"


def test_an_energy_below_its_own_interval_is_not_told_as_the_energy() -> None:
    """Invented: parts that are only ranges count at their low ends, so that the sum can lie below the interval."""
    daily = {"kcal": 200.0, "grams": 250.0, "ounces": 8.8}
    mix = {"grams": 1000.0, "energy_low_kcal": 1000.0, "energy_high_kcal": 2000.0, "daily": daily, "findings": [],
           "components": []}  # fmt: skip
    inside, below = mix | {"energy_kcal": 1250.0}, mix | {"energy_kcal": 800.0}
    assert energy_text(inside, "kcal") == "1250 kcal (90 % interval 1000 to 2000)"
    assert energy_text(below, "kcal").startswith("1000 to 2000 kcal (90 % interval; 800 where")
    assert grams_per_day(inside).endswith("oz of this mix (100 to 200 g by the interval of its energy)")
    assert grams_per_day(below) == "100 to 200 g of this mix"


def test_a_chance_of_a_third_that_liver_is_too_much_is_a_finding(tmp_path: Path) -> None:
    """600 g of beef liver in 1.5 kg: by SR28 (NDB 13325, retinol 4948 µg in 100 g) about half of FEDIAF's nutritional
    maximum of 30 000 µg per 1000 kcal, by other tables far beyond. White of egg holds no more of it than yolk does."""
    table, _ = shipped("example")
    path = tmp_path / "liver.csv"
    for text, doubtful in (("beef-liver,600", ["RETOL"]), ("chicken-egg-white,600", None)):
        path.write_text(f"ingredient_id,grams\nchicken-thigh-meat-only,700\nbeef-heart,150\n{text}\n", encoding="utf-8")
        result = evaluate(table, read_mix(path, path.name, table, set()), load_need(WORKSPACE))
        assert codes(result).get("maximum_in_doubt") == doubtful
        assert has_findings(result)
