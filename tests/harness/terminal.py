"""A command at a pseudo-terminal, for the tests of what a person sees there."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pyte

COLUMNS, ROWS = 100, 30
PATIENCE_S = 240.0
"""How long a test waits for what should come soon; never part of an assertion's meaning."""
COMMAND = (sys.executable, "-m", "tipdatum")


class Terminal:
    """A command at a pseudo-terminal, and what stands on its screen."""

    def __init__(self, *arguments: str, cwd: Path | None = None) -> None:
        self._screen = pyte.Screen(COLUMNS, ROWS)
        self._stream = pyte.ByteStream(self._screen)
        ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        environment = os.environ | {"TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
        for size in ("COLUMNS", "LINES"):  # where they are set, they go before the terminal's own size
            environment.pop(size, None)
        self.process = subprocess.Popen(
            [*COMMAND, *arguments],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=cwd,
            env=environment,
            start_new_session=True,
        )
        os.close(theirs)
        self._ours = ours
        self.everything = b""

    def wait_for(self, text: str) -> str:
        """The screen once `text` stands on it; fails when it does not come."""
        until = time.monotonic() + PATIENCE_S
        while text not in self.text:
            alive = self._read(0.1)
            assert alive or text in self.text, f"ended without {text!r}:\n{self.text}"
            assert time.monotonic() < until, f"{text!r} does not come:\n{self.text}"
        return self.text

    def type(self, text: str) -> None:
        """Type a line."""
        os.write(self._ours, text.encode() + b"\n")

    @property
    def text(self) -> str:
        """What stands on the screen."""
        return "\n".join(self._screen.display)

    def end(self, by: int | None = None) -> int:
        """Wait for its end, after a signal if one is given; gives the exit code."""
        if by is not None:
            self.process.send_signal(by)
        until = time.monotonic() + PATIENCE_S
        while self._read(0.05) and time.monotonic() < until:
            pass
        return self.process.wait(PATIENCE_S)

    def close(self) -> None:
        """Leave nothing running."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._ours)

    def _read(self, patience_s: float) -> bool:
        ready, _, _ = select.select([self._ours], [], [], patience_s)
        if not ready:
            return self.process.poll() is None
        try:
            data = os.read(self._ours, 65536)
        except OSError:  # the other side is closed
            return False
        self.everything += data
        self._stream.feed(data)
        return bool(data)
