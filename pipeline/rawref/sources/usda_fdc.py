"""Reader of the CSV archives of USDA FoodData Central: Foundation Foods here, SR Legacy by usda_sr_legacy.py.

Both have one layout; what differs is data in schemas/layouts/. Only the list of the archive's own type
(foundation_food.csv, sr_legacy_food.csv) names current foods: other rows of food.csv are samples, purchases and
superseded versions of a food. A value is published for a current food; everything else is counted in
archival.set_aside.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from rawref.errors import InputError
from rawref.sources import Release, real_date, unpack
from rawref.sources.foreign import parsing
from rawref.sources.layouts import layout, literal, record_file, refuse, release_key, require_kind, store

if TYPE_CHECKING:
    import zipfile

    import duckdb
    import pyarrow as pa

LISTS = {"foundation_food.csv": "usda-fdc", "sr_legacy_food.csv": "usda-sr-legacy"}
"""The file that lists current foods tells which archive it is, whatever the archive is called."""


@dataclass(frozen=True, slots=True)
class Archive:
    """One type of archive: its source, and the prefix of its archival tables."""

    source: str
    prefix: str

    @property
    def layout(self) -> str:
        """Name of the layout file in schemas/layouts/."""
        return f"{self.source}.toml"


ID = "usda-fdc"
PREFIX = "fdc"
FOUNDATION = Archive(ID, PREFIX)
HEADING_MAX = 1 << 16
FILES = 1
"""Files that make a release."""


def identify(path: Path, layouts: Path) -> str:
    """The release id: the date in the name of the folder inside the archive; InputError for any other file.

    Every file and heading must be known, so that a release which nobody declared can be accepted.
    """
    return identify_archive(FOUNDATION, path, layouts)


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.fdc_<file> and return the SELECT of each common archival table."""
    return load_archive(FOUNDATION, con, release, layouts)


def identify_archive(kind: Archive, path: Path, layouts: Path) -> str:
    """The release id of an archive of this kind; InputError for another file, and for one that holds unknown headings.
    """
    require_kind(path, "zip")
    described = layout(layouts, kind.source)
    with unpack.open_archive(path, path.name) as bundle:
        release, members = _members(bundle, path.name, described)
        headings = {}
        for name, member in members.items():
            with parsing(f"{path.name}!{name}"), bundle.open(member) as stream:
                headings[name] = _heading(stream.readline(HEADING_MAX))
    refuse(_heading_problems(headings, described), path.name, kind.layout)
    real_date(release, f"{path.name}, the folder inside")
    return release


def load_archive(
    kind: Archive, con: duckdb.DuckDBPyConnection, release: Release, layouts: Path
) -> dict[str, str]:
    """Fill archival.<prefix>_<file> and return the SELECT of each common archival table.

    A file or a column that the layout calls optional and the archive lacks is an empty table or a column of nulls.
    """
    import pyarrow as pa

    (archive,) = release.files
    described = layout(layouts, kind.source)
    counts: dict[str, int] = {}
    with unpack.open_archive(archive, archive.name) as bundle:
        _, members = _members(bundle, archive.name, described)
        bodies = {name: unpack.read(bundle, member, archive.name) for name, member in members.items()}
    headings = {name: _heading(body[: body.find(b"\n") + 1]) for name, body in bodies.items()}
    refuse(_heading_problems(headings, described), archive.name, kind.layout)
    for file in described["file"]:
        name, columns = file["name"], [*file["columns"], *file.get("may", [])]
        if name in bodies:
            body = bodies[name]
            table = _rows(body, headings[name], f"{archive.name}!{name}")
            counts[name] = table.num_rows
            sha256 = hashlib.sha256(body).hexdigest()
            if (due := release.members.get(name)) and due.records != table.num_rows:
                raise InputError(
                    f"{table.num_rows} records where {due.records} are due", f"{archive.name}!{name}",
                    "restore the pinned archive; of another release, declare the records in raw/sources.toml",
                )
            record_file(con, kind.source, release.release, name, sha256, len(body), table.num_rows)
        else:
            table = pa.table({"line": pa.array([], pa.int64())})
        if not file.get("set_aside"):
            for column in columns:
                if column not in table.column_names:
                    table = table.append_column(column, pa.nulls(table.num_rows, pa.string()))
            store(con, f"{kind.prefix}_{name.removesuffix('.csv')}", table, clean=True)
    _derivation_codes(con, kind, described, "food_nutrient_derivation.csv" in bodies)
    refuse(_content_problems(con, kind, described), archive.name, kind.layout)
    reasons = {file["name"]: file["set_aside"] for file in described["file"] if file.get("set_aside")}
    unread = {name: (counts[name], reason) for name, reason in reasons.items() if name in counts}
    return _common(kind, release.release, described, unread)


def _members(
    bundle: zipfile.ZipFile, where: str, described: dict[str, Any]
) -> tuple[str, dict[str, zipfile.ZipInfo]]:
    """The release and the CSV members by file name; InputError unless all stand in one folder of the known form."""
    members = unpack.contents(bundle, where)
    names = {PurePosixPath(member.filename).name: member for member in members}
    found = [name for name in LISTS if name in names]
    if found and described["foods"] not in found:
        source = LISTS[found[0]]
        raise InputError(
            f"no {described['title']} CSV archive: {found[0]} is in it", where, f"rawref fetch {source} --from FILE"
        )
    folders = {str(PurePosixPath(member.filename).parent) for member in members}
    match = re.fullmatch(described["folder"], folders.pop()) if len(folders) == 1 else None
    if match is None:
        raise InputError(
            f"no {described['title']} CSV archive: the folder inside does not name a release", where,
            f"download '{described['title']}', CSV, from https://fdc.nal.usda.gov/download-datasets.html",
        )
    tables = {name: member for name, member in names.items() if not re.search(described["other_members"], name)}
    return match["release"], tables


def _heading(line: bytes) -> list[str]:
    """The headings in the first line of a CSV file."""
    try:
        return next(csv.reader(io.StringIO(line.decode("utf-8", "replace"), newline="")), [])
    except csv.Error:
        return ["not a heading"]


def _heading_problems(headings: dict[str, list[str]], described: dict[str, Any]) -> list[str]:
    """Files and headings that the layout does not know, or lacks."""
    due = {file["name"]: file["columns"] for file in described["file"]}
    may = {file["name"]: file.get("may", []) for file in described["file"]}
    optional = {file["name"] for file in described["file"] if file.get("optional")}
    problems = [f"file {name} is not known" for name in sorted(set(headings) - set(due))]
    problems += [f"file {name} is missing" for name in sorted(set(due) - optional - set(headings))]
    for name in sorted(set(due) & set(headings)):
        found, known = headings[name], [*due[name], *may[name]]
        problems += [f"{name}:1 heading {column!r} is not known" for column in found if column not in known]
        problems += [f"{name}:1 heading {column!r} is missing" for column in due[name] if column not in found]
        problems += [f"{name}:1 heading {column!r} twice" for column in sorted(set(found)) if found.count(column) > 1]
    return problems


def _rows(body: bytes, columns: list[str], where: str) -> pa.Table:
    """All rows as text, "" kept apart from null, with `line`, the 1-based line on which the record starts.

    A quoted field may hold line breaks, so lines are counted, not rows; a file that is cut is an error.
    """
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv as pacsv

    from rawref.sources.text import require_clean, verbatim

    require_clean(body, where)
    with parsing(where, "download the archive again"):
        table = pacsv.read_csv(
            pa.BufferReader(body),
            read_options=pacsv.ReadOptions(block_size=16 << 20),
            parse_options=pacsv.ParseOptions(newlines_in_values=True),
            convert_options=verbatim(columns),
        )
    lines = body.count(b"\n")
    breaks = np.zeros(table.num_rows, dtype=np.int64)
    if table.num_rows + 1 != lines:
        for column in table.columns:
            breaks += pc.fill_null(pc.count_substring(column, "\n"), 0).to_numpy()
    if table.num_rows + 1 + int(breaks.sum()) != lines or not body.endswith(b"\n"):
        raise InputError(
            f"{lines} lines but {table.num_rows} records; the file is cut", f"{where}:{lines + 1}",
            "download the archive again",
        )
    start = pa.arange(2, table.num_rows + 2)
    if breaks.any():
        start = pc.add(start, pa.array([0, *np.cumsum(breaks)[:-1].tolist()], pa.int64()))
    return table.append_column("line", start)


def _derivation_codes(
    con: duckdb.DuckDBPyConnection, kind: Archive, described: dict[str, Any], published: bool
) -> None:
    """Create archival.<prefix>_derivation_code: what each derivation id is handed on as.

    By the archive's own table where it brings one, else by the layout; no derivation stays none.
    """
    known = described["derivations"]
    con.execute(
        f"create table archival.{kind.prefix}_derivation_code as select unnest($ids) as id, unnest($codes) as code",
        {"ids": [""] if published else list(known), "codes": [""] if published else list(known.values())},
    )
    if published:
        con.execute(
            f"insert into archival.{kind.prefix}_derivation_code"
            f" select distinct id, code from archival.{kind.prefix}_food_nutrient_derivation where id <> ''"
        )


def _content_problems(con: duckdb.DuckDBPyConnection, kind: Archive, described: dict[str, Any]) -> list[str]:
    """Codes, units, markers and links that are not known, each with its first line and how often it occurs."""
    p, listed = kind.prefix, described["foods"].removesuffix(".csv")
    rules = [
        ("data type", "food", "data_type", "not list_contains($data_types, data_type)"),
        ("derivation id", "food_nutrient", "derivation_id",
         f"coalesce(derivation_id, '') not in (select id from archival.{p}_derivation_code)"),
        ("nutrient id", "food_nutrient", "nutrient_id",
         f"nutrient_id not in (select id from archival.{p}_nutrient)"
         " and not list_contains($undefined_nutrients, nutrient_id)"),
        ("amount", "food_nutrient", "amount", "amount <> '' and not regexp_full_match(amount, $amount)"),
        ("year", "food_nutrient", "min_year_acquired",
         "min_year_acquired <> '' and not regexp_full_match(min_year_acquired, '(19|20)\\d\\d')"),
        ("number of data points", "food_nutrient", "data_points",
         "data_points <> '' and not regexp_full_match(data_points, '\\d{1,5}')"),
        *((name, "food_nutrient", name, f"{name} <> '' and not regexp_full_match({name}, $amount)")
          for name in ("min", "max", "median")),
        ("food", "food_nutrient", "fdc_id", f"fdc_id not in (select fdc_id from archival.{p}_food)"),
        ("food", listed, "fdc_id", f"fdc_id not in (select fdc_id from archival.{p}_food)"),
        ("NDB number", listed, "NDB_number", "NDB_number <> '' and not regexp_full_match(NDB_number, '\\d+')"),
        *(("repeated id", file, key,
           f"{key} in (select {key} from archival.{p}_{file} group by all having count(*) > 1)")
          for file, key in (("food", "fdc_id"), (listed, "fdc_id"), ("nutrient", "id"), ("food_category", "id"))),
        ("food category", "food", "food_category_id",
         f"food_category_id <> '' and food_category_id not in (select id from archival.{p}_food_category)"),
    ]
    if "derivation_codes" in described:
        rules.append(("repeated id", "food_nutrient_derivation", "id",
                      f"id in (select id from archival.{p}_derivation_code group by id having count(*) > 1)"))
        rules.append(("derivation code", "food_nutrient_derivation", "code",
                      f"id in (select derivation_id from archival.{p}_food_nutrient)"
                      " and not list_contains($derivation_codes, code)"))
    problems = []
    for what, file, column, condition in rules:
        names = [name for name in ("data_types", "undefined_nutrients", "amount", "derivation_codes")
                 if f"${name}" in condition]
        found = con.execute(
            f"select {column}, min(line), count(*) from archival.{p}_{file} where {condition}"
            " group by all order by all",
            {name: described[name] for name in names},
        ).fetchall()
        problems += [f"{file}.csv:{line} {what} {value!r} ({count} rows)" for value, line, count in found]
    return problems


def _common(
    kind: Archive, release: str, described: dict[str, Any], unread: dict[str, tuple[int, str]]
) -> dict[str, str]:
    p, listed = kind.prefix, described["foods"].removesuffix(".csv")
    columns = {file["name"]: [*file["columns"], *file.get("may", [])] for file in described["file"]}
    key = release_key(kind.source, release)
    counted = "\n".join(
        f"union all by name select {key}, {literal(name)} as file, null::text as line, {literal(reason)} as reason,"
        f" {literal(f'{count} records')} as content"
        for name, (count, reason) in sorted(unread.items())
    )
    scientific = "nullif(f.scientific_name, '')" if "scientific_name" in columns["food.csv"] else "null::text"
    food_notes = f"""
            select {key}, fdc_id as food_id, 'D' as kind, null::text as source_component, footnote as text,
              '{listed}.csv' as file, line::text as line
            from archival.{p}_{listed} where footnote <> ''
            union all by name""" if "footnote" in columns[f"{listed}.csv"] else ""
    not_listed = (
        f"case f.data_type when {literal(described['data_type'])} then {literal(described['unlisted'])}"
        " else f.data_type end"
    )
    return {
        "food_keys": f"""
            select {key}, 'ndb:' || try_cast(NDB_number as int) as key, fdc_id as food_id
            from archival.{p}_{listed} where try_cast(NDB_number as int) is not null""",
        "foods": f"""
            select {key}, f.fdc_id as food_id, f.description as name, c.code as group_code,
              c.description as group_name, {scientific} as scientific_name, p.value as nitrogen_factor,
              k.protein_value as protein_factor, k.fat_value as fat_factor, k.carbohydrate_value as cho_factor,
              'food.csv' as file, f.line::text as line
            from archival.{p}_food f semi join archival.{p}_{listed} b on b.fdc_id = f.fdc_id
              left join archival.{p}_food_category c on c.id = f.food_category_id
              left join (
                select n.fdc_id, p.value from archival.{p}_food_protein_conversion_factor p
                  join archival.{p}_food_nutrient_conversion_factor n on n.id = p.food_nutrient_conversion_factor_id
              ) p on p.fdc_id = f.fdc_id
              left join (
                select n.fdc_id, k.* from archival.{p}_food_calorie_conversion_factor k
                  join archival.{p}_food_nutrient_conversion_factor n on n.id = k.food_nutrient_conversion_factor_id
              ) k on k.fdc_id = f.fdc_id""",
        "components": f"""
            select {key}, id as source_component, name, unit_name as unit, 'nutrient.csv' as file,
              line::text as line
            from archival.{p}_nutrient""",
        "values": f"""
            select {key}, v.fdc_id as food_id, v.nutrient_id as source_component, v.amount as text,
              d.unit_name as unit, nullif(v.data_points, '') as n, nullif(v."min", '') as min,
              nullif(v."max", '') as max, c.code as derivation,
              nullif(v.min_year_acquired, '') as date, 'food_nutrient.csv' as file, v.line::text as line
            from archival.{p}_food_nutrient v join archival.{p}_nutrient d on d.id = v.nutrient_id
              join archival.{p}_derivation_code c on c.id = coalesce(v.derivation_id, '')
              semi join archival.{p}_{listed} b on b.fdc_id = v.fdc_id
            where v.amount <> ''""",
        "footnotes": f"""{food_notes}
            select {key}, v.fdc_id as food_id, 'N' as kind, v.nutrient_id as source_component, v.footnote as text,
              'food_nutrient.csv' as file, v.line::text as line
            from archival.{p}_food_nutrient v semi join archival.{p}_{listed} b on b.fdc_id = v.fdc_id
            where v.footnote <> '' and v.amount <> ''""",
        "set_aside": f"""
            select {key}, 'food_nutrient.csv' as file, v.line::text as line,
              case when d.id is null then 'no amount, and the component is not defined' else 'no amount' end as reason,
              v.fdc_id || '/' || v.nutrient_id as content
            from archival.{p}_food_nutrient v semi join archival.{p}_{listed} b on b.fdc_id = v.fdc_id
              left join archival.{p}_nutrient d on d.id = v.nutrient_id
            where coalesce(v.amount, '') = ''
            union all by name
            select {key}, 'food_nutrient.csv' as file, null::text as line,
              'values of no current food: ' || {not_listed} as reason,
              count(*) || ' records, kept in archival.{p}_food_nutrient' as content
            from archival.{p}_food_nutrient v join archival.{p}_food f on f.fdc_id = v.fdc_id
              anti join archival.{p}_{listed} b on b.fdc_id = v.fdc_id
            group by f.data_type
            union all by name
            select {key}, 'food.csv' as file, null::text as line,
              'not a current food: ' || {not_listed} as reason,
              count(*) || ' records, kept in archival.{p}_food' as content
            from archival.{p}_food f anti join archival.{p}_{listed} b on b.fdc_id = f.fdc_id
            group by f.data_type
            {counted}""",
    }
