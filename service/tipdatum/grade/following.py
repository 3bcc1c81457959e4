"""Which moments become as-dug points while the bucket follows the target.

A tip that comes near the target is not yet where the ground was left: what was dug is where it was lowest.
So the way along the target is taken in stretches of one step, and of each the moment in which the tip was
lowest against the target is recorded. A tip that only dips through the band and comes up again, without going
along for half a step, follows nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from tipdatum.grade.points import AutoRecord
from tipdatum.grade.report import TipReport

LEAST_SHARE = 0.5
"""Share of a step that the tip has to go along the target for a point."""


@dataclass(slots=True)
class _Stretch:
    """The stretch being gone through: where it began, how far it has come, its lowest moment."""

    start_m: float
    gone_m: float
    lowest: TipReport
    deviation_m: float


class Following:
    """Fed with every tick's report; gives the moments to record."""

    def __init__(self) -> None:
        self._stretch: _Stretch | None = None

    def forget(self) -> None:
        """The stretch so far is worth nothing: the reference came into doubt, the recording was stopped."""
        self._stretch = None

    def moment(self, report: TipReport, auto: AutoRecord) -> TipReport | None:
        """The lowest moment of a stretch that has just been completed or left, if it is worth a point."""
        against = report.against
        if against is None or report.reach_m is None or report.elevation_m is None:
            self.forget()
            return None
        if abs(against.deviation_m) > auto.within_m:
            return self._end(auto)
        along = against.station_m if against.station_m is not None else report.reach_m
        deviation, stretch = against.deviation_m, self._stretch
        if stretch is not None and abs(along - stretch.start_m) >= auto.step_m:
            stretch.gone_m = auto.step_m
            done = self._end(auto)
            self._stretch = _Stretch(along, 0.0, report, deviation)
            return done
        if stretch is None:
            self._stretch = _Stretch(along, 0.0, report, deviation)
            return None
        stretch.gone_m = max(stretch.gone_m, abs(along - stretch.start_m))
        if deviation < stretch.deviation_m:
            stretch.lowest, stretch.deviation_m = report, deviation
        return None

    def _end(self, auto: AutoRecord) -> TipReport | None:
        stretch, self._stretch = self._stretch, None
        if stretch is None or stretch.gone_m < LEAST_SHARE * auto.step_m:
            return None
        return stretch.lowest
