"""Why a cell changed: which of the inputs that differ the change can be followed to, and by what.

One kind of input changed: it is the cause. Several changed: the cell decides where it can, first by its own provenance
(decision, source text, source and release, food, steps, status), then by what it is made from: the food of its block,
the other candidates, comparable foods, the parts of a composite. What none of these explains comes from a changed row
that names the cell, else from the changed file or module that decides its columns, the one of the narrowest reach.
release/attribute.py puts that to the test by building again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from rawref.drift.history import History
from rawref.drift.inputs import (
    CAUSES,
    NEEDS,
    Input,
    changed_inputs,
    changed_sources,
    digests,
    inputs_that_differ,
    listed,
    releases,
)
from rawref.drift.read import Side

if TYPE_CHECKING:
    import duckdb

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
    "cannot": ("rule", "what the ingredient cannot hold"),
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
"""What may differ, by the keys of inputs.sql: the cause, and how it is told."""
PEERS_FIELDS = {"peers_n", "peers_low", "peers_median", "peers_high"}
SPREAD_FIELDS = {"low", "high", "spread_basis"}
RECOMPUTED = SPREAD_FIELDS | PEERS_FIELDS | {"ceiling", "ceiling_basis"}
"""Columns that comparable foods or the calibration decide."""
CHOICE_FIELDS = {"rank", "reason", "reason_not_chosen", "alternatives", "disagreement", "decision_id", "confidence"}
"""Columns that the other candidates of a cell decide."""
COUNTS = {"components_valued", "components_measured", "components_missing"}
OF_FOOD = {"refuse_pct", "refuse_note", "langual", "source_foods"}
"""Columns of an ingredient that its source foods decide."""
SOURCES_KINDS = {"not_carried", "only_cooked", "not_reported"}
"""Kinds of gap that rest on what the sources hold elsewhere."""
HAND = "edited by hand"
MOST_NAMED = 3
"""Changed files that are named in a reason."""


class Cause(NamedTuple):
    """A cause of CAUSES, by what it comes about, and what exactly differs; equal mechanisms are told together."""

    cause: str
    mechanism: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class _Inputs:
    """The changed inputs, and what inputs.sql found of them in each cell and candidate."""

    groups: frozenset[str]
    files: tuple[Input, ...]
    sources: set[str]
    cells: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    candidates: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    """By the subject of the change, and whether the row is only `added` or only `removed`."""
    proximate: dict[str, list[dict[str, str]]] = field(default_factory=dict)
    """Ingredient to what moved the food of its proximates."""
    by_columns: dict[tuple[str, tuple[str, ...]], list[Input]] = field(default_factory=dict)
    """The changed rules and modules that can alter some columns of a table, as far as asked."""

    def altering(self, change: dict[str, Any]) -> list[Input]:
        """The rules and modules whose reach takes in the columns of a change."""
        key = (change["table"], tuple(change["fields"]))
        if key not in self.by_columns:
            self.by_columns[key] = [f for f in self.files if f.cause in ("rule", "code") and f.alters(*key)]
        return self.by_columns[key]

    def first(self, keys: Iterable[Any] | None, through: str = "", said: dict[str, Any] | None = None) -> Cause | None:
        """The first of `keys` whose cause is a changed input; a key is a name, or a struct with what it came `via`."""
        for one in keys or ():
            key, via = (one["key"], one["via"]) if isinstance(one, dict) else (one, "")
            cause, why = ABOUT[key]
            if cause in self.groups:
                detail = (said or {}).get(key) or via or ""
                return Cause(cause, f"{through}: {why}" if through else why, detail)
        return None


def causes(
    con: duckdb.DuckDBPyConnection,
    old: Side,
    new: Side,
    changes: list[dict[str, Any]],
    edited: set[tuple[str, str]],
    schemas: Path,
    past: History | None = None,
) -> None:
    """Set `cause`, `mechanism` and `cause_why` of every change; `edited` names (table, subject) edited by hand, `past`
    gives the old files."""
    groups = inputs_that_differ(old, new)
    plain = (
        "no table to compare with" if not old.digests
        else "a manifest with the digests of the inputs is lacking" if not (digests(old.manifest)
                                                                            and digests(new.manifest))
        else "" if groups else "no input differs by the manifests"
    )
    inputs = None if plain else _inputs(con, old, new, groups, changes, schemas, past)
    derived: list[dict[str, Any]] = []
    recomputed: list[dict[str, Any]] = []
    for change in changes:
        if not plain.startswith(("no table", "a manifest")) and (change["table"], change["subject"]) in edited:
            _set(change, Cause("unknown", f"{HAND} in {old.shown}"))
        elif inputs is None:
            _set(change, Cause("unknown", plain))
        elif _is_derived(change, inputs):
            derived.append(change)
        elif found := _of(change, inputs) or _reaching(change, inputs, narrow=bool(_recomputed(change))):
            _set(change, found)
        else:
            recomputed.append(change)
    if inputs and recomputed:
        _follow(recomputed, changes, inputs)
    if inputs and derived:
        _inherit(derived, changes, inputs)
    if inputs and len(groups) == 1:
        _only_one(_sole(next(iter(groups)), inputs), changes)


def _set(change: dict[str, Any], found: Cause) -> None:
    change["cause"], change["mechanism"] = found.cause, found.mechanism
    change["cause_why"] = ": ".join(x for x in (found.mechanism, found.detail) if x)


def _only_one(sole: Cause, changes: list[dict[str, Any]]) -> None:
    """Where one kind of input changed it is the cause of everything, whatever else the row shows."""
    for change in changes:
        if not change["mechanism"].startswith(HAND) and change["cause"] != sole.cause:
            _set(change, sole)


def _inputs(
    con: duckdb.DuckDBPyConnection,
    old: Side,
    new: Side,
    groups: dict[str, list[str]],
    changes: list[dict[str, Any]],
    schemas: Path,
    past: History | None,
) -> _Inputs:
    """Run inputs.sql over the changed cells."""
    from rawref.database import rows

    rules = groups.get("rule", [])
    only_needs = rules and all(path.startswith(NEEDS) for path in rules)  # they decide needed_by and nothing else
    reached = frozenset(groups) - ({"rule"} if only_needs else set())
    described = any(c["table"] == "catalogue" for c in changes)  # else what describes foods moved nothing
    found = _Inputs(
        reached or frozenset(groups),
        tuple(f for f in changed_inputs(groups, old, new, past) if described or "catalogue" not in f.reach),
        changed_sources(old, new, groups.get("source", ())),
    )
    asked = sorted({(c["ingredient_id"], c["component"]) for c in changes if c["ingredient_id"] and c["component"]})
    if not asked:
        return found
    given = {
        "ingredients": [a[0] for a in asked],
        "components": [a[1] for a in asked],
        "changed": sorted(found.sources),
        "came_or_went": releases(old.manifest).keys() != releases(new.manifest).keys(),
        "component_registry": (schemas / "components.csv").as_posix(),
        "species_registry": (schemas / "species.csv").as_posix(),
    }
    for statement in con.extract_statements(Path(__file__).with_name("inputs.sql").read_text(encoding="utf-8")):
        con.execute(statement, {k: given[k] for k in statement.named_parameters})
    found.cells.update({(r["ingredient_id"], r["component"]): r for r in rows(con, "from drift_inputs")})
    wanted = "subject, one_side, keys, said, of_changed, by_peers, by_block"
    found.candidates.update(
        {(r["subject"], r["one_side"]): r for r in rows(con, f"select {wanted} from drift_moved_candidate")}
    )
    proximate = rows(con, "from drift_moved_block where block = 'proximate'")
    found.proximate.update({r["ingredient_id"]: r["keys"] for r in proximate})
    return found


def _recomputed(change: dict[str, Any]) -> bool:
    """Whether a change is one of ranges and comparable figures only, or of their calibration."""
    fields = set(change["fields"])
    return change["table"] == "calibration" or (bool(fields) and fields <= RECOMPUTED)


def _of(change: dict[str, Any], inputs: _Inputs) -> Cause | None:
    """Cause of one change by its content; None where that does not tell."""
    cell = inputs.cells.get((change["ingredient_id"] or "", change["component"] or ""))
    fields = set(change["fields"])
    found = None
    if change["table"] == "values" and cell:
        found = inputs.first(cell["own"], said=cell["said"]) or _inherited(fields, cell, cell, inputs)
    elif change["table"] == "candidates" and cell:
        only = change["kind"] if change["kind"] in ("added", "removed") else ""
        row = inputs.candidates.get((change["subject"], only))
        if row:
            found = inputs.first(row["keys"], said=row["said"]) or _inherited(fields, row, cell, inputs)
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
        of_source = change["kind"] in ("added", "removed") or fields & {
            "name", "group", "langual", "components_valued", "components_measured"
        }
        of_changed = change["subject"].split("/")[0] in inputs.sources
        found = inputs.first(["listed"]) if of_source and of_changed else None
    return found


def _inherited(fields: set[str], row: dict[str, Any], cell: dict[str, Any], inputs: _Inputs) -> Cause | None:
    """What the row is made from, where the columns that differ can come from there."""
    choice = bool(fields & CHOICE_FIELDS) or bool(row.get("other_food"))
    found = None
    if fields & {"file", "line"} and row["of_changed"]:
        found = inputs.first(["line"])
    if not found and fields <= SPREAD_FIELDS and row["by_peers"]:
        found = inputs.first(cell["pool"], "comparable foods")
    if not found and row["by_block"]:
        found = inputs.first(cell["block"], "the food of its block")
    if not found and choice and row is not cell:
        found = inputs.first(cell["own"], "the chosen candidate", cell["said"])
    if not found and choice:
        found = inputs.first(cell["candidates"], "another candidate") or inputs.first(
            cell["block"], "the food of its block"
        )
    return found


def _of_gap(change: dict[str, Any], fields: set[str], cell: dict[str, Any], inputs: _Inputs) -> Cause | None:
    if fields and fields <= PEERS_FIELDS:
        return inputs.first(cell["pool"], "comparable foods")
    if fields == {"needed_by"}:
        return None
    found = inputs.first(cell["own"], said=cell["said"])
    if not found and cell["by_block"]:
        found = inputs.first(cell["block"], "the food of its block")
    if not found:
        found = inputs.first(cell["candidates"], "a candidate")
    if not found and inputs.sources - {"maintainer"} and fields & {"kind", "detail", "remedy"}:
        kinds = {change["fields"]["kind"][side] for side in ("before", "after")} if "kind" in fields else set()
        if not kinds or kinds & SOURCES_KINDS:
            found = inputs.first(["kinds"])
    return found or inputs.first(cell["pool"], "comparable foods")


def _of_ingredient(change: dict[str, Any], inputs: _Inputs) -> Cause | None:
    foods = change["fields"].get("source_foods")
    if foods and set(change["fields"]) <= OF_FOOD:
        sides = [listed(foods[side]) for side in ("before", "after")]
        moved = {str(one).split(":")[0] for one in set(sides[0]) ^ set(sides[1])}
        if moved & inputs.sources and (found := inputs.first(["supplies"])):
            return found
    if set(change["fields"]) <= COUNTS | OF_FOOD and (
        found := inputs.first(inputs.proximate.get(change["ingredient_id"]), "the food of its proximates")
    ):
        return found
    return inputs.first(["listing"]) if any(f.cause == "ingredients" and f.reaches(change) for f in inputs.files) \
        else None


def _reaching(change: dict[str, Any], inputs: _Inputs, *, narrow: bool = False) -> Cause | None:
    """The changed row that names the cell, else the changed file or module of the narrowest reach; code where a file of
    the registry reaches as far, as the two change together. None where `narrow` and only files that reach all do."""
    reaching = [f for f in inputs.altering(change) if f.rows is None or f.row(change)]
    named = [f for f in inputs.files if f.cause == "decision" and f.names(change)]
    best = named or [f for f in reaching if f.reach] or reaching or [f for f in inputs.files if f.cause == "code"]
    if narrow and not any(f.reach or f.cause == "decision" for f in best):
        return None
    if not best:
        if len(inputs.groups) == 1:
            return _sole(next(iter(inputs.groups)), inputs)
        return Cause("unknown", "none of the inputs that differ is known to reach it", ", ".join(sorted(inputs.groups)))
    cause = min((f.cause for f in best), key=("decision", "code", "rule").index)
    of = [f for f in best if f.cause == cause]
    if len(of) > MOST_NAMED and cause == "code":
        message = f"the program, in {len(of)} modules"
    else:
        more = [f"{len(of) - MOST_NAMED} more"] if len(of) > MOST_NAMED else []
        message = ", ".join([*(f.message(change) for f in of[:MOST_NAMED]), *more])
    beside = [f.path for f in best if f.cause != cause]
    if beside:
        message += f", changed together with {beside[0]}" + (f" and {len(beside) - 1} more" if beside[1:] else "")
    return Cause(cause, message)


def _sole(cause: str, inputs: _Inputs) -> Cause:
    """The one kind of input that changed, with what is known of it."""
    return Cause(cause, "no other input changed", _inputs_named(cause, inputs))


def _inputs_named(cause: str, inputs: _Inputs) -> str:
    if cause == "source" and inputs.sources:
        return ", ".join(sorted(inputs.sources))
    of = [f for f in inputs.files if f.cause == cause and f.rows != ()]
    more = [f"{len(of) - MOST_NAMED} more"] if len(of) > MOST_NAMED else []
    return ", ".join([f.first() for f in of[:MOST_NAMED]] + more)


def _follow(recomputed: list[dict[str, Any]], changes: list[dict[str, Any]], inputs: _Inputs) -> None:
    """Give ranges and comparable figures that nothing else explains the cause that most figures have: a range is worked
    out from the pairs of all tables, so that it moves when any of them does."""
    counts = Counter(
        c["cause"] for c in changes
        if c["mechanism"] and c["cause"] != "unknown" and c["table"] in ("values", "candidates") and not _recomputed(c)
    )
    most = None
    if recomputed and counts:
        cause = most_of(counts.elements())
        why = f"worked out anew from figures and foods of which {counts[cause]} changed"
        most = Cause(cause, f"{why} ({_inputs_named(cause, inputs)})")
    for change in recomputed:
        _set(change, most or _reaching(change, inputs) or Cause("unknown", "no input is known to reach it"))


def _is_derived(change: dict[str, Any], inputs: _Inputs) -> bool:
    """Whether the row is made from other published cells: a composite's cell, a gap that came or went with its cell, an
    ingredient's counts."""
    if change["table"] in ("values", "gaps"):
        cell = inputs.cells.get((change["ingredient_id"] or "", change["component"] or ""))
        if not cell or set(change["fields"]) == {"needed_by"} or inputs.first(cell["own"]):
            return False
        return bool(cell["parts"]) or (change["table"] == "gaps" and change["kind"] in ("added", "removed"))
    return change["table"] == "ingredients" and bool(change["fields"]) and set(change["fields"]) <= COUNTS


def most_of(causes: Iterable[str]) -> str:
    """The commonest of some causes; of equally common ones the first in the order of CAUSES."""
    counts = Counter(causes)
    return min(counts, key=lambda cause: (-counts[cause], CAUSES.index(cause)), default="unknown")


def _inherit(derived: list[dict[str, Any]], changes: list[dict[str, Any]], inputs: _Inputs) -> None:
    """Give rows that are made from other cells the cause that most of those have."""
    known: dict[tuple[str, str], list[str]] = {}
    later = {id(change) for change in derived}

    def note(change: dict[str, Any]) -> None:
        # what is required decides no count
        if change["table"] in ("values", "gaps") and set(change["fields"]) != {"needed_by"}:
            known.setdefault((change["ingredient_id"], change["component"]), []).append(change["cause"])

    for change in changes:
        if id(change) not in later:
            note(change)
    # gaps stand for what the cell became, and ingredients count composites too
    derived.sort(key=lambda change: ("values", "gaps", "ingredients").index(change["table"]))
    by_ingredient: dict[str, list[str]] = {}
    for change in derived:
        if change["table"] == "ingredients":
            if not by_ingredient:
                for (ingredient, _), found in known.items():
                    by_ingredient.setdefault(ingredient, []).extend(found)
            made_of, by = by_ingredient.get(change["ingredient_id"], []), "its cells"
        else:
            ingredient, component = change["ingredient_id"], change["component"]
            parts = inputs.cells[ingredient, component]["parts"]
            own = known.get((ingredient, component), []) if change["table"] == "gaps" else []
            made_of = own or [cause for part in parts for cause in known.get((part, component), ())]
            by = "the cell" if own else "its parts"
        if made_of:
            one = len(set(made_of)) == 1
            _set(change, Cause(most_of(made_of), f"that of {by}" if one else f"that of most of {by}",
                               "" if one else ", ".join(sorted(set(made_of)))))
        else:
            _set(change, _reaching(change, inputs) or Cause("unknown", "no input is known to reach it"))
        note(change)
