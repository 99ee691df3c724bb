"""The gate tries itself: faults are planted in a scratch copy at every boundary, and each must be seen."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rawref import registry
from rawref.checks.run import OF_SOURCES, CheckResult, run
from rawref.checks.scene import SOURCE, Scene
from rawref.database import connect
from rawref.errors import InputError

FAMILIES = (
    *OF_SOURCES, "identity", "proximates", "amino_acids", "fatty_acids", "minerals", "documentation", "published"
)
STRANGERS = ("peer0", "peer1", "peer2", "peer3", "peer4", "peer5", "peer6", "peer7", "peer8")


@dataclass(frozen=True, slots=True)
class Plant:
    """One planted fault: at which boundary, how grave, and whether it was seen."""

    name: str
    boundary: str
    severity: str
    seen: bool


def selftest(schemas: Path, result: CheckResult | None = None, scratch: Path | None = None) -> list[Plant]:
    """Plant at least one fault per severity and boundary in memory or a temporary folder; what was seen of each.
    Temporary folders are made in `scratch` (default: the system's place for them).

    The sound neighbours of the planted faults must stay clean: a rule that fires on everything has seen nothing.
    `result` stands in for the run of the rules in tests of this function.
    """
    found = result if result is not None else _rules(schemas)
    plants = [
        Plant(
            f"{rule} {severity} {scope}",
            f"rules of scope {scope}",
            severity,
            _has(found, rule, severity, scope, subject),
        )
        for rule, severity, scope, subject in PLANTED
    ]
    plants.append(Plant("sound foods stay clean", "rules", "none", _clean(found)))
    plants += [
        Plant("row with a field too few", "reader hand-over", "fail", _raises(_short_row)),
        Plant(
            "decision without a reason",
            "maintainer input",
            "fail",
            _raises(lambda: _spoilt_decision(schemas, "reason", scratch)),
        ),
        Plant(
            "decision of an unknown action",
            "maintainer input",
            "fail",
            _raises(lambda: _spoilt_decision(schemas, "action", scratch)),
        ),
        Plant("published cell edited by hand", "published table", "fail", _edited_cell(schemas, scratch)),
        Plant(
            "threshold that is not a number", "rule catalogue", "fail",
            _raises(lambda: _spoilt_threshold(schemas, scratch)),
        ),
        Plant("models let nothing pass", "models", "fail", _models_awake()),
    ]
    return plants


PLANTED = (
    ("P01", "fail", "source", "dry"),
    ("P01", "warn", "source", "damp"),
    ("P01", "fail", "candidate", "dry"),
    ("P01", "fail", "curated", "dry-lean"),
    ("P01", "warn", "curated", "damp-lean"),
    ("M01", "fail", "source", "thousandfold"),
    ("M01", "fail", "curated", "thousandfold-lean"),
    ("L01", "fail", "source", "fatty"),
    ("A07", "fail", "source", "no-trp"),
    ("F01", "fail", "source", "nobody"),
    ("D07", "fail", "source", "outside"),
    ("T01", "fail", "curated", "sound-lean"),
    ("T02", "fail", "curated", "sound-lean"),
    ("D06", "fail", "curated", "sound-lean"),
    ("D01", "fail", "curated", "sound-lean"),
    ("D17", "fail", "curated", "copied-lean"),
)


def _rules(schemas: Path) -> CheckResult:
    """A run of the rules over the scratch database with all plants in it."""
    scene = Scene(schemas)
    for food in STRANGERS:
        scene.food(food)
    scene.food("dry", {"WATER": 60.0})
    scene.food("damp", {"WATER": 76.0})
    scene.food("thousandfold", {"MN": 299.0})
    scene.food("fatty", {"FASAT": 5.0, "FAMS": 3.0})
    scene.food("no-trp", {"TRP": 0.0})
    scene.ingredient("clean-lean", "peer0")
    scene.ingredient("dry-lean", "dry", {"WATER": 60.0})
    scene.ingredient("damp-lean", "damp", {"WATER": 76.0})
    scene.ingredient("thousandfold-lean", "thousandfold", {"MN": 299.0})
    scene.ingredient(
        "sound-lean",
        "peer1",
        rows={
            "ZN": {"unit": "ug"},
            "TAU": {"status": "missing", "value": 3.0},
            "FE": {"value": -2.0},
        },
    )
    scene.rows["curated.gaps"] = [
        r for r in scene.rows["curated.gaps"] if (r["ingredient_id"], r["component"]) != ("sound-lean", "ID")
    ]
    # a figure that an older table imputed, printed by a younger one as its own
    figure = {"value": 12.3, "status": "unspecified", "n": 0}
    scene.put("archival.releases", source="older", release="1", release_date="2009-09", source_order=9)
    scene.food("original", rows={"SE": {**figure, "status": "imputed", "evidence": False}}, source="older", release="1")
    scene.food("copied", rows={"SE": figure})
    scene.ingredient("copied-lean", "copied", rows={"SE": {**figure, "source_value": "12.3"}})
    scene.put('archival."values"', source=SOURCE, release="28", food_id="nobody", source_component="301", text="1")
    scene.put(
        'archival."values"',
        source=SOURCE,
        release="28",
        food_id="outside",
        source_component="301",
        text="1",
        min="2",
        max="3",
    )
    scene.put("archival.foods", source=SOURCE, release="28", food_id="outside", name="outside")
    with scene.database() as con:
        return run(con, schemas, families=FAMILIES)


def _has(result: CheckResult, rule: str, severity: str, scope: str, name: str) -> bool:
    start = f"{name}" if scope == "curated" else f"{SOURCE}:{name}"
    return any(
        f["severity"] == severity
        and f["scope"] == scope
        and (f["subject"] == start or f["subject"].startswith(f"{start}:"))
        for r in result["rules"]
        if r["id"] == rule
        for f in r["findings"]
    )


def _clean(result: CheckResult) -> bool:
    return not any(
        f["severity"] == "fail"
        and f["subject"].split(":")[0 if f["scope"] == "curated" else 1] in ("clean-lean", "peer0")
        for r in result["rules"]
        for f in r["findings"]
        if ":" in f["subject"] or f["scope"] == "curated"
    )


def _raises(attempt: Callable[[], object]) -> bool:
    try:
        attempt()
    except InputError:
        return True
    return False


def _short_row() -> None:
    from rawref.sources.text import store_legacy_text

    with connect() as con:
        store_legacy_text(con, "planted", lambda: io.BytesIO(b"~1~^~2~\n~3~\n"), ["one", "two"], "planted")


def _spoilt_decision(schemas: Path, column: str, scratch: Path | None) -> None:
    from rawref.sources import maintainer

    columns = [f.column for f in registry.fields(schemas)["maintainer.decisions"]]
    row = {
        "decision_id": "planted",
        "source": SOURCE,
        "food_id": "00000",
        "action": "reject",
        "reason": "planted",
        "citation": "planted",
        "standing": "open",
    }
    row[column] = "" if column == "reason" else "forget"
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        for name in registry.MAINTAINER:
            heading = ",".join(f.column for f in registry.fields(schemas)[f"maintainer.{name}"])
            line = ",".join(row.get(c, "") for c in columns) if name == "decisions" else ""
            (Path(folder) / f"{name}.csv").write_text(
                f"{heading}\n{line}\n" if line else f"{heading}\n", encoding="utf-8"
            )
        maintainer.read_all(Path(folder), schemas)


def _edited_cell(schemas: Path, scratch: Path | None) -> bool:
    """Whether one changed digit in a published file is seen, and its cell named."""
    from rawref.checks.accepted import digests
    from rawref.database import connect
    from rawref.published.export import digest

    with tempfile.TemporaryDirectory(dir=scratch) as folder, connect() as con:
        place = Path(folder)
        fields = registry.fields(schemas)["gaps"]
        values = ", ".join(
            f'{"1" if f.sql_type != "text" else repr("planted")}::{f.sql_type} as "{f.column}"' for f in fields
        )
        con.execute(f"copy (select {values}) to '{place.as_posix()}/gaps.csv' (header true)")
        con.execute(f"copy (select {values}) to '{place.as_posix()}/gaps.parquet' (format parquet)")
        stated = {"content": {"gaps": digest(place / "gaps.csv")["sha256"]}}
        (place / "manifest.json").write_text(json.dumps(stated), encoding="utf-8")
        path = place / "gaps.csv"
        before = digests(con, place, schemas, ("gaps",))
        path.write_text(path.read_text(encoding="utf-8").replace("1.0", "7.0"), encoding="utf-8")
        after = digests(con, place, schemas, ("gaps",))
        return not before and any("became 7.0" in f["detail"] and f["subject"] == "planted:planted" for f in after)


def _spoilt_threshold(schemas: Path, scratch: Path | None) -> None:
    from rawref.checks import catalogue

    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        text = (schemas / "checks.csv").read_text(encoding="utf-8")
        (Path(folder) / "checks.csv").write_text(text.replace("97..103", "97..many", 1), encoding="utf-8")
        catalogue.load(Path(folder))


def _models_awake() -> bool:
    from rawref.registry.models import assert_awake

    return not _raises(assert_awake)
