"""Why a cell changed: which inputs differ by the two manifests, and which of them the change can be followed to.

One input group changed: it is the cause. Several changed: the cell decides where it can, first by its own provenance
(decision, source text, source and release, food, steps, status), then by what it is made from: the food of its block,
the other candidates, comparable foods, the parts of a composite. The code is named only where its own digest differs
and none of these explains the change. What cannot be decided is told apart by release/attribute.py, which builds again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rawref.drift.read import Side

if TYPE_CHECKING:
    import duckdb

CAUSES = ("source", "rule", "decision", "ingredients", "code", "unknown")
INGREDIENT_FILES = ("ingredients", "ingredient_foods", "copied_foods", "ingredient_aliases", "composites")
NEEDS = "raw/maintainer/needs/"
NOT_READ = (
    "raw/maintainer/mixes/",
    "schemas/checks.csv",
    "schemas/commonness.csv",
    "schemas/consumer_suite.json",
    "schemas/datapackage.schema.json",
    "schemas/drift.csv",
    "schemas/energy_formulas.csv",
    "schemas/hydrates.csv",
    "schemas/inclusion.csv",
    "schemas/mix_cautions.csv",
)
"""Inputs that no published cell comes from."""
ABOUT = {
    "ingredient": ("ingredients", "the ingredient is new or gone"),
    "component": ("rule", "the component is new or gone"),
    "decision": ("decision", "another decision touches the cell"),
    "record": ("source", "the cited record says something else"),
    "text": ("source", "the source now says something else in the same place"),
    "supplier": ("source", "another source or release supplies the cell"),
    "offered": ("source", "a changed source offers the candidate, or no longer does"),
    "mapping": ("ingredients", "another food supplies the cell, or its match is another"),
    "linked": ("ingredients", "the candidate is mapped, or mapped otherwise"),
    "recipe": ("ingredients", "the composite has other parts or shares"),
    "steps": ("rule", "other steps lead from the source to the value"),
    "status": ("rule", "the same source content has another status"),
    "line": ("source", "it stands on another line of the source"),
    "kinds": ("source", "which sources are present decides what kind of gap it is"),
    "supplies": ("source", "foods of a changed source stand for the ingredient, or no longer do"),
    "listing": ("ingredients", "a row of the ingredient list"),
    "registry": ("rule", "the registry"),
    "present": ("source", "other sources are present"),
    "reference": ("source", "a reference of a source"),
    "named": ("source", "other sources, or another wording of one"),
    "listed": ("source", "the source lists other foods, or describes them otherwise"),
    "described": ("rule", "the source's food is described otherwise"),
    "pool_foods": ("source", "foods of a changed source are among them"),
    "pool_described": ("rule", "a food is described otherwise"),
}
"""What may differ, the inputs of a cell by the keys of inputs.sql: the cause, and how it is told."""
PEERS_FIELDS = {"peers_n", "peers_low", "peers_median", "peers_high"}
SPREAD_FIELDS = {"low", "high", "spread_basis"}
CHOICE_FIELDS = {"rank", "reason", "reason_not_chosen", "alternatives", "disagreement", "decision_id", "confidence"}
"""Columns that the other candidates of a cell decide."""
COUNTS = {"components_valued", "components_measured", "components_missing"}
OF_FOOD = {"refuse_pct", "refuse_note", "langual", "source_foods"}
"""Columns of an ingredient that its source foods decide."""
SOURCES_KINDS = {"not_carried", "only_cooked", "not_reported"}
"""Kinds of gap that rest on what the sources hold elsewhere."""


def group_of(path: str) -> str | None:
    """The cause that a changed input file stands for; None where it cannot change the table."""
    if path.startswith(NOT_READ):
        return None
    if path.startswith("pipeline/"):
        return "code"
    if path.startswith("schemas/"):
        return None if path.endswith(".py") else "rule"  # they validate: a number does not pass through them
    if path == "raw/maintainer/decisions.csv":
        return "decision"
    if path.startswith(NEEDS):
        return "rule"
    if path.startswith("raw/maintainer/") and path.rsplit("/", 1)[-1].split(".")[0] in INGREDIENT_FILES:
        return "ingredients"
    return "source"


def changed_groups(before: dict[str, Any], after: dict[str, Any]) -> dict[str, list[str]]:
    """Cause to the input files that differ between two manifests; `code` by its one digest."""
    old, new = _digests(before), _digests(after)
    found: dict[str, list[str]] = {}
    for path in sorted(set(old) | set(new)):
        group = group_of(path)
        if group and old.get(path) != new.get(path):
            found.setdefault(group, []).append(path)
    pairs = {(s.get("id"), s.get("release") if s.get("present") else None) for s in _sources(before)}
    for source in _sources(after):
        named = str(source.get("id"))
        if (source.get("id"), source.get("release") if source.get("present") else None) not in pairs:
            found.setdefault("source", []).append(named)
    if before.get("code") != after.get("code"):
        found.setdefault("code", []).append("pipeline/")
    return found


def inputs_that_differ(old: Side, new: Side) -> dict[str, list[str]]:
    """Cause to the inputs that differ, in the order of CAUSES; empty where a manifest does not state its inputs."""
    if not old.digests or not _digests(old.manifest) or not _digests(new.manifest):
        return {}
    found = changed_groups(old.manifest, new.manifest)
    return {cause: found[cause] for cause in CAUSES if cause in found}


def _digests(manifest: dict[str, Any]) -> dict[str, str]:
    inputs = manifest.get("inputs", {})
    return dict(inputs) if isinstance(inputs, dict) else {}


def _sources(manifest: dict[str, Any]) -> list[dict[str, Any]]:
    sources = manifest.get("sources", [])
    return [s for s in sources if isinstance(s, dict)] if isinstance(sources, list) else []


@dataclass(frozen=True, slots=True)
class _Inputs:
    """The changed inputs, and what inputs.sql found of them in each cell and candidate."""

    groups: set[str]
    sources: set[str]
    came_or_went: bool
    needs: bool
    """Whether a requirement profile changed."""
    rules: tuple[str, ...] = ()
    """The changed files of the registry."""
    cells: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    candidates: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    """By the subject of the change, and whether the row is only `added` or only `removed`."""
    proximate: dict[str, list[str]] = field(default_factory=dict)
    """Ingredient to what moved the food of its proximates."""

    def first(self, keys: Iterable[str] | None, by: str = "") -> tuple[str, str] | None:
        """The first of `keys` whose cause is a changed input, with its reason; None where there is none."""
        for key in keys or ():
            cause, why = ABOUT[key]
            if cause in self.groups:
                return cause, f"{by}: {why}" if by else why
        return None


def causes(
    con: duckdb.DuckDBPyConnection,
    old: Side,
    new: Side,
    changes: list[dict[str, Any]],
    edited: set[tuple[str, str]],
    schemas: Path,
) -> None:
    """Set `cause` and `cause_why` of every change; `edited` names (table, subject) that were edited by hand."""
    if not old.digests:
        for change in changes:
            change["cause_why"] = "no table to compare with"
        return
    if not _digests(old.manifest) or not _digests(new.manifest):
        for change in changes:
            change["cause_why"] = "a manifest with the digests of the inputs is lacking"
        return
    groups = inputs_that_differ(old, new)
    inputs = _inputs(con, old, new, groups, changes, schemas) if groups else None
    derived = []
    for change in changes:
        if (change["table"], change["subject"]) in edited:
            change["cause_why"] = f"edited by hand in {old.shown}"
        elif inputs is None:
            change["cause_why"] = "no input differs by the manifests"
        elif _is_derived(change, inputs):
            derived.append(change)
        else:
            change["cause"], change["cause_why"] = _of(change, inputs)
    if inputs and derived:
        _inherit(derived, changes, inputs)
    if len(groups) == 1 and inputs:
        _only_one(next(iter(groups)), changes)


def _only_one(cause: str, changes: list[dict[str, Any]]) -> None:
    """Where one kind of input changed it is the cause of everything; the mechanism is kept where it was found."""
    for change in changes:
        if change.get("cause_why", "").startswith("edited by hand"):
            continue
        if change["cause"] != cause or change.get("cause_why") == ALONE:
            change["cause"], change["cause_why"] = cause, ""
        change["cause_why"] = "; ".join(x for x in (change.get("cause_why"), "no other input changed") if x)


def _inputs(
    con: duckdb.DuckDBPyConnection,
    old: Side,
    new: Side,
    groups: dict[str, list[str]],
    changes: list[dict[str, Any]],
    schemas: Path,
) -> _Inputs:
    """Run inputs.sql over the changed cells."""
    from rawref.database import rows

    was, now = _releases(old.manifest), _releases(new.manifest)
    sources = {s for s in was.keys() | now.keys() if was.get(s) != now.get(s)}
    for path in groups.get("source", ()):
        place = path.split("/")
        if path.startswith(".rawref/sources/"):
            sources.add(place[2])
        elif path.startswith("raw/") and len(place) > 2:
            sources.add(place[1])
    reached = set(groups)
    rules = groups.get("rule", [])
    if rules and all(path.startswith(NEEDS) for path in rules):
        reached.discard("rule")  # a requirement profile decides needed_by and nothing else
    found = _Inputs(
        reached or set(groups), sources, was.keys() != now.keys(), any(path.startswith(NEEDS) for path in rules),
        rules=tuple(p for p in rules if not p.startswith(NEEDS)),
    )
    asked = sorted(
        {(c["ingredient_id"], c["component"]) for c in changes if c["ingredient_id"] and c["component"]}
    )
    if not asked:
        return found
    given = {
        "ingredients": [a[0] for a in asked],
        "components": [a[1] for a in asked],
        "changed": sorted(sources),
        "came_or_went": found.came_or_went,
        "component_registry": (schemas / "components.csv").as_posix(),
        "species_registry": (schemas / "species.csv").as_posix(),
    }
    for statement in con.extract_statements(Path(__file__).with_name("inputs.sql").read_text(encoding="utf-8")):
        con.execute(statement, {k: given[k] for k in statement.named_parameters})
    found.cells.update({(r["ingredient_id"], r["component"]): r for r in rows(con, "from drift_inputs")})
    wanted = "subject, one_side, keys, of_changed, by_peers, by_block"
    found.candidates.update(
        {(r["subject"], r["one_side"]): r for r in rows(con, f"select {wanted} from drift_moved_candidate")}
    )
    proximate = rows(con, "from drift_moved_block where block = 'proximate'")
    found.proximate.update({r["ingredient_id"]: r["keys"] for r in proximate})
    return found


def _releases(manifest: dict[str, Any]) -> dict[str, Any]:
    return {str(s.get("id")): s.get("release") for s in _sources(manifest) if s.get("present")}


def _of(change: dict[str, Any], inputs: _Inputs) -> tuple[str, str]:
    """Cause and reason of one change where several input groups changed."""
    cell = inputs.cells.get((change["ingredient_id"] or "", change["component"] or ""))
    fields = set(change["fields"])
    found = None
    if change["table"] == "values" and cell:
        found = inputs.first(cell["own"]) or _inherited(fields, cell, cell, inputs)
    elif change["table"] == "candidates" and cell:
        only = change["kind"] if change["kind"] in ("added", "removed") else ""
        row = inputs.candidates.get((change["subject"], only))
        if row:
            found = inputs.first(row["keys"]) or _inherited(fields, row, cell, inputs)
    elif change["table"] == "gaps" and cell:
        found = _of_gap(change, fields, cell, inputs)
    elif change["table"] == "ingredients":
        found = _of_ingredient(change, inputs)
    elif change["table"] == "components":
        names = fields - {"source_components"} or change["kind"] in ("added", "removed")
        found = inputs.first(["registry"] if names else ["present", "registry"])
    elif change["table"] == "references":
        found = inputs.first(["reference"])
    elif change["table"] == "datapackage":
        found = inputs.first(["named"] if change["subject"] == "sources" else ["registry"])
    elif change["table"] == "catalogue":
        listed = change["kind"] in ("added", "removed") or fields & {
            "name", "group", "langual", "components_valued", "components_measured"
        }
        of_changed = change["subject"].split("/")[0] in inputs.sources
        found = inputs.first(["listed"] if listed and of_changed else ["described"])
    return found or _rest(inputs, change)


def _inherited(
    fields: set[str], row: dict[str, Any], cell: dict[str, Any], inputs: _Inputs
) -> tuple[str, str] | None:
    """What the row is made from, where the columns that differ can come from there."""
    choice = bool(fields & CHOICE_FIELDS) or bool(row.get("other_food"))
    found = None
    if fields & {"file", "line"} and row["of_changed"]:
        found = inputs.first(["line"])
    if not found and fields <= SPREAD_FIELDS and row["by_peers"]:
        found = _of_pool(cell, inputs)
    if not found and row["by_block"]:
        found = inputs.first(cell["block"], "the food of its block")
    if not found and choice and row is not cell:
        found = inputs.first(cell["own"], "the chosen candidate")
    if not found and choice:
        found = inputs.first(cell["candidates"], "another candidate") or inputs.first(
            cell["block"], "the food of its block"
        )
    return found


def _of_pool(cell: dict[str, Any], inputs: _Inputs) -> tuple[str, str] | None:
    """Comparable foods moved: because of foods that came or went, else of the only input that could move them."""
    if found := inputs.first(cell["pool"], "comparable foods"):
        return found
    left = inputs.groups & {"code", "decision", "rule"} | ({"source"} if inputs.sources - {"maintainer"} else set())
    return (left.pop(), "comparable foods: no other changed input reaches them") if len(left) == 1 else None


def _of_gap(
    change: dict[str, Any], fields: set[str], cell: dict[str, Any], inputs: _Inputs
) -> tuple[str, str] | None:
    if fields == {"needed_by"} and inputs.needs:
        return "rule", "a requirement profile"
    if fields and fields <= PEERS_FIELDS:
        return _of_pool(cell, inputs)
    found = inputs.first(cell["own"])
    if not found and cell["by_block"]:
        found = inputs.first(cell["block"], "the food of its block")
    if not found:
        found = inputs.first(cell["candidates"], "a candidate")
    if not found and inputs.sources - {"maintainer"} and fields & {"kind", "detail", "remedy"}:
        kinds = {change["fields"]["kind"][side] for side in ("before", "after")} if "kind" in fields else set()
        if not kinds or kinds & SOURCES_KINDS:
            found = inputs.first(["kinds"])
    return found or _of_pool(cell, inputs)


def _of_ingredient(change: dict[str, Any], inputs: _Inputs) -> tuple[str, str] | None:
    foods = change["fields"].get("source_foods")
    if foods and set(change["fields"]) <= OF_FOOD:
        sides = [_list(foods[side]) for side in ("before", "after")]
        moved = {str(entry).split(":")[0] for entry in set(sides[0]) ^ set(sides[1])}
        if moved & inputs.sources and (found := inputs.first(["supplies"])):
            return found
    if set(change["fields"]) <= COUNTS | OF_FOOD and (
        found := inputs.first(inputs.proximate.get(change["ingredient_id"]), "the food of its proximates")
    ):
        return found
    return inputs.first(["listing"])


def _list(text: Any) -> list[Any]:
    """A JSON list of a cell; empty where a hand has spoilt it."""
    try:
        found = json.loads(text or "[]")
    except ValueError:
        return []
    return found if isinstance(found, list) else []


ALONE = "no other changed input reaches it"
REACH = {
    "fields": set[str](),
    "handover": set[str](),
    "vocabularies": set[str](),
    "units": {"value", "low", "high", "unit", "steps"},
    "confidence": {"confidence"},
    "cautions": {"cautions"},
    "cooking_": {"detail", "remedy", "kind"},
    "retention_factors": {"detail", "remedy", "kind"},
    "facet_": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
    "food_groups": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
    "name_phrases": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
    "species": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
    "langual_facets": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
    "witness_": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
    "review_reasons": {"catalogue", *PEERS_FIELDS, *SPREAD_FIELDS},
}
"""Columns, or the whole table, that a file of schemas/ can alter, by how its name begins; any other file all."""


def reaching(rules: Iterable[str], change: dict[str, Any]) -> list[str]:
    """The changed files of the registry that could have altered this change's columns or table."""
    found = []
    for path in rules:
        stem = path.rsplit("/", 1)[-1].split(".")[0]
        reach = next((r for prefix, r in REACH.items() if stem.startswith(prefix)), None)
        if reach is None or change["table"] in reach or reach & set(change["fields"]):
            found.append(path)
    return found


def _rest(inputs: _Inputs, change: dict[str, Any]) -> tuple[str, str]:
    """What no changed input can be followed to by content: what is left by where each input can reach at all."""
    if len(inputs.groups) == 1:
        return next(iter(inputs.groups)), ALONE
    rules = reaching(inputs.rules, change)
    code = "code" in inputs.groups
    if rules and not code:
        return "rule", "of what changed only these reach it: " + ", ".join(rules)
    if code and not rules:
        return "code", "nothing that the cell is made from differs in a way that another changed input would explain"
    about = change.get("about") or {}
    was, now = about.get("basis_before"), about.get("spread_basis")
    if code and was and now and was != now and set(change["fields"]) <= SPREAD_FIELDS:
        return "code", f"the range is worked out by another method: {was} -> {now}"
    left = rules[:4] + ([f"{len(rules) - 4} more files"] if len(rules) > 4 else []) + (["the program"] if code else [])
    return "unknown", "the table does not tell which of these: " + ", ".join(left or sorted(inputs.groups))


def _is_derived(change: dict[str, Any], inputs: _Inputs) -> bool:
    """Whether the row is made from other published cells: a composite's cell, an ingredient's counts."""
    if change["table"] in ("values", "gaps"):
        cell = inputs.cells.get((change["ingredient_id"] or "", change["component"] or ""))
        told = set(change["fields"]) == {"needed_by"} and inputs.needs
        return bool(cell and cell["parts"] and not told and not inputs.first(cell["own"]))
    return change["table"] == "ingredients" and bool(change["fields"]) and set(change["fields"]) <= COUNTS


def _inherit(derived: list[dict[str, Any]], changes: list[dict[str, Any]], inputs: _Inputs) -> None:
    """Give rows that are made from other cells the cause that those have; unknown where they have several."""
    known: dict[tuple[str, str], set[str]] = {}
    later = {id(change) for change in derived}

    def note(change: dict[str, Any]) -> None:
        # what is required decides no count
        if change["table"] in ("values", "gaps") and set(change["fields"]) != {"needed_by"}:
            known.setdefault((change["ingredient_id"], change["component"]), set()).add(change["cause"])

    for change in changes:
        if id(change) not in later:
            note(change)
    derived.sort(key=lambda change: change["table"] == "ingredients")  # they count composites too
    by_ingredient: dict[str, set[str]] = {}
    for change in derived:
        if change["table"] == "ingredients":
            if not by_ingredient:
                for (ingredient, _), found in known.items():
                    by_ingredient.setdefault(ingredient, set()).update(found)
            causes, by = by_ingredient.get(change["ingredient_id"], set()), "its cells"
        else:
            ingredient, component = change["ingredient_id"], change["component"]
            parts = inputs.cells[ingredient, component]["parts"]
            causes = set().union(*(known.get((part, component), set()) for part in parts))
            by = "its parts"
        if len(causes) == 1:
            change["cause"], change["cause_why"] = next(iter(causes)), f"that of {by}"
        elif causes:
            change["cause_why"] = f"{by} have several causes: {', '.join(sorted(causes))}"
        else:
            change["cause"], change["cause_why"] = _rest(inputs, change)
        note(change)
