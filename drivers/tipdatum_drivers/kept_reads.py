"""A port's reads, stamped and kept outside the interpreter, where that was compiled (`_kept.c`).

A thread that wakes in Python for every read waits for the interpreter's lock, which may be the length of a
tick, and fetches code into cold caches, which costs more than the read. What is here waits, reads and stamps
without either. It can be used where reads wait to be fetched anyway, where nothing is asked of the device,
and where the run's clock is the computer's. Elsewhere `serial_driver` does the same in Python.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Any

from tipdatum_drivers.source import Clock

if TYPE_CHECKING:
    import serial

    from tipdatum_drivers._kept import Kept

PURE = "TIPDATUM_PURE"
"""Environment variable that leaves compiled code aside where it is set to anything but nothing or 0."""
CLOCK = "clock_gettime(CLOCK_MONOTONIC)"
"""What the compiled code stamps by. Python's own monotonic clock is another one on some systems, where one of
the two goes on while the computer sleeps."""


@cache
def built() -> Any:
    """The compiled module, None where there is none or none is wanted."""
    if os.environ.get(PURE, "0") not in ("", "0"):
        return None
    if time.get_clock_info("monotonic").implementation != CLOCK:
        return None
    try:
        from tipdatum_drivers import _kept
    except ImportError:
        return None
    return _kept


class KeptReads:
    """The reads of one opening of a port.

    Args:
        kept: an object of the compiled module. number: of the system's file. zero_s: what the computer's
            monotonic clock read when the run's stood at 0, s.
        turn: makes items of a read's bytes and time.
    """

    def __init__(self, kept: Kept, number: int, zero_s: float, turn: Callable[[bytes, float], Any]) -> None:
        self._kept, self._number, self._zero, self._turn = kept, number, zero_s, turn

    def follow(self, wait_s: float, longest_s: float) -> float | None:
        """Keep reads until `stop`, in the port's thread; one without bytes for each `wait_s` of silence.

        Returns how long the computer stood still where it was longer than `longest_s`, None after `stop`.

        Raises:
            OSError: the port has gone.
        """
        return self._kept.follow(self._number, max(1, round(wait_s * 1000.0)), longest_s)

    def stop(self) -> None:
        """Have `follow` return, after its wait at the latest."""
        self._kept.stop()

    def items(self) -> list[Any]:
        """What is made of the reads since the last call, in order and with their own times."""
        found: list[Any] = []
        zero, turn = self._zero, self._turn
        for data, t in self._kept.take():
            found += turn(data, t - zero)
        return found


def kept_reads(
    port: serial.SerialBase, clock: Clock, turn: Callable[[bytes, float], Any]
) -> KeptReads | None:
    """Reads of an open port kept outside the interpreter, None where that cannot be."""
    module = built()
    zero = 0.0 if clock is time.monotonic else getattr(clock, "zero_s", None)
    if module is None or zero is None:
        return None
    try:
        number = port.fileno()
    except (OSError, AttributeError):  # a line that is no file of the system
        return None
    return KeptReads(module.Kept(), number, zero, turn)
