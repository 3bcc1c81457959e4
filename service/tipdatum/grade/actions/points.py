"""As-dug points: record one, record by itself, clear them; the trench's volume."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.outcome import Body, Elevation, Nothing, Order, Outcome, Spec, done
from tipdatum.grade.points import AutoRecord, said, to_csv
from tipdatum.grade.provenance import provenance
from tipdatum.grade.volume import bottom, trench_volume

if TYPE_CHECKING:
    from tipdatum.grade.work import Work

Code = Annotated[str, Field(max_length=16)]
Plan = Annotated[float, Field(ge=-1e8, le=1e8)]


class RecordPoint(Body):
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


class AutoPoints(Body):
    """Record by itself while the bucket follows the target."""

    on: bool = Field(description="start or stop")
    step_m: Annotated[float, Field(ge=0.02, le=50)] = Field(
        default=0.25, description="distance between points"
    )
    within_m: Annotated[float, Field(ge=0.001, le=1)] = Field(
        default=0.05, description="only while the tip is this near to the target"
    )
    code: Code = Field(default="DUG", description="code of the points recorded")


class Volume(Body):
    """Volume of the trench from its points."""

    code: Code | None = Field(default=None, description="only points of this code")
    ground_m: Elevation | None = Field(
        default=None, description="elevation of the ground; left out: as in ground/set"
    )
    width_m: Annotated[float, Field(gt=0, le=20)] | None = Field(
        default=None, description="width of the trench; left out: of the mounted bucket"
    )


def record_point(work: Work, body: RecordPoint, order: Order) -> Outcome:
    """Record the tip."""
    work.need_reference("A point recorded now would be worthless")
    point = work.record(order.t, code=body.code, note=body.note, plan=(body.easting_m, body.northing_m))
    return done(order, said(point), **point.model_dump())


def auto_points(work: Work, body: AutoPoints, order: Order) -> Outcome:
    """Start or stop recording by itself."""
    if not body.on:
        work.state.auto = None
        work.changed()
        return done(order, "Automatic recording stopped.")
    if work.state.target is None:
        raise CommandRefused("Automatic recording follows the target: set one first.")
    work.state.auto = AutoRecord(step_m=body.step_m, within_m=body.within_m, code=body.code)
    work.changed()
    return done(
        order,
        f"Recording the lowest point of every {body.step_m:g} m along the target, while the tip is within "
        f"{body.within_m * 1000:.0f} mm of it.{_not_yet(work)}",
    )


def _not_yet(work: Work) -> str:
    if work.datum == "set":
        return ""
    return " Nothing is recorded while the reference is missing or doubtful, as it is now."


def clear_points(work: Work, body: Nothing, order: Order) -> Outcome:
    """Forget all points; export them first."""
    count = len(work.state.points)
    work.state.points = []
    work.changed()
    return done(order, f"{count} points cleared.", cleared=count)


def volume(work: Work, body: Volume, order: Order) -> Outcome:
    """Bank volume of the trench, by average end area."""
    ground = body.ground_m if body.ground_m is not None else work.state.trench.ground_m
    if ground is None:
        raise CommandRefused(
            "The ground's elevation is not known: touch it with ground/set, or give ground_m."
        )
    points = [p for p in work.state.points if body.code in (None, p.code)]
    measured = [(p.station_m, p.elevation_m) for p in points if p.station_m is not None]
    along = ""
    if not measured and len({p.setup for p in points}) == 1:
        # A level target has no line; from one place the reach tells as well how far apart points are.
        measured, along = [(p.reach_m, p.elevation_m) for p in points], " of reach"
    chosen = bottom(measured)
    if len(chosen) < 2:
        raise CommandRefused(
            "A volume needs at least two points apart, with a station (station/set before they are recorded) "
            "or all of one set-up."
        )
    width = body.width_m or work.machine.bucket[0].width_m
    cubic = trench_volume(chosen, ground, width)
    length = chosen[-1][0] - chosen[0][0]
    passed = (
        f", {len(measured) - len(chosen)} left out where a lower one is near"
        if len(measured) > len(chosen)
        else ""
    )
    return done(
        order,
        f"{cubic:.2f} m³ bank volume over {length:.2f} m{along} from {len(chosen)} points{passed}; "
        f"{width:.2f} m wide, vertical walls assumed.",
        volume_m3=cubic,
        length_m=length,
        width_m=width,
        points=len(chosen),
    )


class ExportPoints(Body):
    """Points as CSV, some hundred at a time."""

    first: Annotated[int, Field(ge=1)] = Field(default=1, description="number of the first point")
    most: Annotated[int, Field(ge=1, le=1000)] = Field(default=500, description="how many at most")


def export_points(work: Work, body: ExportPoints, order: Order) -> Outcome:
    """Give the points out; `next` in the result is the first that did not fit."""
    wanted = [p for p in work.state.points if p.number >= body.first]
    chosen = wanted[: body.most]
    following = wanted[body.most].number if len(wanted) > body.most else None
    text = to_csv(chosen, provenance(work.description, work.state))
    return done(order, f"{len(chosen)} points.", text=text, next=following, points=len(chosen))


COMMANDS = {
    "point/export": Spec(ExportPoints, export_points, "Give the as-dug points out as CSV."),
    "point/record": Spec(RecordPoint, record_point, "Record the tip as an as-dug point."),
    "point/auto": Spec(AutoPoints, auto_points, "Record by itself while the bucket follows the target."),
    "point/clear": Spec(Nothing, clear_points, "Forget all as-dug points."),
    "volume/trench": Spec(Volume, volume, "Bank volume of the trench from its points."),
}
