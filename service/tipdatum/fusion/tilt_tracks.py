"""From the readings of inclinometers to the angles of the bodies that carry them, and to the arm's roll.

A dual-axis part tells `up` whole, a single-axis one only its direction in the plane of its x and z; what it
does not see, y·up, follows from the roll, so that it is right on a rolled arm too. The roll is told by the
dual-axis part nearest to the ground; where there is none the arm is taken as not rolled.

Each angle is followed through its part's lag, the machine's vibration and the arm's pushes (`TiltTrack`). An
inclinometer shows the direction of the specific force, which on a moving arm is not the direction of `up`:
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
from typing import TypeAlias

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import nearest_turn
from tipdatum_drivers.reading import Tilt

Rows: TypeAlias = list[list[float]]
"""A mount, sensor to body, row by row: where the body's x, y and z point in the sensor's axes."""


class TiltBodies:
    """Tracks of every body with a sensor.

    Attributes:
        channels: the sensors, N; theirs is the order wherever N angles stand in a row.
        tracks: sensor → its body's angle. roll: of the arm.
        roll_from: the sensor that tells the roll, None if none does.
    """

    def __init__(self, arm: SensedArm) -> None:
        self.channels = list(arm.by_body.values())
        self.tracks = {ch.name: _track(ch) for ch in self.channels}
        self.roll = TiltTrack(0.0, 0.0)
        self.roll_from: Channel | None = None
        self.refit(arm)

    def refit(self, arm: SensedArm) -> None:
        """Go on with the same sensors on a changed machine."""
        self.channels = list(arm.by_body.values())
        self._by_name = {ch.name: ch for ch in self.channels}
        self._mounts: dict[str, Rows] = {ch.name: ch.mount.tolist() for ch in self.channels}

    @property
    def complete(self) -> bool:
        """Whether every sensor has spoken."""
        return all(track.known for track in self.tracks.values())

    @property
    def pace(self) -> float:
        """How fast the fastest body turns, rad/s."""
        return max((track.pace for track in self.tracks.values()), default=0.0)

    def follow(self, reading: Tilt) -> bool:
        """Take a reading of one of the sensors.

        Returns:
            Whether its body's angle was found anew: the first reading, or one after a silence.
        """
        channel = self._by_name[reading.sensor]
        track, rows = self.tracks[reading.sensor], self._mounts[reading.sensor]
        anew = channel.is_back(reading.t)
        t, (x, y, z), _ = channel.raw(reading)
        if reading.angle_deg is None:
            if self._tells_roll(channel):
                left = _dot(rows[1], x, y, z) / channel.gravity
                _take(self.roll, t, math.asin(max(-1.0, min(1.0, left))), anew)
        else:
            across = self._across(rows, track.angle)
            seen = math.sqrt(max(0.0, 1.0 - across * across))
            x, y, z = seen * x, channel.gravity * across, seen * z
        theta = math.atan2(_dot(rows[0], x, y, z), _dot(rows[2], x, y, z))
        _take(track, t, nearest_turn(theta, track.shown), anew)
        return anew

    def _across(self, rows: Rows, theta: float) -> float:
        """y·up in the sensor's own axes from its body's angle and the roll."""
        level, (ahead, left, above) = math.cos(self.roll.angle), rows
        across = level * (ahead[1] * math.sin(theta) + above[1] * math.cos(theta))
        return across + left[1] * math.sin(self.roll.angle)

    def _tells_roll(self, channel: Channel) -> bool:
        told_by = self.roll_from
        if told_by is None or (channel.name != told_by.name and _height(channel) < _height(told_by)):
            self.roll, self.roll_from = _track(channel), channel
            return True
        return channel.name == told_by.name


def _dot(row: list[float], x: float, y: float, z: float) -> float:
    return row[0] * x + row[1] * y + row[2] * z


def _track(channel: Channel) -> TiltTrack:
    return TiltTrack(channel.sensor.time_constant_s, math.radians(channel.sensor.noise.tilt_deg))


def _take(track: TiltTrack, t: float, angle: float, anew: bool) -> None:
    if anew or not track.known:
        track.restart(t, angle)
    else:
        track.add(t, angle)


_OUTWARDS = ("upper", "boom", "second_boom", "stick", "bucket", "rocker")


def _height(channel: Channel) -> int:
    """Place of a sensor's body in the chain, from the ground on."""
    body = channel.sensor.body
    return _OUTWARDS.index(body)


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
    """An angle as `tipdatum.fusion.tilt_only` needs it; rad, carried on past ±180°."""

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
