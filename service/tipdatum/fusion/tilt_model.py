"""What inclinometers on a moving arm show: state, transition and felt angle.

An inclinometer knows only the direction of the specific force in its own axes, through its internal lag of
first order. On a moving arm that force is gravity and the sensor's acceleration together. Without a gyro the
two can be told apart only by how long they last, so that the part of the acceleration is a state of its own
which dies away. N sensors, K axes shown (one of a single-axis part, two of a dual-axis one); the state is

========= ==== ==================================================================================
theta     N    rad, elevation angle of the sensor's body
rate      N    rad/s, its derivative
turning   N    rad/s², the rate's derivative
roll      1    rad, common to the arm plane
shown     K    rad, what the lagging inside of each axis stands at
push      K    rad, felt angle that comes from the sensor's acceleration
========= ==== ==================================================================================

Rates and their derivatives follow a manoeuvring-target model: the acceleration is a first-order Markov
process. Source: R. A. Singer, IEEE Trans. Aerospace and Electronic Systems AES-6 (1970) 473 (from memory).
Written out in `docs/estimator.md`, section "Arms with inclinometers alone".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.levers import Levers
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array

DIFFERENCE = 1e-6
"""Step of the numeric derivatives, rad, rad/s, rad/s²: half of the digits of a double."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How an arm moves while an operator does one kind of work.

    Attributes:
        share: of the bodies' accelerations in hard digging, 1.
        rate_time_s, turning_time_s: correlation times of rates and of accelerations, s.
        push_radps2: 1-sigma of a sensor's acceleration for each metre from the slew axis and one more.
        push_time_s: how long it lasts, s.
        roll_walk: rad/√s.
    """

    share: float
    rate_time_s: float
    turning_time_s: float
    push_radps2: float
    push_time_s: float
    roll_walk: float


MANNERS = (
    Manner(0.01, 0.15, 0.1, 0.001, 0.1, 0.0001),
    Manner(0.3, 0.4, 0.2, 0.15, 0.4, 0.001),
    Manner(1.0, 0.4, 0.15, 0.6, 0.4, 0.01),
)
"""Standing, careful grading, digging; common practice of arms of 1 to 50 t, no source."""
STANDING = 0
"""Which of them is an arm that stands."""

CREEP_RAD_RTS = 0.0009
"""Walk of the angles of an arm that counts as standing, rad/√s: mends in a third of a second what was not yet
over when it began to count as standing."""
HARDEST_RADPS2 = {"upper": 0.1, "boom": 0.7, "stick": 0.8, "bucket": 1.2, "rocker": 1.2}
"""1-sigma of the angular acceleration in hard digging, rad/s²: hydraulics reach 0.5 rad/s in 0.5 s."""
ACROSS = 2.0
"""Acceleration across the arm against that along it: a slewing, rocking machine throws the arm."""


class TiltModel:
    """The model of one arm's inclinometers for steps of one length.

    Attributes:
        n: sensors, N. k: axes shown, K. size: of the state.
        theta, rate, turning, shown, push: places in the state (slices); roll: its place.
        axis_sensor: (K,) which sensor an axis belongs to.
        wraps: (K,) whether the axis is one of 360°.
        keep: (K,) what is left of a lag's error after a step.
    """

    def __init__(self, levers: Levers, channels: list[Channel], dual: list[bool], step_s: float) -> None:
        n = len(channels)
        self.n, self.step = n, step_s
        axes = [(i, kind) for i in range(n) for kind in ((1, 2) if dual[i] else (0,))]
        self.axis_sensor = np.array([i for i, _ in axes])
        self._kind = np.array([kind for _, kind in axes])
        self.wraps = self._kind == 0
        self.k = len(axes)
        self.theta, self.rate, self.turning = slice(0, n), slice(n, 2 * n), slice(2 * n, 3 * n)
        self.roll = 3 * n
        self.shown = slice(3 * n + 1, 3 * n + 1 + self.k)
        self.push = slice(self.shown.stop, self.shown.stop + self.k)
        self.size = self.push.stop
        self.fit(levers, channels)
        lag = np.array([channels[i].sensor.time_constant_s for i in self.axis_sensor])
        self.keep = np.array([math.exp(-step_s / t) if t > 0 else 0.0 for t in lag])
        # First-order hold: the felt angle runs in a straight line from the step's start to its end.
        ramp = (1.0 - self.keep) * lag / step_s
        self._of_start, self._of_end = ramp - self.keep, 1.0 - ramp
        self._calming = np.array([math.exp(-step_s / m.push_time_s) for m in MANNERS])
        self._spread = np.where(self._kind == 2, ACROSS, 1.0) * np.array([[m.push_radps2] for m in MANNERS])
        hardest = np.array([HARDEST_RADPS2[ch.sensor.body] for ch in channels])
        self._phi, self._q = _discrete(np.array([[m.share] for m in MANNERS]) * hardest, step_s)

    def fit(self, levers: Levers, channels: list[Channel]) -> None:
        """Take over lever arms and mounts."""
        self._follow, self._offset = levers.follow, levers.offset
        self._lx, self._lz = levers.ways[:, :, 0], levers.ways[:, :, 2]
        self._mount = np.array([ch.mount for ch in channels])
        self._gravity = channels[0].gravity

    def felt(self, x: Array) -> Array:
        """The angle each axis would stand at without lag, (…, K) rad, from states (…, size).

        `up` in the body's axes (see `tipdatum.kinematics.frames`), turned back by the mount, as the part's
        angles are defined; a single-axis one is thereby right on a rolled arm too.
        """
        theta, roll = x[..., self.theta], x[..., self.roll, None]
        c = np.cos(roll)
        up = np.stack([c * np.sin(theta), np.sin(roll) + 0.0 * theta, c * np.cos(theta)], axis=-1)
        u = (up[..., None, :] @ self._mount)[..., 0, :][..., self.axis_sensor, :]
        sine = np.clip(np.where(self._kind == 2, u[..., 1], u[..., 0]), -1.0, 1.0)
        angle = np.where(self.wraps, np.arctan2(u[..., 0], u[..., 2]), np.arcsin(sine))
        return np.asarray(angle + x[..., self.push])

    def reach(self, x: Array) -> Array:
        """Horizontal distance of every sensor from the slew centre, (…, N) m."""
        body = x[..., self.theta] @ self._follow.T + self._offset
        c, s = np.cos(body)[..., None, :], np.sin(body)[..., None, :]
        return np.asarray((self._lx * c - self._lz * s).sum(-1))

    def transition(self, x: Array) -> Array:
        """(M, …, size) states after a step, one manner in each row of the first axis."""
        y = x.copy()
        theta, v, a = x[..., self.theta], x[..., self.rate], x[..., self.turning]
        phi = self._phi.reshape(len(MANNERS), *(1,) * (x.ndim - 2), self.n, 3, 3)
        y[..., self.theta] = theta + phi[..., 0, 1] * v + phi[..., 0, 2] * a
        y[..., self.rate] = phi[..., 1, 1] * v + phi[..., 1, 2] * a
        y[..., self.turning] = phi[..., 2, 2] * a
        y[..., self.push] = self._calming.reshape(-1, *(1,) * (x.ndim - 1)) * x[..., self.push]
        shown = x[..., self.shown]
        start, end = (self._near(self.felt(state), shown) for state in (x, y))
        y[..., self.shown] = self.keep * shown + self._of_start * start + self._of_end * end
        return y

    def _near(self, angle: Array, to: Array) -> Array:
        turn = 2.0 * np.pi
        return np.asarray(np.where(self.wraps, angle + turn * np.round((to - angle) / turn), angle))

    def linear(self, x: Array) -> tuple[Array, Array]:
        """Transition (M, size) of the states (M, size) and its derivative (M, size, size)."""
        size = self.size
        around = np.repeat(x[:, None, :], size + 1, axis=1)
        around[:, np.arange(size), np.arange(size)] += DIFFERENCE
        after = self.transition(around)
        base = after[:, size]
        return base, ((after[:, :size] - base[:, None]) / DIFFERENCE).transpose(0, 2, 1)

    def noise(self, x: Array) -> Array:
        """Process noise of a step, (M, size, size), at the states (M, size)."""
        Q = np.zeros((len(MANNERS), self.size, self.size))
        n = self.n
        for i in range(n):
            at = np.array([i, n + i, 2 * n + i])
            Q[:, at[:, None], at] = self._q[:, i]
        at = np.arange(n)
        Q[STANDING, at, at] += CREEP_RAD_RTS**2 * self.step
        Q[:, self.roll, self.roll] = [m.roll_walk**2 * self.step for m in MANNERS]
        away = 1.0 + np.abs(self.reach(x))[:, self.axis_sensor]
        pushed = self._spread * away / self._gravity
        at = np.arange(self.push.start, self.push.stop)
        Q[:, at, at] = pushed**2 * (1.0 - self._calming[:, None] ** 2)
        at = np.arange(self.shown.start, self.shown.stop)
        Q[:, at, at] = (0.1 * pushed * (1.0 - self.keep)) ** 2
        return Q


def _discrete(sigma: Array, T: float) -> tuple[Array, Array]:
    """Transition and noise of (angle, rate, acceleration), (M, N, 3, 3) each, by Van Loan's method.

    Args:
        sigma: (M, N) rad/s², 1-sigma of the acceleration.
    """
    phi = np.zeros((*sigma.shape, 3, 3))
    noise = np.zeros_like(phi)
    for m, manner in enumerate(MANNERS):
        A = np.zeros((3, 3))
        A[0, 1] = A[1, 2] = 1.0
        A[1, 1], A[2, 2] = -1.0 / manner.rate_time_s, -1.0 / manner.turning_time_s
        for b in range(sigma.shape[1]):
            big = np.zeros((6, 6))
            big[:3, :3], big[3:, 3:] = -A, A.T
            big[2, 5] = 2.0 * sigma[m, b] ** 2 / manner.turning_time_s
            E = _exponential(big * T)
            phi[m, b] = E[3:, 3:].T
            noise[m, b] = phi[m, b] @ E[:3, 3:]
    return phi, 0.5 * (noise + noise.swapaxes(-1, -2))


def _exponential(A: Array) -> Array:
    """Matrix exponential of a small matrix: Taylor series of A/2¹⁰, squared ten times."""
    small = A / 1024.0
    term = total = np.eye(len(A))
    for k in range(1, 8):
        term = term @ small / k
        total = total + term
    for _ in range(10):
        total = total @ total
    return np.asarray(total)
