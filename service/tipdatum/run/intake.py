"""Where records of all drivers come together on the run's clock, in one order of time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from operator import attrgetter

from tipdatum_drivers.reading import Fault, Record, Truth, handed_over
from tipdatum_drivers.source import Driver, let_it_wait

BEHIND_S = 0.25
"""Records of two drivers change places by no more than this, even where the computer is busy."""

_time = attrgetter("t")


class Intake:
    """Puts records in order and hands them on.

    Drivers that can keep what they read are emptied once a tick, just before it runs: the tick takes in
    nothing earlier anyway, and a thread that wakes for every packet finds its caches cold each time.

    All methods are for one thread at a time.

    Args:
        drivers: all of the run.
        clock: the run's.
        hand_on: takes each record in order of time.
        on_read: called from a driver's thread when it keeps something new, for a run in which figures follow
            from each record at once; None: what they keep waits for the tick.
    """

    def __init__(
        self,
        drivers: Iterable[Driver],
        clock: Callable[[], float],
        hand_on: Callable[[Record | Fault], None],
        on_read: Callable[[], None] | None = None,
    ) -> None:
        self._clock = clock
        self._hand_on = hand_on
        self._kept: list[Driver] = []
        # Not of one call alone: a defect further on costs one record, and none of those behind it.
        self._fetched: deque[Record | Fault] = deque()
        self._lateness = 0.0
        self._newest = 0.0
        for driver in drivers:
            self._lateness = max(self._lateness, driver.lateness_s)
            if driver.keeps:
                driver.on_read = on_read or let_it_wait
                self._kept.append(driver)

    def take(self, record: Record | Fault) -> None:
        """One record, as it comes from a driver."""
        if isinstance(record, Truth):
            return
        if not isinstance(record, Fault):
            if record.t < self._newest <= record.t + BEHIND_S:
                record = handed_over(record, self._newest)
            self._newest = max(self._newest, record.t)
        self._hand_on(record)

    def now(self) -> float:
        """The present moment, after all that was read before it: behind it no record comes any more.

        A driver that hands over what is stamped already (a recording) may be a little late with it; a tick
        or a command must not run ahead of such a record, or a replay would see another order. One that is
        later still takes its place behind this moment.
        """
        now = self._clock()
        self.fetch()
        self._newest = max(self._newest, now - self._lateness)
        return self._newest

    def fetch(self) -> None:
        """Take in what the drivers have kept."""
        for driver in self._kept:
            self._fetched += driver.collect()
        if len(self._kept) > 1:
            self._fetched = deque(sorted(self._fetched, key=_time))
        while self._fetched:
            self.take(self._fetched.popleft())
