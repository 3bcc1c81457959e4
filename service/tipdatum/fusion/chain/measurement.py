"""What the chain filter compares in a block: innovation, its Jacobian and its noise, and the update by them.

Velocities by the chain's lever arms, gyros against each other, angles of inclinometers; written out in
`docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import (
    ACCEL_BIAS,
    LEVER,
    MOUNT,
    OF_GYRO,
    PER_SENSOR,
    UNKNOWN,
    FilterSetup,
    Levers,
    blocks,
    crossing,
)
from tipdatum.fusion.chain.motion import BlockMotion
from tipdatum.fusion.chain.transition import Advance
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


class MeasurementModel:
    """Rows: 3N of velocities, 2(N - 1) of gyros, two of each inclinometer.

    Attributes:
        H: (m, n) Jacobian; kept and overwritten from block to block, as is `R`.
        R: (m, m) noise.
    """

    def __init__(self, setup: FilterSetup, levers: Levers) -> None:
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
        self._inclined = InclinometerRows(setup, m + 2 * k, H, R)
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

    def foresee(self, x: Array, motion: BlockMotion) -> Expected:
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
        self, x: Array, block: EpochBlock, motion: BlockMotion, expected: Expected, advance: Advance
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
        k: BlockMotion,
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

    def _chain(self, x: Array, k: BlockMotion) -> tuple[Array, Array]:
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

    def _by_state(self, x: Array, k: BlockMotion, advance: Advance) -> None:
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

    def _rock(self, by_y: Array, k: BlockMotion, a: float, b: float) -> None:
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

    def _gyros(self, z: Array, motion: BlockMotion, missed: Array) -> None:
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


PUSH_DOUBT = 0.5
"""Share of what known accelerations feign to an inclinometer that may be wrong, 1."""
OWN_TURN_HZ = 1.0
"""Angular acceleration of a body without gyro, rad/s² for each rad/s of the arm's fastest rate: an arm that
swings at a sixth of a hertz."""
PUSHED_S = 0.5
"""How long such a push lasts, s: readings within it err alike."""


class InclinometerRows:
    """Inclinometers on an arm whose other sensors are IMUs: two rows each, angle and roll.

    An inclinometer takes every acceleration for a tilt. Most of it is known, since gyros on the other bodies
    tell how its place is carried along: that is taken off, through the part's own lag. What its own body does
    by itself is doubted. Arms with inclinometers alone have another filter (`tipdatum.fusion.tilt_only`).

    Fills the rows from `first` on in H (m, n) and R (m, m), which belong to `MeasurementModel`."""

    def __init__(self, setup: FilterSetup, first: int, H: Array, R: Array) -> None:
        self._setup, self._first, self._H, self._R = setup, first, H, R
        self.sensors: list[int] = np.flatnonzero(setup.is_tilt).tolist()
        self._shown = np.zeros((setup.n, 3))
        self._velocity: Array | None = None
        self._arms = np.array([math.hypot(*ch.sensor.position_m) for ch in setup.channels])

    def fill(self, z: Array, x: Array, block: EpochBlock, motion: BlockMotion, levers: Levers) -> None:
        """Fill in z (m,) too, for the block of one epoch whose end is `x`."""
        q, row = self._setup, self._first
        at, half = q.at, 0.5 * q.options.epoch_s
        roll_rate = float(motion.rho[0, -1])
        pushes = self._pushes(motion, levers)
        for i in self.sensors:
            part = q.channels[i].sensor
            late, lagging = part.time_constant_s, i in q.lagging
            place = at.lagged.start + q.lagging.index(i) if lagging else i
            share = 1.0 - math.exp(-q.span / late) if lagging else 1.0
            self._shown[i] += share * (pushes[i] - self._shown[i])
            along, across, doubt = self._shown[i].tolist()
            f, fy = complex(block.force[i, -1]), float(block.force_y[i, -1])
            angle = math.atan2(f.real, f.imag)
            angle += 2.0 * math.pi * round((x[place] - angle) / (2.0 * math.pi))
            roll = math.asin(max(-1.0, min(1.0, fy / q.gravity)))
            # In the middle of the epoch an angle was half a step behind; the roll lags without a state.
            rate = (x[i] - x[place]) / late if lagging else float(motion.rho[2 + i, -1])
            noise = math.radians(part.noise.tilt_deg) ** 2 + PUSHED_S / q.span * doubt * doubt
            active = bool(block.active[i])
            sees = (active, active and q.channels[i].tells_roll)
            told = (angle - along + half * rate, roll - across + (half + late) * roll_rate)
            for k, at_place in enumerate((place, at.roll)):
                self._H[row] = 0.0
                self._H[row, at_place] = 1.0
                self._by_errors(self._H[row], i, f, rolls=k == 1)
                self._R[row, row] = noise if sees[k] else UNKNOWN
                z[row] = told[k] - x[at_place] if sees[k] else 0.0
                row += 1

    def _by_errors(self, row: Array, i: int, f: complex, rolls: bool) -> None:
        """What mount and offset of part `i` do to an angle that shows the force `f`, x + iz in m/s²."""
        q = self._setup
        own, g = row[q.at.constants].reshape(q.n, PER_SENSOR)[i], q.gravity
        mount, bias = own[MOUNT], own[ACCEL_BIAS]
        if rolls:
            mount[0], mount[2], bias[1] = f.imag / g, -f.real / g, 1.0 / g
        else:
            square = max(abs(f) ** 2, 0.01 * g * g)
            mount[1], bias[0], bias[2] = -1.0, f.imag / square, -f.real / square

    def _pushes(self, m: BlockMotion, levers: Levers) -> Array:
        """(N, 3) rad, tilts that accelerations feign: in the arm plane, across it, and their doubt.

        By the turning that gyros tell. What a body without gyro does by itself is left to the doubt: its rate
        comes out of these very angles.
        """
        q = self._setup
        g = q.gravity
        rho = m.rho[:, -1:].copy()
        rho[2:][q.gyroless] = 0.0
        in_plane, across = levers.velocities(m.theta[:, -1:], m.tangent[-1:], rho)
        v = np.stack([in_plane[:, 0].real, across[:, 0], in_plane[:, 0].imag], axis=1)
        before, self._velocity = self._velocity, v
        x_rate, z_rate = rho[:2, 0].tolist()
        a = np.cross(np.array([x_rate, z_rate * float(m.tangent[-1]), z_rate]), v)
        if before is not None:
            a += (v - before) / q.span
        pushes = np.empty((q.n, 3))
        pushes[:, 0] = np.arctan2(a[:, 0], np.maximum(0.5 * g, g + a[:, 2]))
        pushes[:, 1] = a[:, 1] / g
        fastest = min(1.0, float(np.abs(m.rho[:, -1]).max()))
        own = OWN_TURN_HZ * fastest * self._arms / g
        pushes[:, 2] = np.hypot(PUSH_DOUBT * np.hypot(pushes[:, 0], pushes[:, 1]), own)
        return pushes


def update(
    x: Array, P: Array, H: Array, z: Array, R: Array, known: tuple[Array, Array] | None = None
) -> None:
    """The measurement update of a Kalman filter, in a form that keeps the covariance symmetric.

    With S = H P Hᵀ + R = L Lᵀ and W = L⁻¹ H P:   x ← x + Wᵀ L⁻¹ z,   P ← P - Wᵀ W, which is the optimal
    update P - K S Kᵀ. Source: Cholesky form of the update, for instance Bar-Shalom, Li & Kirubarajan,
    *Estimation with Applications to Tracking and Navigation*, ch. 7. Changes `x` (n,) and `P` (n, n) by the
    innovation `z` (m,), Jacobian `H` (m, n) and noise `R` (m, m).

    `known` is (H P, H P Hᵀ + R) where the caller has them already.
    """
    HP = H.dot(P) if known is None else known[0]
    S = HP.dot(H.T) + R if known is None else known[1]
    # S is small; its factor's inverse and one product are faster than solving for every column.
    inverse = np.linalg.inv(np.linalg.cholesky(S))
    W = inverse.dot(HP)
    x += inverse.dot(z).dot(W)
    P -= W.T @ W
