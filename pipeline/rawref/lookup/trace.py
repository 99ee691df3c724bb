"""Provenance: from a curated cell back to the line of the source, from a line forward, and what a step touched."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import rows
from rawref.errors import InputError
from rawref.lookup.resolve import resolve_component, resolve_ingredient
from rawref.registry.nearest import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    import duckdb


def trace_cell(con: duckdb.DuckDBPyConnection, schemas: Path, ingredient: str, component: str) -> dict[str, Any]:
    """Everything behind one cell: value or gap, source line and digest, steps, references, alternatives, peers."""
    from rawref import registry

    ingredient, component = resolve_ingredient(con, schemas, ingredient), resolve_component(con, schemas, component)
    key = [ingredient, component]
    cell = rows(
        con, 'select * exclude (evidence, year) from curated."values" where ingredient_id = ? and component = ?', key
    )[0]
    known = registry.steps(schemas)
    steps = []
    for step in json.loads(cell["steps"]):
        s = known[step]
        steps.append(
            {
                "id": step,
                "from": f"{s['from_component']} {s['from_unit']}".strip(),
                "to": f"{s['to_component']} {s['to_unit']}".strip(),
                "factor": s["factor"] or s["formula"],
                "source": s["source"],
            }
        )
    digests = rows(
        con, "select sha256 from archival.files where source = ? and file = ?", [cell["source"], cell["file"]]
    )
    references = [
        r
        for reference in json.loads(cell["reference_ids"])
        for r in rows(
            con,
            "select reference_id, authors, title, year, container, volume, issue, pages, url"
            ' from curated."references" where reference_id = ?',
            [reference],
        )
    ]
    others = rows(
        con,
        """select rank, source, release, food_id, food_name, match_quality, source_component, source_value, source_unit,
             value, unit, status, n, file, line, steps, reason_not_chosen
           from curated.candidates where ingredient_id = ? and component = ? and reason_not_chosen is not null
           order by rank""",
        key,
    )
    for other in others:
        other["steps"] = json.loads(other["steps"])
    gap = rows(con, "select * from curated.gaps where ingredient_id = ? and component = ?", key)
    peers = rows(
        con,
        """select p.n, p.low, p.median, p.high, p.part, p.species_group from reference.peers p
           join curated.ingredient_keys k on k.part = p.part and k.species_group = p.species_group
           where k.ingredient_id = ? and p.component = ? and k.kind = 'raw'""",
        key,
    )
    registered = rows(con, "select name, usage_warning from reference.components where component = ?", [component])[0]
    parts = rows(
        con,
        """select c.part_ingredient_id, c.share_pct, c.share_low_pct, c.share_high_pct, c.citation_id, v.value, v.unit,
             v.low, v.high, v.status, v.source, v.release, v.food_id, v.food_name, v.source_component, v.file, v.line
           from archival.maintainer_composites c join curated."values" v on v.ingredient_id = c.part_ingredient_id
           where c.ingredient_id = ? and v.component = ? order by c.line""",
        key,
    )
    for part in parts:
        part["footnotes"] = _footnotes(con, part)
    known_part = part_known(parts, registry.counted(schemas)) if cell["status"] == "missing" else None
    decision = rows(
        con,
        "select decision_id, action, reason, citation, standing from archival.maintainer_decisions"
        " where decision_id = ?",
        [cell["decision_id"]],
    )
    published = rows(
        con,
        "select name from archival.components where source = ? and release = ? and source_component = ?",
        [cell["source"], cell["release"], cell["source_component"]],
    )
    for name in ("reference_ids", "alternatives", "steps"):
        cell.pop(name)
    return {
        "schema_version": "1",
        **cell,
        "known_part": known_part,
        "component_name": registered["name"],
        "source_component_name": published[0]["name"] if published else None,
        "meanings": _meanings(schemas, cell),
        "sha256": digests[0]["sha256"] if digests else None,
        "source_codes": _codes(con, cell),
        "footnotes": _footnotes(con, cell),
        "steps": steps,
        "references": references,
        "alternatives": others,
        "peers": peers[0] if peers else {"n": 0, "low": None, "median": None, "high": None},
        "parts": parts,
        "decision": decision[0] if decision else None,
        "food_decisions": _food_decisions(
            con, component, [(ingredient, cell), *((part["part_ingredient_id"], part) for part in parts)]
        ),
        "usage_warning": registered["usage_warning"],
        "gap": _gap(gap[0]) if gap else None,
        "calibration": _calibration(con, ingredient, component),
    }


def _calibration(con: duckdb.DuckDBPyConnection, ingredient: str, component: str) -> list[dict[str, Any]]:
    """How often ranges of the component, here and in this class of ingredient, held an independent figure."""
    return rows(
        con,
        """select c.component, c.class, c.left_out, c.n, c.species, c.expected, c.coverage, c.half_width, c.tables
           from curated.calibration c left join curated.ingredient_keys k on k.ingredient_id = ?
           where c.measure = 'range' and c.component in (?, '*') and (c.class = '*' or c.class = k.class)
             and c.left_out in ('species', 'table') and (c.component <> '*' or c.class = '*')
           order by c.component = '*', c.class <> '*', c.left_out""",
        [ingredient, component],
    )


def part_known(parts: Iterable[Mapping[str, Any]], counted: frozenset[str]) -> dict[str, float] | None:
    """Of a composite without a figure: what a mix counts of it, from the parts that have one, and their share."""
    known = [
        (part["share_pct"], amount) for part in parts
        if part["status"] in counted and (amount := part["low"] if part["value"] is None else part["value"]) is not None
    ]  # fmt: skip
    if not known:
        return None
    return {"amount": sum(share * amount for share, amount in known) / 100, "share_pct": sum(s for s, _ in known)}


def _meanings(schemas: Path, cell: dict[str, Any]) -> dict[str, str]:
    """What the codes of a cell mean, from the closed vocabularies."""
    words = registry.vocabularies(schemas)
    return {
        name: words[name][cell[name]] for name in ("status", "spread_basis", "match_quality") if cell[name] is not None
    }


def _food_decisions(
    con: duckdb.DuckDBPyConnection, component: str, cells: list[tuple[str, dict[str, Any]]]
) -> list[dict[str, Any]]:
    """Decisions on a whole food (no source component) that stands behind one of `cells`, for all its components or
    this one; such a decision sets no decision_id in the cell."""
    return [
        decision
        for ingredient, cell in cells
        for decision in rows(
            con,
            """select decision_id, source, food_id, action, reason, citation, standing
               from archival.maintainer_decisions
               where source = $1 and food_id = $2 and source_component is null
                 and coalesce(ingredient_id, $3) = $3 and coalesce(component, $4) = $4 order by line""",
            [cell["source"], cell["food_id"], ingredient, component],
        )
    ]


def _footnotes(con: duckdb.DuckDBPyConnection, cell: dict[str, Any]) -> list[dict[str, Any]] | None:
    """What the source notes on the food and on this figure; None where only the published table is at hand, which has
    no notes. A note that two files of a source repeat is told once."""
    if not rows(con, "from duckdb_tables() where schema_name = 'archival' and table_name = 'footnotes'"):
        return None
    return rows(
        con,
        """select if(source_component is null, 'food', 'figure') as about, text, min_by(file, (file, line)) as file,
             min_by(line, (file, line)) as line
           from archival.footnotes
           where source = $1 and release = $2 and food_id = $3 and kind <> 'M' and coalesce(source_component, $4) = $4
           group by source_component, text order by about desc, file, line""",
        [cell["source"], cell["release"], cell["food_id"], cell["source_component"]],
    )


def _gap(row: dict[str, Any]) -> dict[str, Any]:
    return {
        "kind": row["kind"],
        "detail": row["detail"],
        "needed_by": json.loads(row["needed_by"]),
        "remedy": row["remedy"],
        "ceiling": row["ceiling"],
        "ceiling_basis": row["ceiling_basis"],
    }


def _codes(con: duckdb.DuckDBPyConnection, cell: dict[str, Any]) -> list[dict[str, Any]]:
    """The source's own codes in words."""
    if not cell["derivation"]:
        return []
    two = rows(con, "select 1 from reference.source_traits where trait = 'two_codes' and source = ?", [cell["source"]])
    source_code, _, derivation = cell["derivation"].partition("/") if two else ("", "", cell["derivation"])
    return rows(
        con,
        """select if(m.kind = 'source_code', 'source code', m.kind) as kind, m.code,
             coalesce(c.meaning, m.description) as meaning
           from reference.status_map m left join archival.codes c using (source, kind, code)
           where m.source = $1 and (m.kind = 'source_code' and m.code = $2 or m.kind = 'derivation' and m.code = $3)
           order by m.kind desc""",
        [cell["source"], source_code, derivation],
    )


def trace_from(con: duckdb.DuckDBPyConnection, place: str) -> dict[str, Any]:
    """From SOURCE:FILE:LINE forward: the published value and every curated cell or candidate that it reached."""
    source, _, rest = place.partition(":")
    file, _, line = rest.rpartition(":")
    if not file:
        raise InputError(f"{place!r} is not SOURCE:FILE:LINE", "", "for instance usda-sr28:NUT_DATA.txt:69721")
    known = [r["source"] for r in rows(con, "select distinct source from archival.releases order by 1")]
    if source not in known:
        cure = did_you_mean(source, known, f"use {', '.join(known)}")
        raise InputError(f"source {source!r} is not in the build", "", cure)
    published = rows(
        con,
        """select v.*, f.name as food_name, c.name as component_name from archival."values" v
             left join archival.foods f using (source, release, food_id)
             left join archival.components c using (source, release, source_component)
           where v.source = ? and v.file = ? and v.line = ?""",
        [source, file, line],
    )
    files = [r["file"] for r in rows(
        con, "select distinct file from archival.\"values\" where source = ? order by 1", [source])]
    if file not in files:
        raise InputError(
            f"{source} has no values in a file {file!r}", place, did_you_mean(file, files, f"use {', '.join(files)}")
        )
    if not published:
        raise InputError("no published value on this line", place, "count lines from 1 in the unpacked file")
    value = published[0]
    reached = rows(
        con,
        # a published table lists what was not chosen among the candidates, what was chosen in values alone
        """select ingredient_id, component, rank, value, unit, status, steps, reason_not_chosen from (
             select * from curated.candidates where reason_not_chosen is not null
             union all by name select *, 1 as rank from curated."values")
           where source = ? and file = ? and line = ? order by ingredient_id, component, rank""",
        [source, file, line],
    )
    for row in reached:
        row["steps"] = json.loads(row["steps"])
    harmonised = rows(
        con,
        """select component, value, low, high, unit, status, evidence, steps from reference."values"
           where source = ? and food_id = ? and source_component = ? order by component""",
        [source, value["food_id"], value["source_component"]],
    )
    for row in harmonised:
        row["steps"] = json.loads(row["steps"])
    return {
        "schema_version": "1",
        "published": value,
        "footnotes": _footnotes(con, value),
        "reference": harmonised,
        "curated": reached,
    }


def trace_step(con: duckdb.DuckDBPyConnection, schemas: Path, step: str) -> dict[str, Any]:
    """A named step with its formula and source, and every curated cell that went through it."""
    from rawref import registry

    known = registry.steps(schemas)
    if step not in known:
        listed = "the step ids are in schemas/conversions.csv, column id"
        near = did_you_mean(step, known, "")
        raise InputError(f"no step {step!r}", "", f"{near} {listed}".strip())
    touched = rows(
        con,
        """select ingredient_id, component, source, food_id, source_value, source_unit, value, unit, status
           from curated."values" where list_contains(from_json(steps, '["VARCHAR"]'), ?)
           order by ingredient_id, component""",
        [step],
    )
    return {"schema_version": "1", "step": known[step], "touched": touched}
