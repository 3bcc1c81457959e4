"""`tipdatum demo` as a person starts it: what it prints, what it publishes, how it ends."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from service_process import PATIENCE_S, Client, write_session
from terminal import Terminal

from tipdatum_drivers.decode.session_lines import encode_line
from tipdatum_drivers.reading import Command

COMMAND = (sys.executable, "-m", "tipdatum", "demo", "--no-browser")
PASS_S = 3.0


@pytest.fixture(scope="module")
def short_dig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dig so short that its second pass comes soon, with a reference that is set in each."""
    path = tmp_path_factory.mktemp("dig") / "short.ndjson"
    told = encode_line(Command(2.0, "datum/set", {"elevation_m": 101.25}))
    write_session(path, PASS_S, {2.0: told})
    return path


Demo = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def demo() -> Iterator[Demo]:
    """`demo(*options)`: the demonstration as a process; ended with the test."""
    running: list[subprocess.Popen[str]] = []

    def start(*options: str) -> subprocess.Popen[str]:
        running.append(
            subprocess.Popen([*COMMAND, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        )
        return running[-1]

    yield start
    for process in running:
        if process.poll() is None:
            process.kill()
        process.communicate()


def introduction(process: subprocess.Popen[str]) -> str:
    """What it prints up to the page's address."""
    assert process.stdout is not None
    told = ""
    for line in process.stdout:
        told += line
        if "page" in line:
            return told
    raise AssertionError(f"it ended: {told}")


def test_it_tells_where_to_look_and_each_pass_is_a_session_of_its_own(demo: Demo, short_dig: Path) -> None:
    process = demo(str(short_dig), "--no-view")
    told = introduction(process)
    port = re.search(r"broker +127\.0\.0\.1:(\d+) \(MQTT\), topics (\S+)/#", told)
    assert port is not None, told
    base = port[2]
    assert f"mosquitto_sub -p {port[1]} -t '{base}/#' -v" in told
    assert f"tipdatum send datum/set elevation_m=101.25 --port {port[1]}" in told
    assert re.search(r"page +http://127\.0\.0\.1:\d+/", told)
    assert "no safety device" in told
    assert "Ctrl-C" in told
    with Client(int(port[1]), machine_id=base.rpartition("/")[2]) as client:
        set_at = client.wait_for("tip", lambda tip: tip["datum"] == "set")
        assert set_at["elevation_m"] == pytest.approx(101.25, abs=0.02)
        client.wait_for("tip", lambda tip: tip["datum"] == "none")
    process.send_signal(signal.SIGINT)
    rest = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert "the recording begins anew" in rest[1]
    assert "Traceback" not in rest[0] + rest[1]


def test_the_shipped_dig_plays_with_a_live_view_at_a_terminal() -> None:
    terminal = Terminal("demo", "--no-browser")
    try:
        terminal.wait_for("mosquitto_sub -p")
        terminal.wait_for("send datum/set")
        terminal.wait_for("Tip elevation")
        terminal.wait_for("reach ")
        assert terminal.end(signal.SIGINT) == 0
        assert b"Traceback" not in terminal.everything
        # The screen that was there before comes back, and the cursor with it.
        assert b"\x1b[?1049l" in terminal.everything
        assert b"\x1b[?25h" in terminal.everything
    finally:
        terminal.close()


def test_a_port_that_is_taken_is_one_sentence(demo: Demo) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        process = demo("--no-view", "--port", str(port))
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert err.startswith(f"tipdatum: port {port} on 127.0.0.1 cannot be used")
    assert err.count("\n") == 1
    assert out == ""


def test_a_recording_that_is_none_is_one_sentence(demo: Demo, tmp_path: Path) -> None:
    (tmp_path / "dig.ndjson").write_text("hello\n")
    process = demo(str(tmp_path / "dig.ndjson"))
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert "dig.ndjson, line 1: found 'hello'" in err
    assert err.count("\n") == 1
    assert out == ""
