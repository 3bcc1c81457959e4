"""How noisy a sensor's readings are, engine vibration included, without knowing how the arm moves.

The second difference of three readings takes out the angle and its rate and leaves white noise with six times
its variance (1 + 4 + 1). What acceleration adds only makes it larger, so the quietest of the last windows is
believed.
"""

from __future__ import annotations

from collections import deque

WINDOW_S = 1.0
WINDOWS = 8
"""Windows remembered: an arm that digs stands still for a second in about eight."""
LEAST = 4
"""Second differences that make a window."""


class SteadyNoise:
    """White noise of one axis."""

    def __init__(self, stated: float) -> None:
        """Begin with the variance that the description states, rad²; it is also the least."""
        self._stated = stated
        self._last: deque[float] = deque(maxlen=3)
        self._windows: deque[float] = deque(maxlen=WINDOWS)
        self._sum, self._count, self._since = 0.0, 0, float("-inf")
        self.variance = stated

    def add(self, t: float, angle: float) -> None:
        """Take a reading in rad, carried on past ±180°."""
        self._last.append(angle)
        if len(self._last) == 3:
            a, b, c = self._last
            self._sum += (a - 2.0 * b + c) ** 2 / 6.0
            self._count += 1
        if self._count >= LEAST and t - self._since >= WINDOW_S:
            self._windows.append(self._sum / self._count)
            self._sum, self._count, self._since = 0.0, 0, t
            self.variance = max(self._stated, min(self._windows))
