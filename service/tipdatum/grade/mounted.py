"""The machine as it is mounted: which bucket is on, and how far its tip has worn."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tipdatum.errors import CommandRefused
from tipdatum.grade.units import signed_mm
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine


class Mounted:
    """A description with one of its buckets on.

    Args:
        description: the machine.
        bucket: its name; the first of the description where it has none such.
        wear_m: bucket → how much shorter its tip has become, m.
    """

    def __init__(self, description: Machine, bucket: str | None, wear_m: Mapping[str, float]) -> None:
        names = [b.name for b in description.bucket]
        worn = tuple(
            b.model_copy(update={"tip_m": b.tip_m - wear_m.get(b.name, 0.0)}) for b in description.bucket
        )
        index = names.index(bucket) if bucket in names else 0
        self.description = description
        self.machine = description.model_copy(update={"bucket": worn}).with_bucket(index)
        self.chain: Chain = self.machine.chain()

    @property
    def bucket(self) -> str:
        """Name of the bucket that is on."""
        return self.machine.bucket[0].name

    @property
    def has_slew_sensor(self) -> bool:
        """Whether the description names a slew sensor."""
        return any(sensor.type == "slew" for sensor in self.description.sensor.values())


STEEP_ENOUGH = 0.5
"""Least |gain| of wear on height: a tip less than 30° from level hardly shows it, and any error would be
taken for wear."""

MOST_WEAR_M = 0.5


@dataclass(frozen=True, slots=True)
class Wear:
    """How much shorter the tip is than assumed, and 1-sigma of it, m."""

    wear_m: float
    sigma_m: float


def tip_gain(angles: Sequence[float] | Array) -> float:
    """∂(tip height)/∂(tip length) of a posture: sin θ·cos φ, dimensionless."""
    return math.sin(float(angles[-1])) * math.cos(float(angles[1]))


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
        raise CommandRefused(
            "The wear does not show in this posture: touch the mark with the tip pointing steeply down, and "
            "if the reference was set with this bucket, with it curled quite differently than then."
        )
    wear = off_m / gain
    if abs(wear) > MOST_WEAR_M:
        raise CommandRefused(
            f"The mark reads {signed_mm(off_m)} mm wrong, which is no wear: check mark, reference, bucket."
        )
    return Wear(wear, sigma_m / abs(gain))
