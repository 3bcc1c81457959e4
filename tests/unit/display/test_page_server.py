"""The server of the page: its own files and nothing else."""

from __future__ import annotations

import gzip
import http.client
import json
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from tipdatum.display import day_report
from tipdatum.display.day_report import DayReport
from tipdatum.display.server import PAGE, PageSettings, Server, page_files, start
from tipdatum.errors import PortError

DIG = Path(__file__).parents[3] / "replay_data" / "trench.ndjson.gz"
SETTINGS = PageSettings(websocket="ws://{host}:9001/mqtt", machine_id="demo", role="display", units="ft")


@pytest.fixture
def server() -> Iterator[Server]:
    running = start("127.0.0.1", 0, SETTINGS)
    yield running
    running.close()


def ask(
    server: Server, path: str, method: str = "GET", headers: Mapping[str, str] | None = None
) -> tuple[int, bytes, dict[str, str]]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
    connection.putrequest(method, path, skip_accept_encoding=True)
    for name, value in (headers or {}).items():
        connection.putheader(name, value)
    connection.endheaders()
    response = connection.getresponse()
    body = response.read()
    connection.close()
    return response.status, body, dict(response.getheaders())


def test_every_file_of_the_page_is_served_as_it_lies_on_disk(server: Server) -> None:
    for path, file in page_files().items():
        status, body, _ = ask(server, path)
        assert (status, body) == (200, file.read_bytes()), path


def test_modules_are_served_as_javascript(server: Server) -> None:
    # Browsers refuse to run a module of another type (HTML standard, "fetch a single module script").
    _, _, headers = ask(server, "/app.js")
    assert headers["Content-Type"].startswith("text/javascript")


def test_settings_tell_the_page_where_to_go(server: Server) -> None:
    status, body, _ = ask(server, "/settings.json?fresh")
    assert status == 200
    settings = json.loads(body)
    assert settings["websocket"] == "ws://{host}:9001/mqtt"
    assert (settings["machine_id"], settings["role"], settings["units"]) == ("demo", "display", "ft")


@pytest.mark.parametrize(
    "path",
    [
        "/server.py",
        "/../server.py",
        "/%2e%2e/server.py",
        "//etc/passwd",
        "/texts/../../server.py",
        "/nothing",
    ],
)
def test_nothing_else_exists(server: Server, path: str) -> None:
    assert ask(server, path)[0] == 404


def test_head_has_no_body(server: Server) -> None:
    status, body, headers = ask(server, "/", "HEAD")
    assert (status, body) == (200, b"")
    assert int(headers["Content-Length"]) == (PAGE / "index.html").stat().st_size


def test_other_methods_are_refused(server: Server) -> None:
    assert ask(server, "/", "PUT")[0] == 501
    assert ask(server, "/", "POST")[0] == 404


def test_policy_lets_the_page_reach_its_own_files_and_a_broker_alone(server: Server) -> None:
    policy = ask(server, "/")[2]["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "connect-src 'self' ws: wss:" in policy


def test_page_names_no_other_host() -> None:
    for path, file in page_files().items():
        text = file.read_text()
        hosts = [line for line in text.splitlines() if "http://" in line or "https://" in line]
        assert [line for line in hosts if "www.w3.org/2000/svg" not in line] == [], path


def test_taken_port_is_told_in_one_sentence(server: Server) -> None:
    with pytest.raises(PortError, match=rf"cannot listen on 127\.0\.0\.1, port {server.port}"):
        start("127.0.0.1", server.port, SETTINGS)


def test_closed_server_is_gone() -> None:
    running = start("127.0.0.1", 0, SETTINGS)
    running.close()
    with pytest.raises(ConnectionRefusedError):
        ask(running, "/")


def test_report_of_the_day_is_written_when_the_page_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Where it lets all others go first, it never gets to its end beside a test suite.
    monkeypatch.setattr(day_report.shutil, "which", lambda name: None)
    with gzip.open(DIG, "rt") as whole, (tmp_path / "dig.ndjson").open("w") as cut:
        cut.writelines(line for line in whole if json.loads(line).get("t", 0) <= 9.0)
    running = start("127.0.0.1", 0, SETTINGS, DayReport(tmp_path, "de"))
    own = {"Origin": running.url.rstrip("/")}
    try:
        assert ask(running, "/report.html")[0] == 404
        assert ask(running, "/report.json", "POST", {"Origin": "http://elsewhere"})[0] == 404
        assert json.loads(ask(running, "/report.json", "POST", own)[1])["state"] == "writing"
        deadline = time.monotonic() + 600.0
        while (told := json.loads(ask(running, "/report.json")[1]))["state"] == "writing":
            assert time.monotonic() < deadline
            time.sleep(0.2)
        assert told == {"state": "ready", "address": "report.html"}
        status, body, headers = ask(running, "/report.html")
        assert status == 200
        assert "Grabungsbericht" in body.decode()
        assert "script-src" not in headers["Content-Security-Policy"]
        assert "default-src 'none'" in headers["Content-Security-Policy"]
    finally:
        running.close()


def test_report_without_a_recording_says_so(tmp_path: Path) -> None:
    report = DayReport(tmp_path)
    report.begin()
    assert report.state["state"] == "failed"
    assert str(tmp_path) in report.state["text"]
    report.close()
