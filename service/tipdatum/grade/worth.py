"""What the elevation of each point of the bucket is worth at one tick: tip, corners, heel.

Of a point of the bucket the law of propagation wants the derivatives of its own height: with J by the pose's
angles and D by the dimensions of the description (`tipdatum.kinematics.chain`),

    sigma² = J P Jᵀ + var(anchor) - 2 J cov(anchor) + |(D - D at the touch) σ|² + what is alike for all points

as `tipdatum.grade.reference.Sigma` has it for the tip, whose touch, mark, heave, play and temperature are the
corners' as well. A corner half a width beside the tip is worse than the tip by what the roll, and a bucket's
tilt, may be wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import add, sub

from tipdatum.fusion.pose import Pose
from tipdatum.grade.site import Site
from tipdatum.kinematics.chain import Located


class Worth:
    """1-sigma of the bucket's points, m.

    Attributes:
        tip: of the tip's elevation; of its height above the slew centre where there is no reference.
        height: of the tip's height. prediction: the part of it that comes from predicting.
    """

    __slots__ = ("_alike_m2", "_known", "_located", "_pose", "_site", "height", "prediction", "tip")

    def __init__(self, site: Site, pose: Pose, located: Located) -> None:
        self._site, self._pose, self._located = site, pose, located
        variance, ahead = pose.spread.along(located.height_jacobian)
        variance = max(variance, 0.0)  # in this order NaN stays NaN
        self.height = self.tip = math.sqrt(variance)
        self.prediction = math.sqrt(max(ahead, 0.0))
        self._alike_m2 = 0.0
        if site.tie is not None:
            sigma = site.tie.sigma(pose, located, variance, site.machine, site.moved_m)
            self.tip = sigma.total
            # Square of what is not from angles, m²: the tip's and the corners' alike.
            self._alike_m2 = self.tip**2 - sigma.angles**2
        self._known = {"tip": self.tip}

    def of(self, name: str, heel: int = 0) -> float:
        """Of a point's elevation: tip, left, right, or heel with its number in the outline."""
        key = f"heel {heel}" if name == "heel" else name
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._elevation(name, heel)
        return found

    def height_of(self, name: str, heel: int = 0) -> float:
        """Of a point's height above the slew centre."""
        if name == "tip":
            return self.height
        return math.sqrt(self._pose.variance_along(self._row(name, heel)))

    def _elevation(self, name: str, heel: int) -> float:
        site, tie = self._site, self._site.tie
        row = self._row(name, heel)
        variance = self._pose.variance_along(row)
        if tie is None:
            return math.sqrt(variance)
        found = self._alike_m2 + tie.angles_m2(self._pose, row, variance)
        if name == "heel":
            # A longer tip moves no heel.
            lengths = self._located.geometry_jacobian
            found += tie.geometry_m((*lengths[:-1], 0.0), site.machine) ** 2
            found -= tie.geometry_m(lengths, site.machine) ** 2
        return math.sqrt(max(found, 0.0))

    def _row(self, name: str, heel: int) -> Sequence[float]:
        """∂(height of the point)/∂q, m/rad."""
        located = self._located
        if name == "heel":
            x, z = self._site.machine.bucket[0].outline_m[heel]
            return self._site.chain.point(self._pose.angles, (x, 0.0, z))[1]
        beside = {"left": add, "right": sub}.get(name)
        if beside is None:
            return located.height_jacobian
        return list(map(beside, located.height_jacobian, located.edge_jacobian))
