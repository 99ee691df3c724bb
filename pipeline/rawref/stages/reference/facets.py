"""Facets of every food: state, method, part, species, additions and whether it may supply a raw ingredient.

`build_foods` fills `reference.foods` from `archival.foods`, `archival.langual`, `archival.footnotes` and the five
figures of `archival.values` that bear witness (sodium, potassium, calcium, water, fat). The rules are data under
`schemas/`: facet_rules.csv, name_phrases.csv, species_terms.csv, species_traits.csv, food_groups.csv,
facet_named.csv, langual_facets.csv, witness_components.csv, witness_limits.csv, review_reasons.csv.

A rule is an RE2 pattern on one comma-separated segment of a prepared name (or, scope `...@name`, on the whole
name). English patterns match whole words: a letter or a hyphen on either side is no match. Japanese patterns match
a whole token. Patterns run once per distinct segment, not once per food.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING

from rawref.database import literal, run_file
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent
RULE_COLUMNS = ("rule_id", "facet", "order", "source_scope", "pattern", "except_pattern", "value", "note")
# Of state, method, part, skin, bone and fat_trim the least order wins; the others are lists.
FACETS = ("state", "method", "part", "skin", "bone", "fat_trim", "addition", "composite", "caution", "footnote")
SCOPES = ("animal", "egg", "dairy", "plant", "dish", "ja", "en")

TABLES = {
    "facet_groups": (
        "food_groups.csv",
        "source, group_prefix, name_pattern, realm, scope, kind, default_part, default_species, default_state, "
        "default_order, expected_state, note",
        "source, coalesce(group_prefix, '') as prefix, name_pattern, realm, scope, kind, default_part, "
        "default_species, default_state, cast(default_order as integer) as default_order, expected_state",
    ),
    "facet_terms": (
        "species_terms.csv",
        "term, species, source_scope, generic",
        "term, species, source_scope, generic = 'yes' as generic, split_part(term, ' ', 1) as first_word, "
        "not contains(term, ' ') as one_word",
    ),
    "facet_species_list": (
        "species.csv",
        "species, species_group, realm, scientific_name, name",
        "species, species_group, realm",
    ),
    "facet_traits": (
        "species_traits.csv",
        "species, default_part, sea_water",
        "species, default_part, sea_water = 'yes' as sea_water",
    ),
    "facet_named": ("facet_named.csv", "source, name, facet, value, note", "source, name, facet, value"),
    "facet_langual": ("langual_facets.csv", "code, test, value, note", "code, test, value"),
    "facet_witness_components": (
        "witness_components.csv",
        "source, witness, source_component, preference",
        "source, witness, source_component, cast(preference as integer) as preference",
    ),
    "facet_reasons": ("review_reasons.csv", "code, serious, text", "code, serious = 'yes' as serious"),
}


def _records(path: Path) -> list[dict[str, str]]:
    """The rows of one of our CSV files; a missing file is an input error."""
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            return list(csv.DictReader(handle))
    except OSError as fault:
        raise InputError(f"cannot read {path.name}", str(path), "restore the file from the repository") from fault


def load_rules(schemas: Path) -> list[dict[str, str]]:
    """The facet rules in file order, checked: known facet and scope, whole-number order, no repeated id."""
    path = schemas / "facet_rules.csv"
    rules = _records(path)
    seen: set[str] = set()
    for number, rule in enumerate(rules, start=2):
        where = f"{path.name}:{number}"
        if tuple(rule) != RULE_COLUMNS:
            raise InputError("unexpected columns", where, f"expected {', '.join(RULE_COLUMNS)}")
        if rule["rule_id"] in seen:
            raise InputError(f"rule id {rule['rule_id']} stands twice", where, "give every rule its own id")
        seen.add(rule["rule_id"])
        if rule["facet"] not in FACETS:
            raise InputError(f"unknown facet {rule['facet']!r}", where, f"one of {', '.join(FACETS)}")
        if not rule["order"].isdigit():
            raise InputError(f"order {rule['order']!r} is no whole number", where, "write the rank of the rule")
        for scope in rule["source_scope"].split(";"):
            if scope.removesuffix("@name") not in SCOPES:
                cure = f"one of {', '.join(SCOPES)}, with or without @name"
                raise InputError(f"unknown scope {scope!r}", where, cure)
    return rules


def _whole(pattern: str, japanese: bool) -> str:
    """The pattern as it is run: whole words in English, a whole token in Japanese."""
    return f"^(?:{pattern})$" if japanese else f"(?:^|[^a-z-])(?:{pattern})(?:$|[^a-z-])"


def _test(rule: dict[str, str], number: int, column: str, *, whole_name: bool, japanese: bool) -> str:
    wrap = (lambda pattern: pattern) if whole_name else (lambda pattern: _whole(pattern, japanese))
    test = f"regexp_matches({column}, {literal(wrap(rule['pattern']))})"
    if rule["except_pattern"]:
        test += f" and not regexp_matches({column}, {literal(rule['except_pattern'])})"
    return f"case when {test} then {number} end"


def _hit_query(rules: list[dict[str, str]], scope: str) -> list[str]:
    """Statements that append the hits of one scope, by segment and by whole name."""
    japanese = scope == "ja"
    by_segment = [
        _test(rule, number, "text", whole_name=False, japanese=japanese)
        for number, rule in enumerate(rules)
        if scope in rule["source_scope"].split(";") and rule["facet"] != "footnote"
    ]
    by_name = [
        _test(rule, number, "prepared", whole_name=True, japanese=japanese)
        for number, rule in enumerate(rules)
        if f"{scope}@name" in rule["source_scope"].split(";")
    ]
    statements = []
    if by_segment:
        statements.append(
            "insert into facet_segment_hit select * from (select id, unnest(["
            + ",\n".join(by_segment)
            + f"]) as rule from facet_segment where rule_scope = {literal(scope)}) where rule is not null"
        )
    if by_name:
        statements.append(
            "insert into facet_name_hit select * from (select food, unnest(["
            + ",\n".join(by_name)
            + f"]) as rule from facet_food where rule_scope = {literal(scope)}) where rule is not null"
        )
    return statements


def _footnote_query(rules: list[dict[str, str]]) -> list[str]:
    statements = []
    japanese = "(select source from reference.source_traits where trait = 'language' and value = 'ja')"
    for scope, sources in (("ja", f"in {japanese}"), ("en", f"not in {japanese}")):
        for rule in rules:
            if rule["facet"] == "footnote" and scope in rule["source_scope"].split(";"):
                test = _test(rule, 1, "lower(text)", whole_name=False, japanese=False)
                if scope == "ja":
                    test = test.replace("(?:^|[^a-z-])", "").replace("(?:$|[^a-z-])", "")
                statements.append(
                    "insert into facet_footnote_hit select distinct source, release, food_id, "
                    f"{literal(rule['rule_id'])} from archival.footnotes "
                    f"where source {sources} and ({test}) is not null"
                )
    return statements


def _phrases(schemas: Path) -> dict[str, str]:
    """Per scope, one alternation of the phrases that speak of use, class or history."""
    joined: dict[str, list[str]] = {}
    for row in _records(schemas / "name_phrases.csv"):
        joined.setdefault(row["scope"], []).append(row["pattern"])
    return {scope: "|".join(f"(?:{pattern})" for pattern in patterns) for scope, patterns in joined.items()}


def _load_tables(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    for table, (file, columns, select) in TABLES.items():
        path = schemas / file
        if not path.is_file():
            raise InputError(f"cannot read {file}", str(path), "restore the file from the repository")
        shape = ", ".join(f"{literal(name.strip())}: 'varchar'" for name in columns.split(","))
        con.execute(
            f"create or replace temp table {table} as select {select} from read_csv({literal(str(path))}, "
            f"columns = {{{shape}}}, header = true, auto_detect = false, quote = '\"', escape = '\"', delim = ',', "
            "nullstr = '')"
        )
    limits = _records(schemas / "witness_limits.csv")
    con.execute(
        "create or replace temp table facet_limits as select "
        + ", ".join(f"{float(row['value'])!r} as {row['limit']}" for row in limits)
    )


def match_rules(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Leave temporary table `facet_hit` (food, position, facet, rank, rule_id, value) and what it was made from.

    Raises InputError when a rule file is missing or malformed.
    """
    rules = load_rules(schemas)
    _load_tables(con, schemas)
    con.execute(
        "create or replace temp table facet_rules as select unnest($rule) as rule, unnest($rule_id) as rule_id, "
        "unnest($facet) as facet, unnest($rank) as rank, unnest($value) as value",
        {
            "rule": list(range(len(rules))),
            "rule_id": [rule["rule_id"] for rule in rules],
            "facet": [rule["facet"] for rule in rules],
            "rank": [int(rule["order"]) * 1000 + number for number, rule in enumerate(rules)],
            "value": [rule["value"] for rule in rules],
        },
    )
    run_file(con, HERE / "facets_prepare.sql")
    phrases = _phrases(schemas)
    con.execute(
        "update facet_segment set text = trim(case "
        + " ".join(
            f"when rule_scope in ({', '.join(map(literal, scopes))}) "
            f"then regexp_replace(segment, {literal(phrases[key])}, ' ', 'g')"
            for key, scopes in (("animal", ("animal", "egg")), ("plant", ("plant",)))
        )
        + " else segment end) where rule_scope in ('animal', 'egg', 'plant')"
    )
    con.execute("create or replace temp table facet_segment_hit (id bigint, rule integer)")
    con.execute("create or replace temp table facet_name_hit (food bigint, rule integer)")
    con.execute(
        "create or replace temp table facet_footnote_hit (source text, release text, food_id text, rule_id text)"
    )
    for scope in ("animal", "egg", "dairy", "plant", "dish", "ja"):
        for statement in _hit_query(rules, scope):
            con.execute(statement)
    for statement in _footnote_query(rules):
        con.execute(statement)
    con.execute(
        "create or replace temp table facet_cut as select id, case when rule_scope = 'ja' then "
        f"case when regexp_matches(text, {literal(_whole(phrases['cut_ja'], True))}) then '' else text end "
        "else trim(regexp_replace(regexp_replace(text, "
        + literal(rf"\b(?:{phrases['cut']})(?:\b|$)")
        + r", '', 'g'), '(^[ ,;]+|[ ,;]+$|\(\s*\))', '', 'g')) end as cut from facet_segment "
        "where rule_scope in ('animal', 'ja')"
    )
    run_file(con, HERE / "facets_hit.sql")


def build_foods(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Create `reference.foods`: one row per food of `archival.foods` with its facets.

    Columns are those of the interface; `witnesses`, `review_reasons`, `cautions` and `langual` are JSON text.
    Raises InputError when a rule file is missing or malformed.
    """
    match_rules(con, schemas)
    con.execute("create schema if not exists reference")
    run_file(con, HERE / "facets.sql")
    con.execute(
        "drop table facet_food; drop table facet_segment; drop table facet_food_segment; drop table facet_species; "
        "drop table facet_witness; drop table facet_segment_hit; drop table facet_name_hit; "
        "drop table facet_footnote_hit; drop table facet_cut; drop table facet_rules; drop table facet_limits"
    )
    for table in TABLES:
        con.execute(f"drop table {table}")
