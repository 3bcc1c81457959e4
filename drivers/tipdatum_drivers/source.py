"""The protocol that every driver fulfils, and how the service finds one by name.

A driver is one module with an options model and a class; the entry-point group `tipdatum.drivers` maps a
name to the class. The class decodes nothing itself: it opens what has to be opened, stamps what comes in
with `clock()` and hands decoded readings and counted faults to `emit`, both inside the event loop.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeAlias, runtime_checkable

from pydantic import BaseModel

from tipdatum_drivers.reading import Fault, Reading, Record

Emit: TypeAlias = Callable[[Record | Fault], None]
Clock: TypeAlias = Callable[[], float]


class Driver(Protocol):
    """A source of readings, running as one task of the service."""

    Options: type[BaseModel]

    def __init__(self, options: BaseModel) -> None: ...

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Deliver readings until cancelled, or until the source has come to its end.

        Never raises for what the line or the device does: that is a `Fault`, and the driver tries again.

        Args:
            emit: takes each reading or fault, in order, from the event loop's thread.
            clock: the run's monotonic clock, seconds.

        Raises:
            InputError: the options name something that cannot exist (a missing session file).
        """


@runtime_checkable
class Collectable(Protocol):
    """A driver that keeps what it reads until it is fetched, which spares a wake for each read.

    Attributes:
        on_read: called from the driver's own thread whenever there is something to fetch. To be set before
            `run` by whoever fetches; None, as it is at first: all goes to `emit`.
    """

    on_read: Callable[[], None] | None

    def collect(self) -> list[Reading | Fault]:
        """What came since the last call, in order, each with its own time. From one thread at a time."""
