"""The one clock of the program: the present in UTC, or the time that SOURCE_DATE_EPOCH sets."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime

from rawref.errors import InputError


def now() -> datetime:
    """The time in UTC to the second. InputError where SOURCE_DATE_EPOCH is no count of seconds since 1970
    (reproducible-builds.org/specs/source-date-epoch)."""
    given = os.environ.get("SOURCE_DATE_EPOCH")
    if given is None:
        return datetime.now(UTC).replace(microsecond=0)
    if not re.fullmatch(r"[0-9]{1,11}", given):
        raise InputError(f"SOURCE_DATE_EPOCH is {given!r}", "environment", "give whole seconds since 1970, or unset it")
    return datetime.fromtimestamp(int(given), UTC)
