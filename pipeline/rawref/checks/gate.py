"""The gate: open only when the rules find nothing undecided and the planted faults were all seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rawref.checks.run import CheckResult, closing
from rawref.checks.selftest import Plant

if TYPE_CHECKING:
    import duckdb


def beneath(con: duckdb.DuckDBPyConnection, result: CheckResult) -> dict[str, int]:
    """Rule to the number of its fail findings of scope source on figures that the table has chosen.

    They close no gate by themselves (a rule of pairs or of a whole food judges no single cell), but nobody should
    publish without having seen that they are there.
    """
    chosen = {r[0] for r in con.execute(
        """select distinct source || ':' || food_id || ':' || source_component from curated."values"
           where source is not null and source_component is not null""").fetchall()}
    found: dict[str, int] = {}
    for rule in result["rules"]:
        hits = sum(f["severity"] == "fail" and f["scope"] == "source" and f["subject"] in chosen
                   for f in rule["findings"])
        if hits:
            found[rule["id"]] = hits
    return found


@dataclass(frozen=True, slots=True)
class Gate:
    """How the gate stands: whether it is open, the findings, and what became of the planted faults."""

    open: bool
    result: CheckResult
    plants: list[Plant]

    @classmethod
    def of(cls, result: CheckResult, plants: list[Plant]) -> Gate:
        """How the gate stands by the findings of the rules and what was seen of the planted faults."""
        return cls(all(plant.seen for plant in plants) and not closing(result), result, plants)

    @property
    def why(self) -> str:
        """One line: why the gate is shut, or that it is open."""
        if unseen := [plant.name for plant in self.plants if not plant.seen]:
            return "shut: the rules missed planted faults (" + ", ".join(unseen) + ")"
        if found := closing(self.result):
            return f"shut: {len(found)} undecided failures, first {found[0]['rule']} {found[0]['subject']}"
        return f"open: {len(self.plants)} planted faults were all seen"
