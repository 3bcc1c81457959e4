"""The clocks of a run: the one that stamps readings, and a watch over the others."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

JUMP_S = 2.0
"""A wall clock that moved by more than this against the monotonic one was set; less is drift."""


class RunClock:
    """The run's one clock: seconds since its start, monotonic; faster than real time for a fast replay."""

    def __init__(self, speed: float = 1.0) -> None:
        self._zero = time.monotonic()
        self._speed = speed
        self.started = datetime.now(UTC)

    def __call__(self) -> float:
        return (time.monotonic() - self._zero) * self._speed

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
