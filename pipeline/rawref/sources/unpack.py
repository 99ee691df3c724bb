"""Reading archives from outside: nothing is written outside the target, nothing unpacks to more than it should."""

from __future__ import annotations

import stat
import zipfile
from pathlib import Path, PurePosixPath

from rawref.errors import InputError
from rawref.files import write_whole
from rawref.sources.foreign import parsing

MEMBERS_MAX = 5_000
MEMBER_BYTES_MAX = 256 << 20
TOTAL_BYTES_MAX = 512 << 20
"""The archives that we read unpack to at most 54 MB (SR28); 512 MB is what a reader can hold within its memory."""
RATIO_MAX = 250
"""A member that unpacks to more than this many times its packed size is a bomb; the releases stay below 17."""
RATIO_FREE_BYTES = 1 << 20
"""Members up to this size may have any ratio: a small file of blanks packs very well and harms nobody."""

PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""How publishers pack; the other methods inflate a block without a bound."""

CURE = "get the archive again from the publisher, do not open it"


def contents(bundle: zipfile.ZipFile, where: str) -> list[zipfile.ZipInfo]:
    """The files of an open archive, after checking every name, size and ratio; InputError names the first bad one."""
    members = bundle.infolist()
    if len(members) > MEMBERS_MAX:
        raise InputError(f"{len(members)} members, more than {MEMBERS_MAX}", where, CURE)
    if (total := sum(member.file_size for member in members)) > TOTAL_BYTES_MAX:
        raise InputError(f"unpacks to {total} bytes, more than {TOTAL_BYTES_MAX}", where, CURE)
    seen: set[str] = set()
    for member in members:
        if fault := _fault(member):
            raise InputError(fault, f"{where}!{member.filename!r}", CURE)
        if member.filename in seen:
            raise InputError("a name occurs twice in the archive", f"{where}!{member.filename!r}", CURE)
        seen.add(member.filename)
    return [member for member in members if not member.is_dir()]


def _fault(member: zipfile.ZipInfo) -> str:
    """What is wrong with the declared name, kind or size of a member; empty when nothing is."""
    name = member.filename
    path = PurePosixPath(name)
    if not path.parts or not name.isprintable():
        return "the name is none"
    if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in path.parts[0]:
        return "the name leaves the folder"
    if stat.S_ISLNK(member.external_attr >> 16):
        return "a symbolic link"
    if member.flag_bits & 0x1:
        return "encrypted"
    if member.compress_type not in PACKINGS:
        return f"packed by method {member.compress_type}"
    if member.file_size > MEMBER_BYTES_MAX:
        return f"unpacks to {member.file_size} bytes, more than {MEMBER_BYTES_MAX}"
    if member.file_size > RATIO_FREE_BYTES and member.file_size > RATIO_MAX * max(member.compress_size, 1):
        return f"unpacks to {member.file_size} bytes from {member.compress_size}"
    return ""


def read(bundle: zipfile.ZipFile, member: zipfile.ZipInfo, where: str) -> bytes:
    """The bytes of one member; InputError if they are not as many as declared or fail their checksum."""
    with parsing(f"{where}!{member.filename}", CURE), bundle.open(member) as stream:
        body = stream.read(member.file_size + 1)
    if len(body) != member.file_size:
        raise InputError(
            f"unpacks to {len(body)} bytes, declared {member.file_size}", f"{where}!{member.filename}", CURE
        )
    return body


def verify(path: Path, where: str) -> None:
    """Every member of a zip archive is safe and whole; InputError otherwise. Nothing is written."""
    with open_archive(path, where) as bundle:
        for member in contents(bundle, where):
            read(bundle, member, where)


def open_archive(path: Path, where: str) -> zipfile.ZipFile:
    """An open zip archive; InputError when the file is none."""
    with parsing(where):
        return zipfile.ZipFile(path)


def extract(path: Path, name: str, folder: Path, where: str) -> Path:
    """Write the one file of the archive whose last name part is `name` into `folder`, whole or not at all."""
    with open_archive(path, where) as bundle:
        found = [member for member in contents(bundle, where) if PurePosixPath(member.filename).name == name]
        if len(found) != 1:
            raise InputError(f"{len(found)} members are called {name}", where, "give the file itself")
        body = read(bundle, found[0], where)
    write_whole(folder / name, body)
    return folder / name
