"""Ceilings of unknown cells: bounds that the truth exceeds in at most 5 of 100 cells, never values.

The largest comparable food (from 20 on, their 95th percentile) times a factor: the 95 % conformal quantile of what is
known over the same bound from its own comparable foods, by reach, number of foods and block (Vovk, Gammerman & Shafer
2005). Few foods mean a large factor; where the figures of a block are few, that of all blocks counts.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rawref.database import run_file
from rawref.stages.curated.ranges import DIGITS, SHRINK, conformal

if TYPE_CHECKING:
    import duckdb
    from numpy.typing import NDArray

HERE = Path(__file__).parent
HELD = 0.96  # a little more than the 95 of 100 promised: quantiles of few figures fall short out of sample
BINS = (2, 3, 5, 10, 20)
"""Numbers of comparable foods at which a bound is held to another standard: 1, 2, 3 to 4, 5 to 9, 10 to 19, 20 on."""


def _factor(own: NDArray[Any], whole: float) -> float:
    """What a block's bounds are widened by, drawn towards that of all; never below what the block itself needs less."""
    if not len(own):
        return whole
    weight = len(own) / (len(own) + SHRINK)
    return weight * conformal(own, HELD) + (1 - weight) * whole


def build_ceilings(con: duckdb.DuckDBPyConnection) -> None:
    """Create curated.ceilings, key (ingredient_id, component): the bound and, in words, its basis."""
    import pyarrow as pa

    run_file(con, HERE / "ceilings.sql")
    found = con.execute('select ingredient_id, component, species, reach, n, anchor, x, "group" from ceiling_targets'
                        " order by position, ingredient_id, reach").fetchnumpy()
    anchor = np.asarray(found["anchor"], dtype=float)
    x: NDArray[Any] = np.ma.filled(np.ma.asarray(found["x"], dtype=float), np.nan)
    over = np.round(x - anchor, DIGITS)
    kind = np.char.add(np.char.add(np.asarray(found["reach"], dtype=str), ":"),
                       np.searchsorted(BINS, np.asarray(found["n"]), side="right").astype(str))
    block = np.asarray(found["group"], dtype=str)
    species = np.asarray(found["species"], dtype=str)
    factor = np.full(len(anchor), np.nan)
    held = np.full(len(anchor), np.nan)
    for k in np.unique(kind):
        seen = (kind == k) & ~np.isnan(over)
        if not seen.any():
            continue
        whole = conformal(over[seen], HELD)
        for b in np.unique(block[kind == k]):
            factor[(kind == k) & (block == b)] = _factor(over[seen & (block == b)], whole)
        for s in np.unique(species[seen]):
            others = seen & (species != s)
            if not others.any():
                continue
            whole_left = conformal(over[others], HELD)
            for b in np.unique(block[seen & (species == s)]):
                rows = seen & (species == s) & (block == b)
                held[rows] = over[rows] <= np.round(_factor(over[others & (block == b)], whole_left), DIGITS)
    bound = np.exp(np.round(anchor + factor, 6))
    made = pa.table({"ingredient_id": np.asarray(found["ingredient_id"], dtype=str),
                     "component": np.asarray(found["component"], dtype=str),
                     "reach": np.asarray(found["reach"], dtype=str),
                     "kind": kind, "species": species, "n": np.asarray(found["n"]), "bound": bound,
                     "held": pa.array(held, from_pandas=True)})
    con.register("made_bounds", made)
    con.execute("create table curated.ceiling_bounds as select * replace (round(bound, 9) as bound) from made_bounds")
    con.unregister("made_bounds")
    run_file(con, HERE / "ceilings_of_cells.sql")
