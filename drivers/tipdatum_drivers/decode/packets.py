"""Binary packets for those who write their own firmware: COBS frames with a CRC, several sensors in one.

A packet is `type, sequence, body, CRC`, COBS-encoded and ended by a zero byte; numbers are little-endian. The
CRC is CRC-32/ISO-HDLC (zlib's crc32) over everything before it. The page `docs/packet.md` is the contract;
encoders in C and MicroPython lie beside this package in `firmware/`.

==== ======== ==========================================================================================
type name     body
==== ======== ==========================================================================================
0x01 imu      time u32 µs, then for each sensor: id u8, accel 3 i16 (0.005 m/s²), gyro 3 i16 (1/800 rad/s)
0x02 tilt     time u32 µs, then for each sensor: id u8, pitch i32, roll i32 (0.001°)
0x03 angle    time u32 µs, then for each sensor: id u8, angle i32 (0.001°)
0x04 inputs   time u32 µs, states u8 (bit 0 is input 0)
0x05 warmth   for each sensor: id u8, temperature i16 (0.01 °C)
0x06 hello    id u8, serial number (1 to 24 bytes of ASCII)
==== ======== ==========================================================================================

COBS: Cheshire and Baker, Consistent Overhead Byte Stuffing, 1999.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from typing import Annotated, cast

from pydantic import Field, model_validator

from tipdatum_drivers.clock_map import ClockMap
from tipdatum_drivers.decode.framing import Decoder, Delimited, Frame, Item
from tipdatum_drivers.options import Misfit
from tipdatum_drivers.reading import Fault, Identity, Imu, Input, Slew, Tilt
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions

ACCEL_LSB_MPS2 = 0.005
GYRO_LSB_RADPS = 1.0 / 800.0
LONGEST = 255
"""Bytes of an encoded packet: 18 sensors fit."""
HELLO_LONGEST = 24

_IMU = struct.Struct("<Bhhhhhh")
_TILT = struct.Struct("<Bii")
_ANGLE = struct.Struct("<Bi")
_WARMTH = struct.Struct("<Bh")
_TIME = struct.Struct("<I")


Id = Annotated[int, Field(ge=0, le=255)]


class PacketsOptions(SerialOptions):
    """`kind = "packets"`: own firmware on a microcontroller with one or several sensors."""

    sensor: dict[str, Id] = Field(default_factory=dict)
    """Name of the machine's sensor → its id in the packets."""
    slew: dict[str, Id] = Field(default_factory=dict)
    """The same for slew encoders, which send angles."""
    input: dict[str, Annotated[int, Field(ge=0, le=7)]] = Field(default_factory=dict)
    """Name of a switch or button → its bit."""
    device_time: bool = True
    """Map the stamps of the microcontroller; without it only the arrival counts."""

    @model_validator(mode="after")
    def _ids_differ(self) -> PacketsOptions:
        ids = [*self.sensor.values(), *self.slew.values()]
        if len(set(ids)) != len(ids) or not (ids or self.input):
            raise Misfit("sensor", f"ids {ids}", "each id once, such as { boom = 1, stick = 2 }")
        return self


class PacketsDecoder(Decoder):
    """Packets of one microcontroller."""

    def __init__(self, options: PacketsOptions) -> None:
        super().__init__(options.line_of([*options.sensor, *options.slew]), Delimited(b"\0", LONGEST))
        self._names = {number: name for name, number in options.sensor.items()}
        self._slews = {number: name for name, number in options.slew.items()}
        self._inputs = options.input
        self._clock = ClockMap() if options.device_time else None
        self._warmth: dict[int, float] = {}
        self._sequence: int | None = None
        self._strangers: set[int] = set()
        self._bodies: dict[int, Callable[[bytes, float], list[Item]]] = {
            1: self._imu,
            2: self._tilt,
            3: self._angle,
            4: self._states,
            5: self._temperatures,
            6: self._hello,
        }

    def frame(self, frame: Frame, t: float) -> list[Item]:
        packet = cobs_decoded(frame.data)
        if packet is None or len(packet) < 7:
            return [Fault(t, self.source, "unreadable bytes", f"{len(frame.data)} bytes are no packet")]
        content = packet[:-4]
        if zlib.crc32(content) != int.from_bytes(packet[-4:], "little"):
            return [Fault(t, self.source, "wrong checksum", f"packet of {len(packet)} bytes")]
        kind, sequence, body = content[0], content[1], content[2:]
        items = self._sequence_gap(sequence, t)
        read = self._bodies.get(kind)
        if read is None:
            return items  # a later version's packet
        try:
            items += read(body, t)
        except (struct.error, UnicodeDecodeError):
            # The checksum is right, so the firmware wrote it so.
            items.append(Fault(t, self.source, "wrong length", f"packet type {kind} with {len(body)} bytes"))
        return items

    def _sequence_gap(self, sequence: int, t: float) -> list[Item]:
        before, self._sequence = self._sequence, sequence
        missing = 0 if before is None else (sequence - before - 1) % 256
        if not missing:
            return []
        return [Fault(t, self.source, "packets lost", f"{missing} missing before number {sequence}")]

    def _stranger(self, number: int, t: float) -> list[Item]:
        """A fault, once for each id that nobody described."""
        if number in self._strangers:
            return []
        self._strangers.add(number)
        return [Fault(t, f"id {number}", "unknown sensor", f"id {number} is not in the driver's table")]

    def _stamp(self, body: bytes, t: float) -> float | None:
        (count,) = _TIME.unpack_from(body)
        return self._clock.map(count, t) if self._clock is not None else None

    def _imu(self, body: bytes, t: float) -> list[Item]:
        rows = _IMU.iter_unpack(body[4:])
        stamp = self._stamp(body, t)
        a, w = ACCEL_LSB_MPS2, GYRO_LSB_RADPS
        names, warmth = self._names, self._warmth
        items: list[Item] = []
        for number, ax, ay, az, wx, wy, wz in rows:
            name = names.get(number)
            if name is None:
                items += self._stranger(number, t)
                continue
            force, turn = (ax * a, ay * a, az * a), (wx * w, wy * w, wz * w)
            items.append(Imu(t, name, force, turn, warmth.get(number), stamp))
        return items

    def _tilt(self, body: bytes, t: float) -> list[Item]:
        rows = _TILT.iter_unpack(body[4:])
        stamp = self._stamp(body, t)
        items: list[Item] = []
        for number, pitch, roll in rows:
            name = self._names.get(number)
            if name is None:
                items += self._stranger(number, t)
                continue
            items.append(Tilt(t, name, None, pitch / 1000.0, roll / 1000.0, self._warmth.get(number), stamp))
        return items

    def _angle(self, body: bytes, t: float) -> list[Item]:
        rows = _ANGLE.iter_unpack(body[4:])
        stamp = self._stamp(body, t)
        items: list[Item] = []
        for number, angle in rows:
            name = self._names.get(number)
            if number in self._slews:
                items.append(Slew(t, self._slews[number], angle / 1000.0))
            elif name is None:
                items += self._stranger(number, t)
            else:
                warmth = self._warmth.get(number)
                items.append(Tilt(t, name, angle / 1000.0, None, None, warmth, stamp))
        return items

    def _states(self, body: bytes, t: float) -> list[Item]:
        _, states = struct.unpack("<IB", body)
        stamp = self._stamp(body, t)
        return [Input(t, name, bool(states >> bit & 1), stamp) for name, bit in self._inputs.items()]

    def _temperatures(self, body: bytes, t: float) -> list[Item]:
        for number, raw in _WARMTH.iter_unpack(body):
            self._warmth[number] = raw / 100.0
        return []

    def _hello(self, body: bytes, t: float) -> list[Item]:
        serial = body[1:].decode("ascii")
        if not 1 <= len(serial) <= HELLO_LONGEST:
            raise struct.error
        name = self._names.get(body[0])
        return self._stranger(body[0], t) if name is None else [Identity(t, name, serial)]


def cobs_decoded(data: bytes) -> bytes | None:
    """The packet in a COBS frame without its closing zero; None if the frame is none."""
    # A group's code stands where the zero before it was, except behind a full group of 254 bytes without one.
    out = bytearray(data)
    at, end = 0, len(data)
    full: list[int] = []
    while at < end:
        code = data[at]
        if code == 0:
            return None
        out[at] = 0
        at += code
        if code == 255 and at < end:
            full.append(at)
    if at > end:
        return None
    for place in reversed(full):
        del out[place]
    return bytes(out[1:])


class PacketsDriver(SerialDriver):
    """A microcontroller that sends our packets."""

    Options = PacketsOptions
    usual_bauds = (115200, 230400, 460800, 921600)

    def decoder(self) -> PacketsDecoder:
        return PacketsDecoder(cast("PacketsOptions", self.options))
