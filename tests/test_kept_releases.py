"""Which release a build reads: the committed one, a newer one that was fetched, or the one that is asked for."""

from __future__ import annotations

import gzip
import hashlib
import json
import shutil
from pathlib import Path

import pytest
from rawref.errors import InputError
from rawref.fetch.decide import fetch
from rawref.release.accept import accept
from rawref.release.build import present_releases, refresh
from rawref.sources import committed, content, declared, issued_name
from rawref.workspace import Workspace

from tests import oracle
from tests.rebuild import small_root
from tests.test_fetch import foundation

FDC = "usda-fdc"


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    """The committed sources and their declarations, without anything else of a checkout."""
    root = tmp_path / "root"
    shutil.copytree(oracle.ROOT / "raw", root / "raw")
    shutil.copytree(oracle.ROOT / "schemas", root / "schemas", ignore=shutil.ignore_patterns("__pycache__"))
    return Workspace(root)


def read(space: Workspace) -> dict[str, tuple[str, str, bool]]:
    return {r.source: (r.release, r.standing, r.in_repository) for r in present_releases(space)}


def ask(space: Workspace, release: str) -> None:
    path = space.raw / "sources.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(f'id = "{FDC}"\n', f'id = "{FDC}"\nuse = "{release}"\n', 1), encoding="utf-8")


def test_a_clone_has_four_national_tables_and_the_cited_records(checkout: Workspace) -> None:
    """SR28 is public domain, Foundation Foods CC0; Ciqual and MEXT may be kept with the source named."""
    assert {r.source: r.release for r in committed(checkout)} == {
        "usda-sr28": "28", FDC: "2025-04-24", "anses-ciqual": "2020", "mext": "2020", "maintainer": "1"}
    said = {source.id: source.attribution for source in declared(checkout)}
    assert said["anses-ciqual"] == "Anses. 2020. Ciqual French food composition table. https://ciqual.anses.fr/"
    assert "Standard Tables of Food Composition in Japan 2020 (Eighth Revised Edition)" in said["mext"]
    readme = (checkout.root / "README.md").read_text(encoding="utf-8")
    for source in ("usda-sr28", FDC, "anses-ciqual", "mext"):
        assert said[source] in readme, source


def test_a_compressed_file_is_that_of_its_publisher(checkout: Workspace) -> None:
    (release,) = committed(checkout, {"anses-ciqual": "2020"})
    (path,) = release.files
    assert path.suffix == ".gz" and issued_name(path) == "Table Ciqual 2020_ENG_2020 07 07.xls"
    body = gzip.decompress(path.read_bytes())
    assert content(path) == body and len(body) == 3_632_640
    assert hashlib.sha256(body).hexdigest() == "fa79f3d3b62babab70855588844ff7fc94ca41101bb6101fa2c4cf9b5f9704a8"


def test_a_fetched_release_is_read_only_where_it_is_newer_or_asked_for(space: Workspace, tmp_path: Path) -> None:
    assert read(space)[FDC] == ("2025-04-24", "declared", True)
    (entry,) = fetch(space, [FDC], origin=foundation(tmp_path, "2020-01-01")).entries
    assert read(space)[FDC] == ("2025-04-24", "declared", True)
    assert "a build reads 2025-04-24" in entry.note and 'use = "2020-01-01"' in entry.note
    ask(space, "2020-01-01")
    assert read(space)[FDC] == ("2020-01-01", "undeclared", False)
    shutil.rmtree(space.pinned / FDC)
    with pytest.raises(InputError, match="asks for release 2020-01-01, which is not at hand"):
        present_releases(space)


def test_a_newer_release_takes_the_place_of_the_committed_one(space: Workspace, tmp_path: Path) -> None:
    (entry,) = fetch(space, [FDC], origin=foundation(tmp_path, "2031-05-01")).entries
    assert entry.note == "" and read(space)[FDC] == ("2031-05-01", "undeclared", False)
    ask(space, "2025-04-24")
    assert read(space)[FDC] == ("2025-04-24", "declared", True)


def test_the_committed_file_is_not_pinned_a_second_time(space: Workspace) -> None:
    (release,) = committed(space, {FDC: "2025-04-24"})
    (entry,) = fetch(space, [FDC], origin=release.files[0]).entries
    assert (entry.release, entry.state) == ("2025-04-24", "in the repository") and "holds the same" in entry.note
    assert not (space.pinned / FDC).exists()


def test_accept_refuses_what_no_clone_could_have(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795600000")
    space = Workspace(small_root(tmp_path / "root"))
    refresh(space, lambda _: None)
    manifest = space.built / "manifest.json"
    document = json.loads(manifest.read_text(encoding="utf-8"))
    source = next(s for s in document["sources"] if s["id"] == FDC)
    for release, told in (("2031-05-01", "not declared"), ("2024-10-31", "")):
        source.update(present=True, release=release, date=release, standing="")
        manifest.write_text(json.dumps(document), encoding="utf-8")
        result = accept(space, "test", lambda _: None, workbook=False)
        if told:
            assert result.standing == "refused" and not (space.curated / "manifest.json").exists()
            (line,) = result.undecided
            assert told in line and "raw/usda-fdc/2031-05-01/" in line and "SHA-256 and address" in line
        else:  # declared with digest and address: another clone fetches it
            assert result.standing == "accepted"
