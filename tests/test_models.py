"""The pandera models: faults are named, failures capped, and the models cannot be switched off."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from rawref import registry
from rawref.database import connect
from rawref.errors import InputError
from rawref.findings import Finding
from rawref.registry import models
from rawref.release.build import build
from rawref.sources import committed, declared
from rawref.stages.archival import build_archival
from rawref.workspace import Workspace

from tests import spoil

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def space(small_workspace: Workspace) -> Workspace:
    return small_workspace


@pytest.fixture
def folder(space: Workspace, tmp_path: Path) -> Path:
    return spoil.copy(space.built, tmp_path / "curated")


def published(space: Workspace, folder: Path, *, full: bool = True) -> list[Finding]:
    return [f for f in models.validate_published(folder, space.schemas, full=full) if not f.rule.endswith(".parquet")]


# published ------------------------------------------------------------------------------------------------------------


def test_what_is_published_keeps_the_contract(space: Workspace) -> None:
    assert models.validate_published(space.built, space.schemas) == []


def test_full_size_is_held_to_the_same_by_both_ways(built_workspace: Workspace) -> None:
    for full in (True, False):
        assert models.validate_published(built_workspace.built, built_workspace.schemas, full=full) == []


FAULTS = [
    ("values", "value", "inf", "is not a finite number"),
    ("values", "value", "NaN", "is not a finite number"),
    ("values", "value", "1e999", "is not a finite number"),
    ("values", "value", "1,5", "is not a finite number"),
    ("values", "value", "-0.1", "is below 0"),
    ("values", "n", "1.5", "is not a whole number"),
    ("values", "n", "-1", "is below 0"),
    ("values", "status", "guessed", "is not a word of status"),
    ("values", "status", "", "is empty"),
    ("values", "unit", "mcg", "is not a word of unit"),
    ("values", "steps", "[x", "is not a JSON list"),
    ("values", "steps", "{}", "is not a JSON list"),
    ("values", "component", "XX", "is not in components"),
    ("values", "ingredient_id", "unicorn", "is not in ingredients"),
    ("values", "disagreement", "0.5", "is below 1"),
    ("ingredients", "ingredient_id", "Beef Liver", "is not well formed"),
    ("ingredients", "refuse_pct", "96", "is above 95"),
    ("ingredients", "refuse_pct", "95", ""),
    ("gaps", "kind", "lost", "is not a word of gap_kind"),
    ("gaps", "remedy", "", "is empty"),
    ("components", "needed", "maybe", "is not a word"),
    ("candidates", "rank", "0", "is below 1"),
    ("catalogue", "state", "boiled", "is not a word of state"),
    ("references", "source", "", "is empty"),
]


@pytest.mark.parametrize(("table", "column", "text", "told"), FAULTS, ids=[f"{t}.{c}={x}" for t, c, x, _ in FAULTS])
@pytest.mark.parametrize("by", ["pandera", "arrow"])
def test_a_fault_is_named_with_its_row(
    space: Workspace,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    by: str,
    table: str,
    column: str,
    text: str,
    told: str,
) -> None:
    monkeypatch.setattr(models, "SMALL", -1)
    spoil.edit(folder, table, lambda rows: rows[3].update({column: text}))
    found = [f for f in published(space, folder, full=by == "pandera") if f.rule == f"contract:{table}.{column}"]
    if not told:
        assert found == []
        return
    assert len(found) == 1 and told in found[0].detail and found[0].detail.startswith(column)
    assert (found[0].file, found[0].line, found[0].severity) == (f"curated/{table}.csv", 5, "fail")


def test_both_ways_say_the_same(space: Workspace, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(models, "SMALL", -1)

    def change(rows: spoil.Rows) -> None:
        for position, (_, column, text, _) in enumerate(f for f in FAULTS if f[0] == "values"):
            rows[position + 1][column] = text
        rows.append(dict(rows[40]))

    spoil.edit(folder, "values", change)
    assert published(space, folder) == published(space, folder, full=False)


@pytest.mark.parametrize("full", [True, False])
def test_a_doubled_key_and_wrong_columns_are_faults(
    space: Workspace, folder: Path, monkeypatch: pytest.MonkeyPatch, full: bool
) -> None:
    monkeypatch.setattr(models, "SMALL", -1)
    spoil.edit(folder, "gaps", lambda rows: rows.append(dict(rows[0])))
    found = published(space, folder, full=full)
    first, count = spoil.read(folder, "gaps")[0], len(spoil.read(folder, "gaps"))
    assert [(f.detail, f.subject, f.line) for f in found] == [
        ("key is not unique", f"{first['ingredient_id']}:{first['component']}", count + 1)
    ]
    for table, old, new in (
        ("references", "reference_id", "id"),  # a key without one of its columns
        ("values", ",status,", ",standing,"),
        ("gaps", "ingredient_id,component", "component,ingredient_id"),
    ):
        path = folder / f"{table}.csv"
        path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    told = {
        f.detail
        for f in published(space, folder, full=full)
        if "column" in f.detail or "is missing" in f.detail or "registry" in f.detail or "order" in f.detail
    }
    assert {"reference_id is missing", "status is missing", "standing is not in the registry"} <= told
    assert any("out of order" in t for t in told)


@pytest.mark.parametrize("full", [True, False])
def test_failures_are_capped_for_every_rule_and_column(
    space: Workspace, folder: Path, monkeypatch: pytest.MonkeyPatch, full: bool
) -> None:
    monkeypatch.setattr(models, "SMALL", -1)

    def change(rows: spoil.Rows) -> None:
        for row in rows:
            row.update(value="inf", status="", unit="mcg")

    spoil.edit(folder, "values", change)
    found = published(space, folder, full=full)
    counts = {rule: sum(f.rule == rule for f in found) for rule in {f.rule for f in found}}
    assert len(spoil.read(folder, "values")) > models.CAP
    assert counts == {
        "contract:values.value": models.CAP,
        "contract:values.status": models.CAP,
        "contract:values.unit": models.CAP,
    }


def test_a_parquet_twin_has_the_types_of_the_registry(space: Workspace, folder: Path) -> None:
    path = folder / "values.parquet"
    table = pq.read_table(path)
    place = table.column_names.index("value")
    counted = table.column("value").cast(pa.float64()).fill_null(0).cast(pa.int64(), safe=False)
    pq.write_table(table.set_column(place, "value", counted), path)
    assert [(f.file, f.detail) for f in models.validate_published(folder, space.schemas)] == [
        ("curated/values.parquet", "value has type int64, not double")
    ]


def test_an_unreadable_csv_is_a_finding(space: Workspace, folder: Path) -> None:
    (folder / "values.csv").write_text("a,b\n1\n", encoding="utf-8")
    (folder / "gaps.csv").unlink()
    told = {f.subject: f.detail for f in published(space, folder) if f.subject in ("values", "gaps")}
    assert all("cannot be read" in told[t] for t in ("values", "gaps"))


# maintainer -----------------------------------------------------------------------------------------------------------


def test_maintainer_files_keep_the_contract(checkout: Workspace) -> None:
    assert models.validate_maintainer(checkout.maintainer, checkout.schemas) == []


@pytest.mark.parametrize(
    ("name", "column", "text", "told"),
    [
        ("ingredients", "species", "unicorn", "is not a word of species"),
        ("ingredients", "name", "", "is empty"),
        ("ingredient_foods", "match_quality", "Z", "is not a word"),
        ("ingredient_foods", "ingredient_id", "unicorn", "is not in"),
        ("cited_values", "value", "nan", "is not a finite number"),
        ("cited_values", "component", "XX", "is not in components"),
        ("composites", "share_pct", "101", "is above 100"),
        ("citations", "title", "", "is empty"),
    ],
)
def test_a_fault_of_a_maintainer_file_has_line_and_cure(
    checkout: Workspace, tmp_path: Path, name: str, column: str, text: str, told: str
) -> None:
    folder = tmp_path / "maintainer"
    shutil.copytree(checkout.maintainer, folder)
    spoil.edit(folder, name, lambda rows: rows[2].update({column: text}), restamp=False)
    found = models.validate_maintainer(folder, checkout.schemas)
    assert [f.line for f in found if told in f.detail] == [4]
    with pytest.raises(InputError) as caught:
        models.require(found)
    assert caught.value.exit_status == 2 and f"raw/maintainer/{name}.csv:4" in caught.value.line() and caught.value.cure


def test_what_people_enter_and_what_readers_hand_over_are_both_asked_in_a_build(
    space: Workspace, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A build asks both models, and tells the fault of the maintainer's file first."""
    root = Workspace(spoil.copy(space.root, tmp_path / "root"))
    (root.work / "state.json").unlink()
    entered = Finding("fail", "planted", "planted of people", "mend it", file="raw/maintainer/planted.csv", line=3)
    handed = Finding("fail", "planted", "planted of a reader", "mend it")
    monkeypatch.setattr(models, "validate_handover", lambda *_: [handed])
    for told, found in (
        ("raw/maintainer/planted.csv:3: planted of people (and 1 more) -> mend it", [entered]),
        ("planted: planted of a reader -> mend it", []),
    ):
        monkeypatch.setattr(models, "validate_maintainer", lambda *_, found=found: found)
        with pytest.raises(InputError) as caught:
            build(root, lambda _: None, workbook=False)
        assert caught.value.line() == told


# handover -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def archival(space: Workspace) -> Any:
    """The archival stage of a small root, its large common view made a table so that a test can spoil it."""
    with connect() as con:
        build_archival(con, declared(space), list(committed(space)), space.schemas)
        con.execute('create table "values" as from archival."values"')
        con.execute('drop view archival."values"')
        con.execute('create table archival."values" as from "values"')
        yield con


def test_readers_hand_over_what_the_contract_says(archival: Any, space: Workspace) -> None:
    assert models.validate_handover(archival, space.schemas) == []


@pytest.mark.parametrize(
    ("table", "column", "text", "told"),
    [
        ("foods", "name", "", "is empty"),
        ("foods", "refuse_pct", "101", "is above 100"),
        ("foods", "nitrogen_factor", "inf", "finite"),
        ("components", "name", "", "is empty"),
        ("values", "n", "2.5", "is not a whole number"),
        ("values", "n", "-1", "is not a whole number"),
        ("values", "se", "nan", "is not a finite number"),
        ("values", "min", "Infinity", "is not a finite number"),
        ("values", "max", "1,5", "is not a finite number"),
        ("values", "text", "NaN", "is not what a table publishes"),
        ("values", "line", "", "is empty"),
        ("values", "food_id", "99999", "is not in archival.foods"),
        ("values", "source_component", "9", "is not in archival.components"),
    ],
)
def test_a_fault_of_a_reader_is_named(
    archival: Any, space: Workspace, table: str, column: str, text: str, told: str
) -> None:
    archival.execute(f'update archival."{table}" set "{column}" = nullif(?, \'\') where rowid = 5', [text])
    found = [
        f for f in models.validate_handover(archival, space.schemas) if f.rule == f"contract:archival.{table}.{column}"
    ]
    assert any(told in f.detail and f.scope == "source" for f in found)


def test_wrong_types_are_refused_not_coerced(archival: Any, space: Workspace) -> None:
    archival.execute("alter table archival.foods alter refuse_pct type double using try_cast(refuse_pct as double)")
    assert any("refuse_pct" in f.detail for f in models.validate_handover(archival, space.schemas))


def test_faults_of_a_big_table_are_capped(archival: Any, space: Workspace) -> None:
    archival.execute("update archival.\"values\" set n = 'many'")
    found = models.validate_handover(archival, space.schemas)
    assert len(found) == models.CAP


# awake ----------------------------------------------------------------------------------------------------------------


def test_every_published_and_maintainer_table_has_a_model(checkout: Workspace) -> None:
    fields = registry.fields(checkout.schemas)
    assert {*registry.PUBLISHED, *(f"maintainer.{m}" for m in registry.MAINTAINER)} == set(fields)
    for name, columns in fields.items():
        made = models.model(name, columns, registry.vocabularies(checkout.schemas), {})
        assert list(made.columns) == [f.column for f in columns] and made.strict is True and not made.coerce
        assert all(c.metadata["rule"] == f"contract:{name}.{column}" for column, c in made.columns.items())
        assert all(check.n_failure_cases == models.CAP for c in made.columns.values() for check in c.checks)


@pytest.mark.parametrize(
    "switch",
    [
        {"PANDERA_VALIDATION_ENABLED": "False"},
        {"PANDERA_VALIDATION_DEPTH": "SCHEMA_ONLY"},
        {"PANDERA_VALIDATION_DEPTH": "DATA_ONLY"},
        {},
    ],
    ids=str,
)
def test_no_environment_switch_turns_the_models_into_a_formality(switch: dict[str, str]) -> None:
    """Planted faults must be caught before a pass is believed; pandera reads its switches at import."""
    done = subprocess.run(
        [sys.executable, "-c", "from rawref.registry.models import assert_awake; assert_awake(); print('awake')"],
        cwd=ROOT,
        env={k: v for k, v in os.environ.items() if not k.startswith("PANDERA")} | switch | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    if switch:
        assert done.returncode != 0 and "unset PANDERA_VALIDATION_ENABLED" in done.stderr, done.stdout + done.stderr
    else:
        assert done.stdout == "awake\n", done.stderr


def test_every_status_has_a_letter_of_its_own_and_a_band(checkout: Workspace) -> None:
    """The map says a status by its letter; the picture leaves blank just what no figure stands for."""
    rows = registry.statuses(checkout.schemas)
    assert len({row["letter"] for row in rows}) == len(rows) and all(len(row["letter"]) == 1 for row in rows)
    assert {row["letter"] for row in rows}.isdisjoint("X")  # a figure struck out
    assert {row["status"] for row in rows if row["band"] == "e"} == {"missing", "not_applicable"}
    assert {row["band"] for row in rows if row["evidence"] == "yes"} == {"a", "b"}
