"""What the chain filter compares in a block: innovation, its Jacobian and its noise.

Velocities by the chain's lever arms, gyros against each other, angles of inclinometers; written out in
`docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.closure import ClosedLinkage
from tipdatum.fusion.chain.constants import (
    CROSSING,
    EYE3,
    LEVER,
    PER_SENSOR,
)
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.levers import LeverArms, Levers
from tipdatum.fusion.chain.model import UNKNOWN, FilterSetup, diagonal
from tipdatum.fusion.chain.motion import BlockMotion, MeanMotion, to_middle
from tipdatum.fusion.chain.noise import SILENT_RADPS, UNTOLD_SIDE, UPPER_TURNS
from tipdatum.fusion.chain.rows import FLOORS_S, GyroRows, InclinometerRows, Measurement
from tipdatum.fusion.chain.transition import Advance
from tipdatum.kinematics.frames import Array

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


class ToldSwing(NamedTuple):
    """The boom's swing as an encoder, or the description, tells it for a block.

    Attributes:
        angle: rad, mean of the readings. variance: rad², of that. age: s, before the block's end.
        rate: rad/s, at the block's end.
    """

    angle: float
    variance: float
    age: float
    rate: float = 0.0


class MeasurementModel:
    """What a block of `epochs` epochs is compared with."""

    def __init__(self, setup: FilterSetup, levers: Levers, epochs: int) -> None:
        self._setup = setup
        self._gyros = GyroRows(setup, epochs)
        of_inclinometers = 3 * setup.n + self._gyros.rows
        self._of_swing = of_inclinometers + 2 * int(np.count_nonzero(setup.is_tilt))
        self._of_closure = self._of_swing + (setup.told is not None)
        self._rows = self._of_closure + (setup.closure is not None)
        self._span = epochs * setup.options.epoch_s
        self._velocities = VelocityRows(setup, levers, epochs)
        self._inclinometers = InclinometerRows(setup, of_inclinometers) if setup.is_tilt.any() else None

    def foresee(self, x: Array, motion: BlockMotion, before: Array | None) -> Expected:
        """What the chain says of the velocities in a block, from the state `x` at its start.

        Args:
            before: (N, 3) m/s, `last` of the block before; None where what they have changed by since is no
                acceleration: after a start, or where an angle has been found anew.
        """
        return self._velocities.expected(x, motion, before)

    def measure(
        self,
        x: Array,
        block: EpochBlock,
        motion: BlockMotion,
        expected: Expected,
        advance: Advance,
        swing: ToldSwing | None = None,
        closes: bool = True,
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
        if self._setup.told is not None:
            self._by_swing(found, x, motion, self._setup.told, swing)
        if self._setup.closure is not None:
            self._by_linkage(found, x, block, motion, self._setup.closure, closes)
        return found

    def _by_linkage(
        self,
        into: Measurement,
        x: Array,
        block: EpochBlock,
        motion: BlockMotion,
        linkage: ClosedLinkage,
        closes: bool,
    ) -> None:
        row, at = self._of_closure, self._setup.at
        into.R[row, row] = UNKNOWN
        gap = linkage.gap(x, float(x[at.slack.start]))
        if gap is None or not closes or not block.active[linkage.sensors].all():
            return
        into.H[row, linkage.sensors], into.H[row, at.slack.start] = gap.by_angles, 1.0
        into.z[row] = -gap.angle
        rates = motion.mean.rates[2 : 2 + self._setup.n].tolist()
        into.R[row, row] = linkage.variance(rates, self._span)

    def _by_swing(
        self, into: Measurement, x: Array, motion: BlockMotion, k: int, swing: ToldSwing | None
    ) -> None:
        row, at = self._of_swing, self._setup.at
        into.H[row, at.side.start + k] = into.H[row, at.zero.start] = 1.0
        into.R[row, row] = UNKNOWN
        if swing is None:
            return
        rate = float(motion.mean.rates[2 + self._setup.n + k])
        into.z[row] = swing.angle - (float(x[at.side.start + k]) - rate * swing.age + float(x[at.zero.start]))
        into.R[row, row] = swing.variance + (self._setup.options.latency_sigma_s * rate) ** 2


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
        # The chain's velocities depend on y = (ρ, θ, tan φ, α, base, pivot), which depends on the state.
        self._rho = 2 + n + len(setup.sides)
        self._of_chain = self._rho + n + 1 + len(setup.sides)
        self._y_by_state = np.zeros((self._of_chain + 5, at.size))
        places = [*range(at.angles.stop), *range(at.base.start, at.pivot.stop)]
        self._y_by_state[range(self._rho, self._of_chain + 5), places] = 1.0
        # Of ρ, the turning of side parts that no gyro tells, and its variance.
        self._untold = [2 + n + k for k in range(len(setup.sides)) if not setup.side_has_gyro(k)]
        self._untold_variance = UNTOLD_SIDE**2 / span

    def expected(self, x: Array, motion: BlockMotion, before: Array | None) -> Expected:
        """See `MeasurementModel.foresee`."""
        q, e, share = self._setup, motion.epochs, self._share
        levers = self._levers.corrected(x[q.at.constants].reshape(-1, PER_SENSOR)[:, LEVER])
        in_plane, across = levers.velocities(e.theta, e.tangent, e.rates, e.alpha)
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
        by_rates, by_gyros = by_y[:, : self._rho], motion.by.gyros.reshape(self._rho, m)
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
                turning = [2 + i, *(2 + n + k for k, side in enumerate(q.sides) if side.sensor == i)]
                by_turning = by_rates[:, turning].reshape(n, -1)
                reach = np.sqrt(np.square(by_turning).sum(axis=1))
                unseen = reach * (silent_rate(q, i) * math.sqrt(SILENT_LASTS_S / self._span))
                R += np.kron(np.multiply.outer(unseen, unseen), EYE3)
        diagonal(into.R)[:m] += own.ravel()
        for k in self._untold:
            # It carries along all that hangs on the part, and a line through an encoder's readings lags.
            R += self._untold_variance * np.multiply.outer(by_rates[:, k], by_rates[:, k])

    def _by_y(self, x: Array, motion: BlockMotion, levers: LeverArms) -> Array:
        """(3N, 8 + 2N + 2M) ∂v̂/∂y."""
        q, m, chain = self._setup, motion.mean, self._of_chain
        n = q.n
        by_y = np.zeros((n, 3, chain + 5))
        by_y[:, :, chain : chain + 3] = EYE3
        levers.jacobian(m.theta, m.tangent, m.rates, m.alpha, by_y[:, :, :chain])
        if not q.options.learn_from_geometry:
            by_y[:, :, self._rho : chain] = 0.0
        if q.on_upper:
            self._rock(by_y, m, *x[q.at.pivot].tolist())
        return by_y.reshape(3 * n, chain + 5)

    def _by_state(self, H: Array, by_y: Array, motion: BlockMotion, advance: Advance) -> None:
        """Fill the rows of `H`, (3N, n)."""
        q, m = self._setup, motion.mean
        n, at = q.n, q.at
        y_by_state = self._y_by_state.copy()
        y_by_state[: self._rho] = motion.by.state
        y_by_state[self._rho + n, at.roll] = 1.0 + m.tangent * m.tangent
        np.dot(by_y, y_by_state, out=H)
        H += 0.5 * advance.F[at.velocity]
        np.negative(H, out=H)
        # Each body turns with the plane, and in it about -y.
        turning = np.empty((n, 3))
        turning[:, 0], turning[:, 2] = m.rates[:2]
        turning[:, 1] = m.tangent * m.rates[1] - m.rates[2 : 2 + n]
        by_lever = H[:, at.constants].reshape(n, 3, n, PER_SENSOR)[:, :, :, LEVER]
        of_way = turning.dot(CROSSING).reshape(n, 3, 3) @ m.to_plane
        for k, side in enumerate(q.sides):
            if (i := side.sensor) is not None:
                # A way on a side part turns with it too.
                of_way[i] += float(m.rates[2 + n + k]) * m.to_plane[i] @ side.cross
                of_way[i] = of_way[i] @ side.rotation(float(m.alpha[k]))
        by_lever[q.i, :, q.i] -= of_way
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
        place = self._rho
        by_y[:, 0, place] += -s * turning - c * speed
        by_y[:, 2, place] += c * turning - s * speed
        tan = self._rho + self._setup.n
        by_y[:, 0, tan] -= s * by_tan
        by_y[:, 2, tan] += c * by_tan
        by_y[:, :, -2:] = np.array([[-s * y_rate, s * x_rate], [0.0, 0.0], [c * y_rate, -c * x_rate]])
