"""Result objects as plain text: tables that fit 80 columns, words instead of colours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

WIDTH = 80


def number(value: Any) -> str:
    """A number as people read it; `unknown` where there is none."""
    if value is None:
        return "unknown"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def table(heading: Sequence[str], body: Sequence[Sequence[Any]], wide: bool, right: Sequence[int] = ()) -> str:
    """Aligned columns; unless `wide`, the widest column is cut so that a line fits 80 characters."""
    cells = [[str(h) for h in heading], *[["" if c is None else str(c) for c in row] for row in body]]
    widths = [max(len(row[i]) for row in cells) for i in range(len(heading))]
    while not wide and sum(widths) + 2 * (len(widths) - 1) > WIDTH:
        widest = widths.index(max(widths))
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
    return textwrap.fill(text, WIDTH, initial_indent=head, subsequent_indent=" " * 14, break_on_hyphens=False)


def build_summary(outcome: Any) -> str:
    """What was read, what was kept, what came of it."""
    from pipeline.coverage import told

    s = outcome.summary
    lines = [
        table(
            ("source", "release", "foods", "values", "set aside"),
            [(r["source"], r["release"], r["foods"], r["values"], r["set_aside"]) for r in s["sources"]],
            False,
            (2, 3, 4),
        )
    ]
    if s["absent"]:
        lines.append("absent: " + ", ".join(s["absent"]) + " (rawref fetch gets them)")
    lines.append(f"\n{s['ingredients']} ingredients; {s['review_list']} foods wait for a look (rawref find --review)")
    lines.append(told(s["coverage"]))
    lines.append("values by status: " + ", ".join(f"{k} {v}" for k, v in s["values_by_status"].items()))
    lines.append("gaps by kind: " + ", ".join(f"{k} {v}" for k, v in s["gaps_by_kind"].items()))
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

    return textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def releases(entries: list[dict[str, Any]]) -> str:
    """Releases at hand and how fresh they are."""
    if not entries:
        return "nothing at hand"
    return table(
        ("source", "release", "standing", "state", "had", "days old"),
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


def trace_cell(r: dict[str, Any], wide: bool) -> str:
    """The chain behind one cell, from the number down to the line."""
    amount = "no point value" if r["value"] is None else f"{number(r['value'])} {r['unit']}"
    lines = [f"{r['ingredient_id']} {r['component']}: {amount}, {r['status']}", ""]

    def add(label: str, text: Any) -> None:
        if text not in (None, ""):
            lines.append(_wrap(label, str(text), wide))

    if r["low"] is not None or r["high"] is not None:
        add("range", f"{number(r['low'])} to {number(r['high'])} {r['unit']} ({r['spread_basis']})")
    add("basis", r["basis"])
    add("confidence", r["confidence"])
    if r["source"]:
        add("source", f"{r['source']} release {r['release']}")
        add("food", f"{r['food_id']} {r['food_name']} (match {r['match_quality']})")
        add(
            "published",
            f"component {r['source_component']}: {r['source_value']!r} {r['source_unit']}, "
            f"n {number(r['n']) if r['n'] is not None else 'not stated'}",
        )
        for code in r["source_codes"]:
            add(code["kind"], f"{code['code']}: {code['meaning']}")
        if r["donor_food_id"]:
            add("donor", f"{r['donor_food_id']}, {r['donor_state']}")
        add("line", f"{r['file']} line {r['line']}")
        add("sha256", r["sha256"])
    for part in r["parts"]:
        add(
            "part",
            f"{part['share_pct']:g} % ({part['share_low_pct']:g} to {part['share_high_pct']:g}) "
            f"{part['part_ingredient_id']}: {number(part['value'])} {part['unit']}, {part['status']}"
            + (f", {part['source']} {part['food_id']}, {part['file']} line {part['line']}" if part["source"] else "")
            + f" [share: {part['citation_id']}]",
        )
    for step in r["steps"]:
        add("step", f"{step['id']}: {step['from']} -> {step['to']}, {step['factor']} [{step['source']}]")
    add("why", r["reason"])
    if r["decision"]:
        d = r["decision"]
        add("decision", f"{d['decision_id']} {d['action']}: {d['reason']} [{d['citation']}; {d['standing']}]")
    if r["gap"]:
        add("gap", f"{r['gap']['kind']}: {r['gap']['detail']}. Remedy: {r['gap']['remedy']}")
    p = r["peers"]
    add(
        "peers",
        f"{p['n']} comparable foods, {number(p['low'])} to {number(p['high'])}, median {number(p['median'])} "
        f"{r['unit']}"
        if p["n"]
        else "no comparable food has evidence",
    )
    if r["disagreement"] is not None:
        add("disagreement", f"largest by smallest of independent sources: {number(r['disagreement'])}")
    for ref in r["references"]:
        told = ", ".join(str(ref[k]) for k in ("authors", "year", "title", "container", "volume", "pages") if ref[k])
        add("reference", f"{ref['reference_id']} {told}")
    add("mind", r["usage_warning"])
    if r["alternatives"]:
        lines += [
            "",
            "not chosen:",
            table(
                ("food", "match", "published", "status", "n", "why not"),
                [
                    (
                        f"{a['source']}:{a['food_id']}",
                        a["match_quality"],
                        f"{a['source_value']} {a['source_unit']}",
                        a["status"],
                        a["n"],
                        a["reason_not_chosen"],
                    )
                    for a in r["alternatives"]
                ],
                wide,
            ),
        ]
    return "\n".join(lines)


def trace_from(r: dict[str, Any], wide: bool) -> str:
    """What one published line became."""
    v = r["published"]
    lines = [
        f"{v['source']} {v['file']} line {v['line']}: {v['food_id']} {v['food_name']}",
        f"  {v['source_component']} {v['component_name']}: {v['text']!r} {v['unit']}",
        "",
    ]
    for h in r["reference"]:
        shown = number(h["value"]) if h["value"] is not None else f"{number(h['low'])} to {number(h['high'])}"
        lines.append(
            f"reference  {h['component']} {shown} {h['unit']}, {h['status']}"
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
        lines.append("curated    no ingredient is mapped to this food, or the component is not needed")
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
                        f"{number(t['value'])} {t['unit']}",
                        t["status"],
                    )
                    for t in r["touched"]
                ],
                wide,
            )
        )
    return "\n".join(lines)


def gaps(found: list[dict[str, Any]], wide: bool) -> str:
    """Gaps, with the range of comparable foods, and what the unknown could hide where that was asked for."""
    if not found:
        return "no gap"
    ranked = any(g["impact"] is not None for g in found)
    body = []
    for g in found:
        p = g["peers"]
        peers = f"{number(p['low'])} to {number(p['high'])} {p['unit']} (n {p['n']})" if p["n"] else "none"
        impact = "" if g["impact"] is None else f"{g['impact']:.0%}"
        body.append([g["ingredient_id"], g["component"], g["kind"], peers, *([impact] if ranked else [])])
    heading = ["ingredient", "component", "kind", "comparable foods", *(["could hide"] if ranked else [])]
    return table(heading, body, wide) + f"\n\n{len(found)} gaps"


def found(r: dict[str, Any], wide: bool) -> str:
    """Ingredients, then source foods with what they are and who says so."""
    lines = []
    if r["ingredients"]:
        lines += [
            table(
                ("ingredient", "part", "skin", "bone", "valued", "measured", "gaps"),
                [
                    (
                        i["ingredient_id"],
                        i["part"],
                        i["skin"],
                        i["bone"],
                        i["components_valued"],
                        i["components_measured"],
                        i["components_missing"],
                    )
                    for i in r["ingredients"]
                ],
                wide,
                (4, 5, 6),
            ),
            "",
        ]
    for f in r["foods"]:
        told = f"{f['source']} {f['food_id']}  {f['name']}"
        lines.append(told if wide else _wrap_plain(told))
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
                            x if isinstance(x, str) else " ".join(str(y) for y in x.values())
                            for x in (f[key] if isinstance(f[key], list) else [f"{k}: {v}" for k, v in f[key].items()])
                        ),
                        wide,
                    )
                )
        if f["refuse_pct"]:
            lines.append(_wrap("  refuse", f"{f['refuse_pct']:g} % {f['refuse_note'] or ''}", wide))
    lines.append(f"\n{len(r['ingredients'])} ingredients, {len(r['foods'])} source foods")
    return "\n".join(lines)
