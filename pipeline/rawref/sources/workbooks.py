"""Workbooks of publishers, .xls and .xlsx, read as they stand."""

from __future__ import annotations

import io
from typing import Any

from rawref.errors import InputError

Row = list[Any]


def sheets(body: bytes, where: str) -> dict[str, list[Row]]:
    """The rows of every sheet from its cell A1 on, by name in their order; an empty cell is "".

    A number is an int or a float, text stands as it is. InputError where the bytes are no readable workbook.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(body))
        return {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False) for name in book.sheet_names}
    except (CalamineError, ValueError, OSError) as error:
        raise InputError(f"not a readable workbook: {error}", where, "download the file again") from error
