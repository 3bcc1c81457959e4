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
from tipdatum.grade.recent import Crossing
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import BeamFix, Plane
from tipdatum.grade.units import parse_grade, signed_mm

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
            more = f"; {fast} were faster than {SLOW_MPS:g} m/s and left out" if fast else ""
            return refused(
                self.request,
                f"{f'Only {len(slow)}' if slow else 'None'} of {self.count} crossings of the laser's plane "
                f"came within {t - self.request.t:.0f} s{more}. Raise and "
                "lower the receiver slowly through the beam and try again.",
            )
        used = slow[-self.count :]
        instruments = [self._plane_at(c) - c.height_m for c in used]
        spread = max(instruments) - min(instruments)
        allowed = site.options.laser_spread_m
        if spread > allowed:
            # They would be the first ones in the next attempt.
            crossings.clear()
            each = ", ".join(f"{signed_mm(i - statistics.fmean(instruments))}" for i in instruments)
            return refused(
                self.request,
                f"The crossings disagree by {spread * 1000:.0f} mm (allowed {allowed * 1000:.0f} mm; "
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

    def _plane_at(self, crossing: Crossing) -> float:
        line = self.site.state.line
        if self.plane.grade == 0.0 or line is None:
            return self.plane.elevation_m
        station, _ = line.place(crossing.reach_m, crossing.lateral_m, crossing.slew_rad)
        return self.plane.elevation_m + self.plane.grade * station


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
    return done(request, f"Laser plane at {body.elevation_m:.3f} m{_graded(plane.grade)}.")


def clear_plane(site: Site, body: Nothing, request: Request) -> Outcome:
    """Forget the plane."""
    site.change(plane=None)
    return done(request, "Laser plane forgotten.")


def set_by_laser(site: Site, body: UseLaser, request: Request) -> Outcome | None:
    """Average several crossings and hang the height system on the machine."""
    plane = _plane(site, body)

    def carry_on(found: Found) -> Outcome:
        made = set_up_on_plane(
            site, request, found.instrument_m, plane.elevation_m, found.height_m, found.sigma_m, found.count
        )
        return done(
            request,
            f"Reference set by laser at {plane.elevation_m:.3f} m from {found.count} crossings, spread "
            f"{found.spread_m * 1000:.0f} mm.{made.text}",
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
        raise CommandRefused("There is no reference to check: use laser/set, or datum/set on a mark.")

    def carry_on(found: Found) -> Outcome:
        off = site.instrument_m() - found.instrument_m
        remark = f"off by {signed_mm(off)} mm, {found.count} crossings"
        time = site.ledger.time(request.t)
        seen = Sight(-found.height_m, found.sigma_m, remark, request.t, time)
        book = site.state.book.with_foresight("laser plane", "check", site.instrument_m(), seen)
        site.write(book)
        return done(
            request,
            f"The carried elevation is {signed_mm(off)} mm from the laser's, mean of {found.count} "
            f"crossings with a spread of {found.spread_m * 1000:.0f} mm. Nothing was changed.",
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
        raise CommandRefused(
            'This machine has no laser receiver: its description needs a sensor of type "beam" with its '
            "position."
        )


def when_crossed(site: Site, request: Request, plane: Plane, count: int, then: Then) -> Outcome | None:
    """Carry on as soon as so many slow crossings have come that agree."""
    site.supersede(request.name)
    gathering = Gathering(site, request, plane, count, then)
    answer = gathering.answer(request.t)
    if answer is None:
        site.waiting.append(gathering)
        text = (
            f"{request.name} waits for {count} slow crossings of the laser's plane, at most "
            f"{site.options.laser_wait_s:g} s."
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
            text = f"The receiver stayed on the beam for {receiver.rested_s:.1f} s, too long for a crossing."
            site.ledger.tell(t, "laser-crossing", text, receiver.name)
            receiver.rested_s = None
    site.crossings = [c for c in site.crossings if t - c.t <= KEEP_S]


def _tell_crossing(site: Site, crossing: Crossing, sensor: str) -> None:
    if abs(crossing.speed_mps) > SLOW_MPS:
        text = f"The receiver crossed the beam at {abs(crossing.speed_mps):.2f} m/s, too fast to count."
        site.ledger.tell(crossing.t, "laser-crossing", text, sensor)
        return
    fix = BeamFix(
        height_m=crossing.height_m,
        reach_m=crossing.reach_m,
        sigma_m=crossing.sigma_m,
        time=site.ledger.time(crossing.t),
    )
    site.ledger.tell(crossing.t, "laser-crossing", "The receiver crossed the laser's plane.", sensor)
    site.change(beam_fix=fix)


def _plane(site: Site, body: UseLaser) -> Plane:
    need_receiver(site)
    if body.elevation_m is not None:
        return Plane(elevation_m=body.elevation_m)
    plane = site.state.plane
    if plane is None:
        raise CommandRefused("Say where the plane is: give elevation_m, or describe it with laser/plane.")
    line = site.state.line
    if plane.grade != 0.0 and (line is None or line.lost or site.state.travelled):
        raise CommandRefused(
            "Station unknown: a graded plane has no one elevation. Touch a mark of known station, or level "
            "the laser."
        )
    return plane


def _graded(grade: float) -> str:
    if grade == 0.0:
        return ", level"
    return f", {'rising' if grade > 0 else 'falling'} {abs(grade) * 100:.2f} % away from the machine"


COMMANDS = {
    "laser/plane": Spec(SetPlane, set_plane, "Describe the rotating laser's plane, level or graded."),
    "laser/set": Spec(UseLaser, set_by_laser, "Set the reference from crossings of the laser's plane."),
    "laser/check": Spec(UseLaser, check_by_laser, "Compare the reference with the laser; changes nothing."),
    "laser/clear": Spec(Nothing, clear_plane, "Forget the laser's plane."),
}
