"""What happened, in a few sentences: foods, figures, ingredients, what was only recomputed. Ten lines at most."""

from __future__ import annotations

from typing import Any

from rawref.drift.group import NAMED
from rawref.drift.read import Side
from rawref.drift.rows import Change

RANGES_ONLY = ("pool ",)
CELLS = ("values", "gaps")


def head(
    old: Side, new: Side, changes: list[Change], foods: list[dict[str, Any]], everything: int
) -> list[str]:
    """At most ten sentences, the weightiest first; empty where there is no former table or nothing differs.

    `foods` as food_changes gives them; `everything` is how many rows differ before those of one event were joined.
    """
    if not old.digests or not changes:
        return []
    told = [
        *_renamed(changes),
        *_units(changes),
        *_added(foods),
        *_gained(foods),
        *(_gone(foods) or ["no food was removed, and none lost figures"]),
        *_restated(changes),
        *_source_side(old, new),
        *_ingredients(changes),
        *_recomputed(changes),
        *_moved(changes),
    ]
    if everything > len(changes) and len(told) < 10:
        told.append(f"{everything} rows differ; what is one event is one change here: {len(changes)} changes")
    return told[:10]


def _names(foods: list[dict[str, Any]], most: int = NAMED) -> str:
    told = "; ".join(f"{f['name']} ({f['food_id']})" for f in foods[:most])
    return told + (f"; and {len(foods) - most} more" if len(foods) > most else "")


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _by_source(foods: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for food in foods:
        found.setdefault(food["source"], []).append(food)
    return dict(sorted(found.items()))


def _added(foods: list[dict[str, Any]]) -> list[str]:
    told = []
    for source, of in _by_source([f for f in foods if f["standing"] == "added"]).items():
        free = [f for f in of if f["supplies"] and not f["mapped"]]
        used = [f for f in of if f["mapped"]]
        rest = [f for f in of if f not in free and f not in used]
        parts = [f"{label} {len(group)}: {_names(group)}" for label, group in (
            ("raw and not mapped yet", free), ("mapped", used), ("others", rest)) if group]
        told.append(f"{source}: {_count(len(of), 'food')} added with {sum(f['figures'] for f in of)} figures; "
                    + ". ".join(parts))
    return told


def _gained(foods: list[dict[str, Any]]) -> list[str]:
    return [
        f"{source}: {_count(len(of), 'food')} gained {sum(max(f['figures'], 0) for f in of)} figures: {_names(of)}"
        for source, of in _by_source([f for f in foods if f["standing"] == "gained"]).items()
    ]


def _gone(foods: list[dict[str, Any]]) -> list[str]:
    told = [
        f"{source}: {_count(len(of), 'food')} removed: {_names(of)}"
        for source, of in _by_source([f for f in foods if f["standing"] == "removed"]).items()
    ]
    return told + [
        f"{source}: {_count(len(of), 'food')} lost {-sum(min(f['figures'], 0) for f in of)} figures: {_names(of)}"
        for source, of in _by_source([f for f in foods if f["standing"] == "lost"]).items()
    ]


def _restated(changes: list[Change]) -> list[str]:
    """Figures, chosen or not, whose source prints another text in the same place."""
    place = {"source", "food_id", "source_component"}
    found = [
        c for c in changes
        if c["table"] in ("values", "candidates") and "source_value" in c["fields"] and not place & set(c["fields"])
    ]
    if not found:
        return ["no figure of a food that stands for an ingredient changed in its source"]
    named = "; ".join(
        f"{c['ingredient_id']} {c['component']} {c['fields']['source_value']['before']} ->"
        f" {c['fields']['source_value']['after']}" for c in found[:NAMED]
    )
    more = f"; and {len(found) - NAMED} more" if len(found) > NAMED else ""
    return [f"{_count(len(found), 'figure')} of mapped foods changed in the source: {named}{more}"]


def _units(changes: list[Change]) -> list[str]:
    return [c["why"] for c in changes if c["kind"] == "unit" and c["column"] == "source_unit"]


def _renamed(changes: list[Change]) -> list[str]:
    found = [f"{c['before']} -> {c['after']}" for c in changes if c.get("renamed")]
    return [f"{_count(len(found), 'ingredient')} renamed: {', '.join(found)}"] if found else []


def _ingredients(changes: list[Change]) -> list[str]:
    """Ingredients whose own figures, choice or description changed, those with most changes first."""
    counts: dict[str, int] = {}
    for c in changes:
        if c["table"] in (*CELLS, "ingredients") and c["ingredient_id"] and not c.get("renamed"):
            counts[c["ingredient_id"]] = counts.get(c["ingredient_id"], 0) + 1
    if not counts:
        return ["no ingredient's own figures changed"]
    order = sorted(counts, key=lambda i: (-counts[i], i))
    more = f"; and {len(order) - NAMED} more" if len(order) > NAMED else ""
    return [f"{_count(len(order), 'ingredient')} changed: "
            + "; ".join(f"{i} ({counts[i]})" for i in order[:NAMED]) + more]


def _recomputed(changes: list[Change]) -> list[str]:
    pools = [c for c in changes if c["subject"].startswith(RANGES_ONLY)]
    if not pools:
        return []
    n = {t: len({m["subject"] for c in pools for m in c["members"] if m["table"] == t}) for t in CELLS}
    largest = max(pools, key=lambda c: (abs(c["relative_change"] or 0.0), c["subject"]))
    reason = f"; {largest['cause_why']}" if largest.get("cause_why") else ""
    return [f"{_count(n['values'], 'range')} and {_count(n['gaps'], 'gap')} recomputed in"
            f" {_count(len(pools), 'pool')}; largest in {largest['subject'].removeprefix('pool ')}:"
            f" {largest['why'].partition('largest: ')[2]}{reason}"]


def _moved(changes: list[Change]) -> list[str]:
    return [c["why"] for c in changes if c["kind"] == "provenance" and c.get("members")]


def _source_side(old: Side, new: Side) -> list[str]:
    """What the build set aside or did not use of a source, where the two manifests count it differently."""
    told = []
    before = {s.get("id"): s.get("unused") for s in _listed(old)}
    for source in _listed(new):
        was, now = before.get(source.get("id")), source.get("unused")
        if not isinstance(was, dict) or not isinstance(now, dict) or was == now:
            continue
        moved = [f"{k} {was.get(k, 0)} -> {now.get(k, 0)}"
                 for k in sorted(set(was) | set(now)) if was.get(k, 0) != now.get(k, 0)]
        told.append(f"{source.get('id')}, not used: {'; '.join(moved)}")
    return told


def _listed(side: Side) -> list[dict[str, Any]]:
    sources = side.manifest.get("sources", [])
    return [s for s in sources if isinstance(s, dict)] if isinstance(sources, list) else []
