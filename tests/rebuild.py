"""Scratch roots whose pinned release is altered on purpose, with the digests declared anew where that is wanted."""

from __future__ import annotations

import csv
import hashlib
import re
import shutil
import subprocess
import zipfile
from functools import cache
from pathlib import Path

from tests import oracle

KEPT = ("beef-heart", "beef-liver", "chicken-liver", "pork-tenderloin-lean")
"""Ingredients of a small root, beside one composite and its parts."""


@cache
def kept_lines(name: str) -> list[str]:
    """Lines of a maintainer file in a small root: the heading, the rows of a few ingredients, "" for the end."""
    composite = oracle.maintainer("composites")[0]["ingredient_id"]
    parts = {r["part_ingredient_id"] for r in oracle.maintainer("composites") if r["ingredient_id"] == composite}
    kept = {*KEPT, composite, *parts}
    heading, *rows, end = (oracle.ROOT / "raw" / "maintainer" / f"{name}.csv").read_text(encoding="utf-8").split("\n")
    assert end == ""
    place = heading.split(",").index("ingredient_id")  # no field before it holds a comma
    return [heading, *(row for row in rows if row.split(",")[place] in kept), ""]


PINNED = ("*.zip", "*.gz", "*.xlsx")
"""Files of pinned releases."""


def without_sources(root: Path, *, kept: tuple[str, ...] = ("usda-sr28", "maintainer")) -> None:
    """Declare in `root` that the repository keeps only these sources; the files of the others are taken out."""
    path = root / "raw" / "sources.toml"
    head, *entries = path.read_text(encoding="utf-8").split("[[source]]\n")
    for place, text in enumerate(entries):
        source = re.match(r'id = "([^"]+)"', text)
        assert source
        if source[1] not in kept:
            entries[place] = text.replace("in_repository = true", "in_repository = false")
            shutil.rmtree(root / "raw" / source[1], ignore_errors=True)
    path.write_text("[[source]]\n".join([head, *entries]), encoding="utf-8", newline="\n")


def small_root(target: Path) -> Path:
    """A scratch root of a few ingredients with all that SR28 has on their foods: a whole build in about a second."""
    for name in ("raw", "schemas", "pipeline"):
        shutil.copytree(oracle.ROOT / name, target / name, ignore=shutil.ignore_patterns("__pycache__", *PINNED))
    shutil.copyfile(oracle.ROOT / "pyproject.toml", target / "pyproject.toml")
    without_sources(target)
    (target / oracle.ARCHIVE.relative_to(oracle.ROOT)).parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(oracle.ARCHIVE, target / oracle.ARCHIVE.relative_to(oracle.ROOT))
    for name in ("ingredients", "ingredient_foods", "cited_values", "composites"):
        path = target / "raw" / "maintainer" / f"{name}.csv"
        path.write_text("\n".join(kept_lines(name)), encoding="utf-8", newline="\n")
    # decisions.csv aims at cells that are not here
    path = target / "raw" / "maintainer" / "decisions.csv"
    path.write_text(path.read_text(encoding="utf-8").split("\n")[0] + "\n", encoding="utf-8", newline="\n")
    with_members(target, small_members())
    return target


@cache
def small_members() -> dict[str, bytes]:
    """The big files of the release, only with what concerns the foods of a small root and the first ten foods."""
    rows = list(csv.DictReader(kept_lines("ingredient_foods")))
    foods = {r["food_id"] for r in rows if r["source"] == "usda-sr28"} | {r[0] for r in oracle.table("FOOD_DES")[:10]}
    foods |= {"05028", "05314"}  # cooked liver, and meat with an added solution
    foods |= {
        oracle.fields(line)["Ref_NDB_No"] for food in list(foods) for line in oracle.line_numbers()[food].values()
    }
    keep = tuple(f"~{food}~".encode() for food in foods if food)
    return {
        f"{name}.txt": b"".join(line + b"\r\n" for line in oracle.lines(f"{name}.txt") if line.startswith(keep))
        for name in ("FOOD_DES", "NUT_DATA", "LANGUAL", "DATSRCLN")
    }


def with_members(root: Path, altered: dict[str, bytes], *, declare: bool = True, count: bool = True) -> None:
    """Write the pinned SR28 archive of `root` anew with the altered members and, if `declare`, their digests, with
    their records too if `count`."""
    archive = root / "raw" / "usda-sr28" / "28" / "sr28asc.zip"
    with zipfile.ZipFile(archive) as bundle:
        bodies = {name: bundle.read(name) for name in bundle.namelist()} | altered
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as bundle:
        for name, body in bodies.items():
            bundle.writestr(zipfile.ZipInfo(name, (2015, 9, 30, 0, 0, 0)), body)
    if declare:
        path = root / "raw" / "sources.toml"
        text = path.read_text(encoding="utf-8")
        for name, body in {archive.name: archive.read_bytes(), **altered}.items():
            text = _declared(text, name, body)
            if count and name in altered:
                records = body.count(b"\n")
                entry = rf'(name = "{re.escape(name)}"\nsha256 = "[0-9a-f]+"\nbytes = \d+\nrecords = )\d+'
                text, counted = re.subn(entry, rf"\g<1>{records}", text)
                assert counted == 1, name
        if count:  # a cut release sets aside what its whole does not
            text = re.sub(r'(?<=release = "28"\ndate = "2015-09-30"\n)(#.*\n)?set_aside = \d+\n', "", text)
        path.write_text(text, encoding="utf-8", newline="\n")


def _declared(text: str, name: str, body: bytes) -> str:
    pattern = re.compile(rf'(name = "{re.escape(name)}"\nsha256 = ")[0-9a-f]+("\nbytes = )\d+')
    text, count = pattern.subn(rf"\g<1>{hashlib.sha256(body).hexdigest()}\g<2>{len(body)}", text)
    assert count == 1, name
    return text


def content(folder: Path) -> dict[str, bytes]:
    """Every file below `folder` with its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def git(root: Path, *arguments: str) -> None:
    """Run git in a scratch root, as somebody made up."""
    subprocess.run(
        ["git", "-C", str(root), "-c", "user.name=t", "-c", "user.email=t@example.org", *arguments],
        check=True,
        capture_output=True,
    )
