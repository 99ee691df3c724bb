"""Each fault that was found once, by its cause: what is refused or told, with which exit status, and what stays."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
import zipfile
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rawref import cli, clock, files, machine, registry, table
from rawref.checks import accepted
from rawref.database import connect
from rawref.errors import InputError, MachineError
from rawref.fetch.decide import fetch
from rawref.fetch.download import Limits, NotCached, TooLarge, downloader
from rawref.mix import table as mix_table
from rawref.published.place import put_in_place
from rawref.release import accept
from rawref.release.build import _sweep, build, input_digests
from rawref.render.visible import visible
from rawref.report import site
from rawref.report.serve import server
from rawref.sources import real_date, unpack, usda_sr28
from rawref.sources.foreign import parsing
from rawref.sources.text import require_clean, store_legacy_text
from rawref.workspace import Workspace
from typer.testing import CliRunner

from tests.faults import inputs, kills, mutate
from tests.faults.targets import Target, foundation, over
from tests.rebuild import content, small_root


@pytest.fixture(scope="session")
def space(small_workspace: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A small root, built and published."""
    return Workspace(Path(shutil.copytree(small_workspace.root, tmp_path_factory.mktemp("faults") / "root")))


# 1: an interruption is 130


LONG = pytest.mark.on_request


@pytest.mark.parametrize("when", ["checks", *(pytest.param(n, marks=LONG) for n in ("archival", "reference"))])
def test_an_interruption_is_130_at_every_stage(space: Workspace, when: str) -> None:
    (space.work / "state.json").unlink(missing_ok=True)
    running = kills.command(space.root, "build", "--no-workbook")
    assert running.stdout is not None
    for line in running.stdout:
        if line.startswith(when):
            running.send_signal(signal.SIGINT)
            break
    rest, _ = running.communicate(timeout=120)
    assert (running.returncode, rest.splitlines()[-1]) == (130, "rawref: interrupted")
    build(space, lambda _: None, workbook=False)
    assert kills.left_over(space.root) == []


REPLACED = """
import os, signal, time
import duckdb
from rawref import cli

def app(**_):
    try:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(10)
    except KeyboardInterrupt:
        raise duckdb.InvalidInputException("Attempting to execute an unsuccessful or closed pending query result")

cli.app = app
cli.main()
"""
"""A library that, interrupted, raises an error of its own, as a busy connection did during the checks."""


def test_an_interruption_that_a_library_replaces_is_130() -> None:
    done = subprocess.run([sys.executable, "-c", REPLACED], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "rawref: interrupted\n")


# 2: everything inflated has a bound


@pytest.fixture
def address() -> Iterator[tuple[str, dict[str, object]]]:
    """A server that answers every connection with `answer["bytes"]`, slowly if `answer["drip"]`."""
    answer: dict[str, object] = {"bytes": b"", "seen": 0}
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            with peer:
                peer.recv(65536)
                answer["seen"] = int(str(answer["seen"])) + 1
                body = answer["bytes"]
                assert isinstance(body, bytes)
                try:
                    for at in range(0, len(body), 1 if answer.get("drip") else len(body)):
                        peer.sendall(body[at : at + 1] if answer.get("drip") else body)
                        time.sleep(0.05 if answer.get("drip") else 0)
                except OSError:
                    continue

    threading.Thread(target=serve, daemon=True).start()
    yield f"http://127.0.0.1:{listener.getsockname()[1]}/file", answer
    listener.close()


def ask(url: str, folder: Path, *, bytes_max: int = 1 << 20, total_s: float = 3) -> bytes:
    limits = Limits(connect_s=1, read_s=1, total_s=total_s, retries=1, backoff_s=0.01)
    with downloader(folder, limits) as web:
        return web.get(url, offline=False, bytes_max=bytes_max)[1]


def reply(body: bytes, *headings: str, status: str = "200 OK") -> bytes:
    return "\r\n".join((f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headings, "", "")).encode() + body


def test_a_packed_body_inflates_within_its_bound(address: tuple[str, dict[str, object]], tmp_path: Path) -> None:
    url, answer = address
    answer["bytes"] = reply(mutate.bomb(64), "Content-Encoding: gzip")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(TooLarge, match="inflates to more"):
        ask(url, tmp_path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 32 << 10, "KB more than before"
    answer["bytes"] = reply(gzip.compress(b"as it is"), "Content-Encoding: gzip")
    assert ask(url, tmp_path) == b"as it is"


def archive(path: Path, members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", method) as bundle:
        for name, body in members.items():
            bundle.writestr(zipfile.ZipInfo(name), body, method)
    return path


def test_the_archive_of_a_kept_source_is_unpacked_within_bounds(space: Workspace, tmp_path: Path) -> None:
    bomb = archive(tmp_path / "sr28asc.zip", {"NUT_DATA.txt": b" " * (300 << 20)})
    with pytest.raises(InputError, match="unpacks to"):
        fetch(space, ["usda-sr28"], origin=bomb)
    other = archive(tmp_path / "other.zip", {"NUT_DATA.txt": b"x"}, zipfile.ZIP_BZIP2)
    with pytest.raises(InputError, match="packed by method 12"):
        fetch(space, ["usda-sr28"], origin=other)
    sound = archive(tmp_path / "sound.zip", {f"{name}.txt": b"x" * 99 for name in usda_sr28.LAYOUT}).read_bytes()
    where = sound.index(b"PK\x01\x02") + 8  # general purpose flags of the first entry of the directory (APPNOTE 4.3.12)
    for name, body, what in (
        ("encrypted.zip", sound[:where] + b"\x01" + sound[where + 1 :], "encrypted"),
        ("broken.zip", sound.replace(zlib.compress(b"x" * 99, wbits=-15), b"\xff" * 4), "cannot be read"),
        ("offset.zip", sound[:-6] + b"\xff\xff\xff\x7f" + sound[-2:], "cannot be read"),  # APPNOTE 4.3.16
    ):
        (tmp_path / name).write_bytes(body)
        with pytest.raises(InputError, match=what) as caught:
            fetch(space, ["usda-sr28"], origin=tmp_path / name)
        assert name in caught.value.line()


# 3: whatever a parser raises is a fault of the file


def test_one_wrapper_names_the_file() -> None:
    for error in (AssertionError("x"), IndexError(), RecursionError("deep"), AttributeError("none"), OverflowError()):
        with pytest.raises(InputError, match=r"book\.xls: cannot be read"), parsing("book.xls"):
            raise error
    for passes in (KeyboardInterrupt(), MemoryError(), OSError(28, "No space left on device"), InputError("ours")):
        with pytest.raises(type(passes)), parsing("book.xls"):
            raise passes


def test_a_member_that_is_no_name_is_refused(tmp_path: Path) -> None:
    for name in (".", "a\n", "\u202ea.csv"):
        path = archive(tmp_path / "odd.zip", {name: b"x"})
        with pytest.raises(InputError, match="name"):
            unpack.verify(path, path.name)


# 4: the machine's faults have a status of their own


def test_the_faults_of_the_machine_are_told_apart() -> None:
    full = OSError(28, "No space left on device", "/x/rawref.new")
    wrapped = ValueError("closing")
    wrapped.__context__ = full
    for error, what in (
        (full, "free space"), (wrapped, "free space"), (OSError(30, "", "/x"), "writable"),
        (OSError(20, "", "/x"), "move what stands"), (RuntimeError("can't start new thread"), "ulimit"),
        (MemoryError(), "ulimit"),
    ):
        found = machine.fault(error)
        assert found is not None and found.exit_status == 5 and what in found.line()
    assert machine.fault(ValueError("no space left for doubt")) is None


def run(root: Path, *arguments: str, out: str = "", limits: dict[int, int] | None = None) -> tuple[int, str]:
    def limit() -> None:
        for which, size in (limits or {}).items():
            resource.setrlimit(which, (size, size))

    environment = {"PATH": os.environ["PATH"], "HOME": str(root), "PYTHONPATH": str(kills.ROOT / "pipeline")}
    where = () if "--table" in arguments else ("--root", str(root))
    with open(out or os.devnull, "w") as stdout:
        done = subprocess.run(
            [sys.executable, "-m", "rawref", *where, *arguments], cwd=root, env=environment, stdout=stdout,
            stderr=subprocess.PIPE, text=True, timeout=240, preexec_fn=limit,
        )
    return done.returncode, done.stderr.strip().splitlines()[-1] if done.stderr.strip() else ""


@pytest.mark.parametrize("size", [100_000, pytest.param(3_000_000, marks=LONG)])
def test_a_limit_on_the_size_of_files_is_the_machines_fault(space: Workspace, size: int) -> None:
    (space.work / "state.json").unlink(missing_ok=True)
    status, line = run(space.root, "build", "--no-workbook", limits={resource.RLIMIT_FSIZE: size})
    assert status == 5 and ("limit" in line or "space" in line) and "restore" not in line, line
    assert kills.mixed(space.curated) == []
    build(space, lambda _: None, workbook=False)
    assert kills.left_over(space.root) == []


@LONG
@pytest.mark.parametrize("free", [0, 200_000, 2_000_000])
def test_a_full_disk_is_told_and_nothing_published_changes(tmp_path: Path, free: int) -> None:
    """Every command on a file system of its own in memory, where root may mount one; a filler leaves so many bytes."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=80m", "tmpfs", disk], capture_output=True).returncode:
        pytest.skip("no file system can be mounted here")
    try:
        root = kills.prepared(disk)
        kills.change(root, 1)
        before = content(root / "curated")
        for name in ("build", "accept", "report", "fetch"):
            if name == "accept":
                assert run(root, *kills.COMMANDS["build"])[0] in (0, 1)
            room = os.statvfs(disk)
            filler = disk / "filler"
            with filler.open("wb") as stream:
                os.posix_fallocate(stream.fileno(), 0, max(room.f_bavail * room.f_frsize - free, 1))
            status, line = run(root, *kills.COMMANDS[name])
            filler.unlink()
            if free == 0:
                assert status == 5, (name, line)
            assert status in (0, 1) or (status == 5 and "free space" in line and "restore" not in line), (name, line)
            assert kills.mixed(root / "curated") == []
            assert name == "accept" or content(root / "curated") == before
            shutil.rmtree(root / ".rawref" / "sources", ignore_errors=True)
            assert run(root, *kills.COMMANDS["build"])[0] in (0, 1)
            assert kills.left_over(root) == []
            before = content(root / "curated")
    finally:
        subprocess.run(["umount", disk], check=True)


def test_a_full_device_for_the_result_is_told(space: Workspace) -> None:
    status, line = run(space.root, "find", "beef", out="/dev/full")
    assert status == 5 and "no space left" in line


def test_a_file_in_the_place_of_a_folder_is_told(tmp_path: Path) -> None:
    root = small_root(tmp_path / "root")
    (root / ".rawref").write_text("")
    status, line = run(root, "build")
    assert status == 5 and "move what stands" in line


def test_a_small_address_space_ends_and_never_hangs(space: Workspace) -> None:
    (space.work / "state.json").unlink(missing_ok=True)
    try:
        status, line = run(space.root, "build", "--no-workbook", limits={resource.RLIMIT_AS: 2 << 30})
    except subprocess.TimeoutExpired:
        pytest.xfail("open: CPython 3.11 waits for ever for a thread that had no memory to begin with (Thread.start)")
    assert status in (0, 1, 5), line
    build(space, lambda _: None, workbook=False)


# 5: what cannot be read is no build


@pytest.mark.parametrize("name", ["state.json", pytest.param("check.json", marks=LONG), "rawref.duckdb"])
def test_a_cut_file_of_the_last_build_is_no_build(space: Workspace, name: str) -> None:
    build(space, lambda _: None, workbook=False)
    path = space.work / name
    path.write_bytes(path.read_bytes()[:20])
    assert not build(space, lambda _: None, workbook=False).unchanged
    assert build(space, lambda _: None, workbook=False).unchanged


def test_a_file_is_replaced_only_when_the_new_one_is_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX rename and fsync: a machine that loses power before the rename has the old file, after it the new one."""
    path, done = tmp_path / "state.json", []
    path.write_bytes(b"old")
    real = os.replace
    monkeypatch.setattr(files.os, "fsync", lambda _: done.append(path.read_bytes()))
    monkeypatch.setattr(files.os, "replace", lambda *names: (done.append(b"rename"), real(*names)))
    files.write_whole(path, b"new")
    assert done == [b"old", b"rename", b"new"]  # the file is synced, renamed, and then its folder is synced
    assert [p.name for p in tmp_path.iterdir()] == ["state.json"]


# 6: what kills leave is swept; only what pins name is read


def test_leftovers_are_swept_and_a_swap_cut_off_is_put_back(space: Workspace) -> None:
    for folder in (space.root / ".curated-x", space.work / "accept-x", space.work / "selftest-x"):
        (folder / "deep").mkdir(parents=True)
    aside = space.root / ".curated-y-old"
    space.curated.rename(aside)
    _sweep(space)
    assert kills.mixed(space.curated) == [] and kills.left_over(space.root) == []


def test_leftovers_of_a_killed_report_and_fetch_are_swept(space: Workspace) -> None:
    for folder in (space.reports / ".site-x", space.pinned / ".unpack-x", space.pinned / "usda-fdc" / "2026-04-30"):
        folder.mkdir(parents=True)
    (space.work / ".partial-x").write_text("half")
    (space.pinned / "usda-fdc" / "2026-04-30" / ".partial-x").write_text("half")
    assert len(kills.left_over(space.root)) == 4
    build(space, lambda _: None, workbook=False)
    fetch(space, offline=True)
    assert kills.left_over(space.root) == ["download"]  # what was downloaded and is still asked about
    shutil.rmtree(space.pinned)
    shutil.rmtree(space.work / "download")


def test_only_what_a_pin_names_is_an_input(space: Workspace) -> None:
    stray = space.pinned / ".unpack-x" / "a.zip"
    stray.parent.mkdir(parents=True)
    stray.write_bytes(b"x")
    assert not any("/.unpack" in name for name in input_digests(space))
    assert ".curated-*/" in (kills.ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    stray.unlink()
    stray.parent.rmdir()


# 7: damage is not accepted in silence


@pytest.mark.parametrize(
    ("body", "what"),
    [
        (b'a,b\n"x"y,1\n', ":2: text stands"), (b'a,b\nx"y",1\n', ":2: text stands"), (b'a,b\n"x,1\n', ":2: a quote"),
        (b'a,b\n"""x"y,1\n', ":2: text"), (b'a,b\n""x,1\n', ":2: text"), (b"\xef\xbb\xbfa,b\n", ":1: begins"),
        (b"a,b\nx\x00,1\n", ":2: control"), (b"a,b\rx,1\r", ":1: a carriage return"),
    ],
)
def test_a_damaged_csv_file_is_refused_with_its_line(body: bytes, what: str) -> None:
    with pytest.raises(InputError) as caught:
        require_clean(body, "f.csv")
    assert what in caught.value.line()


@pytest.mark.parametrize("body", [b"", b'a,b\n"x","y ""z"" w"\r\n"","\n"\n', b'"""q""",""\n', b"a;b,c\n"])
def test_sound_csv_passes(body: bytes) -> None:
    """Forms that RFC 4180 (2.5 to 2.7) allows."""
    require_clean(body, "f.csv")


@pytest.mark.parametrize(
    ("body", "what"),
    [
        (b"\xef\xbb\xbf~1~^~a~\n~2~^~b~\n", ":1: begins with a byte order mark"),
        (b"~1~^~a~\n~2~^~b\n", ":2"), (b"~1~^~a~\n~2~^b\x07\n", ":2: a control character"), (b"~1~^~a~\n2~^b\n", ":2"),
    ],
)
def test_a_damaged_file_of_sr28_is_refused_with_its_line(body: bytes, what: str) -> None:
    """The form of its files: SR28 documentation, p. 27 (text between tildes, fields parted by carets)."""
    with connect() as con, pytest.raises(InputError) as caught:
        store_legacy_text(con, "damaged", lambda: io.BytesIO(body), ["one", "two"], "f.txt")
    assert caught.value.line().startswith(f"f.txt{what}")


@pytest.mark.parametrize("text", ["9999-99-99", "9999-12-31", "2025-02-30", "", "-inf", "20130"])
def test_a_date_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="no date"):
        real_date(text, "f")
    for sound in ("2025-04-24", "2018-04", "2015"):
        real_date(sound, "f")


def values(tmp_path: Path, old: bytes, new: bytes, foods: int = 25) -> Path:
    """The invented archive with something else in its values."""
    path = tmp_path / kills.ARCHIVE
    with zipfile.ZipFile(io.BytesIO(foundation(foods))) as bundle:
        members = {item.filename: bundle.read(item) for item in bundle.infolist()}
    name = next(name for name in members if name.endswith("/food_nutrient.csv"))
    assert old in members[name]
    members[name] = members[name].replace(old, new, 1)
    return archive(path, members)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [(b'"2019"', b'"-inf"', "year '-inf'"), (b'"2019"', b'"20130"', "year '20130'"),
     (b'"8"', b'"2228557"', "data points '2228557'"), (b'"0.9"', b'"inf"', "max 'inf'")],
)
def test_impossible_numbers_of_a_release_are_listed(
    space: Workspace, tmp_path: Path, old: bytes, new: bytes, what: str
) -> None:
    with pytest.raises(InputError) as caught:
        fetch(space, ["usda-fdc"], origin=values(tmp_path, old, new))
    assert what in caught.value.line()


def test_a_remnant_of_an_undeclared_release_is_refused(space: Workspace, tmp_path: Path) -> None:
    try:
        fetch(space, ["usda-fdc"], origin=values(tmp_path, b'"8"', b'"9"'))
        whole = (tmp_path / kills.ARCHIVE).read_bytes()
        (tmp_path / kills.ARCHIVE).write_bytes(foundation(1, "2026-05-31"))
        with pytest.raises(InputError, match="1 foods, where the pinned release 2026-04-30 has 25"):
            fetch(space, ["usda-fdc"], origin=tmp_path / kills.ARCHIVE)
        (tmp_path / kills.ARCHIVE).write_bytes(whole)
    finally:
        shutil.rmtree(space.pinned)


@pytest.mark.parametrize(
    ("name", "old", "new", "what"),
    [("values.csv", b"\nbeef-heart,ZN,", b'\nbeef-heart,"ZN,', "values.csv:"),
     ("values.csv", b"\nbeef-heart,ZN,", b"\nbeef-heart\xff,ZN,", "values.csv:"),
     ("gaps.csv", b"ingredient_id,component", b'a"; drop,component', "gaps.csv:1: heading"),
     ("ingredients.csv", b"\nbeef-heart,", b"\nbeef-heart,,", "ingredients.csv:")],
)
def test_a_damaged_published_table_is_named(
    space: Workspace, tmp_path: Path, name: str, old: bytes, new: bytes, what: str
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(space.curated, folder)
    body = (folder / name).read_bytes()
    assert body.count(old) == 1
    (folder / name).write_bytes(body.replace(old, new))
    with pytest.raises(InputError) as caught:
        table(folder).read(name.removesuffix(".csv"), "arrow")
    assert what in caught.value.line()
    told = cli.message_of(caught.value)
    assert told[0] == 2 and len(told[1]) == 1


def test_no_published_csv_text_is_taken_for_a_formula(space: Workspace) -> None:
    """What a spreadsheet takes for one: CWE-1236. A number, and a text of the source in front of one, are none."""
    found = []
    for path in sorted(space.curated.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        found += [(path.name, cell) for row in rows for cell in row
                  if cell.startswith(("=", "+", "@", "\t", "\r", "-")) and not re.fullmatch(r"[-+]?[\d.e-]*", cell)]
    assert rows and found == []


def test_an_id_of_the_users_own_is_no_formula(space: Workspace, tmp_path: Path) -> None:
    (tmp_path / "mix.csv").write_text("ingredient_id,grams,as_purchased\n=1+1,100,\n")
    (tmp_path / "assay.csv").write_text(
        "ingredient_id,component,value,unit,basis,laboratory,date,low,high,note\n"
        "=1+1,ZN,1,mg,per_100g,label,2023-01-31,,,\n"
    )
    status, line = run(space.root, "mix", str(tmp_path / "mix.csv"), "--assay", str(tmp_path / "assay.csv"))
    assert status == 2 and "mix.csv:2" in line and "formula" in line


def test_one_record_set_aside_more_stops_the_build(tmp_path: Path) -> None:
    root = small_root(tmp_path / "root")
    path = root / "raw" / "sources.toml"
    text = path.read_text(encoding="utf-8")
    heading = 'release = "28"\ndate = "2015-09-30"\n'
    assert text.count(heading) == 1 and "set_aside" not in text.split(heading)[1].split("[[")[0]
    path.write_text(text.replace(heading, f"{heading}set_aside = 99999\n"), encoding="utf-8")
    with pytest.raises(InputError, match=r"\d+ records set aside where 99999 are declared"):
        build(Workspace(root), lambda _: None, workbook=False)


def test_headings_and_characters_of_what_people_enter(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    for body, what in (("a,c\n", "heading is a,c"), ("a,b\nx\x1b,y\n", "U+001B"), ("a,b\nx\u202e,y\n", "U+202E")):
        path.write_text(body, encoding="utf-8")
        with pytest.raises(InputError) as caught:
            list(registry.read_csv(path, due=("a", "b")))
        assert what in caught.value.line()


# 8: nothing steers the terminal


def test_what_would_steer_a_terminal_is_shown_as_text() -> None:
    """Control functions of ISO/IEC 6429: ESC [ is CSI, ESC ] is OSC, 0x9b is CSI in one byte."""
    assert visible("a\x1b[31mb\x1b]0;t\x07\x9b\r\u202e") == "a\\x1b[31mb\\x1b]0;t\\x07\\x9b\\x0d\\u202e"
    assert visible("tab\tand line\nand µ, é, 日本") == "tab\tand line\nand µ, é, 日本"


def test_a_message_with_an_escape_is_shown_as_text(space: Workspace) -> None:
    _, line = run(space.root, "find", "a\x1b[31mzzz")
    status, line = run(space.root, "mix", "no\x1b[31m.csv")
    assert status == 2 and "\x1b" not in line and "\\x1b[31m" in line


def test_escapes_in_names_of_a_source_are_shown_as_text(space: Workspace, tmp_path: Path) -> None:
    """A published table whose food, title and ingredient carry them, as a reader's own copy might."""
    folder = tmp_path / "curated"
    shutil.copytree(space.curated, folder)
    for name, heading in (
        ("catalogue", "name"), ("references", "title"), ("values", "food_name"), ("ingredients", "name"),
    ):
        path = folder / f"{name}.csv"
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        for row in rows[1:]:
            row[rows[0].index(heading)] += " \x1b[31m\x1b]0;title\x07"
        with path.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows(rows)
    (tmp_path / "mix.csv").write_text("ingredient_id,grams,as_purchased\nbeef-heart,100,\n")
    for arguments in (("find", "liver"), ("trace", "beef-heart", "ZN"), ("mix", "mix.csv")):
        shown = tmp_path / "shown"
        run(tmp_path, "--table", str(folder), *arguments, out=str(shown))
        text = shown.read_text(encoding="utf-8")
        assert len(text) > 200 and "\x1b" not in text and "\x07" not in text, arguments
        assert arguments[0] == "mix" or "\\x1b[31m" in text


# 9: only regular files


def test_a_pipe_or_a_device_is_no_source(space: Workspace, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.zip")
    for origin in (tmp_path / "pipe.zip", Path("/dev/zero")):
        for source in ("usda-fdc", "usda-sr28"):
            with pytest.raises(InputError, match="neither a regular file nor a folder"):
                fetch(space, [source], origin=origin)


# 10: HTTP


def test_too_many_requests_is_asked_again(address: tuple[str, dict[str, object]], tmp_path: Path) -> None:
    url, answer = address
    answer["bytes"] = reply(b"", "Retry-After: 0", status="429 Too Many Requests")
    with pytest.raises(NotCached, match="429"):
        ask(url, tmp_path)
    assert answer["seen"] == 2


def test_a_pause_beyond_the_time_is_not_waited_for(address: tuple[str, dict[str, object]], tmp_path: Path) -> None:
    url, answer = address
    answer["bytes"] = reply(b"", "Retry-After: 86400", status="503 Service Unavailable")
    with pytest.raises(NotCached):  # and not a day later
        ask(url, tmp_path)


def test_dripping_headings_end_at_the_total_time(address: tuple[str, dict[str, object]], tmp_path: Path) -> None:
    url, answer = address
    answer |= {"bytes": b"HTTP/1.1 200 OK\r\nX-Long: " + b"a" * 2_000, "drip": True}
    with pytest.raises(NotCached, match="not whole within 1 s"):  # the headings would go on for ever
        ask(url, tmp_path, total_s=1)


@pytest.mark.parametrize("bad", ["http://[::1", "http://a..b/", "nonsense", "http://x:99999/"])
def test_a_malformed_address_is_an_address_that_gives_nothing(
    address: tuple[str, dict[str, object]], tmp_path: Path, bad: str
) -> None:
    with pytest.raises(NotCached):
        ask(bad, tmp_path)
    url, answer = address
    answer["bytes"] = reply(b"", f"Location: {bad}", status="302 Found")
    with pytest.raises(NotCached):
        ask(url, tmp_path)


# 11: readers, versions, the page server


def test_a_reader_of_two_folders_reads_again(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        for file in ("manifest.json", "values.csv"):
            (tmp_path / name / file).write_text(name)
    target, asked = tmp_path / "one", []

    def read() -> str:
        first = (target / "manifest.json").read_text()
        if not asked:
            put_in_place(tmp_path / "two", target)
        asked.append(first)
        return first + (target / "values.csv").read_text()

    assert files.steady(target, read) == "twotwo" and asked == ["one", "two"]


def test_a_mix_reads_one_published_state_while_accept_swaps(
    space: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between ingredients and values another table is put in place: all is read again, from that one."""
    shutil.copytree(space.curated, tmp_path / "held")
    shutil.copytree(space.curated, tmp_path / "next")
    for name in ("values.csv", "values.parquet"):  # the numbers of another version, or one that is not there
        (tmp_path / "next" / name).unlink()
    body = (space.curated / "values.csv").read_bytes()
    (tmp_path / "next" / "values.csv").write_bytes(body.replace(b"\nbeef-heart,ZN,", b"\nbeef-heart,ZN,7", 1))
    real, asked = mix_table._read, []

    def read(database: object, folder: Path, shown: str, name: str, *more: object, **named: object) -> object:
        if name == "values" and "values" not in asked:
            put_in_place(tmp_path / "next", space.curated)
        asked.append(name)
        return real(database, folder, shown, name, *more, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(mix_table, "_read", read)
    try:
        found = files.steady(space.curated, lambda: mix_table.load_table(space))
    finally:
        put_in_place(tmp_path / "held", space.curated)
    assert asked.count("ingredients") == 2
    assert str(found.raw_cells["beef-heart", "ZN"][1]).startswith("7")


def test_a_check_of_the_accepted_table_reads_one_state(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another table is put in place while the rules look at the first: they look again, at that one."""
    seen: list[str] = []

    def look(folder: Path, *_: Path) -> dict[str, object]:
        seen.append((folder / "manifest.json").read_text(encoding="utf-8")[-1])
        if len(seen) == 1:
            shutil.copytree(folder, space.work / "other")
            with (space.work / "other" / "manifest.json").open("a") as stream:
                stream.write(" ")
            put_in_place(space.work / "other", folder)
        return {"rules": [], "summary": {"state": seen[-1]}}

    held = (space.curated / "manifest.json").read_bytes()
    monkeypatch.setattr(accepted, "run_accepted", look)
    arguments = ["--root", str(space.root), "check", "--accepted", "--format", "json"]
    found = json.loads(CliRunner().invoke(cli.app, arguments).stdout)
    (space.curated / "manifest.json").write_bytes(held)
    shutil.rmtree(space.work / "other")
    assert seen == ["\n", " "] and found["summary"] == {"state": " "}


def test_no_version_is_stamped_by_a_clock_that_is_wrong(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    monkeypatch.setattr(accept, "now", lambda: datetime(5138, 11, 16, tzinfo=UTC))
    monkeypatch.setattr(accept, "_broken_contract", lambda _: ())
    before = content(space.curated)
    with pytest.raises(MachineError, match="the clock says 5138-11-16"):
        accept.accept(space, "invented", lambda _: None, workbook=False)
    assert content(space.curated) == before


def test_a_clock_that_can_only_be_wrong_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    for seconds in (0, 100_000_000_000):
        with pytest.raises(MachineError, match="the clock says"):
            clock.plausible(datetime.fromtimestamp(seconds, UTC))
    now = datetime(2027, 3, 1, tzinfo=UTC)
    clock.plausible(now, "2027-03-01T00:00:00Z")
    with pytest.raises(MachineError, match="before 2027-03-02"):
        clock.plausible(now, "2027-03-02T00:00:00Z")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    clock.plausible(datetime.fromtimestamp(0, UTC))


def test_the_page_server_answers_its_own_names_and_keeps_to_its_folder(tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    (site / "index.html").write_text("page")
    (tmp_path / "secret").write_text("secret")
    (site / "out").symlink_to(tmp_path / "secret")
    published = tmp_path / "curated"
    published.mkdir()
    (published / "values.csv").write_text("a\n")
    with server(site, published) as running:
        threading.Thread(target=running.serve_forever, daemon=True).start()
        port = running.server_address[1]

        def status(path: str, host: str) -> int:
            request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers={"Host": host})
            try:
                with urllib.request.urlopen(request, timeout=5) as found:
                    return int(found.status)
            except urllib.error.HTTPError as error:
                return error.code

        assert status("/index.html", f"127.0.0.1:{port}") == status("/index.html", "localhost") == 200
        assert status("/curated/values.csv", "localhost") == 200
        assert status("/index.html", "rebound.example") == status("/curated/values.csv", "rebound.example") == 421
        assert status("/curated/../secret", "localhost") == status("/curated/secret", "localhost") == 404
        assert status("/%00", "localhost") == status("/out", "localhost") == status("/../secret", "localhost") == 404
        running.shutdown()


# The harness itself, bounded: seconds, not minutes.


@pytest.fixture(scope="session")
def harness(space: Workspace) -> dict[str, Target]:
    return {target.name: target for target in over(space)}


@pytest.mark.parametrize(
    ("name", "old", "new", "what"),
    [
        ("statuses.csv", b"imputed,no,", b"imputed,yess,", "schemas/statuses.csv:7: evidence 'yess'"),
        ("statuses.csv", b"\ntrace,", b"\nmeasured,", "schemas/statuses.csv:9: measured stands already on line 2"),
        ("statuses.csv", b"trace,no,range,8,", b"trace,no,known?,8,", "schemas/statuses.csv:9: counts_in_mix"),
        ("status_map.csv", b",imputed,", b",imputd,", "status 'imputd' is not known"),
        ("source_traits.csv", b"trait,", b"trai,", "schemas/source_traits.csv:1: heading"),
        ("component_sources.csv", b",1,", b",one,", "preference 'one'"),
        ("conversions.csv", b",1000,", b",1e3,", "factor '1e3'"),
    ],
)
def test_a_damaged_word_of_the_registry_is_named(
    harness: dict[str, Target], name: str, old: bytes, new: bytes, what: str
) -> None:
    """It would make a figure count as another than it is."""
    sound = harness["statuses"].sound[name]
    assert old in sound
    with pytest.raises(InputError) as caught:
        harness["statuses"].read(name, sound.replace(old, new, 1))
    assert what in caught.value.line()


@pytest.mark.parametrize("case", inputs.corpus(), ids=lambda case: f"{case['target']}-{case['file']}-{case['seed']}")
def test_a_former_find_stays_repaired(harness: dict[str, Target], case: dict[str, str]) -> None:
    assert inputs.trial(harness[case["target"]], case["file"], case["seed"])[0] != "find"


def test_damaged_inputs_never_get_through(harness: dict[str, Target]) -> None:
    """A four-hundredth of the long run, of every kind of input."""
    for target in harness.values():
        tally = inputs.run(target, max(target.share // 4, 1), "sample")
        assert tally.finds == [], target.name


REMOVE = shutil.rmtree


class Power(BaseException):
    """The machine loses power."""


@pytest.mark.parametrize("part", range(4))
def test_power_lost_at_any_step_of_a_publish_leaves_a_whole_table(
    space: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: int
) -> None:
    """At every step: what was written and not yet synced is cut; what was renamed stays renamed."""
    fresh, target = tmp_path / "fresh", tmp_path / "root" / "curated"
    for folder in (fresh, target):
        folder.mkdir(parents=True)
        for path in space.curated.iterdir():
            (folder / path.name).write_bytes(path.read_bytes())
    (target / "manifest.json").write_bytes((target / "manifest.json").read_bytes() + b"\n")  # the former one
    steps = 2 * len(list(fresh.iterdir())) + 3  # each file copied and synced; folder, swap, parent
    real_sync, real_copy, real_swap = files.sync, kills_copy, files.exchange
    done: list[str] = []
    pending: set[Path] = set()

    def count(name: str) -> None:
        if len(done) == at:
            for path in pending:
                path.write_bytes(path.read_bytes()[: random.Random(at).randrange(40)])
            raise Power
        done.append(name)

    def copy(source: Path, to: Path) -> None:
        count("copy")
        real_copy(source, to)
        pending.add(to)

    def sync(path: Path) -> None:
        count("sync")
        real_sync(path)
        pending.discard(path)

    def swap(one: Path, other: Path) -> None:
        count("swap")
        assert not pending, "nothing may be swapped in before it is on the disk"
        real_swap(one, other)

    monkeypatch.setattr("rawref.published.place.shutil.copyfile", copy)
    monkeypatch.setattr("rawref.published.place.shutil.rmtree", lambda *_, **__: None)  # no power, no tidying
    monkeypatch.setattr("rawref.published.place.sync", sync)
    monkeypatch.setattr("rawref.published.place.exchange", swap)
    for at in range(part, steps, 4):
        done.clear()
        pending.clear()
        with pytest.raises(Power):
            put_in_place(fresh, target)
        assert len(done) == at
        assert kills.mixed(target) == []
        json.loads((target / "manifest.json").read_text(encoding="utf-8"))
        with monkeypatch.context() as restored:
            restored.setattr("rawref.published.place.shutil.rmtree", REMOVE)
            _sweep(Workspace(target.parent))
        assert [path.name for path in target.parent.iterdir()] == ["curated"]


@pytest.mark.parametrize("atomic", [True, False], ids=["swap", "two renames"])
def test_a_report_cut_off_at_any_step_leaves_the_old_or_the_new_site_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, atomic: bool
) -> None:
    """At every page and rename: nothing tidies up, as after SIGKILL; the next command sweeps."""
    space = Workspace(tmp_path)
    target, due = space.reports / "site", {"index.html", "a.html", "b.html", site.MARKER}
    monkeypatch.setattr(site, "read", lambda *_: None)
    done: list[str] = []

    def step(name: str) -> None:
        if len(done) == at:
            raise Power
        done.append(name)

    class Writer:
        def __init__(self, _: object, __: object, folder: Path, *___: object) -> None:
            self.folder = folder

        def write(self) -> dict[str, str]:
            for name in sorted(due):
                step(name)
                (self.folder / name).write_text(text)
            return {}

    def rename(one: Path, other: Path) -> None:
        step("rename")
        real_rename(one, other)

    real_rename = os.rename
    monkeypatch.setattr(site, "_Writer", Writer)
    at, text = 99, f"old{kills.FORMER}"
    site.write_site(space, space.curated, target)
    monkeypatch.setattr(site.shutil, "rmtree", lambda *_, **__: None)
    if not atomic:
        monkeypatch.setattr(files.ctypes, "CDLL", lambda *_, **__: object())
        monkeypatch.setattr(files.os, "rename", rename)
    steps = len(due) + (0 if atomic else 3)
    text = "new"
    for at in range(steps):
        done.clear()
        with pytest.raises(Power):
            site.write_site(space, space.curated, target)
        with monkeypatch.context() as after:
            after.setattr(site.shutil, "rmtree", REMOVE)
            after.setattr(files.os, "rename", real_rename)
            if atomic:
                assert kills.torn(target, due) == [] and all(kills.pages(target).values())
            if at % 2:  # half of the times left for the next report, as beside a published table
                _sweep(space)
                assert [path.name for path in space.reports.iterdir()] == ["site"]
                assert kills.torn(target, due) == []
    monkeypatch.setattr(site.shutil, "rmtree", REMOVE)
    at = 99
    site.write_site(space, space.curated, target)
    assert kills.torn(target, due) == [] and not any(kills.pages(target).values())
    assert [path.name for path in space.reports.iterdir()] == ["site"]


def kills_copy(source: Path, to: Path) -> None:
    to.write_bytes(source.read_bytes())


@pytest.mark.parametrize(
    "name", ["accept", *(pytest.param(n, marks=LONG) for n in ("build", "fetch", "report", "check"))]
)
def test_a_killed_command_leaves_a_whole_table_and_nothing_else(tmp_path: Path, name: str) -> None:
    root = kills.prepared(tmp_path)
    moment = random.Random(f"sample {name}").uniform(0.05, 2.0)
    assert kills.trial(root, name, moment, 1)[2] == []
