"""Choosing what is dug to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.actions.datum import Elevation, Nothing
from tipdatum.grade.outcome import Body, Order, Outcome, Spec, done
from tipdatum.grade.targets import LevelTarget

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class SetLevel(Body):
    """One elevation everywhere, given as such or as a depth below the mark of the reference."""

    elevation_m: Elevation | None = Field(default=None, description="elevation to dig to, m")
    depth_m: Annotated[float, Field(ge=-50, le=50)] | None = Field(
        default=None, description="depth below the mark of the reference, m, positive down"
    )

    @model_validator(mode="after")
    def _one_of_both(self) -> SetLevel:
        if (self.elevation_m is None) == (self.depth_m is None):
            raise ValueError('either "elevation_m" or "depth_m"')
        return self


def set_level(work: Work, body: SetLevel, order: Order) -> Outcome:
    """Dig to one elevation."""
    if body.elevation_m is not None:
        elevation = body.elevation_m
    else:
        if work.tie is None:
            raise CommandRefused(
                "A depth needs a reference to be measured from: set one with datum/set first."
            )
        elevation = work.tie.record.known_m - (body.depth_m or 0.0)
    work.state.target = LevelTarget(elevation_m=elevation)
    work.changed()
    return done(order, f"Target: level at {elevation:.3f} m.", elevation_m=elevation)


def clear_target(work: Work, body: Nothing, order: Order) -> Outcome:
    """Forget the target."""
    work.state.target = None
    work.changed()
    return done(order, "Target cleared.")


COMMANDS = {
    "target/level": Spec(SetLevel, set_level, "Dig to one elevation, or to a depth below the reference."),
    "target/clear": Spec(Nothing, clear_target, "Forget the target."),
}
