"""Rates of the arm over one block of epochs, from its gyros, and what they depend on.

All bodies of the arm share roll rate and plane rate; each gyro tells them, and its own body's θ̇. State and
innovations follow the motion epoch by epoch; Jacobians are taken once, in the middle of the block. The model
is written out in `docs/estimator.md`, section "Rates".

`SensorCorrection` is the way from what a sensor gives to force and rate in body axes, freed of the constants
as they are known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    GYRO_BIAS,
    GYRO_SCALE,
    LATENCY,
    MOUNT,
    OF_GYRO,
    PER_SENSOR,
    FilterSetup,
    crossing,
)
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array, Complex


@dataclass(slots=True)
class BlockMotion:
    """One block of K epochs of N sensors: how the arm turned, and the Jacobians of that in the middle.

    Attributes:
        whole: whether every sensor spoke.
        gyro: (N,) bool, which gyros spoke.
        theta_end, roll_end: rad, (N,) and one number.
        theta: (N, K) rad, in the middle of each epoch. turn: (N, K) exp(iθ) of it.
        roll: (K,) rad, likewise. tangent: (K,) tan of it.
        rho: (2 + N, K) rad/s, roll rate, plane rate and θ̇ of each body.
        rate: (N, 3) rad/s, mean over the block, freed of constants as far as they are known.
        mid: (N,) rad, mean θ. mid_roll, mid_tangent: mean roll, rad, and its tangent.
        mid_rho: (2 + N,) rad/s, mean of rho.
        R: (N, 3, 3) Rot(mid): body axes to plane axes.
        roll_i, plane_i: (N,) rad/s, mean roll rate and plane rate as each gyro tells them.
        H: (2 + N, n) ∂mid_rho/∂x.
        J: (2 + N, N, 3) ∂mid_rho by each sensor's rates.
        told: (N, 2, 10) ∂(roll_i, plane_i) by the gyro's bias, scale, latency and mount.
    """

    whole: bool
    gyro: Array
    theta_end: Array
    roll_end: float
    theta: Array
    turn: Complex
    roll: Array
    tangent: Array
    rho: Array
    rate: Array
    mid: Array
    mid_roll: float
    mid_tangent: float
    mid_rho: Array
    R: Array
    roll_i: Array
    plane_i: Array
    H: Array
    J: Array
    told: Array


class RateModel:
    """Turns the state and a block into a `BlockMotion`."""

    def __init__(self, setup: FilterSetup) -> None:
        n, at = setup.n, setup.at
        self._setup = setup
        self._eye3 = np.eye(3)
        self._cross = crossing()
        K, T = setup.epochs, setup.options.epoch_s
        self._share = np.full(K, 1.0 / K)
        self._middles = T * (np.arange(K) + 0.5)
        self._to_middle = setup.to_middle()
        self._B = np.zeros((n, 3, 10))
        self._B[:, :, GYRO_BIAS] = -self._eye3
        self._by_scale = np.einsum("iaa->ia", self._B[:, :, GYRO_SCALE])
        self._by_latency, self._by_mount = self._B[:, :, LATENCY], self._B[:, :, MOUNT]
        self._R = np.zeros((n, 3, 3))
        self._R[:, 1, 1] = 1.0
        self._Q2 = self._R[:, ::2]
        self._J = np.zeros((2 + n, n, 3))
        self._H = np.zeros((2 + n, at.size))
        constants = self._H[:, at.constants].reshape(2 + n, n, PER_SENSOR)[:, :, OF_GYRO]
        self._H_two = constants[:2]
        self._H_own = np.einsum("iib->ib", constants[2:])
        self._J_own = np.einsum("iia->ia", self._J[2:])[:, 1]
        self._signs = setup.has_gyro.astype(float)
        self._even = self._signs / max(1.0, float(self._signs.sum()))

    def correction(self, x: Array) -> tuple[Array, Array]:
        """What frees a row of force and rate, in a body's axes, of the constants as they are known.

        Returns:
            turn (N, 6, 6) and offset (N, 6): row @ turn + offset.
        """
        q = self._setup
        k = x[q.at.constants].reshape(q.n, PER_SENSOR)
        turn, offset = np.zeros((q.n, 6, 6)), np.zeros((q.n, 6))
        # Rows are vectors: (I + [μ]×) v is v (I - [μ]×) for a row.
        small = self._eye3 - k[:, MOUNT].dot(self._cross).reshape(-1, 3, 3)
        of_force = (1.0 - k[:, ACCEL_SCALE, None]) * small
        of_rate = (1.0 - k[:, GYRO_SCALE, None]) * small
        turn[:, :3, :3] = of_force
        turn[:, 3:, 3:] = of_rate
        offset[:, :3] = (k[:, None, ACCEL_BIAS] @ of_force)[:, 0]
        offset[:, 3:] = (k[:, None, GYRO_BIAS] @ of_rate)[:, 0]
        return turn, -offset

    def motion(self, x: Array, block: EpochBlock, plane_rate_before: float) -> BlockMotion:
        """What a block says from the state `x` at its start.

        The arrays `R`, `H`, `J` and `told` of the result are overwritten by the next call.
        """
        q = self._setup
        n, at, T, share = q.n, q.at, q.options.epoch_s, self._share
        theta, roll = x[at.theta], float(x[at.roll])
        wy, active = block.rate_y, block.active
        whole = all(active.tolist())
        gyro = q.has_gyro if whole else q.has_gyro & active
        spoken = len(q.gyroless) < n if whole else bool(gyro.any())
        weight = self._even if whole else gyro / max(1, int(gyro.sum()))
        # A gyro's rates are divided between roll and plane by where θ stands, which a lean turns with the
        # plane: first with the rate of the block before, then with its own.
        lean = math.tan(roll) * plane_rate_before
        rough = (theta[:, None] + lean * self._middles) - wy.dot(self._to_middle)
        told = block.rate * np.exp(1j * rough)
        rho = np.empty((2 + n, len(share)))
        if spoken:
            common = weight.dot(told)
            leans = np.tan(roll + common.real.dot(self._to_middle)) * common.imag
            more = np.exp(1j * (leans - lean).dot(self._to_middle))
            told *= more
            common *= more
            rho[0], rho[1] = common.real, common.imag
        else:
            rho[:2] = x[at.common][:, None] if at.common.stop > at.common.start else 0.0
        rolls = roll + rho[0].dot(self._to_middle)
        tangent = np.tan(rolls)
        np.subtract(tangent * rho[1], wy, out=rho[2:])
        if q.gyroless:
            rho[2:][q.gyroless] = x[at.turn][:, None]
        if not whole:
            rho[2:][np.logical_and(q.has_gyro, np.logical_not(active))] = 0.0
        thetas = theta[:, None] + rho[2:].dot(self._to_middle)
        mid_rho, mid = rho.dot(share), thetas.dot(share)
        across, rate = block.rate.dot(share), np.empty((n, 3))
        rate[:, 0], rate[:, 1], rate[:, 2] = across.real, wy.dot(share), across.imag
        mid_roll = float(rolls.dot(share))
        span = T * len(share)
        R = self._R
        R[:, 0, 0] = R[:, 2, 2] = np.cos(mid)
        R[:, 2, 0] = s = np.sin(mid)
        np.negative(s, out=R[:, 0, 2])
        both = told.dot(share)
        m = BlockMotion(
            whole, gyro, theta + span * mid_rho[2:], roll + span * float(mid_rho[0]), thetas,
            np.exp(1j * thetas), rolls, tangent, rho, rate, mid, mid_roll, math.tan(mid_roll), mid_rho, R,
            both.real, both.imag, self._H, self._J, self._J,
        )  # fmt: skip
        self._differentiate(m, weight, block.rate_slope)
        return m

    def _differentiate(self, m: BlockMotion, weight: Array, slope: Array) -> None:
        """Fill `H`, `J` and `told`."""
        q = self._setup
        n, at, B, Q2, J, H = q.n, q.at, self._B, self._Q2, self._J, self._H
        tangent = m.mid_tangent
        np.negative(m.rate, out=self._by_scale)
        np.negative(m.rate.dot(self._cross).reshape(n, 3, 3), out=self._by_mount)
        self._by_latency[:] = slope
        m.told = told = Q2 @ B
        share = weight[:, None]
        np.multiply(Q2.transpose(1, 0, 2), share, out=J[:2])
        np.multiply(J[1], tangent, out=J[2:])
        self._J_own -= self._signs
        np.multiply(told.transpose(1, 0, 2), share, out=self._H_two)
        np.multiply(weight, m.roll_i, out=H[1, at.theta])
        np.multiply(weight, -m.plane_i, out=H[0, at.theta])
        np.multiply(H[1], tangent, out=H[2:])
        self._H_own -= B[:, 1]
        H[2:, at.roll] = m.mid_rho[1] * (1.0 + tangent * tangent)
        if q.gyroless:
            H[2:] *= self._signs[:, None]
            J[2:] *= self._signs[:, None, None]
            H[[2 + i for i in q.gyroless], np.arange(at.turn.start, at.turn.stop)] = 1.0
            if at.common.stop > at.common.start:
                H[0, at.common.start] = H[1, at.common.start + 1] = 1.0


class SensorCorrection:
    """A row of force and rate, as the sensor gives it, is row @ turn + offset in body axes.

    Attributes:
        turn, offset: (N, 6, 6), (N, 6); renewed after every step of the filter.
    """

    def __init__(self, channels: Sequence[Channel], has_gyro: Sequence[bool]) -> None:
        n = len(channels)
        # Calibration and mount of the description, which the filter's constants go on from.
        self._turn, self._offset = np.zeros((n, 6, 6)), np.zeros((n, 6))
        for i, ch in enumerate(channels):
            self._turn[i, :3, :3], self._offset[i, :3] = ch.force_turn.T, ch.force_offset
            if has_gyro[i]:
                self._turn[i, 3:, 3:], self._offset[i, 3:] = ch.rate_turn.T, ch.rate_offset
        self._gyroless = [i for i in range(n) if not has_gyro[i]]
        self.turn, self.offset = self._turn, self._offset

    def renew(self, turn: Array, offset: Array) -> None:
        """Take over what the filter knows of the constants now, as `RateModel.correction` tells it."""
        self.offset = (self._offset[:, None] @ turn)[:, 0] + offset
        self.offset[self._gyroless, 3:] = 0.0
        self.turn = self._turn @ turn

    def of_rates(self) -> list[list[list[float]]]:
        """For each sensor the three rows of its rate's part of `turn`, and that of `offset`."""
        rows: list[list[list[float]]] = np.concatenate(
            [self.turn[:, 3:, 3:], self.offset[:, None, 3:]], axis=1
        ).tolist()
        return rows
