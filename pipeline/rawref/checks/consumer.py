"""The consumer's view of curated/: the expectations of schemas/consumer_suite.json, run by great-expectations.

Read as a careful program reads the CSV files: text stays text (sodium is `NA`), only an empty cell is missing. Nothing
is sent anywhere: telemetry is off before the import, and no store is written. Data docs are built on request and open
offline: what their pages would load from other hosts is taken out. They carry the clock, so they are never committed.
"""

from __future__ import annotations

import json
import os
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref import registry
from rawref.errors import InputError
from rawref.findings import Case, Finding

if TYPE_CHECKING:
    import pandas as pd

SHOWN = 20
"""Rows named per expectation; the count of all is in the text."""
SEVERITY = {"critical": "fail", "warning": "warn", "info": "note"}
CURE = "rawref build writes the table anew; if it stays, the published table breaks its promise: report it"


def suite(schemas: Path) -> dict[str, list[dict[str, Any]]]:
    """Expectations by table; InputError where the file is not a suite."""
    path = schemas / "consumer_suite.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        tables: dict[str, list[dict[str, Any]]] = document["tables"]
        rules = [e["rule"] for found in tables.values() for e in found]
        if len(set(rules)) != len(rules):
            raise ValueError("a rule is named twice")
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"not a suite: {error}", "schemas/consumer_suite.json", "restore it with git checkout"
        ) from error
    return tables


def read(folder: Path, table: str, schemas: Path, shown: str = "curated") -> pd.DataFrame:
    """A published CSV as a consumer reads it: numbers where the registry says so, every other column text."""
    import pandas as pd

    path = folder / f"{table}.csv"
    if not path.is_file():
        raise InputError("no such table", f"{shown}/{table}.csv", "run rawref build first")
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, na_values=[""])
    numeric = {f.column for f in registry.fields(schemas).get(table, ()) if f.type in ("number", "integer")}
    if table == "table":
        numeric = set(frame.columns[2:])
    for column in sorted(numeric & set(frame.columns)):
        with suppress(ValueError):  # what is no number stays text, and the expectation on it then fails
            frame[column] = pd.to_numeric(frame[column]).astype("float64")
    return frame


def check_consumer(
    folder: Path, schemas: Path, *, docs: Path | None = None, version: str = "", shown: str = "curated"
) -> list[Case]:
    """One case per expectation, in the order of the suite; data docs below `docs` where that is given."""
    frames = {table: read(folder, table, schemas, shown) for table in suite(schemas)}
    return run(frames, schemas, docs=docs, version=version, shown=shown)


def run(
    frames: dict[str, pd.DataFrame],
    schemas: Path,
    *,
    docs: Path | None = None,
    version: str = "",
    shown: str = "curated",
) -> list[Case]:
    """The suite over frames that were read already."""
    with _quiet():
        results = _results(frames, suite(schemas), docs, version)
    if docs is not None:
        _take_offline(docs)
    cases = []
    for table, expectations in suite(schemas).items():
        if table not in frames:
            continue
        for expected in expectations:
            found = results.get((table, expected["rule"]))
            cases.append(
                Case(
                    expected["rule"],
                    expected["why"],
                    source="consumer suite",
                    findings=_findings(expected, table, found, frames[table], shown),
                )
            )
    return cases


@contextmanager
def _quiet() -> Iterator[None]:
    """Telemetry off before the import; warnings of the library are not ours to show."""
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _results(
    frames: dict[str, pd.DataFrame], tables: dict[str, list[dict[str, Any]]], docs: Path | None, version: str
) -> dict[tuple[str, str], dict[str, Any]]:
    """Raw result of every expectation by table and rule; they come back in another order than the suite has."""
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig

    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False, metric_calculations=False)
    source = context.data_sources.add_pandas("curated")
    if docs is not None:
        site: Any = {  # the library's own type lacks one of its keys
            "class_name": "SiteBuilder",
            "show_how_to_buttons": False,
            "site_index_builder": {"class_name": "DefaultSiteIndexBuilder"},
            "store_backend": {"class_name": "TupleFilesystemStoreBackend", "base_directory": str(docs)},
        }
        context.add_data_docs_site(site_name="local", site_config=site)
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for table, expectations in tables.items():
        if table not in frames:
            continue
        batch = source.add_dataframe_asset(table).add_batch_definition_whole_dataframe("all")
        made = context.suites.add(
            gx.ExpectationSuite(name=f"consumer_{table}", expectations=[_expectation(e) for e in expectations])
        )
        definition = context.validation_definitions.add(gx.ValidationDefinition(name=table, data=batch, suite=made))
        if docs is None:
            result = definition.run(
                batch_parameters={"dataframe": frames[table]},
                result_format={"result_format": "COMPLETE", "partial_unexpected_count": 0},
            )
        else:
            result = _with_docs(gx, definition, table, frames[table], version)
        for one in result.to_json_dict()["results"]:
            found[table, one["expectation_config"]["meta"]["rule"]] = one
    return found


def _with_docs(gx: Any, definition: Any, table: str, frame: pd.DataFrame, version: str) -> Any:
    from great_expectations.core.run_identifier import RunIdentifier

    checkpoint = gx.Checkpoint(
        name=table,
        validation_definitions=[definition],
        result_format={"result_format": "COMPLETE"},
        actions=[gx.checkpoint.UpdateDataDocsAction(name="docs", site_names=["local"])],
    )
    outcome = checkpoint.run(batch_parameters={"dataframe": frame}, run_id=RunIdentifier(run_name=version or "build"))
    return next(iter(outcome.run_results.values()))


_ELSEWHERE = re.compile(
    r"""<script\b[^>]*\bsrc=["'](?:https?:)?//[^>]*>\s*</script>|<(?:link|img)\b[^>]*\b(?:href|src)=["'](?:https?:)?//[^>]*>"""
    r"""|<script\b(?![^>]*\bsrc=)[^>]*>.*?</script>|@import\s+url\([^)]*//[^)]*\);?""",
    re.DOTALL | re.IGNORECASE,
)
"""What a page loads from another host, and the scripts in it, which do nothing without."""
_LOOK = (
    "<style>body{font:15px/1.5 sans-serif;max-width:72rem;margin:1rem auto;padding:0 1rem}"
    "table{border-collapse:collapse}td,th{border:1px solid #bbb;padding:.3rem .6rem;text-align:left;vertical-align:top}"
    ".collapse,.modal{display:block}</style>"
)


def _take_offline(docs: Path) -> None:
    """Make the pages of the library such that they load nothing from elsewhere, with a plain index of them."""
    listed = []
    for path in sorted(docs.rglob("*.html")):
        text = _ELSEWHERE.sub("", path.read_text(encoding="utf-8"))
        text = re.sub(r"""url\(["']?(?:https?:)?//[^)]*\)""", "none", text)
        path.write_text(text.replace("</head>", f"{_LOOK}</head>", 1), encoding="utf-8")
        kind, _, rest = path.relative_to(docs).as_posix().partition("/")
        if rest:
            holds = "Status: Succeeded" in " ".join(re.sub(r"<[^>]*>", " ", text).split())
            label = f"{rest.split('/')[0].removeprefix('consumer_').removesuffix('.html')}: " + (
                "what is expected" if kind == "expectations" else "holds" if holds else "does not hold"
            )
            listed.append(f'<li><a href="{kind}/{rest}">{label}</a></li>')
    (docs / "index.html").write_text(
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Data docs</title>{_LOOK}</head><body>'
        f"<h1>The consumer's suite</h1><ul>{''.join(listed)}</ul></body></html>\n",
        encoding="utf-8",
    )


def _expectation(expected: dict[str, Any]) -> Any:
    from great_expectations.expectations.registry import get_expectation_impl

    arguments = dict(expected["kwargs"])
    if "row_condition" in arguments:
        arguments["row_condition"] = _condition(arguments["row_condition"])
    return get_expectation_impl(expected["type"])(
        **arguments, severity=expected["severity"], meta={"rule": expected["rule"]}, description=expected["why"]
    )


def _condition(given: dict[str, Any]) -> Any:
    """`in` or `not_in` [column, words], with `and_not_in` [column, words] or `and_null` column, as a condition of the
    library."""
    from great_expectations.expectations.row_conditions import Column

    name, words = given.get("in") or given["not_in"]
    made: Any = Column(name).is_in(words) if "in" in given else Column(name).is_not_in(words)
    if "and_not_in" in given:
        other, refused = given["and_not_in"]
        made = made & Column(other).is_not_in(refused)
    return made & Column(given["and_null"]).is_null() if "and_null" in given else made


def _findings(
    expected: dict[str, Any], table: str, found: dict[str, Any] | None, frame: pd.DataFrame, shown: str
) -> list[Finding]:
    file = f"{shown}/{table}.csv"
    severity = SEVERITY[expected["severity"]]
    if found is None:
        return [Finding(severity, table, "the library gave no result", CURE, file=file, rule=expected["rule"])]
    if found["success"]:
        return []
    result = found.get("result") or {}
    error = _error(found.get("exception_info") or {})
    if error:
        return [
            Finding(
                severity, table, f"{expected['why']} Cannot be tested: {error}", CURE, file=file, rule=expected["rule"]
            )
        ]
    rows = [i for i in result.get("unexpected_index_list") or [] if isinstance(i, int)]
    count = result.get("unexpected_count", len(rows))
    column = expected["kwargs"].get("column") or expected["kwargs"].get("column_A") or ""
    if not rows:
        observed = result.get("observed_value", result.get("details", ""))
        return [
            Finding(
                severity,
                table + (f":{column}" if column else ""),
                f"{expected['why']} Observed: {_cut(observed)}",
                CURE,
                file=file,
                line=1,
                rule=expected["rule"],
            )
        ]
    made = []
    for row in rows[:SHOWN]:
        subject = ":".join(str(frame[c].iloc[row]) for c in ("ingredient_id", "component") if c in frame)
        value = f" {column} is {_cut(frame[column].iloc[row])}." if column in frame else ""
        made.append(
            Finding(
                severity,
                subject,
                f"{expected['why']}{value} Rows: {count}",
                CURE,
                file=file,
                line=row + 2,
                rule=expected["rule"],
            )
        )
    return made


def _error(info: dict[str, Any]) -> str:
    """The message of an exception, which the library keeps flat or keyed by metric."""
    flat = [info] if "exception_message" in info else [v for v in info.values() if isinstance(v, dict)]
    return next(
        (
            str(i["exception_message"]).splitlines()[0]
            for i in flat
            if i.get("raised_exception") and i.get("exception_message")
        ),
        "",
    )


def _cut(value: Any) -> str:
    text = str(value)
    return text if len(text) <= 120 else text[:119] + "…"


def as_rules(cases: Sequence[Case]) -> list[dict[str, Any]]:
    """The cases in the shape of check rules, so that both are counted and shown together."""
    return [
        {
            "id": f"consumer.{case.id}",
            "name": "consumer's expectation",
            "level": "table",
            "rule": case.rule,
            "source": case.source or "schemas/consumer_suite.json",
            "implemented": True,
            "evaluated": 1,
            "findings": [f.as_dict() for f in case.findings],
        }
        for case in cases
    ]
