"""Tiny workbooks with the headings of a layout and a few invented foods, so that thousands can be damaged and read."""

from __future__ import annotations

import csv
import io
import re
import struct
import tomllib
from pathlib import Path
from typing import Any

FREE, END, FAT = 0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD
SECTOR = 512


def xls(sheet: str, rows: list[list[str | float]]) -> bytes:
    """A workbook of one sheet: [MS-XLS] 2.4 (BOF, BoundSheet8, Label, Number, EOF) in a stream of [MS-CFB]."""

    def record(kind: int, body: bytes = b"") -> bytes:
        return struct.pack("<HH", kind, len(body)) + body

    def text(value: str, width: str) -> bytes:
        return struct.pack(width, len(value)) + b"\x01" + value.encode("utf-16-le")

    def begin(kind: int) -> bytes:
        return record(0x809, struct.pack("<HHHHII", 0x600, kind, 0x0DBB, 0x07CC, 0, 6))

    cells = [
        record(0x204, struct.pack("<HHH", r, c, 0) + text(value, "<H")) if isinstance(value, str)
        else record(0x203, struct.pack("<HHHd", r, c, 0, value))
        for r, row in enumerate(rows) for c, value in enumerate(row) if value != ""
    ]
    page = record(0x42, struct.pack("<H", 1200))
    head = begin(5) + page
    named = record(0x85, struct.pack("<IBB", 0, 0, 0) + text(sheet, "<B"))
    at = len(head) + len(named) + len(record(0x0A))
    named = record(0x85, struct.pack("<IBB", at, 0, 0) + text(sheet, "<B"))
    size = struct.pack("<IIHHH", 0, len(rows), 0, max(map(len, rows)), 0)
    stream = head + named + record(0x0A) + begin(0x10) + record(0x200, size) + b"".join(cells) + record(0x0A)
    return _compound(stream.ljust(4096, b"\0"))  # a shorter stream belongs into the mini stream


def _compound(stream: bytes) -> bytes:
    """One stream, `Workbook`, as a compound file of version 3: heading, FAT, directory, stream."""
    count = -(-len(stream) // SECTOR)
    fats = 1
    while fats * SECTOR // 4 < count + 1 + fats:
        fats += 1
    chain = [FAT] * fats + [END] + [fats + 2 + i for i in range(count - 1)] + [END]
    chain += [FREE] * (fats * SECTOR // 4 - len(chain))
    head = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(16) + struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + bytes(6)
    head += struct.pack("<IIIIIIIII", 0, fats, fats, 0, 4096, END, 0, END, 0)
    head += struct.pack("<109I", *range(fats), *[FREE] * (109 - fats))

    def entry(name: str, kind: int, child: int, start: int, size: int) -> bytes:
        coded = (name + "\0").encode("utf-16-le") if name else b""
        tree = struct.pack("<HBBIII", len(coded), kind, 1, FREE, FREE, child)
        return coded.ljust(64, b"\0") + tree + bytes(36) + struct.pack("<IQ", start, size)

    folder = entry("Root Entry", 5, 1, END, 0) + entry("Workbook", 2, FREE, fats + 1, len(stream))
    folder += entry("", 0, FREE, 0, 0) * 2
    body = struct.pack(f"<{len(chain)}I", *chain) + folder + stream.ljust(count * SECTOR, b"\0")
    return head + body


def _columns(layouts: Path, source: str) -> list[dict[str, str]]:
    with (layouts / f"{source}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def ciqual(layouts: Path, foods: int = 5) -> bytes:
    """So many invented foods under the headings of edition 2020."""
    columns = _columns(layouts, "anses-ciqual")
    texts = ("12,5", "0", "< 0,5", "traces", "-")
    rows: list[list[str | float]] = [[column["heading"] for column in columns]]
    for food in range(foods):
        fields = {"food_code": str(900 + food), "name": f"Invented, no. {food}, raw"}
        rows.append([
            texts[(food + place) % 5] if column["field"] == "value" else fields.get(column["field"], "01")
            for place, column in enumerate(columns)
        ])
    return xls("compo", rows)


def mext(layouts: Path) -> dict[str, bytes]:
    """The two tables, one invented food to each sheet."""
    from openpyxl import Workbook

    described = tomllib.loads((layouts / "mext.toml").read_text(encoding="utf-8"))["release"]["2020"]
    made = {}
    for table, name in (("main", "main.xlsx"), ("fatty_acids", "fatty_acids.xlsx")):
        of = described[table]
        columns = [column for column in _columns(layouts, "mext") if column["table"] == table]
        book = Workbook(write_only=True)
        kept = [*of["sheets"], *of.get("repeated", [])]
        for number, title in enumerate(kept):
            sheet = book.create_sheet(title)
            rows: list[list[Any]] = [[None] * len(columns) for _ in range(of["first_row"] - 1)]
            rows[of["heading_rows"][0] - 1] = [column["heading"] or None for column in columns]
            for key in ("unit", "tag"):
                rows[of[f"{key}_row"] - 1] = [column[key] or None for column in columns]
            group = f"{number + 1:02d}"
            fields = {"food_number": f"{group}001", "group": group, "name": f"Invented, no. {number}", "remark": ""}
            rows.append([
                (1.5, "0", "Tr", "(0.1)", "-")[(number + place) % 5] if column["field"] == "value"
                else fields.get(column["field"], "") if column["field"] not in ("marker", "spacer") else None
                for place, column in enumerate(columns)
            ])
            for row in rows:
                sheet.append(row)
        body = io.BytesIO()
        book.save(body)
        made[name] = body.getvalue()
    return made


def declare_tiny(layouts: Path, foods: int = 5) -> None:
    """Tell the layouts how few foods the tiny workbooks have."""
    path = layouts / "anses-ciqual.toml"
    text, count = re.subn(r"(?m)^records = \d+$", f"records = {foods}", path.read_text(encoding="utf-8"))
    assert count == 1
    path.write_text(text, encoding="utf-8")
    path = layouts / "mext.toml"
    text = path.read_text(encoding="utf-8")
    for due, tiny in (("2478", "18"), ("1919", "1")):
        assert text.count(f"\nrecords = {due}\n") == 1
        text = text.replace(f"\nrecords = {due}\n", f"\nrecords = {tiny}\n")
    path.write_text(text, encoding="utf-8")
