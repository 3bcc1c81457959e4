"""What the commands about targets may hold."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tipdatum.grade.outcome import Body, Elevation, Name
from tipdatum.grade.units import parse_grade

Depth = Annotated[float, Field(ge=-50, le=50)]
Thickness = Annotated[float, Field(ge=0, le=5)]
GradeText = Annotated[str, Field(min_length=1, max_length=40)]

_RISES = re.compile(r"\s*(rising|rises|\+)")
Percent = Annotated[float, Field(ge=-1000, le=1000)]
Through = Literal["reference", "here"]


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
        given = [self.end_invert_m is not None, self.length_m is not None]
        if (self.grade is not None and any(given)) or (self.grade is None and not all(given)):
            raise ValueError('either "grade", or "end_invert_m" with "length_m"')
        if self.grade is not None and parse_grade(self.grade) > 0.0 and not _RISES.match(self.grade):
            raise ValueError(
                f'its direction away from the machine: "falling {self.grade}" or "rising {self.grade}"'
            )
        return self


class SetBelowPlane(Body):
    """A constant depth below the laser's plane: cross it once from each place."""

    depth_m: Annotated[float, Field(gt=0, le=30)] = Field(description="how far below the plane")
    grade: GradeText = Field(default="0%", description="the plane's grade away from the machine")

    @model_validator(mode="after")
    def _grade_is_one(self) -> SetBelowPlane:
        parse_grade(self.grade)
        return self


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
