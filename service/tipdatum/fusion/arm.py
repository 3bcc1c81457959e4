"""Which sensor tells which angle of the arm, and what to do where none does.

- A sensor on a section tells its angle; one on the rocker tells the bucket's through the linkage.
- A joint with `held_deg` and no sensor stands at that angle to the body before it.
- Without a sensor on the upper the machine is taken as level, with `LEVEL_SIGMA_RAD` of doubt.
- Roll is common to the whole arm: the upper's sensor tells it, otherwise the first one on the arm.
- A section with neither sensor nor held angle cannot be known: `invalid`, with the reason.
- What turns beside the arm plane is a `SideTurn`: the upper against the post of a boom that swings, a bucket
  against its coupler. A bucket that tilts needs a sensor on the tilting part.
- A rocker's sensor beside one on the bucket is left aside, but where the bucket tilts and the stick has a
  sensor: there the linkage confirms the curl. Its silence costs that and nothing else.

`JointMap` is that map as numbers, and `SensorSpread` what a pose's angles may be off by through it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from operator import mul
from typing import Final, Literal, NamedTuple

import numpy as np

from tipdatum.fusion.pose import Quality
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import Machine
from tipdatum_drivers.presence import Presence
from tipdatum_drivers.reading import Value

LEVEL_SIGMA_RAD: Final = math.radians(1.0)
"""Doubt in "the machine stands level", rad: ground that a person calls level; common practice, no source."""

ORDER = ("upper", "boom", "second_boom", "stick", "rocker", "bucket")
"""Bodies that carry tilt sensors, from the ground to the tip."""

TURNS_UNTOLD = "this estimator tells neither a boom's swing nor a bucket's tilt"
LEVEL_ASSUMED = "no sensor on the upper: level machine assumed"


class SideTurn(NamedTuple):
    """A part that turns against its body of the arm plane about a known axis in that body's x-z plane.

    A vector v in the part's axes is R_axis(α) v in the body's, α the joint's angle in q. Where the boom
    swings, the upper is turned against the swing post by -s about z, which is s about -z.

    Attributes:
        joint: "boom_swing" or "tilt".
        body: of the arm plane, whose axes the axis is given in.
        axis: (3,) of length 1.
        centre: (3,) m, a point of the axis.
    """

    joint: Literal["boom_swing", "tilt"]
    body: str
    axis: tuple[float, float, float]
    centre: tuple[float, float, float]


def turns_of(chain: Chain) -> tuple[SideTurn, ...]:
    """Those of an arm, in the order of q."""
    found = []
    if chain.swing_pivot is not None:
        found.append(SideTurn("boom_swing", "upper", (0.0, 0.0, -1.0), (0.0, 0.0, 0.0)))
    if chain.tilt_axis is not None:
        axis = chain.tilt_axis
        found.append(SideTurn("tilt", "bucket", axis.direction, (axis.x, 0.0, axis.z)))
    return tuple(found)


class SensedArm:
    """Sensors by body, and the rules above.

    Args:
        presences: by sensor, of whoever judges the readings; a sensor that is not in it has one of its own.
        keep: an arm whose sensors go on.
    """

    def __init__(
        self,
        machine: Machine,
        presences: Mapping[str, Presence] | None = None,
        keep: SensedArm | None = None,
    ) -> None:
        self.machine = machine
        chain = machine.chain()
        self.sections, self.turns, self.size = chain.names, turns_of(chain), chain.size
        self.channels: dict[str, Channel] = {}
        confirms = chain.tilt_axis is not None and machine.sensor_on("stick") is not None
        for name, sensor in machine.sensor.items():
            if sensor.type not in ("imu", "tilt"):
                continue
            if sensor.body == "rocker" and machine.sensor_on("bucket") is not None and not confirms:
                continue
            channel = Channel(name, sensor, machine.gravity_mps2, (presences or {}).get(name))
            old = keep.channels.get(name) if keep is not None else None
            if old is not None:
                channel.go_on_from(old)
            self.channels[name] = channel
        self.by_body = {ch.sensor.body: ch for ch in self.channels.values()}
        self.in_order = [self.by_body[b] for b in ORDER if b in self.by_body]
        """Sensors from the ground to the tip."""
        self.on_upper = "upper" in self.by_body
        self.linkage: FourBar | None = machine.four_bar() if "rocker" in self.by_body else None
        self.confirming = self.by_body.get("rocker") if "bucket" in self.by_body else None
        """The rocker's sensor, where the bucket's own tells its angle."""
        held = {
            "boom": machine.boom.held_deg,
            "second_boom": None if machine.second_boom is None else machine.second_boom.held_deg,
            "stick": machine.stick.held_deg,
            "bucket": machine.bucket[0].held_deg,
        }
        self.held = {body: math.radians(deg) for body, deg in held.items() if deg is not None}
        self.held_untold = tuple(body for body in self.held if body not in self.by_body)
        """Sections of which the description alone says where they stand."""
        self._missing = tuple(
            f"no sensor on the {body.replace('_', ' ')}"
            for body in self.sections
            if not self._has_angle(body)
        )
        untold = chain.tilt_axis is not None and "bucket" not in self.by_body
        if untold and not self._missing:
            self._missing = ("no sensor on the bucket, which tilts",)
        if not self.channels and not self._missing:
            self._missing = ("no tilt sensor on the machine",)

    def availability(self, t: float) -> tuple[Quality, tuple[str, ...]]:
        """Whether every angle can be told at `t`: `good`, `stale` or `invalid`, with reasons.

        With `good` the reasons are what is assumed; `tipdatum.fusion.pose.Condition` judges what that makes
        of it.
        """
        if self._missing:
            return "invalid", self._missing
        unconfirmed: tuple[str, ...] = ()
        for channel in self.channels.values():
            if not channel.presence.fine(t):
                if channel is not self.confirming:
                    return self._missing_at(t)
                unconfirmed = (f"{channel.name} sensor silent: the bucket's own tells its curl alone",)
        if not self.on_upper:
            return "good", (LEVEL_ASSUMED, *unconfirmed)
        return "good", unconfirmed

    def _missing_at(self, t: float) -> tuple[Quality, tuple[str, ...]]:
        found = [(name, ch.presence.missing(t)) for name, ch in self.channels.items()]
        slow = any(ch.presence.too_slow for ch in self.channels.values())
        reasons = tuple([f"{name} sensor {why}" for name, why in found if why is not None])
        return "invalid" if slow else "stale", reasons

    def tells_side(self, joint: str) -> bool:
        """Whether an encoder, or the description, tells the angle of a joint beside the arm plane."""
        swing = self.machine.boom_swing
        held = swing is not None and swing.held_deg is not None
        return joint == "boom_swing" and (held or self.machine.swing_sensor is not None)

    def _has_angle(self, body: str) -> bool:
        return body in self.by_body or body in self.held or (body == "bucket" and "rocker" in self.by_body)


class JointMap:
    """The map from (θ_1 … θ_N, roll, turns) to q of one arm; fixed but for the rocker.

    With J = ∂q/∂(θ_1 … θ_N, roll, turns), which is made of zeros and ones but for the bucket's row over a
    rocker: that one follows from the linkage's `ratio`, dβ/dρ, as `join` finds it (None without a rocker).
    """

    def __init__(self, arm: SensedArm, channels: Sequence[Channel]) -> None:
        n = len(channels)
        self._linkage = arm.linkage if arm.confirming is None else None
        self._rocker = next((i for i, ch in enumerate(channels) if ch.sensor.body == "rocker"), None)
        place: dict[str, int] = {ch.sensor.body: i for i, ch in enumerate(channels)}
        # Every angle of q is one of the sensors' (None: level) and a held angle on top.
        self._source: list[int | None] = [place.get("upper"), n]
        self._offset = [0.0, 0.0]
        for k, body in enumerate(arm.sections, start=2):
            before = k - 1 if k > 2 else 0
            told = body in place
            self._source.append(place[body] if told else self._source[before])
            self._offset.append(0.0 if told else self._offset[before] + arm.held.get(body, 0.0))
        self._bucket = len(self._source) - 1
        self._source += range(n + 1, n + 1 + len(arm.turns))
        self._offset += [0.0] * len(arm.turns)
        self._size = n + 1 + len(arm.turns)
        self._map = np.zeros((arm.size, self._size))
        for k, source in enumerate(self._source):
            if source is not None:
                self._map[k, source] = 1.0
        self._places = list(zip(self._source, self._offset, strict=True))

    def join(
        self, angles: Sequence[float], rates: Sequence[float]
    ) -> tuple[list[float] | None, list[float], float | None]:
        """The arm's q, its rates, and the linkage's ratio; q is None where the linkage cannot close."""
        q = [offset if i is None else angles[i] + offset for i, offset in self._places]
        q_rate = [0.0 if i is None else rates[i] for i in self._source]
        if self._rocker is None or self._linkage is None:
            return q, q_rate, None
        i, last = self._rocker, self._bucket
        solution = self._linkage.bucket_at(angles[i] - q[last - 1])
        if solution is None:
            return None, q_rate, None
        bucket, ratio = solution
        q[last] = q[last - 1] + bucket
        q_rate[last] = (1.0 - ratio) * q_rate[last - 1] + ratio * rates[i]
        return q, q_rate, ratio

    def jacobian(self, ratio: float | None) -> Array:
        """J, one row for each of q, N + 1 columns and one for each turn."""
        if ratio is None:
            return self._map
        J, last = self._map.copy(), self._bucket
        J[last] = (1.0 - ratio) * J[last - 1]
        J[last, self._rocker] += ratio
        return J

    def forth(self, column: Sequence[float], ratio: float | None) -> list[float]:
        """J · column: what belongs to (θ_1 … θ_N, roll, turns) as it belongs to q."""
        found = [0.0 if i is None else column[i] for i in self._source]
        if ratio is not None and self._rocker is not None:
            last = self._bucket
            found[last] = (1.0 - ratio) * found[last - 1] + ratio * column[self._rocker]
        return found

    def back(self, row: Sequence[float], ratio: float | None) -> list[float]:
        """row · J: derivatives by q as derivatives by (θ_1 … θ_N, roll, turns)."""
        found = [0.0] * self._size
        last = self._bucket
        for k, i in enumerate(self._source):
            if i is not None and (k != last or ratio is None):
                found[i] += row[k]
        if ratio is not None and self._rocker is not None:
            before = self._source[last - 1]
            if before is not None:
                found[before] += (1.0 - ratio) * row[last]
            found[self._rocker] += ratio * row[last]
        return found


class SensorSpread(Value, frozen=True):
    """See `tipdatum.fusion.pose.Spread`. By the bodies' angles, with J = ∂q/∂(θ_1 … θ_N, roll, turns):

        J (stated + diag(added)) Jᵀ + late lateᵀ + level in the upper's own place

    In plain arithmetic: arrays of five numbers cost more than what is computed with them.

    Attributes:
        posture, ratio: J, see `JointMap`.
        stated: square, rad², row by row, of the filter's last step.
        added: rad², what going on from there adds.
        late: one for each of q, rad, what the latency that all sensors share makes of the rates.
        level: rad², doubt in the upper where no sensor tells it.
    """

    posture: JointMap
    ratio: float | None
    stated: list[list[float]]
    added: list[float]
    late: list[float]
    level: float = 0.0

    def along(self, row: Sequence[float]) -> tuple[float, float]:
        """See `Spread.along`."""
        own = self.posture.back(row, self.ratio)
        stated = sum(map(mul, own, [sum(map(mul, line, own)) for line in self.stated]))
        late = sum(map(mul, self.late, row))
        ahead = sum(map(mul, self.added, map(mul, own, own))) + late * late
        return stated + self.level * row[0] * row[0] + ahead, ahead

    def covariance(self) -> Array:
        """See `Spread.covariance`."""
        J = self.posture.jacobian(self.ratio)
        found = J @ np.array(self.stated) @ J.T + self.prediction()
        found[0, 0] += self.level
        return np.asarray(found)

    def prediction(self) -> Array:
        """See `Spread.prediction`."""
        J = self.posture.jacobian(self.ratio)
        return np.asarray((J * self.added) @ J.T + np.outer(self.late, self.late))
