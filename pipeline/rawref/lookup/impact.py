"""Which gap matters most: the chance that the unknown content decides a verdict in the reference recipes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.errors import InputError
from rawref.needs.profile import Bound, Need, parts_of
from rawref.workspace import Workspace

# Energy of an ordinary raw mix as fed (common practice, no source): 1000 kcal weigh 625 g.
NOMINAL_KCAL_PER_G = 1.6
FALLBACK_SHARE_PCT = 5.0  # a part that schemas/inclusion.csv does not name
ASSUMPTIONS = (
    "Impact is the chance that what the unknown could hold decides whether a recipe of raw/maintainer/mixes meets its "
    "minimum or keeps its maximum, the ingredient at the share of schemas/inclusion.csv (common practice, no source)."
)


def gap_impact(workspace: Workspace, need: Need, folder: Path | None = None) -> list[dict[str, Any]]:
    """The gaps of the table in `folder` (the accepted one unless given), the one that could matter most first: what is
    required, then common animals before rare ones (schemas/commonness.csv), then by `impact`; then what the profile has
    figures for that no verdict rests on, such as taurine of canned food; then the rest.

    `impact` is the chance, over the recipes of raw/maintainer/mixes, that what is known leaves a room (to the minimum,
    or to the maximum) that the unknown could fill: at its ceiling, else at the high end of comparable foods, else at
    the ninth of ten values of the same part (land and water animals apart), else of any raw ingredient
    (`impact_basis`), without limit where there is none. None where `mix` gives no verdict or no recipe can be read;
    there `against_shown` is the same chance against the strictest minimum that the profile shows of other food.
    `could_hide` is the share of the minimum that it could hold. Raises InputError where there is no table.
    """
    import duckdb

    from rawref.mix.shortfall import rooms_of
    from rawref.mix.table import load_table

    at = folder or workspace.curated
    for name in ("ingredients", "values", "gaps"):
        if not (at / f"{name}.csv").is_file():
            raise InputError("no table here", f"{workspace.relative(at)}/{name}.csv", "run rawref build first")
    asked = requirements(need)
    shown = {row.line: row.minimum for row in asked if not row.judged and row.minimum is not None}
    rooms = rooms_of(load_table(workspace, at), (workspace.maintainer / "mixes").glob("*.csv"), need, shown)
    named = [(part, name) for name in need.components() if "/" not in name for part in parts_of(name)[1]]
    parameters: dict[str, Any] = {
        "component": [row.component for row in asked],
        "named": [row.line for row in asked],
        "judged": [row.judged for row in asked],
        "minimum": [figure(row.minimum) for row in asked],
        "maximum": [figure(row.maximum) for row in asked],
        "standing": [row.minimum.standing if row.minimum else None for row in asked],
        "part": [part for part, _ in named],
        "line": [line for _, line in named],
        "ingredients": (at / "ingredients.csv").as_posix(),
        "values": (at / "values.csv").as_posix(),
        "gaps": (at / "gaps.csv").as_posix(),
        "species": (workspace.schemas / "species.csv").as_posix(),
        "commonness": (workspace.schemas / "commonness.csv").as_posix(),
        "inclusion": (workspace.schemas / "inclusion.csv").as_posix(),
        "evidence": sorted(registry.evidence(workspace.schemas)),
        "fallback_share": FALLBACK_SHARE_PCT,
        "grams_per_1000kcal": 1000 / NOMINAL_KCAL_PER_G,
        "room_of": [room.line for room in rooms for _ in room.points],
        "room_bound": [room.bound for room in rooms for _ in room.points],
        "room": [point for room in rooms for point in room.points],
    }
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    with duckdb.connect() as database:
        rows = database.execute(sql, parameters).fetchall()
    return [_entry(row, need.name) for row in rows]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a profile asks of a component: the line whose figures those are, and whether `mix` judges by them."""

    component: str
    line: str
    minimum: Bound | None
    maximum: Bound | None
    judged: bool


def requirements(need: Need) -> list[Asked]:
    """The figures by component, sorted; where a verdict rests on none, the strictest minimum that is shown.

    A component that only a sum names takes the figure of the sum. Ratios have none to hide.
    """
    found: dict[str, Asked] = {}
    for name in sorted(need.components(), key=lambda key: "+" in key):
        form, parts = parts_of(name)
        if form == "ratio":
            continue
        least, most = need.applied(name, "minimum"), need.applied(name, "maximum")
        judged = least is not None or most is not None
        if not judged:
            variants = [row for row in need.shown(name) if row.bound == "minimum"]
            least = max(variants, key=lambda row: (row.per_1000kcal, row.variant), default=None)
        for part in parts:
            if part not in found or found[part].minimum is None:
                found[part] = Asked(part, name, least, most, judged)
    return [found[key] for key in sorted(found)]


def figure(row: Bound | None) -> float | None:
    """The amount of a bound per 1000 kcal; None where there is no bound."""
    return None if row is None else float(row.per_1000kcal)


@cache
def _listed(text: str) -> tuple[str, ...]:
    # ten thousand gaps share a few dozen lists
    return tuple(json.loads(text))


def _entry(row: tuple[Any, ...], need: str) -> dict[str, Any]:
    peers = {"n": row[7], "low": row[8], "median": row[9], "high": row[10], "unit": row[5]}
    return {
        "ingredient_id": row[0], "component": row[1], "kind": row[2], "needed_by": list(_listed(row[3] or "[]")),
        "detail": row[4], "unit": row[5], "remedy": row[6], "peers": peers,
        "impact": row[21] if row[22] else None, "against_shown": None if row[22] else row[21], "could_hide": row[11],
        "could_hide_maximum": row[12], "impact_basis": row[13], "could_hold": row[14],
        "share_pct": row[15], "need": need, "requirement_of": row[16], "minimum": row[17], "maximum": row[18],
        "minimum_standing": row[19], "commonness": row[20], "judged": bool(row[22]),
    }  # fmt: skip
