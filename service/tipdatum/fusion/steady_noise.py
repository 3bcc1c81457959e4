"""How noisy a sensor's readings are, engine vibration included, without knowing how the arm moves.

Two measures over windows of a second. The second difference of three readings takes out the angle and its
rate and leaves white noise with six times its variance (1 + 4 + 1). The variance about a straight line also
sees vibration that sampling has folded down to a few hertz. What motion adds only makes either larger, so the
quietest of the last windows is believed.
"""

from __future__ import annotations

from collections import deque

import numpy as np

WINDOW_S = 1.0
LEAST = 6
"""Readings that make a window."""
WINDOWS = 8
"""Windows remembered for second differences, which motion hardly touches."""
LINE_WINDOWS = 30
"""The same for straight lines: an arm that digs stands still for a second in about half a minute."""


class SteadyNoise:
    """Noise of one axis."""

    def __init__(self, stated: float) -> None:
        """Begin with the variance that the description states, rad²; it is also the least."""
        self._stated = stated
        self._window: list[tuple[float, float]] = []
        self._white: deque[float] = deque(maxlen=WINDOWS)
        self._line: deque[float] = deque(maxlen=LINE_WINDOWS)
        self.variance = stated

    def add(self, t: float, angle: float) -> None:
        """Take a reading in rad, carried on past ±180°."""
        self._window.append((t, angle))
        if t - self._window[0][0] < WINDOW_S or len(self._window) < LEAST:
            return
        times, angles = np.array(self._window).T
        self._window = []
        n = len(times)
        self._white.append(float(np.mean(np.diff(angles, 2) ** 2)) / 6.0)
        lead = times - times.mean()
        off = angles - angles.mean()
        off -= lead * float(lead @ off) / max(float(lead @ lead), 1e-12)
        self._line.append(float(off @ off) / (n - 2))
        self.variance = max(self._stated, min(self._white), min(self._line))
