"""What a scenario asks for, and how well it was done: ground dug to a plane, or a truck loaded.

Points, 0 to 100, are our own. Digging, of what is done (share of the volume that had to go): 70 for the share
of the area within tolerance, 20 for nothing dug too deep (none left at a tenth of the planned volume), 10 for
the time (all of them up to the time that a practised operator needs). Loading, of the volume that was asked
for: 70 for what is in the truck, 20 for nothing beside it (none left at a tenth of that volume), 10 for the
time. Practice on a screen is no certificate of training.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tipdatum.simulator.multibody import Array
from tipdatum.simulator.scenario import LoadTable, ScenarioFile, TaskTable
from tipdatum.simulator.simulation import Simulation
from tipdatum.simulator.soil import CELL_M, Soil

TOO_DEEP_SHARE = 0.1
BESIDE_M = 1.2
"""How far around a truck soil counts as spilled beside it."""


def points(done: float, well: float, wasted_m3: float, planned_m3: float, pace: float) -> int:
    """The score: `done`, `well` and `pace` from 0 to 1, `wasted_m3` too deep or spilled."""
    clean = max(0.0, 1.0 - wasted_m3 / (TOO_DEEP_SHARE * planned_m3))
    return round(done * (70.0 * well + 20.0 * clean + 10.0 * min(1.0, pace)))


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
        return points(self.done, self.within, self.over_m3, planned_m3, par_s / max(seconds, 1.0))


class Task:
    """One area of one ground that is to be dug to a plane; see `[task]`."""

    def __init__(self, told: TaskTable, soil: Soil) -> None:
        self.told, self._soil = told, soil
        n = len(soil.heights)
        middle: Array = np.asarray((np.arange(n) + 0.5) * CELL_M - soil.half, dtype=np.float64)
        x = np.flatnonzero((middle > told.from_m) & (middle < told.to_m))
        y = np.flatnonzero(np.abs(middle - told.left_m) < told.width_m / 2.0)
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

    def score(self, seconds: float) -> dict[str, Any]:
        """How it stands after `seconds`, for a page: shares 0 to 1, m³, m."""
        f = self.figures()
        return {
            "kind": "dig",
            "within": round(f.within, 3),
            "done": round(f.done, 3),
            "over_m3": round(f.over_m3, 3),
            "deepest_m": round(f.deepest_m, 3),
            "points": f.points(seconds, self.planned_m3, self.told.par_s),
        }

    def words(self, seconds: float) -> str:
        """The same in words."""
        f = self.figures()
        return (
            f"{f.points(seconds, self.planned_m3, self.told.par_s)} of 100 points: {100 * f.done:.0f} % of "
            f"{self.planned_m3:.2f} m³ dug, {100 * f.within:.0f} % of the area within "
            f"±{1000 * self.told.tolerance_m:.0f} mm, {f.over_m3:.2f} m³ too deep (at most "
            f"{1000 * f.deepest_m:.0f} mm), {seconds:.0f} s (practised: {self.told.par_s:.0f} s)"
        )

    @staticmethod
    def _volume(heights: Array) -> float:
        return float(np.clip(heights, 0.0, None).sum()) * CELL_M**2


class Loading:
    """A truck that is to be loaded; see `[load]`."""

    def __init__(self, told: LoadTable, simulation: Simulation) -> None:
        self.told, self._sim = told, simulation
        self.planned_m3 = told.volume_m3

    def spilled_m3(self) -> float:
        """What lies beside the truck, or in its way."""
        truck, soil = self._sim.setting.truck, self._sim.soil
        if truck is None:
            return 0.0
        n = len(soil.heights)
        sides = []
        for middle, half in ((truck.x, truck.half_x), (truck.y, truck.half_y)):
            low, high = (round((middle + way * (half + BESIDE_M) + soil.half) / CELL_M) for way in (-1, 1))
            sides.append(slice(max(0, low), max(0, min(n, high))))
        rows, columns = sides
        return float(soil.loose[rows, columns].sum()) * CELL_M**2

    def score(self, seconds: float) -> dict[str, Any]:
        """How it stands after `seconds`, for a page."""
        done = min(1.0, self._sim.truck_m3 / self.planned_m3)
        spilled = self.spilled_m3()
        return {
            "kind": "load",
            "done": round(done, 3),
            "over_m3": round(spilled, 3),
            "points": points(done, 1.0, spilled, self.planned_m3, self.told.par_s / max(seconds, 1.0)),
        }

    def words(self, seconds: float) -> str:
        """The same in words."""
        s = self.score(seconds)
        return (
            f"{s['points']} of 100 points: {self._sim.truck_m3:.1f} of {self.planned_m3:.1f} m³ loaded, "
            f"{s['over_m3']:.2f} m³ beside the truck, {seconds:.0f} s (practised: {self.told.par_s:.0f} s)"
        )


def task_of(file: ScenarioFile, simulation: Simulation) -> Task | Loading | None:
    """What the scenario asks for, on that simulation."""
    if file.task is not None:
        return Task(file.task, simulation.soil)
    return None if file.load is None else Loading(file.load, simulation)
