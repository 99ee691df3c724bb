"""pandera models of every boundary, generated from the registry: what readers hand over, people enter, we publish.

Tables are validated as text, as they are written, and nothing is coerced: a number column must hold the text of a
finite number. The Parquet twins are checked for their types. Large archival tables are checked by the database with
rules from the same registry. At most CAP failures a rule and column are named.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.errors import InputError
from rawref.findings import Finding
from rawref.registry import Field

if TYPE_CHECKING:
    import duckdb
    import pandas as pd
    import pandera.pandas as pandera
    import pyarrow

CAP = 50
SMALL = 2000
NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d{1,3})?"
INTEGER = r"[-+]?\d+"
CURE = {
    "published": "rebuild; if it stays, correct the SQL or the registry",
    "maintainer": "correct the cell",
    "archival": "correct the reader, or restore the pinned file",
}
EMPTY = "is empty, though required"
DOUBLED = "key is not unique"
Known = Mapping[str, frozenset[str]]


def model(
    name: str, fields: tuple[Field, ...], words: Mapping[str, Mapping[str, str]], known: Known
) -> pandera.DataFrameSchema:
    """The pandera model of one table held as text; `known` gives the ids that a `ref:` column may name."""
    pa = _pandera()
    columns = {
        # an empty required cell is caught by a check of ours, as pandera's own names every one of them
        f.column: pa.Column(
            str,
            checks=_checks(f, words, known),
            nullable=True,
            required=True,
            metadata={"rule": f"contract:{name}.{f.column}"},
            description=f.description,
        )
        for f in fields
    }
    key = [f.column for f in fields if f.key]
    checks = [pa.Check(lambda df: not _doubled(df, key), error=DOUBLED)] if key else []
    return pa.DataFrameSchema(
        columns, checks=checks, strict=True, ordered=True, coerce=False, name=name, metadata={"key": key}
    )


@cache
def _pandera() -> ModuleType:
    """pandera without its test-data strategies: they would load hypothesis, half a second, where that is installed."""
    import sys

    masked = "hypothesis" not in sys.modules
    if masked:
        sys.modules["hypothesis"] = None  # type: ignore[assignment]  # an import of it fails, as where it is absent
    try:
        import pandera.pandas
        import pandera.strategies.pandas_strategies
    finally:
        if masked:
            del sys.modules["hypothesis"]
    return pandera.pandas


def _checks(f: Field, words: Mapping[str, Mapping[str, str]], known: Known) -> list[pandera.Check]:
    pa = _pandera()
    filled = pa.Check(lambda s: s.notna(), error=EMPTY, n_failure_cases=CAP, ignore_na=False)
    return ([filled] if f.required else []) + _content_checks(f, words, known)


def _content_checks(f: Field, words: Mapping[str, Mapping[str, str]], known: Known) -> list[pandera.Check]:
    pa = _pandera()

    def check(test: Callable[[pd.Series], Any], error: str) -> pandera.Check:
        return pa.Check(test, error=error, n_failure_cases=CAP)

    if f.type in ("number", "integer"):
        made = [
            check(
                lambda s: s.str.fullmatch(INTEGER if f.type == "integer" else NUMBER) & _finite(s),
                f"is not a {'whole' if f.type == 'integer' else 'finite'} number",
            )
        ]
        low, high = f.limits
        if low:
            made.append(check(lambda s: ~(_float(s) < float(low)), f"is below {low}"))
        if high:
            made.append(check(lambda s: ~(_float(s) > float(high)), f"is above {high}"))
        return made
    if f.type in ("list", "object"):
        return [check(lambda s: s.map(lambda text: _is_json(text, f.type)), f"is not a JSON {f.type}")]
    if f.pattern:
        return [check(lambda s: s.str.fullmatch(f.pattern), "is not well formed")]
    if f.refers_to:
        ids = known.get(f.refers_to)
        return [] if ids is None else [check(lambda s: s.isin(ids), f"is not in {f.refers_to}")]
    if f.vocabulary in words:
        return [check(lambda s: s.isin(set(words[f.vocabulary])), f"is not a word of {f.vocabulary}")]
    return []


def _float(series: pd.Series) -> pd.Series:
    import pandas as pd

    return pd.to_numeric(series, errors="coerce")  # for comparing only: the text itself stays


def _finite(series: pd.Series) -> Any:
    import numpy as np

    return np.isfinite(_float(series))


@cache
def _is_json(text: str, kind: str) -> bool:
    import json

    try:
        return isinstance(json.loads(text), list if kind == "list" else dict)
    except ValueError:
        return False


@cache
def _awake() -> None:
    """assert_awake, once in a process for all boundaries; the gate's own test asks anew each time."""
    assert_awake()


def assert_awake() -> None:
    """Raise InputError where pandera lets planted faults pass, as its environment switches can make it do."""
    import pandas as pd

    fields = (
        Field("planted", "id", "text", "", True, True, "", ""),
        Field("planted", "n", "number", "", True, False, "", ""),
    )
    planted = {
        "an infinite number": pd.DataFrame({"id": ["a"], "n": ["inf"]}),
        "a wrong type": pd.DataFrame({"id": ["a"], "n": [1.5]}),
        "an empty required cell": pd.DataFrame({"id": ["a"], "n": pd.Series([None], dtype="str")}),
        "a missing column": pd.DataFrame({"id": ["a"]}),
        "a doubled key": pd.DataFrame({"id": ["a", "a"], "n": ["1", "2"]}),
    }
    asleep = [
        name
        for name, frame in planted.items()
        if not failures(model("planted", fields, {}, {}), frame, "archival", lambda i: (str(i), "", None))
    ]
    if asleep:
        raise InputError(
            f"pandera does not see {asleep[0]} that was planted",
            "environment",
            "unset PANDERA_VALIDATION_ENABLED and PANDERA_VALIDATION_DEPTH",
        )


def failures(
    schema: pandera.DataFrameSchema,
    frame: pd.DataFrame,
    boundary: str,
    where: Callable[[int], tuple[str, str, int | None]],
) -> list[Finding]:
    """What the model finds wrong with the frame; `where` gives subject, file and line of a row."""
    import pandas as pd

    pa = _pandera()
    try:
        schema.validate(frame, lazy=True)
    except pa.errors.SchemaErrors as error:
        found: list[Finding] = []

        def note(row: int, told: str, column: str) -> None:
            subject, file, line = where(row)
            found.append(
                Finding(
                    "fail",
                    subject,
                    told,
                    CURE[boundary],
                    scope="curated" if boundary == "published" else "source",
                    file=file,
                    line=line,
                    rule=f"contract:{schema.name}.{column}",
                )
            )

        cases = error.failure_cases
        for column, check, case, index in zip(
            cases["column"], cases["check"], cases["failure_case"], cases["index"], strict=True
        ):
            if str(check) == DOUBLED:  # the check is of the whole table: its rows are looked up here
                for row in _doubled(frame, schema.metadata["key"]):
                    note(row, DOUBLED, "")
                continue
            said = {
                "column_in_dataframe": "is missing",
                "column_in_schema": "is not in the registry",
                "column_ordered": "is out of order",
            }.get(str(check), str(check))
            named = (
                str(case) if str(check).startswith("column_") else "" if column == schema.name else str(column or "")
            )
            shown = "" if str(check).startswith(("column_", EMPTY)) else f" {case!r}"
            note(-1 if pd.isna(index) else int(index), f"{named}{shown} {said}".strip(), named)
        return sorted(found, key=lambda f: (f.file, f.line or 0, f.rule, f.subject, f.detail))
    return []


def _doubled(frame: pd.DataFrame, key: list[str]) -> list[int]:
    """The rows whose key stands further up already, at most CAP; none where a column of the key is missing."""
    if not set(key) <= set(frame):
        return []
    return [int(row) for row in frame.duplicated(key).to_numpy().nonzero()[0][:CAP]]


def read_text(path: Path) -> pyarrow.Table:
    """A CSV file as text columns, an empty cell null."""
    import pyarrow as arrow
    import pyarrow.csv as arrow_csv

    with path.open("rb") as stream:
        names = next(iter(_heading(stream.readline())))
    return arrow_csv.read_csv(
        path,
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(names, arrow.string()),
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
        ),
        parse_options=arrow_csv.ParseOptions(newlines_in_values=True),
    )


def _heading(line: bytes) -> list[list[str]]:
    import csv

    return list(csv.reader([line.decode("utf-8", "replace").rstrip("\r\n")])) or [[]]


def _locate(
    frame: pd.DataFrame, key: list[str], file: str, lines: list[int] | None = None
) -> Callable[[int], tuple[str, str, int | None]]:
    def where(row: int) -> tuple[str, str, int | None]:
        if row < 0:
            return file, file, 1
        subject = ":".join(str(frame[k].iloc[row]) for k in key if k in frame)
        return subject, file, lines[row] if lines else row + 2

    return where


def validate_published(
    folder: Path, schemas: Path, shown: str = "curated", *, full: bool = True
) -> list[Finding]:
    """Faults of every published table in `folder`: its CSV against the model, the types of its Parquet twin.

    Unless `full`, tables of more than SMALL rows are held to the same registry by Arrow, which is faster; a test holds
    the two to the same findings. The cells of the twins are compared by rule T08 (published/twins.py).
    """
    import pyarrow as arrow

    _awake()
    fields, words = registry.fields(schemas), registry.vocabularies(schemas)
    found: list[Finding] = []
    tables: dict[str, pyarrow.Table] = {}
    for table in registry.PUBLISHED:
        file = f"{shown}/{table}.csv"
        try:
            tables[table] = read_text(folder / f"{table}.csv")
        except (OSError, arrow.ArrowInvalid, UnicodeDecodeError) as error:
            found.append(
                Finding(
                    "fail",
                    table,
                    f"cannot be read: {str(error).splitlines()[0]}",
                    CURE["published"],
                    file=file,
                    rule=f"contract:{table}",
                )
            )
    known: dict[str, frozenset[str]] = {
        t: frozenset(tables[t].column(f.column).to_pylist())
        for t in ("ingredients", "components")
        if t in tables
        for f in fields[t][:1]
        if f.column in tables[t].column_names
    }
    for table, held in tables.items():
        if full or held.num_rows <= SMALL or held.column_names != [f.column for f in fields[table]]:
            frame = held.to_pandas()
            key = [f.column for f in fields[table] if f.key]
            found += failures(
                model(table, fields[table], words, known),
                frame,
                "published",
                _locate(frame, key, f"{shown}/{table}.csv"),
            )
        else:
            found += arrow_failures(held, table, fields[table], words, known, f"{shown}/{table}.csv")
        found += _parquet(folder / f"{table}.parquet", table, fields[table], f"{shown}/{table}.parquet")
    return found


def arrow_failures(
    held: pyarrow.Table,
    table: str,
    fields: tuple[Field, ...],
    words: Mapping[str, Mapping[str, str]],
    known: Known,
    shown: str,
) -> list[Finding]:
    """What `model` would find in the same table, worked out column by column in Arrow."""
    import pyarrow.compute as pc

    key = [f.column for f in fields if f.key]
    found: list[Finding] = []

    def note(mask: Any, column: str, complaint: str) -> None:
        for row in pc.indices_nonzero(pc.fill_null(mask, False)).to_pylist()[:CAP]:
            text = held.column(column)[row].as_py()
            shown_text = "" if text is None else f" {text!r}"
            found.append(
                Finding(
                    "fail",
                    ":".join(str(held.column(k)[row].as_py()) for k in key),
                    f"{column}{shown_text} {complaint}",
                    CURE["published"],
                    file=shown,
                    line=row + 2,
                    rule=f"contract:{table}.{column}",
                )
            )

    for f in fields:
        column = held.column(f.column)
        if f.required and column.null_count:
            note(pc.is_null(column), f.column, EMPTY)
        for mask, complaint in _arrow_masks(column, f, words, known):
            if pc.any(mask).as_py():
                note(mask, f.column, complaint)
    if key and held.select(key).group_by(key).aggregate([]).num_rows != held.num_rows:
        found += [
            Finding(
                "fail",
                ":".join(str(held.column(k)[row].as_py()) for k in key),
                DOUBLED,
                CURE["published"],
                file=shown,
                line=row + 2,
                rule=f"contract:{table}.",
            )
            for row in _doubled(held.select(key).to_pandas(), key)
        ]
    return sorted(found, key=lambda f: (f.file, f.line or 0, f.rule, f.subject, f.detail))


def _arrow_masks(column: Any, f: Field, words: Mapping[str, Mapping[str, str]], known: Known) -> list[tuple[Any, str]]:
    import pyarrow as arrow
    import pyarrow.compute as pc

    if f.type in ("number", "integer"):
        well = pc.match_substring_regex(column, f"^(?:{INTEGER if f.type == 'integer' else NUMBER})$")
        numbers = pc.if_else(pc.fill_null(well, False), column, arrow.scalar(None, arrow.string())).cast(
            arrow.float64()
        )
        bad = pc.or_(pc.invert(well), pc.fill_null(pc.invert(pc.is_finite(numbers)), False))
        made = [(bad, f"is not a {'whole' if f.type == 'integer' else 'finite'} number")]
        low, high = f.limits
        if low:
            made.append((pc.less(numbers, float(low)), f"is below {low}"))
        if high:
            made.append((pc.greater(numbers, float(high)), f"is above {high}"))
        return made
    if f.type in ("list", "object"):
        bad = {text for text in pc.unique(column).to_pylist() if text is not None and not _is_json(text, f.type)}
        return [(pc.is_in(column, arrow.array(sorted(bad), arrow.string())), f"is not a JSON {f.type}")] if bad else []
    if f.pattern:
        return [(pc.invert(pc.match_substring_regex(column, f"^(?:{f.pattern})$")), "is not well formed")]
    allowed = known.get(f.refers_to) if f.refers_to else frozenset(words.get(f.vocabulary, ())) or None
    if allowed is None:
        return []
    outside = pc.invert(pc.is_in(column, arrow.array(sorted(a for a in allowed if a is not None), arrow.string())))
    complaint = f"is not in {f.refers_to}" if f.refers_to else f"is not a word of {f.vocabulary}"
    return [(pc.and_(outside, pc.is_valid(column)), complaint)]


def _parquet(path: Path, table: str, fields: tuple[Field, ...], shown: str) -> list[Finding]:
    """Columns of the Parquet twin that have another type than the registry; none where there is no twin to read."""
    import pyarrow as arrow
    import pyarrow.parquet as pq

    try:
        twin = pq.read_schema(path)
    except (OSError, arrow.ArrowInvalid):
        return []
    types = {"number": arrow.float64(), "integer": arrow.int64()}
    listed = arrow.list_(arrow.string())
    return [
        Finding(
            "fail",
            table,
            f"{f.column} has type {twin.field(f.column).type}, not {types.get(f.type, arrow.string())}",
            CURE["published"],
            file=shown,
            rule=f"contract:{table}.parquet",
        )
        for f in fields
        if f.column in twin.names
        and twin.field(f.column).type != types.get(f.type, arrow.string())
        and not (f.type == "list" and twin.field(f.column).type == listed)  # JSON text in earlier versions
    ]


def validate_maintainer(folder: Path, schemas: Path) -> list[Finding]:
    """Faults of the files that people enter, each with file and line."""
    import pyarrow as arrow

    _awake()
    fields, words = registry.fields(schemas), registry.vocabularies(schemas)
    frames: dict[str, tuple[pd.DataFrame, list[int]]] = {}
    for name in registry.MAINTAINER:
        shown = f"raw/maintainer/{name}.csv"
        rows = list(registry.read_csv(folder / f"{name}.csv", shown))
        names = list(rows[0][1]) if rows else [f.column for f in fields[f"maintainer.{name}"]]
        table = arrow.table({c: arrow.array([r[c] or None for _, r in rows], arrow.string()) for c in names})
        frames[name] = (table.to_pandas(), [line for line, _ in rows])
    known: dict[str, frozenset[str]] = {"components": frozenset(c["component"] for c in registry.components(schemas))}
    for name, (frame, _) in frames.items():
        first = fields[f"maintainer.{name}"][0].column
        if first in frame:
            known[f"maintainer.{name}"] = frozenset(frame[first].dropna())
    found: list[Finding] = []
    for name, (frame, lines) in frames.items():
        columns = fields[f"maintainer.{name}"]
        key = [f.column for f in columns if f.key]
        where = _locate(frame, key, f"raw/maintainer/{name}.csv", lines)
        found += failures(model(f"maintainer.{name}", columns, words, known), frame, "maintainer", where)
    return found


def handover_fields(schemas: Path) -> dict[str, tuple[Field, ...]]:
    """The contract between readers and the archival stage, from schemas/handover.csv."""
    found: dict[str, list[Field]] = {}
    for _, r in registry.read_csv(schemas / "handover.csv", "schemas/handover.csv"):
        found.setdefault(r["table"], []).append(
            Field(
                r["table"],
                r["column"],
                r["type"],
                r["unit"],
                r["required"] == "yes",
                r["key"] == "yes",
                r["constraint"],
                r["description"],
            )
        )
    return {table: tuple(columns) for table, columns in found.items()}


def validate_handover(con: duckdb.DuckDBPyConnection, schemas: Path) -> list[Finding]:
    """Faults of what the readers handed over: foods and components by model, the values table by the database."""
    _awake()
    contract = handover_fields(schemas)
    found: list[Finding] = []
    for table in ("archival.foods", "archival.components"):
        columns = contract[table]
        names = ", ".join(f'"{f.column}"' for f in columns)
        frame = con.sql(f"select {names} from {table} order by all").to_arrow_table().to_pandas()
        key = [f.column for f in columns if f.key]

        def where(
            row: int, frame: pd.DataFrame = frame, key: list[str] = key, table: str = table
        ) -> tuple[str, str, int | None]:
            if row < 0:
                return table, "", None
            line = str(frame["line"].iloc[row])
            subject = ":".join(str(frame[k].iloc[row]) for k in key if k != "release")
            return subject, str(frame["file"].iloc[row]), int(line) if line.isdigit() else None

        found += failures(model(table, columns, {}, {}), frame, "archival", where)
    return found + _values(con, contract["archival.values"])


def _values(con: duckdb.DuckDBPyConnection, columns: tuple[Field, ...]) -> list[Finding]:
    """The values table in one pass for the counts; offenders are fetched only where there are any."""
    rules: list[tuple[str, str, str]] = []
    for f in columns:
        c = f'v."{f.column}"'
        if f.required:
            rules.append((f.column, f"{c} is null or {c} = ''", "is empty, though required"))
        if f.type in ("number", "integer"):
            pattern = INTEGER if f.type == "integer" else NUMBER
            low = f.limits[0]
            below = f" or try_cast({c} as double) < {float(low)!r}" if low else ""
            rules.append(
                (
                    f.column,
                    f"{c} <> '' and coalesce(not regexp_full_match({c}, '{pattern}') or not"
                    f" isfinite(try_cast({c} as double)){below}, true)",
                    f"is not a {'whole' if f.type == 'integer' else 'finite'} number of {low or 'any size'} or above",
                )
            )
    rules.append(
        (
            "text",
            # no figure that begins with a digit is one of these words
            "v.\"text\" not between '0' and ':'"
            " and lower(trim(v.\"text\")) in ('nan', 'inf', '-inf', '+inf', 'infinity', '-infinity')",
            "is not what a table publishes",
        )
    )
    counts = con.execute(
        "select " + ", ".join(f"count(*) filter ({sql})" for _, sql, _ in rules) + ' from archival."values" v'
    ).fetchall()[0]
    found: list[Finding] = []
    for (column, sql, complaint), count in zip(rules, counts, strict=True):
        if count:
            found += _offenders(
                con,
                f'select v.source, v.food_id, v.source_component, v."{column}", v.file, v.line'
                f' from archival."values" v where {sql}',
                column,
                complaint,
            )
    for column, table in (("food_id", "foods"), ("source_component", "components")):
        keys = f"select distinct source, release, {column} from"
        # a source without a list of its own (the maintainer's records) names components of the registry
        lost = (
            f'({keys} archival."values" anti join archival.{table} using (source, release, {column})'
            f" where source in (select source from archival.{table}))"
        )
        if con.execute(f"select 1 from {lost} limit 1").fetchall():
            found += _offenders(
                con,
                f'select v.source, v.food_id, v.source_component, v."{column}", v.file, v.line from'
                f' archival."values" v semi join {lost} l using (source, release, {column})',
                column,
                f"is not in archival.{table}",
            )
    return found


def _offenders(con: duckdb.DuckDBPyConnection, sql: str, column: str, complaint: str) -> list[Finding]:
    return [
        Finding(
            "fail",
            f"{source}:{food}:{component}",
            f"{column} {text!r} {complaint}",
            CURE["archival"],
            scope="source",
            file=str(file or ""),
            line=int(line) if re.fullmatch(r"\d+", str(line)) else None,
            rule=f"contract:archival.values.{column}",
        )
        for source, food, component, text, file, line in con.execute(f"{sql} order by all limit {CAP}").fetchall()
    ]


def require(findings: list[Finding]) -> None:
    """Raise the first finding as InputError: file and line, what, cure; and how many more there are."""
    if findings:
        first = findings[0]
        more = f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""
        where = f"{first.file}:{first.line}" if first.file and first.line else first.file or first.subject
        raise InputError(f"{first.detail}{more}", where, first.cure)
