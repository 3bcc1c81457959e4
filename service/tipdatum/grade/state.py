"""What must outlive a restart: one document, made of documents that never change.

The shell writes it whenever its revision has moved on. `tipdatum.grade.ledger` alone replaces it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal, TypeAlias

from pydantic import Field

from tipdatum.grade.forms import Document, Jurisdiction
from tipdatum.grade.levels import LevelBook
from tipdatum.grade.surfaces import Alignment, Layer, Target, Tolerance
from tipdatum.grade.touch import TipPoint, Touch
from tipdatum.sentences import sentence

Soil: TypeAlias = Literal["stable rock", "A", "B", "C"]
LimitKind: TypeAlias = Literal["ceiling", "floor", "near reach", "far reach", "slew left", "slew right"]

SAME_PLACE_M = 0.15
"""A mark found this near to where it was shows that the machine has not travelled, m."""


class Spotted(Document):
    """Where a mark was seen in plan, from one standing place of the machine: m, slew rad."""

    place: int
    reach_m: float
    lateral_m: float
    slew_rad: float

    def same_place(self, touch: Touch, slew_known: bool) -> bool:
        """Whether `touch` meets the mark where it was, so that the machine has not travelled.

        Without a slew sensor only the reach can tell, and a machine that turned about the mark is missed.
        """
        if not slew_known:
            return abs(touch.reach_m - self.reach_m) <= SAME_PLACE_M
        turn = touch.slew_rad - self.slew_rad
        across = 2.0 * self.reach_m * math.sin(turn / 2.0)
        return math.hypot(touch.reach_m - self.reach_m, across) <= SAME_PLACE_M


class Mark(Document):
    """A mark and its elevation in the height system.

    Attributes:
        known: given by somebody (a benchmark); False for one that was measured here (a turning point).
        sigma_m: 1-sigma of the elevation, without what is alike in all touches.
        touch_common_m: its error for 1 sigma of that, signed.
        station_m: where along the line it lies; None where it was not touched with the boom in line.
        spotted: where the present or an earlier set-up saw it.
    """

    elevation_m: float
    known: bool
    sigma_m: float = 0.0
    touch_common_m: float = 0.0
    station_m: float | None = None
    spotted: Spotted | None = None
    setup_in_line: int = 0
    time: str = ""


class Reference(Document):
    """The height system as it hangs on the machine: the elevation of the slew centre at rest.

    `instrument_m` is that elevation, as a surveyor's height of instrument. Everything else tells where it
    comes from and how sure it is.
    """

    instrument_m: float
    how: Literal["mark", "laser", "other"]
    mark: str | None = None
    point: TipPoint = "tip"
    known_m: float = Field(description="elevation of what was touched")
    known_sigma_m: float = Field(default=0.0, description="1-sigma of that elevation in the height system")
    touch_height_m: float = Field(description="mean height above the slew centre at the touch")
    touch_noise_m: float = Field(default=0.0, description="1-sigma of standing on the mark and of averaging")
    touch_common_m: float = Field(
        default=0.0,
        description="error for 1 sigma of what is alike in all touches, signed: below 0 where a touch too "
        "high makes elevations too low",
    )
    touch_sigma_m: float = Field(description="1-sigma of touch_height_m as the pose knew it then")
    reach_m: float = Field(default=0.0, description="where it was touched")
    lateral_m: float = 0.0
    slew_rad: float = 0.0
    posture: tuple[float, ...] = Field(description="the arm's angles at the touch, rad")
    bucket: str = Field(description="bucket that was on at the touch")
    t: float
    time: str = ""
    by: str = ""


class BeamFix(Document):
    """Where a laser's plane was last met in this set-up, for a depth below it: m above the slew centre."""

    height_m: float
    reach_m: float
    sigma_m: float
    time: str = ""


class Closed(Document):
    """The last closing on a benchmark, until it is distributed or another one comes."""

    misclosure_m: float
    setups: int
    allowable_m: float
    k_m: float
    line_from: int
    rows: int = Field(description="rows of the book at that moment")
    distributed: bool = False


class Checked(Document):
    """The last check on a known mark, kept for the record of who checked."""

    mark: str
    off_m: float
    sigma_m: float
    passed: bool | None = Field(default=None, description="within what was allowed")
    time: str = ""
    by: str = ""


class Plane(Document):
    """The laser's plane: level, or falling along the line with `elevation_m` at station 0."""

    elevation_m: float
    grade: float = 0.0
    note: str = ""


class Limit(Document):
    """One limit of the work space.

    `value` is an elevation (ceiling, floor) or a reach in m, or a slew angle in degrees, positive left.
    """

    kind: LimitKind
    value: float
    margin_m: float = Field(default=0.3, ge=0, le=10, description="body around a pin, m")
    warn_m: float = Field(default=0.5, ge=0, le=10, description="near from this distance on")
    warn_s: float = Field(default=2.0, ge=0, le=30, description="near from this time on")
    note: str = ""


class ShownCaution(Document):
    """A caution as it was shown, kept in the state."""

    name: str
    text: str
    source: str = ""
    time: str = ""


class Trench(Document):
    """What was told of the present trench; a new trench or a new day starts anew with the cautions.

    `jurisdiction` has no default: whose figures apply is for people to say.
    """

    name: str = ""
    ground_m: float | None = Field(default=None, description="elevation of the ground beside it")
    soil: Soil | None = None
    jurisdiction: Jurisdiction | None = None
    deepest_m: float | None = Field(default=None, description="largest depth reached")
    day: str = ""
    shown: tuple[ShownCaution, ...] = ()

    def depth(self, elevation_m: float) -> float | None:
        """Depth of an elevation below the ground, m; None without the ground's."""
        return None if self.ground_m is None else self.ground_m - elevation_m


class Pipe(Document):
    """A pipe to be laid; elevations and thicknesses in m, `grade` rising away from the machine.

        trench bottom = invert - wall thickness - bedding - over-dig

    The fall follows from the inverts at two manholes and the length between them; the invert at a station is
    the one at the start plus fall times distance. Worked example in the tests: NAVEDTRA 14070, pipe
    stake-out.
    """

    invert_m: float
    grade: float
    wall_m: float = 0.0
    bedding_m: float = 0.0
    overdig_m: float = 0.0

    @property
    def below_invert_m(self) -> float:
        """How far the trench bottom lies below the invert."""
        return self.wall_m + self.bedding_m + self.overdig_m

    def invert_at(self, distance_m: float) -> float:
        """Invert at a distance from the start."""
        return self.invert_m + self.grade * distance_m

    def bottom_at(self, distance_m: float) -> float:
        """Level to dig to at a distance from the start."""
        return self.invert_at(distance_m) - self.below_invert_m


class AsDug(Document):
    """One as-dug point. Plan position as easting and northing only where somebody gave it."""

    number: int
    elevation_m: float
    sigma_m: float
    code: str = ""
    note: str = ""
    reach_m: float
    lateral_m: float
    station_m: float | None = None
    offset_m: float | None = None
    easting_m: float | None = None
    northing_m: float | None = None
    deviation_m: float | None = None
    adjusted_m: float | None = Field(
        default=None, description="elevation with its share of a misclosure that was distributed later"
    )
    setup: int = 0
    bucket: str = ""
    automatic: bool = False
    time: str = ""


class AutoRecord(Document):
    """Record by itself while the bucket follows the target; see `tipdatum.grade.points`."""

    step_m: float = Field(default=0.25, description="a point for each such distance along the target")
    within_m: float = Field(default=0.05, description="only while the tip is this near to the target")
    code: str = "DUG"


class WorkState(Document):
    """Reference, marks, level book, target, bucket and what else was told to the service."""

    version: int = 1
    reference: Reference | None = None
    doubts: tuple[str, ...] = Field(default=(), description="why the reference is doubtful")
    travelled: bool = Field(default=False, description="the machine has probably changed its place since")
    place: int = Field(default=0, description="counts the machine's standing places")
    marks: Mapping[str, Mark] = Field(default_factory=dict)
    book: LevelBook = Field(default_factory=LevelBook)
    closed: Closed | None = None
    target: Target | None = None
    pipe: Pipe | None = None
    layers: tuple[Layer, ...] = ()
    layer: str | None = None
    tolerance: Tolerance | None = None
    line: Alignment | None = None
    plane: Plane | None = None
    beam_fix: BeamFix | None = None
    bucket: str | None = None
    wear_m: Mapping[str, float] = Field(default_factory=dict, description="bucket → tip shorter by, m")
    limits: tuple[Limit, ...] = ()
    trench: Trench = Field(default_factory=Trench)
    questions: tuple[str, ...] = Field(default=(), description="still to be asked this morning")
    points: tuple[AsDug, ...] = ()
    auto: AutoRecord | None = None
    checked: Checked | None = None


SAME_ELEVATION_M = 0.0005
"""Elevations that print alike, m."""


def noted_otherwise(marks: Mapping[str, Mark], name: str, elevation_m: float) -> str:
    """A sentence where a mark of that name had been noted at another elevation, otherwise nothing."""
    mark = marks.get(name)
    if mark is None or abs(mark.elevation_m - elevation_m) < SAME_ELEVATION_M:
        return ""
    return sentence("mark-was", mark=name, elevation_m=mark.elevation_m)
