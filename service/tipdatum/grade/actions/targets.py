"""Choosing what is dug to: level, grade, profile, pipe, depth below a laser's plane; layers, tolerance."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

from tipdatum.errors import CommandRefused
from tipdatum.grade.actions.target_bodies import (
    ChooseLayer,
    SetBelowPlane,
    SetGrade,
    SetLayers,
    SetLevel,
    SetPipe,
    SetProfile,
    SetStation,
    SetTolerance,
    Through,
)
from tipdatum.grade.outcome import Nothing, Order, Outcome, Spec, done
from tipdatum.grade.pipe import Pipe, grade_between
from tipdatum.grade.profile_file import parse_profile
from tipdatum.grade.station import Line, line_through
from tipdatum.grade.stillness import Touch
from tipdatum.grade.targets import BelowPlane, Grade, Layer, Level, Profile, ProfilePoint, Target, Tolerance
from tipdatum.grade.units import parse_grade, signed_mm

if TYPE_CHECKING:
    from tipdatum.grade.work import Work

Lay: TypeAlias = Callable[[float, Touch | None], Outcome]
"""Lays the target out from the elevation at station 0 and the touch there, None for the reference's mark."""

FOLLOWS_BOOM = " There is no slew sensor: the grade follows the boom plane wherever it is swung."


def set_level(work: Work, body: SetLevel, order: Order) -> Outcome:
    """Dig to one elevation."""
    if body.elevation_m is not None:
        elevation, below = body.elevation_m, ""
    else:
        depth = body.depth_m or 0.0
        elevation = _mark_elevation(work) - depth
        below = f", {abs(depth):.3f} m {'below' if depth >= 0.0 else 'above'} the reference's mark"
    text = _take(work, order, Level(elevation_m=elevation))
    return done(order, f"Target: level at {elevation:.3f} m{below}.{text}", elevation_m=elevation)


def set_grade(work: Work, body: SetGrade, order: Order) -> Outcome | None:
    """Dig to a plane."""
    grade, cross = body.rise(), body.rise_to_left()
    if body.cross is not None and not work.has_slew_sensor:
        raise CommandRefused(
            "A cross-slope needs a slew sensor; without one the grade follows the boom plane and there is no "
            "across. Leave cross out."
        )

    def lay(start_m: float, touch: Touch | None) -> Outcome:
        elevation = body.elevation_m if body.elevation_m is not None else start_m - (body.depth_m or 0.0)
        work.state.line = _line(work, touch)
        text = _take(work, order, Grade(elevation_m=elevation, grade=grade, cross=cross))
        across = f", falling {body.cross_falls} {abs(cross) * 100:.2f} %" if cross else ""
        return done(
            order,
            f"Target: {_away(grade)} through {elevation:.3f} m at {_where(body.through)}{across}."
            f"{_boom_plane(work)}{text}",
            elevation_m=elevation,
            grade_percent=grade * 100.0,
            cross_percent=cross * 100.0,
        )

    return _from(work, order, body.through, lay, needs_mark=body.elevation_m is None)


def set_profile(work: Work, body: SetProfile, order: Order) -> Outcome | None:
    """Dig to a profile."""
    rows = body.points if body.points is not None else parse_profile(body.table or "", "table")
    if len(rows) < 2:
        raise CommandRefused("A profile needs at least two rows of station and elevation.")
    back = next((i for i in range(1, len(rows)) if rows[i][0] < rows[i - 1][0]), None)
    if back is not None:
        raise CommandRefused(
            f"The profile's stations go back in row {back + 1}: {rows[back][0]:g} after "
            f"{rows[back - 1][0]:g}. Rows come in order of station."
        )

    def lay(start_m: float, touch: Touch | None) -> Outcome:
        base = start_m if body.relative else 0.0
        points = [ProfilePoint(station_m=s, elevation_m=z + base) for s, z in rows]
        work.state.line = _line(work, touch)
        text = _take(work, order, Profile(points=points))
        return done(
            order,
            f"Target: profile of {len(points)} rows from station {rows[0][0]:g} to {rows[-1][0]:g} m, "
            f"station 0 at {_where(body.through)}.{_boom_plane(work)}{text}",
            rows=len(points),
        )

    return _from(work, order, body.through, lay, needs_mark=body.relative)


def set_pipe(work: Work, body: SetPipe, order: Order) -> Outcome | None:
    """Dig to the bottom of a pipe trench."""
    if body.grade is not None:
        grade = parse_grade(body.grade)
    else:
        grade = grade_between(body.invert_m, body.end_invert_m or 0.0, body.length_m or 1.0)
    pipe = Pipe(
        invert_m=body.invert_m, grade=grade, wall_m=body.wall_m, bedding_m=body.bedding_m,
        overdig_m=body.overdig_m
    )  # fmt: skip

    def lay(start_m: float, touch: Touch | None) -> Outcome:
        work.state.line = _line(work, touch)
        bottom = pipe.bottom_at(0.0)
        text = _take(work, order, Grade(elevation_m=bottom, grade=grade))
        work.state.pipe = pipe
        if body.bedding_m > 0.0:
            work.state.layers = [Layer(name="bedding", up_m=body.overdig_m + body.bedding_m)]
        return done(
            order,
            f"Target: trench bottom at {bottom:.3f} m at {_where(body.through)} "
            f"({pipe.below_invert_m * 1000:.0f} mm below the invert), "
            f"{_away(grade)}.{_boom_plane(work)}{text}",
            bottom_m=bottom,
            grade_percent=grade * 100.0,
            below_invert_m=pipe.below_invert_m,
        )

    return _from(work, order, body.through, lay, needs_mark=False)


def set_below_plane(work: Work, body: SetBelowPlane, order: Order) -> Outcome:
    """Dig to a constant depth below a laser's plane."""
    work.need_receiver()
    grade = parse_grade(body.grade)
    text = _take(work, order, BelowPlane(depth_m=body.depth_m, grade=grade))
    return done(
        order,
        f"Target: {body.depth_m:.3f} m below the laser's plane, {_away(grade)}. Cross the plane slowly with "
        f"the receiver from each place where the machine stands.{_boom_plane(work) if grade else ''}{text}",
        depth_m=body.depth_m,
    )


def set_station(work: Work, body: SetStation, order: Order) -> Outcome | None:
    """Tell the station of the point under the tip, with the boom in line."""

    def carry_on(touch: Touch) -> Outcome:
        along = touch.slew_rad if work.known_pose().slew_known else None
        work.state.line = line_through(touch.reach_m, touch.lateral_m, touch.slew_rad, along, body.station_m)
        work.changed()
        return done(order, f"The tip is at station {body.station_m:.2f} m.", station_m=body.station_m)

    return work.when_still(order, "tip", carry_on)


def clear_target(work: Work, body: Nothing, order: Order) -> Outcome:
    """Forget the target."""
    state = work.state
    state.target, state.pipe, state.layer, state.layers = None, None, None, []
    work.changed()
    return done(order, "Target cleared.")


def set_layers(work: Work, body: SetLayers, order: Order) -> Outcome:
    """Name the layers."""
    names = [layer.name for layer in body.layers]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise CommandRefused(f'Two layers are named "{twice}".')
    work.state.layers = [Layer(name=layer.name, up_m=layer.up_m) for layer in body.layers]
    work.state.layer = None
    work.changed()
    return done(order, f"{len(names)} layers: {', '.join(names) or 'none'}. The target itself is worked on.")


def choose_layer(work: Work, body: ChooseLayer, order: Order) -> Outcome:
    """Work on a layer."""
    chosen = next((layer for layer in work.state.layers if layer.name == body.name), None)
    if body.name is not None and chosen is None:
        known = ", ".join(layer.name for layer in work.state.layers) or "none"
        raise CommandRefused(f'There is no layer "{body.name}"; known are: {known}.')
    work.state.layer = body.name
    work.changed()
    where = f"{body.name}, {signed_mm(chosen.up_m)} mm on the target" if chosen else "the target itself"
    return done(order, f"Layer: {where}.")


def set_tolerance(work: Work, body: SetTolerance, order: Order) -> Outcome:
    """Set the band that counts as on grade."""
    work.state.tolerance = Tolerance(above_m=body.above_m, below_m=body.below_m)
    work.changed()
    return done(order, f"Tolerance +{body.above_m * 1000:.0f} / -{body.below_m * 1000:.0f} mm.")


def _mark_elevation(work: Work) -> float:
    if work.state.reference is None:
        raise CommandRefused("This is measured from the reference: set one with datum/set first.")
    return work.state.reference.known_m


def _from(work: Work, order: Order, through: Through, lay: Lay, needs_mark: bool) -> Outcome | None:
    """Begin at the reference's mark, or at the point under the tip once it is still."""
    if through == "reference":
        return lay(_mark_elevation(work), None)
    if needs_mark:
        work.need_reference("The point under the tip has no elevation to begin from")
    return work.when_still(
        order, "tip", lambda touch: lay(work.elevation_of(touch)[0] if needs_mark else 0.0, touch)
    )


def _line(work: Work, touch: Touch | None) -> Line:
    """Station 0 at the touch, or at the reference's mark; the line runs along the boom as it points now."""
    pose = work.known_pose()
    along = pose.slew_rad if pose.slew_known else None
    if touch is not None:
        return line_through(touch.reach_m, touch.lateral_m, touch.slew_rad, along)
    reference = work.state.reference
    if reference is None or reference.how != "mark" or work.state.travelled:
        raise CommandRefused(
            'Station unknown: the reference was not set on a mark from here. Use "through": "here" with the '
            "tip on the point where the grade begins."
        )
    return line_through(reference.reach_m, reference.lateral_m, reference.slew_rad, along)


def _take(work: Work, order: Order, target: Target) -> str:
    state = work.state
    state.target, state.pipe, state.layer, state.layers = target, None, None, []
    work.answered("target")
    work.changed()
    work.show_target_cautions(order.t)
    return " The reference is doubtful: no deviation until it is confirmed." if state.doubts else ""


def _away(grade: float) -> str:
    if grade == 0.0:
        return "level"
    return f"{'rising' if grade > 0 else 'falling'} {abs(grade) * 100:.2f} % away from the machine"


def _where(through: Through) -> str:
    return "the reference's mark" if through == "reference" else "the point touched"


def _boom_plane(work: Work) -> str:
    return "" if work.has_slew_sensor else FOLLOWS_BOOM


COMMANDS = {
    "target/level": Spec(SetLevel, set_level, "Dig to one elevation, or to a depth below the reference."),
    "target/grade": Spec(SetGrade, set_grade, "Dig to a plane that rises or falls away from the machine."),
    "target/profile": Spec(SetProfile, set_profile, "Dig to a table of stations and elevations."),
    "target/pipe": Spec(SetPipe, set_pipe, "Dig to the trench bottom that a pipe needs."),
    "target/below-plane": Spec(
        SetBelowPlane, set_below_plane, "Dig to a depth below a rotating laser's plane."
    ),
    "target/layers": Spec(SetLayers, set_layers, "Name layers above the target to switch between."),
    "target/layer": Spec(ChooseLayer, choose_layer, "Choose the layer that is worked on."),
    "target/tolerance": Spec(
        SetTolerance, set_tolerance, "Set the band around the target that counts as on grade."
    ),
    "target/clear": Spec(Nothing, clear_target, "Forget the target and its layers."),
    "station/set": Spec(SetStation, set_station, "The tip stands at this station with the boom in line."),
}
