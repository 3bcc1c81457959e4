"""How many epochs the filter takes at a step: few while the arm works, more while it hardly moves.

A step costs the same for one epoch as for ten. What it works out once for all of them, Jacobians and
covariances, is the truer the less the arm turns meanwhile: single epochs while errors are large, short blocks
in motion, long ones at rest. Whether the arm moves is seen from the gyros before the step is taken, so that a
motion begins with a block of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tipdatum.fusion.ahead import Start
from tipdatum.fusion.strapdown import Samples
from tipdatum.fusion.tuning import ChainOptions
from tipdatum_drivers.reading import Vector

UPSET_S = 4.0
"""Time, s, for which the filter takes single epochs after a start or a loss, while errors are too large for
what is worked out once a block."""


class Pace:
    """Decides it anew for every block."""

    def __init__(self, options: ChainOptions) -> None:
        # How many epochs, and the rate up to which so many are taken, rad/s.
        longer = [(options.epochs, options.quick_radps), (options.calm_epochs, options.calm_radps)]
        self._lengths = [(options.quick_epochs, math.inf)]
        self._lengths += [(many, rate) for many, rate in longer if many > options.quick_epochs]
        self._upset = -math.inf
        self._steady = False
        self._place = 0
        self._seen: list[tuple[float, Vector]] = []
        self._start: Start | None = None

    def upset(self, t: float) -> None:
        """Note that errors are large at `t` s."""
        self._upset = t

    def begin(self, start: Start, samples: Sequence[Samples], settled: bool) -> int:
        """How many epochs the block that begins at `start` has at least."""
        # Samples beyond the block may be there already.
        self._seen = [(start.edge, (x, y, z)) for x, y, z in filter(None, start.turned)]
        self._start, self._place = start, 0
        self._steady = settled and start.edge - self._upset >= UPSET_S and len(self._seen) == len(samples)
        return self._lengths[0][0] if self._steady else 1

    def go_on(self, epochs: int, samples: Sequence[Samples]) -> int:
        """How many epochs to take, now that the block could end after `epochs`: for more it waits.

        Where the arm has become too fast for so many, the block ends where it was last looked at.
        """
        if not self._steady:
            return epochs
        fastest = self._fastest(samples)
        self._seen = [(s.t, s.turned) for s in samples]
        if fastest > self._lengths[self._place][1]:
            self._steady = False
            return self._lengths[self._place - 1][0]
        if self._place + 1 == len(self._lengths) or fastest > self._lengths[self._place + 1][1]:
            return epochs
        self._place += 1
        return self._lengths[self._place][0]

    def _fastest(self, samples: Sequence[Samples]) -> float:
        """Fastest mean rate of any body since the last look, rad/s."""
        assert self._start is not None
        fastest = 0.0
        for s, (t, (x0, y0, z0)), gyro in zip(samples, self._seen, self._start.gyro, strict=True):
            span = s.t - t
            if span <= 0.0:
                continue
            x, y, z = s.turned
            x, y, z = (x - x0) / span, (y - y0) / span, (z - z0) / span
            (ax, ay, az), (bx, by, bz), (cx, cy, cz), (ox, oy, oz) = gyro
            rate = math.hypot(
                x * ax + y * bx + z * cx + ox, x * ay + y * by + z * cy + oy, x * az + y * bz + z * cz + oz
            )
            fastest = max(fastest, rate)
        return fastest
