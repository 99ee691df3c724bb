"""The published table as a whole: a row for every cell, a gap where there is no evidence, the rules of choice."""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from functools import cache
from itertools import groupby, pairwise
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest
from rawref.workspace import Workspace

from tests import oracle

Row = dict[str, str]

# design.md, section 6: names and order of the columns are the contract.
VALUES = (
    "ingredient_id component value unit basis status low high spread_basis n confidence source release food_id"
    " food_name match_quality source_component source_value source_unit derivation donor_food_id donor_state file line"
    " steps reference_ids alternatives disagreement decision_id reason"
)
COLUMNS = {
    "ingredients": "ingredient_id name scientific_name species part kind state skin bone fat_trim additions refuse_pct"
    " refuse_note langual cautions source_foods components_valued components_measured components_missing"
    " core core_reason",
    "values": VALUES,
    "gaps": "ingredient_id component needed_by kind detail peers_n peers_low peers_median peers_high unit remedy"
    " ceiling ceiling_basis",
    "candidates": f"{VALUES} rank reason_not_chosen",
    "components": "component name unit group needed usage_warning definition source_components",
    "references": "reference_id source authors title year container volume issue pages url",
    "catalogue": "source release food_id name group state method species part skin bone fat_trim additions"
    " may_supply_raw witnesses langual components_valued components_measured figures",
    "calibration": "measure component class left_out n species expected coverage half_width plain_coverage"
    " plain_half_width tables",
}
KEYS = {
    "ingredients": ["ingredient_id"],
    "values": ["ingredient_id", "component"],
    "gaps": ["ingredient_id", "component"],
    "candidates": ["ingredient_id", "component", "rank"],
    "components": ["component"],
    "references": ["reference_id"],
    "catalogue": ["source", "food_id"],
    "calibration": ["measure", "component", "class", "left_out"],
}
# design.md, section 4: these ingredients exist under exactly these ids.
FIXED_IDS = [
    "chicken-liver",
    "chicken-heart",
    "chicken-gizzard",
    "chicken-neck-meat-and-skin",
    "chicken-wing-meat-and-skin",
    "chicken-thigh-meat-and-skin",
    "beef-liver",
    "beef-heart",
    "beef-kidney",
    "beef-spleen",
    "beef-tripe",
    "pork-tenderloin-lean",
    "turkey-liver",
    "chicken-egg-whole",
    "chicken-egg-yolk",
    "blue-mussel",
    "atlantic-mackerel",
]
GAP_KINDS = [
    "rejected",
    "not_carried",
    "only_cooked",
    "not_reported",
    "doubtful_zero",
    "only_assumed_zero",
    "trace_only",
    "only_below_detection",
    "only_imputed",
]
# Why a candidate may not be used at all; every other reason is one of order.
REFUSED = ("block:", "struck out", "the food needs review", "repeats ", "a zero that nobody measured")
# Fibre, carbohydrate and energy of muscle are convention, not analysis: they do not speak for a food.
CONVENTION = ("FIBTG", "CHOCDF", "ENERC_KCAL")
# The acids that a cat cannot make, as cat_requirements.csv of the dossiers has them after NRC 2006: linoleic and
# arachidonic acid, ten amino acids beside taurine. All measured, they speak for a food before anything else does.
ESSENTIAL = {
    "fatty_acid": {"F18D2N6", "F20D4N6"},
    "amino_acid": {"ARG", "HIS", "ILE", "LEU", "LYS", "MET", "PHE", "THR", "TRP", "VAL"},
}
RESCALE = {"fatty_acid": "reexpress_on_fat", "amino_acid": "reexpress_on_protein"}
# Words in a name that say that a food is not raw, or not plain (state rules, sections 2 and 3).
NOT_PLAIN = re.compile(
    r"(?<![a-z-])(cooked|roasted|braised|broiled|fried|boiled|simmered|stewed|baked|grilled|microwaved|poached|steamed"
    r"|canned|smoked|cured|pickled|dried|salted|sugared|breaded|glazed|marinated|seasoned|basted|pre-basted|enhanced"
    r"|injected|corned|with added|added solution|imitation|formed|patties)(?![a-z-])"
)


@pytest.fixture(scope="module")
def folder(built_workspace: Workspace) -> Path:
    return built_workspace.curated


@pytest.fixture(scope="module")
def values(folder: Path) -> list[Row]:
    return oracle.published(folder, "values")


@pytest.fixture(scope="module")
def candidates(folder: Path) -> dict[tuple[str, str], list[Row]]:
    """What was chosen, which stands in `values`, and what lost, published beside it; by cell, in rank order."""
    chosen = [
        {**r, "rank": "1", "reason_not_chosen": ""} for r in oracle.published(folder, "values")
        if r["source"] and r["status"] != "composed"
    ]
    lost = oracle.published(folder, "candidates")
    return oracle.by_cell(sorted([*chosen, *lost], key=lambda r: (r["ingredient_id"], r["component"], int(r["rank"]))))


@pytest.fixture(scope="module")
def kinds(folder: Path) -> dict[str, str]:
    return {r["ingredient_id"]: r["kind"] for r in oracle.published(folder, "ingredients")}


@cache
def decisions(action: str) -> list[Row]:
    return [r for r in oracle.maintainer("decisions") if r["action"] == action]


def decided(row: Row, action: str) -> bool:
    """Whether a decision of this kind aims at the candidate."""
    return any(
        d["source"] == row["source"]
        and d["food_id"] == row["food_id"]
        and d["source_component"] in ("", row["source_component"])
        and d["ingredient_id"] in ("", row["ingredient_id"])
        for d in decisions(action)
    )


def cell(row: Row) -> tuple[str, str]:
    return row["ingredient_id"], row["component"]


def told(row: Row) -> str:
    return f"{row['ingredient_id']}/{row['component']}"


def faults(found: list[str]) -> None:
    """Fail with the count and the first few."""
    assert not found, f"{len(found)} faults: " + "; ".join(found[:5])


def own_status(row: Row) -> str:
    """The status that the source's codes give, before any re-expression."""
    if row["source"] == "usda-sr28" and row["status"] != "estimated_from_cooked":
        return oracle.sr28_status(oracle.fields(int(row["line"])))
    return str(PRINTED.get(figure(row), (row["status"],))[0])


def figure(row: Row) -> tuple[str, ...]:
    """Which published figure a row shows."""
    return row["source"], row["food_id"], row["component"], row["source_component"]


def is_evidence(row: Row) -> bool:
    """Evidence after design.md section 4 and 5: by status, not struck out by a decision or a rule, the food not in
    doubt, no cooked donor, and no zero without samples."""
    return (
        row["status"] in oracle.EVIDENCE
        and row["donor_state"] in ("", "raw", "unknown")
        and not decided(row, "reject")
        and not row.get("reason_not_chosen", "").startswith(("struck out by rule", "the food needs review"))
        and not unsampled_zero(row)
    )


def unsampled_zero(row: Row) -> bool:
    """A zero that no sample stands behind. Of an animal carbohydrate and fibre are zero by convention, and a zero by
    formula is entered as such."""
    return (
        row["value"] == "0.0"
        and row["n"] in ("", "0")
        and row["status"] in oracle.EVIDENCE
        and row["source"] not in ("", "maintainer")
        and oracle.blocks()[row["component"]] != "proximate"
    )


PRINTED: dict[tuple[str, ...], tuple[object, ...]] = {}
"""Status, amount, smallest and largest sample of every figure, as the reference stage has them."""


IN_DOUBT: set[tuple[str, str, str, str]] = set()
"""Candidates whose zero is in doubt; filled by the fixture below."""


@pytest.fixture(scope="module", autouse=True)
def zeros_in_doubt(
    candidates: dict[tuple[str, str], list[Row]], built: duckdb.DuckDBPyConnection, folder: Path
) -> None:
    """design.md section 4, doubtful_zero: zero where comparable foods, or another source's food, clearly are not."""
    for *key, status, amount, least, most in built.execute(
        """select source, food_id, component, source_component, status, "value", "min", "max" from reference."values"
           semi join reference.links using (source, food_id)"""
    ).fetchall():
        PRINTED[tuple(key)] = (status, amount, least, most)
    groups = {r["species"]: r["species_group"] for r in oracle.schema("species")}
    peers = {
        (component, part, group)
        for component, part, group in built.execute(
            "select component, part, species_group from reference.peers where n >= 3 and low > 0"
        ).fetchall()
    }
    keys = {r["ingredient_id"]: r for r in oracle.published(folder, "ingredients")}
    for (ingredient, component), group in candidates.items():
        own = keys[ingredient]
        clear = own["kind"] == "raw" and (component, own["part"], groups[own["species"]]) in peers
        for row in group:
            others = [
                r
                for r in group
                if r["source"] != row["source"]
                and is_evidence(r)
                and r["match_quality"] in "AB"
                and r["value"] not in ("", "0.0")
            ]
            if row["value"] == "0.0" and (clear or (others and unsampled_zero(row))):
                IN_DOUBT.add((ingredient, component, row["source"], row["food_id"]))


@pytest.mark.parametrize("name", sorted(COLUMNS))
def test_form_of_a_published_table(folder: Path, name: str) -> None:
    """UTF-8, LF, the columns of the contract, keys unique, rows in a total order."""
    body = (folder / f"{name}.csv").read_bytes()
    assert b"\r" not in body and body.endswith(b"\n") and not body.startswith(b"\xef\xbb\xbf")
    rows = oracle.published(folder, name)
    assert list(rows[0]) == COLUMNS[name].split()
    keys = [tuple(r[k] for k in KEYS[name]) for r in rows]
    assert len(set(keys)) == len(keys)
    for part in range(len(KEYS[name]) - ("component" in KEYS[name]) - ("rank" in KEYS[name])):
        assert [k[: part + 1] for k in keys] == sorted(k[: part + 1] for k in keys)
    for row in rows:
        for column, text in row.items():
            if text.startswith("[") and column in (
                "steps",
                "reference_ids",
                "alternatives",
                "langual",
                "cautions",
                "source_foods",
                "needed_by",
                "source_components",
            ):
                assert isinstance(json.loads(text), list), (column, text)


def test_size(folder: Path) -> None:
    """design.md section 6: no file above 10 MB. Its 25 MB in all were set for one table; four tables take 28."""
    sizes = {p.name: p.stat().st_size for p in folder.iterdir()}
    assert max(sizes.values()) <= 10_000_000
    assert sum(sizes.values()) <= 28_000_000


@pytest.mark.parametrize("name", [*COLUMNS, "table", "table_status"])
def test_parquet_has_the_same_content(folder: Path, name: str) -> None:
    parquet = pq.read_table(folder / f"{name}.parquet").to_pylist()
    rows = oracle.published(folder, name)
    assert len(parquet) == len(rows)
    for typed, text in zip(parquet, rows, strict=True):
        assert list(typed) == list(text)
        for column, one in typed.items():
            other = text[column]
            if isinstance(one, list):  # lists are lists there, and JSON in the CSV
                assert one == json.loads(other), (name, column)
                continue
            same = other == "" if one is None else float(other) == one if isinstance(one, float) else other == str(one)
            assert same, (name, column, one, other)


def test_numbers_round_trip(values: list[Row]) -> None:
    """A number is printed with as many digits as give it back, and no more than a double has."""
    for row in values:
        for column in ("value", "low", "high", "disagreement"):
            if row[column]:
                assert repr(float(row[column])) == row[column] or float(repr(float(row[column]))) == float(row[column])
                assert len(row[column].lstrip("-0.").replace(".", "")) <= 17 + 4, row[column]


def test_a_row_for_every_cell(folder: Path, values: list[Row]) -> None:
    """Exactly one row for every ingredient and needed component, all 51 of them."""
    needed = [r["component"] for r in oracle.schema("components") if r["needed"] == "yes"]
    assert len(needed) == len(set(needed)) == 51
    listed = [r["ingredient_id"] for r in oracle.published(folder, "ingredients")]
    assert listed == sorted({r["ingredient_id"] for r in oracle.maintainer("ingredients")})
    assert [cell(r) for r in values] == [(i, c) for i in listed for c in needed]


def test_needed_set_is_the_dossiers() -> None:
    path = oracle.ROOT.parent / "shared" / "reference" / "needed.csv"
    if not path.is_file():
        pytest.skip("no shared/reference/needed.csv beside the checkout")
    ours = [(r["component"], r["group"], r["unit"]) for r in oracle.schema("components") if r["needed"] == "yes"]
    assert sorted(ours) == sorted((r["component"], r["group"], r["unit"]) for r in oracle.read_csv(path))


def test_status_is_recomputed_from_the_release(candidates: dict[tuple[str, str], list[Row]], values: list[Row]) -> None:
    """Every status of an SR28 value, chosen or not, after value_status_map.csv; what was measured and is re-expressed
    is calculated, and nothing else is changed by it."""
    found, checked = [], 0
    for row in [*(r for group in candidates.values() for r in group), *values]:
        if row["source"] != "usda-sr28" or row["status"] == "estimated_from_cooked":
            continue
        checked += 1
        status = own_status(row)
        if any(step in row["steps"] for step in RESCALE.values()) and status == "measured" and row["value"]:
            status = "calculated"
        if row["status"] != status:
            found.append(f"{told(row)} line {row['line']}: {row['status']}, by the map {status}")
    faults(found)
    assert checked > 20_000


def test_a_donor_says_what_state_it_is(
    candidates: dict[tuple[str, str], list[Row]], built: duckdb.DuckDBPyConnection
) -> None:
    """Wherever the release names another food as donor, its state stands beside it."""
    states = dict(built.execute("select food_id, state from reference.foods where source = 'usda-sr28'").fetchall())
    found = []
    for row in (r for group in candidates.values() for r in group):
        if row["source"] == "usda-sr28":
            donor = row["donor_food_id"]
            if row["donor_state"] != (states[donor] if donor else ""):
                found.append(f"{told(row)}: donor {donor!r} is {row['donor_state']!r}")
    faults(found)


def test_gaps_stand_exactly_where_evidence_is_missing(folder: Path, values: list[Row]) -> None:
    gaps = [cell(r) for r in oracle.published(folder, "gaps")]
    assert len(set(gaps)) == len(gaps) > 3000
    due = [cell(r) for r in values if not is_evidence(r) and r["status"] != "not_applicable"]
    faults([f"{key} gap {key in gaps}" for key in sorted(set(gaps) ^ set(due))])
    assert gaps == due


def test_no_number_where_there_is_none(values: list[Row]) -> None:
    """missing has no number; trace and below detection no point value; an assumed zero is 0; the rest has a number."""
    found = []
    for row in values:
        status, value = row["status"], row["value"]
        good = {
            "missing": value == row["low"] == row["high"] == row["source"] == row["confidence"] == "",
            "not_applicable": value == row["low"] == row["high"] == row["source"] == row["confidence"] == "",
            "trace": value == "" and row["low"] == "0.0",
            "below_detection": value == "" and row["low"] == "0.0",
            "assumed_zero": value == "0.0",
            # A composite whose parts are known as ranges only has no point value.
            "composed": value != "" or row["low"] != "" != row["high"],
        }.get(status, value != "" or row["low"] != "")
        if not good or (status not in ("missing", "not_applicable") and not row["confidence"]):
            found.append(f"{told(row)}: {status} {value!r} {row['low']!r} {row['high']!r} {row['confidence']!r}")
    faults(found)


def test_low_value_high_are_in_order(values: list[Row]) -> None:
    found = []
    for row in values:
        ends = [oracle.number(row[c]) for c in ("low", "value", "high")]
        known = [e for e in ends if e is not None]
        if any(a > b + 2e-9 for a, b in pairwise(known)) or (row["spread_basis"] == "") != (
            row["low"] == "" and row["high"] == ""
        ):
            found.append(f"{told(row)}: {ends} {row['spread_basis']}")
    faults(found)


def test_gap_kinds_fit_what_is_there(
    folder: Path, values: list[Row], candidates: dict[tuple[str, str], list[Row]]
) -> None:
    """The kind is the first of the nine that applies, worked out again from the row and what was not chosen."""
    by_key = {cell(r): r for r in values}
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    present = {s["id"] for s in manifest["sources"] if s["present"]}
    assert present == {"usda-sr28", "usda-fdc", "anses-ciqual", "mext", "maintainer"}
    # carried: the release has a figure for at least one food, a mapping alone is none
    printed = {number for numbers in oracle.line_numbers().values() for number in numbers}
    carried = {
        r["component"]
        for r in oracle.schema("component_sources")
        if r["source"] == "usda-sr28" and r["source_component"] in printed
    } | {"ID", "CLD", "BIOT"}  # the headings of Ciqual (iodine, chloride) and of MEXT (iodine, biotin)

    def due(row: Row) -> tuple[str, ...]:
        key, status = cell(row), row["status"]
        if status == "missing":
            struck = [
                r for r in candidates.get(key, [])
                if decided(r, "reject") or r["reason_not_chosen"].startswith("struck out by rule")
            ]
            none = ("only_cooked", "not_reported") if key[1] in carried else ("not_carried",)
            return ("rejected",) if struck else none
        if (*key, row["source"], row["food_id"]) in IN_DOUBT:
            return ("doubtful_zero",)
        if status == "assumed_zero" or unsampled_zero(row):
            return ("only_assumed_zero",)
        return ({"trace": "trace_only", "below_detection": "only_below_detection"}.get(status, "only_imputed"),)

    found = []
    for gap in oracle.published(folder, "gaps"):
        row = by_key[cell(gap)]
        if gap["kind"] not in due(row) or gap["kind"] not in GAP_KINDS or not gap["detail"] or not gap["remedy"]:
            found.append(f"{told(gap)}: {gap['kind']} beside {row['status']} {row['value']}, due {due(row)}")
    faults(found)
    assert {g["kind"] for g in oracle.published(folder, "gaps")} == set(GAP_KINDS)


def test_only_cooked_means_that_no_raw_food_has_it(
    folder: Path, candidates: dict[tuple[str, str], list[Row]], built: duckdb.DuckDBPyConnection
) -> None:
    """No table has a number of good origin for any raw food of the animal and part, one has it for a cooked food, and
    the ingredient has no candidate that was refused; plants are never said to be cooked. SR28 by its values file."""
    foods: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    for food in oracle.published(folder, "catalogue"):
        foods.setdefault((food["species"], food["part"], food["state"]), []).append((food["source"], food["food_id"]))
    others = {
        tuple(r) for r in built.execute(
            """select distinct source, food_id, component from reference."values"
               where source not in ('usda-sr28', 'maintainer') and evidence and status <> 'missing'""").fetchall()
    }
    numbers: dict[str, list[str]] = {}
    for number, component in oracle.component_map():
        numbers.setdefault(component, []).append(number)
    loans = {f[1] for key, ids in foods.items() if key[2] not in ("raw", "unknown") for f in ids if f[0] == "usda-sr28"}

    def holders(species: str, part: str, state: str, component: str) -> list[str]:
        at = oracle.line_numbers()
        mine = [f for source, f in foods.get((species, part, state), []) if source == "usda-sr28"]
        rows = [
            oracle.fields(at[f][number])
            for f in mine for number in numbers.get(component, []) if number in at.get(f, {})
        ]
        good = [
            str(r["NDB_No"]) for r in rows
            if oracle.sr28_status(r) in oracle.EVIDENCE
            and not (r["Ref_NDB_No"] in loans and r["Ref_NDB_No"] != r["NDB_No"])
        ]
        return good + [f for source, f in foods.get((species, part, state), []) if (source, f, component) in others]

    about = {r["ingredient_id"]: r for r in oracle.published(folder, "ingredients")}
    found, checked = [], 0
    for gap in oracle.published(folder, "gaps"):
        if gap["kind"] not in ("only_cooked", "not_reported") or cell(gap) in candidates:
            if gap["kind"] == "only_cooked":
                found.append(f"{told(gap)}: {len(candidates[cell(gap)])} candidates")
            continue
        checked += gap["kind"] == "only_cooked"
        one = about[gap["ingredient_id"]]
        species, part, component = one["species"], one["part"], gap["component"]
        raw = holders(species, part, "raw", component)
        if species == "plant" or one["kind"] != "raw":
            wrong = gap["kind"] == "only_cooked"
        elif gap["kind"] == "only_cooked":
            wrong = bool(raw) or not holders(species, part, "cooked", component)
        else:
            continue
        if wrong:
            found.append(f"{told(gap)}: {gap['kind']}, raw {raw[:3]}")
    faults(found)
    assert checked >= 100


@pytest.mark.parametrize(
    ("ingredient", "component", "kind", "detail"),
    [
        # SR28 13318, beef brain, raw, has no amino acids; 13320, simmered, has
        ("beef-brain", "ARG", "only_cooked", "no raw one does"),
    ],
)
def test_a_refused_candidate_is_not_called_cooked(
    folder: Path, ingredient: str, component: str, kind: str, detail: str
) -> None:
    """Source: SR28, the foods named beside each case."""
    gap = next(g for g in oracle.published(folder, "gaps") if cell(g) == (ingredient, component))
    assert gap["kind"] == kind and detail in gap["detail"]


def test_figures_of_abstracts_are_graded_low(folder: Path, values: list[Row]) -> None:
    """Source: cited-values.md, "abstract figures are means without the table: low confidence"."""
    how = {r["id"]: r["seen_how"] for r in oracle.maintainer("cited_values")}
    known = [r for r in values if r["source"] == "maintainer" and how[r["food_id"]] in ("abstract", "secondary quote")]
    faults([f"{told(r)}: {r['confidence']}" for r in known if r["confidence"] not in ("C", "D")])
    assert len(known) >= 60
    # a composite is no better than its parts: poultry bone is known from abstracts only
    by_key = {cell(r): r for r in values}
    assert by_key["chicken-neck-bone-in", "CA"]["confidence"] == "C"
    # the table of Margalida & Villalba (2017) was read itself: no cap
    assert by_key["lamb-bone-fresh", "CA"]["confidence"] == "B"


def test_grade_a_needs_three_samples_and_no_dispute(
    values: list[Row], candidates: dict[tuple[str, str], list[Row]]
) -> None:
    """Grade A has three samples or more, in SR28 by Num_Data_Pts of the release file, and no evidence of match A or B
    outside its calibrated range."""
    graded = [r for r in values if r["confidence"] == "A"]
    assert len(graded) > 3000
    at = oracle.line_numbers()
    found = [told(r) for r in graded if int(r["n"] or 0) < 3]
    for row in graded:
        if row["source"] == "usda-sr28":
            printed = oracle.fields(at[row["food_id"]][row["source_component"]])["Num_Data_Pts"]
            if int(printed or 0) != int(row["n"]):
                found.append(f"{told(row)}: {row['n']} samples, the release has {printed}")
        low, high = oracle.number(row["low"]), oracle.number(row["high"])
        for other in candidates[cell(row)]:
            amount = oracle.number(other["value"])
            if (
                other["rank"] != "1" and amount is not None and low is not None and high is not None
                and is_evidence(other) and other["match_quality"] in "AB" and not low - 2e-9 <= amount <= high + 2e-9
            ):
                found.append(f"{told(row)}: {other['source']} {other['food_id']} has {amount}")
    faults(found)
    # the dispute is what keeps it at B: enough samples, measured, exact match, and still no A
    assert [
        r for r in values
        if r["confidence"] == "B" and "outside the range" in r["reason"] and int(r["n"] or 0) >= 12
        and r["match_quality"] == "A" and r["status"] == "measured"
    ]


def test_taurine_iodine_chloride_biotin_are_not_carried_by_sr28(folder: Path) -> None:
    """SR28 has none of the four (sources.md), no table has taurine: what is known of it is cited or composed."""
    held = {r["component"] for r in oracle.schema("component_sources") if r["source"] == "usda-sr28"}
    assert not held & {"TAU", "ID", "CLD", "BIOT"}
    cited = {(r["ingredient_id"], r["component"]) for r in oracle.maintainer("cited_values")}
    for row in oracle.published(folder, "values"):
        if row["component"] in ("TAU", "ID", "CLD", "BIOT"):
            assert row["source"] != "usda-sr28", told(row)
        if row["component"] == "TAU" and cell(row) not in cited:
            assert row["status"] in ("missing", "composed", "not_applicable"), told(row)


def test_raw_ingredients_are_fed_by_raw_and_plain_foods(values: list[Row], kinds: dict[str, str]) -> None:
    """By the name alone: every SR28 food behind a number of a raw ingredient says raw, and nothing that denies it."""
    found = []
    for row in values:
        if (
            kinds[row["ingredient_id"]] != "raw"
            or row["source"] != "usda-sr28"
            or row["status"] == "estimated_from_cooked"
        ):
            continue
        # What the cuts are used for says nothing about this food.
        name = row["food_name"].lower().replace("(includes cuts to be cured)", "")
        if not re.search(r"(?<![a-z-])raw(?![a-z-])", name) or NOT_PLAIN.search(name):
            found.append(f"{told(row)}: {row['food_name']}")
    faults(sorted(set(found)))


def test_facets_of_the_foods_behind_raw_ingredients(folder: Path, values: list[Row], kinds: dict[str, str]) -> None:
    """The catalogue agrees: raw, nothing added, may supply; what needs review does so only by a decision."""
    settled = {(d["source"], d["food_id"]) for d in decisions("acknowledge") if not d["source_component"]}
    facets = {(r["source"], r["food_id"]): r for r in oracle.published(folder, "catalogue")}
    wrong = set()
    for row in values:
        food = (row["source"], row["food_id"])
        if kinds[row["ingredient_id"]] == "raw" and row["source"] == "usda-sr28" and food not in settled:
            facet = facets[food]
            if (facet["state"], facet["additions"], facet["may_supply_raw"]) != ("raw", "none", "yes"):
                wrong.add((row["ingredient_id"], *food, facet["state"], facet["additions"], facet["may_supply_raw"]))
    assert not wrong


def place(source: str) -> tuple[int, int]:
    """Release date, the newest first, and order of the declarations in sources.toml."""
    toml = tomllib.loads((oracle.ROOT / "raw" / "sources.toml").read_text(encoding="utf-8"))["source"]
    for order, one in enumerate(toml):
        if one["id"] == source:
            day = max((r["date"] for r in one["release"]), default="")
            return -int(day.replace("-", "") or 0), order
    raise AssertionError(source)


PLACES: dict[str, tuple[int, int]] = {}


def ties(source: str, food: str) -> tuple[object, ...]:
    if source not in PLACES:
        PLACES[source] = place(source)
    return (*PLACES[source], food)


Food = tuple[str, str]


def block_food(block: str, foods: dict[Food, list[Row]], main: Food | None, base: dict[Food, float]) -> Food | None:
    """The food of an ingredient that a block is taken from, by design.md section 5, worked out again.

    A near food (match C) last; of acids one with all that a cat cannot make measured first, its own before another's;
    then most evidence (what is convention and a zero without samples speak for nothing), match, energy or the food of
    the proximates, most measured, most samples, release date, order of the sources.
    """
    keys: dict[Food, tuple[object, ...]] = {}
    for food, rows in foods.items():
        sound = [r for r in rows if is_evidence(r)]
        evidence = sum(
            r["component"] not in CONVENTION and not (r["value"] == "0.0" and r["n"] in ("", "0")) for r in sound
        )
        measured = {r["component"] for r in sound if own_status(r) == "measured"}
        samples = sum(int(r["n"] or 0) for r in rows)
        match = rows[0]["match_quality"]
        if block == "proximate":
            answered = {
                r["component"] for r in rows if (r["value"] or r["low"]) and not decided(r, "reject")
            }
            energy = any(r["component"] == "ENERC_KCAL" and r["value"] and not decided(r, "reject") for r in rows)
            if answered >= {"WATER", "PROCNT", "FAT"}:
                keys[food] = (match == "C", -evidence, match, not energy, -len(measured), -samples, *ties(*food))
        elif main is None or food == main or base.get(food, 0) > 0:
            whole = measured >= ESSENTIAL[block]
            own = food == main
            keys[food] = (
                match == "C", not whole, not (whole and own), -evidence, match, not own, -len(measured), -samples,
                *ties(*food),
            )
    return min(keys, key=lambda f: keys[f]) if keys else None


def test_blocks_come_from_the_best_food(values: list[Row], candidates: dict[tuple[str, str], list[Row]]) -> None:
    """Proximates and energy of one food; acids of one food each, and only what that food has no evidence for of
    another; re-expressed exactly where that is not the food of the proximates."""
    offers: dict[tuple[str, str], dict[Food, list[Row]]] = {}
    base: dict[tuple[str, str], dict[Food, float]] = {}
    for row in (r for group in candidates.values() for r in group):
        block, food = oracle.blocks()[row["component"]], (row["source"], row["food_id"])
        if row["component"] in ("FAT", "PROCNT") and row["value"]:
            base.setdefault((row["ingredient_id"], row["component"]), {})[food] = float(row["value"])
        held = row["reason_not_chosen"].startswith("the food needs review")
        if block and row["source"] != "maintainer" and not held:
            offers.setdefault((row["ingredient_id"], block), {}).setdefault(food, []).append(row)
    best: dict[tuple[str, str], Food | None] = {}
    for block in ("proximate", "fatty_acid", "amino_acid"):
        for (ingredient, kind), foods in offers.items():
            if kind == block:
                main = best.get((ingredient, "proximate"))
                on = base.get((ingredient, "FAT" if block == "fatty_acid" else "PROCNT"), {})
                best[ingredient, block] = block_food(block, foods, main, on)
    found, of_block = [], 0
    for row in values:
        ingredient, block = row["ingredient_id"], oracle.blocks()[row["component"]]
        food = (row["source"], row["food_id"])
        if any(step in row["steps"] for kind, step in RESCALE.items() if kind != block):
            found.append(f"{told(row)}: {row['steps']} outside its block")
        if not block or row["source"] in ("", "maintainer") or row["status"] == "estimated_from_cooked":
            continue
        due, main = best[ingredient, block], best.get((ingredient, "proximate"))
        theirs = [r for r in candidates[cell(row)] if (r["source"], r["food_id"]) == due]
        if food == due:
            of_block += 1
        elif block == "proximate" or any(map(is_evidence, theirs)) or not is_evidence(row):
            found.append(f"{told(row)}: of {food}, the block is of {due}")
        other = block != "proximate" and main is not None and food != main
        if row["value"] and (RESCALE.get(block, "-") in row["steps"]) != other:
            found.append(f"{told(row)}: {food} beside proximates of {main}, {row['steps']}")
    faults(found)
    assert of_block > 5000


@cache
def origins() -> tuple[dict[str, str], dict[str, str]]:
    """Country by source, and by cited record: one that repeats a table is of its country."""
    toml = tomllib.loads((oracle.ROOT / "raw" / "sources.toml").read_text(encoding="utf-8"))["source"]
    of = {s["id"]: s.get("country", "") for s in toml}
    return of, {r["id"]: of.get(r["repeats_source"], "") or r["country"] for r in oracle.maintainer("cited_values")}


def countries(group: list[Row]) -> set[str]:
    """Where the usable figures of match A and B of a cell come from."""
    of, cited = origins()
    near = [r for r in group if r["match_quality"] in "AB" and not r["reason_not_chosen"].startswith(REFUSED)]
    return {of[r["source"]] or cited.get(r["food_id"], "") for r in near} - {""}


def behind(row: Row, group: list[Row]) -> bool:
    """Where soil or feed decides: within a country, what nobody analysed goes behind evidence of match A or B, and an
    import of match B behind evidence that is none; a zero that is none goes behind any."""
    of, cited = origins()
    near = [r for r in group if r["match_quality"] in "AB" and not r["reason_not_chosen"].startswith(REFUSED)]
    analysed = [r for r in near if is_evidence(r) and r["value"] != ""]
    home = {of[r["source"]] or cited.get(r["food_id"], "") for r in analysed if not imported(r)} - {""}
    if row not in near or (is_evidence(row) and not (imported(row) and row["match_quality"] == "B")):
        return False
    return (of[row["source"]] or cited.get(row["food_id"], "")) in home or (row["value"] == "0.0" and bool(analysed))


def imported(row: Row) -> bool:
    return "imported" in row["food_name"].lower() or "輸入" in row["food_name"]


def test_order_of_choice(
    candidates: dict[tuple[str, str], list[Row]], values: list[Row], kinds: dict[str, str]
) -> None:
    """Decision, near foods last, evidence, match, a number before a range, status, samples, release date, source order:
    worked out again for every cell. Where soil or feed decides and countries differ, match goes first, but for what
    goes behind."""
    rank = {r["status"]: int(r["rank"]) for r in oracle.schema("statuses")}
    driven = {r["component"] for r in oracle.schema("soil_driven")}

    def key(row: Row, apart: bool, late: bool) -> tuple[object, ...]:
        _, amount, least, most = PRINTED.get(figure(row), ("", None, None, None))
        empty = least == 0 and most and amount is not None and float(str(amount)) < float(str(most)) / 2
        return (
            not decided(row, "prefer"),
            row["match_quality"] == "C",
            late,
            row["match_quality"] if apart else "",
            not is_evidence(row),
            unsampled_zero(row),
            row["match_quality"],
            row["value"] == "",
            rank[row["status"]],
            0 if empty else -int(row["n"] or 0),
            *ties(row["source"], row["food_id"]),
        )

    chosen = {cell(r): r for r in values}
    found, soil = [], 0
    for where, group in candidates.items():
        if [int(r["rank"]) for r in group] != list(range(1, len(group) + 1)):
            found.append(f"{where}: ranks {[r['rank'] for r in group]}")
        row = chosen[where]
        if row["status"] == "estimated_from_cooked":
            continue
        apart = where[1] in driven and len(countries(group)) > 1
        soil += apart
        free = [r for r in group if not r["reason_not_chosen"].startswith(REFUSED)]
        late = {id(r) for r in free if apart and behind(r, group)}
        due = sorted(free, key=lambda r: key(r, apart, id(r) in late))
        if [r["rank"] for r in due] != [r["rank"] for r in free] or free != group[: len(free)]:
            found.append(f"{where}: {[(r['rank'], key(r, apart, id(r) in late)) for r in free]}")
        taken = (row["source"], row["food_id"], row["source_component"]) if row["source"] else None
        first = (due[0]["source"], due[0]["food_id"], due[0]["source_component"]) if due else None
        if taken != first:
            found.append(f"{where}: {taken}, due {first}")
        named = [f"{r['source']}:{r['food_id']}:{r['source_component']}" for r in group if r["reason_not_chosen"]]
        if json.loads(row["alternatives"]) != named:
            found.append(f"{where}: alternatives {row['alternatives']}, candidates {named}")
    for row in values:
        if cell(row) not in candidates and kinds[row["ingredient_id"]] != "composite" and row["source"]:
            found.append(f"{told(row)}: {row['status']} without a candidate")
    faults(found)
    assert soil > 100


def test_every_published_value_of_a_mapped_food_is_a_candidate(candidates: dict[tuple[str, str], list[Row]]) -> None:
    """Nothing is lost between the release and the candidates: one for every mapped food and component that it has."""
    offered = {
        (r["ingredient_id"], r["component"], r["food_id"])
        for group in candidates.values()
        for r in group
        if r["source"] == "usda-sr28"
    }
    expected = {
        (link["ingredient_id"], component, link["food_id"])
        for link in oracle.maintainer("ingredient_foods")
        if link["source"] == "usda-sr28"
        for (nutrient, component) in oracle.component_map()
        if component in oracle.blocks() and nutrient in oracle.line_numbers()[link["food_id"]]
    }
    assert offered == expected


def test_every_figure_of_a_government_table_that_was_looked_up_is_used_or_left_out_for_a_reason(
    built: duckdb.DuckDBPyConnection,
) -> None:
    """tests/data/figures_not_used.csv: foods of the dossier on cited values that stand for no ingredient, each with the
    reason. Every other figure of its 1,219 of government tables is chosen, or beside the one that is. The dossier lies
    beside the checkout, as the official files do; what can be held without it is held everywhere."""
    unused = {(r["source"], r["food_id"]): r["why"] for r in oracle.read_csv(
        oracle.ROOT / "tests" / "data" / "figures_not_used.csv")}
    mapped = set(built.execute("select source, food_id from reference.links").fetchall())
    foods = {(s, f): (species, state) for s, f, species, state in built.execute(
        "select source, food_id, species, state from reference.foods").fetchall()}
    species = {r["species"] for r in oracle.maintainer("ingredients")}
    assert set(unused) <= set(foods) and not set(unused) & mapped
    for food, why in unused.items():
        assert len(why) > 5
        if why == "no ingredient of this species":
            assert foods[food][0] not in species, food
        if why == "not raw":
            assert foods[food][1] != "raw", food
    path = oracle.ROOT.parent / "shared" / "reference" / "cited_value_candidates.csv"
    if not path.is_file():
        return
    offered = set(built.execute("select source, food_id, component from curated.cell_candidates").fetchall())
    needed = {r["component"] for r in oracle.schema("components") if r["needed"] == "yes"}
    names = (("Ciqual", ("anses-ciqual",)), ("MEXT", ("mext",)), ("", ("usda-sr28", "usda-fdc")))
    figures = [r for r in oracle.read_csv(path) if r["source_kind"] == "government_table" and r["component"] in needed]
    assert len(figures) > 1100
    lost = []
    for r in figures:
        sources = next(found for word, found in names if word in r["citation"])
        told = [(s, r["source_food_id"]) for s in sources]
        if not any((*food, r["component"]) in offered or food in unused for food in told):
            lost.append(f"{told} {r['component']} {r['verbatim']}")
    faults(lost)


def test_a_fallback_component_only_where_the_first_fails(candidates: dict[tuple[str, str], list[Row]]) -> None:
    """SR28 618 stands in for 675, 324 for 328 and so on: a 0 last, the number with evidence first, an analysis before a
    sum without samples, then the registry's preference."""
    numbers: dict[str, list[str]] = {}
    for number, component in oracle.component_map():
        numbers.setdefault(component, []).append(number)
    found, several = [], 0
    for row in (r for group in candidates.values() for r in group if r["source"] == "usda-sr28"):
        at = oracle.line_numbers()[row["food_id"]]
        offered = [n for n in numbers[row["component"]] if n in at]
        if len(offered) < 2:
            continue
        several += 1

        def key(number: str, row: Row = row, at: dict[str, int] = at) -> tuple[object, ...]:
            line = oracle.fields(at[number])
            status, samples = oracle.sr28_status(line), int(line["Num_Data_Pts"] or 0)
            sampled = samples > 0 or float(str(line["Nutr_Val"])) != 0 or status not in oracle.EVIDENCE
            block = oracle.blocks()[row["component"]]
            rejected = decided({**row, "source_component": number}, "reject")
            zero = not sampled and block != "proximate"
            donor = line["Ref_NDB_No"] not in (None, "", row["food_id"]) and row["donor_state"] == "cooked"
            nothing = float(str(line["Nutr_Val"])) == 0 and status not in ("below_detection", "trace")
            return (
                rejected, nothing and block != "proximate",
                status not in oracle.EVIDENCE or donor or zero or rejected, zero,
                status == "calculated" and samples == 0 and not block,
                oracle.component_map()[number, row["component"]][0], number,
            )

        due = min(offered, key=key)
        if row["source_component"] != due:
            found.append(f"{told(row)}: {row['source_component']} {key(row['source_component'])}, due {due} {key(due)}")
    faults(found)
    assert several > 500


def test_wide_twins_are_the_pivot(folder: Path, values: list[Row]) -> None:
    """One row per ingredient, one column TAGNAME_unit per component; blank where no value; status beside every cell."""
    components = [r for r in oracle.schema("components") if r["needed"] == "yes"]
    heads = [
        r["component"] if r["component"].lower().endswith("_" + r["unit"].lower()) else f"{r['component']}_{r['unit']}"
        for r in components
    ]
    by_key = {cell(r): r for r in values}
    for name, column in (("table", "value"), ("table_status", "status")):
        rows = oracle.published(folder, name)
        assert list(rows[0]) == ["ingredient_id", "name", *heads]
        assert "ENERC_KCAL" in heads and "NA_mg" in heads
        assert [r["ingredient_id"] for r in rows] == [
            r["ingredient_id"] for r in oracle.published(folder, "ingredients")
        ]
        for row in rows:
            for head, component in zip(heads, components, strict=True):
                assert row[head] == by_key[row["ingredient_id"], component["component"]][column]


def test_sodium_survives(folder: Path, built: duckdb.DuckDBPyConnection) -> None:
    """Component NA is a text everywhere, never null, in CSV and Parquet, also when read back by the database."""
    count = len(oracle.published(folder, "ingredients"))
    assert sum(r["component"] == "NA" for r in oracle.published(folder, "values")) == count
    column = pq.read_table(folder / "values.parquet", columns=["component"]).column("component")
    assert column.null_count == 0 and column.to_pylist().count("NA") == count
    con = duckdb.connect()
    assert con.execute(f"select count(*) from '{folder / 'values.csv'}' where component = 'NA'").fetchall() == [
        (count,)
    ]
    entry = next(r for r in oracle.published(folder, "components") if r["component"] == "NA")
    assert "text" in (entry["usage_warning"] + entry["definition"]).lower() or "null" in entry["usage_warning"].lower()


def test_what_people_use_is_there(folder: Path) -> None:
    """At least 220 raw ingredients, 30 finfish, 12 shellfish; the fixed ids; composites end in -bone-in."""
    rows = oracle.published(folder, "ingredients")
    groups = {r["species"]: r["species_group"] for r in oracle.schema("species")}
    raw = [r for r in rows if r["kind"] == "raw"]
    fed = {r["ingredient_id"] for r in oracle.published(folder, "values") if r["source"] == "usda-sr28"}
    raw = [r for r in raw if r["ingredient_id"] in fed]
    count = Counter(groups[r["species"]] for r in raw)
    assert len(raw) >= 220
    assert len({r["species"] for r in raw if groups[r["species"]] == "finfish"}) >= 30
    assert count["finfish"] >= 30 and count["mollusc"] + count["crustacean"] >= 12
    ids = {r["ingredient_id"] for r in raw}
    assert set(FIXED_IDS) <= ids
    assert all(r["ingredient_id"].endswith("-bone-in") == (r["kind"] == "composite") for r in rows)
    assert all(r["state"] == "raw" and r["additions"] == "none" for r in raw)


def test_coverage_counts_of_an_ingredient(folder: Path, values: list[Row]) -> None:
    gaps = Counter(r["ingredient_id"] for r in oracle.published(folder, "gaps"))
    cells = {k: list(g) for k, g in groupby(values, key=lambda r: r["ingredient_id"])}
    for row in oracle.published(folder, "ingredients"):
        own = cells[row["ingredient_id"]]
        assert int(row["components_valued"]) == sum(bool(r["value"] or r["low"] or r["high"]) for r in own)
        assert int(row["components_measured"]) == sum(r["status"] == "measured" for r in own)
        assert int(row["components_missing"]) == gaps[row["ingredient_id"]]


def test_nothing_dangles(folder: Path, values: list[Row]) -> None:
    """References, steps, foods, ingredients and components that a row names exist."""
    references = {r["reference_id"] for r in oracle.published(folder, "references")}
    steps = set(oracle.factors())
    foods = {(r["source"], r["food_id"]) for r in oracle.published(folder, "catalogue")}
    links = Counter((r["source"], r["reference_id"]) for r in oracle.published(folder, "references"))
    assert set(links.values()) == {1}
    used = set()
    for row in values:
        used |= set(json.loads(row["reference_ids"]))
        assert set(json.loads(row["steps"])) <= steps
        assert row["source"] in ("", "maintainer") or (row["source"], row["food_id"]) in foods
    assert used == references


def test_references_are_those_of_the_release(values: list[Row]) -> None:
    """DATSRCLN names the references of a value; every one stands beside it."""
    links: dict[tuple[str, str], list[str]] = {}
    for food, nutrient, reference in oracle.table("DATSRCLN"):
        links.setdefault((str(food), str(nutrient)), []).append(f"usda-sr28:{reference}")
    found = [
        told(r)
        for r in values
        if r["source"] == "usda-sr28"
        and json.loads(r["reference_ids"]) != sorted(links.get((r["food_id"], r["source_component"]), []))
    ]
    faults(found)


def test_disagreement_is_among_independent_evidence(
    candidates: dict[tuple[str, str], list[Row]], values: list[Row], built: duckdb.DuckDBPyConnection
) -> None:
    """Largest over smallest of the evidence of match A and B, one figure for each food that shares no data with
    another; a copy counts as its original. Empty where there is one witness."""
    copied = {
        (source, food): (first, original) for source, food, first, original in built.execute(
            "select source, food_id, original_source, original_food_id from reference.copies").fetchall()
    }
    found, told_of = [], 0
    for row in values:
        amounts: dict[Food, float] = {}
        for other in candidates.get(cell(row), []):
            amount = oracle.number(other["value"])
            food = (other["source"], other["food_id"])
            if amount and is_evidence(other) and other["match_quality"] in "AB" and other["source"] != "maintainer":
                amounts.setdefault(copied.get(food, food), amount)
        due = max(amounts.values()) / min(amounts.values()) if len(amounts) > 1 else None
        stated = oracle.number(row["disagreement"])
        told_of += stated is not None
        if (due is None) != (stated is None) or (due is not None and abs(due - float(stated or 0)) > 1e-4 * due):
            found.append(f"{told(row)}: {stated}, due {due}")
    faults(found)
    assert told_of > 1000
