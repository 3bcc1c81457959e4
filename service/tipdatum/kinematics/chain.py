"""The arm as an ordered chain: upper, then each section from its lower pin to the next.

A pose is the vector q = (θ_upper, φ, θ_1 … θ_n): elevation angle of the upper, roll, elevation angle of
each section, all rad and absolute (against gravity), not relative to each other. All bodies of the arm
plane share the roll φ.

In the horizontal frame at the slew centre whose first axis h lies along the boom plane, whose second l
points left and whose third points up, a point of the arm plane with in-plane coordinates (X, Z) in the
upper frame and offset Y to the left stands at

    reach   =  X cos θu - Z sin θu
    lateral = -(X sin θu + Z cos θu) sin φ + Y cos φ
    height  =  (X sin θu + Z cos θu) cos φ + Y sin φ

and a link of length L at elevation angle θ adds (L cos θ, -L sin θ sin φ, L sin θ cos φ), because
h = (y × up)/cos φ = (cos θu, 0, -sin θu) and l = up × h = (-sin φ sin θu, cos φ, -sin φ cos θu) in the
upper frame. Height is measured from the slew centre, the point where the slew axis meets the ground.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from tipdatum.kinematics.frames import Array
from tipdatum_drivers.reading import Value

Point: TypeAlias = tuple[float, float, float]
"""Reach, lateral, height, m."""


class Located(Value, frozen=True):
    """One pose, everything about its tip that a tick needs.

    Attributes:
        pins: n + 1 points, boom foot to tip centre.
        corners: the left and the right tip corner.
        height_jacobian: (2 + n,) numbers, ∂(tip height)/∂q, m/rad.
        geometry_jacobian: (3 + n,) ∂(tip height)/∂(foot x, y, z, lengths).
    """

    pins: tuple[Point, ...]
    corners: tuple[Point, Point]
    height_jacobian: tuple[float, ...]
    geometry_jacobian: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Chain:
    """Geometry of one arm with one bucket.

    Attributes:
        foot: (3,) m, boom foot pin in the upper frame.
        lengths: (n,) m, pin to pin; the last is bucket pin to tip.
        names: body of each section, last "bucket".
        half_width: m, half the bucket's width.
    """

    foot: Array
    lengths: Array
    names: tuple[str, ...]
    half_width: float
    _plain: tuple[list[float], list[float]] = field(init=False, repr=False, compare=False)
    """Foot and lengths as plain numbers."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "_plain", (self.foot.tolist(), self.lengths.tolist()))

    @property
    def size(self) -> int:
        """Number of angles in q: upper, roll, and one a section."""
        return 2 + len(self.names)

    def pins(self, q: ArrayLike) -> Array:
        """Every pin from the boom foot to the tip.

        Args:
            q: (..., 2 + n) rad.

        Returns:
            (..., n + 1, 3) m: reach, lateral, height of the boom foot, each next pin, and the tip centre.
        """
        q = np.asarray(q, dtype=float)
        tu, ph, th = q[..., 0], q[..., 1], q[..., 2:]
        fx, fy, fz = self.foot
        sp, cp = np.sin(ph), np.cos(ph)
        along = np.cumsum(self.lengths * np.cos(th), axis=-1)
        rise = np.cumsum(self.lengths * np.sin(th), axis=-1)
        zero = np.zeros((*q.shape[:-1], 1))
        x = (fx * np.cos(tu) - fz * np.sin(tu))[..., None] + np.concatenate([zero, along], axis=-1)
        z = (fx * np.sin(tu) + fz * np.cos(tu))[..., None] + np.concatenate([zero, rise], axis=-1)
        return np.stack(
            [x, -z * sp[..., None] + fy * cp[..., None], z * cp[..., None] + fy * sp[..., None]], -1
        )

    def tip(self, q: ArrayLike) -> Array:
        """Tip centre, (..., 3) m: reach, lateral, height. `q` as in `pins`."""
        return self.pins(q)[..., -1, :]

    def corners(self, q: ArrayLike) -> Array:
        """Left and right tip corner, (..., 2, 3) m: reach, lateral, height. `q` as in `pins`."""
        q = np.asarray(q, dtype=float)
        tip, ph = self.tip(q), q[..., 1]
        left = np.stack([np.zeros_like(ph), np.cos(ph), np.sin(ph)], axis=-1) * self.half_width
        return np.stack([tip + left, tip - left], axis=-2)

    def height_jacobian(self, q: ArrayLike) -> Array:
        """∂(tip height)/∂q, (..., 2 + n) m/rad."""
        q = np.asarray(q, dtype=float)
        tu, ph, th = q[..., 0], q[..., 1], q[..., 2:]
        fx, fy, fz = self.foot
        sp, cp = np.sin(ph), np.cos(ph)
        in_plane = fx * np.sin(tu) + fz * np.cos(tu) + (self.lengths * np.sin(th)).sum(axis=-1)
        d_upper = cp * (fx * np.cos(tu) - fz * np.sin(tu))
        d_roll = -sp * in_plane + cp * fy
        d_links = cp[..., None] * self.lengths * np.cos(th)
        return np.concatenate([d_upper[..., None], d_roll[..., None], d_links], axis=-1)

    def height_geometry_jacobian(self, q: ArrayLike) -> Array:
        """∂(tip height)/∂(foot x, y, z, lengths), (..., 3 + n), dimensionless."""
        q = np.asarray(q, dtype=float)
        tu, ph, th = q[..., 0], q[..., 1], q[..., 2:]
        sp, cp = np.sin(ph), np.cos(ph)
        foot = np.stack([cp * np.sin(tu), sp, cp * np.cos(tu)], axis=-1)
        return np.concatenate([foot, cp[..., None] * np.sin(th)], axis=-1)

    def locate(self, q: Sequence[float]) -> Located:
        """`pins`, `corners` and both Jacobians of one pose at once.

        The same figures as the methods above, in plain arithmetic and plain numbers: for a single pose an
        array costs more than what is computed with it.
        """
        tu, ph, *thetas = q
        (fx, fy, fz), lengths = self._plain
        su, cu, sp, cp = math.sin(tu), math.cos(tu), math.sin(ph), math.cos(ph)
        along, rise = fx * cu - fz * su, fx * su + fz * cu
        pins = [(along, fy * cp - rise * sp, rise * cp + fy * sp)]
        jacobian = [cp * along, 0.0]
        geometry = [cp * su, sp, cp * cu]
        for length, theta in zip(lengths, thetas, strict=True):
            s, c = math.sin(theta), math.cos(theta)
            along += length * c
            rise += length * s
            pins.append((along, fy * cp - rise * sp, rise * cp + fy * sp))
            jacobian.append(cp * length * c)
            geometry.append(cp * s)
        jacobian[1] = cp * fy - sp * rise
        x, y, z = pins[-1]
        w = self.half_width
        corners = ((x, y + w * cp, z + w * sp), (x, y - w * cp, z - w * sp))
        return Located(tuple(pins), corners, tuple(jacobian), tuple(geometry))
