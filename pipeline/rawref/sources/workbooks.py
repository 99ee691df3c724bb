"""Workbooks of publishers, .xls and .xlsx, read as they stand."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

from rawref.errors import InputError
from rawref.sources import unpack
from rawref.sources.foreign import AGAIN, parsing

Row = list[Any]
MEMORY, SECONDS = 1 << 30, 60
FAR = re.compile(rb"""\br\s*=\s*["']\s*([A-Z]{3,}\d+|[A-Z]*\d{5,})""")
"""Beyond column ZZ or row 9,999; the workbooks of 2020 end at column BP and row 2,490."""


def sheets(body: bytes, where: str) -> dict[str, list[Row]]:
    """The rows of every sheet from its cell A1 on, by name in their order; an empty cell is "".

    A number is an int or a float, text stands as it is. InputError where the bytes are no readable workbook. Of one
    that no digest vouches for, `require_sound` is asked first.
    """
    from python_calamine import CalamineWorkbook

    with parsing(where), io.BytesIO(body) as stream:
        book = CalamineWorkbook.from_filelike(stream)
        return {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False) for name in book.sheet_names}


def require_sound(path: Path) -> None:
    """InputError where a workbook that nobody vouches for names a cell far out, or cannot be read within MEMORY bytes
    and SECONDS.

    In a process of its own, as the parser asks for the whole area up to the farthest cell, and ends the process where
    that cannot be had: a damaged number of a column would take the memory of the machine.
    """
    _require_small(path.read_bytes(), path.name)
    code = (
        "import resource, sys\n"
        f"resource.setrlimit(resource.RLIMIT_AS, ({MEMORY}, {MEMORY}))\n"
        "from python_calamine import CalamineWorkbook\n"
        "with open(sys.argv[1], 'rb') as stream:\n"
        "    book = CalamineWorkbook.from_filelike(stream)\n"
        "    for name in book.sheet_names:\n"
        "        book.get_sheet_by_name(name).to_python(skip_empty_area=False)\n"
    )
    try:
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, timeout=SECONDS, check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise InputError(f"cannot be read within {SECONDS} s", path.name, AGAIN) from error
    if done.returncode:
        last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or [f"status {done.returncode}"]
        raise InputError(f"not a readable workbook: {last[0][:200]}", path.name, AGAIN)


def _require_small(body: bytes, where: str) -> None:
    """InputError where a sheet of an .xlsx names a cell far out: the rows up to there would be held in memory."""
    if not body.startswith(b"PK"):
        return  # an .xls has 65,536 rows of 256 columns at most
    with parsing(where), zipfile.ZipFile(io.BytesIO(body)) as bundle:
        for member in unpack.contents(bundle, where):
            if member.filename.startswith("xl/worksheets/") and (far := FAR.search(unpack.read(bundle, member, where))):
                raise InputError(f"a cell {far[1].decode()}", f"{where}!{member.filename}", AGAIN)
