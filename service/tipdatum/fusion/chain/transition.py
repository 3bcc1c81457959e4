"""The chain filter's way from the start of a block to its end: angles by rates, velocities by forces.

The model is written out in `docs/estimator.md`, section "Transition over one block".
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.constants import CROSSING, EYE3, OF_ACCEL, PER_SENSOR, force_errors
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.motion import BlockMotion
from tipdatum.kinematics.frames import Array


class Advance(NamedTuple):
    """What the transition found on its way.

    Attributes:
        F: (dynamic, n) ∂(dynamic part after the block)/∂x before.
        mean: (N, 3) m/s, velocities in the mean over the block, plane axes.
    """

    F: Array
    mean: Array


class TransitionModel:
    """Takes state and covariance through a block of `epochs` epochs, without the process noise."""

    def __init__(self, setup: FilterSetup, epochs: int) -> None:
        at, self._setup = setup.at, setup
        self._span = span = epochs * setup.options.epoch_s
        self._decay = math.exp(-span / setup.options.base_time_s)
        # The entries that no block changes.
        self._fixed = F = np.zeros((at.dynamic, at.size))
        for k in range(at.base.start, at.base.stop):
            F[k, k] = self._decay
        for k in (*range(at.turn.start, at.common.stop), *range(at.zero.start, at.slack.stop)):
            F[k, k] = 1.0
        for k, i in enumerate(setup.lagging, at.lagged.start):
            share = 1.0 - math.exp(-span / setup.channels[i].sensor.time_constant_s)
            F[k, k], F[k, at.theta.start + i] = 1.0 - share, share

    def forward(
        self, x: Array, P: Array, motion: BlockMotion, block: EpochBlock, acceleration: Array
    ) -> Advance:
        """Change `x` (n,) and `P` (n, n).

        Args:
            acceleration: (N, 3) m/s², of the sensors as the chain tells it, plane axes.
        """
        q, at = self._setup, self._setup.at
        before = x[at.velocity].reshape(q.n, 3)
        after, mean = self._integrated(before, motion, block)
        F = self._jacobian(motion, 0.5 * (before + after), acceleration, block.force_slope)
        x[at.pivot] = F[at.pivot, at.pivot].dot(x[at.pivot])
        x[at.base] *= self._decay
        for k, i in enumerate(q.lagging, at.lagged.start):
            x[k] += F[k, i] * (x[i] - x[k])
        x[at.theta] = motion.theta_end
        x[at.roll] = motion.roll_end
        x[at.side] = motion.alpha_end
        x[at.velocity] = after.ravel()
        carry(P, F)
        return Advance(F=F, mean=mean)

    def _integrated(self, v: Array, m: BlockMotion, block: EpochBlock) -> tuple[Array, Array]:
        """Velocities (N, 3) at the block's end and in its mean, from those at its start."""
        q, e = self._setup, m.epochs
        T, g = q.options.epoch_s, q.gravity
        K = len(e.roll)
        # Force and moment in plane axes, gravity taken off, epoch by epoch: (K, N, 3).
        push, moment = np.empty((2, K, q.n, 3))
        left, up = g * np.sin(e.roll), g * np.cos(e.roll)
        in_plane = block.force * e.turn
        push[:, :, 0], push[:, :, 1] = in_plane.real.T, (block.force_y - left).T
        push[:, :, 2] = (in_plane.imag - up).T
        in_plane = block.moment * e.turn
        moment[:, :, 0], moment[:, :, 1] = in_plane.real.T, (block.moment_y - 0.5 * left).T
        moment[:, :, 2] = (in_plane.imag - 0.5 * up).T
        # Rows are vectors, so that a product with the transpose of [ω_P]× is ω_P × v.
        omega = np.array([e.rates[0], e.rates[1] * e.tangent, e.rates[1]]).T
        turning = (-0.5 * T) * omega.dot(CROSSING).reshape(K, 3, 3)
        half = EYE3 - turning
        push = T * (push @ half)
        whole = EYE3 - 2.0 * (turning @ half)
        moment *= T
        mean = -moment.sum(axis=0)
        half = EYE3 + turning
        for k in range(K):
            v = v.dot(whole[k])
            v += push[k]
            mean += v.dot(half[k])
        mean *= 1.0 / K
        return v, mean

    def _jacobian(self, motion: BlockMotion, v: Array, acceleration: Array, slope: Array) -> Array:
        """F, at the velocities `v` (N, 3) of the block's middle and that `acceleration`."""
        at, T, F = self._setup.at, self._span, self._fixed.copy()
        of_angles, n = F[at.angles], self._setup.n
        np.multiply(motion.by.state[2 : 2 + n], T, out=F[at.theta])
        np.multiply(motion.by.state[0], T, out=F[at.roll])
        np.multiply(motion.by.state[2 + n :], T, out=F[at.side])
        self._by_velocity_rows(F[at.velocity], of_angles, motion, v, acceleration, slope)
        of_angles[:, at.angles] += np.eye(at.angles.stop)
        roll_rate, plane_rate = motion.mean.rates[:2].tolist()
        p = at.pivot.start
        turn = 0.0
        if self._setup.on_upper:
            R = motion.mean.to_plane[0]
            turn = T * (plane_rate * float(R[0, 0]) - roll_rate * float(R[2, 0]))
        F[p, p] = F[p + 1, p + 1] = math.cos(turn)
        F[p, p + 1] = math.sin(turn)
        F[p + 1, p] = -math.sin(turn)
        return F

    def _by_velocity_rows(
        self,
        rows: Array,
        of_angles: Array,
        motion: BlockMotion,
        v: Array,
        acceleration: Array,
        slope: Array,
    ) -> None:
        """Fill `rows` (3N, n) of F, with `of_angles` (N + 1 + M, n) what the angles gain over the block."""
        q, m = self._setup, motion.mean
        at, T, n = q.at, self._span, q.n
        left, upward = q.gravity * math.sin(m.roll), q.gravity * math.cos(m.roll)
        roll_rate, plane_rate = m.rates[:2].tolist()
        x_rate, y_rate, z_rate = roll_rate, plane_rate * m.tangent, plane_rate
        Wt = np.array([[0.0, z_rate, -y_rate], [-z_rate, 0.0, x_rate], [y_rate, -x_rate, 0.0]])
        # The expected force, not the measured one, whose noise would correlate with the innovation.
        plane = v.dot(Wt)
        plane += acceleration
        plane[:, 1] += left
        plane[:, 2] += upward
        body = (plane[:, None] @ m.to_plane)[:, 0]
        by_angles = np.zeros((n, 3, at.angles.stop))
        by_angles[q.i, 0, q.i] = -T * plane[:, 2]
        by_angles[q.i, 2, q.i] = T * plane[:, 0]
        by_angles[:, 1, n] = -T * upward
        by_angles[:, 2, n] = T * left
        for k, side in enumerate(q.sides, n + 1):
            if (i := side.sensor) is not None:
                by_angles[i, :, k] = T * (m.to_plane[i] @ (side.cross @ body[i]))
        # On the way through the block the angles have gone half of their own way.
        np.dot(0.5 * by_angles.reshape(3 * n, at.angles.stop), of_angles, out=rows)
        rows[:, at.angles] += by_angles.reshape(3 * n, at.angles.stop)
        turning = Wt * (0.5 * T)
        own = (EYE3 - 2.0 * turning.dot(EYE3 - turning)).T
        rows[:, at.velocity].reshape(n, 3, n, 3)[q.i, :, q.i] += own
        of_accel = rows[:, at.constants].reshape(n, 3, n, PER_SENSOR)[:, :, :, OF_ACCEL]
        body, slope = q.in_parts(m.alpha, body, slope)
        by_constants = force_errors(body, slope, q.warmth.of)
        q.from_parts(m.alpha, by_constants)
        of_accel[q.i, :, q.i] += T * (m.to_plane @ by_constants)


def carry(P: Array, F: Array) -> None:
    """P ← F P Fᵀ, where what F does not tell stays."""
    d = len(F)
    FP = F.dot(P)
    P[:d] = FP
    P[:, :d] = FP.T
    corner = FP.dot(F.T)
    corner *= 0.5
    np.add(corner, corner.T, out=P[:d, :d])
