"""The one clock of the program: the present in UTC, or the time that SOURCE_DATE_EPOCH sets."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime

from rawref.errors import InputError, MachineError

EARLIEST, LATEST = 2026, 2100


def now() -> datetime:
    """The time in UTC to the second. InputError where SOURCE_DATE_EPOCH is no count of seconds since 1970
    (reproducible-builds.org/specs/source-date-epoch)."""
    given = os.environ.get("SOURCE_DATE_EPOCH")
    if given is None:
        return datetime.now(UTC).replace(microsecond=0)
    if not re.fullmatch(r"[0-9]{1,11}", given):
        raise InputError(f"SOURCE_DATE_EPOCH is {given!r}", "environment", "give whole seconds since 1970, or unset it")
    return datetime.fromtimestamp(int(given), UTC)


def set_on_purpose() -> bool:
    """Whether the time is the one that SOURCE_DATE_EPOCH gives."""
    return "SOURCE_DATE_EPOCH" in os.environ


def plausible(time: datetime, after: str = "") -> None:
    """MachineError where the machine's own clock can only be wrong: before this program, far off, or before `after`,
    a time in ISO 8601 that has been. A time that was set on purpose is taken as it is."""
    if set_on_purpose():
        return
    cure = "set the clock of the machine, or SOURCE_DATE_EPOCH on purpose"
    if not EARLIEST <= time.year <= LATEST:
        raise MachineError(f"the clock says {time:%Y-%m-%d}", "clock", cure)
    if after[:10] > f"{time:%Y-%m-%d}":
        raise MachineError(f"the clock says {time:%Y-%m-%d}, before {after[:10]}", "clock", cure)
