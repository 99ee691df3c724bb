"""The consumer's contract: it holds for the table, every expectation sees its fault, and nothing leaves the machine."""

from __future__ import annotations

import csv
import json
import re
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from rawref import registry
from rawref.checks import consumer
from rawref.errors import InputError
from rawref.workspace import Workspace

from tests import spoil

if TYPE_CHECKING:
    import pandas as pd

ROOT = Path(__file__).resolve().parent.parent
SUITE = json.loads((ROOT / "schemas" / "consumer_suite.json").read_text(encoding="utf-8"))["tables"]
EVERY = [(table, expected) for table, found in SUITE.items() for expected in found]


@pytest.fixture(scope="module")
def frames(built_workspace: Workspace) -> dict[str, Any]:
    """The published tables as a consumer reads them."""
    return {table: consumer.read(built_workspace.built, table, built_workspace.schemas) for table in SUITE}


@pytest.fixture
def no_network(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Every attempt to reach a host is refused and noted."""
    tried: list[Any] = []

    def refuse(*arguments: Any, **_: Any) -> None:
        tried.append(arguments[-1])
        raise OSError("no network here")

    for name in ("connect", "connect_ex"):
        monkeypatch.setattr(socket.socket, name, refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    return tried


def test_the_table_keeps_its_promises_without_network(
    built_workspace: Workspace, no_network: list[Any], capfd: pytest.CaptureFixture[str]
) -> None:
    cases = consumer.check_consumer(built_workspace.built, built_workspace.schemas)
    assert [f"{c.id}: {f.subject}: {f.detail}" for c in cases for f in c.findings] == []
    assert [c.id for c in cases] == [e["rule"] for _, e in EVERY]
    assert no_network == []
    out, err = capfd.readouterr()
    assert out == "" and "Calculating" not in err


def test_sodium_stays_a_text(frames: dict[str, Any]) -> None:
    assert (frames["values"]["component"] == "NA").sum() == len(frames["ingredients"])


@pytest.mark.parametrize("table", ["values", "catalogue"])
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_the_advice_of_the_readme_reads_text_as_text(built_workspace: Workspace, table: str, form: str) -> None:
    """README.md: the line for each form, as printed, gives every text cell as the CSV has it, and only empty cells as
    missing."""
    import pandas as pd

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (line,) = re.findall(rf'^pandas\.read_{form}\("curated/values\.{form}".*\)$', readme, re.M)
    path = (built_workspace.built / f"{table}.{form}").as_posix()
    frame = eval(line.replace(f"curated/values.{form}", path), {"pandas": pd})
    with (built_workspace.built / f"{table}.csv").open(encoding="utf-8", newline="") as stream:
        raw = list(csv.DictReader(stream))
    types = {f.column: f.type for f in registry.fields(built_workspace.schemas)[table]}
    assert list(frame.columns) == list(types) and len(frame) == len(raw)
    for column, kind in types.items():
        if form == "parquet" and kind == "list":  # lists there, JSON in the CSV
            assert [list(cell) for cell in frame[column]] == [json.loads(r[column]) for r in raw], column
        elif form == "csv" or kind not in ("number", "integer"):
            read = frame[column].astype(object).where(frame[column].notna(), "")
            assert list(read) == [r[column] for r in raw], column
        else:
            assert list(frame[column].isna()) == [r[column] == "" for r in raw], column
    assert {"28"} <= set(frame["release"].dropna()) and any(f.startswith("01") for f in frame["food_id"].dropna())


def chosen(frame: pd.DataFrame, expected: dict[str, Any]) -> int:
    """A row that the expectation looks at."""
    condition = expected["kwargs"].get("row_condition")
    kept = frame["ingredient_id"].notna()
    if condition:
        column, words = condition.get("in") or condition["not_in"]
        kept &= frame[column].isin(words) == ("in" in condition)
        if "and_not_in" in condition:
            other, refused = condition["and_not_in"]
            kept &= ~frame[other].isin(refused)
    else:
        kept &= frame.index > 5
    assert kept.any(), f"no row for {expected['rule']}"
    return int(frame.index[kept][0])


def spoilt(frame: pd.DataFrame, expected: dict[str, Any]) -> pd.DataFrame:
    """The frame with one fault of the kind that the expectation is about."""
    import pandas as pd

    frame, kind, given = frame.copy(), expected["type"], expected["kwargs"]
    column = given.get("column")
    row = chosen(frame, expected)
    if "and_null" in given.get("row_condition", {}):
        frame.loc[row, given["row_condition"]["and_null"]] = None
    if kind in ("expect_compound_columns_to_be_unique", "expect_column_values_to_be_unique"):
        return pd.concat([frame, frame.iloc[[row]]], ignore_index=True)
    if kind == "expect_table_columns_to_match_ordered_list":
        return frame[[*frame.columns[1:], frame.columns[0]]]
    if kind == "expect_column_to_exist":
        return frame.drop(columns=[column])
    if kind == "expect_table_row_count_to_be_between":
        return frame.head(given["min_value"] - 1)
    if kind == "expect_column_distinct_values_to_contain_set":
        return frame[frame[column] != given["value_set"][0]].reset_index(drop=True)
    if kind == "expect_column_values_to_be_of_type":
        return frame.assign(**{column: frame[column].astype(str)})
    if kind == "expect_column_pair_values_a_to_be_greater_than_b":
        frame.loc[row, [given["column_A"], given["column_B"]]] = [1.0, 1.001]
    elif kind == "expect_column_values_to_not_be_null":
        frame.loc[row, column] = None
    elif kind == "expect_column_values_to_be_null":
        frame.loc[row, column] = 0.0
    elif kind == "expect_column_values_to_be_between":
        frame.loc[row, column] = given["max_value"] + 0.001 if "max_value" in given else given["min_value"] - 0.001
    elif kind == "expect_column_values_to_be_in_set":
        frame.loc[row, column] = 0.001 if pd.api.types.is_numeric_dtype(frame[column]) else "Spoilt"
    elif kind == "expect_column_values_to_match_regex":
        frame.loc[row, column] = "Not well formed"
    else:
        raise AssertionError(f"no way to spoil {kind}")
    return frame


@pytest.mark.parametrize(("table", "expected"), EVERY, ids=[e["rule"] for _, e in EVERY])
def test_every_expectation_sees_its_fault(frames: dict[str, Any], table: str, expected: dict[str, Any]) -> None:
    frame = spoilt(frames[table], expected)
    with consumer._quiet():
        found = consumer._results({table: frame}, {table: [expected]}, None, "")
    findings = consumer._findings(expected, table, found[table, expected["rule"]], frame, "curated")
    assert findings and findings[0].file == f"curated/{table}.csv" and findings[0].severity == "fail"


def verbatim(frame: pd.DataFrame, schemas: Path) -> list[str]:
    """Which of the two promises on published text the values break."""
    return [c.id for c in consumer.run({"values": frame}, schemas) if c.findings and "VERBATIM" in c.id]


def test_only_what_a_formula_made_here_has_no_published_text(frames: dict[str, Any], checkout: Workspace) -> None:
    """schemas/conversions.csv: a step that makes energy or carbohydrate of several components of one food by a formula.

    Such rows stand in a build with the files of further sources (stages/reference/derived.sql); here one is planted.
    """
    made_of_several = {
        json.dumps([name])
        for name, step in registry.steps(checkout.schemas).items()
        if step["formula"] and step["to_component"] in ("ENERC_KCAL", "CHOCDF") and "FAT" in step["from_component"]
    }
    expected = next(e for _, e in EVERY if e["rule"] == "C-VAL-VERBATIM-CALC")
    refused = set(expected["kwargs"]["row_condition"]["and_not_in"][1])
    derived = (ROOT / "pipeline" / "rawref" / "stages" / "reference" / "derived.sql").read_text(encoding="utf-8")
    named = {json.dumps([step]) for step in re.findall(r"'(atwater_spec_\w+)'", derived)} | {'["cho_by_difference"]'}
    assert len(named) >= 5 and named <= refused <= made_of_several
    frame = frames["values"].copy()
    row = int(frame.index[(frame["status"] == "calculated") & frame["source_value"].notna()][0])
    frame.loc[row, ["source_value", "steps"]] = [None, '["atwater_spec_meat"]']
    assert verbatim(frame, checkout.schemas) == []
    frame.loc[row, "steps"] = "[]"
    assert verbatim(frame, checkout.schemas) == ["C-VAL-VERBATIM-CALC"]
    frame.loc[row, ["status", "steps"]] = ["measured", '["atwater_spec_meat"]']
    assert verbatim(frame, checkout.schemas) == ["C-VAL-VERBATIM"]


def test_a_finding_names_row_line_and_number_of_rows(frames: dict[str, Any]) -> None:
    expected = next(e for _, e in EVERY if e["rule"] == "C-VAL-NEG")
    frame = frames["values"].copy()
    rows = [int(i) for i in frame.index[frame["value"].notna()][:30]]
    frame.loc[rows, "value"] = -1.0
    with consumer._quiet():
        found = consumer._results({"values": frame}, {"values": [expected]}, None, "")
    findings = consumer._findings(expected, "values", found["values", "C-VAL-NEG"], frame, "curated")
    assert len(findings) == consumer.SHOWN
    assert findings[0].line == rows[0] + 2
    assert findings[0].subject == f"{frame['ingredient_id'][rows[0]]}:{frame['component'][rows[0]]}"
    assert "Rows: 30" in findings[0].detail


def test_a_missing_column_is_a_finding_not_a_crash(frames: dict[str, Any], built_workspace: Workspace) -> None:
    cases = consumer.run({"gaps": frames["gaps"].drop(columns=["kind"])}, built_workspace.schemas)
    failed = {c.id for c in cases if c.findings}
    assert {"C-GAP-COLUMNS", "C-GAP-KIND", "C-GAP-KIND-SET"} <= failed and "C-GAP-DETAIL" not in failed


def test_a_number_column_that_holds_text_is_a_finding(built_workspace: Workspace, tmp_path: Path) -> None:
    folder = spoil.copy(built_workspace.built, tmp_path / "curated")
    spoil.edit(folder, "gaps", lambda rows: rows[0].update(peers_high="many", peers_low="1"))
    frame = consumer.read(folder, "gaps", built_workspace.schemas)
    assert {c.id for c in consumer.run({"gaps": frame}, built_workspace.schemas) if c.findings} >= {"C-GAP-PEERS"}


def test_data_docs_are_built_on_request_only(
    frames: dict[str, Any], built_workspace: Workspace, tmp_path: Path, no_network: list[Any]
) -> None:
    consumer.run({"table": frames["table"]}, built_workspace.schemas, docs=tmp_path / "docs", version="2026.11.1")
    assert (tmp_path / "docs" / "index.html").is_file()
    pages = sorted((tmp_path / "docs").rglob("*.html"))
    for page in pages:  # they open offline: nothing is loaded from elsewhere, and a link to a page of ours leads there
        text = page.read_text(encoding="utf-8")
        assert not re.findall(r"""<(?:script|link|img|iframe)\b[^>]*(?:src|href)=["'](?:https?:)?//""", text), page
        assert not re.findall(r"""url\(["']?(?:https?:)?//""", text), page
    links = re.findall('href="([^"]+)"', (tmp_path / "docs" / "index.html").read_text(encoding="utf-8"))
    assert "table: holds" in (tmp_path / "docs" / "index.html").read_text(encoding="utf-8")
    assert {(tmp_path / "docs" / link) for link in links} == set(pages) - {tmp_path / "docs" / "index.html"}
    (page,) = (tmp_path / "docs" / "validations").rglob("*.html")
    assert "2026.11.1" in page.relative_to(tmp_path).as_posix()
    assert no_network == []


def test_the_suite_is_ours_and_agrees_with_the_registry(checkout: Workspace) -> None:
    words, fields = registry.vocabularies(checkout.schemas), registry.fields(checkout.schemas)
    of = {
        ("status", "values"): "status",
        ("confidence", "values"): "confidence",
        ("match_quality", "values"): "match_quality",
        ("kind", "gaps"): "gap_kind",
        ("kind", "ingredients"): "kind",
        ("part", "ingredients"): "part",
        ("basis", "values"): "basis",
    }
    for table, expected in EVERY:
        given = expected["kwargs"]
        assert "id" not in expected and expected["why"].endswith(".") and re.fullmatch(r"C-[A-Z-]+", expected["rule"])
        if expected["type"].endswith("ordered_list"):
            assert given["column_list"] == [f.column for f in fields[table]]
        vocabulary = of.get((given.get("column", ""), table))
        if vocabulary and expected["type"].endswith("in_set"):
            assert given["value_set"] == list(words[vocabulary]), f"{expected['rule']}: copy the words of {vocabulary}"


def test_a_spoilt_suite_is_refused(tmp_path: Path) -> None:
    (tmp_path / "consumer_suite.json").write_text('{"tables": []}', encoding="utf-8")
    with pytest.raises(InputError, match="not a suite"):
        consumer.suite(tmp_path)
