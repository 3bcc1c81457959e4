"""The serial transport: one thread a port, so that an event loop that is busy does not age a reading.

The thread opens the port (with back-off, for ever), stamps every read with the run's clock, decodes and hands
the items to the event loop in order. It is the only one that touches the port and the decoder. An unplug ends
the connection, never the driver; the next connection starts with a new decoder, so no frame is joined over
the gap.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, Protocol, cast

from pydantic import BaseModel

from tipdatum_drivers.errors import PortError
from tipdatum_drivers.line_watch import LineWatch
from tipdatum_drivers.reading import Fault, Reading
from tipdatum_drivers.serial_port import SerialOptions, open_port
from tipdatum_drivers.source import Clock, Emit

if TYPE_CHECKING:
    import serial

FIRST_WAIT_S, LONGEST_WAIT_S, WAIT_GROWS = 0.1, 1.0, 1.6
"""Waits between attempts to open a port; the longest is what a replugged sensor may have to wait."""

STOOD_STILL_S = 1.0
"""Time between two reads, which wait for a twentieth of a second, after which the bytes are old."""

__all__ = ["LineDecoder", "SerialDriver", "SerialOptions"]


class LineDecoder(Protocol):
    """What a serial driver needs of its decoder (`decode.framing.Decoder` has it all)."""

    poll_s: float
    """How often `poll` wants to be called, s."""

    def feed(self, data: bytes, t: float) -> list[Reading | Fault]: ...

    def poll(self, t: float) -> tuple[bytes, list[Reading | Fault]]:
        """Bytes to send now, and what the time that passed means (a device that did not answer)."""


class SerialDriver(ABC):
    """A device or several on one serial port. A driver adds its options and its decoder.

    `usual_bauds` are the rates that such devices have, the most usual first.
    """

    Options: type[BaseModel] = SerialOptions
    usual_bauds: Sequence[int] = (115200, 9600)

    def __init__(self, options: BaseModel) -> None:
        self.options = cast("SerialOptions", options)
        self._stop = threading.Event()
        self._port: serial.SerialBase | None = None

    @abstractmethod
    def decoder(self) -> LineDecoder:
        """A new decoder, for a new connection."""

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
        return (named,) if isinstance(named, str) else tuple(named or ()) or (self.options.port_words,)

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Deliver readings until cancelled; see `tipdatum_drivers.source.Driver.run`."""
        loop = asyncio.get_running_loop()
        ended = loop.create_future()

        def hand_over(items: Sequence[Reading | Fault]) -> None:
            if not self._stop.is_set():
                for item in items:
                    emit(item)

        def deliver(items: Sequence[Reading | Fault]) -> None:
            if items:
                with contextlib.suppress(RuntimeError):  # the loop has been closed
                    loop.call_soon_threadsafe(hand_over, items)

        self._stop.clear()
        worker = threading.Thread(
            target=self._work, args=(deliver, clock), name=f"port {self.options.port_words}", daemon=True
        )
        worker.start()
        try:
            await ended
        finally:
            self._stop.set()
            port = self._port
            if port is not None and hasattr(port, "cancel_read"):
                with contextlib.suppress(Exception):  # closed by the thread in this very moment
                    port.cancel_read()
            await asyncio.shield(asyncio.to_thread(worker.join, 2.0))

    # -- in the port's thread ------------------------------------------------------------------------

    def _work(self, deliver: Callable[[Sequence[Reading | Fault]], None], clock: Clock) -> None:
        waits = _waits()
        said = ""
        while not self._stop.is_set():
            try:
                decoder = self.decoder()
                with contextlib.closing(open_port(self.options, decoder.poll_s)) as port:
                    self._port = port
                    waits, said = _waits(), ""
                    self._converse(port, decoder, deliver, clock)
            except PortError as error:
                # Said once for as long as it lasts, not with every attempt.
                if str(error) != said:
                    said = str(error)
                    deliver(self._faults(clock(), "port", said))
            except OSError as error:
                # pyserial's own words ("device reports readiness to read but …") would help nobody.
                text = f"{self.options.port_words} has gone" + (
                    f" ({error.strerror})" if error.strerror else ""
                )
                deliver(self._faults(clock(), "unplugged", text))
            except Exception as error:
                # A mistake in one driver's decoder must not end the line: it starts anew and says so.
                deliver(self._faults(clock(), "driver error", f"{type(error).__name__}: {error}"))
            finally:
                self._port = None
            self._stop.wait(next(waits))

    def _converse(
        self,
        port: serial.SerialBase,
        decoder: LineDecoder,
        deliver: Callable[[Sequence[Reading | Fault]], None],
        clock: Clock,
    ) -> None:
        """Read, decode and send until the port fails, falls silent for long, or the driver stops."""
        options = self.options
        watch = LineWatch(options.port_words, options.baud, self.usual_bauds, options.silent_after_s)
        now = clock()
        watch.opened(now)
        while not self._stop.is_set():
            before = now
            send, items = decoder.poll(clock())
            deliver(items)
            if send:
                port.write(send)
            # One read waits, the next takes all that has come with the first byte: one turn a frame.
            data = port.read(1)
            if data and (more := port.in_waiting):
                data += port.read(more)
            now = clock()
            if now - before > STOOD_STILL_S:
                # What waited in the system's buffers would pass for new; opening anew throws it away.
                text = f"the computer stood still for {now - before:.1f} s; what came meanwhile is too old"
                deliver(self._faults(now, "late", text))
                return
            if data:
                items = decoder.feed(data, now)
                watch.heard(len(data), sum(not isinstance(item, Fault) for item in items), now)
                deliver(items)
            verdict = watch.verdict(now)
            if verdict is not None:
                deliver(self._faults(now, *verdict))
            if watch.wants_reopening(now):
                return

    def _faults(self, t: float, kind: str, text: str) -> list[Fault]:
        return [Fault(t, sensor, kind, text) for sensor in self.sensors]


def _waits() -> Iterator[float]:
    wait = FIRST_WAIT_S
    while True:
        yield wait
        wait = min(LONGEST_WAIT_S, wait * WAIT_GROWS)
