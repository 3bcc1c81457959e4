"""Buckets: which one is on, and how far its tip has worn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Name, Outcome, Request, done
from tipdatum.grade.marks import find_mark
from tipdatum.grade.reference import tip_gain
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.touch import Touch
from tipdatum.sentences import sentence

STEEP_ENOUGH = 0.5
"""Least |gain| of wear on height: a tip less than 30° from level hardly shows it, and any error would be
taken for wear."""

MOST_WEAR_M = 0.5


@dataclass(frozen=True, slots=True)
class Wear:
    """How much shorter the tip is than assumed, and 1-sigma of it, m."""

    wear_m: float
    sigma_m: float


def wear_from_touch(off_m: float, gain: float, sigma_m: float) -> Wear:
    """Wear when a touched mark reads `off_m` m too high (found less known).

    Height above the bucket pin is L·sin θ·cos φ, so that with a tip shorter by w the computed height is
    w·sin θ·cos φ off: with the tip pointing down (θ about -90°) a worn tip reads too low, by about w. Where
    the reference itself was set with this bucket only the change of sin θ·cos φ since then shows.

    Args:
        gain: sin θ·cos φ now, less the same at the reference if that was set with this bucket.

    Raises:
        CommandRefused: the posture cannot tell, or the figure is no wear.
    """
    if abs(gain) < STEEP_ENOUGH:
        raise CommandRefused(sentence("wear-does-not-show"))
    wear = off_m / gain
    if abs(wear) > MOST_WEAR_M:
        raise CommandRefused(sentence("wear-is-none", off_signed_m=off_m))
    return Wear(wear, sigma_m / abs(gain))


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
        raise CommandRefused(sentence("no-bucket", bucket=body.name, names=", ".join(names)))
    before = site.machine.bucket[0].name
    site.mount_bucket(body.name)
    site.answered("bucket")
    if before == body.name:
        return done(request, sentence("bucket-stays", bucket=body.name), bucket=body.name)
    site.ledger.tell(request.t, "bucket", sentence("bucket-changed", before=before, bucket=body.name))
    bucket = site.machine.bucket[0]
    reference = "" if site.tie is None else sentence("check-new-bucket")
    return done(
        request,
        sentence("bucket-on", bucket=body.name, tip_m=bucket.tip_m, width_coarse_m=bucket.width_m)
        + reference,
        bucket=body.name,
        tip_m=bucket.tip_m,
        width_m=bucket.width_m,
    )


def measure_wear(site: Site, body: MeasureWear, request: Request) -> Outcome | None:
    """Find the wear from a touch: what the mark reads wrong, the tip is shorter."""
    site.need_reference(sentence("wear-needs-reference"))
    reference = site.state.reference
    assert reference is not None
    if body.mark is None and (reference.how != "mark" or reference.mark is None):
        raise CommandRefused(sentence("wear-needs-mark"))
    mark = site.state.marks.get(reference.mark or "") if body.mark is None else None
    if body.mark is not None:
        mark = find_mark(site.state.marks, body.mark)
    known = mark.elevation_m if mark else reference.known_m
    bucket = site.machine.bucket[0].name

    def carry_on(touch: Touch) -> Outcome:
        elevation, _ = site.elevation_of(touch)
        pose = site.known_pose()
        gain = tip_gain(site.chain, pose.angles) - site.reference_gain(bucket)
        found = wear_from_touch(elevation - known, gain, site.touch_sigma(touch))
        total = site.state.wear_m.get(bucket, 0.0) + found.wear_m
        moved = site.set_wear(bucket, total)
        return done(
            request,
            sentence(
                "wear-measured",
                bucket=bucket,
                wear_fine_m=total,
                this_signed_m=found.wear_m,
                sigma_fine_m=found.sigma_m,
            )
            + _moved(moved),
            wear_m=total,
            sigma_m=found.sigma_m,
        )

    return site.when_still(request, "tip", carry_on)


def set_wear(site: Site, body: SetWear, request: Request) -> Outcome:
    """Enter the wear of the mounted bucket."""
    bucket = site.machine.bucket[0].name
    moved = site.set_wear(bucket, body.wear_m)
    told = sentence("wear-entered", bucket=bucket, wear_fine_m=body.wear_m)
    return done(request, told + _moved(moved), moved_m=moved)


def _moved(by_m: float) -> str:
    if by_m == 0.0:
        return sentence("wear-reference-stays")
    return sentence("wear-reference-moved", by_signed_m=by_m)


COMMANDS = {
    "bucket/choose": Spec(ChooseBucket, choose_bucket, "Say which bucket is mounted; the reference stays."),
    "bucket/wear": Spec(MeasureWear, measure_wear, "Measure the mounted bucket's wear by touching a mark."),
    "bucket/wear-set": Spec(SetWear, set_wear, "Enter the mounted bucket's wear as measured with a rule."),
}
