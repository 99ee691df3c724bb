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

from dataclasses import dataclass
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
    """Columns of a ridge regression and the penalty of each."""

    x: Floats
    penalty: Floats

    def rows(self, index: Codes) -> Design:
        return Design(self.x[index], self.penalty)

    def weighted(self, weight: Floats) -> Design:
        return Design(self.x * weight[:, None], self.penalty)

    def times(self, coefficients: Floats) -> Floats:
        product: Floats = np.round(self.x @ coefficients, DIGITS)
        return product


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
    """What the pairs taught: coefficients, and the quantile of every component that they know, and of all."""

    shift: Floats
    scale: Floats
    quantile: Floats
    whole: float

    def predict(self, of: Designs) -> tuple[Floats, Floats]:
        """Shift and half width of every row, on the scale of x."""
        quantile = np.where(of.component >= 0, self.quantile[of.component], self.whole)
        return of.shift.times(self.shift), np.round(np.exp(of.scale.times(self.scale)) * quantile, DIGITS)


@dataclass(frozen=True, slots=True)
class Learned:
    """A model, and of every pair that it was taught by the shift and the scale of a fit that has not seen its fold."""

    model: Model
    shift: Floats
    scale: Floats
    scores: Floats


def _indicator(codes: Codes, count: int, by: Floats | None = None) -> Floats:
    """A column for each code; a row of code -1 has none."""
    made = np.zeros((len(codes), count))
    known = np.flatnonzero(codes >= 0)
    made[known, codes[known]] = 1.0 if by is None else by[known]
    return made


def _codes(values: NDArray[Any], known: NDArray[Any]) -> Codes:
    """Places of `values` in the ordered `known`, -1 for what is not among them."""
    at = np.minimum(np.searchsorted(known, values), len(known) - 1)
    return np.where(known[at] == values, at, -1)


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
    first = [(np.ones((len(group), 1)), 1e-6), (_indicator(group, groups), 1.0),
             (_indicator(component, components), 5.0)]
    scale = [*first, (_indicator(cell, cells), 10.0), (_indicator(group, groups, fat), 5.0),
             (np.stack([printed, own, has_own, np.log1p(c["n"]), near + wide, np.abs(peers), lone, several,
                        np.abs(rivals) * lone, np.abs(rivals) * several,
                        c["match"] == 1, c["match"] == 2, c["evidence"] == 0], axis=1), 1.0),
             (_indicator(group, groups, np.abs(peers)), 20.0)]
    shift = [(_indicator(component, components, peers * near), 5.0),
             (_indicator(component, components, peers * wide), 5.0),
             (np.stack([rivals * lone, rivals * several], axis=1), 1.0),
             (_indicator(component, components, rivals * lone), 10.0),
             (_indicator(component, components, rivals * several), 10.0)]
    return Designs(component, _stack(shift), _stack(first), _stack(scale))


def _stack(parts: Sequence[tuple[NDArray[Any], float]]) -> Design:
    return Design(np.hstack([p for p, _ in parts]),
                  np.concatenate([np.full(p.shape[1], penalty) for p, penalty in parts]))


def _solve(gram: Floats, moment: Floats, penalty: Floats) -> Floats:
    solved: Floats = np.round(np.linalg.solve(gram + np.diag(penalty), moment), DIGITS)
    return solved


def _fit(design: Design, target: Floats) -> Floats:
    return _solve(design.x.T @ design.x, design.x.T @ target, design.penalty)


def _left_out(design: Design, target: Floats, fold: Codes) -> Floats:
    """Prediction of every row by the fit that has not seen its fold: the sums of the fold are taken off the whole."""
    gram, moment = design.x.T @ design.x, design.x.T @ target
    found = np.empty(len(target))
    for f in np.unique(fold):
        rows = np.flatnonzero(fold == f)
        x = design.x[rows]
        found[rows] = x @ _solve(gram - x.T @ x, moment - x.T @ target[rows], design.penalty)
    return np.round(found, DIGITS)


def _log(residual: Floats) -> Floats:
    return np.log(np.maximum(np.abs(residual), FLOOR))


def conformal(scores: Floats, coverage: float = COVERAGE) -> float:
    """The ceil((n + 1) coverage)-th smallest score: at least this share of further ones lies below (Vovk et al.)."""
    place = min(len(scores), int(np.ceil(round((len(scores) + 1) * coverage, DIGITS)))) - 1
    return float(np.partition(scores, place)[place])


def shrunk(own: Floats, whole: float, coverage: float = COVERAGE) -> float:
    """A quantile of few figures, drawn towards that of all (`whole`)."""
    if not len(own):
        return whole
    weight = len(own) / (len(own) + SHRINK)
    return round(weight * conformal(own, coverage) + (1 - weight) * whole, DIGITS)


def _quantiles(scores: Floats, component: Codes, count: int) -> tuple[Floats, float]:
    """Quantile of every component, and of all."""
    whole = conformal(scores)
    return np.exp([shrunk(np.log(scores[component == k]), float(np.log(whole))) for k in range(count)]), whole


def quantiles_left_out(scores: Floats, component: Codes, fold: Codes, *, plain: bool = False) -> Floats:
    """Quantile for every row from the scores of its component outside its fold; plain: not shrunk, and that of all
    where the component has few."""
    found = np.empty(len(scores))
    members = [np.flatnonzero(component == k) for k in range(int(component.max()) + 1)]
    for f in np.unique(fold):
        rows = np.flatnonzero(fold == f)
        others = scores[fold != f] if len(rows) < len(fold) else scores
        whole = conformal(others)
        for k in np.unique(component[rows]):
            own = scores[members[k][fold[members[k]] != f]]
            found[rows[component[rows] == k]] = (
                (conformal(own) if len(own) >= FEW else whole) if plain
                else np.exp(shrunk(np.log(own), float(np.log(whole)))))
    return np.round(found, DIGITS)


def learn(designs: Designs, d: Floats, once: NDArray[np.bool_], fold: Codes) -> Learned:
    """The model of pairs that differ by `d` on the scale of x; `once` marks each pair in one of its directions."""
    rough = _log(d)
    weight = np.exp(-_left_out(designs.first, rough, fold))
    weighted, target = designs.shift.weighted(weight), np.clip(d * weight, -4, 4)
    moved = _left_out(weighted, target, fold) / weight
    left = _log(d - moved)
    size = np.exp(_left_out(designs.scale, left, fold))
    scores = np.maximum(np.round(np.abs(d - moved) / size, DIGITS), FLOOR)
    quantile, whole = _quantiles(scores[once], designs.component[once], int(designs.component.max()) + 1)
    model = Model(_fit(weighted, target), _fit(designs.scale, left), quantile, whole)
    return Learned(model, moved, size, scores)


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
    quantile = quantiles_left_out(learned.scores[once], designs.component[once], fold[once])
    keep(-1, once, learned.shift[once], np.round(learned.scale[once] * quantile, DIGITS),
         quantiles_left_out(differ[once], designs.component[once], fold[once], plain=True))
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
        in_reach = of.component < len(model.quantile)
        shift, half = model.predict(Designs(np.where(in_reach, of.component, -1), of.shift, of.first, of.scale))
        seen, all_seen = _quantiles(differ[train][forward], part.component[forward], len(model.quantile))
        keep(int(left_out), test, shift, half, np.where(in_reach, np.append(seen, all_seen)[
            np.where(in_reach, of.component, -1)], all_seen))
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
