"""Putting a published folder in place of the old one in a single step, and writing its JSON documents."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document with a final line feed, keys in the order given."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8", newline="\n")


def put_in_place(new: Path, target: Path) -> None:
    """Make a copy of `new` the folder `target` in one step; on any failure `target` is untouched."""
    staged = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        staged.chmod(0o755)
        for item in sorted(new.iterdir()):
            shutil.copyfile(item, staged / item.name)
            with (staged / item.name).open("rb") as stream:
                os.fsync(stream.fileno())
        _sync(staged)
        if target.exists() and any(target.iterdir()):
            _exchange(staged, target)
        else:
            os.rename(staged, target)
        _sync(target.parent)
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _exchange(one: Path, other: Path) -> None:
    """Swap two folders: atomically where the system can, else by two renames."""
    exchange = 2
    libc = ctypes.CDLL(None, use_errno=True)
    if hasattr(libc, "renameat2"):
        here = -100
        if libc.renameat2(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0:
            return
        if ctypes.get_errno() not in (errno.ENOSYS, errno.EINVAL):
            raise OSError(ctypes.get_errno(), "cannot swap folders", str(other))
    aside = other.with_name(f"{one.name}-old")
    os.rename(other, aside)
    os.rename(one, other)
    os.rename(aside, one)
