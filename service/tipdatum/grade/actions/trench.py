"""The trench and its surroundings: ground beside it, soil, whose figures apply, overhead lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from tipdatum.grade.cautions import Jurisdiction, Soil, line_caution, slope_caution
from tipdatum.grade.outcome import Body, Elevation, Order, Outcome, Spec, done
from tipdatum.grade.stillness import Touch

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class SetGround(Body):
    """The tip stands on the ground beside the trench, or its elevation is given."""

    elevation_m: Elevation | None = Field(
        default=None, description="elevation of the ground; left out: touched now"
    )


class NewTrench(Body):
    """Begin another trench: cautions are shown anew, the ground is not known."""

    name: str = Field(default="", max_length=40, description="what it is called")
    soil: Soil | None = Field(default=None, description="soil as a competent person classified it")


class SetJurisdiction(Body):
    """Whose figures cautions may quote. There is no default."""

    jurisdiction: Jurisdiction | None = Field(description='"us", or null for none')


class OverheadLine(Body):
    """An overhead line nearby."""

    kilovolts: Annotated[float, Field(gt=0, le=2000)] = Field(description="its voltage, from its owner")


def set_ground(work: Work, body: SetGround, order: Order) -> Outcome | None:
    """Know the ground, so that the depth of the trench is known."""

    def take(elevation: float) -> Outcome:
        work.state.trench.ground_m = elevation
        work.state.trench.deepest_m = None
        work.state.trench.shown = [s for s in work.state.trench.shown if s.name != "depth unknown"]
        work.changed()
        work.show_target_cautions(order.t)
        return done(order, f"Ground beside the trench at {elevation:.3f} m.", elevation_m=elevation)

    if body.elevation_m is not None:
        return take(body.elevation_m)
    work.need_reference("The ground's elevation cannot be measured")

    def carry_on(touch: Touch) -> Outcome:
        return take(work.elevation_of(touch)[0])

    return work.when_still(order, "tip", carry_on)


def new_trench(work: Work, body: NewTrench, order: Order) -> Outcome:
    """Begin another trench."""
    trench = work.state.trench
    trench.name, trench.soil, trench.ground_m, trench.deepest_m = body.name, body.soil, None, None
    trench.shown.clear()
    work.show_cautions(order.t, slope_caution(body.soil, trench.jurisdiction))
    work.show_target_cautions(order.t)
    work.changed()
    return done(
        order, f"New trench{' ' + body.name if body.name else ''}: touch the ground beside it (ground/set)."
    )


def set_jurisdiction(work: Work, body: SetJurisdiction, order: Order) -> Outcome:
    """Choose whose figures cautions may quote."""
    work.state.trench.jurisdiction = body.jurisdiction
    work.state.trench.shown.clear()
    work.show_target_cautions(order.t)
    work.changed()
    whose = "none" if body.jurisdiction is None else body.jurisdiction.upper()
    return done(order, f"Figures quoted in cautions: {whose}. Local rules and a competent person decide.")


def overhead_line(work: Work, body: OverheadLine, order: Order) -> Outcome:
    """Say what is known of the clearance to an overhead line."""
    caution = line_caution(body.kilovolts, work.state.trench.jurisdiction)
    work.show_cautions(order.t, [caution])
    return done(order, caution.text, source=caution.source)


COMMANDS = {
    "ground/set": Spec(
        SetGround, set_ground, "The tip stands on the ground beside the trench: know its depth."
    ),
    "trench/new": Spec(NewTrench, new_trench, "Begin another trench; cautions are shown anew."),
    "trench/jurisdiction": Spec(
        SetJurisdiction, set_jurisdiction, "Choose whose figures cautions may quote."
    ),
    "trench/overhead-line": Spec(OverheadLine, overhead_line, "Show the caution about an overhead line."),
}
