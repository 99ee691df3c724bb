"""Changes that are one event told as one: a moved place, a unit, and all that was recomputed from one pool of foods.

A refresh of a source moves the line of every figure and widens or narrows ranges of cells whose own figure is what it
was. None of that is a thousand changes: it is a sentence, and a pool with the food that came into it. The rows are
kept as `members` of the one change.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref.drift.cause import RECOMPUTED, most_of
from rawref.drift.rows import Change, new_change

if TYPE_CHECKING:
    import duckdb

PLACE = {"release", "file", "line"}
"""Where a figure stands: no part of what it says."""
COUNTED = {"figures", "components_valued", "components_measured"}
"""Columns of the catalogue that count a food's figures."""
OWN_SPREAD = {"se_n", "min_max", "limit", "cited"}
"""Bases of a range that rest on the figure itself."""
TIERS = ("requirement", "spread", "rounding", "note")
OF_POOL = "comparable foods: "
"""How a mechanism begins that comes through them."""
NAMED = 4
"""Foods named in a reason; the rest are counted."""


def food_changes(con: duckdb.DuckDBPyConnection, schemas: Path) -> list[dict[str, Any]]:
    """Foods of the sources that came, went or changed (foods.sql), raw ones that no ingredient uses first."""
    from rawref.database import rows

    script = Path(__file__).with_name("foods.sql").read_text(encoding="utf-8")
    con.execute(script, {"species_registry": (schemas / "species.csv").as_posix()})
    return rows(
        con,
        "from drift_food order by not (supplies and not mapped), not supplies,"
        " coalesce(species_group, '') in ('', 'plant', 'none', 'unknown'), abs(figures) desc, source, food_id",
    )


def grouped(
    con: duckdb.DuckDBPyConnection, changes: list[Change], foods: list[dict[str, Any]], schemas: Path
) -> list[Change]:
    """The changes with those of one event put together; a change that stands alone stays as it is."""
    pools = _pools(con, schemas)
    columns: dict[tuple[str, str], set[str]] = defaultdict(set)
    for c in changes:
        columns[c["table"], c["subject"]] |= set(c["fields"]) or {c["kind"]}
    events: dict[tuple[str, ...], list[Change]] = defaultdict(list)
    kept: list[Change] = []
    for c in changes:
        if key := _event(c, columns[c["table"], c["subject"]], pools):
            events[key].append(c)
        else:
            kept.append(c)
    for key, members in events.items():
        if len(members) == 1:
            by = pool_foods(foods, *key[1:]) if key[0] == "pool" else ""
            if by and members[0]["mechanism"].startswith(OF_POOL):
                members[0]["cause_why"] = OF_POOL + by
            kept += members
        else:
            kept.append(TELL[key[0]](key, members, foods))
    return kept


def _event(c: Change, columns: set[str], pools: dict[str, tuple[str, str]]) -> tuple[str, ...] | None:
    """The event that a change is part of; None where it stands for itself."""
    if c.get("cause_why", "").startswith("edited by hand"):
        return None
    if c["table"] == "calibration":
        return ("calibration",)
    about, own = c.get("about") or {}, set(c["fields"])
    source = about.get("source") or ""
    if c["table"] == "candidates" and c["kind"] in ("added", "removed"):
        return ("offer", c["kind"], c["ingredient_id"] or "", source, about.get("food_id") or "")
    if not own:
        return None
    if c["table"] == "catalogue" and own <= PLACE | COUNTED:
        return ("figures", source) if own - PLACE else ("place", source)
    if c["kind"] == "unit" and "source_unit" in own:
        unit = c["fields"]["source_unit"]
        return ("unit", source, about.get("source_component") or "", str(unit["before"]), str(unit["after"]))
    if own <= PLACE and source:
        return ("place", source)
    if c["table"] not in ("values", "gaps", "candidates") or not columns - PLACE <= RECOMPUTED:
        return None
    bases = {about.get("spread_basis"), about.get("basis_before")}
    if bases & OWN_SPREAD and c["cause"] == "source":
        return None
    return ("pool", *pools.get(c["ingredient_id"] or "", ("", "")))


def _pools(con: duckdb.DuckDBPyConnection, schemas: Path) -> dict[str, tuple[str, str]]:
    """Ingredient to the part and the group of species whose foods are comparable to it."""
    found: dict[str, tuple[str, str]] = {}
    for side in ("before", "after"):
        found |= {
            r[0]: (r[1], r[2] or "")
            for r in con.execute(
                f"select ingredient_id, part, species_group from {side}_ingredients left join read_csv($1,"
                " header = true, all_varchar = true) using (species) where ingredient_id is not null",
                [(schemas / "species.csv").as_posix()],
            ).fetchall()
        }
    return found


def _worst(members: list[Change]) -> dict[str, Any]:
    """What a group takes over from its members: the worst tier, the largest share, the commonest cause."""
    shares = [m["share_of_requirement"] for m in members if m["share_of_requirement"] is not None]
    return {
        "tier": min((m["tier"] for m in members), key=TIERS.index),
        "cause": (cause := most_of(m["cause"] for m in members)),
        "mechanism": min(
            (counts := Counter(m["mechanism"] for m in members if m["cause"] == cause)), key=lambda t: (-counts[t], t)
        ),
        "share_of_requirement": max(shares, default=None),
        "members": [
            {"table": m["table"], "subject": m["subject"], "tier": m["tier"], "fields": m["fields"]} for m in members
        ],
    }


def _place(key: tuple[str, ...], members: list[Change], foods: list[dict[str, Any]]) -> Change:
    labels = sorted({
        f"{m['fields']['release']['before']} -> {m['fields']['release']['after']}"
        for m in members if "release" in m["fields"]
    })
    lines = sum(bool({"line", "file"} & set(m["fields"])) for m in members)
    what = ([f"release {', '.join(labels)}"] if labels else []) + ([f"the place of {lines} figures"] if lines else [])
    made = new_change(
        "provenance", "values", subject=key[1], column="release" if labels else "line",
        before=labels[0].split(" -> ")[0] if labels else None, after=labels[0].split(" -> ")[1] if labels else None,
        why=f"{key[1]}: {' and '.join(what)} moved in {len(members)} rows, and nothing else of them",
    ) | _worst(members)
    made["cause_why"] = made["mechanism"] = "the source stands in another file, or its lines have moved"
    return made


def _unit(key: tuple[str, ...], members: list[Change], foods: list[dict[str, Any]]) -> Change:
    _, source, component, before, after = key
    made = new_change(
        "unit", "values", component=members[0]["component"], subject=f"{source}/{component}", column="source_unit",
        before=before, after=after,
        why=f"{source} now gives {component} in {after}, not {before}: every one of {len(members)} rows means another"
        " amount, or the label alone changed",
    ) | _worst(members)
    made["tier"] = "requirement"
    made["cause_why"] = made["mechanism"] = "the source declares another unit"
    return made


def _pool(key: tuple[str, ...], members: list[Change], foods: list[dict[str, Any]]) -> Change:
    part, group = key[1:]
    counts = {t: len({m["subject"] for m in members if m["table"] == t}) for t in ("values", "gaps", "candidates")}
    what = " and ".join(
        f"{n} {noun}{'s' if n != 1 else ''}"
        for n, noun in ((counts["values"], "range"), (counts["gaps"], "gap"), (counts["candidates"], "candidate")) if n
    )
    figures = [m for m in members if m["table"] == "values"] or members
    largest = max(figures, key=lambda m: (abs(m["relative_change"] or 0.0), m["subject"]))
    size = f" ({largest['relative_change'] * 100:+.3g} %)" if largest["relative_change"] is not None else ""
    name = f"{group} {part}".strip() or "no pool"
    made = new_change(
        "value", largest["table"], subject=f"pool {name}", column=largest["column"],
        relative_change=largest["relative_change"], before=largest["before"], after=largest["after"],
        why=f"{what} recomputed; largest: {largest['subject']} {largest['column']} {_number(largest['before'])} ->"
        f" {_number(largest['after'])}{size}",
    ) | _worst(members)
    by = pool_foods(foods, part, group)
    if by and made["mechanism"].startswith(OF_POOL):
        made["cause_why"] = OF_POOL + by
        made["foods"] = [{k: f[k] for k in ("source", "food_id", "name", "standing")} for f in _of_pool(
            foods, part, group)]
    else:
        made["cause_why"] = made["mechanism"]
    return made


def _number(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, (int, float)) else str(value)


def _of_pool(foods: list[dict[str, Any]], part: str, group: str) -> list[dict[str, Any]]:
    order = ("added", "removed", "gained", "lost", "described", "counts")
    found = [f for f in foods if f["supplies"] and f["part"] == part and f["species_group"] == group]
    return sorted(found, key=lambda f: (order.index(f["standing"]), f["source"], f["food_id"]))


def pool_foods(foods: list[dict[str, Any]], part: str, group: str) -> str:
    """The comparable foods of a pool that changed, named; empty where none did."""
    words = {"gained": "gained figures", "lost": "lost figures", "described": "described otherwise",
             "counts": "known otherwise"}
    found = _of_pool(foods, part, group)
    texts = [f"{f['name']} ({f['source']} {f['food_id']}, {words.get(f['standing'], f['standing'])})"
            for f in found[:NAMED]]
    return "; ".join(texts) + (f" and {len(found) - NAMED} more" if len(found) > NAMED else "")


def _figures(key: tuple[str, ...], members: list[Change], foods: list[dict[str, Any]]) -> Change:
    of = [f for f in foods if f["source"] == key[1] and f["standing"] in ("gained", "lost")]
    message = f"{sum(f['figures'] for f in of):+d} figures of {len(of)} foods" if of else f"{len(members)} counts"
    made = new_change("value", "catalogue", subject=f"figures of {key[1]}", column="figures",
                      why=f"{key[1]} publishes {message}") | _worst(members)
    if made["cause"] == "source":
        made["cause_why"] = made["mechanism"] = "the source gives more or fewer figures of a food that it had"
    return made


def _offer(key: tuple[str, ...], members: list[Change], foods: list[dict[str, Any]]) -> Change:
    _, kind, ingredient, source, food = key
    made = new_change(kind, "candidates", ingredient_id=ingredient, subject=f"{ingredient}/{source}:{food}",
                      why=f"{len(members)} figures of {source} {food} {kind}") | _worst(members)
    made["after" if kind == "added" else "before"] = f"{len(members)} rows"
    made["cause_why"] = members[0].get("cause_why", "")
    return made


def explanations(changes: list[Change]) -> list[dict[str, Any]]:
    """The mechanisms by which the changes came about, those of most rows first: cause, mechanism, rows, changes, and
    the number (from 0) of the worst."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for number, c in enumerate(changes):
        made = found.setdefault(
            (c["cause"], c["mechanism"]),
            {"cause": c["cause"], "mechanism": c["mechanism"], "rows": 0, "changes": 0, "worst": number},
        )
        made["rows"] += len(c.get("members", ())) or 1
        made["changes"] += 1
    return sorted(found.values(), key=lambda e: (-e["rows"], e["cause"], e["mechanism"]))


def _calibration(key: tuple[str, ...], members: list[Change], foods: list[dict[str, Any]]) -> Change:
    counts = Counter(m["kind"] if m["kind"] in ("added", "removed") else "changed" for m in members)
    message = ", ".join(f"{n} {kind}" for kind, n in sorted(counts.items()))
    return new_change("provenance", "calibration", subject="calibration", column="coverage",
                      why=f"calibration of ranges and ceilings: {message} rows") | _worst(members) | {
        "cause_why": members[0]["cause_why"]}


TELL = {
    "calibration": _calibration, "figures": _figures, "offer": _offer, "place": _place, "unit": _unit, "pool": _pool,
}
