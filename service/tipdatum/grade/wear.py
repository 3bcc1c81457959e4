"""Wear of a bucket's tip from a touch on a mark of known elevation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tipdatum.errors import CommandRefused
from tipdatum.grade.units import signed_mm
from tipdatum.kinematics.frames import Array

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
