"""What a raw value may be estimated from a cooked donor, or the rule by which it is refused.

The rules are numbered 1 to 10: 1 donor not measured; 2 prepared with more than heat; 3 component of a block; 4 no
measured retention; 5 not the same cut, part, species, trim, skin or bone; 6 fried and fat-soluble or sodium; 7 yields
implausible; 8 too few families, or an unnamed method that matters; 9 outside the range of raw foods, or they do as
well; 10 liver retinol, folate, copper. `rawref.cooked.cooking.prepare` and `evaluate` come first.
"""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

from rawref.cooked import cooking
from rawref.database import rows, scalar

if TYPE_CHECKING:
    import duckdb

Row = dict[str, Any]
ORDER = ("yes", "care", "weak", "no")
METHODS = ("broil", "fry", "moist", "roast")


class Judge:
    """The measured model of one component, ready to judge donors of one ingredient."""

    def __init__(self, con: duckdb.DuckDBPyConnection, ingredient: str, component: str) -> None:
        self.con, self.ingredient, self.component = con, ingredient, component
        self.limits = cooking.limits(con)
        self.block = scalar(con, "select block from reference.components where component = ?", [component])
        self.refusals = rows(con, "select * from cooking_refusals where coalesce(component, ?) = ?"
                                  " order by rule, reason", [component, component])
        self.votes = rows(con, "select * from cooking_votes where component = ? order by class, method_group, family",
                          [component])
        offers = rows(con, "select * from cooking_offers where component = ?", [component])
        self.offers = {r["domain"]: r for r in offers}
        self.published = rows(con, "select * from cooking_published where component = ?", [component])
        self.peers = [r["value"] for r in rows(con, """
            select p.value from reference.peer_values p join curated.ingredient_keys k
              on k.ingredient_id = ? and p.species = k.species and p.part = k.part
            where p.component = ? order by p.value""", [ingredient, component])]

    def prepared_foods(self, food_id: str | None = None) -> list[Row]:
        """Cooked and otherwise prepared foods of the same animal and part that publish the component, unjudged."""
        query = (Path(__file__).parent / "donors.sql").read_text(encoding="utf-8")
        return rows(self.con, query, {"ingredient": self.ingredient, "component": self.component, "donor": food_id})

    def donors(self, food_id: str | None = None) -> list[Row]:
        """Every donor with its estimate or its refusals, the best first."""
        found = [self.judge(d) for d in self.prepared_foods(food_id)]
        return sorted(found, key=lambda d: (
            bool(d["refusals"]), ORDER.index(d["offer"]), any(r["rule"] == 5 for r in d["refusals"]),
            d["likeness"] or 9, -(d["n"] or 0), d["donor_food_id"]))

    def judge(self, d: Row) -> Row:
        """One donor: what was published, yield, retention, interval, error; every rule that refuses it."""
        refused = self._donor_rules(d)
        yields = self._yields(d)
        refused += yields.pop("refusals")
        retention, spread_refusal = self._retention(d)
        refused += spread_refusal
        error = self._error(d)
        if error is None and not any(r["rule"] in (3, 4, 5) for r in refused):
            refused.append(_refusal(8, f"the error was never measured for {d['class'] or d['part']}: too few pairs"))
        estimate: Row = {"value": None, "low": None, "high": None}
        if d["value"] and yields["yield"] and retention and error:
            value = cooking.to_raw(d["value"], retention["retention_pct"], yields["yield"])
            estimate = {"value": value, "low": value * error["factor_low"], "high": value * error["factor_high"]}
            if not refused:
                refused = self._peer_rules(d, value, error)
        refused.sort(key=lambda r: (r["rule"], r["text"]))
        offer = error["offer"] if error else "no"
        # Rule 9 compares two figures, so both are shown; every other refusal shows no estimate.
        shown = estimate if all(r["rule"] == 9 for r in refused) and offer != "no" else dict.fromkeys(estimate)
        return {
            "donor_source": d["source"], "donor_release": d["release"], "donor_food_id": d["food_id"],
            "donor_name": d["name"], "donor_state": d["state"], "published": d["text"],
            "published_unit": d["source_unit"], "source_component": d["source_component"], "status": d["status"],
            "n": d["n"], "source_code": d["source_code"], "derivation": d["derivation"], "year": d["year"],
            "file": d["value_file"], "line": d["value_line"], "source_steps": d["steps"],
            "method": d["method"], "method_group": d["method_group"], "class": d["class"],
            "twin_food_id": d["raw_id"], "twin_name": d["raw_name"], "match_quality": d["match_quality"],
            "likeness": d["likeness"], **yields, **(retention or {
                "retention_pct": None, "retention_source": None, "pairs": 0, "families": 0, "level": None}),
            "published_factor": self._published_factor(d), **{k: _short(v) for k, v in shown.items()},
            "unit": d["unit"],
            "error": error, "offer": "no" if refused else offer, "refusals": refused,
        }

    def _donor_rules(self, d: Row) -> list[Row]:
        found = []
        measured = d["status"] == "measured" and d["source_code"] == "1" and (d["n"] or 0) >= 1 \
            and (d["derivation"] or "") in ("", "A")
        if not measured or not d["value"]:
            what = d["status"].replace("_", " ") if d["value"] or d["value"] is None else "zero"
            count = "none" if d["n"] is None else d["n"]
            code = d["source_code"] or "none"
            found.append(_refusal(1, f"the donor value is not measured: {what}, source code {code},"
                                     f" derivation {d['derivation'] or 'none'}, n {count}"))
        if d["state"] != "cooked":
            found.append(_refusal(2, f"the donor is {d['state']}, not just cooked"))
        elif d["additions"] != "none":
            found.append(_refusal(2, f"the donor has additions: {d['additions']}"))
        elif d["class"] is None:
            found.append(_refusal(2, "the donor was soaked, floured or salted, or its drippings are in it"))
        if d["raw_additions"] not in (None, "none"):
            found.append(_refusal(2, f"the raw food has additions: {d['raw_additions']}"))
        if self.block:
            found.append(_refusal(3, f"{self.component} belongs to the {self.block.replace('_', ' ')} figures, which"
                                     " come as a block from one raw food"))
        for r in self.refusals:
            if r["part"] in (None, d["part"]) and r["method_group"] in (None, d["method_group"]):
                found.append(_refusal(r["rule"], r["reason"]))
        if not self.votes and not any(r["rule"] == 4 for r in found) and not self.block:
            found.append(_refusal(4, f"{self.component} has no measured retention"))
        if d["raw_id"] is None:
            found.append(_refusal(5, self._difference(d)))
        return found

    @staticmethod
    def _difference(d: Row) -> str:
        if d["nearest_id"] is None:
            return "no raw food is mapped to the ingredient, so no twin can be shown"
        differs = [f"{name.replace('_', ' ')} {d[name] or 'none'} against {d['nearest_' + name] or 'none'}"
                   for name in ("cut", "skin", "bone", "fat_trim") if (d[name] or "") != (d["nearest_" + name] or "")]
        return "no raw twin: " + ("; ".join(differs) or f"class or name differs from raw {d['nearest_id']}")

    def _yields(self, d: Row) -> Row:
        """Grams cooked from one gram raw, by protein; by non-fat solids or class median where protein is unknown."""
        protein = _ratio(d["raw_protein"], d["cooked_protein"])
        nonfat = None
        if None not in (d["raw_water"], d["raw_fat"], d["cooked_water"], d["cooked_fat"]):
            nonfat = _ratio(100 - d["raw_water"] - d["raw_fat"], 100 - d["cooked_water"] - d["cooked_fat"])
        chosen, basis = (protein, "protein") if protein else (nonfat, "nonfat_solids") if nonfat else \
            (d["class_yield"], "class_median")
        refused = []
        if d["raw_id"] is not None and chosen:
            low, high = self.limits["yield_low"], self.limits["yield_high"]
            if not low <= chosen <= high:
                refused.append(_refusal(7, f"yield {chosen:.2f} is outside {low:g} to {high:g}"))
            elif protein and nonfat and abs(protein / nonfat - 1) > self.limits["yield_disagreement"]:
                refused.append(_refusal(7, f"yield on protein {protein:.2f} and on non-fat solids {nonfat:.2f} differ"
                                           f" by more than {self.limits['yield_disagreement']:.0%}"))
        elif d["raw_id"] is not None:
            refused.append(_refusal(7, "no yield: proximates are unknown and the class has no measured yield"))
        return {"yield": _short(chosen), "yield_basis": basis if chosen else None, "yield_protein": _short(protein),
                "yield_nonfat_solids": _short(nonfat), "refusals": refused}

    def _retention(self, d: Row) -> tuple[Row | None, list[Row]]:
        """Median retention of other families, class and method before pool and method; refusals by rule 8."""
        if d["class"] is None or self.block:
            return None, []
        if d["method_group"] is not None:
            found = self._level(d, d["method_group"])
            if found:
                return found, []
            return None, [_refusal(8, f"fewer than {self.limits['families_needed']:g} families of {d['class']} or"
                                      f" {d['pool']} show a retention by {d['method_group']}")] if self.votes else []
        by_method = {m: r for m in METHODS if (r := self._level(d, m))}
        if not by_method:
            none = _refusal(8, "the method is not named and no method has enough families")
            return None, [none] if self.votes else []
        shares = sorted(r["retention_pct"] for r in by_method.values())
        middle = {
            "retention_pct": _short(median(shares)), "retention_source": "measured", "level": "any method",
            "pairs": sum(r["pairs"] for r in by_method.values()),
            "families": sum(r["families"] for r in by_method.values())}
        moved = shares[-1] / shares[0] - 1
        if moved > self.limits["method_spread"]:
            return middle, [_refusal(8, f"the method is not named, and its choice moves the result by {moved:.0%}")]
        return middle, []

    def _level(self, d: Row, method: str) -> Row | None:
        others = [v for v in self.votes if v["method_group"] == method and v["family"] != d["family"]]
        for level, key in (("class and method", "class"), ("group and method", "pool")):
            held = [v for v in others if v[key] == d[key]]
            if len(held) >= self.limits["families_needed"]:
                return {"retention_pct": _short(median(v["retention"] for v in held)), "retention_source": "measured",
                        "level": f"{level}: {d[key]}, {method}", "pairs": sum(v["pairs"] for v in held),
                        "families": len(held)}
        return None

    def _error(self, d: Row) -> Row | None:
        """Measured error of the donor's group; fish and shellfish get the worse of all muscle and of their own."""
        domains = [d["error_group"]] + (["aquatic"] if d["pool"] == "aquatic" else [])
        if any(name not in self.offers for name in domains):
            return None
        found = [self.offers[name] for name in domains]
        worst = max(found, key=lambda o: (ORDER.index(o["offer"]), o["p90"]))
        return {
            "group": worst["domain"], "pairs": worst["pairs"], "families": worst["families"],
            "median_pct": round(worst["median"], 1), "p90_pct": round(worst["p90"], 1),
            "peers_median_pct": None if worst["peers_median"] is None else round(worst["peers_median"], 1),
            "peers_p90_pct": None if worst["peers_p90"] is None else round(worst["peers_p90"], 1),
            "peers_as_good": worst["peers_as_good"], "offer": worst["offer"],
            "factor_low": round(min(o["factor_low"] for o in found), 4),
            "factor_high": round(max(o["factor_high"] for o in found), 4),
        }

    def _peer_rules(self, d: Row, value: float, error: Row) -> list[Row]:
        if len(self.peers) < self.limits["peers_needed"]:
            return []
        low, high = self.peers[0], self.peers[-1]
        if not low <= value <= high:
            return [_refusal(9, f"the estimate {value:.4g} lies outside the {len(self.peers)} measured raw foods of"
                                f" the same species and part, {low:.4g} to {high:.4g} {d['unit']}")]
        if error["peers_as_good"]:
            return [_refusal(9, f"the {len(self.peers)} measured raw foods of the same species and part tell as"
                                f" much: error {error['peers_median_pct']:g} / {error['peers_p90_pct']:g} % against"
                                f" {error['median_pct']:g} / {error['p90_pct']:g} %")]
        return []

    def _published_factor(self, d: Row) -> Row | None:
        """The published factor for the same class and method, shown beside and never used."""
        for p in self.published:
            if p["class"] == d["class"] and p["method_group"] == d["method_group"] and (
                    d["raw_fat"] is None or p["raw_fat_from_g"] <= d["raw_fat"] < p["raw_fat_below_g"]):
                return {"retention_pct": p["retention_pct"], "standing": p["standing"], "source": p["source"]}
        return None


def _refusal(rule: int, text: str) -> Row:
    return {"rule": rule, "text": text}


def _ratio(above: float | None, below: float | None) -> float | None:
    return above / below if above and below and above > 0 and below > 0 else None


def _short(value: float | None) -> float | None:
    """Six significant digits: more would be noise, and last bits must not differ between machines."""
    return None if value is None else float(f"{value:.6g}")
