"""The archival stage against the release files themselves, read by other code, and against the published counts."""

from __future__ import annotations

import hashlib
import tomllib
from collections import Counter
from pathlib import Path

import duckdb
import pytest
from rawref.database import connect
from rawref.sources import committed, declared
from rawref.stages.archival import build_archival
from rawref.workspace import Workspace

from tests import oracle
from tests.rebuild import small_members, small_root, with_members

# SR28 Documentation and User Guide (September 2015, slightly revised May 2016), Table 3, p. 28: records per file.
PUBLISHED = {
    "FOOD_DES": 8789,
    "FD_GROUP": 25,
    "LANGUAL": 38301,
    "LANGDESC": 774,
    "NUT_DATA": 679045,
    "NUTR_DEF": 150,
    "SRC_CD": 10,
    "DERIV_CD": 55,
    "WEIGHT": 15438,
    "FOOTNOTE": 553,
    "DATSRCLN": 244496,
    "DATA_SRC": 681,
}
# What the pinned copy holds instead: one bad record of FOOTNOTE was removed by its distributor, DATA_SRC has one more.
OURS = PUBLISHED | {"FOOTNOTE": 552, "DATA_SRC": 682}

# Counted in NUT_DATA: rows, zeros, rows with samples behind them, by source code.
SOURCE_CODES = {
    "1": (359801, 55098, 200056),
    "4": (206575, 58589, 1301),
    "5": (408, 10, 3),
    "6": (7341, 2109, 1611),
    "7": (61269, 61269, 47),
    "8": (9157, 2007, 4947),
    "9": (28350, 2608, 4714),
    "11": (822, 113, 641),
    "12": (4246, 664, 1635),
    "13": (1076, 138, 1001),
}

# Fields without tildes: numbers, and the two that the release leaves bare (SR28 documentation p. 30 to 38).
BARE = {
    "FOOD_DES": {"Refuse", "N_Factor", "Pro_Factor", "Fat_Factor", "CHO_Factor"},
    "NUT_DATA": {
        "Nutr_Val",
        "Num_Data_Pts",
        "Std_Error",
        "Num_Studies",
        "Min",
        "Max",
        "DF",
        "Low_EB",
        "Up_EB",
        "AddMod_Date",
        "CC",
    },
    "WEIGHT": {"Seq", "Amount", "Gm_Wgt", "Num_Data_Pts", "Std_Dev"},
}


@pytest.mark.parametrize("name", sorted(PUBLISHED))
def test_every_field_is_verbatim(built: duckdb.DuckDBPyConnection, name: str) -> None:
    """Written back from the database, line by line, the file has the bytes of the release: nothing lost or changed.

    "" stands between tildes and null is bare, so that the two kept apart is part of the proof; so are the line
    numbers and the characters of code page 1252.
    """
    cursor = built.execute(f"select * from archival.sr28_{name.lower()} order by line")
    columns = [c[0] for c in cursor.description or []]
    assert columns[-1] == "line"
    bare = [column in BARE.get(name, set()) for column in columns[:-1]]
    written = hashlib.sha256()
    place = 0
    while chunk := cursor.fetchmany(50_000):
        out = []
        for *row, line in chunk:
            place += 1
            assert line == place
            out.append("^".join("" if t is None else t if b else f"~{t}~" for t, b in zip(row, bare, strict=True)))
        written.update(("\r\n".join(out) + "\r\n").encode("cp1252"))
    assert place == OURS[name]
    assert written.hexdigest() == hashlib.sha256(oracle.member(f"{name}.txt")).hexdigest()


def test_counts_agree_with_the_documentation() -> None:
    """10 of the 12 files have the published number of records; the two that differ are known and declared."""
    counted = {name: len(oracle.lines(f"{name}.txt")) for name in PUBLISHED}
    assert counted == OURS
    assert sorted(n for n in PUBLISHED if counted[n] != PUBLISHED[n]) == ["DATA_SRC", "FOOTNOTE"]
    declared_text = tomllib.loads((oracle.ROOT / "raw" / "sources.toml").read_text(encoding="utf-8"))
    differs = declared_text["source"][0]["release"][0]["differs"]
    assert all(figure in differs for figure in ("553", "552", "682", "681"))
    members = declared_text["source"][0]["release"][0]["member"]
    assert {m["name"].removesuffix(".txt"): m["records"] for m in members} == OURS


def test_records_and_digests_are_kept(built: duckdb.DuckDBPyConnection) -> None:
    kept = {
        f: (s, b, n)
        for f, s, b, n in built.execute(
            "select file, sha256, bytes, records from archival.files where source = 'usda-sr28'"
        ).fetchall()
    }
    for name, records in OURS.items():
        body = oracle.member(f"{name}.txt")
        assert kept[f"{name}.txt"] == (hashlib.sha256(body).hexdigest(), len(body), records)


def test_source_and_derivation_codes(built: duckdb.DuckDBPyConnection) -> None:
    """Per code: rows, zeros and rows with samples, counted here from the lines, in the database, and as published."""
    here: dict[str, Counter[str]] = {kind: Counter() for kind in ("rows", "zeros", "sampled")}
    derivations: Counter[tuple[str, str]] = Counter()
    for line in oracle.lines("NUT_DATA.txt"):
        part = line.split(b"^")
        code, derivation = part[5].decode().strip("~"), part[6].decode().strip("~")
        here["rows"][code] += 1
        here["zeros"][code] += float(part[2]) == 0
        here["sampled"][code] += int(part[3]) > 0
        derivations[code, derivation] += 1
    assert {c: (here["rows"][c], here["zeros"][c], here["sampled"][c]) for c in here["rows"]} == SOURCE_CODES
    kept = built.execute("""
        select source_code, count(*), count(*) filter (text::decimal(20, 6) = 0), count(*) filter (n::int > 0)
        from archival."values" where source = 'usda-sr28' group by 1""").fetchall()
    assert {c: tuple(rest) for c, *rest in kept} == SOURCE_CODES
    kept_derivations = built.execute("""select source_code, derivation, count(*) from archival."values"
        where source = 'usda-sr28' group by 1, 2""").fetchall()
    assert {(c, d): n for c, d, n in kept_derivations} == derivations
    blank = sum(n for (_, d), n in derivations.items() if d == "")
    assert (blank, derivations["1", ""], len({d for _, d in derivations} - {""})) == (172747, 136122, 55)


def test_derivation_counts_of_the_status_map() -> None:
    """The map states rows, zeros and sampled rows of each of the 55 codes; they are what the file holds."""
    rows: Counter[str] = Counter()
    zeros: Counter[str] = Counter()
    for line in oracle.lines("NUT_DATA.txt"):
        part = line.split(b"^")
        derivation = part[6].decode().strip("~")
        rows[derivation] += 1
        zeros[derivation] += float(part[2]) == 0
    mapped = [r for r in oracle.schema("status_map") if r["source"] == "usda-sr28" and r["kind"] == "derivation"]
    assert len(mapped) == 55
    for row in mapped:
        assert f"rows {rows[row['code']]}, zeros {zeros[row['code']]}," in row["note"] + ",", row["code"]


def test_status_map_is_the_dossiers() -> None:
    """Our copy of the map gives every SR28 code the status of the dossier value_status_map.csv."""
    path = oracle.ROOT.parent / "shared" / "reference" / "value_status_map.csv"
    if not path.is_file():
        pytest.skip("no shared/reference/value_status_map.csv beside the checkout")
    keys = {"usda_sr28_src": "source_code", "usda_sr28_deriv": "derivation"}
    theirs = {(keys[r["source"]], r["code"]): r["status"] for r in oracle.read_csv(path) if r["source"] in keys}
    assert {key: status for key, status in oracle.status_map().items() if key[0] != "rule"} == theirs


def test_empty_and_null_are_two_things(built: duckdb.DuckDBPyConnection) -> None:
    """~~ is an empty text, nothing between carets is null, and ~NA~ is sodium's tagname."""
    texts, nulls = built.execute("""select count(*) filter (Deriv_Cd = ''), count(*) filter (Std_Error is null)
        from archival.sr28_nut_data""").fetchall()[0]
    assert (texts, 679045 - nulls) == (172747, 111929)
    assert built.execute(
        "select count(*) from archival.sr28_nut_data where Deriv_Cd is null or Std_Error = ''"
    ).fetchall() == [(0,)]
    assert built.execute("select Tagname from archival.sr28_nutr_def where Nutr_No = '307'").fetchall() == [("NA",)]
    assert built.execute(
        "select tagname from archival.components where source = 'usda-sr28' and source_component = '307'"
    ).fetchall() == [("NA",)]


def test_code_page_1252(built: duckdb.DuckDBPyConnection) -> None:
    """The documentation (p. 27) says ISO 8859-1; the bytes 0x91 to 0x94, 0xA0, 0xB5 and 0xE9 show code page 1252."""
    count = built.execute("select count(*) from archival.sr28_nutr_def where Units = 'µg'").fetchall()[0][0]
    assert count == sum(line.count(b"\xb5g") for line in oracle.lines("NUTR_DEF.txt")) > 0
    notes = "".join(t for (t,) in built.execute("select Footnt_Txt from archival.sr28_footnote").fetchall())
    raw = oracle.member("FOOTNOTE.txt")
    assert (notes.count("\xa0"), notes.count("”")) == (raw.count(b"\xa0"), raw.count(b"\x94")) == (20, 20)
    row = built.execute("select * exclude (line) from archival.sr28_food_des where NDB_No = '09520'").fetchall()[0]
    assert any(text and "‘" in text and "’" in text for text in row)
    measure = built.execute("select Msre_Desc from archival.sr28_weight where NDB_No = '22996'").fetchall()
    assert any("é" in text for (text,) in measure)
    assert not built.execute(
        "select 1 from archival.foods where regexp_matches(name, '[\\x{80}-\\x{9f}\\x{fffd}]')"
    ).fetchall()


def test_lines_of_the_common_tables(built: duckdb.DuckDBPyConnection) -> None:
    """A sample spread over the whole file, its first and last line included, stands on the line that is named."""
    total = OURS["NUT_DATA"]
    wanted = sorted({1, 2, total, *range(7, total, 6173)})
    kept = built.execute(
        """
        select line, food_id, source_component, text, unit, n, se, "min", "max", source_code, derivation, donor_food_id,
          stat_comment, date, file from archival."values"
        where source = 'usda-sr28' and line in (select unnest($1)::text)""",
        [wanted],
    ).fetchall()
    assert len(kept) == len(wanted)
    for line, *row, file in kept:
        f = oracle.fields(int(line))
        blank = {name: f[name] or None for name in ("Ref_NDB_No", "Stat_Cmt", "AddMod_Date")}
        assert file == "NUT_DATA.txt"
        assert row == [
            f["NDB_No"],
            f["Nutr_No"],
            f["Nutr_Val"],
            oracle.units()[str(f["Nutr_No"])],
            f["Num_Data_Pts"],
            f["Std_Error"],
            f["Min"],
            f["Max"],
            f["Src_Cd"],
            f["Deriv_Cd"],
            blank["Ref_NDB_No"],
            blank["Stat_Cmt"],
            blank["AddMod_Date"],
        ]


def test_rows_in_are_rows_kept_and_set_aside(built: duckdb.DuckDBPyConnection) -> None:
    def kept(table: str) -> int:
        return int(
            built.execute(f"select count(*) from archival.\"{table}\" where source = 'usda-sr28'").fetchall()[0][0]
        )

    aside = built.execute(
        "select file, line::int, reason, content from archival.set_aside where source = 'usda-sr28' order by 2"
    ).fetchall()
    count = Counter(file for file, *_ in aside)
    assert kept("foods") == OURS["FOOD_DES"]
    assert kept("components") == OURS["NUTR_DEF"]
    assert kept("langual") == OURS["LANGUAL"]
    assert kept("references") == OURS["DATA_SRC"]
    assert kept("value_references") == OURS["DATSRCLN"]
    assert kept("values") + count["NUT_DATA.txt"] == OURS["NUT_DATA"]
    assert kept("footnotes") + count["FOOTNOTE.txt"] == OURS["FOOTNOTE"]
    # Three notes point at a value that is not published.
    published = oracle.line_numbers()
    dangling = [
        (number, f"{row[0]}/{row[3]}")
        for number, row in enumerate(oracle.table("FOOTNOTE"), start=1)
        if row[2] == "N" and str(row[3]) not in published[str(row[0])]
    ]
    assert [(line, content) for _, line, _, content in aside] == dangling
    assert sorted(content for _, content in dangling) == ["04014/430", "08471/573", "11240/636"]
    assert all(reason for _, _, reason, _ in aside)


def test_a_value_without_food_or_component_is_set_aside(tmp_path: Path) -> None:
    """Rows that cannot be kept are counted with a reason, not dropped."""
    space = small_root(tmp_path / "root")
    body = small_members()["NUT_DATA.txt"]
    count = body.count(b"\n")
    template = oracle.lines("NUT_DATA.txt")[0]
    strange = template.replace(b"~01001~", b"~99999~") + b"\r\n" + template.replace(b"~203~", b"~999~") + b"\r\n"
    with_members(space, {"NUT_DATA.txt": body + strange})
    with connect() as con:
        build_archival(con, declared(Workspace(space)), list(committed(Workspace(space))), space / "schemas")
        aside = con.execute(
            "select line, reason, content from archival.set_aside where file = 'NUT_DATA.txt' order by line::int"
        ).fetchall()
        kept = con.execute("select count(*) from archival.\"values\" where source = 'usda-sr28'").fetchall()[0][0]
    assert kept == count
    assert [(int(line) - count, content) for line, _, content in aside] == [(1, "99999/203"), (2, "01001/999")]
    assert "food" in aside[0][1] and "component" in aside[1][1]
