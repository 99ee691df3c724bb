"""The one clock: SOURCE_DATE_EPOCH as reproducible-builds.org specifies it, a bad value is bad input."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from rawref.clock import now
from rawref.errors import InputError

PACKAGE = Path(__file__).parents[1] / "pipeline" / "rawref"


def test_it_obeys_source_date_epoch(monkeypatch: pytest.MonkeyPatch) -> None:
    """date -u -d @1700000000 gives 2023-11-14 22:13:20 UTC (GNU coreutils)."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    assert now().isoformat() == "2023-11-14T22:13:20+00:00"


@pytest.mark.parametrize("given", ["", "tomorrow", "-1", "1.5", "123456789012", "\u0661"])
def test_a_bad_value_is_bad_input(given: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", given)
    with pytest.raises(InputError, match="SOURCE_DATE_EPOCH"):
        now()


def test_no_other_module_asks_the_time() -> None:
    asking = [
        path.name
        for path in sorted(PACKAGE.rglob("*.py"))
        if re.search(r"date\.today\(|datetime\.(now|utcnow)\(|time\.time\(", path.read_text(encoding="utf-8"))
    ]
    assert asking == ["clock.py"]
