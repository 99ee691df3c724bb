"""What `rawref suggest` prints: a suggestion, and the leave-family-out table."""

from __future__ import annotations

import textwrap
from typing import Any

from rawref.registry.units import shown_unit
from rawref.render.terminal import WIDTH, ceiling, columns, number, table

LABEL = 14
LISTED = 5
"""How many refused donors are told in text."""


def _line(label: str, text: str, wide: bool) -> str:
    head = f"{label:<{LABEL}}"
    if wide:
        return head + text
    return textwrap.fill(text, columns(), initial_indent=head, subsequent_indent=" " * LABEL, break_on_hyphens=False,
                         break_long_words=False)


def _short(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.4g}"


def render_suggest(r: dict[str, Any], wide: bool) -> str:
    """A suggestion as text: what stands, what was passed over, raw peers, cooked twins, what to do next."""
    now, unit = r["now"], r["unit"]
    lines = [f"{r['ingredient_id']} {r['component']}", ""]
    amount = "" if now["value"] is None else f"{number(now['value'])} {shown_unit(unit)}, "
    stands = f"{amount}{now['status']}"
    lines.append(_line("now", stands + ("" if now["evidence"] else ", no evidence"), wide))
    if now["gap"]:
        lines.append(_line("gap", f"{now['gap']['kind']}: {now['gap']['detail']}", wide))
        lines.append(_line("ceiling", ceiling(now["gap"], unit), wide))
    if now["low"] is not None and now["high"] is not None:
        lines.append(_line("range", f"{_short(now['low'])} to {_short(now['high'])} {shown_unit(unit)}"
                                    f" ({now['spread_basis'].replace('_', ', ')})", wide))
    lines += ["", "other candidates, not chosen:"]
    if r["candidates"]:
        lines.append(table(("food", "match", "published", "status", "n", "why not"), [
            (f"{c['source']}:{c['food_id']}", c["match_quality"], f"{c['source_value']} {c['source_unit']}",
             c["status"], c["n"], c["reason_not_chosen"]) for c in r["candidates"]], wide))
    else:
        lines.append("  none")
    peers = r["peers"]
    lines.append("")
    if peers["n"]:
        lines.append(_line("raw peers", f"{_short(peers['low'])} to {_short(peers['high'])} {shown_unit(unit)}, median"
                                        f" {_short(peers['median'])}, n {peers['n']} (5th to 95th percentile;"
                                        f" {peers['part']}, {peers['species_group']}; {peers['same_species']} of the"
                                        " same species)", wide))
        shown = peers["list"] if wide else peers["list"][:LISTED]
        lines.append(table(("food", "name", "value", "n"), [
            (f"{p['source']}:{p['food_id']}", p["name"], _short(p["value"]), p["n"]) for p in shown], wide, (2, 3)))
        if len(shown) < len(peers["list"]):
            lines.append(f"  and {len(peers['list']) - len(shown)} more (--wide)")
    else:
        lines.append(_line("raw peers", "no measured raw food of the same part and group of animals", wide))
    lines += ["", *_cooked(r["cooked"], unit, wide), "", "what to do next:"]
    for position, step in enumerate(r["next"], 1):
        lines.append(_line(f"  {position}", step["text"], wide))
        if step["row"]:
            # never wrapped: it is pasted into decisions.csv as it stands
            lines += ["  paste into raw/maintainer/decisions.csv:", step["row"]]
    return "\n".join(lines)


def _cooked(cooked: dict[str, Any], unit: str, wide: bool) -> list[str]:
    lines = []
    for twin in cooked["offered"] + cooked["weak"]:
        lines += _twin(twin, unit, wide)
        for raw in cooked["outranked_by"][:1]:
            lines.append(_line("  mind", f"ranks below the raw value of {raw['source']} {raw['food_id']}"
                                         f" ({raw['status']}, match {raw['match_quality']})", wide))
        lines.append("")
    if not lines:
        lines.append("from cooked: nothing is offered")
    if cooked["refused"]:
        shown = cooked["refused"] if wide else cooked["refused"][:LISTED]
        lines.append("cooked foods that are refused:")
        for twin in shown:
            lines.append(_line(f"  {twin['donor_food_id']}", twin["donor_name"], wide))
            for rule in twin["refusals"]:
                lines.append(_line("", f"rule {rule['rule']}: {rule['text']}", wide))
            if twin["value"] is not None:
                lines.append(_line("", f"for comparison only: {_short(twin['value'])} {shown_unit(unit)}", wide))
            if not twin["refusals"]:
                error = twin["error"]
                lines.append(_line("", f"offer no: 90th percentile error {error['p90_pct']:g} % on {error['pairs']}"
                                       f" pairs of {error['group']}", wide))
        if len(shown) < len(cooked["refused"]):
            lines.append(f"  and {len(cooked['refused']) - len(shown)} more (--wide)")
    return lines


def _twin(t: dict[str, Any], unit: str, wide: bool) -> list[str]:
    error = t["error"]
    head = "from cooked" if t["offer"] != "weak" else "WEAK, not to be taken over: from cooked"
    interval = f"80 % interval {_short(t['low'])} to {_short(t['high'])}"
    lines = [f"{head}: {_short(t['value'])} {shown_unit(unit)}, {interval} ({t['offer']})"]
    lines.append(_line("  donor", f"{t['donor_source']} {t['donor_food_id']} {t['donor_name']}: {t['published']}"
                                  f" {t['published_unit']}, {t['status']}, n {t['n']}", wide))
    lines.append(_line("  raw twin", f"{t['twin_food_id']} {t['twin_name']} (match {t['match_quality']})", wide))
    lines.append(_line("  method", f"{t['method'] or 'not named'}; yield {t['yield']:.3g} ({t['yield_basis']})", wide))
    lines.append(_line("  retention", f"{t['retention_pct']:.3g} %, measured, {t['pairs']} pairs of {t['families']}"
                                      f" families ({t['level']})", wide))
    if t["published_factor"]:
        p = t["published_factor"]
        lines.append(_line("", f"published factor, not used: {p['retention_pct']:g} % ({p['standing']};"
                               f" {p['source']})", wide))
    peers = "" if error["peers_p90_pct"] is None else \
        f"; raw peers alone {error['peers_median_pct']:g} / {error['peers_p90_pct']:g} %"
    lines.append(_line("  error", f"median {error['median_pct']:g} %, 90th percentile {error['p90_pct']:g} % on"
                                  f" {error['pairs']} pairs of {error['families']} families of"
                                  f" {error['group']}{peers}", wide))
    return lines


def render_errors(r: dict[str, Any], wide: bool) -> str:
    """The leave-family-out table: absolute relative error, %, median / 90th percentile, and coverage."""
    narrow = not wide and columns() < WIDTH
    ways = ("as is", "moist", "prot", "publ", "meas", "peers")
    first = 3 if narrow else 0  # what is left out in few columns: the ways that no estimate takes
    rest = "; the first three ways too" if narrow else ""
    lines = [textwrap.fill(
        "Error of a raw value predicted from its cooked twin, %, median/90th percentile; the whole family of the"
        " predicted cut is left out. Pairs/families of USDA SR28. in: truths of held-out families inside the 80 %"
        f" interval, %; the factors of the interval are in --wide and in JSON{rest}.", columns())]
    for group in ("muscle", "organ", "aquatic"):
        body = []
        for e in r["errors"]:
            if e["group"] != group:
                continue
            errors = [f"{w['median']:.0f}/{w['p90']:.0f}" if w else "-" for w in e["errors"].values()][first:]
            cover = "-" if e["coverage"] is None else f"{e['coverage']:.0f}"
            factors = [f"{e['factor_low']:.2f}-{e['factor_high']:.2f}"] if wide else []
            body.append((e["component"], f"{e['pairs']}/{e['families']}", *errors, *factors, cover, e["offer"]))
        title = {"muscle": "muscle, fish and shellfish", "organ": "organs",
                 "aquatic": "fish and shellfish alone (part of the first)"}[group]
        lines += ["", title + ":", table(
            ("", "n", *ways[first:], *(["80 %"] if wide else []), "in", "offer"), body, wide)]
    lines.append("")
    for c in r["coverage"]:
        bare = f" ({c['coverage_unwidened']:g} % unwidened)" if c["coverage"] != c["coverage_unwidened"] else ""
        sentence = f"80 % intervals hold {c['coverage']:g} % on held-out families of {c['group']}{bare}"
        lines.append(sentence if wide else textwrap.fill(sentence, columns(), subsequent_indent="  "))
    return "\n".join(lines)
