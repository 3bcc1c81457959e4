"""The recorder in a process of its own that is killed, or whose disk is full."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tipdatum_drivers.session_file import SessionFile

RUNNING = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from tipdatum.sessions.recorder import Recorder
from tipdatum_drivers.reading import Imu, SessionHeader

header = SessionHeader(1, "2026-05-04T08:00:00Z", {"name": "demo"})
recorder = Recorder(Path(sys.argv[1]), header, datetime(2026, 5, 4, tzinfo=UTC), "digger-1")
begin = time.monotonic()
while True:
    t = time.monotonic() - begin
    recorder.record(Imu(t, "boom", (0.0, 0.0, 9.8), (0.0, 0.0, t)))
    print(t, recorder.state.records, flush=True)
    time.sleep(0.01)
"""

FULL = """
import resource, sys, time
from datetime import UTC, datetime
from pathlib import Path
from tipdatum.sessions.recorder import Recorder
from tipdatum_drivers.reading import Imu, SessionHeader

resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
told = []
header = SessionHeader(1, "2026-05-04T08:00:00Z", {"name": "demo"})
started = datetime(2026, 5, 4, tzinfo=UTC)
recorder = Recorder(Path(sys.argv[1]), header, started, "digger-1", on_fault=told.append)
for i in range(1000):
    recorder.record(Imu(i * 0.01, "boom", (0.0, 0.0, 9.8)))
while not told:
    time.sleep(0.02)
recorder.record(Imu(99.0, "boom", (0.0, 0.0, 9.8)))  # the service goes on and notices nothing
recorder.close()
print(told[0])
print(recorder.state.fault == told[0], recorder.state.file)
"""


@pytest.mark.parametrize("ending", ["ndjson", "ndjson.gz"])
def test_a_kill_loses_nothing_that_the_recorder_counts_as_written(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"dig.{ending}"
    with subprocess.Popen([sys.executable, "-c", RUNNING, str(path)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        last, written = 0.0, 0
        until = time.monotonic() + 240.0
        while (last < 1.7 or not written) and time.monotonic() < until:
            last, written = _told(process.stdout.readline())
        os.kill(process.pid, signal.SIGKILL)
        for line in process.stdout:
            last, written = _told(line)
    read = list(SessionFile(path))
    assert read[0].t < 0.1
    assert len(read) >= written > 0


def _told(line: bytes) -> tuple[float, int]:
    t, written = line.split()
    return float(t), int(written)


@pytest.mark.skipif(sys.platform == "win32", reason="limits the size of files the POSIX way")
def test_a_full_disk_ends_the_recording_with_a_fault_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "dig.ndjson"
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(path)], capture_output=True, text=True, timeout=240, check=False
    )
    assert done.stderr == ""
    assert done.stdout.splitlines()[0] == f"recording ended: File too large ({path})"
    assert done.stdout.splitlines()[1] == "True None"
    assert len(list(SessionFile(path))) > 100
