"""The chain filter's way from the start of an epoch to its end: angles by rates, velocities by forces.

The model is written out in `docs/estimator.md`, section "Transition over one epoch".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.layout import ACCEL_BIAS, ACCEL_SCALE, GYRO_BIAS, GYRO_SCALE, MOUNT, PER_SENSOR
from tipdatum.fusion.parts import Setup
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
        self._accel_block = (setup.v[:, :, None], setup.constants[:, None, 6:])
        self._F = np.zeros((at.dynamic, at.size))
        self._A = np.zeros((n, 3, 9))
        self._A[:, [0, 1, 2], [3, 4, 5]] = -1.0
        self._R3 = np.zeros((n, 3, 3))
        self._R3[:, 1, 1] = 1.0
        self._eye3 = np.eye(3)
        self._decay = math.exp(-o.epoch_s / o.base_time_s)
        walk = np.zeros((n, PER_SENSOR))
        walk[:, GYRO_BIAS] = o.gyro_walk**2 * o.epoch_s
        walk[:, ACCEL_BIAS] = o.accel_walk**2 * o.epoch_s
        walk[:, GYRO_SCALE] = walk[:, ACCEL_SCALE] = walk[:, MOUNT] = 1e-14
        self._walk = np.zeros(at.size)
        self._walk[at.theta] = setup.gyro_psd * o.epoch_s
        self._walk[at.roll] = float(setup.gyro_psd.mean()) * o.epoch_s / n
        self._walk[at.pivot] = o.pivot_walk**2 * o.epoch_s if setup.on_upper else 0.0
        self._walk[at.turn] = o.turn_walk**2 * o.epoch_s
        self._walk[at.common] = (0.5 * o.turn_walk) ** 2 * o.epoch_s
        self._walk[at.lagged] = 1e-10
        self._walk[at.constants] = walk.ravel()

    def forward(self, x: Array, P: Array, motion: Motion) -> Advance:
        """Change `x` (n,) and `P` (n, n), without the process noise."""
        q, m = self._setup, motion
        n, at, T, W = q.n, q.at, q.options.epoch_s, m.spin
        cr, sr = math.cos(m.roll_mid), math.sin(m.roll_mid)
        gravity = np.array([0.0, q.gravity * sr, q.gravity * cr])
        v = x[at.velocity].reshape(n, 3)
        R3 = self._R3
        R3[:, 0, 0] = R3[:, 2, 2] = m.c
        R3[:, 2, 0] = m.s
        R3[:, 0, 2] = -m.s
        plane_force = (R3 @ m.force[:, :, None])[:, :, 0]
        plane_moment = (R3 @ m.moment[:, :, None])[:, :, 0]
        A3 = self._eye3 - T * W + (0.5 * T * T) * (W @ W)
        gained = T * ((plane_force - gravity) @ (self._eye3 - 0.5 * T * W).T)
        v_end = v @ A3.T + gained
        mean = v_end - T * (plane_moment - 0.5 * gravity) + (0.5 * T) * (v_end @ W.T)
        F = self._transition(m, A3, gravity, v, cr, sr)
        x[at.pivot] = F[at.pivot, at.pivot] @ x[at.pivot]
        x[at.base] = self._decay * x[at.base]
        x[at.theta] = m.theta + T * m.theta_rate
        x[at.roll] = m.roll + T * m.roll_rate
        x[at.velocity] = v_end.ravel()
        for k, i in enumerate(q.lagging):
            x[at.lagged.start + k] += F[at.lagged.start + k, i] * (m.theta[i] - x[at.lagged.start + k])
        d = at.dynamic
        FP = F @ P
        P[:d, :] = FP
        P[:, :d] = FP.T
        corner = FP @ F.T
        P[:d, :d] = 0.5 * (corner + corner.T)
        return Advance(F, mean)

    def _transition(self, m: Motion, A3: Array, gravity: Array, v: Array, cr: float, sr: float) -> Array:
        q = self._setup
        at, F, A, T = q.at, self._F, self._A, q.options.epoch_s
        F[at.theta] = T * m.H[2:]
        F[at.roll] = T * m.H[0]
        F[q.i, q.i] += 1.0
        F[at.roll, at.roll] += 1.0
        # The expected force, not the measured one, whose noise would correlate with the innovation.
        fe = gravity + v @ m.spin.T
        ex, ez = fe[:, 0], fe[:, 2]
        bx, by, bz = ex * m.c + ez * m.s, fe[:, 1], ez * m.c - ex * m.s
        A[:, 0, 1], A[:, 0, 2] = bz, -by
        A[:, 1, 0], A[:, 1, 2] = -bz, bx
        A[:, 2, 0], A[:, 2, 1] = by, -bx
        A[:, 0, 6], A[:, 1, 7], A[:, 2, 8] = -bx, -by, -bz
        F[self._accel_block] = T * (self._R3 @ A)
        F[q.v[:, :, None], q.v[:, None, :]] = A3
        F[q.v[:, 0], q.i] = -T * ez
        F[q.v[:, 2], q.i] = T * ex
        F[q.v[:, 1], at.roll] = -T * q.gravity * cr
        F[q.v[:, 2], at.roll] = T * q.gravity * sr
        b, p = at.base.start, at.pivot.start
        F[b, b] = F[b + 1, b + 1] = F[b + 2, b + 2] = self._decay
        turn = T * (m.plane_rate * float(m.c[0]) - m.roll_rate * float(m.s[0])) if q.on_upper else 0.0
        F[p, p] = F[p + 1, p + 1] = math.cos(turn)
        F[p, p + 1] = math.sin(turn)
        F[p + 1, p] = -math.sin(turn)
        for k in range(at.turn.start, at.lagged.start):
            F[k, k] = 1.0
        for k, i in enumerate(q.lagging):
            row = at.lagged.start + k
            share = 1.0 - math.exp(-T / q.channels[i].sensor.time_constant_s)
            F[row, row] = 1.0 - share
            F[row, at.theta.start + i] = share
        return F

    def add_noise(self, P: Array, e: Array, active: Array, motion: Motion, persistence: Array) -> None:
        """Add the process noise of an epoch `e` (N, 11) to `P`.

        Args:
            persistence: (N,) (m/s)², mean product of successive innovations.
        """
        q, m = self._setup, motion
        at, o, T, walk = q.at, q.options, q.options.epoch_s, self._walk
        unmodelled = (o.adaptation / T) * np.maximum(persistence, 0.0)
        shaken = unmodelled + q.accel_psd + (o.shake_share**2 / 3.0) * e[:, 9] * e[:, 10]
        if not active.all():
            shaken = np.where(active, shaken, 1.0 / T)
            # A body whose sensor is silent may turn as fast as an arm can: half a radian a second.
            P[q.i, q.i] += np.where(active | ~q.has_gyro, 0.0, (0.5 * T) ** 2)
        walk[q.v] = (shaken * T)[:, None]
        rocking = (
            math.hypot(m.roll_rate, float(m.theta_rate[0]))
            if q.on_upper
            else float(np.abs(m.theta_rate).max())
        )
        unexplained = o.base_share_m if q.on_upper else 1.0
        walk[at.base] = (o.base_floor_mps**2 + (unexplained * rocking) ** 2) * (1.0 - self._decay**2)
        P.ravel()[:: at.size + 1] += walk
