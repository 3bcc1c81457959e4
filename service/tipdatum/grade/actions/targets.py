"""Choosing what is dug to: level, grade, profile, pipe, depth below a laser's plane; layers, tolerance."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.outcome import Body, Elevation, Name, Nothing, Order, Outcome, Spec, done
from tipdatum.grade.pipe import Pipe, grade_between
from tipdatum.grade.profile_file import parse_profile
from tipdatum.grade.station import Line, line_through
from tipdatum.grade.stillness import Touch
from tipdatum.grade.targets import BelowPlane, Grade, Layer, Level, Profile, ProfilePoint, Target, Tolerance
from tipdatum.grade.units import parse_grade, signed_mm

if TYPE_CHECKING:
    from tipdatum.grade.work import Work

Depth = Annotated[float, Field(ge=-50, le=50)]
Thickness = Annotated[float, Field(ge=0, le=5)]
GradeText = Annotated[str, Field(min_length=1, max_length=40)]
Percent = Annotated[float, Field(ge=-1000, le=1000)]
Through = Literal["reference", "here"]
Lay: TypeAlias = Callable[[float, Touch | None], Outcome]
"""Lays the target out from the elevation at station 0 and the touch there, None for the reference's mark."""

FOLLOWS_BOOM = " There is no slew sensor: the grade follows the boom plane wherever it is swung."


class SetLevel(Body):
    """One elevation everywhere, given as such or as a depth below the mark of the reference."""

    elevation_m: Elevation | None = Field(default=None, description="elevation to dig to")
    depth_m: Depth | None = Field(
        default=None, description="depth below the mark of the reference, positive down"
    )

    @model_validator(mode="after")
    def _one_of_both(self) -> SetLevel:
        if (self.elevation_m is None) == (self.depth_m is None):
            raise ValueError('either "elevation_m" or "depth_m"')
        return self


class SetGrade(Body):
    """A plane through a point, rising or falling away from the machine."""

    grade: GradeText | None = Field(
        default=None,
        description='such as "2%", "falling 1:100", "1/4 in/ft"; positive rises away from the machine',
    )
    grade_percent: Percent | None = Field(default=None, description="the same as a number in percent")
    through: Through = Field(
        default="reference", description="the reference's mark, or here: the point touched now"
    )
    elevation_m: Elevation | None = Field(default=None, description="target elevation at that point")
    depth_m: Depth | None = Field(default=None, description="or how deep the target lies below that point")
    cross: GradeText | None = Field(default=None, description='cross-slope such as "2%"; needs a slew sensor')
    cross_falls: Literal["left", "right"] | None = Field(default=None, description="to which side it falls")

    @model_validator(mode="after")
    def _consistent(self) -> SetGrade:
        if (self.grade is None) == (self.grade_percent is None):
            raise ValueError('either "grade" such as "falling 1%" or "grade_percent"')
        if self.elevation_m is not None and self.depth_m is not None:
            raise ValueError('"elevation_m" or "depth_m", not both')
        if (self.cross is None) != (self.cross_falls is None):
            raise ValueError('"cross" and "cross_falls" (left or right) together')
        return self

    def rise(self) -> float:
        """Rise over run away from the machine."""
        return parse_grade(self.grade) if self.grade is not None else (self.grade_percent or 0.0) / 100.0

    def rise_to_left(self) -> float:
        """Rise over run to the left."""
        if self.cross is None:
            return 0.0
        steep = abs(parse_grade(self.cross))
        return -steep if self.cross_falls == "left" else steep


class SetProfile(Body):
    """Straight pieces along the reach."""

    points: list[tuple[float, float]] | None = Field(
        default=None,
        description="[station_m, elevation_m] in order of station; twice the same station is a step",
    )
    table: str | None = Field(
        default=None,
        max_length=100_000,
        description="the same as text: CSV or TOML with station_m and elevation_m",
    )
    through: Through = Field(
        default="reference", description="where station 0 is: the mark, or the point touched now"
    )
    relative: bool = Field(default=False, description="elevations are relative to the reference's mark")

    @model_validator(mode="after")
    def _one_of_both(self) -> SetProfile:
        if (self.points is None) == (self.table is None):
            raise ValueError('either "points" or "table"')
        return self


class SetPipe(Body):
    """A pipe to be laid; station 0 is where its invert is given."""

    invert_m: Elevation = Field(description="elevation of the invert (inside bottom) at station 0")
    grade: GradeText | None = Field(default=None, description='fall, such as "falling 1:150"')
    end_invert_m: Elevation | None = Field(default=None, description="or the invert at the other manhole …")
    length_m: Annotated[float, Field(gt=0, le=1000)] | None = Field(default=None, description="… so far away")
    wall_m: Thickness = Field(default=0.0, description="thickness of the pipe's wall")
    bedding_m: Thickness = Field(default=0.0, description="thickness of the bedding")
    overdig_m: Thickness = Field(default=0.0, description="dug deeper than needed")
    through: Through = Field(
        default="reference", description="where station 0 is: the mark, or the point touched now"
    )

    @model_validator(mode="after")
    def _fall_known(self) -> SetPipe:
        between = self.end_invert_m is not None and self.length_m is not None
        if (self.grade is not None) == between:
            raise ValueError('either "grade", or "end_invert_m" with "length_m"')
        return self


class SetBelowPlane(Body):
    """A constant depth below the laser's plane: cross it once from each place."""

    depth_m: Annotated[float, Field(gt=0, le=30)] = Field(description="how far below the plane")
    grade: GradeText = Field(default="0%", description="the plane's grade away from the machine")


class SetStation(Body):
    """The tip stands at a known station with the boom in line."""

    station_m: Annotated[float, Field(ge=-1e5, le=1e5)] = Field(description="station of the point touched")


class LayerIn(Body):
    """One layer."""

    name: Name
    up_m: Annotated[float, Field(ge=-5, le=5)] = Field(description="how far above the target")


class SetLayers(Body):
    """Layers to switch between."""

    layers: list[LayerIn] = Field(max_length=20, description="name and how far above the target each lies")


class ChooseLayer(Body):
    """The layer that is worked on."""

    name: Name | None = Field(default=None, description="name of the layer; left out: the target itself")


class SetTolerance(Body):
    """The band that counts as on grade."""

    above_m: Annotated[float, Field(ge=0, le=1)] = Field(description="how far above the target is still good")
    below_m: Annotated[float, Field(ge=0, le=1)] = Field(description="how far below it is still good")

    @model_validator(mode="after")
    def _has_a_width(self) -> SetTolerance:
        if self.above_m + self.below_m == 0.0:
            raise ValueError("a band that is wider than nothing")
        return self


def set_level(work: Work, body: SetLevel, order: Order) -> Outcome:
    """Dig to one elevation."""
    if body.elevation_m is not None:
        elevation = body.elevation_m
    else:
        elevation = _mark_elevation(work) - (body.depth_m or 0.0)
    text = _take(work, order, Level(elevation_m=elevation))
    return done(order, f"Target: level at {elevation:.3f} m.{text}", elevation_m=elevation)


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
