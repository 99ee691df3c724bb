# ruff: noqa: T201
"""What the ranges promise and what they keep, from the last build: python tests/benchmarks/calibration.py [ROOT].

Goals: coverage 0.88 to 0.92 out of sample, every component with 60 pairs or more 0.84 to 0.96, median width no larger
than plain conformal, no evidence without a range, ceilings exceeded by at most 5 %.
"""

from __future__ import annotations

import sys
from pathlib import Path

from rawref.database import connect, rows
from rawref.workspace import Workspace

ROOT = Path(__file__).resolve().parents[2]


def main(root: Path) -> int:
    """Print the tables; 1 where a goal is missed."""
    missed = []
    with connect(Workspace(root).database, read_only=True) as con:
        calibration = rows(con, "from curated.calibration order by measure desc, component, class, left_out")
        open_ended = rows(con, 'select count(*) as n from curated."values"'
                               " where evidence and (low is null or high is null)")
        outside = rows(con, """
            select count(*) as rivals, count(*) filter (c.value < v.low or c.value > v.high) as outside,
              count(*) filter ((c.value < v.low or c.value > v.high) and not contains(v.reason, c.food_id)) as unnamed
            from curated."values" v join curated.cell_candidates c using (ingredient_id, component)
            where v.evidence and v.source is not null and c.evidence and c.value is not null
              and c.match_quality in ('A', 'B') and (c.source, c.food_id) <> (v.source, v.food_id)""")[0]
    print("component   class      left out       pairs  coverage  half width  plain: coverage  half width")
    for r in calibration:
        if r["measure"] == "range" and (r["component"] == "*" or r["class"] == "*"):
            print(f"{r['component']:<11} {r['class']:<10} {r['left_out']:<13} {r['n']:>6} {r['coverage']:>9.3f}"
                  f" {r['half_width']:>11.3f} {r['plain_coverage']:>16.3f} {r['plain_half_width']:>11.3f}")
    print("\nceilings: comparable foods   known cells  below the ceiling")
    for r in calibration:
        if r["measure"] == "ceiling" and r["component"] == "*":
            print(f"          {r['class']:<18} {r['n']:>11} {r['coverage']:>18.3f}")
            if r["coverage"] < 0.95:
                missed.append(f"ceilings of {r['class']}: {r['coverage']:.3f} of {r['n']}")
    for r in calibration:
        if r["measure"] == "range" and r["left_out"] == "species" and r["class"] == "*":
            if r["component"] == "*" and not 0.88 <= r["coverage"] <= 0.92:
                missed.append(f"coverage {r['coverage']:.3f}")
            if r["component"] != "*" and r["n"] >= 60 and not 0.84 <= r["coverage"] <= 0.96:
                missed.append(f"{r['component']} {r['coverage']:.3f} of {r['n']}")
            if r["component"] == "*" and r["half_width"] > r["plain_half_width"]:
                missed.append("wider than plain conformal")
    print(f"\nevidence without a range: {open_ended[0]['n']}")
    print(f"rival figures: {outside['rivals']}, outside the range {outside['outside']}, not named {outside['unnamed']}")
    if open_ended[0]["n"] or outside["unnamed"]:
        missed.append("cells without a range or with a rival unnamed")
    print("goals missed: " + ("; ".join(missed) or "none"))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT))
