"""Workbooks of publishers, .xls and .xlsx, read as they stand."""

from __future__ import annotations

import io
import re
import zipfile
from typing import Any

from rawref.errors import InputError
from rawref.sources import unpack
from rawref.sources.foreign import AGAIN, parsing

Row = list[Any]
FAR = re.compile(rb"""\br\s*=\s*["']\s*([A-Z]{3,}\d+|[A-Z]*\d{5,})""")
"""Beyond column ZZ or row 9,999; the workbooks of 2020 end at column BP and row 2,490."""


def sheets(body: bytes, where: str) -> dict[str, list[Row]]:
    """The rows of every sheet from its cell A1 on, by name in their order; an empty cell is "".

    A number is an int or a float, text stands as it is. InputError where the bytes are no readable workbook.
    """
    from python_calamine import CalamineWorkbook

    _require_small(body, where)
    with parsing(where), io.BytesIO(body) as stream:
        book = CalamineWorkbook.from_filelike(stream)
        return {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False) for name in book.sheet_names}


def _require_small(body: bytes, where: str) -> None:
    """InputError where a sheet of an .xlsx names a cell far out: the rows up to there would be held in memory."""
    if not body.startswith(b"PK"):
        return  # an .xls has 65,536 rows of 256 columns at most
    with parsing(where), zipfile.ZipFile(io.BytesIO(body)) as bundle:
        for member in unpack.contents(bundle, where):
            if member.filename.startswith("xl/worksheets/") and (far := FAR.search(unpack.read(bundle, member, where))):
                raise InputError(f"a cell {far[1].decode()}", f"{where}!{member.filename}", AGAIN)
