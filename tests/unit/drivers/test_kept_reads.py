"""Reads kept outside the interpreter: the same bytes, in the same order, with the time at which they came."""

from __future__ import annotations

import os
import pty
import threading
import time
import tty
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from tipdatum_drivers import kept_reads as module
from tipdatum_drivers.kept_reads import KeptReads, kept_reads

pytestmark = pytest.mark.skipif(module.built() is None, reason="nothing was compiled here")

WAIT_S, LONGEST_S = 0.05, 5.0


class Line:
    """A pseudo-terminal, and a thread that keeps what comes at one end of it."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.slave, False)
        port: Any = SimpleNamespace(fileno=lambda: self.slave)
        found = kept_reads(port, time.monotonic, lambda data, t: [(data, t)])
        assert found is not None
        self.kept: KeptReads = found
        self.ended: list[object] = []
        self.thread = threading.Thread(target=self._follow, daemon=True)

    def begin(self, longest_s: float = LONGEST_S) -> None:
        self.longest_s = longest_s
        self.thread.start()

    def _follow(self) -> None:
        try:
            self.ended.append(self.kept.follow(WAIT_S, self.longest_s))
        except OSError as error:
            self.ended.append(error)

    def end(self) -> object:
        self.thread.join(60.0)
        (found,) = self.ended
        return found

    def close(self) -> None:
        self.kept.stop()
        if self.thread.ident is not None:
            self.thread.join(60.0)
        for number in (self.slave, self.master):
            if number >= 0:
                os.close(number)


@pytest.fixture
def line() -> Iterator[Line]:
    line = Line()
    yield line
    line.close()


def test_all_that_came_is_there_once_in_order_however_often_it_is_taken(line: Line) -> None:
    line.begin()
    sent = os.urandom(200_000)
    found: list[tuple[bytes, float]] = []

    def write() -> None:
        at = 0
        while at < len(sent):
            at += os.write(line.master, sent[at : at + 700])

    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    deadline = time.monotonic() + 60.0
    while sum(len(data) for data, _ in found) < len(sent) and time.monotonic() < deadline:
        found += line.kept.items()
    assert b"".join(data for data, _ in found) == sent
    times = [t for _, t in found]
    assert times == sorted(times)


def test_a_read_has_the_time_at_which_it_came_on_the_clock_of_the_run(line: Line) -> None:
    line.kept = KeptReads(module.built().Kept(), line.slave, time.monotonic() - 1000.0, lambda *read: [read])
    line.begin()
    time.sleep(0.02)
    sent = []
    for number in range(5):
        sent.append(time.monotonic())
        os.write(line.master, bytes([number]))
        time.sleep(0.02)
    zero = line.kept._zero
    found = [(data, t + zero) for data, t in line.kept.items() if data]
    assert b"".join(data for data, _ in found) == bytes(range(5))
    # Not before the bytes were written, nor after they were taken; how long between, the busy computer says.
    at, taken = 0, time.monotonic()
    for data, t in found:
        at += len(data)
        assert sent[at - 1] <= t <= taken


def test_silence_is_reads_without_bytes(line: Line) -> None:
    line.begin()
    found: list[tuple[bytes, float]] = []
    deadline = time.monotonic() + 60.0
    while len(found) < 3 and time.monotonic() < deadline:
        time.sleep(0.01)
        found += line.kept.items()
    assert [data for data, _ in found[:3]] == [b""] * 3
    assert found[1][1] - found[0][1] >= WAIT_S * 0.9


def test_what_came_before_the_end_of_the_line_is_kept(line: Line) -> None:
    os.write(line.master, b"last words")
    line.begin()
    found: list[tuple[bytes, float]] = []
    deadline = time.monotonic() + 60.0
    while not any(data for data, _ in found) and time.monotonic() < deadline:
        found += line.kept.items()
    os.close(line.master)
    line.master = -1
    assert isinstance(line.end(), OSError)
    assert [data for data, _ in [*found, *line.kept.items()] if data] == [b"last words"]


def test_it_ends_when_it_is_told_to(line: Line) -> None:
    line.begin()
    line.kept.stop()
    assert line.end() is None


def test_a_computer_that_stood_still_is_told_and_what_came_meanwhile_left_out(line: Line) -> None:
    line.begin(WAIT_S / 10.0)  # the first wait without bytes is longer already
    gap = line.end()
    assert isinstance(gap, float)
    assert gap >= WAIT_S * 0.9
    assert line.kept.items() == []


def test_it_is_left_aside_where_the_run_s_clock_is_not_the_computer_s_or_the_line_no_file() -> None:
    port: Any = SimpleNamespace(fileno=lambda: 0)
    no_file: Any = SimpleNamespace()
    assert kept_reads(port, lambda: 0.0, lambda *_: []) is None
    assert kept_reads(no_file, time.monotonic, lambda *_: []) is None


def test_it_is_left_aside_where_python_s_clock_is_another(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "get_clock_info", lambda _: SimpleNamespace(implementation="another()"))
    assert module.built.__wrapped__() is None
