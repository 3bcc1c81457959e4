"""One opening of a serial port, from its first byte to its last: decoder and watch over the line, sans-IO."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from tipdatum_drivers.decode.framing import Decoder
from tipdatum_drivers.line_watch import LineWatch
from tipdatum_drivers.reading import Fault, Reading
from tipdatum_drivers.serial_port import SerialOptions


class LineDecoder(Protocol):
    """What a serial driver needs of its decoder (`decode.framing.Decoder` has it all)."""

    poll_s: float
    """How often `poll` wants to be called, s."""

    def feed(self, data: bytes, t: float) -> list[Reading | Fault]: ...

    def poll(self, t: float) -> tuple[bytes, list[Reading | Fault]]:
        """Bytes to send now, and what the time that passed means (a device that did not answer)."""


class Connection:
    """What comes in, from the first byte of a connection to its last.

    Args:
        options: of the port. sensors: whom a fault of the line concerns. usual_bauds: rates that such devices
            have. decoder: a new one. t: when the port was opened, s.

    Attributes:
        asks: whether the decoder speaks to the device, so that it must hear each answer at once.
        over: whether the port should be opened anew.
    """

    def __init__(
        self,
        options: SerialOptions,
        sensors: Sequence[str],
        usual_bauds: Sequence[int],
        decoder: LineDecoder,
        t: float,
    ) -> None:
        self._sensors, self._decoder = sensors, decoder
        self._watch = LineWatch(options.port_words, options.baud, usual_bauds, options.silent_after_s)
        self._watch.opened(t)
        self.asks = getattr(type(decoder), "poll", None) is not Decoder.poll
        self.over = False

    def turn(self, data: bytes, t: float) -> list[Reading | Fault]:
        """What the bytes that were read at `t` (s) mean, and what it means if none came."""
        if self.over:
            return []  # the rest of a line that is given up
        items: list[Reading | Fault] = []
        watch = self._watch
        if data:
            try:
                items += self._decoder.feed(data, t)
            except Exception as error:
                # A mistake in one driver's decoder must not end the line: it starts anew and says so.
                self.over = True
                return faults(self._sensors, t, "driver error", f"{type(error).__name__}: {error}")
            watch.heard(len(data), any(not isinstance(item, Fault) for item in items), t)
        verdict = watch.verdict(t)
        if verdict is not None:
            items += faults(self._sensors, t, *verdict)
        self.over = watch.wants_reopening(t)
        return items


def faults(sensors: Sequence[str], t: float, kind: str, text: str) -> list[Reading | Fault]:
    """The same fault of each sensor of a line."""
    return [Fault(t, sensor, kind, text) for sensor in sensors]
