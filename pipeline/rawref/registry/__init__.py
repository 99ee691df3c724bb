"""The registry: every field, vocabulary and component is defined once, as data in schemas/, and read here."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

CLASS_OF = """
create macro curated.class_of(part, species_group) as
  case when species_group in ('finfish', 'mollusc', 'crustacean') then 'sea'
    when species_group in ('none', 'unknown', 'plant') then 'other'
    when part in ('muscle', 'skin', 'fat', 'mechanically_separated') then 'meat'
    when starts_with(part, 'egg') then 'egg'
    else 'organ' end"""
"""Classes of ingredients within which tables disagree alike: what ranges and ceilings are told apart by."""
PUBLISHED = ("ingredients", "values", "gaps", "candidates", "components", "references", "catalogue", "calibration")
"""The published long tables; the wide twins are made from `values`."""
MAINTAINER = (
    "ingredients",
    "ingredient_foods",
    "ingredient_aliases",
    "citations",
    "cited_values",
    "composites",
    "decisions",
)
"""The files that people enter, raw/maintainer/<name>.csv."""


@dataclass(frozen=True, slots=True)
class Field:
    """One column: type, unit and constraint as schemas/fields.csv defines it."""

    table: str
    column: str
    type: str
    unit: str
    required: bool
    key: bool
    constraint: str
    description: str

    @property
    def sql_type(self) -> str:
        return {"number": "double", "integer": "bigint"}.get(self.type, "text")

    @property
    def limits(self) -> tuple[str, str]:
        """Least and largest number that the column may hold, as written; empty where there is none."""
        low, _, high = self._of("range").partition(":")
        return low, high

    @property
    def pattern(self) -> str:
        """Regular expression that the whole text follows; empty where there is none."""
        return self._of("pattern")

    @property
    def refers_to(self) -> str:
        """Table whose first key column holds every word of this one; empty where there is none."""
        return self._of("ref")

    @property
    def vocabulary(self) -> str:
        """List whose words the column holds; empty where another kind of constraint is set, or none."""
        return "" if ":" in self.constraint else self.constraint

    def _of(self, kind: str) -> str:
        found, _, rest = self.constraint.partition(":")
        return rest if found == kind else ""


CSV_MAX = 64 << 20
"""Bytes of a CSV file that people enter."""
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]")
"""Characters that nobody means to write: controls, line separators, marks that turn the direction of writing, BOM."""


def plain_text(path: Path, shown: str) -> str:
    """The text of a file that people enter, in UTF-8 with or without its mark; InputError where it is longer than such
    a file can be, is no UTF-8, or holds a character that does not show."""
    with path.open("rb") as raw:
        body = raw.read(CSV_MAX + 1)
    if len(body) > CSV_MAX:
        raise InputError(f"more than {CSV_MAX} bytes", shown, "give a CSV file of the kind that is meant")
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = body.count(10, 0, error.start) + 1
        raise InputError(f"not UTF-8: {error.reason}", f"{shown}:{line}", "save the file as CSV in UTF-8") from error
    if found := _CONTROL.search(text):
        raise InputError(
            f"the character U+{ord(found[0]):04X}", f"{shown}:{text.count(chr(10), 0, found.start()) + 1}",
            "take it out; it does not show, and would make another word",
        )
    return text


def read_csv(path: Path, shown: str = "", due: Sequence[str] = ()) -> Iterator[tuple[int, dict[str, str]]]:
    """Line number and row of a UTF-8 CSV file with a heading; InputError names file, line and cure.

    The heading is `due`, where given. Control characters, and what turns the direction of writing, are refused: a key
    or a name would be another than it reads.
    """
    shown, start = shown or path.name, 0
    try:
        text = plain_text(path, shown)
        with io.StringIO(text, newline="") as stream:
            reader = csv.reader(stream, strict=True)
            heading = next(reader, None)
            if not heading or len(set(heading)) != len(heading):
                raise InputError("no heading, or a column named twice", f"{shown}:1", "write the heading row")
            if due and heading != list(due):
                raise InputError(f"heading is {','.join(heading)}", f"{shown}:1", "it must be " + ",".join(due))
            start = reader.line_num
            for row in reader:
                line, start = start + 1, reader.line_num
                if not row:
                    continue
                if len(row) != len(heading):
                    raise InputError(
                        f"{len(row)} fields where the heading has {len(heading)}", f"{shown}:{line}",
                        "quote fields that hold a comma",
                    )
                yield line, dict(zip(heading, row, strict=True))
    except FileNotFoundError as error:
        raise InputError("file is missing", shown, "restore it with git checkout") from error
    except csv.Error as error:
        line = faulty_quote(path.read_bytes().decode("utf-8", "replace")) or start + 1
        raise InputError(f"not CSV: {error}", f"{shown}:{line}", MEND_QUOTE) from error


def not_fed(rows: Iterable[Mapping[str, str]], words: Collection[str]) -> list[Mapping[str, str]]:
    """The rows of schemas/not_to_be_fed.csv all of whose words stand among `words`, in the singular or the plural."""
    return [row for row in rows if all(word in words or f"{word}s" in words for word in row["word"].split())]


def read_keyed(path: Path, shown: str, due: str, key: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """As `read_csv` with the columns `due`, parted by commas; InputError for no key or a second one as well."""
    seen: dict[tuple[str, ...], int] = {}
    for line, row in read_csv(path, shown, due.split(",")):
        if not any(row[name] for name in key):
            raise InputError(f"no {key[0]}", f"{shown}:{line}", "fill it, or take the row out")
        first = seen.setdefault(tuple(row[name] for name in key), line)
        if first != line:
            what = " ".join(row[name] for name in key)
            raise InputError(f"{what} stands already on line {first}", f"{shown}:{line}", "keep one of the two rows")
        yield line, row


MEND_QUOTE = "a quoted field begins on this line: end it with a quote, and write a quote inside it twice"
_QUOTED = re.compile(r'"(?:[^"]|"")*"')
_BARE = re.compile(r"[^,\r\n]*")


def faulty_quote(text: str) -> int | None:
    """The line, 1-based, on which the first quoted field begins that does not end (RFC 4180, 2.5 to 2.7), or behind
    whose end more text stands; None where there is none. A reader of CSV tells only where it gave up."""
    at = 0
    while at < len(text):
        found = (_QUOTED if text[at] == '"' else _BARE).match(text, at)
        if not found or text[found.end() : found.end() + 1] not in ("", ",", "\r", "\n"):
            return text.count("\n", 0, at) + 1
        at = found.end() + 1
    return None


@cache
def fields(schemas: Path) -> dict[str, tuple[Field, ...]]:
    """Fields of every table, in order."""
    found: dict[str, list[Field]] = {}
    for _, r in read_csv(schemas / "fields.csv", "schemas/fields.csv"):
        found.setdefault(r["table"], []).append(
            Field(r["table"], r["column"], r["type"], r["unit"], r["required"] == "yes", r["key"] == "yes",
                  r["constraint"], r["description"])
        )
    return {table: tuple(columns) for table, columns in found.items()}


@cache
def vocabularies(schemas: Path) -> dict[str, dict[str, str]]:
    """Closed vocabularies: code to definition. Species and parts come from their own lists."""
    found: dict[str, dict[str, str]] = {}
    for _, r in read_csv(schemas / "vocabularies.csv", "schemas/vocabularies.csv"):
        found.setdefault(r["vocabulary"], {})[r["code"]] = r["definition"]
    found["status"] = {s["status"]: s["definition"] for s in statuses(schemas)}
    for name in ("species", "part"):
        path = schemas / ("species.csv" if name == "species" else "parts.csv")
        found[name] = {r[name]: r.get("name", "") for _, r in read_csv(path, f"schemas/{path.name}")}
    return found


COUNTS_IN_MIX = ("known", "range", "unknown", "nothing")


@cache
def statuses(schemas: Path) -> tuple[dict[str, str], ...]:
    """Every status: whether it is evidence, how it counts in a mix, how it ranks (1 first), what it means. InputError
    where a row says none of what it may: a figure would count as another than it is."""
    found: dict[str, dict[str, str]] = {}
    due = "status,evidence,counts_in_mix,rank,letter,band,definition"
    for line, r in read_keyed(schemas / "statuses.csv", "schemas/statuses.csv", due, ("status",)):
        for fault, what in (
            (r["evidence"] not in ("yes", "no"), f"evidence {r['evidence']!r} is neither yes nor no"),
            (r["counts_in_mix"] not in COUNTS_IN_MIX, f"counts_in_mix {r['counts_in_mix']!r} is none of its words"),
            (r["rank"] != str(len(found) + 1), f"rank {r['rank']!r} is not that of the row"),
        ):
            if fault:
                raise InputError(what, f"schemas/statuses.csv:{line}", "correct it, or restore the file")
        found[r["status"]] = r
    return tuple(found.values())


@cache
def evidence(schemas: Path) -> frozenset[str]:
    """The statuses that are evidence."""
    return frozenset(s["status"] for s in statuses(schemas) if s["evidence"] == "yes")


@cache
def counted(schemas: Path) -> frozenset[str]:
    """The statuses whose figure or range counts in a mix."""
    return frozenset(s["status"] for s in statuses(schemas) if s["counts_in_mix"] != "unknown")


def load_statuses(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Create reference.statuses(status, evidence, counts_in_mix, rank) in a database; key status."""
    con.execute("create schema if not exists reference")
    con.execute("create or replace table reference.statuses(status text primary key, evidence boolean,"
                " counts_in_mix text, rank int)")
    con.executemany("insert into reference.statuses values (?, ?, ?, ?)",
                    [[s["status"], s["evidence"] == "yes", s["counts_in_mix"], int(s["rank"])]
                     for s in statuses(schemas)])


def load_source_traits(con: duckdb.DuckDBPyConnection, schemas: Path) -> None:
    """Create reference.source_traits(trait, source, value) in a database: in what sources differ, for SQL to read."""
    con.execute("create schema if not exists reference")
    con.execute("create or replace table reference.source_traits(trait text, source text, value text,"
                " primary key (trait, source))")
    con.executemany("insert into reference.source_traits values (?, ?, nullif(?, ''))",
                    [[row["trait"], row["source"], row["value"]] for _, row in
                     read_keyed(schemas / "source_traits.csv", "schemas/source_traits.csv", "trait,source,value,note",
                                ("trait", "source"))])


@cache
def components(schemas: Path) -> tuple[dict[str, str], ...]:
    """The component registry in its order."""
    due = "component,name,unit,group,needed,block,usage_warning,definition"
    return tuple(r for _, r in read_keyed(schemas / "components.csv", "schemas/components.csv", due, ("component",)))


@cache
def steps(schemas: Path) -> dict[str, dict[str, str]]:
    """The named steps: formula or factor, conditions and source, by id."""
    due, found = "id,from_component,from_unit,to_component,to_unit,factor,formula,conditions,source,standing", {}
    for line, r in read_keyed(schemas / "conversions.csv", "schemas/conversions.csv", due, ("id",)):
        if r["factor"] and not re.fullmatch(r"(?=.*[1-9])\d{1,9}(\.\d{1,9})?", r["factor"]):
            where = f"schemas/conversions.csv:{line}"
            raise InputError(f"factor {r['factor']!r} is no number above zero", where, "write it with a decimal point")
        found[r["id"]] = r
    return found
