"""How much of the table is known: the share of its cells with a value or range, measured, with evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

KINDS = {
    "valued": "have a value", "known": "have a value or a range", "evidence": "have evidence",
    "measured": "are measured", "sampled": "are measured with n of 1 or more",
}
QUERY = """
select count(*) as cells, count(v.value) as valued,
  count(*) filter (v.value is not null or v.low is not null or v.high is not null) as known,
  count(*) filter (not exists (
    from {gaps} g where g.ingredient_id = v.ingredient_id and g.component = v.component)) as evidence,
  count(*) filter (v.status = 'measured') as measured,
  count(*) filter (v.status = 'measured' and try_cast(v.n as double) >= 1) as sampled
from {cells} v where v.status <> 'not_applicable'"""
"""A value is a number; a gap stands beside a cell exactly when there is no evidence for it. A cell that the ingredient
cannot fill needs nothing. Measured cells that are not sampled have no stated number of samples."""
CORE = """(select v.* from curated."values" v join curated.ingredients i using (ingredient_id) where i.core = 'yes')"""


def coverage(con: duckdb.DuckDBPyConnection, cells: str, gaps: str) -> dict[str, Any]:
    """Counts and percentages over ingredients by needed components, from tables like `values` and `gaps`."""
    from rawref.database import rows

    (found,) = rows(con, QUERY.format(cells=cells, gaps=gaps))
    shares = {f"{kind}_pct": round(100 * found[kind] / found["cells"], 1) if found["cells"] else None for kind in KINDS}
    return found | shares


def core_coverage(con: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """The same of the core ingredients, with their number."""
    from rawref.database import scalar

    number = scalar(con, "select count(*) from curated.ingredients where core = 'yes'")
    return {"ingredients": number} | coverage(con, CORE, "curated.gaps")


def sentence(found: dict[str, Any], what: str = "") -> str:
    """Counts and shares on one line; `what` says which part of the table."""
    shares = (f"{found[kind]} {words} ({found[f'{kind}_pct']} %)" for kind, words in KINDS.items())
    return f"coverage{what and f', {what}'}: of {found['cells']} cells " + ", ".join(shares)


def core_sentence(found: dict[str, Any]) -> str:
    """The core ingredients on one line."""
    return sentence(found, f"{found['ingredients']} core raw ingredients")


def change_sentence(before: dict[str, Any], after: dict[str, Any]) -> str:
    """The shares before and after on one line."""
    shares = (f"{words} {before[f'{kind}_pct']} % -> {after[f'{kind}_pct']} %" for kind, words in KINDS.items())
    cells = dict.fromkeys(str(side["cells"]) for side in (before, after))
    return f"coverage: of {' -> '.join(cells)} cells " + ", ".join(shares)
