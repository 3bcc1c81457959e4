"""What the chain filter compares in an epoch: innovation, its Jacobian and its noise.

Velocities by the chain's lever arms, gyros against each other, angles of inclinometers; written out in
`docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.layout import PER_SENSOR
from tipdatum.fusion.levers import Levers
from tipdatum.fusion.parts import Setup
from tipdatum.fusion.propagation import Advance
from tipdatum.fusion.rates import Motion
from tipdatum.kinematics.frames import Array

UNKNOWN = 1e6
"""Variance given to a row that has no measurement in this epoch."""


class Observation:
    """Rows: 3N of velocities, 2(N - 1) of gyros, two of each inclinometer.

    Attributes:
        H: (m, n) Jacobian; kept and overwritten from epoch to epoch, as is `R`.
        R: (m, m) noise.
    """

    def __init__(self, setup: Setup, levers: Levers) -> None:
        n, at, o = setup.n, setup.at, setup.options
        self._setup = setup
        self.levers = levers
        self._vi = np.arange(3 * n)
        self._own = (self._vi.reshape(n, 3)[:, :, None], setup.v[:, None, :])
        self._difference = np.eye(n, k=1)[: n - 1] - np.eye(n)[: n - 1]
        variance = setup.gyro_psd / o.epoch_s + o.gyro_floor_radps**2
        self._rate_variance = np.repeat(variance, 3)
        self._difference_noise = (
            float(variance.mean()) * o.redundancy_share**2 * (self._difference @ self._difference.T)
        )
        self._tilts = np.flatnonzero(setup.is_tilt).tolist()
        self._rows = 3 * n + 2 * (n - 1) + 2 * len(self._tilts)
        self.H = np.zeros((self._rows, at.size))
        self.R = np.zeros((self._rows, self._rows))
        self._eyes = np.tile(np.eye(3), (n, 1))
        self._eye3 = np.eye(3)
        self.last_velocity: Array | None = None
        """(N, 3) m/s, what the chain said in the last epoch; None after a start or a refit."""

    def innovation(self, x: Array, e: Array, active: Array, motion: Motion, advance: Advance) -> Array:
        """z (m,) of the epoch whose end is `x`; fills `H` and `R`."""
        z = np.zeros(self._rows)
        slip = self._velocities(z, x, active, motion, advance)
        self._gyros(z, motion)
        if self._tilts:
            self._inclinometers(z, x, e, active, motion, slip)
        return z

    def _velocities(self, z: Array, x: Array, active: Array, motion: Motion, advance: Advance) -> Array:
        """Velocities the chain ought to have, in the middle of the epoch; their change, (N, 3) m/s²."""
        q, k = self._setup, motion
        n, at, o, T = q.n, q.at, q.options, q.options.epoch_s
        H, R, m = self.H, self.R, 3 * q.n
        expected, Jv = self.levers.velocities(
            k.theta + 0.5 * T * k.theta_rate, k.tangent, k.roll_rate, k.plane_rate, k.theta_rate
        )
        if o.learn_from_geometry:
            across, along = -Jv[:, 0, 2:].copy(), Jv[:, 2, 2:].copy()
        up = np.zeros(3)
        rock_x = rock_y = 0.0
        if q.on_upper:
            cu, su = math.cos(float(k.turned[0])), math.sin(float(k.turned[0]))
            up = np.array([-su, 0.0, cu])
            rock_x = k.roll_rate * cu + k.plane_rate * su
            rock_y = k.tangent * k.plane_rate - float(k.theta_rate[0])
            a, b = x[at.pivot].tolist()
            expected = expected + (rock_y * a - rock_x * b) * up
            Jv[:, :, 0] -= (b * cu) * up
            Jv[:, :, 1] += (k.tangent * a - su * b) * up
            Jv[:, :, 2] -= a * up
        Jf = Jv.reshape(m, 2 + n)
        z[:m] = (expected + x[at.base] - advance.mean).ravel()
        H[:m] = -(Jf @ k.H)
        H[:m] -= 0.5 * advance.F[at.velocity]
        if o.learn_from_geometry:
            turn = k.tangent * k.plane_rate - k.theta_rate
            Ht = H[:m, at.theta].reshape(n, 3, n)
            Ht[:, 0] -= along * turn
            Ht[:, 1] += across * k.plane_rate + along * k.roll_rate
            Ht[:, 2] -= across * turn
        # The velocity's own column: half of it was taken off with F.
        H[self._own] = self._eye3
        H[:m, at.base] -= self._eyes
        if q.on_upper:
            ups = self._eyes @ up
            H[:m, at.pivot.start] -= rock_y * ups
            H[:m, at.pivot.start + 1] += rock_x * ups
        Jn = k.J.reshape(2 + n, m)
        rate_noise = (Jn * self._rate_variance) @ Jn.T
        R[:m, :m] = Jf @ rate_noise @ Jf.T
        speed = np.sqrt((k.rate * k.rate).sum(axis=1))
        slip = np.zeros((n, 3))
        if self.last_velocity is not None:
            slip = (expected - self.last_velocity) / T
        extra = (o.velocity_floor_mps**2 + (o.velocity_share_m * speed) ** 2)[:, None] + (
            slip * q.latency_sigma[:, None]
        ) ** 2
        usable = active & ~q.is_tilt
        extra[~usable] = UNKNOWN
        z[:m].reshape(n, 3)[~usable] = 0.0
        R[self._vi, self._vi] += extra.ravel()
        self.last_velocity = expected
        return slip

    def _gyros(self, z: Array, motion: Motion) -> None:
        """All bodies of the arm plane share roll rate and plane rate: what their gyros differ in is error."""
        q, H, R, D = self._setup, self.H, self.R, self._difference
        n, at, m = q.n, q.at, 3 * q.n
        if n < 2:
            return
        k = n - 1
        z[m : m + k] = -(D @ motion.roll_i)
        z[m + k : m + 2 * k] = -(D @ motion.plane_i)
        Hc = H[m : m + 2 * k, at.constants].reshape(2 * k, n, PER_SENSOR)
        Hc[:k, :, :9] = D[:, :, None] * motion.told[None, :, 0]
        Hc[k:, :, :9] = D[:, :, None] * motion.told[None, :, 1]
        H[m : m + k, at.theta] = -D * motion.plane_i
        H[m + k : m + 2 * k, at.theta] = D * motion.roll_i
        R[m : m + k, m : m + k] = R[m + k : m + 2 * k, m + k : m + 2 * k] = self._difference_noise
        gyro = motion.gyro
        if gyro.all():
            return
        blind = np.flatnonzero(~np.logical_and(gyro[1:], gyro[:-1]))
        for row in (*(m + blind), *(m + k + blind)):
            R[row, row] += UNKNOWN
            z[row] = 0.0

    def _inclinometers(
        self, z: Array, x: Array, e: Array, active: Array, motion: Motion, slip: Array
    ) -> None:
        """Angles of inclinometers, their own lag included; acceleration tilts them by its share of g."""
        q, H, R = self._setup, self.H, self.R
        at, g, row = q.at, q.gravity, 3 * q.n + 2 * (q.n - 1)
        for i in self._tilts:
            fx, fy, fz = e[i, 0], e[i, 1], e[i, 2]
            sensor = q.channels[i].sensor
            place = at.lagged.start + q.lagging.index(i) if i in q.lagging else i
            shown = math.atan2(fx, fz)
            shown += 2.0 * math.pi * round((x[place] - shown) / (2.0 * math.pi))
            pushed = float((slip[i] ** 2).sum()) / (g * g) + math.radians(sensor.noise.tilt_deg) ** 2
            for value, at_place in ((shown, place), (math.asin(max(-1.0, min(1.0, fy / g))), at.roll)):
                H[row] = 0.0
                H[row, at_place] = 1.0
                # In the middle of the epoch the angle was half a step behind.
                R[row, row] = pushed if active[i] else UNKNOWN
                behind = 0.5 * q.options.epoch_s * float(motion.theta_rate[i]) if at_place == i else 0.0
                z[row] = value + behind - x[at_place] if active[i] else 0.0
                row += 1
