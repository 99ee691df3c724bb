"""What reads bytes from outside, each as a function that a damaged input is put through in this process.

A target gives `accepted` or raises InputError, in its lines the file that is at fault. Anything else that it raises is
a find: a traceback, or "internal error, report it", at the command line.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import random
import shutil
import tempfile
import tomllib
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
from rawref import registry
from rawref.database import connect
from rawref.drift.compare import drift
from rawref.errors import InputError
from rawref.fetch.decide import available, fetch
from rawref.mix import inputs as mix_inputs
from rawref.mix import mix
from rawref.mix.assay import read_assay
from rawref.mix.compare import compare
from rawref.mix.table import load_table
from rawref.mix.target import parse_target, reach
from rawref.needs.profile import read_need
from rawref.published.door import table as door
from rawref.published.opened import open_published
from rawref.release.build import build
from rawref.render.mix import compare_text
from rawref.sources import PinnedFile, Release, anses_ciqual, declared, maintainer, mext, usda_fdc, usda_sr28
from rawref.stages import reference
from rawref.workspace import Workspace

from tests.faults import books
from tests.faults.mutate import damaged, damaged_archive
from tests.rebuild import small_root

ROOT = Path(__file__).resolve().parents[2]
Damage = Callable[[bytes, random.Random], bytes]


@dataclass(frozen=True, slots=True)
class Target:
    """One kind of input: sound bytes by name, how they are damaged, and what reads them. `share`: trials among 1000."""

    name: str
    sound: dict[str, bytes]
    damage: Damage
    read: Callable[[str, bytes], None]
    share: int


@contextmanager
def targets(names: Sequence[str] = ()) -> Iterator[list[Target]]:
    """The targets over one small built root in a folder of its own."""
    with tempfile.TemporaryDirectory(prefix="rawref-faults-") as folder:
        space = Workspace(small_root(Path(folder) / "root"))
        build(space, lambda _: None, workbook=False)
        yield [target for target in over(space) if not names or target.name in names]


def over(space: Workspace) -> list[Target]:
    """The targets over a small built root; each trial leaves it as it was, and what is damaged lies beside it."""
    _beside(space).mkdir()
    return [*_entered(space), *_words(space), *_tried(space), *_foreign(space), *_curated(space)]


def _beside(space: Workspace) -> Path:
    return space.root.with_name(f"{space.root.name}-damaged")


@contextmanager
def _archive() -> Iterator[duckdb.DuckDBPyConnection]:
    """A database in memory for a reader to fill."""
    with connect(threads=1) as con:
        con.execute("create schema archival")
        con.execute("create table archival.files(source text, release text, file text, sha256 text, bytes bigint,"
                    " records bigint)")
        yield con


def _count(con: duckdb.DuckDBPyConnection, query: str) -> int:
    return int(con.execute(f"select count(*) from {query}").fetchall()[0][0])


def _file(space: Workspace, name: str, body: bytes) -> Path:
    path = _beside(space) / "files" / name
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_bytes(body)
    return path


# ---- what people enter


def _entered(space: Workspace) -> Iterator[Target]:
    known = [source.id for source in declared(space)]
    sound = {f"{name}.csv": (space.maintainer / f"{name}.csv").read_bytes() for name in registry.MAINTAINER}
    decisions = _decisions(ROOT / "raw" / "maintainer" / "decisions.csv")
    del sound["decisions.csv"]

    def read(name: str, body: bytes) -> None:
        path = space.maintainer / name
        before = path.read_bytes()
        path.write_bytes(body)
        try:
            rows = maintainer.read_all(space.maintainer, space.schemas, known)
            text = body.decode("utf-8-sig")
            kept = rows[name.removesuffix(".csv")]
            due = [row for row in csv.reader(io.StringIO(text, newline="")) if row]
            assert len(kept) == len(due) - 1, f"{len(due) - 1} rows in, {len(kept)} kept"
        finally:
            path.write_bytes(before)

    yield Target("maintainer", sound, damaged, read, 150)
    yield Target("decisions", {"decisions.csv": decisions}, damaged, read, 60)

    toml = {"sources.toml": (space.raw / "sources.toml").read_bytes()}

    def declare(name: str, body: bytes) -> None:
        path = space.raw / name
        path.write_bytes(body)
        try:
            declared(space)
        finally:
            path.write_bytes(toml[name])

    yield Target("declarations", toml, lambda body, rng: damaged(body, rng, separator=b"="), declare, 60)


def _decisions(path: Path, rows: int = 20) -> bytes:
    """So many decisions, those that concern an ingredient aimed at one of the small root."""
    with path.open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        kept = [row | {"ingredient_id": row["ingredient_id"] and "beef-heart"} for row in reader][:rows]
        text = io.StringIO()
        writer = csv.DictWriter(text, list(reader.fieldnames or ()), lineterminator="\n")
    writer.writeheader()
    writer.writerows(kept)
    return text.getvalue().encode()


# ---- what says how a figure counts


def _words(space: Workspace) -> Iterator[Target]:
    """The statuses, and what the codes of the sources mean by them."""
    schemas = _beside(space) / "schemas"
    shutil.copytree(space.schemas, schemas)
    names = ("statuses.csv", "status_map.csv", "source_traits.csv", "component_sources.csv", "components.csv",
             "conversions.csv", "soil_driven.csv")
    sound = {name: (schemas / name).read_bytes() for name in names}
    held = [registry.statuses, registry.evidence, registry.vocabularies, registry.components, registry.steps]

    def forget() -> None:
        for cached in held:
            cached.cache_clear()

    def read(name: str, body: bytes) -> None:
        (schemas / name).write_bytes(body)
        forget()
        try:
            with connect(threads=1) as con:
                reference._load_registry(con, schemas)
                if name == "statuses.csv":
                    assert _count(con, "reference.statuses") == len(registry.statuses(schemas)) > 0
        finally:
            (schemas / name).write_bytes(sound[name])
            forget()

    yield Target("statuses", sound, damaged, read, 12)


# ---- what a mix is tried with


def _tried(space: Workspace) -> Iterator[Target]:
    table = load_table(space)
    units = table.units()
    needs = {path.name: path.read_bytes() for path in sorted((space.maintainer / "needs").glob("*.csv"))}
    yield Target("needs", needs, damaged, lambda name, body: _ignore(read_need(_file(space, name, body), units)), 200)

    profile = read_need(space.maintainer / "needs" / "fediaf-2021-adult-mer75.csv", units)
    mixes = {"mix.csv": b"ingredient_id,grams,as_purchased\nbeef-heart,400,\nbeef-liver,30,no\nwater,20,\n"}

    def try_mix(name: str, body: bytes) -> None:
        path = _file(space, name, body)
        rows = mix_inputs.read_mix(path, name, table)
        if sum(row.grams for row in rows) and len(rows) < 5 and len(body) % 16 == 0:  # judging takes a second
            json.dumps(mix.evaluate(table, rows, profile), default=str, allow_nan=False)

    yield Target("mixes", mixes, damaged, try_mix, 180)
    assays = {
        "assay.csv": b"ingredient_id,component,value,unit,basis,laboratory,date,low,high,note\n"
        b"beef-heart,ZN,1.9,mg,per_100g,A laboratory,2024-05-01,1.7,2.1,\n"
        b"beef-liver,RETOL,17000,IU,per_kg,label,2023-01-31,,,dry\nbeef-liver,WATER,70,g,per_100g,label,2023-01-31,,,\n",
        "limits.csv": b"ingredient_id,component,value,unit,basis,laboratory,date,low,high,note\n"
        b"beef-heart,ID,<2,ug,per_100g,A laboratory,2024-05-01,,,below its limit\n"
        b"beef-liver,SE,,ug,per_kg_DM,A laboratory,2024-05-01,400,900,a range\n"
        b"beef-liver,MN,< 0.4,mg,per_100g_DM,label,2023-01-31,,,\n",
    }

    def assayed(name: str, body: bytes) -> None:
        found = read_assay(_file(space, name, body), table, name, ())
        if len(body) % 32 == 0:
            rows = mix_inputs.read_mix(_file(space, "sound.csv", mixes["mix.csv"]), "sound.csv", table)
            json.dumps(mix.evaluate(table, rows, profile, assay=found), default=str, allow_nan=False)

    yield Target("assays", assays, damaged, assayed, 200)

    sound = mix_inputs.read_mix(_file(space, "sound.csv", mixes["mix.csv"]), "sound.csv", table)
    judged = mix.evaluate(table, sound, profile)

    def beside(name: str, body: bytes) -> None:
        rows = mix_inputs.read_mix(_file(space, name, body), name, table)
        if len(rows) < 5:
            other = mix.evaluate(table, rows, profile)
            json.dumps(compare(judged, other), default=str, allow_nan=False)
            compare_text(compare(other, judged), (other, judged), True, 100)

    yield Target("compare", {"other.csv": mixes["mix.csv"]}, damaged, beside, 5)
    asked = {"target": b"CA/P=1.2", "energy": b"RETOL=5000", "one": b"Vitamin A, retinol = 90000"}

    def aim(name: str, body: bytes) -> None:
        component, figure = parse_target(table, body.decode(errors="surrogateescape"))
        batch, _ = mix.batch_of(table, sound)
        json.dumps(reach(batch, component, figure, "beef-liver"), allow_nan=False)

    yield Target("targets", asked, lambda body, rng: damaged(body, rng, separator=b"="), aim, 30)

    def swap(name: str, body: bytes) -> None:
        swaps = mix_inputs.parse_replace(body.decode(errors="surrogateescape").split("\n"))
        mix.batch_of(table, sound, without=("water",), replace=swaps)

    pairs = {"pairs": b"beef-heart=beef-liver"}
    yield Target("swaps", pairs, lambda body, rng: damaged(body, rng, separator=b"="), swap, 20)


def _ignore(_: object) -> None:
    """Accepted."""


# ---- what publishers issue


def _foreign(space: Workspace) -> Iterator[Target]:
    layouts = space.schemas / "layouts"
    yield _sr28(space, layouts)
    archive = {"FoodData_Central_foundation_food_csv_2026-04-30.zip": foundation(5)}

    def side_load(name: str, body: bytes) -> None:
        path = _file(space, name, body)
        shutil.rmtree(space.pinned, ignore_errors=True)
        try:
            fetch(space, ["usda-fdc"], origin=path)
            for release in available(space):
                with _archive() as con:
                    selects = usda_fdc.load(con, release, layouts)
                    aside = _count(con, f"({selects['set_aside']}) where file = 'food_nutrient.csv'")
                    kept = _count(con, f"({selects['values']})")
                    assert kept + aside == _count(con, "archival.fdc_food_nutrient"), (kept, aside)
        finally:
            shutil.rmtree(space.pinned, ignore_errors=True)

    yield Target("usda-fdc", archive, damaged_archive, side_load, 20)
    tiny = _beside(space) / "layouts"
    shutil.copytree(layouts, tiny)
    books.declare_tiny(tiny)

    def japan(name: str, body: bytes) -> None:
        held = {**japanese, name: body}
        paths = tuple(_file(space, file, content) for file, content in held.items())
        mext.identify(paths[list(held).index(name)], tiny)
        with _archive() as con:
            made = mext.load(con, Release("mext", "2020", "t", "p", "2020", "declared", paths, False), tiny)
            due = sum(
                _count(con, f"archival.mext_{table}_cell c join archival.mext_column k on k.\"table\" = '{table}'"
                            " and k.\"column\" = c.letter where k.field = 'value'")
                for table in mext.TABLES
            )
            assert _count(con, f"({made['values']})") == due

    japanese = books.mext(tiny)
    yield Target("mext", japanese, damaged_archive, japan, 6)

    def france(name: str, body: bytes) -> None:
        path = _file(space, name, body)
        anses_ciqual.identify(path, tiny)
        with _archive() as con:
            made = anses_ciqual.load(
                con, Release("anses-ciqual", "2020", "t", "p", "2020", "declared", (path,), False), tiny
            )
            cells = _count(con, "archival.ciqual_cell")
            aside = _count(con, f"({made['set_aside']}) where reason like 'empty cell%'")
            assert _count(con, f"({made['values']})") + aside == cells or aside, (cells, aside)

    yield Target("anses-ciqual", {"table.xls": books.ciqual(tiny)}, damaged, france, 12)

    file = {
        "name": "a.zip", "sha256": hashlib.sha256(b"zip").hexdigest(), "bytes": 3, "url": "",
        "freshness": "side-loaded", "fetched_at": "2026-05-01T00:00:00Z",
    }
    pin = {"pin.json": json.dumps({
        "schema_version": 1, "source": "usda-fdc", "release": "2026-04-30", "date": "2026-04-30",
        "standing": "undeclared", "files": [file],
    }, indent=2).encode()}

    def pinned(name: str, body: bytes) -> None:
        folder = space.pinned / "usda-fdc" / "2026-04-30"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(body)
        (folder / "a.zip").write_bytes(b"zip")
        try:
            available(space)
        finally:
            shutil.rmtree(space.pinned)

    yield Target("pins", pin, lambda body, rng: damaged(body, rng, separator=b":"), pinned, 60)


def _sr28(space: Workspace, layouts: Path) -> Target:
    """The reader itself, the digests declared as those of the damaged files: what the reader sees is under test."""
    archive = space.raw / "usda-sr28" / "28" / "sr28asc.zip"
    with zipfile.ZipFile(archive) as bundle:
        bodies = {name: bundle.read(name) for name in bundle.namelist()}
    for name in bodies:  # a few foods are enough; codes must be whole
        if name not in ("FD_GROUP.txt", "SRC_CD.txt", "DERIV_CD.txt", "LANGDESC.txt"):
            bodies[name] = b"".join(bodies[name].splitlines(keepends=True)[:40])

    def read(name: str, body: bytes) -> None:
        with tempfile.TemporaryDirectory(dir=_beside(space)) as folder:
            path = Path(folder) / "28" / "sr28asc.zip"
            path.parent.mkdir()
            members = {}
            with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as bundle:
                for member, sound in bodies.items():
                    held = body if member == name else sound
                    bundle.writestr(zipfile.ZipInfo(member), held)
                    digest = hashlib.sha256(held).hexdigest()
                    members[member] = PinnedFile(member, digest, len(held), (), held.count(b"\n"))
            release = Release("usda-sr28", "28", "t", "p", "2015-09-30", "declared", (path,), True, members)
            with _archive() as con:
                selects = usda_sr28.load(con, release, layouts)
                count = {table: _count(con, f"({selects[table]})") for table in ("values", "set_aside", "footnotes")}
                lines = members["NUT_DATA.txt"].records + members["FOOTNOTE.txt"].records  # type: ignore[operator]
                assert count["values"] + count["set_aside"] + count["footnotes"] == lines, (count, lines)

    sound = {name: bodies[name] for name in bodies if name.endswith(".txt")}
    return Target("usda-sr28", sound, lambda body, rng: damaged(body, rng, separator=b"^"), read, 15)


def foundation(foods: int = 25, day: str = "2026-04-30") -> bytes:
    """A Foundation Foods archive of so many invented foods with an invented value each."""
    tables: dict[str, list[dict[str, str]]] = {
        "food": [{"fdc_id": str(i), "data_type": "foundation_food", "description": f"Invented, no. {i}, raw"}
                 for i in range(1, foods + 1)],
        "foundation_food": [{"fdc_id": str(i), "NDB_number": str(90000 + i)} for i in range(1, foods + 1)],
        "nutrient": [{"id": "1101", "name": "Manganese, Mn", "unit_name": "MG"}],
        "food_nutrient": [{
            "fdc_id": str(i), "nutrient_id": "1101", "amount": f"0.{i:02d}", "derivation_id": "1", "data_points": "8",
            "min": "0.01", "max": "0.9", "min_year_acquired": "2019",
        } for i in range(1, foods + 1)],
    }
    body = io.BytesIO()
    layout = tomllib.loads((ROOT / "schemas" / "layouts" / "usda-fdc.toml").read_text(encoding="utf-8"))
    with zipfile.ZipFile(body, "w", zipfile.ZIP_DEFLATED) as bundle:
        for file in layout["file"]:
            text = io.StringIO()
            writer = csv.DictWriter(text, file["columns"], restval="", quoting=csv.QUOTE_ALL, lineterminator="\n")
            writer.writeheader()
            writer.writerows(tables.get(file["name"].removesuffix(".csv"), []))
            bundle.writestr(zipfile.ZipInfo(f"FoodData_Central_foundation_food_csv_{day}/{file['name']}"),
                            text.getvalue())
    return body.getvalue()


# ---- a consumer's copy of the published table


def _curated(space: Workspace) -> Iterator[Target]:
    folder = _beside(space) / "consumer"
    shutil.copytree(space.curated, folder)
    sound = {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.suffix in (".csv", ".json")}

    def put(read: Callable[[str, bytes], None]) -> Callable[[str, bytes], None]:
        def trial(name: str, body: bytes) -> None:
            (folder / name).write_bytes(body)
            try:
                read(name, body)
            finally:
                (folder / name).write_bytes(sound[name])

        return trial

    def compared(name: str, body: bytes) -> None:
        found = drift(space, folder)
        assert body == sound[name] or found["changes"] or name in ("datapackage.json", "manifest.json"), name

    def opened(name: str, _: bytes) -> None:
        published = door(folder)
        table = name.removesuffix(".csv")
        if table in registry.PUBLISHED:
            rows = published.read(table, "arrow").num_rows
            assert rows <= (folder / name).read_bytes().count(b"\n") + 1
        with open_published(folder, space.schemas, space.maintainer) as con:
            if table in registry.PUBLISHED:
                con.execute(f'select * from curated."{table}"').fetchall()

    yield Target("curated", sound, damaged, put(compared), 2)
    yield Target("consumer", sound, damaged, put(opened), 8)


__all__ = ["InputError", "Target", "foundation", "over", "targets"]
