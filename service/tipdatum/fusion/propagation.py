"""The chain filter's way from the start of an epoch to its end: angles by rates, velocities by forces.

The model is written out in `docs/estimator.md`, section "Transition over one epoch".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.layout import ACCEL_BIAS, ACCEL_SCALE, GYRO_BIAS, GYRO_SCALE, MOUNT, PER_SENSOR
from tipdatum.fusion.parts import Setup, blocks, crossing
from tipdatum.fusion.rates import Motion
from tipdatum.kinematics.frames import Array


@dataclass(slots=True)
class Advance:
    """What the transition found on its way.

    Attributes:
        F: (dynamic, n) ∂(dynamic part after the epoch)/∂x before; overwritten by the next epoch.
        mean: (N, 3) m/s, velocities in the mean over the epoch, plane axes.
    """

    F: Array
    mean: Array


class Propagation:
    """Takes state and covariance through an epoch."""

    def __init__(self, setup: Setup) -> None:
        n, at, o = setup.n, setup.at, setup.options
        self._setup = setup
        self._eye3 = np.eye(3)
        self._cross = crossing()
        self._A = np.zeros((n, 3, 9))
        self._A[:, :, 3:6] = -self._eye3
        self._by_scale = np.einsum("iaa->ia", self._A[:, :, 6:])
        self._F = F = np.zeros((at.dynamic, at.size))
        self._own = np.einsum("ii->i", F[: n + 1, : n + 1])
        of_velocity = F[at.velocity]
        self._by_velocity = blocks(of_velocity[:, at.velocity], 3, 3)
        self._by_accel = blocks(of_velocity[:, at.constants], 3, PER_SENSOR)[:, :, 6:]
        by_theta = blocks(of_velocity[:, at.theta], 3, 1)
        self._across_by_theta, self._up_by_theta = by_theta[:, 0, 0], by_theta[:, 2, 0]
        self._by_roll = of_velocity[:, at.roll].reshape(n, 3)
        self._decay = math.exp(-o.epoch_s / o.base_time_s)
        for k in range(at.base.start, at.base.stop):
            F[k, k] = self._decay
        for k in range(at.turn.start, at.common.stop):
            F[k, k] = 1.0
        for k, i in enumerate(setup.lagging, at.lagged.start):
            share = 1.0 - math.exp(-o.epoch_s / setup.channels[i].sensor.time_constant_s)
            F[k, k], F[k, at.theta.start + i] = 1.0 - share, share
        walk = np.zeros((n, PER_SENSOR))
        walk[:, GYRO_BIAS] = o.gyro_walk**2 * o.epoch_s
        walk[:, ACCEL_BIAS] = o.accel_walk**2 * o.epoch_s
        walk[:, GYRO_SCALE] = walk[:, ACCEL_SCALE] = walk[:, MOUNT] = o.constant_walk**2 * o.epoch_s
        self._walk = np.zeros(at.size)
        self._walk[at.theta] = setup.gyro_psd * o.epoch_s
        self._walk[at.roll] = float(setup.gyro_psd.mean()) * o.epoch_s / n
        self._walk[at.pivot] = o.pivot_walk**2 * o.epoch_s if setup.on_upper else 0.0
        self._walk[at.turn] = o.turn_walk**2 * o.epoch_s
        self._walk[at.common] = (0.5 * o.turn_walk) ** 2 * o.epoch_s
        self._walk[at.lagged] = 1e-10
        self._walk[at.constants] = walk.ravel()
        self._walk_velocity = self._walk[at.velocity].reshape(n, 3)
        self._resting = 1.0 - self._decay**2

    def forward(self, x: Array, P: Array, motion: Motion) -> Advance:
        """Change `x` (n,) and `P` (n, n), without the process noise."""
        q, m = self._setup, motion
        n, at, T, F = q.n, q.at, q.options.epoch_s, self._F
        left, upward = q.gravity * math.sin(m.roll_mid), q.gravity * math.cos(m.roll_mid)
        gravity = np.array([0.0, left, upward])
        v = x[at.velocity].reshape(n, 3)
        # Rows are vectors, so that a product with Wt, the transpose of [ω_P]×, is ω_P × v.
        x_rate, y_rate, z_rate = m.roll_rate, m.plane_rate * m.tangent, m.plane_rate
        Wt = np.array([[0.0, z_rate, -y_rate], [-z_rate, 0.0, x_rate], [y_rate, -x_rate, 0.0]])
        turning = Wt * (0.5 * T)
        half = self._eye3 - turning
        A3t = self._eye3 - 2.0 * turning.dot(half)
        self._transition(m, A3t, left, upward, v, Wt)
        in_plane = m.sums @ m.R.transpose(0, 2, 1)
        v_end = v.dot(A3t)
        v_end += (in_plane[:, 0] - gravity).dot(T * half)
        mean = v_end + v_end.dot(turning)
        mean -= T * (in_plane[:, 1] - 0.5 * gravity)
        x[at.pivot] = F[at.pivot, at.pivot].dot(x[at.pivot])
        x[at.base] *= self._decay
        x[at.theta] += T * m.rho[2:]
        x[at.roll] = m.roll + T * m.roll_rate
        x[at.velocity] = v_end.ravel()
        for k, i in enumerate(q.lagging, at.lagged.start):
            x[k] += F[k, i] * (m.theta[i] - x[k])
        d = at.dynamic
        FP = F.dot(P)
        P[:d] = FP
        P[:, :d] = FP.T
        corner = FP.dot(F.T)
        corner *= 0.5
        np.add(corner, corner.T, out=P[:d, :d])
        return Advance(F, mean)

    def _transition(self, m: Motion, A3t: Array, left: float, upward: float, v: Array, Wt: Array) -> None:
        """Fill `F`."""
        q = self._setup
        at, F, A, T = q.at, self._F, self._A, q.options.epoch_s
        np.multiply(m.H[2:], T, out=F[at.theta])
        np.multiply(m.H[0], T, out=F[at.roll])
        self._own += 1.0
        # The expected force, not the measured one, whose noise would correlate with the innovation.
        plane = v.dot(Wt)
        plane[:, 1] += left
        plane[:, 2] += upward
        body = (plane[:, None] @ m.R)[:, 0]
        np.negative(body.dot(self._cross).reshape(q.n, 3, 3), out=A[:, :, :3])
        np.negative(body, out=self._by_scale)
        np.multiply(m.R @ A, T, out=self._by_accel)
        self._by_velocity[:] = A3t.T
        np.multiply(plane[:, 2], -T, out=self._across_by_theta)
        np.multiply(plane[:, 0], T, out=self._up_by_theta)
        self._by_roll[:, 1] = -T * upward
        self._by_roll[:, 2] = T * left
        p = at.pivot.start
        turn = 0.0
        if q.on_upper:
            turn = T * (m.plane_rate * float(m.R[0, 0, 0]) - m.roll_rate * float(m.R[0, 2, 0]))
        F[p, p] = F[p + 1, p + 1] = math.cos(turn)
        F[p, p + 1] = math.sin(turn)
        F[p + 1, p] = -math.sin(turn)

    def add_noise(
        self, P: Array, e: Array, active: Array, motion: Motion, persistence: Array, folded: Array
    ) -> None:
        """Add the process noise of an epoch `e` (N, 11) to `P`.

        Args:
            persistence: (N,) (m/s)², mean product of successive innovations.
            folded: the same over the last times of rest.
        """
        q, m = self._setup, motion
        at, o, T, walk = q.at, q.options, q.options.epoch_s, self._walk
        shaken = np.maximum(persistence, 0.0)
        shaken *= o.adaptation / T
        shaken += (o.folded_share / T) * np.maximum(folded, 0.0)
        shaken += q.accel_psd
        shaken += (o.shake_share**2 / 3.0) * e[:, 9] * e[:, 10]
        if not m.whole:
            shaken = np.where(active, shaken, 1.0 / T)
            # A body whose sensor is silent may turn as fast as an arm can: half a radian a second.
            P[q.i, q.i] += np.where(active | ~q.has_gyro, 0.0, (0.5 * T) ** 2)
        np.multiply(shaken[:, None], T, out=self._walk_velocity)
        rocking = (
            math.hypot(m.roll_rate, float(m.rho[2])) if q.on_upper else float(np.abs(m.theta_rate).max())
        )
        unexplained = o.base_share_m if q.on_upper else 1.0
        walk[at.base] = (o.base_floor_mps**2 + (unexplained * rocking) ** 2) * self._resting
        P.reshape(-1)[:: at.size + 1] += walk
