"""The site in a real browser: headless Chromium, driven by Selenium; skipped with a reason where either is absent.

Accessibility rules are those of axe-core 4.14 (tests/assets, MPL-2.0), run over both colour schemes.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import threading
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from rawref.lookup.find import find
from rawref.report import write_site
from rawref.report.serve import server
from rawref.workspace import Workspace

from tests import site_folder

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

SCHEMAS = Path(__file__).parents[1] / "schemas"
AXE = Path(__file__).parent / "assets" / "axe.min.js"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
         "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
         "--hide-scrollbars")
PAGES = ("index.html", "ingredients.html", "table.html", "compare.html#compare=beef-heart,chicken-liver", "gaps.html",
         "catalogue.html", "coverage.html", "coverage/bird.html", "components.html", "component/RETOL.html",
         "quality.html", "drift.html", "sources.html", "dictionary.html", "download.html")
"""A page of each kind."""
LISTS = ("ingredients.html", "table.html", "gaps.html", "catalogue.html", "coverage/bird.html", "component/RETOL.html")
"""Pages that grow with the table: what holds of ten of their rows holds of all."""
pytestmark = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed")


class Browser:
    """A browser window on one site."""

    def __init__(self, driver: webdriver.Chrome, base: str) -> None:
        self.driver, self.base = driver, base

    def visit(self, page: str) -> None:
        """Load a page anew: a mere change of the part after # would not load anything."""
        self.driver.get("about:blank")
        self.driver.get(f"{self.base}/{page}")

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def one(self, selector: str) -> Any:
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[Any]:
        return list(self.driver.find_elements(By.CSS_SELECTOR, selector))

    def press(self, *keys: str) -> None:
        for key in keys:
            self.driver.switch_to.active_element.send_keys(key)

    def window(self, width: int, height: int = 900, *, dark: bool = False) -> None:
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
            "width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {
            "features": [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]})

    def complaints(self) -> list[str]:
        """What the console got since last asked, and every address asked for that is not below the site."""
        said = [entry["message"] for entry in self.driver.get_log("browser")]
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                address = message["params"]["request"]["url"]
                if not address.startswith((self.base, "data:", "about:")):
                    said.append(f"asked for {address}")
        return said

    def visible_rows(self, table: str = "#list") -> list[str]:
        return self.run("return [...document.querySelectorAll(arguments[0] + ' tbody tr')].filter(r => !r.hidden)"
                        ".map(r => r.cells[0].textContent.trim())", table)


def box_text(browser: Browser, chain: Any) -> str:
    """What the cell says, its line in the table and its chain."""
    return str(browser.run("return arguments[0].closest('tbody').textContent", chain))


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    try:
        started = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    except WebDriverException as error:
        pytest.skip(f"chromium does not start here: {str(error.msg).splitlines()[0]}")
    yield started
    started.quit()


@pytest.fixture(scope="module")
def folder(built_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site of the whole table, with a check and a drift result."""
    return site_folder.whole(built_workspace, tmp_path_factory.getbasetemp())[0]


@pytest.fixture(scope="module")
def served(folder: Path, built_workspace: Workspace) -> Iterator[str]:
    with server(folder, built_workspace.built) as running:
        threading.Thread(target=running.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{running.server_address[1]}"
        running.shutdown()


@pytest.fixture
def browser(driver: webdriver.Chrome, served: str) -> Iterator[Browser]:
    """The site over loopback; whatever a test does, the console stays silent and nothing outside is asked for."""
    made = Browser(driver, served)
    made.window(1280)
    made.complaints()
    yield made
    assert made.complaints() == []


@pytest.fixture
def from_disk(driver: webdriver.Chrome, folder: Path) -> Iterator[Browser]:
    """The site opened as files."""
    made = Browser(driver, folder.as_uri())
    made.window(1280)
    made.complaints()
    yield made
    assert made.complaints() == []


@pytest.fixture(scope="module")
def small_folder(built_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site of ten ingredients."""
    base = tmp_path_factory.mktemp("small-site")
    tables = site_folder.small(built_workspace.curated, base / "curated")
    write_site(built_workspace, tables, base / "site", check=site_folder.CHECK, drift=site_folder.DRIFT)
    return base / "site"


@pytest.fixture
def small_site(driver: webdriver.Chrome, small_folder: Path, built_workspace: Workspace) -> Iterator[Browser]:
    with server(small_folder, built_workspace.built) as running:
        threading.Thread(target=running.serve_forever, daemon=True).start()
        yield Browser(driver, f"http://127.0.0.1:{running.server_address[1]}")
        running.shutdown()


def test_the_site_works_from_disk(from_disk: Browser) -> None:
    for page in ("index.html", "ingredient/chicken-liver.html", "compare.html", "catalogue.html", "coverage.html"):
        from_disk.visit(page)
        assert from_disk.one("h1").text and from_disk.complaints() == [], page
        assert from_disk.run("return getComputedStyle(document.querySelector('.top')).display") == "flex"
    from_disk.visit("ingredients.html")
    from_disk.one("input[name=q]").send_keys("chicken liver")
    assert "Chicken, liver, raw" in from_disk.visible_rows()
    from_disk.visit("ingredient/chicken-liver.html#VITD")
    assert from_disk.one("#VITD").is_displayed()


def test_search_filter_and_their_address(browser: Browser) -> None:
    browser.visit("ingredients.html")
    everything = len(browser.visible_rows())
    browser.one("input[name=q]").send_keys("LIVER chick")
    assert browser.visible_rows() == ["Chicken, liver, raw"]
    assert browser.one("[data-hits]").text == f"1 of {everything} ingredients"
    address = browser.driver.current_url
    browser.one("button[type=reset]").click()
    WebDriverWait(browser.driver, 10).until(lambda _: len(browser.visible_rows()) == everything)
    Select(browser.one("select[name=part]")).select_by_value("liver")
    livers = browser.visible_rows()
    assert 3 < len(livers) < 30
    Select(browser.one("select[name=caution]")).select_by_value("avian_influenza")
    birds = browser.visible_rows()
    assert set(birds) < set(livers) and "Chicken, liver, raw" in birds
    browser.one("input[name=q]").send_keys("no such thing")
    assert browser.visible_rows() == [] and browser.one("[data-none]").is_displayed()
    browser.one("[data-clear]").click()
    WebDriverWait(browser.driver, 10).until(lambda _: len(browser.visible_rows()) == everything)
    browser.driver.get("about:blank")
    browser.driver.get(address)
    assert browser.visible_rows() == ["Chicken, liver, raw"]


@pytest.mark.parametrize(("field", "value"), [
    ("species", "cattle"), ("skin", "yes"), ("bone", "yes"), ("kind", "composite"), ("group", "finfish"),
    ("caution", "raw_fish_thiaminase")])
def test_each_filter_keeps_just_what_the_table_says(
        browser: Browser, built_workspace: Workspace, field: str, value: str) -> None:
    browser.visit(f"ingredients.html#{field}={value}")
    rows = site_folder.read(built_workspace.curated, "ingredients")
    with (built_workspace.schemas / "species.csv").open(encoding="utf-8", newline="") as stream:
        groups = {r["species"]: r["species_group"] for r in csv.DictReader(stream)}
    fits: Callable[[dict[str, str]], bool] = {
        "caution": lambda r: value in json.loads(r["cautions"]), "group": lambda r: groups[r["species"]] == value,
    }.get(field, lambda r: r[field] == value)
    expected = {r["ingredient_id"] for r in rows if fits(r)}
    shown = browser.run("return [...document.querySelectorAll('#list tbody tr')].filter(r => !r.hidden)"
                        ".map(r => r.querySelector('a').getAttribute('href'))")
    assert {Path(link).stem for link in shown} == expected and expected


def test_sorting_by_coverage_and_by_amount(browser: Browser) -> None:
    browser.visit("ingredients.html")
    column = "return [...document.querySelectorAll('#list tbody tr')].map(r => r.cells[arguments[0]].dataset.v)"
    head = next(th for th in browser.all("#list thead th") if th.text.startswith("Evidence"))
    for expected in ("descending", "ascending"):
        head.find_element(By.TAG_NAME, "button").click()
        amounts = [int(v) for v in browser.run(column, 5)]
        assert amounts == sorted(amounts, reverse=expected == "descending")
        assert head.get_attribute("aria-sort") == expected
    browser.visit("table/fat_soluble_vitamin.html")
    head = next(th for th in browser.all("#list thead th") if th.text.startswith("Retinol"))
    place = browser.run("return arguments[0].cellIndex", head)
    for reverse in (True, False):
        head.find_element(By.TAG_NAME, "button").click()
        texts = browser.run("return [...document.querySelectorAll('#list tbody tr')]"
                            ".map(r => r.cells[arguments[0]].textContent.trim())", place)
        known = [float(v.strip("()")) for v in texts if re.fullmatch(r"\(?[0-9.]+\)?", v)]
        assert len(known) > 100 and known == sorted(known, reverse=reverse)
        assert not [v for v in texts[:len(known)] if not re.fullmatch(r"\(?[0-9.]+\)?", v)], "unknown is last"


def test_a_deep_link_opens_its_chain_and_no_other(browser: Browser, built: duckdb.DuckDBPyConnection) -> None:
    file, line, status = built.execute(
        """select file, line, status from curated."values"
           where ingredient_id = 'chicken-liver' and component = 'VITD'"""
    ).fetchall()[0]
    browser.visit("ingredient/chicken-liver.html#VITD")
    opened = browser.run("return [...document.querySelectorAll('.cells details[open]')].map(c => c.id)")
    assert opened == ["VITD"]
    chain = browser.one("#VITD")
    box = browser.run("const r = arguments[0].getBoundingClientRect(); return [r.top, innerHeight]", chain)
    assert 0 <= box[0] < box[1], "the chain is on the screen"
    assert file in chain.text and line in chain.text and status.replace("_", " ") in box_text(browser, chain)
    strips = browser.run(
        "return [...document.querySelectorAll('svg.strip')].map(s => [s.closest('tbody').querySelector('details').id,"
        " s.querySelector('.v').getBBox().x + 5, s.querySelector('.end').textContent])")
    shown = dict(built.execute("select component, value from curated.\"values\" where ingredient_id = 'chicken-liver'"
                               ).fetchall())  # fmt: skip
    assert len(strips) > 5
    for component, place, end in strips:  # a diamond stands where its value is on an axis of 144 from 3
        assert place == pytest.approx(3 + 144 * shown[component] / float(end.split()[0]), abs=0.6), component
    browser.driver.get(f"{browser.base}/ingredient/chicken-liver.html#NA")
    assert browser.one("#NA").is_displayed()
    browser.visit("ingredient/chicken-liver.html#no-such-thing")
    assert browser.all("details[open]") == []


def test_one_click_opens_a_chain_and_names_it_in_the_address(browser: Browser) -> None:
    browser.visit("ingredient/beef-liver.html")
    summary = browser.run("return document.querySelector('#RETOL').closest('details').querySelector('summary')")
    browser.run("arguments[0].scrollIntoView({block: 'center'})", summary)
    summary.click()
    assert browser.one("#RETOL").is_displayed()
    assert browser.run("return new Promise(done => setTimeout(() => done(location.hash), 50))") == "#RETOL"


def test_without_the_script_every_figure_stands(browser: Browser, built: duckdb.DuckDBPyConnection) -> None:
    """Amounts, ranges, statuses, foods and lines are in the page; it says that the chains need the script."""
    browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.visit("ingredient/chicken-liver.html#VITD")
        assert browser.one("#VITD").is_displayed() and "line" in browser.one("#RETOL summary").text
        assert "need the script" in browser.one("noscript").text
        assert not browser.one(".tools").is_displayed()
        beside = browser.one("#VITD").find_element(By.XPATH, "ancestor::tbody/tr[1]/td[5]").text
        n, median = built.execute("select n, median from reference.peers where component = 'VITD' and part = 'liver' "
                                  "and species_group = 'bird'").fetchall()[0]
        assert beside == f"{n} comparable, median {median:.4g}"
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_copying_gives_the_published_rows(browser: Browser, built_workspace: Workspace) -> None:
    browser.visit("ingredient/chicken-liver.html")
    browser.run("navigator.clipboard.writeText = text => { window.copied = text; return Promise.resolve(); }")
    browser.one("[data-copy=csv]").click()
    copied = list(csv.DictReader(io.StringIO(browser.run("return window.copied"), newline="")))
    values = site_folder.read(built_workspace.curated, "values")
    published = [r for r in values if r["ingredient_id"] == "chicken-liver"]
    numbers = {"value", "low", "high", "n", "disagreement"}
    for mine, theirs in zip(copied, published, strict=True):
        for column, text in theirs.items():
            if column == "alternatives":  # what was not chosen is in candidates.csv
                assert column not in mine
            elif column in numbers and text:
                assert float(mine[column]) == float(text)
            elif text.startswith("["):
                assert json.loads(mine[column]) == json.loads(text)
            else:
                assert mine[column] == text
    assert browser.one(".said").text == f"{len(published)} rows copied as CSV"
    browser.one("[data-copy=json]").click()
    rows = json.loads(browser.run("return window.copied"))
    assert [r["component"] for r in rows] == [r["component"] for r in published] and isinstance(rows[0]["steps"], list)


def test_the_map_zooms_and_the_arrow_keys_move_in_it(browser: Browser) -> None:
    browser.visit("coverage/bird.html")
    columns = ("return [...document.querySelectorAll('#map thead th')].filter(h => h.offsetParent)"
               ".map(h => h.textContent)")
    assert len(browser.run(columns)) == 52
    Select(browser.one("select[name=columns]")).select_by_value("fatty_acid")
    assert browser.run(columns) == ["Ingredient", "F18D2N6", "F18D3N3", "F20D4N6", "F20D5N3", "F22D6N3"]
    Select(browser.one("select[name=columns]")).select_by_value("TAU")
    assert browser.run(columns) == ["Ingredient", "TAU"]
    Select(browser.one("select[name=columns]")).select_by_value("")
    Select(browser.one("select[name=species]")).select_by_value("turkey")
    names = browser.visible_rows("#map")
    assert names and all("urkey" in name for name in names)
    first = browser.run("return [...document.querySelectorAll('#map tbody tr')].find(r => !r.hidden)"
                        ".cells[1].firstChild")
    browser.run("arguments[0].focus()", first)
    browser.press(Keys.ARROW_RIGHT, Keys.ARROW_DOWN)
    place = browser.run("const a = document.activeElement; return [a.closest('tr').cells[0].textContent,"
                        " a.closest('td').cellIndex, document.querySelectorAll('#map td a[tabindex=\"0\"]').length]")
    assert place == [names[1], 2, 1]
    assert browser.one(".read").text.startswith(f"{names[1]}, Protein")
    browser.press(Keys.ENTER)
    assert browser.driver.current_url.endswith("#PROCNT") and browser.one("#PROCNT").is_displayed()


def test_the_keyboard_alone_suffices(browser: Browser) -> None:
    """From the start page to a chain and back with Tab, Enter, slash and the arrow keys; the focus is always seen."""
    def tab_to(fits: str, limit: int = 80) -> None:
        for _ in range(limit):
            browser.press(Keys.TAB)
            if browser.run(f"const e = document.activeElement; return Boolean({fits})"):
                outline = browser.run("return getComputedStyle(document.activeElement).outlineStyle")
                assert outline != "none", "the focus cannot be seen"
                return
        raise AssertionError(f"no Tab leads to {fits}")

    browser.visit("index.html")
    tab_to("e.classList.contains('skip')", 1)
    tab_to("e.textContent === 'Ingredients'", 4)
    browser.press(Keys.ENTER)
    browser.one("body").send_keys("/")
    assert browser.run("return document.activeElement.name") == "q"
    browser.press("chicken liver")
    tab_to("e.matches('#list tbody a') && e.offsetParent")
    browser.press(Keys.ENTER)
    assert browser.one("h1").text == "Chicken, liver, raw"
    tab_to("e.tagName === 'SUMMARY'", 40)
    browser.press(Keys.ENTER)
    assert browser.run("return document.activeElement.parentNode.open") is True
    tab_to("e.closest('.chain')", 3)
    browser.visit("ingredients.html")
    tab_to("e.classList.contains('sort') && e.textContent.startsWith('Evidence')", 40)
    browser.press(Keys.SPACE)
    assert browser.one("th[aria-sort]").text.startswith("Evidence")


AXE_RUN = ("const [rules, done] = arguments; axe.run(document, {resultTypes: ['violations'], ...rules})"
           ".then(done, e => done({error: String(e)}))")


@pytest.mark.parametrize("page", [*PAGES, "ingredient/chicken-liver.html#VITD"])
def test_no_serious_accessibility_violation(request: pytest.FixtureRequest, page: str) -> None:
    """Every rule in light; in dark the contrast alone, as nothing else differs. Lists stand on a small site."""
    looked: Browser = request.getfixturevalue("small_site" if page in LISTS else "browser")
    looked.window(1280)
    looked.visit(page)
    looked.run(AXE.read_text(encoding="utf-8"))
    looked.run("document.querySelectorAll('details').forEach((d, i) => { if (i < 3) d.open = true; })")
    # twenty rows of a table are like the others
    looked.run("document.querySelectorAll('tbody').forEach(b => [...b.rows].slice(20).forEach(r => r.remove()))")
    for rules in ({}, {"runOnly": ["color-contrast"]}):
        looked.window(1280, dark=bool(rules))
        result = looked.driver.execute_async_script(AXE_RUN, rules)
        assert "error" not in result, result
        serious = [(v["id"], v["impact"], len(v["nodes"]), v["nodes"][0]["html"][:200]) for v in result["violations"]
                   if v["impact"] in ("serious", "critical")]
        assert serious == [], rules


@pytest.mark.parametrize("page", [*PAGES, "ingredient/chicken-liver.html#VITD"])
def test_pages_open_silently_and_fit_the_window(request: pytest.FixtureRequest, page: str) -> None:
    """Nothing is said on the console; nothing but a marked region scrolls sideways; no text is too small to read. Lists
    stand on a small site."""
    browser: Browser = request.getfixturevalue("small_site" if page in LISTS else "browser")
    browser.complaints()
    browser.window(360)
    browser.visit(page)
    assert browser.one("h1").text
    small = browser.run(
        "return [...document.querySelectorAll('main *')].filter(e => !e.closest('svg') && "
        "[...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()) && e.offsetParent && "
        "parseFloat(getComputedStyle(e).fontSize) < 11).slice(0, 3).map(e => e.outerHTML.slice(0, 120))")
    assert small == []
    for width in (360, 1600):
        browser.window(width)
        assert browser.run("return document.documentElement.scrollWidth") <= width
        # what is read row by row stands as blocks; what is read down its columns may scroll in its own region
        assert browser.run(
            "return [...document.querySelectorAll('.scroll')].filter(e => e.querySelector('.stacked') && "
            "e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))") == []
        if pictures := os.environ.get("RAWREF_SCREENSHOTS"):
            name = page.replace("/", "_").replace("#", "-").replace(".html", "")
            browser.driver.save_screenshot(str(Path(pictures) / f"{name}_{width}.png"))
    assert browser.complaints() == []


def test_status_is_told_apart_without_colour(browser: Browser) -> None:
    """The letter, the outline and the words differ, so that a grey print and a screen reader tell statuses apart."""
    browser.visit("coverage/bird.html")
    cells = browser.run("return [...document.querySelectorAll('#map td a')].map(a => [a.textContent,"
                        " a.getAttribute('aria-label'), getComputedStyle(a).borderTopStyle])")
    looks = {letter: style for letter, _, style in cells}
    assert looks["M"] == "solid" and looks["I"] == looks["Z"] == "dashed" and looks["?"] == "dotted"
    said = {letter: {re.findall(r"^[a-z ]*[a-z]", label)[0] for other, label, _ in cells if other == letter}
            for letter in looks}
    assert said["M"] == {"measured"} and said["Z"] == {"assumed zero"} and said["?"] == {"unknown"}
    assert sum(len(found) for found in said.values()) == len(set().union(*said.values())) == len(said)


def test_hostile_texts_do_nothing(
        driver: webdriver.Chrome, built_workspace: Workspace, tmp_path: Path) -> None:
    tables = site_folder.small(built_workspace.curated, tmp_path / "curated", site_folder.HOSTILE)
    write_site(built_workspace, tables, tmp_path / "site", check=site_folder.CHECK, drift=site_folder.DRIFT)
    browser = Browser(driver, (tmp_path / "site").as_uri())
    browser.complaints()
    pages = ["index.html", "ingredients.html", "coverage.html", "coverage/bovine.html", "coverage/bird.html",
             "quality.html", "drift.html", "component/RETOL.html",
             *(f"ingredient/{name}.html#VITD" for name in site_folder.FEW[:6])]
    for page in pages:
        browser.visit(page)
        assert browser.run("return typeof window.hurt") == "undefined", page
        assert browser.complaints() == [], page
    browser.visit("ingredients.html")
    assert set(site_folder.HOSTILE.values()) <= set(browser.run(
        "return [...document.querySelectorAll('#list bdi')].map(b => b.textContent)"))
    browser.one("input[name=q]").send_keys("<script>")
    assert len(browser.visible_rows()) == 2
    formula = site_folder.FEW[list(site_folder.HOSTILE).index("formula")]
    browser.visit(f"ingredient/{formula}.html")
    browser.run("navigator.clipboard.writeText = text => { window.copied = text; return Promise.resolve(); }")
    browser.one("[data-copy=csv]").click()
    rows = list(csv.reader(io.StringIO(browser.run("return window.copied"), newline="")))
    assert not [field for row in rows for field in row if field.startswith(("=", "+", "@"))]
    browser.one("[data-copy=json]").click()
    assert site_folder.HOSTILE["formula"] in {r["food_name"] for r in json.loads(browser.run("return window.copied"))}
    assert browser.complaints() == []


def test_source_foods_are_searched_by_the_same_words(browser: Browser) -> None:
    """`pig` is pork and no pigeon, as in the lists of ingredients."""
    browser.visit("catalogue.html")
    browser.one("input[name=q]").send_keys("pig raw")
    names = [row.text.lower() for row in browser.all("[data-foods] tr")]
    assert len(names) > 20 and all("pork" in name or "pig" in name.split() for name in names)
    assert not any("pigeon" in name for name in names)


def figures(texts: list[str]) -> list[float]:
    return [float(text.split()[0].strip("()")) for text in texts if re.match(r"\(?[0-9.]+", text)]


def test_two_to_four_ingredients_stand_side_by_side(browser: Browser, built_workspace: Workspace) -> None:
    """The figures are those of values.csv; the address keeps the choice; an unknown says so."""
    browser.visit("ingredient/chicken-liver.html")
    browser.one(".tools a[href*='compare.html']").click()
    for at, name in enumerate(("beef-heart", "blue-mussel"), 1):
        Select(browser.all("[data-compare] select")[at]).select_by_value(name)
    assert browser.driver.current_url.endswith("#compare=chicken-liver,beef-heart,blue-mussel")
    heads = browser.run("return [...document.querySelectorAll('.compared thead a')].map(a => a.getAttribute('href'))")
    names = ["chicken-liver", "beef-heart", "blue-mussel"]
    assert [Path(h).stem for h in heads] == names
    shown = browser.run("return [...document.querySelectorAll('.compared tbody tr')].filter(r => r.cells.length > 2)"
                        ".map(r => [...r.cells].map(c => c.textContent.trim()))")
    values = {(r["ingredient_id"], r["component"]): r for r in site_folder.read(built_workspace.curated, "values")}
    components = [r for r in site_folder.read(built_workspace.curated, "components") if r["needed"] == "yes"]
    assert len(shown) == len(components)
    for row, component in zip(shown, components, strict=True):
        for name, text in zip(names, row[1:], strict=True):
            cell = values[name, component["component"]]
            if cell["value"]:
                assert figures([text])[0] == pytest.approx(float(cell["value"]), rel=1e-3), (name, component)
            elif cell["status"] == "missing" and not cell["low"] and not cell["high"]:
                assert text == "unknown"


def test_gaps_are_sorted_and_searched(browser: Browser) -> None:
    browser.visit("gaps.html")
    head = next(th for th in browser.all("#list thead th") if th.text.startswith("Impact"))
    head.find_element(By.TAG_NAME, "button").click()
    texts = browser.run("return [...document.querySelectorAll('#list tbody tr')].map(r => r.cells[2].dataset.v)")
    known = [float(t) for t in texts if t]
    assert known and known == sorted(known, reverse=True) and not any(texts[len(known):]), "no verdict is last"
    browser.one("input[name=q]").send_keys("fish")
    assert len(browser.visible_rows()) < len(texts)


def test_a_table_to_download_is_the_published_one(browser: Browser, built_workspace: Workspace) -> None:
    browser.visit("table.html")
    link = browser.one("a[download][href$='table.csv']").get_attribute("href")
    with urllib.request.urlopen(link, timeout=20) as answer:
        assert answer.read() == (built_workspace.built / "table.csv").read_bytes()


def test_a_link_to_a_rule_opens_it_whatever_a_filter_hides(browser: Browser) -> None:
    browser.visit("quality.html")
    browser.one("form[data-filter=list] input[name=q]").send_keys("no such rule")
    state = "const r = document.getElementById('rule-P01'); return [r.hidden, r.open]"
    assert browser.run(state) == [True, False]
    browser.run("location.hash = '#rule-P01'")
    WebDriverWait(browser.driver, 10).until(lambda _: browser.run(state) == [False, True])
    assert browser.one("form[data-filter=list] input[name=q]").get_attribute("value") == ""


def test_a_print_has_the_page_without_its_tools(browser: Browser) -> None:
    browser.visit("ingredient/chicken-liver.html")
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    try:
        assert not browser.one(".tools").is_displayed() and not browser.one(".top nav").is_displayed()
        assert browser.one(".cells").is_displayed()
        assert browser.run("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


def test_the_search_reads_words_as_the_command_line_does(browser: Browser, built: duckdb.DuckDBPyConnection) -> None:
    """The list shows what `rawref find` finds: both read schemas/search_words.csv; pig is pork and no pigeon."""
    browser.visit("ingredients.html")
    for text in ("pig", "cow heart", "kidneys", "green tripe", "offal", "fish", "shellfish", "iodine supplement"):
        browser.run("const q = document.querySelector('input[name=q]'); q.value = arguments[0];"
                    " q.dispatchEvent(new Event('input', {bubbles: true}))", text)
        found = {row["ingredient_id"] for row in find(built, text, SCHEMAS)["ingredients"]}
        shown = browser.run(
            "return [...document.querySelectorAll('#list tbody tr')].filter(r => !r.hidden)"
            ".map(r => r.querySelector('a').getAttribute('href').split('/').pop().replace('.html', ''))"
        )
        assert set(shown) == found, text


def test_the_start_page_finds_components_and_ingredients(browser: Browser) -> None:
    browser.visit("index.html")
    for text, first in (("vitamin e", "component/TOCPHA.html"), ("eggs", "ingredient/chicken-egg-whole.html")):
        browser.one("input[name=q]").clear()
        browser.one("input[name=q]").send_keys(text)
        assert browser.run("return document.querySelector('[data-results] a').getAttribute('href')") == first
