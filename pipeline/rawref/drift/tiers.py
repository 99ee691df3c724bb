"""How much a changed cell matters: the share of a requirement at stake, the spread, the rounding step."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.database import rows
from rawref.drift.rows import Change
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

    from rawref.needs.profile import Need

MESSAGES = {
    "value": "its value makes {}",
    "low": "its low end makes {}",
    "high": "its high end makes {}",
    "peers": "up to {} by comparable foods",
    "value_moved": "its value moved by {}",
    "low_moved": "its low end moved by {}",
    "high_moved": "its high end moved by {}",
    "low_apart": "the value and the low end lie {} apart",
    "high_apart": "the value and the high end lie {} apart",
    "high_opened": "the high end that came or went lies {} above the other low end",
}
"""How the amount that weighs is put in words, by the keys of cells.sql."""


def thresholds(schemas: Path) -> dict[str, float]:
    """The limits of schemas/drift.csv; InputError where one is missing or not a positive number."""
    found: dict[str, float] = {}
    for line, row in registry.read_csv(schemas / "drift.csv", "schemas/drift.csv"):
        try:
            found[row["name"]] = float(row["value"])
        except (KeyError, ValueError) as error:
            raise InputError(
                "threshold is not a number", f"schemas/drift.csv:{line}", "write a plain number"
            ) from error
        if not 0 < found[row["name"]] < 1e6:
            raise InputError("threshold is not above zero", f"schemas/drift.csv:{line}", "write a plain number")
    if lacking := {"requirement_share", "spread_samples", "spread_fallback"} - set(found):
        raise InputError(
            f"no threshold {', '.join(sorted(lacking))}", "schemas/drift.csv", "restore it with git checkout"
        )
    return found


def weigh_cells(
    con: duckdb.DuckDBPyConnection, schemas: Path, need: Need | None, changes: list[Change]
) -> dict[str, float]:
    """Make drift_cell: what is at stake in the cells of `changes`; returns the thresholds."""
    from rawref.lookup.impact import FALLBACK_SHARE_PCT, NOMINAL_KCAL_PER_G, figure, requirements

    limits = thresholds(schemas)
    registry.load_statuses(con, schemas)
    asked = requirements(need) if need else []
    script = Path(__file__).with_name("cells.sql").read_text(encoding="utf-8")
    touched = sorted({(c["ingredient_id"], c["component"]) for c in changes if c["ingredient_id"] and c["component"]})
    given = {
        "ingredients": [t[0] for t in touched],
        "components": [t[1] for t in touched],
        "component": [row.component for row in asked],
        "minimum": [figure(row.minimum) for row in asked],
        "maximum": [figure(row.maximum) for row in asked],
        # no minimum of raw food: the strictest that is published for another, such as taurine of canned food
        "least": ["minimum" if row.judged or row.minimum is None else f"minimum of {row.minimum.variant} food"
                  for row in asked],
        "spread_samples": int(limits["spread_samples"]),
        "inclusion": (schemas / "inclusion.csv").as_posix(),
        "species": (schemas / "species.csv").as_posix(),
        "fallback_share": FALLBACK_SHARE_PCT,
        "grams_per_1000kcal": 1000 / NOMINAL_KCAL_PER_G,
    }
    for statement in con.extract_statements(script):
        con.execute(statement, {k: given[k] for k in statement.named_parameters})
    return limits


def tier_cells(con: duckdb.DuckDBPyConnection, changes: list[Change], limits: dict[str, float], need: str) -> None:
    """Set tier, share of the requirement, why and `filled` of changes to cells of `values` and `gaps`."""
    weight = {
        (cell["ingredient_id"], cell["component"]): cell
        for cell in rows(
            con,
            "select ingredient_id, component, new.unit as unit, old.value as before, new.value as after,"
            " old.low as low, old.high as high, old.known as was_known, new.known as is_known,"
            " old.evidence as was_evidence, new.evidence as is_evidence, part_cv, step, moved, concerned, minimum,"
            " maximum, per_1000kcal, share_pct, coalesce(old.peers_high, new.peers_high) as peers_high, moved_message,"
            " concerned_message, least from drift_cell",
        )
    }
    asked = {component for (component,) in con.execute("select component from drift_requirement").fetchall()}
    for change in changes:
        found = weight.get((change["ingredient_id"], change["component"]))
        if change["kind"] == "unit":
            change["why"] = "the unit or what the amount is per changed: every number of the cell means another amount"
        elif found is None or change["kind"] == "provenance":
            continue
        elif change["table"] == "gaps":
            _tier_gap(change, found, limits, need)
        else:
            _tier_value(change, found, limits, need, change["component"] in asked)


def _share(amount: float | None, found: Mapping[str, Any]) -> tuple[float | None, str]:
    """The largest share of a bound that the amount per 100 g makes per 1000 kcal, and which bound."""
    shares = [
        (amount * found["per_1000kcal"] / bound, name)
        for bound, name in ((found["minimum"], found["least"]), (found["maximum"], "maximum"))
        if amount is not None and bound
    ]
    return max(shares, default=(None, ""))


def _tier_gap(change: Change, found: Mapping[str, Any], limits: dict[str, float], need: str) -> None:
    """A gap that comes, goes or changes weighs what comparable foods could hold."""
    share, bound = _share(found["peers_high"], found)
    change["share_of_requirement"] = share
    change["filled"] = change["kind"] == "removed" and bool(found["is_evidence"])
    if change["kind"] not in ("added", "removed"):
        return
    what = "a gap is named" if change["kind"] == "added" else "a gap is no longer named"
    if share is not None and share * 100 >= limits["requirement_share"]:
        change["tier"] = "requirement"
        change["why"] = f"{what}; comparable foods could hold {_pct(share)} of the {bound} ({need})"
    else:
        change["why"] = what


def _tier_value(change: Change, found: Mapping[str, Any], limits: dict[str, float], need: str, required: bool) -> None:
    was_known, is_known, was_evidence, is_evidence = (
        bool(found[name]) for name in ("was_known", "is_known", "was_evidence", "is_evidence")
    )
    moved, step = found["moved"], found["step"]
    kind = change["kind"]
    if kind == "added":
        change["why"] = "a new cell: nothing that was in use changes"
        return
    which = "concerned" if kind == "status" else "moved"
    amount, message = found[which], found[f"{which}_message"]
    share, bound = _share(amount, found)
    change["share_of_requirement"] = share
    lost = was_known != is_known
    # a blank that is now a zero is no gap filled until someone has looked at it
    gained = (is_known and not was_known) or (kind == "status" and is_evidence and not was_evidence and not lost)
    change["filled"] = gained and found["after"] != 0
    what = _what(kind, was_known, is_known, was_evidence, is_evidence)
    if share is not None and share * 100 >= limits["requirement_share"]:
        change["tier"] = "requirement"
        amount_text = " ".join(x for x in (_short(amount * found["per_1000kcal"]), found["unit"], "per 1000 kcal") if x)
        change["why"] = (
            f"{what}; at {found['share_pct']:g} % of a mix {MESSAGES[message].format(amount_text)}"
            f" = {_pct(share)} of the {bound} ({need})"
        )
        return
    if lost and required and amount is None:
        change["tier"], change["why"] = "requirement", f"{what}; nothing bounds what the unknown could hold ({need})"
        return
    if kind == "removed" or lost:
        change["tier"], change["why"] = "spread", f"{what}; no range covers that"
        return
    if kind == "status":
        change["why"] = what
        return
    outside = _outside(found, limits)
    if outside:
        change["tier"], change["why"] = "spread", outside
    elif moved is not None and step is not None and moved > step * 1.000001:
        change["tier"], change["why"] = (
            "rounding",
            f"{MESSAGES[message].format(f'{moved:.3g}')}, above the source's last decimal ({step:.3g})",
        )
    else:
        change["why"] = "within one unit of the source's last decimal" if step is not None else "range changed"


def _what(kind: str, was_known: bool, is_known: bool, was_evidence: bool, is_evidence: bool) -> str:
    if kind == "removed":
        return "the cell is gone"
    if was_known != is_known:
        return "a known amount becomes unknown" if was_known else "an unknown becomes a known amount"
    if kind == "status" and was_evidence != is_evidence:
        return "evidence is lost" if was_evidence else "becomes evidence"
    return "status changed" if kind == "status" else "the amount moved"


def _outside(found: Mapping[str, Any], limits: dict[str, float]) -> str:
    """Why the new point value is outside the spread of the old; empty where it is inside."""
    before, after, low, high, part_cv = (found[name] for name in ("before", "after", "low", "high", "part_cv"))
    if before is None or after is None or before == after:
        return ""
    if low is not None and high is not None:
        return "" if low <= after <= high else f"outside the accepted range {low:.4g} to {high:.4g}"
    if part_cv is not None:
        reach, basis = part_cv * abs(before), "the robust spread of the same part"
    else:
        reach, basis = (
            limits["spread_fallback"] / 100 * abs(before),
            f"{limits['spread_fallback']:g} %, as no spread is known",
        )
    return f"moved by {abs(after - before):.3g}, more than {reach:.3g}: {basis}" if abs(after - before) > reach else ""


def _pct(share: float) -> str:
    return f"{_short(share * 100)} %"


def _short(amount: float) -> str:
    """Three digits, and never an exponent for a large number."""
    return f"{amount:.0f}" if abs(amount) >= 1000 else f"{amount:.3g}"
