"""The command line: options in, one result out; only light modules are loaded before a command needs more."""

from __future__ import annotations

import json
import os
import signal
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer
from typer.core import TyperGroup
from typer.exceptions import TyperException

from rawref import __version__
from rawref.errors import InputError, InternalError, MachineError, RawrefError
from rawref.files import steady
from rawref.render.visible import visible
from rawref.workspace import Workspace

if TYPE_CHECKING:
    import duckdb

    from rawref.mix.batch import Batch
    from rawref.needs.profile import Need
    from rawref.render.sheet import Sheet


class Whole(TyperGroup):
    """The group of commands, each told with its whole help text, which the library cuts to one line."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        found = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, " ".join((c.help or "").split())) for name, c in found if c and not c.hidden])


app = typer.Typer(
    name="rawref",
    cls=Whole,
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Raw-ingredient reference data for cat diets: every value traced to its source line, every gap named.",
    context_settings={"help_option_names": ["-h", "--help"]},
)


class Format(StrEnum):
    """How a listing is printed."""

    text = "text"
    json = "json"


class ReportFormat(StrEnum):
    """How findings are printed."""

    text = "text"
    json = "json"
    csv = "csv"
    junit = "junit"
    markdown = "markdown"
    sarif = "sarif"


class MixFormat(StrEnum):
    """How a mix is printed."""

    text = "text"
    json = "json"
    csv = "csv"
    markdown = "markdown"
    html = "html"


class TableFormat(StrEnum):
    """How a listing with rows is printed."""

    text = "text"
    json = "json"
    csv = "csv"


def _first_cells(name: str, wanted: str = "") -> list[str]:
    """The first column of a published table, of the rows whose column `wanted` is yes; nothing where it is not there:
    a completion has nobody to tell."""
    import csv

    try:
        with (Workspace.find(_root, _table).curated / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            return [next(iter(r.values())) for r in csv.DictReader(stream) if not wanted or r[wanted] == "yes"]
    except (RawrefError, OSError, ValueError, KeyError):
        return []


def complete_ingredient(incomplete: str) -> list[str]:
    """Ingredient ids that begin so."""
    return [i for i in _first_cells("ingredients") if i.startswith(incomplete.lower())]


def complete_component(incomplete: str) -> list[str]:
    """Tagnames of needed components that begin so."""
    return [c for c in _first_cells("components", "needed") if c.startswith(incomplete.upper())]


def complete_nutrient(incomplete: str) -> list[str]:
    """What a mix is asked about: needed components, and the ratio and sums that profiles have."""
    return [c for c in (*complete_component(""), "CA/P", "MET+CYS", "PHE+TYR") if c.startswith(incomplete.upper())]


def complete_replacement(incomplete: str) -> list[str]:
    """OLD=NEW: ids with the sign after them, then pairs."""
    old, sign, new = incomplete.partition("=")
    return [f"{old}={i}" for i in complete_ingredient(new)] if sign else [f"{i}=" for i in complete_ingredient(old)]


def complete_need(incomplete: str) -> list[str]:
    """Requirement profiles that begin so."""
    from rawref.needs.profile import need_names

    try:
        return [n for n in need_names(Workspace.find(_root, _table)) if n.startswith(incomplete)]
    except RawrefError:
        return []


ReportOption = Annotated[ReportFormat, typer.Option("--format", help="text, json, csv, junit, markdown or sarif.")]
FormatOption = Annotated[Format, typer.Option("--format", help="text or json; JSON is one document on stdout.")]
TableOption = Annotated[TableFormat, typer.Option("--format", help="text, json or csv.")]
WideOption = Annotated[bool, typer.Option("--wide", help="Cut nothing to the width of the terminal.")]
MIX_HELP = (
    "CSV with the heading ingredient_id,grams or ingredient_id,grams,as_purchased. Grams are edible; where "
    "as_purchased is yes the refuse comes off. water is an ingredient."
)
ASSAY_HELP = (
    "CSV of your own laboratory or label figures, with the columns ingredient_id, component, value, unit, basis, "
    "laboratory, date (ISO 8601) and, as you like, low, high, note. basis: per_100g, per_kg, per_g, per_100g_DM or "
    "per_kg_DM; laboratory: its name, or label. value: a number, or <2 where less than 2 was found, or empty where low "
    "and high are all that is known. An ingredient is one of the table, or a product that the mix names."
)
_root: Path | None = None
_table: Path | None = None


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"rawref {__version__}")
        raise typer.Exit


@app.callback()
def _global(
    root: Annotated[Path | None, typer.Option(help="Top folder of the checkout; default: upwards from here.")] = None,
    table: Annotated[
        Path | None, typer.Option(help="A folder with a published table, to read without a checkout.")
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    global _root, _table
    if root and table:
        raise InputError("give --root or --table, not both", "", "a published table needs no checkout")
    _root, _table = root, table


def workspace() -> Workspace:
    """The workspace that the options name."""
    return Workspace.find(_root, _table)


def say(text: str) -> None:
    """Progress and notices: stderr, so that stdout is the result and nothing else."""
    typer.echo(visible(text), err=True)


def out(text: str, nl: bool = True, *, painted: bool = False) -> None:
    """The result, on stdout. A reader that has had enough (rawref gaps | head) is no fault: quietly exit 0."""
    safe = visible(text)
    if painted:
        from rawref.render.paint import paint, wanted

        safe = paint(safe) if wanted(sys.stdout) else safe
    try:
        typer.echo(safe, nl=nl)
    except BrokenPipeError:
        _drop(sys.stdout)
        raise typer.Exit from None


def show(text: str, nl: bool = True) -> None:
    """A result for people to read: on a terminal with a little colour."""
    out(text, nl, painted=True)


def terminal_width() -> int:
    """Columns of the terminal that shows the result; 80 where it goes to a file or another program."""
    from rawref.render.terminal import columns

    return columns()


def emit(document: dict[str, Any]) -> None:
    """The JSON result: one document."""
    out(json.dumps(document, ensure_ascii=False, indent=1, default=str))


def apart(space: Workspace) -> bool:
    """Whether the last build and the accepted table are known to differ: by the digests in their manifests, or by the
    size of a file, as after an edit by hand. Reads no table; only drift compares everything."""
    folders = (space.built, space.curated)
    try:
        built, accepted = (
            dict(json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["content"]) for folder in folders
        )
        return built != accepted or any(
            len({(folder / f"{name}.csv").stat().st_size for folder in folders}) > 1 for name in built
        )
    except (OSError, ValueError, KeyError, TypeError):
        return False  # one of them is not there or not whole, which is told where it is read


def tell_which(space: Workspace, read: str) -> None:
    """One line on stderr, which of the two tables this is, where the other would say something else."""
    if apart(space):
        say(f"note: {read}. See: rawref drift")


BUILD = "this is the last build; the accepted table in curated/ differs"
ACCEPTED = "this is the accepted table in curated/; the last build differs"
BOTH = "gaps of the last build, impact by the accepted table in curated/, which differs"


def opened(space: Workspace) -> duckdb.DuckDBPyConnection:
    """The working database for reading, built first where there is none; or what a published table alone tells."""
    from rawref import machine
    from rawref.database import connect
    from rawref.release.build import build

    if space.table is not None:
        return read_alone(space)
    if not space.database.is_file():
        say("no working database yet: building once")
        build(space, say, workbook=False)
    try:
        return connect(space.database, read_only=True)
    except Exception as error:  # cut or damaged: unreadable is no build
        fault = machine.fault(error)
        if fault is not None and fault.cure != machine.AGAIN:
            raise fault from error
        say("the working database cannot be read: building again")
        space.database.unlink()
        build(space, say, workbook=False)
        return connect(space.database, read_only=True)


def read_alone(space: Workspace) -> duckdb.DuckDBPyConnection:
    """A published table for the lookups; a line on stderr where it was made with other records of ours."""
    from rawref.published.opened import made_with_other, open_published

    if others := made_with_other(space.curated, space.maintainer):
        say(f"note: the table was made with another {', '.join(others)} than comes with this program; what is said of "
            "shares, decisions and old ids may differ")  # fmt: skip
    return open_published(space.curated, space.schemas, space.maintainer)


@app.command("fetch", epilog="Example: rawref fetch usda-fdc --from DOWNLOADED.zip")
def fetch_command(
    sources: Annotated[
        list[str] | None, typer.Argument(metavar="[SOURCE]...", help="Sources; default: all that are declared.")
    ] = None,
    given: Annotated[
        list[Path] | None,
        typer.Option("--from", metavar="<path>", help="Side-load this file or folder for one source."),
    ] = None,
    offline: Annotated[
        bool, typer.Option("--offline", help="Ask no network: say what is at hand and how old.")
    ] = False,
    format: TableOption = TableFormat.text,
) -> None:
    """Get, verify and pin source releases, each beside the older ones."""
    from dataclasses import asdict

    from rawref.fetch.decide import fetch
    from rawref.render import rows
    from rawref.render import terminal as render

    def progress(url: str, done: int, total: int | None) -> None:
        """A line when an address is asked and one when its file is whole; on a terminal it counts in between."""
        if not done:
            say(f"asking {url}")
        elif done == total or sys.stderr.isatty():
            of = f" of {total / 1e6:.1f}" if total else ""
            begin, end = ("\r", "") if sys.stderr.isatty() else ("", "\n")
            message = f"{begin}{visible(url.rsplit('/', 1)[-1][:50])}: {done / 1e6:.1f}{of} MB"
            sys.stderr.write(message + ("\n" if done == total else end))
            sys.stderr.flush()

    if len(given or []) > 1:
        raise InputError(
            f"{len(given or [])} times --from: one file or folder is taken", "fetch",
            "put the files of the release into one folder and give that",
        )
    space = workspace()
    space.require_sources()
    result = fetch(space, sources or [], origin=given[0] if given else None, offline=offline, progress=progress)
    entries = [asdict(entry) for entry in result.entries]
    if format is TableFormat.csv:
        out(rows.csv_text(rows.RELEASE, entries), nl=False)
    elif format is TableFormat.json:
        emit({"schema_version": "1", "releases": entries, "failures": [f.line() for f in result.failures]})
    else:
        show(render.releases(entries))
    result.require()


@app.command("build", epilog="Example: rawref build --no-workbook")
def build_command(
    workbook: Annotated[bool, typer.Option("--workbook/--no-workbook", help="Write the spreadsheet too.")] = True,
    threads: Annotated[
        int | None, typer.Option(help="Threads for each query; the result is the same.", min=1)
    ] = None,
    format: FormatOption = Format.text,
) -> None:
    """Build the table from the sources that are present, and publish it where none was accepted yet."""
    from rawref.release.build import build
    from rawref.render import terminal as render

    space = workspace()
    outcome = build(space, say, workbook=workbook, threads=threads)
    if format is Format.json:
        emit({"schema_version": "1", "standing": outcome.standing, "unchanged": outcome.unchanged, **outcome.summary})
    else:
        show(render.build_summary(outcome))
    if outcome.standing in ("differs", "refused"):
        raise typer.Exit(1)


@app.command("trace", epilog="Example: rawref trace chicken-liver VITD")
def trace_command(
    ingredient: Annotated[
        str | None, typer.Argument(help="Ingredient id.", autocompletion=complete_ingredient)
    ] = None,
    component: Annotated[
        str | None, typer.Argument(help="Component, an INFOODS tagname.", autocompletion=complete_component)
    ] = None,
    source_line: Annotated[str | None, typer.Option("--from", help="SOURCE:FILE:LINE, to trace forward.")] = None,
    step: Annotated[str | None, typer.Option("--step", help="Step id, to list what it touched.")] = None,
    format: TableOption = TableFormat.text,
    wide: WideOption = False,
) -> None:
    """Show where a value comes from, down to the line of the source; or what a source line or a step reached."""
    from rawref.lookup.trace import trace_cell, trace_from, trace_step
    from rawref.render import rows
    from rawref.render import terminal as render

    given = [bool(ingredient and component), bool(source_line), bool(step)]
    if sum(given) != 1 or (ingredient and not component):
        raise InputError("give INGREDIENT and COMPONENT, or --from, or --step", "trace", "see rawref trace --help")
    space = workspace()
    with opened(space) as con:
        tell_which(space, BUILD)
        if ingredient and component:
            result = trace_cell(con, space.schemas, ingredient, component)
            text = render.trace_cell
        elif source_line:
            result, text = trace_from(con, source_line), render.trace_from
        else:
            result, text = trace_step(con, space.schemas, str(step)), render.trace_step
    if format is TableFormat.json:
        emit(result)
    elif format is TableFormat.csv:
        out(rows.traced(result), nl=False)
    else:
        show(text(result, wide))


@app.command("gaps", epilog="Example: rawref gaps --component MN")
def gaps_command(
    need: Annotated[str | None, typer.Option(
            help="Requirement profile: rank by how much a gap could matter.", autocompletion=complete_need
        )] = None,
    ingredient: Annotated[
        str | None, typer.Option(help="Only this ingredient.", autocompletion=complete_ingredient)
    ] = None,
    component: Annotated[
        str | None, typer.Option(help="Only this component.", autocompletion=complete_component)
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Every gap in the text; json and csv are always whole.")] = False,
    format: TableOption = TableFormat.text,
    wide: WideOption = False,
) -> None:
    """List the cells for which there is no evidence, with what comparable foods hold and what would fill them."""
    from rawref.lookup.gaps import gaps_csv, list_gaps
    from rawref.render import terminal as render

    space = workspace()
    with opened(space) as con:
        tell_which(space, BOTH if need else BUILD)
        found = list_gaps(con, space.schemas, ingredient=ingredient, component=component)
    assumptions = ""
    if need:
        from rawref.lookup.gaps import rank
        from rawref.lookup.impact import ASSUMPTIONS
        from rawref.needs.profile import load_need

        found, assumptions = rank(space, found, load_need(space, need)), ASSUMPTIONS
        say(assumptions)
    if format is TableFormat.json:
        emit({"schema_version": "1", "need": need, "gaps": found})
    elif format is TableFormat.csv:
        out(gaps_csv(found), nl=False)
    else:
        show(render.gaps(found, wide, every))


@app.command("find", epilog='Example: rawref find "beef heart"')
def find_command(
    words: Annotated[list[str] | None, typer.Argument(metavar="text", help="Words of the name.")] = None,
    review: Annotated[bool, typer.Option("--review", help="Only foods that need review.")] = False,
    unmapped: Annotated[
        bool, typer.Option("--unmapped", help="Only raw foods that stand for no ingredient yet: candidates to map.")
    ] = False,
    every: Annotated[bool, typer.Option("--all", help="Every one in the text; json and csv are always whole.")] = False,
    format: TableOption = TableFormat.text,
    wide: WideOption = False,
) -> None:
    """Find ingredients and source foods, with their state and coverage and whether they may supply a raw value."""
    from rawref.lookup.find import find
    from rawref.render import rows
    from rawref.render import terminal as render

    text = " ".join(words or [])
    if not (text or review or unmapped):
        raise InputError(
            "give words of a name, --review or --unmapped", "find", 'for instance: rawref find "beef heart"'
        )
    space = workspace()
    with opened(space) as con:
        tell_which(space, BUILD)
        result = find(con, text, space.schemas, review=review, unmapped=unmapped)
    if format is TableFormat.json:
        emit(result)
    elif format is TableFormat.csv:
        out(rows.found(result), nl=False)
    else:
        show(render.found(result, wide, every))


@app.command("check", epilog="Example: rawref check --accepted --format junit")
def check_command(
    accepted: Annotated[bool, typer.Option("--accepted", help="The committed table, not the present build.")] = False,
    consumer: Annotated[bool, typer.Option("--consumer", help="The consumer's suite too, with data docs.")] = False,
    rule: Annotated[
        list[str] | None, typer.Option("--rule", metavar="<id>", help="Only this rule, every finding of it.")
    ] = None,
    notes: Annotated[bool, typer.Option("--notes", help="Instead: notes to publishers, ready to send.")] = False,
    digest: Annotated[
        str | None, typer.Option("--digest", help="The content digest that you pinned; another one exits 2.")
    ] = None,
    format: ReportOption = ReportFormat.text,
    wide: WideOption = False,
) -> None:
    """Hold the table against every rule, worst first, each with its source, the offending rows and the cure."""
    from rawref.checks.run import only_rules
    from rawref.release.build import check_result, refresh
    from rawref.render import checks as rendered
    from rawref.render import rows

    space = workspace()
    if digest is not None and not accepted:
        raise InputError("--digest is of a published table", "check", "give --accepted too")
    if notes:
        from rawref.checks.notes import publisher_notes

        refresh(space, say)
        with opened(space) as con:
            found = publisher_notes(con)
        if format is ReportFormat.json:
            emit({"schema_version": "1", "notes": found})
        elif format is ReportFormat.csv:
            listed = [{"source": source, "note": note} for source, note in found.items()]
            out(rows.csv_text(("source", "note"), listed), nl=False)
        else:
            out("\n\n".join(found.values()) or "nothing to tell a publisher")
        return
    folder = space.curated
    if accepted:
        from rawref.checks.accepted import run_accepted
        from rawref.published.export import table_digest

        content, result = steady(
            folder, lambda: (table_digest(folder), run_accepted(folder, space.schemas, space.maintainer))
        )
        if digest is not None and digest != content:
            raise InputError(f"content digest is {content}, not {digest}", space.relative(folder), "pin the table anew")
        result["table"] = {"digest": content}
    else:
        refresh(space, say)
        result, folder = check_result(space), space.built
    if consumer:
        from rawref.checks.consumer import as_rules, check_consumer
        from rawref.checks.run import summarise

        say("the consumer's suite")
        docs = space.reports / "consumer"
        cases = check_consumer(folder, space.schemas, docs=docs, shown=space.relative(folder))
        result = summarise(result["rules"] + as_rules(cases))
        say(f"data docs in {space.relative(docs)}/")
    if rule:
        result = only_rules(result, rule)
    if format is ReportFormat.json:
        emit(result)
    elif format is ReportFormat.sarif:
        emit(rendered.sarif(result, folder))
    elif format is ReportFormat.csv:
        out(rows.checked(rendered.worst_first(result)), nl=False)
    elif format is ReportFormat.text:
        show(rendered.text(result, wide=wide, whole=bool(rule)))
    else:
        out(rendered.junit(result) if format is ReportFormat.junit else rendered.markdown(result))
    for line in rendered.ci_annotations(result, folder, os.environ):
        say(line)
    if result["summary"]["failed"]:
        raise typer.Exit(1)


@app.command("drift", epilog="Example: rawref drift --format markdown")
def drift_command(
    against: Annotated[Path | None, typer.Option(help="A folder of published CSV files instead of curated/.")] = None,
    attribute: Annotated[
        bool, typer.Option("--attribute", help="Separate causes by building old inputs again.")
    ] = False,
    format: ReportOption = ReportFormat.text,
    wide: WideOption = False,
) -> None:
    """List what the present build would change against the accepted table, in tiers, worst first, with the cause."""
    from rawref.drift.compare import drift, require_table
    from rawref.release.build import refresh
    from rawref.render import drift as render_drift
    from rawref.render import rows

    space = workspace()
    if against:
        require_table(against)  # before a build is made for it
    if space.table is None:
        refresh(space, say)
    elif attribute or not against:
        raise InputError(
            "this is a published table without its sources", space.relative(space.table),
            "give --against a folder with another table",
        )  # fmt: skip
    result = steady(against or space.curated, lambda: drift(space, against))
    if attribute:
        from rawref.release.attribute import attribute as separate

        result = separate(space, result, against or space.curated, say)
    if format is ReportFormat.json:
        emit(result)
    elif format is ReportFormat.sarif:
        emit(render_drift.sarif(result))
    elif format is ReportFormat.csv:
        out(rows.drifted(result), nl=False)
    elif format is ReportFormat.text:
        show(render_drift.text(result, wide))
    else:
        out(render_drift.junit(result) if format is ReportFormat.junit else render_drift.markdown(result))
    if os.environ.get("CI"):
        for line in render_drift.annotation_lines(result):
            say(line)
    if result["changes"]:
        raise typer.Exit(1)


SEE_REST = {
    "accepted": "See curated/CHANGELOG.md; all of it: curated/changes.tsv",
    "refused": "See rawref drift",
}
"""Where accept says that the changes are which it does not print: once it has accepted, drift shows none."""


@app.command("accept", epilog='Example: rawref accept --reason "FoodData Central, April 2025"')
def accept_command(
    reason: Annotated[str, typer.Option(help="Why the table changes; goes into the change log.")],
    workbook: Annotated[
        bool,
        typer.Option(
            "--workbook/--no-workbook",
            help="Write the spreadsheet too; without it that of the former table is removed.",
        ),
    ] = True,
    format: FormatOption = Format.text,
) -> None:
    """Show the worst changes, then make the build the accepted table: version, manifest, change log."""
    from rawref.checks.run import closing
    from rawref.checks.selftest import selftest
    from rawref.release.accept import accept, tag_command
    from rawref.release.build import check_result, refresh
    from rawref.render import drift as render_drift

    space = workspace()
    refresh(space, say)
    unseen = [plant.name for plant in selftest(space.schemas) if not plant.seen]
    undecided = [f"{f['rule']} {f['subject']}: {f['detail']}" for f in closing(check_result(space))]
    undecided += [f"planted fault not seen: {name}" for name in unseen]
    result = accept(space, reason, say, undecided=undecided, workbook=workbook)
    if format is Format.json:
        emit(
            {
                "schema_version": "1",
                "standing": result.standing,
                "version": result.version,
                "tag": tag_command(result.version) if result.version else "",
                "undecided": list(result.undecided),
                "workbook": result.workbook,
                "drift": result.drift,
            }
        )
    else:
        if result.standing != "nothing":
            show(render_drift.brief(result.drift, SEE_REST[result.standing]) + "\n")
        out(
            {
                "accepted": f"accepted as version {result.version}; once curated/ is committed, name it:\n"
                f"  {tag_command(result.version)}",
                "nothing": f"nothing to accept: the build equals version {result.version}",
                "refused": "refused\n  " + "\n  ".join(result.undecided[:20]),
            }[result.standing]
        )
        if result.workbook == "removed":
            out(
                "curated/table.xlsx is removed: it held the former table\n"
                "  rawref build writes that of the new one to .rawref/build/curated/"
            )
    if result.exit_status:
        raise typer.Exit(result.exit_status)


@app.command("suggest", epilog="Example: rawref suggest beef-flank-lean SE")
def suggest_command(
    ingredient: Annotated[
        str | None, typer.Argument(help="Ingredient id.", autocompletion=complete_ingredient)
    ] = None,
    component: Annotated[
        str | None, typer.Argument(help="Component, an INFOODS tagname.", autocompletion=complete_component)
    ] = None,
    errors: Annotated[
        bool, typer.Option("--errors", help="The measured error of estimates from cooked foods.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Every refused and comparable food in the JSON, in full; csv has them all.")
    ] = False,
    format: TableOption = TableFormat.text,
    wide: WideOption = False,
) -> None:
    """Say what could fill a gap: other sources, comparable raw foods, a cooked twin; or why nothing may."""
    from rawref.lookup import suggest
    from rawref.render import rows
    from rawref.render import suggest as render_suggest

    if errors == bool(ingredient and component):
        raise InputError("give INGREDIENT and COMPONENT, or --errors", "suggest", "see rawref suggest --help")
    space = workspace()
    space.require_sources()
    with opened(space) as con:
        tell_which(space, BUILD)
        if errors:
            result, text = suggest.error_table(con, space.schemas), render_suggest.render_errors
        else:
            result = suggest.suggest(con, space.schemas, str(ingredient), str(component))
            text = render_suggest.render_suggest
    if format is TableFormat.csv:
        out(rows.errors(result) if errors else rows.suggestion(result), nl=False)
    elif format is TableFormat.json:
        emit(result if errors or every else suggest.bounded(result))
    else:
        show(text(result, wide))


@app.command("mix", epilog="Example: rawref mix raw/maintainer/mixes/example.csv --need nrc-2006-adult")
def mix_command(
    file: Annotated[Path, typer.Argument(help=MIX_HELP)],
    other: Annotated[Path | None, typer.Argument(help="A second mix, to compare with at the same energy.")] = None,
    need: Annotated[
        str, typer.Option(
            help="Requirement profile: a stem of raw/maintainer/needs, or a path.", autocompletion=complete_need
        )
    ] = "fediaf-2021-adult-mer75",
    weight: Annotated[float | None, typer.Option(help="Body weight of the cat, kg.", min=0.3, max=30)] = None,
    activity: Annotated[str | None, typer.Option(help="neutered_indoor, active or overweight.")] = None,
    assay: Annotated[Path | None, typer.Option(help=ASSAY_HELP)] = None,
    without: Annotated[list[str] | None, typer.Option(
            help="Leave an ingredient out, and compare.", metavar="<ingredient>", autocompletion=complete_ingredient
        )] = None,
    replace: Annotated[list[str] | None, typer.Option(
            help="A=B: put B in place of A, and compare.", metavar="<A=B>", autocompletion=complete_replacement
        )] = None,
    contributions: Annotated[str | None, typer.Option(
            help="Instead: which ingredient supplies how much of this nutrient.", metavar="<component>",
            autocompletion=complete_nutrient,
        )] = None,
    target: Annotated[
        str | None, typer.Option(help="Instead: the grams that reach it, such as CA/P=1.2; needs --with.")
    ] = None,
    adding: Annotated[str | None, typer.Option(
            "--with", help="The ingredient that --target adds.", metavar="<ingredient>",
            autocompletion=complete_ingredient,
        )] = None,
    plot: Annotated[Path | None, typer.Option(help="Draw the profile to an SVG file.")] = None,
    format: Annotated[
        MixFormat, typer.Option("--format", help="text, json, csv, or an analysis sheet as markdown or html.")
    ] = MixFormat.text,
    wide: WideOption = False,
) -> None:
    """Try a mix against a requirement profile: what is known, what is not, and what the unknown could change.

    Exit status: 0 nothing to object; 1 something is short or rather short than not, over a maximum or may well be
    (with the unknown at its worst), many times its minimum by an addition, toxic to cats, or there is no energy to
    judge by; 2 bad input. A maximum from memory warns, and decides only where an addition passes it twice over.
    """
    from dataclasses import asdict
    from functools import partial

    from rawref.lookup.resolve import component_among, ingredients_among
    from rawref.mix.assay import read_assay
    from rawref.mix.compare import compare
    from rawref.mix.inputs import named, parse_replace, read_mix
    from rawref.mix.mix import batch_of, evaluate, has_findings
    from rawref.mix.table import load_table
    from rawref.needs.profile import load_need
    from rawref.render import mix as render_mix

    if bool(target) != bool(adding):
        raise InputError("--target and --with go together", "mix", "such as --target CA/P=1.2 --with eggshell-powder")
    space = workspace()
    if not (space.curated / "manifest.json").is_file():
        opened(space).close()
    tell_which(space, ACCEPTED)
    table, profile = steady(space.curated, lambda: load_table(space)), load_need(space, need)
    listed = [asdict(component) for component in table.components.values()]
    table.named = partial(component_among, listed, space.schemas)
    foods = [asdict(food) | {"scientific_name": "", "state": ""} for food in table.ingredients.values()]
    table.named_food = partial(ingredients_among, foods, space.schemas)
    swaps, left_out = parse_replace(replace or []), without or []
    also = named(file, file.as_posix()) | set(swaps.values())
    also |= named(other, other.as_posix()) if other else set()
    assays = read_assay(assay, table, assay.as_posix(), also) if assay else None
    own = {key for key, _ in assays or {}}
    rows = read_mix(file, file.as_posix(), table, own)
    if contributions or (target and adding):
        batch, _ = batch_of(table, rows, assays, left_out, swaps)
        _ask_of_mix(batch, profile, own, contributions, target, adding, format)
        return
    result = evaluate(table, rows, profile, weight, activity, assays, left_out, swaps)
    sides = None
    if other:
        others = read_mix(other, other.as_posix(), table, own)
        sides = result, evaluate(table, others, profile, weight, activity, assays)
    elif left_out or swaps:
        sides = evaluate(table, rows, profile, weight, activity, assays), result
    comparison = compare(*sides) if sides else None
    if plot:
        from rawref.report.profile import draw

        draw(result, plot)
        say(f"drawn to {plot.as_posix()}")
    from rawref.render import sheet

    if format is MixFormat.json:
        emit({**result, "comparison": comparison} if comparison else dict(result))
    elif format is MixFormat.csv:
        text = sheet.rows_csv(comparison["components"]) if comparison else render_mix.mix_csv(result)
        out(text, nl=False)
    elif format is MixFormat.text:
        if not other:
            show(render_mix.mix_text(result, wide, terminal_width()), nl=False)
        if sides and comparison:
            text = render_mix.compare_text(comparison, sides, wide, terminal_width())
            show(text if other else f"\n{text}", nl=False)
    elif other and sides and comparison:
        title, notes = f"{file.stem} and {other.stem}", [result["method"]]
        _publish(sheet.side_by_side(comparison, title, notes, render_mix.outcomes(sides)), format)
    else:
        _publish(sheet.analysis(result, f"Analysis of {file.stem}", comparison), format)
    if has_findings(result) or (other and sides and has_findings(sides[1])):
        raise typer.Exit(1)


def _ask_of_mix(
    batch: Batch, need: Need, own: set[str], contributions: str | None, target: str | None, adding: str | None,
    format: MixFormat,
) -> None:
    """One question to a mix instead of the whole result: who supplies a nutrient, or how much reaches a target."""
    from fractions import Fraction

    from rawref.mix.contributions import contributions as of_each
    from rawref.mix.contributions import nutrient_of
    from rawref.mix.inputs import resolve
    from rawref.mix.line import over_now, passed_maxima
    from rawref.mix.mix import unfit_with
    from rawref.mix.target import parse_target, reach
    from rawref.render import mix as render_mix
    from rawref.render import sheet

    table = batch.table
    if contributions:
        component = nutrient_of(table, contributions, "--contributions")
        found = of_each(batch, component)
        name = table.components[component].short if component in table.components else component
        text, rows = render_mix.contributions_text(found, name, terminal_width()), found["ingredients"]
        page = sheet.of_nutrient(found, name, f"{name} by ingredient")
    else:
        component, figure = parse_target(table, str(target))
        over = over_now(batch, need)
        found = reach(batch, component, figure, resolve(table, str(adding), "--with", own), over)
        dose = Fraction(max(found["grams"], found["grams_high"] or 0.0))
        found["passes_maximum_of"] = passed_maxima(batch, need, found["with"], dose)
        found["over_already"] = over
        found["objections"] = unfit_with(batch, need, found["with"], dose)
        text, rows = render_mix.target_text(found, terminal_width()), [found]
        page = sheet.of_target(found, " ".join(text.split()), f"{component} with {found['with']}")
    if format is MixFormat.json:
        emit({"schema_version": "1", **found})
    elif format is MixFormat.csv:
        out(sheet.rows_csv(rows), nl=False)
    elif format is MixFormat.text:
        out(text, nl=False)
    else:
        _publish(page, format)
    if target and (found["passes_maximum_of"] or found["over_already"] or found["objections"]):
        raise typer.Exit(1)


def _publish(page: Sheet, format: MixFormat) -> None:
    """A sheet in the form asked for."""
    from rawref.render import sheet

    out((sheet.markdown if format is MixFormat.markdown else sheet.html)(page), nl=False)


@app.command("report", epilog="Example: rawref report --open")
def report_command(
    open_pages: Annotated[bool, typer.Option("--open", help="Serve the pages on this machine and open them.")] = False,
    format: FormatOption = Format.text,
) -> None:
    """Write the pages to look things up in to reports/site/: table, gaps, provenance, quality, drift, dictionary."""
    from rawref.drift.compare import drift
    from rawref.release.build import check_result, locked, refresh
    from rawref.report import serve, write_site

    space = workspace()
    target = space.reports / "site"
    if space.table is not None:
        from rawref.checks.accepted import run_accepted

        found = run_accepted(space.table, space.schemas, space.maintainer)
        summary = write_site(space, space.table, target, check=found, drift=None, progress=say)
    else:
        refresh(space, say)
        pending = steady(space.curated, lambda: drift(space)) if (space.curated / "manifest.json").is_file() else None
        tell_which(space, BUILD)
        with opened(space) as con, locked(space):
            summary = write_site(space, con, target, check=check_result(space), drift=pending, progress=say)
    if format is Format.json:
        emit({"schema_version": "1", "path": space.relative(target), **summary})
    else:
        out(
            f"{summary['pages']} pages for {summary['ingredients']} ingredients, {summary['bytes'] / 1e6:.1f} MB: "
            f"{space.relative(target)}/index.html"
        )
    if open_pages:
        serve(target, space.root / summary["published"], say)


def usage(error: TyperException) -> list[str]:
    """What is wrong with the command line, in our one line and words; the help itself where no command was given."""
    text = error.format_message()
    if "\n" in text.strip():
        return [text]
    # the library that reads the options passes on the wording of the one that checks their types
    text = text.replace("Value error, ", "").replace("Input should be", "it should be").strip().rstrip(".")
    context = getattr(error, "ctx", None)
    command = context.info_name if context is not None and context.parent is not None else ""
    cure = f"see rawref {command} --help" if command else "see rawref --help"
    return [f"rawref: {InputError(text[:1].lower() + text[1:], command, cure).line()}"]


def main() -> None:
    """Run the command and turn our exceptions into exit statuses, in this one place."""
    interrupted: list[int] = []

    def interrupt(number: int, frame: object) -> None:
        interrupted.append(number)
        raise KeyboardInterrupt

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else whoever started us wants it ignored
        signal.signal(signal.SIGINT, interrupt)
    lines: list[str] = []
    try:
        status = app(standalone_mode=False) or 0
        sys.stdout.flush()
    except BrokenPipeError:
        status = 0
        _drop(sys.stdout)
    except BaseException as error:
        status, lines = message_of(error)
    if interrupted:  # whatever came of it: a query that is cut off ends in an error of its own
        status, lines = 130, ["rawref: interrupted"]
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is sys.stderr:
                for line in lines:
                    say(line)
            stream.flush()
        except OSError:  # it cannot be told there
            _drop(stream)
            status = status or MachineError.exit_status
    if interrupted:  # Python ends by the signal itself where it came in code that was made from text
        os._exit(status)
    sys.exit(status)


def message_of(error: BaseException) -> tuple[int, list[str]]:
    """Exit status and lines of what a command raised."""
    from rawref import machine
    from rawref.published.opened import damage

    if isinstance(error, SystemExit):
        return (error.code if isinstance(error.code, int) else int(error.code is not None)), []
    if isinstance(error, TyperException):
        return error.exit_code, usage(error)
    if isinstance(error, KeyboardInterrupt) or "interrupted" in str(error).lower()[:40]:
        return 130, ["rawref: interrupted"]
    if isinstance(error, RawrefError) and not isinstance(error, InternalError):
        return error.exit_status, [f"rawref: {line}" for line in error.lines()]
    if fault := damage(error) or machine.fault(error):
        return fault.exit_status, [f"rawref: {line}" for line in fault.lines()]
    if os.environ.get("RAWREF_DEBUG"):
        raise error
    text = " ".join(str(error).split())
    what = error.line() if isinstance(error, InternalError) else f"{type(error).__name__}: {text}"
    return 4, [f"rawref: internal error: {what} -> set RAWREF_DEBUG=1 and report it"]


def _drop(stream: TextIO) -> None:
    """Nothing more can be written there: what is still held goes nowhere, so that Python's own end stays quiet."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
