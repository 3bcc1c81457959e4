"""Buckets: which one is on, and how far its tip has worn."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Name, Outcome, Request, done
from tipdatum.grade.marks import find_mark
from tipdatum.grade.mounted import tip_gain, wear_from_touch
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.stillness import Touch
from tipdatum.grade.units import signed_mm
from tipdatum.sentences import sentence


class ChooseBucket(CommandBody):
    """The bucket that is mounted now."""

    name: Name = Field(description="as in the machine's description")


class MeasureWear(CommandBody):
    """The tip stands on a mark whose elevation is known, with the reference in request."""

    mark: Name | None = Field(default=None, description="the mark; left out: the one of the reference")


class SetWear(CommandBody):
    """Wear measured with a rule."""

    wear_m: Annotated[float, Field(ge=-0.2, le=0.5)] = Field(
        description="how much shorter the tip has become"
    )


def choose_bucket(site: Site, body: ChooseBucket, request: Request) -> Outcome:
    """Mount another bucket; the height of instrument stays as it is."""
    names = [b.name for b in site.mounted.description.bucket]
    if body.name not in names:
        raise CommandRefused(
            f'There is no bucket "{body.name}" in the description; there are: {", ".join(names)}.'
        )
    before = site.machine.bucket[0].name
    site.mount_bucket(body.name)
    site.answered("bucket")
    if before == body.name:
        return done(request, sentence("bucket-stays", bucket=body.name), bucket=body.name)
    site.ledger.tell(request.t, "bucket", f"Bucket changed from {before} to {body.name}.")
    bucket = site.machine.bucket[0]
    reference = "" if site.tie is None else sentence("check-new-bucket")
    return done(
        request,
        sentence("bucket-on", bucket=body.name, tip_m=bucket.tip_m, width=f"{bucket.width_m:.2f} m")
        + reference,
        bucket=body.name,
        tip_m=bucket.tip_m,
        width_m=bucket.width_m,
    )


def measure_wear(site: Site, body: MeasureWear, request: Request) -> Outcome | None:
    """Find the wear from a touch: what the mark reads wrong, the tip is shorter."""
    site.need_reference("Wear cannot be measured")
    reference = site.state.reference
    assert reference is not None
    if body.mark is None and (reference.how != "mark" or reference.mark is None):
        raise CommandRefused("Name the mark that the tip stands on: the reference was not set on one.")
    mark = site.state.marks.get(reference.mark or "") if body.mark is None else None
    if body.mark is not None:
        mark = find_mark(site.state.marks, body.mark)
    known = mark.elevation_m if mark else reference.known_m
    bucket = site.machine.bucket[0].name

    def carry_on(touch: Touch) -> Outcome:
        elevation, _ = site.elevation_of(touch)
        pose = site.known_pose()
        gain = tip_gain(pose.angles) - site.reference_gain(bucket)
        found = wear_from_touch(elevation - known, gain, site.touch_sigma(touch))
        total = site.state.wear_m.get(bucket, 0.0) + found.wear_m
        moved = site.set_wear(bucket, total)
        return done(
            request,
            f"{bucket} is worn by {total * 1000:.0f} mm (this touch: {signed_mm(found.wear_m)} mm, sigma "
            f"{found.sigma_m * 1000:.0f} mm).{_moved(moved)}",
            wear_m=total,
            sigma_m=found.sigma_m,
        )

    return site.when_still(request, "tip", carry_on)


def set_wear(site: Site, body: SetWear, request: Request) -> Outcome:
    """Enter the wear of the mounted bucket."""
    bucket = site.machine.bucket[0].name
    moved = site.set_wear(bucket, body.wear_m)
    return done(request, f"{bucket} is worn by {body.wear_m * 1000:.0f} mm.{_moved(moved)}", moved_m=moved)


def _moved(by_m: float) -> str:
    if by_m == 0.0:
        return " The reference was not moved."
    return f" The reference had been set with it: height of instrument {signed_mm(by_m)} mm."


COMMANDS = {
    "bucket/choose": Spec(ChooseBucket, choose_bucket, "Say which bucket is mounted; the reference stays."),
    "bucket/wear": Spec(MeasureWear, measure_wear, "Measure the mounted bucket's wear by touching a mark."),
    "bucket/wear-set": Spec(SetWear, set_wear, "Enter the mounted bucket's wear as measured with a rule."),
}
