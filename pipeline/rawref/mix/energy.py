"""Metabolisable energy of a mix, by named formula, and the energy need of a cat.

Linear formulas are data (schemas/energy_formulas.csv). The NRC 2006 prediction has four steps and is code.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from rawref.errors import InputError
from rawref.registry.nearest import did_you_mean

HUMAN_ENERGY = "ENERC_KCAL"  # of the food tables, by factors for people: no energy for cats
DEFAULT_FORMULA = "fediaf_natural_cat"
NRC_FORMULA = "nrc_2006"
NRC_TITLE = "NRC 2006 four-step prediction, prepared foods, cats"
NRC_SOURCE = (
    "NRC, Nutrient Requirements of Dogs and Cats (2006), as given in the FEDIAF energy annex (read in a reprint)"
)

# kcal ME per day = factor x kg ^ exponent.
ACTIVITIES: Mapping[str, tuple[int, float, str]] = {
    "neutered_indoor": (75, 0.67, "FEDIAF 2021, MER 75 (activity label from memory)"),
    "active": (100, 0.67, "FEDIAF 2021, MER 100; NRC 2006, lean adult (activity label from memory)"),
    "overweight": (130, 0.40, "NRC 2006, overweight adult"),
}


@dataclass(frozen=True, slots=True)
class Factors:
    """kcal per g of protein, fat and carbohydrate; `on_nfe`: carbohydrate less fibre (NFE), else by difference."""

    formula: str
    food_class: str
    protein: Fraction
    fat: Fraction
    carbohydrate: Fraction
    on_nfe: bool
    title: str
    source: str

    def kcal(self, protein: Fraction, fat: Fraction, carbohydrate: Fraction) -> Fraction:
        """Energy of the grams given."""
        return self.protein * protein + self.fat * fat + self.carbohydrate * carbohydrate


def factors_of(rows: Sequence[Mapping[str, str]]) -> dict[str, dict[str, Factors]]:
    """Factors by formula and class of food, from the rows of schemas/energy_formulas.csv, in file order."""
    found: dict[str, dict[str, Factors]] = {}
    for row in rows:
        found.setdefault(row["formula"], {})[row["class"]] = Factors(
            row["formula"], row["class"], Fraction(row["protein"]), Fraction(row["fat"]),
            Fraction(row["carbohydrate"]), row["carbohydrate_is"] == "NFE", row["title"], row["source"],
        )  # fmt: skip
    return found


def food_class(part: str, species_group: str) -> str:
    """The class of Atwater specific factors, after Merrill & Watt and the SR28 factors (tongue and shellfish 4.11)."""
    if part.startswith("egg"):
        return "egg"
    if part == "milk":
        return "milk"
    if part == "tongue" or species_group in {"mollusc", "crustacean"}:
        return "shellfish_and_tongue"
    return "meat"


def nfe(protein: Fraction, fat: Fraction, water: Fraction, ash: Fraction, fibre: Fraction) -> Fraction:
    """Nitrogen-free extract by difference, g per 100 g; analytical error below zero counts as zero."""
    return max(Fraction(0), 100 - (protein + fat + water + ash + fibre))


def nrc_gross(protein: Fraction, fat: Fraction, nfe_g: Fraction, fibre: Fraction) -> Fraction:
    """Gross energy, kcal: step one of the NRC 2006 prediction."""
    return Fraction("5.7") * protein + Fraction("9.4") * fat + Fraction("4.1") * (nfe_g + fibre)


def nrc_digestibility(fibre_pct_dm: Fraction) -> Fraction:
    """Energy digestibility, per cent: step two, cats."""
    return Fraction("87.9") - Fraction("0.88") * fibre_pct_dm


def nrc_me(protein: Fraction, fat: Fraction, nfe_g: Fraction, fibre: Fraction, dry_matter: Fraction) -> Fraction:
    """Metabolisable energy, kcal, of a food holding these grams: steps three and four (0.77 per g protein, cats)."""
    fibre_pct_dm = fibre / dry_matter * 100 if dry_matter else Fraction(0)
    digestible = nrc_gross(protein, fat, nfe_g, fibre) * nrc_digestibility(fibre_pct_dm) / 100
    return digestible - Fraction("0.77") * protein


def daily_need(weight_kg: float, activity: str) -> tuple[float, str]:
    """(kcal ME per day, formula and source) of a cat. Raises InputError for an absurd weight or unknown activity."""
    if not 0.3 <= weight_kg <= 30:
        raise InputError(
            f"weight is {weight_kg:g} kg", "--weight", "give the weight of a cat in kilograms, such as 4.2"
        )
    check_activity(activity, weight_kg)
    factor, exponent, source = ACTIVITIES[activity]
    return factor * weight_kg**exponent, f"{factor} x kg^{exponent:.2f} ({source})"


def check_activity(activity: str | None, weight_kg: float | None) -> None:
    """Raises InputError for an unknown activity, and for one without a weight, which it would say nothing about."""
    if activity is not None and activity not in ACTIVITIES:
        cure = did_you_mean(activity, ACTIVITIES, f"use one of {', '.join(ACTIVITIES)}")
        raise InputError(f"unknown activity {activity!r}", "--activity", cure)
    if activity is not None and weight_kg is None:
        raise InputError("an activity without a weight", "--activity", "give the weight of the cat too, with --weight")


def activity_of(mer: int | None) -> str:
    """The activity that goes with a profile: its presumed intake, MER 75 (the stricter) where it names none."""
    return "active" if mer == 100 else "neutered_indoor"
