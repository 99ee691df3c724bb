"""Running the rules: queries that return offenders, held against the thresholds of the catalogue."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.checks import catalogue
from rawref.checks.catalogue import Rule
from rawref.database import beside, rows, run_file, scalar, share
from rawref.errors import InputError
from rawref.registry.nearest import did_you_mean

if TYPE_CHECKING:
    import duckdb

RULES = Path(__file__).parent / "rules"
FRAME = Path(__file__).parent / "frame"
OF_SOURCES = ("source_identity", "source_documentation")
"""Files of rules that ask the sources and the reference stage alone."""
FAMILIES = (
    *OF_SOURCES,
    "documentation",
    "identity",
    "minerals",
    "proximates",
    "amino_acids",
    "fatty_acids",
    "vitamins",
    "components",
    "between",
    "published",
    "calibration",
)
WORKERS = 2
CheckResult = dict[str, Any]
SEVERITY = {"fail": 0, "warn": 1}
SCOPE = {"curated": 0, "candidate": 1, "source": 2}


def run(
    con: duckdb.DuckDBPyConnection, schemas: Path, *, only: Sequence[str] = (), families: Sequence[str] = FAMILIES
) -> CheckResult:
    """Every rule over the database, in the JSON shape of the contract; nothing is capped and nothing is edited.

    `only` limits the result to some rule ids, `families` the files of rules that are run. What `con` has not committed
    is not seen.
    """
    share(con)
    with Rules(con, schemas, families) as rules:
        rules.judge_sources()
        return rules.judge_table(only)


class Rules:
    """A run of the rules in two steps, so that the first can be done while the table is still made: what asks the
    sources and the reference stage alone, and then the rest.

    What they hand on stands in tables `chk_*` of a database in memory that is attached as `rules` and dropped again.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, schemas: Path, families: Sequence[str] = FAMILIES) -> None:
        self._schemas, self._families = schemas, families
        self._rules = catalogue.load(schemas)
        self._open = ExitStack()
        self._home = self._open.enter_context(beside(con))

    def __enter__(self) -> Rules:
        self._home.execute("attach ':memory:' as rules (read_only false)")
        self._open.callback(self._home.execute, "detach rules")
        self._cursors = [self._open.enter_context(_cursor(self._home, self._rules)) for _ in range(WORKERS)]
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def judge_sources(self) -> None:
        """The rules that need no table of the curated stage."""
        first = self._cursors[0]
        _load(first, self._rules, self._schemas)
        run_file(first, FRAME / "prepare_sources.sql")
        self._judge([family for family in self._families if family in OF_SOURCES])

    def judge_table(self, only: Sequence[str] = ()) -> CheckResult:
        """The other rules, and what all of them found."""
        first = self._cursors[0]
        run_file(first, FRAME / "prepare.sql")
        _pivot(first, self._schemas)
        self._judge([family for family in self._families if family not in OF_SOURCES])
        run_file(first, FRAME / "judge.sql")
        return _result(first, [rule for rule in self._rules if not only or rule.id in only])

    def _judge(self, families: Sequence[str]) -> None:
        """Files of rules, two at a time."""
        idle: SimpleQueue[duckdb.DuckDBPyConnection] = SimpleQueue()
        for cursor in self._cursors:
            idle.put(cursor)

        def judge(family: str) -> None:
            cursor = idle.get()
            try:
                run_file(cursor, RULES / f"{family}.sql")
            finally:
                idle.put(cursor)

        with ThreadPoolExecutor(WORKERS) as pool:
            list(pool.map(judge, families))


def closes(finding: dict[str, Any]) -> bool:
    """Whether a finding closes the gate: undecided, of severity fail, in the published table."""
    return finding["severity"] == "fail" and finding["scope"] == "curated" and not finding.get("decision_id")


def closing(result: CheckResult) -> list[dict[str, Any]]:
    """The findings that close the gate, each with its rule id."""
    return [
        {"rule": rule["id"], **finding} for rule in result["rules"] for finding in rule["findings"] if closes(finding)
    ]


def only_rules(result: CheckResult, ids: Sequence[str]) -> CheckResult:
    """The result of the named rules alone; InputError for an id that no rule has."""
    known = {rule["id"].upper(): rule for rule in result["rules"]}
    for name in ids:
        if name.upper() not in known:
            cure = did_you_mean(name, known, "the rule ids are in schemas/checks.csv, column id")
            raise InputError(f"no rule {name!r}", "--rule", cure)
    return summarise([known[name] for name in dict.fromkeys(name.upper() for name in ids)])


def summarise(rules: list[dict[str, Any]]) -> CheckResult:
    """The whole result from its rules, with each rule's status and the counts."""
    for rule in rules:
        rule["findings"].sort(key=lambda f: (SEVERITY[f["severity"]], SCOPE[f["scope"]], f["subject"], f["detail"]))
        if not rule["implemented"]:
            rule["status"] = "not_applicable"
        elif any(map(closes, rule["findings"])):
            rule["status"] = "failed"
        elif rule["findings"]:
            rule["status"] = "warned"
        else:
            rule["status"] = "passed" if rule["evaluated"] else "not_applicable"
    counts = {
        status: sum(r["status"] == status for r in rules) for status in ("passed", "warned", "failed", "not_applicable")
    }
    result: CheckResult = {"schema_version": "1", "summary": {"rules": len(rules), **counts}, "rules": rules}
    result["summary"]["closing"] = len(closing(result))
    return result


def _cursor(con: duckdb.DuckDBPyConnection, rules: Sequence[Rule]) -> duckdb.DuckDBPyConnection:
    """A connection of its own to the same database that finds `chk_*` and knows the numbers of the rules."""
    cursor = beside(con)
    home = scalar(con, "select current_database()")
    cursor.execute(f"set search_path = '{home},rules'")
    for rule in rules:
        for name, value in rule.numbers.items():
            cursor.execute(f'set variable "chk.{rule.id}.{name}" = {value!r}::double')
    return cursor


def _load(con: duckdb.DuckDBPyConnection, rules: Sequence[Rule], schemas: Path) -> None:
    """The catalogue, the species groups and the step factors as tables."""
    _fill(con, "chk_rule", "rule_id text, level text, via text", [[r.id, r.level, r.via] for r in rules])
    _fill(
        con,
        "chk_limit",
        "rule_id text, class text, warn_low double, warn_high double, fail_low double, fail_high double,"
        " and_warn double, and_fail double",
        [
            [r.id, name, *limit.warn, *limit.fail, limit.and_warn, limit.and_fail]
            for r in rules
            if r.implemented
            for name, limit in r.limits.items()
        ],
    )
    _fill(
        con,
        "chk_parameter",
        "rule_id text, name text, value double",
        [[r.id, name, value] for r in rules for name, value in r.numbers.items()],
    )
    _fill(
        con,
        "chk_word",
        "rule_id text, name text, word text",
        [[r.id, name, word] for r in rules for name, words in r.lists.items() for word in words],
    )
    _fill(
        con,
        "chk_species",
        "species text, species_group text",
        [
            [r["species"], r["species_group"]]
            for _, r in registry.read_csv(schemas / "species.csv", "schemas/species.csv")
        ],
    )
    _fill(
        con,
        "chk_step",
        "id text, factor double",
        [[s["id"], s["factor"] or None] for s in registry.steps(schemas).values()],
    )


def _fill(con: duckdb.DuckDBPyConnection, table: str, columns: str, lines: list[list[Any]]) -> None:
    """Make a table of a few rows in one statement."""
    casts = ", ".join(
        f"line[{place}]::{column.split()[1]} as {column.split()[0]}"
        for place, column in enumerate(columns.split(", "), 1)
    )
    con.execute(
        f"""create table rules.{table} as
        select {casts} from (select unnest(from_json(?, '[["VARCHAR"]]')) as line)""",
        [json.dumps(lines)],
    )


def _pivot(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """chk_wide: one row per food and ingredient, one column per component of the registry."""
    tags = ", ".join(f"'{c['component']}'" for c in registry.components(schemas))
    con.execute(
        f"""create table rules.chk_wide as
        with amounts as (
          from (
            pivot (select origin, key, component, x from chk_amount) on component in ({tags})
            using max(x) group by origin, key)
          left join (
            select origin, key, status as cho_status from chk_amount where component = 'CHOCDF') using (origin, key)
        )
        select p.*, a.* exclude (origin)
        from chk_profile p
          join amounts a on a.origin = p.origin and a.key = coalesce(p.ingredient_id, p.source || ':' || p.food_id)"""
    )


def _result(con: duckdb.DuckDBPyConnection, rules: Sequence[Rule]) -> CheckResult:
    evaluated = dict(
        con.execute(
            """select rule_id, sum(n) from (
             select rule_id, count(x) as n from chk_figure group by rule_id
             union all select rule_id, sum(n) from chk_evaluated group by rule_id) group by rule_id"""
        ).fetchall()
    )
    found: dict[str, list[dict[str, Any]]] = {}
    cures = {rule.id: rule.cure for rule in rules}
    scopes = {rule.id: rule.scopes for rule in rules}
    for row in rows(
        con,
        """select distinct s.rule_id, s.severity, s.scope, s.subject, s.detail, d.decision_id
           from chk_scoped s left join chk_decided d on d.id = s.id and d.scope = s.scope and d.subject = s.subject
           order by all""",
    ):
        rule_id = row.pop("rule_id")
        if rule_id not in cures or row["scope"] not in scopes[rule_id]:
            continue
        finding = {key: row[key] for key in ("severity", "scope", "subject", "detail")} | {"cure": cures[rule_id]}
        if row["decision_id"]:
            finding["decision_id"] = row["decision_id"]
        found.setdefault(rule_id, []).append(finding)
    return summarise([entry(rule, found.get(rule.id, []), int(evaluated.get(rule.id, 0))) for rule in rules])


def entry(rule: Rule, findings: list[dict[str, Any]], evaluated: int) -> dict[str, Any]:
    """One rule of the result; `evaluated` is the number of subjects that had what the rule needs."""
    made: dict[str, Any] = {
        "id": rule.id,
        "level": rule.level,
        "name": rule.name,
        "rule": rule.rule,
        "source": rule.source,
        "status": "",
        "implemented": rule.implemented,
        "evaluated": evaluated,
        "findings": findings,
    }
    if rule.why_not:
        made["why_not"] = rule.why_not
    if rule.note:
        made["note"] = rule.note
    return made
