"""What is dug to: level, grade, depth below a laser's plane; layers, tolerance, station."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Elevation, Name, Nothing, Outcome, Request, done
from tipdatum.grade.laser import away, need_receiver
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.surfaces import (
    Alignment,
    BelowPlane,
    Ditch,
    Grade,
    Layer,
    Level,
    Target,
    Tolerance,
    line_through,
)
from tipdatum.grade.touch import Touch
from tipdatum.grade.trench import show_target_cautions
from tipdatum.grade.units import parse_grade
from tipdatum.sentences import sentence

Depth = Annotated[float, Field(ge=-50, le=50)]
GradeText = Annotated[str, Field(min_length=1, max_length=40)]

Percent = Annotated[float, Field(ge=-1000, le=1000)]
Through = Literal["reference", "here"]


def below(depth_m: float | None) -> None:
    """Ask about a depth that lies above.

    Raises:
        ValueError: says the two things that may be meant.
    """
    if depth_m is not None and depth_m < 0.0:
        raise ValueError(sentence("needs-depth-down", below=-depth_m))


class SetLevel(CommandBody):
    """One elevation everywhere, given as such or as a depth below the mark of the reference."""

    elevation_m: Elevation | None = Field(default=None, description="elevation to dig to")
    depth_m: Depth | None = Field(
        default=None, description="depth below the mark of the reference, positive down"
    )

    @model_validator(mode="after")
    def _one_of_both(self) -> SetLevel:
        if (self.elevation_m is None) == (self.depth_m is None):
            raise ValueError(sentence("needs-elevation-or-depth"))
        below(self.depth_m)
        return self


class SetGrade(CommandBody):
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
            raise ValueError(sentence("needs-not-both"))
        below(self.depth_m)
        if (self.cross is None) != (self.cross_falls is None):
            raise ValueError(sentence("needs-cross-with-side"))
        # What cannot be read as a grade is refused here, before the command travels.
        self.rise(), self.rise_to_left()
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


class SetBelowPlane(CommandBody):
    """A constant depth below the laser's plane: cross it once from each place."""

    depth_m: Annotated[float, Field(gt=0, le=30)] = Field(description="how far below the plane")
    grade: GradeText = Field(default="0%", description="the plane's grade away from the machine")

    @model_validator(mode="after")
    def _grade_is_one(self) -> SetBelowPlane:
        parse_grade(self.grade)
        return self


class SetStation(CommandBody):
    """The tip stands at a known station with the boom in line."""

    station_m: Annotated[float, Field(ge=-1e5, le=1e5)] = Field(description="station of the point touched")


class LayerIn(CommandBody):
    """One layer."""

    name: Name
    up_m: Annotated[float, Field(ge=-5, le=5)] = Field(description="how far above the target")


class SetLayers(CommandBody):
    """Layers to switch between."""

    layers: list[LayerIn] = Field(max_length=20, description="name and how far above the target each lies")


class ChooseLayer(CommandBody):
    """The layer that is worked on."""

    name: Name | None = Field(default=None, description="name of the layer; left out: the target itself")


class SetTolerance(CommandBody):
    """The band that counts as on grade."""

    above_m: Annotated[float, Field(ge=0, le=1)] = Field(description="how far above the target is still good")
    below_m: Annotated[float, Field(ge=0, le=1)] = Field(description="how far below it is still good")

    @model_validator(mode="after")
    def _has_a_width(self) -> SetTolerance:
        if self.above_m + self.below_m == 0.0:
            raise ValueError(sentence("needs-wider-band"))
        return self


Lay: TypeAlias = Callable[[float, Touch | None], Outcome]
"""Lays the target out from the elevation at station 0 and the touch there, None for the reference's mark."""

FOLLOWS_BOOM = sentence("follows-boom")


def set_level(site: Site, body: SetLevel, request: Request) -> Outcome:
    """Dig to one elevation."""
    if body.elevation_m is not None:
        elevation, depth = body.elevation_m, None
    else:
        depth = body.depth_m or 0.0
        elevation = _mark_elevation(site) - depth
    text = take_target(site, request, Level(elevation_m=elevation))
    if depth is None:
        told = sentence("target-level", elevation_m=elevation)
    else:
        told = sentence("target-level-below", elevation_m=elevation, depth_m=depth)
    return done(request, told + text, elevation_m=elevation)


def set_grade(site: Site, body: SetGrade, request: Request) -> Outcome | None:
    """Dig to a plane."""
    grade, cross = body.rise(), body.rise_to_left()
    if body.cross is not None and not site.mounted.has_slew_sensor:
        raise CommandRefused(sentence("cross-needs-slew"))

    def lay(start_m: float, touch: Touch | None) -> Outcome:
        elevation = body.elevation_m if body.elevation_m is not None else start_m - (body.depth_m or 0.0)
        plane = Grade(elevation_m=elevation, grade=grade, cross=cross)
        text = take_target(site, request, plane, line=line_from(site, touch))
        side = sentence("across-left" if body.cross_falls == "left" else "across-right", cross_grade=cross)
        across = side if cross else ""
        return done(
            request,
            sentence(
                "target-grade",
                way=away(grade),
                elevation_m=elevation,
                where=where(body.through),
                across=across,
            )
            + boom_plane(site)
            + text,
            elevation_m=elevation,
            grade_percent=grade * 100.0,
            cross_percent=cross * 100.0,
        )

    return begin(site, request, body.through, lay, needs_mark=body.elevation_m is None)


def set_below_plane(site: Site, body: SetBelowPlane, request: Request) -> Outcome:
    """Dig to a constant depth below a laser's plane."""
    need_receiver(site)
    grade = parse_grade(body.grade)
    text = take_target(site, request, BelowPlane(depth_m=body.depth_m, grade=grade))
    return done(
        request,
        sentence("target-below-plane", depth_m=body.depth_m, way=away(grade))
        + (boom_plane(site) if grade else "")
        + text,
        depth_m=body.depth_m,
    )


def set_station(site: Site, body: SetStation, request: Request) -> Outcome | None:
    """Tell the station of the point under the tip, with the boom in line."""

    def carry_on(touch: Touch) -> Outcome:
        azimuth = touch.slew_rad if site.known_pose().slew_known else None
        before = site.state.line
        line = line_through(
            touch.reach_m,
            touch.lateral_m,
            touch.slew_rad,
            azimuth,
            body.station_m,
            across=before is not None and before.across,
            middle=isinstance(site.state.target, Ditch),
        )
        site.change(line=line)
        told = sentence("at-station", station_coarse_m=body.station_m)
        return done(request, told, station_m=body.station_m)

    return site.when_still(request, "tip", carry_on)


def clear_target(site: Site, body: Nothing, request: Request) -> Outcome:
    """Forget the target."""
    site.change(target=None, pipe=None, layer=None, layers=())
    return done(request, sentence("target-cleared"))


def set_layers(site: Site, body: SetLayers, request: Request) -> Outcome:
    """Name the layers."""
    names = [layer.name for layer in body.layers]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise CommandRefused(sentence("layer-twice", name=twice))
    site.change(layers=tuple(Layer(name=layer.name, up_m=layer.up_m) for layer in body.layers), layer=None)
    return done(request, sentence("layers", count=len(names), names=", ".join(names) or "none"))


def choose_layer(site: Site, body: ChooseLayer, request: Request) -> Outcome:
    """Work on a layer."""
    chosen = next((layer for layer in site.state.layers if layer.name == body.name), None)
    if body.name is not None and chosen is None:
        known = ", ".join(layer.name for layer in site.state.layers) or "none"
        raise CommandRefused(sentence("no-layer", name=body.name, names=known))
    site.change(layer=body.name)
    if chosen is None:
        return done(request, sentence("layer-none"))
    return done(request, sentence("layer-chosen", name=chosen.name, up_signed_m=chosen.up_m))


def set_tolerance(site: Site, body: SetTolerance, request: Request) -> Outcome:
    """Set the band that counts as on grade."""
    site.change(tolerance=Tolerance(above_m=body.above_m, below_m=body.below_m))
    return done(
        request,
        sentence("tolerance", above_number_mm=body.above_m * 1000, below_fine_m=body.below_m),
    )


def _mark_elevation(site: Site) -> float:
    if site.state.reference is None:
        raise CommandRefused(sentence("measured-from-reference"))
    return site.state.reference.known_m


def begin(site: Site, request: Request, through: Through, lay: Lay, needs_mark: bool) -> Outcome | None:
    """Begin at the reference's mark, or at the point under the tip once it is still."""
    if through == "reference":
        return lay(_mark_elevation(site), None)
    if needs_mark:
        site.need_reference(sentence("no-elevation-to-begin"))
    return site.when_still(
        request, "tip", lambda touch: lay(site.elevation_of(touch)[0] if needs_mark else 0.0, touch)
    )


def line_from(site: Site, touch: Touch | None, *, across: bool = False, middle: bool = False) -> Alignment:
    """Station 0 at the touch, or at the reference's mark; the line runs along the boom as it points now.

    Args:
        across: it runs across the boom instead.
        middle: it passes through that point, and not through the slew axis.
    """
    pose = site.known_pose()
    azimuth = pose.slew_rad if pose.slew_known else None
    if touch is not None:
        place = (touch.reach_m, touch.lateral_m, touch.slew_rad)
        return line_through(*place, azimuth, across=across, middle=middle)
    reference = site.state.reference
    if reference is None or reference.how != "mark" or site.state.travelled:
        raise CommandRefused(sentence("station-needs-mark"))
    place = (reference.reach_m, reference.lateral_m, reference.slew_rad)
    return line_through(*place, azimuth, across=across, middle=middle)


def take_target(site: Site, request: Request, target: Target, **beside: Any) -> str:
    """Dig to `target` from now on; `beside` it: line, pipe, layers. What else there is to say."""
    site.change(**{"target": target, "pipe": None, "layer": None, "layers": (), **beside})
    site.answered("target")
    show_target_cautions(site, request.t)
    return sentence("reference-doubtful") if site.state.doubts else ""


def where(through: Through) -> str:
    """Where station 0 is, in words."""
    return sentence("at-reference-mark" if through == "reference" else "at-point-touched")


def boom_plane(site: Site) -> str:
    """What to know where no slew sensor holds the line."""
    return "" if site.mounted.has_slew_sensor else FOLLOWS_BOOM


COMMANDS = {
    "target/level": Spec(SetLevel, set_level, "Dig to one elevation, or to a depth below the reference."),
    "target/grade": Spec(SetGrade, set_grade, "Dig to a plane that rises or falls away from the machine."),
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
