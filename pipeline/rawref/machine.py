"""What the machine refuses (disk, permissions, limits, memory, threads), told apart from bad input and from defects."""

from __future__ import annotations

import errno
from pathlib import Path

from rawref.errors import MachineError

FREE = "free space there and run again"
WRITABLE = "make it readable and writable for this user, or run as the user whose files they are"
FOLDER = "move what stands in the place of the file or folder, and run again"
LIMIT = "raise the limit (ulimit -a shows them) or free memory, and run again"
DEVICE = "look after the disk (dmesg says more); what was built there may be lost: delete .rawref and build again"
AGAIN = "delete .rawref/rawref.duckdb and run rawref build; fetched sources stay"

_OF_THE_SYSTEM = {
    errno.ENOSPC: ("no space left on the device", FREE),
    errno.EDQUOT: ("the disk quota is used up", FREE),
    errno.EROFS: ("the file system is read-only", WRITABLE),
    errno.EACCES: ("permission denied", WRITABLE),
    errno.EPERM: ("operation not permitted", WRITABLE),
    errno.ENOTDIR: ("a file stands where a folder belongs", FOLDER),
    errno.EISDIR: ("a folder stands where a file belongs", FOLDER),
    errno.EEXIST: ("something stands where a folder belongs", FOLDER),
    errno.ENOTEMPTY: ("a folder is not empty that should be", FOLDER),
    errno.ELOOP: ("symbolic links lead in a circle", FOLDER),
    errno.ENAMETOOLONG: ("the path is too long", "use a shorter path"),
    errno.EFBIG: ("the limit on the size of a file is reached", LIMIT),
    errno.EMFILE: ("too many open files", LIMIT),
    errno.ENFILE: ("too many open files", LIMIT),
    errno.ENOMEM: ("not enough memory", LIMIT),
    errno.EAGAIN: ("a resource is not available now", LIMIT),
    errno.EIO: ("the device cannot be read or written", DEVICE),
    errno.EXDEV: ("two folders are not on one file system", "keep the checkout and .rawref on one file system"),
    errno.ENOENT: ("a file or folder is gone", "nothing else may change the folder meanwhile; run again"),
}
# The database and Arrow put the words of the system into an error of their own.
_IN_WORDS = (
    ("No space left", *_OF_THE_SYSTEM[errno.ENOSPC]),
    ("Disk quota", *_OF_THE_SYSTEM[errno.EDQUOT]),
    ("Read-only file system", *_OF_THE_SYSTEM[errno.EROFS]),
    ("read-only", *_OF_THE_SYSTEM[errno.EROFS]),
    ("Permission denied", *_OF_THE_SYSTEM[errno.EACCES]),
    ("Not a directory", *_OF_THE_SYSTEM[errno.ENOTDIR]),
    ("Is a directory", *_OF_THE_SYSTEM[errno.EISDIR]),
    ("File too large", *_OF_THE_SYSTEM[errno.EFBIG]),
    ("Could not write all bytes", *_OF_THE_SYSTEM[errno.ENOSPC]),
    ("Too many open files", *_OF_THE_SYSTEM[errno.EMFILE]),
    ("Input/output error", *_OF_THE_SYSTEM[errno.EIO]),
    ("annot allocate memory", *_OF_THE_SYSTEM[errno.ENOMEM]),
    ("bad_alloc", *_OF_THE_SYSTEM[errno.ENOMEM]),
    ("Out of Memory", *_OF_THE_SYSTEM[errno.ENOMEM]),
    ("could not allocate", *_OF_THE_SYSTEM[errno.ENOMEM]),
    ("failed to allocate", *_OF_THE_SYSTEM[errno.ENOMEM]),
    ("Resource temporarily unavailable", "a thread could not be started", LIMIT),
    ("can't start new thread", "a thread could not be started", LIMIT),
    ("Conflicting lock", "another program has the working database open", "end it, or wait for it, and run again"),
    ("Could not set lock", "another program has the working database open", "end it, or wait for it, and run again"),
    ("Corrupt", "the working database is damaged", AGAIN),
    ("checksum", "the working database is damaged", AGAIN),
    ("not a valid DuckDB database", "the working database is damaged", AGAIN),
    ("database has been invalidated", "the working database could not be written", FREE),
    ("Could not read enough bytes", "the working database is damaged", AGAIN),
)
_SPEAKS_FOR_THE_SYSTEM = ("duckdb", "_duckdb", "pyarrow")


def fault(error: BaseException) -> MachineError | None:
    """The machine's fault that an exception tells of, by itself or by what it was raised from or during; else None."""
    seen: set[int] = set()
    step: BaseException | None = error
    while step is not None and id(step) not in seen:
        seen.add(id(step))
        if found := _one(step):
            return found
        step = step.__cause__ or step.__context__
    return None


def _one(error: BaseException) -> MachineError | None:
    if isinstance(error, MachineError):
        return error
    text = str(error).strip()
    first = text.splitlines()[0] if text else type(error).__name__
    if isinstance(error, MemoryError):
        return MachineError("not enough memory", "", LIMIT)
    if isinstance(error, OSError) and error.errno in _OF_THE_SYSTEM:
        what, cure = _OF_THE_SYSTEM[error.errno]
        return MachineError(what, _where(error.filename2 or error.filename), cure)
    if isinstance(error, OSError | RuntimeError) or type(error).__module__.split(".")[0] in _SPEAKS_FOR_THE_SYSTEM:
        for words, what, cure in _IN_WORDS:
            if words in text:
                return MachineError(f"{what} ({first})" if first != what else what, "", cure)
    return None


def _where(path: object) -> str:
    if isinstance(path, bytes):
        return path.decode("utf-8", "replace")
    return Path(path).as_posix() if isinstance(path, str) else ""
