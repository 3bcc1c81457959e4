"""Inclinometers on a CAN bus behind a USB adapter that speaks SLCAN text (also called the Lawicel protocol).

::

    tIIIL DD…\\r      11-bit identifier III, length L, L bytes in hexadecimal
    TIIIIIIIIL DD…\\r 29-bit identifier; four digits more may follow as a stamp; r and R are remote requests

============================ ======================== ===============================================
frame                        bytes (little-endian)    scaling
============================ ======================== ===============================================
CiA 410 TPDO1, 180h + node   long i16, lateral i16    times the part's resolution (object 6000h)
the same with 32 bits        long i32, lateral i32    the same
J1939 PGN 61459 (0F013h)     pitch u16, roll u16      0.002°/bit - 64°; byte 8 latency, 0.5 ms/bit
J1939 PGN 61481 (0F029h)     pitch u24, roll u24      (1/32768)°/bit - 250°
J1939 address claimed 0EE00h name u64                 the device's identity
CiA 301 SDO answer, 580h     43 18 10 04 serial u32   identity object 1018h sub 4, asked at the start
============================ ======================== ===============================================

J1939 values above FAh in the high byte mean error or not available. Axes: SAE J670 with z down, x forward
(pitch positive nose up, roll positive right side down), which for both angles has the signs of this project;
a part with z up says `z_up = true` and has the opposite pitch.
Sources: SICK TMM61 and SIKO IK360 manuals (CiA 410 objects), Axiomatic UMAX0608XX and ifm JD manuals (J1939
slope messages), CAN in Automation 301 for the identity object (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Annotated, Literal, cast

from pydantic import Field, model_validator

from tipdatum_drivers.decode.framing import Decoder, Delimited, Frame, Item
from tipdatum_drivers.options import Misfit, Options
from tipdatum_drivers.reading import Fault, Identity, Tilt
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions

LONGEST = 32
SSI, SSI2, ADDRESS_CLAIMED = 61459, 61481, 60928
BITRATES = {10: 0, 20: 1, 50: 2, 100: 3, 125: 4, 250: 5, 500: 6, 800: 7, 1000: 8}
_FRAME = re.compile(rb"(?:t([0-9A-Fa-f]{3})|T([0-9A-Fa-f]{8}))([0-8])((?:[0-9A-Fa-f]{2})*)")


class CanSensor(Options):
    """One inclinometer on the bus."""

    protocol: Literal["cia410", "j1939"]
    address: Annotated[int, Field(ge=0, le=253)]
    """Node id (CiA 410) or source address (J1939)."""
    resolution_deg: Annotated[float, Field(gt=0, le=1)] = 0.01
    """Of CiA 410: what the part's object 6000h says, in degrees."""
    wide: bool = False
    """CiA 410 with 32-bit angles."""
    single_axis: bool = False
    """CiA 410: the long angle alone, of a 360° part."""
    z_up: bool = False
    """The part's z axis points up, so that its pitch is positive nose down."""


class SlcanOptions(SerialOptions):
    """`kind = "slcan"`: CiA 410 and J1939 inclinometers on CAN, behind a USB adapter with SLCAN."""

    bitrate_kbps: Literal[10, 20, 50, 100, 125, 250, 500, 800, 1000] = 250
    listen_only: bool = False
    """Send nothing on the bus; then no serial number is asked of CiA 410 parts."""
    sensor: Annotated[dict[str, CanSensor], Field(min_length=1)]

    @model_validator(mode="after")
    def _addresses_differ(self) -> SlcanOptions:
        taken = [(sensor.protocol, sensor.address) for sensor in self.sensor.values()]
        if len(set(taken)) != len(taken):
            raise Misfit("sensor", "an address twice", "one of its own for every sensor of a protocol")
        return self


class SlcanDecoder(Decoder):
    """Frames of one adapter."""

    asks = True

    def __init__(self, options: SlcanOptions) -> None:
        super().__init__(options.line_of(options.sensor), Delimited(b"\r\a\n", LONGEST))
        self._options = options
        self._nodes = _by_address(options, "cia410")
        self._sources = _by_address(options, "j1939")
        self._strangers: set[str] = set()
        self._greeted = False

    def poll(self, t: float) -> tuple[bytes, list[Item]]:
        if self._greeted:
            return b"", []
        self._greeted = True
        opening = "L" if self._options.listen_only else "O"
        # A leading end closes whatever the adapter had half read; C closes a channel left open.
        send = f"\r\rC\rS{BITRATES[self._options.bitrate_kbps]}\r{opening}\r"
        if not self._options.listen_only:
            send += "".join(f"t{0x600 + node:03X}84018100400000000\r" for node in self._nodes)
        return send.encode(), []

    def frame(self, frame: Frame, t: float) -> Iterable[Item]:
        text = frame.data
        if text[:1] not in (b"t", b"T"):
            return ()  # answers of the adapter (z, Z, versions) and remote requests
        match = _FRAME.match(text)
        size = int(match[3]) if match else 0
        # After the data nothing may stand but the adapter's stamp of four digits.
        if match is None or len(match[4]) not in (2 * size, 2 * size + 4) or match.end() != len(text):
            return (
                Fault(t, self.source, "unreadable bytes", repr(text[:LONGEST].decode("ascii", "replace"))),
            )
        data = bytes.fromhex(match[4].decode())[:size]
        if match[1]:
            return self._canopen(int(match[1], 16), data, t)
        return self._j1939(int(match[2], 16), data, t)

    def _canopen(self, identifier: int, data: bytes, t: float) -> Iterator[Item]:
        function, node = identifier & 0x780, identifier & 0x7F
        known = self._nodes.get(node)
        if function == 0x580 and known and data[:4] == b"\x43\x18\x10\x04" and len(data) == 8:
            yield Identity(t, known[0], f"{int.from_bytes(data[4:], 'little'):08X}")
        if function != 0x180:
            return
        if known is None:
            yield from self._stranger(f"CiA 410 node {node}", t)
            return
        name, sensor = known
        width = 4 if sensor.wide else 2
        count = 1 if sensor.single_axis else 2
        if len(data) < count * width:
            yield Fault(t, name, "wrong length", f"{len(data)} bytes, expected {count * width}")
            return
        angles = [
            int.from_bytes(data[i * width : (i + 1) * width], "little", signed=True) * sensor.resolution_deg
            for i in range(count)
        ]
        sign = -1.0 if sensor.z_up else 1.0
        if sensor.single_axis:
            yield Tilt(t, name, angle_deg=sign * angles[0])
        else:
            yield Tilt(t, name, pitch_deg=sign * angles[0], roll_deg=angles[1])

    def _j1939(self, identifier: int, data: bytes, t: float) -> Iterator[Item]:
        group, source = identifier >> 8 & 0x3FFFF, identifier & 0xFF
        if group & 0xFF00 < 0xF000:
            group &= 0x3FF00  # the low byte is a destination
        if group not in (SSI, SSI2, ADDRESS_CLAIMED) or len(data) != 8:
            return
        known = self._sources.get(source)
        if known is None:
            if group != ADDRESS_CLAIMED:
                yield from self._stranger(f"J1939 source {source}", t)
            return
        name, sensor = known
        if group == ADDRESS_CLAIMED:
            yield Identity(t, name, f"{int.from_bytes(data, 'little'):016X}")
            return
        size = 2 if group == SSI else 3
        raw = [int.from_bytes(data[i * size : (i + 1) * size], "little") for i in (0, 1)]
        if any(value >> 8 * (size - 1) > 0xFA for value in raw):
            yield Fault(t, name, "device says fault", "pitch or roll is marked as error or not available")
            return
        scale, offset = (0.002, -64.0) if group == SSI else (1.0 / 32768.0, -250.0)
        pitch, roll = (value * scale + offset for value in raw)
        stamp = t - 0.0005 * data[7] if group == SSI and data[7] <= 0xFA else None
        yield Tilt(t, name, pitch_deg=-pitch if sensor.z_up else pitch, roll_deg=roll, t_sample=stamp)

    def _stranger(self, who: str, t: float) -> Iterator[Item]:
        if who not in self._strangers:
            self._strangers.add(who)
            yield Fault(t, who, "unknown sensor", f"{who} is not in the driver's table")


def _by_address(options: SlcanOptions, protocol: str) -> dict[int, tuple[str, CanSensor]]:
    sensors = options.sensor.items()
    return {sensor.address: (name, sensor) for name, sensor in sensors if sensor.protocol == protocol}


class SlcanDriver(SerialDriver):
    """Inclinometers behind an SLCAN adapter."""

    Options = SlcanOptions
    usual_bauds = (115200, 1000000, 2000000)

    def decoder(self) -> SlcanDecoder:
        return SlcanDecoder(cast("SlcanOptions", self.options))
