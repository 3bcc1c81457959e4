"""What a driver delivers: readings in the sensor's own axes, and counted faults.

Every `t` is seconds on the one monotonic clock of the run, taken when the reading's last byte came in.
`t_sample`, where a device stamps its samples, or several of them came in one read, is on the same clock.
Axes are those printed on the part; mounting is the business of fusion.
"""

from __future__ import annotations

from typing import Annotated, Any, TypeAlias

from msgspec import Meta, Struct, field
from msgspec.structs import replace

Vector: TypeAlias = tuple[float, float, float]
Name: TypeAlias = Annotated[str, Meta(min_length=1)]


class Value(Struct, frozen=True, gc=False):
    """A record that nobody alters, of which hundreds are made every second: 0.13 µs each."""


class _SessionLine(Value, frozen=True, tag_field="kind", omit_defaults=True):
    """A record that a session file has a line of; its fields are the line's, in this order."""


class Imu(_SessionLine, frozen=True, tag="imu"):
    """Specific force and, unless the part has no gyro, angular rate. m/s² and rad/s."""

    t: float
    sensor: Name
    accel_mps2: Vector
    gyro_radps: Vector | None = None
    temp_c: float | None = None
    t_sample: float | None = None


class Tilt(_SessionLine, frozen=True, tag="tilt"):
    """Angles of an inclinometer, degrees, before mounting.

    `angle_deg` = atan2(x·up, z·up) of a single-axis 360° part, or `pitch_deg` = asin(x·up) and
    `roll_deg` = asin(y·up) of a dual-axis one.
    """

    t: float
    sensor: Name
    angle_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    temp_c: float | None = None
    t_sample: float | None = None


class Slew(_SessionLine, frozen=True, tag="slew"):
    """Angle of a slew encoder, degrees, positive to the left."""

    t: float
    sensor: Name
    angle_deg: float


class Beam(_SessionLine, frozen=True, tag="beam"):
    """The laser receiver `sensor` is on the beam: the moment of a crossing."""

    t: float
    sensor: Name
    t_sample: float | None = None


class Input(_SessionLine, frozen=True, tag="input"):
    """A switch or button wired to the machine changed, or told its state.

    One that is called like a laser receiver of the machine is the receiver's contact.
    """

    t: float
    name: Name
    on: bool
    t_sample: float | None = None


class Identity(_SessionLine, frozen=True, tag="identity"):
    """The device that answers for `sensor` told its serial number (or what serves as one)."""

    t: float
    sensor: Name
    serial: Name


class Fault(Value, frozen=True):
    """Something that came in and could not be used. `kind` is one short word group, `text` says more.

    `source` names the sensor where it is known, otherwise the driver.
    """

    t: float
    source: str
    kind: str
    text: str = ""


class Command(_SessionLine, frozen=True, tag="command"):
    """What an operator sent, recorded so that a replay repeats it."""

    t: float
    name: Name
    body: dict[str, Any]


class Truth(_SessionLine, frozen=True, tag="truth"):
    """Where the tip, and the ends of the cutting edge, really were, m; only scoring reads it."""

    t: float
    tip_m: Vector
    tip_ground_m: Vector | None = None
    quiet: bool | None = None
    left_m: Vector | None = None
    right_m: Vector | None = None
    swing_deg: float | None = None
    """Of a boom that swings, positive to the left."""
    tilt_deg: float | None = None
    """Of a bucket that tilts, right-handed about its axis."""


class SessionHeader(Value, frozen=True):
    """First line of a session. `machine` is the description as it stands in the file, unchecked."""

    version: int
    started: str
    machine: dict[str, Any]
    comment: str = ""
    extra: dict[str, Any] = field(default_factory=dict)


Reading: TypeAlias = Imu | Tilt | Slew | Beam | Input | Identity
Record: TypeAlias = Reading | Command | Truth


def moved(record: Record, by_s: float) -> Record:
    """The record on a clock that reads so many seconds more."""
    if isinstance(record, (Imu, Tilt, Beam, Input)) and record.t_sample is not None:
        return replace(record, t=record.t + by_s, t_sample=record.t_sample + by_s)
    return replace(record, t=record.t + by_s)


def handed_over(reading: Record, t: float) -> Record:
    """The same reading in its place behind others that came first by another line.

    Ports are read by threads of their own, so readings of two of them may change places by a moment. Order is
    kept by a later `t`, and the true arrival stays as the time of the sample where the device told none.
    """
    if isinstance(reading, (Imu, Tilt, Beam, Input)) and reading.t_sample is None:
        return replace(reading, t=t, t_sample=reading.t)
    return replace(reading, t=t)
