"""Velocity of every sensor from the arm's rates: the chain's lever arms.

In the axes of the arm plane (h horizontal, y to the left and tilted with the roll, z completing them) a
point that hangs on the chain stands at p = Σ_b Rot(θ_b) ℓ_b from the slew centre, with ℓ_b the way it goes
in body b (foot, link lengths, at last its own position) and Rot(θ) the rotation
(x, z) → (x cos θ - z sin θ, x sin θ + z cos θ). The plane turns with ω = (φ̇, r tan φ, r), r the rate about
its z axis, and each body in it with θ̇_b, so that

    v = ω × p + Σ_b (-Z_b, 0, X_b) θ̇_b          with (X_b, ·, Z_b) = Rot(θ_b) ℓ_b

which is linear in the rates ρ = (φ̇, r, θ̇_1 … θ̇_N): the Jacobian ∂v/∂ρ follows at once. By the angle of a
body, with ω_y = r tan φ:    ∂v/∂θ_b = (X_b (ω_y - θ̇_b), -φ̇ X_b - r Z_b, Z_b (ω_y - θ̇_b)),
and by tan φ:    r (p_z, 0, -p_x), which the tan φ in every θ̇ takes back (a gyro tells the sum of both).
"""

from __future__ import annotations

import numpy as np

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array

BODY_INDEX = {"upper": 0, "boom": 1, "stick": 2, "bucket": 3, "rocker": 3}


class Levers:
    """Lever arms of the sensors of an arm.

    Attributes:
        follow: (4, N) angle of each body from those of the sensors (a held joint follows its neighbour).
        offset: (4,) rad, constant part of it.
        ways: (N, 4, 3) m, the way in each body from the slew centre to each sensor.
    """

    def __init__(self, arm: Arm, channels: list[Channel]) -> None:
        chain, n = arm.machine.chain(), len(channels)
        ways = np.zeros((n, 4, 3))
        for i, channel in enumerate(channels):
            body = channel.sensor.body
            k = BODY_INDEX[body]
            if k >= 1:
                ways[i, 0] = chain.foot
            if k >= 2:
                ways[i, 1, 0] = chain.lengths[0]
            if body == "bucket":
                ways[i, 2, 0] = chain.lengths[1]
            elif body == "rocker" and arm.linkage is not None:
                ways[i, 2] = (arm.linkage.pivot_x, 0.0, arm.linkage.pivot_z)
            ways[i, k] = channel.sensor.position_m
        self.ways = ways
        # A complex number x + iz for a way in the arm plane: turning it by θ multiplies it by exp(iθ).
        self._ways = ways[:, :, 0] + 1j * ways[:, :, 2]
        self._y = ways[:, :, 1].sum(axis=1)
        self._own = (np.arange(n), [BODY_INDEX[ch.sensor.body] for ch in channels])
        self._described = (self._ways[self._own], self._y)
        self.follow, self.offset = _follow(arm, channels)
        self._direct = np.array_equal(self.follow, np.eye(4))
        self._ones, self._turn = np.ones(4), np.zeros(4, dtype=complex)

    def correct(self, position: Array) -> None:
        """Take the sensors to sit (N, 3) m away from where they are described, in axes of their bodies."""
        own, y = self._described
        self._ways[self._own] = own + (position[:, 0] + 1j * position[:, 2])
        self._y = y + position[:, 1]

    def velocities(self, theta: Array, tangent: Array, rho: Array) -> tuple[Array, Array]:
        """Velocity of every sensor at K moments, across and along the plane's h and z, and along its y.

        Args:
            theta: (N, K) rad, of the sensors' bodies.
            tangent: (K,) tan φ.
            rho: (2 + N, K) rad/s, ρ.

        Returns:
            (N, K) m/s, h + iz, and (N, K) m/s along y.
        """
        turn = np.exp(1j * (self.follow.dot(theta) + self.offset[:, None]))
        p = self._ways.dot(turn)
        roll_rate, plane_rate = rho[0], rho[1]
        spin = tangent * plane_rate
        # ω × p, and each body's way turned by its own rate: i θ̇ in the plane, less the plane's own -i ω_y.
        v = self._ways.dot(turn * (self.follow.dot(rho[2:]) - spin))
        in_plane = 1j * v
        in_plane += self._y[:, None] * (1j * roll_rate - plane_rate)
        return in_plane, plane_rate * p.real - roll_rate * p.imag

    def jacobian(self, theta: Array, tangent: float, rho: Array, J: Array) -> None:
        """Fill `J` (N, 3, 3 + 2N) with ∂v/∂(ρ, θ, tan φ), the rates ρ kept in the latter two.

        Args:
            theta: (N,) rad. tangent: tan φ. rho: (2 + N,) rad/s.
        """
        n = len(theta)
        angles = self.follow.dot(theta)
        angles += self.offset
        self._turn.real, self._turn.imag = np.cos(angles), np.sin(angles)
        ways = self._ways * self._turn
        p = ways.dot(self._ones)
        px, pz, py = p.real, p.imag, self._y
        if not self._direct:
            ways = ways.dot(self.follow)
        J[:, 0, 0] = 0.0
        J[:, 1, 0] = -pz
        J[:, 2, 0] = py
        J[:, 0, 1] = tangent * pz - py
        J[:, 1, 1] = px
        J[:, 2, 1] = -tangent * px
        J[:, 0, 2 : 2 + n] = -ways.imag
        J[:, 2, 2 : 2 + n] = ways.real
        roll_rate, plane_rate = rho[:2].tolist()
        by_theta = ways * (tangent * plane_rate - rho[2:])
        J[:, 0, 2 + n : -1] = by_theta.real
        J[:, 1, 2 + n : -1] = (ways * complex(-roll_rate, plane_rate)).real
        J[:, 2, 2 + n : -1] = by_theta.imag
        J[:, 0, -1] = plane_rate * pz
        J[:, 2, -1] = -plane_rate * px


def _follow(arm: Arm, channels: list[Channel]) -> tuple[Array, Array]:
    follow, offset = np.zeros((4, len(channels))), np.zeros(4)
    measured = {BODY_INDEX[ch.sensor.body]: i for i, ch in enumerate(channels)}
    for k, body in enumerate(("upper", "boom", "stick", "bucket")):
        if k in measured:
            follow[k, measured[k]] = 1.0
        elif k > 0:
            follow[k], offset[k] = follow[k - 1], offset[k - 1] + arm.held.get(body, 0.0)
    return follow, offset
