"""Notes to publishers: what was found wrong in their data, ready to send."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rawref.database import rows

if TYPE_CHECKING:
    import duckdb

LISTED = """
select d.decision_id, d.source, d.food_id, d.source_component, d.expect_text, d.action, d.reason, d.citation,
  d.told_publisher, d.standing, r.title, r.publisher, r.release, f.name as food_name, c.name as component_name, c.unit,
  v.file, v.line
from archival.maintainer_decisions d
  join archival.releases r using (source)
  left join archival.foods f on f.source = d.source and f.food_id = d.food_id
  left join archival.components c on c.source = d.source and c.source_component = d.source_component
  left join (
    from archival."values" semi join archival.maintainer_decisions using (source, food_id, source_component)
  ) v on v.source = d.source and v.food_id = d.food_id
    and v.source_component = d.source_component
where d.source <> 'maintainer' and d.standing in ('open', 'reported') and d.action in ('reject', 'acknowledge')
union all by name
-- what a rule struck out, as it cannot be beside the other figures of the food
select null as decision_id, m.source, m.food_id, m.source_component, v.text as expect_text, 'reject' as action,
  case m.fault when 'amino_sum' then format('The 18 amino acids sum to {:.3f} of the protein', m.amount)
    when 'fat_classes' then format('Fatty acids sum to {:.4g} g in {:.4g} g of fat', m.amount, m.beside)
    else format('Printed as 0 beside {:.4g} g of protein, and no tissue is without', m.beside) end as reason,
  'the other figures of the food' as citation, r.title, r.publisher,
  r.release, f.name as food_name, c.name as component_name, c.unit, v.file, v.line
from reference.impossible m
  join archival.releases r using (source)
  join archival.foods f using (source, food_id)
  join archival.components c using (source, source_component)
  join archival."values" v using (source, food_id, source_component)
order by source, action desc, food_id, try_cast(source_component as int), source_component, decision_id"""


def publisher_notes(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """One Markdown note per source that has open decisions, by source id; nobody has been told of them yet."""
    notes: dict[str, list[dict[str, Any]]] = {}
    for row in rows(con, LISTED):
        if row["source_component"]:
            notes.setdefault(row["source"], []).append(row)
    return {source: _note(found) for source, found in notes.items()}


def _note(found: list[dict[str, Any]]) -> str:
    first = found[0]
    by_reason: dict[str, list[dict[str, Any]]] = {}
    for row in found:
        by_reason.setdefault(row["reason"], []).append(row)
    struck = sum(row["action"] == "reject" for row in found)
    lines = [
        f"# To {first['publisher']}: figures of {first['title']} (release {first['release']}) that look wrong",
        "",
        f"While compiling a table of raw ingredients from your release we came upon {len(found)} figures that cannot be"
        f" right or need a word. We left {struck} of them out and kept the others with a remark. Each is named below"
        " with the file and the line in which it stands. We would be glad to learn if we are mistaken.",
    ]
    for number, (reason, group) in enumerate(by_reason.items(), 1):
        lines += [
            "",
            f"## {number}. {reason}",
            "",
            f"Rests on: {group[0]['citation']}",
            "",
            "| food | name | component | printed | unit | file and line |",
            "|---|---|---|---|---|---|",
        ]
        lines += [
            f"| {r['food_id']} | {_cell(r['food_name'])} | {r['source_component']} {_cell(r['component_name'])} |"
            f" {_cell(r['expect_text'])} | {_cell(r['unit'])} | {r['file']}:{r['line']} |"
            for r in group
        ]
    return "\n".join(lines) + "\n"


def _cell(text: str | None) -> str:
    return (text or "").replace("|", "\\|")
