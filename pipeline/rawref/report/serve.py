"""The site on loopback, for one person on this machine."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from rawref.errors import InputError

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
MISSING = ".no-such-page"


class _Quiet(SimpleHTTPRequestHandler):
    """Files of one folder, no lines on the terminal, nothing kept by the browser between two builds."""

    def __init__(self, *args: Any, published: Path, **named: Any) -> None:
        self.published = published
        super().__init__(*args, **named)

    def parse_request(self) -> bool:
        """Only for this machine by its own names: a page elsewhere must not read it by a name that leads here."""
        if not super().parse_request():
            return False
        name = re.sub(r":\d*$", "", self.headers.get("Host", "")).lower()
        if name not in LOOPBACK:
            self.send_error(421, "this server answers only to its loopback names")
            return False
        return True

    def translate_path(self, path: str) -> str:
        """The file of an address; nothing outside the folder and the published files, by no symbolic link."""
        top = Path(self.directory).resolve()
        *_, folder, name = ["", "", *path.partition("?")[0].split("/")]
        if folder == self.published.name and name in {p.name for p in self.published.iterdir() if p.is_file()}:
            return str(self.published / name)
        try:
            found = Path(super().translate_path(path)).resolve()
        except (ValueError, OSError):  # a null byte, a name too long, links in a circle
            return str(top / MISSING)
        return str(found) if found.is_relative_to(top) else str(top / MISSING)

    def log_message(self, format: str, *args: Any) -> None:
        pass

    def list_directory(self, path: Any) -> None:
        self.send_error(404, "no such page")

    def end_headers(self) -> None:
        self.send_header("Cache-Control", "no-store")
        super().end_headers()


def server(out: Path, published: Path) -> ThreadingHTTPServer:
    """A server of the site at `out` and of the published files that it leads to, on 127.0.0.1 and a free port; the
    caller runs and closes it."""
    if not (out / "index.html").is_file():
        raise InputError("no site here", str(out), "run rawref report first")
    return ThreadingHTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=str(out), published=published))


def serve(out: Path, published: Path, say: Callable[[str], None], *, open_browser: bool = True) -> None:
    """Serve the site until it is interrupted (KeyboardInterrupt goes to the caller); `say` gets the address."""
    with server(out, published) as running:
        address = f"http://127.0.0.1:{running.server_address[1]}/index.html"
        say(f"{address} (stop with Ctrl-C)")
        if open_browser:
            import webbrowser

            webbrowser.open(address)
        running.serve_forever()
