"""One opening of a serial port, from its first byte to its last: decoder and watch over the line, sans-IO.

What a line's traffic says about the line is silence, or bytes that never become a reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Protocol

from msgspec.structs import replace

from tipdatum_drivers.presence import STALE_S
from tipdatum_drivers.reading import Fault, Imu, Reading, Tilt
from tipdatum_drivers.serial_port import SerialOptions

LEAST_BYTES = 64
"""Bytes without a reading that make a judgement; a few may be the rest of a frame."""
REOPEN_AFTER = 10.0
"""Silences (times `silent_after_s`) after which the port is opened anew, as some adapters need. Long enough
for a board that restarts whenever its port is opened."""


class LineWatch:
    """Watches one open port; every method takes the time, s.

    Args:
        port: the port's name. baud: its rate. usual_bauds: rates that devices of this kind have.
        silent_after_s: silence to be said; 0: never.
    """

    def __init__(self, port: str, baud: int, usual_bauds: Sequence[int], silent_after_s: float) -> None:
        self._port, self._baud = port, baud
        self._others = [rate for rate in usual_bauds if rate != baud][:3]
        self._silent_after = silent_after_s
        self._heard = self._read = 0.0
        self._bytes = 0
        self._said_silent = self._said_garbled = False

    def opened(self, t: float) -> None:
        """The port has been opened."""
        self._heard = self._read = t
        self._bytes = 0

    def heard(self, count: int, readings: bool, t: float) -> None:
        """`count` bytes came in, and whether readings came of them."""
        self._heard = t
        self._said_silent = False
        self._bytes += count
        if readings:
            self._read, self._bytes, self._said_garbled = t, 0, False

    def verdict(self, t: float) -> tuple[str, str] | None:
        """Kind and text of a fault that has just become certain; each is said once until it is over."""
        limit = self._silent_after
        if not limit:
            return None
        if t - self._heard > limit and not self._said_silent:
            self._said_silent = True
            return "silent", (
                f"{self._port} is open, but nothing has come for {limit:g} s: is the sensor powered, are the "
                "lines (TX and RX, or A and B) connected and not swapped?"
            )
        if t - self._read > limit and self._bytes >= LEAST_BYTES and not self._said_garbled:
            self._said_garbled = True
            rates = " or ".join(map(str, self._others))
            question = f": is the rate {rates}?" if rates else ": is this the right format?"
            return (
                "nothing decodes",
                f"bytes arrive from {self._port} at {self._baud} baud, nothing decodes{question}",
            )
        return None

    def wants_reopening(self, t: float) -> bool:
        """Whether the silence is so long that the port should be opened anew."""
        return bool(self._silent_after) and t - self._heard > REOPEN_AFTER * self._silent_after


class HeldBack:
    """Tells readings apart that an adapter or a busy computer has held back and hands over in one read.

    What no device has stamped counts from its arrival. That is true of the newest; those before it, all
    with the same time, would pass for new as well. A sensor speaks evenly, so they share the time since the
    read before; after a silence they stand as far apart as they did before it.
    """

    def __init__(self) -> None:
        self._before: dict[str, tuple[float, float]] = {}
        """Of each sensor, when it was read last, and how far apart its readings were then, s."""

    def told_apart(self, items: list[Reading | Fault], t: float) -> list[Reading | Fault]:
        """The items of a read at `t`, s, all but a sensor's newest with the time of their sampling."""
        ahead: dict[str, int] = {}
        for item in items:
            if isinstance(item, (Imu, Tilt)) and item.t_sample is None:
                ahead[item.sensor] = ahead.get(item.sensor, 0) + 1
        for name, count in ahead.items():
            last, usual = self._before.get(name, (t, 0.0))
            even = (t - last) / count
            self._before[name] = t, (min(even, usual or even) if t - last > STALE_S else even)
        if len(ahead) in (0, len(items)):
            return items  # stamped, or one of each sensor
        return [self._in_its_place(item, ahead, t) for item in items]

    def _in_its_place(self, item: Reading | Fault, ahead: dict[str, int], t: float) -> Reading | Fault:
        if not isinstance(item, (Imu, Tilt)) or item.t_sample is not None:
            return item
        ahead[item.sensor] -= 1
        behind = ahead[item.sensor] * self._before[item.sensor][1]
        return replace(item, t_sample=t - behind) if behind > 0.0 else item


class LineDecoder(Protocol):
    """What a serial driver needs of its decoder (`decode.framing.Decoder` has it all)."""

    poll_s: float
    """How often `poll` wants to be called, s."""
    asks: ClassVar[bool]
    """Whether `poll` ever sends anything."""

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
        self._held_back = HeldBack()
        self.asks = decoder.asks
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
            for item in items:
                if not isinstance(item, Fault):
                    # Of a line that has just told a reading nothing else is to be said.
                    watch.heard(len(data), True, t)
                    return self._held_back.told_apart(items, t)
            watch.heard(len(data), False, t)
        verdict = watch.verdict(t)
        if verdict is not None:
            items += faults(self._sensors, t, *verdict)
        self.over = watch.wants_reopening(t)
        return items


def faults(sensors: Sequence[str], t: float, kind: str, text: str) -> list[Reading | Fault]:
    """The same fault of each sensor of a line."""
    return [Fault(t, sensor, kind, text) for sensor in sensors]
