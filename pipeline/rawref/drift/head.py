"""What happened, in a few sentences: foods, figures, ingredients, what was only recomputed. Ten lines at most."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import Any, NamedTuple

from rawref.drift.read import Side
from rawref.drift.rows import Change

LINES = 10
WIDTH = 76
"""Of a line, in the 80 columns of a terminal and behind an indent."""
MOST = 40
"""Foods that are named at most, however long the lines."""
RANGES_ONLY = ("pool ",)
CELLS = ("values", "gaps")


class Sentence(NamedTuple):
    """A statement, and names that illustrate it: as many as there is room for, the rest counted."""

    lead: str
    names: Sequence[str] = ()

    def within(self, lines: int) -> str:
        """The sentence on at most so many lines, where its lead allows."""
        text = self.lead
        for n in range(len(self.names) + 1):
            more = f"; and {len(self.names) - n} more" if n < len(self.names) else ""
            tried = self.lead + (": " + "; ".join(self.names[:n]) + more if n else "")
            if n and len(wrap(tried, WIDTH, break_on_hyphens=False)) > lines:
                break
            text = tried
        return text


def head(
    old: Side, new: Side, changes: list[Change], foods: list[dict[str, Any]], everything: int
) -> list[str]:
    """At most ten sentences on ten lines, the weightiest first; empty where nothing differs or was there before.

    `foods` as food_changes gives them; `everything` is how many rows differ before those of one event were joined.
    """
    if not old.digests or not changes:
        return []
    sentences = [
        *_renamed(changes),
        *_units(changes),
        *_added(foods),
        *_gained(foods),
        *(_gone(foods) or [Sentence("no food was removed, and none lost figures")]),
        *_restated(changes),
        *_source_side(old, new),
        *_ingredients(changes),
        *_recomputed(changes),
        *_moved(changes),
    ]
    if everything > len(changes):
        sentences.append(Sentence(f"{everything} rows differ; joined by event they are {len(changes)} changes"))
    sentences = sentences[:LINES]
    room = [len(wrap(s.lead, WIDTH, break_on_hyphens=False)) for s in sentences]
    while len(sentences) > 1 and sum(room) > LINES:
        sentences.pop()
        room.pop()
    for place in sorted(range(len(sentences)), key=lambda i: not sentences[i].names):
        if sentences[place].names and sum(room) < LINES:
            room[place] += 1
    return [sentence.within(lines) for sentence, lines in zip(sentences, room, strict=True)]


def _names(foods: list[dict[str, Any]]) -> list[str]:
    return [f"{f['name']} ({f['food_id']})" for f in foods[:MOST]] + [f["food_id"] for f in foods[MOST:]]


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _by_source(foods: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for food in foods:
        found.setdefault(food["source"], []).append(food)
    return dict(sorted(found.items()))


def _added(foods: list[dict[str, Any]]) -> list[Sentence]:
    sentences = []
    for source, of in _by_source([f for f in foods if f["standing"] == "added"]).items():
        free = [f for f in of if f["supplies"] and not f["mapped"]]
        used = [f for f in of if f["mapped"]]
        rest = [f for f in of if f not in free and f not in used]
        groups = [(label, group) for label, group in (
            ("raw and not mapped yet", free), ("mapped", used), ("others", rest)) if group]
        counts = ", ".join(f"{label} {len(group)}" for label, group in reversed(groups))
        figures = sum(f["figures"] for f in of)
        sentences.append(Sentence(f"{source}: {_count(len(of), 'food')} added with {figures} figures; {counts}",
                                  _names(groups[0][1])))
    return sentences


def _gained(foods: list[dict[str, Any]]) -> list[Sentence]:
    return [
        Sentence(f"{source}: {_count(len(of), 'food')} gained {sum(max(f['figures'], 0) for f in of)} figures",
                 _names(of))
        for source, of in _by_source([f for f in foods if f["standing"] == "gained"]).items()
    ]


def _gone(foods: list[dict[str, Any]]) -> list[Sentence]:
    sentences = [
        Sentence(f"{source}: {_count(len(of), 'food')} removed", _names(of))
        for source, of in _by_source([f for f in foods if f["standing"] == "removed"]).items()
    ]
    return sentences + [
        Sentence(f"{source}: {_count(len(of), 'food')} lost {-sum(min(f['figures'], 0) for f in of)} figures",
                 _names(of))
        for source, of in _by_source([f for f in foods if f["standing"] == "lost"]).items()
    ]


def _restated(changes: list[Change]) -> list[Sentence]:
    """Figures, chosen or not, whose source prints another text in the same place."""
    place = {"source", "food_id", "source_component"}
    found = [
        c for c in changes
        if c["table"] in ("values", "candidates") and "source_value" in c["fields"] and not place & set(c["fields"])
    ]
    if not found:
        return [Sentence("no figure of a food that stands for an ingredient changed in its source")]
    return [Sentence(
        f"{_count(len(found), 'figure')} of mapped foods changed in the source",
        [f"{c['ingredient_id']} {c['component']} {c['fields']['source_value']['before']} ->"
         f" {c['fields']['source_value']['after']}" for c in found],
    )]


def _units(changes: list[Change]) -> list[Sentence]:
    return [Sentence(c["why"]) for c in changes if c["kind"] == "unit" and c["column"] == "source_unit"]


def _renamed(changes: list[Change]) -> list[Sentence]:
    found = [f"{c['before']} -> {c['after']}" for c in changes if c.get("renamed")]
    return [Sentence(f"{_count(len(found), 'ingredient')} renamed", found)] if found else []


def _ingredients(changes: list[Change]) -> list[Sentence]:
    """Ingredients whose own figures, choice or description changed, those with most changes first."""
    counts: dict[str, int] = {}
    for c in changes:
        if c["table"] in (*CELLS, "ingredients") and c["ingredient_id"] and not c.get("renamed"):
            counts[c["ingredient_id"]] = counts.get(c["ingredient_id"], 0) + 1
    if not counts:
        return [Sentence("no ingredient's own figures changed")]
    order = sorted(counts, key=lambda i: (-counts[i], i))
    return [Sentence(f"{_count(len(order), 'ingredient')} changed", [f"{i} ({counts[i]})" for i in order])]


def _recomputed(changes: list[Change]) -> list[Sentence]:
    pools = [c for c in changes if c["subject"].startswith(RANGES_ONLY)]
    if not pools:
        return []
    n = {t: len({m["subject"] for c in pools for m in c["members"] if m["table"] == t}) for t in CELLS}
    largest = max(pools, key=lambda c: (abs(c["relative_change"] or 0.0), c["subject"]))
    because = [f"{f['name']} ({f['food_id']}) {f['standing']}" for f in largest.get("foods", ())]
    return [Sentence(
        f"{_count(n['values'], 'range')} and {_count(n['gaps'], 'gap')} recomputed in {_count(len(pools), 'pool')},"
        f" largest {largest['why'].partition('largest: ')[2]}" + (" by" if because else ""),
        because or [largest["cause_why"]],
    )]


def _moved(changes: list[Change]) -> list[Sentence]:
    return [Sentence(c["why"]) for c in changes
            if c["kind"] == "provenance" and c.get("members") and c["table"] != "calibration"]


def _source_side(old: Side, new: Side) -> list[Sentence]:
    """What the build set aside or did not use of a source, where the two manifests count it differently."""
    sentences = []
    before = {s.get("id"): s.get("unused") for s in _listed(old)}
    for source in _listed(new):
        was, now = before.get(source.get("id")), source.get("unused")
        if not isinstance(was, dict) or not isinstance(now, dict) or was == now:
            continue
        moved = [f"{k} {was.get(k, 0)} -> {now.get(k, 0)}"
                 for k in sorted(set(was) | set(now)) if was.get(k, 0) != now.get(k, 0)]
        sentences.append(Sentence(f"{source.get('id')}, not used", moved))
    return sentences


def _listed(side: Side) -> list[dict[str, Any]]:
    sources = side.manifest.get("sources", [])
    return [s for s in sources if isinstance(s, dict)] if isinstance(sources, list) else []
