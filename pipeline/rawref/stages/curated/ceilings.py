"""Ceilings of unknown cells: bounds that the truth exceeds in at most 5 of 100 cells, never values.

The largest comparable food (from 20 on, their 95th percentile) times a factor: the 95 % conformal quantile of what is
known over the same bound from its own comparable foods, by reach, number of foods and block (Vovk, Gammerman & Shafer
2005). Few foods mean a large factor; where the figures of a block are few, that of all blocks counts.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rawref.database import run_file
from rawref.stages.curated.ranges import DIGITS, conformal, fetch, quantiles_left_out, shrunk, store

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent
HELD = 0.96
HELD_BY_FEW = 0.98
"""More than the 95 of 100 promised: quantiles fall short out of sample, most where fewer than FEW foods bound it."""
FEW = 10
BINS = (2, 3, 10, 20)
"""Numbers of comparable foods at which a bound is held to another standard: 1, 2, 3 to 9, 10 to 19, 20 on."""


def build_ceilings(con: duckdb.DuckDBPyConnection) -> None:
    """Create curated.ceilings, key (ingredient_id, component): the bound and, in words, its basis; and
    curated.ceiling_trials, whether the bound held for what is known, the species left out."""
    run_file(con, HERE / "ceilings.sql")
    found = fetch(con, "select reach_code, n, group_code, species_code, anchor, lower, upper, between, x"
                       " from ceiling_tried order by target_id")
    foods = fetch(con, "select x from ceiling_foods order by food_no")["x"]
    lower, upper = foods[found["lower"]], foods[found["upper"]]
    anchor = np.where(np.isnan(found["anchor"]), lower + (upper - lower) * found["between"], found["anchor"])
    over = np.round(found["x"] - anchor, DIGITS)
    kind = found["reach_code"] * 10 + np.searchsorted(BINS, found["n"], side="right")
    seen = np.flatnonzero(~np.isnan(over))
    block = kind * (int(found["group_code"].max(initial=0)) + 1) + found["group_code"]
    share = np.where(kind % 10 > BINS.index(FEW), HELD, HELD_BY_FEW)
    factor, held = np.full(len(over), np.nan), np.full(len(over), -1)
    for part in np.unique(share):
        tried = seen[share[seen] == part]
        bound = quantiles_left_out(over[tried], block[tried], kind[tried], found["species_code"][tried], part)
        held[tried] = np.where(np.isnan(bound), -1, over[tried] <= bound)
    for k in np.unique(kind[seen]):
        part = HELD if k % 10 > BINS.index(FEW) else HELD_BY_FEW
        whole = conformal(over[seen[kind[seen] == k]], part)
        for b in np.unique(block[kind == k]):
            factor[block == b] = shrunk(over[seen[block[seen] == b]], whole, part)
    store(con, "ceiling_made", {"target_id": np.arange(len(over)), "held": held,
                                "bound": np.round(np.exp(np.round(anchor + factor, 6)), DIGITS)})
    run_file(con, HERE / "ceilings_of_cells.sql")
