"""The static site says what the published table says, keeps every text harmless, and is the same bytes every time."""

from __future__ import annotations

import csv
import functools
import hashlib
import json
import os
import random
import re
import shutil
import subprocess
import sys
import threading
import urllib.error
import urllib.request
import zipfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from rawref.database import connect
from rawref.errors import InputError
from rawref.report import words, write_site
from rawref.report.serve import server
from rawref.workspace import Workspace

from tests import site_folder

CELLS, SEED = 500, 20
VOID = {"meta", "link", "input", "br", "img"}


@dataclass
class Element:
    """One element with its attributes, its text and what is in it."""

    tag: str
    attributes: dict[str, str]
    inside: list[Element] = field(default_factory=list)
    own: list[str] = field(default_factory=list)
    order: list[Any] = field(default_factory=list)

    def all(self, tag: str = "", **wanted: str) -> Iterator[Element]:
        """Every element below with this tag, class (`cls`) or id."""
        for child in self.inside:
            classes = child.attributes.get("class", "").split()
            if (not tag or child.tag == tag) and ("cls" not in wanted or wanted["cls"] in classes) and (
                    "id" not in wanted or child.attributes.get("id") == wanted["id"]):
                yield child
            yield from child.all(tag, **wanted)

    @property
    def text(self) -> str:
        """All text in it, in order."""
        return "".join(part if isinstance(part, str) else part.text for part in self.order)


class Tree(HTMLParser):
    """A page as elements; the closing tags of dt and dd may be left out, as HTML allows."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.root = Element("", {})
        self.open = [self.root]
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("dt", "dd") and self.open[-1].tag in ("dt", "dd"):
            self.open.pop()
        made = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].inside.append(made)
        self.open[-1].order.append(made)
        if tag not in VOID:
            self.open.append(made)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        while self.open[-1].tag in ("dt", "dd") and self.open[-1].tag != tag:
            self.open.pop()
        assert self.open[-1].tag == tag, (tag, self.open[-1].tag)
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].own.append(data)
        self.open[-1].order.append(data)


@functools.cache
def tree_of(page: str) -> Element:
    return Tree(page).root


def tree(path: Path) -> Element:
    made = Tree(path.read_text(encoding="utf-8"))
    assert made.open == [made.root], path
    return made.root


@dataclass(frozen=True)
class Site:
    """A written site, what it was written from, and its summary."""

    folder: Path
    tables: Path
    summary: dict[str, Any]

    def pages(self) -> list[Path]:
        return sorted(self.folder.rglob("*.html"))


@pytest.fixture(scope="module")
def site(built_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The site of the whole table, from the working database."""
    return Site(*site_folder.whole(built_workspace, tmp_path_factory.getbasetemp()))


@pytest.fixture(scope="module")
def hostile(built_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Site:
    """A small site from a folder in which every text of others is hostile."""
    base = tmp_path_factory.mktemp("hostile")
    tables = site_folder.small(built_workspace.curated, base / "curated", site_folder.HOSTILE)
    summary = write_site(built_workspace, tables, base / "site", check=site_folder.CHECK, drift=site_folder.DRIFT)
    return Site(base / "site", tables, summary)


def cells_of(page: str) -> dict[str, str]:
    """The cells of an ingredient's page by component, each the source text of its row group."""
    bodies = re.findall(r"<tbody(?: class=\"gap\")?>\n.*?</details></td></tr>\n</tbody>", page, re.DOTALL)
    return {re.findall(r'<details id="([^"]+)">', body)[0]: body for body in bodies}


def embedded(page: str, name: str) -> Any:
    """A document that stands in a page."""
    return json.loads(re.findall(rf'<script type="application/json" id="{name}">(.*?)</script>', page)[0])


def script(folder: Path, name: str) -> Any:
    """A document that stands in a script of the site."""
    return json.loads((folder / "assets" / name).read_text(encoding="utf-8").partition("=")[2].rstrip(";\n"))


def rows_in_page(page: str, site: Path) -> list[dict[str, Any]]:
    """The rows of values.csv that a page holds, as its script unpacks them: texts of the page follow those of all."""
    data = embedded(page, "cells-data")
    texts = script(site, "chain.js")["texts"] + data["words"]
    made = []
    for row in data["rows"]:
        rest = iter(row)
        found = {c: data["same"][c] if c in data["same"] else next(rest) for c in data["columns"]}
        made.append({c: v if v is None or c in data["numeric"] else texts[v] for c, v in found.items()})
    return made


def same(shown: Any, text: str) -> bool:
    """Whether a JSON value of a page is what the CSV field says; lists are compared as lists."""
    if text == "":
        return shown is None
    if isinstance(shown, (int, float)):
        return float(text) == shown
    return bool(shown == text or (text.startswith("[") and json.loads(shown) == json.loads(text)))


def test_500_random_cells_equal_the_published_values(site: Site) -> None:
    published = site_folder.read(site.tables, "values")
    sample = sorted(random.Random(SEED).sample(range(len(published)), CELLS))
    pages: dict[str, str] = {}
    for at in sample:
        row = published[at]
        path = site.folder / "ingredient" / f"{row['ingredient_id']}.html"
        page = pages.setdefault(row["ingredient_id"], path.read_text(encoding="utf-8"))
        cell = Tree(cells_of(page)[row["component"]]).root
        where = f"{row['ingredient_id']} {row['component']}"
        amount = next(iter(cell.all("td"))).text
        if row["value"]:
            shown = amount.removeprefix("≈").split()[0]
            exact = amount.startswith("≈") is False
            assert float(shown) == pytest.approx(float(row["value"]), rel=0 if exact else 5e-3), where
        else:
            assert not re.search("[0-9]", amount), where
            word = "none by nature" if row["status"] == "not_applicable" else "unknown"
            assert ("range only" if row["low"] or row["high"] else word) in amount, where
        assert words.plain(row["status"]) in cell.text
        if row["source"]:
            letter = next(cell.all("summary")).text.split()[0]
            food = next(e.text for e in tree_of(page).all("li", id=f"food-{letter}"))
            assert row["food_name"] in food and f"{row['source']} {row['food_id']}," in food, where
            assert row["line"] in next(cell.all("summary")).text, where
        assert row["confidence"] in cell.text, where
        held = next(r for r in rows_in_page(page, site.folder) if r["component"] == row["component"])
        assert all(same(held[column], text) for column, text in row.items() if column != "alternatives"), where


def test_the_line_of_the_source_ends_the_chain(site: Site, built_workspace: Workspace) -> None:
    """The text is the line itself, read here from the archive by another way: the whole file split at line feeds."""
    with zipfile.ZipFile(built_workspace.raw / "usda-sr28" / "28" / "sr28asc.zip") as archive:
        lines = archive.read("NUT_DATA.txt").decode().split("\n")
    seen = 0
    for name in ("beef-liver", "chicken-liver", "atlantic-mackerel"):
        page = (site.folder / "ingredient" / f"{name}.html").read_text(encoding="utf-8")
        told = embedded(page, "detail-data")["cells"]
        for row in rows_in_page(page, site.folder):
            if row["source"] == "usda-sr28":
                text = told[row["component"]]["text"]
                assert text == lines[int(row["line"]) - 1].rstrip("\r"), (name, row["component"])
                assert text.startswith(f"~{row['food_id']}~^~{row['source_component']}~^{row['source_value']}^")
                seen += 1
    assert seen > 60


def test_shown_gaps_are_the_rows_of_gaps(site: Site) -> None:
    gaps = site_folder.read(site.tables, "gaps")
    expected = {(g["ingredient_id"], g["component"]): g["kind"] for g in gaps}
    shown = {}
    for path in (site.folder / "ingredient").iterdir():
        for component, cell in cells_of(path.read_text(encoding="utf-8")).items():
            marks = re.findall(r'<span class="hole">([^<]+)</span>', cell)
            assert len(marks) < 2
            if marks:
                shown[path.stem, component] = marks[0]
    assert shown == {key: f"gap: {words.plain(kind)}" for key, kind in expected.items()}
    assert site.summary["gaps"] == len(gaps)
    index = tree(site.folder / "index.html")
    assert [e.attributes["data-gaps"] for e in index.all("dd") if "data-gaps" in e.attributes] == [str(len(gaps))]
    maps = "".join(path.read_text(encoding="utf-8") for path in (site.folder / "coverage").iterdir())
    assert sum(int(n) for n in re.findall(r'<b data-gaps="(\d+)">', maps)) == len(gaps)
    assert len(re.findall(r'<td class="g[ "]', maps)) == len(gaps)


def test_a_composite_that_is_unknown_in_part_says_what_a_mix_counts(site: Site) -> None:
    """64 % of a neck is meat and skin (SR28 05084: refuse 36 %), which holds 12 µg of selenium (SR28 05020)."""
    cell = cells_of((site.folder / "ingredient" / "chicken-neck-bone-in.html").read_text(encoding="utf-8"))["SE"]
    told = " ".join(re.sub(r"<[^>]+>", " ", cell).split())
    assert "unknown" in told and "in a mix 7.68 µg count, from the 64 % of it that have a figure" in told


def test_an_unknown_amount_is_never_shown_as_a_number(site: Site) -> None:
    """On the pages of the table: a number, in brackets where a gap stands beside it, a range, or words."""
    values = {(r["ingredient_id"], r["component"]): r for r in site_folder.read(site.tables, "values")}
    holes = {(g["ingredient_id"], g["component"]) for g in site_folder.read(site.tables, "gaps")}
    seen = 0
    for path in (site.folder / "table.html", *sorted((site.folder / "table").iterdir())):
        table = next(tree(path).all("table", id="list"))
        tags = [h.attributes.get("data-tag") for h in next(table.all("thead")).all("th")][1:]
        for row in next(table.all("tbody")).all("tr"):
            ingredient = Path(next(row.all("a")).attributes["href"]).stem
            for tag, cell in zip(tags, (e for e in row.inside if e.tag == "td"), strict=True):
                of = values[ingredient, str(tag)]
                if of["value"]:
                    shown = cell.text.strip("()")
                    assert float(shown) == pytest.approx(float(of["value"]), rel=5e-4)
                    assert cell.text.startswith("(") == ((ingredient, tag) in holes)
                elif of["low"] or of["high"]:
                    assert "–" in cell.text or "unknown" in cell.text
                else:
                    assert cell.text in ("unknown", "none by nature")
                seen += 1
    assert seen == len(values)


def test_the_comparison_says_what_the_table_says(site: Site) -> None:
    """Every cell of compare.js: the published number, a range, or a sign for unknown; never a zero for a blank."""
    data = script(site.folder, "compare.js")
    tags = [c[0] for c in data["components"]]
    shown = {(of[0], tag): text for of in data["ingredients"] for tag, text in zip(tags, of[2], strict=True)}
    published = site_folder.read(site.tables, "values")
    assert len(shown) == len(published)
    for row in published:
        text = shown[row["ingredient_id"], row["component"]]
        if row["value"]:
            assert float(text.strip("()")) == pytest.approx(float(row["value"]), rel=5e-4)
        else:
            assert text in "?-" or ((row["low"] or row["high"]) and not text.replace(".", "").isdigit())


def test_gaps_by_need_are_gaps_and_the_likely_ones_come_first(site: Site, built_workspace: Workspace) -> None:
    gaps = {(g["ingredient_id"], g["component"]) for g in site_folder.read(site.tables, "gaps")}
    needs = {path.stem for path in (built_workspace.maintainer / "needs").glob("*.csv")}
    pages = [site.folder / "gaps.html", *sorted((site.folder / "gaps").iterdir())]
    assert len(pages) == len(needs) > 1
    for path in pages:
        assert "Impact is the chance that" in tree(path).text
        assert "Taurine has" in tree(path).text  # no standard has a minimum for raw food (raw/maintainer/needs)
        shown, rank = [], {"common": 0, "occasional": 1, "rare": 2}
        for row in next(tree(path).all("tbody")).all("tr"):
            file, _, tag = next(row.all("a")).attributes["href"].partition("#")
            assert (Path(file).stem, tag) in gaps
            chance = next(c.attributes["data-v"] for c in row.all("td") if "data-v" in c.attributes)
            shown.append((rank[row.attributes["data-common"]], -float(chance or 0)))
        assert len(shown) > 100 and shown[0][0] == 0 and shown == sorted(shown), path


def test_the_catalogue_holds_each_food_that_may_supply(site: Site) -> None:
    data = script(site.folder, "catalogue.js")
    held = {(data["sources"][f[0]], f[1]): f for f in data["foods"]}
    published = site_folder.read(site.tables, "catalogue")
    assert len(held) == len(data["foods"]) == len(published) - data["left_out"]
    for food in published:
        row = held.get((food["source"], food["food_id"]))
        assert row or food["may_supply_raw"] == "no"
        assert not row or row[2] == food["name"]
    for value in site_folder.read(site.tables, "values"):
        food = held.get((value["source"], value["food_id"]))
        assert not food or value["ingredient_id"] in food[5]


def test_what_cannot_be_held_looks_like_no_evidence(site: Site) -> None:
    """Fibre of vertebrates: neither the map nor the picture paints `not applicable` as a figure or as a blank."""
    page = tree(site.folder / "coverage" / "bird.html")
    cells = [cell for cell in page.all("td") if cell.text.strip() == "N"]
    keys = [k for k in page.all("span") if "key" in k.attributes.get("class", "") and k.text.strip() == "N"]
    assert cells and all(cell.attributes["class"] == "u" for cell in cells)
    assert [k.attributes["class"] for k in keys] == ["key missing"]
    hatched = [d for d in tree(site.folder / "coverage.html").all("path") if d.attributes.get("class") == "n"]
    assert hatched and all(d.attributes["d"].startswith("M") for d in hatched)


def test_the_calibration_of_ceilings_is_told_in_words(site: Site) -> None:
    """Every line of calibration.csv for all components stands on the page, with its cells; no code of ours is shown."""
    told = [r for r in site_folder.read(site.tables, "calibration")
            if r["measure"] == "ceiling" and r["component"] == "*"]
    page = tree(site.folder / "quality.html")
    rows = [[c.text.strip() for c in row.order if c.tag in ("th", "td")] for row in page.all("tr")]
    found = [r for r in rows if len(r) == 3 and r[2].endswith(" %") and r[2][0].isdigit()]
    assert sorted((int("".join(filter(str.isdigit, r[1]))), r[2]) for r in found) == sorted(
        (int(float(r["n"])), f"{100 * float(r['coverage']):.1f} %") for r in told)
    assert len({r[0] for r in found}) == len(told) and not any(r["class"] in {f[0] for f in found} for r in told)
    codes = tuple(f"{r['class'].split()[0]}:" for r in told)
    assert not any(f[0].startswith(codes) for f in found)  # a code that has no words


def test_evidence_without_a_point_is_named_on_the_page_of_a_component(site: Site) -> None:
    """Dots, additions and ingredients with only a range make up the evidence that the page says there is."""
    values, gaps = site_folder.read(site.tables, "values"), site_folder.read(site.tables, "gaps")
    holes = {(g["ingredient_id"], g["component"]) for g in gaps}
    some = 0
    for path in (site.folder / "component").glob("*.html"):
        page = tree(path)
        known = [r for r in values if r["component"] == path.stem and (r["ingredient_id"], path.stem) not in holes
                 and r["status"] != "not_applicable"]  # fmt: skip
        ranges = {r["ingredient_id"] for r in known if not r["value"]}
        lots = list(page.all("details", id="ranges"))
        links = [a for lot in lots for a in lot.all("a")]
        assert {Path(a.attributes["href"].partition("#")[0]).stem for a in links} == ranges, path.stem
        assert len(links) == len(ranges)
        assert all(lot.text.partition(":")[2].strip().startswith(str(len(ranges))) for lot in lots)
        shown = path.read_text(encoding="utf-8")
        dots = len(re.findall(r'<path class="far"', shown))
        dots += sum(d.count("h0") for d in re.findall(r'<path class="dots" d="([^"]*)"', shown))
        additions = sum(int(n) for n in re.findall(r"(\d+) additions?, as supplied", shown))
        assert f"evidence for {len(known)} of" in shown
        if dots:
            assert f"evidence, {dots} in all" in shown
            assert dots + additions + len(ranges) == len(known), path.stem
        some += bool(ranges)
    assert some > 5


def test_counts_on_the_list_equal_the_table(site: Site) -> None:
    published = {r["ingredient_id"]: r for r in site_folder.read(site.tables, "ingredients")}
    asked = Counter(
        v["ingredient_id"] for v in site_folder.read(site.tables, "values") if v["status"] != "not_applicable"
    )
    seen = set()
    for row in next(tree(site.folder / "ingredients.html").all("tbody")).all("tr"):
        ingredient = Path(next(row.all("a")).attributes["href"]).stem
        numbers = [int(cell.attributes["data-v"]) for cell in row.all("td") if "data-v" in cell.attributes]
        r = published[ingredient]
        gaps = int(r["components_missing"])
        assert numbers == [asked[ingredient] - gaps, int(r["components_measured"]), gaps]
        seen.add(ingredient)
    assert seen == set(published)


def test_size(site: Site) -> None:
    sizes = {path: path.stat().st_size for path in site.pages()}
    assert max(sizes.values()) <= 1_000_000
    assert site.summary["pages"] == len(sizes) and site.summary["page_bytes"] == sum(sizes.values())
    assert site.summary["bytes"] == sum(p.stat().st_size for p in site.folder.rglob("*") if p.is_file()) <= 30_000_000


def test_nothing_is_loaded_from_elsewhere_and_every_link_leads_somewhere(site: Site) -> None:
    ids: dict[Path, set[str]] = {}
    wanted: list[tuple[Path, Path, str]] = []
    for path in site.pages():
        page = path.read_text(encoding="utf-8")
        found = re.findall(r'<[^>]* id="([^"]*)"', page)
        ids[path] = set(found)
        assert len(found) == len(ids[path]), f"{path.name}: an id twice"
        assert not re.search(r"<[^>]* (?:style|on[a-z]+)=", page), path
        assert not re.search(r'<(?!a )[^>]* (?:src|href|action|data)="(?:https?:)?//', page), path
        for link in set(re.findall(r'<a [^>]*?href="([^"]*)"', page)):
            if not link.startswith(("https://", "http://")):
                file, _, anchor = link.partition("#")
                wanted.append((path, Path(os.path.normpath(path.parent / file)) if file else path, anchor))
    present = {path for folder in (site.folder, site.tables) for path in folder.rglob("*") if path.is_file()}
    for path, target, anchor in wanted:
        assert target in present, f"{path}: {target}"
        assert not anchor or "=" in anchor or anchor in ids[target], f"{path}: {target.name}#{anchor}"
    css = (site.folder / "assets" / "site.css").read_text(encoding="utf-8")
    assert "url(" not in css and "@import" not in css


def test_index_carries_dataset_metadata(site: Site) -> None:
    """Required and recommended properties after schema.org Dataset as search engines document them."""
    blocks = tree(site.folder / "index.html").all("script")
    block = next(e for e in blocks if e.attributes.get("type") == "application/ld+json")
    data = json.loads(block.text)
    assert data["@type"] == "Dataset" and data["@context"] == "https://schema.org/"
    assert 50 <= len(data["description"]) <= 5000 and data["license"].startswith("https://") and data["isBasedOn"]
    assert {v["propertyID"] for v in data["variableMeasured"]} >= {"TAU", "NA", "RETOL"}
    for file in data["distribution"]:
        body = (site.folder / file["contentUrl"]).read_bytes()
        assert file["sha256"] == hashlib.sha256(body).hexdigest() and file["contentSize"] == f"{len(body)} B"


def test_downloads_are_the_published_bytes(site: Site) -> None:
    """The pages lead to the files where they lie, and repeat none of them."""
    page = tree(site.folder / "download.html")
    offered = {Path(os.path.normpath(site.folder / a.attributes["href"])) for a in page.all("a")
               if "download" in a.attributes}
    assert offered == {p for p in site.tables.iterdir() if p.is_file()}
    for path in offered:
        assert hashlib.sha256(path.read_bytes()).hexdigest() in page.text
    assert not [p for p in site.folder.rglob("*") if p.suffix in (".csv", ".parquet", ".xlsx")]


def test_dictionary_holds_the_whole_registry(site: Site, built_workspace: Workspace) -> None:
    page = tree(site.folder / "dictionary.html").text
    for name, column in (("fields", "description"), ("vocabularies", "code"), ("components", "name"),
                         ("conversions", "id"), ("cautions", "text")):
        with (built_workspace.schemas / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                assert row[column] in page, (name, row[column])


def test_hostile_texts_are_shown_and_do_nothing(hostile: Site) -> None:
    for path in hostile.pages():
        page = tree(path)
        scripts = list(page.all("script"))
        assert {e.attributes.get("type", e.attributes.get("src", "?")) for e in scripts} <= {
            "application/json", "application/ld+json", "assets/site.js", "../assets/site.js", "assets/words.js",
            "../assets/words.js", "assets/chain.js", "../assets/chain.js", "assets/compare.js",
            "assets/catalogue.js", "assets/browse.js"}, path
        assert not list(page.all("img")) and not list(page.all("b", id="hurt"))
        for link in page.all("a"):
            assert not link.attributes.get("href", "").lower().startswith(("javascript", "data:")), path
    listed = tree(hostile.folder / "ingredients.html")
    names = {e.text for e in listed.all("bdi")}
    assert names >= set(site_folder.HOSTILE.values())
    liver = tree(hostile.folder / "ingredient" / f"{site_folder.FEW[0]}.html")
    assert next(liver.all("h1")).text == site_folder.HOSTILE["script"]
    assert all(b.tag == "bdi" for b in next(liver.all("h1")).inside)
    quality = tree(hostile.folder / "quality.html").text
    assert site_folder.HOSTILE["script"] in quality and site_folder.HOSTILE["end"] in quality


def test_the_quality_page_begins_with_what_closes_the_gate(hostile: Site) -> None:
    page = (hostile.folder / "quality.html").read_text(encoding="utf-8")
    first = next(tree(hostile.folder / "quality.html").all("table"))
    assert page.index('id="closing"') < page.index('id="warnings"') < page.index('id="rules"')
    assert [row.text for row in next(first.all("tbody")).all("tr")] == [
        "the proximates sum to 95 to 105 gbeef-liver:WATERsum 140 glook"]
    assert {a.attributes["href"] for a in first.all("a")} == {"#rule-P01", "ingredient/beef-liver.html#WATER"}
    assert 'id="rule-P02"' in page


def test_each_rule_has_an_anchor_and_each_decision_a_row(site: Site, built_workspace: Workspace) -> None:
    ids = {e.attributes.get("id") for e in tree(site.folder / "quality.html").all()}
    with (built_workspace.maintainer / "decisions.csv").open(encoding="utf-8", newline="") as stream:
        assert {f"decision-{row['decision_id']}" for row in csv.DictReader(stream)} <= ids
    assert {f"rule-{rule['id']}" for rule in site_folder.CHECK["rules"]} <= ids


def test_progress_is_told_part_by_part(hostile: Site, built_workspace: Workspace, tmp_path: Path) -> None:
    told: list[str] = []
    write_site(built_workspace, hostile.tables, tmp_path / "site", progress=told.append)
    assert told[0] == "pages: reading the table" and "pages: 10 ingredients" in told


def test_cut_lists_state_the_cut(hostile: Site) -> None:
    quality = tree(hostile.folder / "quality.html")
    shown = len(list(next(quality.all("details")).all("tr"))) - 1
    assert shown < 301 and f"{301 - shown} more in the JSON" in quality.text
    assert any(a.attributes["href"] == "ingredient/beef-liver.html#WATER" for a in quality.all("a"))
    drift = tree(hostile.folder / "drift.html")
    assert any(a.attributes["href"] == "ingredient/beef-liver.html#RETOL" for a in drift.all("a"))
    assert "-100.0 %" in drift.text and "none" in drift.text


def test_pages_are_well_formed(site: Site, hostile: Site) -> None:
    """Every element that must be closed is, in the right order (the parser of this file asserts it)."""
    chosen = [*site.folder.glob("*.html"), *hostile.pages(), *sorted((site.folder / "ingredient").iterdir())[::50]]
    assert all(next(tree(path).all("main")).text for path in chosen)


def test_what_was_not_run_is_said(hostile: Site, built_workspace: Workspace, tmp_path: Path) -> None:
    write_site(built_workspace, hostile.tables, tmp_path / "site")
    assert "No check result came with this report" in tree(tmp_path / "site" / "quality.html").text
    assert "No comparison came with this report" in tree(tmp_path / "site" / "drift.html").text
    write_site(built_workspace, hostile.tables, tmp_path / "site", drift={"summary": {}, "changes": []})
    assert "None: the build equals the accepted table." in tree(tmp_path / "site" / "drift.html").text


def test_a_folder_alone_gives_the_same_cells(site: Site, built_workspace: Workspace, tmp_path: Path) -> None:
    tables = site_folder.small(built_workspace.curated, tmp_path / "curated")
    write_site(built_workspace, tables, tmp_path / "site")
    for name in site_folder.FEW:
        one, other = ((folder / "ingredient" / f"{name}.html").read_text(encoding="utf-8")
                      for folder in (site.folder, tmp_path / "site"))
        assert rows_in_page(one, site.folder) == rows_in_page(other, tmp_path / "site")
        assert "not drawn here" in other and "not drawn here" not in one


def digests(folder: Path) -> dict[str, str]:
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_same_build_gives_the_same_bytes(hostile: Site, built_workspace: Workspace, tmp_path: Path) -> None:
    """Another process, another hash seed, another locale and time zone, and over an older site."""
    again = hostile.folder.parent / "again"  # as far from the published files as the first
    (tmp_path / "results.json").write_text(json.dumps([site_folder.CHECK, site_folder.DRIFT]), encoding="utf-8")
    code = ("import json,sys; from pathlib import Path; from rawref.report import write_site;"
            "from rawref.workspace import Workspace; c, d = json.load(open(sys.argv[4]));"
            "write_site(Workspace(Path(sys.argv[1])), Path(sys.argv[2]), Path(sys.argv[3]), check=c, drift=d)")
    for seed, zone in (("1", "Pacific/Auckland"), ("2", "UTC")):
        subprocess.run(
            [sys.executable, "-c", code, str(built_workspace.root), str(hostile.tables), str(again),
             str(tmp_path / "results.json")],
            check=True, cwd=Path(__file__).parent.parent,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": "C"})
        assert digests(again) == digests(hostile.folder)


@pytest.mark.slow
def test_the_whole_site_gives_the_same_bytes(site: Site) -> None:
    again = site.folder.parent / "again"  # as far from the published files as the first, and from those of its worker
    space = Workspace(site.tables.parents[2])
    assert space.built == site.tables
    with connect(space.database, read_only=True) as con:
        con.execute("set threads = 1")  # the open database of the session is the same one: set it, then put it back
        try:
            write_site(space, con, again, check=site_folder.CHECK, drift=site_folder.DRIFT)
        finally:
            con.execute("reset threads")
    assert digests(again) == digests(site.folder)
    shutil.rmtree(again)


def test_a_folder_that_is_not_a_site_is_left_alone(hostile: Site, built_workspace: Workspace, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(InputError, match="not a site of ours"):
        write_site(built_workspace, hostile.tables, tmp_path / "mine")
    assert (tmp_path / "mine" / "letter.txt").read_text(encoding="utf-8") == "keep"


def test_a_failed_run_leaves_the_old_site(hostile: Site, built_workspace: Workspace, tmp_path: Path) -> None:
    tables = site_folder.small(built_workspace.curated, tmp_path / "curated")
    write_site(built_workspace, tables, tmp_path / "site")
    before = digests(tmp_path / "site")
    (tables / "gaps.csv").unlink()
    with pytest.raises(InputError, match=r"gaps\.csv"):
        write_site(built_workspace, tables, tmp_path / "site")
    found = site_folder.read(hostile.tables, "ingredients")
    assert digests(tmp_path / "site") == before and found
    assert sorted(p.name for p in tmp_path.iterdir()) == ["curated", "site"]


def test_an_id_that_would_leave_the_folder_is_refused(built_workspace: Workspace, tmp_path: Path) -> None:
    tables = site_folder.small(built_workspace.curated, tmp_path / "curated")
    for name in ("ingredients", "values", "gaps", "candidates"):
        path = tables / f"{name}.csv"
        path.write_text(path.read_text(encoding="utf-8").replace("beef-heart,", "../beef-heart,"), encoding="utf-8")
    with pytest.raises(InputError, match="cannot be the name of a page"):
        write_site(built_workspace, tables, tmp_path / "site")
    assert not (tmp_path / "site").exists()


def test_the_server_keeps_to_loopback_and_to_the_folder(hostile: Site) -> None:
    (hostile.folder.parent / "secret.txt").write_text("no", encoding="utf-8")
    with server(hostile.folder, hostile.tables) as running:
        threading.Thread(target=running.serve_forever, daemon=True).start()
        address = f"http://127.0.0.1:{running.server_address[1]}"
        assert running.server_address[0] == "127.0.0.1"
        with urllib.request.urlopen(f"{address}/index.html") as reply:
            assert reply.status == 200 and b"<!doctype html>" in reply.read()
        with urllib.request.urlopen(f"{address}/{hostile.tables.name}/values.csv") as reply:
            assert reply.read() == (hostile.tables / "values.csv").read_bytes()
        for path in ("/../secret.txt", "/%2e%2e/secret.txt", "/data/", "/nothing.html"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(address + path)
            refused.value.close()
            assert refused.value.code == 404
        running.shutdown()
    with pytest.raises(InputError, match="no site here"):
        server(hostile.folder / "data", hostile.tables)


def test_numbers_keep_their_digits_or_say_that_they_do_not() -> None:
    assert [words.number(x) for x in (0.0, 105.0, 0.1, 1e-07, None)] == ["0", "105", "0.1", "1e-07", ""]
    amounts = (3483.09, 100000000.0, 0.18170057424118502, 0.0)
    assert [words.short(x) for x in amounts] == ["3483.09", "100000000", "≈0.182", "0"]
    assert words.span(16.407179677, 17.792820323) == "16.4–17.8"
    assert words.span(1.00001, 1.99999) == "1–2" and words.span(0.0, 0.05) == "0–0.05"
    assert words.span(0.0, None) == "0 to unknown" and words.span(None, None) == ""
    assert words.span(123456.0, 123456.0) == "123400–123500"
    assert [words.share(n, 250) for n in (0, 1, 249, 250)] == ["0 %", "0.4 %", "99.6 %", "100 %"]
    assert [words.share(n, 20_000) for n in (1, 30, 19_999)] == ["<0.1 %", "0.1 %", ">99.9 %"]
    assert words.share(0, 0) == "no cells"


def test_embedded_json_cannot_end_its_element() -> None:
    text = words.embedded({"a": "</script><!--<script>&\u2028"})
    assert not re.search(r"[<>&\u2028]", text) and json.loads(text) == {"a": "</script><!--<script>&\u2028"}


@pytest.mark.parametrize("address", ["javascript:alert(1)", "data:text/html,x", " JaVaScRiPt:x", "//host/x", "", None])
def test_only_web_addresses_become_links(address: str | None) -> None:
    assert words.web(address) == ""
    assert words.web("https://doi.org/10.1/x") == "https://doi.org/10.1/x"
