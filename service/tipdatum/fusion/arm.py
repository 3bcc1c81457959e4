"""Which sensor tells which angle of the arm, and what to do where none does.

- A sensor on a section tells its angle; one on the rocker tells the bucket's through the linkage.
- A joint with `held_deg` and no sensor stands at that angle to the body before it.
- Without a sensor on the upper the machine is taken as level, with `LEVEL_SIGMA_RAD` of doubt.
- Roll is common to the whole arm: the upper's sensor tells it, otherwise the first one on the arm.
- A section with neither sensor nor held angle cannot be known: `invalid`, with the reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.pose import Quality
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import ARM, Machine

LEVEL_SIGMA_RAD = math.radians(1.0)
"""Doubt in "the machine stands level", rad: ground that a person calls level; common practice, no source."""

LEVEL_ASSUMED = "no sensor on the upper: level machine assumed"


@dataclass(frozen=True, slots=True)
class ArmAngles:
    """What one body's sensor tells: rad, rad/s, rad²."""

    theta: float
    roll: float
    theta_rate: float
    roll_rate: float
    variance: float
    slew_rate: float = 0.0


@dataclass(frozen=True, slots=True)
class Joined:
    """Angles of the whole arm, as `tipdatum.fusion.pose.Pose` has them."""

    angles: Array
    rates: Array
    covariance: Array
    slew_rate: float


class Arm:
    """Sensors by body, and the rules above."""

    def __init__(self, machine: Machine, keep: Arm | None = None) -> None:
        self.machine = machine
        self.size = 2 + len(ARM)
        self.channels: dict[str, Channel] = {}
        self._turns: float = keep._turns if keep is not None else 0.0
        for name, sensor in machine.sensor.items():
            if sensor.type not in ("imu", "tilt"):
                continue
            if sensor.body == "rocker" and machine.sensor_on("bucket") is not None:
                continue
            channel = Channel(name, sensor, machine.gravity_mps2)
            old = keep.channels.get(name) if keep is not None else None
            if old is not None:
                channel.last_t, channel.period = old.last_t, old.period
                channel.stale_after = old.stale_after
            self.channels[name] = channel
        self.by_body = {ch.sensor.body: ch for ch in self.channels.values()}
        self.linkage: FourBar | None = machine.four_bar() if "rocker" in self.by_body else None
        held = {
            "boom": machine.boom.held_deg,
            "stick": machine.stick.held_deg,
            "bucket": machine.bucket[0].held_deg,
        }
        self.held = {body: math.radians(deg) for body, deg in held.items() if deg is not None}
        self._missing = tuple(f"no sensor on the {body}" for body in ARM if not self._told(body))

    def availability(self, t: float) -> tuple[Quality, tuple[str, ...]]:
        """Whether every angle can be told at `t`: `good`, `stale` or `invalid`, with reasons.

        With `good` the reasons are what is assumed; `tipdatum.fusion.condition` judges what that makes of it.
        """
        if self._missing:
            return "invalid", self._missing
        for channel in self.channels.values():
            if t - channel.last_t > channel.stale_after:
                silences = [each.silence(t) for each in self.channels.values()]
                return "stale", tuple([silence for silence in silences if silence is not None])
        if "upper" not in self.by_body:
            return "good", (LEVEL_ASSUMED,)
        return "good", ()

    def _told(self, body: str) -> bool:
        return body in self.by_body or body in self.held or (body == "bucket" and "rocker" in self.by_body)

    def join(self, tilt: dict[str, ArmAngles]) -> Joined | str:
        """Angles of the whole arm from those of the bodies, or why they cannot be told."""
        n = self.size
        angles, rates = np.zeros(n), np.zeros(n)
        source = tilt.get("upper") or next((tilt[b] for b in ARM if b in tilt), None)
        if source is None:
            return "no tilt sensor on the machine"
        jacobian: dict[int, dict[str, float]] = {1: {"roll": 1.0}}
        variances = {body: a.variance for body, a in tilt.items()}
        variances["roll"] = source.variance
        angles[1], rates[1] = source.roll, source.roll_rate
        if "upper" in tilt:
            angles[0], rates[0] = tilt["upper"].theta, tilt["upper"].theta_rate
            jacobian[0] = {"upper": 1.0}
        else:
            jacobian[0] = {"level": 1.0}
            variances["level"] = LEVEL_SIGMA_RAD**2
        for k, body in enumerate(ARM, start=2):
            if body in tilt:
                angles[k], rates[k] = tilt[body].theta, tilt[body].theta_rate
                jacobian[k] = {body: 1.0}
            elif body == "bucket" and self.linkage is not None and "rocker" in tilt:
                rocker = tilt["rocker"]
                solution = self.linkage.bucket_from_rocker(rocker.theta - angles[k - 1])
                if not bool(solution.closes[0]):
                    return "linkage out of its range"
                ratio = float(solution.ratio[0])
                angles[k] = self._carried(angles[k - 1] + float(solution.bucket[0]))
                rates[k] = (1.0 - ratio) * rates[k - 1] + ratio * rocker.theta_rate
                jacobian[k] = {b: (1.0 - ratio) * d for b, d in jacobian[k - 1].items()}
                jacobian[k]["rocker"] = ratio
            else:
                angles[k] = angles[k - 1 if k > 2 else 0] + self.held[body]
                rates[k] = rates[k - 1 if k > 2 else 0]
                jacobian[k] = dict(jacobian[k - 1 if k > 2 else 0])
        J, names = _dense(jacobian, n)
        covariance = J @ np.diag([variances[b] for b in names]) @ J.T
        self._last_jacobian = (J, names)
        return Joined(angles, rates, covariance, source.slew_rate)

    def join_variances(self, tilt: dict[str, ArmAngles], variances: dict[str, float]) -> Array:
        """A part of the covariance, carried through the last `join`: rad² a body in, (n, n) rad² out."""
        J, names = self._last_jacobian
        source = "upper" if "upper" in tilt else next(b for b in ARM if b in tilt)
        values = [variances[source] if b == "roll" else variances.get(b, 0.0) for b in names]
        return np.asarray(J @ np.diag(values) @ J.T, dtype=float)

    def _carried(self, angle: float) -> float:
        self._turns = angle + 2.0 * math.pi * round((self._turns - angle) / (2.0 * math.pi))
        return self._turns


def _dense(jacobian: dict[int, dict[str, float]], n: int) -> tuple[Array, list[str]]:
    names = sorted({b for row in jacobian.values() for b in row})
    J = np.zeros((n, len(names)))
    for row, entries in jacobian.items():
        for body, value in entries.items():
            J[row, names.index(body)] = value
    return J, names
