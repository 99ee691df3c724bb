"""Reading delimited text verbatim: every field as text, "" kept apart from null, each row with its line."""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Callable, Iterator, Sequence
from typing import IO, TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from rawref import machine
from rawref.errors import InputError

if TYPE_CHECKING:
    import duckdb

BLOCK = 32 << 20
"""Bytes parsed at once: small blocks become small row groups, which the database joins again at its checkpoint."""


CONTROLS = bytes([*(byte for byte in range(32) if byte not in (9, 10, 13)), 127])
"""Control characters that no text of a source holds: all of ASCII but tab and line ends."""
MARKS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
"""Byte order marks: the first field of a file that begins with one would be another than it reads."""


_BEFORE, _BEHIND = np.zeros(256, bool), np.zeros(256, bool)
"""What may stand before the quote that begins a quoted part, and behind the one that ends it."""
_BEFORE[list(b',\n"')] = _BEHIND[list(b',\r\n"')] = True


def require_clean(body: bytes, where: str) -> None:
    """InputError with the line where a CSV file holds a byte order mark, a control character, a bare carriage return,
    a quote that is not closed, or text before or behind a quoted field (RFC 4180, 2.5 to 2.7), which a reader would
    join to the value in silence."""
    if fault := _unclean(body) or _unquoted(body):
        what, position = fault
        raise InputError(what, f"{where}:{body.count(10, 0, position) + 1}", "get the file again from the publisher")


def _unclean(body: bytes) -> tuple[str, int] | None:
    if body.startswith(MARKS):
        return "begins with a byte order mark", 0
    if len(body.translate(None, CONTROLS)) != len(body):
        found = re.search(b"[" + re.escape(CONTROLS) + b"]", body)
        assert found
        return f"control character {found[0][0]:#04x}", found.start()
    if body.count(b"\r") != body.count(b"\r\n"):
        found = re.search(rb"\r(?!\n)", body)
        assert found
        return "a carriage return without a line feed", found.start()
    return None


def _unquoted(body: bytes) -> tuple[str, int] | None:
    """The first quote that neither begins nor ends a field. Every second one ends a quoted part; a quote within the
    field is written twice, so that a part begins where one has just ended."""
    held = np.frombuffer(body, np.uint8)
    quotes = np.flatnonzero(held == ord('"'))
    begins, ends = quotes[0::2], quotes[1::2]
    if not begins.size:
        return None
    before = np.where(begins > 0, held[begins - 1], ord("\n"))
    behind = np.where(ends + 1 < held.size, held[np.minimum(ends + 1, held.size - 1)], ord("\n"))
    doubled = np.flatnonzero(before == ord('"'))  # the second half of a quote within a field, and nothing else
    at_fault = begins[doubled][np.where(doubled > 0, ends[doubled - 1], -2) != begins[doubled] - 1]
    wrong = [*begins[~_BEFORE[before]][:1], *ends[~_BEHIND[behind]][:1], *at_fault[:1]]
    if wrong:
        return "text stands before or behind a quoted field", int(min(wrong))
    return ("a quote that is not closed", int(begins[-1])) if quotes.size % 2 else None


class LegacyText(io.RawIOBase):
    """A text file in an old code page, given on as UTF-8 while it is read; the facts of the file itself are kept."""

    def __init__(self, stream: IO[bytes], encoding: str) -> None:
        self._stream, self._encoding, self._rest = stream, encoding, b""
        self._digest = hashlib.sha256()
        self.size = 0
        self.lines = 0
        """Line feeds so far."""
        self.whole = False
        """Whether what was read ends with a line feed."""
        self.tildes = 0
        self.clean = True
        """Whether it has neither a byte order mark nor a control character."""

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        """At most `size` bytes of UTF-8; UnicodeDecodeError for a byte that the code page does not have."""
        chunk = self._stream.read(size)
        if len(chunk.translate(None, CONTROLS)) != len(chunk) or (not self.size and chunk.startswith(MARKS)):
            self.clean = False
        self.tildes += chunk.count(b"~")
        self._digest.update(chunk)
        self.size += len(chunk)
        self.lines += chunk.count(b"\n")
        self.whole = chunk.endswith(b"\n") if chunk else self.whole
        if not self._rest and chunk.isascii():
            return chunk
        given = self._rest + chunk.decode(self._encoding).encode()
        size = len(given) if size < 0 else size
        self._rest = given[size:]
        return given[:size]


def store_legacy_text(
    con: duckdb.DuckDBPyConnection,
    table: str,
    opened: Callable[[], IO[bytes]],
    columns: Sequence[str],
    where: str,
    *,
    delimiter: str = "^",
    quote: str = "~",
    encoding: str = "cp1252",
) -> LegacyText:
    """Create `table` with `columns` as text and `line`, 1-based, block by block; InputError names the first bad line.

    A file that is cut, a row with a field too few or too many and a byte outside the code page are all errors: rows
    are never dropped. `opened` opens the file; it is called again to find the line of a fault.
    """
    import duckdb

    text = LegacyText(opened(), encoding)
    try:
        con.register("incoming", _batches(text, columns, delimiter, quote))
        con.execute(f"create table {table} as select * from incoming")
        con.unregister("incoming")
    except (InputError, duckdb.InterruptException):
        raise
    except Exception as error:
        if machine.fault(error) is not None:
            raise  # no fault of the file
        raise InputError(*_first_fault(opened(), len(columns), where, delimiter, encoding, error)) from error
    records = con.execute(f"select count(*) from {table}").fetchall()[0][0]
    if records != text.lines or not text.whole:
        raise InputError(
            f"{text.lines} complete lines but {records} rows; the file is cut or a field holds a line break",
            f"{where}:{text.lines + 1}", "restore the pinned file",
        )
    if not text.clean or (quote == "~" and text.tildes % 2):
        raise InputError(*_unseemly(opened(), where))
    return text


def _unseemly(stream: IO[bytes], where: str) -> tuple[str, str, str]:
    """What, where and cure for the first line with a byte order mark, a control character or a quote too few."""
    for number, line in enumerate(stream, start=1):
        what = "a quote is missing" if line.count(b"~") % 2 else ""
        if number == 1 and line.startswith(MARKS):
            what = "begins with a byte order mark"
        elif len(line.translate(None, CONTROLS)) != len(line):
            what = "a control character"
        if what:
            return what, f"{where}:{number}", "restore the pinned file"
    return "a byte order mark, a control character or a quote too few", where, "restore the pinned file"


def verbatim(columns: Sequence[str]) -> pacsv.ConvertOptions:
    """How the columns of a CSV file are kept as they are printed: all text, a quoted "" apart from null."""
    return pacsv.ConvertOptions(
        column_types={name: pa.string() for name in columns},
        null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False,
    )


def _batches(text: LegacyText, columns: Sequence[str], delimiter: str, quote: str) -> pa.RecordBatchReader:
    reader = pacsv.open_csv(
        pa.PythonFile(text, "r"),
        read_options=pacsv.ReadOptions(column_names=list(columns), block_size=BLOCK),
        parse_options=pacsv.ParseOptions(
            delimiter=delimiter, quote_char=quote, double_quote=False, newlines_in_values=False
        ),
        convert_options=verbatim(columns),
    )
    schema = reader.schema.append(pa.field("line", pa.int64()))

    def numbered() -> Iterator[pa.RecordBatch]:
        line = 1
        for batch in reader:
            lines = pa.arange(line, line + batch.num_rows)  # an array of numpy's would import pandas on the way
            yield pa.RecordBatch.from_arrays([*batch.columns, lines], schema=schema)
            line += batch.num_rows

    return pa.RecordBatchReader.from_batches(schema, numbered())


def _first_fault(
    stream: IO[bytes], fields: int, where: str, delimiter: str, encoding: str, error: Exception
) -> tuple[str, str, str]:
    """What, where and cure for the first line that does not have `fields` fields in `encoding`."""
    for number, line in enumerate(stream, start=1):
        try:
            found = line.decode(encoding).count(delimiter) + 1
        except UnicodeDecodeError as fault:
            return f"byte {fault.object[fault.start]:#04x} is not {encoding}", f"{where}:{number}", "restore the file"
        if found != fields:
            return f"{found} fields where {fields} are due", f"{where}:{number}", "restore the pinned file"
    return str(error).splitlines()[0], where, "restore the pinned file"
