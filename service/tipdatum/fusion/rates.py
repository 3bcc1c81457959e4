"""Rates of the arm over one epoch, from its gyros, and what they depend on.

All bodies of the arm share roll rate and plane rate; each gyro tells them, and its own body's θ̇. The model
is written out in `docs/estimator.md`, section "Rates".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.layout import MOUNT, PER_SENSOR
from tipdatum.fusion.parts import Setup, crossing
from tipdatum.kinematics.frames import Array

_OFFSET = np.array([9, 10, 11, 9, 10, 11, 0, 1, 2])
_OFFSET_SHARE = np.array([1.0, 1.0, 1.0, 0.5, 0.5, 0.5, 1.0, 1.0, 1.0])
_SCALE = np.array([12, 13, 14, 12, 13, 14, 3, 4, 5])
"""Which constant is the offset and the scale of each of force, moment and rate of an epoch."""


@dataclass(slots=True)
class Motion:
    """One epoch: where the arm stood at its start, how it turned, and the Jacobians of that.

    Attributes:
        whole: whether every sensor spoke.
        theta, roll: rad, at the start.
        turned: (N,) rad, θ with the false rates of the gyros taken half an epoch on.
        R: (N, 3, 3) Rot(turned): body axes to plane axes.
        sums: (N, 2, 3) m/s², force and moment of each sensor, freed of its constants as they are known.
        rate: (N, 3) rad/s, likewise.
        gyro: (N,) bool, which gyros spoke.
        roll_i, plane_i: (N,) rad/s, roll rate and plane rate as each gyro tells them.
        rho: (2 + N,) rad/s, roll rate, plane rate and θ̇ of each body.
        roll_mid, tangent: roll and its tangent in the middle of the epoch.
        H: (2 + N, n) ∂rho/∂x.
        J: (2 + N, N, 3) ∂rho by each sensor's rates.
        told: (N, 2, 9) ∂(roll_i, plane_i) by the gyro's bias, scale and mount.
    """

    whole: bool
    theta: Array
    roll: float
    turned: Array
    R: Array
    sums: Array
    rate: Array
    gyro: Array
    roll_i: Array
    plane_i: Array
    rho: Array
    roll_rate: float
    plane_rate: float
    roll_mid: float
    tangent: float
    H: Array
    J: Array
    told: Array

    @property
    def theta_rate(self) -> Array:
        """(N,) rad/s, θ̇ of each body."""
        return self.rho[2:]


class Rates:
    """Turns the state and an epoch into a `Motion`."""

    def __init__(self, setup: Setup) -> None:
        n, at = setup.n, setup.at
        self._setup = setup
        self._eye3 = np.eye(3)
        self._cross = crossing()
        self._B = np.zeros((n, 3, 9))
        self._B[:] = np.hstack([-self._eye3, np.zeros((3, 6))])
        self._by_scale = np.einsum("iaa->ia", self._B[:, :, 3:6])
        self._R = np.zeros((n, 3, 3))
        self._R[:, 1, 1] = 1.0
        self._Q2 = self._R[:, ::2]
        self._J = np.zeros((2 + n, n, 3))
        self._H = np.zeros((2 + n, at.size))
        constants = self._H[:, at.constants].reshape(2 + n, n, PER_SENSOR)[:, :, :9]
        self._H_two = constants[:2]
        self._H_own = np.einsum("iib->ib", constants[2:])
        self._J_own = np.einsum("iia->ia", self._J[2:])[:, 1]
        self._signs = setup.has_gyro.astype(float)
        self._even = self._signs / max(1.0, float(self._signs.sum()))

    def motion(self, x: Array, e: Array, active: Array, plane_rate_before: float) -> Motion:
        """What the epoch `e` (N, 11) of the sensors that are `active` (N,) says from the state `x`.

        The arrays `R`, `H`, `J` and `told` of the result are overwritten by the next call.
        """
        q = self._setup
        n, at, T = q.n, q.at, q.options.epoch_s
        theta, roll = x[at.theta].copy(), float(x[at.roll])
        D = self._corrected(e, x[at.constants].reshape(n, PER_SENSOR))
        rate = D[:, 2]
        whole = all(active.tolist())
        gyro = q.has_gyro if whole else q.has_gyro & active
        spoken = len(q.gyroless) < n if whole else bool(gyro.any())
        weight = self._even if whole else gyro / max(1, int(gyro.sum()))
        # In the middle of the epoch: at its start a slewing machine on a slope would gain a false rate.
        turned = theta + 0.5 * T * math.tan(roll) * plane_rate_before
        R = self._R
        R[:, 0, 0] = R[:, 2, 2] = c = np.cos(turned)
        R[:, 2, 0] = s = np.sin(turned)
        np.negative(s, out=R[:, 0, 2])
        wx, wz = rate[:, 0], rate[:, 2]
        roll_i, plane_i = wx * c - wz * s, wz * c + wx * s
        if spoken:
            roll_rate, plane_rate = float(weight.dot(roll_i)), float(weight.dot(plane_i))
        elif at.common.stop > at.common.start:
            roll_rate, plane_rate = x[at.common].tolist()
        else:
            roll_rate = plane_rate = 0.0
        roll_mid = roll + 0.5 * T * roll_rate
        tangent = math.tan(roll_mid)
        rho = np.empty(2 + n)
        rho[0], rho[1] = roll_rate, plane_rate
        np.subtract(tangent * plane_rate, rate[:, 1], out=rho[2:])
        if q.gyroless:
            rho[2:][q.gyroless] = x[at.turn]
        if not whole:
            rho[2:][np.logical_and(q.has_gyro, np.logical_not(active))] = 0.0
        told = self._differentiate(rate, weight, roll_i, plane_i, tangent, plane_rate)
        return Motion(
            whole, theta, roll, turned, R, D[:, :2], rate, gyro, roll_i, plane_i, rho, roll_rate, plane_rate,
            roll_mid, tangent, self._H, self._J, told,
        )  # fmt: skip

    def _corrected(self, e: Array, constants: Array) -> Array:
        """Force, moment and rate of each sensor, (N, 3, 3), freed of the constants as they are known."""
        D = e[:, :9] - constants.take(_OFFSET, axis=1) * _OFFSET_SHARE
        D *= 1.0 - constants.take(_SCALE, axis=1)
        turn = constants[:, MOUNT].dot(self._cross).reshape(-1, 3, 3)
        # Rows are vectors: (I + [μ]×) v is v (I - [μ]×) for a row.
        return np.asarray(D.reshape(-1, 3, 3) @ (self._eye3 - turn))

    def _differentiate(
        self, rate: Array, weight: Array, roll_i: Array, plane_i: Array, tangent: float, plane_rate: float
    ) -> Array:
        """Fill `H` and `J`; `told` is the result."""
        q = self._setup
        n, at, B, Q2, J, H = q.n, q.at, self._B, self._Q2, self._J, self._H
        np.negative(rate, out=self._by_scale)
        np.negative(rate.dot(self._cross).reshape(n, 3, 3), out=B[:, :, 6:])
        told = Q2 @ B
        share = weight[:, None]
        np.multiply(Q2.transpose(1, 0, 2), share, out=J[:2])
        np.multiply(J[1], tangent, out=J[2:])
        self._J_own -= self._signs
        np.multiply(told.transpose(1, 0, 2), share, out=self._H_two)
        np.multiply(weight, roll_i, out=H[1, at.theta])
        np.multiply(weight, -plane_i, out=H[0, at.theta])
        np.multiply(H[1], tangent, out=H[2:])
        self._H_own -= B[:, 1]
        H[2:, at.roll] = plane_rate * (1.0 + tangent * tangent)
        if q.gyroless:
            H[2:] *= self._signs[:, None]
            J[2:] *= self._signs[:, None, None]
            H[[2 + i for i in q.gyroless], np.arange(at.turn.start, at.turn.stop)] = 1.0
            if at.common.stop > at.common.start:
                H[0, at.common.start] = H[1, at.common.start + 1] = 1.0
        return np.asarray(told)
