"""One exception type per exit status of an error; each carries what is wrong, where, and the cure."""

from __future__ import annotations


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


class InputError(RawrefError):
    """Bad usage or input, a pinned file with a wrong digest included: exit 2."""

    exit_status = 2


class SourceMissing(RawrefError):
    """A source was asked for and could not be had, or a download has a wrong digest: exit 3."""

    exit_status = 3


class InternalError(RawrefError):
    """Something that must hold does not: a defect of the program, exit 4."""

    exit_status = 4
