"""Reading delimited text verbatim: every field as text, "" kept apart from null, each row with its line."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from pipeline.errors import InputError

BLOCK = 64 << 20
"""Bytes parsed at once: small blocks become small row groups, which the database joins again at its checkpoint."""


def read_legacy_text(
    body: bytes, columns: Sequence[str], where: str, *, delimiter: str = "^", quote: str = "~", encoding: str = "cp1252"
) -> pa.Table:
    """All rows of `body` with `columns` as text and `line`, 1-based; InputError names the first bad line.

    A file that is cut, a row with a field too few or too many and a byte outside the encoding are all errors: rows
    are never dropped.
    """
    encoding = "utf8" if body.isascii() else encoding
    try:
        table = pacsv.read_csv(
            pa.BufferReader(body),
            read_options=pacsv.ReadOptions(column_names=list(columns), encoding=encoding, block_size=BLOCK),
            parse_options=pacsv.ParseOptions(
                delimiter=delimiter, quote_char=quote, double_quote=False, newlines_in_values=False
            ),
            convert_options=pacsv.ConvertOptions(
                column_types={name: pa.string() for name in columns},
                null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False,
            ),
        )
    except (pa.ArrowInvalid, UnicodeDecodeError) as error:
        raise InputError(*_first_fault(body, len(columns), where, delimiter, encoding, error)) from error
    lines = body.count(b"\n")
    if table.num_rows != lines or not body.endswith(b"\n"):
        raise InputError(
            f"{lines} complete lines but {table.num_rows} rows; the file is cut or a field holds a line break",
            f"{where}:{lines + 1}", "restore the pinned file",
        )
    return table.append_column("line", pa.array(np.arange(1, table.num_rows + 1, dtype=np.int64)))


def _first_fault(
    body: bytes, fields: int, where: str, delimiter: str, encoding: str, error: Exception
) -> tuple[str, str, str]:
    """What, where and cure for the first line that does not have `fields` fields in `encoding`."""
    for number, line in enumerate(body.split(b"\n"), start=1):
        if not line:
            continue
        try:
            found = line.decode(encoding).count(delimiter) + 1
        except UnicodeDecodeError as fault:
            return f"byte {fault.object[fault.start]:#04x} is not {encoding}", f"{where}:{number}", "restore the file"
        if found != fields:
            return f"{found} fields where {fields} are due", f"{where}:{number}", "restore the pinned file"
    return str(error).splitlines()[0], where, "restore the pinned file"
