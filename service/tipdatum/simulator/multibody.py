"""Dynamics of a serial chain of rigid bodies: mass matrix, bias forces, motion of any point.

Every joint turns about, or slides along, one axis of its own frame and carries a body (of mass 0 where it
only adds a freedom). The base of a machine is a chain too: three slides, heading, pitch, roll. With R_i,
o_i the frame of joint i in the world, a_i its axis, q̇_i its speed,

    ω_i = Σ_{j≤i, turning} a_j q̇_j        J_v(p)_j = a_j × (p - o_j) turning, a_j sliding
    M = Σ_i m_i J_vᵀ J_v + J_ωᵀ I_i J_ω     (Jacobians at the bodies' centres of mass)
    M q̈ + Σ_i J_vᵀ m_i (a⁰_i - g) + J_ωᵀ (I_i α⁰_i + ω_i × I_i ω_i) = τ

where a⁰ and α⁰ are the accelerations at q̈ = 0. In the world's axes and about the world's origin all of these
are sums along the chain: those of motion outwards, those of mass and force inwards, so that every joint meets
all that it carries as one (Featherstone, *Rigid Body Dynamics Algorithms*, ch. 6: composite rigid bodies).
They are formed in plain numbers: vectors of three cost several times as much as arrays.

World axes: z up. Units: m, rad, kg, N, N·m, s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Frame = tuple[float, ...]
"""Of one joint, in plain numbers: R row by row, origin, axis, ω, velocity, α⁰, a⁰; 27 in all."""
Moving = tuple[float, float, float, float, float, float]
"""Angular acceleration of a frame, and acceleration of its origin."""


@dataclass(frozen=True, slots=True)
class Body:
    """Mass properties in the joint's frame: kg, centre of mass (3,) m, principal inertias (3,) kg·m²."""

    mass: float = 0.0
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)
    inertia: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """About axes parallel to the frame's, through the centre."""


@dataclass(frozen=True, slots=True)
class Joint:
    """One freedom and the body that it moves.

    Attributes:
        name: unique in the chain.
        kind: "turn" about or "slide" along the axis.
        axis: 0, 1 or 2, the axis of the joint's own frame, or (3,) a direction of length 1 in it, for a turn;
            `sense` -1 turns it round.
        origin: (3,) m, the frame's origin in the frame before it, at q = 0.
        body: what it carries.
    """

    name: str
    kind: Literal["turn", "slide"]
    axis: int | tuple[float, float, float]
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)
    body: Body = Body()
    sense: float = 1.0

    @property
    def direction(self) -> tuple[float, float, float]:
        """(3,) of length 1, in the joint's frame: about or along it q is positive."""
        s = self.sense
        if isinstance(self.axis, tuple):
            x, y, z = self.axis
            return (s * x, s * y, s * z)
        return (s if self.axis == 0 else 0.0, s if self.axis == 1 else 0.0, s if self.axis == 2 else 0.0)


@dataclass(slots=True)
class MultibodyState:
    """The chain at one moment. n joints; arrays are in world axes.

    Attributes:
        q, v: (n,) positions and speeds of the joints.
        R: (n, 3, 3) joint frame to world. origin, axis: (n, 3).
        omega: (n, 3) rad/s. velocity: (n, 3) of the origins, m/s.
        frames: the same in plain numbers, with the accelerations of frames and origins at q̈ = 0.
        turning: (n,) 1 where a joint turns, 0 where it slides.
    """

    q: Array
    v: Array
    R: Array
    origin: Array
    axis: Array
    omega: Array
    velocity: Array
    frames: list[Frame]
    turning: Array

    def point(self, joint: int, at: Array) -> Array:
        """World place (3,) of a point given in a joint's frame."""
        x, y, z = self._from_origin(joint, at)
        ox, oy, oz = self.frames[joint][9:12]
        return np.array((ox + x, oy + y, oz + z))

    def point_velocity(self, joint: int, at: Array) -> Array:
        """World velocity (3,) of a point given in a joint's frame."""
        x, y, z = self._from_origin(joint, at)
        wx, wy, wz, vx, vy, vz = self.frames[joint][15:21]
        return np.array((vx + wy * z - wz * y, vy + wz * x - wx * z, vz + wx * y - wy * x))

    def _from_origin(self, joint: int, at: Array) -> tuple[float, float, float]:
        x, y, z = np.asarray(at).tolist()
        a, b, c, d, e, f, g, h, i = self.frames[joint][:9]
        return (a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z)

    def jacobian(self, joint: int, place: Array) -> Array:
        """(n, 3) ∂(world velocity of the point of that body that is at `place`)/∂v."""
        arm = place - self.origin
        rows = np.where(self.turning[:, None] > 0, cross(self.axis, arm), self.axis)
        rows[joint + 1 :] = 0.0
        return np.asarray(rows)

    def felt(
        self, joint: int, at: tuple[float, float, float], moving: Moving, gravity: float
    ) -> tuple[float, ...]:
        """Specific force, m/s², and rate, rad/s, of a point of a joint's frame, in that frame; 6 in all.

        Args:
            moving: of that frame, out of `moving`. gravity: m/s², downwards.
        """
        x, y, z = at
        a, b, c, d, e, f, g, h, i = self.frames[joint][:9]
        wx, wy, wz = self.frames[joint][15:18]
        ex, ey, ez, gx, gy, gz = moving
        rx, ry, rz = a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z
        sx, sy, sz = wy * rz - wz * ry, wz * rx - wx * rz, wx * ry - wy * rx
        fx = gx + ey * rz - ez * ry + wy * sz - wz * sy
        fy = gy + ez * rx - ex * rz + wz * sx - wx * sz
        fz = gz + ex * ry - ey * rx + wx * sy - wy * sx + gravity
        return (
            a * fx + d * fy + g * fz, b * fx + e * fy + h * fz, c * fx + f * fy + i * fz,
            a * wx + d * wy + g * wz, b * wx + e * wy + h * wz, c * wx + f * wy + i * wz,
        )  # fmt: skip

    def accelerations(self, qdd: Array) -> tuple[Array, Array]:
        """Angular acceleration of every frame and acceleration of every origin, (n, 3) each, at `qdd`."""
        found = np.array(self.moving(qdd))
        return found[:, :3], found[:, 3:]

    def moving(self, qdd: Array) -> list[Moving]:
        """The same in plain numbers."""
        found: list[Moving] = []
        # α and a beyond α⁰ and a⁰, and the place of the frame before.
        p = q = r = a = b = c = u = v = w = 0.0
        for frame, turns, own in zip(self.frames, self.turning.tolist(), qdd.tolist(), strict=True):
            x, y, z, i, j, k = frame[9:15]
            d, e, f = x - u, y - v, z - w
            a, b, c = a + q * f - r * e, b + r * d - p * f, c + p * e - q * d
            if turns:
                p, q, r = p + i * own, q + j * own, r + k * own
            else:
                a, b, c = a + i * own, b + j * own, c + k * own
            u, v, w = x, y, z
            ex, ey, ez, gx, gy, gz = frame[21:]
            found.append((ex + p, ey + q, ez + r, gx + a, gy + b, gz + c))
        return found


def cross(a: Array, b: Array) -> Array:
    """Cross product over the last axis; numpy's own costs four times as much for a few rows."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    x = ay * bz - az * by
    out = np.empty((*x.shape, 3))
    out[..., 0] = x
    out[..., 1] = az * bx - ax * bz
    out[..., 2] = ax * by - ay * bx
    return out


class Multibody:
    """A serial chain; each joint sits on the one before, the first on the world.

    Args:
        joints: from the world outwards. gravity: m/s², downwards.
    """

    def __init__(self, joints: Sequence[Joint], gravity: float = 9.80665) -> None:
        self.joints = tuple(joints)
        self.size = len(self.joints)
        self.index = {joint.name: i for i, joint in enumerate(self.joints)}
        self.gravity = gravity
        self._turning = np.array([1.0 if j.kind == "turn" else 0.0 for j in self.joints])
        self.bodies = [joint.body for joint in self.joints]
        """What each carries now."""

    def set_body(self, joint: int, body: Body) -> None:
        """Change what a joint that carries a mass carries: a bucket that fills."""
        self.bodies[joint] = body

    def motion(self, q: Array, v: Array) -> MultibodyState:
        """Where everything is and how it moves, at positions `q` and speeds `v`, (n,) each."""
        frames = self._frames(q, v)
        found = np.array(frames)
        R = found[:, :9].reshape(self.size, 3, 3)
        origin, axis, omega, velocity = (found[:, i : i + 3] for i in (9, 12, 15, 18))
        return MultibodyState(q, v, R, origin, axis, omega, velocity, frames, self._turning)

    def _frames(self, q: Array, v: Array) -> list[Frame]:
        """Outwards along the chain; of each step d to the next frame

        ω += a q̇,  o += d,  ȯ += ω × d + a q̇,  α⁰ += ω × a q̇,  a⁰ += α⁰ × d + ω × (ω × d) + 2 ω × a q̇

        with ω and α⁰ those of the frame before, and of a q̇ what turns in those of angles, what slides in
        those of places.
        """
        rows: Rows = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        x = y = z = vx = vy = vz = gx = gy = gz = 0.0
        wx = wy = wz = ex = ey = ez = 0.0
        found: list[Frame] = []
        for joint, value, speed in zip(self.joints, q.tolist(), v.tolist(), strict=True):
            (a, b, c), (d, e, f), (g, h, i) = rows
            ox, oy, oz = joint.origin
            dx, dy, dz = a * ox + b * oy + c * oz, d * ox + e * oy + f * oz, g * ox + h * oy + i * oz
            slides = joint.kind == "slide"
            if slides:
                ax, ay, az = _along(rows, joint)
                dx, dy, dz = dx + ax * value, dy + ay * value, dz + az * value
            else:
                rows = _turned(rows, joint.axis, math.cos(value), math.sin(value * joint.sense))
                ax, ay, az = _along(rows, joint)
            ux, uy, uz = ax * speed, ay * speed, az * speed
            # What the frame before sweeps at the end of the step, and what its turning does to a q̇.
            sx, sy, sz = wy * dz - wz * dy, wz * dx - wx * dz, wx * dy - wy * dx
            kx, ky, kz = wy * uz - wz * uy, wz * ux - wx * uz, wx * uy - wy * ux
            x, y, z = x + dx, y + dy, z + dz
            vx, vy, vz = vx + sx, vy + sy, vz + sz
            gx += ey * dz - ez * dy + wy * sz - wz * sy
            gy += ez * dx - ex * dz + wz * sx - wx * sz
            gz += ex * dy - ey * dx + wx * sy - wy * sx
            if slides:
                vx, vy, vz = vx + ux, vy + uy, vz + uz
                gx, gy, gz = gx + 2.0 * kx, gy + 2.0 * ky, gz + 2.0 * kz
            else:
                ex, ey, ez = ex + kx, ey + ky, ez + kz
                wx, wy, wz = wx + ux, wy + uy, wz + uz
            r1, r2, r3 = rows
            found.append((*r1, *r2, *r3, x, y, z, ax, ay, az, wx, wy, wz, vx, vy, vz, ex, ey, ez, gx, gy, gz))
        return found

    def equations(self, m: MultibodyState) -> tuple[Array, Array]:
        """Mass matrix (n, n) and bias force (n,): M q̈ + h = τ. h holds gravity and what speeds cause."""
        n = self.size
        M: list[list[float]] = [[0.0] * n for _ in range(n)]
        bias = [0.0] * n
        # Of all that is further out: mass, its first and second moments about the world's origin (of those
        # the products negative, as in a matrix of inertia), force and moment that its motion takes.
        mass = mx = my = mz = xx = yy = zz = xy = xz = yz = 0.0
        fx = fy = fz = nx = ny = nz = 0.0
        ways = [_way(frame, turns) for frame, turns in zip(m.frames, self._turning.tolist(), strict=True)]
        for at in range(n - 1, -1, -1):
            body = self.bodies[at]
            if body.mass > 0.0:
                own, force = _carried(body, m.frames[at], self.gravity)
                k, cx, cy, cz, a, b, c, d, e, f = own
                mass, mx, my, mz = mass + k, mx + k * cx, my + k * cy, mz + k * cz
                xx, yy, zz, xy, xz, yz = xx + a, yy + b, zz + c, xy + d, xz + e, yz + f
                a, b, c, d, e, f = force
                fx, fy, fz, nx, ny, nz = fx + a, fy + b, fz + c, nx + d, ny + e, nz + f
            # Momentum of all of it about the origin when this joint alone moves with speed 1.
            wx, wy, wz, vx, vy, vz = ways[at]
            px = mass * vx + wy * mz - wz * my
            py = mass * vy + wz * mx - wx * mz
            pz = mass * vz + wx * my - wy * mx
            lx = xx * wx + xy * wy + xz * wz + my * vz - mz * vy
            ly = xy * wx + yy * wy + yz * wz + mz * vx - mx * vz
            lz = xz * wx + yz * wy + zz * wz + mx * vy - my * vx
            row = M[at]
            for before in range(at + 1):
                a, b, c, d, e, f = ways[before]
                row[before] = M[before][at] = a * lx + b * ly + c * lz + d * px + e * py + f * pz
            bias[at] = wx * nx + wy * ny + wz * nz + vx * fx + vy * fy + vz * fz
        return np.array(M), np.array(bias)

    def forward(self, q: Array, v: Array, tau: Array) -> Array:
        """Accelerations q̈ (n,) under generalised forces `tau` (n,)."""
        M, h = self.equations(self.motion(q, v))
        return np.asarray(np.linalg.solve(M, tau - h))


Rows = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
"""A rotation, row by row."""


def _way(frame: Frame, turns: float) -> tuple[float, float, float, float, float, float]:
    """ω and the velocity at the world's origin of what a joint moves, at its speed 1."""
    x, y, z, a, b, c = frame[9:15]
    if turns:
        return (a, b, c, y * c - z * b, z * a - x * c, x * b - y * a)
    return (0.0, 0.0, 0.0, a, b, c)


def _carried(body: Body, frame: Frame, gravity: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """A body in its joint's frame, in the world's axes about the world's origin.

    Returns:
        mass, centre and inertia (xx, yy, zz, xy, xz, yz as in the matrix), 10 in all; the force and moment
        that its motion at q̈ = 0 and its weight take, 6 in all.
    """
    a, b, c, d, e, f, g, h, i, x, y, z = frame[:12]
    wx, wy, wz = frame[15:18]
    ex, ey, ez, gx, gy, gz = frame[21:]
    mass, (px, py, pz), (ix, iy, iz) = body.mass, body.centre, body.inertia
    rx, ry, rz = a * px + b * py + c * pz, d * px + e * py + f * pz, g * px + h * py + i * pz
    cx, cy, cz = x + rx, y + ry, z + rz
    # R diag(I) Rᵀ
    xx = a * a * ix + b * b * iy + c * c * iz
    yy = d * d * ix + e * e * iy + f * f * iz
    zz = g * g * ix + h * h * iy + i * i * iz
    xy = a * d * ix + b * e * iy + c * f * iz
    xz = a * g * ix + b * h * iy + c * i * iz
    yz = d * g * ix + e * h * iy + f * i * iz
    # Acceleration of the centre, a⁰ + α⁰ × r + ω × (ω × r) - g, and the moment about it, I α⁰ + ω × I ω.
    sx, sy, sz = wy * rz - wz * ry, wz * rx - wx * rz, wx * ry - wy * rx
    fx = mass * (gx + ey * rz - ez * ry + wy * sz - wz * sy)
    fy = mass * (gy + ez * rx - ex * rz + wz * sx - wx * sz)
    fz = mass * (gz + ex * ry - ey * rx + wx * sy - wy * sx + gravity)
    lx, ly, lz = xx * wx + xy * wy + xz * wz, xy * wx + yy * wy + yz * wz, xz * wx + yz * wy + zz * wz
    nx = xx * ex + xy * ey + xz * ez + wy * lz - wz * ly + cy * fz - cz * fy
    ny = xy * ex + yy * ey + yz * ez + wz * lx - wx * lz + cz * fx - cx * fz
    nz = xz * ex + yz * ey + zz * ez + wx * ly - wy * lx + cx * fy - cy * fx
    far = cx * cx + cy * cy + cz * cz
    about = (
        xx + mass * (far - cx * cx), yy + mass * (far - cy * cy), zz + mass * (far - cz * cz),
        xy - mass * cx * cy, xz - mass * cx * cz, yz - mass * cy * cz,
    )  # fmt: skip
    return (mass, cx, cy, cz, *about), (fx, fy, fz, nx, ny, nz)


def _turned(rows: Rows, axis: int | tuple[float, float, float], c: float, s: float) -> Rows:
    """R @ Rot(axis, angle), by the angle's cosine and sine."""
    (a, b, d), (e, f, g), (h, i, j) = rows
    if axis == 0:
        return (
            (a, b * c + d * s, d * c - b * s), (e, f * c + g * s, g * c - f * s),
            (h, i * c + j * s, j * c - i * s),
        )  # fmt: skip
    if axis == 1:
        return (
            (a * c - d * s, b, d * c + a * s), (e * c - g * s, f, g * c + e * s),
            (h * c - j * s, i, j * c + h * s),
        )  # fmt: skip
    if axis == 2:
        return (
            (a * c + b * s, b * c - a * s, d), (e * c + f * s, f * c - e * s, g),
            (h * c + i * s, i * c - h * s, j),
        )  # fmt: skip
    assert isinstance(axis, tuple)
    first, second, third = rows
    return (
        _turned_about(first, axis, c, s), _turned_about(second, axis, c, s), _turned_about(third, axis, c, s)
    )  # fmt: skip


def _turned_about(
    row: tuple[float, float, float], axis: tuple[float, float, float], c: float, s: float
) -> tuple[float, float, float]:
    """A row of it about any axis a of length 1: v cos + (v × a) sin + a (a·v) (1 - cos), Rodrigues."""
    x, y, z = row
    a, b, d = axis
    along = (x * a + y * b + z * d) * (1.0 - c)
    return (
        x * c + (y * d - z * b) * s + a * along,
        y * c + (z * a - x * d) * s + b * along,
        z * c + (x * b - y * a) * s + d * along,
    )


def _along(rows: Rows, joint: Joint) -> tuple[float, float, float]:
    """A joint's axis in the world, from its frame's rotation."""
    (a, b, c), (d, e, f), (g, h, i) = rows
    k, s = joint.axis, joint.sense
    if k == 0:
        return (a * s, d * s, g * s)
    if k == 1:
        return (b * s, e * s, h * s)
    if k == 2:
        return (c * s, f * s, i * s)
    assert isinstance(k, tuple)
    x, y, z = k
    return ((a * x + b * y + c * z) * s, (d * x + e * y + f * z) * s, (g * x + h * y + i * z) * s)
