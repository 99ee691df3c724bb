"""Raw and cooked twins of SR28: yields, true retentions, and how well a raw value is predicted from a cooked one.

Everything is computed from the data; the rules are data: schemas/cooking_names.csv (which words of a name are state,
form, trim or grade), cooking_classes.csv, cooking_methods.csv, cooking_limits.csv, cooking_refusals.csv, and the
published factors of retention_factors.csv, which are compared and never used. Formulas after USDA, Table of Nutrient
Retention Factors, Release 6 (2007): true retention = N_cooked / N_raw * Y, Y = grams cooked from one gram raw; going
back, N_raw = N_cooked * Y / retention. The tables are temporary and live as long as the connection.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import rows, run_file
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent
PURPOSES = ("state", "form", "trim", "grade", "exclude")
WAYS = ("as_is", "moisture", "protein", "published", "measured", "peers")
"""Ways to predict a raw value: the cooked one copied; on solids; on protein; on protein with published factors;
on protein with the retention measured on other families; from raw foods alone."""
TABLES = ("wanted", "limits", "refusals", "classes", "methods", "published", "foods", "amounts", "base", "pairs",
          "truth", "votes", "medians", "yields", "left_out", "peers", "predicted", "errors", "offers", "coverage")

# file -> (table, columns with their types); an empty field is null
DATA = {
    "cooking_classes.csv": ("classes", {"order": "int", "part": "text", "species_group": "text", "species": "text",
                                        "class": "text", "pool": "text", "error_group": "text"}),
    "cooking_methods.csv": ("methods", {"method": "text", "method_group": "text"}),
    "cooking_limits.csv": ("limits", {"limit": "text", "error_group": "text", "value": "double"}),
    "cooking_refusals.csv": ("refusals", {"rule": "int", "component": "text", "part": "text", "method_group": "text",
                                          "reason": "text"}),
}


def to_raw(cooked: float, retention_pct: float, yield_: float) -> float:
    """Amount per 100 g raw from the amount per 100 g cooked: the step cooked_to_raw."""
    return cooked * yield_ / (retention_pct / 100)


def prepare(con: duckdb.DuckDBPyConnection, schemas: Path, components: list[str] | None = None) -> None:
    """Create the temporary tables up to `cooking_medians`, for some components or for all of the registry."""
    for table in TABLES:
        con.execute(f"drop table if exists temp.cooking_{table}")
    con.execute("create temp table cooking_wanted as select component from reference.components"
                " where $wanted is null or component in (select unnest($wanted))", {"wanted": components})
    for file, (table, columns) in DATA.items():
        _load(con, schemas / file, table, columns)
    _load_published(con, schemas / "retention_factors.csv")
    _load_words(con, schemas / "cooking_names.csv")
    run_file(con, HERE / "cooking.sql")


def evaluate(con: duckdb.DuckDBPyConnection) -> None:
    """Create the temporary tables of prediction errors and offers; `prepare` comes first."""
    run_file(con, HERE / "errors.sql")


def limits(con: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """The limits that hold for every group, by name."""
    found = rows(con, 'select "limit", value from cooking_limits where error_group is null')
    return {r["limit"]: r["value"] for r in found}


def _load(con: duckdb.DuckDBPyConnection, path: Path, table: str, columns: dict[str, str]) -> None:
    shown = f"schemas/{path.name}"
    held: dict[str, list[str | None]] = {c: [] for c in columns}
    for line, row in registry.read_csv(path, shown):
        for column, kind in columns.items():
            text = row.get(column)
            if text is None:
                raise InputError(f"no column {column}", f"{shown}:1", "restore the heading")
            if kind != "text" and text and not text.replace(".", "", 1).isdigit():
                raise InputError(f"{column} {text!r} is not a number", f"{shown}:{line}", "write a plain number")
            held[column].append(text or None)
    picked = ", ".join(f'unnest(${c})::{kind} as "{c}"' for c, kind in columns.items())
    con.execute(f"create temp table cooking_{table} as select {picked}", held)


def _load_published(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Published factors that are compared; where two sources give one, that recovered from SR28 itself stands first.

    A factor that is not a whole number is refused: a spoilt copy of Release 6 is known with dates in that column.
    """
    shown = f"schemas/{path.name}"
    kept: dict[tuple[str, ...], list[Any]] = {}
    for line, r in registry.read_csv(path, shown):
        if not r["retention_pct"].isdigit() or not 0 < int(r["retention_pct"]) <= 100:
            raise InputError(f"retention {r['retention_pct']!r} is not a whole number of 1 to 100", f"{shown}:{line}",
                             "look the factor up in its source")
        if r["compared"] == "yes":
            key = (r["class"], r["method_group"], r["component"], r["raw_fat_from_g"])
            kept.setdefault(key, [*key[:3], float(r["raw_fat_from_g"] or 0), float(r["raw_fat_below_g"] or 101),
                                  float(r["retention_pct"]), r["standing"], r["source"]])
    names = ("class", "method_group", "component", "raw_fat_from_g", "raw_fat_below_g", "retention_pct", "standing",
             "source")
    con.execute("create temp table cooking_published as select "
                + ", ".join(f'unnest(${name}) as "{name}"' for name in names),
                {name: [row[i] for row in kept.values()] for i, name in enumerate(names)})


def _load_words(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """The alternation of each purpose, in file order, as a variable of the connection."""
    shown = f"schemas/{path.name}"
    patterns: dict[str, list[str]] = {purpose: [] for purpose in PURPOSES}
    for line, r in registry.read_csv(path, shown):
        if r["purpose"] not in patterns:
            raise InputError(f"purpose {r['purpose']!r} is unknown", f"{shown}:{line}", "one of " + ", ".join(PURPOSES))
        patterns[r["purpose"]].append(r["pattern"])
    for purpose, found in patterns.items():
        con.execute(f"set variable cooking_{purpose} = ?", ["|".join(found)])


def error_table(con: duckdb.DuckDBPyConnection, schemas: Path) -> dict[str, Any]:
    """The leave-family-out errors of every way to predict, per group and component, with offers and coverage.

    Percentages. `coverage` is the share of truths of held-out families inside an interval fitted on the other half of
    the families, over twenty cuts in halves; `coverage_unwidened` without the widening of organs.
    """
    prepare(con, schemas)
    evaluate(con)
    run_file(con, HERE / "coverage.sql")
    found = rows(con, """
        select o.domain as "group", o.component, o.pairs, o.families, o.factor_low, o.factor_high, o.by_error, o.offer,
          o.rule, o.peers_as_good, c.inside / c.trials * 100 as coverage,
          c.inside_unwidened / c.trials * 100 as coverage_unwidened,
          (select to_json(list({'way': e.way, 'median': round(e.median, 1), 'p90': round(e.p90, 1), 'pairs': e.pairs,
             'families': e.families} order by e.way)) from cooking_errors e
           where e.component = o.component and e.domain = o.domain)::text as errors
        from cooking_offers o join reference.components k using (component)
          left join cooking_coverage c on c.component = o.component and c.error_group = o.domain
        where o.families >= (select value from cooking_limits where "limit" = 'error_families')
          and (k.block is null or o.component in ('ASH', 'FAT', 'F18D2N6', 'F20D4N6', 'F20D5N3', 'F22D6N3'))
          and o.rule is distinct from 4
        order by array_position(['muscle', 'organ', 'aquatic'], o.domain), o.p90, o.component""")
    for row in found:
        by_way = {e.pop("way"): e for e in json.loads(row.pop("errors"))}
        row["errors"] = {way: by_way.get(way) for way in WAYS}
        for name in ("factor_low", "factor_high"):
            row[name] = round(row[name], 2)
        for name in ("coverage", "coverage_unwidened"):
            row[name] = None if row[name] is None else round(row[name], 1)
    told = sorted({r["component"] for r in found})
    return {
        "schema_version": "1", "errors": found, "coverage": _coverage(con, told),
        "yields": rows(con, """select class, method_group, pairs, round(yield_protein, 2) as yield_protein
                               from cooking_yields where pairs >= 3 order by class, method_group"""),
        "retention": retention_table(con),
        "pairs": rows(con, """
            select p.class, count(*) as pairs, count(distinct p.family) as families,
              count(*) filter (p.cooked_id in (
                select cooked_id from cooking_truth where component in (select unnest(?)))) as measured_pairs
            from cooking_pairs p group by p.class order by pairs desc, p.class""", [told]),
    }


def retention_table(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """Measured retention, %, medians over families of cuts, of levels with enough families; after `prepare`."""
    return rows(con, """
        select level, "group", method_group, component, pairs, families, round(retention, 1) as retention,
          round(p10, 1) as p10, round(p90, 1) as p90
        from cooking_medians where families >= (select value from cooking_limits where "limit" = 'families_needed')
          and "group" is not null
        order by level, "group", method_group, component""")


def _coverage(con: duckdb.DuckDBPyConnection, components: list[str]) -> list[dict[str, Any]]:
    """Coverage over the components of the table, each trial one vote."""
    return rows(con, """
        select error_group as "group", sum(trials)::bigint as trials,
          round(sum(inside) / sum(trials) * 100, 1) as coverage,
          round(sum(inside_unwidened) / sum(trials) * 100, 1) as coverage_unwidened
        from cooking_coverage where component in (select unnest(?)) group by error_group order by error_group""",
        [components])
