"""What the parts of the chain filter share: the layout of its state, its sensors, and the chain's lever arms.

**State**, for N sensors in the order upper, boom, stick, bucket (or rocker), those that the machine has:

========== ======== ============================================================================
part       size     meaning
========== ======== ============================================================================
theta      N        rad, elevation angle of the sensor's body
roll       1        rad, of the arm plane
velocity   3N       m/s, what the sensor's accelerometer integrates to (plane axes)
base       3        m/s, velocity of the slew centre that the pivot does not explain (plane axes)
pivot      2        m, x and y from the slew centre of the point about which the machine rocks
turn       gyroless rad/s, θ̇ of a body whose sensor has no gyro
common     0 or 2   rad/s, roll rate and plane rate where no sensor has a gyro
lagged     lagging  rad, θ as an inclinometer with a time constant shows it
constants  34N      per sensor, what is wrong with it; see `tipdatum.fusion.chain.constants`
anchor     1        m, tip height at the reference moment
========== ======== ============================================================================

All before the constants change with time (`dynamic` of them).

The matrices are small, so that the number of calls costs, not the arithmetic: parts of a matrix that change
are kept as views and written in one go, and what depends linearly on three rates is one product.

**Lever arms**: velocity of every sensor from the arm's rates. In the axes of the arm plane (h horizontal, y
to the left and tilted with the roll, z completing them) a point that hangs on the chain stands at p = Σ_b
Rot(θ_b) ℓ_b from the slew centre, with ℓ_b the way it goes in body b (foot, link lengths, at last its own
position) and Rot(θ) the rotation (x, z) → (x cos θ - z sin θ, x sin θ + z cos θ). The plane turns with ω =
(φ̇, r tan φ, r), r the rate about its z axis, and each body in it with θ̇_b, so that

    v = ω × p + Σ_b (-Z_b, 0, X_b) θ̇_b          with (X_b, ·, Z_b) = Rot(θ_b) ℓ_b

which is linear in the rates ρ = (φ̇, r, θ̇_1 … θ̇_N): the Jacobian ∂v/∂ρ follows at once. By the angle of a
body, with ω_y = r tan φ:    ∂v/∂θ_b = (X_b (ω_y - θ̇_b), -φ̇ X_b - r Z_b, Z_b (ω_y - θ̇_b)),
and by tan φ:    r (p_z, 0, -p_x), which the tan φ in every θ̇ takes back (a gyro tells the sum of both).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.constants import PER_SENSOR, Warmth
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array, Complex


@dataclass(frozen=True, slots=True)
class Layout:
    """Places in the state vector; see the module's text."""

    theta: slice
    roll: int
    velocity: slice
    base: slice
    pivot: slice
    turn: slice
    common: slice
    lagged: slice
    dynamic: int
    constants: slice
    anchor: int
    size: int


def layout(sensors: int, gyroless: int, lagging: int) -> Layout:
    """The layout for so many sensors, of which so many have no gyro or an internal lag."""
    at = 0

    def take(width: int) -> slice:
        nonlocal at
        at += width
        return slice(at - width, at)

    theta, roll, velocity = take(sensors), take(1).start, take(3 * sensors)
    base, pivot = take(3), take(2)
    turn, common, lagged = take(gyroless), take(2 if gyroless == sensors else 0), take(lagging)
    dynamic = at
    constants, anchor = take(PER_SENSOR * sensors), take(1).start
    return Layout(theta, roll, velocity, base, pivot, turn, common, lagged, dynamic, constants, anchor, at)


UNKNOWN = 1e6
"""Variance given to a row that has no measurement in a block."""


class FilterSetup:
    """Sensors of one arm as the filter sees them.

    Attributes:
        n: number of sensors, N.
        at: the state's layout.
        has_gyro, is_tilt: (N,) bool.
        gyroless, lagging: sensors without a gyro, inclinometers with a time constant.
        on_upper: whether the first sensor sits on the upper.
        gyro_psd, accel_psd: (N,) white noise, (rad/s)²/Hz and (m/s²)²/Hz.
        latency_sigma: (N,) s.
        i: (N,) numbers of the sensors.
        v: (N, 3) places of each sensor's velocity in the state.
        warmth: of the sensors; the one thing here that goes on.
    """

    def __init__(
        self, arm: SensedArm, channels: list[Channel], has_gyro: list[bool], options: ChainOptions
    ) -> None:
        n = len(channels)
        self.n, self.options, self.channels = n, options, channels
        self.gravity = arm.machine.gravity_mps2
        self.has_gyro = np.array(has_gyro)
        self.is_tilt = np.array([ch.sensor.type == "tilt" for ch in channels])
        self.lagging = [
            i for i, ch in enumerate(channels) if self.is_tilt[i] and ch.sensor.time_constant_s > 0
        ]
        self.gyroless = [i for i in range(n) if not has_gyro[i]]
        self.on_upper = bool(channels) and channels[0].sensor.body == "upper"
        self.at: Layout = layout(n, len(self.gyroless), len(self.lagging))
        noise = [ch.sensor.noise for ch in channels]
        self.gyro_psd = np.array([s.gyro_radps_rthz**2 for s in noise])
        self.accel_psd = np.array([s.accel_mps2_rthz**2 for s in noise])
        stated = [ch.sensor.latency_sigma_s for ch in channels]
        self.latency_sigma = np.array([options.latency_sigma_s if s is None else s for s in stated])
        self.warmth = Warmth(n)
        self.i = np.arange(n)
        self.v = self.at.velocity.start + np.arange(3 * n).reshape(n, 3)


def diagonal(matrix: Array, first: int = 0) -> Array:
    """The entries (k, `first` + k) of a contiguous `matrix` as a writable view."""
    return matrix.reshape(-1)[first :: matrix.shape[1] + 1]


class Levers:
    """Lever arms of the sensors of an arm.

    Attributes:
        follow: (B, N) angle of each of the B bodies from those of the sensors (a held joint
            follows its neighbour).
        offset: (B,) rad, constant part of it.
        ways: (N, B, 3) m, the way in each body from the slew centre to each sensor.
    """

    def __init__(self, arm: SensedArm, channels: list[Channel]) -> None:
        chain, n = arm.machine.chain(), len(channels)
        own = [_place(arm, channel.sensor.body) for channel in channels]
        ways = np.zeros((n, 1 + len(arm.sections), 3))
        for i, (k, channel) in enumerate(zip(own, channels, strict=True)):
            if k >= 1:
                ways[i, 0] = chain.foot
            ways[i, 1:k, 0] = chain.lengths[: max(k - 1, 0)]
            if channel.sensor.body == "rocker" and arm.linkage is not None:
                ways[i, k - 1] = (arm.linkage.pivot_x, 0.0, arm.linkage.pivot_z)
            ways[i, k] = channel.sensor.position_m
        self.ways = ways
        self._ways = ways[:, :, 0] + 1j * ways[:, :, 2]
        self._y = ways[:, :, 1].sum(axis=1)
        self._own = (np.arange(n), np.array(own, dtype=int))
        self.follow, self.offset = _follow(arm, channels)
        self._direct = np.array_equal(self.follow, np.eye(len(self.offset)))

    def corrected(self, position: Array) -> LeverArms:
        """Those of sensors that sit (N, 3) m away from where they are described, in axes of their bodies."""
        ways = self._ways.copy()
        ways[self._own] += position[:, 0] + 1j * position[:, 2]
        return LeverArms(ways, self._y + position[:, 1], self.follow, self.offset, self._direct)


class LeverArms(NamedTuple):
    """What `Levers` describes, with the sensors where the filter has found them.

    Attributes:
        ways: (N, B) m, x + iz of the way in each body. A complex number stands for a way in the arm plane:
            turning it by θ multiplies it by exp(iθ).
        y: (N,) m, across the arm plane.
        follow, offset: as in `Levers`.
        direct: whether every body has its own sensor.
    """

    ways: Complex
    y: Array
    follow: Array
    offset: Array
    direct: bool

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
        p = self.ways.dot(turn)
        roll_rate, plane_rate = rho[0], rho[1]
        spin = tangent * plane_rate
        # ω × p, and each body's way turned by its own rate: i θ̇ in the plane, less the plane's own -i ω_y.
        v = self.ways.dot(turn * (self.follow.dot(rho[2:]) - spin))
        in_plane = 1j * v
        in_plane += self.y[:, None] * (1j * roll_rate - plane_rate)
        return in_plane, plane_rate * p.real - roll_rate * p.imag

    def jacobian(self, theta: Array, tangent: float, rho: Array, J: Array) -> None:
        """Fill `J` (N, 3, 3 + 2N) with ∂v/∂(ρ, θ, tan φ), the rates ρ kept in the latter two.

        Args:
            theta: (N,) rad. tangent: tan φ. rho: (2 + N,) rad/s.
        """
        n = len(theta)
        angles = self.follow.dot(theta)
        angles += self.offset
        turn = np.empty(len(angles), dtype=complex)
        turn.real, turn.imag = np.cos(angles), np.sin(angles)
        ways = self.ways * turn
        p = ways.dot(np.ones(len(angles)))
        px, pz, py = p.real, p.imag, self.y
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
        by_theta = ways * (tangent * plane_rate - rho[2:])
        J[:, 0, 2 + n : -1] = by_theta.real
        J[:, 1, 2 + n : -1] = (ways * complex(-roll_rate, plane_rate)).real
        J[:, 2, 2 + n : -1] = by_theta.imag
        J[:, 0, -1] = plane_rate * pz
        J[:, 2, -1] = -plane_rate * px


def _place(arm: SensedArm, body: str) -> int:
    """Number of a sensor's body; a rocker hangs on the stick, in the bucket's place."""
    return ("upper", *arm.sections).index("bucket" if body == "rocker" else body)


def _follow(arm: SensedArm, channels: list[Channel]) -> tuple[Array, Array]:
    bodies = ("upper", *arm.sections)
    follow, offset = np.zeros((len(bodies), len(channels))), np.zeros(len(bodies))
    measured = {_place(arm, ch.sensor.body): i for i, ch in enumerate(channels)}
    for k, body in enumerate(bodies):
        if k in measured:
            follow[k, measured[k]] = 1.0
        elif k > 0:
            follow[k], offset[k] = follow[k - 1], offset[k - 1] + arm.held.get(body, 0.0)
    return follow, offset
