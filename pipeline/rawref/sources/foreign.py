"""The one wrapper around every parser of foreign files: what a parser raises is a fault of the file, and names it."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

from rawref import machine
from rawref.errors import InputError, RawrefError

AGAIN = "get the file again from the publisher"


@contextmanager
def parsing(where: str, cure: str = AGAIN) -> Iterator[None]:
    """Turn whatever is raised while a foreign file is read into an InputError that names it.

    Our own errors pass as they are, and so do an interruption and the faults of the machine: they are not the file's.
    A parser knows many exceptions, and a broken file finds those that nobody thought of (xlrd: AssertionError,
    struct.error, IndexError; openpyxl: AttributeError, TypeError; zipfile: NotImplementedError, OverflowError).
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a parser's remarks on the form of a file are no business of the reader's
            yield
    except RawrefError:
        raise
    except BaseException as error:
        # A panic of a parser in Rust is no Exception; an interruption is none either, and passes.
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        if machine.fault(error) is not None or "nterrupt" in type(error).__name__:
            raise
        text = " ".join(str(error).split())[:200]
        raise InputError(f"cannot be read: {text or type(error).__name__}", where, cure) from error
