"""The service's beat: a thread that sleeps to the next tick and runs it, and the turns that all threads take.

The system wakes a sleeping thread to some microseconds, with next to nothing to do before it is at the tick.
A timer of the event loop comes up to a millisecond late, and its way through selector, future and task takes
three times the processor time, most of it to get code and data into cold caches.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from tipdatum.bus.client import BusClient
from tipdatum.run.clocks import RunClock
from tipdatum.run.log_lines import log

RETRY_S = 1.0
"""Wait after a tick that failed by a defect of ours, real seconds."""
NAP_S = 0.1
"""The longest sleep in one, after which a slow beat looks whether it should end, real seconds."""
LIVES_S = 5.0
"""A beat that has not been heard for this long has stopped, whatever its period, real seconds."""


class Ticker:
    """Calls `tick` soon after each multiple of the period; a late one is not made up for.

    Args:
        clock: the run's. period_s: on that clock. tick: called on the ticker's thread.
    """

    def __init__(self, clock: RunClock, period_s: float, tick: Callable[[], None]) -> None:
        self._clock, self._period, self._tick = clock, period_s, tick
        self._stopping = False
        self._heard = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="tick", daemon=True)

    def start(self) -> None:
        """Begin; the first tick runs at once."""
        self._thread.start()

    def stop(self) -> None:
        """End after the tick that is under way."""
        self._stopping = True
        if self._thread.is_alive():
            self._thread.join()

    @property
    def lives(self) -> bool:
        """Whether ticks go on."""
        return time.monotonic() - self._heard < LIVES_S

    def _run(self) -> None:
        clock, period = self._clock, self._period
        while not self._stopping:
            self._heard = time.monotonic()
            began = clock()
            try:
                self._tick()
                due = (int(clock() / period) + 1) * period
            except Exception:
                log.exception("internal fault; going on", name="tick")
                due = clock() + RETRY_S / clock.real_seconds(1.0)
            clock.ticked(began)
            while not self._stopping and (left := due - clock()) >= 0.0:
                time.sleep(min(clock.real_seconds(left), NAP_S))


class Turn:
    """`with turn:` around all that touches the pipeline, on whichever thread: one at a time.

    Ticks, ports, orders and the keeper of the state all work with the same one.

    What is published meanwhile leaves together when the turn ends.

    Attributes:
        bus: where it is published, once there is one.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.bus: BusClient | None = None

    def __enter__(self) -> None:
        self._lock.acquire()
        if self.bus is not None:
            self.bus.hold()

    def __exit__(self, *_: object) -> None:
        try:
            if self.bus is not None:
                self.bus.release()
        finally:
            self._lock.release()
