"""Whether the figures are good, moving or settling, entered and left without flicker."""

from __future__ import annotations

import math

from tipdatum.fusion.pose import SEVERITY, Quality

MOVING_RADPS = math.radians(1.0)
"""Rate of any body from which the arm counts as moving: about 0.1 m/s at 7 m of reach."""
CALM_SHARE = 0.5
"""Share of it below which it counts as still again."""
CALM_S = 0.4
"""How long it must stay below, s."""
SETTLED_RAD = math.radians(1.0)
"""1-sigma of an angle above which the filter counts as settling (mounts never levelled stand at 0.7°)."""
SETTLED_SHARE = 0.9
"""Share of it below which it has settled."""
SETTLING_MOST_S = 10.0
"""A filter that is still above the limit after this has learnt what its sensors let it learn (no gyros, say):
it has settled, and sigma says how wide."""


class Condition:
    """Follows the filter; time comes from its epochs."""

    def __init__(self) -> None:
        self.moving = False
        self.settling = True
        self._calm_since: float | None = None
        self._settling_since: float | None = None
        self._wide = False

    def update(self, t: float, fastest: float, spread: float, starting: bool) -> None:
        """Take notice of one epoch: fastest rate in rad/s, largest 1-sigma of an angle in rad."""
        if fastest > MOVING_RADPS:
            self.moving, self._calm_since = True, None
        elif fastest > CALM_SHARE * MOVING_RADPS:
            self._calm_since = None
        elif self.moving:
            if self._calm_since is None:
                self._calm_since = t
            if t - self._calm_since >= CALM_S:
                self.moving = False
        self._settle(t, spread, starting)

    def _settle(self, t: float, spread: float, starting: bool) -> None:
        above = spread > SETTLED_RAD * (SETTLED_SHARE if self.settling else 1.0)
        if starting or (above and not self.settling and not self._wide):
            self.settling, self._settling_since = True, t
        elif self.settling:
            since = t if self._settling_since is None else self._settling_since
            self.settling = above and t - since < SETTLING_MOST_S
            self._settling_since = since
            self._wide = above and not self.settling
        elif not above:
            self._wide = False

    def judge(self, quality: Quality, reasons: tuple[str, ...]) -> tuple[Quality, tuple[str, ...]]:
        """Add what is known here to a quality and its reasons; the worst applies."""
        if self.settling:
            reasons = (*reasons, "filter settling")
            quality = max(quality, "settling", key=SEVERITY.__getitem__)
        if self.moving:
            reasons = (*reasons, "arm moving")
            quality = max(quality, "moving", key=SEVERITY.__getitem__)
        return quality, reasons
