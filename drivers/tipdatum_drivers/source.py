"""The protocol that every driver fulfils: all that the service asks of one, and the defaults.

A driver is one module with an options model and a class derived from `Driver`; the entry-point group
`tipdatum.drivers` maps a name to the class. What has to be there is `Options` and `run`; everything else
has a default, which is overridden where the source offers more. Most drivers derive from
`tipdatum_drivers.serial_driver.SerialDriver`, which leaves only the decoder to write.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, TypeAlias

from tipdatum_drivers.options import Options as DriverOptions
from tipdatum_drivers.reading import Fault, Reading, Record, SessionHeader

Emit: TypeAlias = Callable[[Record | Fault], None]
Clock: TypeAlias = Callable[[], float]
OnPass: TypeAlias = Callable[[SessionHeader | None, float], None]
"""Called at the start of each pass with the header (None for a CSV log) and the clock time of its t = 0."""


def let_it_wait() -> None:
    """`Driver.on_read` of whoever fetches by and by what is kept, and need not be told of it."""


@dataclass(frozen=True)
class Guess:
    """A driver that may understand a line, and the options that would read what was heard.

    Attributes:
        kind: the driver. share: part of what came that is whole and understood, 0 to 1. words: what was seen,
            for a person.
        options: under made-up names, without the port. complete: whether they are enough to read it.
        missing: lines of the driver's table that only a person can fill in, as examples.
        proven: whether a checksum or a frame that noise hardly makes says so.
    """

    kind: str
    share: float
    words: str
    options: dict[str, Any] = field(default_factory=dict)
    complete: bool = True
    missing: tuple[str, ...] = ()
    proven: bool = False


class Driver(ABC):
    """A source of readings, running as one task of the service.

    Args:
        options: checked ones, an instance of the class's `Options`.

    Attributes:
        Options: the model of the driver's `[[driver]]` table; unknown keys and wrong values are refused by it
            before the driver is made.
        usual_bauds: rates that such devices have, the most usual first; for `sniff` and the advice about a
            wrong rate.
        speed: times real speed at which the source wants the run's clock to go (a recording); 0: as fast as
            it goes.
        lateness_s: how much later than its `t` a record may be handed over, s, by a source that stamps them
            itself. Ticks and commands wait so long for it.
        keeps: whether what is read is kept until `collect` fetches it, instead of going to `emit`.
        endless: whether it is known never to come to an end by itself, as a live line.
        on_read: set by whoever collects, before `run`; called from the driver's own thread whenever there is
            something to fetch. None: all goes to `emit`; `let_it_wait`: need not be called.
        on_pass: set by whoever wants to know when a recording begins (again).
    """

    Options: ClassVar[type[DriverOptions]]
    usual_bauds: Sequence[int] = ()
    speed: float = 1.0
    lateness_s: float = 0.0
    keeps: bool = False
    endless: bool = False
    on_read: Callable[[], None] | None = None
    on_pass: OnPass | None = None

    @abstractmethod
    def __init__(self, options: DriverOptions) -> None: ...

    @classmethod
    def recognise(cls, data: bytes) -> Guess | None:
        """What some bytes of an unknown line are, for `tipdatum sniff`; None where they are none of its."""
        del data
        return None

    @abstractmethod
    async def run(self, emit: Emit, clock: Clock) -> None:
        """Deliver readings until cancelled, or until the source has come to its end.

        Never raises for what the line or the device does: that is a `Fault`, and the driver tries again.

        Args:
            emit: takes each reading or fault, in order, from the event loop's thread.
            clock: the run's monotonic clock, seconds.

        Raises:
            InputError: the options name something that cannot exist (a missing session file).
        """

    @property
    def sensors(self) -> tuple[str, ...]:
        """The machine's sensors whose readings it brings, as far as the options tell; () if they do not."""
        return ()

    @property
    def inputs(self) -> tuple[str, ...]:
        """The switches whose state it brings; one that is called like a laser receiver is its contact."""
        return ()

    @property
    def line(self) -> str:
        """How a person calls the line, for faults that are no single sensor's; empty for none."""
        return ""

    def prepare(self) -> None:
        """Look at what the options name (files), before anything starts. `tipdatum check` does so too.

        Raises:
            InputError: it cannot be used.
        """
        return

    def advice(self) -> list[str]:
        """What a person should know about these options before the start, a sentence each."""
        return []

    def collect(self) -> list[Reading | Fault]:
        """What came since the last call, in order, each with its own time. From one thread at a time."""
        return []
