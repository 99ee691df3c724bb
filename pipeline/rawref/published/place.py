"""Putting a published folder in place of the old one in a single step, and writing its JSON documents."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

from rawref.files import exchange, sync


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document with a final line feed, keys in the order given."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8", newline="\n")


def put_in_place(new: Path, target: Path) -> None:
    """Make a copy of `new` the folder `target` in one step; on any failure `target` is untouched."""
    staged = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        staged.chmod(0o755)
        for item in sorted(new.iterdir()):
            shutil.copyfile(item, staged / item.name)
            sync(staged / item.name)
        sync(staged)
        exchange(staged, target)
        sync(target.parent)
    finally:
        shutil.rmtree(staged, ignore_errors=True)
