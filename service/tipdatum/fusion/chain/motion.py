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
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    ACCEL_WARM,
    CROSSING,
    EYE3,
    GYRO_BIAS,
    GYRO_WARM,
    MOUNT,
    OF_GYRO,
    PER_SENSOR,
    matrices,
    rate_errors,
)
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array, Complex


class EpochMotion(NamedTuple):
    """How the arm turned, epoch by epoch: angles in the middle of each, K columns.

    Attributes:
        theta: (N, K) rad, of each sensor's body.
        turn: (N, K) exp(iθ) of it.
        roll: (K,) rad.
        tangent: (K,) tan of it.
        rates: (2 + N, K) rad/s, ρ: roll rate, plane rate and θ̇ of each body.
    """

    theta: Array
    turn: Complex
    roll: Array
    tangent: Array
    rates: Array


class MeanMotion(NamedTuple):
    """The same, as means over the block: where Jacobians are taken.

    Attributes:
        theta: (N,) rad.
        roll: rad.
        tangent: tan of it.
        rates: (2 + N,) rad/s, ρ.
        body_rate: (N, 3) rad/s, of each gyro in its body's axes, freed of constants as far as they are known.
        roll_rate, plane_rate: (N,) rad/s, as each gyro tells them.
        to_plane: (N, 3, 3) Rot(θ), body axes to plane axes.
    """

    theta: Array
    roll: float
    tangent: float
    rates: Array
    body_rate: Array
    roll_rate: Array
    plane_rate: Array
    to_plane: Array


class RateJacobians(NamedTuple):
    """Of the mean rates.

    Attributes:
        state: (2 + N, n) ∂ρ/∂x.
        gyros: (2 + N, N, 3) ∂ρ by each sensor's rates.
        constants: (N, 2, 19) ∂(roll_rate, plane_rate) by the gyro's constants, `OF_GYRO`.
    """

    state: Array
    gyros: Array
    constants: Array


class BlockMotion(NamedTuple):
    """What a block of K epochs says of the arm's turning.

    Attributes:
        whole: whether every sensor spoke.
        gyro: (N,) bool, which gyros spoke.
        theta_end, roll_end: rad, (N,) and one number, at the block's end.
    """

    whole: bool
    gyro: Array
    theta_end: Array
    roll_end: float
    epochs: EpochMotion
    mean: MeanMotion
    by: RateJacobians


def to_middle(epochs: int, epoch_s: float) -> Array:
    """(K, K) s: a row of rates of each epoch times this is what has turned by the middle of each."""
    return np.asarray(epoch_s * (np.triu(np.ones((epochs, epochs))) - 0.5 * np.eye(epochs)))


def constants_correction(setup: FilterSetup, x: Array) -> tuple[Array, Array]:
    """What frees a row of force and rate, in a body's axes, of the constants as `x` knows them.

    Returns:
        turn (N, 6, 6) and offset (N, 6): row @ turn + offset.
    """
    n = setup.n
    k = x[setup.at.constants].reshape(n, PER_SENSOR)
    turn, offset = np.zeros((n, 6, 6)), np.zeros((n, 6))
    # Rows are vectors: (I + [μ]×) v is v (I - [μ]×) for a row.
    small = EYE3 - k[:, MOUNT].dot(CROSSING).reshape(-1, 3, 3)
    force, rate = matrices(k)
    of_force, of_rate = force @ small, rate @ small
    warmth = setup.warmth.of[:, None]
    turn[:, :3, :3] = of_force
    turn[:, 3:, 3:] = of_rate
    offset[:, :3] = ((k[:, ACCEL_BIAS] + warmth * k[:, ACCEL_WARM])[:, None] @ of_force)[:, 0]
    offset[:, 3:] = ((k[:, GYRO_BIAS] + warmth * k[:, GYRO_WARM])[:, None] @ of_rate)[:, 0]
    return turn, -offset


class RateModel:
    """Turns the state and a block of `epochs` epochs into a `BlockMotion`."""

    def __init__(self, setup: FilterSetup, epochs: int) -> None:
        self._setup = setup
        self._share = np.full(epochs, 1.0 / epochs)
        self._middles = setup.options.epoch_s * (np.arange(epochs) + 0.5)
        self._to_middle = to_middle(epochs, setup.options.epoch_s)
        self._has_gyro = setup.has_gyro.astype(float)
        self._rows = 2 + setup.i
        self._even = self._has_gyro / max(1.0, float(self._has_gyro.sum()))

    def motion(self, x: Array, block: EpochBlock, plane_rate_before: float) -> BlockMotion:
        """What a block says from the state `x` at its start.

        Args:
            plane_rate_before: rad/s, of the arm plane in the last epoch of the block before.
        """
        q = self._setup
        at, share = q.at, self._share
        theta, roll = x[at.theta], float(x[at.roll])
        whole = all(block.active.tolist())
        gyro = q.has_gyro if whole else q.has_gyro & block.active
        weight = self._even if whole else gyro / max(1, int(gyro.sum()))
        in_plane, rates = self._rates(x, block, plane_rate_before, gyro, weight)
        rolls = roll + rates[0].dot(self._to_middle)
        tangent = np.tan(rolls)
        np.subtract(tangent * rates[1], block.rate_y, out=rates[2:])
        if q.gyroless:
            rates[2:][q.gyroless] = x[at.turn][:, None]
        if not whole:
            rates[2:][np.logical_and(q.has_gyro, np.logical_not(block.active))] = 0.0
        thetas = theta[:, None] + rates[2:].dot(self._to_middle)
        mean = self._mean(thetas, float(rolls.dot(share)), rates, in_plane, block)
        span = q.options.epoch_s * len(share)
        return BlockMotion(
            whole=whole,
            gyro=gyro,
            theta_end=theta + span * mean.rates[2:],
            roll_end=roll + span * float(mean.rates[0]),
            epochs=EpochMotion(
                theta=thetas, turn=np.exp(1j * thetas), roll=rolls, tangent=tangent, rates=rates
            ),
            mean=mean,
            by=self._jacobians(mean, weight, block.rate_slope),
        )

    def _rates(
        self, x: Array, block: EpochBlock, plane_rate_before: float, gyro: Array, weight: Array
    ) -> tuple[Complex, Array]:
        """Roll rate + i · plane rate of every gyro, (N, K), and their means in (2 + N, K), the rest to be
        filled in."""
        q = self._setup
        at, roll, wy = q.at, float(x[q.at.roll]), block.rate_y
        # A gyro's rates are divided between roll and plane by where θ stands, which a lean turns with the
        # plane: first with the rate of the block before, then with its own.
        lean = math.tan(roll) * plane_rate_before
        rough = (x[at.theta][:, None] + lean * self._middles) - wy.dot(self._to_middle)
        each = block.rate * np.exp(1j * rough)
        rates = np.empty((2 + q.n, len(self._share)))
        if bool(gyro.any()):
            common = weight.dot(each)
            leans = np.tan(roll + common.real.dot(self._to_middle)) * common.imag
            more = np.exp(1j * (leans - lean).dot(self._to_middle))
            each *= more
            common *= more
            rates[0], rates[1] = common.real, common.imag
        else:
            rates[:2] = x[at.common][:, None] if at.common.stop > at.common.start else 0.0
        return each, rates

    def _mean(
        self, thetas: Array, roll: float, rates: Array, in_plane: Complex, block: EpochBlock
    ) -> MeanMotion:
        n, share = self._setup.n, self._share
        theta = thetas.dot(share)
        across, body_rate = block.rate.dot(share), np.empty((n, 3))
        body_rate[:, 0], body_rate[:, 1], body_rate[:, 2] = across.real, block.rate_y.dot(share), across.imag
        to_plane = np.zeros((n, 3, 3))
        to_plane[:, 1, 1] = 1.0
        to_plane[:, 0, 0] = to_plane[:, 2, 2] = np.cos(theta)
        to_plane[:, 2, 0] = s = np.sin(theta)
        np.negative(s, out=to_plane[:, 0, 2])
        both = in_plane.dot(share)
        return MeanMotion(
            theta=theta,
            roll=roll,
            tangent=math.tan(roll),
            rates=rates.dot(share),
            body_rate=body_rate,
            roll_rate=both.real,
            plane_rate=both.imag,
            to_plane=to_plane,
        )

    def _jacobians(self, m: MeanMotion, weight: Array, slope: Array) -> RateJacobians:
        q = self._setup
        n, at, i, tangent = q.n, q.at, q.i, m.tangent
        by_constants = rate_errors(m.body_rate, slope, q.warmth.of)
        of_both = m.to_plane[:, ::2]
        constants = of_both @ by_constants
        share = weight[:, None]
        gyros = np.empty((2 + n, n, 3))
        np.multiply(of_both.transpose(1, 0, 2), share, out=gyros[:2])
        np.multiply(gyros[1], tangent, out=gyros[2:])
        gyros[self._rows, i, 1] -= self._has_gyro
        state = np.zeros((2 + n, at.size))
        of_gyros = state[:, at.constants].reshape(2 + n, n, PER_SENSOR)[:, :, OF_GYRO]
        np.multiply(constants.transpose(1, 0, 2), share, out=of_gyros[:2])
        np.multiply(weight, m.roll_rate, out=state[1, at.theta])
        np.multiply(weight, -m.plane_rate, out=state[0, at.theta])
        np.multiply(state[1], tangent, out=state[2:])
        of_gyros[self._rows, i] -= by_constants[:, 1]
        state[2:, at.roll] = m.rates[1] * (1.0 + tangent * tangent)
        if q.gyroless:
            state[2:] *= self._has_gyro[:, None]
            gyros[2:] *= self._has_gyro[:, None, None]
            state[[2 + k for k in q.gyroless], np.arange(at.turn.start, at.turn.stop)] = 1.0
            if at.common.stop > at.common.start:
                state[0, at.common.start] = state[1, at.common.start + 1] = 1.0
        return RateJacobians(state=state, gyros=gyros, constants=constants)


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
        """Take over what the filter knows of the constants now, as `constants_correction` tells it."""
        self.offset = (self._offset[:, None] @ turn)[:, 0] + offset
        self.offset[self._gyroless, 3:] = 0.0
        self.turn = self._turn @ turn

    def of_rates(self) -> list[list[list[float]]]:
        """For each sensor the three rows of its rate's part of `turn`, and that of `offset`."""
        rows: list[list[list[float]]] = np.concatenate(
            [self.turn[:, 3:, 3:], self.offset[:, None, 3:]], axis=1
        ).tolist()
        return rows
