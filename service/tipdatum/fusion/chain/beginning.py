"""What the filter begins from, and what it goes on with after a sensor was silent: angles out of forces.

See `docs/estimator.md`, "Measurements", from "Levelling" on.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.chain.constants import LATENCY, OF_ACCEL, PER_SENSOR, prior_sigma, tilt_errors
from tipdatum.fusion.chain.measurement import ToldSwing
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.noise import struck_by
from tipdatum.fusion.chain.update import update
from tipdatum.kinematics.frames import Array, nearest_turn
from tipdatum.machine.description import Machine

SHARED_LATENCY = 0.01
"""Share of a latency's variance left to what all sensors have in common."""
START_LEVER_M = 7.0
"""Reach at which the rates of the first epoch may already move a sensor, m."""

ENCODER_ZERO_DEG = 1.0
"""1-sigma of where an encoder of the boom's swing has its zero, degrees, where the description does not say:
a coupling tightened by eye."""
LOST_SIDE_RAD = math.radians(15.0)
"""1-sigma of what a swing or tilt may have turned by while its sensor was silent, rad."""
START_SWAY_S = 0.4
"""Tilt that accelerations feign to the first epoch's forces, rad per rad/s: such rates last some tenths of a
second, and 7 m of reach times 1 rad/s in half a second is more than g."""

JOLT_MPS = 0.3
"""Velocity, m/s, that a machine which starts, brakes or rocks has at a moment."""


def zero_sigma(machine: Machine) -> float:
    """1-sigma of the zero of what tells the boom's swing, rad: an encoder's, or of where it is held."""
    encoder = None if machine.swing_sensor is None else machine.sensor[machine.swing_sensor]
    if encoder is not None:
        stated = encoder.mount_sigma_deg
        return math.radians(ENCODER_ZERO_DEG if stated is None else max(stated, 0.01))
    return math.radians(0.0 if machine.boom_swing is None else machine.boom_swing.held_sigma_deg)


def told_swing_of(machine: Machine) -> tuple[object, ...]:
    """What the description says of the zero of what tells the boom's swing; another one begins it anew."""
    name, swing = machine.swing_sensor, machine.boom_swing
    encoder = None if name is None else machine.sensor[name]
    if encoder is not None:
        return name, encoder.mount_rpy_deg, encoder.mount_sigma_deg
    return () if swing is None else (swing.held_deg, swing.held_sigma_deg)


class Beginning:
    """Finds angles, and what is known of them, in state x (n,) and covariance P (n, n), which it changes.

    Args:
        zero_sigma: rad, of the zero of what tells the boom's swing.
    """

    def __init__(self, setup: FilterSetup, zero_sigma: float) -> None:
        self._setup, self._zero_sigma = setup, zero_sigma

    def begin(
        self, x: Array, P: Array, force: Array, rate: Array, shake: Array, told: ToldSwing | None
    ) -> Array:
        """Find everything from one epoch's mean forces and rates.

        Args:
            force, rate: (N, 3) m/s² and rad/s, in axes of side parts.
            shake: (N,) (m/s²)², variance of the force in the epoch.
            told: what is told of the boom's swing.

        Returns:
            1-sigma of all constants, as described.
        """
        q, at, o = self._setup, self._setup.at, self._setup.options
        x[: at.dynamic] = 0.0
        x[at.theta] = np.arctan2(force[:, 0], force[:, 2])
        norms = np.linalg.norm(force, axis=1)
        leans = np.arcsin(np.clip(force[:, 1] / norms, -1.0, 1.0))
        x[at.roll] = float(np.mean(leans[q.plain] if q.sides else leans))
        sides = [self._find_side(k, x, force, told, None) for k in range(len(q.sides))]
        x[at.lagged] = x[at.theta][q.lagging]
        d = np.zeros(at.size)
        # It may start in the middle of a motion: the gyros show how fast, unless it is their bias.
        fastest = float(np.abs(rate).max())
        d[at.theta] = d[at.roll] = (0.1 + START_SWAY_S * min(fastest, 1.0)) ** 2
        blows = self._feigned(shake)
        d[at.theta] += blows
        d[at.roll] += float(blows.mean()) / q.n
        d[at.side] = np.maximum(sides, d[at.roll])
        d[at.zero] = self._zero_sigma**2
        d[at.slack] = 0.0 if q.closure is None else q.closure.sigma**2
        d[at.velocity] = (0.1 + START_LEVER_M * fastest) ** 2
        d[at.base] = o.base_floor_mps**2
        d[at.pivot] = o.pivot_sigma_m**2 if q.on_upper else 1e-12
        d[at.turn] = d[at.common] = 0.1**2
        d[at.lagged] = 0.1**2
        sigmas = [prior_sigma(ch.sensor, o, r) for ch, r in zip(q.channels, rate, strict=True)]
        d[at.constants] = np.array(sigmas).ravel() ** 2
        P[:] = np.diag(d)
        # A latency that all sensors share cannot be seen: it must not drift.
        late = at.constants.start + LATENCY + PER_SENSOR * np.arange(q.n)
        sigma = np.sqrt(d[late])
        P[np.ix_(late, late)] = np.outer(sigma, sigma) * (np.eye(q.n) - (1.0 - SHARED_LATENCY) / q.n)
        return np.asarray(np.sqrt(d[at.constants]))

    def _feigned(self, shake: Array) -> Array:
        """(N,) rad², variance of the tilts that blows feign to the mean force of an epoch, of its `shake`.

        A pulse of height A that fills the share d of an epoch has the mean A d and the spread A √(d (1 - d)),
        which is the larger one up to d = ½. As a force beside gravity, that is a tilt of atan(A d/g).
        """
        spread = np.where(struck_by(shake) > 0.0, np.sqrt(shake), 0.0)
        return np.asarray(np.arctan(spread / self._setup.gravity) ** 2)

    def _find_side(
        self, k: int, x: Array, force: Array, told: ToldSwing | None, prior: tuple[float, float] | None
    ) -> float:
        """Find α of a side part, and θ of its body, from forces (N, 3) in its axes; the variance of α.

        Args:
            prior: α and its 1-sigma as they were known; None: what is told of it, or nothing.
        """
        side, at = self._setup.sides[k], self._setup.at
        known, sigma = prior or (0.0, side.sigma)
        if told is not None and k == self._setup.told:
            known, sigma = told.angle, self._zero_sigma
        angle, variance = known, sigma * sigma
        if side.sensor is not None:
            up = force[side.sensor] / float(np.linalg.norm(force[side.sensor]))
            angle, variance = side.found(up, math.sin(float(x[at.roll])), known, sigma)
            turned = side.rotation(angle) @ up
            theta = math.atan2(float(turned[0]), float(turned[2]))
            x[side.sensor] = nearest_turn(theta, float(x[side.sensor]))
        x[at.side.start + k] = angle
        return variance

    def restart(
        self,
        x: Array,
        P: Array,
        i: int,
        force: Array | None,
        fastest: float,
        shake: float,
        told: ToldSwing | None,
    ) -> None:
        """Find the angle of a sensor anew that was silent; its constants are kept.

        Args:
            i: its number. force: (3,) m/s²; on a side part in the part's axes, whose turn is found anew, too.
                None: no force tells anything, and both stay where they are.
            fastest: rad/s, of any gyro: while the arm moves, a force says less.
            shake: (m/s²)², variance of the force about its mean.
            told: what is told of the boom's swing.
        """
        q, at, own = self._setup, self._setup.at, self._setup.v[i]
        places, sides = [i, *own], []
        for k, side in enumerate(q.sides):
            if side.sensor == i and force is not None:
                place = at.side.start + k
                known = float(x[place]), max(math.sqrt(float(P[place, place])), LOST_SIDE_RAD)
                sides.append((place, self._find_side(k, x, np.tile(force, (q.n, 1)), told, known)))
        if not sides and force is not None:
            x[i] = nearest_turn(math.atan2(float(force[0]), float(force[2])), float(x[i]))
        places += [place for place, _ in sides]
        if i in q.gyroless:
            places.append(at.turn.start + q.gyroless.index(i))
        if i in q.lagging:
            places.append(at.lagged.start + q.lagging.index(i))
            x[places[-1]] = x[i]
        P[places, :] = 0.0
        P[:, places] = 0.0
        doubt = (0.05 + START_SWAY_S * min(fastest, 1.0)) ** 2
        P[places, places] = doubt + float(self._feigned(np.array([shake]))[0])
        for place, variance in sides:
            P[place, place] = max(variance, float(P[i, i]))
        P[own, own] = 1.0
        # The velocities of what hangs on it were held by nothing meanwhile: what they are off by now is no
        # tilt of those bodies.
        beyond = q.v[i + 1 :].ravel()
        P[beyond, beyond] += JOLT_MPS**2

    def level(self, x: Array, P: Array, sigma: float) -> None:
        """Take mounts for levelled to `sigma` rad by what the accelerometers say in the present posture.

        It ties mount, bias and the other constants of each accelerometer to each other, in sensors whose
        description does not tell how well they are mounted, and says nothing of the angles themselves: those
        are for the accelerometers to find, however much the machine shakes or moves.

        A bucket that tilts was levelled with its edge on a level, not as it happens to hang where the service
        starts: of its sensor the bias is left out of what that vouches for. In bodies of the arm plane a bias
        that was levelled in another posture is the same from reference to figure, and an elevation hardly
        feels it; a tilt and a cross fall are held against gravity itself and feel all of it.
        """
        q, at = self._setup, self._setup.at
        levelled = [i for i, ch in enumerate(q.channels) if ch.sensor.mount_sigma_deg is None]
        theta, roll = x[at.theta], float(x[at.roll])
        up = np.stack([np.sin(theta), np.full(q.n, math.tan(roll)), np.cos(theta)], axis=1)
        (up,) = q.in_parts(x[at.side], up)
        errors = tilt_errors(q.gravity * math.cos(roll) * up, q.warmth.of)
        rows, variance = np.zeros((q.n, 2, at.size)), np.full((q.n, 2), sigma**2)
        for i in levelled:
            own = at.constants.start + i * PER_SENSOR
            rows[i, :, own + OF_ACCEL.start : own + OF_ACCEL.stop] = errors[i]
        for side in q.sides:
            if side.joint == "tilt" and side.sensor is not None:
                bias = q.channels[side.sensor].sensor.noise.accel_bias_mps2
                variance[side.sensor] += (bias / q.gravity) ** 2
        H = rows[levelled].reshape(-1, at.size)
        if levelled:
            update(x, P, H, -H.dot(x), np.diag(variance[levelled].ravel()))
