"""The cautions that apply to a mix: those of its ingredients, and those that only the mix as a whole calls for.

Texts and sources are data: schemas/cautions.csv by ingredient code, schemas/mix_cautions.csv by occasion.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from rawref.mix.batch import AQUATIC, Batch
from rawref.mix.content import KELP, content_of
from rawref.mix.dry import greatest_share
from rawref.mix.line import three_digits
from rawref.mix.table import WATER_ID
from rawref.mix.taken import THIAMINASE

BONE = "bone"
RUMINANTS = frozenset({"cattle", "calf", "sheep", "goat"})
SEEN = "seen"  # standing of a report that was read
WITHOUT_END = 100  # times the maximum: a high end that only the weight of an addition bounds says nothing


def cautions_of(batch: Batch, result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The cautions as {code, text, source, from, detail}; general ones first, then by code."""
    table, grams = batch.table, batch.grams
    found: dict[str, dict[str, Any]] = {}
    occasions = _occasions(batch, result)
    for row in table.mix_cautions:
        if row["when"] in occasions:
            at, detail = occasions[row["when"]]
            known = table.cautions.get(row["code"], row)
            found[row["code"]] = _caution(row["code"], known["text"], known.get("source", ""), at, detail)
    codes: dict[str, list[str]] = {}
    for key in grams:
        for code in table.ingredients[key].cautions if key in table.ingredients else ():
            if code == BONE and table.ingredients[key].bone == "no":
                continue  # the table warns of the part as sold, with its bone; the mix holds the boneless part
            codes.setdefault(code, []).append(key)
    for code, at in sorted(codes.items()):
        if code in found:
            found[code]["from"] = sorted({*found[code]["from"], *at})
        elif code == THIAMINASE:
            continue  # by the species, below: any raw fish or shellfish that is not cited as free of it
        elif not (code == KELP and all(_assayed(batch, key, "ID") for key in at)):
            row = table.cautions.get(code, {"text": code.replace("_", " "), "source": ""})
            found[code] = _caution(code, row["text"], row.get("source", ""), sorted(at), "")
    return list(found.values())


def _caution(code: str, text: str, source: str, at: list[str], detail: str) -> dict[str, Any]:
    return {"code": code, "text": text, "source": source, "from": at, "detail": detail}


def _assayed(batch: Batch, key: str, component: str) -> bool:
    """Whether the user's own figure takes a caution away; a label's zero does not."""
    assay = batch.assays.get((key, component))
    return assay is not None and assay.silences


def _occasions(batch: Batch, result: Mapping[str, Any]) -> dict[str, tuple[list[str], str]]:
    """Which occasions of schemas/mix_cautions.csv arise: ingredients concerned, and a figure of this mix."""
    table, assays, grams = batch.table, batch.assays, batch.grams
    at: dict[str, tuple[list[str], str]] = {"always": ([], f"profile {result['need']}")}
    incomplete = [entry["component"] for entry in result["components"] if entry["unknown_share"]]
    if incomplete:
        moved = [entry["name"] for entry in result["components"] if entry["material_unknown_from"]]
        which = f"could change the verdict on {', '.join(moved)}" if moved else "could change no chance by a point"
        at["any_unknown"] = ([], f"{len(incomplete)} of {len(result['components'])} totals lack something; it {which}")
    if result["energy_unknown_from"]:
        more = float(sum(batch.grams[key] * batch.energies[key].unknown / 100 for key in result["energy_unknown_from"]))
        at["energy_unknown"] = (list(result["energy_unknown_from"]), f"up to {three_digits(more)} kcal")
    own = {key: table.ingredients[key] for key in grams if key in table.ingredients and key != WATER_ID}
    raw = sorted(key for key, item in own.items() if item.kind != "addition" and item.part != "plant")
    if raw:
        at["any_raw"] = ([], "")
    fish = sorted(key for key, item in own.items() if item.species_group == "finfish")
    fats = {key: content_of(table, assays, key, "FAT").point or Fraction(0) for key in fish}
    oily = [key for key in fish if fats[key] >= table.rules.number("oily_fish_fat")]
    if oily:
        at["oily_fish"] = (oily, "")
    if fish and greatest_share(table, assays, grams, fish) > table.rules.number("fish_of_dry_matter"):
        at["fish_over_25_pct_dm"] = (fish, "")
    suspect = sorted(
        key for key, item in own.items()
        if item.species_group in AQUATIC and item.kind != "addition"
        and table.thiaminase_free.get(item.species) != SEEN
    )  # fmt: skip
    if suspect:
        # a report from memory is told and does not silence the caution
        absent = [key for key in suspect if own[key].species in table.thiaminase_free]
        message = f"reported absent in {', '.join(absent)}, from memory, no source seen" if absent else ""
        at["may_hold_thiaminase"] = (suspect, message)
    bony = sorted(key for key, item in own.items() if item.bone == "yes")
    if bony:
        at["bone_in"] = (bony, "")
    brains = sorted(key for key, item in own.items() if item.part == "brain" and item.species in RUMINANTS)
    if brains:
        at["ruminant_brain"] = (brains, "")
    livers = sorted(key for key, item in own.items() if item.part == "liver")
    if livers:
        at["liver"] = (livers, _vitamin_a(result))
    kelp = sorted(key for key, item in own.items() if KELP in item.cautions and not _assayed(batch, key, "ID"))
    if kelp:
        at["kelp_without_assay"] = (kelp, "")
    plants = sorted(key for key, item in own.items() if item.part == "plant" and item.kind != "addition")
    if plants:
        at["any_plant"] = (plants, "")
    salts = sorted(key for key in own if batch.is_addition(key) and _phosphate(batch, key))
    if salts:
        at["phosphate_added"] = (salts, "")
    ratio = result["calcium_phosphorus_ratio"]
    if ratio is not None and not 1 <= ratio <= 2:
        at["ratio_outside"] = ([], f"here {ratio:.2f}")
    return at


def _phosphate(batch: Batch, key: str) -> bool:
    """Whether a mineral addition is one of phosphorus."""
    least = batch.table.rules.number("phosphate_salt")
    return batch.table.ingredients[key].part == "mineral" and batch.content(key, "P").counted >= least


def _vitamin_a(result: Mapping[str, Any]) -> str:
    for entry in result["components"]:
        if entry["component"] == "RETOL" and entry["per_1000kcal"] is not None:
            high = entry["per_1000kcal_high"]
            open_end = high is None or high > WITHOUT_END * (entry["maximum"] or entry["per_1000kcal"])
            top = "without a known upper end" if open_end else f"high end {high:.0f}"
            limit = "" if entry["maximum"] is None else f", maximum {entry['maximum']:.0f}"
            return f"retinol {entry['per_1000kcal']:.0f} µg per 1000 kcal, {top}{limit}"
    return ""
