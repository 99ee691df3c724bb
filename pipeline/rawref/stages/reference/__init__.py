"""Reference stage: the archival values on common components, units and statuses; foods described by facets."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import beside, load_rows, run_file
from rawref.errors import InputError
from rawref.registry.units import load_units, step_between
from rawref.stages.reference.facets import build_foods

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent


def build_reference(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Create schema `reference`: components, foods, values, links, peers. InputError on an unknown code or food."""
    con.execute("create schema reference")
    _load_registry(con, schemas)
    load_units(con, schemas)
    _load_energy_factors(con, schemas)
    _require_declared_units(con, schemas)
    con.execute("create temp table states as select unnest($states) as state",
                {"states": list(registry.vocabularies(schemas)["state"])})
    with beside(con) as other, ThreadPoolExecutor(1) as pool:  # of the foods the values ask nothing but a donor's state
        foods = pool.submit(build_foods, other, schemas)
        numbers = pool.submit(_require_numbers, other)
        run_file(con, HERE / "values.sql")
        foods.result()
    run_file(con, HERE / "donors.sql")
    con.execute("create temp table remark_rules(source text, component text, pattern text, step text, note text)")
    load_rows(con, "remark_rules", [r for _, r in registry.read_csv(schemas / "remarks.csv", "schemas/remarks.csv")])
    run_file(con, HERE / "remarks.sql")
    run_file(con, HERE / "repeats.sql")
    _require_known_codes(con)
    numbers.result()
    run_file(con, HERE / "links.sql")
    run_file(con, HERE / "copies.sql")
    run_file(con, HERE / "impossible.sql")
    run_file(con, HERE / "derived.sql")
    _require_sound_links(con)
    run_file(con, HERE / "peers.sql")


def _load_energy_factors(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """reference.energy_factors from schemas/energy_formulas.csv, the one home of the factors: kcal per g, by step."""
    con.execute(
        "create table reference.energy_factors(formula text, class text, step text primary key,"
        " protein decimal(4, 2), fat decimal(4, 2), carbohydrate decimal(4, 2))"
    )
    kept = ("formula", "class", "step", "protein", "fat", "carbohydrate")
    rows = registry.read_csv(schemas / "energy_formulas.csv", "schemas/energy_formulas.csv")
    load_rows(con, "reference.energy_factors", [{name: row[name] for name in kept} for _, row in rows])


def _load_registry(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    registry.load_statuses(con, schemas)
    registry.load_source_traits(con, schemas)
    con.execute("create table reference.soil_driven(component text primary key)")
    load_rows(con, "reference.soil_driven", [
        {"component": r["component"]}
        for _, r in registry.read_keyed(
            schemas / "soil_driven.csv", "schemas/soil_driven.csv", "component,driven_by,source", ("component",)
        )
    ])
    con.execute('create table reference.absurd_limits("limit" text primary key, value double)')
    load_rows(con, "reference.absurd_limits", [
        {"limit": r["limit"], "value": float(r["value"])}
        for _, r in registry.read_csv(schemas / "absurd_limits.csv", "schemas/absurd_limits.csv")
    ])
    known_steps = registry.steps(schemas)
    tags = registry.components(schemas)
    con.execute(
        'create table reference.components(component text primary key, name text, unit text, "group" text,'
        " needed boolean, block text, usage_warning text, definition text, position int)"
    )
    load_rows(
        con,
        "reference.components",
        [
            {**{k: v or None for k, v in c.items()}, "needed": c["needed"] == "yes", "position": i}
            for i, c in enumerate(tags)
        ],
    )
    con.execute(
        "create table reference.component_map(source text, source_component text, component text, preference int,"
        " steps text, factor decimal(18, 9), status_override text, note text, map_line int,"
        " primary key (source, source_component, component))"
    )
    names = {c["component"] for c in tags}
    statuses = {s["status"] for s in registry.statuses(schemas)}
    mapped: list[dict[str, Any]] = []
    for line, r in registry.read_keyed(
        schemas / "component_sources.csv", "schemas/component_sources.csv",
        "source,source_component,component,preference,steps,status,note", ("source", "source_component", "component"),
    ):
        where = f"schemas/component_sources.csv:{line}"
        if r["component"] not in names:
            raise InputError(
                f"component {r['component']!r} is not in the registry",
                where,
                "use a component of schemas/components.csv",
            )
        if not re.fullmatch(r"[1-9]\d{0,3}", r["preference"]):
            raise InputError(f"preference {r['preference']!r} is no count", where, "write 1 for the first choice")
        if r["status"] and r["status"] not in statuses:
            raise InputError(f"status {r['status']!r} is not known", where, "use a status of schemas/statuses.csv")
        if not re.fullmatch(r'(\[("[a-z0-9_]+"(, ?(?=")|(?=\])))*\])?', r["steps"]):
            raise InputError(f"steps {r['steps']!r} are no list of names", where, 'write them as ["one", "two"]')
        factor = Decimal("1.000000000")
        for step in json.loads(r["steps"] or "[]"):
            if step not in known_steps or not known_steps[step]["factor"]:
                raise InputError(f"step {step!r} is not defined with a factor", where, "define it in conversions.csv")
            factor *= Decimal(known_steps[step]["factor"])
        mapped.append(
            {
                "source": r["source"],
                "source_component": r["source_component"],
                "component": r["component"],
                "preference": int(r["preference"]),
                "steps": r["steps"] or "[]",
                "factor": factor.quantize(Decimal("1e-9")),
                "status_override": r["status"] or None,
                "note": r["note"] or None,
                "map_line": line,
            }
        )
    load_rows(con, "reference.component_map", mapped)
    con.execute(
        "create table reference.status_map(source text, kind text, code text, description text, status text, note text,"
        " primary key (source, kind, code))"
    )
    meanings = list(registry.read_keyed(
        schemas / "status_map.csv", "schemas/status_map.csv", "source,kind,code,description,status,note",
        ("source", "kind", "code"),
    ))
    for line, r in meanings:
        if r["status"] not in statuses:
            raise InputError(
                f"status {r['status']!r} is not known", f"schemas/status_map.csv:{line}",
                "use a status of schemas/statuses.csv",
            )
    load_rows(con, "reference.status_map", [r for _, r in meanings])


def _require_declared_units(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """The unit that a source declares is the one from which the steps of its mapping lead to the component's unit.

    A label that changed is never converted unasked: whether the publisher changed the figures too, a person decides.
    """
    unknown = con.execute(
        "select source, source_component, name, unit, file, line from archival.components"
        " where coalesce(unit, '') not in (select spelling from reference.units)"
        " order by source, file, try_cast(line as bigint), line"
    ).fetchall()
    if unknown:
        source, number, name, unit, file, line = unknown[0]
        raise InputError(
            f"{source} gives {number} {name!r} in {unit!r}, a unit that is not known ({len(unknown)} such components)",
            f"{file}:{line}", "give the spelling its unit in schemas/units.csv, or restore the pinned file",
        )
    run_file(con, HERE / "units.sql")
    faults = con.execute("from unit_faults order by source, file, try_cast(line as bigint), line, component").fetchall()
    con.execute("drop table unit_faults")
    for source, number, name, component, declared, spelled, expected, reached, wanted, file, line, mapped in faults[:1]:
        where = f"schemas/component_sources.csv:{mapped}"
        more = f" ({len(faults)} such mappings)" if len(faults) > 1 else ""
        if reached != wanted:
            raise InputError(
                f"the steps of {source} {number} lead to {reached}, but {component} is in {wanted}{more}",
                where, "name the steps that lead to the component's unit",
            )
        message = f"{source} gives {number} {name!r} in {declared!r}"
        step = step_between(schemas, spelled, expected)
        cure = (
            f'if the figures too are now in {spelled}, add the step "{step}" to the mapping, {where};' if step
            else f"no step leads from {spelled} to {expected}: define one in conversions.csv and add it, {where};"
        )
        raise InputError(
            f"{message}, but its mapping to {component} expects {expected}{more}", f"{file}:{line}",
            f"{cure} else restore the pinned file",
        )


def _require_known_codes(con: duckdb.DuckDBPyConnection) -> None:
    """Every code and marker of a source must be in the status map: an unknown one is never guessed."""
    unknown = con.execute(
        """select source, file, line, coalesce(derivation, ''), coalesce(source_code, ''), text,
             count(*) over () from reference."values" where status = 'unmapped' order by try_cast(line as bigint), line
           limit 1"""
    ).fetchall()
    if unknown:
        source, file, line, derivation, code, text, count = unknown[0]
        raise InputError(
            f"unknown code (derivation {derivation!r}, source code {code!r}, text {text!r}), {count} rows of {source}",
            f"{file}:{line}",
            "add the code to schemas/status_map.csv with its published meaning",
        )


def _require_numbers(con: duckdb.DuckDBPyConnection) -> None:
    """Where a source prints plain numbers, whatever it prints is one."""
    bad = con.execute(
        """select file, line,
             case when try_cast(text as decimal(20, 9)) is null then text
               when n is not null and try_cast(n as int) is null then n
               when se is not null and try_cast(se as decimal(20, 9)) is null then se
               when "min" is not null and try_cast("min" as decimal(20, 9)) is null then "min"
               when "max" is not null and try_cast("max" as decimal(20, 9)) is null then "max" end as odd
           from archival."values"
           where source not in (select source from reference.status_map where kind = 'token') and source <> 'maintainer'
             and text is not null and odd is not null
           order by try_cast(line as bigint) limit 1"""
    ).fetchall()
    if bad:
        raise InputError(f"{bad[0][2]!r} is not a number", f"{bad[0][0]}:{bad[0][1]}", "restore the pinned file")


def _require_sound_links(con: duckdb.DuckDBPyConnection) -> None:
    """Mapped foods exist under the name that was looked at, and none is cooked, cured, dried or added to."""
    faults = con.execute(
        r"""
        select l.line, l.source, l.mapped_as, l.food_name, trim(regexp_replace(f.name, '[\s\x{3000}]+', ' ', 'g')),
          f.state, f.additions
        from reference.links l
          join archival.maintainer_ingredients i using (ingredient_id)
          left join reference.foods f using (source, release, food_id)
        where f.name is null or trim(regexp_replace(f.name, '[\s\x{3000}]+', ' ', 'g'))
            <> trim(regexp_replace(l.food_name, '[\s\x{3000}]+', ' ', 'g'))
          or (i.kind = 'raw' and (f.state <> 'raw' or f.additions not in ('none', 'unknown')))
        order by l.line"""
    ).fetchall()
    for line, source, food, expected, name, state, additions in faults[:1]:
        where = f"raw/maintainer/ingredient_foods.csv:{line}"
        more = f" ({len(faults)} such rows)" if len(faults) > 1 else ""
        if name is None:
            raise InputError(f"{source} has no food {food}{more}", where, "correct the food id or take the row out")
        if name != expected:
            raise InputError(
                f"{source} {food} is {name!r}, not {expected!r}{more}",
                where,
                "look at the food again, then correct food_name or the id",
            )
        what = f"state is {state}" if state != "raw" else f"additions are {additions}"
        raise InputError(
            f"{source} {food} {name!r} may not supply a raw ingredient: {what}{more}",
            where,
            "map a raw food with nothing added",
        )
