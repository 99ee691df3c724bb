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
from decimal import Decimal
from pathlib import Path

import pytest
from rawref import registry
from rawref.errors import InputError
from rawref.release.build import build
from rawref.sources import maintainer
from rawref.workspace import Workspace

from tests import oracle
from tests.rebuild import content, kept_lines, small_members, with_members


def run(root: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own, with `root` as the top folder."""
    return subprocess.run(
        [sys.executable, "-m", "rawref", "--root", str(root), *arguments],
        cwd=oracle.ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "HOME": str(root), **environment},
    )


@pytest.fixture
def root(small_workspace: Workspace, tmp_path: Path) -> Path:
    """A small root whose table is built and published, to spoil."""
    return Path(shutil.copytree(small_workspace.root, tmp_path / "root"))


Spoil = Callable[[Path], None]


def values_file(change: Callable[[list[bytes]], None], *, cut: int = 0, count: bool = True) -> Spoil:
    """Spoil the values file: `change` its lines, then `cut` bytes from its end."""
    return member_file("NUT_DATA", change, cut=cut, count=count)


def member_file(stem: str, change: Callable[[list[bytes]], None], *, cut: int = 0, count: bool = True) -> Spoil:
    """Spoil a file of the archive; its digest is declared anew, and its records too if `count`."""

    def spoil(root: Path) -> None:
        name = f"{stem}.txt"
        lines = small_members().get(name, oracle.member(name)).split(b"\r\n")[:-1]
        change(lines)
        body = b"\r\n".join(lines) + b"\r\n"
        with_members(root, {name: body[: len(body) - cut]}, count=count)

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


def cited(start: str, old: str, new: str) -> Spoil:
    """Spoil the record of cited_values.csv whose id is `start`."""
    return file(CITED, altered(f"{start},", old, new))


def without_status(code: str) -> Spoil:
    """Take a code of SR28 out of the status map."""
    return file("schemas/status_map.csv", lambda lines: [t for t in lines if not t.startswith(f"usda-sr28,{code},")])


def undeclared_records(root: Path) -> None:
    """The declaration of a file lost its number of records."""
    path = root / "raw" / "sources.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("records = 10\n", ""), encoding="utf-8", newline="\n")


BIOTIN, ASH_CA = "beef-liver-biot-mext", "beef-bone-fresh-ca-paloheimo-1965"
IODINE = "pork-tenderloin-lean-id-mext"
BIOTIN_PLACE, ASH_CA_PLACE, IODINE_PLACE = (
    rf"{CITED}:{line_of(CITED, start + ',')}:" for start in (BIOTIN, ASH_CA, IODINE)
)
_TEXT = ',{},ug,"per 100 g edible portion, raw",{}'
COMPOSITE = COMPOSITE_FIRST["ingredient_id"]
DECISIONS, ALIASES = "raw/maintainer/decisions.csv", "raw/maintainer/ingredient_aliases.csv"
DECISION = "probe,{source},05027,{component},{ingredient},{tag},,,acknowledge,x,x,,open"

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
    "unknown source code, the derivation being known": (
        values_file(replaced(3, b"^~4~^~NC~", b"^~99~^~NC~")),
        r"NUT_DATA\.txt:3\b",
        r"Src_Cd '99' is not in SRC_CD\.txt, 1 rows",
    ),
    "unknown derivation code, the source code being known": (
        values_file(replaced(3, b"^~4~^~NC~", b"^~4~^~NX~")),
        r"NUT_DATA\.txt:3\b",
        r"Deriv_Cd 'NX' is not in DERIV_CD\.txt",
    ),
    "value without a source code": (
        values_file(replaced(3, b"^~4~^~NC~", b"^~~^~NC~")),
        r"NUT_DATA\.txt:3\b",
        r"Src_Cd '' is not in SRC_CD\.txt",
    ),
    "code that the release no longer lists": (
        member_file("DERIV_CD", lambda lines: lines.remove(next(t for t in lines if t.startswith(b"~NC~")))),
        r"NUT_DATA\.txt:3\b",
        r"Deriv_Cd 'NC' is not in DERIV_CD\.txt",
    ),
    "derivation code without a status": (
        without_status("derivation,NC"),
        r"NUT_DATA\.txt:3\b",
        "Deriv_Cd 'NC' has no status.*status_map",
    ),
    "source code without a status": (
        without_status("source_code,4"),
        r"NUT_DATA\.txt:3\b",
        "Src_Cd '4' has no status",
    ),
    "unknown statistical comment": (
        values_file(replaced(13, b"~2, 3~", b"~2, 5~")),
        r"NUT_DATA\.txt:13\b",
        "Stat_Cmt '2, 5' is not in the documentation",
    ),
    "unknown mark of an added nutrient": (
        values_file(replaced(3, b"~NC~^~~^~~^", b"~NC~^~~^~X~^")),
        r"NUT_DATA\.txt:3\b",
        "Add_Nutr_Mark 'X'",
    ),
    "confidence code, which has no meaning yet": (
        values_file(lambda lines: lines.__setitem__(12, lines[12] + b"~A~")),
        r"NUT_DATA\.txt:13\b",
        "CC 'A'",
    ),
    "two unknown codes are both listed, the first place first": (
        values_file(lambda lines: (replaced(13, b"~2, 3~", b"~9~")(lines), replaced(3, b"^~4~", b"^~99~")(lines))[0]),
        r"NUT_DATA\.txt:3\b",
        "2 unknown codes: Src_Cd '99'.*Stat_Cmt '9'.*from line 13",
    ),
    "unknown food group": (
        member_file("FOOD_DES", replaced(3, b"~0100~", b"~0199~")),
        r"FOOD_DES\.txt:3\b",
        r"FdGrp_Cd '0199' is not in FD_GROUP\.txt",
    ),
    "unknown mark of the survey": (
        member_file("FOOD_DES", replaced(3, b"^~Y~^", b"^~y~^")),
        r"FOOD_DES\.txt:3\b",
        "Survey 'y'",
    ),
    "unknown LanguaL factor": (
        member_file("LANGUAL", replaced(1, b"~A0273~", b"~A9999~")),
        r"LANGUAL\.txt:1\b",
        r"Factor_Code 'A9999' is not in LANGDESC\.txt",
    ),
    "unknown type of footnote": (
        member_file("FOOTNOTE", replaced(1, b"^~D~^", b"^~Q~^")),
        r"FOOTNOTE\.txt:1\b",
        "Footnt_Typ 'Q'",
    ),
    "unknown unit": (
        member_file("NUTR_DEF", replaced(2, b"^~g~^", b"^~gr~^")),
        r"NUTR_DEF\.txt:2\b",
        "in 'gr', a unit that is not known",
    ),
    "values file that ends at a line end too early": (
        values_file(lambda lines: lines.pop() and None, count=False),
        r"sr28asc\.zip!NUT_DATA\.txt",
        f"{LAST_VALUE - 1} records where {LAST_VALUE} are due",
    ),
    "code file with a record too many": (
        member_file("SRC_CD", lambda lines: lines.append(b"~14~^~Planted~"), count=False),
        r"sr28asc\.zip!SRC_CD\.txt",
        "11 records where 10 are due",
    ),
    "number of records that is not declared": (undeclared_records, r"raw/sources\.toml", "records"),
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
    "cited value in another unit": (cited(BIOTIN, ",76,ug,", ",76,mg,"), BIOTIN_PLACE, "unit is mg.*BIOT is ug"),
    "cited value with an unknown step": (
        cited(BIOTIN, ",[],", ',"[""nope""]",'),
        BIOTIN_PLACE,
        "step 'nope' is not defined",
    ),
    "cited value whose step is no text": (cited(BIOTIN, ",[],", ",[1],"), BIOTIN_PLACE, "step 1 is not defined"),
    "cited value whose step leads to another unit": (
        cited(BIOTIN, ",[],", ',"[""g_to_mg""]",'),
        BIOTIN_PLACE,
        "g_to_mg leads to same in mg, not to BIOT in ug",
    ),
    "cited value whose step leads to another component": (
        cited(ASH_CA, "bone_ash_to_ca", "bone_ash_to_p"),
        ASH_CA_PLACE,
        "bone_ash_to_p leads to P in mg, not to CA",
    ),
    "cited value that is not its text": (
        cited(BIOTIN, ",76,ug,", ",67,ug,"),
        BIOTIN_PLACE,
        "text '76.0' gives value 76, not 67",
    ),
    "cited value with a decimal comma that is not its text": (
        cited("chicken-liver-id-ciqual", ",2.4,", ",24,"),
        rf"{CITED}:{line_of(CITED, 'chicken-liver-id-ciqual,')}:",
        "text '2,4' gives value 2.4, not 24",
    ),
    "cited value that is not its text by its steps": (
        cited(ASH_CA, ",12876,", ",12867,"),
        ASH_CA_PLACE,
        "by the steps.*bone_ash_to_ca.*gives value 12876, not 12867",
    ),
    "cited value whose step was left out": (
        cited(ASH_CA, '"[""bone_ash_to_ca""]"', "[]"),
        ASH_CA_PLACE,
        "gives value 34.8, not 12876",
    ),
    "cited range that is not its text": (
        cited(IODINE, _TEXT.format("1,1", "measured,,,"), _TEXT.format("0.8 to 1.2,", "measured,0.8,1.3,")),
        IODINE_PLACE,
        "gives high 1.2, not 1.3",
    ),
    "cited limit that is not its text": (
        cited(IODINE, _TEXT.format("1,1", "measured,,,"), _TEXT.format("< 0.6,", "below_detection,0,0.5,")),
        IODINE_PLACE,
        "gives high 0.6, not 0.5",
    ),
    "cited value below its own range": (cited(ASH_CA, ",5318.13,", ",12900,"), ASH_CA_PLACE, "low 12900.*not in order"),
    "cited value above its own range": (cited(ASH_CA, ",14763,", ",12800,"), ASH_CA_PLACE, "high 12800.*not in order"),
    "cited value without a number": (cited(IODINE, ",1,1,ug,", ",some,,ug,"), IODINE_PLACE, "neither value nor low"),
    "cited trace with a value": (cited(IODINE, ",measured,", ",trace,"), IODINE_PLACE, "value 1 with status trace"),
    "cited number that only the model takes for none": (
        cited(ASH_CA, ",14763,", ",1e999,"),
        ASH_CA_PLACE,
        "high '1e999' is not a finite number",
    ),
    "misspelt status: the near word, and all words": (
        cited(IODINE, ",measured,", ",measurd,"),
        IODINE_PLACE,
        "status 'measurd' is not a word of its list -> did you mean 'measured'\\? the words are 'measured', ",
    ),
    "basis cut short: words that hold commas are quoted": (
        cited(IODINE, "per 100 g edible portion, raw", "per 100 g"),
        IODINE_PLACE,
        "the words are 'per 100 g edible portion, raw', 'per 100 g as supplied'$",
    ),
    "unknown part: a long list is named by its file": (
        file(INGREDIENTS, altered("beef-bone-fresh,", ",bone,", ",bona,")),
        rf"{INGREDIENTS}:\d+:",
        r"part 'bona' .* did you mean .*'bone'.* the words are in schemas/parts\.csv$",
    ),
    "record without its citation": (
        cited(IODINE, ",mext-2020,", ",,"),
        IODINE_PLACE,
        "citation_id is empty -> fill it in: citation$",
    ),
    "how a figure was seen, in free words": (
        cited(IODINE, ",official file,", ",looked it up,"),
        IODINE_PLACE,
        "seen_how 'looked it up' is not a word .* 'official file', 'primary document', 'abstract', 'secondary quote', ",
    ),
    "quote that nobody closes: the line on which it opens": (
        file(CITED, altered(f"{IODINE},", "per 100 g edible portion, raw\"", "per 100 g edible portion, raw")),
        IODINE_PLACE,
        "not CSV: .* -> a quoted field begins on this line",
    ),
    "cited record that repeats an unknown source": (
        cited(IODINE, ",mext,11140,", ",mexx,11140,"),
        IODINE_PLACE,
        "repeats_source 'mexx'",
    ),
    "food of an unknown source": (
        file(FOODS, appended("chicken-liver,usda-sr29,05027,A,Some food,")),
        rf"{FOODS}:{LAST_FOOD}:",
        "source 'usda-sr29' is not one of usda-sr28, usda-fdc",
    ),
    "decision on an unknown source": (
        file(DECISIONS, appended(DECISION.format(source="mexx", component="", ingredient="", tag=""))),
        rf"{DECISIONS}:2:",
        "source 'mexx'",
    ),
    "part of a composite that is no part": (
        file(INGREDIENTS, altered("beef-bone-fresh,", ",raw,", ",composite,")),
        rf"{COMPOSITES}:2:",
        "beef-bone-fresh is of kind composite, and is a part",
    ),
    "composite that is not called one": (
        file(INGREDIENTS, altered(f"{COMPOSITE},", ",composite,", ",raw,")),
        rf"{COMPOSITES}:2:",
        f"{COMPOSITE} is of kind raw, and has parts",
    ),
    "composite without parts": (
        file(INGREDIENTS, altered("beef-heart,", ",raw,", ",composite,")),
        rf"{INGREDIENTS}:{line_of(INGREDIENTS, 'beef-heart,')}:",
        "beef-heart has no parts",
    ),
    "decision on an ingredient that is not there": (
        file(DECISIONS, appended(DECISION.format(source="mext", component="", ingredient="unicorn", tag=""))),
        rf"{DECISIONS}:2:",
        "ingredient_id 'unicorn' is not in ingredients.csv",
    ),
    "two decisions that strike out one value": (
        file(DECISIONS, lambda lines: [*lines[:-1], *(
            f"{name},usda-sr28,05027,312,{ingredient},CU,0.492,,reject,x,x,,open"
            for name, ingredient in (("one", ""), ("other", "chicken-liver"))
        ), ""]),
        rf"{DECISIONS}:3:",
        "other would reject what one does",
    ),
    "decision on a component that is not in the registry": (
        file(DECISIONS, appended(DECISION.format(source="mext", component="", ingredient="", tag="XYZZY"))),
        rf"{DECISIONS}:2:",
        "XYZZY.*registry",
    ),
    "alias of an ingredient that is not there": (
        file(ALIASES, appended("old-liver,unicorn-liver,renamed,2026.11.1,")),
        rf"{ALIASES}:2:",
        "unicorn-liver",
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
    "cited value in another unit",
    "cited number that only the model takes for none",
    "unknown source code, the derivation being known",
    "values file that ends at a line end too early",
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


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('a,b\n1,"x, ""y"""\n', None),
        ('a,b\r\n"1\r\n2",3\r\n', None),
        ('a,b\n1,x "y"\n', None),
        ('a,b\n1,"x\n2,y\n3,z\n', 2),
        ('a,b\n"1\n2",3\n4,"5"6\n7,8\n', 4),
        ('a,b\n"1\n2","3\n4,5\n', 3),
    ],
)
def test_a_faulty_quote_is_told_by_the_line_on_which_it_opens(tmp_path: Path, text: str, line: int | None) -> None:
    """RFC 4180, 2.5 to 2.7: a quoted field may hold commas and line ends, and a quote inside it is written twice."""
    path = tmp_path / "x.csv"
    path.write_bytes(text.encode())
    assert registry.faulty_quote(text) == line
    if line is None:
        assert [len(row) for _, row in registry.read_csv(path)]
    else:
        with pytest.raises(InputError, match=rf"^x\.csv:{line}: not CSV"):
            list(registry.read_csv(path))


def test_every_cap_of_a_grade_is_a_word_of_a_vocabulary(checkout: Workspace) -> None:
    """schemas/confidence.csv: a cap that no status and no seen_how can be would never hold."""
    words = registry.vocabularies(checkout.schemas)
    rubric = [r for _, r in registry.read_csv(checkout.schemas / "confidence.csv")]
    caps = {r["code"] for r in rubric if r["criterion"] == "cap"}
    # three are said by the number of samples, by other tables and by the figure, not by a word: test_completeness.py
    assert {"abstract", "secondary quote", "imputed"} <= caps
    assert caps <= {*words["status"], *words["seen_how"], "few samples", "outside the range", "zero without evidence"}


@pytest.mark.parametrize(
    ("text", "factors", "given", "stated"),
    [
        ("76.0", [], "value", {"value": "76"}),
        ("78,2", [], "value", {"value": "78.2"}),
        ("32.2 % w/w", ["1000"], "value", {"value": "32200"}),
        ("16.2 ± 9.7 µg/kg", ["0.1"], "value", {"value": "1.62"}),
        ("49.17b ± 0.41", [], "value", {"value": "49.17"}),
        ("60-100mg/100g ww", [], "range", {"low": "60", "high": "100"}),
        ("3.5 to 4.0 micromoles/g", ["2"], "range", {"low": "7", "high": "8"}),
        ("< 8,6", ["10"], "range", {"high": "86"}),
        # what is not held: thousands set off, powers of ten, means within a range, words, steps with a formula
        *((text, [], "value", {}) for text in ("1,654.02 mg", "1,654 mg", "12 000 mg", "1.2E3", "1.2 × 10^3 mg")),
        *((text, [], "value", {}) for text in ("60-100 mg, mean 80", "averaged 50 mg", "traces")),
        ("60.92", [""], "value", {}),
    ],
)
def test_which_texts_of_a_cited_value_are_held_against_the_number(
    text: str, factors: list[str], given: str, stated: dict[str, str]
) -> None:
    row = {"text": text, "value": 0.0 if given == "value" else None, "low": 0.0, "high": 0.0}
    found = maintainer._stated(row, factors)
    assert found == {column: Decimal(number) for column, number in stated.items()}


def test_a_root_that_is_none(tmp_path: Path) -> None:
    done = run(tmp_path, "build")
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1 and "sources.toml" in done.stderr
