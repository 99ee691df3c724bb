"""Many times SR28: whether time grows linearly and how much memory the build takes. On request, not in CI.

    python tests/benchmarks/scale.py [--times 1 4 10 40] [--folder DIR]

Each root holds so many copies of every food of SR28 with all its values, under ids and names of their own; 40 copies
are 27 million values, about the whole of FoodData Central. Needs some 3 GB of disk below DIR for 40, and 6 GB of
memory. Budget of the design: linear within 20 %, at most 6 GB. Judged by time on the processors, so that other work on
the machine does not count.
"""

from __future__ import annotations

import argparse
import hashlib
import re
import shutil
import sys
import tempfile
import zipfile
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench import ARCHIVE, fresh_clone, measure, rawref, tell

GROWING = ("FOOD_DES.txt", "NUT_DATA.txt", "LANGUAL.txt", "DATSRCLN.txt", "WEIGHT.txt", "FOOTNOTE.txt")
FIRST = re.compile(rb"(?m)^~(\d{5})~")
NAME = re.compile(rb"(?m)^(~\d{7}~\^~\d{4}~\^~[^,~]*)")
"""The first part of a food's name: with a lot named after it the rules do not compare copies with each other."""


def grow(root: Path, times: int) -> None:
    """Put `times` copies of every food into the pinned release of `root` and declare the new digests."""
    target = root / ARCHIVE.relative_to(ARCHIVE.parents[3])
    declaration = root / "raw" / "sources.toml"
    text = re.sub(r"(?m)^set_aside = \d+\n", "", declaration.read_text(encoding="utf-8"))
    with zipfile.ZipFile(ARCHIVE) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as new:
        for name in old.namelist():
            body = old.read(name)
            digest, size = hashlib.sha256(), 0
            with new.open(zipfile.ZipInfo(name), "w", force_zip64=True) as stream:
                for copy in range(times if name in GROWING else 1):
                    # The copy's number before the five digits; donors stay those of the first copy.
                    part = body if copy == 0 else FIRST.sub(rb"~%02d\1~" % copy, body)
                    if copy and name == "FOOD_DES.txt":
                        part = NAME.sub(rb"\1, lot %02d" % copy, part)
                    digest.update(part)
                    size += len(part)
                    stream.write(part)
            text = declared(text, name, digest.hexdigest(), size, times if name in GROWING else 1)
    with target.open("rb") as stream:
        text = declared(text, target.name, hashlib.file_digest(stream, "sha256").hexdigest(), target.stat().st_size)
    declaration.write_text(text, encoding="utf-8", newline="\n")


def declared(text: str, name: str, digest: str, size: int, times: int = 1) -> str:
    """The declaration with another digest and size of a file, and so many times its records."""
    pattern = re.compile(rf'(name = "{re.escape(name)}"\nsha256 = ")[0-9a-f]+("\nbytes = )\d+((?:\nrecords = \d+)?)')
    return pattern.sub(
        lambda m: f"{m[1]}{digest}{m[2]}{size}" + re.sub(r"\d+", lambda n: str(int(n[0]) * times), m[3]), text
    )


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--times", type=int, nargs="+", default=[1, 4, 10, 40])
    options.add_argument("--folder", type=Path, default=None)
    chosen = options.parse_args()
    taken: dict[int, float] = {}
    peak = 0.0
    tell(f"{'copies':>7}{'values':>12}{'processor s':>13}{'a copy':>9}{'a further':>11}{'wall s':>9}{'MB':>8}")
    with tempfile.TemporaryDirectory(dir=chosen.folder) as scratch:
        for times in sorted(chosen.times):
            root = fresh_clone(Path(scratch) / "root")
            grow(root, times)
            run = measure(rawref(root, "build", "--no-workbook"))
            # exit 1: copies make groups of peers large enough for outlier rules that are silent about one copy
            if run.status not in (0, 1) or not (root / ".rawref" / "build" / "curated" / "manifest.json").is_file():
                tell(f"the build of {times} copies ended with exit {run.status}")
                return 1
            more = [(run.processor - taken[last]) / (times - last) for last in list(taken)[-1:]]
            taken[times], peak = run.processor, max(peak, run.megabytes)
            tell(
                f"{times:>7}{679_045 * times:>12}{run.processor:>13.1f}{run.processor / times:>9.2f}"
                + (f"{more[0]:>11.2f}" if more else f"{'':11}")
                + f"{run.seconds:>9.1f}{run.megabytes:>8.0f}"
            )
            shutil.rmtree(root)
    growth = growth_of(taken)
    good = peak <= 6000 and growth <= 1.2
    tell(f"\na copy takes {growth:.2f} times as long among {max(taken)} as among few (budget 1.2)")
    tell(f"peak {peak:.0f} MB (budget 6000): {'within budget' if good else 'OVER'}")
    return 0 if good else 1


def growth_of(taken: dict[int, float]) -> float:
    """How much longer a copy takes among many than among few, from the time of each number of copies.

    The other sources take the same time in every root, so further copies are compared where there are three sizes.
    """
    if len(taken) > 2:
        further = [(taken[b] - taken[a]) / (b - a) for a, b in pairwise(sorted(taken))]
        return further[-1] / further[0]
    small, large = min(taken), max(taken)
    return (taken[large] / large) / (taken[small] / small)


if __name__ == "__main__":
    sys.exit(main())
