"""Result objects as plain text: tables that fit the terminal, words instead of colours."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
from collections.abc import Sequence
from typing import Any

from rawref.registry.units import shown_unit

WIDTH = 80
NARROW, BROAD = 60, 200


def columns() -> int:
    """How wide a line may be: as COLUMNS says, else as the terminal is, else 80 where the text goes to a file or pipe;
    never under 60 or over 200."""
    wanted = os.environ.get("COLUMNS", "")
    here = shutil.get_terminal_size().columns if sys.stdout.isatty() else WIDTH
    return min(max(int(wanted) if wanted.isdigit() else here, NARROW), BROAD)


def number(value: Any) -> str:
    """A number as people read it; `unknown` where there is none."""
    if value is None:
        return "unknown"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def table(
    heading: Sequence[str],
    body: Sequence[Sequence[Any]],
    wide: bool,
    right: Sequence[int] = (),
    whole: Sequence[int] = (),
) -> str:
    """Aligned columns; unless `wide`, the widest column is cut so that a line fits the terminal, but none of `whole`:
    a line may then be longer."""
    cells = [[str(h) for h in heading], *[["" if c is None else str(c) for c in row] for row in body]]
    widths = [max(len(row[i]) for row in cells) for i in range(len(heading))]
    while not wide and sum(widths) + 2 * (len(widths) - 1) > columns():
        widest = max((i for i in range(len(widths)) if i not in whole), key=lambda i: widths[i])
        if widths[widest] <= 8:
            break
        widths[widest] -= 1
    lines = []
    for position, row in enumerate(cells):
        shown = [c if len(c) <= w else c[: w - 1] + "…" for c, w in zip(row, widths, strict=True)]
        lines.append(
            "  ".join(
                c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in enumerate(zip(shown, widths, strict=True))
            ).rstrip()
        )
        if position == 0:
            lines.append("  ".join("-" * w for w in widths))
    return "\n".join(lines)


def _wrap(label: str, text: str, wide: bool = False) -> str:
    import textwrap

    head = f"{label:<14}"
    if wide:
        return head + text
    return textwrap.fill(text, columns(), initial_indent=head, subsequent_indent=" " * 14, break_on_hyphens=False)


def build_summary(outcome: Any) -> str:
    """What was read, what was kept, what came of it."""
    from rawref.published.coverage import core_sentence, sentence

    s = outcome.summary
    lines = [
        table(
            ("source", "release", "foods", "values", "set aside"),
            [(r["source"], r["release"], r["foods"], r["values"], r["set_aside"]) for r in s["sources"]],
            False,
            (2, 3, 4),
        )
    ]
    lines += [
        f"{r['source']}: none of its {r['foods']} foods stands for an ingredient (rawref find --unmapped)"
        for r in s["sources"] if r["source"] != "maintainer" and r["foods"] and not r["mapped"]
    ]
    if s["absent"]:
        lines.append("absent: " + ", ".join(s["absent"]) + " (rawref fetch, or fetch SOURCE --from FILE)")
    lines.append(f"\n{s['ingredients']} ingredients; {s['review_list']} foods need review (rawref find --review)")
    lines += [core_sentence(s["coverage_core"]), sentence(s["coverage"], "the whole table")]
    lines.append("values by status: " + ", ".join(f"{k} {v}" for k, v in s["values_by_status"].items()))
    lines.append("gaps by kind: " + ", ".join(f"{k} {v}" for k, v in s["gaps_by_kind"].items()))
    if under := s.get("checks", {}).get("beneath"):
        most = ", ".join(f"{rule} {n}" for rule, n in sorted(under.items(), key=lambda item: (-item[1], item[0]))[:8])
        lines.append(f"fail findings of the sources on chosen figures, which close no gate: {most} (rawref check)")
    lines = [line if "\n" in line else _wrap_plain(line) for line in lines]
    took = "inputs unchanged, build taken over" if outcome.unchanged else f"{s['seconds']} s"
    said = {
        "published": "published to curated/",
        "equal": "equal to the accepted table; curated/ untouched",
        "differs": "differs from the accepted table; curated/ untouched. The build is in .rawref/build/curated/. "
        "See: rawref drift; take it over: rawref accept --reason TEXT",
        "refused": "not published: fail findings are undecided. See: rawref check",
    }[outcome.standing]
    return "\n".join([*lines, "", _wrap_plain(f"{took}; {said}")])


def _wrap_plain(text: str) -> str:
    import textwrap

    return textwrap.fill(text, columns(), subsequent_indent="  ", break_on_hyphens=False)


def releases(entries: list[dict[str, Any]]) -> str:
    """Releases at hand and how fresh they are; below them what is to be said of each."""
    if not entries:
        return "nothing at hand"
    listing = table(
        ("source", "release", "standing", "state", "fetched", "days old"),
        [
            (
                e["source"],
                e["release"],
                e["standing"],
                e["state"],
                e["freshness"],
                "" if e["age_days"] is None else e["age_days"],
            )
            for e in entries
        ],
        False,
        (5,),
    )
    notes = [_wrap_plain(f"{e['source']} {e['release']}: {e['note']}") for e in entries if e["note"]]
    return "\n".join([listing, *([""] if notes else []), *notes])


def short(value: float | None) -> str:
    """Four digits, for ranges that no source printed."""
    return "unknown" if value is None else f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"


def _span(low: float | None, high: float | None, unit: str) -> str:
    if high is None:
        return f"at least {short(low)} {shown_unit(unit)}"
    return f"{short(low)} to {short(high)} {shown_unit(unit)}"


def _amount(row: dict[str, Any]) -> str:
    """The value, else the range, else unknown."""
    if row["value"] is not None:
        return f"{number(row['value'])} {shown_unit(row['unit'])}"
    ranged = row.get("low") is not None or row.get("high") is not None
    return _span(row["low"], row["high"], row["unit"]) if ranged else "unknown"


def _printed(text: str, unit: str | None) -> str:
    """The text of the source; with its unit where the text is nothing but a number."""
    return f"{text!r} {unit}" if unit and re.fullmatch(r"[<~]?\d*[.,]?\d+", text.strip()) else repr(text)


def _samples(n: float | None) -> str:
    return "number of samples not stated" if n is None else "no sample" if n == 0 else f"n {number(n)}"


def _step(step: dict[str, Any]) -> str:
    ends = [" ".join(w for w in step[end].split() if w not in ("any", "same")) for end in ("from", "to")]
    path = " -> ".join(e for e in ends if e)
    return f"{step['id']}: {path + ', ' if path else ''}{step['factor']} [{step['source']}]"


def _peers(p: dict[str, Any], value: float | None, unit: str) -> str:
    if p["n"] is None:
        return "not in the published table, which has them beside gaps only"
    if not p["n"]:
        return "no comparable food has evidence"
    which = f"({p['part']}, {p['species_group'].replace('_', ' or ')})"
    if p["n"] == 1:
        return f"1 comparable raw food {which}, {short(p['median'])} {shown_unit(unit)}"
    return (
        f"{p['n']} comparable raw foods {which}, median {short(p['median'])} {shown_unit(unit)}, 5th to 95th"
        " percentile "
        + _span(p["low"], p["high"], unit)
        + _beside(value, p["low"], p["high"])
    )


def _beside(value: float | None, low: float | None, high: float | None) -> str:
    """Where a value stands to the range of comparable foods; nothing where it is within."""
    if value is None or low is None or high is None:
        return ""
    return "; this value is below them" if value < low else "; this value is above them" if value > high else ""


def trace_cell(r: dict[str, Any], wide: bool) -> str:
    """The chain behind one cell, from the number down to the line."""
    amount = "no point value" if r["value"] is None else f"{number(r['value'])} {shown_unit(r['unit'])}"
    head = f"{r['ingredient_id']} {r['component']}: {amount}, {r['status']}"
    lines = [head if wide else _wrap_plain(head), ""]
    meaning = r["meanings"]

    def add(label: str, text: Any) -> None:
        if text not in (None, ""):
            lines.append(_wrap(label, str(text), wide))

    add("component", r["component_name"])
    add("status", f"{r['status']}: {meaning['status']}")
    if r["low"] is not None or r["high"] is not None:
        add("range", f"{_span(r['low'], r['high'], r['unit'])} ({meaning['spread_basis']})")
    add("basis", r["basis"])
    if r["confidence"]:
        add("confidence", f"{r['confidence']} (A best, D weakest)")
    if r["source"]:
        add("source", f"{r['source']} release {r['release']}")
        add("food", f"{r['food_id']} {r['food_name']}")
        add("match", f"{r['match_quality']}: {meaning['match_quality']}")
        name = r["source_component_name"]
        called = f" {name}" if name not in (None, r["source_component"]) else ""
        add(
            "published",
            f"component {r['source_component']}{called}: {_printed(r['source_value'], r['source_unit'])}, "
            f"{_samples(r['n'])}",
        )
        for code in r["source_codes"]:
            add(code["kind"], f"{code['code']}: {code['meaning']}")
        for note in _footnotes(r):
            add("footnote", note)
        if r["donor_food_id"]:
            add("donor", f"{r['donor_food_id']}, {r['donor_state']}")
        add("line", f"{r['file']} line {r['line']}")
        add("sha256", r["sha256"])
    for part in r["parts"]:
        low, high, share = part["share_low_pct"], part["share_high_pct"], part["share_pct"]
        add(
            "part",
            f"{share:g} %{'' if low == high == share else f' ({low:g} to {high:g})'} "
            f"{part['part_ingredient_id']}: {_amount(part)}, {part['status']}"
            + (f", {part['source']} {part['food_id']}, {part['file']} line {part['line']}" if part["source"] else "")
            + f" [share: {part['citation_id']}]",
        )
        for note in _footnotes(part):
            add("footnote", note)
    if r["known_part"]:
        add(
            "in a mix",
            f"{short(r['known_part']['amount'])} {shown_unit(r['unit'])} count, from the "
            f"{r['known_part']['share_pct']:g} % of it that have a figure; the rest is unknown, never zero",
        )
    for step in r["steps"]:
        add("step", _step(step))
    d = r["decision"]
    # The reason of a decision stands in its own line.
    repeated = f": {d['reason']}" if d else "\0"
    add("why", (r["reason"] or "").replace(repeated, ""))
    if d:
        add("decision", f"{d['decision_id']} {d['action']}: {d['reason']} [{d['citation']}; {d['standing']}]")
    for w in r["food_decisions"]:
        add(
            "decision",
            f"{w['decision_id']} {w['action']}, on the whole food {w['source']} {w['food_id']}: {w['reason']} "
            f"[{w['citation']}; {w['standing']}]",
        )
    if r["low"] is not None:
        calibrated = [c for c in r.get("calibration", ()) if r["spread_basis"].startswith("pairs")]
        add("calibrated by", "; ".join(
            f"{c['n']} pairs ({'the component' if c['class'] == '*' else c['class']}, "
            f"{'species' if c['left_out'] == 'species' else 'other table'} left out): {c['coverage']:.0%} within"
            for c in calibrated if c["component"] != "*"))
        pairs = [c for c in calibrated if c["component"] != "*" and c["class"] == "*" and c["left_out"] == "species"]
        # of each pair both directions were tried
        between = sorted({" and ".join(sorted(name.split(" - "))) for c in pairs for name in json.loads(c["tables"])})
        add("pairs of", ", ".join(between))
    if r["gap"]:
        add("gap", f"{r['gap']['kind']}: {r['gap']['detail']}. Remedy: {r['gap']['remedy']}")
        add("ceiling", ceiling(r["gap"], r["unit"]))
    else:
        add("gap", "none: this is evidence")
    add("peers", _peers(r["peers"], r["value"], r["unit"]))
    if r["disagreement"] is not None:
        add("disagreement", f"largest by smallest of independent sources: {number(r['disagreement'])}")
    for ref in r["references"]:
        cited = ", ".join(str(ref[k]) for k in ("authors", "year", "title", "container", "volume", "pages") if ref[k])
        add("reference", f"{ref['reference_id']} {cited}")
    add("note", r["usage_warning"])
    if r["alternatives"]:
        lines += ["", "not chosen:"]
        for a in r["alternatives"]:
            named = f"{a['source']}:{a['food_id']} {a['food_name']}"
            lines.append(named if wide else _wrap_plain(named))
            add("", _alternative(a, r["value"]).replace(repeated, ""))
    return "\n".join(lines)


def _footnotes(r: dict[str, Any]) -> list[str]:
    """What the source notes on the food and on the figure, each on one line."""
    if r["footnotes"] is None:
        return ["not in the published table: rawref build reads them from the source"] if r["source"] else []
    return [f"on the {n['about']}: {' / '.join(n['text'].split(chr(10)))}" for n in r["footnotes"]]


def _alternative(a: dict[str, Any], chosen: float | None) -> str:
    """What a candidate that was not chosen says, how far off it is, and why it was not chosen."""
    texts = [f"match {a['match_quality']}", _printed(a["source_value"], a["source_unit"]), a["status"],
             _samples(a["n"])]
    if a["value"] is not None and chosen:
        texts.append(f"{a['value'] / chosen:.3g} times the chosen" if a["value"] != chosen else "the same figure")
    return f"{', '.join(texts)}; why not: {a['reason_not_chosen']}"


def trace_from(r: dict[str, Any], wide: bool) -> str:
    """What one published line became."""
    v = r["published"]
    lines = [
        f"{v['source']} {v['file']} line {v['line']}: {v['food_id']} {v['food_name']}",
        f"  {v['source_component']} {v['component_name'] or ''}".rstrip() + f": {v['text']!r} {v['unit']}",
        *(f"footnote   {note}" for note in _footnotes({"source": v["source"], "footnotes": r["footnotes"]})),
        "",
    ]
    for h in r["reference"]:
        shown = number(h["value"]) if h["value"] is not None else f"{number(h['low'])} to {number(h['high'])}"
        lines.append(
            f"reference  {h['component']} {shown} {shown_unit(h['unit'])}, {h['status']}"
            f"{'' if h['evidence'] else ', no evidence'}{'; steps ' + ', '.join(h['steps']) if h['steps'] else ''}"
        )
    if not r["reference"]:
        lines.append("reference  not on a common component: kept in the archival stage only")
    lines = [*(line if wide or not line else _wrap_plain(line) for line in lines), ""]
    if r["curated"]:
        lines.append(
            table(
                ("ingredient", "component", "rank", "value", "why not"),
                [
                    (
                        c["ingredient_id"],
                        c["component"],
                        c["rank"],
                        number(c["value"]),
                        c["reason_not_chosen"] or "chosen",
                    )
                    for c in r["curated"]
                ],
                wide,
            )
        )
    else:
        message = "curated    no ingredient is mapped to this food, or the component is not needed"
        lines.append(message if wide else _wrap_plain(message))
    return "\n".join(lines)


def trace_step(r: dict[str, Any], wide: bool) -> str:
    """A step and the cells that went through it."""
    s = r["step"]
    head = (
        f"{s['id']}: {s['from_component']} {s['from_unit']} -> {s['to_component']} {s['to_unit']}, "
        f"{s['factor'] or s['formula']}"
    )
    lines = [head if wide else _wrap_plain(head), _wrap("source", s["source"], wide), "", f"{len(r['touched'])} cells"]
    if r["touched"]:
        lines.append(
            table(
                ("ingredient", "component", "published", "value", "status"),
                [
                    (
                        t["ingredient_id"],
                        t["component"],
                        f"{t['source_value']} {t['source_unit']}",
                        f"{number(t['value'])} {shown_unit(t['unit'])}",
                        t["status"],
                    )
                    for t in r["touched"]
                ],
                wide,
            )
        )
    return "\n".join(lines)


PEERS = "comparable foods: 5th to 95th percentile"
FEW_GAPS = 60
SECTIONS = 12
"""A short list of gaps is one table; a long one has a section for each component, and only so many are told."""


def gaps(found: list[dict[str, Any]], wide: bool, every: bool = False) -> str:
    """Gaps with the 5th to 95th percentile of comparable foods, and how often the unknown decides where asked.

    A long list is told by component, the first few of each, unless `every`; it says how many it left out. What only
    other food has a minimum of, such as taurine, is always told.
    """
    if not found:
        return "no gap"
    ranked = any(g["impact"] is not None or g["against_shown"] is not None for g in found)
    if len(found) <= FEW_GAPS:
        return _gap_table(found, wide, ranked, with_component=True) + "\n\n" + _wrap_plain(
            f"{_gap_count(found, ranked)}; {PEERS}{_no_verdict_note(found)}"
        )
    sections: dict[str, list[dict[str, Any]]] = {}
    for g in found:
        sections.setdefault(g["component"], []).append(g)
    cap = len(found) if every else 5 if len(sections) > 1 else 40
    apart = [component for component, here in sections.items() if here[0]["against_shown"] is not None]
    named = list(sections) if every else list(dict.fromkeys([*list(sections)[:SECTIONS], *apart]))
    lines, shown = [], 0
    for component in named:
        here = sections[component]
        shown += min(cap, len(here))
        head = f"{component} {here[0]['component_name']}: {_gap_count(here, ranked)}"
        lines += [head if wide else _wrap_plain(head), _gap_table(here[:cap], wide, ranked, with_component=False)]
        if len(here) > cap:
            lines.append(f"and {len(here) - cap} more")
        lines.append("")
    if len(named) < len(sections):
        rest = "further components: " + ", ".join(f"{c} {len(g)}" for c, g in sections.items() if c not in named)
        lines += [rest if wide else _wrap_plain(rest), ""]
    total = f"{len(found)} gaps"
    if shown < len(found):
        total += (
            f", {shown} of them shown; the rest: --all, --format csv or json"
            f"{', --component ID' * (len(sections) > 1)}, or --ingredient ID"
        )
    total += f"; {PEERS}"
    lines.append(total if wide else _wrap_plain(total))
    return "\n".join(lines)


def _gap_count(found: list[dict[str, Any]], ranked: bool) -> str:
    """How many gaps, and how many of them decide a verdict as often as not."""
    often = sum(g["impact"] is not None and g["impact"] >= 0.5 for g in found)
    many = _many(found, "gap")
    if all(g["against_shown"] is not None for g in found):
        often = sum(g["against_shown"] >= 0.5 for g in found)
        return (
            f"{many}; no verdict, since no minimum exists for raw food: {often} of them would decide in every other "
            "recipe or more whether the strictest figure for other food is reached"
        )
    decide = "decides" if often == 1 else "decide"
    return f"{many}, {often} of them {decide} a verdict in every other recipe or more" if ranked and often else many


def _no_verdict_note(found: list[dict[str, Any]]) -> str:
    """What a figure in brackets is, where there is one."""
    if not any(g["against_shown"] is not None for g in found):
        return ""
    return (
        "; in brackets: no minimum exists for raw food, so no verdict; how often the unknown would decide whether the "
        "strictest figure for other food is reached"
    )


def ceiling(gap: dict[str, Any], unit: str) -> str:
    """What an unknown cell holds at most, and what that rests on."""
    if gap.get("ceiling") is None:
        return str(gap.get("ceiling_basis") or "")
    return f"{short(gap['ceiling'])} {shown_unit(unit)} at most ({gap['ceiling_basis']}); a bound, never a value"


def _gap_table(found: list[dict[str, Any]], wide: bool, ranked: bool, *, with_component: bool) -> str:
    body = []
    for g in found:
        p = g["peers"]
        ends = short(p["low"]) + (f" to {short(p['high'])}" if p["n"] > 1 else "")
        peers = f"{ends} {shown_unit(p['unit'])} (n {p['n']})" if p["n"] else "none"
        impact = "" if g["impact"] is None else f"{g['impact']:.0%}"
        if g["against_shown"] is not None:
            impact = f"({g['against_shown']:.0%})"
        body.append(
            [
                g["ingredient_id"],
                *([g["component"]] if with_component else []),
                g["kind"],
                peers,
                "" if g["ceiling"] is None else f"{short(g['ceiling'])} {shown_unit(p['unit'])}",
                *([impact] if ranked else []),
            ]
        )
    heading = ["ingredient", *(["component"] if with_component else []), "kind", "comparable foods", "at most"]
    return table([*heading, *(["decides"] if ranked else [])], body, wide)


FOUND_INGREDIENTS, FOUND_FOODS = 20, 5
"""How many of each `rawref find` shows, unless asked for all."""


def found(r: dict[str, Any], wide: bool, every: bool = False) -> str:
    """Ingredients, then source foods with what they are and who says so, the first of each unless `every`; it says how
    many there are. Where there is none, what to try."""
    if not (r["ingredients"] or r["components"] or r["foods"]):
        said = [_nothing_found(r), *r["notes"]]
        return "\n".join(said if wide else map(_wrap_plain, said))
    ingredients, foods = ((r["ingredients"], r["foods"]) if every
                          else (r["ingredients"][:FOUND_INGREDIENTS], r["foods"][:FOUND_FOODS]))
    blocks = [f"no name has {typed!r}; read as {word!r}" for typed, word in r["read_as"].items()]
    if r["components"]:
        blocks.append("\n".join(f"component {c['component']}  {c['name']}, {shown_unit(c['unit'])}"
                                for c in r["components"]))
    if ingredients:
        blocks.append(_found_ingredients(ingredients, wide))
        blocks += _found_cautions(r["cautions"], [i["ingredient_id"] for i in ingredients], wide)
    blocks += [note if wide else _wrap_plain(note) for note in r["notes"]]
    lines = ["\n\n".join(blocks), *([""] if foods else [])] if blocks else []
    for f in foods:
        message = f"{f['source']} {f['food_id']}  {f['name']}"
        lines.append(message if wide else _wrap_plain(message))
        facts = [
            f["state"] + (f" ({f['method']})" if f["method"] not in (None, "none") else ""),
            f"{f['species']} {f['part']}",
            f"skin {f['skin']}",
            f"bone {f['bone']}",
            f"fat {f['fat_trim']}",
            f"additions {f['additions']}",
            f"may supply raw: {f['may_supply_raw']}",
        ]
        lines.append(_wrap("", "; ".join(facts), wide))
        for label, key in (("witnesses", "witnesses"), ("look at", "review_reasons"), ("cautions", "cautions")):
            if f[key]:
                lines.append(
                    _wrap(
                        f"  {label}",
                        "; ".join(
                            x if isinstance(x, str) else " ".join(_plain(y) for y in x.values())
                            for x in (
                                f[key]
                                if isinstance(f[key], list)
                                else [f"{k}: {_plain(v)}" for k, v in f[key].items()]
                            )
                        ),
                        wide,
                    )
                )
        if f["refuse_pct"]:
            lines.append(_wrap("  refuse", f"{f['refuse_pct']:g} % {f['refuse_note'] or ''}", wide))
    counted = [_many(r[key], noun) for key, noun in (("components", "component"),) if r[key]]
    for key, noun, told in (("ingredients", "ingredient", ingredients), ("foods", "source food", foods)):
        counted.append(_many(r[key], noun) + f", the first {len(told)} shown" * (len(told) < len(r[key])))
    cut = len(ingredients) < len(r["ingredients"]) or len(foods) < len(r["foods"])
    ending = ("; " if cut else ", ").join(counted) + ": all with --all or --format csv" * cut
    lines += ["", ending if wide else _wrap_plain(ending)]
    return "\n".join(lines)


def _many(found: Sequence[Any], noun: str) -> str:
    return f"{len(found)} {noun}{'s' if len(found) != 1 else ''}"


def _plain(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _found_ingredients(found: list[dict[str, Any]], wide: bool) -> str:
    """An id is what the next command is given, so it is never cut: where it leaves no room the part, which most ids
    name, is left out, then skin, then bone."""
    counts = {"valued": "components_valued", "measured": "components_measured", "gaps": "components_missing"}
    shown = {"not_applicable": "-", "unknown": "?"}
    facts = ["part", "skin", "bone"]
    while True:
        body = [[i["ingredient_id"], *(shown.get(i[f], i[f]) for f in facts), *(i[c] for c in counts.values())]
                for i in found]  # fmt: skip
        first = 1 + len(facts)
        listing = table(["ingredient", *facts, *counts], body, wide, (first, first + 1, first + 2), whole=(0,))
        if wide or not facts or max(map(len, listing.splitlines())) <= columns():
            return listing
        del facts[0]


def _found_cautions(found: list[dict[str, Any]], shown: list[str], wide: bool) -> list[str]:
    """The cautions of the ingredients that are shown, each by its first sentences, with those that carry it."""
    lines = []
    for caution in found:
        at = [name for name in shown if name in caution["ingredients"]]
        if not at:
            continue
        named = ", ".join(at[:3]) + (f" and {len(at) - 3} more" if len(at) > 3 else "")
        said = " ".join(re.split(r"(?<=[a-z)\d]\.) (?=[A-Z])", caution["text"])[:2]) or _plain(caution["code"])
        lines.append(f"caution{f' ({named})' if len(at) < len(shown) else ''}: {said}")
    return ["\n".join(lines if wide else map(_wrap_plain, lines))] if lines else []


def _nothing_found(r: dict[str, Any]) -> str:
    """One sentence: which words no name has, what is near, what to try."""
    where = "no food that needs review" if r["review"] else "no name"
    words = [f"{word!r}" + (f" (near: {', '.join(near)})" if near else "") for word, near in r["not_found"].items()]
    if words:
        return f"nothing found: no name has {' or '.join(words)}; try another word, or fewer"
    return f"nothing found: {where} has all of {r['text']!r}; try fewer words{', or no --review' * r['review']}"
