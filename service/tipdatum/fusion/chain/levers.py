"""The chain's lever arms: velocity of every sensor from the arm's rates.

In the axes of the arm plane (h horizontal, y
to the left and tilted with the roll, z completing them) a point that hangs on the chain stands at p = Σ_b
Rot(θ_b) ℓ_b from the slew centre, with ℓ_b the way it goes in body b (foot, link lengths, at last its own
position) and Rot(θ) the rotation (x, z) → (x cos θ - z sin θ, x sin θ + z cos θ). The plane turns with ω =
(φ̇, r tan φ, r), r the rate about its z axis, and each body in it with θ̇_b, so that

    v = ω × p + Σ_b (-Z_b, 0, X_b) θ̇_b          with (X_b, ·, Z_b) = Rot(θ_b) ℓ_b

which is linear in the rates ρ = (φ̇, r, θ̇_1 … θ̇_N, α̇_1 … α̇_M): the Jacobian ∂v/∂ρ follows at once. Where a
part turns by α about an axis a of its body b, ways in it are R_a(α) w, which add Rot(θ_b) (a × R_a(α) w) α̇.
By the angle of a body, with ω_y = r tan φ:    ∂v/∂θ_b = (X_b (ω_y - θ̇_b), -φ̇ X_b - r Z_b, Z_b (ω_y - θ̇_b)),
and by tan φ:    r (p_z, 0, -p_x), which the tan φ in every θ̇ takes back (a gyro tells the sum of both).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.sides import SidePart, side_parts
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array, Complex


class Levers:
    """Lever arms of the sensors of an arm.

    Attributes:
        follow: (B, N) angle of each of the B bodies from those of the sensors (a held joint
            follows its neighbour).
        offset: (B,) rad, constant part of it.
        ways: (N, B, 3) m, the way in each body from the slew centre to each sensor.
        in_plane, across: (N, B) and (N,) m, their x + iz, and their y in all.
        bodies: (N,) number of each sensor's body.
        direct: whether every body has its own sensor.
    """

    def __init__(self, arm: SensedArm, channels: list[Channel]) -> None:
        chain, n = arm.machine.chain(), len(channels)
        own = [_place(arm, channel.sensor.body) for channel in channels]
        ways = np.zeros((n, len(_bodies(arm)), 3))
        for i, (k, channel) in enumerate(zip(own, channels, strict=True)):
            if k >= 1:
                ways[i, 0] = chain.foot
            before = min(k, len(arm.sections))
            ways[i, 1:before, 0] = chain.lengths[: max(before - 1, 0)]
            if channel.sensor.body == "rocker" and arm.linkage is not None:
                ways[i, before - 1] = (arm.linkage.pivot_x, 0.0, arm.linkage.pivot_z)
            ways[i, k] = channel.sensor.position_m
        self._sides = _side_ways(arm, channels, own, ways)
        self.ways = ways
        self.in_plane = ways[:, :, 0] + 1j * ways[:, :, 2]
        self.across = ways[:, :, 1].sum(axis=1)
        self.bodies = np.array(own, dtype=np.intp)
        self.follow, self.offset = _follow(arm, channels)
        self.direct = np.array_equal(self.follow, np.eye(len(self.offset)))

    def corrected(self, position: Array) -> LeverArms:
        """Those of sensors that sit (N, 3) m away from where they are described, in axes of their bodies."""
        ways = self.in_plane.copy()
        sides = [side.corrected(position) for side in self._sides]
        if sides:
            position = position.copy()
            position[[side.part.sensor for side in sides if side.part.sensor is not None]] = 0.0
        ways[np.arange(len(ways)), self.bodies] += position[:, 0] + 1j * position[:, 2]
        return LeverArms(ways, self.across + position[:, 1], self.follow, self.offset, self.direct, sides)


class SideWays(NamedTuple):
    """What turns with a part beside the arm plane, from its axis on, in axes of the part.

    Attributes:
        part: that part.
        in_plane, across: (N,) m, of the way to each sensor: x + iz, and y.
    """

    part: SidePart
    in_plane: Complex
    across: Array

    def corrected(self, position: Array) -> SideWays:
        """With the part's own sensor (3,) m, of `position` (N, 3), away from where it is described."""
        i = self.part.sensor
        if i is None:
            return self
        in_plane, across = self.in_plane.copy(), self.across.copy()
        in_plane[i] += complex(position[i, 0], position[i, 2])
        across[i] += position[i, 1]
        return SideWays(self.part, in_plane, across)

    def at(self, angle: Array) -> tuple[Complex, Array, Complex, Array]:
        """In its body's axes at α (K,) rad: the ways, x + iz and y, (N, K), and how they change with α."""
        a = self.part.axis_c
        x, y = self.part.turn(self.in_plane[:, None], self.across[:, None], angle)
        change = np.empty_like(x)
        np.multiply(y, 1j * a, out=change)
        return x, y, change, -(a.conjugate() * x).imag


class LeverArms(NamedTuple):
    """What `Levers` describes, with the sensors where the filter has found them.

    Attributes:
        ways: (N, B) m, x + iz of the way in each body. A complex number stands for a way in the arm plane:
            turning it by θ multiplies it by exp(iθ).
        y: (N,) m, across the arm plane.
        follow, offset: as in `Levers`.
        direct: whether every body has its own sensor.
        sides: what turns beside the arm plane; it is in none of the ways.
    """

    ways: Complex
    y: Array
    follow: Array
    offset: Array
    direct: bool
    sides: list[SideWays]

    def velocities(self, theta: Array, tangent: Array, rho: Array, alpha: Array) -> tuple[Array, Array]:
        """Velocity of every sensor at K moments, across and along the plane's h and z, and along its y.

        Args:
            theta: (N, K) rad, of the sensors' bodies.
            tangent: (K,) tan φ.
            rho: (2 + N + M, K) rad/s, ρ.
            alpha: (M, K) rad.

        Returns:
            (N, K) m/s, h + iz, and (N, K) m/s along y.
        """
        turn = np.exp(1j * (self.follow.dot(theta) + self.offset[:, None]))
        p = self.ways.dot(turn)
        roll_rate, plane_rate = rho[0], rho[1]
        spin = tangent * plane_rate
        # ω × p, and each body's way turned by its own rate: i θ̇ in the plane, less the plane's own -i ω_y.
        own_rates = turn * (self.follow.dot(rho[2 : 2 + len(theta)]) - spin)
        v = self.ways.dot(own_rates)
        if not self.sides:
            in_plane = 1j * v
            in_plane += self.y[:, None] * (1j * roll_rate - plane_rate)
            return in_plane, plane_rate * p.real - roll_rate * p.imag
        y, moved, across = np.repeat(self.y[:, None], len(tangent), axis=1), np.zeros_like(p), 0.0
        for k, side in enumerate(self.sides):
            b, rate = side.part.body, rho[2 + len(theta) + k]
            way, way_y, change, change_y = side.at(alpha[k])
            p += way * turn[b]
            v += way * own_rates[b]
            y += way_y
            moved += rate * change * turn[b]
            across = across + rate * change_y
        in_plane = 1j * v
        in_plane += y * (1j * roll_rate - plane_rate) + moved
        return in_plane, plane_rate * p.real - roll_rate * p.imag + across

    def jacobian(self, theta: Array, tangent: float, rho: Array, alpha: Array, J: Array) -> None:
        """Fill `J` (N, 3, 3 + 2N + 2M) with ∂v/∂(ρ, θ, tan φ, α), the rates ρ kept in the latter three.

        Args:
            theta: (N,) rad. tangent: tan φ. rho: (2 + N + M,) rad/s. alpha: (M,) rad.
        """
        n, m = len(theta), len(self.sides)
        angles = self.follow.dot(theta)
        angles += self.offset
        turn = np.empty(len(angles), dtype=complex)
        turn.real, turn.imag = np.cos(angles), np.sin(angles)
        ways, py = self.ways * turn, self.y
        if m:
            py = self._by_sides(turn, tangent, rho, alpha, ways, J)
        p = ways.dot(np.ones(len(angles)))
        px, pz = p.real, p.imag
        if not self.direct:
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
        by_theta = ways * (tangent * plane_rate - rho[2 : 2 + n])
        at = slice(2 + n + m, 2 + 2 * n + m)
        J[:, 0, at] = by_theta.real
        J[:, 1, at] = (ways * complex(-roll_rate, plane_rate)).real
        J[:, 2, at] = by_theta.imag
        J[:, 0, at.stop] = plane_rate * pz
        J[:, 2, at.stop] = -plane_rate * px
        for k, side in enumerate(self.sides):
            # What a part's turning adds turns with its body.
            adds = rho[2 + n + k] * (J[:, 0, 2 + n + k] + 1j * J[:, 2, 2 + n + k])
            turned = 1j * adds[:, None] * self.follow[side.part.body]
            J[:, 0, at] += turned.real
            J[:, 2, at] += turned.imag

    def _by_sides(
        self, turn: Complex, tangent: float, rho: Array, alpha: Array, ways: Complex, J: Array
    ) -> Array:
        """Fill in the columns by α̇ and by α, and add what turns beside the plane to `ways`; (N,) y in all."""
        m = len(self.sides)
        n = len(rho) - 2 - m
        roll_rate, plane_rate = rho[:2].tolist()
        body_rates, y = self.follow.dot(rho[2 : 2 + n]) - tangent * plane_rate, self.y
        for k, side in enumerate(self.sides):
            b, rate, a = side.part.body, float(rho[2 + n + k]), side.part.axis_c
            ways_at, ways_y, changes, changes_y = side.at(alpha[k : k + 1])
            way, way_y, change, change_y = ways_at[:, 0], ways_y[:, 0], changes[:, 0], changes_y[:, 0]
            ways[:, b] += way * turn[b]
            y = y + way_y
            by_rate = change * turn[b]
            J[:, 0, 2 + n + k], J[:, 1, 2 + n + k], J[:, 2, 2 + n + k] = by_rate.real, change_y, by_rate.imag
            by_angle = 1j * body_rates[b] * by_rate + change_y * complex(-plane_rate, roll_rate)
            by_angle += rate * 1j * a * change_y * turn[b]
            place = 3 + 2 * n + m + k
            J[:, 0, place], J[:, 2, place] = by_angle.real, by_angle.imag
            J[:, 1, place] = plane_rate * by_rate.real - roll_rate * by_rate.imag
            J[:, 1, place] -= rate * (a.conjugate() * change).imag
        return y


def _side_ways(arm: SensedArm, channels: list[Channel], own: list[int], ways: Array) -> list[SideWays]:
    """What turns beside the plane, taken out of `ways` (N, B, 3), where that up to its axis stays."""
    found = []
    for part, turn in zip(side_parts(arm, channels), arm.turns, strict=True):
        moving = np.zeros((len(channels), 3))
        if turn.joint == "boom_swing" and arm.machine.boom_swing is not None:
            # The axis of the post is that of the slew: what does not turn with the boom turns in its axes.
            pivot = arm.machine.boom_swing.pivot_m
            for i, k in enumerate(own):
                moving[i] = ways[i, 0] if k == 0 else pivot
                ways[i, 0] -= moving[i]
        elif part.sensor is not None:
            i = part.sensor
            moving[i] = ways[i, part.body] - turn.centre
            ways[i, part.body] = turn.centre
        found.append(SideWays(part, moving[:, 0] + 1j * moving[:, 2], moving[:, 1]))
    return found


def _place(arm: SensedArm, body: str) -> int:
    """Number of a sensor's body; a rocker hangs on the stick, in the bucket's place where that is free."""
    bodies = _bodies(arm)
    return bodies.index("bucket" if body == "rocker" and body not in bodies else body)


def _bodies(arm: SensedArm) -> tuple[str, ...]:
    return ("upper", *arm.sections, *(("rocker",) if arm.confirming is not None else ()))


def _follow(arm: SensedArm, channels: list[Channel]) -> tuple[Array, Array]:
    bodies = _bodies(arm)
    follow, offset = np.zeros((len(bodies), len(channels))), np.zeros(len(bodies))
    measured = {_place(arm, ch.sensor.body): i for i, ch in enumerate(channels)}
    for k, body in enumerate(bodies):
        if k in measured:
            follow[k, measured[k]] = 1.0
        elif k > 0:
            follow[k], offset[k] = follow[k - 1], offset[k - 1] + arm.held.get(body, 0.0)
    return follow, offset
