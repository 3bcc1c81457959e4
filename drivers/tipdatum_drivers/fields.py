"""From named or numbered numbers to a reading: what CSV logs, text lines and registers have in common."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, TypeAlias, TypeVar

from pydantic import model_validator

from tipdatum_drivers.options import Misfit, Options
from tipdatum_drivers.reading import Imu, Reading, Tilt

G = 9.80665
ACCEL_UNITS = {"mps2": 1.0, "g": G, "mg": G / 1000.0}
GYRO_UNITS = {"radps": 1.0, "degps": math.pi / 180.0}
ANGLE_UNITS = {"deg": 1.0, "rad": 180.0 / math.pi}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}

Field: TypeAlias = str | int
"""A field by name, or by number from 1. A name with a leading minus, such as "-ax", turns the sign round."""

Row = TypeVar("Row")
Numbers: TypeAlias = Callable[[Row], float | None]
"""Takes one number out of a row; None where there is none."""


class SensorFields(Options):
    """Fields of one sensor: an IMU's (`accel`, `gyro`) or an inclinometer's (`angle`, or `pitch`, `roll`)."""

    accel: tuple[Field, Field, Field] | None = None
    accel_unit: Literal["mps2", "g", "mg"] = "mps2"
    gyro: tuple[Field, Field, Field] | None = None
    gyro_unit: Literal["radps", "degps"] = "radps"
    angle: Field | None = None
    pitch: Field | None = None
    roll: Field | None = None
    angle_unit: Literal["deg", "rad"] = "deg"
    euler: bool = False
    """The roll is that of a yaw-pitch-roll triple, as orientation filters give it, not the axis's own."""
    temp_c: Field | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> SensorFields:
        both = self.pitch is not None and self.roll is not None
        half = (self.pitch is None) != (self.roll is None)
        if half or [self.accel is not None, self.angle is not None, both].count(True) != 1:
            found = ", ".join(
                key for key in ("accel", "angle", "pitch", "roll") if getattr(self, key) is not None
            )
            raise Misfit(
                "", found or "nothing", "fields for accel (and gyro), or for angle, or for pitch and roll"
            )
        if self.gyro is not None and self.accel is None:
            raise Misfit("gyro", "a gyro without accel", "accel beside it")
        return self


def reading_maker(
    name: str, fields: SensorFields, number: Callable[[Field, float], Numbers[Row]]
) -> Callable[[float, Row], Reading | None]:
    """A function that makes the reading of sensor `name` from a row, None where a field is empty.

    Args:
        name: the sensor. fields: where its numbers stand and in which units.
        number: makes the function that takes one field, times a factor, out of a row.
    """

    def group(of: tuple[Field, ...], scale: float) -> Callable[[Row], tuple[float, ...] | None]:
        takers = [signed(field, scale, number) for field in of]

        def values(row: Row) -> tuple[float, ...] | None:
            found = [take(row) for take in takers]
            return None if None in found else tuple(found)  # type: ignore[arg-type]

        return values

    temp = signed(fields.temp_c, 1.0, number) if fields.temp_c is not None else lambda row: None
    if fields.accel is not None:
        accel = group(fields.accel, ACCEL_UNITS[fields.accel_unit])
        gyro = group(fields.gyro, GYRO_UNITS[fields.gyro_unit]) if fields.gyro else lambda row: None

        def imu(t: float, row: Row) -> Reading | None:
            force = accel(row)
            if force is None:
                return None
            return Imu(t, name, force, gyro(row), temp(row))  # type: ignore[arg-type]

        return imu
    of = (fields.angle,) if fields.angle is not None else (fields.pitch, fields.roll)
    angles = group(of, ANGLE_UNITS[fields.angle_unit])  # type: ignore[arg-type]

    def tilt(t: float, row: Row) -> Reading | None:
        values = angles(row)
        if values is None:
            return None
        if len(values) == 1:
            return Tilt(t, name, angle_deg=values[0], temp_c=temp(row))
        pitch, roll = values
        if fields.euler:
            roll = axis_roll_deg(pitch, roll)
        return Tilt(t, name, pitch_deg=pitch, roll_deg=roll, temp_c=temp(row))

    return tilt


def signed(field: Field, scale: float, number: Callable[[Field, float], Numbers[Row]]) -> Numbers[Row]:
    """`number(field, scale)`, with the sign turned round where the name begins with a minus."""
    if isinstance(field, str) and field.startswith("-"):
        return number(field[1:], -scale)
    return number(field, scale)


def axis_roll_deg(pitch_deg: float, euler_roll_deg: float) -> float:
    """asin(y·up) in degrees, from pitch and roll of a yaw-pitch-roll triple: y·up = cos(pitch)·sin(roll)."""
    pitch, roll = math.radians(pitch_deg), math.radians(euler_roll_deg)
    return math.degrees(math.asin(math.cos(pitch) * math.sin(roll)))
