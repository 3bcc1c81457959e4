"""The cutting edge across the boom plane: how it falls, how the target does, the tilt that lays it on.

Falls are rise over run from the right corner to the left one, positive when the left is higher.
"""

from __future__ import annotations

import math

from tipdatum.fusion.pose import Spread
from tipdatum.grade.surfaces import Alignment, Surface
from tipdatum.kinematics.chain import Chain, Located, Point, fall_of
from tipdatum_drivers.reading import Value

STEPS = 12
"""Newton steps at most; from 60 degrees away they are five."""

FAR_RAD = math.radians(75.0)
"""A tilt that is further away is not worth being told: the edge then points along the arm."""

UPRIGHT = 1e-4
"""Square of an edge's run over its length below which it stands upright, as beyond 100 in 1."""

EXACT_RAD = math.radians(0.005)

STEP_RAD = 1e-4
"""Of the finite difference by the tilt."""


class Edge(Value, frozen=True):
    """The edge of one pose; what costs to find is found when it is asked for.

    Attributes:
        chain: the arm. angles: its q. located: by it. spread: of q; None where it is not known.
        surface, line, slew: what is dug to, see `tipdatum.grade.report.measure`; surface None without one.
    """

    chain: Chain
    angles: tuple[float, ...]
    located: Located
    spread: Spread | None = None
    surface: Surface | None = None
    line: Alignment = Alignment(zero_m=0.0)
    slew: float = 0.0

    @property
    def corners(self) -> tuple[Point, Point]:
        """Left and right, as in `Located`."""
        return self.located.corners

    @property
    def swing_rad(self) -> float | None:
        """How far the boom is swung, positive to the left; None where it does not swing."""
        return None if self.chain.swing is None else self.angles[self.chain.swing]

    @property
    def tilt_rad(self) -> float | None:
        """The bucket's tilt; None where it does not tilt."""
        return None if self.chain.tilt is None else self.angles[self.chain.tilt]

    @property
    def fall(self) -> float:
        """Of the edge."""
        return fall_of(self.corners)

    def fall_sigma(self) -> float | None:
        """1-sigma of `fall`; None where it is not known, and where the edge stands upright.

        The corners stay 2w apart, however the arm stands. So with s = (height of the left one less that of
        the tip)/w the fall is s/√(1 - s²), and its derivative by q that of s over (1 - s²)^(3/2).
        """
        if self.spread is None:
            return None
        (_, _, left), (_, _, right) = self.corners
        w = self.chain.half_width
        run2 = 1.0 - ((left - right) / (2.0 * w)) ** 2
        if run2 <= UPRIGHT:
            return None
        variance, _ = self.spread.along(self.located.edge_jacobian)
        return float(math.sqrt(max(variance, 0.0)) / (w * run2**1.5))

    @property
    def target_fall(self) -> float | None:
        """Of the target under the middle of the edge, in the direction of the edge; None without a target."""
        return self._target_under(self.corners)

    def tilt_to_set_rad(self) -> float | None:
        """How much further the bucket has to be tilted for its edge to fall as the target does.

        Positive as the tilt itself; None where it does not tilt, without a target, and where no tilt nearby
        would do.
        """
        place = self.chain.tilt
        if place is None or self.surface is None:
            return None
        turned = 0.0
        for _ in range(STEPS):
            off, beside = (self._off(place, turned + by) for by in (0.0, STEP_RAD))
            slope = (beside - off) / STEP_RAD
            if abs(slope) < 0.05:
                return None
            step = -off / slope
            turned += max(-0.5, min(0.5, step))
            if abs(turned) > FAR_RAD:
                return None
            if abs(step) < EXACT_RAD:
                return turned
        return None

    def _off(self, place: int, turned: float) -> float:
        """Angle between edge and target with the bucket tilted further, rad."""
        q = list(self.angles)
        q[place] += turned
        corners = self.chain.locate(q).corners
        return math.atan(fall_of(corners)) - math.atan(self._target_under(corners) or 0.0)

    def _target_under(self, corners: tuple[Point, Point]) -> float | None:
        if self.surface is None:
            return None
        (xl, yl, _), (xr, yr, _) = corners
        right, left = (self.line.place(x, y, self.slew) for x, y in ((xr, yr), (xl, yl)))
        run = math.hypot(left[0] - right[0], left[1] - right[1])
        if run == 0.0:
            return None
        along, across = self.surface.slopes((right[0] + left[0]) / 2.0, (right[1] + left[1]) / 2.0)
        return (along * (left[0] - right[0]) + across * (left[1] - right[1])) / run
