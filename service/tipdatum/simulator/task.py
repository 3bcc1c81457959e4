"""What a scenario asks to be dug, and how well it was: time, share within tolerance, over-dug volume.

Points, 0 to 100, are our own: of what is done (share of the volume that had to go) 70 for the share of the
area within tolerance, 20 for nothing dug too deep (none left at a tenth of the planned volume), 10 for the
time (all of them up to the time that a practised operator needs). Practice on a screen is no certificate of
training.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tipdatum.simulator.multibody import Array
from tipdatum.simulator.scenario import TaskTable
from tipdatum.simulator.soil import CELL_M, Soil

TOO_DEEP_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Figures:
    """How the area stands. Shares 0 to 1, volumes m³, depth m."""

    within: float
    done: float
    over_m3: float
    left_m3: float
    deepest_m: float
    """Deepest over-dug place below the plane; 0: none."""

    def points(self, seconds: float, planned_m3: float, par_s: float) -> int:
        """The score after `seconds`."""
        depth = max(0.0, 1.0 - self.over_m3 / (TOO_DEEP_SHARE * planned_m3))
        pace = min(1.0, par_s / max(seconds, 1.0))
        return round(self.done * (70.0 * self.within + 20.0 * depth + 10.0 * pace))


class Task:
    """One area of one ground that is to be dug to a plane; see `[task]`."""

    def __init__(self, told: TaskTable, soil: Soil) -> None:
        self.told, self._soil = told, soil
        n = len(soil.heights)
        middle: Array = np.asarray((np.arange(n) + 0.5) * CELL_M - soil.half, dtype=np.float64)
        x = np.flatnonzero((middle > told.from_m) & (middle < told.to_m))
        y = np.flatnonzero(np.abs(middle) < told.width_m / 2.0)
        self._x, self._y = slice(int(x[0]), int(x[-1]) + 1), slice(int(y[0]), int(y[-1]) + 1)
        self.near_m = soil.natural_height(told.from_m, 0.0) - told.depth_m
        """Height of the plane at the near end, in its middle."""
        self._plane = self.height(middle[self._x][:, None], middle[self._y][None, :])
        self.planned_m3 = self._volume(soil.natural[self._x, self._y] - self._plane)

    def height(self, x: Array | float, y: Array | float) -> Array:
        """Height of the plane at a place, m."""
        return np.asarray(
            self.near_m
            + self.told.grade * (np.asarray(x) - self.told.from_m)
            + self.told.cross * np.asarray(y)
        )

    def figures(self) -> Figures:
        """How the area stands at the moment."""
        above = self._soil.heights[self._x, self._y] - self._plane
        tolerance = self.told.tolerance_m
        left = self._volume(above)
        return Figures(
            within=float(np.mean(np.abs(above) <= tolerance)),
            done=float(np.clip(1.0 - left / self.planned_m3, 0.0, 1.0)),
            over_m3=self._volume(-above - tolerance),
            left_m3=left,
            deepest_m=max(0.0, -float(above.min())),
        )

    @staticmethod
    def _volume(heights: Array) -> float:
        return float(np.clip(heights, 0.0, None).sum()) * CELL_M**2
