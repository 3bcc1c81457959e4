"""Dynamics of a serial chain of rigid bodies: mass matrix, bias forces, motion of any point.

Every joint turns about, or slides along, one axis of its own frame and carries a body (of mass 0 where it
only adds a freedom). The base of a machine is a chain too: three slides, heading, pitch, roll. With R_i,
o_i the frame of joint i in the world, a_i its axis, q̇_i its speed,

    ω_i = Σ_{j≤i, turning} a_j q̇_j        J_v(p)_j = a_j × (p - o_j) turning, a_j sliding
    M = Σ_i m_i J_vᵀ J_v + J_ωᵀ I_i J_ω     (Jacobians at the bodies' centres of mass)
    M q̈ + Σ_i J_vᵀ m_i (a⁰_i - g) + J_ωᵀ (I_i α⁰_i + ω_i × I_i ω_i) = τ

where a⁰ and α⁰ are the accelerations at q̈ = 0. In the world's axes all of these are sums along the chain,
so a chain of any sections costs the same few array operations. Source of the method: the projected
Newton–Euler equations of any text on multibody dynamics (for instance Featherstone, *Rigid Body Dynamics
Algorithms*, ch. 6 gives the same matrix by recursion).

World axes: z up. Units: m, rad, kg, N, N·m, s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# (x, y, z) rows of the cross product's matrix: skew(a) = a @ _SKEW, read as (3, 3).
_SKEW = np.zeros((3, 3, 3))
for _i, _j, _k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
    _SKEW[_k, _i, _j], _SKEW[_k, _j, _i] = -1.0, 1.0
_SKEW_FLAT = _SKEW.reshape(3, 9)


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
        alpha0, accel0: (n, 3) accelerations of frames and origins at q̈ = 0.
    """

    q: Array
    v: Array
    R: Array
    origin: Array
    axis: Array
    omega: Array
    velocity: Array
    alpha0: Array
    accel0: Array
    turning: Array = field(repr=False)

    def point(self, joint: int, at: Array) -> Array:
        """World place (3,) of a point given in a joint's frame."""
        return np.asarray(self.origin[joint] + self.R[joint] @ at)

    def point_velocity(self, joint: int, at: Array) -> Array:
        """World velocity (3,) of a point given in a joint's frame."""
        return np.asarray(self.velocity[joint] + cross(self.omega[joint], self.R[joint] @ at))

    def jacobian(self, joint: int, place: Array) -> Array:
        """(n, 3) ∂(world velocity of the point of that body that is at `place`)/∂v."""
        arm = place - self.origin
        rows = np.where(self.turning[:, None] > 0, cross(self.axis, arm), self.axis)
        rows[joint + 1 :] = 0.0
        return np.asarray(rows)

    def accelerations(self, qdd: Array) -> tuple[Array, Array]:
        """Angular acceleration of every frame and acceleration of every origin, (n, 3) each, at `qdd`."""
        own = self.axis * qdd[:, None]
        turn = own * self.turning[:, None]
        alpha = np.cumsum(turn, axis=0)
        steps = cross(alpha[:-1], np.diff(self.origin, axis=0))
        slide = own - turn
        slide[1:] += steps
        return self.alpha0 + alpha, self.accel0 + np.cumsum(slide, axis=0)


def cross(a: Array, b: Array) -> Array:
    """Cross product over the last axis; numpy's own costs four times as much for a few rows."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    out[..., 0] = ay * bz - az * by
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
        self._heavy = [i for i, j in enumerate(self.joints) if j.body.mass > 0.0]
        # Joint j moves the heavy body at row b of the Jacobians where j is no later than its joint.
        rows = np.array(self._heavy)[:, None] >= np.arange(self.size)[None, :]
        self._moves = rows.astype(float)[:, :, None]
        self._turns = self._moves * self._turning[None, :, None]
        self._slides = self._moves * (1.0 - self._turning)[None, :, None]
        self.mass = np.zeros(self.size)
        self._centre = np.zeros((self.size, 3))
        self._inertia = np.zeros((self.size, 3, 3))
        for i, joint in enumerate(self.joints):
            self.set_body(i, joint.body)

    def set_body(self, joint: int, body: Body) -> None:
        """Change what a joint that carries a mass carries: a bucket that fills."""
        self.mass[joint] = body.mass
        self._centre[joint] = body.centre
        self._inertia[joint] = np.diag(body.inertia)

    def motion(self, q: Array, v: Array) -> MultibodyState:
        """Where everything is and how it moves, at positions `q` and speeds `v`, (n,) each."""
        R, origin = self._frames(q)
        axis = np.array([_along(Ri, j) for Ri, j in zip(R, self.joints, strict=True)])
        rotations, place = np.array(R), np.array(origin)
        turning = self._turning
        own = axis * v[:, None]
        turn = own * turning[:, None]
        omega = np.cumsum(turn, axis=0)
        before = np.zeros_like(omega)
        before[1:] = omega[:-1]
        alpha0 = np.cumsum(cross(before, turn), axis=0)
        slide = own - turn
        steps = np.diff(place, axis=0)
        swept = cross(omega[:-1], steps)
        speeds = slide.copy()
        speeds[1:] += swept
        velocity = np.cumsum(speeds, axis=0)
        # Centripetal and Euler terms of each step along the chain, Coriolis of what slides on what turns.
        bias = 2.0 * cross(before, slide)
        bias[1:] += cross(alpha0[:-1], steps) + cross(omega[:-1], swept)
        accel0 = np.cumsum(bias, axis=0)
        return MultibodyState(q, v, rotations, place, axis, omega, velocity, alpha0, accel0, turning)

    def _frames(self, q: Array) -> tuple[list[list[list[float]]], list[tuple[float, float, float]]]:
        """Rotation and origin of every frame, in plain numbers: matrices of three cost more as arrays."""
        rows = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
        x = y = z = 0.0
        rotations, origins = [], []
        for joint, value in zip(self.joints, q.tolist(), strict=True):
            ox, oy, oz = joint.origin
            (a, b, c), (d, e, f), (g, h, i) = rows
            x, y, z = x + a * ox + b * oy + c * oz, y + d * ox + e * oy + f * oz, z + g * ox + h * oy + i * oz
            k = joint.axis
            if joint.kind == "slide":
                a, b, c = _along(rows, joint)
                x, y, z = x + a * value, y + b * value, z + c * value
            else:
                cosine, sine = math.cos(value), math.sin(value * joint.sense)
                if isinstance(k, int):
                    rows = [_turned(row, k, cosine, sine) for row in rows]
                else:
                    rows = [_turned_about(row, k, cosine, sine) for row in rows]
            rotations.append(rows)
            origins.append((x, y, z))
        return rotations, origins

    def equations(self, m: MultibodyState) -> tuple[Array, Array]:
        """Mass matrix (n, n) and bias force (n,): M q̈ + h = τ. h holds gravity and what speeds cause."""
        heavy = self._heavy
        R, mass = m.R[heavy], self.mass[heavy]
        arm = (R @ self._centre[heavy][:, :, None])[:, :, 0]
        centre = m.origin[heavy] + arm
        inertia = R @ self._inertia[heavy] @ R.transpose(0, 2, 1)
        n, bodies = self.size, len(heavy)
        skew = (m.axis @ _SKEW_FLAT).reshape(n, 3, 3)
        moved = centre @ skew.reshape(n * 3, 3).T
        at_origin = (skew @ m.origin[:, :, None])[:, :, 0]
        Jv = (moved.reshape(bodies, n, 3) - at_origin[None]) * self._turns + m.axis[None] * self._slides
        Jw = m.axis[None] * self._turns
        heavy_Jv = Jv * mass[:, None, None]
        heavy_Jw = Jw @ inertia
        M = np.tensordot(heavy_Jv, Jv, axes=([0, 2], [0, 2])) + np.tensordot(
            heavy_Jw, Jw, axes=([0, 2], [0, 2])
        )
        omega, alpha = m.omega[heavy], m.alpha0[heavy]
        accel = m.accel0[heavy] + cross(alpha, arm) + cross(omega, cross(omega, arm))
        accel[:, 2] += self.gravity
        momentum = (inertia @ omega[:, :, None])[:, :, 0]
        torque = (inertia @ alpha[:, :, None])[:, :, 0] + cross(omega, momentum)
        h = np.tensordot(heavy_Jv, accel, axes=([0, 2], [0, 1])) + np.tensordot(
            Jw, torque, axes=([0, 2], [0, 1])
        )
        return M, h

    def forward(self, q: Array, v: Array, tau: Array) -> Array:
        """Accelerations q̈ (n,) under generalised forces `tau` (n,)."""
        M, h = self.equations(self.motion(q, v))
        return np.asarray(np.linalg.solve(M, tau - h))


def _turned(row: list[float], axis: int, c: float, s: float) -> list[float]:
    """A row of R @ Rot(axis, angle), by the angle's cosine and sine."""
    x, y, z = row
    if axis == 0:
        return [x, y * c + z * s, z * c - y * s]
    if axis == 1:
        return [x * c - z * s, y, z * c + x * s]
    return [x * c + y * s, y * c - x * s, z]


def _turned_about(row: list[float], axis: tuple[float, float, float], c: float, s: float) -> list[float]:
    """The same about any axis a of length 1: v cos + (v × a) sin + a (a·v) (1 - cos), Rodrigues."""
    x, y, z = row
    a, b, d = axis
    along = (x * a + y * b + z * d) * (1.0 - c)
    return [
        x * c + (y * d - z * b) * s + a * along,
        y * c + (z * a - x * d) * s + b * along,
        z * c + (x * b - y * a) * s + d * along,
    ]


def _along(rows: list[list[float]], joint: Joint) -> list[float]:
    """A joint's axis in the world, from its frame's rotation."""
    k, sense = joint.axis, joint.sense
    if isinstance(k, int):
        return [row[k] * sense for row in rows]
    return [(row[0] * k[0] + row[1] * k[1] + row[2] * k[2]) * sense for row in rows]
