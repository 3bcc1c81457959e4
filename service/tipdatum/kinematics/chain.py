"""The arm as an ordered chain: upper, then each section from its lower pin to the next.

A pose is the vector q = (θ_upper, φ, θ_1 … θ_n [, s] [, τ]): elevation angle of the upper, roll, elevation
angle of each section, all rad and absolute (against gravity), not relative to each other; then the swing s of
a boom that swings at its foot and the tilt τ of a bucket that tilts sideways, where the machine has them. All
bodies of the arm plane share the roll φ.

In the horizontal frame at the slew centre whose first axis h lies along the boom plane, whose second l
points left and whose third points up, a point of the arm plane with in-plane coordinates (X, Z) in the
upper frame and offset Y to the left stands at

    reach   =  X cos θu - Z sin θu
    lateral = -(X sin θu + Z cos θu) sin φ + Y cos φ
    height  =  (X sin θu + Z cos θu) cos φ + Y sin φ

and a link of length L at elevation angle θ adds (L cos θ, -L sin θ sin φ, L sin θ cos φ), because
h = (y × up)/cos φ = (cos θu, 0, -sin θu) and l = up × h = (-sin φ sin θu, cos φ, -sin φ cos θu) in the
upper frame. Height is measured from the slew centre, the point where the slew axis meets the ground.

**Swing.** Where the boom swings, the first body is the *swing post*: the upper turned by s about its own z
axis, to which all pins of the arm are square. θ_upper and φ are the post's, the boom plane is the post's
x-z plane, and everything above holds with the foot in the post's axes,

    f(s) = Rz(-s) pivot + (foot - pivot)        ∂f/∂s = -z × Rz(-s) pivot

What the upper itself leans by follows: its `up` is Rz(s) times the post's.

**Tilt.** A bucket that tilts turns about an axis a = (cos α, 0, sin α) through A = (x, 0, z) of its untilted
frame, which lies in the arm plane and whose elevation angle is θ_n. A point p of the tilting part stands at

    A + R_a(τ) (p - A)        ∂/∂τ = a × R_a(τ) (p - A)

there, R_a(τ) v = v cos τ + (a × v) sin τ + a (a·v) (1 - cos τ) (Rodrigues).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from operator import sub
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from tipdatum.kinematics.frames import Array, crossed
from tipdatum_drivers.reading import Value

Point: TypeAlias = tuple[float, float, float]
"""Reach, lateral, height, m; or x, y, z in a body's axes, m."""


class TiltAxis(NamedTuple):
    """The axis about which a bucket tilts, in the x-z plane of the untilted bucket.

    Attributes:
        x, z: m, a point of it. angle: rad, its direction from x towards z.
    """

    x: float
    z: float
    angle: float

    @property
    def direction(self) -> Point:
        """Of length 1."""
        return (math.cos(self.angle), 0.0, math.sin(self.angle))

    def turned(self, point: Sequence[float], tilt: float) -> tuple[Point, Point]:
        """Where a point of the tilting part stands in the untilted bucket's axes, and its derivative by τ.

        Args:
            point: (3,) m, in the bucket's axes. tilt: rad.
        """
        ax, _, az = self.direction
        x, y, z = point[0] - self.x, point[1], point[2] - self.z
        c, s = math.cos(tilt), math.sin(tilt)
        along = (ax * x + az * z) * (1.0 - c)
        rx, ry, rz = (
            x * c - az * y * s + ax * along,
            y * c + (az * x - ax * z) * s,
            z * c + ax * y * s + az * along,
        )
        return (self.x + rx, ry, self.z + rz), (-az * ry, az * rx - ax * rz, ax * ry)


def fall_of(corners: Sequence[Point]) -> float:
    """Rise over run from the right corner to the left one, given as (left, right); ±inf when upright."""
    (xl, yl, zl), (xr, yr, zr) = corners
    run, rise = math.hypot(xl - xr, yl - yr), zl - zr
    return rise / run if run > 0.0 else math.copysign(math.inf, rise)


class Located(Value, frozen=True):
    """One pose, everything about its tip that a tick needs.

    Attributes:
        pins: n + 1 points, boom foot to tip centre.
        corners: the left and the right tip corner.
        height_jacobian: one number for each of q, ∂(tip height)/∂q, m/rad.
        geometry_jacobian: (3 + n,) ∂(tip height)/∂(foot x, y, z, lengths), the corners' as well: what is
            wrong of these moves the edge along itself.
        edge_jacobian: one number for each of q, ∂(left corner's height - tip height)/∂q, m/rad; the right
            corner's has the other sign, for a corner is as far from the tip on either side.
    """

    pins: tuple[Point, ...]
    corners: tuple[Point, Point]
    height_jacobian: tuple[float, ...]
    geometry_jacobian: tuple[float, ...]
    edge_jacobian: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Chain:
    """Geometry of one arm with one bucket.

    Attributes:
        foot: (3,) m, boom foot pin in the upper frame, with the boom straight ahead.
        lengths: (n,) m, pin to pin; the last is bucket pin to tip, along the bucket's x.
        names: body of each section, last "bucket".
        half_width: m, half the bucket's width.
        swing_pivot: m, a point of the boom's swing axis, in the upper frame; None: it does not swing.
        tilt_axis: of the bucket; None: it does not tilt.
        tip_z: m, of the tip in the bucket's axes, whose x the last length is; not 0 on a coupler.
    """

    foot: Array
    lengths: Array
    names: tuple[str, ...]
    half_width: float
    swing_pivot: Point | None = None
    tilt_axis: TiltAxis | None = None
    tip_z: float = 0.0
    _plain: tuple[list[float], list[float]] = field(init=False, repr=False, compare=False)
    """Foot and lengths as plain numbers."""
    _planar: bool = field(init=False, repr=False, compare=False)
    """Whether all joints turn in the arm plane, and the bucket's x leads to the tip."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "_plain", (self.foot.tolist(), self.lengths.tolist()))
        plain = self.swing_pivot is None and self.tilt_axis is None and self.tip_z == 0.0
        object.__setattr__(self, "_planar", plain)

    @property
    def size(self) -> int:
        """Number of angles in q."""
        return 2 + len(self.names) + (self.swing_pivot is not None) + (self.tilt_axis is not None)

    @property
    def bucket(self) -> int:
        """Place of the bucket's elevation angle in q."""
        return 1 + len(self.names)

    @property
    def swing(self) -> int | None:
        """Place of the swing in q; None where the boom does not swing."""
        return None if self.swing_pivot is None else 2 + len(self.names)

    @property
    def tilt(self) -> int | None:
        """Place of the tilt in q; None where the bucket does not tilt."""
        return None if self.tilt_axis is None else self.size - 1

    def foot_at(self, swing: float) -> tuple[Point, Point]:
        """Boom foot in the post's axes at a swing in rad, and its derivative by it, m/rad."""
        fx, fy, fz = self._plain[0]
        if self.swing_pivot is None:
            return (fx, fy, fz), (0.0, 0.0, 0.0)
        px, py, _ = self.swing_pivot
        c, s = math.cos(swing), math.sin(swing)
        qx, qy = px * c + py * s, py * c - px * s
        return (qx + fx - px, qy + fy - py, fz), (qy, -qx, 0.0)

    def upper(self, q: Sequence[float]) -> tuple[float, float]:
        """Elevation angle and roll of the upper itself, rad: q's own but for a boom that swings."""
        tu, ph = q[0], q[1]
        if self.swing is None:
            return tu, ph
        s = q[self.swing]
        x, y, z = math.cos(ph) * math.sin(tu), math.sin(ph), math.cos(ph) * math.cos(tu)
        x, y = x * math.cos(s) - y * math.sin(s), x * math.sin(s) + y * math.cos(s)
        return math.atan2(x, z), math.asin(max(-1.0, min(1.0, y)))

    def pins(self, q: ArrayLike) -> Array:
        """Every pin from the boom foot to the tip.

        Args:
            q: (..., size) rad.

        Returns:
            (..., n + 1, 3) m: reach, lateral, height of the boom foot, each next pin, and the tip centre.
        """
        q = np.asarray(q, dtype=float)
        if not self._planar:
            return np.concatenate(self.in_bulk(q, ((float(self.lengths[-1]), 0.0, self.tip_z),)), axis=-2)
        tu, ph, th = q[..., 0], q[..., 1], q[..., 2:]
        fx, fy, fz = self.foot
        sp, cp = np.sin(ph), np.cos(ph)
        x, z = np.zeros((2, *q.shape[:-1], len(self.lengths) + 1))
        x[..., 1:] = np.cumsum(self.lengths * np.cos(th), axis=-1)
        z[..., 1:] = np.cumsum(self.lengths * np.sin(th), axis=-1)
        x += (fx * np.cos(tu) - fz * np.sin(tu))[..., None]
        z += (fx * np.sin(tu) + fz * np.cos(tu))[..., None]
        found = np.empty((*x.shape, 3))
        found[..., 0] = x
        found[..., 1] = -z * sp[..., None] + fy * cp[..., None]
        found[..., 2] = z * cp[..., None] + fy * sp[..., None]
        return found

    def tip(self, q: ArrayLike) -> Array:
        """Tip centre, (..., 3) m: reach, lateral, height. `q` as in `pins`."""
        return self.pins(q)[..., -1, :]

    def corners(self, q: ArrayLike) -> Array:
        """Left and right tip corner, (..., 2, 3) m: reach, lateral, height. `q` as in `pins`."""
        q = np.asarray(q, dtype=float)
        if not self._planar:
            out, w = float(self.lengths[-1]), self.half_width
            return self.in_bulk(q, ((out, w, self.tip_z), (out, -w, self.tip_z)))[1]
        tip, ph = self.tip(q), q[..., 1]
        left = np.stack([np.zeros_like(ph), np.cos(ph), np.sin(ph)], axis=-1) * self.half_width
        return np.stack([tip + left, tip - left], axis=-2)

    def height_jacobian(self, q: ArrayLike) -> Array:
        """∂(tip height)/∂q, (..., size) m/rad."""
        q = np.asarray(q, dtype=float)
        if not self._planar:
            return self._each(q, lambda one: self.locate(one).height_jacobian)
        tu, ph, th = q[..., 0], q[..., 1], q[..., 2:]
        fx, fy, fz = self.foot
        sp, cp = np.sin(ph), np.cos(ph)
        in_plane = fx * np.sin(tu) + fz * np.cos(tu) + (self.lengths * np.sin(th)).sum(axis=-1)
        d_upper = cp * (fx * np.cos(tu) - fz * np.sin(tu))
        d_roll = -sp * in_plane + cp * fy
        d_links = cp[..., None] * self.lengths * np.cos(th)
        return np.concatenate([d_upper[..., None], d_roll[..., None], d_links], axis=-1)

    def in_bulk(self, q: Array, points: Sequence[Point]) -> tuple[Array, Array]:
        """Pins before the tip, and points of the bucket, of many poses at once.

        Args:
            q: (..., size) rad. points: K of them, m, in the bucket's axes (of its tilting part).

        Returns:
            (..., n, 3) and (..., K, 3) m: reach, lateral, height of the boom foot and each next pin, and of
            the points.
        """
        fx, fy, fz = self._plain[0]
        x, y = np.full(q.shape[:-1], fx), np.full(q.shape[:-1], fy)
        if self.swing_pivot is not None:
            (px, py, _), s = self.swing_pivot, q[..., self.swing]
            x, y = x + px * (np.cos(s) - 1.0) + py * np.sin(s), y + py * (np.cos(s) - 1.0) - px * np.sin(s)
        tu, ph, th = q[..., 0], q[..., 1], q[..., 2 : self.bucket]
        zero = np.zeros((*q.shape[:-1], 1))
        out = np.concatenate([zero, np.cumsum(self.lengths[:-1] * np.cos(th), axis=-1)], axis=-1)
        up = np.concatenate([zero, np.cumsum(self.lengths[:-1] * np.sin(th), axis=-1)], axis=-1)
        along = (x * np.cos(tu) - fz * np.sin(tu))[..., None] + out
        rise = (x * np.sin(tu) + fz * np.cos(tu))[..., None] + up
        own = np.broadcast_to(np.array(points, dtype=float), (*q.shape[:-1], len(points), 3))
        if self.tilt_axis is not None:
            own = self._tilted(own, q[..., -1])
        c, s = np.cos(q[..., self.bucket, None]), np.sin(q[..., self.bucket, None])
        ends = along[..., -1:] + own[..., 0] * c - own[..., 2] * s
        tops = rise[..., -1:] + own[..., 0] * s + own[..., 2] * c
        return (
            _leaning(along, np.broadcast_to(y[..., None], along.shape), rise, ph),
            _leaning(ends, y[..., None] + own[..., 1], tops, ph),
        )

    def _tilted(self, points: Array, tilt: Array) -> Array:
        """`TiltAxis.turned` of points (..., K, 3), each pose's by its own tilt (...)."""
        assert self.tilt_axis is not None
        centre = np.array([self.tilt_axis.x, 0.0, self.tilt_axis.z])
        a, v = np.array(self.tilt_axis.direction), points - centre
        c, s = np.cos(tilt)[..., None, None], np.sin(tilt)[..., None, None]
        turned: Array = v * c + crossed(a, v) * s + (v @ a)[..., None] * a * (1.0 - c)
        turned += centre
        return turned

    def _each(self, q: Array, found: Callable[[list[float]], Sequence[Any]]) -> Array:
        """`found` of every pose, for arms with joints beside the plane's, of which nobody asks in bulk."""
        rows = np.array([found(one) for one in q.reshape(-1, self.size).tolist()])
        return rows.reshape(*q.shape[:-1], *rows.shape[1:])

    def locate(self, q: Sequence[float]) -> Located:
        """`pins`, `corners` and both Jacobians of one pose at once.

        The same figures as the methods above, in plain arithmetic and plain numbers: for a single pose an
        array costs more than what is computed with it.
        """
        if not self._planar:
            return self._locate_turned(q)
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
        edge = (0.0, w * cp, *[0.0] * len(thetas))
        return Located(tuple(pins), corners, tuple(jacobian), tuple(geometry), edge)

    def _locate_turned(self, q: Sequence[float]) -> Located:
        """`locate` for an arm whose boom swings, whose bucket tilts, or whose tip a coupler sets aside."""
        length, w, z = self._plain[1][-1], self.half_width, self.tip_z
        tip, row = self.point(q, (length, 0.0, z))
        pins, geometry = self._pins_to_bucket(q)
        (left, beside), (right, _) = self.point(q, (length, w, z)), self.point(q, (length, -w, z))
        # What a longer tip adds, for a metre of it.
        before, _ = self.point(q, (length - 1.0, 0.0, z))
        edge = tuple(map(sub, beside, row))
        return Located((*pins, tip), (left, right), tuple(row), (*geometry, tip[2] - before[2]), edge)

    def _pins_to_bucket(self, q: Sequence[float]) -> tuple[list[Point], list[float]]:
        """Pins from the boom foot to the bucket's, and ∂(tip height)/∂(foot x, y, z, lengths before it)."""
        (fx, fy, fz), _ = self.foot_at(0.0 if self.swing is None else q[self.swing])
        su, cu, sp, cp = math.sin(q[0]), math.cos(q[0]), math.sin(q[1]), math.cos(q[1])
        along, rise = fx * cu - fz * su, fx * su + fz * cu
        pins = [(along, fy * cp - rise * sp, rise * cp + fy * sp)]
        geometry = [cp * su, sp, cp * cu]
        for length, theta in zip(self._plain[1][:-1], q[2 : self.bucket], strict=True):
            s, c = math.sin(theta), math.cos(theta)
            along += length * c
            rise += length * s
            pins.append((along, fy * cp - rise * sp, rise * cp + fy * sp))
            geometry.append(cp * s)
        return pins, geometry

    def point(self, q: Sequence[float], point: Sequence[float]) -> tuple[Point, list[float]]:
        """Reach, lateral and height of a point of the bucket, and ∂height/∂q, one number for each of q.

        Args:
            q: (size,) rad. point: (3,) m, in the bucket's axes (of its tilting part).
        """
        tu, ph, n = q[0], q[1], len(self.names)
        (fx, fy, fz), (gx, gy, gz) = self.foot_at(0.0 if self.swing is None else q[self.swing])
        su, cu, sp, cp = math.sin(tu), math.cos(tu), math.sin(ph), math.cos(ph)
        along, rise = fx * cu - fz * su, fx * su + fz * cu
        row = [cp * along, 0.0]
        for length, theta in zip(self._plain[1][:-1], q[2 : 1 + n], strict=True):
            s, c = math.sin(theta), math.cos(theta)
            along += length * c
            rise += length * s
            row.append(cp * length * c)
        (x, y, z), (dx, dy, dz) = (
            ((point[0], point[1], point[2]), (0.0, 0.0, 0.0))
            if self.tilt_axis is None
            else self.tilt_axis.turned(point, q[-1])
        )
        s, c = math.sin(q[self.bucket]), math.cos(q[self.bucket])
        along += x * c - z * s
        rise += x * s + z * c
        across = fy + y
        row.append(cp * (x * c - z * s))
        row[1] = cp * across - sp * rise
        if self.swing is not None:
            row.append(cp * (gx * su + gz * cu) + sp * gy)
        if self.tilt_axis is not None:
            row.append(cp * (dx * s + dz * c) + sp * dy)
        return (along, across * cp - rise * sp, rise * cp + across * sp), row


def _leaning(along: Array, across: Array, rise: Array, roll: Array) -> Array:
    """(..., K, 3) reach, lateral, height of points of the arm plane at its roll (...)."""
    sp, cp = np.sin(roll)[..., None], np.cos(roll)[..., None]
    found = np.empty((*along.shape, 3))
    found[..., 0], found[..., 1], found[..., 2] = along, across * cp - rise * sp, rise * cp + across * sp
    return found
