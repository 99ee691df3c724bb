"""Reader of the USDA National Nutrient Database for Standard Reference in its ASCII form (Release 28).

All twelve files are read. Layout: Documentation and User Guide, September 2015, p. 27 to 38.
"""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING

from rawref import registry
from rawref.database import beside
from rawref.errors import InputError
from rawref.sources import Release, opened_archive, require_digest
from rawref.sources.layouts import record_file

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

ID = "usda-sr28"
PREFIX = "sr28"

LAYOUT = {
    "FOOD_DES": "NDB_No FdGrp_Cd Long_Desc Shrt_Desc ComName ManufacName Survey Ref_desc Refuse SciName N_Factor"
    " Pro_Factor Fat_Factor CHO_Factor",
    "FD_GROUP": "FdGrp_Cd FdGrp_Desc",
    "LANGUAL": "NDB_No Factor_Code",
    "LANGDESC": "Factor_Code Description",
    "NUT_DATA": "NDB_No Nutr_No Nutr_Val Num_Data_Pts Std_Error Src_Cd Deriv_Cd Ref_NDB_No Add_Nutr_Mark Num_Studies"
    " Min Max DF Low_EB Up_EB Stat_Cmt AddMod_Date CC",
    "NUTR_DEF": "Nutr_No Units Tagname NutrDesc Num_Dec SR_Order",
    "SRC_CD": "Src_Cd SrcCd_Desc",
    "DERIV_CD": "Deriv_Cd Deriv_Desc",
    "WEIGHT": "NDB_No Seq Amount Msre_Desc Gm_Wgt Num_Data_Pts Std_Dev",
    "FOOTNOTE": "NDB_No Footnt_No Footnt_Typ Nutr_No Footnt_Txt",
    "DATSRCLN": "NDB_No Nutr_No DataSrc_ID",
    "DATA_SRC": "DataSrc_ID Authors Title Year Journal Vol_City Issue_State Start_Page End_Page",
}
"""The twelve files and their fields in order."""

LISTED = {
    ("FOOD_DES", "FdGrp_Cd"): "FD_GROUP",
    ("LANGUAL", "Factor_Code"): "LANGDESC",
    ("NUT_DATA", "Src_Cd"): "SRC_CD",
    ("NUT_DATA", "Deriv_Cd"): "DERIV_CD",
}
"""Coded fields, and the file of the release that lists their codes in its first field."""
BLANK = ("Deriv_Cd",)
"""Those that may be empty: most of the older records have no derivation."""
CLOSED = {
    ("FOOD_DES", "Survey"): "Y?",
    ("FOOTNOTE", "Footnt_Typ"): "[DMN]",
    ("NUT_DATA", "Add_Nutr_Mark"): "[YN]?",
    ("NUT_DATA", "Stat_Cmt"): r"([1-4](, [1-4])*)?",
    ("NUT_DATA", "CC"): "",
}
"""Coded fields whose codes the documentation gives (p. 30 to 36). The release also holds N of Add_Nutr_Mark, and the
last part of comment 3 (p. 33) as 4, as in older manuals; CC, the confidence code, has no codes yet (p. 33)."""
KEYED = ("FOOD_DES", "FD_GROUP", "LANGDESC", "NUTR_DEF", "SRC_CD", "DERIV_CD", "DATA_SRC")
"""Files whose first field is their key: joined by it, a row that stands twice would double the values."""
STATUS = {"Src_Cd": "source_code", "Deriv_Cd": "derivation"}
"""Coded fields whose every code needs a status in schemas/status_map.csv, and what they are called there."""


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.sr28_<file> and return the SELECT of each common archival table."""
    from rawref.sources.text import LegacyText, store_legacy_text

    archive = release.files[0]
    expected = release.members
    if set(expected) != {f"{name}.txt" for name in LAYOUT}:
        raise InputError(
            "twelve members must be declared", "raw/sources.toml", "declare each [[source.release.member]]"
        )
    where = f"{archive.parent.parent.name}/{archive.name}"
    with opened_archive(archive, expected, where) as bundle, ThreadPoolExecutor(2) as pool:

        def read(name: str) -> LegacyText:
            stem = name.removesuffix(".txt")
            with beside(con) as other:
                return store_legacy_text(
                    other,
                    f'archival."{PREFIX}_{stem.lower()}"',
                    partial(bundle.open, name),
                    LAYOUT[stem].split(),
                    f"{archive.name}!{name}",
                )

        # The values are most of the bytes: the other files are read beside them.
        order = sorted(expected, key=lambda name: bundle.getinfo(name).file_size, reverse=True)
        texts = dict(zip(order, pool.map(read, order), strict=True))
        for name, member in expected.items():
            text = texts[name]
            require_digest(text.sha256, member.sha256, f"{where}!{name}")
            if text.lines != member.records:
                raise InputError(
                    f"{text.lines} records where {member.records} are due",
                    f"{where}!{name}",
                    "restore the pinned archive with git checkout; of another release, declare the records in"
                    " raw/sources.toml",
                )
            record_file(con, ID, release.release, name, member.sha256, text.size, text.lines)
    _require_keys(con, archive.name)
    _require_known_codes(con, archive.name, layouts.parent)
    return _common(release.release)


def _require_keys(con: duckdb.DuckDBPyConnection, archive: str) -> None:
    """Every key stands once in its file; InputError with the second line of the first one that does not."""
    for stem in KEYED:
        key = LAYOUT[stem].split()[0]
        found = con.execute(
            f"select {key}, line from archival.{PREFIX}_{stem.lower()}"
            f" qualify row_number() over (partition by {key} order by line) = 2 order by line limit 1"
        ).fetchall()
        for code, line in found:
            raise InputError(f"{key} {code!r} stands twice", f"{archive}!{stem}.txt:{line}", "restore the pinned file")


def _require_known_codes(con: duckdb.DuckDBPyConnection, archive: str, schemas: Path) -> None:
    """Every coded field holds codes of its list, and each code of a value has a status; InputError lists the others."""
    mapped = {kind: set[str]() for kind in STATUS.values()}
    for _, row in registry.read_csv(schemas / "status_map.csv", "schemas/status_map.csv"):
        if row["source"] == ID and row["kind"] in mapped:
            mapped[row["kind"]].add(row["code"])
    unknown: list[tuple[str, int, str]] = []
    for stem in dict.fromkeys(stem for stem, _ in (*LISTED, *CLOSED)):
        fields = [field for of, field in (*LISTED, *CLOSED) if of == stem]
        found: dict[tuple[str, str], tuple[int, int]] = {}
        for *codes, line, rows in con.execute(
            f"select {', '.join(fields)}, min(line), count(*) from archival.{PREFIX}_{stem.lower()} group by all"
        ).fetchall():
            for key in zip(fields, (code or "" for code in codes), strict=True):
                first, count = found.get(key, (line, 0))
                found[key] = min(first, line), count + rows
        listed = {field: _listed(con, LISTED[stem, field]) for field in fields if (stem, field) in LISTED}
        for (field, code), (line, count) in found.items():
            if code == "" and field in BLANK:
                continue
            if field in listed and code not in listed[field]:
                fault = f"is not in {LISTED[stem, field]}.txt"
            elif field not in listed and not re.fullmatch(CLOSED[stem, field], code):
                fault = "is not in the documentation"
            elif field in STATUS and code not in mapped[STATUS[field]]:
                fault = "has no status"
            else:
                continue
            unknown.append((f"{archive}!{stem}.txt", line, f"{field} {code!r} {fault}, {count} rows from line {line}"))
    if unknown:
        file, line, _ = min(unknown)
        raise InputError(
            f"{len(unknown)} unknown codes: {'; '.join(text for *_, text in sorted(unknown))}",
            f"{file}:{line}",
            "restore the pinned file; give a code that its release lists a status in schemas/status_map.csv",
        )


def _listed(con: duckdb.DuckDBPyConnection, stem: str) -> set[str]:
    """The codes of a code file of the release."""
    field = LAYOUT[stem].split()[0]
    return {code for (code,) in con.execute(f"select {field} from archival.{PREFIX}_{stem.lower()}").fetchall()}


def _common(release: str) -> dict[str, str]:
    key = f"'{ID}' as source, '{release}' as release"
    return {
        "food_keys": f"""
            select {key}, 'ndb:' || try_cast(NDB_No as int) as key, NDB_No as food_id
            from archival.sr28_food_des where try_cast(NDB_No as int) is not null""",
        "foods": f"""
            select {key}, f.NDB_No as food_id, f.Long_Desc as name, f.FdGrp_Cd as group_code,
              g.FdGrp_Desc as group_name, nullif(f.SciName, '') as scientific_name, f.Refuse as refuse_pct,
              nullif(f.Ref_desc, '') as refuse_note, f.N_Factor as nitrogen_factor, f.Pro_Factor as protein_factor,
              f.Fat_Factor as fat_factor, f.CHO_Factor as cho_factor, 'FOOD_DES.txt' as file, f.line::text as line
            from archival.sr28_food_des f left join archival.sr28_fd_group g using (FdGrp_Cd)""",
        "components": f"""
            select {key}, Nutr_No as source_component, NutrDesc as name, Units as unit,
              nullif(Tagname, '') as tagname, 'NUTR_DEF.txt' as file, line::text as line
            from archival.sr28_nutr_def""",
        "values": f"""
            select {key}, v.NDB_No as food_id, v.Nutr_No as source_component, v.Nutr_Val as text, d.Units as unit,
              v.Num_Data_Pts as n, v.Std_Error as se, v."Min" as min, v."Max" as max, v.Low_EB as low_eb,
              v.Up_EB as up_eb, v.Src_Cd as source_code, v.Deriv_Cd as derivation,
              nullif(v.Ref_NDB_No, '') as donor_food_id, nullif(v.Stat_Cmt, '') as stat_comment,
              nullif(v.AddMod_Date, '') as date, 'NUT_DATA.txt' as file, v.line::text as line
            from archival.sr28_nut_data v join archival.sr28_nutr_def d using (Nutr_No)
              semi join archival.sr28_food_des f on f.NDB_No = v.NDB_No""",
        "codes": f"""
            select {key}, 'source_code' as kind, Src_Cd as code, SrcCd_Desc as meaning from archival.sr28_src_cd
            union all select {key}, 'derivation', Deriv_Cd, Deriv_Desc from archival.sr28_deriv_cd""",
        "langual": f"select {key}, NDB_No as food_id, Factor_Code as code from archival.sr28_langual",
        "footnotes": f"""
            select {key}, NDB_No as food_id, Footnt_Typ as kind, nullif(Nutr_No, '') as source_component,
              Footnt_Txt as text, 'FOOTNOTE.txt' as file, line::text as line
            from archival.sr28_footnote n
            where Footnt_Typ <> 'N' or exists (
              from archival.sr28_nut_data v where v.NDB_No = n.NDB_No and v.Nutr_No = n.Nutr_No)""",
        "references": f"""
            select {key}, DataSrc_ID as reference_id, nullif(Authors, '') as authors, Title as title,
              nullif(Year, '') as year, nullif(Journal, '') as journal, nullif(Vol_City, '') as volume,
              nullif(Issue_State, '') as issue,
              nullif(concat_ws('-', nullif(Start_Page, ''), nullif(End_Page, '')), '') as pages,
              'DATA_SRC.txt' as file, line::text as line
            from archival.sr28_data_src""",
        "value_references": f"""
            select {key}, NDB_No as food_id, Nutr_No as source_component, DataSrc_ID as reference_id
            from archival.sr28_datsrcln""",
        "set_aside": f"""
            select {key}, 'NUT_DATA.txt' as file, v.line::text as line,
              case when f.NDB_No is null then 'value of a food that is not described'
                   when d.Nutr_No is null then 'value of a component that is not defined' end as reason,
              v.NDB_No || '/' || v.Nutr_No as content
            from archival.sr28_nut_data v left join archival.sr28_food_des f using (NDB_No)
              left join archival.sr28_nutr_def d using (Nutr_No)
            where f.NDB_No is null or d.Nutr_No is null
            union all by name
            select {key}, 'FOOTNOTE.txt' as file, n.line::text as line,
              'footnote of a value that is not published' as reason,
              n.NDB_No || '/' || n.Nutr_No as content
            from archival.sr28_footnote n
            where n.Footnt_Typ = 'N' and not exists (
              from archival.sr28_nut_data v where v.NDB_No = n.NDB_No and v.Nutr_No = n.Nutr_No)""",
    }
