"""Serves the display's page: a few files from this package and one made-up `settings.json`.

The page talks to the broker itself; this server knows nothing of MQTT and keeps nothing secret. In
production any web server does the same (mosquitto's own `http_dir` too): copy the folder `page` and put a
`settings.json` beside `index.html`, which `settings_json` writes.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import partial
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Literal

from tipdatum.display.day_report import DayReport
from tipdatum.display.texts import languages
from tipdatum.errors import PortError

PAGE = Path(__file__).parent / "page"
PRACTICE = Path(__file__).parent / "practice_page"

PRACTICE_FILES: dict[str, Path] = {
    **{f"/practice/{file.name}": file for file in sorted(PRACTICE.glob("*")) if file.is_file()},
    "/practice/": PRACTICE / "index.html",
}
"""Path in the address → file, of the page from which the practice machine is driven."""

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}

STOP_POLL_S = 0.05
"""How often the server looks whether it shall stop, s: closing must not hold up the service's end."""

HEADERS = {
    # Nothing but the page's own files and a broker: a display in a cab has no other network.
    "Content-Security-Policy": "default-src 'self'; connect-src 'self' ws: wss:; object-src 'none'; "
    "base-uri 'none'; frame-ancestors 'none'; form-action 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-cache",
}

WITHIN_OUR_PAGES = {
    name: value.replace("frame-ancestors 'none'", "frame-ancestors 'self'") for name, value in HEADERS.items()
}
"""The same where another page of this server shows the display beside its own."""

REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
"""A report carries its own style and drawings, and nothing else."""

Role = Literal["display", "panel", "integrator"]


@dataclass(frozen=True, slots=True)
class PageSettings:
    """What the page has to be told before it can speak to the broker.

    Attributes:
        websocket: the broker's WebSocket address; `{host}` in it stands for the host that the page itself
            was fetched from, so that one setting serves a tablet and the machine's own screen.
        machine_id: machine whose topics are shown.
        role: "display" reads; "panel" reads and sends commands; "integrator" may calibrate too. The page
            offers what the role may do; the broker's access list decides.
        topic_root: first level of the topics.
        username: offered in the sign-in form when the broker asks for a password.
        units: a set of units for those who have not chosen on the screen; "mm", "cm" and "m" show elevations
            in metres and deviations in what the name says, "ft" decimal feet, "ft-in" feet, inches, eighths.
        language: a language of the page, for those who have not chosen; empty: the browser's.
    """

    websocket: str
    machine_id: str
    role: Role = "panel"
    topic_root: str = "tipdatum"
    username: str = ""
    units: Literal["mm", "cm", "m", "ft", "ft-in"] = "mm"
    language: str = ""


def settings_json(settings: PageSettings) -> str:
    """The text of `settings.json`."""
    return json.dumps({**asdict(settings), "languages": languages()}, indent=2) + "\n"


def page_files() -> dict[str, Path]:
    """Path in the address → file, for everything the page consists of."""
    files = {
        f"/{file.relative_to(PAGE).as_posix()}": file
        for file in sorted(PAGE.rglob("*"))
        if file.suffix in TYPES
    }
    return {"/": files["/index.html"], "/calibrate": files["/calibrate.html"], **files}


class _Handler(BaseHTTPRequestHandler):
    """Answers GET and HEAD for names on the list; whatever else is asked for does not exist."""

    protocol_version = "HTTP/1.1"
    server_version = "tipdatum"
    sys_version = ""
    timeout = 30

    def __init__(
        self,
        *args: object,
        files: dict[str, Path],
        settings: bytes,
        report: DayReport | None,
        headers: Mapping[str, str] = HEADERS,
    ) -> None:
        self._extra = headers
        self._files = files
        self._settings = settings
        self._report = report
        super().__init__(*args)  # type: ignore[arg-type]

    def do_GET(self) -> None:
        self._answer(with_body=True)

    def do_POST(self) -> None:
        """The one thing that may be asked to be done: the report of the day, by the page itself."""
        own = self.headers.get("Origin", "").partition("//")[2] == self.headers.get("Host")
        if self._report is None or self.path != "/report.json" or not own:
            self.close_connection = True
            self._send(HTTPStatus.NOT_FOUND, "text/plain; charset=utf-8", b"not found\n", with_body=True)
            return
        self.rfile.read(min(int(self.headers.get("Content-Length") or 0), 1024))
        self._report.begin()
        self._send_json(self._report.state)

    def do_HEAD(self) -> None:
        self._answer(with_body=False)

    def _answer(self, *, with_body: bool) -> None:
        path = self.path.partition("?")[0]
        if path == "/settings.json":
            self._send(HTTPStatus.OK, TYPES[".json"], self._settings, with_body=with_body)
        elif path == "/report.json" and self._report is not None:
            self._send_json(self._report.state)
        elif path == "/report.html" and self._report is not None and self._report.file.exists():
            body = self._report.file.read_bytes()
            self._send(HTTPStatus.OK, TYPES[".html"], body, with_body=with_body, policy=REPORT_POLICY)
        elif (file := self._files.get(path)) is not None:
            self._send(HTTPStatus.OK, TYPES[file.suffix], file.read_bytes(), with_body=with_body)
        else:
            self._send(HTTPStatus.NOT_FOUND, "text/plain; charset=utf-8", b"not found\n", with_body=with_body)

    def _send_json(self, value: dict[str, Any]) -> None:
        self._send(HTTPStatus.OK, TYPES[".json"], json.dumps(value).encode(), with_body=True)

    def _send(
        self, status: HTTPStatus, content_type: str, body: bytes, *, with_body: bool, policy: str = ""
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", content_type)
        self.send_header("Content-Length", str(len(body)))
        for name, value in self._extra.items():
            self.send_header(name, policy or value if name == "Content-Security-Policy" else value)
        self.end_headers()
        if with_body:
            self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class names it so
        """Nothing: the service's log is no place for page loads."""


class _HttpServer(ThreadingHTTPServer):
    daemon_threads = True
    allow_reuse_address = True

    def handle_error(self, request: object, client_address: object) -> None:
        """Nothing: a browser that goes away in the middle of an answer is no news."""


@dataclass(slots=True)
class Server:
    """A running server; `close` it."""

    host: str
    port: int
    _http: _HttpServer = field(repr=False)
    _thread: threading.Thread = field(repr=False)
    _report: DayReport | None = field(default=None, repr=False)

    @property
    def url(self) -> str:
        """Address to open in a browser on this machine."""
        host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(self.host, self.host)
        return f"http://{host}:{self.port}/"

    def close(self) -> None:
        """Stop serving and wait for the thread."""
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()
        if self._report is not None:
            self._report.close()


def start(
    host: str,
    port: int,
    settings: PageSettings,
    report: DayReport | None = None,
    pages: Mapping[str, Path] | None = None,
) -> Server:
    """Serve the page in a thread of its own.

    Args:
        host: address to listen on; a loopback address unless the display runs elsewhere.
        port: 0 takes a free one.
        settings: what `settings.json` tells the page.
        report: writes the day's report when the page asks for it; None where nothing is recorded.
        pages: path in the address → file, of pages beside the display's own, which may show it within.

    Raises:
        PortError: the address cannot be listened on.
    """
    handler = partial(
        _Handler,
        files={**page_files(), **(pages or {})},
        settings=settings_json(settings).encode(),
        report=report,
        headers=WITHIN_OUR_PAGES if pages else HEADERS,
    )
    try:
        http = _HttpServer((host, port), handler)
    except OSError as error:
        reason = error.strerror or error
        text = f"display page: cannot listen on {host}, port {port}: {reason}"
        raise PortError(text, retry_helps=False) from error
    thread = threading.Thread(
        target=http.serve_forever, args=(STOP_POLL_S,), name="display-page", daemon=True
    )
    thread.start()
    return Server(host, http.server_address[1], http, thread, report)
