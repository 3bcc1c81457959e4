"""What the chain filter compares in a block: innovation, its Jacobian and its noise.

Velocities by the chain's lever arms, gyros against each other, angles of inclinometers; written out in
`docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.inclined import Inclined
from tipdatum.fusion.layout import LEVER, OF_GYRO, PER_SENSOR
from tipdatum.fusion.levers import Levers
from tipdatum.fusion.parts import UNKNOWN, Setup, blocks, crossing
from tipdatum.fusion.propagation import Advance
from tipdatum.fusion.rates import Motion
from tipdatum.fusion.strapdown import Block
from tipdatum.kinematics.frames import Array

FLOORS_S = 0.05
"""Span, s, to which the floors of the options refer: their noise is white."""


@dataclass(slots=True)
class Expected:
    """Velocities by the chain, (N, 3) in plane axes, without the base's.

    Attributes:
        mean: m/s, over the block.
        change: m/s², from the last epoch of the block before to that of this one.
    """

    mean: Array
    change: Array


class Observation:
    """Rows: 3N of velocities, 2(N - 1) of gyros, two of each inclinometer.

    Attributes:
        H: (m, n) Jacobian; kept and overwritten from block to block, as is `R`.
        R: (m, m) noise.
    """

    def __init__(self, setup: Setup, levers: Levers) -> None:
        n, at, o = setup.n, setup.at, setup.options
        self._setup = setup
        self.levers = levers
        share = FLOORS_S / setup.span
        variance = setup.gyro_psd / setup.span + share * o.gyro_floor_radps**2
        self._rate_variance = np.repeat(variance, 3)
        self._tilts = np.flatnonzero(setup.is_tilt).tolist()
        k, m = n - 1, 3 * n
        self._rows = m + 2 * k + 2 * len(self._tilts)
        self.H = H = np.zeros((self._rows, at.size))
        self.R = R = np.zeros((self._rows, self._rows))
        self._inclined = Inclined(setup, m + 2 * k, H, R)
        self._H_velocity, self._R_velocity = H[:m], R[:m, :m]
        self._R_own = np.einsum("ii->i", self._R_velocity).reshape(n, 3)
        self._H_own = blocks(H[:m, at.velocity], 3, 3)
        # The chain's velocities depend on y = (ρ, θ, tan φ, base, pivot), which depends on the state.
        self._y = np.zeros((8 + 2 * n, at.size))
        self._y[range(2 + n, 8 + 2 * n), [*range(n), at.roll, *range(at.base.start, at.pivot.stop)]] = 1.0
        self._by_y = np.zeros((n, 3, 8 + 2 * n))
        self._by_y[:, :, 3 + 2 * n : 6 + 2 * n] = np.eye(3)
        self._floor = share * o.velocity_floor_mps**2
        self._lever_share = np.full((3, 3), share * o.velocity_share_m**2)
        self._latency_variance = o.latency_floor_s**2
        self._by_lever = blocks(H[:m, at.constants], 3, PER_SENSOR)[:, :, LEVER]
        self._cross = crossing()
        self._difference = np.eye(n, k=1)[:k] - np.eye(n)[:k]
        self._H_told = H[m : m + 2 * k, at.constants].reshape(2, k, n, PER_SENSOR)[:, :, :, OF_GYRO]
        self._H_gyros = H[m : m + 2 * k, at.theta].reshape(2, k, n)
        self._R_gyros = [R[m + j * k : m + (j + 1) * k, m + j * k : m + (j + 1) * k] for j in range(2)]
        self._difference_noise = (
            float(variance.mean()) * o.redundancy_share**2 * (self._difference @ self._difference.T)
        )
        self._eye3 = np.eye(3)
        self._share = np.full(setup.epochs, 1.0 / setup.epochs)
        self._to_middle = setup.to_middle().T
        self.found_anew = False
        """Whether an angle has just been found anew, which moves every sensor further out."""
        self.last_velocity: Array | None = None
        """(N, 3) m/s, what the chain said in the last epoch; None after a start or a refit."""

    def foresee(self, x: Array, motion: Motion) -> Expected:
        """What the chain says of the velocities in a block, from the state `x` at its start."""
        self.levers.correct(x[self._setup.at.constants].reshape(-1, PER_SENSOR)[:, LEVER])
        mean, last = self._chain(x, motion)
        n, span = self._setup.n, self._setup.span
        slip = np.zeros((n, 3)) if self.last_velocity is None else (last - self.last_velocity) / span
        if self.found_anew:
            # Where an angle was found anew, what the velocity has changed by is no acceleration.
            slip[:] = 0.0
            self.found_anew = False
        self.last_velocity = last
        return Expected(mean, slip)

    def innovation(
        self, x: Array, block: Block, motion: Motion, expected: Expected, advance: Advance
    ) -> Array:
        """z (m,) of the block whose end is `x`; fills `H` and `R`."""
        z = np.zeros(self._rows)
        missed = block.missed[:, 1] / self._setup.span
        self._velocities(z, x, block.active, motion, expected, advance, missed)
        self._gyros(z, motion, missed)
        if self._tilts:
            self._inclined.fill(z, x, block, motion, self.levers)
        return z

    def _velocities(
        self,
        z: Array,
        x: Array,
        active: Array,
        k: Motion,
        expected: Expected,
        advance: Advance,
        missed: Array,
    ) -> None:
        q = self._setup
        n, at, m = q.n, q.at, 3 * q.n
        self._by_state(x, k, advance)
        by_y = self._by_y.reshape(m, 8 + 2 * n)
        Jf, Jn = by_y[:, : 2 + n], k.J.reshape(2 + n, m)
        variance = self._rate_variance + missed.repeat(3)
        self._R_velocity[:] = Jf.dot((Jn * variance).dot(Jn.T)).dot(Jf.T)
        extra = expected.change * expected.change
        jitter = [ch.jitter_variance for ch in q.channels]
        extra *= self._latency_variance + np.array(jitter)[:, None] if any(jitter) else self._latency_variance
        extra += (k.rate * k.rate).dot(self._lever_share)
        extra += self._floor
        zv = z[:m].reshape(n, 3)
        np.subtract(expected.mean, advance.mean, out=zv)
        zv += x[at.base]
        if self._tilts or not k.whole:
            usable = active & ~q.is_tilt
            extra[~usable] = UNKNOWN
            zv[~usable] = 0.0
        self._R_own += extra

    def _chain(self, x: Array, k: Motion) -> tuple[Array, Array]:
        """Velocities by the chain, without the base: mean over the block and in its last epoch, (N, 3)."""
        in_plane, across = self.levers.velocities(k.theta, k.tangent, k.rho)
        if self._setup.on_upper:
            # Rocking about the pivot runs along `up` of the upper, (-s, 0, c).
            turn = k.turn[0]
            # The pivot stays on the ground while the upper slews over it.
            slewed = self._to_middle.dot(k.rho[1] * turn.real - k.rho[0] * turn.imag)
            pivot = complex(*x[self._setup.at.pivot]) * np.exp(-1j * slewed)
            a, b = pivot.real, pivot.imag
            x_rate, y_rate = (k.rho[0] - 1j * k.rho[1]) * turn, k.tangent * k.rho[1] - k.rho[2]
            in_plane += 1j * turn * (y_rate * a - x_rate.real * b)
        both = np.empty((2, self._setup.n, 3))
        for into, part in ((0, in_plane.dot(self._share)), (1, in_plane[:, -1])):
            both[into, :, 0], both[into, :, 2] = part.real, part.imag
        both[0, :, 1], both[1, :, 1] = across.dot(self._share), across[:, -1]
        return both[0], both[1]

    def _by_state(self, x: Array, k: Motion, advance: Advance) -> None:
        """The rows of `H` for the velocities."""
        q, at, H = self._setup, self._setup.at, self._H_velocity
        n, by_y = q.n, self._by_y
        ends = 3 + 2 * n
        self.levers.jacobian(k.mid, k.mid_tangent, k.mid_rho, by_y[:, :, :ends])
        if not q.options.learn_from_geometry:
            by_y[:, :, 2 + n : ends] = 0.0
        if q.on_upper:
            self._rock(by_y, k, *x[at.pivot].tolist())
        self._y[: 2 + n] = k.H
        self._y[ends - 1, at.roll] = 1.0 + k.mid_tangent * k.mid_tangent
        np.dot(by_y.reshape(3 * n, 8 + 2 * n), self._y, out=H)
        H += 0.5 * advance.F[at.velocity]
        np.negative(H, out=H)
        # Each body turns with the plane, and in it about -y.
        turning = np.empty((n, 3))
        turning[:, 0], turning[:, 2] = k.mid_rho[:2]
        turning[:, 1] = k.mid_tangent * k.mid_rho[1] - k.mid_rho[2:]
        self._by_lever -= turning.dot(self._cross).reshape(n, 3, 3) @ k.R
        # The velocity's own column: half of it was taken off with F.
        self._H_own[:] = self._eye3

    def _rock(self, by_y: Array, k: Motion, a: float, b: float) -> None:
        """Add to the Jacobian of v̂ the rocking about the pivot (`a`, `b`)."""
        roll_rate, plane_rate, theta_rate = k.mid_rho[:3].tolist()
        c, s, t = float(k.R[0, 0, 0]), float(k.R[0, 2, 0]), k.mid_tangent
        x_rate, y_rate = roll_rate * c + plane_rate * s, t * plane_rate - theta_rate
        speed = y_rate * a - x_rate * b
        by_roll, by_plane, by_pitch = -b * c, t * a - s * b, -a
        by_y[:, 0, :3] += np.array([-s * by_roll, -s * by_plane, -s * by_pitch])
        by_y[:, 2, :3] += np.array([c * by_roll, c * by_plane, c * by_pitch])
        by_tan, turning = plane_rate * a, b * (roll_rate * s - plane_rate * c)
        place = 2 + self._setup.n
        by_y[:, 0, place] += -s * turning - c * speed
        by_y[:, 2, place] += c * turning - s * speed
        by_y[:, 0, -6] -= s * by_tan
        by_y[:, 2, -6] += c * by_tan
        by_y[:, :, -2:] = np.array([[-s * y_rate, s * x_rate], [0.0, 0.0], [c * y_rate, -c * x_rate]])

    def _gyros(self, z: Array, motion: Motion, missed: Array) -> None:
        """All bodies of the arm plane share roll rate and plane rate: what their gyros differ in is error."""
        q, D = self._setup, self._difference
        n, m, k = q.n, 3 * q.n, q.n - 1
        if n < 2:
            return
        roll_i, plane_i = motion.roll_i, motion.plane_i
        np.subtract(roll_i[:-1], roll_i[1:], out=z[m : m + k])
        np.subtract(plane_i[:-1], plane_i[1:], out=z[m + k : m + 2 * k])
        np.multiply(D[:, :, None], motion.told.transpose(1, 0, 2)[:, None], out=self._H_told)
        np.multiply(D, -plane_i, out=self._H_gyros[0])
        np.multiply(D, roll_i, out=self._H_gyros[1])
        for block in self._R_gyros:
            block[:] = self._difference_noise
            if missed.any():
                block += (D * missed).dot(D.T)
        if motion.whole and not q.gyroless:
            return
        gyro = motion.gyro
        blind = np.flatnonzero(~np.logical_and(gyro[1:], gyro[:-1]))
        for row in (*(m + blind), *(m + k + blind)):
            self.R[row, row] += UNKNOWN
            z[row] = 0.0
