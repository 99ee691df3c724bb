"""Search: plurals, synonyms, Latin names and slips of typing, over the real names of the table and of SR28."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from rawref.errors import InputError
from rawref.lookup.find import find
from rawref.lookup.resolve import resolve_component, resolve_ingredient
from rawref.lookup.words import question, singular, words_of
from rawref.render import rows, terminal

SCHEMAS = Path(__file__).parents[1] / "schemas"


def ids(built: duckdb.DuckDBPyConnection, text: str) -> list[str]:
    return [row["ingredient_id"] for row in find(built, text, SCHEMAS)["ingredients"]]


@pytest.mark.parametrize(
    ("text", "first"),
    [  # what the words mean: common practice, no source (Latin names: Linnaeus, as species.csv has them)
        ("kidneys beef", "beef-kidney"),
        ("cow heart", "beef-heart"),
        ("bovine liver", "beef-liver"),
        ("sheep tongue", "lamb-tongue"),
        ("prawn", "shrimp"),
        ("green tripe", "beef-tripe"),
        ("Oryctolagus", "rabbit-meat"),
        ("chiken liver", "chicken-liver"),
        ("livr chicken", "chicken-liver"),
        ("beaf liver", "beef-liver"),  # leaf is as near, and no name has leaf and liver
        ("lamb liver raw", "lamb-liver"),
        ("egg shell", "eggshell-powder"),
        ("iodine supplement", "potassium-iodide"),
        ("iodide", "potassium-iodide"),
        ("kelp powder", "kelp-dried"),
        ("bone meal", "bone-meal"),
        ("fish oil", "salmon-oil"),
        ("taurine powder", "taurine"),
        ("eggs", "chicken-egg-whole"),
        ("egg yolk", "chicken-egg-yolk"),
        ("quail", "quail-breast-meat-only"),
        ("calcium supplement", "calcium-carbonate"),
        ("vitamin e capsules", "vitamin-e-natural"),
        ("vitamin d drops", "cholecalciferol"),
        ("zinc supplement", "zinc-bisglycinate"),
        ("iron tablets", "ferrous-bisglycinate"),
        ("salt", "table-salt-iodized"),
        ("whole rabbit", "rabbit-meat"),
        ("chicken frames", "chicken-back-bone-in"),
        ("green lipped mussel", "blue-mussel"),
        ("ox heart", "beef-heart"),
        ("beef melt", "beef-spleen"),
        ("minced lamb", "lamb-ground"),
        ("duck fat", "duck-fat-rendered"),
        ("gizzards", "chicken-gizzard"),
        ("sprats", "european-sprat"),
        ("suet", "beef-suet"),
    ],
)
def test_what_people_say_finds_what_is_meant(built: duckdb.DuckDBPyConnection, text: str, first: str) -> None:
    assert ids(built, text)[0] == first


def test_pig_is_pork_and_no_pigeon(built: duckdb.DuckDBPyConnection) -> None:
    found = ids(built, "pig")
    assert found and all(name.startswith(("pork", "wild-boar")) for name in found)
    assert ids(built, "pigeon") and all("pigeon" in name for name in ids(built, "pigeon"))


def test_fish_is_every_fish_and_shellfish_none_of_them(built: duckdb.DuckDBPyConnection) -> None:
    fish, shellfish = set(ids(built, "fish")), set(ids(built, "shellfish"))
    assert {"halibut", "sardine-oil", "atlantic-salmon-wild"} <= fish and {"blue-mussel", "shrimp"} <= shellfish
    assert not fish & shellfish


def test_offal_is_organs_of_every_animal(built: duckdb.DuckDBPyConnection) -> None:
    found = set(ids(built, "offal"))
    assert {"beef-liver", "lamb-kidney", "pork-spleen", "chicken-gizzard"} <= found and "beef-flank-lean" not in found


@pytest.mark.parametrize(("text", "tag"), [("vitamin e", "TOCPHA"), ("vit e", "TOCPHA"), ("B1", "THIA"),
                                           ("thiamine", "THIA"), ("moisture", "WATER")])
def test_a_component_is_found_by_its_common_names(built: duckdb.DuckDBPyConnection, text: str, tag: str) -> None:
    """Thiamin is vitamin B1 and alpha-tocopherol vitamin E by the IUPAC-IUB nomenclature of vitamins (1966, 1981)."""
    assert find(built, text, SCHEMAS)["components"][0]["component"] == tag


def test_shown_is_how_a_word_was_read(built: duckdb.DuckDBPyConnection) -> None:
    assert find(built, "chiken liver", SCHEMAS)["read_as"] == {"chiken": "chicken"}
    assert find(built, "chicken liver", SCHEMAS)["read_as"] == {}


def test_what_is_toxic_to_cats_is_called_so(built: duckdb.DuckDBPyConnection) -> None:
    """schemas/not_to_be_fed.csv, which names its sources."""
    for asked in ("onion", "Onions, raw", "garlic"):
        assert any("toxic to cats" in note for note in find(built, asked, SCHEMAS)["notes"]), asked
    assert find(built, "beef heart", SCHEMAS)["notes"] == []


def test_a_mouse_is_no_mince_and_has_a_note(built: duckdb.DuckDBPyConnection) -> None:
    found = find(built, "mice", SCHEMAS)
    assert found["ingredients"] == [] and found["read_as"] == {} and "no whole mouse" in found["notes"][0]
    assert not built.execute("select name from reference.foods where regexp_matches(name, '(?i)mouse') "
                             "and may_supply_raw = 'yes'").fetchall()


def test_words() -> None:
    assert [singular(w) for w in ("kidneys", "anchovies", "bass", "octopus", "boxes", "gas", "heads")] == [
        "kidney", "anchovy", "bass", "octopus", "box", "gas", "head"]
    assert words_of("Pâté de Foie") == ["pate", "de", "foie"]


@pytest.mark.parametrize(("typed", "meant"), [
    ("Beef heart", "beef-heart"), ("BEEF_HEART", "beef-heart"), ("heart, beef", "beef-heart"),
    ("cow heart", "beef-heart"), ("mussel", "blue-mussel")])
def test_an_ingredient_is_named_in_any_case_and_order(built: duckdb.DuckDBPyConnection, typed: str, meant: str) -> None:
    assert resolve_ingredient(built, SCHEMAS, typed) == meant


@pytest.mark.parametrize(("typed", "meant"), [
    ("fe", "FE"), ("iron", "FE"), ("Taurine", "TAU"), ("vitamin e", "TOCPHA"), ("B1", "THIA"), ("sodium", "NA")])
def test_a_component_is_named_by_what_people_call_it(built: duckdb.DuckDBPyConnection, typed: str, meant: str) -> None:
    assert resolve_component(built, SCHEMAS, typed) == meant


def test_what_fits_several_is_answered_by_a_list_and_a_slip_by_a_question(built: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(InputError, match=r"fits .* ingredients.*beef-liver.*chicken-liver"):
        resolve_ingredient(built, SCHEMAS, "liver")
    with pytest.raises(InputError, match=r"fits 3 components.*F20D5N3"):
        resolve_component(built, SCHEMAS, "omega 3")
    with pytest.raises(InputError, match="did you mean beef-heart"):
        resolve_ingredient(built, SCHEMAS, "beef hart")


def test_green_tripe_is_told_apart_from_what_the_sources_hold(built: duckdb.DuckDBPyConnection) -> None:
    """Invented nothing: no source has a food by that name, so that tripe stands there with the note only."""
    assert built.execute("select count(*) from reference.foods where name ilike '%green tripe%'").fetchone() == (0,)
    assert "green (uncleaned) tripe is another thing" in " ".join(find(built, "green tripe", SCHEMAS)["notes"])
    assert find(built, "tripe", SCHEMAS)["notes"] == []


def test_what_is_found_comes_with_its_cautions(built: duckdb.DuckDBPyConnection) -> None:
    """Cod liver oil is rich in vitamins A and D (United States Pharmacopeia, Cod Liver Oil, as in cautions.csv)."""
    found = find(built, "fish oil", SCHEMAS)
    carried = {c["code"]: c for c in found["cautions"]}
    assert carried["liver_vitamin_a"]["ingredients"] == ["cod-liver-oil"]
    assert {"cod-liver-oil", "salmon-oil"} <= set(carried["fish_oil_vitamin_d"]["ingredients"])
    assert find(built, "taurine", SCHEMAS)["components"] and find(built, "no such thing", SCHEMAS)["cautions"] == []
    shown = " ".join(terminal.found(found, wide=False).split())
    assert "caution (cod-liver-oil): Vitamin A of liver" in shown and "Fish liver oil and oily fish add up" in shown
    assert '"[""fish_oil_vitamin_d"", ""liver_vitamin_a""]"' in rows.found(found)
    assert "E. coli" in terminal.found(find(built, "beef heart", SCHEMAS), wide=True)  # no sentence ends there


def test_plants_come_after_animals(built: duckdb.DuckDBPyConnection) -> None:
    """Ciqual 2020 has a tomato that is called beef heart, 20192."""
    names = [food["name"] for food in find(built, "cow heart", SCHEMAS)["foods"]]
    assert names[-1] == "Tomato, beef heart, raw" and "Heart, beef, raw" in names
    assert "Tomato, beef heart, raw" in [food["name"] for food in find(built, "tomato", SCHEMAS)["foods"]]


def test_a_question_asks_for_every_word() -> None:
    asked = question("cow heart", SCHEMAS, frozenset({"beef", "heart"}))
    assert asked.meets(frozenset({"beef", "heart", "raw"})) and not asked.meets(frozenset({"beef", "liver"}))
