"""Bad input: one line on stderr with file, line and cure, exit 2, nothing published changed.

Each case spoils a small root of its own (a few ingredients, and what SR28 has on their foods). The bad inputs that
matter most go through the command line in a process of its own, the others through the build in this one.
"""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.build import build
from pipeline.errors import InputError
from pipeline.workspace import Workspace
from tests import oracle
from tests.rebuild import content, kept_lines, small_members, small_root, with_members


def run(root: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own, with `root` as the top folder."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline", "--root", str(root), *arguments],
        cwd=oracle.ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "HOME": str(root), **environment},
    )


@pytest.fixture(scope="session")
def published_small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small root whose table is built and published."""
    root = small_root(tmp_path_factory.mktemp("small") / "root")
    done = run(root, "build", "--no-workbook")
    assert done.returncode == 0, done.stderr
    return root


@pytest.fixture
def root(published_small: Path, tmp_path: Path) -> Path:
    """A copy of it to spoil."""
    return Path(shutil.copytree(published_small, tmp_path / "root"))


Spoil = Callable[[Path], None]


def values_file(change: Callable[[list[bytes]], None], *, cut: int = 0, declare: bool = True) -> Spoil:
    """Spoil the values file: `change` its lines, then `cut` bytes from its end."""

    def spoil(root: Path) -> None:
        lines = small_members()["NUT_DATA.txt"].split(b"\r\n")[:-1]
        change(lines)
        body = b"\r\n".join(lines) + b"\r\n"
        with_members(root, {"NUT_DATA.txt": body[: len(body) - cut]}, declare=declare)

    return spoil


def replaced(line: int, old: bytes, new: bytes) -> Callable[[list[bytes]], None]:
    def change(lines: list[bytes]) -> None:
        assert old in lines[line - 1]
        lines[line - 1] = lines[line - 1].replace(old, new, 1)

    return change


def file(name: str, change: Callable[[list[str]], list[str]]) -> Spoil:
    """Spoil a text file of the root, line by line."""

    def spoil(root: Path) -> None:
        path = root / name
        lines = path.read_text(encoding="utf-8").split("\n")
        path.write_text("\n".join(change(lines)), encoding="utf-8", newline="\n")

    return spoil


def line_of(name: str, start: str) -> int:
    """1-based line of a maintainer file of the small root that begins with `start`."""
    lines = kept_lines(Path(name).stem)
    return next(place for place, text in enumerate(lines, start=1) if text.startswith(start))


def altered(start: str, old: str, new: str) -> Callable[[list[str]], list[str]]:
    """Replace in the line that begins with `start`."""

    def change(lines: list[str]) -> list[str]:
        place = next(i for i, text in enumerate(lines) if text.startswith(start))
        assert old in lines[place], lines[place]
        return [*lines[:place], lines[place].replace(old, new, 1), *lines[place + 1 :]]

    return change


def appended(text: str) -> Callable[[list[str]], list[str]]:
    return lambda lines: [*lines[:-1], text, ""]


INGREDIENTS, FOODS = "raw/maintainer/ingredients.csv", "raw/maintainer/ingredient_foods.csv"
CITED, COMPOSITES = "raw/maintainer/cited_values.csv", "raw/maintainer/composites.csv"
ARCHIVE = "raw/usda-sr28/28/sr28asc.zip"
CITED_FIRST = next(csv.DictReader(kept_lines("cited_values")))
COMPOSITE_FIRST = next(csv.DictReader(kept_lines("composites")))
LAST_FOOD, LAST_INGREDIENT = len(kept_lines("ingredient_foods")), len(kept_lines("ingredients"))
LAST_VALUE = small_members()["NUT_DATA.txt"].count(b"\n")


def flipped_byte(root: Path) -> None:
    path = root / ARCHIVE
    body = bytearray(path.read_bytes())
    body[len(body) // 2] ^= 1
    path.write_bytes(bytes(body))


def wrong_member(root: Path) -> None:
    """The archive is declared as it is, but a file in it is not the declared one."""
    path = root / "raw" / "sources.toml"
    path.write_text(
        re.sub(r'(name = "NUT_DATA.txt"\nsha256 = ")....', r"\g<1>0000", path.read_text(encoding="utf-8")),
        encoding="utf-8",
        newline="\n",
    )


# name: (how to spoil, what the line must say: place, then words of the fault)
CASES: dict[str, tuple[Spoil, str, str]] = {
    "truncated values file, in the middle of a line": (
        values_file(lambda lines: None, cut=30),
        rf"NUT_DATA\.txt:{LAST_VALUE}",
        "fields",
    ),
    "truncated values file, before the last line end": (
        values_file(lambda lines: None, cut=2),
        rf"NUT_DATA\.txt:({LAST_VALUE}|{LAST_VALUE + 1})\b",
        "cut|line",
    ),
    "row with a missing field": (values_file(replaced(1000, b"^^^", b"^^")), r"NUT_DATA\.txt:1000", "17 fields"),
    "row with a field too many": (values_file(replaced(1000, b"^^^", b"^^^^")), r"NUT_DATA\.txt:1000", "19 fields"),
    "byte outside the code page": (values_file(replaced(7, b"~^~", b"\x81~^~")), r"NUT_DATA\.txt:7", "0x81|cp1252"),
    "wrong digest of the archive": (flipped_byte, r"raw/usda-sr28/28/sr28asc\.zip", "digest"),
    "archive is missing": (lambda root: (root / ARCHIVE).unlink(), r"raw/usda-sr28/28/sr28asc\.zip", "missing"),
    "wrong digest of a file in the archive": (wrong_member, r"sr28asc\.zip!?.*NUT_DATA\.txt", "digest"),
    "value that is published twice": (
        values_file(lambda lines: lines.append(lines[0])),
        rf"NUT_DATA\.txt:(1|{LAST_VALUE + 1})\b",
        "twice",
    ),
    "unknown derivation code": (values_file(replaced(1500, b"^~1~^~", b"^~1~^~QQ")), r"NUT_DATA\.txt:1500", "QQ"),
    "unknown source code": (
        values_file(lambda lines: lines.__setitem__(0, lines[0].replace(b"^~1~^~~^", b"^~77~^~~^"))),
        r"NUT_DATA\.txt:1\b",
        "77",
    ),
    "number of the release that is not one": (
        values_file(lambda lines: lines.__setitem__(0, lines[0].replace(b"^0.85^", b"^0,85^"))),
        r"NUT_DATA\.txt:1\b",
        "0,85.*not a number",
    ),
    "sample number of the release that is not one": (
        values_file(lambda lines: lines.__setitem__(0, lines[0].replace(b"^16^", b"^l6^"))),
        r"NUT_DATA\.txt:1\b",
        "l6.*not a",
    ),
    "maintainer row that maps to a cooked food": (
        file(FOODS, appended('chicken-liver,usda-sr28,05028,A,"Chicken, liver, all classes, cooked, simmered",')),
        rf"{FOODS}:{LAST_FOOD}",
        "cooked",
    ),
    "maintainer row that maps to a food with something added": (
        file(
            FOODS,
            appended(
                'chicken-liver,usda-sr28,05314,B,"Chicken, broilers or fryers, breast, skinless, boneless, meat only, '
                'with added solution, raw",no'
            ),
        ),
        rf"{FOODS}:{LAST_FOOD}",
        "added|additions|enhanced|not ",
    ),
    "maintainer row that maps to a food that is not there": (
        file(FOODS, appended("chicken-liver,usda-sr28,99999,A,No such food,")),
        rf"{FOODS}:{LAST_FOOD}",
        "99999",
    ),
    "maintainer row whose food has another name": (
        file(FOODS, altered("chicken-liver,usda-sr28,05027,", "Chicken, liver", "Chicken, lever")),
        rf"{FOODS}:{line_of(FOODS, 'chicken-liver,usda-sr28,05027,')}",
        "05027",
    ),
    "duplicate ingredient id": (
        file(INGREDIENTS, lambda lines: [*lines[:-1], next(t for t in lines if t.startswith("beef-heart,")), ""]),
        rf"{INGREDIENTS}:{LAST_INGREDIENT}",
        f"beef-heart.*{line_of(INGREDIENTS, 'beef-heart,')}",
    ),
    "ingredient id that breaks the rule": (
        file(INGREDIENTS, altered("beef-heart,", "beef-heart,", "Beef_Heart,")),
        rf"{INGREDIENTS}:{line_of(INGREDIENTS, 'beef-heart,')}",
        "Beef_Heart",
    ),
    "component that is not in the registry": (
        file(CITED, altered(CITED_FIRST["id"] + ",", f",{CITED_FIRST['component']},", ",XYZZY,")),
        rf"{CITED}:2\b",
        "XYZZY.*registry",
    ),
    "number that is not one": (
        file(
            CITED,
            altered(
                CITED_FIRST["id"] + ",",
                f",{CITED_FIRST['value']},{CITED_FIRST['unit']},",
                f",1.2.3,{CITED_FIRST['unit']},",
            ),
        ),
        rf"{CITED}:2\b",
        "1\\.2\\.3.*not a number",
    ),
    "number that a machine takes for one": (
        file(
            CITED,
            altered(
                CITED_FIRST["id"] + ",",
                f",{CITED_FIRST['value']},{CITED_FIRST['unit']},",
                f",nan,{CITED_FIRST['unit']},",
            ),
        ),
        rf"{CITED}:2\b",
        "nan.*not a number",
    ),
    "number below zero": (
        file(
            CITED,
            altered(
                CITED_FIRST["id"] + ",",
                f",{CITED_FIRST['value']},{CITED_FIRST['unit']},",
                f",-1,{CITED_FIRST['unit']},",
            ),
        ),
        rf"{CITED}:2\b",
        "-1",
    ),
    "bad header": (
        file(INGREDIENTS, altered("ingredient_id,", "scientific_name", "latin_name")),
        rf"{INGREDIENTS}:1\b",
        "latin_name",
    ),
    "row with a field too few": (
        file(INGREDIENTS, lambda lines: [*lines[:-1], "some-thing,Some thing", ""]),
        rf"{INGREDIENTS}:{LAST_INGREDIENT}",
        "2 fields",
    ),
    "bad caution": (
        file(INGREDIENTS, altered("beef-liver,", "pathogens", "pathogenes")),
        rf"{INGREDIENTS}:{line_of(INGREDIENTS, 'beef-liver,')}",
        "pathogenes",
    ),
    "unknown word": (
        file(INGREDIENTS, altered("beef-heart,", ",raw,", ",rare,")),
        rf"{INGREDIENTS}:{line_of(INGREDIENTS, 'beef-heart,')}",
        "rare",
    ),
    "shares that are not 100": (
        file(
            COMPOSITES, altered(COMPOSITE_FIRST["ingredient_id"] + ",", f",{COMPOSITE_FIRST['share_pct']},", ",26.5,")
        ),
        rf"{COMPOSITES}:2\b",
        "sum|share",
    ),
    "file that is not UTF-8": (
        lambda root: (root / INGREDIENTS).write_bytes((root / INGREDIENTS).read_bytes() + b"\xff\xfe"),
        INGREDIENTS,
        "UTF-8",
    ),
    "file that is missing": (lambda root: (root / CITED).unlink(), CITED, "missing"),
    "declaration that is not TOML": (
        file("raw/sources.toml", lambda lines: [*lines, "release = = 3"]),
        r"raw/sources\.toml",
        "TOML",
    ),
}


# Those of the issue that asked for the job, and one of each kind beside them, run as a user runs them.
BY_COMMAND = (
    "truncated values file, in the middle of a line",
    "row with a missing field",
    "wrong digest of the archive",
    "unknown derivation code",
    "maintainer row that maps to a cooked food",
    "duplicate ingredient id",
    "component that is not in the registry",
    "number that is not one",
    "bad header",
    "bad caution",
    "shares that are not 100",
    "number of the release that is not one",
)


def check(line: str, name: str) -> None:
    _, place, fault = CASES[name]
    assert re.search(place, line), line
    assert re.search(fault, line), line
    what, arrow, cure = line.partition(" -> ")
    assert what and arrow and cure.strip() and "\n" not in line, line


@pytest.mark.parametrize("name", BY_COMMAND)
def test_bad_input_by_command(name: str, root: Path) -> None:
    before = content(root / "curated")
    CASES[name][0](root)
    done = run(root, "build", "--no-workbook")
    progress = ("archival:", "reference:", "curated:", "writing tables")
    told = [line for line in done.stderr.splitlines() if not line.startswith(progress)]
    assert done.returncode == 2, (done.returncode, done.stderr[-2000:])
    assert len(told) == 1 and told[0].startswith("rawref: "), told
    check(told[0], name)
    assert done.stdout == ""
    assert content(root / "curated") == before
    assert not list((root / ".rawref").rglob("*.new*"))


@pytest.mark.parametrize("name", [name for name in CASES if name not in BY_COMMAND])
def test_bad_input(name: str, root: Path) -> None:
    before = content(root / "curated")
    CASES[name][0](root)
    with pytest.raises(InputError) as fault:
        build(Workspace(root), lambda _: None, workbook=False)
    assert fault.value.exit_status == 2
    check(fault.value.line(), name)
    assert content(root / "curated") == before
    assert not list((root / ".rawref").rglob("*.new*"))


def test_after_the_mending_the_build_runs(root: Path) -> None:
    """What was spoilt and put right again gives the same table; the lock and the leftovers are gone."""
    before = content(root / "curated")
    path = root / INGREDIENTS
    good = path.read_bytes()
    path.write_bytes(good + b"x\n")
    assert run(root, "build", "--no-workbook").returncode == 2
    assert "chicken-liver" in run(root, "find", "chicken liver").stdout
    path.write_bytes(good)
    done = run(root, "build", "--no-workbook")
    assert done.returncode == 0, done.stderr
    assert content(root / "curated") == before


def test_a_root_that_is_none(tmp_path: Path) -> None:
    done = run(tmp_path, "build")
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1 and "sources.toml" in done.stderr
