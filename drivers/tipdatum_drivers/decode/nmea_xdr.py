"""NMEA 0183 XDR sentences with pitch and roll, as marine and antenna attitude sensors send them.

::

    $ttXDR,A,value,D,name,A,value,D,name,…*hh

==== ========================================================================================
part meaning
==== ========================================================================================
tt   talker, two characters; taken as it comes
A    angular displacement; groups of other types are skipped
D    degrees; an angle in another unit is skipped
name transducer name: PTCH, PITCH, ROLL, HEEL … are usage, not standard, so the options name them
hh   checksum: exclusive or of the characters between $ and *, two hexadecimal digits
==== ========================================================================================

The standard calls anticlockwise negative and leaves the axis to the maker: turn a sign with "-NAME". A
sentence without a checksum is refused unless the options allow it.
Source: public lists of NMEA 0183 sentences; examples of many makers in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import reduce
from operator import xor
from typing import Annotated, cast

from pydantic import Field

from tipdatum_drivers.decode.framing import Decoder, Delimited, Frame, Item
from tipdatum_drivers.fields import Field as Name
from tipdatum_drivers.fields import Numbers, SensorFields, reading_maker
from tipdatum_drivers.reading import Fault
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions

LONGEST = 250
"""Characters; the standard says 82, and sensors do not keep to it."""


class XdrOptions(SerialOptions):
    """`kind = "nmea-xdr"`: NMEA 0183 attitude sensors: pitch and roll of XDR sentences."""

    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 4800
    sensor: Annotated[dict[str, SensorFields], Field(min_length=1)]
    """Name of the machine's sensor → transducer names, such as { pitch = "PTCH", roll = "ROLL" }."""
    need_checksum: bool = True


class XdrDecoder(Decoder):
    """XDR sentences of one line; other sentences are none of its business."""

    def __init__(self, options: XdrOptions) -> None:
        super().__init__(options.line_of(options.sensor), Delimited(b"\n\r", LONGEST))
        self._need_checksum = options.need_checksum
        self._makers = [reading_maker(name, fields, _angle) for name, fields in options.sensor.items()]

    def frame(self, frame: Frame, t: float) -> Iterable[Item]:
        start = frame.data.rfind(b"$")
        if start < 0:
            return [Fault(t, self.source, "unreadable bytes", f"{len(frame.data)} bytes without $")]
        body, star, digits = frame.data[start + 1 :].partition(b"*")
        if star:
            if digits.strip().upper() != b"%02X" % reduce(xor, body, 0):
                return [Fault(t, self.source, "wrong checksum", _shown(frame.data))]
        elif self._need_checksum:
            return [Fault(t, self.source, "no checksum", _shown(frame.data))]
        if body[2:6] != b"XDR,":
            return []
        try:
            angles = _angles(body[6:].decode("ascii"))
        except ValueError:
            return [Fault(t, self.source, "bad value", _shown(frame.data))]
        return [reading for make in self._makers if (reading := make(t, angles)) is not None]


def _angles(groups: str) -> dict[str, float]:
    """Transducer name → degrees of every angle in the groups.

    Raises:
        ValueError: a value is no finite number.
    """
    parts = groups.split(",")
    found = {}
    for i in range(0, len(parts) - 3, 4):
        kind, value, unit, name = parts[i : i + 4]
        if kind == "A" and unit == "D" and value:
            number = float(value)
            if not math.isfinite(number):
                raise ValueError(value)
            found[name.strip()] = number
    return found


def _angle(name: Name, scale: float) -> Numbers[dict[str, float]]:
    def take(angles: dict[str, float]) -> float | None:
        value = angles.get(str(name))
        return None if value is None else value * scale

    return take


def _shown(data: bytes) -> str:
    return repr(data[:60].decode("ascii", "replace"))


class XdrDriver(SerialDriver):
    """A sensor that sends NMEA 0183."""

    Options = XdrOptions
    usual_bauds = (4800, 38400, 9600, 115200)

    def decoder(self) -> XdrDecoder:
        return XdrDecoder(cast("XdrOptions", self.options))
