"""`tipdatum replay` over several sessions, ended by Ctrl-C in the middle."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from service_process import PATIENCE_S, write_session


def test_ctrl_c_ends_every_process_quietly_and_leaves_no_halves(tmp_path: Path) -> None:
    sessions = [tmp_path / f"{name}.ndjson" for name in ("a", "b")]
    write_session(sessions[0], 600.0)
    sessions[1].symlink_to(sessions[0])
    out = tmp_path / "out"
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tipdatum",
            "replay",
            *map(str, sessions),
            "--output-dir",
            str(out),
            "--jobs",
            "2",
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until = time.monotonic() + PATIENCE_S
    while not (out.exists() and len(list(out.glob(".*.part*"))) == 2):
        assert time.monotonic() < until
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to every process of the group
    told, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 128 + signal.SIGINT  # as a shell tells a command that Ctrl-C ended
    assert told == ""
    assert errors.strip() == ""
    assert list(out.iterdir()) == []
