"""Gathering laser crossings until there are enough that agree."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from tipdatum.grade.laser import Crossing, Plane
from tipdatum.grade.outcome import Order, Outcome, refused
from tipdatum.grade.station import Line
from tipdatum.grade.units import signed_mm

KEEP_S = 150.0
"""How long a crossing made before the command still counts, s."""

SLOW_MPS = 0.25
"""Faster crossings are left out: at 0.25 m/s a timing error of 10 ms is already 2.5 mm."""

PLANE_SIGMA_M = 0.002
"""1-sigma of one crossing beyond the arm's own error: beam width and the receiver's timing, 2 mm."""


@dataclass(frozen=True, slots=True)
class Found:
    """What agreeing crossings gave: height of instrument, mean receiver height, spread and sigma, m."""

    instrument_m: float
    height_m: float
    spread_m: float
    sigma_m: float
    count: int


Then: TypeAlias = Callable[[Found], Outcome]


@dataclass(frozen=True, slots=True)
class Gathering:
    """A command that waits for crossings."""

    order: Order
    plane: Plane
    count: int
    until: float
    spread_m: float
    then: Then

    def answer(self, crossings: list[Crossing], line: Line | None, now: float) -> Outcome | None:
        """The outcome, or None while more are to come."""
        slow = [c for c in crossings if abs(c.speed_mps) <= SLOW_MPS]
        if len(slow) < self.count:
            if now < self.until:
                return None
            fast = len(crossings) - len(slow)
            more = f"; {fast} were faster than {SLOW_MPS:g} m/s and left out" if fast else ""
            return refused(
                self.order,
                f"{f'Only {len(slow)}' if slow else 'None'} of {self.count} crossings of the laser's plane "
                f"came within {now - self.order.t:.0f} s{more}. Raise and "
                "lower the receiver slowly through the beam and try again.",
            )
        used = slow[-self.count :]
        instruments = [self._plane_at(c, line) - c.height_m for c in used]
        spread = max(instruments) - min(instruments)
        if spread > self.spread_m:
            each = ", ".join(f"{signed_mm(i - statistics.fmean(instruments))}" for i in instruments)
            return refused(
                self.order,
                f"The crossings disagree by {spread * 1000:.0f} mm (allowed {self.spread_m * 1000:.0f} mm; "
                f"each against their mean: {each} mm). They are left out from now on: cross again, "
                "more slowly, and check that the laser is level.",
                spread_m=spread,
            )
        return self.then(
            Found(
                instrument_m=statistics.fmean(instruments),
                height_m=statistics.fmean(c.height_m for c in used),
                spread_m=spread,
                # The arm's error is alike in all of them; only the beam's own part averages out.
                sigma_m=math.hypot(
                    statistics.fmean(c.sigma_m for c in used), PLANE_SIGMA_M / math.sqrt(self.count)
                ),
                count=self.count,
            )
        )

    def _plane_at(self, crossing: Crossing, line: Line | None) -> float:
        if self.plane.grade == 0.0 or line is None:
            return self.plane.elevation_m
        station, _ = line.place(crossing.reach_m, crossing.lateral_m, crossing.slew_rad)
        return self.plane.elevation_m + self.plane.grade * station
