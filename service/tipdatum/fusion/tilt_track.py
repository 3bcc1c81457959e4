"""One angle of an inclinometer, followed through its lag, the machine's vibration and the arm's pushes.

An inclinometer shows the direction of the specific force, which on a moving arm is not the direction of `up`:
every acceleration of the sensor looks like a tilt. Without a gyro a push cannot be told from a turn that
lasts as long; what can be done is to wait. The reading y goes through a critically damped low-pass of second
order,

    p̈ = ω² (y - p) - 2 ω ṗ                     w = p + τ ṗ

w having the sensor's own lag τ undone. It comes 2/ω late, and what it may be off by shows in how far it is
from the same filter of twice the speed, which is late by half: that distance, held for a moment because it
swings through nought, is the doubt. While an arm stands w still trembles; so it is drawn to its own slow mean
m where it is near to it, and the nearer the more:

    angle = m + (w - m) · min(1, (w - m)²/δ²)

which enters and leaves without a threshold to flicker about. Forms: linear systems, any text book; the
figures below and the soft threshold are our own (`docs/estimator.md`, "Arms with inclinometers alone").
"""

from __future__ import annotations

import math

OMEGA_RADPS = 4.0
"""ω of the low-pass, rad/s: nearest on simulated digs, passes, holds and reversals together."""
SLOW_S = 0.8
"""Time constant of the slow mean, s."""
NEAR_RAD = 0.003
"""δ, rad: a low-passed vibration stays within it, and a creep hidden by it is below 9 mm at 7 m of reach."""
HOLD_S = 0.3
"""Time in which a held doubt falls to 1/e, s: the arm swings at half a hertz to two."""
DOUBT_SHARE = 2.6
"""1-sigma of an angle from the distance of the two filters, 1, from the same simulated sessions."""
JUMP_RAD = 0.5
"""Furthest that a reading is believed to be off the faster filter, rad: a shock turns a part without lag
anywhere, while a bucket curls at up to 2 rad/s, and the filter can still turn at JUMP · ω."""
START_SHARE = 3.0
"""ω times the time since the first reading, 1, while that is short: a noisy first one is soon forgotten."""
START_RAD = 0.1
"""Doubt of an angle at its first reading, rad, as the distance of the two filters: a start in motion."""


class LowPass:
    """A critically damped low-pass of second order over samples at any times.

    Attributes:
        value, rate: output and its derivative at the newest sample.
    """

    def __init__(self, value: float) -> None:
        self.value, self.rate = value, 0.0

    def add(self, omega: float, step: float, before: float, after: float) -> None:
        """Go on by `step` s with `omega` rad/s; exact where the input runs in a straight line.

        Args:
            before, after: the input at the newest sample and `step` later.
        """
        slope = (after - before) / step
        late = 2.0 * slope / omega
        a = self.value - before + late
        b = self.rate - slope + omega * a
        left = math.exp(-omega * step)
        at_end = (a + b * step) * left
        self.value = after - late + at_end
        self.rate = slope + b * left - omega * at_end


class TiltTrack:
    """An angle as `tipdatum.fusion.inclinometers` needs it; rad, carried on past ±180°."""

    def __init__(self, lag: float, noise: float) -> None:
        """Begin with nothing known.

        Args:
            lag: s, time constant of the sensor.
            noise: rad, 1-sigma of a reading.
        """
        self._lag = lag
        self._noise = noise**2 * (1.0 + (OMEGA_RADPS * lag) ** 2) * OMEGA_RADPS / 4.0
        self.t = -math.inf
        """s, time of the newest sample."""
        self.shown = 0.0
        """The newest reading."""
        self.angle = self.rate = 0.0
        """Estimate at `t`, rad and rad/s."""
        self.pace = 0.0
        """How fast the angle changes or may change, rad/s."""
        self.distance = 0.0
        """Held distance of the two filters, rad."""

    @property
    def known(self) -> bool:
        """Whether a reading has come since the start."""
        return self.t > -math.inf

    def restart(self, t: float, angle: float) -> None:
        """Find the angle anew."""
        self.t, self.shown, self.angle = t, angle, angle
        self.rate = self.pace = 0.0
        self._main, self._fast = LowPass(angle), LowPass(angle)
        self._mean, self._began, self.distance = angle, t, START_RAD

    def add(self, t: float, angle: float) -> None:
        """Take a reading; one that is not newer than the last is of no use."""
        step = t - self.t
        if step <= 0.0:
            return
        off = angle - self._fast.value
        if abs(off) > JUMP_RAD:
            angle = self._fast.value + math.copysign(JUMP_RAD, off)
        omega = max(OMEGA_RADPS, START_SHARE / (t - self._began))
        self._main.add(omega, step, self.shown, angle)
        self._fast.add(2.0 * omega, step, self.shown, angle)
        self.t, self.shown = t, angle
        now = self._main.value + self._lag * self._main.rate
        # At first the mean of all there is, for the one reading it began with is as noisy as any.
        self._mean += (now - self._mean) * max(1.0 - math.exp(-step / SLOW_S), step / (t - self._began))
        off = now - self._mean
        share = min(1.0, (off / NEAR_RAD) ** 2)
        self.angle = self._mean + share * off
        self.rate = share * self._main.rate
        apart = abs(self._fast.value + self._lag * self._fast.rate - self.angle)
        apart *= min(1.0, apart / NEAR_RAD)
        # A steady turn parts the filters by rate/ω. At the turning points of a swing the rate is nought and
        # they are far apart; vibration does not part them by half of what would count there.
        self.pace = max(abs(self.rate), 0.5 * OMEGA_RADPS * apart)
        self.distance = max(apart, self.distance * math.exp(-step / HOLD_S))

    def variance(self, period: float) -> float:
        """Variance of `angle`, rad², of readings that come every `period` s.

        White noise of one reading leaves (1 + ω²τ²) ω/4 · period of its variance: the integral of the squared
        impulse response of w.
        """
        return self.distance**2 * DOUBT_SHARE**2 + self._noise * period
