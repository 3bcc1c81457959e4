"""Rows of the chain filter's measurement that compare sensors by what they show: gyros, inclinometers.

Written out in `docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.constants import ACCEL_BIAS, MOUNT, OF_GYRO, PER_SENSOR
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.levers import LeverArms
from tipdatum.fusion.chain.model import UNKNOWN, FilterSetup
from tipdatum.fusion.chain.motion import BlockMotion
from tipdatum.fusion.chain.sides import SidePart
from tipdatum.kinematics.frames import Array

FLOORS_S = 0.05
"""Span, s, to which the floors of the options refer: their noise is white."""


class Measurement(NamedTuple):
    """Innovation z (m,), its Jacobian H (m, n) and noise R (m, m).

    Rows: 3N of velocities, 2(P - 1) of the gyros of P bodies of the arm plane, one of each side part, two of
    each inclinometer, one of the boom's swing where something tells it.
    """

    z: Array
    H: Array
    R: Array


class GyroRows:
    """Gyros against each other: all bodies of the arm plane share roll rate and plane rate; what their gyros
    differ in is error. 2(P - 1) rows for P of them; one more for each side part with a sensor, whose gyro
    tells the same square to its axis.

    Attributes:
        rows: how many they are.
        noise: (P - 1, P - 1) (rad/s)², of the differences, what slow samples leave out taken off.
    """

    def __init__(self, setup: FilterSetup, epochs: int) -> None:
        n, o, plain = setup.n, setup.options, setup.plain
        self._setup = setup
        self._span = span = epochs * o.epoch_s
        variance = setup.gyro_psd / span + (FLOORS_S / span) * o.gyro_floor_radps**2
        self._pairs = max(len(plain) - 1, 0)
        self._difference = np.eye(n)[plain[1:]] - np.eye(n)[plain[:-1]]
        self.noise = float(variance.mean()) * o.redundancy_share**2 * (self._difference @ self._difference.T)
        self._sides = [(k, side) for k, side in enumerate(setup.sides) if side.sensor is not None]
        self._of_one = float(variance.mean()) * o.redundancy_share**2
        self.rows = 2 * self._pairs + len(self._sides)

    def fill(self, into: Measurement, block: EpochBlock, motion: BlockMotion) -> None:
        """Fill in the rows."""
        q, m, D = self._setup, motion.mean, self._difference
        n, k = q.n, self._pairs
        for row, (number, side) in enumerate(self._sides, 3 * n + 2 * k):
            self._by_side(into, row, number, side, block, motion)
        if k < 1:
            return
        of_roll, of_plane = slice(3 * n, 3 * n + k), slice(3 * n + k, 3 * n + 2 * k)
        roll_rate, plane_rate = m.roll_rate[q.plain], m.plane_rate[q.plain]
        np.subtract(roll_rate[:-1], roll_rate[1:], out=into.z[of_roll])
        np.subtract(plane_rate[:-1], plane_rate[1:], out=into.z[of_plane])
        H = into.H[of_roll.start : of_plane.stop]
        by_constants = H[:, q.at.constants].reshape(2, k, n, PER_SENSOR)[:, :, :, OF_GYRO]
        np.multiply(D[:, :, None], motion.by.constants.transpose(1, 0, 2)[:, None], out=by_constants)
        np.multiply(D, -m.plane_rate, out=into.H[of_roll, q.at.theta])
        np.multiply(D, m.roll_rate, out=into.H[of_plane, q.at.theta])
        noise, missed = self.noise, block.missed[:, 1] / self._span
        if missed.any():
            noise = noise + (D * missed).dot(D.T)
        into.R[of_roll, of_roll] = into.R[of_plane, of_plane] = noise
        if motion.whole and not q.gyroless:
            return
        told = motion.gyro[q.plain]
        blind = np.flatnonzero(~np.logical_and(told[1:], told[:-1]))
        for row in (*(of_roll.start + blind), *(of_plane.start + blind)):
            into.R[row, row] += UNKNOWN
            into.z[row] = 0.0

    def _by_side(
        self,
        into: Measurement,
        row: int,
        number: int,
        side: SidePart,
        block: EpochBlock,
        motion: BlockMotion,
    ) -> None:
        """The rate about y × a, square to the part's axis in its body's x-z plane, against the plane's."""
        q, m, i = self._setup, motion.mean, side.sensor
        telling = q.tells_plane & motion.gyro
        if i is None or not motion.gyro[i] or not telling.any():
            into.R[row, row] = UNKNOWN
            return
        square = np.array([-side.axis_c.imag, 0.0, side.axis_c.real])
        across = complex(square[0], square[2]) * complex(m.to_plane[i, 0, 0], m.to_plane[i, 2, 0])
        roll_rate, plane_rate = m.rates[:2].tolist()
        rate = m.body_rate[i]
        into.z[row] = roll_rate * across.real + plane_rate * across.imag - float(square @ rate)
        H = into.H[row]
        H -= across.real * motion.by.state[0] + across.imag * motion.by.state[1]
        H[i] -= plane_rate * across.real - roll_rate * across.imag
        H[q.at.side.start + number] += float(rate[1])
        own = q.at.constants.start + i * PER_SENSOR
        H[own : own + OF_GYRO.stop] += square @ motion.by.own[i]
        into.R[row, row] = self._of_one * (1.0 + 1.0 / int(telling.sum()))
        into.R[row, row] += float(block.missed[i, 1]) / self._span


PUSH_DOUBT = 0.5
"""Share of what known accelerations feign to an inclinometer that may be wrong, 1."""
OWN_TURN_HZ = 1.0
"""Angular acceleration of a body without gyro, rad/s² for each rad/s of the arm's fastest rate: an arm that
swings at a sixth of a hertz."""
PUSHED_S = 0.5
"""How long such a push lasts, s: readings within it err alike."""


class InclinometerRows:
    """Inclinometers on an arm whose other sensors are IMUs: two rows each, angle and roll.

    An inclinometer takes every acceleration for a tilt. Most of it is known, since gyros on the other bodies
    tell how its place is carried along: that is taken off, through the part's own lag. What its own body does
    by itself is doubted. Arms with inclinometers alone have another filter (`tipdatum.fusion.tilt_only`).

    Fills the rows from `first` on in H (m, n) and R (m, m), which belong to `MeasurementModel`."""

    def __init__(self, setup: FilterSetup, first: int) -> None:
        self._setup, self._first = setup, first
        # One epoch makes a block wherever a body has no gyro.
        self._span = setup.options.epoch_s
        self._inclinometers: list[int] = np.flatnonzero(setup.is_tilt).tolist()
        self._shown = np.zeros((setup.n, 3))
        self._velocity: Array | None = None
        self._arms = np.array([math.hypot(*ch.sensor.position_m) for ch in setup.channels])

    def fill(
        self, into: Measurement, x: Array, block: EpochBlock, motion: BlockMotion, levers: LeverArms
    ) -> None:
        """Fill in the rows for the block of one epoch whose end is `x`."""
        q, row = self._setup, self._first
        at, half = q.at, 0.5 * q.options.epoch_s
        roll_rate = float(motion.epochs.rates[0, -1])
        pushes = self._pushes(motion, levers)
        for i in self._inclinometers:
            part = q.channels[i].sensor
            late, lagging = part.time_constant_s, i in q.lagging
            place = at.lagged.start + q.lagging.index(i) if lagging else i
            share = 1.0 - math.exp(-self._span / late) if lagging else 1.0
            self._shown[i] += share * (pushes[i] - self._shown[i])
            along, across, doubt = self._shown[i].tolist()
            f, fy = complex(block.force[i, -1]), float(block.force_y[i, -1])
            angle = math.atan2(f.real, f.imag)
            angle += 2.0 * math.pi * round((x[place] - angle) / (2.0 * math.pi))
            roll = math.asin(max(-1.0, min(1.0, fy / q.gravity)))
            # In the middle of the epoch an angle was half a step behind; the roll lags without a state.
            rate = (x[i] - x[place]) / late if lagging else float(motion.epochs.rates[2 + i, -1])
            noise = math.radians(part.noise.tilt_deg) ** 2 + PUSHED_S / self._span * doubt * doubt
            active = bool(block.active[i])
            sees = (active, active and q.channels[i].tells_roll)
            shown = (angle - along + half * rate, roll - across + (half + late) * roll_rate)
            for k, at_place in enumerate((place, at.roll)):
                into.H[row, at_place] = 1.0
                self._by_errors(into.H[row], i, f, rolls=k == 1)
                self._by_sides(into.H[row], i, motion)
                into.R[row, row] = noise if sees[k] else UNKNOWN
                into.z[row] = shown[k] - x[at_place] if sees[k] else 0.0
                row += 1

    def _by_errors(self, row: Array, i: int, f: complex, rolls: bool) -> None:
        """What mount and offset of part `i` do to an angle that shows the force `f`, x + iz in m/s²."""
        q = self._setup
        own, g = row[q.at.constants].reshape(q.n, PER_SENSOR)[i], q.gravity
        mount, bias = own[MOUNT], own[ACCEL_BIAS]
        if rolls:
            mount[0], mount[2], bias[1] = f.imag / g, -f.real / g, 1.0 / g
        else:
            square = max(abs(f) ** 2, 0.01 * g * g)
            mount[1], bias[0], bias[2] = -1.0, f.imag / square, -f.real / square

    def _by_sides(self, row: Array, i: int, motion: BlockMotion) -> None:
        """Turn what has been filled in for part `i` into axes of the side part that it sits on."""
        q = self._setup
        for k, side in enumerate(q.sides):
            if side.sensor == i:
                own = row[q.at.constants].reshape(q.n, PER_SENSOR)[i]
                row[q.at.side.start + k] += side.axis @ own[MOUNT]
                turned = side.rotation(float(motion.mean.alpha[k]))
                own[MOUNT], own[ACCEL_BIAS] = own[MOUNT] @ turned, own[ACCEL_BIAS] @ turned

    def _pushes(self, motion: BlockMotion, levers: LeverArms) -> Array:
        """(N, 3) rad, tilts that accelerations feign: in the arm plane, across it, and their doubt.

        By the turning that gyros tell. What a body without gyro does by itself is left to the doubt: its rate
        comes out of these very angles.
        """
        q, e = self._setup, motion.epochs
        g = q.gravity
        rho = e.rates[:, -1:].copy()
        rho[2 : 2 + q.n][q.gyroless] = 0.0
        in_plane, across = levers.velocities(e.theta[:, -1:], e.tangent[-1:], rho, e.alpha[:, -1:])
        v = np.stack([in_plane[:, 0].real, across[:, 0], in_plane[:, 0].imag], axis=1)
        before, self._velocity = self._velocity, v
        x_rate, z_rate = rho[:2, 0].tolist()
        a = np.cross(np.array([x_rate, z_rate * float(e.tangent[-1]), z_rate]), v)
        if before is not None:
            a += (v - before) / self._span
        pushes = np.empty((q.n, 3))
        pushes[:, 0] = np.arctan2(a[:, 0], np.maximum(0.5 * g, g + a[:, 2]))
        pushes[:, 1] = a[:, 1] / g
        fastest = min(1.0, float(np.abs(e.rates[:, -1]).max()))
        own = OWN_TURN_HZ * fastest * self._arms / g
        pushes[:, 2] = np.hypot(PUSH_DOUBT * np.hypot(pushes[:, 0], pushes[:, 1]), own)
        return pushes
