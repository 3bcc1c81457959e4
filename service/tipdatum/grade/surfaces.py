"""What is dug to and where along it one is: elevation and slope of the design, nothing about the machine.

A place is a station (m along the line, growing away from the machine) and an offset (m to the left of it).
A target answers with the elevation there, or None where it says nothing.

The line of a graded target passes through the slew axis (the machine straddles it, the boom points along
it). That of a ditch passes through the point that was touched, and may also run across the boom (the machine
stands beside it). Without a slew sensor the line is taken to follow the boom plane: swing away, and the line
swings along. With one it stays where it was laid out.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from tipdatum.grade.forms import Document


class Alignment(Document):
    """The line in the present set-up.

    Attributes:
        zero_m: station of the slew axis, m: station = distance along the line + `zero_m`.
        azimuth_rad: the slew sensor's angle with which the line was laid out; None without a sensor.
        lost: why the station is not known any more, None while it is.
        across: the line runs to the left of the boom, as that pointed when it was laid out, and not along it.
        aside_m: how far the line passes to the left of the slew axis, m.
    """

    zero_m: float
    azimuth_rad: float | None = None
    lost: str | None = None
    across: bool = False
    aside_m: float = 0.0

    def place(self, reach: float, lateral: float, slew: float) -> tuple[float, float]:
        """Station and offset to the left, m, of a point at `reach` and `lateral` with the boom at `slew`."""
        along, left = plan(reach, lateral, self.turn(slew))
        return along + self.zero_m, left - self.aside_m

    def turn(self, slew: float) -> float:
        """How far the boom plane is turned from the line, rad, positive left."""
        turned = 0.0 if self.azimuth_rad is None else slew - self.azimuth_rad
        return turned - math.pi / 2.0 if self.across else turned


def plan(reach: float, lateral: float, turn: float) -> tuple[float, float]:
    """A point in the boom plane's axes seen in axes from which the boom plane is turned by `turn` rad."""
    cos, sin = math.cos(turn), math.sin(turn)
    return reach * cos - lateral * sin, reach * sin + lateral * cos


def line_through(
    reach: float,
    lateral: float,
    slew: float,
    azimuth: float | None,
    station_m: float = 0.0,
    *,
    across: bool = False,
    middle: bool = False,
) -> Alignment:
    """The line on which that point has station `station_m`.

    Args:
        reach, lateral, slew: where the point was touched, m and rad.
        azimuth: the slew sensor's angle as the boom points now; None without a sensor.
        across: the line runs across the boom and not along it.
        middle: it passes through the point, and not through the slew axis.
    """
    line = Alignment(zero_m=0.0, azimuth_rad=azimuth, across=across)
    there, aside = line.place(reach, lateral, slew)
    return line.model_copy(update={"zero_m": station_m - there, "aside_m": aside if middle else 0.0})


class Level(Document):
    """One elevation everywhere; needs no station."""

    kind: Literal["level"] = "level"
    elevation_m: float

    def elevation(self, station: float, offset: float) -> float | None:
        """m, in the height system of the reference."""
        return self.elevation_m

    def slopes(self, station: float, offset: float) -> tuple[float, float]:
        """Grade along the station and cross-slope to the left, rise over run."""
        return 0.0, 0.0

    def perpendicular(self, station: float, offset: float, elevation: float) -> float | None:
        """Signed distance from the surface, m, positive above it."""
        return elevation - self.elevation_m

    def breaks(self) -> Sequence[float]:
        """Stations where the grade changes."""
        return ()

    def edges(self) -> Sequence[float]:
        """Offsets where the cross-slope changes."""
        return ()


class Grade(Document):
    """A plane through `elevation_m` at station 0; `grade` rises away from the machine, `cross` leftwards."""

    kind: Literal["grade"] = "grade"
    elevation_m: float
    grade: float
    cross: float = 0.0

    def elevation(self, station: float, offset: float) -> float | None:
        """m, in the height system of the reference."""
        return self.elevation_m + self.grade * station + self.cross * offset

    def slopes(self, station: float, offset: float) -> tuple[float, float]:
        """Grade along the station and cross-slope to the left, rise over run."""
        return self.grade, self.cross

    def perpendicular(self, station: float, offset: float, elevation: float) -> float | None:
        """Signed distance from the plane, m, positive above it."""
        vertical = elevation - self.elevation_m - self.grade * station - self.cross * offset
        return vertical / math.sqrt(1.0 + self.grade**2 + self.cross**2)

    def breaks(self) -> Sequence[float]:
        """Stations where the grade changes."""
        return ()

    def edges(self) -> Sequence[float]:
        """Offsets where the cross-slope changes."""
        return ()


Face: TypeAlias = Literal["bottom", "left", "right"]


class Ditch(Document):
    """A flat bottom that follows a grade along the line, and a batter on either side.

    What is open is above all three planes: the bottom and the two sides through its edges. So the design's
    elevation is that of the highest of them, and the distance from a point within it to the nearest face is
    the smallest of its distances from the planes (they bound a convex space, so that the foot of the shortest
    perpendicular lies on the face itself).

    Attributes:
        elevation_m: of the bottom at station 0. grade: of the bottom, rise over run along the line.
        bottom_m: width of the bottom, its middle on the line.
        batter_left, batter_right: the sides' rise over run, positive.
        side_m: how high above the bottom the sides reach; None: without end. Beyond them it says nothing.
    """

    kind: Literal["ditch"] = "ditch"
    elevation_m: float
    grade: float
    bottom_m: float = Field(ge=0)
    batter_left: float = Field(gt=0)
    batter_right: float = Field(gt=0)
    side_m: float | None = Field(default=None, gt=0)

    def _above_faces(self, station: float, offset: float, elevation: float) -> dict[Face, float]:
        """Vertical distance above the plane of each face, m."""
        bottom = elevation - self.elevation_m - self.grade * station
        half = self.bottom_m / 2.0
        return {
            "bottom": bottom,
            "left": bottom - self.batter_left * (offset - half),
            "right": bottom - self.batter_right * (-offset - half),
        }

    def _steepness(self, face: Face) -> float:
        cross = {"bottom": 0.0, "left": self.batter_left, "right": self.batter_right}[face]
        return math.sqrt(1.0 + self.grade**2 + cross**2)

    def elevation(self, station: float, offset: float) -> float | None:
        """m, in the height system of the reference; None beyond the top of its sides."""
        if self.side_m is not None:
            right, left = self._tops()
            if not right <= offset <= left:
                return None
        return -min(self._above_faces(station, offset, 0.0).values())

    def slopes(self, station: float, offset: float) -> tuple[float, float]:
        """Grade along the station and cross-slope to the left, rise over run, of the face at the offset."""
        half = self.bottom_m / 2.0
        cross = self.batter_left if offset > half else -self.batter_right if offset < -half else 0.0
        return self.grade, cross

    def perpendicular(self, station: float, offset: float, elevation: float) -> float | None:
        """Distance from the nearest face, m; negative below one: from the plane that is passed furthest."""
        return self._nearest(station, offset, elevation)[1]

    def face(self, station: float, offset: float, elevation: float) -> Face:
        """Which face is the nearest."""
        return self._nearest(station, offset, elevation)[0]

    def _nearest(self, station: float, offset: float, elevation: float) -> tuple[Face, float]:
        above = self._above_faces(station, offset, elevation)
        square: dict[Face, float] = {face: away / self._steepness(face) for face, away in above.items()}
        nearest = min(square, key=lambda face: square[face])
        return nearest, square[nearest]

    def breaks(self) -> Sequence[float]:
        """Stations where the grade changes."""
        return ()

    def edges(self) -> Sequence[float]:
        """Offsets where the cross-slope changes, or the target ends."""
        half = self.bottom_m / 2.0
        return (-half, half, *(self._tops() if self.side_m is not None else ()))

    def _tops(self) -> tuple[float, float]:
        """Offsets of the top of the right and of the left side."""
        half, side = self.bottom_m / 2.0, self.side_m or 0.0
        return -half - side / self.batter_right, half + side / self.batter_left


class ProfilePoint(Document):
    """One row of a profile."""

    station_m: float
    elevation_m: float


class Profile(Document):
    """A line of straight pieces along the station: steps, benches, breaks of grade, a ditch.

    Two rows at the same station are a step. Before the first and beyond the last row it says nothing.
    """

    kind: Literal["profile"] = "profile"
    points: tuple[ProfilePoint, ...] = Field(min_length=2)

    def _piece(self, station: float) -> tuple[ProfilePoint, ProfilePoint] | None:
        stations = [p.station_m for p in self.points]
        if not stations[0] <= station <= stations[-1]:
            return None
        after = min(bisect_right(stations, station), len(stations) - 1)
        return self.points[after - 1], self.points[after]

    def elevation(self, station: float, offset: float) -> float | None:
        """m, in the height system of the reference; None outside the profile."""
        piece = self._piece(station)
        if piece is None:
            return None
        a, b = piece
        run = b.station_m - a.station_m
        return (
            b.elevation_m
            if run == 0.0
            else a.elevation_m + (b.elevation_m - a.elevation_m) * (station - a.station_m) / run
        )

    def slopes(self, station: float, offset: float) -> tuple[float, float]:
        """Grade along the station and cross-slope to the left, rise over run."""
        piece = self._piece(station)
        if piece is None or piece[1].station_m == piece[0].station_m:
            return 0.0, 0.0
        a, b = piece
        return (b.elevation_m - a.elevation_m) / (b.station_m - a.station_m), 0.0

    def perpendicular(self, station: float, offset: float, elevation: float) -> float | None:
        """Shortest distance from the line, m, positive above it; None outside the profile."""
        design = self.elevation(station, offset)
        if design is None:
            return None
        nearest = math.inf
        for a, b in zip(self.points, self.points[1:], strict=False):
            ds, dz = b.station_m - a.station_m, b.elevation_m - a.elevation_m
            length = ds * ds + dz * dz
            at = ((station - a.station_m) * ds + (elevation - a.elevation_m) * dz) / length if length else 0.0
            at = min(1.0, max(0.0, at))
            nearest = min(
                nearest,
                math.hypot(station - a.station_m - at * ds, elevation - a.elevation_m - at * dz),
            )
        return math.copysign(nearest, elevation - design)

    def breaks(self) -> Sequence[float]:
        """Stations where the grade changes."""
        return [p.station_m for p in self.points]

    def edges(self) -> Sequence[float]:
        """Offsets where the cross-slope changes."""
        return ()


class BelowPlane(Document):
    """A constant depth below a rotating laser's plane, which may fall along the boom plane.

    It needs neither reference nor station: where the receiver crosses the plane is where the plane is.
    """

    kind: Literal["below plane"] = "below plane"
    depth_m: float
    grade: float = 0.0


Surface: TypeAlias = Level | Grade | Ditch | Profile
Target: TypeAlias = Annotated[Level | Grade | Ditch | Profile | BelowPlane, Field(discriminator="kind")]


class Layer(Document):
    """The same target raised, by bedding or a sub-base for instance."""

    name: str
    up_m: float


class Tolerance(Document):
    """The band that counts as on grade: `above_m` over the target and `below_m` under it, none negative."""

    above_m: float = Field(ge=0)
    below_m: float = Field(ge=0)

    @property
    def half_width_m(self) -> float:
        """Half of the band."""
        return (self.above_m + self.below_m) / 2.0

    def judge(self, deviation: float, sigma: float) -> str:
        """`on grade`, `above`, `below`, or `cannot judge` where two sigma exceed half of the band."""
        if 2.0 * sigma > self.half_width_m:
            return "cannot judge"
        if deviation > self.above_m:
            return "above"
        return "below" if deviation < -self.below_m else "on grade"
