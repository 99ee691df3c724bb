"""Accept: the situations of the contract's table, version and changelog, and what stays untouched."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import openpyxl
import pytest
from rawref import cli, registry
from rawref.clock import now
from rawref.drift.compare import drift
from rawref.errors import InputError
from rawref.release.accept import LIST_ROWS, Acceptance, accept, next_version, stamped
from rawref.release.build import build, refresh
from rawref.workspace import Workspace
from typer.testing import CliRunner

from tests import spoil

NOVEMBER = "1795600000"  # 2026-11-25 UTC


def quiet(_: str) -> None:
    return None


def take(space: Workspace, reason: str = "test", **more: object) -> Acceptance:
    return accept(space, reason, quiet, workbook=False, **more)  # type: ignore[arg-type]


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", NOVEMBER)


@pytest.fixture(scope="module")
def made(small_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A small root that was built but not published."""
    space = Workspace(spoil.copy(small_workspace.root, tmp_path_factory.mktemp("accept") / "root"))
    shutil.rmtree(space.curated)
    refresh(space, quiet)
    return space


@pytest.fixture
def space(made: Workspace, tmp_path: Path) -> Workspace:
    """A copy of it."""
    return Workspace(spoil.copy(made.root, tmp_path / "root"))


def manifest(folder: Path) -> dict[str, object]:
    found: dict[str, object] = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    return found


def snapshot(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_no_accepted_table_everything_is_added_and_accept_stamps_the_first_version(space: Workspace) -> None:
    assert not (space.curated / "manifest.json").exists()
    found = drift(space)
    assert found["summary"]["added"] == len(found["changes"]) > 0
    result = take(space, "first table")
    assert (result.standing, result.version, result.exit_status) == ("accepted", "2026.11.1", 0)
    document = manifest(space.curated)
    assert (document["version"], document["created"]) == ("2026.11.1", "2026-11-25T09:46:40Z")
    package = json.loads((space.curated / "datapackage.json").read_text(encoding="utf-8"))
    assert (package["version"], package["created"]) == ("2026.11.1", "2026-11-25T09:46:40Z")
    text = (space.curated / "CHANGELOG.md").read_text(encoding="utf-8")
    assert "## 2026.11.1 (2026-11-25)" in text and "Reason: first table" in text and "First accepted version" in text
    assert drift(space)["changes"] == []


def test_a_table_published_without_a_version_counts_as_not_accepted(space: Workspace) -> None:
    assert build(space, quiet, workbook=False).standing == "published"
    assert "version" not in manifest(space.curated)
    assert take(space).standing == "accepted"
    assert manifest(space.curated)["version"] == "2026.11.1"


def test_nothing_to_accept_leaves_every_byte(space: Workspace) -> None:
    take(space)
    before = snapshot(space.curated)
    result = take(space, "again")
    assert (result.standing, result.exit_status, result.version) == ("nothing", 0, "2026.11.1")
    assert snapshot(space.curated) == before


def test_after_accept_a_build_is_equal_and_carries_the_stamp(space: Workspace) -> None:
    take(space)
    outcome = build(space, quiet, workbook=False)
    assert (outcome.standing, outcome.unchanged) == ("equal", True)
    assert (space.built / "manifest.json").read_bytes() == (space.curated / "manifest.json").read_bytes()
    (space.work / "state.json").unlink()  # a build from nothing states the same
    assert build(space, quiet, workbook=False).standing == "equal"
    for name in ("manifest.json", "datapackage.json"):
        assert (space.built / name).read_bytes() == (space.curated / name).read_bytes()


def test_a_build_that_differs_is_published_with_its_changes_by_tier(space: Workspace) -> None:
    take(space, "first")
    row = next(r for r in spoil.read(space.curated, "values") if r["component"] == "ZN" and r["status"] == "measured")
    spoil.set_cell(space.curated, row["ingredient_id"], "ZN", value="55", line="1")
    assert build(space, quiet, workbook=False).standing == "differs"
    result = take(space, "zinc | of\n`liver`")
    assert (result.standing, result.version) == ("accepted", "2026.11.2")
    text = (space.curated / "CHANGELOG.md").read_text(encoding="utf-8")
    assert text.index("## 2026.11.2") < text.index("## 2026.11.1")
    latest = text.partition("## 2026.11.1")[0]
    assert "Reason: zinc \\| of \\`liver\\`" in latest
    assert f"- crosses a requirement: {row['ingredient_id']} ZN: value 55 ->" in latest
    assert "- note: " in latest and "### What happened" in latest and "### Why" in latest
    assert drift(space)["changes"] == []


def test_a_table_that_is_only_described_otherwise_is_accepted_anew(space: Workspace) -> None:
    take(space)
    path = space.schemas / "fields.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("Origin of the value.", "Where it comes from."), "utf-8")
    registry.fields.cache_clear()  # a command reads the registry once
    assert build(space, quiet, workbook=False).standing == "differs"
    result = take(space, "clearer words")
    assert result.standing == "accepted"
    assert {(c["table"], c["cause"]) for c in result.drift["changes"]} == {("datapackage", "rule")}
    assert "Where it comes from." in (space.curated / "datapackage.json").read_text(encoding="utf-8")
    assert build(space, quiet, workbook=False).standing == "equal"


def test_undecided_fail_findings_refuse(space: Workspace) -> None:
    result = take(space, undecided=["Q1 beef-liver:MN"])
    assert (result.standing, result.exit_status, result.undecided) == ("refused", 1, ("Q1 beef-liver:MN",))
    assert not (space.curated / "manifest.json").exists()
    take(space)
    assert take(space, undecided=["Q1 beef-liver:MN"]).standing == "nothing"


def test_a_build_that_breaks_the_models_is_refused_with_the_place(space: Workspace) -> None:
    """What the rules let pass and the registry does not allow: here a match quality that is none."""
    spoil.set_cell(space.built, "beef-liver", "ZN", match_quality="Z")
    result = take(space)
    assert (result.standing, result.exit_status) == ("refused", 1)
    (cell, *twins) = result.undecided
    line = next(
        place
        for place, row in enumerate(spoil.read(space.built, "values"), start=2)
        if (row["ingredient_id"], row["component"]) == ("beef-liver", "ZN")
    )
    assert cell == (
        "contract:values.match_quality beef-liver:ZN: match_quality 'Z' is not a word of match_quality"
        f" (curated/values.csv:{line})"
    )
    assert twins == ["T08 beef-liver:ZN: values.csv: match_quality A became Z"]  # its Parquet twin has what was
    assert not (space.curated / "manifest.json").exists()
    # a finding of the rules comes alone: the models are asked last
    assert take(space, undecided=["Q1 beef-liver:MN"]).undecided == ("Q1 beef-liver:MN",)


def test_a_table_edited_by_hand_is_mended_by_accept_and_told(space: Workspace) -> None:
    take(space)
    path = space.curated / "values.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("measured", "imputed", 1), encoding="utf-8")
    assert take(space, "mended").standing == "accepted"
    text = (space.curated / "CHANGELOG.md").read_text(encoding="utf-8")
    assert "- fault of the former table, now corrected: " in text
    assert drift(space)["changes"] == []


def test_other_files_beside_the_table_stay_and_stale_tables_go(space: Workspace) -> None:
    space.curated.mkdir(exist_ok=True)
    (space.curated / "NOTES.md").write_text("kept", encoding="utf-8")
    (space.curated / "old_table.csv").write_text("a\n", encoding="utf-8")
    take(space)
    assert (space.curated / "NOTES.md").read_text(encoding="utf-8") == "kept"
    assert not (space.curated / "old_table.csv").exists()


@pytest.mark.parametrize("reason", ["", "  \n "])
def test_a_reason_is_asked_for(space: Workspace, reason: str) -> None:
    with pytest.raises(InputError, match="reason is empty"):
        take(space, reason)


def test_no_build_is_told_with_the_cure(tmp_path: Path) -> None:
    space = Workspace(tmp_path)
    with pytest.raises(InputError, match="run rawref build"):
        take(space)


def test_a_failure_leaves_the_accepted_table_and_no_litter(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    take(space)
    before = snapshot(space.curated)
    spoil.set_cell(space.curated, "beef-liver", "ZN", value="55")
    spoilt = snapshot(space.curated)
    monkeypatch.setattr(
        "rawref.published.place.exchange", lambda one, other: (_ for _ in ()).throw(OSError("no space left"))
    )
    with pytest.raises(OSError, match="no space"):
        take(space)
    assert snapshot(space.curated) == spoilt != before
    assert not list(space.work.glob("accept-*")) and not [
        p for p in space.root.iterdir() if p.name.startswith(".curated-")
    ]


def test_the_workbook_is_written_with_the_stamp(space: Workspace) -> None:
    accept(space, "with workbook", quiet)
    book = openpyxl.load_workbook(space.curated / "table.xlsx", read_only=True)
    rows = list(book["read-me"].iter_rows(values_only=True))
    assert ("version", "2026.11.1") in [r[:2] for r in rows]
    assert (space.built / "table.xlsx").read_bytes() == (space.curated / "table.xlsx").read_bytes()
    book.close()


def test_a_workbook_of_the_former_table_does_not_stay(space: Workspace) -> None:
    assert take(space, "first").workbook == "none"
    assert take(space, "again").workbook == "untouched"
    (space.curated / "table.xlsx").write_bytes(b"the former table")
    assert take(space, "again").workbook == "untouched" and (space.curated / "table.xlsx").is_file()
    spoil.set_cell(space.curated, "beef-liver", "ZN", value="55")
    assert take(space, undecided=["Q1 beef-liver:MN"]).workbook == "untouched"
    assert (space.curated / "table.xlsx").is_file()
    assert take(space, "zinc").workbook == "removed"
    assert not (space.curated / "table.xlsx").exists()
    spoil.set_cell(space.curated, "beef-liver", "ZN", value="55")
    assert accept(space, "zinc", quiet).workbook == "written"
    assert (space.curated / "table.xlsx").read_bytes() != b"the former table"


@pytest.mark.parametrize("undecided", [False, True])
def test_the_command_tells_the_worst_and_where_the_rest_is(
    space: Workspace, monkeypatch: pytest.MonkeyPatch, undecided: bool
) -> None:
    """Once accepted, drift shows nothing more: the rest is then in the change log."""
    take(space)
    (space.curated / "table.xlsx").write_bytes(b"the former table")

    def change(rows: spoil.Rows) -> None:
        for row in rows:
            row["reason"] = "another"
            if row["value"]:
                row["value"] = repr(float(row["value"]) * 9)

    spoil.edit(space.curated, "values", change)
    found = [{"rule": "Q1", "subject": "beef-liver:MN", "detail": "planted"}] if undecided else []
    monkeypatch.setattr("rawref.checks.run.closing", lambda _: found)
    done = CliRunner().invoke(cli.app, ["--root", str(space.root), "accept", "--reason", "x", "--no-workbook"])
    assert done.exit_code == undecided, done.output
    flat = " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 80 and len(done.stdout.splitlines()) < 70
    assert "more of these; " in flat and "Take it over" not in flat
    assert ("curated/table.xlsx is removed" in flat) != undecided
    assert ("See rawref drift." in flat) == undecided
    assert ("curated/CHANGELOG.md; all of it: curated/changes.tsv" in flat) != undecided
    assert ("git tag table-2026.11.2" in flat) != undecided
    assert (space.curated / "table.xlsx").is_file() == undecided


@pytest.mark.parametrize(
    ("used", "version"),
    [
        ([], "2026.11.1"),
        (["2026.11.1", "2026.11.9", "2026.11.10"], "2026.11.11"),
        (["2026.10.7", "2025.11.3", ""], "2026.11.1"),
    ],
)
def test_versions_count_within_the_month(used: list[str], version: str) -> None:
    assert next_version(now(), used) == version


@pytest.mark.parametrize("epoch", ["soon", "-1", "1.5", ""])
def test_a_bad_epoch_is_refused(epoch: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
    with pytest.raises(InputError, match="SOURCE_DATE_EPOCH"):
        now()


def test_a_new_stamp_replaces_the_old_in_its_place() -> None:
    document = {"contract_version": "1", "version": "a", "created": "b", "sources": []}
    assert list(stamped(document, "contract_version", {"version": "c", "created": "d"}).items()) == [
        ("contract_version", "1"),
        ("version", "c"),
        ("created", "d"),
        ("sources", []),
    ]


def _git(space: Workspace, *arguments: str) -> None:
    who = ("-c", "user.name=t", "-c", "user.email=t@example.org", "-c", "commit.gpgsign=false")
    subprocess.run(["git", "-C", str(space.root), *who, *arguments], check=True, capture_output=True)


def _take_back(space: Workspace) -> None:
    """The table as if it had never been accepted here: git checkout of an older commit, and a build from nothing."""
    shutil.rmtree(space.curated)
    shutil.rmtree(space.built)
    (space.work / "state.json").unlink(missing_ok=True)
    build(space, quiet, workbook=False)


def test_a_number_that_was_given_out_is_never_given_again(space: Workspace) -> None:
    """By a tag, by a commit whose table was taken back since, by the folder of this checkout: each takes a number."""
    take(space)
    _git(space, "init", "-q")
    _git(space, "add", "curated/CHANGELOG.md", "curated/manifest.json")
    _git(space, "commit", "-q", "-m", "table")
    (space.work / "accepted-versions").unlink()
    _take_back(space)
    assert take(space, "again").version == "2026.11.2"  # 1 is committed
    _take_back(space)
    assert take(space, "again").version == "2026.11.3"  # 2 was given out here
    (space.work / "accepted-versions").unlink()
    _git(space, "tag", "table-2026.11.41")
    spoil.set_cell(space.curated, "beef-liver", "ZN", value="55")
    assert take(space, "again").version == "2026.11.42"


def test_the_entry_is_prose_of_at_most_forty_lines_and_the_full_list_has_every_row(space: Workspace) -> None:
    take(space)

    def change(rows: spoil.Rows) -> None:
        for row in rows:
            if row["value"]:
                row["value"], row["low"], row["line"] = repr(float(row["value"]) * 9), "0", "1"

    spoil.edit(space.curated, "values", change)
    result = take(space, "many")
    latest = (space.curated / "CHANGELOG.md").read_text(encoding="utf-8").partition("## 2026.11.1 ")[0]
    assert len(latest.partition("## 2026.11.2")[2].splitlines()) <= 40
    assert "(changes.tsv)" in latest and " more (" in latest and "### Why" in latest
    text = (space.curated / "changes.tsv").read_text(encoding="utf-8").splitlines()
    told = sum(1 + sum(len(m["fields"]) or 1 for m in c.get("members", ())) for c in result.drift["changes"])
    assert len(text) == min(told, LIST_ROWS) + 1 + (told > LIST_ROWS)
    assert len({line.count("\t") for line in text if not line.startswith("#")}) == 1


def _rename(space: Workspace, old: str, new: str) -> None:
    """The id in every file that people enter, and nothing else."""
    for path in sorted(space.maintainer.glob("*.csv")):
        text = path.read_text(encoding="utf-8")
        path.write_text(re.sub(rf"(?<![a-z0-9-]){old}(?![a-z0-9-])", new, text), encoding="utf-8", newline="\n")


def test_an_id_that_goes_leaves_a_row_and_a_rename_is_no_change(space: Workspace) -> None:
    take(space)
    _rename(space, "beef-liver", "cattle-liver")
    build(space, quiet, workbook=False)
    with pytest.raises(InputError, match="'beef-liver' of the accepted table is gone") as caught:
        take(space)
    assert "ingredient_aliases.csv" in caught.value.line()
    aliases = space.maintainer / "ingredient_aliases.csv"
    heading = aliases.read_text(encoding="utf-8")
    aliases.write_text(heading + "beef-liver,cattle-liver,renamed,2026.11.1,\n", encoding="utf-8")
    build(space, quiet, workbook=False)
    found = drift(space)["summary"]
    assert (found["renamed"], found["added"], found["removed"], found["changed"]) == (1, 0, 0, 0)
    assert take(space).standing == "accepted"
    aliases.write_text(heading + "cattle-liver,chicken-liver,renamed,2026.11.1,\n", encoding="utf-8")
    with pytest.raises(InputError, match="'cattle-liver' is the id of an ingredient"):
        build(space, quiet, workbook=False)
