"""From the readings of inclinometers to the angles of the bodies that carry them, and to the arm's roll.

A dual-axis part tells `up` whole, a single-axis one only its direction in the plane of its x and z; what it
does not see, y·up, follows from the roll, so that it is right on a rolled arm too. The roll is told by the
dual-axis part nearest to the ground; where there is none the arm is taken as not rolled.
"""

from __future__ import annotations

import math
from typing import TypeAlias

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.tilt_track import TiltTrack
from tipdatum.kinematics.frames import nearest_turn
from tipdatum.machine.description import ARM
from tipdatum_drivers.reading import Tilt

Rows: TypeAlias = list[list[float]]
"""A mount, sensor to body, row by row: where the body's x, y and z point in the sensor's axes."""


class TiltBodies:
    """Tracks of every body with a sensor.

    Attributes:
        channels: the sensors, N; theirs is the order wherever N angles stand in a row.
        tracks: sensor → its body's angle. roll: of the arm.
        roll_from: the sensor that tells the roll, None if none does.
    """

    def __init__(self, arm: Arm) -> None:
        self.channels = list(arm.by_body.values())
        self.tracks = {ch.name: _track(ch) for ch in self.channels}
        self.roll = TiltTrack(0.0, 0.0)
        self.roll_from: Channel | None = None
        self.refit(arm)

    def refit(self, arm: Arm) -> None:
        """Go on with the same sensors on a changed machine."""
        self.channels = list(arm.by_body.values())
        self._by_name = {ch.name: ch for ch in self.channels}
        self._mounts: dict[str, Rows] = {ch.name: ch.mount.tolist() for ch in self.channels}

    @property
    def complete(self) -> bool:
        """Whether every sensor has spoken."""
        return all(track.known for track in self.tracks.values())

    @property
    def pace(self) -> float:
        """How fast the fastest body turns, rad/s."""
        return max((track.pace for track in self.tracks.values()), default=0.0)

    def follow(self, reading: Tilt) -> bool:
        """Take a reading of one of the sensors.

        Returns:
            Whether its body's angle was found anew: the first reading, or one after a silence.
        """
        channel = self._by_name[reading.sensor]
        track, rows = self.tracks[reading.sensor], self._mounts[reading.sensor]
        anew = reading.t - channel.last_t > channel.stale_after
        t, (x, y, z), _ = channel.raw(reading)
        if reading.angle_deg is None:
            if self._tells_roll(channel):
                left = _dot(rows[1], x, y, z) / channel.gravity
                _take(self.roll, t, math.asin(max(-1.0, min(1.0, left))), anew)
        else:
            across = self._across(rows, track.angle)
            seen = math.sqrt(max(0.0, 1.0 - across * across))
            x, y, z = seen * x, channel.gravity * across, seen * z
        theta = math.atan2(_dot(rows[0], x, y, z), _dot(rows[2], x, y, z))
        _take(track, t, nearest_turn(theta, track.shown), anew)
        return anew

    def _across(self, rows: Rows, theta: float) -> float:
        """y·up in the sensor's own axes from its body's angle and the roll."""
        level, (ahead, left, above) = math.cos(self.roll.angle), rows
        across = level * (ahead[1] * math.sin(theta) + above[1] * math.cos(theta))
        return across + left[1] * math.sin(self.roll.angle)

    def _tells_roll(self, channel: Channel) -> bool:
        told_by = self.roll_from
        if told_by is None or (channel.name != told_by.name and _height(channel) < _height(told_by)):
            self.roll, self.roll_from = _track(channel), channel
            return True
        return channel.name == told_by.name


def _dot(row: list[float], x: float, y: float, z: float) -> float:
    return row[0] * x + row[1] * y + row[2] * z


def _track(channel: Channel) -> TiltTrack:
    return TiltTrack(channel.sensor.time_constant_s, math.radians(channel.sensor.noise.tilt_deg))


def _take(track: TiltTrack, t: float, angle: float, anew: bool) -> None:
    if anew or not track.known:
        track.restart(t, angle)
    else:
        track.add(t, angle)


def _height(channel: Channel) -> int:
    """Place of a sensor's body in the chain, from the ground on."""
    body = channel.sensor.body
    return 0 if body == "upper" else 1 + (len(ARM) if body == "rocker" else ARM.index(body))
