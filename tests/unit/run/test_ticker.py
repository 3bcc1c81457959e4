"""The beat: never before a tick is past, one a period, and on after a defect."""

from __future__ import annotations

import threading
import time

import pytest

from tipdatum.run import ticker
from tipdatum.run.clocks import RunClock
from tipdatum.run.ticker import Ticker


class Beat:
    """Counts ticks by their number, and wakes whoever waits for some."""

    def __init__(self, period_s: float, speed: float = 1.0, fail_first: int = 0) -> None:
        self.clock = RunClock(speed)
        self.times: list[float] = []
        self.failures = fail_first
        self.enough = threading.Event()
        self.wanted = 0
        self.ticker = Ticker(self.clock, period_s, self.tick)

    def tick(self) -> None:
        self.times.append(self.clock())
        if len(self.times) >= self.wanted:
            self.enough.set()
        if self.failures > 0:
            self.failures -= 1
            raise RuntimeError("a defect")

    def hear(self, count: int) -> None:
        self.wanted = count
        self.ticker.start()
        assert self.enough.wait(60.0)
        self.ticker.stop()


@pytest.mark.parametrize("speed", [1.0, 5.0])
def test_each_tick_runs_once_and_when_it_is_past(speed: float) -> None:
    beat = Beat(0.02, speed)
    beat.hear(10)
    numbers = [int(t / 0.02) for t in beat.times]
    # The first runs at once; then one in each period at the most, for a late one is not made up for.
    assert numbers == sorted(set(numbers))
    assert beat.ticker.lives


def test_ends_soon_even_where_the_beat_is_slow() -> None:
    beat = Beat(3600.0)
    beat.hear(1)
    assert len(beat.times) == 1


def test_goes_on_after_a_defect_and_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(ticker, "RETRY_S", 0.05)
    beat = Beat(0.01, fail_first=1)
    beat.hear(3)
    assert beat.times[1] - beat.times[0] >= 0.05
    assert "internal fault" in capsys.readouterr().out


def test_beat_that_hangs_lives_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ticker, "LIVES_S", 0.05)
    go_on = threading.Event()

    def hang() -> None:
        go_on.wait(60.0)

    hanging = Ticker(RunClock(), 0.01, hang)
    hanging.start()
    time.sleep(0.1)
    assert not hanging.lives
    go_on.set()
    hanging.stop()
