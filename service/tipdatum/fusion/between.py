"""What a slow sensor does not show between two of its samples: a curve for what is even, doubt for the rest.

A straight line between two samples h apart is off by h²/12 of the change of slope: at 10 Hz and an angular
acceleration of 1 rad/s² an angle misses 0.8 mrad, at 4 Hz 5 mrad. Through the last three samples goes a
parabola, whose points are put between the two newest ones. What then is left is told by how far a sample
lies off the parabola through the three before it, e, which for white noise of variance s² (a vibration, or
fast motion, that a slow sampler folds down) has the variance (1 + 3² + 3² + 1) s²; its integral wanders by
s √h from sample to sample, so that

    psd = h e²/20

is the white noise that stands for it, in the force as in the rate.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from tipdatum.kinematics.frames import Array

SLOW_S = 0.025
"""Time between samples, s, from which a sensor is slow: below it the parts' own low-pass leaves little."""
POINTS = 3
"""Points put between two samples: sixteenths of what a parabola differs by are left."""
ROUGH_S = 1.5
"""Time over which e² is averaged, s."""
UNEVEN = 1.7
"""Largest ratio of two neighbouring times between samples for which a parabola is drawn."""
_SHARES = (np.arange(POINTS) + 1.0) / (POINTS + 1.0)
_BEND = 0.5 * _SHARES * (_SHARES - 1.0)
_SHARES, _BEND = _SHARES[:, None], _BEND[:, None]
_OF_E = 20.0


class Between:
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
