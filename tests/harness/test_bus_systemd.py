"""The service under a supervisor: readiness, watchdog, reload and stop, as sd_notify(3) has them."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from bus_tools import PATIENCE_S

CONFIG = Path(__file__).parents[2] / "config"
UNIT = CONFIG / "systemd" / "tipdatum@.service"


class Supervisor:
    """The socket that a service manager listens on."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "notify"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))
        self._socket.settimeout(0.5)
        self.told: list[str] = []

    def wait_for(self, state: str) -> None:
        """Wait until the service says so."""
        until = time.monotonic() + PATIENCE_S
        seen = len(self.told)
        while state not in self.told[seen:]:
            assert time.monotonic() < until, f"{state} is not told; {self.told}"
            try:
                self.told += self._socket.recv(4096).decode().split("\n")
            except TimeoutError:
                continue

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


@pytest.fixture
def supervisor(tmp_path: Path) -> Iterator[Supervisor]:
    found = Supervisor(tmp_path)
    yield found
    found.close()


def test_it_tells_when_it_is_ready_that_it_lives_and_that_it_stops(
    supervisor: Supervisor, tmp_path: Path
) -> None:
    environment = os.environ | {
        "NOTIFY_SOCKET": str(supervisor.path),
        "WATCHDOG_USEC": "10000000",
        "STATE_DIRECTORY": str(tmp_path / "state"),
    }
    command = [sys.executable, "-m", "tipdatum", "run", "--json-logs", str(CONFIG / "services" / "demo.toml")]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    try:
        supervisor.wait_for("READY=1")
        supervisor.wait_for("WATCHDOG=1")
        process.send_signal(signal.SIGHUP)  # as the unit's ExecReload does
        supervisor.wait_for("WATCHDOG=1")
        process.send_signal(signal.SIGTERM)
        supervisor.wait_for("STOPPING=1")
        assert process.wait(PATIENCE_S) == 0
    finally:
        process.kill()
        process.wait()
    text = (tmp_path / "log").read_text()
    assert "reloaded" in text
    assert "Traceback" not in text
    assert list((tmp_path / "state").iterdir())


def test_the_unit_is_what_systemd_accepts(tmp_path: Path) -> None:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        pytest.skip("needs systemd-analyze, which is not installed here")
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace("/opt/tipdatum/bin/tipdatum", "/bin/true"))
    done = subprocess.run(
        [tool, "verify", "--man=no", str(unit)], capture_output=True, text=True, timeout=60, check=False
    )
    assert [line for line in done.stderr.splitlines() if "tipdatum@" in line] == []
    assert done.returncode == 0
