"""The serial transport: one thread a port, so that an event loop that is busy does not age a reading.

The thread opens the port (with back-off, for ever) and stamps every read with the run's clock; it is the only
one that touches the port. What was read is decoded, in order and with the stamp it has, when it is fetched:
waking a thread and its caches costs more than the decoding, so the thread does as little as it can, and where
it can it does that outside the interpreter (`kept_reads`). Only a device that must be asked is decoded in the
thread, for the next question follows from the answer.

An unplug ends the connection, never the driver; the next connection starts with a new decoder, so no frame is
joined over the gap.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from abc import abstractmethod
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias, cast

from tipdatum_drivers.connection import Connection, LineDecoder, faults
from tipdatum_drivers.errors import PortError
from tipdatum_drivers.kept_reads import KeptReads, kept_reads
from tipdatum_drivers.options import Options as DriverOptions
from tipdatum_drivers.reading import Fault, Reading
from tipdatum_drivers.serial_port import SerialOptions, open_port, reader
from tipdatum_drivers.source import Clock, Driver, Emit, let_it_wait

if TYPE_CHECKING:
    import serial

FIRST_WAIT_S, LONGEST_WAIT_S, WAIT_GROWS = 0.1, 1.0, 1.6
"""Waits between attempts to open a port; the longest is what a replugged sensor may have to wait."""

STOOD_STILL_S = 1.0
"""Time between two reads, which wait for a twentieth of a second, after which the bytes are old."""

_Turn: TypeAlias = Callable[[bytes, float], list[Reading | Fault]]
__all__ = ["LineDecoder", "SerialDriver", "SerialOptions"]


class SerialDriver(Driver):
    """A device or several on one serial port. A driver adds its options and its decoder.

    Everything of `tipdatum_drivers.source.Driver` is done here but `Options` and `decoder`.
    """

    Options: ClassVar[type[DriverOptions]] = SerialOptions
    usual_bauds: Sequence[int] = (115200, 9600)
    keeps = True
    endless = True

    def __init__(self, options: DriverOptions) -> None:
        self.options = cast("SerialOptions", options)
        self._stop = threading.Event()
        # Each read in order: what makes items of it, its bytes and its time. Filled by the port's thread and
        # emptied by whoever fetches; appending and popping are atomic.
        self._came: deque[tuple[_Turn, bytes, float]] = deque()
        self._tell: Callable[[], None] | None = None
        self._kept: KeptReads | None = None

    @abstractmethod
    def decoder(self) -> LineDecoder:
        """A new decoder, for a new connection."""

    def reads(self, port: serial.SerialBase, timeout_s: float) -> Callable[[], bytes]:
        """A function that waits for `timeout_s` at most and returns what has come, b"" for nothing.

        It raises OSError when the port has gone. Only a device that speaks by other means than bytes has its
        own.
        """
        return reader(port, timeout_s)

    def advice(self) -> list[str]:
        """What a person should know about these options before the start, a sentence each."""
        port = self.options.port or ""
        if port.startswith(("/dev/ttyUSB", "/dev/ttyACM")):
            return [
                f"{port} may be another device after the next start; use its name in "
                "/dev/serial/by-id or a udev rule"
            ]
        return []

    @property
    def sensors(self) -> tuple[str, ...]:
        """The machine's sensors that hang on this port; a fault of the line is a fault of each."""
        named: Any = getattr(self.options, "sensor", None)
        return (named,) if isinstance(named, str) else tuple(named or ())

    @property
    def inputs(self) -> tuple[str, ...]:
        """The switches that hang on this port."""
        return tuple(getattr(self.options, "input", None) or ())

    @property
    def line(self) -> str:
        return self.options.port_words

    @property
    def _whose(self) -> tuple[str, ...]:
        """Whom a fault of the line concerns: every sensor on it, every switch where it has none."""
        return self.sensors or self.inputs or (self.line,)

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Deliver readings until cancelled; see `tipdatum_drivers.source.Driver.run`."""
        loop = asyncio.get_running_loop()
        ended = loop.create_future()

        def hand_over() -> None:
            for item in self.collect():
                emit(item)

        def wake() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has been closed
                loop.call_soon_threadsafe(hand_over)

        self._tell = self.on_read or wake
        self._stop.clear()
        self._came.clear()  # what the end of an earlier run may have left
        self._kept = None
        worker = threading.Thread(
            target=self._work, args=(clock,), name=f"port {self.options.port_words}", daemon=True
        )
        worker.start()
        try:
            await ended
        finally:
            self._stop.set()
            if self._kept is not None:
                self._kept.stop()
            self._came.clear()
            await asyncio.shield(asyncio.to_thread(worker.join, 2.0))

    def collect(self) -> list[Reading | Fault]:
        """What came since the last call, in order; nothing any more once the driver was stopped."""
        items: list[Reading | Fault] = []
        # Looked up first: what another connection keeps later comes behind what stands in the row by then.
        kept = self._kept
        while self._came and not self._stop.is_set():
            turn, data, t = self._came.popleft()
            items += turn(data, t)
        if kept is not None and not self._stop.is_set():
            items += kept.items()
        return items

    # -- in the port's thread ------------------------------------------------------------------------

    def _work(self, clock: Clock) -> None:
        waits = _waits()
        said = ""
        while not self._stop.is_set():
            try:
                decoder = self.decoder()
                with contextlib.closing(open_port(self.options, decoder.poll_s)) as port:
                    waits, said = _waits(), ""
                    self._converse(port, decoder, clock)
            except PortError as error:
                # Said once for as long as it lasts, not with every attempt.
                if str(error) != said:
                    said = str(error)
                    self._fault(clock(), "port", said)
            except OSError as error:
                # pyserial's own words ("device reports readiness to read but …") would help nobody.
                text = f"{self.options.port_words} has gone" + (
                    f" ({error.strerror})" if error.strerror else ""
                )
                self._fault(clock(), "unplugged", text)
            except Exception as error:
                # A mistake in one driver's decoder must not end the line: it starts anew and says so.
                self._fault(clock(), "driver error", f"{type(error).__name__}: {error}")
            self._stop.wait(next(waits))

    def _converse(self, port: serial.SerialBase, decoder: LineDecoder, clock: Clock) -> None:
        """Read and send until the port fails, falls silent for long, or the driver stops."""
        before = clock()
        line = Connection(self.options, self._whose, self.usual_bauds, decoder, before)
        if self._keep_outside(port, decoder, line, clock):
            return
        read, stopping, turn, asks = self.reads(port, decoder.poll_s), self._stop.is_set, line.turn, line.asks
        came, tell = self._came, self._tell
        while not (stopping() or line.over):
            if asks:
                send, items = decoder.poll(before)
                self._hand(items)
                if send:
                    port.write(send)
            data = read()
            now = clock()
            if now - before > STOOD_STILL_S:
                self._stood_still(now, now - before)
                return
            before = now
            if asks:
                self._hand(turn(data, now))
                continue
            came.append((turn, data, now))
            if len(came) == 1 and tell is not None:
                tell()

    def _keep_outside(
        self, port: serial.SerialBase, decoder: LineDecoder, line: Connection, clock: Clock
    ) -> bool:
        """Do the same outside the interpreter, to the same end. False where that cannot be."""
        own = type(self).reads is not SerialDriver.reads
        if own or line.asks or self.on_read is not let_it_wait:
            return False

        def turn(data: bytes, t: float) -> list[Reading | Fault]:
            items = line.turn(data, t)
            if line.over and kept is not None:
                kept.stop()
            return items

        kept = kept_reads(port, clock, turn)
        if kept is None:
            return False
        self._kept = kept
        try:
            # Had it been stopped before, nobody would have told what is followed from here on.
            gap = None if self._stop.is_set() else kept.follow(decoder.poll_s, STOOD_STILL_S)
        finally:
            # Before whatever is said of the end.
            self._came.append((lambda _data, _t: kept.items(), b"", 0.0))
        if gap is not None:
            self._stood_still(clock(), gap)
        return True

    def _stood_still(self, t: float, seconds: float) -> None:
        """What waited in the system's buffers would pass for new; opening anew throws it away."""
        text = f"the computer stood still for {seconds:.1f} s; what came meanwhile is too old"
        self._fault(t, "late", text)

    def _fault(self, t: float, kind: str, text: str) -> None:
        self._hand(faults(self._whose, t, kind, text))

    def _hand(self, items: list[Reading | Fault]) -> None:
        if not items:
            return
        self._came.append((lambda _data, _t: items, b"", 0.0))
        # Whoever was told of the first of them takes the others as well.
        if self._tell is not None and len(self._came) == 1:
            self._tell()


def _waits() -> Iterator[float]:
    wait = FIRST_WAIT_S
    while True:
        yield wait
        wait = min(LONGEST_WAIT_S, wait * WAIT_GROWS)
