"""rawref: from official food-composition releases to a raw-ingredient table whose every value can be traced."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rawref.published.door import table as table

# one thread for linear algebra: the matrices are small, and the same sums on every machine
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
CONTRACT_VERSION = "1"


def __getattr__(name: str) -> Any:
    """`rawref.table`, loaded when it is asked for: `import rawref` alone reads nothing more."""
    if name == "table":
        from rawref.published.door import table

        return table
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
