"""Rates of the arm over one epoch, from its gyros, and what they depend on.

All bodies of the arm share roll rate and plane rate; each gyro tells them, and its own body's θ̇. The model
is written out in `docs/estimator.md`, section "Rates".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.layout import ACCEL_BIAS, ACCEL_SCALE, GYRO_BIAS, GYRO_SCALE, MOUNT, PER_SENSOR
from tipdatum.fusion.parts import Setup
from tipdatum.kinematics.frames import Array


@dataclass(slots=True)
class Motion:
    """One epoch: where the arm stood at its start, how it turned, and the Jacobians of that.

    Attributes:
        theta, roll: rad, at the start.
        c, s: (N,) cosine and sine of θ with the false rates of the gyros taken half an epoch on.
        turned: (N,) rad, the angles behind them.
        force, moment, rate: (N, 3) of each sensor, freed of its constants as they are known.
        gyro: (N,) bool, which gyros spoke.
        roll_i, plane_i: (N,) rad/s, roll rate and plane rate as each gyro tells them.
        roll_rate, plane_rate, theta_rate: rad/s, of the arm and of each body (N,).
        roll_mid, tangent: roll and its tangent in the middle of the epoch.
        spin: (3, 3) rad/s, [ω_P]× of the plane axes.
        H: (2 + N, n) ∂(roll rate, plane rate, θ̇_i)/∂x.
        J: (2 + N, N, 3) the same by each sensor's rates.
        told: (N, 2, 9) ∂(roll_i, plane_i) by the gyro's bias, scale and mount.
    """

    theta: Array
    roll: float
    turned: Array
    c: Array
    s: Array
    force: Array
    moment: Array
    rate: Array
    gyro: Array
    roll_i: Array
    plane_i: Array
    roll_rate: float
    plane_rate: float
    theta_rate: Array
    roll_mid: float
    tangent: float
    spin: Array
    H: Array
    J: Array
    told: Array


class Rates:
    """Turns the state and an epoch into a `Motion`."""

    def __init__(self, setup: Setup) -> None:
        n, at = setup.n, setup.at
        self._setup = setup
        self._mix = np.zeros((n, 3, 3))
        self._mix[:, [0, 1, 2], [0, 1, 2]] = 1.0
        self._B = np.zeros((n, 3, 9))
        self._B[:, [0, 1, 2], [0, 1, 2]] = -1.0
        self._Q2 = np.zeros((n, 2, 3))
        self._J = np.zeros((2 + n, n, 3))
        self._H = np.zeros((2 + n, at.size))

    def motion(self, x: Array, e: Array, active: Array, plane_rate_before: float) -> Motion:
        """What the epoch `e` (N, 11) of the sensors that are `active` (N,) says from the state `x`.

        The arrays `H`, `J` and `told` of the result are overwritten by the next call.
        """
        q = self._setup
        n, at, T = q.n, q.at, q.options.epoch_s
        theta, roll = x[at.theta].copy(), float(x[at.roll])
        force, moment, rate = self._corrected(e, x[at.constants].reshape(n, PER_SENSOR))
        gyro = q.has_gyro & active
        weight = gyro / max(1, int(gyro.sum()))
        # In the middle of the epoch: at its start a slewing machine on a slope would gain a false rate.
        turned = theta + 0.5 * T * math.tan(roll) * plane_rate_before
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
        if q.gyroless:
            theta_rate[q.gyroless] = x[at.turn]
        theta_rate = np.where(active | ~q.has_gyro, theta_rate, 0.0)
        w = (roll_rate, plane_rate * tangent, plane_rate)
        spin = np.array([[0.0, -w[2], w[1]], [w[2], 0.0, -w[0]], [-w[1], w[0], 0.0]])
        told = self._differentiate(rate, c, s, weight, roll_i, plane_i, tangent, plane_rate)
        return Motion(
            theta, roll, turned, c, s, force, moment, rate, gyro, roll_i, plane_i, roll_rate, plane_rate,
            theta_rate, roll_mid, tangent, spin, self._H, self._J, told,
        )  # fmt: skip

    def _corrected(self, e: Array, constants: Array) -> tuple[Array, Array, Array]:
        """Force, moment and rate, (N, 3) each, freed of the constants as they are known."""
        D = e[:, :9].reshape(self._setup.n, 3, 3).copy()
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

    def _differentiate(
        self, rate: Array, c: Array, s: Array, weight: Array, roll_i: Array, plane_i: Array,
        tangent: float, plane_rate: float,
    ) -> Array:  # fmt: skip
        """Fill `H` and `J`; `told` is the result."""
        q = self._setup
        n, at, B, Q2, J, H = q.n, q.at, self._B, self._Q2, self._J, self._H
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
        told = Q2 @ B
        J[0] = weight[:, None] * Q2[:, 0]
        J[1] = weight[:, None] * Q2[:, 1]
        J[2:] = tangent * J[1]
        J[2 + q.i, q.i, 1] -= q.has_gyro
        Hc = H[:, at.constants].reshape(2 + n, n, PER_SENSOR)
        Hc[0, :, :9] = weight[:, None] * told[:, 0]
        Hc[1, :, :9] = weight[:, None] * told[:, 1]
        Hc[2:, :, :9] = tangent * Hc[1, :, :9]
        Hc[2 + q.i, q.i, :9] -= q.has_gyro[:, None] * B[:, 1]
        H[0, at.theta] = -weight * plane_i
        H[1, at.theta] = weight * roll_i
        H[2:, at.theta] = tangent * H[1, at.theta]
        H[2:, at.roll] = plane_rate * (1.0 + tangent * tangent)
        if q.gyroless:
            H[2:, at.constants] *= q.has_gyro[:, None]
            H[2:, at.theta] *= q.has_gyro[:, None]
            H[2:, at.roll] *= q.has_gyro
            J[2:] *= q.has_gyro[:, None, None]
            H[[2 + i for i in q.gyroless], np.arange(at.turn.start, at.turn.stop)] = 1.0
            if at.common.stop > at.common.start:
                H[0, at.common.start] = H[1, at.common.start + 1] = 1.0
        return told
