"""A mix result as text for a terminal, 80 columns or as wide as it is, and as CSV. No colour: words carry the sense."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from rawref.mix.energy import HUMAN_ENERGY
from rawref.mix.findings import UNFIT, warned
from rawref.mix.line import per_cent, round_down, round_up, some, three_digits
from rawref.mix.quotient import CERTAIN_HIGH
from rawref.registry.units import shown_unit

NARROW, WIDTH, WIDE = 60, 80, 140
STANDINGS = {"seen": "seen", "seen_earlier_edition": "earlier", "derived": "derived", "memory": "memory"}
WORST = ("memory", "derived", "seen_earlier_edition", "seen")
NO_MAXIMUM = "no maximum published"
SINCE_ADDED, MAY_BE_ADDED = " since added", " may be added"
NEGLIGIBLE_G = 1e-9
ROUNDING = 1e-9  # of binary arithmetic, relative
SLIGHT = 1  # per cent: a figure on dry matter that unknown water moves by less is told so in short
UNBOUNDED = 1000  # times the figure or the minimum: a high end that only the weight of the food bounds is no figure
CSV_COLUMNS = (
    "component", "name", "unit", "amount", "low", "high", "per_1000kcal", "per_1000kcal_low", "per_1000kcal_high",
    "per_100g", "per_ounce", "per_100g_dm", "per_100g_dm_low", "per_100g_dm_high", "per_day", "unknown_share",
    "unknown_from", "material_unknown_from", "range_from", "imputed_from", "estimated_from", "assayed_from",
    "no_spread_from", "minimum", "maximum", "maximum_of", "maximum_if_added", "minimum_standing",
    "maximum_standing", "minimum_kind", "maximum_kind",
    "minimum_source", "maximum_source", "added_by", "chance_minimum", "chance_maximum", "far_above_minimum",
    "rests_on_imputed", "rests_on_comparables", "taken_by", "minimum_raised_by", "verdict", "reason",
)  # fmt: skip
Entry = Mapping[str, Any]


def mix_text(result: Mapping[str, Any], wide: bool = False, width: int = WIDTH) -> str:
    """The whole result for a terminal of `width` columns, at least 60; `wide` takes 140 and adds the other formulas."""
    columns = max(NARROW, WIDE if wide else width)
    blocks = [
        "\n".join(line for text in outcome(result) for line in _wrap(text, columns)),
        _head(result, columns, wide),
        _table(result, columns),
        _legend(columns),
        _notes(result, columns),
        _cautions(result, columns),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def mix_csv(result: Mapping[str, Any]) -> str:
    """One row per component, lists joined by semicolons, blank for unknown; line ends LF."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("need", "energy_formula", *CSV_COLUMNS))
    for entry in result["components"]:
        writer.writerow((result["need"], result["energy_formula"], *(cell_text(entry[key]) for key in CSV_COLUMNS)))
    return out.getvalue()


def outcomes(sides: Sequence[Mapping[str, Any]]) -> list[str]:
    """What a reader must not overlook of either side of a comparison."""
    return [f"{name}. {' '.join(outcome(side))}" for name, side in zip(("Before", "After"), sides, strict=True)]


def compare_text(
    comparison: Mapping[str, Any], sides: Sequence[Mapping[str, Any]], wide: bool = False, width: int = WIDTH
) -> str:
    """Two results side by side per 1000 kcal: what is to be said of each, the components whose figure or verdict
    differs."""
    columns = max(NARROW, WIDE if wide else width)
    size = _name_size(comparison["components"], 26, columns - WIDTH)
    grams, energy, scaled = (comparison[key] for key in ("grams", "energy_kcal", "grams_per_1000kcal"))
    lines = [
        *outcomes(sides),
        f"Before: {figure(grams['before'])} g, {figure(energy['before'])} kcal; after: {figure(grams['after'])} g, "
        f"{figure(energy['after'])} kcal. Scaled to 1000 kcal: {figure(scaled['before'])} g before, "
        f"{figure(scaled['after'])} g after.",
        f"{'nutrient':<{size}} {'':<2} {'before':>8} {'after':>8} {'change':>8}  verdict",
    ]
    for row in comparison["components"]:
        if row["before"] == row["after"] and not row["verdict_changed"]:
            continue
        change = "unknown" if row["change_unknown_from"] else change_text(row["change_pct"])
        verdict = verdict_of_side(row, "after")
        if row["verdict_changed"]:
            verdict = f"{verdict_of_side(row, 'before')} -> {verdict}"
        lines.append(
            f"{label(row, size):<{size}} {shown_unit(row['unit']):<2} {figure(row['before'], 8):>8} "
            f"{figure(row['after'], 8):>8} {change:>8}  {verdict}"
        )
    return "\n".join(line for text in lines for line in _wrap(text, columns)) + "\n"


def contributions_text(found: Mapping[str, Any], name: str, width: int = WIDTH) -> str:
    """Which ingredient supplies how much of a nutrient."""
    unit = shown_unit(found["unit"])
    size = max([10 if width < WIDTH else 32, *(len(row["ingredient_id"]) for row in found["ingredients"])])
    lines = [
        total_of(found, name, unit),
        f"{'ingredient':<{size}} {'g':>7} {unit:>8} {'90 % interval':>17} {'share':>6}  note",
    ]
    for row in found["ingredients"]:
        amount = supplied(row)
        span = "" if row["low"] is None else _span(row["low"], row["high"], 17)
        share = "" if row["share_pct"] is None else f"{share_text(row['share_pct'])} %"
        note = source_note(row, unit)
        line = f"{row['ingredient_id']:<{size}} {figure(row['grams'], 7):>7} {amount:>8} {span:>17} {share:>6}"
        fits = len(line) + 2 + len(note) <= max(NARROW, width)
        lines += [f"{line}  {note}".rstrip()] if fits else [line.rstrip(), f"  {note}"]
    return "\n".join(line for text in lines for line in _wrapped(text, max(NARROW, width))) + "\n"


def share_text(pct: float) -> str:
    """A share in per cent; what is there is never printed as 0."""
    return "<0.1" if 0 < pct < 0.05 else f"{pct:.1f}"


def supplied(row: Mapping[str, Any]) -> str:
    """What an ingredient supplies: a figure, no more than a range, or nobody knows."""
    if row["amount"] is not None:
        return figure(row["amount"], 8)
    return "unknown" if row["high"] is None else "a range"


def total_of(found: Mapping[str, Any], name: str, unit: str) -> str:
    """How much of a nutrient is in the mix, in a sentence."""
    amount = found["amount"]
    total = "no figure" if amount is None else f"{figure(amount)} {unit} in the mix, as far as it is known"
    return f"{name} · {found['component']}: {total}."


def _wrapped(text: str, width: int) -> list[str]:
    """As `_wrap`; a line that begins with two blanks keeps them."""
    return [f"  {line}" for line in _wrap(text[2:], width - 2)] if text.startswith("  ") else _wrap(text, width)


def target_text(found: Mapping[str, Any], width: int = WIDTH) -> str:
    """The grams that reach a target."""
    unit = "" if found["unit"] in {None, "ratio"} else f" {shown_unit(found['unit'])} per 1000 kcal"
    low, high = found["grams_low"], found["grams_high"]
    beware, over = ", ".join(found["passes_maximum_of"]), ", ".join(found["over_already"])
    now = f" is {figure(found['present'])}{unit}"
    if found["present"] is None:
        now = ": no ingredient of the mix has a figure"
    text = (
        f"{found['component']}{now}. To reach {figure(found['target'])} add "
        f"{dose(found['grams'])} of {found['with']} by the figures of the table. {_enough(95, high)}; "
        f"{_enough(5, low)}. "
        + (f"That passes the maximum of {beware} or leaves it in doubt: not to be fed as it stands. " if beware else "")
        + (f"The mix is over the maximum of {over} already: not to be fed as it stands. " if over else "")
        + (f"With that: {'; '.join(found['objections'])}: not to be fed as it stands. " if found["objections"] else "")
        + "Look at the other lines again."
    )
    return "\n".join(_wrap(text, max(NARROW, width))) + "\n"


def _enough(chance: int, grams: float | None) -> str:
    """Which dose has a chance, in per cent, to be enough."""
    if grams is None:
        return f"No amount below the weight of the mix is enough with a chance of {chance} %"
    if grams < NEGLIGIBLE_G:
        return f"the mix as it is holds enough with a chance of {chance} % or more"
    return f"{dose(grams)} is enough with a chance of {chance} %"


def figure(value: float | None, width: int = 9) -> str:
    """Four significant digits without exponents, fewer where the width asks for it, `-` for unknown; in thousands (k)
    or millions (M) where it is too long, `~0` where it is too small to print."""
    if value is None:
        return "-"
    if value == 0:
        return "0"
    for size, sign in ((1.0, ""), (1e3, "k"), (1e6, "M"), (1e9, "G")):
        for digits in (4, 3, 2, 1):
            text = f"{value / size:.{digits}g}"
            if "e" in text:
                text = f"{value / size:.0f}" if abs(value) >= 1 else f"{Decimal(text):f}"
            if len(text + sign) <= width:
                return text + sign
        if abs(value) < 1:
            return "~0"
    return "very much"[:width]


def label(entry: Entry, width: int) -> str:
    """`Manganese · MN`, the name cut where it must be."""
    tail = f" · {entry['component']}"
    room = width - len(tail)
    name = str(entry["name"])
    if name == entry["component"]:
        return name[:width]
    return f"{name if len(name) <= room else name[: room - 1] + '…'}{tail}"


def chance_text(entry: Entry) -> str:
    """The chance that decides, in per cent without the sign: of the minimum, else of the maximum."""
    found = entry["chance_minimum"] or entry["chance_maximum"]
    if entry["chance_minimum"] and entry["chance_maximum"] and entry["chance_maximum"][0] < entry["chance_minimum"][0]:
        found = entry["chance_maximum"]
    if not found:
        return ""
    low, high = (per_cent(end) for end in found)
    if low.lstrip("<>") == high.lstrip("<>"):  # 99 to more than 99
        return low if low == high else low.lstrip("<>")
    return f"{low}-{high.lstrip('<>')}"


def verdict_text(entry: Entry) -> str:
    """The verdict in words; far above a minimum without a maximum asks for a look."""
    return _verdict(entry["verdict"], entry["far_above_minimum"])


def change_text(pct: float | None) -> str:
    """A change in per cent, from ten times on as a multiple."""
    return "" if pct is None else f"x {figure(pct / 100 + 1, 6)}" if pct >= 900 else f"{pct:+.0f} %"


def verdict_of_side(row: Mapping[str, Any], side: str) -> str:
    """The verdict of one side of a comparison in words."""
    return _verdict(row[f"verdict_{side}"], row[f"far_above_minimum_{side}"])


def _verdict(verdict: str, far_above: bool) -> str:
    return "none set" if verdict == "no_requirement" else "meets, high" if far_above else verdict


def source_note(row: Entry, unit: str) -> str:
    """What a contribution rests on, in a few words."""
    words = {"no_spread": "no range known", "imputed": "imputed by its source", "estimate": "estimate",
             "assay": "your assay", "rival": "high end of another table", "bound": "egg white not counted"}  # fmt: skip
    notes = [words[flag] for flag in row["flags"] if flag in words]
    if row["state"] == "nothing":
        notes.append("holds none")
    if row["foretold_high"] is not None:
        notes.append(f"by comparable foods {figure(row['foretold_low'])} to {figure(row['foretold_high'])} {unit}")
    elif row["could_add"] is None:
        notes.append("nothing bounds the unknown")
    elif row["could_add"]:
        notes.append(f"could add {figure(row['could_add'])} {unit}")
    if row["gap"]:
        notes.append(f"gap: {row['gap'].replace('_', ' ')}")
    return ", ".join(notes)


def _span(low: float | None, high: float | None, width: int) -> str:
    """`low-high` in at most `width` characters, `?` for no upper bound, `-` where there is no range."""
    if low is None:
        return "-"
    for each in (9, width // 2, width // 2 - 1, 5):
        text = f"{figure(low, each)}-{'?' if high is None else figure(high, each)}"
        if len(text) <= width:
            return text
    return text


def _head(result: Mapping[str, Any], width: int, wide: bool) -> str:
    lines = [
        f"Mix of {figure(result['grams'])} g, {energy_text(result, 'kcal ME')}, "
        f"{figure(result['energy_density_kcal_per_g'])} kcal/g as fed, "
        f"{figure(result['energy_density_kcal_per_g_dm'])} kcal/g dry matter. Energy is metabolisable energy for cats "
        f"by {result['energy_formula']} ({result['energy_formula_title']}).{_widest(result)}",
    ]
    if wide:
        lines.append(
            "Other formulas, kcal: "
            + "; ".join(
                f"{row['formula']} {figure(row['kcal'])}"
                for row in result["energies"]
                if row["formula"] != result["energy_formula"]
            )
            + "."
        )
    lines += [
        _proximates(result),
        *_dry_matter(result),
        f"Ca:P {figure(result['calcium_phosphorus_ratio'])}{_at_least(result)}. Animal ingredients"
        f"{' without bone' if result['bone_high_pct'] else ''} {three_digits(result['meat_pct'])} %, {_bone(result)}"
        f"additions {three_digits(result['additions_pct'])} %.",
    ]
    daily = result["daily"]
    if daily:
        lines.append(
            f"A cat of {figure(daily['weight_kg'])} kg ({daily['activity'].replace('_', ', ')}) needs about "
            f"{figure(daily['kcal'])} kcal a day by {daily['formula']}: {grams_per_day(result)}."
        )
    lines.append(f"Need: {result['need']} ({result['need_path']}).")
    return "\n".join(line for text in lines for line in _wrap(text, width))


def _counted_inside(result: Mapping[str, Any]) -> bool:
    """Whether the energy that counts lies in its interval: it does not where much is only a range, at its low end."""
    low, high = result["energy_low_kcal"], result["energy_high_kcal"]
    counted = result["energy_kcal"] or 0
    return low is None or high is None or bool(low <= counted * (1 + ROUNDING) and counted * (1 - ROUNDING) <= high)


def energy_text(result: Mapping[str, Any], unit: str) -> str:
    """The energy that counts with its interval; the interval first where that does not hold it."""
    span = f"{figure(result['energy_low_kcal'])} to {figure(result['energy_high_kcal'])}"
    if _counted_inside(result):
        return f"{figure(result['energy_kcal'])} {unit} (90 % interval {span})"
    return (f"{span} {unit} (90 % interval; {figure(result['energy_kcal'])} where what is only a range counts at its"
            " low end, as in the amounts below)")


def outcome(result: Mapping[str, Any]) -> list[str]:
    """What a reader must not overlook, a sentence each."""
    return [text for text in (_objections(result), _below_published(result), _far_assays(result)) if text]


def _objections(result: Mapping[str, Any]) -> str:
    """Why the exit status is 1, the gravest first, or that nothing is objected to; then what stays undecided."""
    texts = [row["text"] for row in result["findings"]]
    told = {key for row in result["findings"] for key in row["components"]}
    told |= {row["component"] for row in warned(result, "undecided")}
    rest = [row for row in result["components"] if row["component"] not in told]
    beware = [
        f"{words} a maximum that is from memory: {', '.join(row['name'] for row in rows)}"
        for words, rows in (("over", warned(result, "over")), ("probably over", warned(result, "undecided"))) if rows
    ]  # fmt: skip
    if not texts and beware:
        head = f"Have a look before it is fed: {'; '.join(beware)}"
    elif not texts:
        head = f"By the figures of {result['need']} nothing is short or over"
    else:
        texts += beware
        unfit = any(row["code"] in UNFIT for row in result["findings"])
        head = f"Not {'to be fed' if unfit else 'complete'} as it stands: {'; '.join(texts)}"
    parts = [head]
    for words, keep in (
        ("undecided", lambda row: row["verdict"] == "undecided" and not _by_maximum(row)),
        ("perhaps above the maximum", lambda row: row["verdict"] == "undecided" and _by_maximum(row)),
        ("high, have a look", lambda row: row["far_above_minimum"]),
    ):  # fmt: skip
        if (names := [row["name"] for row in rest if keep(row)]) and result["energy_kcal"]:
            parts.append(f"{words}: {', '.join(names)}")
    return f"{'; '.join(parts)}."


def _from_memory(entry: Entry) -> str:
    """Which of the figures that decide a line are from memory, with a space before."""
    if not entry["rests_on_memory"]:
        return ""
    asked = {"short": ["minimum"], "over": ["maximum"]}.get(entry["verdict"], ["minimum", "maximum"])
    unsure = [bound for bound in asked if (entry[f"chance_{bound}"] or [1.0])[0] < CERTAIN_HIGH]
    return f" ({' and '.join(bound for bound in unsure if entry[f'{bound}_standing'] == 'memory')} from memory)"


def _at_least(result: Mapping[str, Any]) -> str:
    """What counts at its least in Ca:P, with a space before."""
    of = sorted({key for row in result["components"] if row["component"] in ("CA", "P") for key in row["range_from"]})
    return f" with {some(of)} at the least of a range" if of else ""


def _by_maximum(entry: Entry) -> bool:
    """Whether an undecided line is so by its maximum alone."""
    least = entry["chance_minimum"]
    return least is None or least[0] >= CERTAIN_HIGH


def _below_published(result: Mapping[str, Any]) -> str:
    """What has no minimum for raw food, yet less (or maybe less) than is published for other food; "" for nothing."""
    found = []
    for entry in result["components"]:
        rows = [row for row in entry["other_figures"] if row["bound"] == "minimum" and row["compares"] != "above"]
        if entry["verdict"] == "no_requirement" and rows and result["energy_kcal"]:
            asked = " and ".join(f"{row['variant']} food ({figure(row['per_1000kcal'])})" for row in rows)
            per = f"{shown_unit(entry['unit'])} per 1000 kcal"
            if entry["per_1000kcal"] is None:
                held, word = f"{entry['name']} ({per}): no ingredient of this mix has a figure, so it", "may be"
            else:
                held = f"{entry['name']}, {figure(entry['per_1000kcal'])} {per}"
                share = entry["unknown_share"] or 0
                held += f" ({three_digits(share * 100)} % of the mix has no figure)," if share else ","
                word = "is" if all(row["compares"] == "below" for row in rows) else "may be"
            found.append(f"{held} {word} below what is published for {asked}; no minimum exists for raw food.")
    return " ".join(found)


def _far_assays(result: Mapping[str, Any]) -> str:
    """Which assays lie far from the table, perhaps by an error of unit; "" for none."""
    far = [f"{row['component']} of {row['ingredient_id']}" for row in result["assays"] if row["far_from_table"]]
    return f"Far from the table, check unit and basis of your assay: {', '.join(far)}." if far else ""


def grams_per_day(result: Mapping[str, Any]) -> str:
    """How much of the mix that is, and the plain word where it is not to be fed."""
    daily = result["daily"]
    if daily["grams"] is None:
        return "how much of this mix that is, is unknown"
    amount = f"{figure(daily['grams'])} g or {figure(daily['ounces'])} oz of this mix"
    if result["energy_low_kcal"] and result["energy_high_kcal"]:
        ends = [daily["kcal"] * result["grams"] / result[f"energy_{end}_kcal"] for end in ("high", "low")]
        span = f"{figure(ends[0])} to {figure(ends[1])} g"
        whole = _counted_inside(result)
        amount = f"{amount} ({span} by the interval of its energy)" if whole else f"{span} of this mix"
    if any(row["code"] in UNFIT for row in result["findings"]):
        return f"{amount}, if it were fit to be fed, which it is not"
    doubt = result["findings"] or warned(result, "over") or warned(result, "undecided")
    return f"{amount}, once what is said first of it is put right" if doubt else amount


def _widest(result: Mapping[str, Any]) -> str:
    """What makes the energy uncertain most, in words."""
    if not result["energy_range_from"]:
        return ""
    row = result["energy_range_from"][0]
    if row["why"] == "unknown":
        what = f"{row['component'].replace('+', ', ')} of {row['ingredient_id']}, unknown"
    else:
        ends = f"{figure(row['low_per_100g'])} to {figure(row['high_per_100g'])}"
        what = f"{row['component']} of {row['ingredient_id']}, {ends} g per 100 g"
    return f" Its doubt comes mostly from {what} ({row['share'] * 100:.0f} % of it)."


def _dry_matter(result: Mapping[str, Any]) -> list[str]:
    """How far unknown water could move the figures on dry matter; nothing where all water is known."""
    open_water, dry = result["moisture_could_add_pct"], result["dry_matter_g"]
    if not open_water:
        return []
    who = [
        f"{words} {', '.join(names)}"
        for words, names in (
            ("unknown in", result["moisture_unknown_from"]), ("only a range in", result["moisture_range_from"]),
        )
        if names
    ]  # fmt: skip
    left = None if dry is None else dry - open_water / 100 * result["grams"]
    more = None if not dry or not left or left <= 0 else (dry / left - 1) * 100
    if more is not None and more < SLIGHT:
        return [f"Water is {' and '.join(who)}: no figure on dry matter is as much as {SLIGHT:g} % higher for it."]
    off = "without a known limit" if more is None else f"up to {three_digits(more)} %"
    return [
        f"Water is {' and '.join(who)}: it could be up to {three_digits(open_water)} % of the mix more than counted "
        f"here, and figures on dry matter {off} higher than printed."
    ]


def _bone(result: Mapping[str, Any]) -> str:
    """The share of bone by weight, where there is any."""
    low, high, unknown = result["bone_low_pct"], result["bone_high_pct"], result["bone_unknown_from"]
    if not high:
        return ""
    span = "" if low == high else f" (range {three_digits(low)} to {three_digits(high)})"
    at = f", unknown in {', '.join(unknown)} and not taken off there" if unknown else ""
    return f"bone {three_digits(result['bone_pct'])} %{span}{at}, "


def _proximates(result: Mapping[str, Any]) -> str:
    names = {"WATER": "water", "PROCNT": "protein", "FAT": "fat", "ASH": "ash", "CHOCDF": "carbohydrate"}
    found = result["proximates"]
    parts = []
    for key, name in names.items():
        row = found.get(key)
        if row:
            low, high = row["as_fed_low_pct"], row["as_fed_high_pct"]
            if key == "WATER":
                low, high = result["moisture_low_pct"], result["moisture_high_pct"]
            ends = [three_digits(low), "?" if high is None else three_digits(high)]
            notes = [f"range {ends[0]} to {ends[1]}"] if ends[0] != ends[1] else []
            if row["dry_matter_pct"] is not None:
                notes.append(f"{three_digits(row['dry_matter_pct'])} of dry matter")
            if row["unknown_from"] and key != "WATER":
                at = row["unknown_from"]
                notes.append(f"unknown in {', '.join(at) if len(at) < 3 else f'{len(at)} ingredients'}")
            beside = f" ({'; '.join(notes)})" if notes else ""
            parts.append(f"{name} {'-' if row['as_fed_pct'] is None else three_digits(row['as_fed_pct'])}{beside}")
    return f"Per cent as fed: {', '.join(parts)}."


def _range(entry: Entry) -> str:
    low, high = entry["per_1000kcal_low"], entry["per_1000kcal_high"]
    known = max(entry["per_1000kcal"] or 0, entry["minimum"] or 0, low or 0)
    if high is not None and known and high > UNBOUNDED * known:
        high = None
    return _span(low, high, 15)


def _unknown(entry: Entry) -> str:
    share = entry["unknown_share"]
    return "" if not share else "<1" if share < 0.005 else f"{share * 100:.0f}"


def standing(entry: Entry) -> str:
    """The weakest standing among the figures that the verdict compares with."""
    given = {entry["minimum_standing"], entry["maximum_standing"]} | {
        row["standing"] for row in entry["other_figures"] if entry["minimum"] is None and row["bound"] == "minimum"
    }
    return next((STANDINGS[name] for name in WORST if name in given), "")


# What a wider terminal shows on top, in this order as far as it fits: heading, width, text of an entry.
MORE: Sequence[tuple[str, int, Callable[[Entry], str]]] = (
    ("90 % interval", 15, _range),
    ("figure", 7, standing),
    ("unk%", 4, _unknown),
    ("per 100 g", 9, lambda entry: figure(entry["per_100g"])),
    ("per oz", 8, lambda entry: figure(entry["per_ounce"], 8)),
    ("per day", 8, lambda entry: figure(entry["per_day"], 8)),
)


def _name_size(entries: Sequence[Entry], least: int, spare: int) -> int:
    """How wide the column of names is: `least`, and more as far as a name needs it and `spare` columns are left."""
    return least + max(0, min(spare, max((len(label(entry, 200)) for entry in entries), default=0) - least))


def _table(result: Mapping[str, Any], width: int) -> str:
    """A line a component: in under 80 columns without the maximum; in more the range, whole names, then the rest."""
    entries = [entry for entry in result["components"] if entry["component"] != HUMAN_ENERGY]
    most_size = 0 if width < WIDTH else 20
    more, spare, size = [], width - WIDTH, 24
    for place, column in enumerate(MORE):
        if column[1] + 1 <= spare:
            more.append(column)
            spare -= column[1] + 1
        if place == 0:
            size = _name_size(entries, 24, spare)
            spare -= size - 24
    heads = "".join(f" {title:>{room}}" for title, room, _ in more)
    maximum = "max" if most_size else ""
    lines = [
        "Per 1000 kcal ME:" if most_size else "Per 1000 kcal ME (maxima: from 80 columns on):",
        f"{'nutrient':<{size}} {'amount':>6} {'':<2} {'verdict, chance':<16} {'min':>7} "
        f"{maximum:<{most_size}}{heads}".rstrip(),
    ]
    for entry in entries:
        mark = "*" if entry["minimum_standing"] == "memory" else " "
        least = "" if entry["minimum"] is None else f"{figure(entry['minimum'], 6)}{mark}"
        most = _maximum(entry) if most_size else ""
        verdict = f"{verdict_text(entry)} {chance_text(entry)}".strip()
        line = (
            f"{label(entry, size):<{size}} {amount_text(entry):>6} {shown_unit(entry['unit'])[:2]:<2} "
            f"{verdict:<16} {least:>7} {most:<{most_size}}"
        )
        extra = "".join(f" {text(entry):>{room}}" for _, room, text in more)
        lines.append(f"{line}{extra}".rstrip())
    return "\n".join(lines)


def _maximum(entry: Entry) -> str:
    if entry["maximum"] is not None:
        mark = "*" if entry["maximum_standing"] == "memory" else ""
        of = f" ({entry['maximum_of'].partition('-')[0]})" if entry["maximum_of"] else ""
        added = "" if not entry["added_by"] else MAY_BE_ADDED if entry["may_be_added"] else SINCE_ADDED
        return f"{figure(entry['maximum'], 7)}{mark}{of or added}"
    if entry["maximum_if_added"] is not None:
        return f"{figure(entry['maximum_if_added'], 7)} only if added"
    return "" if entry["verdict"] == "no_requirement" else NO_MAXIMUM


def amount_text(entry: Entry) -> str:
    """The amount per 1000 kcal; `+` where more may be there than counts."""
    amount = entry["per_1000kcal"]
    more = entry["range_from"] or entry["material_unknown_from"] or entry["rests_on_comparables"]
    return f"{figure(amount, 5)}+" if more and amount is not None else figure(amount, 6)


def _legend(width: int) -> str:
    text = (
        "amount: per 1000 kcal, what is known of it; - where nothing is known. chance: in per cent, that the minimum "
        "is met, or that the maximum is kept where that is the more doubtful; two numbers: with what is unknown at "
        "its worst and at its best (for a minimum, what comparable foods hold may stand for the unknown: the line "
        "says so below). + more may be there: some ingredients have only a range, comparable foods or no figure: they "
        "count at their least, or not, in the amount, and in full in the chance; so does energy that is only a range, "
        "which makes amounts large. * this figure of the profile is from memory, not seen. since added: this legal "
        "maximum holds for nutrients that are added, and an ingredient adds this one; may be added: "
        "nobody states whether an ingredient adds it; only if added: no ingredient does, so it does not hold. "
        "Brackets name the standard that a maximum is taken from, where the profile has none that applies. meets, "
        "high: far above the minimum, and nobody publishes a maximum: have a look."
    )
    return "\n".join(_wrap(text, width))


def _notes(result: Mapping[str, Any], width: int) -> str:
    lines: list[str] = []
    for verdict in ("over", "short", "undecided"):
        for entry in result["components"]:
            if entry["verdict"] == verdict:
                memory = _from_memory(entry)
                text = f"{label(entry, 60)} {verdict}{memory}: {entry['reason']}{_names(entry)}.{remedy_text(entry)}"
                lines += _wrap(text, width)
    for entry in result["components"]:
        if entry["verdict"] == "meets":
            if entry["far_above_minimum"]:
                legal = entry["maximum_if_added"]
                none = NO_MAXIMUM if legal is None else f"the legal maximum, {figure(legal)}, holds only if it is added"
                by = f", brought by {', '.join(entry['high_by'])}" if entry["high_by"] else ""
                what = f"{entry['times_minimum']:.3g} times the minimum{by}, and {none}: have a look"
                lines += _wrap(f"{label(entry, 60)} meets, high: {what}.", width)
            elif (entry["minimum"] is not None and (entry["per_1000kcal"] or 0) < entry["minimum"]) or any(
                entry[key] for key in ("rests_on_imputed", "not_counted_from", "rests_on_comparables", "at_least_from",
                                       "taken_by", "minimum_raised_by")
            ):
                lines += _wrap(f"{label(entry, 60)} meets: {entry['reason']}.", width)
        elif entry["verdict"] == "no_requirement" and any(row["bound"] == "minimum" for row in entry["other_figures"]):
            lines += _wrap(f"{label(entry, 60)}: {entry['reason']}.", width)
    bare = sorted({key for entry in result["components"] for key in entry["no_spread_from"]
                   if entry["verdict"] == "meets"})  # fmt: skip
    if bare:
        lines += _wrap(f"Lines that say meets count figures without a known range of: {', '.join(bare)}.", width)
    flagged = sorted({key for entry in result["components"] for key in entry["imputed_from"]})
    if flagged:
        lines += _wrap(f"Counted although imputed by the source, for some components: {', '.join(flagged)}.", width)
    for row in result["assays"]:
        lines += _wrap(
            f"Assay: {row['component']} of {row['ingredient_id']} {row['value']} {shown_unit(row['unit'])} "
            f"{row['basis']}, {row['laboratory']}, {row['date']} ({row['where']}).{_far(row)}",
            width,
        )
    own = [row["ingredient_id"] for row in result["ingredients"] if row["kind"] == "own"]
    if own:
        lines += _wrap(f"Not in the table, so taken as a product of your own: {', '.join(own)}.", width)
    for row in result["assay_unused"]:
        what = f"{row['component']} of {row['ingredient_id']} ({row['where']})"
        lines += _wrap(f"Assay not used, since the ingredient is not in the mix: {what}.", width)
    return "\n".join(lines)


def _far(row: Mapping[str, Any]) -> str:
    """That an assay lies far from the table, with a space before."""
    span = row["far_from_table"]
    if not span:
        return ""
    has = f"has {figure(span[0])} to {figure(span[1])}" if span[0] is not None else f"says at most {figure(span[1])}"
    return f" The table {has} per 100 g: check unit and basis."


def dose(grams: float) -> str:
    """An amount to weigh, in the unit in which it can be read: g, mg or µg."""
    if grams < NEGLIGIBLE_G:
        return "nothing"
    for unit, size in (("g", 1.0), ("mg", 1e-3)):
        if grams >= size:
            return f"{grams / size:.4g} {unit}"
    return f"{grams / 1e-6:.4g} µg"


def remedy_text(entry: Entry) -> str:
    """What would decide the line, in words, with a space before; nothing where nothing known would."""
    found = []
    assay, grams = entry["assay_that_decides"], entry["grams_that_decide"]
    unit = shown_unit(entry["unit"])
    if assay:
        more, less = {"minimum": ("meets", "short"), "maximum": ("", "the maximum is kept"),
                      "energy": ("short", "meets")}[assay["bound"]]  # fmt: skip
        of = f"{'g' if assay['bound'] == 'energy' else unit} per 100 g"
        ends = []
        if assay["at_least"] is not None:
            top = assay.get("kept_up_to")
            beyond = "" if top is None else f", up to {figure(round_down(top))}, from where on the maximum is in doubt"
            ends.append(f"{more} if it finds {figure(round_up(assay['at_least']))} {of} or more{beyond}")
        if assay["at_most"] is not None:
            ends.append(f"{less} if it finds {figure(round_down(assay['at_most']))} {of} or less")
        who = f"{assay['component']} of {assay['ingredient_id']}"
        span = [assay["known_low"], assay["known_high"]]
        beside = f" (published: {figure(span[0])} to {figure(span[1])})" if None not in span else ""
        found.append(f"an assay of {who}{beside} could decide: {'; '.join(ends)}")
    if grams:
        more = "more" if grams["grams"] > 0 else "less"
        found.append(f"about {dose(abs(grams['grams']))} {more} of {grams['ingredient_id']} would"
                     f" {'too' if assay else 'decide it'}")
    if entry["no_grams_decide"]:
        found.append(_no_grams(entry["no_grams_decide"]))
    text = "; ".join(found)
    return f" {text[:1].upper()}{text[1:]}." if text else ""


def _no_grams(row: Mapping[str, Any]) -> str:
    """That no weight of an ingredient decides the line, and why."""
    if row["passes_maximum_of"]:
        passed = ", ".join(row["passes_maximum_of"])
        return f"more of {row['ingredient_id']} would decide it, yet pass the maximum of {passed} or leave it in doubt"
    if row["of_addition"] and row["up_to"] > 0:
        return f"more than as much again of {row['ingredient_id']} would be needed: look at the recipe"
    more = "more" if row["up_to"] > 0 else "less"
    return f"even {dose(abs(row['up_to']))} {more} of {row['ingredient_id']} would not decide it"


def _names(entry: Entry) -> str:
    """The unknown contents that matter; one that cannot move the chance is not named."""
    material = entry["material_unknown_from"]
    if not material:
        return ""
    more = len(material) - 4
    return f"; unknown in {', '.join(material[:4])}{f' and {more} more' if more > 0 else ''}"


def _cautions(result: Mapping[str, Any], width: int) -> str:
    lines = ["Cautions"]
    for row in result["cautions"]:
        at = f" [{', '.join(row['from'])}]" if row["from"] else ""
        detail = f" ({row['detail']})" if row["detail"] else ""
        lines += textwrap.wrap(
            f"- {row['text']}{detail}{at}",
            width,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return "\n".join(lines) if len(lines) > 1 else ""


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False) or [""]


def cell_text(value: Any) -> Any:
    """A value as a cell of CSV."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Iterable) and not isinstance(value, str):
        return ";".join(str(item["ingredient_id"] if isinstance(item, Mapping) else item) for item in value)
    return repr(value) if isinstance(value, float) else value
