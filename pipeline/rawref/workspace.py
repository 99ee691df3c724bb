"""Where everything lives below the root of a checkout."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rawref.errors import InputError


@dataclass(frozen=True, slots=True)
class Workspace:
    """The folders of one checkout; nothing here touches the disk."""

    root: Path

    @classmethod
    def find(cls, root: Path | None = None) -> Workspace:
        """The workspace at `root`, or the nearest folder upwards from here that has raw/sources.toml."""
        if root is not None:
            if not (root / "raw" / "sources.toml").is_file():
                raise InputError("no raw/sources.toml here", str(root), "give --root the top folder of a checkout")
            return cls(root.resolve())
        here = Path.cwd().resolve()
        for folder in (here, *here.parents):
            if (folder / "raw" / "sources.toml").is_file():
                return cls(folder)
        raise InputError("no raw/sources.toml here or above", str(here), "change into a checkout or give --root")

    @property
    def raw(self) -> Path:
        return self.root / "raw"

    @property
    def maintainer(self) -> Path:
        return self.raw / "maintainer"

    @property
    def schemas(self) -> Path:
        return self.root / "schemas"

    @property
    def curated(self) -> Path:
        return self.root / "curated"

    @property
    def reports(self) -> Path:
        return self.root / "reports"

    @property
    def work(self) -> Path:
        return self.root / ".rawref"

    @property
    def pinned(self) -> Path:
        return self.work / "sources"

    @property
    def database(self) -> Path:
        return self.work / "rawref.duckdb"

    @property
    def built(self) -> Path:
        return self.work / "build" / "curated"

    def relative(self, path: Path) -> str:
        """`path` as shown in output: relative to the root, forward slashes."""
        try:
            return path.resolve().relative_to(self.root).as_posix()
        except ValueError:
            return path.as_posix()
