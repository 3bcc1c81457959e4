"""How regularly readings come: rate and jitter from their arrival times."""

from __future__ import annotations

import math

MEMORY = 50
"""Arrivals over which rate and jitter are averaged (exponentially)."""
LONGEST_GAP_S = 3.0
"""A longer silence is an outage and no interval."""
OUTAGE = 10.0
"""So is one of this many usual intervals, unless it is followed by more of its kind."""
MOST_OUTAGES = 3


class Arrivals:
    """Running mean and spread of the interval between readings."""

    __slots__ = ("_count", "_mean", "_outages", "_variance", "last")

    def __init__(self) -> None:
        self.last: float | None = None
        self._count = self._outages = 0
        self._mean = 0.0
        self._variance = 0.0

    def add(self, t: float) -> float | None:
        """Take the arrival at `t`, s; returns the interval since the last one, None for the first."""
        last, self.last = self.last, t
        if last is None:
            return None
        dt = t - last
        if dt > OUTAGE * self._mean and self._count >= 10 and self._outages < MOST_OUTAGES:
            self._outages += 1
        elif 0.0 <= dt <= LONGEST_GAP_S:
            self._outages = 0
            if self._count < MEMORY:
                self._count += 1
            k = 1.0 / self._count
            away = dt - self._mean
            self._mean += k * away
            self._variance = (1.0 - k) * (self._variance + k * away * away)
        return dt

    @property
    def period_s(self) -> float | None:
        """Mean interval, None before the second reading."""
        return self._mean if self._count else None

    @property
    def rate_hz(self) -> float | None:
        """Readings a second, None before it can be known."""
        return 1.0 / self._mean if self._count >= 3 and self._mean > 0.0 else None

    @property
    def jitter_s(self) -> float | None:
        """Standard deviation of the interval, s."""
        return math.sqrt(self._variance) if self._count >= 3 else None
