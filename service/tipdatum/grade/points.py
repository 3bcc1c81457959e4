"""As-dug points: record one, record by itself, give them out, clear them; the trench's volume.

They are a record of the machine's own figures, in a form that a survey program reads; not a certified survey.

Which moments become points while the bucket follows the target: a tip that comes near the target is not yet
where the ground was left: what was dug is where it was lowest. So the way along the target is taken in
stretches of one step, and of each the moment in which the tip was lowest against the target is recorded. A
tip that only dips through the band and comes up again, without going along for half a step, follows nothing.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.as_dug import bottom, trench_volume
from tipdatum.grade.forms import CommandBody, Destroying, Elevation, Outcome, Request, done
from tipdatum.grade.report import TipReport
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import AsDug, AutoRecord, WorkState
from tipdatum.grade.units import csv_cell, signed_mm
from tipdatum.machine.description import Machine
from tipdatum.sentences import sentence

MOST = 5000
"""Points kept in the state; further ones are refused until some are exported and cleared."""

NO_SURVEY = "Record of what the machine measured; not a certified survey."


def point_in_words(point: AsDug) -> str:
    """A point in one line."""
    return sentence(
        "point-recorded",
        number=point.number,
        elevation_m=point.elevation_m,
        sigma_fine_m=point.sigma_m,
        label=f" {point.code}" if point.code else "",
    )


COLUMNS = (
    "point", "easting_m", "northing_m", "station_m", "offset_m", "reach_m", "lateral_m", "elevation_m",
    "adjusted_m", "code", "sigma_m", "deviation_m", "setup", "time", "note",
)  # fmt: skip


def to_csv(points: Iterable[AsDug], says: Sequence[str] = ()) -> str:
    """Points as CSV with a header line; lines of `says` come before it behind a #.

    `elevation_m` is what was recorded, `adjusted_m` the same with its share of a misclosure that was
    distributed later. Empty cells are not known: easting and northing where nobody gave them, station where
    it was lost. Cells that a spreadsheet would take for a formula are led by an apostrophe.
    """
    out = io.StringIO()
    for line in says:
        out.write(f"# {line}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for p in points:
        values = [p.number, *(getattr(p, column) for column in COLUMNS[1:])]
        writer.writerow([csv_cell(v) for v in values])
    return out.getvalue()


LEAST_SHARE = 0.5
"""Share of a step that the tip has to go along the target for a point."""


@dataclass(slots=True)
class _Stretch:
    """The stretch being gone through: where it began, how far it has come, its lowest moment."""

    start_m: float
    gone_m: float
    lowest: TipReport
    deviation_m: float


class TargetFollower:
    """Fed with every tick's report; gives the moments to record."""

    def __init__(self) -> None:
        self._stretch: _Stretch | None = None

    def forget(self) -> None:
        """The stretch so far is worth nothing: the reference came into doubt, the recording was stopped."""
        self._stretch = None

    def moment(self, report: TipReport, auto: AutoRecord) -> TipReport | None:
        """The lowest moment of a stretch that has just been completed or left, if it is worth a point."""
        against = report.against
        if against is None or report.reach_m is None or report.elevation_m is None:
            self.forget()
            return None
        if abs(against.deviation_m) > auto.within_m:
            return self._end(auto)
        along = against.station_m if against.station_m is not None else report.reach_m
        deviation, stretch = against.deviation_m, self._stretch
        if stretch is not None and abs(along - stretch.start_m) >= auto.step_m:
            stretch.gone_m = auto.step_m
            done = self._end(auto)
            self._stretch = _Stretch(along, 0.0, report, deviation)
            return done
        if stretch is None:
            self._stretch = _Stretch(along, 0.0, report, deviation)
            return None
        stretch.gone_m = max(stretch.gone_m, abs(along - stretch.start_m))
        if deviation < stretch.deviation_m:
            stretch.lowest, stretch.deviation_m = report, deviation
        return None

    def _end(self, auto: AutoRecord) -> TipReport | None:
        stretch, self._stretch = self._stretch, None
        if stretch is None or stretch.gone_m < LEAST_SHARE * auto.step_m:
            return None
        return stretch.lowest


def provenance(machine: Machine, state: WorkState) -> list[str]:
    """Lines for the head of an export."""
    calibration = machine.calibration
    by, when = calibration.get("by"), calibration.get("date") or calibration.get("time")
    lines = [
        f"{machine.name}. {NO_SURVEY}",
        f"Calibrated by {by or 'nobody named'}{f', {when}' if when else ''}.",
    ]
    if state.checked is None:
        lines.append("Not checked on a mark.")
    else:
        c = state.checked
        who = f" by {c.by}" if c.by else ""
        lines.append(
            f"Checked on {c.mark}{who}{f', {c.time}' if c.time else ''}: off by {signed_mm(c.off_m)} mm"
            f"{'' if c.passed is None else ', passed' if c.passed else ', NOT PASSED'}."
        )
    return lines


Code = Annotated[str, Field(max_length=16)]
Plan = Annotated[float, Field(ge=-1e8, le=1e8)]


class RecordPoint(CommandBody):
    """Record the tip as it is now."""

    code: Code = Field(default="", description="what it is, such as INV or TOP")
    note: str = Field(default="", max_length=80, description="anything worth remembering")
    easting_m: Plan | None = Field(default=None, description="only where somebody knows it")
    northing_m: Plan | None = Field(default=None, description="only where somebody knows it")

    @model_validator(mode="after")
    def _both_or_none(self) -> RecordPoint:
        if (self.easting_m is None) != (self.northing_m is None):
            raise ValueError('"easting_m" and "northing_m" together')
        return self


class AutoPoints(CommandBody):
    """Record by itself while the bucket follows the target."""

    on: bool = Field(description="start or stop")
    step_m: Annotated[float, Field(ge=0.02, le=50)] = Field(
        default=0.25, description="distance between points"
    )
    within_m: Annotated[float, Field(ge=0.001, le=1)] = Field(
        default=0.05, description="only while the tip is this near to the target"
    )
    code: Code = Field(default="DUG", description="code of the points recorded")


class Volume(CommandBody):
    """Volume of the trench from its points."""

    code: Code | None = Field(default=None, description="only points of this code")
    ground_m: Elevation | None = Field(
        default=None, description="elevation of the ground; left out: as in ground/set"
    )
    width_m: Annotated[float, Field(gt=0, le=20)] | None = Field(
        default=None, description="width of the trench; left out: of the mounted bucket"
    )


def record(
    site: Site,
    t: float,
    code: str,
    note: str = "",
    plan: tuple[float | None, float | None] = (None, None),
    at: TipReport | None = None,
) -> AsDug:
    """Record the tip as it was at the last tick, or by itself as it was `at` an earlier one.

    Raises:
        CommandRefused: it is not known, or the list is full.
    """
    tip, automatic, state = at or site.last, at is not None, site.state
    if tip is None or tip.elevation_m is None or tip.reach_m is None or tip.lateral_m is None:
        site.known_pose()
        raise CommandRefused(sentence("no-elevation-now"))
    if len(state.points) >= MOST:
        raise CommandRefused(sentence("points-full", most=MOST))
    line = state.line
    known = line is not None and not line.lost
    place = line.place(tip.reach_m, tip.lateral_m, tip.slew_rad) if line and known else (None, None)
    point = AsDug(
        number=state.points[-1].number + 1 if state.points else 1,
        elevation_m=tip.elevation_m,
        sigma_m=tip.sigma_m or 0.0,
        code=code,
        note=note,
        reach_m=tip.reach_m,
        lateral_m=tip.lateral_m,
        station_m=place[0],
        offset_m=place[1],
        easting_m=plan[0],
        northing_m=plan[1],
        deviation_m=tip.deviation_m,
        setup=state.book.setup,
        bucket=site.mounted.bucket,
        automatic=automatic,
        time=site.ledger.time(tip.t),
    )
    site.ledger.change(notice="soon" if automatic else "at once", points=(*state.points, point))
    site.ledger.tell(t, "point", point_in_words(point), data=point.model_dump())
    return point


def record_by_itself(site: Site, follower: TargetFollower, report: TipReport) -> None:
    """Record what the follower gives, while that was asked for and the reference can be relied on."""
    auto = site.state.auto
    if auto is None or report.datum != "set":
        follower.forget()
        return
    lowest = follower.moment(report, auto)
    if lowest is None:
        return
    try:
        record(site, report.t, auto.code, at=lowest)
    except CommandRefused as reason:
        site.change(auto=None)
        site.ledger.tell(report.t, "points-full", sentence("recording-stopped") + " " + str(reason))


def record_point(site: Site, body: RecordPoint, request: Request) -> Outcome:
    """Record the tip."""
    site.need_reference(sentence("point-worthless"))
    plan = (body.easting_m, body.northing_m)
    point = record(site, request.t, body.code, body.note, plan)
    return done(request, point_in_words(point), **point.model_dump())


def auto_points(site: Site, body: AutoPoints, request: Request) -> Outcome:
    """Start or stop recording by itself."""
    if not body.on:
        site.change(auto=None)
        return done(request, sentence("recording-stopped"))
    if site.state.target is None:
        raise CommandRefused(sentence("recording-needs-target"))
    site.change(auto=AutoRecord(step_m=body.step_m, within_m=body.within_m, code=body.code))
    return done(
        request,
        sentence("recording", step_coarse_m=body.step_m, within_fine_m=body.within_m) + _not_yet(site),
    )


def _not_yet(site: Site) -> str:
    if site.datum == "set":
        return ""
    return sentence("recording-not-yet")


def clear_points(site: Site, body: Destroying, request: Request) -> Outcome:
    """Forget all points; export them first."""
    request.must_be_meant(body)
    count = len(site.state.points)
    site.change(points=())
    return done(request, sentence("points-cleared", count=count), cleared=count)


def volume(site: Site, body: Volume, request: Request) -> Outcome:
    """Bank volume of the trench, by average end area."""
    ground = body.ground_m if body.ground_m is not None else site.state.trench.ground_m
    if ground is None:
        raise CommandRefused(sentence("volume-needs-ground"))
    points = [p for p in site.state.points if body.code in (None, p.code)]
    measured = [(p.station_m, p.elevation_m) for p in points if p.station_m is not None]
    along: str = ""
    if not measured and len({p.setup for p in points}) == 1:
        # A level target has no line; from one place the reach tells as well how far apart points are.
        measured, along = [(p.reach_m, p.elevation_m) for p in points], sentence("volume-of-reach")
    chosen = bottom(measured)
    if len(chosen) < 2:
        raise CommandRefused(sentence("volume-needs-points"))
    width = body.width_m or site.machine.bucket[0].width_m
    cubic = trench_volume(chosen, ground, width)
    length = chosen[-1][0] - chosen[0][0]
    passed = len(measured) - len(chosen)
    return done(
        request,
        sentence(
            "volume",
            cubic_m3=cubic,
            length_coarse_m=length,
            along=along,
            count=len(chosen),
            passed=sentence("volume-passed", count=passed) if passed else "",
            width_coarse_m=width,
        ),
        volume_m3=cubic,
        length_m=length,
        width_m=width,
        points=len(chosen),
    )


class ExportPoints(CommandBody):
    """Points as CSV, some hundred at a time."""

    first: Annotated[int, Field(ge=1)] = Field(default=1, description="number of the first point")
    most: Annotated[int, Field(ge=1, le=1000)] = Field(default=500, description="how many at most")


def export_points(site: Site, body: ExportPoints, request: Request) -> Outcome:
    """Give the points out; `next` in the result is the first that did not fit."""
    wanted = [p for p in site.state.points if p.number >= body.first]
    chosen = wanted[: body.most]
    following = wanted[body.most].number if len(wanted) > body.most else None
    text = to_csv(chosen, provenance(site.mounted.description, site.state))
    return done(
        request, sentence("points-given", count=len(chosen)), text=text, next=following, points=len(chosen)
    )


COMMANDS = {
    "point/export": Spec(ExportPoints, export_points, "Give the as-dug points out as CSV."),
    "point/record": Spec(RecordPoint, record_point, "Record the tip as an as-dug point."),
    "point/auto": Spec(AutoPoints, auto_points, "Record by itself while the bucket follows the target."),
    "point/clear": Spec(Destroying, clear_points, "Forget all as-dug points."),
    "volume/trench": Spec(Volume, volume, "Bank volume of the trench from its points."),
}
