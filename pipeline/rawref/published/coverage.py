"""How much of the table is known: the share of its cells with a value, measured, with evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

KINDS = {"valued": "have a value", "measured": "are measured", "evidence": "have evidence"}
QUERY = """
select count(*) as cells, count(v.value) as valued, count(*) filter (v.status = 'measured') as measured,
  count(*) filter (not exists (
    from {gaps} g where g.ingredient_id = v.ingredient_id and g.component = v.component)) as evidence
from {cells} v"""
"""A value is a number; a gap stands beside a cell exactly when there is no evidence for it."""


def coverage(con: duckdb.DuckDBPyConnection, cells: str, gaps: str) -> dict[str, Any]:
    """Counts and percentages over ingredients by needed components, from tables like `values` and `gaps`."""
    from rawref.database import rows

    (found,) = rows(con, QUERY.format(cells=cells, gaps=gaps))
    shares = {f"{kind}_pct": round(100 * found[kind] / found["cells"], 1) if found["cells"] else None for kind in KINDS}
    return found | shares


def told(found: dict[str, Any]) -> str:
    """Counts and shares on one line."""
    shares = (f"{found[kind]} {words} ({found[f'{kind}_pct']} %)" for kind, words in KINDS.items())
    return f"coverage: of {found['cells']} cells " + ", ".join(shares)


def told_change(before: dict[str, Any], after: dict[str, Any]) -> str:
    """The shares before and after on one line."""
    shares = (f"{words} {before[f'{kind}_pct']} % -> {after[f'{kind}_pct']} %" for kind, words in KINDS.items())
    cells = dict.fromkeys(str(side["cells"]) for side in (before, after))
    return f"coverage: of {' -> '.join(cells)} cells " + ", ".join(shares)
