"""The 0x55 eleven-byte frames of widely sold IMU modules on a UART.

::

    55 TT aL aH bL bH cL cH dL dH SS        SS = low eight bits of the sum of the ten bytes before

==== ======================= ================= ============================ =============================
TT   a, b, c (int16, little) unit of 1 LSB     d                            becomes
==== ======================= ================= ============================ =============================
51   acceleration x, y, z    16 g / 32768      temperature, 1/100 °C        held for the rate that follows
52   rate x, y, z            2000 °/s / 32768  (differs)                    with the held one: an `Imu`
53   roll, pitch, yaw        180° / 32768      (differs)                    a `Tilt`, if asked for
else                                                                        ignored
==== ======================= ================= ============================ =============================

Source: public protocol pages of such modules (HWT905-TTL, WT61, JY-61). Older ones give the temperature as
d/340 + 36.53 °C. The angles are a yaw-pitch-roll triple (Z-Y-X), right-handed about axes with z up, so
x·up = -sin(pitch) and y·up = cos(pitch)·sin(roll).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable
from typing import Annotated, Literal, cast

from pydantic import Field

from tipdatum_drivers.clock_map import EvenSamples
from tipdatum_drivers.decode.framing import Decoder, FixedLength, Frame, Item
from tipdatum_drivers.fields import G, axis_roll_deg
from tipdatum_drivers.reading import Imu, Tilt, Vector
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions

START, LENGTH = 0x55, 11
ACCELERATION, RATE, ANGLE = 0x51, 0x52, 0x53
KINDS = range(0x50, 0x60)
"""Time, acceleration, rate, angles, magnetic field, ports, pressure, position, …, answers."""
_BODY = struct.Struct("<xxhhhhx")


class Imu55Options(SerialOptions):
    """`kind = "imu-55"`: a widely sold IMU module with 0x55 frames, one on a port."""

    sensor: str
    """Name of the machine's sensor that this module is."""
    baud: Annotated[int, Field(ge=1200, le=4_000_000)] = 115200
    content: Literal["imu", "accel", "angles"] = "imu"
    """Acceleration and rate; acceleration alone; or the module's own angles as an inclinometer."""
    accel_range_g: Annotated[float, Field(gt=0, le=400)] = 16.0
    gyro_range_degps: Annotated[float, Field(gt=0, le=10000)] = 2000.0
    temperature: Literal["hundredths", "340", "none"] = "hundredths"
    even_hz: Annotated[float, Field(gt=0, le=2000)] | None = None
    """The module's output rate: readings are then spaced evenly, whatever a USB adapter does to them."""


class Imu55Decoder(Decoder):
    """Frames of one module."""

    def __init__(self, options: Imu55Options) -> None:
        super().__init__(options.sensor, FixedLength(START, LENGTH, sum_is_right))
        self._options = options
        self._accel_lsb = options.accel_range_g * G / 32768.0
        self._gyro_lsb = math.radians(options.gyro_range_degps) / 32768.0
        self._held: tuple[Vector, float | None] | None = None
        self._even = EvenSamples(options.even_hz) if options.even_hz is not None else None

    def frame(self, frame: Frame, t: float) -> Iterable[Item]:
        kind = frame.data[1]
        a, b, c, d = _BODY.unpack(frame.data)
        content, sensor = self._options.content, self.source
        if kind == ACCELERATION and content != "angles":
            k = self._accel_lsb
            self._held = ((a * k, b * k, c * k), self._temperature(d))
            if content == "accel":
                yield Imu(t, sensor, self._held[0], None, self._held[1], self._stamp(t))
        elif kind == RATE and content == "imu" and self._held is not None:
            k = self._gyro_lsb
            accel, temp = self._held
            self._held = None
            yield Imu(t, sensor, accel, (a * k, b * k, c * k), temp, self._stamp(t))
        elif kind == ANGLE and content == "angles":
            roll, pitch = a * 180.0 / 32768.0, b * 180.0 / 32768.0
            roll = axis_roll_deg(pitch, roll)
            yield Tilt(t, sensor, pitch_deg=-pitch, roll_deg=roll, t_sample=self._stamp(t))

    def lost(self) -> None:
        # The rate that comes next may belong to a later sample than the acceleration held.
        self._held = None
        if self._even is not None:
            self._even.restart()

    def _stamp(self, t: float) -> float | None:
        return self._even.stamp(t) if self._even is not None else None

    def _temperature(self, raw: int) -> float | None:
        how = self._options.temperature
        return None if how == "none" else raw / 100.0 if how == "hundredths" else raw / 340.0 + 36.53


def sum_is_right(frame: bytes) -> bool:
    """Whether the last byte is the low eight bits of the sum of the others, and the kind one that exists."""
    return sum(frame[:-1]) & 0xFF == frame[-1] and frame[1] in KINDS


class Imu55Driver(SerialDriver):
    """One 0x55 module on a serial port."""

    Options = Imu55Options
    usual_bauds = (115200, 9600, 230400, 921600)

    def decoder(self) -> Imu55Decoder:
        return Imu55Decoder(cast("Imu55Options", self.options))
