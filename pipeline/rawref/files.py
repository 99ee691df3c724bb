"""Files written whole or not at all, folders swapped in one step, and what a killed run leaves behind."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")

PARTIAL = ".partial-"
"""How a file begins its life; a killed run may leave one."""


def write_whole(path: Path, body: bytes) -> None:
    """Replace `path` by `body` in one step: a reader, or a machine that loses power, has the old file or the new."""
    handle, partial = tempfile.mkstemp(dir=path.parent, prefix=PARTIAL)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(body)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(partial, 0o644)
        os.replace(partial, path)
        sync(path.parent)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(partial)
        raise


def read_json(path: Path) -> dict[str, Any] | None:
    """A JSON object; None where the file is missing, cut or something else."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return document if isinstance(document, dict) else None


def sync(path: Path) -> None:
    """What was written to a file, or the names in a folder, is on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def exchange(fresh: Path, target: Path) -> None:
    """Put the folder `fresh` in the place of `target`; where a folder stood there, it stands at `fresh` afterwards.

    Atomic where the system can; else by two renames, and `restore` puts right what was cut off between them.
    """
    if not target.exists() or (target.is_dir() and not any(target.iterdir())):
        os.rename(fresh, target)
        return
    swap = 2
    libc = ctypes.CDLL(None, use_errno=True)
    if hasattr(libc, "renameat2"):
        here = -100
        if libc.renameat2(here, os.fsencode(fresh), here, os.fsencode(target), swap) == 0:
            return
        if ctypes.get_errno() not in (errno.ENOSYS, errno.EINVAL):
            raise OSError(ctypes.get_errno(), "cannot swap folders", str(target))
    aside = _aside(fresh)
    os.rename(target, aside)
    try:
        os.rename(fresh, target)
    except BaseException:
        os.rename(aside, target)
        raise
    os.rename(aside, fresh)


def _aside(fresh: Path) -> Path:
    return fresh.with_name(f"{fresh.name}-old")


@contextlib.contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Be the only one that writes in `folder`; waits for another that does. It leaves no lock file."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def sweep(folder: Path, patterns: Iterable[str], target: Path | None = None) -> None:
    """Remove what killed runs left in `folder`. The caller holds the lock under which such names are made.

    Where a swap by two renames was cut off, the old folder is put back as `target` first.
    """
    for pattern in patterns:
        for leftover in sorted(folder.glob(pattern)):
            if target is not None and leftover.name.endswith("-old") and not target.exists():
                os.rename(leftover, target)
            elif leftover.is_dir() and not leftover.is_symlink():
                shutil.rmtree(leftover)
            else:
                leftover.unlink()


def steady(folder: Path, read: Callable[[], T], *, attempts: int = 5) -> T:
    """What `read` gives from one and the same folder: read again where another was put in its place meanwhile."""
    for _ in range(attempts - 1):
        before = _identity(folder)
        try:
            found = read()
        except Exception:
            if _identity(folder) == before:
                raise
            continue
        if _identity(folder) == before:
            return found
    return read()


def _identity(folder: Path) -> tuple[int, ...]:
    """What tells a folder from the one that was in its place before: a swap gives another node, changed at a time."""
    try:
        of = [folder.stat(), (folder / "manifest.json").stat()]
    except OSError:
        return ()
    return tuple(number for stat in of for number in (stat.st_dev, stat.st_ino, stat.st_ctime_ns))
