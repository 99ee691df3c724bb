"""A drift result as text, Markdown, JUnit or SARIF; what is shown is capped with the cap stated, JSON never is."""

from __future__ import annotations

import textwrap
from typing import Any

from rawref.findings import Case, Finding, Tested
from rawref.published.coverage import change_sentence
from rawref.published.coverage import sentence as coverage_sentence
from rawref.render import ci
from rawref.render.terminal import columns, number

TEXT_CAP = 40
MARKDOWN_CAP = 30
BRIEF_CAP = 10
EXPLAINED_CAP = 8
WHOLE = 10_000
INPUTS_CAP = 12
"""Changed inputs of one cause that are listed by name."""
HEADINGS = {
    "requirement": "crosses a requirement, or breaks the contract",
    "spread": "outside the spread",
    "rounding": "above one rounding step of the source",
    "note": "notes",
}
SEVERITY = {"requirement": "fail", "spread": "warn", "rounding": "note", "note": "note"}
LEVELS = {"fail": "error", "warn": "warning", "note": "note"}
CURE = "rawref accept --reason TEXT takes the build over; a decision in raw/maintainer/decisions.csv overrules a value"
EDITED = "git checkout -- the file, or let rawref accept write it anew"


def _cut(text: str, width: int = 60) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def headline(change: dict[str, Any], limit: int = 24) -> str:
    """What changed, on one line: subject, kind, before and after, each cut to `limit` characters."""
    name = " ".join(x for x in (change["ingredient_id"], change["component"]) if x) or change["subject"]
    if change["table"] not in ("values", name):
        name = f"{change['table']}: {name}"
    if change["kind"] in ("added", "removed", "schema"):
        detail = change["kind"]
    else:
        column = "" if change["column"] in (change["kind"], None) else f" {change['column']}"
        before, after = (_cut(number(change[side]), limit) for side in ("before", "after"))
        detail = f"{change['kind']}{column} {before} -> {after}"
        if change["relative_change"] is not None:
            detail += f" ({change['relative_change'] * 100:+.3g} %)"
        if (others := len(change["fields"]) - 1) > 0:
            detail += f" and {others} more column{'s' if others > 1 else ''}"
    return f"{name}: {detail}"


def _reason(change: dict[str, Any]) -> str:
    because = change.get("cause_why", "")
    return f"{change['why']}; cause: {change['cause']}" + (f" ({because})" if because else "")


def counts(result: dict[str, Any]) -> str:
    """The summary in one sentence."""
    s = result["summary"]
    renamed = f"{s['renamed']} renamed, " if s.get("renamed") else ""
    rows = f"{s['added']} added, {s['removed']} removed, {renamed}{s['changed']} changed"
    return f"{rows}; {s['significant']} significant"


def by_cause(result: dict[str, Any]) -> str:
    """How many changes each cause has, in the order of the summary."""
    return ", ".join(f"{cause} {n}" for cause, n in result["summary"]["causes"].items() if n)


def changed_inputs(result: dict[str, Any], cap: int | None = INPUTS_CAP) -> list[str]:
    """The inputs that differ by the two manifests, a line a cause; at most `cap` names each, the rest counted."""
    lines = []
    for cause, names in result["changed_inputs"].items():
        more = f" and {len(names) - cap} more" if cap is not None and len(names) > cap else ""
        lines.append(f"{cause}: {', '.join(names[:cap])}{more}")
    return lines


def explained(result: dict[str, Any], cap: int | None = EXPLAINED_CAP) -> list[str]:
    """By what the changes came about, a line a mechanism: those of most rows first, the rest counted."""
    found = result.get("explanations", [])
    lines = []
    for one in found[:cap]:
        worst = result["changes"][one["worst"]]
        name = worst["subject"].replace("/", " ") if worst["ingredient_id"] else worst["subject"]
        if worst["table"] not in ("values", "gaps", "candidates"):
            name = f"{worst['table']} {name}"
        why = worst.get("cause_why") or one["mechanism"]
        lines.append(f"{one['rows']} row{'' if one['rows'] == 1 else 's'}, {one['cause']}: {one['mechanism']}"
                     + (f" (worst: {name}{why.removeprefix(one['mechanism'])})" if one["mechanism"] else f" ({name})"))
    if cap is not None and len(found) > cap:
        left = found[cap:]
        lines.append(f"{sum(e['rows'] for e in left)} rows by {len(left)} more; --format json has them all")
    return lines


def known(result: dict[str, Any]) -> str:
    """How much of the table is known, before and after; once where it is the same."""
    before, after = (result["coverage"][side] for side in ("before", "after"))
    if not after:
        return "coverage: not known, as values.csv or gaps.csv is lacking"
    return coverage_sentence(after) if before in (None, after) else change_sentence(before, after)


def text(result: dict[str, Any], wide: bool = False) -> str:
    """The report for a terminal: tiers, worst first, each change with its reason and cause; then the changed inputs."""
    lines = _head(result, wide)
    if not result["changes"]:
        return "\n".join(lines)
    if why := explained(result, None if wide else EXPLAINED_CAP):
        lines += ["", "why"]
        for line in why:
            lines += _wrapped(line, "  ", "    ", wide)
    left = TEXT_CAP
    for tier, heading in HEADINGS.items():
        found = [c for c in result["changes"] if c["tier"] == tier]
        if not found:
            continue
        lines += ["", f"{heading} ({len(found)})"]
        take = found if wide else found[:left]
        left -= len(take)
        lines += _listed(take, wide)
        if len(found) > len(take):
            lines.append(f"  {len(found) - len(take)} more; --wide or --format json lists them all")
    if inputs := changed_inputs(result, None if wide else INPUTS_CAP):
        lines += ["", "changed inputs"]
        for line in inputs:
            lines += _wrapped(line, "  ", "    ", wide)
    return "\n".join([*lines, "", *_wrapped(f"Take it over: {CURE}.", "", "", wide)])


def brief(result: dict[str, Any], rest: str) -> str:
    """Summary and the worst tier, at most BRIEF_CAP changes of it; `rest` says where all of them are to be seen."""
    lines = _head(result, False)
    tiers = [(h, found) for t, h in HEADINGS.items() if (found := [c for c in result["changes"] if c["tier"] == t])]
    if not tiers:
        return "\n".join(lines)
    heading, found = tiers[0]
    lines += ["", f"{heading} ({len(found)})", *_listed(found[:BRIEF_CAP], False)]
    left = [f"{len(found) - BRIEF_CAP} more of these"] if len(found) > BRIEF_CAP else []
    left += [f"{heading} ({len(of_tier)})" for heading, of_tier in tiers[1:]]
    if left:
        lines += ["", *_wrapped(f"Not shown: {'; '.join(left)}. {rest}.", "", "", False)]
    return "\n".join(lines)


def _head(result: dict[str, Any], wide: bool) -> list[str]:
    lines = [f"drift from {result['before']['folder']} to {result['after']['folder']}"]
    if result["changes"]:
        lines += [counts(result), f"by cause: {by_cause(result)}"]
    else:
        lines += ["no drift: the content is equal"]
    lines += _wrapped(known(result), "", "  ", wide)
    if result.get("head"):
        lines += ["", "what happened"]
        for sentence in result["head"]:
            lines += _wrapped(sentence, "  ", "    ", wide)
    return lines


def _listed(changes: list[dict[str, Any]], wide: bool) -> list[str]:
    lines = []
    for change in changes:
        sentence = headline(change, WHOLE)
        if not wide and len(sentence) + 2 > columns():
            sentence = headline(change, max(24, columns() // 3))
        lines += _wrapped(sentence, "  ", "    ", wide)
        lines += _wrapped(_reason(change), "      ", "      ", wide)
    return lines


def _wrapped(line: str, first: str, then: str, wide: bool) -> list[str]:
    if wide:
        return [first + line]
    return textwrap.wrap(line, columns(), initial_indent=first, subsequent_indent=then, break_on_hyphens=False)


def markdown(result: dict[str, Any]) -> str:
    """The report for a job summary: a table per tier, at most MARKDOWN_CAP rows each."""
    out = [
        "## Drift of the table",
        "",
        f"From `{result['before']['folder']}` to `{result['after']['folder']}`: {counts(result)}.",
    ]
    if not result["changes"]:
        return "\n".join([*out[:2], "No drift: the content is equal.", ""])
    out += ["", f"By cause: {by_cause(result)}.", "", f"{known(result).capitalize()}."]
    out += ["", *(f"- {_md(sentence)}" for sentence in result.get("head", []))]
    if why := explained(result):
        out += ["", "### Why", "", *(f"- {_md(line)}" for line in why)]
    for tier, heading in HEADINGS.items():
        found = [c for c in result["changes"] if c["tier"] == tier]
        if not found:
            continue
        out += [
            "",
            f"### {heading[0].upper()}{heading[1:]} ({len(found)})",
            "",
            "| cell | change | why | cause |",
            "|---|---|---|---|",
        ]
        for change in found[:MARKDOWN_CAP]:
            name, _, detail = (
                headline(change).partition(": ")
                if change["table"] == "values"
                else (f"{change['table']}: {change['subject']}", "", headline(change).rpartition(": ")[2])
            )
            out.append("| " + " | ".join(_md(x) for x in (name, detail, change["why"], change["cause"])) + " |")
        if len(found) > MARKDOWN_CAP:
            out += ["", f"{len(found) - MARKDOWN_CAP} more; `rawref drift --format json` lists them all."]
    if inputs := changed_inputs(result):
        out += ["", "### Changed inputs", "", *(f"- {_md(line)}" for line in inputs)]
    return "\n".join([*out, "", f"{CURE}.", ""])


def _md(text: str) -> str:
    for sign in ("\\", "|", "<", "`", "[", "*", "_"):
        text = text.replace(sign, "\\" + sign if sign != "<" else "&lt;")
    return " ".join(text.split())


def cases(result: dict[str, Any]) -> list[Case]:
    """One case a tier, with a finding per change."""
    made = []
    for tier, heading in HEADINGS.items():
        found = [_finding(c, result) for c in result["changes"] if c["tier"] == tier]
        made.append(Case(f"drift-{tier}", f"No unaccepted change that is: {heading}.", findings=found))
    return made


def _finding(change: dict[str, Any], result: dict[str, Any]) -> Finding:
    side = result["after"] if change["kind"] == "added" else result["before"]
    file = ""
    if change["kind"] == "schema":
        file = change["why"].split(".csv")[0] + ".csv" if ".csv" in change["why"] else ""
    elif side["tables"]:
        file = f"{side['folder']}/{change['table']}.{'json' if change['table'] == 'datapackage' else 'csv'}"
    return Finding(
        SEVERITY[change["tier"]],
        change["subject"] + (f":{change['column']}" if change["column"] else ""),
        f"{headline(change)}. {_reason(change)}",
        EDITED if change["kind"] == "schema" else CURE,
        file=file,
        line=change["line"],
        rule=f"drift-{change['tier']}",
    )


def junit(result: dict[str, Any]) -> str:
    """One testcase a tier; every unaccepted change fails its tier, as the exit status does."""
    suite = "rawref drift"
    return ci.junit(
        suite,
        [
            Tested(suite, c.id, failure=(c.id, c.rule) if c.findings else None, messages=[_line(f) for f in c.findings])
            for c in cases(result)
        ],
    )


def _line(f: Finding) -> str:
    where = f"{f.file}:{f.line}: " if f.file and f.line else ""
    return f"fail: {where}{f.subject}: {f.detail} -> {f.cure}"


def sarif(result: dict[str, Any]) -> dict[str, Any]:
    """The SARIF log of the changes: a rule per tier, a result per change."""
    ruled = cases(result)
    rules = [{"id": c.id, "shortDescription": {"text": c.rule}} for c in ruled]
    results = (_result(position, f) for position, c in enumerate(ruled) for f in c.findings)
    return ci.sarif(rules, results, len(result["changes"]))


def _result(position: int, f: Finding) -> dict[str, Any]:
    made: dict[str, Any] = {
        "ruleId": f.rule,
        "ruleIndex": position,
        "level": LEVELS[f.severity],
        "message": {"text": f"{f.subject}: {f.detail} Cure: {f.cure}"},
        "partialFingerprints": {"rawrefSubject/v1": ci.mark(f.rule, f.file, f.subject)},
    }
    if f.file:
        made["locations"] = [{"physicalLocation": ci.place(f.file, f.line)}]
    return made


def annotation_lines(result: dict[str, Any]) -> list[str]:
    """The worst changes as annotation lines."""
    worst = [f for c in cases(result) for f in c.findings][: ci.ANNOTATION_CAP]
    return [
        ci.annotation(
            LEVELS[f.severity], f"{f.subject}: {f.detail} -> {f.cure}", title=f.rule, file=f.file, line=f.line
        )
        for f in worst
    ]
