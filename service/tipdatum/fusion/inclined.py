"""Inclinometers on an arm whose other sensors are IMUs: two rows each, angle and roll.

An inclinometer takes every acceleration for a tilt. Most of it is known, since gyros on the other bodies tell
how its place is carried along: that is taken off, through the part's own lag. What its own body does by
itself is doubted. Written out in `docs/estimator.md`, section "Measurements". Arms with inclinometers alone
have another filter (`tipdatum.fusion.inclinometers`).
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.layout import ACCEL_BIAS, MOUNT, PER_SENSOR
from tipdatum.fusion.levers import Levers
from tipdatum.fusion.parts import UNKNOWN, Setup
from tipdatum.fusion.rates import Motion
from tipdatum.fusion.strapdown import Block
from tipdatum.kinematics.frames import Array

PUSH_DOUBT = 0.5
"""Share of what known accelerations feign to an inclinometer that may be wrong, 1."""
OWN_TURN_HZ = 1.0
"""Angular acceleration of a body without gyro, rad/s² for each rad/s of the arm's fastest rate: an arm that
swings at a sixth of a hertz."""
PUSHED_S = 0.5
"""How long such a push lasts, s: readings within it err alike."""


class Inclined:
    """Fills the rows from `first` on in H (m, n) and R (m, m), which belong to `Observation`."""

    def __init__(self, setup: Setup, first: int, H: Array, R: Array) -> None:
        self._setup, self._first, self._H, self._R = setup, first, H, R
        self.sensors: list[int] = np.flatnonzero(setup.is_tilt).tolist()
        self._shown = np.zeros((setup.n, 3))
        self._velocity: Array | None = None
        self._arms = np.array([math.hypot(*ch.sensor.position_m) for ch in setup.channels])

    def fill(self, z: Array, x: Array, block: Block, motion: Motion, levers: Levers) -> None:
        """Fill in z (m,) too, for the block of one epoch whose end is `x`."""
        q, row = self._setup, self._first
        at, half = q.at, 0.5 * q.options.epoch_s
        roll_rate = float(motion.rho[0, -1])
        pushes = self._pushes(motion, levers)
        for i in self.sensors:
            part = q.channels[i].sensor
            late, lagging = part.time_constant_s, i in q.lagging
            place = at.lagged.start + q.lagging.index(i) if lagging else i
            share = 1.0 - math.exp(-q.span / late) if lagging else 1.0
            self._shown[i] += share * (pushes[i] - self._shown[i])
            along, across, doubt = self._shown[i].tolist()
            f, fy = complex(block.force[i, -1]), float(block.force_y[i, -1])
            angle = math.atan2(f.real, f.imag)
            angle += 2.0 * math.pi * round((x[place] - angle) / (2.0 * math.pi))
            roll = math.asin(max(-1.0, min(1.0, fy / q.gravity)))
            # In the middle of the epoch an angle was half a step behind; the roll lags without a state.
            rate = (x[i] - x[place]) / late if lagging else float(motion.rho[2 + i, -1])
            noise = math.radians(part.noise.tilt_deg) ** 2 + PUSHED_S / q.span * doubt * doubt
            active = bool(block.active[i])
            sees = (active, active and q.channels[i].tells_roll)
            told = (angle - along + half * rate, roll - across + (half + late) * roll_rate)
            for k, at_place in enumerate((place, at.roll)):
                self._H[row] = 0.0
                self._H[row, at_place] = 1.0
                self._by_errors(self._H[row], i, f, rolls=k == 1)
                self._R[row, row] = noise if sees[k] else UNKNOWN
                z[row] = told[k] - x[at_place] if sees[k] else 0.0
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

    def _pushes(self, m: Motion, levers: Levers) -> Array:
        """(N, 3) rad, tilts that accelerations feign: in the arm plane, across it, and their doubt.

        By the turning that gyros tell. What a body without gyro does by itself is left to the doubt: its rate
        comes out of these very angles.
        """
        q = self._setup
        g = q.gravity
        rho = m.rho[:, -1:].copy()
        rho[2:][q.gyroless] = 0.0
        in_plane, across = levers.velocities(m.theta[:, -1:], m.tangent[-1:], rho)
        v = np.stack([in_plane[:, 0].real, across[:, 0], in_plane[:, 0].imag], axis=1)
        before, self._velocity = self._velocity, v
        x_rate, z_rate = rho[:2, 0].tolist()
        a = np.cross(np.array([x_rate, z_rate * float(m.tangent[-1]), z_rate]), v)
        if before is not None:
            a += (v - before) / q.span
        pushes = np.empty((q.n, 3))
        pushes[:, 0] = np.arctan2(a[:, 0], np.maximum(0.5 * g, g + a[:, 2]))
        pushes[:, 1] = a[:, 1] / g
        fastest = min(1.0, float(np.abs(m.rho[:, -1]).max()))
        own = OWN_TURN_HZ * fastest * self._arms / g
        pushes[:, 2] = np.hypot(PUSH_DOUBT * np.hypot(pushes[:, 0], pushes[:, 1]), own)
        return pushes
