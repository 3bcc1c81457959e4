"""Targets from tables and plans: a profile from rows, a trench bottom from a pipe, a ditch."""

from __future__ import annotations

import csv
import io
import math
import re
import tomllib
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused, ConfigError
from tipdatum.grade.forms import CommandBody, Elevation, Outcome, Request, done
from tipdatum.grade.laser import away
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import Pipe
from tipdatum.grade.surfaces import Ditch, Grade, Layer, Profile, ProfilePoint
from tipdatum.grade.targets import (
    Depth,
    GradeText,
    Through,
    begin,
    below,
    boom_plane,
    line_from,
    take_target,
    where,
)
from tipdatum.grade.touch import Touch
from tipdatum.grade.units import parse_grade
from tipdatum.sentences import sentence

Thickness = Annotated[float, Field(ge=0, le=5)]
_RISES = re.compile(r"\s*(rising|rises|\+)")


class SetProfile(CommandBody):
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


class SetPipe(CommandBody):
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


class SetDitch(CommandBody):
    """A ditch: a bottom that follows a grade along its line, and a batter on either side."""

    bottom_m: Annotated[float, Field(ge=0, le=50)] = Field(description="width of the bottom")
    batter: GradeText | None = Field(
        default=None, description='slope of both sides, such as "1V:1.5H", "45 deg", "1.5:1 H:V"'
    )
    batter_left: GradeText | None = Field(
        default=None, description="or of the left side alone, seen along the line …"
    )
    batter_right: GradeText | None = Field(default=None, description="… and of the right one")
    grade: GradeText = Field(
        default="0%", description='of the bottom along the line, such as "falling 1:200"; positive rises'
    )
    runs: Literal["along", "across"] = Field(
        default="along",
        description="whether the line runs along the boom as it points now, or across it to the left",
    )
    through: Through = Field(
        default="reference",
        description="the reference's mark, or here: the point touched now; of a ditch across it lies on the "
        "middle line",
    )
    elevation_m: Elevation | None = Field(default=None, description="elevation of the bottom at that point …")
    depth_m: Depth | None = Field(default=None, description="… or how deep it lies below that point")
    side_m: Annotated[float, Field(gt=0, le=50)] | None = Field(
        default=None,
        description="how high above the bottom the sides reach; left out: depth_m, else without end",
    )

    @model_validator(mode="after")
    def _consistent(self) -> SetDitch:
        if (self.elevation_m is None) == (self.depth_m is None):
            raise ValueError('either "elevation_m" or "depth_m"')
        below(self.depth_m)
        sides = [self.batter_left is not None, self.batter_right is not None]
        if (self.batter is not None and any(sides)) or (self.batter is None and not all(sides)):
            raise ValueError('either "batter" for both sides, or "batter_left" and "batter_right"')
        if min(self.batters()) <= 0.0:
            raise ValueError("a batter that is not level; both sides rise from the bottom")
        parse_grade(self.grade)
        return self

    def batters(self) -> tuple[float, float]:
        """Rise over run of the left and of the right side."""
        both = self.batter or ""
        return abs(parse_grade(self.batter_left or both)), abs(parse_grade(self.batter_right or both))


def set_profile(site: Site, body: SetProfile, request: Request) -> Outcome | None:
    """Dig to a profile."""
    rows = body.points if body.points is not None else parse_profile(body.table or "", "table")
    if len(rows) < 2:
        raise CommandRefused(sentence("profile-too-short"))
    back = next((i for i in range(1, len(rows)) if rows[i][0] < rows[i - 1][0]), None)
    if back is not None:
        there, before = rows[back][0], rows[back - 1][0]
        raise CommandRefused(sentence("profile-goes-back", row=back + 1, there=there, before=before))

    def lay(start_m: float, touch: Touch | None) -> Outcome:
        base = start_m if body.relative else 0.0
        points = tuple(ProfilePoint(station_m=s, elevation_m=z + base) for s, z in rows)
        text = take_target(site, request, Profile(points=points), line=line_from(site, touch))
        return done(
            request,
            sentence(
                "target-profile",
                count=len(points),
                from_coarse_m=rows[0][0],
                to_coarse_m=rows[-1][0],
                where=where(body.through),
            )
            + boom_plane(site)
            + text,
            rows=len(points),
        )

    return begin(site, request, body.through, lay, needs_mark=body.relative)


def set_pipe(site: Site, body: SetPipe, request: Request) -> Outcome | None:
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
        bottom = pipe.bottom_at(0.0)
        bedding = Layer(name="bedding", up_m=body.overdig_m + body.bedding_m)
        layers = (bedding,) if body.bedding_m > 0.0 else ()
        text = take_target(
            site,
            request,
            Grade(elevation_m=bottom, grade=grade),
            line=line_from(site, touch),
            pipe=pipe,
            layers=layers,
        )
        return done(
            request,
            sentence(
                "target-pipe",
                elevation_m=bottom,
                where=where(body.through),
                below_fine_m=pipe.below_invert_m,
                way=away(grade),
            )
            + boom_plane(site)
            + text,
            bottom_m=bottom,
            grade_percent=grade * 100.0,
            below_invert_m=pipe.below_invert_m,
        )

    return begin(site, request, body.through, lay, needs_mark=False)


def set_ditch(site: Site, body: SetDitch, request: Request) -> Outcome | None:
    """Dig a ditch."""
    grade, across = parse_grade(body.grade), body.runs == "across"
    left, right = body.batters()

    def lay(start_m: float, touch: Touch | None) -> Outcome:
        bottom = body.elevation_m if body.elevation_m is not None else start_m - (body.depth_m or 0.0)
        ditch = Ditch(
            elevation_m=bottom,
            grade=grade,
            bottom_m=body.bottom_m,
            batter_left=left,
            batter_right=right,
            side_m=body.side_m or body.depth_m or None,
        )
        text = take_target(site, request, ditch, line=line_from(site, touch, across=across, middle=True))
        return done(
            request,
            sentence(
                "target-ditch",
                width_coarse_m=body.bottom_m,
                elevation_m=bottom,
                where=where(body.through),
                way=_to_the_left(grade) if across else away(grade),
            )
            + (sentence("ditch-batter", left_deg=degrees(left), right_deg=degrees(right)))
            + boom_plane(site)
            + text,
            elevation_m=bottom,
            grade_percent=grade * 100.0,
            batter_left_deg=degrees(left),
            batter_right_deg=degrees(right),
        )

    return begin(site, request, body.through, lay, needs_mark=body.elevation_m is None)


def degrees(slope: float) -> float:
    """Angle of a slope (rise over run) against the horizontal."""
    return math.degrees(math.atan(slope))


def _to_the_left(grade: float) -> str:
    if grade == 0.0:
        return sentence("way-level")
    return sentence("rises-left" if grade > 0.0 else "falls-left", rise_grade=grade)


def grade_between(start_m: float, end_m: float, length_m: float) -> float:
    """Rise over run between two inverts `length_m` apart."""
    return (end_m - start_m) / length_m


STATION, ELEVATION = "station_m", "elevation_m"
EXPECTED = f"a column {STATION} and a column {ELEVATION}"


def parse_profile(text: str, file: str) -> list[tuple[float, float]]:
    """(station m, elevation m) rows.

    Args:
        text: CSV with a header line (comma between cells, or semicolon, where numbers may have a
            decimal comma), or TOML with `[[point]]` tables.
        file: named in errors.

    Raises:
        ConfigError: names the line or key, what was found and what is expected.
    """
    return _from_toml(text, file) if "[[point]]" in text else _from_csv(text, file)


def _from_toml(text: str, file: str) -> list[tuple[float, float]]:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file, "", f"broken TOML ({error})", "[[point]] tables") from None
    points = data["point"]
    if not isinstance(points, list):
        raise ConfigError(file, "point", "something else", "[[point]] tables")
    return [
        (
            _number(str(point.get(STATION, "")), file, f"point[{i}].{STATION}"),
            _number(str(point.get(ELEVATION, "")), file, f"point[{i}].{ELEVATION}"),
        )
        for i, point in enumerate(points)
    ]


def _from_csv(text: str, file: str) -> list[tuple[float, float]]:
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise ConfigError(file, "", "nothing", EXPECTED)
    delimiter = ";" if ";" in lines[0] else ","
    reader = csv.DictReader(io.StringIO("\n".join(lines)), delimiter=delimiter)
    heads = [h.strip() for h in reader.fieldnames or []]
    if STATION not in heads or ELEVATION not in heads:
        raise ConfigError(file, "first line", f'"{lines[0][:60]}"', EXPECTED)
    reader.fieldnames = heads
    return [
        (
            _number(_point(row.get(STATION), delimiter), file, f"row {i}, {STATION}"),
            _number(_point(row.get(ELEVATION), delimiter), file, f"row {i}, {ELEVATION}"),
        )
        for i, row in enumerate(reader, start=1)
    ]


def _point(cell: str | None, delimiter: str) -> str:
    """Where a semicolon stands between cells a comma is a decimal one."""
    return (cell or "").replace(",", ".") if delimiter == ";" else cell or ""


def _number(text: str, file: str, where: str) -> float:
    try:
        value = float(text.strip())
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ConfigError(
            file, where, f'"{text.strip()}"' if text.strip() else "nothing", "a number in metres"
        )
    return value


COMMANDS = {
    "target/profile": Spec(SetProfile, set_profile, "Dig to a table of stations and elevations."),
    "target/ditch": Spec(
        SetDitch, set_ditch, "Dig a ditch: a bottom along a grade and a batter on either side."
    ),
    "target/pipe": Spec(SetPipe, set_pipe, "Dig to the trench bottom that a pipe needs."),
}
