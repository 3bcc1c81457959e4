"""The report of the day by one touch: of all session files of the last day, written by a process of its own.

A replay of a day takes minutes of a processor; the live figures come first, so that process comes after them.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import threading
from datetime import datetime
from pathlib import Path
from typing import Any

ENDINGS = (".ndjson", ".ndjson.gz")
NICENESS = "5"
"""A service's wakes come as promptly beside 5 as beside 10, and where much else is running the report takes a
third of the time."""


class DayReport:
    """Writes one report at a time and knows how far it is.

    Args:
        recordings: folder of the session files. language, units: that it is written in.
    """

    def __init__(self, recordings: Path, language: str = "en", units: str = "m") -> None:
        self._recordings = recordings
        self._written_in = ("--language", language or "en", "--units", units)
        self._folder = tempfile.TemporaryDirectory(prefix="tipdatum-report-")
        self.file = Path(self._folder.name) / "report.html"
        self._state: dict[str, Any] = {"state": "none"}
        self._process: subprocess.Popen[str] | None = None
        self._lock = threading.Lock()

    @property
    def state(self) -> dict[str, Any]:
        """`state` none, writing, ready (with `address`) or failed (with `text`)."""
        with self._lock:
            return dict(self._state)

    def begin(self) -> None:
        """Write it, unless one is being written."""
        with self._lock:
            if self._state["state"] == "writing":
                return
            sessions = self._of_the_day()
            if not sessions:
                self._state = {"state": "failed", "text": f"no session file in {self._recordings}"}
                return
            self._state = {"state": "writing"}
            nice = ["nice", "-n", NICENESS] if shutil.which("nice") else []
            command = [*nice, sys.executable, "-m", "tipdatum", "report", *sessions, "-o", str(self.file)]
            if len(sessions) > 1:
                command.append("--joined")
            self._process = subprocess.Popen(
                [*command, *self._written_in],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            )
        threading.Thread(target=self._wait, name="day-report", daemon=True).start()

    def close(self) -> None:
        """End what is being written, and take the report away."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()

    def _of_the_day(self) -> list[str]:
        """The newest session file and those that were written on the same day of this computer's clock."""
        files = [file for file in self._recordings.glob("*") if file.name.endswith(ENDINGS)]
        written = {file: datetime.fromtimestamp(file.stat().st_mtime).astimezone() for file in files}
        ordered = sorted(files, key=lambda file: written[file])
        return [str(file) for file in ordered if written[file].date() == written[ordered[-1]].date()]

    def _wait(self) -> None:
        process = self._process
        assert process is not None
        _, complaint = process.communicate()
        with self._lock:
            if process.returncode == 0:
                self._state = {"state": "ready", "address": "report.html"}
            else:
                self._state = {"state": "failed", "text": complaint.strip().rpartition("\n")[2][:300]}
