"""What a page draws of the simulated machine: machine, ground and task, as plain numbers.

World axes, heights above the ground on which the slew centre stood at the start. Lengths m, angles degrees.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tipdatum.simulator.multibody import Array
from tipdatum.simulator.patterns import MORE
from tipdatum.simulator.scenario import FAULTS, Scenario
from tipdatum.simulator.simulation import Simulation
from tipdatum.simulator.soil import CELL_M
from tipdatum.simulator.task import Loading, Task

PROFILE_STEP_M = 0.1
ACROSS = 41
"""Places at which the ground under an edge that tilts is told."""
COARSE = 4
"""Columns of the ground along each side of one square of the view from above."""
SQUARES_AT_ONCE = 600


class PracticePicture:
    """One machine at work, for a page.

    Args:
        scenario: what it was set up from. simulation: it. task: what it shall dig, None without one.
    """

    def __init__(self, scenario: Scenario, simulation: Simulation, task: Task | Loading | None) -> None:
        self._scenario, self._sim, self._asked = scenario, simulation, task
        self._task = task if isinstance(task, Task) else None
        self._dirty: set[int] = set()

    def scene(self) -> dict[str, Any]:
        """What stays as it is: machine, ground, task. Lengths m."""
        sim, machine, file = self._sim, self._scenario.machine, self._scenario.file
        tracks, bucket = sim.plant.tracks, machine.bucket[0]
        truck = sim.setting.truck
        return {
            "name": file.name,
            "about": file.about,
            "machine": machine.name,
            "arm": [{"name": s.name, "length_m": s.length} for s in sim.plant.arm],
            "foot_m": list(machine.boom.foot_m),
            "swing_pivot_m": None if machine.boom_swing is None else list(machine.boom_swing.pivot_m),
            "tracks": {"length_m": tracks.length, "gauge_m": tracks.gauge},
            "bucket": {"tip_m": bucket.tip_m, "width_m": bucket.width_m},
            "size": sim.plant.size,
            "more": [s.name for s in sim.plant.sections if s.name in MORE and not s.held],
            "sensors": [
                {"name": n, "body": s.body} for n, s in machine.sensor.items() if s.type in ("imu", "tilt")
            ],
            "faults": list(FAULTS),
            "ground": {
                "half_m": sim.soil.half, "square_m": COARSE * CELL_M, "slope": list(sim.setting.slope),
            },
            "task": self._told(),
            "truck": None if truck is None else {
                "x": truck.x, "y": truck.y, "half_x": truck.half_x, "half_y": truck.half_y, "rim_m":
                truck.rim, "capacity_m3": truck.capacity_m3,
            },
        }  # fmt: skip

    def _told(self) -> dict[str, Any] | None:
        """What is asked for; of ground to be dug with its height at the near end."""
        if self._asked is None:
            return None
        near = {} if self._task is None else {"near_m": self._task.near_m - self._sim.ground_start}
        return {**self._asked.told.model_dump(), **near, "planned_m3": round(self._asked.planned_m3, 2)}

    def view(self) -> dict[str, Any]:
        """The moment: where everything is, and the ground under the arm. m, degrees."""
        sim, chain, zero = self._sim, self._sim.chain, self._sim.ground_start
        centre, flat, points = sim.slew_centre, np.array(sim.ahead()), sim.pins()
        pins = [[round(float((p - centre)[:2] @ flat), 4), round(float(p[2]) - zero, 4)] for p in points]
        tip = points[-1]
        drives = sim.hydraulics.drives
        index, aside = chain.index, [s.name for s in sim.plant.aside]
        angle = {
            name: round(math.degrees(float(sim.positions[index[name]])), 3)
            for name in ("heading", "pitch", "roll", "slew", *aside)
        }
        return {
            "t": round(sim.t, 3),
            "place": [round(float(a), 3) for a in (centre[0], centre[1], centre[2] - zero)],
            "angle": angle,
            "pins": pins,
            "bucket_pin": self._bucket_pin(pins[-2]),
            "tip": [round(float(tip[0]), 4), round(float(tip[1]), 4), round(float(tip[2]) - zero, 4)],
            "plan": [[round(float(a), 3) for a in p[:2]] for p in points],
            "edge": [[round(float(a), 3) for a in (c[0], c[1], c[2] - zero)] for c in sim.corners()],
            "across": self._across(zero) if "tilt" in aside else None,
            "speed": round(sim.tip_speed(), 3),
            "load": round(sim.load_m3 / sim.plant.bucket_capacity_m3, 3),
            "truck_m3": round(sim.truck_m3, 2),
            "levers": {name: round(drive.lever, 2) for name, drive in drives.items()},
            "flow": round(sim.hydraulics.demand, 2),
            "relief": sorted(sim.relief),
            "ends": [name for name, drive in drives.items() if drive.at_end],
            "ground": self._profile(centre, flat, zero),
            "under": round(sim.soil.height(float(tip[0]), float(tip[1])) - zero, 3),
            "squares": self._squares(),
        }

    def _bucket_pin(self, wrist: list[float]) -> list[float]:
        """Reach and height of the bucket's own pin: the stick's, or where a coupler holds it."""
        out, up = self._scenario.machine.bucket[0].pin_m or (0.0, 0.0)
        angle = self._sim.elevation_angles()[-1]
        c, s = math.cos(angle), math.sin(angle)
        return [round(wrist[0] + out * c - up * s, 4), round(wrist[1] + out * s + up * c, 4)]

    def _profile(self, centre: Array, flat: Array, zero: float) -> dict[str, Any]:
        """Ground along the boom's plane, from behind the tracks outwards, and the task's plane."""
        soil = self._sim.soil
        far = sum(s.length for s in self._sim.plant.arm) + 1.5
        reach = np.arange(-0.45 * far, far, PROFILE_STEP_M)
        x, y = centre[0] + reach * flat[0], centre[1] + reach * flat[1]
        heights = np.round(soil.profile(x, y) - zero, 3)
        found = {
            "from": round(float(reach[0]), 3),
            "step": PROFILE_STEP_M,
            "z": heights.tolist(),
            "plane": [],
        }
        if self._task is not None:
            told = self._task.told
            inside = (
                (x > told.from_m) & (x < told.to_m) & (np.abs(y - told.left_m) < told.width_m / 2.0 + 0.05)
            )
            which = np.flatnonzero(inside)
            if len(which):
                ends = which[[0, -1]]
                levels = self._task.height(x[ends], y[ends]) - zero
                found["plane"] = [
                    [round(float(reach[i]), 3), round(float(z), 4)] for i, z in zip(ends, levels, strict=True)
                ]
        return found

    def _across(self, zero: float) -> dict[str, Any]:
        """Ground and the task's plane under the edge, from right to left."""
        left, right = self._sim.corners()
        x0, y0, _ = self._sim.tip().tolist()
        way = (left - right)[:2] / max(1e-6, math.dist(left[:2], right[:2]))
        half = 0.9 * self._scenario.machine.bucket[0].width_m
        along = np.linspace(-half, half, ACROSS)
        x, y = x0 + along * way[0], y0 + along * way[1]
        ground = np.round(self._sim.soil.profile(x, y) - zero, 3)
        found = {"half_m": round(half, 3), "ground": ground.tolist(), "plane": []}
        if self._task is not None:
            found["plane"] = np.round(self._task.height(x[[0, -1]], y[[0, -1]]) - zero, 4).tolist()
        return found

    def _squares(self) -> list[list[int]]:
        """Squares of the view from above that changed: number, mean rise over natural ground in mm."""
        soil = self._sim.soil
        n = len(soil.heights)
        rows, columns = np.divmod(soil.take_changes(), n)
        across = n // COARSE
        self._dirty.update((rows // COARSE * across + columns // COARSE).tolist())
        found = []
        for number in list(self._dirty)[:SQUARES_AT_ONCE]:
            i, j = number // across * COARSE, number % across * COARSE
            part = (slice(i, i + COARSE), slice(j, j + COARSE))
            found.append([number, round(1000.0 * float((soil.heights[part] - soil.natural[part]).mean()))])
            self._dirty.discard(number)
        return found

    def repaint(self) -> None:
        """A page has come anew: tell it every square that is no longer natural ground."""
        soil = self._sim.soil
        soil.changed |= np.abs(soil.heights - soil.natural) > 1e-4
