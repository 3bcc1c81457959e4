"""Buckets: which one is on, and how far its tip has worn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.marks import find_mark
from tipdatum.grade.outcome import Body, Name, Order, Outcome, Spec, done
from tipdatum.grade.setup import touch_sigma
from tipdatum.grade.stillness import Touch
from tipdatum.grade.units import signed_mm
from tipdatum.grade.wear import tip_gain, wear_from_touch

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class ChooseBucket(Body):
    """The bucket that is mounted now."""

    name: Name = Field(description="as in the machine's description")


class MeasureWear(Body):
    """The tip stands on a mark whose elevation is known, with the reference in order."""

    mark: Name | None = Field(default=None, description="the mark; left out: the one of the reference")


class SetWear(Body):
    """Wear measured with a rule."""

    wear_m: Annotated[float, Field(ge=-0.2, le=0.5)] = Field(
        description="how much shorter the tip has become"
    )


def choose_bucket(work: Work, body: ChooseBucket, order: Order) -> Outcome:
    """Mount another bucket; the height of instrument stays as it is."""
    names = [b.name for b in work.description.bucket]
    if body.name not in names:
        raise CommandRefused(
            f'There is no bucket "{body.name}" in the description; there are: {", ".join(names)}.'
        )
    before = work.machine.bucket[0].name
    work.mount_bucket(body.name)
    work.answered("bucket")
    if before == body.name:
        return done(order, f"{body.name} stays on.", bucket=body.name)
    work.tell(order.t, "bucket", f"Bucket changed from {before} to {body.name}.")
    bucket = work.machine.bucket[0]
    reference = (
        ""
        if work.tie is None
        else " The reference stays; check it with the new bucket on a mark (mark/check)."
    )
    return done(
        order,
        f"Bucket {body.name} is on: tip {bucket.tip_m:.3f} m from the pin, {bucket.width_m:.2f} m "
        f"wide.{reference}",
        bucket=body.name,
        tip_m=bucket.tip_m,
        width_m=bucket.width_m,
    )


def measure_wear(work: Work, body: MeasureWear, order: Order) -> Outcome | None:
    """Find the wear from a touch: what the mark reads wrong, the tip is shorter."""
    work.need_reference("Wear cannot be measured")
    reference = work.state.reference
    assert reference is not None
    if body.mark is None and (reference.how != "mark" or reference.mark is None):
        raise CommandRefused("Name the mark that the tip stands on: the reference was not set on one.")
    mark = work.state.marks.get(reference.mark or "") if body.mark is None else None
    if body.mark is not None:
        mark = find_mark(work.state.marks, body.mark)
    known = mark.elevation_m if mark else reference.known_m
    bucket = work.machine.bucket[0].name

    def carry_on(touch: Touch) -> Outcome:
        elevation, _ = work.elevation_of(touch)
        pose = work.known_pose()
        gain = tip_gain(pose.angles) - work.reference_gain(bucket)
        found = wear_from_touch(elevation - known, gain, touch_sigma(work, touch))
        total = work.state.wear_m.get(bucket, 0.0) + found.wear_m
        moved = work.set_wear(bucket, total)
        return done(
            order,
            f"{bucket} is worn by {total * 1000:.0f} mm (this touch: {signed_mm(found.wear_m)} mm, sigma "
            f"{found.sigma_m * 1000:.0f} mm).{_moved(moved)}",
            wear_m=total,
            sigma_m=found.sigma_m,
        )

    return work.when_still(order, "tip", carry_on)


def set_wear(work: Work, body: SetWear, order: Order) -> Outcome:
    """Enter the wear of the mounted bucket."""
    bucket = work.machine.bucket[0].name
    moved = work.set_wear(bucket, body.wear_m)
    return done(order, f"{bucket} is worn by {body.wear_m * 1000:.0f} mm.{_moved(moved)}", moved_m=moved)


def _moved(by_m: float) -> str:
    if by_m == 0.0:
        return " The reference was not moved."
    return f" The reference had been set with it: height of instrument {signed_mm(by_m)} mm."


COMMANDS = {
    "bucket/choose": Spec(ChooseBucket, choose_bucket, "Say which bucket is mounted; the reference stays."),
    "bucket/wear": Spec(MeasureWear, measure_wear, "Measure the mounted bucket's wear by touching a mark."),
    "bucket/wear-set": Spec(SetWear, set_wear, "Enter the mounted bucket's wear as measured with a rule."),
}
