"""What the trial mix says of every recipe of the repository, by the accepted table: `tests/data/mix_results.csv`.

A line whose verdict, figure, chance, doubt or remedy moves shows as a changed line of that file (pinned.py).
`python -m tests.mix_results` renews it; tests/test_mix_results.py compares. The assays are made up.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from rawref.lookup.impact import gap_impact
from rawref.mix.assay import Assays, read_assay
from rawref.mix.compare import compare
from rawref.mix.contributions import contributions
from rawref.mix.inputs import read_mix
from rawref.mix.mix import batch_of, evaluate
from rawref.mix.table import Table, load_table
from rawref.mix.target import reach
from rawref.needs.profile import DEFAULT_NEED, load_need, need_names
from rawref.workspace import Workspace

from tests.mix_tables import RECIPES, REPO
from tests.pinned import Line, line, write

FILE = REPO / "tests" / "data" / "mix_results.csv"
EVERY_NEED = "example"
"""The recipe that is judged by every profile; the others by the first alone."""
ASSAYED = "turkey-supplements-kelp"
ASSAY = """ingredient_id,component,value,unit,basis,laboratory,date,low,high
turkey-thigh-meat-only,ZN,,mg,per_100g,a laboratory,2024-01-31,2.1,3.4
turkey-thigh-meat-only,FAT,4.1,g,per_100g,a laboratory,2024-01-31,3.6,4.6
turkey-heart,MN,0.5,mg,per_kg,a laboratory,2024-01-31,,
kelp-dried,ID,45,mg,per_100g_DM,label,2024-01-31,30,60
kelp-dried,WATER,8,pct,per_100g,label,2024-01-31,,
"""
TARGETS = (
    ("example", "CA/P", "1.6", "eggshell-powder"), ("example", "TOCPHA", "12", "vitamin-e-natural"),
    ("pork-and-fish", "VITD", "12", "atlantic-mackerel"), ("plain-muscle-two-organs", "F20D5N3+F22D6N3", "0.3",
                                                           "salmon-oil"),
)  # fmt: skip
SHOWN = (
    "verdict", "per_1000kcal_low", "per_1000kcal", "per_1000kcal_high", "chance_minimum", "chance_maximum",
    "material_unknown_from", "added_by", "grams_that_decide",
)  # fmt: skip
GAPS = 200
"""So many of the gaps that matter most are kept."""


def assays_of(table: Table) -> Assays:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "assay.csv"
        file.write_text(ASSAY, encoding="utf-8")
        return read_assay(file, table, "assay.csv")


def told(workspace: Workspace, folder: Path) -> Iterator[Line]:
    """Every line: mixes by component and as a whole, an assay, targets, contributions, a comparison, gaps."""
    table, need = load_table(workspace, folder), load_need(workspace, DEFAULT_NEED)
    mixes = {file.stem: read_mix(file) for file in RECIPES}
    judged = {stem: evaluate(table, mix, need) for stem, mix in mixes.items()}
    results = {(stem, DEFAULT_NEED): result for stem, result in judged.items()}
    for name in need_names(workspace):
        own = load_need(workspace, name)
        results[EVERY_NEED, name] = evaluate(
            table, mixes[EVERY_NEED], own, weight_kg=4.0 if own.is_adult else None, formula="modified_atwater")
    results[ASSAYED, "assayed"] = evaluate(table, mixes[ASSAYED], need, assay=assays_of(table))
    for (stem, name), result in results.items():
        for said in result["components"]:
            shown = SHOWN[:1] if said["verdict"] == "no_requirement" else SHOWN
            yield line("mix", f"{stem} {name}", said["component"], said, shown)
        whole = {key: value for key, value in result.items() if key not in ("components", "table", "table_version")}
        yield line("mix", f"{stem} {name}", "", whole, ("energy_kcal", "energy_low_kcal", "energy_high_kcal"))
    for stem, component, figure, ingredient_id in TARGETS:
        said = reach(batch_of(table, mixes[stem])[0], component, Fraction(figure), ingredient_id)
        yield line("target", stem, component, said, ("grams", "grams_low", "grams_high"))
    batch, _ = batch_of(table, mixes[EVERY_NEED])
    for component in ("RETOL", "MN", "MET+CYS"):
        yield line("contributions", EVERY_NEED, component, contributions(batch, component), ("amount",))
    both = compare(judged["example"], judged["pork-and-fish"])
    for row in both["components"]:
        yield line("compare", "example pork-and-fish", row["component"], row, ("change", "change_pct"))
    for number, gap in enumerate(gap_impact(workspace, need, folder)[:GAPS], start=1):
        yield line("gap", f"{number} {gap['ingredient_id']}", gap["component"], gap, ("impact", "could_hide"))


if __name__ == "__main__":
    write(FILE, told(Workspace(REPO), Workspace(REPO).curated))
