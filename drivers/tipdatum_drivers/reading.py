"""What a driver delivers: readings in the sensor's own axes, and counted faults.

Every `t` is seconds on the one monotonic clock of the run, taken when the reading's last byte came in.
`t_sample`, where a device stamps its samples, is on the same clock. Axes are those printed on the part;
mounting is the business of fusion.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import Any, TypeAlias

from tipdatum_drivers.values import value

Vector: TypeAlias = tuple[float, float, float]


@value
class Imu:
    """Specific force and, unless the part has no gyro, angular rate. m/s² and rad/s."""

    t: float
    sensor: str
    accel_mps2: Vector
    gyro_radps: Vector | None = None
    temp_c: float | None = None
    t_sample: float | None = None


@value
class Tilt:
    """Angles of an inclinometer, degrees, before mounting.

    `angle_deg` = atan2(x·up, z·up) of a single-axis 360° part, or `pitch_deg` = asin(x·up) and
    `roll_deg` = asin(y·up) of a dual-axis one.
    """

    t: float
    sensor: str
    angle_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    temp_c: float | None = None
    t_sample: float | None = None


@value
class Slew:
    """Angle of a slew encoder, degrees, positive to the left."""

    t: float
    sensor: str
    angle_deg: float


@value
class Beam:
    """The laser receiver `sensor` is on the beam."""

    t: float
    sensor: str


@value
class Input:
    """A switch or button wired to the machine changed, or told its state."""

    t: float
    name: str
    on: bool


@value
class Identity:
    """The device that answers for `sensor` told its serial number (or what serves as one)."""

    t: float
    sensor: str
    serial: str


@value
class Fault:
    """Something that came in and could not be used. `kind` is one short word group, `text` says more.

    `source` names the sensor where it is known, otherwise the driver.
    """

    t: float
    source: str
    kind: str
    text: str = ""


@value
class Command:
    """What an operator sent, recorded so that a replay repeats it."""

    t: float
    name: str
    body: dict[str, Any]


@value
class Truth:
    """Where the tip really was, m; only scoring reads it."""

    t: float
    tip_m: Vector
    tip_ground_m: Vector | None = None
    quiet: bool | None = None


@value
class SessionHeader:
    """First line of a session. `machine` is the description as it stands in the file, unchecked."""

    version: int
    started: str
    machine: dict[str, Any]
    comment: str = ""
    extra: dict[str, Any] = field(default_factory=dict)


Reading: TypeAlias = Imu | Tilt | Slew | Beam | Input | Identity
Record: TypeAlias = Reading | Command | Truth


def handed_over(reading: Record, t: float) -> Record:
    """The same reading in its place behind others that came first by another line.

    Ports are read by threads of their own, so readings of two of them may change places by a moment. Order is
    kept by a later `t`, and the true arrival stays as the time of the sample where the device told none.
    """
    if isinstance(reading, (Imu, Tilt)) and reading.t_sample is None:
        return replace(reading, t=t, t_sample=reading.t)
    return replace(reading, t=t)
