"""How far the upper has turned on its tracks since the reference: by gyros, held by the slope it stands on.

Gyros alone drift by some tenths of a degree a minute, which on a slope would soon pass for rocking: after an
hour the lean at the reference would be looked for in the wrong direction. But the lean of the ground goes
round with the upper, so that its direction tells the turn, the better the steeper the ground.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

DRIFT_RADPS = 1.5e-4
"""1-sigma of what the gyros' estimated bias is wrong by, rad/s."""
DRIFTS_S = 600.0
"""Time over which it becomes another, s."""
WALK_RAD = 2e-4
"""Random walk of the turn, rad/√s: white noise of the gyros."""
ROCKING_RAD = 0.005
"""1-sigma of a lean beside the slope's, rad: rocking, and how the machine leaned at the reference."""
ROCKS_S = 5.0
"""Time for which one lean lasts, s."""
SWINGS_RADPS = 0.5
"""How fast a machine may have slewed while nobody looked, rad/s."""


class Heading:
    """The turn since the reference, followed in three numbers: error of the gyros' sum (rad), its drift
    (rad/s), and what the lean at the reference was beside the slope (rad about the slope's direction).

    Args:
        lean: x + iy of the horizontal parts of `up` in the upper's axes at the reference.
        travelled: rad, sum of the gyros then.
    """

    def __init__(self, lean: complex, travelled: float) -> None:
        self._lean, self._travelled = lean, travelled
        self._steep = max(abs(lean), 1e-6)
        self._x = np.zeros(3)
        self._P = np.diag([0.0, DRIFT_RADPS**2, (ROCKING_RAD / self._steep) ** 2])

    def turn(self, travelled: float) -> tuple[float, float]:
        """Turn since the reference, rad, and its variance, where the gyros' sum is `travelled`."""
        return travelled - self._travelled - float(self._x[0]), float(self._P[0, 0])

    def follow(self, seconds: float, lean: complex, travelled: float) -> None:
        """Let `seconds` pass, at the end of which the upper leans by `lean`."""
        x, P = self._x, self._P
        x[0] += seconds * x[1]
        P[0] += seconds * P[1]
        P[:, 0] += seconds * P[:, 1]
        P[0, 0] += WALK_RAD**2 * seconds
        P[1, 1] += 2.0 * DRIFT_RADPS**2 / DRIFTS_S * seconds
        if self._steep < ROCKING_RAD:
            return
        found = cmath.phase(lean * cmath.exp(1j * self.turn(travelled)[0]) / self._lean)
        noise = 2.0 * ROCKS_S / seconds * (ROCKING_RAD / self._steep) ** 2
        row = P[0] + P[2]
        gain = row / (row[0] + row[2] + noise)
        x += gain * (found - x[2])
        P -= np.outer(gain, row)

    def lose(self, seconds: float) -> None:
        """Nobody looked for so long: the machine may have slewed."""
        self._P[0, 0] += min(SWINGS_RADPS * seconds, math.pi) ** 2
