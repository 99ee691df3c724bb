"""Reader of USDA FoodData Central, SR Legacy (April 2018), as its CSV archive: the layout of Foundation Foods.

SR Legacy is the last release of the table that SR28 is an earlier release of, so the two are not independent:
raw/sources.toml says `repeats`, and a food with the NDB number of an SR28 food is no further witness. The layout is
the publisher's field descriptions; no official archive was at hand when it was written.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rawref.sources.usda_fdc import Archive, identify_archive, load_archive

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from rawref.sources import Release

ID = "usda-sr-legacy"
PREFIX = "srl"
LEGACY = Archive(ID, PREFIX)
FILES = 1
"""Files that make a release."""


def identify(path: Path, layouts: Path) -> str:
    """The release id: the date in the name of the folder inside the archive; InputError for any other file."""
    return identify_archive(LEGACY, path, layouts)


def load(con: duckdb.DuckDBPyConnection, release: Release, layouts: Path) -> dict[str, str]:
    """Fill archival.srl_<file> and return the SELECT of each common archival table."""
    return load_archive(LEGACY, con, release, layouts)
