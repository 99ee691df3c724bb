"""Curated stage: one row per ingredient and component, the chosen value or the gap, with the losers beside it."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from rawref import registry
from rawref.cooked.estimates import apply_accepted
from rawref.database import beside, load_rows, run_file
from rawref.stages.curated.ceilings import build_ceilings
from rawref.stages.curated.ranges import build_ranges

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent


def build_curated(con: duckdb.DuckDBPyConnection, schemas: Path, needs: Path) -> None:
    """Create schema `curated` with the published tables from `archival` and `reference`."""
    con.execute("create schema curated")
    with beside(con) as other, ThreadPoolExecutor(1) as pool:  # no other table rests on the catalogue
        catalogue = pool.submit(run_file, other, HERE / "catalogue.sql")
        _build_cells(con, schemas, needs)
        catalogue.result()


def _build_cells(con: duckdb.DuckDBPyConnection, schemas: Path, needs: Path) -> None:
    _load_sentences(con, schemas)
    con.execute("create table curated.species(species text primary key, species_group text)")
    load_rows(con, "curated.species", [
        {"species": r["species"], "species_group": r["species_group"]}
        for _, r in registry.read_csv(schemas / "species.csv", "schemas/species.csv")
    ])
    con.execute(registry.CLASS_OF)
    con.execute(
        "create table curated.ingredient_keys as select i.ingredient_id, i.kind, i.part, i.species, s.species_group,"
        " curated.class_of(i.part, s.species_group) as class"
        " from archival.maintainer_ingredients i join curated.species s using (species)"
    )
    _load_rubric(con, schemas)
    _load_needed_by(con, needs)
    _load_not_applicable(con, schemas)
    _load_standard_bounds(con, schemas)
    run_file(con, HERE / "cells.sql")
    build_ranges(con)
    run_file(con, HERE / "values.sql")
    _load_bone_bounds(con, schemas)
    run_file(con, HERE / "bone_bounds.sql")
    build_ceilings(con)
    run_file(con, HERE / "calibration.sql")
    run_file(con, HERE / "gaps.sql")
    apply_accepted(con, schemas)
    run_file(con, HERE / "tables.sql")


def _load_rubric(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    con.execute("create table curated.rubric(criterion text, code text, points int, grade text)")
    load_rows(con, "curated.rubric", [
        {"criterion": r["criterion"], "code": r["code"],
         "points": None if r["criterion"] == "cap" else int(r["points"]),
         "grade": r["points"] if r["criterion"] == "cap" else None}
        for _, r in registry.read_csv(schemas / "confidence.csv", "schemas/confidence.csv")
    ])


def _load_sentences(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Every reason in words as a macro said.<name>, whose parameters are the names in braces, in their order; null
    where one of them is."""
    con.execute("create schema said")
    for _, r in registry.read_csv(schemas / "sentences.csv", "schemas/sentences.csv"):
        names = re.findall(r"\{(\w+)", r["text"])
        text = re.sub(r"\{\w+", "{", r["text"]).replace("'", "''")
        words = f"format('{text}', {', '.join(names)})" if names else f"'{text}'"
        con.execute(f"create macro said.{r['name']}({', '.join(names)}) as {words}")


def _load_standard_bounds(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """What a standard demands of an article at least, as a share of the pure substance, which it holds at most."""
    con.execute('create table curated.standard_bounds(part text, component text, "of" text, share_low double)')
    load_rows(con, "curated.standard_bounds", [
        {"part": r["part"], "component": r["component"], "of": r["of"], "share_low": float(r["share_low"])}
        for _, r in registry.read_csv(schemas / "standard_bounds.csv", "schemas/standard_bounds.csv")
    ])


def _load_bone_bounds(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """By which rule the unknown bone of a composite is bounded."""
    columns = ("component", "rule", "step", "of", "food_id", "by_component")
    con.execute("create table curated.bone_bounds(" + ", ".join(f'"{c}" text' for c in columns) + ")")
    load_rows(con, "curated.bone_bounds", [
        {c: r[c] or None for c in columns}
        for _, r in registry.read_csv(schemas / "bone_bounds.csv", "schemas/bone_bounds.csv")
    ])


def _load_needed_by(con: duckdb.DuckDBPyConnection, needs: Path) -> None:
    """Which requirement profiles ask for a component; sums and ratios ask for each of their parts."""
    asked: dict[str, list[str]] = {}
    for path in sorted(needs.glob("*.csv")):
        for _, r in registry.read_csv(path, f"raw/maintainer/needs/{path.name}"):
            for component in re.split(r"[+/]", r["component"]):
                if path.stem not in asked.setdefault(component, []):
                    asked[component].append(path.stem)
    con.execute("create table curated.needed_by(component text primary key, needed_by text)")
    load_rows(con, "curated.needed_by", [
        {"component": component, "needed_by": json.dumps(stems)} for component, stems in sorted(asked.items())
    ])


def _load_not_applicable(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Cells that an ingredient cannot fill, key (ingredient_id, component), the first rule that covers each.

    Blank selects everything, `;` parts alternatives. `but_not` excepts a component, or `ingredient:component`.
    """
    shown = "schemas/not_applicable.csv"
    columns = ("rule_id", "kind", "caution", "species_group", "part", "components", "but_not", "reason", "source")
    con.execute(
        f"create temp table not_applicable_rules(position int, {', '.join(f'{c} text' for c in columns)})"
    )
    load_rows(con, "not_applicable_rules", [
        {"position": at, **{c: r[c] for c in columns}}
        for at, (_, r) in enumerate(registry.read_csv(schemas / "not_applicable.csv", shown))
    ])
    run_file(con, HERE / "not_applicable.sql")
