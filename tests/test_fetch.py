"""Fetching against a local server: what is pinned, what is refused, and what it says when a publisher cannot be had."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import subprocess
import sys
import threading
import time
import tomllib
import zipfile
from collections.abc import Iterator
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from rawref.errors import InputError, SourceMissing
from rawref.fetch.decide import FetchResult, available, fetch
from rawref.fetch.download import Limits
from rawref.sources import unpack
from rawref.workspace import Workspace

LAYOUTS = Path(__file__).resolve().parent.parent / "schemas" / "layouts"
FAST = Limits(connect_s=2, read_s=1, total_s=5, retries=2, backoff_s=0.01)
FILE = "table.zip"


def packed(content: str = "a,b\n" * 5_000) -> bytes:
    """The bytes of a small zip archive that does not compress away."""
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w", zipfile.ZIP_STORED) as bundle:
        bundle.writestr(zipfile.ZipInfo("folder/table.csv"), content)
    return body.getvalue()


BODY = packed()


class Publisher:
    """A publisher's server: `plan` says how each coming request is answered, then the file is served properly."""

    def __init__(self) -> None:
        self.plan: list[str] = []
        self.seen: list[tuple[str, dict[str, str]]] = []
        self.body = BODY
        self.ranges = True
        publisher = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                publisher.seen.append((self.path, dict(self.headers)))
                publisher.answer(self, publisher.plan.pop(0) if publisher.plan else "file")

            def log_message(self, format: str, *args: Any) -> None:
                """Quiet."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self.server.server_port}/{FILE}"
        threading.Thread(target=self.server.serve_forever, args=(0.01,), daemon=True).start()

    @property
    def etag(self) -> str:
        return f'"{hashlib.sha256(self.body).hexdigest()[:16]}"'

    def answer(self, handler: BaseHTTPRequestHandler, how: str) -> None:
        body, status, headers = self.body, 200, {"ETag": self.etag, "Last-Modified": formatdate(0, usegmt=True)}
        asked = handler.headers
        if how.isdigit():
            body, status, headers = b"<html>no</html>", int(how), {}
        elif how == "notice":
            body, headers = b"<!DOCTYPE html><html>This file has moved.</html>", {}
        elif how == "redirect":
            body, status, headers = b"", 302, {"Location": f"/moved/{FILE}"}
        elif how == "other":
            body = packed("other\n" * 5_000)[: len(self.body)].ljust(len(self.body), b"x")
            headers = {}
        elif how == "long":
            body = self.body + b"x"
        elif asked.get("If-None-Match") == self.etag:
            body, status = b"", 304
        elif self.ranges and asked.get("If-Range") == self.etag and how in ("file", "cut"):
            start = int(asked["Range"].removeprefix("bytes=").removesuffix("-"))
            headers["Content-Range"] = f"bytes {start}-{len(body) - 1}/{len(body)}"
            body, status = body[start:], 206
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name, value)
        if status != 304:
            handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        if how == "cut":
            handler.wfile.write(body[: len(body) // 2])
            handler.wfile.flush()
            handler.connection.close()
            handler.close_connection = True
        elif how == "silent":
            handler.wfile.write(body[:100])
            handler.wfile.flush()
            time.sleep(1.5)
            handler.close_connection = True
        else:
            handler.wfile.write(body)

    def stop(self) -> None:
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def publisher() -> Iterator[Publisher]:
    server = Publisher()
    yield server
    server.stop()


def declare(space: Workspace, url: str, body: bytes = BODY, *, source: str = "some-table", release: str = "2020",
            reader: str = "usda_fdc", name: str = FILE) -> None:
    """raw/sources.toml with one source of one release of one file."""
    space.raw.mkdir(parents=True, exist_ok=True)
    (space.raw / "sources.toml").write_text(f"""
[[source]]
id = "{source}"
title = "A table"
publisher = "A publisher"
licence = "free"
licence_url = "http://127.0.0.1/licence"
attribution = "A publisher"
landing_page = "http://127.0.0.1/landing"
reader = "{reader}"
in_repository = false

[[source.release]]
release = "{release}"
date = "2020-01-01"

[[source.release.file]]
name = "{name}"
sha256 = "{hashlib.sha256(body).hexdigest()}"
bytes = {len(body)}
urls = ["{url}"]
""", encoding="utf-8")


@pytest.fixture
def space(tmp_path: Path, publisher: Publisher) -> Workspace:
    space = Workspace(tmp_path / "root")
    declare(space, publisher.url)
    (space.root / "schemas").mkdir()
    (space.schemas / "layouts").symlink_to(LAYOUTS)
    return space


def get(space: Workspace, **options: Any) -> FetchResult:
    return fetch(space, ["some-table"], limits=FAST, **options)


def pinned(space: Workspace) -> bytes:
    return (space.pinned / "some-table" / "2020" / FILE).read_bytes()


def test_a_release_is_verified_and_pinned_with_its_story(
    space: Workspace, monkeypatch: pytest.MonkeyPatch, publisher: Publisher
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    steps: list[tuple[str, int, int | None]] = []
    entry = get(space, progress=lambda *step: steps.append(step)).entries[0]
    assert (entry.state, entry.freshness, entry.standing, entry.bytes) == (
        "pinned", "downloaded", "declared", len(BODY))
    assert pinned(space) == BODY
    note = json.loads((space.pinned / "some-table" / "2020" / "pin.json").read_text(encoding="utf-8"))
    assert note["files"] == [{
        "name": FILE, "sha256": hashlib.sha256(BODY).hexdigest(), "bytes": len(BODY), "url": publisher.url,
        "freshness": "downloaded", "fetched_at": "2023-11-14T22:13:20Z"}]
    assert steps[-1] == (publisher.url, len(BODY), len(BODY))
    (release,) = available(space)
    assert (release.source, release.release, release.standing, release.in_repository) == (
        "some-table", "2020", "declared", False)
    assert [path.name for path in release.files] == [FILE]


def command(space: Workspace, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The command as a user runs it, its output no terminal."""
    return subprocess.run(
        [sys.executable, "-m", "rawref", "--root", str(space.root), "fetch", *arguments],
        cwd=LAYOUTS.parent.parent, capture_output=True, text=True, encoding="utf-8", timeout=60, check=False)


def test_a_download_is_told_while_it_runs(space: Workspace, publisher: Publisher) -> None:
    """A line on stderr when the address is asked and one when the file is whole; nothing of it in the JSON."""
    done = command(space, "some-table", "--format", "json")
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines() == [
        f"asking {publisher.url}",
        f"{publisher.url.rsplit('/', 1)[-1]}: {len(BODY) / 1e6:.1f} of {len(BODY) / 1e6:.1f} MB"]
    assert json.loads(done.stdout)["releases"][0]["state"] == "pinned"
    again = command(space, "some-table")
    assert again.stderr.splitlines() == [f"asking {publisher.url}"] and "already pinned" in again.stdout
    assert command(space, "some-table", "--offline").stderr == ""


def test_an_incomplete_release_says_what_is_missing_and_the_command(
    space: Workspace, publisher: Publisher, tmp_path: Path
) -> None:
    other = publisher.url.replace(FILE, "second.zip")
    with (space.raw / "sources.toml").open("a", encoding="utf-8") as stream:
        stream.write(f"""
[[source.release.file]]
name = "second.zip"
sha256 = "{'0' * 64}"
bytes = 9
urls = ["{other}"]
""")
    (tmp_path / FILE).write_bytes(BODY)
    done = command(space, "some-table", "--from", str(tmp_path / FILE))
    told = " ".join(done.stdout.split())
    assert done.returncode == 0 and "incomplete" in told
    assert "some-table 2020: lacks second.zip; no build reads some-table until it is there." in told
    assert f"Download it from {other} and run: rawref fetch some-table --from FILE" in told
    assert all(len(line) <= 80 or " " not in line.strip() for line in done.stdout.splitlines())
    assert available(space) == []


def test_a_second_fetch_asks_with_validators_and_gets_no_body(space: Workspace, publisher: Publisher) -> None:
    get(space)
    entry = get(space).entries[0]
    assert (entry.state, entry.freshness) == ("already pinned", "not-modified")
    asked = publisher.seen[-1][1]
    assert asked["If-None-Match"] == publisher.etag
    assert asked["If-Modified-Since"]


@pytest.mark.parametrize("trouble", ["503", "cut"])
def test_a_passing_trouble_is_retried(space: Workspace, publisher: Publisher, trouble: str) -> None:
    publisher.plan = [trouble]
    assert get(space).entries[0].state == "pinned"
    assert len(publisher.seen) == 2


def test_a_cut_body_is_continued_where_it_broke_off(space: Workspace, publisher: Publisher) -> None:
    publisher.plan = ["cut", "cut"]
    get(space).require()
    assert pinned(space) == BODY
    half = len(BODY) // 2
    assert [asked.get("Range") for _, asked in publisher.seen] == [
        None, f"bytes={half}-", f"bytes={half + (len(BODY) - half) // 2}-"]
    assert not list((space.work / "download" / "parts").iterdir())


def test_a_cut_body_is_continued_by_the_next_run(space: Workspace, publisher: Publisher) -> None:
    publisher.plan = ["cut", "503", "503"]
    with pytest.raises(SourceMissing):
        get(space).require()
    get(space).require()
    assert publisher.seen[-1][1]["Range"] == f"bytes={len(BODY) // 2}-"
    assert pinned(space) == BODY


def test_a_server_without_ranges_sends_the_whole_again(space: Workspace, publisher: Publisher) -> None:
    publisher.ranges, publisher.plan = False, ["cut"]
    get(space).require()
    assert pinned(space) == BODY


def test_a_part_of_a_file_that_changed_meanwhile_is_not_continued(space: Workspace, publisher: Publisher) -> None:
    publisher.plan = ["cut", "503", "503"]
    get(space)
    publisher.body = packed("new\n" * 5_000)
    declare(space, publisher.url, publisher.body)
    get(space).require()
    assert pinned(space) == publisher.body


@pytest.mark.parametrize(("plan", "reason"), [
    (["404"], "HTTP 404"), (["503"] * 3, "HTTP 503"), (["cut"] * 3, "cut after"), (["silent"] * 3, "silent after"),
])
def test_what_cannot_be_had_says_why_and_how_to_side_load(
    space: Workspace, publisher: Publisher, plan: list[str], reason: str
) -> None:
    publisher.plan, publisher.ranges = list(plan), False
    with pytest.raises(SourceMissing) as caught:
        get(space).require()
    assert caught.value.exit_status == 3
    assert reason in caught.value.line()
    assert "rawref fetch some-table --from FILE" in caught.value.cure
    assert not available(space)
    assert len(publisher.seen) == len(plan)


def test_a_slow_body_ends_at_the_limit(space: Workspace, publisher: Publisher) -> None:
    publisher.plan = ["silent"] * 3  # a fourth try would be answered whole
    with pytest.raises(SourceMissing, match=r"Timeout|silent|not whole within 0\.5 s"):
        fetch(space, ["some-table"], limits=Limits(read_s=0.2, total_s=0.5, retries=5, backoff_s=0.01)).require()


def test_an_unreachable_server_is_a_missing_source(space: Workspace, publisher: Publisher) -> None:
    publisher.stop()
    with pytest.raises(SourceMissing, match="ConnectionError"):
        get(space).require()


@pytest.mark.parametrize(("answer", "reason"), [
    ("notice", "a web page, not the file"), ("other", "SHA-256"), ("long", "bytes announced"),
])
def test_another_file_is_never_pinned(space: Workspace, publisher: Publisher, answer: str, reason: str) -> None:
    publisher.plan = [answer]
    with pytest.raises(SourceMissing, match=reason) as caught:
        get(space).require()
    assert caught.value.exit_status == 3
    assert not (space.pinned / "some-table").exists()
    # The bad answer is not kept either: the next request gets the file.
    assert get(space).entries[0].freshness == "downloaded"


def test_a_redirect_is_followed(space: Workspace, publisher: Publisher) -> None:
    publisher.plan = ["redirect"]
    get(space).require()
    assert [path for path, _ in publisher.seen] == [f"/{FILE}", f"/moved/{FILE}"]
    assert pinned(space) == BODY


def test_the_next_address_is_tried(space: Workspace, publisher: Publisher) -> None:
    text = (space.raw / "sources.toml").read_text(encoding="utf-8")
    (space.raw / "sources.toml").write_text(
        text.replace("urls = [", f'urls = ["{publisher.url}?old", '), encoding="utf-8")
    publisher.plan = ["404"]
    assert get(space).entries[0].state == "pinned"


def test_a_pinned_release_stands_when_the_publisher_is_gone_or_changed(
    space: Workspace, publisher: Publisher
) -> None:
    get(space)
    publisher.plan = ["503"] * 3
    entry = get(space).entries[0]
    assert entry.state == "already pinned"
    assert entry.freshness == "stale (HTTP 503)"
    publisher.body = packed("other\n" * 5_000)
    with pytest.raises(SourceMissing):
        get(space).require()
    assert pinned(space) == BODY


def test_offline_asks_nobody_and_says_how_old(
    space: Workspace, publisher: Publisher, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(SourceMissing, match="offline"):
        get(space, offline=True).require()
    assert fetch(space, offline=True).failures == []
    assert publisher.seen == []
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    get(space)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(1700000000 + 3 * 86400 + 5))
    entry = get(space, offline=True).entries[0]
    assert (entry.state, entry.age_days, entry.fetched_at) == ("already pinned", 3, "2023-11-14T22:13:20Z")
    assert len(publisher.seen) == 1


def test_offline_pins_what_is_cached(space: Workspace, publisher: Publisher) -> None:
    get(space)
    for path in (space.pinned / "some-table" / "2020").iterdir():
        path.unlink()
    assert get(space, offline=True).entries[0].freshness == "stale (offline)"
    assert pinned(space) == BODY


def test_a_pinned_file_that_was_changed_stops_the_build(space: Workspace) -> None:
    get(space)
    (space.pinned / "some-table" / "2020" / FILE).write_bytes(BODY + b"x")
    with pytest.raises(InputError, match="wrong digest") as caught:
        available(space)
    assert caught.value.exit_status == 2


def test_an_unknown_source_is_an_input_error(space: Workspace) -> None:
    with pytest.raises(InputError, match="one of some-table"):
        fetch(space, ["other"])
    with pytest.raises(InputError, match="--from needs one source"):
        fetch(space, origin=space.root)


# ---- side-loading


def foundation(target: Path, date: str, amount: str = "0.01", derivation: str = "1", name: str = "") -> Path:
    """A Foundation Foods archive with one value."""
    rows = {
        "food": {"fdc_id": "1", "data_type": "foundation_food", "description": "Beef, raw"},
        "foundation_food": {"fdc_id": "1"},
        "nutrient": {"id": "1101", "name": "Manganese, Mn", "unit_name": "MG"},
        "food_nutrient": {"fdc_id": "1", "nutrient_id": "1101", "amount": amount, "derivation_id": derivation},
    }
    stem = f"FoodData_Central_foundation_food_csv_{date}"
    path = target / f"{name or stem}.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
        for file in tomllib.loads((LAYOUTS / "usda-fdc.toml").read_text(encoding="utf-8"))["file"]:
            text = io.StringIO()
            writer = csv.DictWriter(text, file["columns"], restval="", quoting=csv.QUOTE_ALL, lineterminator="\n")
            writer.writeheader()
            if row := rows.get(file["name"].removesuffix(".csv")):
                writer.writerow(row)
            bundle.writestr(zipfile.ZipInfo(f"{stem}/{file['name']}"), text.getvalue())
    return path


@pytest.fixture
def fdc_space(space: Workspace, tmp_path: Path) -> Workspace:
    path = foundation(tmp_path, "2030-01-01")
    address = "http://127.0.0.1:9/none"
    declare(space, address, path.read_bytes(), source="usda-fdc", release="2030-01-01", name=path.name)
    return space


def load(space: Workspace, origin: Path) -> tuple[str, str, str]:
    entry = fetch(space, ["usda-fdc"], origin=origin).entries[0]
    return entry.release, entry.standing, entry.state


def test_a_declared_file_is_side_loaded_by_its_digest(fdc_space: Workspace, tmp_path: Path) -> None:
    renamed = tmp_path / "download (1).zip"
    renamed.write_bytes((tmp_path / "FoodData_Central_foundation_food_csv_2030-01-01.zip").read_bytes())
    assert load(fdc_space, renamed) == ("2030-01-01", "declared", "pinned")
    assert load(fdc_space, tmp_path) == ("2030-01-01", "declared", "already pinned")
    assert [path.name for path in available(fdc_space)[0].files] == [
        "FoodData_Central_foundation_food_csv_2030-01-01.zip"]


def test_a_file_inside_another_archive_is_taken_out(fdc_space: Workspace, tmp_path: Path) -> None:
    inner = tmp_path / "FoodData_Central_foundation_food_csv_2030-01-01.zip"
    with zipfile.ZipFile(tmp_path / "mail.zip", "w") as bundle:
        bundle.write(inner, f"attachments/{inner.name}")
    assert load(fdc_space, tmp_path / "mail.zip") == ("2030-01-01", "declared", "pinned")


def test_an_undeclared_release_is_pinned_beside_and_marked(fdc_space: Workspace, tmp_path: Path) -> None:
    load(fdc_space, tmp_path / "FoodData_Central_foundation_food_csv_2030-01-01.zip")
    newer = foundation(tmp_path, "2031-05-01")
    assert load(fdc_space, newer) == ("2031-05-01", "undeclared", "pinned")
    assert sorted(path.name for path in (fdc_space.pinned / "usda-fdc").iterdir()) == ["2030-01-01", "2031-05-01"]
    (release,) = available(fdc_space)
    assert (release.release, release.standing, release.date) == ("2031-05-01", "undeclared", "2031-05-01")
    # Another file for a release that is pinned is refused, under the same name or another.
    for name in ("", "copy"):
        with pytest.raises(InputError, match="never overwritten"):
            load(fdc_space, foundation(tmp_path, "2031-05-01", amount="0.02", name=name))


def test_a_bad_side_loaded_file_is_an_input_error_and_not_pinned(fdc_space: Workspace, tmp_path: Path) -> None:
    notice = tmp_path / "notice.zip"
    notice.write_text("<html>", encoding="utf-8")
    cases = {
        "a web page": notice,
        "derivation id '77'": foundation(tmp_path, "2031-06-01", derivation="77"),
        "not the file that raw/sources.toml declares": foundation(tmp_path, "2030-01-01", amount="0.02", name="again"),
        "no such file": tmp_path / "absent.zip",
    }
    for expected, path in cases.items():
        with pytest.raises(InputError, match=expected) as caught:
            load(fdc_space, path)
        assert caught.value.exit_status == 2
    assert not (fdc_space.pinned / "usda-fdc").exists()


# ---- archives


def evil(path: Path, name: str, body: bytes = b"x", *, mode: int = 0) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
        info = zipfile.ZipInfo(name)
        info.external_attr = mode << 16
        info.compress_type = zipfile.ZIP_DEFLATED
        bundle.writestr(info, body)
    return path


@pytest.mark.parametrize(("name", "body", "mode", "reason"), [
    ("../out.csv", b"x", 0, "leaves the folder"),
    ("/etc/out.csv", b"x", 0, "leaves the folder"),
    ("C:/out.csv", b"x", 0, "leaves the folder"),
    ("a/link.csv", b"target", 0o120777, "symbolic link"),
    ("a/bomb.csv", b"\0" * (2 << 20), 0, "unpacks to 2097152 bytes from"),
])
def test_dangerous_members_are_refused(tmp_path: Path, name: str, body: bytes, mode: int, reason: str) -> None:
    path = evil(tmp_path / "evil.zip", name, body, mode=mode)
    with pytest.raises(InputError, match=reason):
        unpack.verify(path, path.name)
    with pytest.raises(InputError, match=reason):
        unpack.extract(path, Path(name).name, tmp_path, path.name)
    assert [entry.name for entry in tmp_path.iterdir()] == ["evil.zip"]


def test_a_damaged_archive_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "table.zip"
    path.write_bytes(BODY.replace(b"a,b\na,b\n", b"a,b\na,c\n", 1))
    with pytest.raises(InputError, match="cannot be read"):
        unpack.verify(path, path.name)
    path.write_bytes(BODY[: len(BODY) // 2])
    with pytest.raises(InputError, match="cannot be read"):
        unpack.verify(path, path.name)


def test_a_source_in_the_repository_is_verified_not_fetched(scratch: Workspace, publisher: Publisher) -> None:
    (entry,) = fetch(scratch, ["usda-sr28"], limits=FAST).entries
    assert (entry.state, entry.files) == ("in the repository", ("sr28asc.zip",))
    archive = scratch.raw / "usda-sr28" / "28" / "sr28asc.zip"
    (entry,) = fetch(scratch, ["usda-sr28"], origin=archive).entries
    assert "holds the same files" in entry.note
    other = evil(scratch.root / "sr28.zip", "FOOD_DES.txt")
    with pytest.raises(InputError):
        fetch(scratch, ["usda-sr28"], origin=other)
    assert publisher.seen == []
