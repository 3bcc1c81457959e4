"""A rotating laser: describe its plane, then cross it with the receiver to set or to check the reference.

The plane's elevation where the receiver met it, less the receiver's height then, is the height of instrument,
as with a mark.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, TypeAlias

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.datum import set_up_on_plane
from tipdatum.grade.forms import CommandBody, Elevation, Nothing, Outcome, Request, done, refused
from tipdatum.grade.levels import Sight
from tipdatum.grade.receiver import Crossing
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import BeamFix, Plane
from tipdatum.grade.units import parse_grade, signed_mm
from tipdatum.sentences import sentence

KEEP_S = 150.0
"""How long a crossing made before the command still counts, s."""

SLOW_MPS = 0.25
"""Faster crossings are left out: at 0.25 m/s a timing error of 10 ms is already 2.5 mm."""

PLANE_SIGMA_M = 0.002
"""1-sigma of one crossing beyond the arm's own error: beam width and the receiver's timing, 2 mm."""


@dataclass(frozen=True, slots=True)
class CrossingMean:
    """What agreeing crossings gave: height of instrument, mean receiver height, spread and sigma, m."""

    instrument_m: float
    height_m: float
    spread_m: float
    sigma_m: float
    count: int


Then: TypeAlias = Callable[[CrossingMean], Outcome]


@dataclass(frozen=True, slots=True)
class Gathering:
    """A command that waits for crossings."""

    site: Site
    request: Request
    plane: Plane
    count: int
    then: Then

    def answer(self, t: float) -> Outcome | None:
        """The outcome, or None while more are to come."""
        site, crossings = self.site, self.site.crossings
        slow = [c for c in crossings if abs(c.speed_mps) <= SLOW_MPS]
        if len(slow) < self.count:
            if t < self.request.t + site.options.laser_wait_s:
                return None
            fast = len(crossings) - len(slow)
            had, waited = len(slow), round(t - self.request.t)
            more = sentence("crossings-fast", count=fast, slow_mps=SLOW_MPS) if fast else ""
            if slow:
                text = sentence(
                    "crossings-too-few", had=had, count=self.count, waited_whole_s=waited, fast=more
                )
            else:
                text = sentence("crossings-none", count=self.count, waited_whole_s=waited, fast=more)
            return refused(self.request, text)
        used = slow[-self.count :]
        instruments = [self._plane_at(c) - c.height_m for c in used]
        spread = max(instruments) - min(instruments)
        allowed = site.options.laser_spread_m
        if spread > allowed:
            # They would be the first ones in the next attempt.
            crossings.clear()
            each = ", ".join(f"{signed_mm(i - statistics.fmean(instruments))} mm" for i in instruments)
            return refused(
                self.request,
                sentence("crossings-disagree", spread_fine_m=spread, allowed_fine_m=allowed, each=each),
                spread_m=spread,
            )
        return self.then(
            CrossingMean(
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

    def _plane_at(self, crossing: Crossing) -> float:
        line = self.site.state.line
        if self.plane.grade == 0.0 or line is None:
            return self.plane.elevation_m
        station, offset = line.place(crossing.reach_m, crossing.lateral_m, crossing.slew_rad)
        # The plane's grade is the one away from the machine, whichever way the target's line runs.
        return self.plane.elevation_m + self.plane.grade * (-offset if line.across else station)


Count = Annotated[int, Field(ge=1, le=20)]


class SetPlane(CommandBody):
    """The laser's plane."""

    elevation_m: Elevation = Field(description="elevation of the plane, at station 0 where it is graded")
    grade: str = Field(
        default="0%", max_length=40, description='its grade along the line, such as "falling 1%"'
    )
    note: str = Field(default="", max_length=120, description="where the laser stands, for the level book")

    @model_validator(mode="after")
    def _grade_is_one(self) -> SetPlane:
        parse_grade(self.grade)
        return self


class UseLaser(CommandBody):
    """Cross the plane slowly with the receiver, up and down in turn."""

    elevation_m: Elevation | None = Field(
        default=None, description="elevation of a level plane; left out: the plane described before"
    )
    crossings: Count = Field(default=3, description="how many are averaged")


def set_plane(site: Site, body: SetPlane, request: Request) -> Outcome:
    """Note the laser's plane."""
    need_receiver(site)
    plane = Plane(elevation_m=body.elevation_m, grade=parse_grade(body.grade), note=body.note)
    site.change(plane=plane)
    if plane.grade == 0.0:
        return done(request, sentence("plane-level", elevation_m=body.elevation_m))
    return done(request, sentence("plane-graded", elevation_m=body.elevation_m, way=away(plane.grade)))


def clear_plane(site: Site, body: Nothing, request: Request) -> Outcome:
    """Forget the plane."""
    site.change(plane=None)
    return done(request, sentence("plane-forgotten"))


def set_by_laser(site: Site, body: UseLaser, request: Request) -> Outcome | None:
    """Average several crossings and hang the height system on the machine."""
    plane = _plane(site, body)

    def carry_on(found: CrossingMean) -> Outcome:
        made = set_up_on_plane(
            site, request, found.instrument_m, plane.elevation_m, found.height_m, found.sigma_m, found.count
        )
        return done(
            request,
            sentence(
                "set-by-laser",
                elevation_m=plane.elevation_m,
                count=found.count,
                spread_fine_m=found.spread_m,
            )
            + made.text,
            elevation_m=plane.elevation_m,
            crossings=found.count,
            spread_m=found.spread_m,
            moved_m=made.moved_m,
        )

    return when_crossed(site, request, plane, body.crossings, carry_on)


def check_by_laser(site: Site, body: UseLaser, request: Request) -> Outcome | None:
    """Average several crossings and say how far they are from the reference; changes nothing."""
    plane = _plane(site, body)
    if site.tie is None:
        raise CommandRefused(sentence("nothing-to-check-by-laser"))

    def carry_on(found: CrossingMean) -> Outcome:
        off = site.instrument_m() - found.instrument_m
        remark = sentence("remark-off-crossings", off_signed_m=off, count=found.count)
        time = site.ledger.time(request.t)
        seen = Sight(-found.height_m, found.sigma_m, remark, request.t, time)
        book = site.state.book.with_foresight("laser plane", "check", site.instrument_m(), seen)
        site.write(book)
        return done(
            request,
            sentence("checked-by-laser", off_signed_m=off, count=found.count, spread_fine_m=found.spread_m),
            off_m=off,
            crossings=found.count,
            spread_m=found.spread_m,
        )

    return when_crossed(site, request, plane, body.crossings, carry_on)


def need_receiver(site: Site) -> None:
    """Refuse to go on without a laser receiver.

    Raises:
        CommandRefused: the description names none.
    """
    if not site.receivers:
        raise CommandRefused(sentence("no-receiver"))


def when_crossed(site: Site, request: Request, plane: Plane, count: int, then: Then) -> Outcome | None:
    """Carry on as soon as so many slow crossings have come that agree."""
    site.waiting.supersede(request.name)
    gathering = Gathering(site, request, plane, count, then)
    answer = gathering.answer(request.t)
    if answer is None:
        site.waiting.add(gathering)
        text = sentence(
            "waits-for-crossings", command=request.name, count=count, most_whole_s=site.options.laser_wait_s
        )
        site.ledger.tell(request.t, "waiting", text)
    return answer


def take_crossings(site: Site, t: float) -> None:
    """Note what the receivers have met since the last tick, and forget what is too long ago."""
    if not site.receivers:
        return
    for receiver in site.receivers.values():
        for crossing in receiver.crossings(t):
            site.crossings.append(crossing)
            _tell_crossing(site, crossing, receiver.name)
        if receiver.rested_s is not None:
            text = sentence("rested-on-beam", lasted_s=receiver.rested_s)
            site.ledger.tell(t, "laser-crossing", text, receiver.name)
            receiver.rested_s = None
    site.crossings = [c for c in site.crossings if t - c.t <= KEEP_S]


def _tell_crossing(site: Site, crossing: Crossing, sensor: str) -> None:
    if abs(crossing.speed_mps) > SLOW_MPS:
        text = sentence("crossed-too-fast", speed_mps=abs(crossing.speed_mps))
        site.ledger.tell(crossing.t, "laser-crossing", text, sensor)
        return
    fix = BeamFix(
        height_m=crossing.height_m,
        reach_m=crossing.reach_m,
        sigma_m=crossing.sigma_m,
        time=site.ledger.time(crossing.t),
    )
    site.ledger.tell(crossing.t, "laser-crossing", sentence("crossed"), sensor)
    site.change(beam_fix=fix)


def _plane(site: Site, body: UseLaser) -> Plane:
    need_receiver(site)
    if body.elevation_m is not None:
        return Plane(elevation_m=body.elevation_m)
    plane = site.state.plane
    if plane is None:
        raise CommandRefused(sentence("where-is-the-plane"))
    line = site.state.line
    if plane.grade != 0.0 and (line is None or line.lost or site.state.travelled):
        raise CommandRefused(sentence("plane-needs-station"))
    return plane


def away(grade: float) -> str:
    """A grade in words."""
    if grade == 0.0:
        return sentence("way-level")
    return sentence("way-rising" if grade > 0.0 else "way-falling", rise_grade=grade)


COMMANDS = {
    "laser/plane": Spec(SetPlane, set_plane, "Describe the rotating laser's plane, level or graded."),
    "laser/set": Spec(UseLaser, set_by_laser, "Set the reference from crossings of the laser's plane."),
    "laser/check": Spec(UseLaser, check_by_laser, "Compare the reference with the laser; changes nothing."),
    "laser/clear": Spec(Nothing, clear_plane, "Forget the laser's plane."),
}
