"""Ranges and ceilings: the conformal quantile by its definition, coverage on data of a known law, and what the table of
all committed sources promises, held out of sample.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import duckdb
import numpy as np
import pytest
from rawref.checks.run import run
from rawref.database import rows, scalar
from rawref.stages.curated.ranges import Design, conformal, fit, quantiles_left_out, shrunk
from rawref.workspace import Workspace

from tests.check_cases import Scene

Row = dict[str, Any]


@pytest.mark.parametrize(
    ("scores", "expected"), [(range(1, 10), 9), (range(1, 20), 18), (range(1, 6), 5), (range(1, 101), 91)]
)
def test_conformal_quantile_is_the_one_of_its_definition(scores: range, expected: float) -> None:
    """The ceil((n + 1) 0.9)-th smallest score, the largest where there is none such: Lei et al., J. Am. Stat. Assoc.
    113 (2018) 1094, algorithm 2 (split conformal)."""
    mixed = np.random.default_rng(1).permutation(np.array(scores, dtype=float))
    assert conformal(mixed) == expected


def test_conformal_quantile_covers_what_it_promises() -> None:
    """Marginal coverage of split conformal is between 0.9 and 0.9 + 1/(n + 1) (theorem 2.2 there); invented figures."""
    random = np.random.default_rng(2)
    held = [abs(random.standard_normal()) <= conformal(np.abs(random.standard_normal(59))) for _ in range(4000)]
    assert 0.9 - 0.015 < np.mean(held) < 0.9 + 1 / 60 + 0.015


def test_quantile_of_few_leans_on_all() -> None:
    assert shrunk(np.empty(0), 2.0) == 2.0
    assert shrunk(np.full(30, 4.0), 2.0) == 3.0  # as many as the weight of all: half way


def test_left_out_quantile_has_not_seen_its_fold() -> None:
    scores = np.array([1.0] * 40 + [50.0] * 40)
    fold = np.repeat([0, 1], 40)
    alike = np.zeros(80, dtype=int)
    found = quantiles_left_out(scores, alike, alike, fold, plain=True)
    assert set(found[fold == 0]) == {50.0} and set(found[fold == 1]) == {1.0}


@pytest.mark.parametrize("coverage", [0.9, 0.95])
def test_left_out_quantile_is_that_of_the_others_alone(coverage: float) -> None:
    """Against the definition, one row after the other; invented figures with ties."""
    random = np.random.default_rng(3)
    scores, group, fold = random.integers(0, 40, 300) / 8, random.integers(0, 4, 300), random.integers(0, 7, 300)
    wider = group // 2
    found = quantiles_left_out(scores, group, wider, fold, coverage)
    for i in range(0, 300, 7):
        others = fold != fold[i]
        whole = conformal(scores[others & (wider == wider[i])], coverage)
        assert found[i] == pytest.approx(shrunk(scores[others & (group == group[i])], whole, coverage))


def test_fits_left_out_are_ridge_regressions_of_the_rest() -> None:
    """The sparse fit, and those that leave out a fold, against the normal equations of the dense columns (Hoerl &
    Kennard, Technometrics 12 (1970) 55, cited from memory); invented figures."""
    random = np.random.default_rng(4)
    n, units, shared = 200, 6, 3
    unit, fold = random.integers(0, units, n), random.integers(0, 5, n)
    own, joint = random.standard_normal((n, 1)), random.standard_normal((n, 2))
    at = np.stack([unit % 2, np.full(n, 2)], axis=1)
    design = Design(unit, units, own, np.array([2.0]), joint, at, np.array([1.0, 1.0, 3.0]))
    dense, target = np.zeros((n, units + shared)), random.standard_normal(n)
    dense[np.arange(n), unit] = own[:, 0]
    for j in range(2):
        dense[np.arange(n), units + at[:, j]] = joint[:, j]
    penalty = np.diag([2.0] * units + [1.0, 1.0, 3.0])

    def ridge(rows: np.ndarray) -> np.ndarray:
        x = dense[rows]
        return np.linalg.solve(x.T @ x + penalty, x.T @ target[rows])

    fitted, left_out = fit(design, target, fold)
    assert design.times(fitted) == pytest.approx(dense @ ridge(np.arange(n)), abs=1e-7)
    for f in range(5):
        assert left_out[fold == f] == pytest.approx(dense[fold == f] @ ridge(np.flatnonzero(fold != f)), abs=1e-7)


@pytest.fixture(scope="module")
def con(built: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
    """The build of what the repository holds; skipped where fewer than three tables are committed."""
    if scalar(built, "select count(*) from archival.releases") < 4:
        pytest.skip("the repository holds too few tables to compare")
    yield built


def calibration(con: duckdb.DuckDBPyConnection, **where: str) -> list[Row]:
    cut = " and ".join(f"{name} = '{value}'" for name, value in where.items())
    return rows(con, f"from curated.calibration where {cut} order by component, class")


def test_every_figure_has_a_range_around_it(con: duckdb.DuckDBPyConnection) -> None:
    assert not rows(con, """
        select ingredient_id, component, value, low, high from curated."values"
        where evidence and (low is null or high is null or not isfinite(high) or low < 0 or low > coalesce(value, low)
          or high < coalesce(value, high) or unit = 'g' and high > 100)""")
    # exact only where a formula makes it so, and a cited range that has no width
    assert not rows(con, """
        select * from curated."values" where evidence and low = high
          and spread_basis not in ('formula', 'cited', 'parts') and not (unit = 'g' and value in (0, 100))""")


def test_salt_lies_between_the_standard_and_its_formula(con: duckdb.DuckDBPyConnection) -> None:
    """IUPAC standard atomic weights; 97 % NaCl of dry matter without additives (Codex, CXS 150-1985, 3.1)."""
    sodium, chlorine = 22.990, 35.45
    for component, weight in (("NA", sodium), ("CLD", chlorine)):
        pure = 1e5 * weight / (sodium + chlorine)
        found = rows(con, f"""from curated."values" where spread_basis = 'standard' and component = '{component}'""")
        assert {r["ingredient_id"] for r in found} == {"table-salt", "table-salt-iodized"}
        for r in found:
            assert r["high"] == pytest.approx(max(pure, r["value"]), rel=1e-4)
            assert 0.93 * pure < r["low"] < 0.97 * pure


def test_an_unknown_taurine_is_bounded_by_what_is_published_of_other_animals(con: duckdb.DuckDBPyConnection) -> None:
    """The largest cited figure is that of raw Pacific oyster (raw/maintainer/cited_values.csv, with its citation)."""
    ends = rows(con, """select max(ceiling) as most from curated.gaps join curated.ingredient_keys using (ingredient_id)
        where component = 'TAU' and ingredient_keys.kind = 'raw' and species_group <> 'plant'""")
    assert 974 <= ends[0]["most"] <= 1300  # mg
    beyond = rows(con, "select ingredient_id from curated.ceiling_trials where component = 'TAU' and not held")
    assert [r["ingredient_id"] for r in beyond] == ["pacific-oyster"]  # itself the largest


def test_ranges_hold_nine_of_ten_independent_figures(con: duckdb.DuckDBPyConnection) -> None:
    """Coverage and width from the trials themselves, species and tables left out, beside plain conformal."""
    overall = rows(con, """
        select left_out, avg(held::int) as coverage, median(half_width) as width, median(plain_half_width) as plain,
          count(*) as n from curated.range_trials group by 1 order by 1""")
    assert [r["left_out"] for r in overall] == ["species", "table"]
    assert all(r["n"] > 5000 and 0.88 <= r["coverage"] <= 0.92 and r["width"] <= r["plain"] for r in overall), overall
    by_component = rows(con, """
        select component, avg(held::int) as coverage, count(*) as n from curated.range_trials
        where left_out = 'species' group by 1 having n >= 60""")
    assert len(by_component) >= 25
    assert not [r for r in by_component if not 0.84 <= r["coverage"] <= 0.96]
    (stated,) = calibration(con, measure="range", component="*", **{"class": "*"}, left_out="species")
    assert stated["coverage"] == pytest.approx(overall[0]["coverage"], abs=1e-4) and stated["n"] == overall[0]["n"]


def test_pairs_are_of_two_tables(con: duckdb.DuckDBPyConnection) -> None:
    """No table is held against itself, and no figure of one food against a copy of it."""
    assert not rows(con, "select * from curated.range_trials where source = other_source")
    assert not rows(con, """
        select * from curated.range_trials t join reference.copies c
          on c.source = t.other_source and c.food_id = t.other_food and c.original_source = t.source""")


def test_ceilings_hold_for_what_is_known(con: duckdb.DuckDBPyConnection) -> None:
    tried = [r for r in calibration(con, measure="ceiling", component="*") if r["n"] >= 100]
    assert len(tried) >= 6 and not [r for r in tried if r["coverage"] < 0.94], tried
    assert np.average([r["coverage"] for r in tried], weights=[r["n"] for r in tried]) >= 0.95


def test_every_gap_says_what_bounds_it(con: duckdb.DuckDBPyConnection) -> None:
    assert not rows(con, """
        select * from curated.gaps
        where ceiling_basis is null or (ceiling is null) <> (ceiling_basis = 'nothing bounds it')""")
    # no part holds more than the whole: amino acids are of protein, fatty acids of fat
    assert not rows(con, """
        select g.ingredient_id, g.component from curated.gaps g join reference.components c using (component)
          join curated."values" b on b.ingredient_id = g.ingredient_id
            and b.component = case c.block when 'amino_acid' then 'PROCNT' when 'fatty_acid' then 'FAT' end
          join curated.ingredients i on i.ingredient_id = g.ingredient_id
        where i.kind <> 'composite' and b.evidence and g.ceiling > b.high * 1.001""")


def test_rivals_lie_within_or_are_named(con: duckdb.DuckDBPyConnection) -> None:
    """Beef tripe manganese: SR28 13341 prints 0.085 mg of one sample; another table has many times as much."""
    assert not rows(con, """
        select v.ingredient_id, v.component, c.source, c.food_id from curated."values" v
          join curated.cell_candidates c using (ingredient_id, component)
        where v.evidence and v.source is not null and c.evidence and c.match_quality in ('A', 'B')
          and (c.source, c.food_id) <> (v.source, v.food_id)
          and (round(c.value, 9) < v.low or round(c.value, 9) > v.high) and not contains(v.reason, c.food_id)""")


def test_a_printed_zero_is_a_bounded_range(con: duckdb.DuckDBPyConnection) -> None:
    zeros = rows(con, """
        select value, low, high, source_value from curated."values"
        where evidence and value = 0 or status in ('trace', 'below_detection')""")
    assert len(zeros) > 100 and all(z["low"] == 0 and z["high"] > 0 for z in zeros)
    cited = rows(con, """select source_value, high from curated."values" where source_value = '< 20' and unit = 'ug'""")
    assert all(r["high"] >= 20 for r in cited)


def test_calibration_rules_fire_outside_their_thresholds(checkout: Workspace) -> None:
    """R01 to R03: just outside, just inside, and too few to judge."""

    def fired(coverage: float, n: int, **of: str) -> set[tuple[str, str]]:
        made = Scene(checkout.schemas)
        told = {"measure": "range", "component": "*", "class": "*", "left_out": "species", **of}
        made.put("curated.calibration", **told, n=n, expected=0.9, coverage=coverage, tables="[]")
        with made.database() as con:
            found = run(con, checkout.schemas, families=("calibration",))
        return {(r["id"], f["severity"]) for r in found["rules"] for f in r["findings"]}

    for left_out in ("species", "table"):
        assert fired(0.821, 200, left_out=left_out) == {("R01", "warn")} == fired(0.941, 200, left_out=left_out)
        assert fired(0.819, 200, left_out=left_out) == {("R01", "fail")} == fired(0.971, 200, left_out=left_out)
    assert not fired(0.861, 200) | fired(0.939, 200) | fired(0.5, 199)
    assert fired(0.839, 60, component="FE") == {("R02", "warn")} == fired(0.961, 60, component="FE")
    assert not fired(0.841, 60, component="FE") | fired(0.5, 59, component="FE")
    ceiling = {"measure": "ceiling", "class": "near 20-"}
    assert fired(0.929, 100, **ceiling) == {("R03", "warn")} and fired(0.899, 100, **ceiling) == {("R03", "fail")}
    assert not fired(0.931, 100, **ceiling) | fired(0.5, 99, **ceiling)
