"""A laser receiver on the arm: from its switch to the moment of a crossing, and to its height then.

A crossing is when the receiver met the laser's plane: its height then, from its recent path, less the
sensor's latency. Some receivers tell of the crossing itself. Others close a contact all the while the beam
hits their window, on the way up as on the way down; at an even speed the middle of that time is the middle of
the window, however high the window is.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.pose import Pose
from tipdatum.kinematics.chain import Chain, Point
from tipdatum.kinematics.frames import Array
from tipdatum.machine.parts import Sensor

HOLD_S = 0.25
"""An opening of the contact no longer than this is the beam on its way round (five to fifteen turns a second:
common practice, no source), s."""
LONGEST_S = 3.0
"""A contact closed for longer tells of a receiver that rests on the beam, not of a crossing, s."""


class Contact:
    """Takes openings and closings, gives what was a time on the beam. Times are arguments, s."""

    __slots__ = ("_closed", "_closed_at", "_known", "_opened_at")

    def __init__(self) -> None:
        self._known = self._closed = False
        self._closed_at: float | None = None
        self._opened_at = 0.0

    def told(self, closed: bool, t: float) -> None:
        """The state of the contact at `t`; repeated or changed."""
        if closed and not self._closed and self._known and self._closed_at is None:
            self._closed_at = t  # one that is closed when it is first heard of has closed at an unknown time
        elif not closed and self._closed:
            self._opened_at = t
        self._known, self._closed = True, closed

    def passed(self, t: float) -> tuple[float, float] | None:
        """The middle and the length of a time on the beam that is over at `t`; None while there is none."""
        if self._closed_at is None or self._closed or t - self._opened_at <= HOLD_S:
            return None
        since, self._closed_at = self._closed_at, None
        return (since + self._opened_at) / 2.0, self._opened_at - since


@dataclass(frozen=True, slots=True)
class Crossing:
    """The receiver on the beam: its height above the slew centre at rest, reach, slew, and vertical speed."""

    t: float
    height_m: float
    reach_m: float
    lateral_m: float
    slew_rad: float
    speed_mps: float
    sigma_m: float


def receiver_point(sensor: Sensor, chain: Chain, pins: Sequence[Point], angles: Sequence[float]) -> Array:
    """Reach, lateral and height (3,) m of a receiver on the stick, the boom or the bucket.

    The receiver's `position_m` is in the frame of its body, whose origin is the body's lower pin.
    """
    section = chain.names.index(sensor.body)
    if chain.tilt_axis is not None and sensor.body == "bucket":
        return np.array(list(chain.point(angles, sensor.position_m)[0]))
    theta, roll = float(angles[2 + section]), float(angles[1])
    x, y, z = sensor.position_m
    out, up = x * math.cos(theta) - z * math.sin(theta), x * math.sin(theta) + z * math.cos(theta)
    sin, cos = math.sin(roll), math.cos(roll)
    reach, lateral, height = pins[section]
    return np.array([reach + out, lateral + (y * cos - up * sin), height + (up * cos + y * sin)])


def receiver_jacobian(sensor: Sensor, chain: Chain, angles: Sequence[float]) -> Array:
    """∂(receiver height)/∂q, one number for each, m/rad; leaves out what little its side offset does."""
    section = chain.names.index(sensor.body)
    if chain.tilt_axis is not None and sensor.body == "bucket":
        return np.array(chain.point(angles, sensor.position_m)[1])
    x, _, z = sensor.position_m
    full = np.asarray(chain.height_jacobian(angles)).copy()
    theta, roll = float(angles[2 + section]), float(angles[1])
    full[2 + section] = math.cos(roll) * (x * math.cos(theta) - z * math.sin(theta))
    full[3 + section : chain.bucket + 1] = 0.0
    if chain.tilt is not None:
        full[chain.tilt] = 0.0
    return full


class Receiver:
    """The recent path of one receiver, and the crossings it reported.

    Attributes:
        contact: its switch, where it has one. rested_s: how long it was on the beam when that was too long
            for a crossing; whoever has told of it sets None.
    """

    KEEP_S = LONGEST_S / 2.0 + HOLD_S + 1.5

    def __init__(self, name: str, sensor: Sensor) -> None:
        self.name, self.sensor = name, sensor
        self.contact = Contact()
        self.rested_s: float | None = None
        self._path: deque[tuple[float, Array, float, float]] = deque()
        self._due: list[float] = []

    def follow(self, pose: Pose, chain: Chain, pins: Sequence[Point]) -> None:
        """Take the pose of this tick."""
        point = receiver_point(self.sensor, chain, pins, pose.angles)
        point[2] += pose.heave_m
        jacobian = receiver_jacobian(self.sensor, chain, pose.angles)
        sigma = math.sqrt(pose.variance_along(jacobian.tolist()))
        self._path.append((pose.t, point, pose.slew_rad, sigma))
        while pose.t - self._path[0][0] > self.KEEP_S:
            self._path.popleft()

    def forget(self) -> None:
        """The arm is not known just now."""
        self._path.clear()
        self._due.clear()

    def crossed(self, t: float) -> None:
        """The receiver told at `t` that it was on the beam, `latency_s` earlier."""
        self._due.append(t - self.sensor.latency_s)

    def crossings(self, t: float) -> list[Crossing]:
        """Those whose moment the path has reached by `t`, with the height then by linear interpolation."""
        if (passed := self.contact.passed(t)) is not None:
            middle, lasted = passed
            if lasted <= LONGEST_S:
                self.crossed(middle)
            else:
                self.rested_s = lasted
        ready = [t for t in self._due if self._path and t <= self._path[-1][0]]
        self._due = [t for t in self._due if t not in ready]
        return [c for c in map(self._at, ready) if c is not None]

    def _at(self, t: float) -> Crossing | None:
        pairs = zip(self._path, list(self._path)[1:], strict=False)
        for (t0, p0, _, _), (t1, p1, slew, sigma) in pairs:
            if t0 <= t <= t1 and t1 > t0:
                point = p0 + (p1 - p0) * (t - t0) / (t1 - t0)
                speed = float(p1[2] - p0[2]) / (t1 - t0)
                return Crossing(t, float(point[2]), float(point[0]), float(point[1]), slew, speed, sigma)
        return None
