"""The static site: pages from templates, the published files beside them, all put in place in one step.

The same build gives the same bytes: no clock, no machine, no order that a hash decides.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from rawref import __version__, registry
from rawref.errors import InputError, InternalError
from rawref.files import alone, exchange, sweep
from rawref.lookup.impact import ASSUMPTIONS, gap_impact
from rawref.lookup.words import text_of
from rawref.needs.profile import DEFAULT_NEED, load_need, need_names
from rawref.published.export import digest
from rawref.registry.units import shown_unit
from rawref.report import drawings, views, words
from rawref.report.lines import source_lines
from rawref.report.tables import Tables, read
from rawref.workspace import Workspace

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent
PAGE_LIMIT = 1_000_000
MARKER = "rawref-site.txt"
"""Stands in every site of ours; a folder without it is not replaced."""
ELSEWHERE = ("alternatives",)
"""Columns of `values` that a page leaves to candidates.csv."""
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
TYPES = {".csv": "text/csv", ".parquet": "application/vnd.apache.parquet", ".json": "application/json",
         ".md": "text/markdown",
         ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
PAGES = (
    ("ingredients.html", "Ingredients"), ("table.html", "Table"), ("compare.html", "Compare"),
    ("gaps.html", "Gaps"), ("coverage.html", "Coverage map"),
    ("components.html", "Components"),
    ("quality.html", "Quality"), ("drift.html", "Drift"), ("sources.html", "Sources"),
    ("catalogue.html", "Source foods"),
    ("dictionary.html", "Dictionary"), ("download.html", "Download"),
)


def write_site(
    workspace: Workspace, origin: duckdb.DuckDBPyConnection | Path, out: Path, *,
    check: Mapping[str, Any] | None = None, drift: Mapping[str, Any] | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> dict[str, Any]:
    """Write the site of one build to `out`, replacing an older site there in one step.

    `origin` is an open working database, or a folder of published tables (then comparable foods are known only where a
    gap states them). `check` and `drift` are the result objects of those commands, or None where they were not run: the
    pages say so. `progress` is called with a line for each part of the work.
    Returns the summary: pages, bytes, largest page, ingredients, cells, gaps.
    Raises InputError where a table is missing or `out` holds something else, and leaves `out` as it was.
    """
    out = out.resolve()
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / MARKER).is_file())):
        raise InputError("this is not a site of ours, so it is not replaced", workspace.relative(out),
                         "name another folder, or remove this one")
    progress("pages: reading the table")
    tables = read(workspace, origin)
    out.parent.mkdir(parents=True, exist_ok=True)
    with alone(out.parent):  # also where no build lock is held, beside a published table
        sweep(out.parent, (f".{out.name}-*",), out)
        fresh = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
        try:
            fresh.chmod(0o755)
            summary = _Writer(workspace, tables, fresh, out, check, drift, progress).write()
            exchange(fresh, out)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    return summary


class _Writer:
    """One run: holds the templates and counts what it writes."""

    def __init__(self, workspace: Workspace, tables: Tables, folder: Path, out: Path,
                 check: Mapping[str, Any] | None, drift: Mapping[str, Any] | None,
                 progress: Callable[[str], None]) -> None:
        self.workspace, self.tables, self.folder = workspace, tables, folder
        self.data = Path(os.path.relpath(tables.folder, out)).as_posix()
        """Where the published files lie, as seen from the start page."""
        self.check, self.drift, self.progress = check, drift, progress
        self.vocabularies = registry.vocabularies(workspace.schemas)
        self.cautions = {r["code"]: r for _, r in registry.read_csv(
            workspace.schemas / "cautions.csv", "schemas/cautions.csv")}
        self.pages: dict[str, int] = {}
        self.environment = self._environment()

    def _environment(self) -> Environment:
        made = Environment(loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined,
                           trim_blocks=True, lstrip_blocks=True, auto_reload=False)
        made.filters.update(number=words.number, short=words.short, plain=words.plain, count=words.count,
                            size=words.size, web=words.web, rounded=words.rounded, unit=shown_unit, cut=words.cut,
                            micro=words.micro, embedded=words.embedded)
        made.globals.update(span=words.span, exact_span=words.exact_span, share=words.share, bar=drawings.bar,
                            letters=self.tables.letters, pages=PAGES, program_version=__version__,
                            stamp=self.tables.stamp,
                            vocabularies=self.vocabularies, cautions=self.cautions,
                            component_total=len(self.tables.components),
                            found_by=lambda row: text_of(row, self.workspace.schemas))
        return made

    def write(self) -> dict[str, Any]:
        """Every page, the assets and the files for download; what was written."""
        t = self.tables
        self.progress("pages: table, comparison, gaps, source foods")
        for name in (*t.cells, *(c["component"] for c in t.components)):
            if not SAFE_NAME.fullmatch(name):
                raise InputError(f"id {name!r} cannot be the name of a page", "ingredients.csv",
                                 "use letters, digits, hyphens")
        shutil.copytree(HERE / "assets", self.folder / "assets")
        self._asset("words.js", "rawrefWords", views.search_words(t, self.workspace.schemas))
        downloads = self._downloads()
        all_cells = [cell for cells in t.cells.values() for cell in cells]
        status_words = self.vocabularies["status"]
        statuses = views.status_counts(all_cells, status_words, t.bands)
        gap_kinds = views.gap_counts(all_cells, self.vocabularies["gap_kind"])
        self._page(
            "index.html", "index.html", tables=t, statuses=statuses, gap_kinds=gap_kinds, cells=len(all_cells),
            gaps=sum(gap_kinds.values()), asked=len(views.can_hold(all_cells)),
            stack=drawings.stack(((t.bands.get(s, drawings.BLANK), n) for s, n in statuses.items()),
                                 drawings.said_of(statuses)),
            thinnest=views.thinnest(t), dataset=views.dataset(t, downloads, status_words, self.data),
            caution_counts=self._caution_counts(), bands=t.bands,
        )
        asked_of = {name: len(views.can_hold(cells)) for name, cells in t.cells.items()}
        self._page("ingredients.html", "ingredients.html", tables=t, choices=self._choices(), asked_of=asked_of)
        self._table_pages()
        self._asset("compare.js", "rawrefCompare", views.compared(t))
        self._page("compare.html", "compare.html", home=self.data)
        self._gap_pages()
        found = views.catalogue(t)
        self._asset("catalogue.js", "rawrefCatalogue", found)
        self._page("catalogue.html", "catalogue.html", v=found, home=self.data)
        self.progress(f"pages: {len(t.ingredients)} ingredients")
        self._ingredient_pages()
        self.progress("pages: coverage, components, quality")
        self._coverage_pages()
        overview = []
        for of in t.components:
            view = views.component(t, of, self.vocabularies["gap_kind"])
            overview.append(view)
            self._page("component.html", f"component/{of['component']}.html", root="../", current="components.html",
                       v=view, table=self._table_name(of["group"]), before=self._neighbour(of, -1),
                       after=self._neighbour(of, 1))
        self._page("components.html", "components.html", views=overview)
        self._page("quality.html", "quality.html", v=views.quality(t, self.check))
        self._page("drift.html", "drift.html", v=views.drift(t, self.drift))
        self._page("sources.html", "sources.html", sources=views.sources(t), from_database=t.from_database)
        self._page("dictionary.html", "dictionary.html", v=views.dictionary(self.workspace.schemas))
        self._page("download.html", "download.html", downloads=downloads, home=self.data)
        (self.folder / MARKER).write_text("A site written by rawref report; the next run replaces this folder.\n",
                                          encoding="utf-8", newline="\n")
        everything = [path for path in self.folder.rglob("*") if path.is_file()]
        largest = max(self.pages, key=lambda name: (self.pages[name], name))
        return {
            "published": self.workspace.relative(t.folder),
            "pages": len(self.pages), "page_bytes": sum(self.pages.values()),
            "bytes": sum(path.stat().st_size for path in everything), "files": len(everything),
            "largest_page": largest, "largest_page_bytes": self.pages[largest],
            "ingredients": len(t.ingredients), "cells": len(all_cells), "gaps": sum(gap_kinds.values()),
        }

    def _asset(self, name: str, variable: str, document: Any) -> None:
        """Data that scripts of several pages read, as a script: a page from a disk may not fetch a file."""
        (self.folder / "assets" / name).write_text(f"window.{variable}={words.embedded(document)};\n",
                                                   encoding="utf-8", newline="\n")

    def _page(self, template: str, name: str, *, root: str = "", current: str = "", **context: Any) -> None:
        text = self.environment.get_template(template).render(root=root, current=current or name, **context)
        body = text.encode("utf-8")
        if len(body) > PAGE_LIMIT:
            raise InternalError(f"page {name} has {len(body)} bytes, the limit is {PAGE_LIMIT}", name,
                                "show less on it or split it")
        path = self.folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(body)
        self.pages[name] = len(body)

    def _downloads(self) -> list[dict[str, Any]]:
        """The published files, each with size and digest; they stay where they are, and the pages lead there."""
        return [{"name": path.name, "type": TYPES[path.suffix], **digest(path)}
                for path in sorted(self.tables.folder.iterdir()) if path.suffix in TYPES and path.is_file()]

    def _caution_counts(self) -> list[tuple[dict[str, str], int]]:
        """Every caution that some ingredient carries, with the number of those; the most frequent first."""
        found: dict[str, int] = {}
        for row in self.tables.ingredients:
            for code in row["cautions"]:
                found[code] = found.get(code, 0) + 1
        order = sorted(found, key=lambda code: (-found[code], code))
        return [(self.cautions.get(code, {"code": code, "text": "", "source": ""}), found[code]) for code in order]

    def _choices(self) -> dict[str, list[str]]:
        """What the filters of the list offer: only what occurs."""
        rows = self.tables.ingredients
        made = {key: sorted({row[key] for row in rows}) for key in ("species", "part", "kind", "skin", "bone")}
        made["cautions"] = sorted({code for row in rows for code in row["cautions"]})
        made["group"] = sorted({self.tables.group(row) for row in rows})
        return made

    def _ingredient_pages(self) -> None:
        t = self.tables
        columns = [f.column for f in registry.fields(self.workspace.schemas)["values"]
                   if f.column not in ELSEWHERE]
        shared = views.shared_words(t, columns)
        self._asset("chain.js", "rawrefChain", views.chain_words(t, self.workspace.schemas, shared))
        places = {text: at for at, text in enumerate(shared)}
        lines = source_lines(self.workspace, (cell for cells in t.cells.values() for cell in cells))
        template = self.environment.get_template("ingredient.html")
        order = t.ingredients
        for at, row in enumerate(order):
            view = views.ingredient(t, row, lines)
            self._page(template.name or "", f"ingredient/{row['ingredient_id']}.html", root="../",
                       current="ingredients.html", v=view, row=row, from_database=t.from_database, home=self.data,
                       embedded_cells=views.embedded_cells(view["cells"], columns, places),
                       before=order[at - 1] if at else None, after=order[at + 1] if at + 1 < len(order) else None)

    def _table_pages(self) -> None:
        """The table, a page a group of components, as all of it would be too long for one."""
        groups = list(dict.fromkeys(c["group"] for c in self.tables.components))
        for at, group in enumerate(groups):
            self._page("table.html", self._table_name(group), root="../" if at else "",
                       current="table.html", v=views.table_page(self.tables, group), groups=groups, group=group,
                       choices=self._choices(), home=self.data)

    def _gap_pages(self) -> None:
        """The gaps by the chance that the unknown decides, a page a need profile; the default has the plain name."""
        names = sorted(need_names(self.workspace), key=lambda name: (name != DEFAULT_NEED, name))
        pages = [(name, f"gaps/{name}.html" if at else "gaps.html") for at, name in enumerate(names)]
        for name, page in pages:
            ranked = gap_impact(self.workspace, load_need(self.workspace, name), self.tables.folder)
            self._page("gaps.html", page, root="../" if "/" in page else "", current="gaps.html", need=name,
                       needs=pages, v=views.gaps_of_need(self.tables, ranked), assumptions=ASSUMPTIONS)

    def _table_name(self, group: str) -> str:
        """The page of the table on which a group of components stands; the first group has the plain name."""
        return "table.html" if group == self.tables.components[0]["group"] else f"table/{group}.html"

    def _coverage_pages(self) -> None:
        v = views.coverage(self.tables)
        self._page("coverage.html", "coverage.html", v=v)
        for group in v["groups"]:
            for at, name in enumerate(group["pages"]):
                self._page("coverage_group.html", f"coverage/{name}.html", root="../", current="coverage.html",
                           v=views.map_page(self.tables, group["group"], at), of=group, at=at,
                           components=self.tables.components)

    def _neighbour(self, of: dict[str, Any], by: int) -> dict[str, Any] | None:
        at = self.tables.components.index(of) + by
        return self.tables.components[at] if 0 <= at < len(self.tables.components) else None
