"""Calibrated ranges: what an independent analysis of the ingredient may be expected to hold, estimated from the data.

The method is split conformal prediction with scores normalised by a fitted scale (Vovk, Gammerman & Shafer,
Algorithmic Learning in a Random World, 2005; Lei et al., J. Am. Stat. Assoc. 113 (2018) 1094), each score taken from a
fit that has not seen the species (cross-conformal, after Barber et al., Ann. Stat. 49 (2021) 486). On the scale of the
logarithm, for proximates in g of the odds x/(100 - x):

1. `shift`: how far the other table's figure lies from ours, as far as comparable foods of our own table and rivals
   foretell it (a figure far from its like is partly an accident; James & Stein 1961). Ridge regression.
2. `scale`: size of what remains, by block, component, component and class, fat, printed digits, own spread and n,
   match, and how far the like lie off. Ridge regression of the log residual: the penalty shrinks class to component
   to block.
3. `quantile`: 90th percentile of |residual| / scale per component, shrunk to all where pairs are few.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rawref.database import run_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    import duckdb
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Codes = NDArray[np.int64]
    Columns = dict[str, NDArray[Any]]
    Terms = Sequence[tuple[Floats, float]]

HERE = Path(__file__).parent
COVERAGE = 0.90
ONE_SIDED = 0.95  # what has only an upper end: 5 in 100 lie above it, as of a range
FLOOR = 0.01  # no two analyses agree better than 1 %, however they are printed
SHRINK = 30  # pairs at which a component's own quantile weighs as much as that of all
FEW = 20  # plain conformal: a component with fewer pairs takes the quantile of all
ENOUGH = 200  # pairs without which a table is not left out
FOLDS = 8  # groups of species while a table is left out
DIGITS = 9  # numbers are rounded before they are compared or published: no result hangs on the order of a sum
CLASSES = 8  # room for the codes of a class beside those of a component

FEATURES = ("component_code, group_code, class_code, species_code, bounded, x, fat, print_error, own_cv, n, match,"
            " evidence, peer_level, peer_shift, rivals, rival_shift")
CELLS = f"""
select cell_id, {FEATURES} from (
  select *, coalesce(total::double / nullif(rivals, 0) - x, 0) as rival_shift from range_features) order by cell_id"""
PAIRS = f"""
select pair_id, d, forward, table_code, other_code, {FEATURES} from range_pair_features order by pair_id"""


@dataclass(frozen=True, slots=True)
class Design:
    """Columns of a ridge regression, sparse: a row belongs to a `unit`, which has `own` columns to itself; its `joint`
    columns stand at the places `at` among those that units share. An unknown unit or place is the last: no effect."""

    unit: Codes
    units: int
    own: Floats
    own_penalty: Floats
    joint: Floats
    at: Codes
    penalty: Floats

    def rows(self, index: Codes) -> Design:
        return replace(self, unit=self.unit[index], own=self.own[index], joint=self.joint[index], at=self.at[index])

    def weighted(self, weight: Floats) -> Design:
        return replace(self, own=self.own * weight[:, None], joint=self.joint * weight[:, None])

    def times(self, learned: Fit) -> Floats:
        product: Floats = np.round((self.own * learned.own[self.unit]).sum(axis=1)
                                   + (self.joint * learned.joint[self.at]).sum(axis=1), DIGITS)
        return product


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients: of every unit its own columns, and the shared columns; the last of each is the unknown, 0."""

    own: Floats
    joint: Floats


@dataclass(frozen=True, slots=True)
class Designs:
    """What foretells shift and scale of the same rows; `first` is the scale by component alone."""

    component: Codes
    shift: Design
    first: Design
    scale: Design

    def rows(self, index: Codes) -> Designs:
        return Designs(self.component[index], self.shift.rows(index), self.first.rows(index), self.scale.rows(index))


@dataclass(frozen=True, slots=True)
class Model:
    """What the pairs taught: coefficients, and the quantile of every component, of all the last."""

    shift: Fit
    scale: Fit
    quantile: Floats

    def predict(self, of: Designs) -> tuple[Floats, Floats]:
        """Shift and half width of every row, on the scale of x."""
        half = np.exp(of.scale.times(self.scale)) * self.quantile[of.component]
        return of.shift.times(self.shift), np.round(half, DIGITS)


@dataclass(frozen=True, slots=True)
class Learned:
    """A model, and of every pair that it was taught by the shift and the scale of a fit that has not seen its fold."""

    model: Model
    shift: Floats
    scale: Floats
    scores: Floats


def _codes(values: NDArray[Any], known: NDArray[Any]) -> Codes:
    """Places of `values` in the ordered `known`, the place after the last for what is not among them."""
    at = np.minimum(np.searchsorted(known, values), len(known) - 1)
    return np.where(known[at] == values, at, len(known))


def _designs(c: Columns, known: Columns) -> Designs:
    """The designs of cells or pairs; what the pairs do not know gets no column of its own."""
    group = _codes(c["group_code"], known["group_code"])
    component = _codes(c["component_code"], known["component_code"])
    cell = _codes(c["component_code"] * CLASSES + c["class_code"], known["cell_code"])
    groups, components, cells = (len(known[k]) for k in ("group_code", "component_code", "cell_code"))
    fat = np.log(np.clip(c["fat"], 0.3, 100) / 5)
    printed = np.log(np.maximum(c["print_error"], 1e-5) / 0.01)
    has_own = ~np.isnan(c["own_cv"])
    own = np.where(has_own, np.log(np.where(has_own, c["own_cv"], 0.1) / 0.1), 0.0)
    peers, rivals = c["peer_shift"], np.clip(c["rival_shift"], -3, 3)
    near, wide = (c["peer_level"] == 1).astype(float), (c["peer_level"] == 2).astype(float)
    lone, several = (c["rivals"] == 1).astype(float), (c["rivals"] >= 2).astype(float)
    one = np.ones(len(group))

    def design(unit: Codes, units: int, alone: Terms, joint: Sequence[tuple[Codes, int, Floats, float]]) -> Design:
        """Of joint terms: which of how many columns each row has, its figure there, the penalty."""
        start = np.cumsum([0, *(count for _, count, _, _ in joint)])
        at = np.stack([np.where(code < count, begin + code, start[-1])
                       for (code, count, _, _), begin in zip(joint, start[:-1], strict=True)], axis=1)
        return Design(unit, units, np.stack([x for x, _ in alone], axis=1), np.array([p for _, p in alone]),
                      np.stack([x for _, _, x, _ in joint], axis=1), at,
                      np.concatenate([np.full(count, penalty) for _, count, _, penalty in joint]))

    none = np.zeros(len(group), dtype=np.int64)
    both = [(none, 1, one, 1e-6), (group, groups, one, 1.0)]
    known_well = [printed, own, has_own, np.log1p(c["n"]), near + wide, np.abs(peers), lone, several,
                  np.abs(rivals) * lone, np.abs(rivals) * several, c["match"] == 1, c["match"] == 2,
                  c["evidence"] == 0]
    return Designs(
        component,
        shift=design(component, components,
                     [(peers * near, 5.0), (peers * wide, 5.0), (rivals * lone, 10.0), (rivals * several, 10.0)],
                     [(none, 1, rivals * lone, 1.0), (none, 1, rivals * several, 1.0)]),
        first=design(component, components, [(one, 5.0)], both),
        scale=design(cell, cells, [(one, 10.0)],
                     [*both, (component, components, one, 5.0), (group, groups, fat, 5.0),
                      *((none, 1, x.astype(float), 1.0) for x in known_well), (group, groups, np.abs(peers), 20.0)]))


def _moments(design: Design, target: Floats, part: Codes, parts: int) -> Floats:
    """Sums of products of all columns, the target the last, of every part of the rows: (parts, columns, columns)."""
    order = np.argsort(part, kind="stable")
    x = np.hstack([design.own, design.joint, target[:, None]])[order]
    present, start = np.unique(part[order], return_index=True)
    made = np.zeros((parts, x.shape[1], x.shape[1]))
    for j in range(x.shape[1]):
        made[present, :, j] = np.add.reduceat(x * x[:, [j]], start, axis=0)
    return made


def _reduced(design: Design, moments: Floats) -> tuple[Floats, Floats]:
    """What of the moments of units is left to the joint columns once the best own columns are taken out (Schur
    complement), and these as a function of the joint: own = last column less the others times the joint."""
    k = design.own.shape[1]
    own = moments[:, :k, :k] + np.diag(design.own_penalty)
    inner = np.linalg.solve(own, moments[:, :k, k:]).astype(np.float64, copy=False)
    return moments[:, k:, k:] - moments[:, :k, k:].swapaxes(1, 2) @ inner, inner


def _placed(left: Floats, at: Codes, p: int, part: Codes, parts: int) -> Floats:
    """Sums of products of the p joint columns and the target, of every part: `left` of units, put in their places."""
    place = np.hstack([at, np.full((len(at), 1), p)])
    index = (part[:, None, None] * (p + 1) + place[:, :, None]) * (p + 1) + place[:, None, :]
    made = np.bincount(index.ravel(), left.ravel(), parts * (p + 1) ** 2).astype(np.float64, copy=False)
    return made.reshape(parts, p + 1, p + 1)


def fit(design: Design, target: Floats, fold: Codes) -> tuple[Fit, Floats]:
    """The fit of all rows, and the prediction of every row by the fit that has not seen its fold: what the fold gave
    to the sums of its units is taken off the whole."""
    k, p = design.own.shape[1], len(design.penalty)
    folds, of = np.unique(fold, return_inverse=True)
    pieces, first, piece = np.unique(of * design.units + design.unit, return_index=True, return_inverse=True)
    fold_of, unit_of = np.divmod(pieces, design.units)
    seen = _moments(design, target, piece, len(pieces))
    whole = np.zeros((design.units, *seen.shape[1:]))
    np.add.at(whole, unit_of, seen)
    at = np.full((design.units, design.joint.shape[1]), p)
    at[unit_of] = design.at[first]

    def joint(sums: Floats) -> Floats:
        solved = np.linalg.solve(sums[:, :p, :p] + np.diag(design.penalty), sums[:, :p, p:])[:, :, 0]
        return np.pad(np.round(solved, DIGITS), ((0, 0), (0, 1)))

    left, inner = _reduced(design, whole)
    without, inner_without = _reduced(design, whole[unit_of] - seen)
    total = _placed(left, at, p, np.zeros(len(left), dtype=np.int64), 1)
    off = _placed(left[unit_of] - without, at[unit_of], p, fold_of, len(folds))
    of_all, of_fold = joint(total)[0], joint(total - off)
    own = np.round(inner[:, :, -1] - (inner[:, :, :-1] @ of_all[at][:, :, None])[:, :, 0], DIGITS)
    others = of_fold[fold_of[:, None], at[unit_of]]
    own_without = np.round(inner_without[:, :, -1] - (inner_without[:, :, :-1] @ others[:, :, None])[:, :, 0], DIGITS)
    found = (design.own * own_without[piece]).sum(axis=1) + (design.joint * others[piece]).sum(axis=1)
    return Fit(np.vstack([own, np.zeros((1, k))]), of_all), np.round(found, DIGITS)


def _log(residual: Floats) -> Floats:
    return np.log(np.maximum(np.abs(residual), FLOOR))


def conformal(scores: Floats, coverage: float = COVERAGE) -> float:
    """The ceil((n + 1) coverage)-th smallest score: at least this share of further ones lies below (Vovk et al.)."""
    place = min(len(scores), int(np.ceil(round((len(scores) + 1) * coverage, DIGITS)))) - 1
    return float(np.partition(scores, place)[place])


def shrunk(own: Floats, whole: float, coverage: float = COVERAGE) -> float:
    """A quantile of few figures, drawn towards that of all (`whole`)."""
    quantile = np.array([conformal(own, coverage) if len(own) else np.nan])
    return float(drawn(quantile, np.array([len(own)]), whole)[0])


def _quantiles(scores: Floats, component: Codes, count: int) -> Floats:
    """Quantile of every component, and of all."""
    logs = np.log(scores)
    whole = conformal(logs)
    return np.exp([*(shrunk(logs[component == k], whole) for k in range(count)), whole])


def drawn(own: Floats, count: Codes, whole: Floats | float) -> Floats:
    """Quantiles of `count` figures each, drawn towards that of all (`whole`) where these are few."""
    weight = count / (count + SHRINK)
    return np.where(count > 0, np.round(weight * np.nan_to_num(own) + (1 - weight) * whole, DIGITS), whole)


def _of_others(scores: Floats, group: Codes, fold: Codes, coverage: float) -> tuple[Floats, Codes]:
    """For every row the conformal quantile of its group outside its fold (nan of none), and of how many figures."""
    found, count = np.full(len(scores), np.nan), np.zeros(len(scores), dtype=np.int64)
    order = np.lexsort((scores, group))
    for rows in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        folds, of = np.unique(fold[rows], return_inverse=True)
        others = np.arange(len(folds))[:, None] != of
        n = others.sum(axis=1)
        # the place-th of those outside the fold, in the order of all
        place = np.minimum(np.ceil(np.round((n + 1) * coverage, DIGITS)).astype(np.int64), n)
        at = (np.cumsum(others, axis=1, dtype=np.int32) < place[:, None]).sum(axis=1)
        found[rows] = np.where(n > 0, scores[rows][np.minimum(at, len(rows) - 1)], np.nan)[of]
        count[rows] = n[of]
    return found, count


def quantiles_left_out(scores: Floats, group: Codes, wider: Codes, fold: Codes, coverage: float = COVERAGE, *,
                       plain: bool = False) -> Floats:
    """Quantile for every row of its group outside its fold, where few drawn towards that of its wider group; plain:
    one or the other. Nan where the fold is all of the wider group."""
    own, count = _of_others(scores, group, fold, coverage)
    whole, _ = _of_others(scores, wider, fold, coverage)
    return np.round(np.where(count >= FEW, own, whole) if plain else drawn(own, count, whole), DIGITS)


def learn(designs: Designs, d: Floats, once: NDArray[np.bool_], fold: Codes) -> Learned:
    """The model of pairs that differ by `d` on the scale of x; `once` marks each pair in one of its directions."""
    rough = _log(d)
    weight = np.exp(-fit(designs.first, rough, fold)[1])
    shift, moved = fit(designs.shift.weighted(weight), np.clip(d * weight, -4, 4), fold)
    moved = moved / weight
    scale, left = fit(designs.scale, _log(d - moved), fold)
    size = np.exp(left)
    scores = np.maximum(np.round(np.abs(d - moved) / size, DIGITS), FLOOR)
    quantile = _quantiles(scores[once], designs.component[once], designs.shift.units)
    return Learned(Model(shift, scale, quantile), moved, size, scores)


def fetch(con: duckdb.DuckDBPyConnection, query: str) -> Columns:
    """The columns of a query of numbers; null is nan."""
    table = con.sql(query).to_arrow_table()
    return {name: table.column(name).to_numpy() for name in table.column_names}


def store(con: duckdb.DuckDBPyConnection, name: str, columns: Columns) -> None:
    """A temporary table of these columns."""
    import pyarrow as pa

    con.register("handed_over", pa.table(columns))
    con.execute(f"create or replace temp table {name} as from handed_over")
    con.unregister("handed_over")


def _amount(x: Floats, bounded: NDArray[np.bool_]) -> Floats:
    """Back from the scale of x to the unit, to four significant digits."""
    amount = np.where(bounded, 100 / (1 + np.exp(-np.where(bounded, x, 0))), np.exp(np.where(bounded, 0, x)))
    step = 10.0 ** (np.floor(np.log10(amount)) - 3)
    return np.round(np.round(amount / step) * step, DIGITS)


def build_ranges(con: duckdb.DuckDBPyConnection) -> None:
    """Create curated.range_of, key (ingredient_id, component, source, food_id): low, high and basis of every candidate
    that has a number, a zero that was looked for, a trace or a limit; and curated.range_trials, what the calibration
    rests on."""
    run_file(con, HERE / "ranges.sql")
    pairs, cells = fetch(con, PAIRS), fetch(con, CELLS)
    store(con, "range_made", {"cell_id": np.empty(0, np.int64), "low": np.empty(0), "high": np.empty(0)})
    store(con, "range_tried", {"pair_id": np.empty(0, np.int64), "left_out": np.empty(0, np.int64),
                               "held": np.empty(0, bool), "half_width": np.empty(0), "plain_held": np.empty(0, bool),
                               "plain_half_width": np.empty(0)})
    if len(pairs["d"]):
        known = {name: np.unique(pairs[name]) for name in ("component_code", "group_code")}
        known["cell_code"] = np.unique(pairs["component_code"] * CLASSES + pairs["class_code"])
        designs = _designs(pairs, known)
        once = pairs["forward"].astype(bool)
        learned = learn(designs, pairs["d"], once, pairs["species_code"])
        _try(con, pairs, designs, learned)
        shift, half = learned.model.predict(_designs(cells, known))
        bounded = cells["bounded"].astype(bool)
        store(con, "range_made", {
            "cell_id": cells["cell_id"],
            "low": _amount(cells["x"] + np.minimum(np.round(shift - half, DIGITS), 0), bounded),
            "high": _amount(cells["x"] + np.maximum(np.round(shift + half, DIGITS), 0), bounded)})
    _zeros(con)
    run_file(con, HERE / "ranges_of_cells.sql")


def _try(con: duckdb.DuckDBPyConnection, pairs: Columns, designs: Designs, learned: Learned) -> None:
    """Whether the other figure of every pair (once, seen from the figure that ranks first) lies in the range of a fit
    that saw nothing of the species (left_out -1), or nothing of the other table (its code); beside it the plain
    conformal range, the quantile of the difference by component."""
    d, fold, once = pairs["d"], pairs["species_code"], np.flatnonzero(pairs["forward"])
    made: dict[str, list[NDArray[Any]]] = {}

    def keep(left_out: int, rows: Codes, shift: Floats, half: Floats, plain: Floats) -> None:
        low, high = np.minimum(np.round(shift - half, DIGITS), 0), np.maximum(np.round(shift + half, DIGITS), 0)
        of = np.round(d[rows], DIGITS)
        for name, column in {
            "pair_id": pairs["pair_id"][rows], "left_out": np.full(len(rows), left_out),
            "held": (of >= low) & (of <= high), "half_width": np.round((high - low) / 2, DIGITS),
            "plain_held": np.abs(of) <= plain, "plain_half_width": plain,
        }.items():
            made.setdefault(name, []).append(column)

    differ = np.maximum(np.round(np.abs(d), DIGITS), FLOOR)
    component, alike, species = designs.component[once], np.zeros(len(once), dtype=np.int64), fold[once]
    scores = np.log(learned.scores[once])
    quantile = quantiles_left_out(scores, component, alike, species)
    factor: Floats = np.exp(np.nan_to_num(quantile, nan=conformal(scores)))
    plain = quantiles_left_out(differ[once], component, alike, species, plain=True)
    keep(-1, once, learned.shift[once], np.round(learned.scale[once] * np.round(factor, DIGITS), DIGITS),
         np.nan_to_num(plain, nan=conformal(differ[once])))
    table, other = pairs["table_code"], pairs["other_code"]
    for left_out in np.unique(other[once]):
        train = np.flatnonzero((table != left_out) & (other != left_out))
        test = once[(table[once] != left_out) & (other[once] == left_out)]
        if min(len(train), len(test)) < ENOUGH:
            continue
        part = designs.rows(train)
        forward = pairs["forward"][train].astype(bool)
        model = learn(part, d[train], forward, fold[train] % FOLDS).model
        of = designs.rows(test)
        shift, half = model.predict(of)
        seen = _quantiles(differ[train][forward], part.component[forward], part.shift.units)
        keep(int(left_out), test, shift, half, seen[of.component])
    store(con, "range_tried", {name: np.concatenate(columns) for name, columns in made.items()})


def _zeros(con: duckdb.DuckDBPyConnection) -> None:
    """A zero, a trace, a figure below a limit: up to what is hidden by the last digit or the limit, and where other
    tables say so further, up to what 95 in 100 of them stay below (by component, shrunk to all)."""
    seen = fetch(con, "select position, d from range_zero_pairs order by position, source, other_source, d")
    zeros = fetch(con, "select zero_id, position, hidden from range_zeros order by zero_id")
    further = np.zeros(len(zeros["hidden"]))
    if len(seen["d"]):
        whole = conformal(seen["d"], ONE_SIDED)
        for position in np.unique(zeros["position"]):
            own = seen["d"][seen["position"] == position]
            further[zeros["position"] == position] = max(0.0, shrunk(own, whole, ONE_SIDED))
    store(con, "range_zero_made", {
        "zero_id": zeros["zero_id"],
        "high": _amount(np.log(zeros["hidden"]) + further, np.zeros(len(further), dtype=bool))})
