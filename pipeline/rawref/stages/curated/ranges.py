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
    import duckdb
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Columns = dict[str, NDArray[Any]]

HERE = Path(__file__).parent
COVERAGE = 0.90
ONE_SIDED = 0.95  # what has only an upper end: 5 in 100 lie above it, as of a range
FLOOR = 0.01  # no two analyses agree better than 1 %, however they are printed
SHRINK = 30  # pairs at which a component's own quantile weighs as much as that of all
DIGITS = 9  # numbers are rounded before they are compared or published: no result hangs on the order of a sum


@dataclass(frozen=True, slots=True)
class Design:
    """Columns of a ridge regression and the penalty of each."""

    x: Floats
    penalty: Floats

    def rows(self, index: NDArray[Any]) -> Design:
        return Design(self.x[index], self.penalty)

    def times(self, coefficients: Floats) -> Floats:
        product: Floats = np.round(self.x @ coefficients, DIGITS)
        return product

    def weighted(self, weight: Floats) -> Design:
        return Design(self.x * weight[:, None], self.penalty)


def _indicator(codes: NDArray[Any], count: int, by: Floats | None = None) -> Floats:
    made = np.zeros((len(codes), count))
    known = np.flatnonzero(codes >= 0)
    made[known, codes[known]] = 1.0 if by is None else by[known]
    return made


def _designs(c: Columns, counts: dict[str, int]) -> tuple[Design, Design, Design]:
    """The designs of shift, of the first scale (component alone) and of the scale, for the same rows."""
    n = len(c["component"])
    one = np.ones(n)
    group, component = c["group"], c["component"]
    fat = np.log(np.clip(c["fat"], 0.3, 100) / 5)
    printed = np.log(np.maximum(c["print_error"], 1e-5) / 0.01)
    has_own = ~np.isnan(c["own_cv"])
    own = np.where(has_own, np.log(np.where(has_own, c["own_cv"], 0.1) / 0.1), 0.0)
    peers, rivals, k = c["peer_shift"], np.clip(c["rival_shift"], -3, 3), c["rivals"]
    near, wide = (c["peer_level"] == 1).astype(float), (c["peer_level"] == 2).astype(float)
    lone, several = (k == 1).astype(float), (k >= 2).astype(float)
    blocks = [(one[:, None], 1e-6), (_indicator(group, counts["group"]), 1.0),
              (_indicator(component, counts["component"]), 5.0)]
    scale = [*blocks, (_indicator(c["cell"], counts["cell"]), 10.0),
             (_indicator(group, counts["group"], fat), 5.0),
             (np.stack([printed, own, has_own, np.log1p(c["n"]), near + wide, np.abs(peers), lone, several,
                        np.abs(rivals) * lone, np.abs(rivals) * several,
                        c["match"] == 1, c["match"] == 2, c["evidence"] == 0], axis=1), 1.0),
             (_indicator(group, counts["group"], np.abs(peers)), 20.0)]
    shift = [(_indicator(component, counts["component"], peers * near), 5.0),
             (_indicator(component, counts["component"], peers * wide), 5.0),
             (np.stack([rivals * lone, rivals * several], axis=1), 1.0),
             (_indicator(component, counts["component"], rivals * lone), 10.0),
             (_indicator(component, counts["component"], rivals * several), 10.0)]
    return _stack(shift), _stack(blocks), _stack(scale)


def _stack(parts: list[tuple[Floats, float]]) -> Design:
    return Design(np.hstack([p for p, _ in parts]),
                  np.concatenate([np.full(p.shape[1], penalty) for p, penalty in parts]))


def _solve(gram: Floats, moment: Floats, penalty: Floats) -> Floats:
    solved: Floats = np.round(np.linalg.solve(gram + np.diag(penalty), moment), DIGITS)
    return solved


def _fit(design: Design, target: Floats) -> Floats:
    return _solve(design.x.T @ design.x, design.x.T @ target, design.penalty)


def _left_out(design: Design, target: Floats, fold: NDArray[Any]) -> Floats:
    """Prediction of every row by the fit that has not seen its fold: the sums of the fold are taken off the whole."""
    gram, moment = design.x.T @ design.x, design.x.T @ target
    found = np.empty(len(target))
    for f in np.unique(fold):
        rows = fold == f
        x = design.x[rows]
        found[rows] = x @ _solve(gram - x.T @ x, moment - x.T @ target[rows], design.penalty)
    return np.round(found, DIGITS)


def _log(residual: Floats) -> Floats:
    return np.log(np.maximum(np.abs(residual), FLOOR))


def conformal(scores: Floats, coverage: float = COVERAGE) -> float:
    """The ceil((n + 1) coverage)-th smallest score: at least this share of further ones lies below (Vovk et al.)."""
    ordered = np.sort(scores)
    return float(ordered[min(len(ordered), int(np.ceil((len(ordered) + 1) * coverage))) - 1])


def _shrunk(own: Floats, whole: float) -> float:
    """A component's quantile, drawn towards that of all while it has few pairs."""
    if not len(own):
        return whole
    weight = len(own) / (len(own) + SHRINK)
    own_size = max(conformal(own), FLOOR)  # a few pairs may agree to the digit
    return float(np.exp(weight * np.log(own_size) + (1 - weight) * np.log(max(whole, FLOOR))))


def _quantiles(scores: Floats, component: NDArray[Any], count: int) -> Floats:
    whole = conformal(scores)
    return np.round([_shrunk(scores[component == k], whole) for k in range(count)], DIGITS)


def _quantiles_left_out(scores: Floats, component: NDArray[Any], fold: NDArray[Any], use: NDArray[Any],
                        shrink: bool = True) -> Floats:
    """Quantile for every row from the pairs of its component outside its fold."""
    found = np.empty(len(scores))
    members = [np.flatnonzero(use & (component == k)) for k in range(int(component.max()) + 1)]
    for f in np.unique(fold):
        rows = np.flatnonzero(fold == f)
        whole = conformal(scores[use & (fold != f)])
        for k in np.unique(component[rows]):
            own = scores[members[k][fold[members[k]] != f]]
            found[rows[component[rows] == k]] = (
                _shrunk(own, whole) if shrink else conformal(own) if len(own) >= 20 else whole)
    return np.round(found, DIGITS)


NUMBERS = ("fat", "print_error", "own_cv", "n", "peer_shift", "rivals", "rival_shift", "x")
CELLS = """
select f.* exclude (total), coalesce(f.total::double / nullif(f.rivals, 0) - f.x, 0) as rival_shift
from range_features f order by position, ingredient_id, source, food_id"""
PAIRS = """
select p.d, p.other_source, p.chosen, p.forward, f.* exclude (total, rivals), f.rivals - 1 as rivals,
  coalesce((f.total::double - (p.d + f.x)) / nullif(f.rivals - 1, 0) - f.x, 0) as rival_shift
from range_pairs p join range_features f using (ingredient_id, component, source, food_id)
order by position, ingredient_id, source, food_id, other_source, p.other_food"""


def _fetch(con: duckdb.DuckDBPyConnection, query: str) -> Columns:
    found: dict[str, Any] = dict(con.execute(query).fetchnumpy())
    for name in NUMBERS:
        column: Floats = np.ma.filled(np.ma.asarray(found[name], dtype=float), np.nan)
        found[name] = column if name == "own_cv" else np.nan_to_num(column)
    for name in ("component", "group", "class", "species", "source", "ingredient_id", "food_id"):
        found[name] = np.asarray(found[name], dtype=str)
    return found


@dataclass(frozen=True, slots=True)
class Model:
    """What the pairs taught: coefficients, quantile of every component, and the names behind the codes."""

    names: dict[str, NDArray[Any]]
    shift: Floats
    first: Floats
    scale: Floats
    quantile: Floats
    whole: float


def _coded(c: Columns, names: dict[str, NDArray[Any]]) -> Columns:
    """The columns with codes for names; what the pairs do not know is -1 and gets no column of its own."""
    coded = dict(c)
    coded["cell"] = np.char.add(np.char.add(c["component"], ":"), c["class"])
    for name, known in names.items():
        at = np.minimum(np.searchsorted(known, coded[name]), len(known) - 1)
        coded[name] = np.where(known[at] == coded[name], at, -1)
    return coded


def _learn(c: Columns, d: Floats, names: dict[str, NDArray[Any]], fold: NDArray[Any]) -> tuple[Model, Floats, Floats]:
    """The model of pairs that differ by `d`, and shift and scale of every pair by a fit that has not seen its fold."""
    shift, first, scale = _designs(c, {name: len(known) for name, known in names.items()})
    rough = _log(d)
    b_first = _fit(first, rough)
    weight = np.exp(-_left_out(first, rough, fold))
    weighted, target = shift.weighted(weight), np.clip(d * weight, -4, 4)
    moved = _left_out(weighted, target, fold) / weight
    left = _log(d - moved)
    size = np.exp(_left_out(scale, left, fold))
    scores = np.round(np.abs(d - moved) / size, DIGITS)
    model = Model(names, _fit(weighted, target), b_first, _fit(scale, left),
                  _quantiles(scores, c["component"], len(names["component"])), conformal(scores))
    return model, moved, size


def _predict(model: Model, cells: Columns) -> tuple[Floats, Floats]:
    """Shift and half width of every cell, on the scale of x."""
    c = _coded(cells, model.names)
    shift, _, scale = _designs(c, {name: len(known) for name, known in model.names.items()})
    quantile = np.where(c["component"] >= 0, model.quantile[c["component"]], model.whole)
    return shift.times(model.shift), np.exp(scale.times(model.scale)) * quantile


def _amount(x: Floats, bounded: NDArray[Any]) -> Floats:
    """Back from the scale of x to the unit, to four significant digits."""
    amount = np.where(bounded, 100 / (1 + np.exp(-np.where(bounded, x, 0))), np.exp(np.where(bounded, 0, x)))
    step = 10.0 ** (np.floor(np.log10(amount)) - 3)
    return np.round(np.round(amount / step) * step, DIGITS)


def build_ranges(con: duckdb.DuckDBPyConnection) -> None:
    """Create curated.range_of, key (ingredient_id, component, source, food_id): low and high of every candidate that
    has a number, a zero that was looked for, a trace or a limit."""
    run_file(con, HERE / "ranges.sql")
    pairs, cells = _fetch(con, PAIRS), _fetch(con, CELLS)
    if not len(pairs["d"]):
        con.execute("create table curated.range_of(ingredient_id text, component text, source text, food_id text,"
                    " low double, high double, basis text)")
        return
    d = np.asarray(pairs["d"], dtype=float)
    names = {name: np.unique(pairs[name]) for name in ("component", "group")}
    names["cell"] = np.unique(np.char.add(np.char.add(pairs["component"], ":"), pairs["class"]))
    fold = np.unique(pairs["species"], return_inverse=True)[1]
    model, _, _ = _learn(_coded(pairs, names), d, names, fold)
    shift, half = _predict(model, cells)
    bounded = np.asarray(cells["bounded"], dtype=bool)
    low = _amount(cells["x"] + np.minimum(shift - half, 0), bounded)
    high = _amount(cells["x"] + np.maximum(shift + half, 0), bounded)
    basis = np.full(len(low), "pairs", dtype="<U30")
    for name, has in (("_own", ~np.isnan(cells["own_cv"])), ("_peers", np.asarray(cells["peer_level"]) > 0),
                      ("_rivals", cells["rivals"] > 0)):
        basis = np.char.add(basis, np.where(has, name, ""))
    _keep(con, {**{k: cells[k] for k in KEY}, "low": low, "high": high, "basis": basis})
    _zeros(con)


KEY = ("ingredient_id", "component", "source", "food_id")


def _keep(con: duckdb.DuckDBPyConnection, made: Columns) -> None:
    import pyarrow as pa

    con.register("made_ranges", pa.table(made))
    con.execute("create table if not exists curated.range_of as from made_ranges limit 0")
    con.execute("insert into curated.range_of by name from made_ranges")
    con.unregister("made_ranges")


def _zeros(con: duckdb.DuckDBPyConnection) -> None:
    """A zero, a trace, a figure below a limit: up to what is hidden by the last digit or the limit, and where other
    tables say so further, up to what 95 in 100 of them stay below (by component, shrunk to all)."""
    found = con.execute("select component, d from range_zero_pairs"
                        " order by position, source, other_source, d").fetchnumpy()
    component, d = np.asarray(found["component"], dtype=str), np.asarray(found["d"], dtype=float)
    zeros = con.execute("select * exclude (species, witness) from range_zeros"
                        " order by position, ingredient_id, source, food_id").fetchnumpy()
    hidden = np.asarray(zeros["hidden"], dtype=float)
    factor = np.ones(len(hidden))
    if len(d):
        whole = conformal(d, ONE_SIDED)
        for name in np.unique(np.asarray(zeros["component"], dtype=str)):
            own = d[component == name]
            weight = len(own) / (len(own) + SHRINK)
            further = weight * (conformal(own, ONE_SIDED) if len(own) else 0) + (1 - weight) * whole
            factor[zeros["component"] == name] = np.exp(np.round(max(0.0, further), DIGITS))
    high = _amount(np.log(hidden * factor), np.zeros(len(hidden), dtype=bool))
    _keep(con, {**{k: np.asarray(zeros[k], dtype=str) for k in KEY}, "low": np.zeros(len(high)), "high": high,
                "basis": np.full(len(high), "limit")})
