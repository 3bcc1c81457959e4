"""The chain filter: one extended Kalman filter over the whole arm, one step an epoch.

The model, with its symbols, frames and Jacobians, is written out in `docs/estimator.md`. In short: each
accelerometer, turned into the axes of the arm plane and freed of gravity, is integrated to a velocity; the
gyros and the chain's lever arms say what that velocity ought to be; the difference is what the filter
learns from. In velocities, instead of accelerations, nothing has to be differentiated, and vibration and
shocks, which leave little velocity behind, weigh little.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.kalman import update
from tipdatum.fusion.layout import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    GYRO_BIAS,
    GYRO_SCALE,
    MOUNT,
    PER_SENSOR,
    Layout,
    layout,
)
from tipdatum.fusion.levers import Levers
from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array

ADAPTATION_S = 2.0
"""Time over which the persistence of the innovations is averaged, s."""
UNKNOWN = 1e6
"""Variance given to a row that has no measurement in this epoch."""


class ChainFilter:
    """State, covariance and the step; knows no clock and no readings, only epochs.

    Attributes:
        x: (n,) state, places in `at`.
        P: (n, n) covariance.
        rates: (2 + N,) rad/s, roll rate, plane rate and θ̇ of each sensor's body over the last epoch.
        body_rates: (N, 3) rad/s, corrected rates in body axes over the last epoch.
        distances: (N,) squared normalised innovation of each sensor's velocity in the last epoch.
    """

    def __init__(
        self, arm: Arm, channels: list[Channel], has_gyro: list[bool], options: ChainOptions
    ) -> None:
        n = len(channels)
        self.options = options
        self.channels = channels
        self.n = n
        self.gravity = arm.machine.gravity_mps2
        self.levers = Levers(arm, channels)
        self.has_gyro = np.array(has_gyro)
        self.is_tilt = np.array([ch.sensor.type == "tilt" for ch in channels])
        self.lagging = [
            i for i, ch in enumerate(channels) if self.is_tilt[i] and ch.sensor.time_constant_s > 0
        ]
        self.gyroless = [i for i in range(n) if not has_gyro[i]]
        self.on_upper = bool(channels) and channels[0].sensor.body == "upper"
        self.at: Layout = layout(n, len(self.gyroless), len(self.lagging))
        self.x = np.zeros(self.at.size)
        self.P = np.zeros((self.at.size, self.at.size))
        self.rates = np.zeros(2 + n)
        self.body_rates = np.zeros((n, 3))
        self.distances = np.zeros(n)
        self._prepare()

    def _prepare(self) -> None:
        n, at, o = self.n, self.at, self.options
        noise = [ch.sensor.noise for ch in self.channels]
        self._gyro_psd = np.array([s.gyro_radps_rthz**2 for s in noise])
        self._accel_psd = np.array([s.accel_mps2_rthz**2 for s in noise])
        self._i = np.arange(n)
        self._v = at.velocity.start + np.arange(3 * n).reshape(n, 3)
        self._vi = np.arange(3 * n)
        self._row_block = (self._vi.reshape(n, 3)[:, :, None], self._v[:, None, :])
        constants = at.constants.start + PER_SENSOR * self._i[:, None] + np.arange(PER_SENSOR)
        self._accel_block = (self._v[:, :, None], constants[:, None, 6:])
        self._mix = np.zeros((n, 3, 3))
        self._mix[:, [0, 1, 2], [0, 1, 2]] = 1.0
        self._F = np.zeros((at.dynamic, at.size))
        self._B = np.zeros((n, 3, 9))
        self._A = np.zeros((n, 3, 9))
        self._B[:, [0, 1, 2], [0, 1, 2]] = -1.0
        self._A[:, [0, 1, 2], [3, 4, 5]] = -1.0
        self._R3 = np.zeros((n, 3, 3))
        self._R3[:, 1, 1] = 1.0
        self._Q2 = np.zeros((n, 2, 3))
        self._J = np.zeros((2 + n, n, 3))
        self._Hr = np.zeros((2 + n, at.size))
        self._difference = np.eye(n, k=1)[: n - 1] - np.eye(n)[: n - 1]
        variance = self._gyro_psd / o.epoch_s + o.gyro_floor_radps**2
        self._rate_variance = np.repeat(variance, 3)
        self._difference_noise = (
            float(variance.mean()) * o.redundancy_share**2 * (self._difference @ self._difference.T)
        )
        self._tilt_rows = 2 * int(self.is_tilt.sum())
        self._rows = 3 * n + 2 * (n - 1) + self._tilt_rows
        self._H = np.zeros((self._rows, at.size))
        self._R = np.zeros((self._rows, self._rows))
        self._persistence = np.zeros(n)
        self._last_innovation = np.zeros((n, 3))
        self._eyes = np.tile(np.eye(3), (n, 1))
        self._eye3 = np.eye(3)
        self._decay = math.exp(-o.epoch_s / o.base_time_s)
        self._last_velocity: Array | None = None
        latency = [
            ch.sensor.latency_sigma_s if ch.sensor.latency_sigma_s is not None else o.latency_sigma_s
            for ch in self.channels
        ]
        self.latency_sigma = np.array(latency)
        walk = np.zeros((n, PER_SENSOR))
        walk[:, GYRO_BIAS] = o.gyro_walk**2 * o.epoch_s
        walk[:, ACCEL_BIAS] = o.accel_walk**2 * o.epoch_s
        walk[:, GYRO_SCALE] = walk[:, ACCEL_SCALE] = walk[:, MOUNT] = 1e-14
        self._walk = np.zeros(at.size)
        self._walk[at.theta] = self._gyro_psd * o.epoch_s
        self._walk[at.roll] = float(self._gyro_psd.mean()) * o.epoch_s / n
        self._walk[at.pivot] = o.pivot_walk**2 * o.epoch_s if self.on_upper else 0.0
        self._walk[at.turn] = o.turn_walk**2 * o.epoch_s
        self._walk[at.common] = (0.5 * o.turn_walk) ** 2 * o.epoch_s
        self._walk[at.lagged] = 1e-10
        self._walk[at.constants] = walk.ravel()

    def refit(self, arm: Arm, channels: list[Channel]) -> None:
        """Go on with changed dimensions of the same sensors."""
        self.channels = channels
        self.levers = Levers(arm, channels)
        self._last_velocity = None

    # -- start -------------------------------------------------------------------------------------------

    def start(self, force: Array, rate: Array) -> None:
        """Begin from one epoch's mean forces and rates, (N, 3) m/s² and rad/s."""
        n, at, o = self.n, self.at, self.options
        x = self.x
        x[: at.dynamic] = 0.0
        x[at.theta] = np.arctan2(force[:, 0], force[:, 2])
        norms = np.linalg.norm(force, axis=1)
        x[at.roll] = float(np.mean(np.arcsin(np.clip(force[:, 1] / norms, -1.0, 1.0))))
        x[at.lagged] = x[at.theta][self.lagging]
        d = np.zeros(at.size)
        d[at.theta] = d[at.roll] = 0.1**2
        d[at.velocity] = 0.1**2
        d[at.base] = o.base_floor_mps**2
        d[at.pivot] = o.pivot_sigma_m**2 if self.on_upper else 1e-12
        d[at.turn] = d[at.common] = 0.1**2
        d[at.lagged] = 0.1**2
        constants = np.zeros((n, PER_SENSOR))
        for i, ch in enumerate(self.channels):
            s = ch.sensor
            mount = s.mount_sigma_deg if s.mount_sigma_deg is not None else o.mount_sigma_deg
            # What a gyro shows at the start may all be bias: some low-cost parts are off by 20 °/s.
            least = max(s.noise.gyro_bias_radps, o.gyro_start_sigma_radps)
            constants[i, GYRO_BIAS] = np.maximum(least, np.abs(rate[i]))
            constants[i, GYRO_SCALE] = constants[i, ACCEL_SCALE] = o.scale_sigma
            constants[i, ACCEL_BIAS] = s.noise.accel_bias_mps2
            constants[i, MOUNT] = math.radians(mount)
        d[at.constants] = constants.ravel() ** 2
        self.P = np.diag(d)
        self._last_velocity = None

    def level(self, sigma: float) -> None:
        """Take the angles as they stand for right to `sigma` rad, where mounts were levelled here."""
        rows = [i for i, ch in enumerate(self.channels) if ch.sensor.mount_sigma_deg is None]
        if not rows:
            return
        places = [self.at.theta.start + i for i in rows] + [self.at.roll]
        H = np.zeros((len(places), self.at.size))
        H[np.arange(len(places)), places] = 1.0
        update(self.x, self.P, H, np.zeros(len(places)), np.eye(len(places)) * sigma**2)

    def pause(self, seconds: float) -> None:
        """Let time pass in which no sensor spoke: the machine may have rolled and slewed."""
        at, sigma = self.at, self.options.pivot_sigma_m
        self.P[at.roll, at.roll] += min(0.1 * seconds, 0.1) ** 2
        for place in range(at.pivot.start, at.pivot.stop):
            self.P[place, place] += min(sigma * seconds, sigma) ** 2 if self.on_upper else 0.0

    def restart_sensor(self, i: int, force: Array) -> None:
        """Take up a sensor again that was silent: its angle anew from `force` (3,), its constants kept."""
        at = self.at
        theta = math.atan2(float(force[0]), float(force[2]))
        old = float(self.x[i])
        self.x[i] = theta + 2.0 * math.pi * round((old - theta) / (2.0 * math.pi))
        places = [i, *self._v[i]]
        if i in self.gyroless:
            places.append(at.turn.start + self.gyroless.index(i))
        if i in self.lagging:
            places.append(at.lagged.start + self.lagging.index(i))
            self.x[places[-1]] = self.x[i]
        self.P[places, :] = 0.0
        self.P[:, places] = 0.0
        self.P[places, places] = 0.05**2
        self.P[self._v[i], self._v[i]] = 1.0
        if self._last_velocity is not None:
            self.x[self._v[i]] = self._last_velocity[i]

    # -- one epoch ---------------------------------------------------------------------------------------

    def step(self, e: Array, active: Array) -> None:
        """Go on by one epoch.

        Args:
            e: (N, 11), rows of `tipdatum.fusion.strapdown.Epoch`.
            active: (N,) bool, which sensors have an epoch.
        """
        n, at, o, x, P = self.n, self.at, self.options, self.x, self.P
        T = o.epoch_s
        theta, roll = x[at.theta].copy(), float(x[at.roll])
        constants = x[at.constants].reshape(n, PER_SENSOR)
        force, moment, rate = self._corrected(e, constants)
        gyro = self.has_gyro & active
        weight = gyro / max(1, int(gyro.sum()))

        # Rates of the arm plane and of every body, in the middle of the epoch.
        turned = theta + 0.5 * T * math.tan(roll) * float(self.rates[1])
        c, s = np.cos(turned), np.sin(turned)
        roll_i = rate[:, 0] * c - rate[:, 2] * s
        plane_i = rate[:, 2] * c + rate[:, 0] * s
        if gyro.any():
            roll_rate, plane_rate = float(weight @ roll_i), float(weight @ plane_i)
        elif at.common.stop > at.common.start:
            roll_rate, plane_rate = float(x[at.common][0]), float(x[at.common][1])
        else:
            roll_rate = plane_rate = 0.0
        roll_mid = roll + 0.5 * T * roll_rate
        tangent = math.tan(roll_mid)
        theta_rate = -rate[:, 1] + tangent * plane_rate
        if self.gyroless:
            theta_rate[self.gyroless] = x[at.turn]
        theta_rate = np.where(active | ~self.has_gyro, theta_rate, 0.0)
        Hr = self._rate_jacobian(rate, c, s, weight, roll_i, plane_i, tangent, plane_rate, gyro)

        # Forward: angles by the rates, velocities by the forces.
        w = (roll_rate, plane_rate * tangent, plane_rate)
        W = np.array([[0.0, -w[2], w[1]], [w[2], 0.0, -w[0]], [-w[1], w[0], 0.0]])
        cr, sr = math.cos(roll_mid), math.sin(roll_mid)
        gravity = np.array([0.0, self.gravity * sr, self.gravity * cr])
        v = x[at.velocity].reshape(n, 3)
        R3 = self._R3
        R3[:, 0, 0] = R3[:, 2, 2] = c
        R3[:, 2, 0] = s
        R3[:, 0, 2] = -s
        plane_force = (R3 @ force[:, :, None])[:, :, 0]
        plane_moment = (R3 @ moment[:, :, None])[:, :, 0]
        A3 = self._eye3 - T * W + (0.5 * T * T) * (W @ W)
        gained = T * ((plane_force - gravity) @ (self._eye3 - 0.5 * T * W).T)
        v_end = v @ A3.T + gained
        F = self._transition(Hr, A3, R3, gravity, v, W, c, s, cr, sr, plane_rate, roll_rate, theta_rate)
        pivot = F[at.pivot, at.pivot] @ x[at.pivot]
        base = self._decay * x[at.base]
        x[at.theta] = theta + T * theta_rate
        x[at.roll] = roll + T * roll_rate
        x[at.velocity] = v_end.ravel()
        x[at.base], x[at.pivot] = base, pivot
        for k, i in enumerate(self.lagging):
            x[at.lagged.start + k] += F[at.lagged.start + k, i] * (theta[i] - x[at.lagged.start + k])
        d = at.dynamic
        FP = F @ P
        P[:d, :] = FP
        P[:, :d] = FP.T
        corner = FP @ F.T
        P[:d, :d] = 0.5 * (corner + corner.T)
        rocking = (
            math.hypot(roll_rate, float(theta_rate[0])) if self.on_upper else float(np.abs(theta_rate).max())
        )
        self._add_process_noise(e, active, rocking)

        # Velocities the chain ought to have, in the middle of the epoch.
        expected, Jv = self.levers.velocities(
            theta + 0.5 * T * theta_rate, tangent, roll_rate, plane_rate, theta_rate
        )
        if o.learn_from_geometry:
            across, along = -Jv[:, 0, 2:].copy(), Jv[:, 2, 2:].copy()
        up = np.zeros(3)
        rock_x = rock_y = 0.0
        if self.on_upper:
            cu, su = math.cos(float(turned[0])), math.sin(float(turned[0]))
            up = np.array([-su, 0.0, cu])
            rock_x = roll_rate * cu + plane_rate * su
            rock_y = tangent * plane_rate - float(theta_rate[0])
            a, b = float(pivot[0]), float(pivot[1])
            expected = expected + (rock_y * a - rock_x * b) * up
            Jv[:, :, 0] -= (b * cu) * up
            Jv[:, :, 1] += (tangent * a - su * b) * up
            Jv[:, :, 2] -= a * up
        mean = v_end - T * (plane_moment - 0.5 * gravity) + (0.25 * T) * ((v + v_end) @ W.T)
        z = np.zeros(self._rows)
        H, R = self._H, self._R
        m = 3 * n
        Jf = Jv.reshape(m, 2 + n)
        z[:m] = (expected + base - mean).ravel()
        H[:m] = -(Jf @ Hr)
        H[:m] -= 0.5 * F[at.velocity]
        if o.learn_from_geometry:
            Ht = H[:m, at.theta].reshape(n, 3, n)
            Ht[:, 0] -= along * (w[1] - theta_rate)
            Ht[:, 1] += across * plane_rate + along * roll_rate
            Ht[:, 2] -= across * (w[1] - theta_rate)
        # the velocity's own column: half of A3 was taken off with F
        H[self._row_block] = self._eye3
        H[:m, at.base] -= self._eyes
        if self.on_upper:
            ups = self._eyes @ up
            H[:m, at.pivot.start] -= rock_y * ups
            H[:m, at.pivot.start + 1] += rock_x * ups
        Jn = self._J.reshape(2 + n, m)
        rate_noise = (Jn * self._rate_variance) @ Jn.T
        R[:m, :m] = Jf @ rate_noise @ Jf.T
        speed = np.sqrt((rate * rate).sum(axis=1))
        slip = np.zeros((n, 3))
        if self._last_velocity is not None:
            slip = (expected - self._last_velocity) / T
        extra = (o.velocity_floor_mps**2 + (o.velocity_share_m * speed) ** 2)[:, None] + (
            slip * self.latency_sigma[:, None]
        ) ** 2
        usable = active & ~self.is_tilt
        extra[~usable] = UNKNOWN
        z[:m].reshape(n, 3)[~usable] = 0.0
        R[self._vi, self._vi] += extra.ravel()
        self._last_velocity = expected
        self._compare_gyros(z, roll_i, plane_i, gyro, m)
        if self._tilt_rows:
            self._read_inclinometers(z, e, active, slip, m + 2 * (n - 1))

        HP = H @ P
        S = HP @ H.T + R
        blocks = S[:m, :m].reshape(n, 3, n, 3)[self._i, :, self._i, :]
        zi = z[:m].reshape(n, 3)
        self.distances = (zi * np.linalg.solve(blocks, zi[:, :, None])[:, :, 0]).sum(axis=1)
        # White innovations have no persistence; what has is acceleration that the model does not know.
        share = T / ADAPTATION_S
        self._persistence += share * ((zi * self._last_innovation).mean(axis=1) - self._persistence)
        self._last_innovation = zi.copy()
        if (self.distances > o.gate).any():
            for i in np.flatnonzero(self.distances > o.gate).tolist():
                # A shock leaves a step in the integrated velocity, which alone takes the blame.
                P[self._v[i], self._v[i]] += zi[i] ** 2
            HP = H @ P
            S = HP @ H.T + R
        update(x, P, H, z, R, (HP, S))
        self.rates[0], self.rates[1], self.rates[2:] = roll_rate, plane_rate, theta_rate
        self.body_rates = rate

    def _corrected(self, e: Array, constants: Array) -> tuple[Array, Array, Array]:
        """Force, moment and rate, (N, 3) each, freed of the constants as they are known."""
        D = e[:, :9].reshape(self.n, 3, 3).copy()
        D[:, 0] -= constants[:, ACCEL_BIAS]
        D[:, 1] -= 0.5 * constants[:, ACCEL_BIAS]
        D[:, 2] -= constants[:, GYRO_BIAS]
        D[:, :2] *= 1.0 - constants[:, None, ACCEL_SCALE]
        D[:, 2] *= 1.0 - constants[:, GYRO_SCALE]
        m, M = constants[:, MOUNT], self._mix
        M[:, 1, 0] = -m[:, 2]
        M[:, 0, 1] = m[:, 2]
        M[:, 2, 0] = m[:, 1]
        M[:, 0, 2] = -m[:, 1]
        M[:, 2, 1] = -m[:, 0]
        M[:, 1, 2] = m[:, 0]
        D = D @ M
        return D[:, 0], D[:, 1], D[:, 2]

    def _rate_jacobian(
        self, rate: Array, c: Array, s: Array, weight: Array, roll_i: Array, plane_i: Array,
        tangent: float, plane_rate: float, gyro: Array,
    ) -> Array:  # fmt: skip
        """∂(roll rate, plane rate, θ̇_i)/∂x, (2 + N, n); also fills the parts that other rows share."""
        n, at, B, Q2, J, Hr = self.n, self.at, self._B, self._Q2, self._J, self._Hr
        B[:, 0, 3], B[:, 1, 4], B[:, 2, 5] = -rate[:, 0], -rate[:, 1], -rate[:, 2]
        B[:, 0, 7] = rate[:, 2]
        B[:, 0, 8] = -rate[:, 1]
        B[:, 1, 6] = -rate[:, 2]
        B[:, 1, 8] = rate[:, 0]
        B[:, 2, 6] = rate[:, 1]
        B[:, 2, 7] = -rate[:, 0]
        Q2[:, 0, 0] = Q2[:, 1, 2] = c
        Q2[:, 0, 2] = -s
        Q2[:, 1, 0] = s
        self._QB = QB = Q2 @ B
        J[0] = weight[:, None] * Q2[:, 0]
        J[1] = weight[:, None] * Q2[:, 1]
        J[2:] = tangent * J[1]
        J[2 + self._i, self._i, 1] -= self.has_gyro
        Hc = Hr[:, at.constants].reshape(2 + n, n, PER_SENSOR)
        Hc[0, :, :9] = weight[:, None] * QB[:, 0]
        Hc[1, :, :9] = weight[:, None] * QB[:, 1]
        Hc[2:, :, :9] = tangent * Hc[1, :, :9]
        Hc[2 + self._i, self._i, :9] -= self.has_gyro[:, None] * B[:, 1]
        Hr[0, at.theta] = -weight * plane_i
        Hr[1, at.theta] = weight * roll_i
        Hr[2:, at.theta] = tangent * Hr[1, at.theta]
        Hr[2:, at.roll] = plane_rate * (1.0 + tangent * tangent)
        if self.gyroless:
            Hr[2:, at.constants] *= self.has_gyro[:, None]
            Hr[2:, at.theta] *= self.has_gyro[:, None]
            Hr[2:, at.roll] *= self.has_gyro
            J[2:] *= self.has_gyro[:, None, None]
            Hr[[2 + i for i in self.gyroless], np.arange(at.turn.start, at.turn.stop)] = 1.0
            if at.common.stop > at.common.start:
                Hr[0, at.common.start] = Hr[1, at.common.start + 1] = 1.0
        return Hr

    def _transition(
        self, Hr: Array, A3: Array, R3: Array, gravity: Array, v: Array, W: Array, c: Array, s: Array,
        cr: float, sr: float, plane_rate: float, roll_rate: float, theta_rate: Array,
    ) -> Array:  # fmt: skip
        """∂(dynamic part after the epoch)/∂x, (dynamic, n)."""
        at, F, A, T = self.at, self._F, self._A, self.options.epoch_s
        F[at.theta] = T * Hr[2:]
        F[at.roll] = T * Hr[0]
        F[self._i, self._i] += 1.0
        F[at.roll, at.roll] += 1.0
        # The expected force, not the measured one, whose noise would correlate with the innovation.
        fe = gravity + v @ W.T
        ex, ez = fe[:, 0], fe[:, 2]
        bx, by, bz = ex * c + ez * s, fe[:, 1], ez * c - ex * s
        A[:, 0, 1], A[:, 0, 2] = bz, -by
        A[:, 1, 0], A[:, 1, 2] = -bz, bx
        A[:, 2, 0], A[:, 2, 1] = by, -bx
        A[:, 0, 6], A[:, 1, 7], A[:, 2, 8] = -bx, -by, -bz
        F[self._accel_block] = T * (R3 @ A)
        F[self._v[:, :, None], self._v[:, None, :]] = A3
        F[self._v[:, 0], self._i] = -T * ez
        F[self._v[:, 2], self._i] = T * ex
        F[self._v[:, 1], at.roll] = -T * self.gravity * cr
        F[self._v[:, 2], at.roll] = T * self.gravity * sr
        b, p = at.base.start, at.pivot.start
        F[b, b] = F[b + 1, b + 1] = F[b + 2, b + 2] = self._decay
        turn = T * (plane_rate * float(c[0]) - roll_rate * float(s[0])) if self.on_upper else 0.0
        F[p, p] = F[p + 1, p + 1] = math.cos(turn)
        F[p, p + 1] = math.sin(turn)
        F[p + 1, p] = -math.sin(turn)
        for k in range(at.turn.start, at.lagged.start):
            F[k, k] = 1.0
        for k, i in enumerate(self.lagging):
            row = at.lagged.start + k
            share = 1.0 - math.exp(-T / self.channels[i].sensor.time_constant_s)
            F[row, row] = 1.0 - share
            F[row, at.theta.start + i] = share
        return F

    def _add_process_noise(self, e: Array, active: Array, rocking: float) -> None:
        at, o, T, q = self.at, self.options, self.options.epoch_s, self._walk
        unmodelled = (o.adaptation / T) * np.maximum(self._persistence, 0.0)
        shaken = unmodelled + self._accel_psd + (o.shake_share**2 / 3.0) * e[:, 9] * e[:, 10]
        if not active.all():
            shaken = np.where(active, shaken, 1.0 / T)
            # A body whose sensor is silent may turn as fast as an arm can: half a radian a second.
            self.P[self._i, self._i] += np.where(active | ~self.has_gyro, 0.0, (0.5 * T) ** 2)
        q[self._v] = (shaken * T)[:, None]
        unexplained = o.base_share_m if self.on_upper else 1.0
        q[at.base] = (o.base_floor_mps**2 + (unexplained * rocking) ** 2) * (1.0 - self._decay**2)
        self.P.ravel()[:: at.size + 1] += q

    def _compare_gyros(self, z: Array, roll_i: Array, plane_i: Array, gyro: Array, m: int) -> None:
        """All bodies of the arm plane share roll rate and plane rate: what their gyros differ in is error."""
        n, at, H, R, D = self.n, self.at, self._H, self._R, self._difference
        if n < 2:
            return
        k = n - 1
        z[m : m + k] = -(D @ roll_i)
        z[m + k : m + 2 * k] = -(D @ plane_i)
        Hc = H[m : m + 2 * k, at.constants].reshape(2 * k, n, PER_SENSOR)
        Hc[:k, :, :9] = D[:, :, None] * self._QB[None, :, 0]
        Hc[k:, :, :9] = D[:, :, None] * self._QB[None, :, 1]
        H[m : m + k, at.theta] = -D * plane_i
        H[m + k : m + 2 * k, at.theta] = D * roll_i
        R[m : m + k, m : m + k] = R[m + k : m + 2 * k, m + k : m + 2 * k] = self._difference_noise
        if gyro.all():
            return
        blind = np.flatnonzero(~np.logical_and(gyro[1:], gyro[:-1]))
        for row in (*(m + blind), *(m + k + blind)):
            R[row, row] += UNKNOWN
            z[row] = 0.0

    def _read_inclinometers(self, z: Array, e: Array, active: Array, slip: Array, row: int) -> None:
        """Angles of inclinometers, their own lag included; acceleration tilts them by its share of g."""
        at, H, R, x, g = self.at, self._H, self._R, self.x, self.gravity
        for i in np.flatnonzero(self.is_tilt).tolist():
            fx, fy, fz = e[i, 0], e[i, 1], e[i, 2]
            sensor = self.channels[i].sensor
            place = at.lagged.start + self.lagging.index(i) if i in self.lagging else i
            shown = math.atan2(fx, fz)
            shown += 2.0 * math.pi * round((x[place] - shown) / (2.0 * math.pi))
            pushed = float((slip[i] ** 2).sum()) / (g * g) + math.radians(sensor.noise.tilt_deg) ** 2
            for value, at_place in ((shown, place), (math.asin(max(-1.0, min(1.0, fy / g))), at.roll)):
                H[row] = 0.0
                H[row, at_place] = 1.0
                # In the middle of the epoch the angle was half a step behind.
                R[row, row] = pushed if active[i] else UNKNOWN
                behind = 0.5 * self.options.epoch_s * float(self.rates[2 + i]) if at_place == i else 0.0
                z[row] = value + behind - x[at_place] if active[i] else 0.0
                row += 1
