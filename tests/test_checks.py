"""The rules: each fires just outside its threshold and not just inside; worked examples; the gate and its self-test."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from rawref.checks import catalogue
from rawref.checks.accepted import run_accepted
from rawref.checks.catalogue import load
from rawref.checks.gate import Gate
from rawref.checks.notes import publisher_notes
from rawref.checks.run import closing, only_rules, run, summarise
from rawref.checks.scene import SOURCE, Scene
from rawref.checks.selftest import PLANTED, selftest
from rawref.errors import InputError
from rawref.release.build import check_result
from rawref.render import checks as render
from rawref.stages.decisions import verify
from rawref.workspace import Workspace

from tests import pinned, rule_findings
from tests.benchmarks import mutations
from tests.check_cases import CASES, candidates, name_of, scene
from tests.spoil import edit, read

CheckResult = dict[str, Any]
# Rules of one scene, of two builds, or of files: each has a test of its own below, or is named in NOT_BY_CASE.
NOT_BY_CASE = {"C01", "C04", "C05", "C06", "R01", "R02", "R03", "T04", "T05", "T08"}


@pytest.fixture(scope="module")
def outside(checkout: Workspace) -> CheckResult:
    return scene(checkout.schemas, "out")


@pytest.fixture(scope="module")
def inside(checkout: Workspace) -> CheckResult:
    return scene(checkout.schemas, "in")


@pytest.fixture(scope="module")
def result(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> CheckResult:
    """The rules over a real build."""
    return run(built, checkout.schemas)


def findings(result: CheckResult, rule: str, name: str = "", severity: str = "") -> list[dict[str, str]]:
    return [
        f
        for r in result["rules"]
        if r["id"] == rule
        for f in r["findings"]
        if (not severity or f["severity"] == severity)
        and (
            not name
            or any(part in (name, f"{name}-lean") for part in f["subject"].split(":"))
            or name in f["detail"].split()
        )
    ]


def status(result: CheckResult, rule: str) -> str:
    return str(next(r["status"] for r in result["rules"] if r["id"] == rule))


def subjects(position: int) -> list[str]:
    """The names under which a case may be told: its own, and the source number that it maps."""
    name = name_of(position)
    return [name]


@pytest.mark.parametrize("position", range(len(CASES)), ids=[f"{c.rule}-{c.severity}-{i}" for i, c in enumerate(CASES)])
def test_rule_fires_outside_and_not_inside(position: int, outside: CheckResult, inside: CheckResult) -> None:
    known = CASES[position]
    names = subjects(position) + mapped_numbers(position)
    out = [f for name in names for f in findings(outside, known.rule, name, known.severity)]
    assert out, f"{known.rule} {known.severity} did not fire outside"
    held = [
        f
        for name in subjects(position) + mapped_numbers(position, inside=True)
        for f in findings(inside, known.rule, name, known.severity)
    ]
    assert not held, held


def test_an_imputation_without_donor_is_not_said_to_be_evidence(outside: CheckResult) -> None:
    """schemas/statuses.csv: an imputed figure is no evidence; the measured ones beside it are not its fault."""
    said = [f["detail"] for f in findings(outside, "D09", severity="warn") if "without donor" in f["detail"]]
    assert said and not [detail for detail in said if "yet evidence" in detail]


def mapped_numbers(position: int, *, inside: bool = False) -> list[str]:
    """Cases that map a source number are told under that number."""
    recorder = Recorder()
    known = CASES[position]
    (known.inside if inside else known.out)(recorder, name_of(position))  # type: ignore[arg-type]
    return recorder.numbers


class Recorder(Scene):
    """A scene that only remembers the source numbers that were mapped."""

    def __init__(self) -> None:
        super().__init__(Path(__file__).resolve().parent.parent / "schemas")
        self.numbers: list[str] = []

    def put(self, table: str, **columns: Any) -> dict[str, Any]:
        if table == "reference.component_map":
            self.numbers.append(columns["source_component"])
        return super().put(table, **columns)


def test_every_implemented_rule_has_a_case(checkout: Workspace) -> None:
    due = {rule.id for rule in load(checkout.schemas) if rule.implemented}
    assert due - {c.rule for c in CASES} == NOT_BY_CASE


def test_missing_input_is_not_applicable_never_a_pass(checkout: Workspace) -> None:
    bare = Scene(checkout.schemas)
    bare.food("bare", dict.fromkeys(bare.units), factors={})
    with bare.database() as con:
        made = run(con, checkout.schemas)
    told = {r["id"] for r in made["rules"] if r["status"] != "not_applicable"}
    # what a food's own name and description answer
    assert told <= {"F02", "F03", "F04", "F06", "F07", "F14", "A04", "D14", "F01"}, told
    assert made["summary"]["failed"] == 0


def test_no_rows_at_all_is_not_applicable(checkout: Workspace) -> None:
    with Scene(checkout.schemas).database() as con:
        made = run(con, checkout.schemas)
    assert {r["status"] for r in made["rules"]} == {"not_applicable"}


def test_component_rules(checkout: Workspace) -> None:
    """C01, C04, C05, C06: shares and medians over a whole scene."""

    def shares(zeros: int, evidence: int, factor: float) -> CheckResult:
        made = Scene(checkout.schemas)
        for number in range(100):
            made.food(
                f"f{number}",
                {"VITK1": 0.0 if number < zeros else 1.2},
                rows={"VITK1": {"status": "assumed_zero", "evidence": False} if number < zeros else {}},
            )
        for number in range(3):
            made.food(f"c{number}", {"FE": 2.0 * factor}, source="anses-ciqual", release="2020")
        for number in range(10):
            made.ingredient(f"i{number}", f"f{number}", {"SE": 20.0 if number < evidence else None})
        if not evidence:
            made.rows["curated.gaps"] = [r for r in made.rows["curated.gaps"] if r["component"] != "BIOT"]
        with made.database() as con:
            return run(con, checkout.schemas)

    lower, upper, worst = shares(20, 5, 1.24), shares(24, 4, 1.26), shares(70, 0, 3.1)
    assert (
        not findings(lower, "C05", "VITK1")
        and findings(upper, "C05", "VITK1", "warn")
        and findings(worst, "C05", "VITK1", "fail")
    )
    assert not findings(lower, "C04", "SE") and findings(upper, "C04", "SE", "warn")
    assert findings(worst, "C04", "BIOT", "fail") and not findings(upper, "C04", "BIOT", "fail")
    assert findings(worst, "C01", "BIOT", "fail") and not findings(upper, "C01", "BIOT")
    iron = [
        [f["severity"] for f in findings(made, "C06") if " FE " in f" {f['detail']}"] for made in (lower, upper, worst)
    ]
    assert iron == [[], ["warn"], ["fail"]]


# --- the catalogue
def test_catalogue_holds_every_rule_of_the_reference(checkout: Workspace) -> None:
    """Rule ids of the reference catalogue (checks.csv, 116 rules)."""
    path = checkout.root.parent / "shared" / "reference" / "checks.csv"
    if not path.is_file():
        pytest.skip("no folder shared beside the checkout")
    with path.open(encoding="utf-8") as stream:
        due = {row["id"] for row in csv.DictReader(stream)}
    held = {rule.id: rule for rule in load(checkout.schemas)}
    assert due <= set(held)
    assert {i for i in due if not held[i].implemented} == {"F13", "T07"}


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("97..103", "97..many", "is not a number"),
        ("97..103", "103..97", "ends swapped"),
        ('""fat_below"": 20', '""fat_below"": ""lots""', "is not a number"),
        ("source;candidate;curated", "everywhere", "unknown scope"),
    ],
)
def test_spoilt_catalogue_names_file_line_and_cure(
    tmp_path: Path, checkout: Workspace, old: str, new: str, word: str
) -> None:
    text = (checkout.schemas / "checks.csv").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "checks.csv").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        catalogue.load(tmp_path)
    assert word in caught.value.line() and "schemas/checks.csv:" in caught.value.where and caught.value.cure
    assert caught.value.exit_status == 2


# --- worked examples and documented counts (quality-rules.md, sections 3 and 13)
@pytest.mark.parametrize(
    ("rule", "subject", "severity"),
    [
        ("E01", "usda-sr28:13323:208", "fail"),  # en08
        ("P01", "usda-sr28:15073", "fail"),
        ("P01", "usda-sr28:15123", "fail"),
        ("P01", "usda-sr28:15043", "warn"),  # pr03 to pr05
        ("A03", "usda-sr28:05631", "fail"),  # n07
        ("L01", "usda-sr28:13349", "fail"),  # f05
        ("M01", "usda-sr28:23425:315", "fail"),  # o01
    ],
)
def test_worked_example_fires(result: CheckResult, rule: str, subject: str, severity: str) -> None:
    assert [f for f in findings(result, rule) if f["subject"] == subject and f["severity"] == severity]


@pytest.mark.parametrize(
    ("rules", "food"),
    [
        (("P01", "P02"), "01123"),
        (("P01", "P02"), "05027"),
        (("P01", "P02"), "05096"),
        (("A03",), "05027"),
        (("L01",), "13325"),
    ],
)
def test_worked_example_passes(result: CheckResult, rules: tuple[str, ...], food: str) -> None:
    """pr01, pr02, pr07, n06, f06."""
    assert not [f for rule in rules for f in findings(result, rule) if f"usda-sr28:{food}" in f["subject"]]


def test_between_source_disagreement_warns(checkout: Workspace) -> None:
    """o02: lamb liver retinol, 435 ug in Ciqual 40102 against 7391 ug in SR28 17199, ratio 17."""
    made = Scene(checkout.schemas)
    candidates(made, "lamb-liver", "RETOL", "ug", (SOURCE, "17199", 7391.0), ("anses-ciqual", "40102", 435.0))
    with made.database() as con:
        found = findings(run(con, checkout.schemas), "B03")
    assert len(found) == 1 and "ratio 17.0" in found[0]["detail"]


COUNTS = {
    # rule: (fail, warn) of raw animal foods, counted over this program's own 976 raw animal foods
    "D07": (38, 816),
    "E01": (1, 5),
    "A03": (7, 53),
    "L01": (10, 72),
    "P01": (2, 6),
    "P02": (3, 13),
}


@pytest.mark.parametrize("rule", COUNTS)
def test_counts_of_the_documents(result: CheckResult, rule: str) -> None:
    """D07 854 (o04), 816 of them fatty acids; E01 6 of 576; A03 62, 9; L01 79, 9; P01, P02 9, 3: quality-rules.md
    counts 955 foods, we 976."""
    found = [f for f in findings(result, rule) if f["scope"] == "source" and f["subject"].startswith("usda-sr28:")]
    assert (sum(f["severity"] == "fail" for f in found), sum(f["severity"] == "warn" for f in found)) == COUNTS[rule]


def test_documented_counts_over_the_documented_scope(result: CheckResult, built: duckdb.DuckDBPyConnection) -> None:
    """quality-rules.md, section 3, over its 962 foods (groups 0100 to 1700 with raw in the name).

    L01 79; 9 and P01 with P02 9; 3 are met. A03 says 62; 9: two of each are strawberry yogurts, raw by substring only.
    """
    groups = ("0100", "0500", "1000", "1300", "1500", "1700")
    scope = {
        row[0]
        for row in built.execute(
            "select food_id from archival.foods where source = 'usda-sr28' and contains(lower(name), 'raw')"
            f" and group_code in {groups}"
        ).fetchall()
    }
    assert len(scope) == 962

    def foods(rule: str, *severities: str) -> set[str]:
        found = [f for f in findings(result, rule) if f["scope"] == "source" and f["severity"] in severities]
        return {f["subject"].split(":")[1] for f in found} & scope

    assert (len(foods("L01", "warn", "fail")), len(foods("L01", "fail"))) == (79, 9)
    sums = foods("P01", "warn", "fail") | foods("P02", "fail")
    assert (len(sums), len(foods("P01", "fail") | foods("P02", "fail"))) == (9, 3)
    assert (len(foods("A03", "warn", "fail")), len(foods("A03", "fail"))) == (60, 7)
    assert len(foods("V02", "warn", "fail")) == 1 and len(foods("V03", "warn", "fail")) == 2


def test_nothing_undecided_closes_the_gate_of_the_build(result: CheckResult) -> None:
    assert closing(result) == []
    assert result["summary"]["failed"] == 0


def test_result_has_the_shape_of_the_contract(result: CheckResult) -> None:
    assert set(result["summary"]) >= {"rules", "passed", "warned", "failed", "not_applicable"}
    assert (
        sum(result["summary"][k] for k in ("passed", "warned", "failed", "not_applicable"))
        == result["summary"]["rules"]
    )
    for rule in result["rules"]:
        assert {"id", "level", "rule", "source", "status", "findings"} <= set(rule)
        for f in rule["findings"]:
            assert {"severity", "scope", "subject", "detail", "cure"} <= set(f) and all(f[k] for k in f), f
    json.dumps(result)


def test_two_runs_are_the_same(result: CheckResult, built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    assert run(built, checkout.schemas) == result


# --- the committed table
@pytest.fixture
def published(built_workspace: Workspace, tmp_path: Path) -> Path:
    """A copy of a published table, to spoil."""
    return Path(shutil.copytree(built_workspace.curated, tmp_path / "curated"))


def test_committed_table_passes_alone(published: Path, checkout: Workspace) -> None:
    made = run_accepted(published, checkout.schemas)
    assert (
        made["summary"]["failed"] == 0 and status(made, "T08") == "passed" and status(made, "A01") == "not_applicable"
    )


def test_decisions_beside_the_table_are_read(published: Path, checkout: Workspace, result: CheckResult) -> None:
    """What the committed table finds alone is decided as it is in the whole build, where both find it."""

    def decided(made: CheckResult) -> dict[tuple[str, str], str]:
        return {(rule["id"], f["subject"]): f["decision_id"] for rule in made["rules"] for f in rule["findings"]
                if f["scope"] == "curated" and f.get("decision_id")}  # fmt: skip

    alone, whole = decided(run_accepted(published, checkout.schemas)), decided(result)
    assert alone["P11", "european-pilchard"] == "look-26065"
    assert all(whole[key] == by for key, by in alone.items() if key in whole)


@pytest.mark.parametrize(
    ("table", "old", "new", "subject"),
    [
        ("values", None, None, "beef-liver:FE"),
        ("table", None, None, "beef-liver"),
    ],
)
def test_hand_edit_is_a_finding_that_names_the_cell(
    published: Path, checkout: Workspace, table: str, old: str | None, new: str | None, subject: str
) -> None:
    path = published / f"{table}.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    start = subject.replace(":", ",") + ","
    place = next(i for i, line in enumerate(lines) if line.startswith(start))
    cells = lines[place].split(",")
    column = 2 if table == "values" else len(cells) - 1
    cells[column] = "7777" if table == "values" else "7777\n"
    lines[place] = ",".join(cells)
    path.write_text("".join(lines), encoding="utf-8")
    made = run_accepted(published, checkout.schemas)
    assert status(made, "T08") == "failed" and status(made, "T04") == "failed"
    assert [f for f in findings(made, "T08") if f["subject"] == subject and "became 7777" in f["detail"]]


@pytest.mark.parametrize("spoil", ["not_a_number", "heading", "manifest", "row_dropped", "row_doubled", "package"])
def test_spoilt_table_is_a_finding(published: Path, checkout: Workspace, spoil: str) -> None:
    path = published / "values.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    rule = "T08"
    if spoil == "not_a_number":
        cells = lines[40].split(",")
        lines[40], rule = ",".join([*cells[:2], "much", *cells[3:]]), "T02"
    elif spoil == "heading":
        lines[0], rule = lines[0].replace("status", "state"), "T02"
    elif spoil == "manifest":
        (published / "manifest.json").unlink()
    elif spoil == "row_dropped":
        del lines[40]
        rule = "T01"
    elif spoil == "row_doubled":
        lines.insert(40, lines[40])
        rule = "T02"
    else:
        (published / "datapackage.json").unlink()
        rule = "T05"
    path.write_text("".join(lines), encoding="utf-8")
    made = run_accepted(published, checkout.schemas)
    assert status(made, rule) == "failed"


@pytest.mark.parametrize(
    ("column", "text", "told"),
    [
        ("value", "much", "value 'much' is not a finite number"),
        ("value", "-0.5", "value '-0.5' is below 0"),
        ("steps", "{}", "steps '{}' is not a JSON list"),
        ("unit", "", "unit is empty, though required"),
        ("match_quality", "Z", "match_quality 'Z' is not a word of match_quality"),
        ("component", "XX", "component 'XX' is not in components"),
    ],
)
def test_models_hold_the_committed_table_and_a_fault_is_told_once(
    published: Path, checkout: Workspace, column: str, text: str, told: str
) -> None:
    edit(published, "values", lambda rows: rows[40].update({column: text}))
    made = run_accepted(published, checkout.schemas)
    row = read(published, "values")[40]
    subject = f"{row['ingredient_id']}:{row['component']}"
    assert [(f["severity"], f["detail"]) for f in findings(made, "T02") if f["subject"] == subject] == [
        ("fail", f"values.csv:42: {told}")
    ]
    assert status(made, "T02") == "failed"


def test_a_doubled_row_and_a_twin_of_other_types_are_findings(published: Path, checkout: Workspace) -> None:
    edit(published, "gaps", lambda rows: rows.insert(7, dict(rows[7])))
    twin = published / "values.parquet"
    table = pq.read_table(twin)
    place = table.column_names.index("n")
    pq.write_table(table.set_column(place, "n", table.column("n").cast(pa.string())), twin)
    row = read(published, "gaps")[7]
    assert [(f["subject"], f["detail"]) for f in findings(run_accepted(published, checkout.schemas), "T02")] == [
        (f"{row['ingredient_id']}:{row['component']}", "gaps.csv:10: key is not unique"),
        ("values", "values.parquet:1: n has type string, not int64"),
    ]


def test_no_table_is_an_input_error(tmp_path: Path, checkout: Workspace) -> None:
    with pytest.raises(InputError, match="no published table"):
        run_accepted(tmp_path, checkout.schemas)


# --- mutations, a sample of the benchmark (issue 3)
def test_every_mutation_of_the_published_table_is_seen(built_workspace: Workspace, checkout: Workspace) -> None:
    score = mutations.mutate_published(built_workspace.curated, checkout.schemas, 100)
    assert score.survivors == [] and set(score.made) == set(mutations.KINDS)


def test_most_mutations_of_the_reference_stage_are_seen(built_workspace: Workspace, checkout: Workspace) -> None:
    """Survivors are statuses that stay evidence or stay none; every changed amount, unit, food and row is seen."""
    score = mutations.mutate_reference(built_workspace.database, checkout.schemas, 100)
    assert {name.rsplit(": ", 1)[1] for name in score.survivors} <= {"status_change"}
    assert score.share() > 0.9


# --- the gate
def test_selftest_sees_every_plant(checkout: Workspace) -> None:
    plants = selftest(checkout.schemas)
    assert [p for p in plants if not p.seen] == []
    assert {p.severity for p in plants} >= {"fail", "warn"}
    assert {p.boundary for p in plants} >= {
        "reader hand-over",
        "maintainer input",
        "published table",
        "rules of scope source",
        "rules of scope candidate",
        "rules of scope curated",
    }


def test_gate_stays_shut_when_a_plant_goes_unseen(checkout: Workspace) -> None:
    blind = {"schema_version": "1", "summary": {}, "rules": []}
    plants = selftest(checkout.schemas, result=blind)
    assert sum(not p.seen for p in plants) == len(PLANTED)
    with Scene(checkout.schemas).database() as con:
        made = Gate.of(run(con, checkout.schemas), plants)
    assert not made.open and "missed planted faults" in made.why


def test_gate_of_the_build_is_open(result: CheckResult, checkout: Workspace) -> None:
    assert Gate.of(result, selftest(checkout.schemas)).open


def test_only_undecided_failures_of_the_published_table_close(checkout: Workspace) -> None:
    def finding(severity: str, scope: str, **more: str) -> dict[str, str]:
        return {"severity": severity, "scope": scope, "subject": "x", "detail": "x", "cure": "x", **more}

    def of(*found: dict[str, str]) -> CheckResult:
        return summarise([{"id": "P01", "implemented": True, "evaluated": 9, "findings": list(found)}])

    assert not closing(
        of(
            finding("fail", "source"),
            finding("fail", "candidate"),
            finding("warn", "curated"),
            finding("fail", "curated", decision_id="d"),
        )
    )
    assert len(closing(of(finding("fail", "curated")))) == 1
    assert of(finding("fail", "source"))["rules"][0]["status"] == "warned"
    assert of(finding("fail", "curated"))["rules"][0]["status"] == "failed"
    assert of()["rules"][0]["status"] == "passed"


# --- decisions
def test_decisions_of_the_repository_hold(built: duckdb.DuckDBPyConnection, checkout: Workspace) -> None:
    with (checkout.maintainer / "decisions.csv").open(encoding="utf-8", newline="") as file:
        assert verify(built) == len({row["decision_id"] for row in csv.DictReader(file)}) > 40


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"food_id": "00000"}, "matches nothing"),
        ({"source_component": "999"}, "matches nothing"),
        ({"expect_text": "1.23"}, "fixed by the publisher, or the decision no longer matches"),
        ({"expect_derivation": "ZZ"}, "fixed by the publisher, or the decision no longer matches"),
        ({"expect_text": None}, "has no guard"),
        ({"ingredient_id": "unicorn-liver"}, "matches nothing"),
        ({"ingredient_id": "chicken-liver"}, "does not use"),
        ({"component": "FE"}, "does not feed"),
        ({"source_component": None, "expect_text": None}, "which value"),
    ],
)
def test_decision_that_aims_at_nothing_stops_the_build(
    reference_only: duckdb.DuckDBPyConnection, change: dict[str, str], word: str
) -> None:
    row = {
        "decision_id": "probe",
        "source": SOURCE,
        "food_id": "23425",
        "source_component": "315",
        "ingredient_id": None,
        "component": "MN",
        "expect_text": "299.000",
        "expect_derivation": None,
        "action": "reject",
        "reason": "x",
        "citation": "x",
        "told_publisher": None,
        "standing": "open",
        "line": 7,
    }
    text = reference_only.execute(
        """select text from archival."values" where food_id = '23425' and source_component = '315'"""
    ).fetchall()[0][0]
    row["expect_text"] = text
    for given, fails in ((row, False), (row | change, True)):
        reference_only.execute("begin")
        try:
            reference_only.execute("delete from archival.maintainer_decisions")
            reference_only.execute(
                f"insert into archival.maintainer_decisions by name select {', '.join(f'${k} as {k}' for k in given)}",
                given,
            )
            if not fails:
                assert verify(reference_only) == 1
                continue
            with pytest.raises(InputError) as caught:
                verify(reference_only)
            assert (
                word in caught.value.line()
                and caught.value.where == "raw/maintainer/decisions.csv:7"
                and caught.value.cure
            )
        finally:
            reference_only.execute("rollback")


def test_decision_on_an_absent_source_waits(reference_only: duckdb.DuckDBPyConnection) -> None:
    reference_only.execute("begin")
    try:
        reference_only.execute("delete from archival.maintainer_decisions")
        reference_only.execute(
            """insert into archival.maintainer_decisions by name select 'probe' as decision_id,
            'usda-sr-legacy' as source, '00000' as food_id, 'CA' as source_component, '1' as expect_text,
            'reject' as action, 7 as line"""
        )
        assert verify(reference_only) == 0
        reference_only.execute(
            "update archival.maintainer_decisions set source = ?, source_component = '301'", [SOURCE]
        )
        with pytest.raises(InputError, match="matches nothing"):
            verify(reference_only)
    finally:
        reference_only.execute("rollback")


def test_striking_out_one_figure_does_not_decide_on_the_next(checkout: Workspace) -> None:
    made = Scene(checkout.schemas)
    made.put("reference.peers", component="SE", part="muscle", species_group="bovine", n=3, low=0.1, median=1, high=2)
    zero = {"value": 0.0, "source_value": "0", "n": 0, "status": "unspecified", "decision_id": "struck"}
    made.ingredient("other", "food-other", rows={"SE": zero})
    made.ingredient("same", "food-same", rows={"SE": zero | {"decision_id": "last"}})
    decision = {"source": SOURCE, "source_component": "SE", "expect_text": "0", "line": 7}
    made.put("archival.maintainer_decisions", decision_id="struck", food_id="elsewhere", action="reject", **decision)
    acknowledged = decision | {"action": "acknowledge"}
    for kept in ("last", "kept"):  # of two that say so the first by name
        made.put("archival.maintainer_decisions", decision_id=kept, food_id="food-same", **acknowledged)
    with made.database() as con:
        found = {
            f["subject"]: f for r in run(con, checkout.schemas)["rules"] if r["id"] == "D16" for f in r["findings"]
        }
    assert found["other:SE"]["severity"] == "fail" and not found["other:SE"].get("decision_id")
    assert found["same:SE"]["decision_id"] == "kept"


def test_every_decision_says_why_and_nobody_was_told(checkout: Workspace) -> None:
    with (checkout.maintainer / "decisions.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len({r["decision_id"] for r in rows}) == len(rows)
    for row in rows:
        assert len(row["reason"]) > 40 and row["citation"] and not row["told_publisher"]


def test_note_to_the_publisher_names_every_figure_with_its_line(built: duckdb.DuckDBPyConnection) -> None:
    notes = publisher_notes(built)
    assert "23425" in notes["usda-sr28"] and "NUT_DATA.txt:" in notes["usda-sr28"] and "299" in notes["usda-sr28"]


# --- forms
@pytest.fixture(scope="module")
def troubled(outside: CheckResult) -> CheckResult:
    return outside


def test_text_is_80_columns_worst_first_and_says_what_it_cut(troubled: CheckResult) -> None:
    """What closes the gate stands first and whole; a rule that only warned is told in at most a few lines."""
    shown = render.text(troubled)
    assert max(map(len, shown.splitlines())) <= 80
    first = [line.split()[0] for line in shown.splitlines() if line.startswith(("FAILED", "WARNED"))]
    assert first == sorted(first) and "rawref check --rule" in shown and "cure:" in shown
    wide = render.text(troubled, wide=True)
    failed, _, warned = wide.partition("\nWARNED")
    closing = [f for r in troubled["rules"] for f in r["findings"] if render._closes(f)]
    assert closing and all(f"fail curated {f['subject']}: {f['detail']}" in failed for f in closing)
    for block in warned.split("\n\n")[:-1]:
        assert len(block.splitlines()) <= 3 and "fail candidate usda" not in block, block


def test_text_of_a_warned_rule_counts_what_it_found(result: CheckResult) -> None:
    """The counts by severity and scope add up to the findings of the JSON form."""
    shown = render.text(result, wide=True)
    for rule in result["rules"]:
        if rule["status"] != "warned":
            continue
        head = next(line for line in shown.splitlines() if line.startswith(f"WARNED {rule['id']} "))
        tally = head.rpartition(f"{rule['name']}: ")[2]
        counted = sum(int(n) for n in re.findall(r"(\d+) (?:fail|warn) (?:curated|candidate|source)", tally))
        assert counted == len(rule["findings"]), head


def test_one_rule_is_shown_whole(result: CheckResult) -> None:
    one = only_rules(result, ["a03"])
    assert [r["id"] for r in one["rules"]] == ["A03"] and one["summary"]["rules"] == 1
    shown = render.text(one, wide=True, whole=True)
    assert all(f["subject"] in shown and f["detail"] in shown for f in one["rules"][0]["findings"])
    assert "cure: " in shown and "source: " in shown
    passed = next(r["id"] for r in result["rules"] if r["status"] == "passed")
    assert f"PASSED {passed} " in render.text(only_rules(result, [passed]), whole=True)
    with pytest.raises(InputError, match=r"A3.*schemas/checks\.csv|A3.*did you mean"):
        only_rules(result, ["A3x"])


def test_junit_is_read_by_another_parser(troubled: CheckResult) -> None:
    """JUnit XML, read by junitparser (an independent implementation)."""
    junitparser = pytest.importorskip("junitparser")
    text = render.junit(troubled)
    parsed = junitparser.JUnitXml.fromstring(text.encode())
    cases = [c for suite in parsed for c in suite]
    assert len(cases) == troubled["summary"]["rules"] == parsed.tests
    assert parsed.failures == troubled["summary"]["failed"] and parsed.skipped == troubled["summary"]["not_applicable"]
    ElementTree.fromstring(text)


def test_sarif_has_stable_ids_and_places(result: CheckResult, built_workspace: Workspace) -> None:
    """SARIF 2.1.0, validated by classes that another project generated from the published schema."""
    log = render.sarif(result, built_workspace.curated)
    again = render.sarif(result, built_workspace.curated)
    assert log == again and log["version"] == "2.1.0"
    held = log["runs"][0]["results"]
    assert len(held) == min(5000, log["runs"][0]["properties"]["total_results"])
    kidney = next(r for r in held if r["ruleId"] == "E01" and r["message"]["text"].startswith("beef-kidney:ENERC_KCAL"))
    place = kidney["locations"][0]["physicalLocation"]
    assert place["artifactLocation"]["uri"] == "curated/values.csv"
    line = (
        (built_workspace.curated / "values.csv")
        .read_text(encoding="utf-8")
        .splitlines()[place["region"]["startLine"] - 1]
    )
    assert line.startswith("beef-kidney,ENERC_KCAL,") and kidney["partialFingerprints"] and kidney["suppressions"]
    rules = [r["id"] for r in log["runs"][0]["tool"]["driver"]["rules"]]
    assert all(rules[r["ruleIndex"]] == r["ruleId"] for r in held)


def test_sarif_fits_the_published_schema(result: CheckResult, built_workspace: Workspace) -> None:
    sarif = pytest.importorskip("pydantic_sarif.model")
    log = render.sarif(result, built_workspace.curated)
    log["runs"][0]["results"] = log["runs"][0]["results"][:500]
    sarif.StaticAnalysisResultsFormatSarifVersion210JsonSchema.model_validate(log)


def test_annotations_only_in_ci(troubled: CheckResult, built_workspace: Workspace) -> None:
    assert render.ci_annotations(troubled, built_workspace.curated, {}) == []
    lines = render.ci_annotations(troubled, built_workspace.curated, {"CI": "true"})
    assert lines[0].startswith("::error file=") and len(lines) == 11 and "more undecided" in lines[-1]


def test_markdown_has_a_table_and_the_cures(troubled: CheckResult) -> None:
    shown = render.markdown(troubled)
    assert shown.startswith("# Checks") and "| rule | status |" in shown and "Cure: " in shown


def test_environment_cannot_make_the_gate_a_formality(checkout: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(os.environ, "PANDERA_VALIDATION_ENABLED", "False")
    assert [p.name for p in selftest(checkout.schemas) if not p.seen] in ([], ["models let nothing pass"])


def test_the_rules_judge_and_find_what_they_did_when_the_table_was_accepted(built_workspace: Workspace) -> None:
    """Results of our own making: a rule that falls silent, or speaks of other subjects, does not do so unseen."""
    told = pinned.moved(rule_findings.FILE, rule_findings.results(check_result(built_workspace)))
    assert told == [], "see what changed, then: python -m tests.rule_findings"


def test_the_rules_say_of_the_cases_what_they_did(outside: CheckResult, inside: CheckResult) -> None:
    told = pinned.moved(rule_findings.CASES_FILE, rule_findings.of_cases(outside, inside))
    assert told == [], "see what changed, then: python -m tests.rule_findings"
