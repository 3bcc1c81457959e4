"""Setting and clearing the reference by a touch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from tipdatum.grade.outcome import Body, Order, Outcome, Spec, done
from tipdatum.grade.reference import angle_variance, touch_noise
from tipdatum.grade.state import Reference
from tipdatum.grade.stillness import TipPoint, Touch

if TYPE_CHECKING:
    from tipdatum.grade.work import Work

Elevation = Annotated[float, Field(ge=-11000, le=9000)]
"""m; between the deepest sea and the highest mountain, so that a figure in millimetres is caught."""


class SetDatum(Body):
    """The tip (or a corner of the bucket) stands on a mark of known or assumed elevation."""

    elevation_m: Elevation = Field(description="elevation of the mark, m; 0 where it is assumed")
    point: TipPoint = Field(default="tip", description="what stands on the mark: tip, left or right corner")
    mark: str | None = Field(default=None, min_length=1, max_length=40, description="name of the mark")


class Nothing(Body):
    """A command without a body."""


def set_datum(work: Work, body: SetDatum, order: Order) -> Outcome | None:
    """Average the still moment and hang the height system on the machine."""

    def carry_on(touch: Touch) -> Outcome:
        establish(work, order, touch, body.elevation_m, body.mark)
        name = f"{body.mark} at " if body.mark else ""
        return done(
            order,
            f"Reference set: {name}{body.elevation_m:.3f} m, averaged over {touch.lasted_s:.1f} s, "
            f"spread {touch.spread_m * 1000:.0f} mm.",
            elevation_m=body.elevation_m,
            spread_m=touch.spread_m,
            lasted_s=touch.lasted_s,
        )

    return work.when_still(order, body.point, carry_on)


def establish(work: Work, order: Order, touch: Touch, elevation_m: float, mark: str | None) -> None:
    """Make `touch` the reference, at `elevation_m`.

    Raises:
        CommandRefused: the arm's position is not known.
    """
    pose = work.known_pose()
    jacobian = work.chain.height_jacobian(pose.angles)
    record = Reference(
        instrument_m=elevation_m - touch.height_m,
        how="mark",
        mark=mark,
        point=touch.point,
        known_m=elevation_m,
        touch_height_m=touch.height_m,
        touch_noise_m=touch_noise(touch, work.options.touch_sigma_m),
        touch_sigma_m=angle_variance(pose, jacobian) ** 0.5,
        posture=[float(a) for a in pose.angles],
        bucket=work.machine.bucket[0].name,
        t=order.t,
        time=work.time(order.t),
        by=order.by,
    )
    work.hang(record, order.t)


def clear_datum(work: Work, body: Nothing, order: Order) -> Outcome:
    """Forget the reference."""
    if work.tie is None:
        return done(order, "There was no reference.")
    work.unhang()
    work.tell(order.t, "datum-cleared", "The reference was cleared.")
    return done(order, "Reference cleared.")


COMMANDS = {
    "datum/set": Spec(SetDatum, set_datum, "The tip stands on a mark of this elevation: set the reference."),
    "datum/clear": Spec(Nothing, clear_datum, "Forget the reference."),
}
