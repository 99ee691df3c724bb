"""One exception type per exit status of an error; each carries what is wrong, where, and the cure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager


class RawrefError(Exception):
    """Base of the errors that a user can act on; `exit_status` is the process's answer."""

    exit_status = 4

    def __init__(self, what: str, where: str = "", cure: str = "") -> None:
        self.what, self.where, self.cure = what, where, cure
        super().__init__(self.line())

    def line(self) -> str:
        """The whole message on one line: where, what, cure."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        return " ".join(f"{text} -> {self.cure}".split()) if self.cure else " ".join(text.split())

    def lines(self) -> list[str]:
        """What the command line prints, one line per fault."""
        return [self.line()]


class InputError(RawrefError):
    """Bad usage or input, a pinned file with a wrong digest included: exit 2."""

    exit_status = 2


class InputErrors(InputError):
    """Several faults of one file: a line each, capped, and a last line with their number. Exit 2."""

    shown = 20

    def __init__(self, faults: Sequence[InputError], where: str) -> None:
        self.faults = tuple(faults)
        kept = "" if len(faults) <= self.shown else f", the first {self.shown} shown"
        super().__init__(f"{len(faults)} faults{kept}", where, "correct them and run again")

    def lines(self) -> list[str]:
        """The faults in the order of the file, then their number."""
        return [*(fault.line() for fault in self.faults[: self.shown]), self.line()]


def raise_all(faults: Sequence[InputError], where: str) -> None:
    """Raise what was gathered of one file: nothing, the one fault, or all of them together."""
    if len(faults) == 1:
        raise faults[0]
    if faults:
        raise InputErrors(faults, where)


@contextmanager
def gathered(faults: list[InputError]) -> Iterator[None]:
    """Add what is raised within to `faults`, so that the next file is read too."""
    try:
        yield
    except InputErrors as several:
        faults += several.faults
    except InputError as error:
        faults.append(error)


class SourceMissing(RawrefError):
    """A source was asked for and could not be had, or a download has a wrong digest: exit 3."""

    exit_status = 3


class MachineError(RawrefError):
    """The machine refuses: disk full, not writable, a limit, no memory, no thread: exit 5. Nothing is wrong with the
    input, and nothing published changes."""

    exit_status = 5


class InternalError(RawrefError):
    """Something that must hold does not: a defect of the program, exit 4."""

    exit_status = 4
