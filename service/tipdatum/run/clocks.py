"""The clocks of a run: the one that stamps readings, and a watch over the others."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

JUMP_S = 2.0
"""A wall clock that moved by more than this against the monotonic one was set; less is drift."""


AHEAD_S, MOST_AHEAD_S = 0.25, 5.0
"""How far a fast clock may run ahead of the last tick: real seconds, and seconds of its own."""


class RunClock:
    """The run's one clock: seconds since its start, monotonic; faster than real time for a fast replay.

    A fast clock waits for the ticks. A computer that cannot follow would otherwise have the more to do the
    longer each tick takes, and never come to an end; so a recording is played as fast as it can be.

    Args:
        speed: times real speed. real: seconds of the computer's monotonic clock.
    """

    def __init__(self, speed: float = 1.0, real: Callable[[], float] = time.monotonic) -> None:
        self._real = real
        self._zero = real()
        self._speed = speed
        self._ahead = min(AHEAD_S * speed, MOST_AHEAD_S) if speed > 1.0 else math.inf
        self._limit = self._ahead
        self.started = datetime.now(UTC)

    def __call__(self) -> float:
        # The limit first: `ticked`, on another thread, moves it last.
        limit = self._limit
        t = (self._real() - self._zero) * self._speed
        return t if t < limit else limit

    @property
    def zero_s(self) -> float | None:
        """What the computer's monotonic clock read at 0, s; None where this one does not go with it."""
        return self._zero if self._speed == 1.0 and self._real is time.monotonic else None

    def ticked(self, t: float) -> None:
        """A tick that took `t` for now is done: the clock goes on from where it stands."""
        if self._limit == math.inf:
            return
        behind = (self._real() - self._zero) - self._limit / self._speed
        if behind > 0.0:
            self._zero += behind
        self._limit = max(self._limit, t + self._ahead)

    def real_seconds(self, t: float) -> float:
        """How long to wait, in real seconds, for the clock to pass `t` seconds of its own."""
        return t / self._speed


def boottime() -> float:
    """A clock that goes on while the computer is suspended, where the system has one."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.clock_gettime(clock) if clock is not None else time.monotonic()


@dataclass(frozen=True, slots=True)
class SystemClocks:
    """The computer's three clocks, all in seconds.

    Attributes:
        awake: goes on only while the computer is awake, and is never set. wall: since the epoch, set by
            people and by time servers. boot: goes on while the computer sleeps, and is never set.
    """

    awake: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time
    boot: Callable[[], float] = boottime


class ClockWatch:
    """Notices a wall clock that was set and a computer that slept, by comparing three clocks."""

    def __init__(self, clocks: SystemClocks | None = None) -> None:
        self._clocks = clocks or SystemClocks()
        self._begin()

    def look(self) -> tuple[float, float]:
        """Since the last jump: seconds by which the wall clock was set, and seconds slept; 0 for no jump.

        A sleep moves the wall clock against the run's clock as well, so both come together then: times in
        messages have to follow.
        """
        clocks = self._clocks
        awake = clocks.awake() - self._awake
        moved = (clocks.wall() - self._wall) - awake
        slept = (clocks.boot() - self._boot) - awake
        if abs(moved) <= JUMP_S and slept <= JUMP_S:
            return 0.0, 0.0
        self._begin()
        return (moved if abs(moved) > JUMP_S else 0.0), (slept if slept > JUMP_S else 0.0)

    def _begin(self) -> None:
        clocks = self._clocks
        self._awake, self._wall, self._boot = clocks.awake(), clocks.wall(), clocks.boot()
