"""Whether the figures are good, moving or settling, entered and left without flicker.

`good` says that there is nothing to add; with anything to say the figures are `moving` (they stand, and sigma
has grown) or `settling` (the filter has not converged yet). An assumption that stays, such as a level machine
where the upper has no sensor, is no settling, for it never converges: nothing tells whether the upper moves,
sigma holds the doubt, and the figures are `moving` for as long as it stands in the reasons.
"""

from __future__ import annotations

import math
from functools import lru_cache

from tipdatum.fusion.pose import SEVERITY, Quality

MOVING_RADPS = math.radians(1.0)
"""Rate of any body from which the arm counts as moving: about 0.1 m/s at 7 m of reach."""
CALM_SHARE = 0.5
"""Share of it below which it counts as still again."""
CALM_S = 0.4
"""How long it must stay below, s."""
DWELL_S = 0.4
"""Least time between two changes of the same kind, s: what a person can read. Sigma does not wait for it."""
SETTLED_RAD = math.radians(1.0)
"""1-sigma of an angle above which the filter counts as settling (mounts never levelled stand at 0.7°)."""
SETTLED_SHARE = 0.9
"""Share of it below which it has settled."""
SETTLING_MOST_S = 10.0
"""A filter that is still above the limit after this has learnt what its sensors let it learn (no gyros, say):
it has settled, and sigma says how wide."""

TOO_SLOW = math.radians(1.0)
"""What a sensor leaves out between its samples, rad/√s, above which it is too slow for the motion: in a
second an angle wanders by a degree. Ordinary digging at 10 Hz stays below half of it."""
TOO_SLOW_S = 10.0
"""How long it must stay below half of that, s, before it counts as fast enough again."""


class Condition:
    """Follows the filter; time comes from its epochs."""

    def __init__(self) -> None:
        self.moving = False
        self.settling = True
        self._calm_since: float | None = None
        self._stopped = -math.inf
        self._settling_from = self._started = self._settled = -math.inf
        self._wide = False
        self._too_slow: dict[str, float] = {}

    def notice_slow(self, t: float, name: str, missed: float) -> None:
        """Take notice of what sensor `name` leaves out between its samples, rad/√s."""
        if missed > (0.5 * TOO_SLOW if name in self._too_slow else TOO_SLOW):
            self._too_slow[name] = t
        elif t - self._too_slow.get(name, t) >= TOO_SLOW_S:
            del self._too_slow[name]

    def update(self, t: float, fastest: float, spread: float, starting: bool) -> None:
        """Take notice of one epoch: fastest rate in rad/s, largest 1-sigma of an angle in rad."""
        self._move(t, fastest)
        self._settle(t, spread, starting)

    def _move(self, t: float, fastest: float) -> None:
        if fastest > CALM_SHARE * MOVING_RADPS:
            self._calm_since = None
        elif self._calm_since is None:
            self._calm_since = t
        if self.moving:
            if self._calm_since is not None and t - self._calm_since >= CALM_S:
                self.moving, self._stopped = False, t
        elif fastest > MOVING_RADPS and t - self._stopped >= DWELL_S:
            self.moving = True

    def _settle(self, t: float, spread: float, starting: bool) -> None:
        above = spread > SETTLED_RAD * (SETTLED_SHARE if self.settling else 1.0)
        if starting or (above and not self.settling and not self._wide and t - self._settled >= DWELL_S):
            if not self.settling:
                self.settling, self._settling_from = True, t
            self._started = t
        elif self.settling:
            self._started = t if self._started == -math.inf else self._started
            if t - self._settling_from >= DWELL_S and not (above and t - self._started < SETTLING_MOST_S):
                self.settling, self._settled, self._wide = False, t, above
        elif not above:
            self._wide = False

    def judge(self, quality: Quality, reasons: tuple[str, ...]) -> tuple[Quality, tuple[str, ...]]:
        """Add what is known here to a quality and its reasons; the worst applies."""
        if self._too_slow:
            reasons = (*reasons, *(f"{n} sensor speaks too rarely for this motion" for n in self._too_slow))
        return _judged(quality, reasons, self.settling, self.moving)


@lru_cache(maxsize=64)
def _judged(
    quality: Quality, reasons: tuple[str, ...], settling: bool, moving: bool
) -> tuple[Quality, tuple[str, ...]]:
    """Kept, because the same few answers are given at every tick."""
    if reasons:
        quality = max(quality, "moving", key=SEVERITY.__getitem__)
    if settling:
        reasons = (*reasons, "filter settling")
        quality = max(quality, "settling", key=SEVERITY.__getitem__)
    if moving:
        reasons = (*reasons, "arm moving")
        quality = max(quality, "moving", key=SEVERITY.__getitem__)
    return quality, reasons
