"""What grade makes of a pose: tip, corners, elevation, sigma, and the tip against target and limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tipdatum.fusion.pose import Quality
from tipdatum.grade.edge import Edge
from tipdatum.grade.state import LimitKind
from tipdatum.grade.surfaces import Alignment, Ditch, Face, Surface, Tolerance
from tipdatum.kinematics.chain import Chain, Point
from tipdatum.machine.parts import Bucket
from tipdatum_drivers.reading import Value

AHEAD_M = 3.0
"""How far before and behind the tip the target's line is given for drawing, m."""

ACROSS_M = 3.0
"""The same to either side of the tip, m."""

FLAT_ANGLE = 0.1
"""Ways that change their station or offset by less than this a metre are not cut where the target breaks."""

NO_LINE = Alignment(zero_m=0.0)
"""Stands in where a target needs no line."""


class Spot(Value, frozen=True):
    """A point of the bucket: reach and lateral as in a pose, elevation in the height system, m."""

    reach_m: float
    lateral_m: float
    elevation_m: float


class TargetAhead(Value, frozen=True):
    """The target along the boom plane before and behind the tip, for those who draw it.

    Most do not; so its points are made only when they are asked for.

    Attributes:
        surface, raised_m: the target and how far its layer raises it.
        line: where stations are counted.
        slew: the boom's slew angle, rad.
        reach_m, lateral_m: of the tip.
    """

    surface: Surface
    raised_m: float
    line: Alignment
    slew: float
    reach_m: float
    lateral_m: float

    def points(self) -> list[tuple[float, float]]:
        """(reach, elevation), from near to far; only those that the target knows."""
        low, high = max(self.reach_m - AHEAD_M, 0.0), self.reach_m + AHEAD_M
        return list(self._cut(lambda at: (at, 0.0), low, high))

    def across(self) -> list[tuple[float, float]]:
        """(lateral, elevation) at the tip's reach, from right to left; only those that the target knows."""
        low, high = self.lateral_m - ACROSS_M, self.lateral_m + ACROSS_M
        return list(self._cut(lambda at: (self.reach_m, at), low, high))

    def _cut(
        self, where: Callable[[float], tuple[float, float]], low: float, high: float
    ) -> Iterator[tuple[float, float]]:
        """The target along a straight way of which `where` tells reach and lateral; (way, elevation)."""
        (s0, o0), (s1, o1) = (self.line.place(*where(at), self.slew) for at in (0.0, 1.0))
        breaks = [(s - s0) / (s1 - s0) for s in self.surface.breaks() if abs(s1 - s0) > FLAT_ANGLE]
        breaks += [(o - o0) / (o1 - o0) for o in self.surface.edges() if abs(o1 - o0) > FLAT_ANGLE]
        stops = sorted({low, high, *(b + e for b in breaks for e in (-1e-6, 1e-6) if low < b + e < high)})
        for at in stops:
            design = self.surface.elevation(*self.line.place(*where(at), self.slew))
            if design is not None:
                yield at, design + self.raised_m


class Against(Value, frozen=True):
    """Figures against the target; None where they are not known.

    Attributes:
        target_m: the target's elevation under the tip, layer included.
        station_m, offset_m: where on the line the tip is; None for a target that needs no station and
            has no line.
        deviation_m: vertical, tip centre.
        left_m, right_m: the same at the corners.
        heel_m: the smallest of the bucket's outline; None without one.
        perpendicular_m: at right angles to the target, tip centre.
        governing: the point that is lowest against the target: tip, left, right or heel.
        governing_m: its vertical deviation. governing_sigma_m: 1-sigma of that.
        face: of a ditch, the one that is nearest to the governing point; None for other targets.
        band: of the tip: on grade, above, below or cannot judge; None without a tolerance.
        governing_band: the same of the governing point, by its own deviation and sigma.
        floor_deg: the bucket floor's angle against the target's, positive nose up; None when not described.
        ahead: the target before and behind the tip.
    """

    target_m: float
    station_m: float | None
    offset_m: float | None
    deviation_m: float
    left_m: float | None
    right_m: float | None
    heel_m: float | None
    perpendicular_m: float | None
    governing: str
    governing_m: float
    governing_sigma_m: float
    face: Face | None
    band: str | None
    governing_band: str | None
    floor_deg: float | None
    ahead: TargetAhead


def outline_spots(
    bucket: Bucket, chain: Chain, pin: Point, angles: Sequence[float], offset_m: float
) -> list[Spot]:
    """The bucket's outline points (heel, back).

    Args:
        pin: the bucket pin, with the arm at `angles`, which are q of the chain.
        offset_m: added to a height to give an elevation.
    """
    if chain.tilt_axis is not None:
        places = (chain.point(angles, (x, 0.0, z))[0] for x, z in bucket.outline_m)
        return [Spot(reach, lateral, height + offset_m) for reach, lateral, height in places]
    spots = []
    theta, roll = angles[chain.bucket], angles[1]
    reach, lateral, height = pin
    for x, z in bucket.outline_m:
        out, up = x * math.cos(theta) - z * math.sin(theta), x * math.sin(theta) + z * math.cos(theta)
        spots.append(
            Spot(reach + out, lateral - up * math.sin(roll), height + up * math.cos(roll) + offset_m)
        )
    return spots


def measure(
    surface: Surface,
    raised_m: float,
    line: Alignment | None,
    slew: float,
    tip: Spot,
    left: Spot,
    right: Spot,
    heel: list[Spot],
    worth: Callable[[str, int], float],
    tolerance: Tolerance | None,
    floor_rad: float | None,
) -> Against | None:
    """Everything about the tip against `surface`; None where the target says nothing under the tip.

    Args:
        surface, raised_m: the target and how far its layer raises it.
        line: where stations are counted; None for a target without one.
        slew: the boom's slew angle, rad.
        tip, left, right: tip centre and corners.
        heel: points of the outline, may be empty.
        worth: 1-sigma of the elevation of tip, left, right, or the heel with that number, m, for the bands.
        floor_rad: angle of the bucket's floor against the horizontal, rad; None when not described.
    """
    where = line or NO_LINE

    def vertical(spot: Spot) -> float | None:
        design = surface.elevation(*where.place(spot.reach_m, spot.lateral_m, slew))
        return None if design is None else spot.elevation_m - design - raised_m

    station, offset = where.place(tip.reach_m, tip.lateral_m, slew)
    design = surface.elevation(station, offset)
    if design is None:
        return None
    deviation = tip.elevation_m - design - raised_m
    left_m, right_m = vertical(left), vertical(right)
    heels = [(d, i) for i, spot in enumerate(heel) if (d := vertical(spot)) is not None]
    heel_m, lowest_heel = min(heels) if heels else (None, 0)
    heel_spot = heel[lowest_heel] if heels else tip
    governing, lowest, point = "tip", deviation, tip
    for name, other, spot in (("left", left_m, left), ("right", right_m, right), ("heel", heel_m, heel_spot)):
        if other is not None and other < lowest:
            governing, lowest, point = name, other, spot
    turn = where.turn(slew)
    face = None
    if isinstance(surface, Ditch):
        there = where.place(point.reach_m, point.lateral_m, slew)
        face = surface.face(*there, point.elevation_m - raised_m)
    sigma = worth(governing, lowest_heel)
    floor = None
    if floor_rad is not None:
        along, cross = surface.slopes(station, offset)
        floor = _line_angle_deg(floor_rad - math.atan(along * math.cos(turn) + cross * math.sin(turn)))
    return Against(
        target_m=tip.elevation_m - deviation,
        station_m=station if line else None,
        offset_m=offset if line else None,
        deviation_m=deviation,
        left_m=left_m,
        right_m=right_m,
        heel_m=heel_m,
        perpendicular_m=surface.perpendicular(station, offset, tip.elevation_m - raised_m),
        governing=governing,
        governing_m=lowest,
        governing_sigma_m=sigma,
        face=face,
        band=tolerance.judge(deviation, worth("tip", 0)) if tolerance else None,
        governing_band=tolerance.judge(lowest, sigma) if tolerance else None,
        floor_deg=floor,
        ahead=TargetAhead(surface, raised_m, where, slew, tip.reach_m, tip.lateral_m),
    )


def _line_angle_deg(angle: float) -> float:
    """An angle between two lines in degrees, (-90, 90]: a floor has no front."""
    folded = math.degrees(angle) % 180.0
    return folded - 180.0 if folded > 90.0 else folded


def bucket_floor_rad(bucket: Bucket, theta: float) -> float | None:
    """Angle of the bucket's floor against the horizontal, rad; None when not described."""
    return None if bucket.floor_angle_deg is None else theta + math.radians(bucket.floor_angle_deg)


DatumState: TypeAlias = Literal["none", "set", "doubtful"]

LimitState: TypeAlias = Literal["within", "near", "beyond", "unknown"]


@dataclass(frozen=True, slots=True)
class LimitReport:
    """How far a limit is: m (degrees for slew), smallest over all points, margin, sigma and run-on taken off.

    `time_s` until it is reached at the present speed; None while moving away or standing.
    """

    kind: LimitKind
    state: LimitState
    point: str | None
    distance: float | None
    time_s: float | None
    reason: str = ""
    note: str = ""


class TipReport(Value, frozen=True):
    """One moment's figures; None where a figure is not known (the reasons say why).

    Attributes:
        t: s, the moment the figures are valid for.
        height_m: tip centre above the slew centre.
        elevation_m, left_m, right_m: in the height system of the reference.
        reach_m, lateral_m: along the boom plane from the slew axis, and left of it.
        sigma_m: 1-sigma of `elevation_m` relative to the reference, or of `height_m` without one.
        left_sigma_m, right_sigma_m: of the corners' elevations, of a bucket that tilts.
        sigma_prediction_m: the part of it that comes from predicting to `t`.
        quality, reasons: worst that applies.
        datum: state of the reference.
        deviation_m: tip minus target; None without a target or with a reference in doubt.
        pins: boom foot … tip; None when not known.
        offset_m: elevation minus height; None without a reference.
        slew_rad, pitch_rad, roll_rad: of the pose; pitch of the upper positive nose up, roll right side down.
        against: figures against the target; None without a target, or where they are not known.
        limits: one entry a limit that was set.
        edge: the cutting edge across the boom plane; None when not known.
        cutting: whether the edge cuts, see `tipdatum.grade.as_dug.EdgeWatch.follow`.
    """

    t: float
    height_m: float | None
    elevation_m: float | None
    left_m: float | None
    right_m: float | None
    reach_m: float | None
    lateral_m: float | None
    sigma_m: float | None
    sigma_prediction_m: float | None
    quality: Quality
    reasons: tuple[str, ...]
    datum: DatumState
    deviation_m: float | None
    pins: tuple[Point, ...] | None
    offset_m: float | None
    slew_rad: float = 0.0
    pitch_rad: float = 0.0
    roll_rad: float = 0.0
    against: Against | None = None
    limits: tuple[LimitReport, ...] = ()
    cutting: bool | None = None
    edge: Edge | None = None
    left_sigma_m: float | None = None
    right_sigma_m: float | None = None

    @classmethod
    def unknown(
        cls,
        t: float,
        quality: Quality,
        reasons: tuple[str, ...],
        datum: DatumState,
        limits: tuple[LimitReport, ...] = (),
    ) -> TipReport:
        """A moment without figures."""
        return cls(
            t=t,
            height_m=None,
            elevation_m=None,
            left_m=None,
            right_m=None,
            reach_m=None,
            lateral_m=None,
            sigma_m=None,
            sigma_prediction_m=None,
            quality=quality,
            reasons=tuple(reasons),
            datum=datum,
            deviation_m=None,
            pins=None,
            offset_m=None,
            limits=limits,
        )
