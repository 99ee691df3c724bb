"""The descriptor: valid for frictionless, true of the files, and without a key that nobody knows."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pyarrow.parquet as pq
import pytest
from rawref.fetch.decide import fetch
from rawref.published.descriptor import WORKBOOK, with_workbook
from rawref.published.export import WIDE
from rawref.published.workbook import write_workbook
from rawref.registry import PUBLISHED, fields
from rawref.release.build import refresh
from rawref.workspace import Workspace

from tests import spoil
from tests.rebuild import small_root
from tests.test_fetch import foundation

frictionless = pytest.importorskip("frictionless")
TABLES = (*PUBLISHED, *WIDE)


@pytest.fixture(scope="module")
def folder(small_workspace: Workspace) -> Path:
    return small_workspace.curated


@pytest.fixture(scope="module")
def descriptor(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def ours(checkout: Workspace) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((checkout.schemas / "datapackage.schema.json").read_text(encoding="utf-8"))
    return found


def report(folder: Path) -> list[str]:
    with frictionless.system.use_context(trusted=True):
        found = frictionless.validate(str(folder / "datapackage.json"), limit_errors=20)
    return [e.message for e in found.errors] + [f"{t.name}: {e.message}" for t in found.tasks for e in t.errors]


def test_frictionless_finds_nothing(folder: Path) -> None:
    """Keys, foreign keys, types, constraints, bytes and hash of every resource (frictionless 5.21)."""
    assert report(folder) == []


@pytest.mark.parametrize(
    ("table", "change", "told"),
    [
        ("values", {"value": "-1"}, "minimum"),
        ("values", {"status": "guessed"}, "enum"),
        ("values", {"value": "many"}, "number"),
        ("gaps", {"component": "XX"}, "foreign"),
        ("ingredients", {"name": ""}, "required"),
    ],
)
def test_frictionless_sees_a_fault_that_was_restamped(
    folder: Path, tmp_path: Path, table: str, change: dict[str, str], told: str
) -> None:
    spoilt = spoil.copy(folder, tmp_path / "curated")
    spoil.edit(spoilt, table, lambda rows: rows[2].update(change))
    assert any(told in line.lower() for line in report(spoilt)), report(spoilt)


def test_frictionless_sees_another_byte(folder: Path, tmp_path: Path) -> None:
    spoilt = spoil.copy(folder, tmp_path / "curated")
    spoil.edit(spoilt, "references", lambda rows: rows[0].update(title="another"), restamp=False)
    assert report(spoilt)


def test_descriptor_has_only_known_keys(descriptor: dict[str, Any], ours: dict[str, Any]) -> None:
    jsonschema.Draft202012Validator.check_schema(ours)
    jsonschema.validate(descriptor, ours, jsonschema.Draft202012Validator)
    assert [r["name"] for r in descriptor["resources"]] == [*PUBLISHED, *WIDE, *(f"{n}-parquet" for n in TABLES)]


def test_every_path_resolves(descriptor: dict[str, Any], folder: Path) -> None:
    assert all((folder / r["path"]).is_file() for r in descriptor["resources"])
    assert {r["path"] for r in descriptor["resources"]} == {
        p.name for p in folder.iterdir() if p.suffix in (".csv", ".parquet")
    }


def test_a_parquet_file_says_what_it_is(folder: Path, checkout: Workspace) -> None:
    """Licence, units by column as the registry has them, and the digest that manifest.json states of its CSV twin."""
    content = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["content"]
    for name in TABLES:
        told = {k.decode(): v.decode() for k, v in pq.read_metadata(folder / f"{name}.parquet").metadata.items()}
        assert told["licence"].startswith("CC0-1.0") and told["csv_sha256"] == content[name]
        units = json.loads(told["units"])
        assert set(units) <= set(pq.read_schema(folder / f"{name}.parquet").names)
        if name == "table":
            assert units["NA_mg"] == "mg" and units["ENERC_KCAL"] == "kcal"
        elif name in PUBLISHED:
            assert units == {f.column: f.unit for f in fields(checkout.schemas)[name] if f.unit}


def test_lists_are_lists_in_parquet(folder: Path, checkout: Workspace) -> None:
    """As the Parquet specification has them (LogicalTypes.md, LIST), and with the content of the JSON in the CSV."""
    seen = 0
    for name in PUBLISHED:
        names = [f.column for f in fields(checkout.schemas)[name] if f.type == "list"]
        held = pq.read_table(folder / f"{name}.parquet", columns=names)
        texts = spoil.read(folder, name)
        for column in names:
            assert str(held.schema.field(column).type) == "list<element: string>", (name, column)
            assert held.column(column).to_pylist() == [json.loads(row[column]) for row in texts], (name, column)
            seen += any(held.column(column).to_pylist())
    assert seen > 5


def test_a_workbook_is_named_where_there_is_one(
    folder: Path, descriptor: dict[str, Any], ours: dict[str, Any], tmp_path: Path
) -> None:
    named = with_workbook(descriptor, there=True)
    jsonschema.validate(named, ours, jsonschema.Draft202012Validator)
    assert named["resources"][-1] == WORKBOOK and with_workbook(named, there=False) == descriptor
    copied = spoil.copy(folder, tmp_path / "curated")
    write_workbook(copied, copied / "table.xlsx", Workspace(folder.parent).schemas)
    (copied / "datapackage.json").write_text(json.dumps(named), encoding="utf-8")
    assert report(copied) == []


def test_an_undeclared_release_is_named_by_what_it_is(tmp_path: Path, ours: dict[str, Any]) -> None:
    """The declared attribution of FoodData Central says October 2024: it must not stand for a release of 2031."""
    space = Workspace(small_root(tmp_path / "root"))
    foods = space.maintainer / "ingredient_foods.csv"  # the archive has one food, and no ingredient is mapped to it
    kept = [line for line in foods.read_text(encoding="utf-8").split("\n") if ",usda-fdc," not in line]
    foods.write_text("\n".join(kept), encoding="utf-8", newline="\n")
    fetch(space, ["usda-fdc"], origin=foundation(tmp_path, "2031-05-01"))
    refresh(space, lambda _: None)
    manifest, package = (
        json.loads((space.built / name).read_text(encoding="utf-8")) for name in ("manifest.json", "datapackage.json")
    )
    entry = next(s for s in manifest["sources"] if s["id"] == "usda-fdc")
    assert (entry["release"], entry["standing"]) == ("2031-05-01", "undeclared")
    assert "2031-05-01" in entry["attribution"] and "2024" not in entry["attribution"]
    assert "Agricultural Research Service" in entry["attribution"]
    assert [(s["title"], s["version"]) for s in package["sources"]] == [
        (s["attribution"], s["release"]) for s in manifest["sources"] if s["present"]
    ]
    jsonschema.validate(package, ours, jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    "path", [("licences",), ("resources", 0, "hsh"), ("resources", 0, "schema", "primarykey"), ("version",)]
)
def test_a_misspelt_or_lonely_key_is_refused(
    descriptor: dict[str, Any], ours: dict[str, Any], path: tuple[Any, ...]
) -> None:
    spoilt = copy.deepcopy(descriptor)
    place = spoilt
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = "2026.11.1"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoilt, ours, jsonschema.Draft202012Validator)
