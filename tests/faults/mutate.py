"""Damage to bytes, drawn from a seeded generator: the same seed gives the same damage to the same bytes."""

from __future__ import annotations

import io
import random
import warnings
import zipfile
import zlib

NASTY = (
    b"", b"-", b"NaN", b"inf", b"-inf", b"1e999", b"1e-400", b"-1", b"0", b"00000", b"99999999999999999999", b"1,5",
    b"1.2.3", b"\x00", b"\x1b[31m", b"\x1b]0;title\x07", b"\xef\xbb\xbf", b"\xff\xfe", b"\xc3\x28", b'"', b'""', b"'",
    b"~", b"^", b",", b";", b"\t", b"\r", b"\r\n", b"\n", b"=1+1", b"@SUM(1)", b"+1", b"../../etc/passwd", b"NA",
    b"null", b"None", b"true", b"[]", b'["x"]', b"{}", b"[", b"2028-13-45", b"9999-99-99", "\u202e".encode(),
    "\ufffd".encode(), "\u00b5g".encode(), "Ａ".encode(), b"A" * 5_000, b"<script>", b"%s%n", b"\\", b"--", b"';--",
)
"""What fields of tables have gone wrong on: numbers that are none, quotes, separators, controls, other alphabets."""


def damaged(body: bytes, rng: random.Random, *, separator: bytes = b",") -> bytes:
    """One to three faults in some bytes: a flip, a cut, a doubled or lost part, a field that is something else."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        body = rng.choice(FAULTS)(body, rng, separator)
    return body


def _flip(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    if not body:
        return body
    at = rng.randrange(len(body))
    return body[:at] + bytes([body[at] ^ (1 << rng.randrange(8))]) + body[at + 1 :]


def _byte(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    at = rng.randrange(len(body) + 1)
    return body[:at] + bytes([rng.randrange(256)]) + body[at + rng.randrange(2) :]


def _cut(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    return body[: rng.randrange(len(body) + 1)]


def _lose(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    at = rng.randrange(len(body) + 1)
    return body[:at] + body[at + rng.choice((1, 1, 2, 7, 100)) :]


def _repeat(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    at = rng.randrange(len(body) + 1)
    part = body[at : at + rng.choice((1, 3, 50, 400))]
    return body[:at] + part * rng.choice((2, 2, 3, 20)) + body[at + len(part) :]


def _insert(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    at = rng.randrange(len(body) + 1)
    return body[:at] + rng.choice(NASTY) + body[at:]


def _lines(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    lines = body.split(b"\n")
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    choice = rng.randrange(3)
    if choice == 0:
        lines[one], lines[other] = lines[other], lines[one]
    elif choice == 1:
        lines.insert(one, lines[other])
    else:
        del lines[one]
    return b"\n".join(lines)


def _field(body: bytes, rng: random.Random, separator: bytes) -> bytes:
    lines = body.split(b"\n")
    at = rng.randrange(len(lines))
    fields = lines[at].split(separator)
    place = rng.randrange(len(fields))
    choice = rng.randrange(4)
    if choice == 0:
        other = rng.choice(lines).split(separator)
        fields[place] = rng.choice(other)
    elif choice == 1:
        del fields[place]
    else:
        fields[place] = rng.choice(NASTY)
    lines[at] = separator.join(fields)
    return b"\n".join(lines)


FAULTS = (_flip, _byte, _cut, _lose, _repeat, _insert, _lines, _field, _field, _field)


def damaged_archive(body: bytes, rng: random.Random, *, separator: bytes = b",") -> bytes:
    """A zip archive damaged as bytes, or one member of it damaged, renamed, doubled or left out and packed again."""
    if rng.random() < 0.3:
        return damaged(body, rng)
    with zipfile.ZipFile(io.BytesIO(body)) as bundle:
        members = [(item.filename, bundle.read(item)) for item in bundle.infolist() if not item.is_dir()]
    at = rng.randrange(len(members))
    name, content = members[at]
    choice = rng.randrange(12)
    if choice == 0:
        del members[at]
    elif choice == 1:
        bad = ("../x", "/x", ".", "a\\b", "C:x", name + "\n", name.upper(), "\u202e" + name)
        members[at] = (rng.choice(bad), content)
    elif choice == 2:
        members.append((name.replace("/", "/copy_"), content))
    else:
        members[at] = (name, damaged(content, rng, separator=separator))
    packed = io.BytesIO()
    with (
        warnings.catch_warnings(action="ignore"),  # a name that stands twice is meant
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as bundle,
    ):
        for name, content in members:
            bundle.writestr(zipfile.ZipInfo(name), content)
    made = packed.getvalue()
    if choice == 3:  # another method of packing, encrypted, a wrong checksum: a byte of the first local heading
        place = rng.choice((6, 8, 14, 18, 22, 26))
        made = made[:place] + bytes([rng.randrange(256)]) + made[place + 1 :]
    return made


def bomb(megabytes: int) -> bytes:
    """A gzip body that inflates to so many megabytes of blanks."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    block = b" " * (1 << 20)
    return b"".join(packer.compress(block) for _ in range(megabytes)) + packer.flush()
