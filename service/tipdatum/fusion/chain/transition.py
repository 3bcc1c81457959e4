"""The chain filter's way from the start of a block to its end: angles by rates, velocities by forces.

The model is written out in `docs/estimator.md`, section "Transition over one block".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    GYRO_BIAS,
    GYRO_SCALE,
    LATENCY,
    LEVER,
    MOUNT,
    OF_ACCEL,
    PER_SENSOR,
    FilterSetup,
    blocks,
    crossing,
)
from tipdatum.fusion.chain.motion import BlockMotion
from tipdatum.kinematics.frames import Array

WARM_UP_S = 120.0
"""Time in which a gyro that has just been switched on comes to its temperature, s: at first it walks twice as
fast. Sensors and service usually get their power by the same key."""
UPPER_TURNS = 0.3
"""How restless an upper is beside a link, 1: it rocks by 0.1 rad/s at about 1 Hz."""


class Vibration(NamedTuple):
    """Shares in the accelerometers' noise, 1, mean over the sensors: what shakes them within an epoch, and
    what goes on from block to block, such as vibration folded down by sampling."""

    quick: float
    slow: float


@dataclass(slots=True)
class Advance:
    """What the transition found on its way.

    Attributes:
        F: (dynamic, n) ∂(dynamic part after the block)/∂x before; overwritten by the next block.
        mean: (N, 3) m/s, velocities in the mean over the block, plane axes.
    """

    F: Array
    mean: Array


class TransitionModel:
    """Takes state and covariance through a block of epochs."""

    def __init__(self, setup: FilterSetup) -> None:
        n, at, o, span = setup.n, setup.at, setup.options, setup.span
        self._setup = setup
        self._eye3 = np.eye(3)
        self._cross = crossing()
        # Columns as the constants from `OF_ACCEL` on.
        self._A = np.zeros((n, 3, 10))
        self._A[:, :, 4:7] = -self._eye3
        self._by_latency, self._by_mount = self._A[:, :, 0], self._A[:, :, 1:4]
        self._by_scale = np.einsum("iaa->ia", self._A[:, :, 7:])
        self._F = F = np.zeros((at.dynamic, at.size))
        self._own = np.einsum("ii->i", F[: n + 1, : n + 1])
        of_velocity = F[at.velocity]
        self._by_velocity = blocks(of_velocity[:, at.velocity], 3, 3)
        self._by_accel = blocks(of_velocity[:, at.constants], 3, PER_SENSOR)[:, :, OF_ACCEL]
        by_theta = blocks(of_velocity[:, at.theta], 3, 1)
        self._across_by_theta, self._up_by_theta = by_theta[:, 0, 0], by_theta[:, 2, 0]
        self._by_roll = of_velocity[:, at.roll].reshape(n, 3)
        self._decay = math.exp(-span / o.base_time_s)
        for k in range(at.base.start, at.base.stop):
            F[k, k] = self._decay
        for k in range(at.turn.start, at.common.stop):
            F[k, k] = 1.0
        for k, i in enumerate(setup.lagging, at.lagged.start):
            share = 1.0 - math.exp(-span / setup.channels[i].sensor.time_constant_s)
            F[k, k], F[k, at.theta.start + i] = 1.0 - share, share
        walk = np.zeros((n, PER_SENSOR))
        walk[:, GYRO_BIAS] = o.gyro_walk**2 * span
        walk[:, ACCEL_BIAS] = o.accel_walk**2 * span
        walk[:, GYRO_SCALE] = walk[:, ACCEL_SCALE] = walk[:, MOUNT] = o.constant_walk**2 * span
        walk[:, LATENCY] = (o.constant_walk * o.latency_sigma_s) ** 2 * span
        walk[:, LEVER] = (o.constant_walk * o.lever_sigma_m) ** 2 * span
        self._walk = np.zeros(at.size)
        self._walk[at.theta] = setup.gyro_psd * span
        self._walk[at.roll] = float(setup.gyro_psd.mean()) * span / n
        self._walk[at.pivot] = o.pivot_walk**2 * span if setup.on_upper else 0.0
        turn_walk = [
            o.turn_walk * (UPPER_TURNS if setup.on_upper and i == 0 else 1.0) for i in setup.gyroless
        ]
        self._walk[at.turn] = np.array(turn_walk) ** 2 * span
        self._walk[at.common] = (0.5 * o.turn_walk) ** 2 * span
        self._walk[at.lagged] = 1e-10
        self._walk[at.constants] = walk.ravel()
        self._walk_gyros = walk[:, GYRO_BIAS].copy()
        self._walk_of_gyros = self._walk[at.constants].reshape(n, PER_SENSOR)[:, GYRO_BIAS]
        self.velocity_noise = self._walk[at.velocity]
        """(3N,) (m/s)², what accelerometers' noise in the last block adds to the velocities at its end."""
        self._walk_velocity = self.velocity_noise.reshape(n, 3)
        self._by_angles = of_velocity[:, : at.roll + 1]
        self._of_angles, self._of_velocity = F[: at.roll + 1], of_velocity
        self._resting = 1.0 - self._decay**2
        self._even = np.full(n, 1.0 / n)

    def forward(
        self, x: Array, P: Array, motion: BlockMotion, block: EpochBlock, acceleration: Array
    ) -> Advance:
        """Change `x` (n,) and `P` (n, n), without the process noise.

        Args:
            acceleration: (N, 3) m/s², of the sensors as the chain tells it, plane axes.
        """
        q, m = self._setup, motion
        at, F = q.at, self._F
        before = x[at.velocity].reshape(q.n, 3)
        after, mean = self._integrated(before, m, block)
        self._transition(m, 0.5 * (before + after), acceleration, block.force_slope)
        x[at.pivot] = F[at.pivot, at.pivot].dot(x[at.pivot])
        x[at.base] *= self._decay
        for k, i in enumerate(q.lagging, at.lagged.start):
            x[k] += F[k, i] * (x[i] - x[k])
        x[at.theta] = m.theta_end
        x[at.roll] = m.roll_end
        x[at.velocity] = after.ravel()
        d = at.dynamic
        FP = F.dot(P)
        P[:d] = FP
        P[:, :d] = FP.T
        corner = FP.dot(F.T)
        corner *= 0.5
        np.add(corner, corner.T, out=P[:d, :d])
        return Advance(F, mean)

    def _integrated(self, v: Array, m: BlockMotion, block: EpochBlock) -> tuple[Array, Array]:
        """Velocities (N, 3) at the block's end and in its mean, from those at its start."""
        q = self._setup
        T, g = q.options.epoch_s, q.gravity
        K = len(m.roll)
        # Force and moment in plane axes, gravity taken off, epoch by epoch: (K, N, 3).
        push, moment = np.empty((2, K, q.n, 3))
        left, up = g * np.sin(m.roll), g * np.cos(m.roll)
        in_plane = block.force * m.turn
        push[:, :, 0], push[:, :, 1], push[:, :, 2] = (
            in_plane.real.T,
            (block.force_y - left).T,
            (in_plane.imag - up).T,
        )
        in_plane = block.moment * m.turn
        moment[:, :, 0], moment[:, :, 1] = in_plane.real.T, (block.moment_y - 0.5 * left).T
        moment[:, :, 2] = (in_plane.imag - 0.5 * up).T
        # Rows are vectors, so that a product with the transpose of [ω_P]× is ω_P × v.
        omega = np.array([m.rho[0], m.rho[1] * m.tangent, m.rho[1]]).T
        turning = (-0.5 * T) * omega.dot(self._cross).reshape(K, 3, 3)
        half = self._eye3 - turning
        push = T * (push @ half)
        whole = self._eye3 - 2.0 * (turning @ half)
        moment *= T
        mean = -moment.sum(axis=0)
        half = self._eye3 + turning
        for k in range(K):
            v = v.dot(whole[k])
            v += push[k]
            mean += v.dot(half[k])
        mean *= 1.0 / K
        return v, mean

    def _transition(self, m: BlockMotion, v: Array, acceleration: Array, slope: Array) -> None:
        """Fill `F`, at the velocities `v` (N, 3) of the block's middle and that `acceleration`."""
        q = self._setup
        at, F, A, T = q.at, self._F, self._A, q.span
        left, upward = q.gravity * math.sin(m.mid_roll), q.gravity * math.cos(m.mid_roll)
        roll_rate, plane_rate = m.mid_rho[:2].tolist()
        x_rate, y_rate, z_rate = roll_rate, plane_rate * m.mid_tangent, plane_rate
        Wt = np.array([[0.0, z_rate, -y_rate], [-z_rate, 0.0, x_rate], [y_rate, -x_rate, 0.0]])
        np.multiply(m.H[2:], T, out=F[at.theta])
        np.multiply(m.H[0], T, out=F[at.roll])
        # The expected force, not the measured one, whose noise would correlate with the innovation.
        plane = v.dot(Wt)
        plane += acceleration
        plane[:, 1] += left
        plane[:, 2] += upward
        body = (plane[:, None] @ m.R)[:, 0]
        np.negative(body.dot(self._cross).reshape(q.n, 3, 3), out=self._by_mount)
        self._by_latency[:] = slope
        np.negative(body, out=self._by_scale)
        of_velocity = self._of_velocity
        of_velocity[:] = 0.0
        np.multiply(plane[:, 2], -T, out=self._across_by_theta)
        np.multiply(plane[:, 0], T, out=self._up_by_theta)
        self._by_roll[:, 1] = -T * upward
        self._by_roll[:, 2] = T * left
        # On the way through the block the angles have gone half of their own way.
        by_angles = self._by_angles.copy()
        np.dot(0.5 * by_angles, self._of_angles, out=of_velocity)
        self._by_angles += by_angles
        self._own += 1.0
        turning = Wt * (0.5 * T)
        self._by_velocity += (self._eye3 - 2.0 * turning.dot(self._eye3 - turning)).T
        self._by_accel += T * (m.R @ A)
        p = at.pivot.start
        turn = 0.0
        if q.on_upper:
            turn = T * (plane_rate * float(m.R[0, 0, 0]) - roll_rate * float(m.R[0, 2, 0]))
        F[p, p] = F[p + 1, p + 1] = math.cos(turn)
        F[p, p + 1] = math.sin(turn)
        F[p + 1, p] = -math.sin(turn)

    def add_noise(
        self, P: Array, block: EpochBlock, motion: BlockMotion, persistence: Array, folded: Array, age: float
    ) -> Vibration:
        """Add the process noise of a block to `P`.

        Args:
            persistence: (N,) (m/s)², mean product of successive innovations.
            folded: the same over the last times of rest.
            age: s, since the filter started.

        Returns:
            How much of the accelerometers' noise is vibration.
        """
        q, m = self._setup, motion
        at, o, T, walk, active = q.at, q.options, q.span, self._walk, block.active
        slow = np.maximum(persistence, 0.0)
        slow *= o.adaptation / T
        slow += (o.folded_share / T) * np.maximum(folded, 0.0)
        shaken = (o.shake_share**2 / 3.0) * block.shake * block.step
        # What is told from the samples themselves is no worst case.
        other = q.accel_psd + block.missed[:, 0]
        gaps = [ch.gap_density for ch in q.channels]
        if any(gaps):
            other += np.array(gaps) * block.shake
        other += slow
        all_noise = shaken + other
        vibration = Vibration(
            float((shaken / all_noise).dot(self._even)), float((slow / all_noise).dot(self._even))
        )
        shaken = all_noise
        jitters = [ch.jitter_variance for ch in q.channels]
        if any(jitters):
            # A sample taken at another time than it says is wrong by what has changed since.
            jitter = np.array(jitters) * block.step
            shaken += jitter * (block.force_slope * block.force_slope).mean(axis=1)
            P[q.i, q.i] += T * jitter * block.rate_slope[:, 1] ** 2
        missed = block.missed[:, 1]
        if missed.any():
            P[q.i, q.i] += T * missed
            P[at.roll, at.roll] += (T / q.n) * float(missed.mean())
        if not m.whole:
            shaken = np.where(active, shaken, 1.0 / T)
            # A body whose sensor is silent may turn as fast as an arm can: half a radian a second.
            P[q.i, q.i] += np.where(active | ~q.has_gyro, 0.0, (0.5 * T) ** 2)
        np.multiply(shaken[:, None], T, out=self._walk_velocity)
        rocking = (
            math.hypot(m.mid_rho[0], float(m.mid_rho[2]))
            if q.on_upper
            else float(np.abs(m.mid_rho[2:]).max())
        )
        warm = 1.0 + math.exp(-age / WARM_UP_S)
        np.multiply(self._walk_gyros, warm * warm, out=self._walk_of_gyros)
        unexplained = o.base_share_m if q.on_upper else 1.0
        walk[at.base] = (o.base_floor_mps**2 + (unexplained * rocking) ** 2) * self._resting
        P.reshape(-1)[:: at.size + 1] += walk
        return vibration
