"""Putting one replaced sensor to zero: a mount from one posture whose angle is known.

The new part sits nearly where the old one sat. The smallest rotation that turns the `up` it measures into the
`up` of the known posture is added to the old mount; what one posture cannot tell (turning about the vertical,
biases) stays as it was or at zero, and is the calibration's business.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from tipdatum.kinematics.frames import (
    STANDARD_GRAVITY_MPS2,
    Array,
    rotation_from_rpy_deg,
    rpy_deg_from_rotation,
    up_vector,
)
from tipdatum.machine.parts import Noise, Sensor
from tipdatum_drivers.reading import Identity, Imu, Record, Tilt

LEAST_S = 2.0
"""Shortest still recording that is worth a mount."""
STILL_DEG = 0.3
"""Means of half a second differ by less while a machine stands, engine running."""
BLOCK_S = 0.5
ANGLE_SIGMA_DEG = 0.1
"""How well a body's angle is known that was measured with a level (common practice, no source)."""
TURNED_DEG = 30.0
"""A larger correction means that the part sits another way round than the old one."""


@dataclass(frozen=True, slots=True)
class Zero:
    """What one posture tells of a part."""

    mount_rpy_deg: tuple[float, float, float]
    turned_deg: float
    """Angle between the old mount and the new one."""
    gyro_offset_radps: tuple[float, float, float] | None
    serial: str | None
    """What the device told, None if it tells none."""
    seconds: float


def rezero(
    records: Iterable[Record], name: str, sensor: Sensor, angle_deg: float, roll_deg: float = 0.0
) -> Zero:
    """The new mount of sensor `name` from a still recording.

    Args:
        records: of the recording. name: the sensor. sensor: its description so far.
        angle_deg: elevation angle of its body in the recording (0 level away from the cab, positive up).
        roll_deg: roll of the machine then, positive right side down.

    Raises:
        ValueError: too few readings, or the sensor moved; the message is for a person.
    """
    times: list[float] = []
    ups: list[Array] = []
    rates: list[tuple[float, float, float]] = []
    serial = None
    for record in records:
        if isinstance(record, Identity) and record.sensor == name:
            serial = record.serial
        elif isinstance(record, (Imu, Tilt)) and record.sensor == name:
            times.append(record.t)
            ups.append(_up(record))
            if isinstance(record, Imu) and record.gyro_radps is not None:
                rates.append(record.gyro_radps)
    seconds = times[-1] - times[0] if times else 0.0
    if seconds < LEAST_S:
        raise ValueError(
            f"{len(times)} readings of {name} over {seconds:.1f} s; {LEAST_S:g} s at least are needed"
        )
    measured = _still_mean(np.array(times), np.array(ups))
    old = rotation_from_rpy_deg(sensor.mount_rpy_deg)
    expected = up_vector(math.radians(angle_deg), math.radians(roll_deg))
    turn = smallest_rotation(old @ measured, expected)
    mount = rpy_deg_from_rotation(turn @ old)
    offset = np.mean(rates, axis=0) if rates else None
    return Zero(
        mount_rpy_deg=(round(mount[0], 4), round(mount[1], 4), round(mount[2], 4)),
        turned_deg=math.degrees(math.acos(max(-1.0, min(1.0, (float(np.trace(turn)) - 1.0) / 2.0)))),
        gyro_offset_radps=None if offset is None else tuple(round(float(w), 6) for w in offset),  # type: ignore[arg-type]
        serial=serial,
        seconds=seconds,
    )


def description_of(
    zero: Zero, name: str, sensor: Sensor, angle_deg: float, date: str, session: str
) -> dict[str, Any]:
    """The description's new values, and where they come from."""
    part: dict[str, Any] = {"mount_rpy_deg": list(zero.mount_rpy_deg)}
    if zero.serial is not None:
        part["serial"] = zero.serial
    # What was calibrated into the description was the old part's, and so was how well it was known:
    # one posture
    # gives the mount to what the angle was known to and what an uncalibrated part's bias makes of it.
    bias = max(Noise().accel_bias_mps2, sensor.noise.accel_bias_mps2) if sensor.type == "imu" else 0.0
    mount_sigma = math.hypot(ANGLE_SIGMA_DEG, math.degrees(bias / STANDARD_GRAVITY_MPS2))
    part["mount_sigma_deg"] = round(max(mount_sigma, sensor.mount_sigma_deg or 0.0), 4)
    if sensor.type == "imu":
        part["noise"] = {"accel_bias_mps2": bias}
    if any(sensor.accel_offset_mps2):
        part["accel_offset_mps2"] = [0.0, 0.0, 0.0]
    if sensor.accel_scale is not None:
        part["accel_scale"] = np.eye(3).tolist()
    if any(scale != 1.0 for scale in sensor.gyro_scale):
        part["gyro_scale"] = [1.0, 1.0, 1.0]
    if zero.gyro_offset_radps is not None:
        part["gyro_offset_radps"] = list(zero.gyro_offset_radps)
    origin: dict[str, Any] = {"date": date, "session": session, "angle_deg": angle_deg}
    if zero.serial is not None:
        origin["serial"] = zero.serial
    return {"sensor": {name: part}, "calibration": {"rezero": {name: origin}}}


def smallest_rotation(start: Array, end: Array) -> Array:
    """The rotation matrix that turns unit vector `start` into `end` about their common normal (Rodrigues)."""
    axis, cosine = np.cross(start, end), float(np.dot(start, end))
    if cosine < -1.0 + 1e-9:
        raise ValueError("the part sits upside down: describe its mount anew")
    K = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray(np.eye(3) + K + K @ K / (1.0 + cosine))


def _up(record: Imu | Tilt) -> Array:
    if isinstance(record, Imu):
        return np.array(record.accel_mps2)
    if record.angle_deg is not None:
        return up_vector(math.radians(record.angle_deg), 0.0)
    x = math.sin(math.radians(record.pitch_deg or 0.0))
    y = math.sin(math.radians(record.roll_deg or 0.0))
    return np.array([x, y, math.sqrt(max(0.0, 1.0 - x * x - y * y))])


def _still_mean(times: Array, ups: Array) -> Array:
    """The mean direction, unit length.

    Raises:
        ValueError: means of half a second differ by more than a standing machine's do.
    """
    mean = ups.mean(axis=0)
    mean = mean / np.linalg.norm(mean)
    blocks = ((times - times[0]) // BLOCK_S).astype(int)
    for block in range(int(blocks[-1])):  # the last one may be short
        part = ups[blocks == block]
        if len(part) == 0:
            continue
        direction = part.mean(axis=0)
        away = math.degrees(math.acos(min(1.0, float(direction @ mean / np.linalg.norm(direction)))))
        if away > STILL_DEG:
            raise ValueError(
                f"the sensor moved by {away:.1f}° while it was recorded; record it standing still"
            )
    return np.asarray(mean)
