"""Getting bytes over HTTP: conditional, resumable, bounded in size and time, and honest about how fresh they are."""

from __future__ import annotations

import hashlib
import io
import json
import re
import signal
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import requests
import urllib3
from requests.adapters import HTTPAdapter
from requests_cache import EXPIRE_IMMEDIATELY, CachedSession, FileCache
from urllib3.exceptions import HTTPError as TransportError
from urllib3.exceptions import MaxRetryError, ProtocolError
from urllib3.util.retry import Retry

Progress = Callable[[str, int, int | None], None]
"""Called with the address, the bytes held so far and the bytes expected (None if the server does not say)."""

BLOCK = 1 << 16
PAUSE_MAX = 30
"""Seconds of one pause at most, whatever the server asks."""
BYTES_MAX = 2 << 30
"""Nothing larger than this is taken; the whole of a body is held in memory while it is cached."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How long and how often one file is tried."""

    connect_s: float = 5.0
    read_s: float = 60.0
    """Longest silence of a server in the middle of an answer."""
    total_s: float = 900.0
    """Longest time for one address of a file: names, redirects, headers, body and pauses included."""
    retries: int = 3
    backoff_s: float = 1.0
    """Pause before the second retry; it doubles each time. A Retry-After header may ask for more, up to 30 s."""
    bytes_max: int = BYTES_MAX


class TooLarge(requests.RequestException):
    """The server sends more bytes than the file can have."""


class NotCached(requests.RequestException):
    """The address could not be reached and no copy of it is cached; the message says why."""


@dataclass(frozen=True, slots=True)
class Part:
    """A body that is not whole yet, with the validator that says which body it is the beginning of."""

    body: Path
    note: Path

    @classmethod
    def of(cls, folder: Path, url: str) -> Part:
        stem = hashlib.sha256(url.encode()).hexdigest()[:32]
        return cls(folder / f"{stem}.part", folder / f"{stem}.json")

    def held(self) -> tuple[int, str]:
        """Bytes held and their validator; 0 when there is nothing that could be continued."""
        try:
            validator = json.loads(self.note.read_text(encoding="utf-8"))["validator"]
            return (self.body.stat().st_size, validator) if validator else (0, "")
        except (OSError, ValueError, KeyError):
            return 0, ""

    def begin(self, validator: str) -> None:
        self.body.parent.mkdir(parents=True, exist_ok=True)
        self.note.write_text(json.dumps({"validator": validator}), encoding="utf-8")

    def drop(self) -> None:
        self.body.unlink(missing_ok=True)
        self.note.unlink(missing_ok=True)


class ResumingAdapter(HTTPAdapter):
    """Sends a request until its body is whole: retries on 5xx and broken connections, and continues a cut body.

    A cut body stays in a .part file, so that the next attempt, in this run or a later one, asks only for the rest.
    """

    def __init__(self, parts: Path, limits: Limits, progress: Progress | None) -> None:
        super().__init__()
        self._parts, self.limits, self.progress = parts, limits, progress
        self.bytes_max = limits.bytes_max
        self.deadline = 0.0

    def send(
        self, request: requests.PreparedRequest, stream: bool = False, timeout: Any = None, verify: bool | str = True,
        cert: Any = None, proxies: Mapping[str, str] | None = None,
    ) -> requests.Response:
        """The response with its whole body; requests' exceptions when the limits are reached."""
        patience = Patience.of(self.limits, self.deadline)
        options = {"verify": verify, "cert": cert, "proxies": proxies}
        while True:
            try:
                return self._once(request, self.deadline, options, patience)
            except (requests.ConnectionError, requests.Timeout) as error:  # a body that was cut: continued
                if isinstance(error.__cause__, MaxRetryError) or isinstance(error, requests.exceptions.RetryError):
                    raise
                if error.args and isinstance(error.args[0], MaxRetryError):
                    raise
                try:
                    patience = patience.increment("GET", request.url, error=ProtocolError(str(error)))
                except (MaxRetryError, ProtocolError):
                    raise error from None
                patience.sleep()

    def _once(
        self, request: requests.PreparedRequest, deadline: float, options: dict[str, Any], patience: Patience
    ) -> requests.Response:
        assert request.url is not None
        self.max_retries = patience
        part = Part.of(self._parts, request.url)
        held, validator = part.held()
        outgoing = request.copy()
        if held:
            outgoing.headers["Range"] = f"bytes={held}-"
            outgoing.headers["If-Range"] = validator
        remaining = max(deadline - time.monotonic(), 0.1)
        timeout = (min(self.limits.connect_s, remaining), min(self.limits.read_s, remaining))
        reply = super().send(outgoing, stream=True, timeout=timeout, **options)
        if reply.status_code == 416 or (reply.status_code == 206 and _range_start(reply) != held):
            reply.close()
            part.drop()
            raise requests.ConnectionError("the server does not continue where the part ends", request=request)
        if reply.status_code not in (200, 206):
            return reply
        if reply.status_code == 200:
            held = 0
            part.begin(_validator(reply))
        with reply:
            self._receive(reply, part, held, deadline)
        return self._whole(request, reply, part)

    def _receive(self, reply: requests.Response, part: Part, held: int, deadline: float) -> None:
        """Append the body to the part; ConnectionError when it is cut, TooLarge and Timeout when it goes too far."""
        length = reply.headers.get("Content-Length", "")
        total = held + int(length) if length.isdigit() else None
        if total is not None and total > self.bytes_max:
            part.drop()
            raise TooLarge(f"{total} bytes announced, more than {self.bytes_max}")
        try:
            with part.body.open("ab" if held else "wb") as file:
                for block in reply.raw.stream(BLOCK, decode_content=False):
                    file.write(block)
                    held += len(block)
                    if held > self.bytes_max:
                        raise TooLarge(f"more than {self.bytes_max} bytes")
                    if time.monotonic() > deadline:
                        raise requests.Timeout(f"not whole within {self.limits.total_s:g} s")
                    if self.progress:
                        self.progress(str(reply.url), held, total)
        except TooLarge:
            part.drop()
            raise
        except (TransportError, OSError) as error:
            if isinstance(error, requests.RequestException):
                raise
            if isinstance(error, urllib3.exceptions.TimeoutError):
                raise requests.Timeout(f"silent after {held} bytes") from error
            raise requests.ConnectionError(f"cut after {held} bytes") from error
        if total is not None and held != total:
            raise requests.ConnectionError(f"cut after {held} of {total} bytes")

    def _whole(self, request: requests.PreparedRequest, reply: requests.Response, part: Part) -> requests.Response:
        """The response as if it had come in one piece."""
        body = part.body.read_bytes()
        part.drop()
        headers = urllib3.HTTPHeaderDict(reply.headers.items())
        body = self._inflated(body, headers.get("Content-Encoding", "").strip().lower())
        for name in ("Content-Range", "Transfer-Encoding", "Content-Encoding"):
            headers.discard(name)
        headers["Content-Length"] = str(len(body))
        raw = urllib3.HTTPResponse(
            body=io.BytesIO(body), headers=headers, status=200, reason="OK", preload_content=False,
            request_url=request.url,
        )
        return self.build_response(request, raw)


    def _inflated(self, body: bytes, coding: str) -> bytes:
        """The body without its content coding, which nobody asked for; TooLarge where it inflates beyond the file."""
        if coding in ("", "identity"):
            return body
        if coding not in ("gzip", "x-gzip", "deflate"):
            raise Unreadable(f"sent as {coding[:40]!r}, though it was asked for as it is")
        inflate = zlib.decompressobj(zlib.MAX_WBITS | 32)  # zlib or gzip, by the head of the body
        try:
            found = inflate.decompress(body, self.bytes_max + 1)
        except zlib.error as error:
            raise Unreadable(f"sent as {coding}, and cannot be inflated: {error}") from error
        if len(found) > self.bytes_max:
            raise TooLarge(f"inflates to more than {self.bytes_max} bytes")
        return found


class Patience(Retry):
    """urllib3's Retry (5xx, 429 and Retry-After, refused and broken connections) that ends at a deadline."""

    deadline = float("inf")

    @classmethod
    def of(cls, limits: Limits, deadline: float) -> Patience:
        made = cls(
            total=limits.retries, status_forcelist=(429, 500, 502, 503, 504), allowed_methods=("GET",),
            backoff_factor=limits.backoff_s, backoff_max=PAUSE_MAX, raise_on_status=False, redirect=False,
            respect_retry_after_header=True, retry_after_max=PAUSE_MAX,
        )
        made.deadline = deadline
        return made

    def new(self, **changes: Any) -> Patience:
        made: Patience = super().new(**changes)
        made.deadline = self.deadline
        return made

    def sleep(self, response: Any = None) -> None:
        """Pause as the server asks, or longer each time; Timeout at once where that would go beyond the deadline."""
        pause = max(self.get_retry_after(response) or 0 if response else 0, self.get_backoff_time())
        if time.monotonic() + pause >= self.deadline:
            raise requests.Timeout("not had in the time that one file may take")
        time.sleep(pause)


class OutOfTime(BaseException):
    """The time that one address may take is over. No Exception, so that no library takes it for a passing trouble."""


class Unreadable(requests.RequestException):
    """The server sends the body in a form that was not asked for."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """OutOfTime in the midst of whatever it is after so many seconds, name lookup and dripping headers included.

    A timeout of a socket bounds one silence only. Where this is not the main thread there is no alarm, and only the
    limits on silence and on the body hold.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def ring(number: int, frame: object) -> None:
        raise OutOfTime

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _validator(reply: requests.Response) -> str:
    """What names this very body: a strong ETag, else Last-Modified; empty when the server gives neither."""
    etag = reply.headers.get("ETag", "")
    return etag if etag and not etag.startswith("W/") else reply.headers.get("Last-Modified", "")


def _range_start(reply: requests.Response) -> int:
    match = re.match(r"bytes (\d+)-", reply.headers.get("Content-Range", ""))
    return int(match[1]) if match else -1


class Downloader:
    """Asks addresses through a cache on disk, kept as JSON so that no code runs when it is read."""

    def __init__(self, http: CachedSession, adapter: ResumingAdapter) -> None:
        self._http, self._adapter = http, adapter

    def get(self, url: str, *, offline: bool, bytes_max: int) -> tuple[str, bytes]:
        """How fresh, and the body; NotCached when the address gives nothing, TooLarge when it gives too much.

        Two steps, because a cache that answers by itself on an error does not reliably say that it did.
        """
        reason = "offline"
        self._adapter.bytes_max = bytes_max
        if not offline:
            if self._adapter.progress:
                self._adapter.progress(url, 0, None)  # an address may be silent for long
            total = self._adapter.limits.total_s
            self._adapter.deadline = time.monotonic() + total
            try:
                with within(total):
                    reply = self._http.get(url)
                reply.raise_for_status()
                return ("not-modified" if getattr(reply, "from_cache", False) else "downloaded"), reply.content
            except TooLarge:
                raise
            except requests.RequestException as error:
                reason = _reason(error)
            except (TransportError, ValueError) as error:  # an address, given or redirected to, that is none
                reason = f"bad address: {' '.join(str(error).split())[:100]}"
            except OutOfTime:
                reason = f"not whole within {total:g} s"
        # Asked of the cache itself: with immediate expiry, `only_if_cached` answers 504 although a copy is there.
        try:
            held = self._http.cache.get_response(self._http.cache.create_key(requests.Request("GET", url)))
        except (requests.RequestException, TransportError, ValueError) as error:
            raise NotCached(reason if reason != "offline" else f"bad address: {error}") from error
        if held is None:
            raise NotCached(reason)
        return f"stale ({reason})", held.content

    def forget(self, url: str) -> None:
        """Drop the cached copy of an address, so that a bad body is not served again."""
        self._http.cache.delete(urls=[url])


def _reason(error: requests.RequestException) -> str:
    """A few words for why an address gave nothing."""
    if isinstance(error, requests.HTTPError) and error.response is not None:
        return f"HTTP {error.response.status_code}"
    text = str(error)
    return type(error).__name__ + (f": {text}" if text.startswith(("cut", "silent", "not ")) else "")


@contextmanager
def downloader(folder: Path, limits: Limits, progress: Progress | None = None) -> Iterator[Downloader]:
    """A Downloader whose cache and unfinished bodies live in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    adapter = ResumingAdapter(folder / "parts", limits, progress)
    with CachedSession(
        backend=FileCache(str(folder / "http")), expire_after=EXPIRE_IMMEDIATELY, allowable_codes=(200,)
    ) as http:
        http.headers["User-Agent"] = "rawref"
        # A range of a compressed body could not be continued, and the files are compressed already.
        http.headers["Accept-Encoding"] = "identity"
        http.max_redirects = 5
        http.mount("http://", adapter)
        http.mount("https://", adapter)
        yield Downloader(http, adapter)
