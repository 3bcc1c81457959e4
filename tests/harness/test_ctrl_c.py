"""Ctrl-C at any moment of any command's life: no traceback, no half-written result."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from bus_tools import free_port
from terminal import COMMAND, PATIENCE_S

from tipdatum.shipped import shipped

DIG = str(shipped("replay_data", "trench.ndjson.gz"))
MOMENTS_S = (0.05, 0.12, 0.25, 0.5, 1.0, 2.0)
COMMANDS = {
    "replay": ("replay", DIG, "-o", "out.ndjson"),
    "several": ("replay", DIG, str(shipped("replay_data", "slope.ndjson.gz")), "--output-dir", "many"),
    "report": ("report", DIG, "-o", "out.html"),
    "check": ("check", DIG),
    "demo": ("demo", "--no-view", "--no-browser"),
    "new": ("new", "."),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", COMMANDS)
def test_ctrl_c_ends_a_command_without_a_traceback_whenever_it_comes(name: str, tmp_path: Path) -> None:
    for moment in MOMENTS_S:
        process = subprocess.Popen(
            [*COMMAND, *COMMANDS[name]],
            cwd=tmp_path,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        time.sleep(moment)
        os.killpg(process.pid, signal.SIGINT)
        _, told = process.communicate(timeout=PATIENCE_S)
        words = told.decode()
        if "Traceback" in words:
            # The interpreter's own start, before its first line of ours, is not ours to make quiet.
            assert "tipdatum/" not in words.replace(str(tmp_path), ""), words
        else:
            assert process.returncode in (0, 2, 130, -signal.SIGINT)
        assert [path.name for path in tmp_path.rglob("*.part*")] == []


def test_watch_finds_the_service_that_run_has_started_with_nothing_typed(tmp_path: Path) -> None:
    """`run`, then `watch` in another terminal; where 1883 is taken, the log has the line to type."""
    service = tmp_path / "service.toml"
    machine = shipped("config", "machines", "example.toml")
    service.write_text(f'machine = "{machine}"\n[display]\nenabled = false\n[state]\ndirectory = "s"\n')
    running = subprocess.Popen(
        [*COMMAND, "run", str(service), "--json-logs"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert running.stdout is not None
        typed: list[str] = []
        for line in running.stdout:
            if "tipdatum watch --port" in line:
                typed = line.split("tipdatum watch ")[1].split('"')[0].split()
            if "broker online" in line:
                break
        seen = subprocess.Popen(
            [*COMMAND, "watch", *typed, "--lines"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert seen.stdout is not None
        first = seen.stdout.readline()
        seen.send_signal(signal.SIGINT)
        seen.communicate(timeout=PATIENCE_S)
        assert "nothing listens" not in first
        assert first.strip()
    finally:
        running.terminate()
        running.communicate(timeout=PATIENCE_S)


def test_an_exit_code_tells_what_may_pass_from_what_is_wrong(tmp_path: Path) -> None:
    def code(*arguments: str) -> int:
        return subprocess.run(
            [*COMMAND, *arguments], cwd=tmp_path, capture_output=True, timeout=PATIENCE_S, check=False
        ).returncode

    assert code("convert", "1.2 m") == 0
    assert code("convert", "1.2 parsecs") == 2
    assert code("watch", "--no-such-option") == 2
    assert code("watch", "--port", str(free_port())) == 3
