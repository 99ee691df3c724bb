"""Reader of USDA FoodData Central, Foundation Foods, as its CSV archive.

Only foundation_food.csv lists current foods: other rows of food.csv are samples, purchases and superseded versions of
a food. A value is published for a current food; everything else is counted in archival.set_aside.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from pipeline import unpack
from pipeline.errors import InputError
from pipeline.sources import Release
from pipeline.sources.layouts import layout, literal, record_file, refuse, release_key, require_kind, store

if TYPE_CHECKING:
    import zipfile

    import duckdb
    import pyarrow as pa

ID = "usda-fdc"
PREFIX = "fdc"
LAYOUT = "usda-fdc.toml"
FILES = 1
"""Files that make a release."""


def identify(path: Path, layouts: Path) -> str:
    """The release id: the date in the name of the folder inside the archive; InputError for any other file.

    Every file and heading must be known, so that a release which nobody declared can be accepted.
    """
    require_kind(path, "zip")
    described = layout(layouts, ID)
    with unpack.open_archive(path, path.name) as bundle:
        release, members = _members(bundle, path.name, described)
        headings = {}
        for name, member in members.items():
            with bundle.open(member) as stream:
                headings[name] = _heading(stream.readline())
    refuse(_heading_problems(headings, described), path.name, LAYOUT)
    return release


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.fdc_<file> and return the SELECT of each common archival table."""
    (archive,) = release.files
    described = layout(layouts, ID)
    kept = {file["name"]: not file.get("set_aside") for file in described["file"]}
    counts: dict[str, int] = {}
    with unpack.open_archive(archive, archive.name) as bundle:
        _, members = _members(bundle, archive.name, described)
        bodies = {name: unpack.read(bundle, member, archive.name) for name, member in members.items()}
    headings = {name: _heading(body[: body.find(b"\n") + 1]) for name, body in bodies.items()}
    refuse(_heading_problems(headings, described), archive.name, LAYOUT)
    for name, body in bodies.items():
        table = _rows(body, headings[name], f"{archive.name}!{name}")
        counts[name] = table.num_rows
        if kept[name]:
            store(con, f"{PREFIX}_{name.removesuffix('.csv')}", table)
        record_file(con, ID, release.release, name, hashlib.sha256(body).hexdigest(), len(body), table.num_rows)
    refuse(_content_problems(con, described), archive.name, LAYOUT)
    reasons = {file["name"]: file["set_aside"] for file in described["file"] if file.get("set_aside")}
    return _common(release.release, {name: (counts[name], reason) for name, reason in reasons.items()})


def _members(
    bundle: zipfile.ZipFile, where: str, described: dict[str, Any]
) -> tuple[str, dict[str, zipfile.ZipInfo]]:
    """The release and the CSV members by file name; InputError unless all stand in one folder of the known form."""
    members = unpack.contents(bundle, where)
    folders = {str(PurePosixPath(member.filename).parent) for member in members}
    match = re.fullmatch(described["folder"], folders.pop()) if len(folders) == 1 else None
    if match is None:
        raise InputError(
            "not a Foundation Foods CSV archive: the folder inside does not name a release", where,
            "download 'Foundation Foods', CSV, from https://fdc.nal.usda.gov/download-datasets.html",
        )
    names = {PurePosixPath(member.filename).name: member for member in members}
    tables = {name: member for name, member in names.items() if not re.search(described["other_members"], name)}
    return match["release"], tables


def _heading(line: bytes) -> list[str]:
    """The headings in the first line of a CSV file."""
    return next(csv.reader(io.StringIO(line.decode("utf-8", "replace"))), [])


def _heading_problems(headings: dict[str, list[str]], described: dict[str, Any]) -> list[str]:
    """Files and headings that the layout does not know, or lacks."""
    due = {file["name"]: file["columns"] for file in described["file"]}
    problems = [f"file {name} is not known" for name in sorted(set(headings) - set(due))]
    problems += [f"file {name} is missing" for name in sorted(set(due) - set(headings))]
    for name in sorted(set(due) & set(headings)):
        found = headings[name]
        problems += [f"{name}:1 heading {column!r} is not known" for column in found if column not in due[name]]
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

    try:
        table = pacsv.read_csv(
            pa.BufferReader(body),
            read_options=pacsv.ReadOptions(block_size=16 << 20),
            parse_options=pacsv.ParseOptions(newlines_in_values=True),
            convert_options=pacsv.ConvertOptions(
                column_types={name: pa.string() for name in columns},
                null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False,
            ),
        )
    except (pa.ArrowInvalid, UnicodeDecodeError) as error:
        raise InputError(str(error).splitlines()[0], where, "download the archive again") from error
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
    start = 2 + np.arange(table.num_rows) + np.concatenate(([0], np.cumsum(breaks)[:-1])) if lines > 1 else breaks
    return table.append_column("line", pa.array(start.astype(np.int64), pa.int64()))


def _content_problems(con: duckdb.DuckDBPyConnection, described: dict[str, Any]) -> list[str]:
    """Codes, units, markers and links that are not known, each with its first line and how often it occurs."""
    rules = [
        ("unit", "nutrient.csv", "unit_name", "archival.fdc_nutrient", "not list_contains($units, unit_name)"),
        ("data type", "food.csv", "data_type", "archival.fdc_food", "not list_contains($data_types, data_type)"),
        ("derivation id", "food_nutrient.csv", "derivation_id", "archival.fdc_food_nutrient",
         "not list_contains($derivations, coalesce(derivation_id, ''))"),
        ("nutrient id", "food_nutrient.csv", "nutrient_id", "archival.fdc_food_nutrient",
         "nutrient_id not in (select id from archival.fdc_nutrient)"
         " and not list_contains($undefined_nutrients, nutrient_id)"),
        ("amount", "food_nutrient.csv", "amount", "archival.fdc_food_nutrient",
         "amount <> '' and not regexp_full_match(amount, $amount)"),
        ("food", "food_nutrient.csv", "fdc_id", "archival.fdc_food_nutrient",
         "fdc_id not in (select fdc_id from archival.fdc_food)"),
        ("food", "foundation_food.csv", "fdc_id", "archival.fdc_foundation_food",
         "fdc_id not in (select fdc_id from archival.fdc_food)"),
        ("food category", "food.csv", "food_category_id", "archival.fdc_food",
         "food_category_id <> '' and food_category_id not in (select id from archival.fdc_food_category)"),
    ]
    problems = []
    for what, file, column, table, condition in rules:
        names = [name for name in ("units", "data_types", "derivations", "undefined_nutrients", "amount")
                 if f"${name}" in condition]
        found = con.execute(
            f"select {column}, min(line), count(*) from {table} where {condition} group by all order by all",
            {name: described[name] for name in names},
        ).fetchall()
        problems += [f"{file}:{line} {what} {value!r} ({count} rows)" for value, line, count in found]
    return problems


def _common(release: str, unread: dict[str, tuple[int, str]]) -> dict[str, str]:
    key = release_key(ID, release)
    counted = "\n".join(
        f"union all by name select {key}, {literal(name)} as file, null::text as line, {literal(reason)} as reason,"
        f" {literal(f'{count} records')} as content"
        for name, (count, reason) in sorted(unread.items())
    )
    return {
        "food_keys": f"""
            select {key}, 'ndb:' || try_cast(NDB_number as int) as key, fdc_id as food_id
            from archival.fdc_foundation_food where try_cast(NDB_number as int) is not null""",
        "foods": f"""
            select {key}, f.fdc_id as food_id, f.description as name, c.code as group_code,
              c.description as group_name, p.value as nitrogen_factor, k.protein_value as protein_factor,
              k.fat_value as fat_factor, k.carbohydrate_value as cho_factor, 'food.csv' as file, f.line::text as line
            from archival.fdc_food f semi join archival.fdc_foundation_food b on b.fdc_id = f.fdc_id
              left join archival.fdc_food_category c on c.id = f.food_category_id
              left join (
                select n.fdc_id, p.value from archival.fdc_food_protein_conversion_factor p
                  join archival.fdc_food_nutrient_conversion_factor n on n.id = p.food_nutrient_conversion_factor_id
              ) p on p.fdc_id = f.fdc_id
              left join (
                select n.fdc_id, k.* from archival.fdc_food_calorie_conversion_factor k
                  join archival.fdc_food_nutrient_conversion_factor n on n.id = k.food_nutrient_conversion_factor_id
              ) k on k.fdc_id = f.fdc_id""",
        "components": f"""
            select {key}, id as source_component, name, unit_name as unit, 'nutrient.csv' as file,
              line::text as line
            from archival.fdc_nutrient""",
        "values": f"""
            select {key}, v.fdc_id as food_id, v.nutrient_id as source_component, v.amount as text,
              d.unit_name as unit, nullif(v.data_points, '') as n, nullif(v."min", '') as min,
              nullif(v."max", '') as max, coalesce(v.derivation_id, '') as derivation,
              nullif(v.min_year_acquired, '') as date, 'food_nutrient.csv' as file, v.line::text as line
            from archival.fdc_food_nutrient v join archival.fdc_nutrient d on d.id = v.nutrient_id
              semi join archival.fdc_foundation_food b on b.fdc_id = v.fdc_id
            where v.amount <> ''""",
        "footnotes": f"""
            select {key}, fdc_id as food_id, 'D' as kind, null::text as source_component, footnote as text,
              'foundation_food.csv' as file, line::text as line
            from archival.fdc_foundation_food where footnote <> ''
            union all by name
            select {key}, v.fdc_id as food_id, 'N' as kind, v.nutrient_id as source_component, v.footnote as text,
              'food_nutrient.csv' as file, v.line::text as line
            from archival.fdc_food_nutrient v semi join archival.fdc_foundation_food b on b.fdc_id = v.fdc_id
            where v.footnote <> '' and v.amount <> ''""",
        "set_aside": f"""
            select {key}, 'food_nutrient.csv' as file, v.line::text as line,
              case when d.id is null then 'no amount, and the component is not defined' else 'no amount' end as reason,
              v.fdc_id || '/' || v.nutrient_id as content
            from archival.fdc_food_nutrient v semi join archival.fdc_foundation_food b on b.fdc_id = v.fdc_id
              left join archival.fdc_nutrient d on d.id = v.nutrient_id
            where coalesce(v.amount, '') = ''
            union all by name
            select {key}, 'food_nutrient.csv' as file, null::text as line,
              'values of no current food: ' || case f.data_type when 'foundation_food' then 'superseded version'
                else f.data_type end as reason,
              count(*) || ' records, kept in archival.fdc_food_nutrient' as content
            from archival.fdc_food_nutrient v join archival.fdc_food f on f.fdc_id = v.fdc_id
              anti join archival.fdc_foundation_food b on b.fdc_id = v.fdc_id
            group by f.data_type
            union all by name
            select {key}, 'food.csv' as file, null::text as line,
              'not a current food: ' || case f.data_type when 'foundation_food' then 'superseded version'
                else f.data_type end as reason,
              count(*) || ' records, kept in archival.fdc_food' as content
            from archival.fdc_food f anti join archival.fdc_foundation_food b on b.fdc_id = f.fdc_id
            group by f.data_type
            {counted}""",
    }
