"""What drift says of changes made up for it: `tests/data/drift_results.csv`.

A small table is accepted in git; then a source, what is kept here (records, decisions, the registry), and both with a
module of the program are edited, built anew and compared. A change that is told otherwise shows as a changed line of
that file (pinned.py).
`python -m tests.drift_results` renews it; tests/test_drift_results.py compares.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from rawref.drift.compare import drift
from rawref.release.build import refresh
from rawref.workspace import Workspace

from tests import spoil
from tests.pinned import Line, line, write
from tests.rebuild import git, small_members, small_root, with_members

REPO = Path(__file__).parents[1]
FILE = REPO / "tests" / "data" / "drift_results.csv"
SHOWN = ("tier", "kind", "column", "before", "after", "why", "cause", "mechanism")


def replaced(path: Path, old: str, new: str) -> None:
    """Another text in the one place of a file that holds it."""
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, (path, old)
    path.write_text(text.replace(old, new), encoding="utf-8", newline="\n")


def without(path: Path, start: str) -> None:
    """A file without the rows that begin so."""
    rows = path.read_text(encoding="utf-8").split("\n")
    path.write_text("\n".join(row for row in rows if not row.startswith(start)), encoding="utf-8", newline="\n")


def sources(space: Workspace) -> None:
    """Zinc of beef liver (13325, 309) and its n moved, vitamins of it too, selenium of beef heart (13321, 317) a zero;
    butter (01001) and a raw chicken (05071) gone; a made-up raw liver and a boiled one new."""
    members = dict(small_members())
    for name, body in members.items():
        rows: list[bytes] = []
        for row in body.splitlines(keepends=True):
            cells = row.split(b"^")
            if cells[0] in (b"~01001~", b"~05071~"):
                continue
            if name in ("FOOD_DES.txt", "NUT_DATA.txt") and cells[0] in (b"~13325~", b"~05028~"):
                made = {b"~13325~": b"~99001~", b"~05028~": b"~99002~"}[cells[0]]
                rows.append(b"^".join([made, *cells[1:]]).replace(b"Beef, variety", b"Beef, made up, variety"))
            if name == "NUT_DATA.txt" and cells[:2] == [b"~13325~", b"~309~"]:
                cells[2], cells[3] = b"5.10", b"3"
            elif name == "NUT_DATA.txt" and cells[:2] == [b"~13321~", b"~317~"]:
                cells[2], cells[3] = b"0.0", b"0"
            elif name == "NUT_DATA.txt" and cells[0] == b"~13325~" and cells[1] in (b"~318~", b"~418~"):
                cells[2] = b"77"
            rows.append(b"^".join(cells))
        members[name] = b"".join(rows)
    with_members(space.root, members)


def records(space: Workspace) -> None:
    """A cited record taken out, another one's figure moved, the foods of an ingredient taken away."""
    path = space.maintainer / "cited_values.csv"
    rows = path.read_text(encoding="utf-8").split("\n")
    path.write_text("\n".join([rows[0], *rows[2:]]).replace("88.8", "70.5"), encoding="utf-8", newline="\n")
    without(space.maintainer / "ingredient_foods.csv", "pork-tenderloin-lean,")


def decisions(space: Workspace) -> None:
    """The copper of chicken liver and the iron of beef liver are rejected."""
    cells = spoil.read(space.curated, "values")
    heading = (space.maintainer / "decisions.csv").read_text(encoding="utf-8").strip().split(",")
    spoil.write(space.maintainer, "decisions", [
        dict.fromkeys(heading, "") | {
            "decision_id": f"made-up-{component.lower()}", "source": cell["source"], "food_id": cell["food_id"],
            "source_component": cell["source_component"], "component": component, "expect_text": cell["source_value"],
            "expect_derivation": cell["derivation"], "action": "reject", "reason": "made up", "citation": "none",
            "standing": "open",
        }
        for ingredient, component in (("chicken-liver", "CU"), ("beef-liver", "FE"))
        for cell in [spoil.cell(cells, ingredient, component)]
    ])  # fmt: skip


def rules(space: Workspace) -> None:
    """Two statuses and the state of drumsticks read otherwise, fewer points for a match, no requirement of zinc."""
    read = ",calculated from other components of the same food,{},\"energy,"
    replaced(space.schemas / "status_map.csv", read.format("calculated"), read.format("imputed"))
    read = "usda-sr28,derivation,BFNN,\"borrowed, scaled on non-fat solids, no retention factors\",{},"
    replaced(space.schemas / "status_map.csv", read.format("imputed"), read.format("calculated"))
    replaced(space.schemas / "facet_rules.csv", "\nst01,", "\nst00,state,10,animal,drumstick,,processed,made up\nst01,")
    replaced(space.schemas / "confidence.csv", "match,A,20,", "match,A,9,")
    replaced(space.schemas / "confidence.csv", "acquisition,measured,25,", "acquisition,measured,22,")
    without(space.maintainer / "needs" / "nrc-2006-adult.csv", "ZN,")


def code(space: Workspace) -> None:
    """A module that is another one now, and cells that moved for it: the accepted table says something else."""
    module = space.root / "pipeline" / "rawref" / "stages" / "curated" / "ranges.py"
    module.write_text(module.read_text(encoding="utf-8") + "\n# another model\n", encoding="utf-8")

    def move(rows: spoil.Rows) -> None:
        for at, row in enumerate(rows):
            if row["value"] and at % 5 == 0:
                row["value"] = f"{float(row['value']) * (1 + at % 4):.6g}"
            elif row["low"] and at % 5 == 1:
                row["low"] = f"{float(row['low']) / (1 + at % 3):.6g}"
            elif row["high"] and at % 5 == 2:
                row["high"] = f"{float(row['high']) * (1 + at % 7 / 10):.6g}"
            elif at % 5 == 3:
                row["confidence"], row["n"] = "D", "77"

    spoil.edit(space.curated, "values", move)
    spoil.edit(space.curated, "gaps", lambda rows: rows.__delitem__(slice(0, 9, 3)))
    spoil.edit(space.curated, "candidates", lambda rows: [row.update(reason_not_chosen="made up") for row in rows[::9]])


EDITS: dict[str, tuple[Callable[[Workspace], None], ...]] = {
    "a source": (sources,), "what is kept here": (records, decisions, rules),
    "all at once": (sources, records, decisions, rules, code),
}


def commit(space: Workspace) -> None:
    git(space.root, "add", "raw", "schemas", "pipeline", "curated")
    git(space.root, "commit", "-qm", "accepted")


def told(small: Path, folder: Path) -> Iterator[Line]:
    """Every change of every case, worst first as drift puts them, and what stands above them; `small` is a small root
    that was built."""
    for name, edits in EDITS.items():
        space = Workspace(Path(shutil.copytree(small, folder / name)))
        shutil.rmtree(space.curated, ignore_errors=True)
        shutil.copytree(space.built, space.curated)
        git(space.root, "init", "-q")
        commit(space)
        for edit in edits:
            edit(space)
        if code in edits:
            commit(space)
        refresh(space, lambda _: None)
        found = drift(space)
        for at, sentence in enumerate([*found["head"], *found["explanations"]], start=1):
            yield line(name, f"said {at}", "", {"said": sentence}, ("said",))
        yield line(name, "summary", "", {key: found[key] for key in ("summary", "coverage", "changed_inputs")},
                   ("summary",))
        for change in found["changes"]:
            yield line(name, change["subject"], change["table"], change, SHOWN)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        made = small_root(Path(scratch) / "small")
        refresh(Workspace(made), lambda _: None)
        write(FILE, told(made, Path(scratch)))
