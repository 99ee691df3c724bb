"""The text of source lines, from the files in the repository: what a chain ends with."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from rawref.workspace import Workspace

LONGEST = 300
"""Characters of a line; `…` says that there is more."""


def source_lines(workspace: Workspace, cells: Iterable[Mapping[str, Any]]) -> dict[tuple[str, str, str], str]:
    """The text of every line that a cell was read from, by source, file and line.

    Only files whose lines are texts, packed as a release or kept as they are; a cell of a spreadsheet has none, and a
    release that is not in the repository is left out.
    """
    wanted: dict[tuple[str, str, str], set[int]] = {}
    for cell in cells:
        if cell["source"] and cell["file"] and (cell["line"] or "").isdigit():
            wanted.setdefault((cell["source"], cell["release"], cell["file"]), set()).add(int(cell["line"]))
    found: dict[tuple[str, str, str], str] = {}
    for (source, release, file), numbers in sorted(wanted.items()):
        last = max(numbers)
        for at, text in enumerate(islice(_lines(workspace, source, release, file), last), 1):
            if at in numbers:
                line = text.decode("utf-8", "replace").rstrip("\r\n")
                found[source, file, str(at)] = line if len(line) <= LONGEST else f"{line[:LONGEST - 1]}…"
    return found


def _lines(workspace: Workspace, source: str, release: str, file: str) -> Iterable[bytes]:
    kept = workspace.maintainer / file if source == "maintainer" else None
    if kept is not None:
        return kept.read_bytes().splitlines(keepends=True) if kept.is_file() else ()
    folder = workspace.root / "raw" / source / release
    for archive in sorted(folder.glob("*.zip")):
        with zipfile.ZipFile(archive) as packed:
            for name in packed.namelist():
                if Path(name).name == file:
                    return _member(archive, name)
    return ()


def _member(archive: Path, name: str) -> Iterable[bytes]:
    with zipfile.ZipFile(archive) as packed, packed.open(name) as stream:
        yield from stream
