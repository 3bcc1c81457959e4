"""Samples of one sensor, kept until a block has used them up, and what lies between those of a slow one.

A sample only costs its place in a buffer. Where they come often enough, force and rate run in a straight line
from one to the next.

A slow sensor does not show what happens between two of its samples: a curve stands for what is even, doubt
for the rest. A straight line between two samples h apart is off by h²/12 of the change of slope: at 10 Hz and
an angular acceleration of 1 rad/s² an angle misses 0.8 mrad, at 4 Hz 5 mrad. Through the last three samples
goes a parabola, whose points are put between the two newest ones. What then is left is told by how far a
sample lies off the parabola through the three before it, e, which for white noise of variance s² (a
vibration, or fast motion, that a slow sampler folds down) has the variance (1 + 3² + 3² + 1) s²; its integral
wanders by s √h from sample to sample, so that

    psd = h e²/20

is the white noise that stands for it, in the force as in the rate.
"""

from __future__ import annotations

import math
import struct
from collections import deque
from typing import Final

import numpy as np

from tipdatum.kinematics.frames import Array
from tipdatum_drivers.reading import Vector

RECENT_S: Final = 0.05
"""Time over which the change of a rate is told, s: shorter shows vibration, longer comes late."""
LASTING_S: Final = 0.4
"""How long an arm's accelerations last, s; told from their mean effect on slow sensors' extrapolations."""
ROW: Final = 10
"""Numbers kept of a sample: t, force, rate, and the integral of the rate up to it."""
_ROW = struct.Struct(f"{ROW}d")


class SampleBuffer:
    """Samples of one sensor that no block has used up, as the sensor gives them.

    Attributes:
        delay: s, to take off a sample's time on top of the described latency.
        since: s, from when on they follow each other without a gap.
        t, rate, turned: the newest sample's time, rate and integral of the rate since ever (rad).
        period: s, time between samples, 0 until it is known.
        slow: what a slow sensor leaves out; None for one that is fast enough.
    """

    __slots__ = (
        "_recent",
        "_rows",
        "delay",
        "longest_gap",
        "period",
        "rate",
        "since",
        "slow",
        "t",
        "turned",
    )  # fmt: skip

    def __init__(self, longest_gap_s: float = math.inf) -> None:
        self.longest_gap = longest_gap_s
        self.delay = 0.0
        self._rows = bytearray()
        self._recent: deque[tuple[float, Vector]] = deque(maxlen=2)
        self.turned: Vector = (0.0, 0.0, 0.0)
        self.rate: Vector = (0.0, 0.0, 0.0)
        self.period = 0.0
        self.slow: SlowSampling | None = None
        self.restart()

    def restart(self) -> None:
        """Forget the samples."""
        self.t, self.since = -math.inf, math.inf
        del self._rows[:]
        self._recent.clear()
        if self.slow is not None:
            self.slow.restart()

    def add(self, t: float, force: Vector, rate: Vector) -> None:
        """Take a sample of `t` s; after a gap longer than `longest_gap` it begins anew."""
        t -= self.delay
        gap = t - self.t
        if gap <= 0.0:
            return
        if gap > self.longest_gap:
            self.restart()
            self.since = t
        if self.slow is not None:
            for s, fx, fy, fz, wx, wy, wz in self.slow.fill(t, np.array((*force, *rate))).tolist():
                self._go_on(s, (fx, fy, fz), (wx, wy, wz))
        self._go_on(t, force, rate)
        self._recent.append((t, rate))

    def _go_on(self, t: float, force: Vector, rate: Vector) -> None:
        """In a straight line from the last point to the next one."""
        if self._rows:
            half = 0.5 * (t - self.t)
            (x, y, z), (x0, y0, z0), (x1, y1, z1) = self.turned, self.rate, rate
            self.turned = (x + half * (x0 + x1), y + half * (y0 + y1), z + half * (z0 + z1))
        self.t, self.rate = t, rate
        # Packed at once: an array takes its numbers one by one, in twice the time.
        self._rows += _ROW.pack(t, *force, *rate, *self.turned)

    def covers(self, start: float, end: float) -> bool:
        """Whether the samples tell all of a span, s."""
        return self.since <= start and self.t >= end

    def rows(self) -> Array:
        """(M, 10) the samples kept, oldest first, as a view that must not outlive the next change."""
        return np.frombuffer(self._rows).reshape(-1, ROW)

    def slope(self) -> Vector:
        """Change of the rate over the last `RECENT_S` or so, rad/s²."""
        t, (x0, y0, z0) = self._recent[0]
        # Readings that come together, a tenth of a millisecond apart, say nothing of a change.
        span = max(self.t - t, 0.5 * RECENT_S)
        x, y, z = self.rate
        return ((x - x0) / span, (y - y0) / span, (z - z0) / span)

    @property
    def left_out(self) -> tuple[float, float, float]:
        """What samples leave out of the moment after the newest of them, where they are slow.

        Returns:
            The share of the rate's change that goes on, 1 (an arm's accelerations last some tenths of a
            second); the variance of the newest rate, (rad/s)²; how old its slope is, s.
        """
        if self.slow is None:
            return 1.0, 0.0, 0.0
        period = self.period
        return math.exp(-period / LASTING_S), self.slow.rate / period, 0.5 * period

    def used(self, count: int, step: float) -> float:
        """Drop the oldest `count` of the points kept, which stand `step` s apart.

        Returns:
            s, time between samples.
        """
        del self._rows[: count * _ROW.size]
        period = step if self.slow is None else self.period
        size = 1 + max(1, round(RECENT_S / period))
        if size != self._recent.maxlen:
            self._recent = deque(self._recent, maxlen=size)
        return period

    def keep_pace(self, period: float) -> None:
        """Take note that samples come every `period` s."""
        self.period = period
        if (period > SLOW_S) != (self.slow is not None):
            self.slow = SlowSampling() if self.slow is None else None


SLOW_S: Final = 0.025
"""Time between samples, s, from which a sensor is slow: below it the parts' own low-pass leaves little."""
POINTS: Final = 3
"""Points put between two samples: sixteenths of what a parabola differs by are left."""
ROUGH_S: Final = 1.5
"""Time over which e² is averaged, s."""
UNEVEN: Final = 1.7
"""Largest ratio of two neighbouring times between samples for which a parabola is drawn."""
_SHARES = (np.arange(POINTS) + 1.0) / (POINTS + 1.0)
_BEND = 0.5 * _SHARES * (_SHARES - 1.0)
_SHARES, _BEND = _SHARES[:, None], _BEND[:, None]
_OF_E: Final = 20.0


class SlowSampling:
    """Follows the samples of one slow sensor.

    Attributes:
        force, rate: white noise that stands for what is missed, (m/s²)²/Hz an axis, and (rad/s)²/Hz of all
            axes together: an arm turns about one of them, and all of it may be about that one.
    """

    __slots__ = ("_last", "force", "rate")

    def __init__(self) -> None:
        self.force = self.rate = 0.0
        self._last: deque[tuple[float, Array]] = deque(maxlen=3)

    def restart(self) -> None:
        """Forget the samples, not what they told of the noise."""
        self._last.clear()

    def fill(self, t: float, row: Array) -> Array:
        """Points between the sample before and this one of `t` s.

        Args:
            row: (6,) force and rate, m/s² and rad/s.

        Returns:
            (POINTS, 7) t, force and rate; (0, 7) where the samples come too unevenly.
        """
        last = self._last
        found = np.empty((0, 7))
        if len(last) >= 2 and _even(last[-2][0], last[-1][0], t):
            before, first = last[-2][1], last[-1]
            bend = row - 2.0 * first[1] + before
            found = np.empty((POINTS, 7))
            found[:, :1] = first[0] + _SHARES * (t - first[0])
            found[:, 1:] = first[1] + _SHARES * (row - first[1]) + _BEND * bend
            if len(last) == 3 and _even(last[0][0], last[1][0], last[2][0]):
                self._hear(bend - (first[1] - 2.0 * before + last[0][1]), t - first[0])
        last.append((t, row))
        return found

    def _hear(self, off: Array, gap: float) -> None:
        weight = min(1.0, gap / ROUGH_S)
        squares = (gap / _OF_E) * off * off
        self.force += weight * (float(squares[:3].mean()) - self.force)
        self.rate += weight * (float(squares[3:].sum()) - self.rate)


def _even(t0: float, t1: float, t2: float) -> bool:
    return (t1 - t0) < UNEVEN * (t2 - t1) and (t2 - t1) < UNEVEN * (t1 - t0)
