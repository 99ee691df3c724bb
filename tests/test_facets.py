"""Facets of foods: every rule fires and does not over-fire, the witnesses agree as measured, nothing unfit is raw.

Numbers marked "dossier" stand in the state rules that the facets were written from (measured on SR28 by others).
"""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from pathlib import Path

import duckdb
import pytest
from rawref.database import connect
from rawref.errors import InputError
from rawref.stages.reference import _load_registry as load_registry
from rawref.stages.reference.facets import build_foods, load_rules, match_rules

ROOT = Path(__file__).resolve().parent.parent
SCHEMAS = ROOT / "schemas"
DATA = Path(__file__).parent / "data"
WITNESS = {"NA": "307", "K": "306", "CA": "301", "WATER": "255", "FAT": "204"}
ANIMAL_GROUPS = ("0100", "0500", "1000", "1300", "1500", "1700", "3500")


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def archive(
    foods: list[tuple[str, str, str]],
    values: dict[int, dict[str, str]] | None = None,
    langual: dict[int, list[str]] | None = None,
    footnotes: dict[int, str] | None = None,
) -> duckdb.DuckDBPyConnection:
    """An in-memory archive of foods (source, group, name) numbered from 0, as the archival stage would leave it."""
    con = connect()
    con.execute(
        "create schema archival;"
        "create table archival.foods(source text, release text, food_id text, name text, group_code text,"
        " group_name text, scientific_name text, refuse_pct text, refuse_note text, file text, line text);"
        "create table archival.langual(source text, release text, food_id text, code text);"
        "create table archival.footnotes(source text, release text, food_id text, kind text, source_component text,"
        " text text, file text, line text);"
        'create table archival."values"(source text, release text, food_id text, source_component text, text text);'
        "create schema reference"
    )
    load_registry(con, SCHEMAS)
    con.executemany(
        "insert into archival.foods select ?, 'x', ?, ?, ?, null, null, null, null, 'x', '1'",
        [[source, f"{number:05d}", name, group] for number, (source, group, name) in enumerate(foods)],
    )
    for number, figures in (values or {}).items():
        con.executemany(
            'insert into archival."values" values (?, ?, ?, ?, ?)',
            [[foods[number][0], "x", f"{number:05d}", WITNESS[tag], text] for tag, text in figures.items()],
        )
    for number, codes in (langual or {}).items():
        con.executemany(
            "insert into archival.langual values (?, 'x', ?, ?)",
            [[foods[number][0], f"{number:05d}", code] for code in codes],
        )
    for number, text in (footnotes or {}).items():
        con.execute(
            "insert into archival.footnotes values (?, 'x', ?, 'D', null, ?, 'x', '1')",
            [foods[number][0], f"{number:05d}", text],
        )
    return con


def classify(foods: list[tuple[str, str, str]], **extra: object) -> list[dict[str, object]]:
    """The rows of reference.foods for these names, in their order."""
    with archive(foods, **extra) as con:  # type: ignore[arg-type]
        build_foods(con, SCHEMAS)
        cursor = con.execute("select * from reference.foods order by food_id")
        names = [column[0] for column in cursor.description]
        rows = {row[names.index("source")] + row[names.index("food_id")]: row for row in cursor.fetchall()}
    return [dict(zip(names, rows[f"{food[0]}{n:05d}"], strict=True)) for n, food in enumerate(foods)]


def test_every_rule_has_a_name_that_fires_it_and_a_near_one_that_does_not() -> None:
    """Names of SR28, FDC, Ciqual 2020 and MEXT 2020; the near one shares most words with the one that fires."""
    rules = {rule["rule_id"] for rule in load_rules(SCHEMAS) if rule["facet"] != "footnote"}
    names = table(DATA / "facet_rule_names.csv")
    assert {row["rule_id"] for row in names} == rules
    foods = [(r["source"], r["group_code"], r["fires"]) for r in names]
    foods += [(r["near_source"], r["near_group"], r["must_not"]) for r in names]
    with archive(foods) as con:
        match_rules(con, SCHEMAS)
        hits = set(con.execute("select food_id, rule_id from facet_hit join facet_food using (food)").fetchall())
    wrong = []
    for number, row in enumerate(names):
        if (f"{number:05d}", row["rule_id"]) not in hits:
            wrong.append(f"{row['rule_id']} misses {row['fires']}")
        if (f"{number + len(names):05d}", row["rule_id"]) in hits:
            wrong.append(f"{row['rule_id']} fires on {row['must_not']}")
    assert wrong == []


def test_traps() -> None:
    """The traps that the state rules name (sections 1 to 8), and those of the other tables."""
    traps = table(DATA / "facet_traps.csv")
    found = classify([(t["source"], t["group_code"], t["name"]) for t in traps])
    wrong = [
        f"{t['name']}: {t['facet']} is {row[t['facet']]}, not {t['expected']} ({t['why']})"
        for t, row in zip(traps, found, strict=True)
        if str(row[t["facet"]]) != t["expected"]
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("name", "group", "inside", "outside", "reason"),
    [
        ("Fish, cod, Pacific, raw", "1500", {"NA": "200", "K": "200"}, {"NA": "201", "K": "200"}, "sodium_high"),
        ("Turkey, wing, meat only, raw", "0500", {"NA": "160", "K": "200"}, {"NA": "161", "K": "200"}, "sodium_high"),
        ("Beef, chuck, raw", "1300", {"CA": "60"}, {"CA": "60.1"}, "calcium_suggests_bone"),
        ("Pork, mechanically separated, raw", "1000", {"CA": "121"}, {"CA": "120"}, "calcium_denies_bone"),
        ("Beef, chuck, raw", "1300", {"WATER": "66", "FAT": "9"}, {"WATER": "65.9", "FAT": "9"}, "water_low_for_raw"),
        ("Beef, chuck, raw", "1300", {"WATER": "60", "FAT": "10"}, {"WATER": "60", "FAT": "9.9"}, "water_low_for_raw"),
    ],
)
def test_composition_casts_doubt(
    name: str, group: str, inside: dict[str, str], outside: dict[str, str], reason: str
) -> None:
    """State rules, sections 4, 5 and 9: limits are data (witness_limits.csv); a missing figure says nothing."""
    food = ("usda-sr28", group, name)
    calm, doubt, silent = classify([food, food, food], values={0: inside, 1: outside})
    assert reason not in json.loads(str(calm["review_reasons"]))
    assert reason in json.loads(str(doubt["review_reasons"]))
    assert json.loads(str(silent["review_reasons"])) == []
    if reason != "calcium_denies_bone":
        assert (calm["may_supply_raw"], doubt["may_supply_raw"], silent["may_supply_raw"]) == ("yes", "review", "yes")


def test_sea_water_animals_are_spared_the_sodium_doubt() -> None:
    salty = {"NA": "400", "K": "200"}
    oyster, scallop = classify(
        [("usda-sr28", "1500", "Mollusks, oyster, Pacific, raw"), ("usda-sr28", "1500", "Mollusks, scallop, raw")],
        values={0: salty, 1: salty},
    )
    assert (oyster["may_supply_raw"], scallop["may_supply_raw"]) == ("yes", "review")
    assert (oyster["additions"], scallop["additions"]) == ("none", "unknown")
    assert json.loads(str(scallop["cautions"])) == ["undeclared_salt_possible"]


def test_leached_organs_carry_a_caution() -> None:
    tripe = ("usda-sr28", "1300", "Beef, variety meats and by-products, tripe, raw")
    washed, fresh = classify([tripe, tripe], values={0: {"K": "67"}, 1: {"K": "200"}})
    assert json.loads(str(washed["cautions"])) == ["leached_organ"]
    assert json.loads(str(fresh["cautions"])) == []
    assert washed["may_supply_raw"] == "yes"


@pytest.mark.parametrize(
    ("codes", "reason"),
    [
        (["F0003", "G0003"], None),
        (["F0014"], "langual_says_heated"),
        (["G0019"], "langual_says_heated"),
        (["H0275"], "langual_says_additions"),
        (["C0176"], "langual_other_part"),
        (["H0003", "C0243"], None),
    ],
)
def test_langual_confirms_or_opens_a_review(codes: list[str], reason: str | None) -> None:
    (food,) = classify([("usda-sr28", "1300", "Beef, chuck, raw")], langual={0: codes})
    assert json.loads(str(food["review_reasons"])) == ([reason] if reason else [])
    assert food["may_supply_raw"] == ("review" if reason else "yes")
    assert json.loads(str(food["langual"])) == sorted(codes)


def test_footnotes_tell_of_additions() -> None:
    fish = ("usda-sr28", "1500", "Fish, cod, Pacific, raw")
    japanese = ("mext", "10", "＜魚類＞　ししゃも　生")
    treated, plain, salted, whole = classify(
        [fish, fish, japanese, japanese],
        footnotes={
            0: "Treated with sodium tripolyphosphate",
            1: "Market shares of 1/8 inch trim",
            2: "試料： ひと塩品",
            3: "廃棄部位： 頭部",
        },
    )
    assert [f["may_supply_raw"] for f in (treated, plain, salted, whole)] == ["review", "yes", "review", "yes"]


def test_bone_of_canned_fish_by_its_calcium() -> None:
    """Section 5: canned salmon and jack mackerel hold bone even where the name is silent."""
    mackerel = ("usda-sr28", "1500", "Fish, mackerel, jack, canned, drained solids")
    bony, unsure = classify([mackerel, mackerel], values={0: {"CA": "241"}, 1: {"CA": "149"}})
    assert (bony["bone"], unsure["bone"]) == ("yes", "unknown")


def test_a_brand_item_without_a_state_is_reviewed_for_its_additions() -> None:
    """Section 4: brand items known for injected pork: additions unknown, never none. The brand here is made up."""
    brand, plain = classify(
        [
            ("usda-sr28", "1000", "BRANDNAME, Center Cut Chops, Fresh Pork, raw"),
            ("usda-sr28", "1000", "USDA Commodity, pork, ground, fine/coarse, frozen, raw"),
        ]
    )
    assert (brand["additions"], brand["may_supply_raw"]) == ("unknown", "review")
    assert (plain["additions"], plain["may_supply_raw"]) == ("none", "yes")


def test_registries_hold_every_value(built: duckdb.DuckDBPyConnection) -> None:
    species = {row["species"]: row["species_group"] for row in table(SCHEMAS / "species.csv")}
    parts = {row["part"] for row in table(SCHEMAS / "parts.csv")}
    found = built.execute("select distinct species, species_group, part from reference.foods").fetchall()
    for animal, group, part in found:
        assert species[animal] == group
        assert part in parts
    assert {row["species"] for row in table(SCHEMAS / "species_terms.csv")} <= set(species)
    assert {row["species"] for row in table(SCHEMAS / "species_traits.csv")} <= set(species)
    lists = built.execute("select distinct review_reasons from reference.foods").fetchall()
    used = {reason for (text,) in lists for reason in json.loads(text)}
    assert used <= {row["code"] for row in table(SCHEMAS / "review_reasons.csv")}


def test_raw_foods_of_sr28(built: duckdb.DuckDBPyConnection) -> None:
    """Dossier: 2,615 foods without dairy, 989 raw, 961 of them plain, 28 injected.

    Here eggnog is dairy (2,614), and 992 are raw: the three eggs that are raw but sugared or salted keep the state
    raw and lose on additions.
    """
    where = f"source = 'usda-sr28' and part <> 'milk' and group_code in {ANIMAL_GROUPS}"
    total, raw, plain, injected, sugared_or_salted = built.execute(
        "select count(*), count(*) filter (state = 'raw'),"
        " count(*) filter (state = 'raw' and additions in ('none', 'unknown')),"
        """ count(*) filter (state = 'raw' and additions = '["solution"]'),"""
        """ count(*) filter (state = 'raw' and additions in ('["salt"]', '["sugar"]'))"""
        f" from reference.foods where {where}"
    ).fetchall()[0]
    assert (total, raw, plain, injected, sugared_or_salted) == (2614, 992, 961, 28, 3)


SAFETY = re.compile(
    r"\b(cooked|roasted|braised|broiled|pan-?\s?broil(ed)?|grilled|fried|simmered|stewed|boiled|baked|steamed|poached|"
    r"scrambled|microwaved?|heated|unheated|toasted|rotisserie|blanched|cured|corned|pickled|smoked|kippered|brined|"
    r"fermented|bacon|lox|caviar|canned|dried|dehydrated|jerky|powder|flakes|solution|enhanced|basted|marinated|"
    r"seasoned|seasoning|flavou?red|glazed|breaded|batter|gravy|sauce|stew|soup|salad|nuggets|patty|surimi|imitation|"
    r"sausage|frankfurter|salted|sugared|sweetened|additives|broth|formed|flaked|vpp|pate|substitute|stabilized|oil|"
    r"enriched|fortified|bread|tortilla|agutuk|prepared with|lard|rendered)\b"
)
HARMLESS = re.compile(r"for stew|\(includes cuts to be cured\)|ribs prepared")


# The Japanese names of MEXT 2020 (words of its own food list): heated, dried, salted, pickled, canned, smoked, formed.
SAFETY_JA = re.compile(
    r"焼|煮|ゆで|蒸し|揚げ|天ぷら|フライ|ソテー|とんかつ|電子レンジ|くん製|干し|乾|節|塩|漬|缶詰|味付|みそ|粉|練り|"
    r"すり身|かまぼこ|竹輪|ハム|ソーセージ|ベーコン|フレーク|加工|発酵|調理|水戻し"
)
# The word by itself, or raw urchin, raw milk: not raw ham, not half-dried fish.
RAW_JA = re.compile(r"(^|[\s＞）])生(うに|乳)?($|\s)")
# FDC says neither raw nor cooked of its eggs in the shell; it lists the dried ones under other names.
SHELL_EGG = re.compile(r"eggs, grade a, large, egg (white|yolk|whole)")


def test_nothing_heated_cured_dried_formed_or_added_to_may_supply_raw(built: duckdb.DuckDBPyConnection) -> None:
    """Other words and other code than the rules: one plain expression per language, every animal food that passed."""
    everything = built.execute(
        "select food_id, name, state, additions, source from reference.foods"
        " where realm = 'animal' and may_supply_raw = 'yes'"
    ).fetchall()
    counts = Counter(row[4] for row in everything)
    assert counts["usda-sr28"] > 900 and counts["mext"] > 350 and counts["anses-ciqual"] > 250
    japanese = [row for row in everything if row[4] == "mext"]
    assert [row for row in japanese if SAFETY_JA.search(row[1]) or not RAW_JA.search(row[1])] == []
    passed = [row for row in everything if row[4] != "mext"]
    assert [row for row in passed if SAFETY.search(HARMLESS.sub("", row[1].lower()))] == []
    unsaid = [row for row in passed if not re.search(r"\b(raw|uncooked)\b", row[1].lower())]
    assert [row for row in unsaid if row[4] != "usda-fdc" or not SHELL_EGG.fullmatch(row[1].lower())] == []
    assert len(unsaid) == 3
    assert {(row[2], row[3]) for row in everything} == {("raw", "none")}
    unknown = built.execute(
        "select count(*) from reference.foods"
        " where realm = 'animal' and state = 'unknown' and may_supply_raw <> 'review'"
    ).fetchall()
    assert unknown == [(0,)]


def test_the_japanese_expressions_tell_raw_from_treated() -> None:
    """Names of MEXT 2020: raw ham and half-dried fish hold the word raw and are not; the plain ones are."""
    treated = ("［ハム類］ 生ハム 促成", "（あじ類） まあじ 開き干し 生", "（ししゃも類） ししゃも 生干し 生")
    assert [n for n in treated if RAW_JA.search(n) and not SAFETY_JA.search(n)] == []
    plain = ("＜魚類＞ あいなめ 生", "＜その他＞ うに 生うに", "（液状乳類） 生乳 ジャージー種")
    assert [n for n in plain if not RAW_JA.search(n) or SAFETY_JA.search(n)] == []


def test_doubtful_foods_go_to_review_with_a_reason(built: duckdb.DuckDBPyConnection) -> None:
    bare = built.execute(
        "select name from reference.foods where may_supply_raw = 'review' and review_reasons = '[]'"
    ).fetchall()
    assert bare == []
    # Treated white fish, scallop and shrimp of SR28 (state rules, section 4).
    treated = {
        row[0]
        for row in built.execute(
            "select food_id from reference.foods where source = 'usda-sr28' and contains(review_reasons, 'sodium_high')"
        ).fetchall()
    }
    assert {"15019", "15066", "15149", "15172"} <= treated
    assert not treated & {"15266", "15268", "15270"}  # their twins that were never frozen


CODED = """
with coded as (
  select f.*, list(l.code) as codes,
         list_contains(list(l.code), 'G0003') as g_none, list_contains(list(l.code), 'F0003') as f_none,
         bool_or(starts_with(l.code, 'G')) as has_g, bool_or(starts_with(l.code, 'F')) as has_f,
         max(l.code) filter (starts_with(l.code, 'C')) as c
  from reference.foods f join archival.langual l using (source, release, food_id)
  where f.source = 'usda-sr28' and f.realm = 'animal'
    and f.group_code in ('0500', '1000', '1300', '1500', '1700', '3500')
  group by all)
"""


def test_langual_heat_codes_agree_as_in_the_dossier(built: duckdb.DuckDBPyConnection) -> None:
    """Dossier section 7: G0003 on 311 of 312 raw, 62 others (49 cured, 12 processed, 1 cooked); F0003 312, 59."""
    counts = {
        row[0]: row[1:]
        for row in built.execute(
            CODED + "select state, count(*) filter (has_g), count(*) filter (g_none), count(*) filter (f_none)"
            " from coded group by 1"
        ).fetchall()
    }
    assert counts["raw"] == (312, 311, 312)
    assert {state: figures[1:] for state, figures in counts.items() if state != "raw" and figures[1] + figures[2]} == {
        "cured": (49, 49),
        "processed": (12, 7),
        "cooked": (1, 3),
    }


def test_langual_part_codes_agree_as_in_the_dossier(built: duckdb.DuckDBPyConnection) -> None:
    """Dossier: organ, skin and fat names against C codes 94 of 94; lean and fat 646 of 647; poultry skin 162 of 166."""
    codes = {r["code"]: r["value"] for r in table(SCHEMAS / "langual_facets.csv") if r["test"] == "part"}
    codes["C0218"] = "giblets"
    parts = built.execute(
        CODED + "select part, c from coded where c is not null and part not in ('muscle', 'whole_bird', 'foot', 'tail',"
        " 'variety_meat', 'mechanically_separated')"
    ).fetchall()
    assert len(parts) == 94
    assert [row for row in parts if codes.get(row[1]) != row[0]] == []
    trims = Counter(
        built.execute(
            CODED + "select fat_trim, c from coded where c in ('C0268', 'C0269', 'C0270')"
            " and fat_trim in ('lean_only', 'lean_and_fat') and species_group <> 'bird'"
        ).fetchall()
    )
    assert trims == {("lean_and_fat", "C0269"): 388, ("lean_only", "C0270"): 258, ("lean_and_fat", "C0268"): 1}
    skins = Counter(
        (skin, c == "C0267")
        for skin, c in built.execute(
            CODED + "select skin, c from coded where species_group = 'bird' and part = 'muscle'"
            " and skin in ('yes', 'no') and c in ('C0267', 'C0268', 'C0269', 'C0270', 'C0152')"
        ).fetchall()
    )
    # 84 with and 79 without agree (one of them C0269, which the dossier leaves out); C0152 is "carbohydrate".
    assert skins == {("yes", True): 84, ("no", False): 79, ("no", True): 2, ("yes", False): 2}


def test_langual_method_codes_agree_as_in_the_dossier(built: duckdb.DuckDBPyConnection) -> None:
    """Dossier: 551 of 566; the 15 that differ are grilled coded braised, pan-fried inherent fat, pan-broiled broiled.

    Here 549 of 564 cooked foods: the dossier does not say which states it counted.
    """
    means: dict[str, set[str]] = {}
    for row in table(SCHEMAS / "langual_facets.csv"):
        if row["test"] == "method":
            means.setdefault(row["code"], set()).update(row["value"].split(";"))
    means["G0030"] = means["G0030"] - {"pan_fried"}
    foods = built.execute(
        CODED + "select method, list_filter(codes, lambda x: starts_with(x, 'G')) from coded"
        " where state = 'cooked' and has_g and method <> 'unspecified'"
    ).fetchall()

    def same(method: str, codes: list[str]) -> bool:
        return any(set(method.split(";")) & means.get(code, set()) for code in codes)

    agree = [row for row in foods if same(*row)]
    differ = Counter((row[0], *row[1]) for row in foods if not same(*row))
    assert differ == {("grilled", "G0019"): 6, ("pan_fried", "G0030"): 5, ("pan_broiled", "G0006"): 4}
    assert (len(agree), len(foods)) == (549, 564)


def test_counts_stand_still(built: duckdb.DuckDBPyConnection) -> None:
    """Foods per state, part and species group of SR28: a release or a rule that moves them must say so here."""
    found = built.execute(
        "select state, part, species_group, count(*)::text from reference.foods"
        " where source = 'usda-sr28' group by 1, 2, 3 order by 1, 2, 3"
    ).fetchall()
    held = [tuple(row.values()) for row in table(DATA / "facet_counts.csv")]
    assert sorted(set(found) ^ set(held)) == []


def test_averages_and_copies_are_flagged(built: duckdb.DuckDBPyConnection) -> None:
    rows = dict(
        built.execute(
            "select food_id, composite from reference.foods where source = 'usda-sr28'"
            " and food_id in ('05020', '05001', '13023', '15003', '05301', '05027', '10218')"
        ).fetchall()
    )
    assert rows == {
        "05020": True,
        "05001": True,
        "13023": True,
        "15003": True,
        "05301": True,
        "05027": False,
        "10218": False,
    }
    loops = built.execute(
        "select count(*) from reference.foods where duplicate_of = food_id"
        " or duplicate_of not in (select food_id from reference.foods)"
    ).fetchall()
    assert loops == [(0,)]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("st01,state,40", "st02,state,40"), "stands twice"),
        (("st01,state,40", "st01,colour,40"), "unknown facet"),
        (("st01,state,40", "st01,state,first"), "no whole number"),
        (("st01,state,40,ja", "st01,state,40,latin"), "unknown scope"),
    ],
)
def test_a_malformed_rule_is_an_input_error(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    text = (SCHEMAS / "facet_rules.csv").read_text(encoding="utf-8")
    assert text.count(change[0]) == 1
    (tmp_path / "facet_rules.csv").write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(InputError, match=message):
        load_rules(tmp_path)
