"""The bucket linkage as a witness: a rocker's sensor beside one on a bucket that tilts.

The linkage says how the bucket stands to the stick, β(ρ), with ρ the rocker's angle to the stick:

    θ_stick + β(θ_rocker - θ_stick) + slack - θ_bucket = 0

Play and taped lengths leave an error that is the same everywhere, the state `slack`, and one that changes
with the linkage's posture: what is new in it comes with the turning alone, so that a bucket at rest confirms
nothing twice. One that is far beyond that is a wrong description, and is not used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array
from tipdatum.kinematics.linkage import FourBar

LENGTHS_M = 0.003
"""1-sigma of what lengths and play make of the link's pin, m, where the description does not say: a tape from
pin to pin, and a millimetre of play in each of three pins (common practice, no source)."""
POSTURE_RAD = 0.5
"""Turning of the bucket to its stick after which the linkage's error is another one, rad: a fifth of the
way that a bucket has."""
TURNS_RADPS = 0.02
"""Slowest turning that counts, rad/s: two gyros' biases differ by no more."""
MOST_RATIO = 4.0
"""dβ/dρ from which a linkage stands next to its dead centre, and says nothing."""
BELIED_RAD, BELIED_SIGMAS = math.radians(3.0), 4.0
"""Gap, rad and in its 1-sigma, beyond which the linkage is not believed; half of it to be believed again."""


class Gap(NamedTuple):
    """Of the equation above, with the angles as the filter has them.

    Attributes:
        angle: rad, its left side.
        by_angles: (3,) its derivatives by the angles of stick, rocker and bucket.
    """

    angle: float
    by_angles: Array


class ClosedLinkage(NamedTuple):
    """The linkage, and who sits on it.

    Attributes:
        sensors: numbers of the sensors of stick, rocker and bucket.
        sigma: rad, 1-sigma of each of the linkage's two errors.
    """

    linkage: FourBar
    sensors: list[int]
    sigma: float

    @classmethod
    def of(cls, arm: SensedArm, channels: Sequence[Channel]) -> ClosedLinkage | None:
        """That of an arm; None where no linkage confirms the bucket's angle."""
        if arm.confirming is None or arm.linkage is None or arm.machine.linkage is None:
            return None
        bodies = [channel.sensor.body for channel in channels]
        stated = arm.machine.linkage.length_sigma_m
        off = LENGTHS_M if stated is None else max(stated, 0.001)
        sensors = [bodies.index(body) for body in ("stick", "rocker", "bucket")]
        return cls(arm.linkage, sensors, math.sqrt(2.0) * off / arm.linkage.ear)

    def gap(self, theta: Array, slack: float) -> Gap | None:
        """At θ (N,) rad and what follows; None where the linkage cannot close, or next to its dead centre."""
        stick, rocker, bucket = theta[self.sensors].tolist()
        found = self.linkage.bucket_at(rocker - stick)
        if found is None or not abs(found[1]) < MOST_RATIO:
            return None
        beta, ratio = found
        angle = math.remainder(stick + beta + slack - bucket, 2.0 * math.pi)
        return Gap(angle, np.array([1.0 - ratio, ratio, -1.0]))

    def variance(self, rates: Sequence[float], span: float) -> float:
        """rad², of what the linkage says anew in a block of `span` s in which the bodies turn at `rates`."""
        stick, _, bucket = self.sensors
        turned = abs(rates[bucket] - rates[stick])
        if turned < TURNS_RADPS:
            return SAYS_NOTHING
        return self.sigma**2 * POSTURE_RAD / (turned * span)


SAYS_NOTHING = 1e6
"""Variance of a linkage that stands still, rad²."""


class Witness:
    """Whether the linkage is believed."""

    def __init__(self) -> None:
        self._belied = False

    def watch(self, closure: ClosedLinkage | None, x: Array, P: Array, slack: int) -> str | None:
        """Look at state x (n,) and covariance P (n, n), `slack` its place; what is new to say."""
        gap = None if closure is None else closure.gap(x, float(x[slack]))
        if closure is None or gap is None:
            return None
        places, row = [*closure.sensors, slack], np.append(gap.by_angles, 1.0)
        return self._compare(gap.angle, float(row @ P[np.ix_(places, places)] @ row))

    def _compare(self, gap: float, variance: float) -> str | None:
        limit = BELIED_RAD + BELIED_SIGMAS * math.sqrt(max(variance, 0.0))
        before, self._belied = self._belied, abs(gap) > (0.5 * limit if self._belied else limit)
        if self._belied == before:
            return None
        return BELIED if self._belied else "rocker and bucket sensor agree through the linkage again"

    @property
    def reasons(self) -> tuple[str, ...]:
        """What there is to say of a pose."""
        return (BELIED,) if self._belied else ()

    @property
    def believed(self) -> bool:
        """Whether the linkage is used."""
        return not self._belied


BELIED = "rocker and bucket sensor do not agree through the linkage"
