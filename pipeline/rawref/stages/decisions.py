"""Decisions on single values: their guard on the source content, checked before anything is chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rawref.database import rows
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

SHOWN = "raw/maintainer/decisions.csv"

MATCHED = """
select d.line, d.decision_id, d.source, d.food_id, d.source_component, d.ingredient_id, d.component, d.action,
  d.expect_text, d.expect_derivation, v.text, v.derivation, v.source_code, f.food_id is not null as has_food,
  v.source_component is not null as has_value,
  d.ingredient_id is null or l.ingredient_id is not null as has_link,
  d.component is null or d.source_component is null or m.component is not null as has_component
from archival.maintainer_decisions d
  join (select distinct source from archival.releases) r on r.source = d.source
  left join (select distinct source, food_id from archival.foods) f on f.source = d.source and f.food_id = d.food_id
  left join (
    from archival."values" semi join archival.maintainer_decisions using (source, food_id, source_component)
  ) v on v.source = d.source and v.food_id = d.food_id
    and v.source_component = d.source_component
  left join (
    select ingredient_id, source, food_id from reference.links
    union select ingredient_id, 'maintainer', id from archival.maintainer_cited_values
  ) l on l.ingredient_id = d.ingredient_id and l.source = d.source and l.food_id = d.food_id
  left join (
    select source, source_component, component from reference.component_map
    union select 'maintainer', component, component from archival.maintainer_cited_values
  ) m on m.source = d.source and m.source_component = d.source_component and m.component = d.component
order by d.line"""

RIVALS = """
select d.line, d.decision_id, d.action, o.decision_id as other
from archival.maintainer_decisions d join archival.maintainer_decisions o on o.line < d.line and o.action = d.action
  and o.source = d.source and o.food_id = d.food_id and o.source_component = d.source_component
  and (o.ingredient_id = d.ingredient_id or o.ingredient_id is null or d.ingredient_id is null)
where d.action in ('reject', 'prefer') order by d.line limit 1"""
"""Two decisions that would do the same to one value: which of them a cell names would be chance."""


def verify(con: duckdb.DuckDBPyConnection) -> int:
    """The number of decisions whose guard holds; InputError names the first that aims at nothing or at other content.

    Reads archival.maintainer_decisions against what the sources hold; to be called after the reference stage.
    A decision on a source that is absent waits: it can neither hold nor fail.
    """
    found = rows(con, MATCHED)
    for d in rows(con, RIVALS):
        raise InputError(
            f"decision {d['decision_id']} would {d['action']} what {d['other']} does",
            f"{SHOWN}:{d['line']}",
            "keep one of the two rows",
        )
    for d in found:
        where = f"{SHOWN}:{d['line']}"
        name = " ".join(filter(None, (d["source"], d["food_id"], d["source_component"])))
        if not d["has_food"]:
            raise InputError(
                f"decision {d['decision_id']} matches nothing: {d['source']} has no food {d['food_id']}",
                where,
                "correct the food id, or take the row out",
            )
        if d["source_component"] and not d["has_value"]:
            raise InputError(
                f"decision {d['decision_id']} matches nothing: no value {name}",
                where,
                "correct source_component, or take the row out",
            )
        if not d["has_link"]:
            raise InputError(
                f"decision {d['decision_id']} matches nothing: {d['ingredient_id']} does not use {d['source']}"
                f" {d['food_id']}",
                where,
                "correct ingredient_id, or leave it empty",
            )
        if not d["has_component"]:
            raise InputError(
                f"decision {d['decision_id']}: {name} does not feed {d['component']}",
                where,
                "correct component, or leave it empty",
            )
        if d["action"] in ("reject", "prefer", "accept_estimate") and not d["source_component"]:
            raise InputError(
                f"decision {d['decision_id']} does not say which value it would {d['action']}",
                where,
                "fill source_component and expect_text",
            )
        if d["source_component"] and d["expect_text"] is None:
            raise InputError(
                f"decision {d['decision_id']} has no guard",
                where,
                f"fill expect_text with the published text, now {d['text']!r}",
            )
        for field, expected, held in (
            ("text", d["expect_text"], d["text"]),
            ("derivation", d["expect_derivation"], d["derivation"]),
        ):
            printed = "/".join(x for x in (d["source_code"], held) if x) if field == "derivation" else held
            if expected is not None and expected not in (held or "", printed or ""):
                raise InputError(
                    f"decision {d['decision_id']} expects {field} {expected!r} at {name}, the source now has"
                    f" {printed!r}",
                    where,
                    "fixed by the publisher, or the decision no longer matches:"
                    " look again, then set standing to fixed_upstream and the new text, or"
                    " take the row out",
                )
    return len(found)
