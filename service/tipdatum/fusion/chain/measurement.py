"""What the chain filter compares in a block: innovation, its Jacobian and its noise, and the update by them.

Velocities by the chain's lever arms, gyros against each other, angles of inclinometers; written out in
`docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    CROSSING,
    EYE3,
    LEVER,
    MOUNT,
    OF_GYRO,
    PER_SENSOR,
)
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import (
    UNKNOWN,
    FilterSetup,
    LeverArms,
    Levers,
    diagonal,
)
from tipdatum.fusion.chain.motion import BlockMotion, MeanMotion, to_middle
from tipdatum.fusion.chain.noise import SILENT_RADPS, UPPER_TURNS
from tipdatum.fusion.chain.transition import Advance
from tipdatum.kinematics.frames import Array

FLOORS_S = 0.05
"""Span, s, to which the floors of the options refer: their noise is white."""
SILENT_LASTS_S = 1.0
"""How long a body whose sensor is silent turns one way, s: an arm swings for a second and more. What hangs on
it is carried along unseen, and its accelerometers tell tilts over longer times alone."""


class Expected(NamedTuple):
    """What the chain says of the sensors' velocities in a block, (N, 3) in plane axes, without the base's.

    Attributes:
        mean: m/s, over the block.
        last: m/s, in its last epoch.
        change: m/s², from the last epoch of the block before to that of this one.
        levers: by which lever arms.
    """

    mean: Array
    last: Array
    change: Array
    levers: LeverArms


class Measurement(NamedTuple):
    """Innovation z (m,), its Jacobian H (m, n) and noise R (m, m).

    Rows: 3N of velocities, 2(N - 1) of gyros, two of each inclinometer.
    """

    z: Array
    H: Array
    R: Array


class MeasurementModel:
    """What a block of `epochs` epochs is compared with."""

    def __init__(self, setup: FilterSetup, levers: Levers, epochs: int) -> None:
        self._setup = setup
        n = setup.n
        of_inclinometers = 3 * n + 2 * (n - 1)
        self._rows = of_inclinometers + 2 * int(np.count_nonzero(setup.is_tilt))
        self._velocities = VelocityRows(setup, levers, epochs)
        self._gyros = GyroRows(setup, epochs)
        self._inclinometers = InclinometerRows(setup, of_inclinometers) if setup.is_tilt.any() else None

    def foresee(self, x: Array, motion: BlockMotion, before: Array | None) -> Expected:
        """What the chain says of the velocities in a block, from the state `x` at its start.

        Args:
            before: (N, 3) m/s, `last` of the block before; None where what they have changed by since is no
                acceleration: after a start, or where an angle has been found anew.
        """
        return self._velocities.expected(x, motion, before)

    def measure(
        self, x: Array, block: EpochBlock, motion: BlockMotion, expected: Expected, advance: Advance
    ) -> Measurement:
        """Compare, at the block's end `x`."""
        found = Measurement(
            z=np.zeros(self._rows),
            H=np.zeros((self._rows, self._setup.at.size)),
            R=np.zeros((self._rows, self._rows)),
        )
        self._velocities.fill(found, x, block, motion, expected, advance)
        self._gyros.fill(found, block, motion)
        if self._inclinometers is not None:
            self._inclinometers.fill(found, x, block, motion, expected.levers)
        return found


def silent_rate(setup: FilterSetup, i: int) -> float:
    """1-sigma of the rate of the body of a sensor that is silent, rad/s."""
    return SILENT_RADPS * (UPPER_TURNS if setup.on_upper and i == 0 else 1.0)


class VelocityRows:
    """The accelerometers' velocities against those by the chain, the first 3N rows."""

    def __init__(self, setup: FilterSetup, levers: Levers, epochs: int) -> None:
        n, at, o = setup.n, setup.at, setup.options
        self._setup, self._levers = setup, levers
        self._span = span = epochs * o.epoch_s
        share = FLOORS_S / span
        self._rate_variance = np.repeat(setup.gyro_psd / span + share * o.gyro_floor_radps**2, 3)
        self._floor = share * o.velocity_floor_mps**2
        self._link_share = np.full((3, 3), share * o.velocity_share_m**2)
        self._share = np.full(epochs, 1.0 / epochs)
        self._to_middle = to_middle(epochs, o.epoch_s).T
        # The chain's velocities depend on y = (ρ, θ, tan φ, base, pivot), which depends on the state.
        self._y_by_state = np.zeros((8 + 2 * n, at.size))
        places = [*range(n), at.roll, *range(at.base.start, at.pivot.stop)]
        self._y_by_state[range(2 + n, 8 + 2 * n), places] = 1.0

    def expected(self, x: Array, motion: BlockMotion, before: Array | None) -> Expected:
        """See `MeasurementModel.foresee`."""
        q, e, share = self._setup, motion.epochs, self._share
        levers = self._levers.corrected(x[q.at.constants].reshape(-1, PER_SENSOR)[:, LEVER])
        in_plane, across = levers.velocities(e.theta, e.tangent, e.rates)
        if q.on_upper:
            # Rocking about the pivot runs along `up` of the upper, (-s, 0, c).
            turn = e.turn[0]
            # The pivot stays on the ground while the upper slews over it.
            slewed = self._to_middle.dot(e.rates[1] * turn.real - e.rates[0] * turn.imag)
            pivot = complex(*x[q.at.pivot]) * np.exp(-1j * slewed)
            a, b = pivot.real, pivot.imag
            x_rate, y_rate = (e.rates[0] - 1j * e.rates[1]) * turn, e.tangent * e.rates[1] - e.rates[2]
            in_plane += 1j * turn * (y_rate * a - x_rate.real * b)
        mean, last = np.empty((2, q.n, 3))
        for into, part in ((mean, in_plane.dot(share)), (last, in_plane[:, -1])):
            into[:, 0], into[:, 2] = part.real, part.imag
        mean[:, 1], last[:, 1] = across.dot(share), across[:, -1]
        change = np.zeros((q.n, 3)) if before is None else (last - before) / self._span
        return Expected(mean=mean, last=last, change=change, levers=levers)

    def fill(
        self,
        into: Measurement,
        x: Array,
        block: EpochBlock,
        motion: BlockMotion,
        expected: Expected,
        advance: Advance,
    ) -> None:
        """Fill in the rows; `x` is the block's end."""
        q = self._setup
        n, m = q.n, 3 * q.n
        by_y = self._by_y(x, motion, expected.levers)
        self._by_state(into.H[:m], by_y, motion, advance)
        by_rates, by_gyros = by_y[:, : 2 + n], motion.by.gyros.reshape(2 + n, m)
        variance = self._rate_variance + (block.missed[:, 1] / self._span).repeat(3)
        R = into.R[:m, :m]
        R[:] = by_rates.dot((by_gyros * variance).dot(by_gyros.T)).dot(by_rates.T)
        of_times: Array | float = q.options.latency_floor_s**2
        jitter = [ch.jitter_variance for ch in q.channels]
        if any(jitter):
            of_times = of_times + np.array(jitter)[:, None]
        own = expected.change * expected.change
        own *= of_times
        own += (motion.mean.body_rate * motion.mean.body_rate).dot(self._link_share)
        own += self._floor
        z = into.z[:m].reshape(n, 3)
        np.subtract(expected.mean, advance.mean, out=z)
        z += x[q.at.base]
        if q.is_tilt.any() or not motion.whole:
            usable = block.active & ~q.is_tilt
            own[~usable] = UNKNOWN
            z[~usable] = 0.0
            for i in np.flatnonzero(q.has_gyro & np.logical_not(block.active)).tolist():
                # Where it stands is not known either: the same unknown velocity in all directions.
                reach = np.sqrt(np.square(by_rates[:, 2 + i].reshape(n, 3)).sum(axis=1))
                unseen = reach * (silent_rate(q, i) * math.sqrt(SILENT_LASTS_S / self._span))
                R += np.kron(np.multiply.outer(unseen, unseen), EYE3)
        diagonal(into.R)[:m] += own.ravel()

    def _by_y(self, x: Array, motion: BlockMotion, levers: LeverArms) -> Array:
        """(3N, 8 + 2N) ∂v̂/∂y."""
        q, m = self._setup, motion.mean
        n = q.n
        by_y = np.zeros((n, 3, 8 + 2 * n))
        by_y[:, :, 3 + 2 * n : 6 + 2 * n] = EYE3
        levers.jacobian(m.theta, m.tangent, m.rates, by_y[:, :, : 3 + 2 * n])
        if not q.options.learn_from_geometry:
            by_y[:, :, 2 + n : 3 + 2 * n] = 0.0
        if q.on_upper:
            self._rock(by_y, m, *x[q.at.pivot].tolist())
        return by_y.reshape(3 * n, 8 + 2 * n)

    def _by_state(self, H: Array, by_y: Array, motion: BlockMotion, advance: Advance) -> None:
        """Fill the rows of `H`, (3N, n)."""
        q, m = self._setup, motion.mean
        n, at = q.n, q.at
        y_by_state = self._y_by_state.copy()
        y_by_state[: 2 + n] = motion.by.state
        y_by_state[2 + 2 * n, at.roll] = 1.0 + m.tangent * m.tangent
        np.dot(by_y, y_by_state, out=H)
        H += 0.5 * advance.F[at.velocity]
        np.negative(H, out=H)
        # Each body turns with the plane, and in it about -y.
        turning = np.empty((n, 3))
        turning[:, 0], turning[:, 2] = m.rates[:2]
        turning[:, 1] = m.tangent * m.rates[1] - m.rates[2:]
        by_lever = H[:, at.constants].reshape(n, 3, n, PER_SENSOR)[:, :, :, LEVER]
        by_lever[q.i, :, q.i] -= turning.dot(CROSSING).reshape(n, 3, 3) @ m.to_plane
        # The velocity's own column: half of it was taken off with F.
        H[:, at.velocity].reshape(n, 3, n, 3)[q.i, :, q.i] = EYE3

    def _rock(self, by_y: Array, m: MeanMotion, a: float, b: float) -> None:
        """Add to the Jacobian of v̂ the rocking about the pivot (`a`, `b`)."""
        roll_rate, plane_rate, theta_rate = m.rates[:3].tolist()
        c, s, t = float(m.to_plane[0, 0, 0]), float(m.to_plane[0, 2, 0]), m.tangent
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


class GyroRows:
    """Gyros against each other, 2(N - 1) rows: all bodies of the arm plane share roll rate and plane rate;
    what their gyros differ in is error."""

    def __init__(self, setup: FilterSetup, epochs: int) -> None:
        n, o = setup.n, setup.options
        self._setup = setup
        self._span = span = epochs * o.epoch_s
        variance = setup.gyro_psd / span + (FLOORS_S / span) * o.gyro_floor_radps**2
        self._difference = np.eye(n, k=1)[: n - 1] - np.eye(n)[: n - 1]
        self._noise = float(variance.mean()) * o.redundancy_share**2 * (self._difference @ self._difference.T)

    def fill(self, into: Measurement, block: EpochBlock, motion: BlockMotion) -> None:
        """Fill in the rows."""
        q, m, D = self._setup, motion.mean, self._difference
        n, k = q.n, q.n - 1
        if n < 2:
            return
        of_roll, of_plane = slice(3 * n, 3 * n + k), slice(3 * n + k, 3 * n + 2 * k)
        np.subtract(m.roll_rate[:-1], m.roll_rate[1:], out=into.z[of_roll])
        np.subtract(m.plane_rate[:-1], m.plane_rate[1:], out=into.z[of_plane])
        H = into.H[of_roll.start : of_plane.stop]
        by_constants = H[:, q.at.constants].reshape(2, k, n, PER_SENSOR)[:, :, :, OF_GYRO]
        np.multiply(D[:, :, None], motion.by.constants.transpose(1, 0, 2)[:, None], out=by_constants)
        np.multiply(D, -m.plane_rate, out=into.H[of_roll, q.at.theta])
        np.multiply(D, m.roll_rate, out=into.H[of_plane, q.at.theta])
        noise, missed = self._noise, block.missed[:, 1] / self._span
        if missed.any():
            noise = noise + (D * missed).dot(D.T)
        into.R[of_roll, of_roll] = into.R[of_plane, of_plane] = noise
        if motion.whole and not q.gyroless:
            return
        blind = np.flatnonzero(~np.logical_and(motion.gyro[1:], motion.gyro[:-1]))
        for row in (*(of_roll.start + blind), *(of_plane.start + blind)):
            into.R[row, row] += UNKNOWN
            into.z[row] = 0.0


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

    def __init__(self, setup: FilterSetup, first: int) -> None:
        self._setup, self._first = setup, first
        # One epoch makes a block wherever a body has no gyro.
        self._span = setup.options.epoch_s
        self._inclinometers: list[int] = np.flatnonzero(setup.is_tilt).tolist()
        self._shown = np.zeros((setup.n, 3))
        self._velocity: Array | None = None
        self._arms = np.array([math.hypot(*ch.sensor.position_m) for ch in setup.channels])

    def fill(
        self, into: Measurement, x: Array, block: EpochBlock, motion: BlockMotion, levers: LeverArms
    ) -> None:
        """Fill in the rows for the block of one epoch whose end is `x`."""
        q, row = self._setup, self._first
        at, half = q.at, 0.5 * q.options.epoch_s
        roll_rate = float(motion.epochs.rates[0, -1])
        pushes = self._pushes(motion, levers)
        for i in self._inclinometers:
            part = q.channels[i].sensor
            late, lagging = part.time_constant_s, i in q.lagging
            place = at.lagged.start + q.lagging.index(i) if lagging else i
            share = 1.0 - math.exp(-self._span / late) if lagging else 1.0
            self._shown[i] += share * (pushes[i] - self._shown[i])
            along, across, doubt = self._shown[i].tolist()
            f, fy = complex(block.force[i, -1]), float(block.force_y[i, -1])
            angle = math.atan2(f.real, f.imag)
            angle += 2.0 * math.pi * round((x[place] - angle) / (2.0 * math.pi))
            roll = math.asin(max(-1.0, min(1.0, fy / q.gravity)))
            # In the middle of the epoch an angle was half a step behind; the roll lags without a state.
            rate = (x[i] - x[place]) / late if lagging else float(motion.epochs.rates[2 + i, -1])
            noise = math.radians(part.noise.tilt_deg) ** 2 + PUSHED_S / self._span * doubt * doubt
            active = bool(block.active[i])
            sees = (active, active and q.channels[i].tells_roll)
            shown = (angle - along + half * rate, roll - across + (half + late) * roll_rate)
            for k, at_place in enumerate((place, at.roll)):
                into.H[row, at_place] = 1.0
                self._by_errors(into.H[row], i, f, rolls=k == 1)
                into.R[row, row] = noise if sees[k] else UNKNOWN
                into.z[row] = shown[k] - x[at_place] if sees[k] else 0.0
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

    def _pushes(self, motion: BlockMotion, levers: LeverArms) -> Array:
        """(N, 3) rad, tilts that accelerations feign: in the arm plane, across it, and their doubt.

        By the turning that gyros tell. What a body without gyro does by itself is left to the doubt: its rate
        comes out of these very angles.
        """
        q, e = self._setup, motion.epochs
        g = q.gravity
        rho = e.rates[:, -1:].copy()
        rho[2:][q.gyroless] = 0.0
        in_plane, across = levers.velocities(e.theta[:, -1:], e.tangent[-1:], rho)
        v = np.stack([in_plane[:, 0].real, across[:, 0], in_plane[:, 0].imag], axis=1)
        before, self._velocity = self._velocity, v
        x_rate, z_rate = rho[:2, 0].tolist()
        a = np.cross(np.array([x_rate, z_rate * float(e.tangent[-1]), z_rate]), v)
        if before is not None:
            a += (v - before) / self._span
        pushes = np.empty((q.n, 3))
        pushes[:, 0] = np.arctan2(a[:, 0], np.maximum(0.5 * g, g + a[:, 2]))
        pushes[:, 1] = a[:, 1] / g
        fastest = min(1.0, float(np.abs(e.rates[:, -1]).max()))
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
