"""Small pieces of the program by themselves, each against a published definition or a sum worked by hand. No build."""

from __future__ import annotations

import subprocess
import zipfile
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from textwrap import wrap
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from rawref import registry
from rawref.database import connect
from rawref.drift import cause, compare, group, head, inputs, read, tiers
from rawref.drift.history import History
from rawref.errors import InputError
from rawref.lookup.words import _one_slip, singular
from rawref.mix import cautions, line
from rawref.mix.assay import Assay, _amounts, _check_date, _within_limits
from rawref.mix.batch import ask
from rawref.mix.compare import _row as change_row
from rawref.mix.contributions import contributions
from rawref.mix.energy import daily_need, nrc_me
from rawref.mix.kcal import _left
from rawref.mix.mix import batch_of, evaluate
from rawref.mix.spread import at_least, quantile, reaches
from rawref.mix.table import Cell
from rawref.needs.profile import unit_factor
from rawref.sources import maintainer, mext, usda_fdc
from rawref.sources.layouts import layout

from tests.mix_tables import WORKSPACE, cells, ingredient, minimum, need_of, rows_of, table_of

PLAIN = {"WATER": "70", "PROCNT": "20", "FAT": "8", "ASH": "1", "CHOCDF": "0"}


# --- mix
@pytest.mark.parametrize("count", [2, 3, 8, 15])
def test_a_quantile_is_that_of_hazen(count: int) -> None:
    """Type 5 of Hyndman and Fan, The American Statistician 50 (1996) 361-365, as numpy has it."""
    points = sorted(np.random.default_rng(count).lognormal(size=count).tolist())
    for chance in np.linspace(0.5 / count, 1 - 0.5 / count, 23):
        assert quantile(points, float(chance)) == pytest.approx(np.quantile(points, chance, method="hazen"))


@pytest.mark.parametrize("seed", range(6))
def test_a_quotient_reaches_a_bound_as_often_as_its_upper_part_reaches_the_lower_times_it(seed: int) -> None:
    draw = np.random.default_rng(seed)
    over, under = (tuple(sorted(draw.lognormal(m, 0.3, n).tolist())) for m, n in ((0.5, 6), (0.0, 9)))
    for bound in np.linspace(0.3, 5, 40):
        by_definition = sum(at_least(over, bound * point) for point in under) / len(under)
        assert reaches(over, under, float(bound)) == pytest.approx(by_definition, abs=1e-12)


def test_no_food_holds_more_protein_per_kcal_than_protein_itself(tmp_path: Path) -> None:
    """At 3.5 to 4 kcal per g (modified and plain Atwater factors) 1000 kcal of protein are 250 to 286 g of it."""
    lean = cells("a", WATER="0", PROCNT="100 99 100", FAT="0", ASH="0", CHOCDF="0")
    table = table_of(tmp_path, [ingredient("a")], lean)
    batch, _ = batch_of(table, rows_of(("a", 100)))
    asked = ask(batch, "PROCNT")
    assert [asked.quotient.chance(grams / 1000, asked.unknown) for grams in (200, 300)] == [1.0, 0.0]


def test_a_chance_of_the_contrary_is_one_less_it() -> None:
    assert (line.chance((0.25, 0.25)), line.chance((0.2, 0.35))) == ("25 %", "20 to 35 %")
    assert (line.chance((0.25, 0.25), contrary=True), line.chance((0.2, 0.35), contrary=True)) == ("75 %", "65 to 80 %")


@pytest.mark.parametrize(
    ("high", "maximum", "told"),
    [
        (4000.0, 40.0, "high end 4000, maximum 40"), (4010.0, 40.0, "without a known upper end, maximum 40"),
        (3000.0, None, "high end 3000"), (3010.0, None, "without a known upper end"),
        (None, None, "without a known upper end"),
    ],
)  # fmt: skip
def test_an_end_that_only_a_weight_bounds_is_not_told(high: float | None, maximum: float | None, told: str) -> None:
    """A hundred times the maximum, or the amount where there is none: rule of this program."""
    line_of = {"component": "RETOL", "per_1000kcal": 30.0, "per_1000kcal_high": high, "maximum": maximum}
    assert cautions._vitamin_a({"components": [line_of]}) == f"retinol 30 µg per 1000 kcal, {told}"


def test_of_more_than_four_names_the_others_are_counted() -> None:
    assert [line.some("abcdef"[:n]) for n in (1, 4, 5, 6)] == ["a", "a, b, c, d", "a, b, c, d and 1 more",
                                                             "a, b, c, d and 2 more"]  # fmt: skip


def test_a_ceiling_is_of_the_grams_in_the_mix(tmp_path: Path) -> None:
    rows = cells("own", **PLAIN)
    batch, _ = batch_of(table_of(tmp_path, [ingredient("own")], rows, {("own", "CA"): "40"}), rows_of(("own", 250)))
    ceiling = batch.contents("CA")["own"].ceiling
    (row,) = contributions(batch, "CA")["ingredients"]
    assert row["amount"] is None and ceiling
    assert row["could_add"] == pytest.approx(float(ceiling) * 2.5)


def test_proximates_are_per_hundred_grams_of_the_mix(tmp_path: Path) -> None:
    table = table_of(tmp_path, [ingredient("own")], cells("own", **PLAIN | {"WATER": "70 68 72"}))
    need = need_of(tmp_path, minimum("PROCNT", "50", "g"))
    found = evaluate(table, rows_of(("own", 250)), need)["proximates"]["WATER"]
    assert (found["as_fed_low_pct"], found["as_fed_pct"], found["as_fed_high_pct"]) == pytest.approx((68, 70, 72))


def test_what_the_other_proximates_leave_of_a_hundred_grams(tmp_path: Path) -> None:
    """Water, protein, fat and ash of 60 to 70, 20, 8 and 1: 100 - 65 - 29 = 6, by the middle of the range."""
    rows = [*cells("own", PROCNT="20", FAT="8", ASH="1"), *cells("own", "trace", WATER="- 60 70")]
    assert _left(table_of(tmp_path, [ingredient("own")], rows), {}, "own") == 6


@pytest.mark.parametrize(("found_mg", "fits"), [("40044", True), ("40700", True), ("41500", False)])
def test_an_assay_of_a_pure_substance_is_at_most_its_formula(tmp_path: Path, found_mg: str, fits: bool) -> None:
    """CaCO3: 40.078 / 100.086 of it is calcium (IUPAC 2021 standard atomic weights); two per cent more is allowed."""
    rows = cells("own", "calculated", CA="40044")
    table = table_of(tmp_path, [ingredient("own", kind="addition", cautions='["pure_substance"]')], rows)
    assay = Assay(Cell("measured", Fraction(found_mg), None, None), found_mg, "mg", "as_fed", "x", "2020-01-01", "", "")
    if fits:
        return _within_limits(table, ("own", "CA"), "mg", assay, "a:2")
    with pytest.raises(InputError, match=r"pure own holds 40\.04 g"):
        _within_limits(table, ("own", "CA"), "mg", assay, "a:2")
    return None


@pytest.mark.parametrize(
    ("at", "on", "good"),
    [
        ("2024-01-31T09:59:59", "2024-01-31", True), ("2024-01-31T09:59:59", "2024-02-01", False),
        ("2024-01-31T10:00:00", "2024-02-01", True), ("2024-01-31T23:00:00", "2024-02-02", False),
    ],
)  # fmt: skip
def test_today_is_the_date_where_the_day_begins(monkeypatch: pytest.MonkeyPatch, at: str, on: str, good: bool) -> None:
    """The first time zone of the earth is UTC+14 (IANA tz database, Pacific/Kiritimati)."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(int(datetime.fromisoformat(f"{at}+00:00").timestamp())))
    if good:
        return _check_date(on, "a:2")
    with pytest.raises(InputError, match="in the future"):
        _check_date(on, "a:2")
    return None


def test_a_figure_is_a_number_a_limit_or_a_range() -> None:
    def given(value: str, low: str = "", high: str = "") -> tuple[Any, ...]:
        return _amounts({"value": value, "low": low, "high": high}, "a:2")

    assert given("2") == (2, None, None, "2") and given("2", "1") == (2, 1, None, "2")
    assert given("2", "2", "2") == (2, 2, 2, "2")
    assert given("<2") == (None, 0, 2, "<2") and given("", "1", "2") == (None, 1, 2, "1 to 2")
    for wrong in (("<2", "1"), ("<2", "", "1"), ("<0",), ("",), ("", "1"), ("", "", "1"), ("", "2", "2"),
                  ("2", "2.1"), ("2", "", "1.9"), ("2", "2.1", "2.2")):  # fmt: skip
        with pytest.raises(InputError):
            given(*wrong)


@pytest.mark.parametrize(("kg", "good"), [(0.29, False), (0.3, True), (30.0, True), (30.1, False)])
def test_a_cat_weighs_between_a_kitten_and_no_cat_at_all(kg: float, good: bool) -> None:
    """The ends are a rule of this program; 100 kcal x kg^0.67 is NRC 2006 (the label "active" from memory)."""
    if good:
        assert daily_need(kg, "active")[0] == pytest.approx(100 * kg**0.67)
    else:
        with pytest.raises(InputError, match="weight is"):
            daily_need(kg, "active")


def test_fibre_lowers_the_energy_that_is_digested() -> None:
    """NRC 2006, chapter 3, cats: GE 5.7, 9.4, 4.1 kcal/g; digestibility 87.9 - 0.88 x fibre % of dry matter; less 0.77
    kcal/g protein. By hand: 30 g protein, 20 fat, 30 NFE and 5 fibre in 90 g dry matter are 502.5 kcal gross; 5.556 %
    fibre, 83.01 % digested; 417.13 - 23.10."""
    grams = [Fraction(n) for n in (30, 20, 30, 5, 90)]
    assert float(nrc_me(*grams)) == pytest.approx(394.03, abs=0.005)


@pytest.mark.parametrize(
    ("value", "up", "down"), [(0.12341, 0.124, 0.123), (1234, 1240, 1230), (10.01, 10.1, 10.0), (0.5, 0.5, 0.5)]
)
def test_grams_are_rounded_to_three_digits_away_from_the_doubt(value: float, up: float, down: float) -> None:
    assert (line.round_up(value), line.round_down(value)) == (up, down)


def test_a_change_is_in_per_cent_of_what_was_there() -> None:
    """50 g of protein for each 1000 kcal, then 60: a fifth more."""
    old: dict[str, Any] = dict.fromkeys(("per_1000kcal_low", "per_1000kcal_high", "unknown_share", "verdict",
                                         "far_above_minimum"))
    old |= {"component": "PROCNT", "name": "protein", "unit": "g", "unknown_from": [], "material_unknown_from": []}
    row = change_row(old | {"per_1000kcal": 50.0}, old | {"per_1000kcal": 60.0}, [{}, {}])
    assert (row["change"], row["change_pct"]) == pytest.approx((10, 20))


# --- drift
def food(standing: str, name: str, figures: int, **more: Any) -> dict[str, Any]:
    """A food of an invented source that came, went, gained or lost."""
    return {"source": "own", "food_id": name[0], "name": name, "standing": standing, "figures": figures,
            "supplies": False, "mapped": False} | more  # fmt: skip


def test_the_head_tells_foods_by_what_became_of_them() -> None:
    foods = [food("added", "Hare", 5, supplies=True), food("gained", "Goat", 2), food("removed", "Duck", -3),
             food("lost", "Lamb", -4)]  # fmt: skip
    assert [s.lead for s in head._added(foods)] == ["own: 1 food added with 5 figures; raw and not mapped yet 1"]
    assert [s.lead for s in head._gained(foods)] == ["own: 1 food gained 2 figures"]
    assert [s.lead for s in head._gone(foods)] == ["own: 1 food removed", "own: 1 food lost 4 figures"]
    assert [s.names for s in head._gained(foods)] == [["Goat (G)"]]
    mixed = [food("gained", "Goat", 2), food("gained", "Hare", -1), food("gained", "Kid", 0)]
    assert [s.lead for s in head._gained(mixed)] == ["own: 3 foods gained 2 figures"]


def test_the_head_has_ten_lines_and_names_what_there_is_room_for() -> None:
    side: Any = SimpleNamespace(digests={"values": "x"}, manifest={})
    row: Any = {"table": "links", "subject": "own", "kind": "other", "ingredient_id": "", "fields": {}}
    many = [food("added", f"A name of some length {n}", 1) | {"source": f"s{n:02}"} for n in range(12)]
    told = head.head(side, side, [row], many, 1)
    assert len(told) == 10 and told[0].startswith("s00: 1 food added with 1 figures; others 1")
    assert all(len(wrap(line, head.WIDTH)) == 1 for line in told)  # each lead has a line of the ten, and no more
    few = head.head(side, side, [row], many[:1] * 30, 3)
    assert few[0].startswith("s00: 30 foods added with 30 figures; others 30: A name of some length 0 (A)")
    assert [len(wrap(line, head.WIDTH)) for line in few] == [2, 1, 1, 1, 1] and "more" in few[0]
    assert few[-1] == "3 rows differ; joined by event they are 1 changes"
    assert head.head(side, side, [], many, 1) == []


def test_what_changed_together_is_told_beside_the_cause() -> None:
    """A module and two files of the registry that all decide the kind of a gap: the module is the cause."""
    reach = frozenset({"kind"})
    files = (inputs.Input("schemas/a.csv", "rule", reach, ""), inputs.Input("pipeline/x.py", "code", reach, ""),
             inputs.Input("schemas/b.csv", "rule", reach, ""))  # fmt: skip
    change = {"table": "gaps", "ingredient_id": "hare", "component": "MN", "fields": {"kind": {}}}
    for held, words in ((files, "schemas/a.csv and 1 more"), (files[:2], "schemas/a.csv")):
        found = cause._reaching(change, cause._Inputs(frozenset({"code", "rule"}), held, set()))
        assert found == cause.Cause("code", f"pipeline/x.py, changed together with {words}")


def test_one_kind_of_input_that_changed_is_the_cause_of_all_but_what_was_edited_by_hand() -> None:
    changes: list[dict[str, Any]] = [
        {"cause": "unknown", "mechanism": "x", "cause_why": "x"},
        {"cause": "code", "mechanism": "kept", "cause_why": ""},
        {"cause": "unknown", "mechanism": f"{cause.HAND} in values.csv", "cause_why": ""},
    ]  # fmt: skip
    cause._only_one(cause.Cause("code", "the program", "pipeline/x.py"), changes)
    assert [(c["cause"], c["mechanism"]) for c in changes] == [
        ("code", "the program"), ("code", "kept"), ("unknown", f"{cause.HAND} in values.csv")
    ]  # fmt: skip
    assert changes[0]["cause_why"] == "the program: pipeline/x.py"


def test_a_repeated_sheet_is_held_cell_by_cell_against_the_whole() -> None:
    """Invented rows; the columns of a sheet are A, B, C."""
    whole = [("all", 9, ("01", "01001", "5")), ("all", 10, ("01", "01002", "7"))]
    again = [("cereals", 4, ("01", "01001", "6")), ("cereals", 5, ("01", "01002", "7"))]
    assert mext._differences(whole, again, 3) == [("cereals!C4", "6", "5")]


@pytest.mark.parametrize(
    ("source", "member", "cure"),
    [
        ("usda-fdc", "sr_legacy_food.csv", "rawref fetch usda-sr-legacy "),
        ("usda-sr-legacy", "foundation_food.csv", "rawref fetch usda-fdc "),
        ("usda-fdc", "foundation_food.csv", "Foundation Foods"), ("usda-fdc", "food.csv", "Foundation Foods"),
    ],
)  # fmt: skip
def test_an_archive_of_another_kind_says_which_it_is(tmp_path: Path, source: str, member: str, cure: str) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(f"folder/{member}", "x")
    described = layout(WORKSPACE.schemas / "layouts", source)
    with zipfile.ZipFile(tmp_path / "a.zip") as archive, pytest.raises(InputError) as found:
        usda_fdc._members(archive, "a.zip", described)
    assert cure in found.value.cure


def test_a_heading_is_faulted_on_its_line(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("b,a\n1,2\n", encoding="utf-8")
    side = read.Side("before", tmp_path, "curated")
    assert read._heading(side, "t", ["a", "b"]) == ["b", "a"]
    assert [(f["why"], f["line"]) for f in side.faults] == [
        ("t.csv has its columns in another order than the registry", 1)
    ]
    other = read.Side("before", tmp_path, "curated")
    read._heading(other, "t", ["a", "c"])
    assert {(f["column"], f["line"]) for f in other.faults} == {("b", 1), ("c", 1)}


@pytest.mark.parametrize(("kind", "why"), [("added", "a gap is named"), ("removed", "a gap is no longer named")])
def test_a_gap_that_comes_or_goes_is_told_as_such(kind: str, why: str) -> None:
    change: dict[str, Any] = {"kind": kind}
    cell = dict.fromkeys(("is_evidence", "peers_high", "per_1000kcal", "minimum", "least", "maximum"))
    tiers._tier_gap(change, cell, {"requirement_share": 5.0}, "own")
    assert (change["why"], change["share_of_requirement"]) == (why, None)


def test_where_the_contract_changed_the_same_word_is_one_fault(tmp_path: Path) -> None:
    side = read.Side("before", tmp_path, "curated")
    for number in (7, 9):
        side.fault("values", f"values.csv: x/{number}: status old is no word", word="status old is no word",
                   line=number, column="status")  # fmt: skip
    side.fault("values", "values.csv: 3 fields where the heading has 4", line=8)
    found = compare._faults(side, ["schemas/statuses.csv"])
    assert [(change["why"].endswith(", in 2 rows"), change["cause"]) for change in found] == [
        (True, "rule"), (False, "rule")
    ]  # fmt: skip


def test_a_cell_that_breaks_the_registry_is_named_with_its_row(tmp_path: Path) -> None:
    columns = ("ingredient_id", "component", "value", "n", "steps", "status", "unit")
    fields = tuple(f for f in registry.fields(WORKSPACE.schemas)["values"] if f.column in columns)
    found = []
    for spoilt in ({}, {"value": "abc"}, {"value": "inf"}, {"n": "1.5"}, {"n": "-1"}, {"steps": "{}"}, {"steps": "x"},
                   {"status": "old"}, {"status": None}, {"value": None, "n": None}):  # fmt: skip
        side = read.Side("before", tmp_path, "curated")
        row = {"ingredient_id": "a", "component": "ZN", "value": "1", "n": "1", "steps": "[]", "status": "measured",
               "unit": "mg"} | spoilt  # fmt: skip
        with connect() as con:
            names = ", ".join(f'"{name}" text' for name in row)
            con.execute(f"create table before_values(row_line int, {names})")
            con.execute(f"insert into before_values values (7, {', '.join('?' * len(row))})", list(row.values()))
            read.find_faulty_cells(con, side, "values", fields, {"status": {"measured": ""}})
        found += [(fault["why"], fault["word"], fault["line"], fault["ingredient_id"]) for fault in side.faults]
    assert found == [(f"values.csv: a/ZN: {said}", said, 7, "a") for said in (
        "value abc is not a finite number", "value inf is not a finite number", "n 1.5 is not a whole number",
        "n -1 is below 0", "steps {} is not a JSON list", "steps x is not a JSON list",
        "status old is not in the vocabulary", "status is empty, though required")]  # fmt: skip


def test_files_that_git_does_not_hold_yet_are_changed_too(tmp_path: Path) -> None:
    def git(*words: str) -> str:
        named = ["-c", "user.name=a", "-c", "user.email=a@b.example", "-c", "commit.gpgsign=false"]
        return subprocess.run(["git", *named, *words], cwd=tmp_path, check=True, capture_output=True, text=True).stdout

    (tmp_path / "schemas").mkdir()
    for name in ("kept", "changed"):
        (tmp_path / "schemas" / name).write_text("1", encoding="utf-8")
    git("init", "-q")
    git("add", "schemas")
    git("commit", "-q", "-m", "x")
    commit = git("rev-parse", "HEAD").strip()
    for name in ("changed", "new"):
        (tmp_path / "schemas" / name).write_text("2", encoding="utf-8")
    assert History(tmp_path, commit, True).changed_below("schemas") == ["schemas/changed", "schemas/new"]
    assert History(tmp_path, commit, False).changed_below("schemas") == []


# --- words, units
@pytest.mark.parametrize(
    ("word", "one"), [("ribs", "rib"), ("legs", "leg"), ("eggs", "egg"), ("gas", "gas"), ("bass", "bass"),
                      ("berries", "berry"), ("anchovies", "anchovy"), ("radishes", "radish"), ("pies", "pie")]
)  # fmt: skip
def test_the_singular_of_a_word(word: str, one: str) -> None:
    """Plurals of English; of four letters too."""
    assert singular(word) == one


@pytest.mark.parametrize(
    ("typed", "word", "slip"),
    [
        ("liber", "liver", True), ("livr", "liver", True), ("livver", "liver", True), ("livre", "liver", True),
        ("ilver", "liver", True), ("lober", "liver", False), ("levir", "liver", False),
        ("livers s", "liver", False), ("lvr", "liver", False), ("hat", "ham", False), ("hams", "ham", True),
        ("duke", "duck", False), ("beef", "been", True), ("bef", "beef", False), ("beeef", "beef", True),
    ],
)  # fmt: skip
def test_one_letter_more_less_or_other_or_two_changed_round_is_a_slip(typed: str, word: str, slip: bool) -> None:
    """Damerau, Communications of the ACM 7 (1964) 171-176: the four single errors of typing."""
    assert _one_slip(typed, word) is slip


def test_an_unfitting_unit_says_what_to_give() -> None:
    assert unit_factor("g", "mg", "CA", "x:1") == 1000 and unit_factor("ug", "ug", "ID", "x:1") == 1
    with pytest.raises(InputError) as in_iu:
        unit_factor("IU", "ug", "VITD", "x:1")
    with pytest.raises(InputError) as in_kcal:
        unit_factor("kcal", "ug", "VITD", "x:1")
    # 1 µg of vitamin D is 40 IU (WHO Expert Committee on Biological Standardization)
    assert "1 ug = 40 IU" in str(in_iu.value) and "IU" not in str(in_kcal.value)


@pytest.mark.parametrize(("row", "concerns"), [
    ({"kind": "derivation", "code": "A"}, True),
    ({"kind": "derivation", "code": "BFZN"}, False),
    ({"kind": "token", "code": "BFZN"}, True),  # says nothing of derivations
    ({"source": "here"}, True),
    ({"source": "elsewhere"}, False),
    ({"id": "mg_to_g", "from_unit": "mg"}, True),
    ({"id": "ug_to_g", "from_unit": "ug"}, False),
])
def test_a_changed_row_concerns_what_it_does_not_contradict(row: dict[str, str], concerns: bool) -> None:
    about = {"source": "here", "derivation": "A", "steps": '["mg_to_g"]'}
    assert inputs._concerns(row, about) is concerns
    assert inputs._concerns(row, {}) is ("id" not in row)


# --- the maintainer's files
@pytest.mark.parametrize(
    ("table", "column", "text", "made"),
    [
        ("composites", "share_pct", "0", 0.0), ("composites", "share_pct", "100", 100.0),
        ("composites", "share_pct", "-0.1", "share_pct -0.1 is outside 0 to 100"),
        ("composites", "share_pct", "100.1", "share_pct 100.1 is outside 0 to 100"),
        ("composites", "share_pct", "27 %", "share_pct '27 %' is not a number"),
        ("composites", "share_pct", "", "share_pct is empty"),
        ("cited_values", "value", "", None), ("cited_values", "value", "1000000", 1e6),
        ("cited_values", "value", "-1", "value -1 is outside 0 to ..."),
        ("cited_values", "n", "12", 12), ("cited_values", "n", "1.5", "n '1.5' is not a whole number"),
        ("cited_values", "steps", '["g_to_mg"]', '["g_to_mg"]'),
        ("cited_values", "steps", '{"g": 1}', "steps '{\"g\": 1}' is not a JSON list"),
        ("cited_values", "component", "ZNN", "component 'ZNN' is not in the registry"),
        ("cited_values", "component", "ZN", "ZN"), ("decisions", "action", "reject", "reject"),
        ("decisions", "action", "refuse", "action 'refuse' is not a word of its list"),
        ("decisions", "decision_id", "a b", "decision_id 'a b' is not well formed"),
    ],
)  # fmt: skip
def test_a_cell_is_what_the_registry_says_or_refused(table: str, column: str, text: str, made: Any) -> None:
    """By the types, limits and words of schemas/fields.csv; what may be empty is none, never zero."""
    schemas = Path(__file__).parents[1] / "schemas"
    field = next(f for f in registry.fields(schemas)[f"maintainer.{table}"] if f.column == column)
    try:
        assert maintainer._typed(field, text, "a place", schemas) == made
    except InputError as error:
        assert error.what == made and error.cure


def test_the_foods_of_a_pool_that_changed_are_named_and_the_others_counted() -> None:
    def food(number: int, standing: str) -> dict[str, Any]:
        return {"name": f"food {number}", "source": "s", "food_id": str(number), "standing": standing, "supplies": True,
                "part": "liver", "species_group": "bovine"}  # fmt: skip

    foods = [food(1, "counts"), food(2, "added"), food(3, "gained"), food(4, "removed"), food(5, "described"),
             food(6, "lost"), {**food(7, "added"), "supplies": False},
             {**food(8, "added"), "part": "heart"}]  # fmt: skip
    assert group.pool_foods(foods, "liver", "bovine") == (
        "food 2 (s 2, added); food 4 (s 4, removed); food 3 (s 3, gained figures); food 6 (s 6, lost figures)"
        " and 2 more"
    )
    assert group.pool_foods(foods[:2], "liver", "bovine") == "food 2 (s 2, added); food 1 (s 1, known otherwise)"
    assert group.pool_foods(foods, "liver", "ovine") == ""
