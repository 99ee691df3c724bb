"""What each page shows, worked out from the tables; templates only lay it out."""

from __future__ import annotations

import json
import math
import re
import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.checks.run import closes
from rawref.lookup.trace import part_known
from rawref.lookup.words import meanings, no_meat, text_of
from rawref.registry.units import shown_unit
from rawref.report import drawings
from rawref.report.drawings import Dot
from rawref.report.tables import Peers, Row, Tables
from rawref.report.words import exact_span, number, plain, rounded, short, span, web

OUTLIER_Z, OUTLIER_FOODS = 3.5, 8
"""Robust z of the logarithm, and the fewest ingredients of a part: the warning limit of check M02."""
FINDINGS_SHOWN, FINDINGS_LEAST, FINDINGS_OF_PAGE = 60, 5, 2000
"""Findings of one rule on the page: the first figure, or fewer where many rules have some."""
CHANGES_SHOWN, DISAGREEMENTS_SHOWN, MAP_ROWS, GAPS_SHOWN = 300, 60, 140, 150
TIERS = ("requirement", "spread", "rounding", "note")
NATURE = "not_applicable"


def can_hold(cells: Iterable[Row]) -> list[Row]:
    """The cells of what an ingredient can hold: what is none by its nature is neither evidence nor a gap."""
    return [cell for cell in cells if cell["status"] != NATURE]


def status_counts(cells: Iterable[Row], order: Iterable[str], bands: Mapping[str, str]) -> dict[str, int]:
    """Cells by status: the best known first, then the most frequent."""
    found = Counter(cell["status"] for cell in cells)
    ranked = sorted(order, key=lambda status: (bands.get(status, drawings.BLANK), -found[status]))
    return {status: found[status] for status in ranked if found[status]}


def gap_counts(cells: Iterable[Row], order: Iterable[str]) -> dict[str, int]:
    """Gaps by kind, the most frequent first."""
    found = Counter(cell["gap"]["kind"] for cell in cells if cell["gap"])
    return {kind: found[kind] for kind in sorted(order, key=lambda kind: -found[kind]) if found[kind]}


def ingredient(tables: Tables, row: Row, lines: Mapping[tuple[str, str, str], str]) -> dict[str, Any]:
    """One ingredient: its cells in groups of components with strips, its foods by letter, and what the chains tell
    beyond the columns of `values`. `lines`: the text of a line of a source, by source, file and line."""
    group = tables.group(row)
    cells = tables.cells[row["ingredient_id"]]
    names = {c["component"]: c for c in tables.components}
    grouped: dict[str, list[dict[str, Any]]] = {}
    details: dict[str, dict[str, Any]] = {"cells": {}, "codes": {}, "references": {}}
    for cell in cells:
        component = names[cell["component"]]
        peers = _peers(tables, cell, (cell["component"], row["part"], group), raw=row["kind"] == "raw")
        parts = _parts(tables, row, cell)
        grouped.setdefault(component["group"], []).append({
            "cell": cell, "component": component, "gap": cell["gap"], "parts": parts,
            "in_a_mix": _in_a_mix(tables, cell, parts),
            "beside": f"{peers.n} comparable, median {rounded(peers.median)}"
            if peers and peers.n and peers.median is not None else "",
            "strip": drawings.strip(peers, cell["value"], cell["low"], cell["high"], shown_unit(cell["unit"])),
        })  # fmt: skip
        text = lines.get((cell["source"], cell["file"], cell["line"]), "")
        details["cells"][cell["component"]] = _detail(cell, peers, parts, text)
        details["codes"] |= {code: meaning for code, meaning in _codes(tables, cell) if meaning}
        details["references"] |= {r: _reference(tables.references[r]) for r in cell["reference_ids"]
                               if r in tables.references}
    files = {(cell["source"], cell["file"]) for cell in cells if cell["file"]}
    foods = Counter((cell["source"], cell["food_id"], cell["food_name"]) for cell in cells if cell["source"])
    lettered = [(_letter(at), *food, n) for at, (food, n) in enumerate(foods.most_common())]
    return {
        "row": row, "group": group, "grouped": grouped, "cells": cells, "details": details,
        "foods": lettered, "letters": {(source, food): letter for letter, source, food, _, _ in lettered},
        "others": sum(len(cell["others"]) for cell in cells),
        "gaps": sum(1 for cell in cells if cell["gap"]), "asked": len(can_hold(cells)),
        "files": [f for f in tables.files if (f["source"], f["file"]) in files],
        "licences": [s for s in tables.sources if s["id"] in {source for source, _ in files}],
    }


def _letter(at: int) -> str:
    """a to z, then aa, ab and so on."""
    return (_letter(at // 26 - 1) if at >= 26 else "") + chr(ord("a") + at % 26)


def _detail(cell: Row, peers: Peers | None, parts: Sequence[Mapping[str, Any]], line: str) -> dict[str, Any]:
    """What a chain tells beyond the columns of `values`; only what there is."""
    made: dict[str, Any] = {}
    if peers and peers.n:
        made["peers"] = [peers.n, *(short(x) for x in (peers.low, peers.median, peers.high))]
    if parts:
        made["parts"] = [[p["part"]["share_pct"], p["part"]["part_ingredient_id"], _amount(p["cell"]),
                          plain(p["cell"]["status"]), p["part"]["citation_id"]] for p in parts]
    if line:
        made["text"] = line
    return made


def _amount(cell: Row) -> str:
    if cell["value"] is not None:
        return f"{number(cell['value'])} {shown_unit(cell['unit'])}"
    ends = exact_span(cell["low"], cell["high"])
    return f"{ends} {shown_unit(cell['unit'])}" if ends else "unknown"


def _reference(of: Row) -> list[str]:
    """The reference in words, and its address where it is one of the web."""
    words = ". ".join(str(of[key]) for key in ("authors", "title", "container", "year") if of[key])
    words += (f" {of['volume']}" if of["volume"] else "") + (f": {of['pages']}" if of["pages"] else "")
    return [words, web(of["url"])]


def chain_words(tables: Tables, schemas: Path, shared: Sequence[str]) -> dict[str, Any]:
    """What every chain reads in common: the words of codes, the steps, notes of components; once for all pages."""
    words = registry.vocabularies(schemas)
    steps = {}
    for key, step in registry.steps(schemas).items():
        way = ("" if step["from_component"] == "any" else
               f"{step['from_component']} {step['from_unit']} to {step['to_component']} {step['to_unit']}, ")
        steps[key] = way + (step["factor"] or step["formula"])
    return {**{name: words[name] for name in ("gap_kind", "spread_basis", "match_quality")}, "steps": steps,
            "notes": {c["component"]: c["usage_warning"] for c in tables.components if c["usage_warning"]},
            "texts": list(shared)}


def _peers(tables: Tables, cell: Row, key: tuple[str, str, str], *, raw: bool) -> Peers | None:
    """Comparable foods from the reference stage; without it, the summary that a gap carries."""
    if tables.from_database:
        return tables.peers.get(key) if raw else None
    gap = cell["gap"]
    if not gap or not gap["peers_n"]:
        return None
    return Peers(gap["peers_n"], gap["peers_low"], gap["peers_median"], gap["peers_high"])


def _codes(tables: Tables, cell: Row) -> list[tuple[str, str]]:
    """The codes that the source printed, each with its meaning."""
    text = cell["derivation"]
    if not text:
        return []
    source_code, _, derivation = text.partition("/")
    if (cell["source"], "source_code", source_code) in tables.codes:
        pairs = [("source_code", source_code), *([("derivation", derivation)] if derivation else [])]
    else:
        pairs = [("derivation", text)]
    return [(f"{plain(kind)} {code}", tables.codes.get((cell["source"], kind, code), "")) for kind, code in pairs]


def _parts(tables: Tables, row: Row, cell: Row) -> list[dict[str, Any]]:
    """The parts of a composite with the share of each and its own cell."""
    found = []
    for part in tables.composites.get(row["ingredient_id"], []):
        own = next((c for c in tables.cells.get(part["part_ingredient_id"], [])
                    if c["component"] == cell["component"]), None)
        if own:
            found.append({"part": part, "cell": own})
    return found


def _in_a_mix(tables: Tables, cell: Row, parts: Sequence[Mapping[str, Any]]) -> dict[str, float] | None:
    """Of a composite without a figure: what `rawref mix` counts of it, and the share of it that has a figure."""
    if cell["status"] != "missing" or not parts:
        return None
    return part_known([{**p["cell"], "share_pct": float(p["part"]["share_pct"])} for p in parts], tables.counted)


SHARED_FROM, SHARED_LONG = 3, 3
"""A text on so many pages, of so many characters, is kept once for all of them."""


def shared_words(tables: Tables, columns: Sequence[str]) -> list[str]:
    """Texts of `values` and of gaps that several ingredients have, the most frequent first: pages refer to them."""
    found: Counter[str] = Counter()
    for cells in tables.cells.values():
        texts = {_text(cell[c]) for cell in cells for c in columns if isinstance(cell[c], (str, list))}
        texts |= {text for cell in cells if cell["gap"] for text in _gap(cell["gap"])}
        found.update(text for text in texts if len(text) >= SHARED_LONG)
    return sorted((w for w, n in found.items() if n >= SHARED_FROM), key=lambda w: (-found[w], w))


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")) if isinstance(value, list) else str(value)


def _gap(gap: Row) -> list[str]:
    return [gap["kind"], gap["detail"] or "", gap["remedy"] or "", ", ".join(gap["needed_by"])]


def embedded_cells(cells: Sequence[Row], columns: Sequence[str], shared: Mapping[str, int]) -> dict[str, Any]:
    """The rows of values.csv of one ingredient: numbers as they are, each text by its place in the `shared` texts of
    all pages followed by the page's own `words`; and `gaps` in the same way: kind, detail, remedy, asked for by.

    `same` has what a column holds in every row, and such a column is in none of them; `numeric` names the columns
    whose numbers are amounts, not places.
    """
    words: dict[str, int] = {}
    numeric = [column for column in columns if any(isinstance(cell[column], (int, float)) for cell in cells)]

    def place(text: str) -> int:
        return shared[text] if text in shared else words.setdefault(text, len(shared) + len(words))

    def packed(column: str, value: Any) -> Any:
        return value if value is None or column in numeric else place(_text(value))

    same = {c: packed(c, cells[0][c]) for c in columns if len({_text(cell[c]) for cell in cells}) == 1} if cells else {}
    kept = [column for column in columns if column not in same]
    rows = [[packed(column, cell[column]) for column in kept] for cell in cells]
    gaps = {cell["component"]: [place(text) for text in _gap(cell["gap"])] for cell in cells if cell["gap"]}
    return {"columns": list(columns), "same": same, "numeric": numeric, "words": list(words), "rows": rows,
            "gaps": gaps}  # fmt: skip


def component(tables: Tables, of: Row, gap_kinds: Iterable[str]) -> dict[str, Any]:
    """One component over all ingredients: amounts by part, outliers, disagreement of sources, what is missing."""
    rows = []
    for row in tables.ingredients:
        cell = next((c for c in tables.cells[row["ingredient_id"]] if c["component"] == of["component"]), None)
        if cell:
            rows.append({"row": row, "cell": cell, "gap": cell["gap"], "group": tables.group(row)})
    valued = [r for r in rows if not r["gap"] and r["cell"]["value"] is not None]
    known = [r for r in valued if r["row"]["kind"] != "addition"]
    asked = can_hold(r["cell"] for r in rows)
    ranges = [r for r in rows if not r["gap"] and r["cell"]["value"] is None and r["cell"]["status"] != NATURE]
    by_part: dict[str, list[dict[str, Any]]] = {}
    for r in known:
        by_part.setdefault(r["row"]["part"], []).append(r)
    order = sorted(by_part, key=lambda part: (-len(by_part[part]), part))
    outliers = _outliers(by_part, order)
    marks = {r["row"]["ingredient_id"]: at for at, r in enumerate(outliers, 1)}
    parts = []
    for part in order:
        amounts = sorted(r["cell"]["value"] for r in by_part[part])
        parts.append({"part": part, "n": len(amounts), "low": amounts[0], "median": statistics.median(amounts),
                      "high": amounts[-1],
                      "gaps": sum(1 for r in rows if r["gap"] and r["row"]["part"] == part
                                  and r["row"]["kind"] != "addition")})
    dots = [(part, [Dot(r["row"]["ingredient_id"], r["cell"]["value"], marks.get(r["row"]["ingredient_id"], 0))
                    for r in by_part[part]]) for part in order]
    said = (f"{of['name']} of {len(known)} ingredients by part, in {shown_unit(of['unit'])} on a logarithmic line; "
            "the table below has the same figures")
    kinds = [(kind, [r["row"] for r in rows if r["gap"] and r["gap"]["kind"] == kind]) for kind in gap_kinds]
    apart = sorted((r for r in rows if r["cell"]["disagreement"] is not None),
                   key=lambda r: (-r["cell"]["disagreement"], r["row"]["ingredient_id"]))
    return {
        "component": of, "rows": rows, "known": len(known), "additions": len(valued) - len(known),
        "ranges": ranges,
        "parts": parts, "outliers": outliers,
        "evidence": sum(not cell["gap"] for cell in asked), "asked": len(asked),
        "gaps": sum(1 for r in rows if r["gap"]),
        "plot": drawings.distribution(dots, shown_unit(of["unit"]), said),
        "missing": [(k, found) for k, found in kinds if found],
        "disagreement": apart[:DISAGREEMENTS_SHOWN], "disagreement_n": len(apart),
    }


def _outliers(by_part: Mapping[str, list[dict[str, Any]]], order: Sequence[str]) -> list[dict[str, Any]]:
    """Ingredients far from the others of their part on a logarithmic scale, farthest first."""
    found = []
    for part in order:
        logs = {r["row"]["ingredient_id"]: math.log10(r["cell"]["value"])
                for r in by_part[part] if r["cell"]["value"] > 0}
        if len(logs) < OUTLIER_FOODS:
            continue
        middle = statistics.median(logs.values())
        spread = statistics.median(abs(x - middle) for x in logs.values())
        if not spread:
            continue
        for r in by_part[part]:
            at = logs.get(r["row"]["ingredient_id"])
            z = 0.0 if at is None else 0.6745 * (at - middle) / spread
            if abs(z) > OUTLIER_Z:
                found.append({**r, "z": round(z, 1), "times": float(f"{r['cell']['value'] / 10 ** middle:.2g}"),
                              "median": 10 ** middle})
    return sorted(found, key=lambda r: (-abs(r["z"]), r["row"]["ingredient_id"]))


def coverage(tables: Tables) -> dict[str, Any]:
    """Evidence by component and species group, and a picture of every group."""
    groups: dict[str, list[Row]] = {}
    for row in tables.ingredients:
        groups.setdefault(tables.group(row), []).append(row)
    order = sorted(groups, key=lambda group: (group == "none", -len(groups[group]), group))
    tags = [c["component"] for c in tables.components]
    asked = {group: [cell for row in groups[group] for cell in can_hold(tables.cells[row["ingredient_id"]])]
             for group in order}
    wholes = {group: Counter(cell["component"] for cell in asked[group]) for group in order}
    counts = {group: Counter(cell["component"] for cell in asked[group] if not cell["gap"]) for group in order}
    matrix = [{"component": c, "cells": [(group, counts[group][c["component"]], wholes[group][c["component"]])
                                         for group in order],
               "evidence": sum(counts[group][c["component"]] for group in order),
               "whole": sum(wholes[group][c["component"]] for group in order)} for c in tables.components]
    made = []
    for group in order:
        lines = [[drawings.BY_NATURE if cell["status"] == NATURE
                  else tables.bands.get(cell["status"], drawings.BLANK) for cell in tables.cells[row["ingredient_id"]]]
                 for row in groups[group]]
        evidence, whole = sum(counts[group].values()), len(asked[group])
        said = (f"{plain(group)}: {len(groups[group])} ingredients by {len(tags)} components, {evidence} of {whole} "
                "cells with evidence; the page of the group has the same as a table")
        pages = [group + (f"-{at + 1}" if at else "") for at in range(-(-len(groups[group]) // MAP_ROWS))]
        made.append({"group": group, "pages": pages, "n": len(groups[group]), "evidence": evidence, "whole": whole,
                     "picture": drawings.picture(lines, tags, said)})
    return {"groups": made, "matrix": matrix, "whole": len(tables.ingredients)}


def map_page(tables: Tables, group: str, page: int) -> dict[str, Any]:
    """The cells of one species group (at most MAP_ROWS ingredients a page) as letters with a full label each."""
    rows = [row for row in tables.ingredients if tables.group(row) == group][page * MAP_ROWS:(page + 1) * MAP_ROWS]
    lines = []
    for row in rows:
        line = []
        for cell in tables.cells[row["ingredient_id"]]:
            amount = short(cell["value"]) if cell["value"] is not None else exact_span(cell["low"], cell["high"])
            struck = cell["gap"] and cell["gap"]["kind"] == "rejected"
            status = "struck out" if struck else "unknown" if cell["status"] == "missing" else plain(cell["status"])
            said = f"{status} {amount} {shown_unit(cell['unit'])}" if amount else status
            line.append((cell["component"], "X" if struck else tables.letter(cell),
                         said + (f", gap: {plain(cell['gap']['kind'])}" if cell["gap"] else ""), bool(cell["gap"])))
        lines.append({"row": row, "cells": line, "gaps": sum(1 for c in line if c[3])})
    return {"group": group, "lines": lines, "gaps": sum(line["gaps"] for line in lines),
            "species": sorted({row["species"] for row in rows}), "parts": sorted({row["part"] for row in rows})}


ENOUGH_PAIRS = 20
"""Pairs from which the coverage of a component is drawn."""


def quality(tables: Tables, check: Mapping[str, Any] | None) -> dict[str, Any]:
    """The findings that matter first (those that close the gate, then the warnings of the published table by rule),
    the rules with their findings in the same order, cut at a stated number; decisions by action, reports."""
    rules = []
    busy = sum(1 for rule in (check or {}).get("rules", []) if rule.get("findings"))
    shown = min(FINDINGS_SHOWN, max(FINDINGS_LEAST, FINDINGS_OF_PAGE // max(busy, 1)))
    for rule in (check or {}).get("rules", []):
        found = rule.get("findings", [])
        rules.append({**rule, "findings": [{**f, "link": _cell_link(tables, str(f.get("subject", "")))}
                                           for f in found[:shown]],
                      "label": rule.get("name") or rule["rule"], "total": len(found), "worst": _worst(found),
                      "closing": [{**f, "link": _cell_link(tables, str(f.get("subject", "")))}
                                  for f in found if closes(f)],
                      "warnings": sum(f.get("scope") == "curated" and f.get("severity") == "warn" for f in found)})
    rules.sort(key=lambda r: (-len(r["closing"]), -r["warnings"], -r["total"], r["status"] == "not_applicable"))
    decisions: dict[str, list[Row]] = {}
    for decision in tables.decisions:
        decisions.setdefault(decision["action"], []).append(decision)
    return {"given": check is not None, "summary": _counts(check), "rules": rules,
            "decisions": decisions, "reported": [d for d in tables.decisions if d.get("told_publisher")],
            "shown": shown, "calibration": _calibration(tables)}


def _calibration(tables: Tables) -> dict[str, Any]:
    """Coverage of the ranges as a drawing: of all, by component, and by the table that was left out."""
    ranges = [r for r in tables.calibration if r["measure"] == "range" and r["class"] == "*"]
    overall = {r["left_out"]: r for r in ranges if r["component"] == "*"}
    lines = [(f"without {name}", [r]) for name, r in sorted(overall.items()) if name not in ("species", "table")]
    for c in tables.components:
        held = [r for r in ranges if r["component"] == c["component"] and r["n"] >= ENOUGH_PAIRS]
        if held:
            lines.append((re.split(r", | \(", c["name"])[0], sorted(held, key=lambda r: str(r["left_out"]))))
    return {"overall": [overall[k] for k in ("species", "table") if k in overall],
            "picture": drawings.coverage([(name, [(r["left_out"] == "species", r["coverage"], int(r["n"])) for r in of])
                                          for name, of in lines]),
            "least": ENOUGH_PAIRS,
            "ceilings": sorted(({**r, "rests_on": _rests_on(r["class"])} for r in tables.calibration
                                if r["measure"] == "ceiling" and r["component"] == "*"),
                               key=lambda r: _place(r["class"]))}


REACH = {"near": "comparable foods", "far": "comparable foods of other animals",
         "class": "foods of other animals and parts", "partner": "sodium, foods with both known",
         "charge": "the charges of its sodium, potassium, calcium and magnesium", "any": "foods of any other animal",
         "largest": "the largest figure of any food, foods"}
"""What a ceiling rests on, in words; as stages/curated/ceilings*.sql has it, nearest first."""


def _place(code: str) -> tuple[int, int, str]:
    """Where `near 10-19` stands in the list; a code without words of its own comes last."""
    reach, _, numbers = code.partition(" ")
    least = numbers.partition("-")[0]
    return (list(REACH).index(reach) if reach in REACH else len(REACH), int(least) if least.isdigit() else 0, code)


def _rests_on(code: str) -> str:
    """`near 10-19` in words."""
    reach, _, numbers = code.partition(" ")
    low, dash, high = numbers.partition("-")
    if reach == "charge":  # its number counts cations, no foods
        return REACH[reach]
    return f"{REACH.get(reach, reach)}: {f'{low} to {high}' if high else f'{low} or more' if dash else low}"


def _counts(result: Mapping[str, Any] | None) -> dict[str, int]:
    """The plain counts of a summary."""
    return {key: n for key, n in (result or {}).get("summary", {}).items() if isinstance(n, int)}


def _worst(findings: Sequence[Mapping[str, Any]]) -> str:
    severities = {f.get("severity") for f in findings}
    return next((s for s in ("fail", "warn", "note") if s in severities), "")


def _cell_link(tables: Tables, subject: str) -> str:
    """The page of a subject that is an ingredient of the table, or its cell; empty for a food of a source."""
    name, _, tag = subject.partition(":")
    if name not in tables.cells:
        return ""
    known = {cell["component"] for cell in tables.cells[name]}
    return f"ingredient/{name}.html" + (f"#{tag}" if tag in known else "")


def drift(tables: Tables, result: Mapping[str, Any] | None) -> dict[str, Any]:
    """Changes in the order of the result (weightiest first), counted by tier and cause, cut at a stated number."""
    changes = (result or {}).get("changes", [])
    causes = sorted({str(c.get("cause")) for c in changes})
    found = Counter((str(c.get("tier")), str(c.get("cause"))) for c in changes)
    tiers = [t for t in TIERS if any(t == tier for tier, _ in found)]
    tiers += sorted({tier for tier, _ in found} - set(TIERS))
    cell = ("ingredient_id", "component")
    shown = [{**c, "subject": c.get("subject") or " ".join(str(c[key]) for key in cell if c.get(key)),
              "link": _cell_link(tables, f"{c.get('ingredient_id')}:{c.get('component')}")}
             for c in changes[:CHANGES_SHOWN]]
    return {
        "given": result is not None, "summary": _counts(result), "total": len(changes), "changes": shown,
        "causes": causes, "matrix": [(tier, [found[tier, cause] for cause in causes]) for tier in tiers],
    }


def sources(tables: Tables) -> list[dict[str, Any]]:
    """Every declared source with the cells, candidates and files that came from it."""
    chosen = Counter(cell["source"] for cells in tables.cells.values() for cell in cells if cell["source"])
    others = Counter(other["source"] for cells in tables.cells.values() for cell in cells for other in cell["others"])
    return [{**source, "chosen": chosen[source["id"]], "others": others[source["id"]],
             "files": [f for f in tables.files if f["source"] == source["id"]]} for source in tables.sources]


def dictionary(schemas: Any) -> dict[str, Any]:
    """The registry as it stands in schemas/: fields, vocabularies, components, steps, cautions, confidence."""
    return {
        "fields": registry.fields(schemas),
        "vocabularies": {name: found for name, found in registry.vocabularies(schemas).items()
                         if name not in ("species", "part")},
        "parts": [r for _, r in registry.read_csv(schemas / "parts.csv", "schemas/parts.csv")],
        "species": [r for _, r in registry.read_csv(schemas / "species.csv", "schemas/species.csv")],
        "components": registry.components(schemas), "steps": registry.steps(schemas),
        "confidence": [r for _, r in registry.read_csv(schemas / "confidence.csv", "schemas/confidence.csv")],
    }


def search_words(tables: Tables, schemas: Path) -> dict[str, Any]:
    """What the search of the pages reads: the meanings of lookup/words, and a line per component and ingredient, meat
    before the other parts of an animal."""
    return {
        "means": {" ".join(said): [list(m) for m in meant] for said, meant in meanings(schemas).items()},
        "entries": [[c["name"], f"component/{c['component']}.html", "component", c["component"]]
                    for c in tables.components]
        + [[row["name"], f"ingredient/{row['ingredient_id']}.html", "ingredient",
            text_of(row, schemas), ", ".join(map(plain, row["cautions"]))]
           for row in sorted(tables.ingredients, key=no_meat)],
    }  # fmt: skip


def table_page(tables: Tables, group: str) -> dict[str, Any]:
    """The published values of one group of components: what is no evidence is marked, an unknown says so."""
    components = [c for c in tables.components if c["group"] == group]
    tags = {c["component"] for c in components}
    lines = [{"row": row, "cells": [cell for cell in tables.cells[row["ingredient_id"]] if cell["component"] in tags]}
             for row in tables.ingredients]
    return {"components": components, "lines": lines}


def shown_amount(cell: Row) -> str:
    """A cell in few characters: a figure (in brackets beside a gap), a range, `-` by nature, `?` unknown."""
    if cell["value"] is not None:
        return f"({rounded(cell['value'])})" if cell["gap"] else rounded(cell["value"])
    return "-" if cell["status"] == NATURE else span(cell["low"], cell["high"]) or "?"


def compared(tables: Tables) -> dict[str, Any]:
    """What the page that compares reads: components, and of every ingredient its cells and the letters of their
    status, in the order of the components."""
    return {
        "components": [[c["component"], c["name"], shown_unit(c["unit"]), plain(c["group"])]
                       for c in tables.components],
        "statuses": {letter: plain(status) for status, letter in tables.letters.items()},
        "ingredients": [[row["ingredient_id"], row["name"],
                         [shown_amount(cell) for cell in tables.cells[row["ingredient_id"]]],
                         "".join(tables.letter(cell) for cell in tables.cells[row["ingredient_id"]])]
                        for row in tables.ingredients],
    }  # fmt: skip


def catalogue(tables: Tables) -> dict[str, Any]:
    """The foods that may supply raw ingredients or need review, and those that supply the table, a row each:
    source, id, name, group, whether it may supply (0 no, 1 review, 2 yes), ingredients that it supplies;
    plants last."""
    used: dict[tuple[str, str], set[str]] = {}
    for name, cells in tables.cells.items():
        for cell in cells:
            for read in (cell, *cell["others"]):
                if read["source"] and read["food_id"]:
                    used.setdefault((read["source"], read["food_id"]), set()).add(name)
    kept = [f for f in tables.catalogue if f["may_supply_raw"] != "no" or (f["source"], f["food_id"]) in used]
    kept.sort(key=lambda f: bool(f["species"] == "plant"))
    sources = sorted({f["source"] for f in kept})
    groups = sorted({f["group"] for f in kept})
    place = {group: at for at, group in enumerate(groups)}
    return {
        "sources": sources, "groups": groups, "left_out": len(tables.catalogue) - len(kept),
        "foods": [[sources.index(f["source"]), f["food_id"], f["name"], place[f["group"]],
                   {"no": 0, "review": 1}.get(f["may_supply_raw"], 2),
                   sorted(used.get((f["source"], f["food_id"]), ()))] for f in kept],
    }  # fmt: skip


def gaps_of_need(tables: Tables, ranked: Sequence[Row]) -> dict[str, Any]:
    """The gaps of one need profile, in the order of `rawref gaps --need`, cut at a stated number."""
    names = {c["component"]: c for c in tables.components}
    rows = {row["ingredient_id"]: row for row in tables.ingredients}
    apart = Counter(g["component"] for g in ranked if g["against_shown"] is not None)
    return {"total": len(ranked), "apart": {names[c]["name"]: n for c, n in sorted(apart.items())}, "gaps": [
        {**g, "row": rows[g["ingredient_id"]], "of": names[g["component"]]}
        for g in ranked[:GAPS_SHOWN] if g["ingredient_id"] in rows and g["component"] in names]}


def dataset(
    tables: Tables, downloads: Sequence[Mapping[str, Any]], status_words: Mapping[str, str], home: str
) -> dict[str, Any]:
    """schema.org Dataset metadata of the table, from the same facts as the data package descriptor."""
    present = [s for s in tables.sources if s["release"]]
    dates = sorted(s["date"] for s in present if s["date"])
    made: dict[str, Any] = {
        "@context": "https://schema.org/", "@type": "Dataset",
        "name": "rawref: raw ingredients for formulating cat diets",
        "description": f"{len(tables.ingredients)} raw ingredients by {len(tables.components)} components, "
        "compiled from open government food-composition tables. Every value is traced to the line of its source; "
        "every gap is named. A blank is unknown, never zero. Not veterinary advice.",
        "license": "https://creativecommons.org/publicdomain/zero/1.0/", "isAccessibleForFree": True,
        "creator": {"@type": "Organization", "name": "rawref contributors"},
        "keywords": ["food composition", "nutrient", "raw meat", "cat", "provenance"],
        "isBasedOn": [{"@type": "Dataset", "name": s["title"], "version": s["release"], "license": s["licence_url"],
                       "url": s["landing_page"], "creditText": s["attribution"]} for s in present],
        "variableMeasured": [{"@type": "PropertyValue", "propertyID": c["component"], "name": c["name"],
                              "unitText": c["unit"]} for c in tables.components],
        "measurementTechnique": "; ".join(f"{code}: {text}" for code, text in status_words.items() if text),
        "distribution": [{"@type": "DataDownload", "name": d["name"], "contentUrl": f"{home}/{d['name']}",
                          "encodingFormat": d["type"], "contentSize": f"{d['bytes']} B", "sha256": d["sha256"]}
                         for d in downloads],
    }
    if dates:
        made["temporalCoverage"] = f"{dates[0]}/{dates[-1]}"
    if tables.stamp.get("version"):
        made["version"] = tables.stamp["version"]
    if tables.stamp.get("created"):
        made["dateModified"] = tables.stamp["created"]
    return made


def thinnest(tables: Tables, most: int = 12) -> list[dict[str, Any]]:
    """The components with the least evidence, thinnest first."""
    asked = can_hold(cell for cells in tables.cells.values() for cell in cells)
    found, wholes = Counter(c["component"] for c in asked if not c["gap"]), Counter(c["component"] for c in asked)
    order = sorted(tables.components, key=lambda c: found[c["component"]])
    return [{"component": c, "evidence": found[c["component"]], "whole": wholes[c["component"]]} for c in order[:most]]
