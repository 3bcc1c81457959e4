"""What must outlive a restart: one document, written by the shell whenever its revision has moved on."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from tipdatum.grade.book import LevelBook
from tipdatum.grade.document import Document
from tipdatum.grade.laser import Plane
from tipdatum.grade.limits import Limit
from tipdatum.grade.marks import Mark
from tipdatum.grade.pipe import Pipe
from tipdatum.grade.points import AsDug, AutoRecord
from tipdatum.grade.station import Line
from tipdatum.grade.stillness import TipPoint
from tipdatum.grade.targets import Layer, Target, Tolerance
from tipdatum.grade.trench import Trench


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
    touch_sigma_m: float = Field(description="1-sigma of touch_height_m as the pose knew it then")
    reach_m: float = Field(default=0.0, description="where it was touched")
    lateral_m: float = 0.0
    slew_rad: float = 0.0
    corrected_m: float = Field(default=0.0, description="sum of direct corrections since")
    posture: list[float] = Field(description="the arm's angles at the touch, rad")
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


class WorkState(Document):
    """Reference, marks, level book, target, bucket and what else was told to the service."""

    version: int = 1
    reference: Reference | None = None
    doubts: list[str] = Field(default_factory=list, description="why the reference is doubtful")
    travelled: bool = Field(default=False, description="the machine has probably changed its place since")
    place: int = Field(default=0, description="counts the machine's standing places")
    marks: dict[str, Mark] = Field(default_factory=dict)
    book: LevelBook = Field(default_factory=LevelBook)
    closed: Closed | None = None
    target: Target | None = None
    pipe: Pipe | None = None
    layers: list[Layer] = Field(default_factory=list)
    layer: str | None = None
    tolerance: Tolerance | None = None
    line: Line | None = None
    plane: Plane | None = None
    beam_fix: BeamFix | None = None
    bucket: str | None = None
    wear_m: dict[str, float] = Field(default_factory=dict, description="bucket → tip shorter by, m")
    limits: list[Limit] = Field(default_factory=list)
    trench: Trench = Field(default_factory=Trench)
    questions: list[str] = Field(default_factory=list, description="still to be asked this morning")
    points: list[AsDug] = Field(default_factory=list)
    auto: AutoRecord | None = None
    checked: Checked | None = None

    def snapshot(self) -> WorkState:
        """A copy to be written by another thread while the work goes on.

        The points in it are shared: there may be thousands, and a recorded one stays as it is but for the
        elevation that a distributed misclosure adds to it.
        """
        rest = self.model_copy(update={"points": []}).model_copy(deep=True)
        rest.points = list(self.points)
        return rest
