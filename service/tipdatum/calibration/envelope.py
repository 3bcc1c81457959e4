"""Postures over the working envelope: where the tip may be, and how the arm gets there.

Joint ranges stand for ordinary machines (common practice, no source); they only choose which postures a
map or a plan looks at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

BOOM_DEG = (-40.0, 65.0)
"""Boom above the horizontal."""
STICK_DEG = (-155.0, -28.0)
"""Stick relative to the boom."""
BUCKET_DEG = (-130.0, 45.0)
"""Bucket relative to the stick."""

TRENCHING_DEG = -110.0
"""Bucket against the horizontal while it cuts a level grade: tip down, a little curled."""

ATTITUDES_DEG = (-150.0, TRENCHING_DEG, -70.0)
"""Bucket attitudes that an envelope is looked at with: curled, cutting, opened."""


@dataclass(frozen=True, slots=True)
class Postures:
    """P postures on level ground.

    Attributes:
        reach, height: (P,) m of the tip from the slew centre.
        q: (P, 5) rad, as in `tipdatum.kinematics.chain`.
        rocker: (P,) rad absolute, NaN without a linkage.
    """

    reach: Array
    height: Array
    q: Array
    rocker: Array

    def __len__(self) -> int:
        return len(self.reach)

    def take(self, which: NDArray[np.int_]) -> Postures:
        """Only those postures."""
        return Postures(self.reach[which], self.height[which], self.q[which], self.rocker[which])


def reach_points(
    machine: Machine, reach: Array, height: Array, bucket_deg: Array
) -> tuple[Postures, NDArray[np.int_]]:
    """Postures that put the tip at points, elbow up.

    Args:
        reach, height: (P,) m. bucket_deg: (P,) the bucket's angle against the horizontal.

    Returns:
        The postures that exist, and which of the points they are, (K,) indices.
    """
    chain = machine.chain()
    boom, stick, tip = chain.lengths
    bucket = np.radians(bucket_deg)
    x = reach - tip * np.cos(bucket) - chain.foot[0]
    z = height - tip * np.sin(bucket) - chain.foot[2]
    far = np.hypot(x, z)
    with np.errstate(invalid="ignore", divide="ignore"):
        at_foot = np.arccos((boom**2 + far**2 - stick**2) / (2 * boom * far))
        th_boom = np.arctan2(z, x) + at_foot
        th_stick = np.arctan2(z - boom * np.sin(th_boom), x - boom * np.cos(th_boom))
    q = np.stack([np.zeros_like(reach), np.zeros_like(reach), th_boom, th_stick, bucket], axis=-1)
    with np.errstate(invalid="ignore"):
        fits = (
            np.isfinite(q).all(axis=-1)
            & _inside(th_boom, BOOM_DEG)
            & _inside(th_stick - th_boom, STICK_DEG)
            & _inside(bucket - th_stick, BUCKET_DEG)
        )
    rocker = rocker_angles(machine, q)
    if machine.sensor_on("rocker") is not None:
        fits &= np.isfinite(rocker)
    which = np.flatnonzero(fits)
    return Postures(reach, height, q, rocker).take(which), which


def envelope(
    machine: Machine, step_m: float = 0.25, attitudes_deg: Sequence[float] = ATTITUDES_DEG
) -> Postures:
    """A grid of tip positions that the arm reaches, each with every bucket attitude that it allows."""
    chain = machine.chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    reach = np.arange(1.0, out + step_m, step_m)
    height = step_m * np.arange(-math.ceil(out / step_m), math.ceil(out / step_m) + 1)
    r, h, b = (a.ravel() for a in np.meshgrid(reach, height, np.array(attitudes_deg)))
    postures, _ = reach_points(machine, r, h, b)
    return postures


def rocker_angles(machine: Machine, q: Array) -> Array:
    """(P,) rad, absolute rocker angle that goes with a posture; NaN without a linkage or where none does."""
    if machine.linkage is None:
        return np.full(len(q), math.nan)
    bar = machine.four_bar()
    wanted = q[:, 4] - q[:, 3]
    roots = bar.rocker_from_bucket(wanted)
    found = np.full(len(q), math.nan)
    for k in range(2):
        back = bar.bucket_from_rocker(np.nan_to_num(roots[:, k])).bucket
        good = np.isfinite(roots[:, k]) & (np.abs(np.angle(np.exp(1j * (back - wanted)))) < 1e-6)
        # Where both roots serve, the rocker's pivot side away from the stick is the built one.
        better = good & (np.isnan(found) | (np.sin(roots[:, k]) > np.sin(found)))
        found = np.where(better, roots[:, k], found)
    absolute: Array = found + q[:, 3]
    return absolute


def _inside(angle: Array, limits_deg: tuple[float, float]) -> NDArray[np.bool_]:
    folded = np.degrees(np.angle(np.exp(1j * angle)))
    inside: NDArray[np.bool_] = (folded >= limits_deg[0]) & (folded <= limits_deg[1])
    return inside
