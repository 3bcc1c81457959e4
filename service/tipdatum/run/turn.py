"""One at a time: the ticks, the ports, the orders and the keeper of the state all work with one pipeline."""

from __future__ import annotations

import threading

from tipdatum.bus.client import BusClient


class Turn:
    """`with turn:` around all that touches the pipeline, on whichever thread.

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
