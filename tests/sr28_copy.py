"""A scratch root whose pinned SR28 says something else: one text file edited, digests and counts declared anew."""

from __future__ import annotations

import hashlib
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

from rawref.workspace import Workspace


def restate(space: Workspace, edits: dict[str, Callable[[str], str]]) -> None:
    """Rewrite members of the pinned archive (name without .txt) and declare their new digests, sizes and records."""
    archive = space.raw / "usda-sr28" / "28" / "sr28asc.zip"
    with zipfile.ZipFile(archive) as old:
        bodies = {name: old.read(name) for name in old.namelist()}
    text = (space.raw / "sources.toml").read_text(encoding="utf-8")
    for stem, edit in edits.items():
        name = f"{stem}.txt"
        before, after = bodies[name], edit(bodies[name].decode("cp1252")).encode("cp1252")
        bodies[name] = after
        text = text.replace(hashlib.sha256(before).hexdigest(), hashlib.sha256(after).hexdigest())
        count = after.count(b"\n")
        text = re.sub(rf'(name = "{name}"\nsha256 = "[0-9a-f]+"\nbytes = )\d+(\nrecords = )\d+',
                      rf"\g<1>{len(after)}\g<2>{count}", text)
    _write(archive, bodies)
    for pattern, value in ((r"(\[\[source\.release\.file\]\]\nname = \"sr28asc\.zip\"\nsha256 = \")[0-9a-f]+",
                            hashlib.sha256(archive.read_bytes()).hexdigest()),
                           (r"(name = \"sr28asc\.zip\"\nsha256 = \"[0-9a-f]+\"\nbytes = )\d+",
                            str(archive.stat().st_size))):
        text, found = re.subn(pattern, rf"\g<1>{value}", text)
        assert found == 1, "the declaration of SR28 looks otherwise"
    (space.raw / "sources.toml").write_text(text, encoding="utf-8")


def _write(archive: Path, bodies: dict[str, bytes]) -> None:
    archive.unlink()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_STORED) as new:
        for name, body in bodies.items():
            new.writestr(zipfile.ZipInfo(name), body)
