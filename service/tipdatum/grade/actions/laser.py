"""A rotating laser: describe its plane, then cross it with the receiver to set or to check the reference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.book import read_mark
from tipdatum.grade.laser import Plane
from tipdatum.grade.outcome import Body, Elevation, Nothing, Order, Outcome, Spec, done
from tipdatum.grade.setup import set_up_on_plane
from tipdatum.grade.units import parse_grade, signed_mm

if TYPE_CHECKING:
    from tipdatum.grade.crossings import Found
    from tipdatum.grade.work import Work

Count = Annotated[int, Field(ge=1, le=20)]


class SetPlane(Body):
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


class UseLaser(Body):
    """Cross the plane slowly with the receiver, up and down in turn."""

    elevation_m: Elevation | None = Field(
        default=None, description="elevation of a level plane; left out: the plane described before"
    )
    crossings: Count = Field(default=3, description="how many are averaged")


def set_plane(work: Work, body: SetPlane, order: Order) -> Outcome:
    """Note the laser's plane."""
    work.need_receiver()
    work.state.plane = Plane(elevation_m=body.elevation_m, grade=parse_grade(body.grade), note=body.note)
    work.changed()
    return done(order, f"Laser plane at {body.elevation_m:.3f} m{_graded(work.state.plane.grade)}.")


def clear_plane(work: Work, body: Nothing, order: Order) -> Outcome:
    """Forget the plane."""
    work.state.plane = None
    work.changed()
    return done(order, "Laser plane forgotten.")


def set_by_laser(work: Work, body: UseLaser, order: Order) -> Outcome | None:
    """Average several crossings and hang the height system on the machine."""
    plane = _plane(work, body)

    def carry_on(found: Found) -> Outcome:
        change = set_up_on_plane(
            work, order, found.instrument_m, plane.elevation_m, found.height_m, found.sigma_m, found.count
        )
        return done(
            order,
            f"Reference set by laser at {plane.elevation_m:.3f} m from {found.count} crossings, spread "
            f"{found.spread_m * 1000:.0f} mm.{change.text}",
            elevation_m=plane.elevation_m,
            crossings=found.count,
            spread_m=found.spread_m,
            moved_m=change.moved_m,
        )

    return work.when_crossed(order, plane, body.crossings, carry_on)


def check_by_laser(work: Work, body: UseLaser, order: Order) -> Outcome | None:
    """Average several crossings and say how far they are from the reference; changes nothing."""
    plane = _plane(work, body)
    if work.tie is None:
        raise CommandRefused("There is no reference to check: use laser/set, or datum/set on a mark.")

    def carry_on(found: Found) -> Outcome:
        off = work.instrument_m() - found.instrument_m
        row = read_mark(
            work.state.book, "laser plane", "check", work.instrument_m(), -found.height_m, found.sigma_m,
            f"off by {signed_mm(off)} mm, {found.count} crossings", order.t, work.time(order.t),
        )  # fmt: skip
        work.tell_row(row)
        work.changed()
        return done(
            order,
            f"The carried elevation is {signed_mm(off)} mm from the laser's, mean of {found.count} "
            f"crossings with a spread of {found.spread_m * 1000:.0f} mm. Nothing was changed.",
            off_m=off,
            crossings=found.count,
            spread_m=found.spread_m,
        )

    return work.when_crossed(order, plane, body.crossings, carry_on)


def _plane(work: Work, body: UseLaser) -> Plane:
    work.need_receiver()
    if body.elevation_m is not None:
        return Plane(elevation_m=body.elevation_m)
    plane = work.state.plane
    if plane is None:
        raise CommandRefused("Say where the plane is: give elevation_m, or describe it with laser/plane.")
    line = work.state.line
    if plane.grade != 0.0 and (line is None or line.lost or work.state.travelled):
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
