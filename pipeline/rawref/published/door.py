"""The published table for programs: `rawref.table("curated/")`, typed, with the missing kept missing."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, overload

from rawref.errors import InputError
from rawref.files import steady
from rawref.registry.nearest import as_id, did_you_mean

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Form = Literal["pandas", "arrow"]


@dataclass(frozen=True, slots=True)
class Value:
    """One cell: per 100 g edible portion in `unit`. `value` is None where there is no single figure; then `low` and
    `high` may still bound it. `gap` is the kind of gap that stands beside it: without one the cell is evidence."""

    ingredient_id: str
    component: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    status: str
    confidence: str | None
    gap: str | None

    @property
    def evidence(self) -> bool:
        """Whether the cell can carry a recipe: no gap stands beside it."""
        return self.gap is None


@dataclass(frozen=True)
class Table:
    """A published table in a folder. Frames are read anew at each call; the rows of a cell are read once."""

    folder: Path
    version: str
    """Number of the accepted version; empty where it was never accepted."""
    digest: str
    """One SHA-256 over the content of all tables."""
    _schemas: Path
    _cells: dict[tuple[str, str], Value] = field(default_factory=dict, repr=False, compare=False)

    @overload
    def read(self, name: str, form: Literal["pandas"] = ...) -> pd.DataFrame: ...
    @overload
    def read(self, name: str, form: Literal["arrow"]) -> pa.Table: ...
    def read(self, name: str, form: Form = "pandas") -> Any:
        """A published table, by its name such as `candidates`, as a pandas frame or an Arrow table.

        Text stays text (component NA is sodium, food 01001), numbers are float64, counts int64 (nullable Int64 in
        pandas), lists are lists (arrays in pandas), and an empty cell is missing. InputError where the folder has no
        such table.
        """
        from rawref.database import connect
        from rawref.published.opened import reading, select

        if form not in ("pandas", "arrow"):
            raise InputError(f"no form {form!r}", "", "give pandas or arrow")
        with reading(), connect() as con:
            found: pa.Table = con.sql(select(self.folder, name, self._schemas, lists=True)).to_arrow_table()
        if form == "arrow":
            return found
        import pandas as pd
        import pyarrow as pa

        kept = {pa.int64(): pd.Int64Dtype()}
        return found.to_pandas(types_mapper=kept.get)

    @overload
    def values(self, form: Literal["pandas"] = ...) -> pd.DataFrame: ...
    @overload
    def values(self, form: Literal["arrow"]) -> pa.Table: ...
    def values(self, form: Form = "pandas") -> Any:
        """A row per ingredient and needed component: the chosen value or none, its status, range and provenance."""
        return self.read("values", form)

    @overload
    def gaps(self, form: Literal["pandas"] = ...) -> pd.DataFrame: ...
    @overload
    def gaps(self, form: Literal["arrow"]) -> pa.Table: ...
    def gaps(self, form: Form = "pandas") -> Any:
        """A row per cell for which there is no evidence; a number may stand in `values` all the same."""
        return self.read("gaps", form)

    def value(self, ingredient: str, component: str) -> Value:
        """One cell, the id written as a person may write it; InputError with near names where the table has no such
        ingredient or component."""
        if not self._cells:
            self._load()
        cell = self._cells.get((ingredient, component)) or self._cells.get((as_id(ingredient), component.upper()))
        if cell is not None:
            return cell
        ingredients = dict.fromkeys(key for key, _ in self._cells)
        if as_id(ingredient) not in ingredients:
            raise InputError(
                f"no ingredient {ingredient!r}", "", did_you_mean(ingredient, ingredients, "see the table ingredients")
            )
        components = dict.fromkeys(key for _, key in self._cells)
        raise InputError(
            f"no needed component {component!r}", "", did_you_mean(component, components, "see the table components")
        )

    def _load(self) -> None:
        from rawref.database import connect
        from rawref.published.opened import reading, select

        values, gaps = (select(self.folder, name, self._schemas) for name in ("values", "gaps"))

        def read() -> list[tuple[Any, ...]]:
            with reading(), connect() as con:
                return con.execute(
                    f"""select v.ingredient_id, v.component, v.value, v.low, v.high, v.unit, v.status, v.confidence,
                          g.kind
                        from ({values}) v left join ({gaps}) g using (ingredient_id, component)"""
                ).fetchall()

        found = steady(self.folder, read)
        self._cells.update({(row[0], row[1]): Value(*row) for row in found})


def table(folder: str | Path, *, version: str | None = None, digest: str | None = None) -> Table:
    """The published table in `folder` (a copy of curated/), wherever it lies.

    `version` and `digest` pin it. InputError where there is no table, or another one than was pinned.
    """
    from rawref.published.export import table_digest
    from rawref.published.opened import document
    from rawref.workspace import DATA

    path = Path(folder)
    missing = [n for n in ("values", "gaps", "ingredients") if not (path / f"{n}.csv").is_file()]
    if missing:
        raise InputError(f"no published table here: {missing[0]}.csv is missing", str(folder), "copy curated/ whole")
    stamp, content = steady(path, lambda: (str(document(path).get("version", "")), table_digest(path)))
    found = Table(path.resolve(), stamp, content, DATA / "schemas")
    for what, wanted, held in (("version", version, found.version), ("content digest", digest, found.digest)):
        if wanted is not None and wanted != held:
            raise InputError(f"{what} is {held or 'none'}, not {wanted}", str(folder), "get the table that was pinned")
    return found
