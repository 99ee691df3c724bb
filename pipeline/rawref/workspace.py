"""Where everything lives: below the root of a checkout, or beside a published table that stands alone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rawref.errors import InputError

DATA = Path(__file__).resolve().parent / "data"
"""What comes with the program: schemas/, and of raw/ the declarations and what people enter. In a checkout the folder
holds links to those of the checkout, in an installed package the files themselves."""


@dataclass(frozen=True, slots=True)
class Workspace:
    """The folders of one checkout; or, with `table`, of a published table alone, read by what comes with the program.
    """

    root: Path
    table: Path | None = None

    @classmethod
    def find(cls, root: Path | None = None, table: Path | None = None) -> Workspace:
        """The published table in `table`; else the workspace at `root`; else the nearest folder upwards from here that
        has raw/sources.toml, or a published curated/, or is one."""
        if table is not None:
            if not _published(table):
                raise InputError("no published table here", str(table), "give a folder that holds a copy of curated/")
            return cls(Path.cwd().resolve(), table.resolve())
        if root is not None:
            found = _at(root.resolve())
            if found is None:
                raise InputError("no raw/sources.toml here", str(root), "give --root the top folder of a checkout")
            return found
        here = Path.cwd().resolve()
        for folder in (here, *here.parents):
            if (found := _at(folder)) is not None:
                return found
        raise InputError(
            "no raw/sources.toml here or above, and no published curated/", str(here),
            "change into a checkout, give --root, or give --table a folder with a published table",
        )  # fmt: skip

    def require_sources(self) -> None:
        """InputError where there is a published table and nothing that it could be built from."""
        if self.table is not None:
            raise InputError(
                "this is a published table without its sources", self.relative(self.table),
                "check --accepted, drift --against, trace, find, gaps, mix and report read it; else use a checkout",
            )  # fmt: skip

    @property
    def raw(self) -> Path:
        return (self.root if self.table is None else DATA) / "raw"

    @property
    def maintainer(self) -> Path:
        return self.raw / "maintainer"

    @property
    def schemas(self) -> Path:
        return (self.root if self.table is None else DATA) / "schemas"

    @property
    def curated(self) -> Path:
        return self.table or self.root / "curated"

    @property
    def reports(self) -> Path:
        return self.root / "reports"

    @property
    def work(self) -> Path:
        return self.root / ".rawref"

    @property
    def equal(self) -> Path:
        """From which inputs the last build was made that was equal to the accepted table."""
        return self.work / "equal.json"

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
        """`path` as shown in output: relative to the root, or to what comes with the program; forward slashes."""
        if path.is_relative_to(DATA):
            return path.relative_to(DATA).as_posix()
        try:
            return path.resolve().relative_to(self.root).as_posix()
        except ValueError:
            return path.as_posix()


def _published(folder: Path) -> bool:
    return all((folder / name).is_file() for name in ("manifest.json", "values.csv", "ingredients.csv"))


def _at(folder: Path) -> Workspace | None:
    """The workspace of just this folder, where it is one."""
    if (folder / "raw" / "sources.toml").is_file():
        return Workspace(folder)
    if _published(folder / "curated"):
        return Workspace(folder, folder / "curated")
    if _published(folder) and not (folder.parent / "raw" / "sources.toml").is_file():
        return Workspace(folder.parent, folder)
    return None
