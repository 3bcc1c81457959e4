"""Heave of the slew centre: a machine that rocks about a point of the ground lifts what is not above it.

The lean of the upper is d = (sin θ cos φ, sin φ), the horizontal parts of `up` in its own axes, and p the
pivot in the same axes, both from the slew centre. Only lean that has come since the reference lifts,

    heave = -p · (d - D d₀),     D the turn of the upper since then,

so that a machine on a slope, whose lean goes round while it slews, does not seem to heave, and an error of p
counts for the rocking alone and not for the slope of the ground.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.kinematics.frames import Array

LEAN_RAD = 0.001
"""1-sigma of a change of lean between two moments at the same heading, rad: vibration that sampling has
folded down, most of all on the upper."""
STILL_M = 0.0005
"""Least 1-sigma of a heave, m: what tracks sink and rise without leaning."""


class Rocking:
    """Lean at the reference, and what the slew centre has risen since."""

    def __init__(self, theta: float, roll: float, travelled: float) -> None:
        self._lean = _lean(theta, roll)
        self._travelled = travelled

    def heave(
        self, theta: float, roll: float, travelled: float, pivot: Array, of_pivot: Array, of_angles: Array
    ) -> tuple[float, float]:
        """Heave and its 1-sigma, m.

        Args:
            theta, roll: rad, angle and roll of the upper.
            travelled: rad, slew counted like that of the reference.
            pivot, of_pivot: (2,) m and (2, 2) m², the pivot and its covariance.
            of_angles: (2,) rad², variances of `theta` and `roll`; what is wrong with them stays with the
                upper, and so cancels until it slews.
        """
        turn = travelled - self._travelled
        c, s = math.cos(turn), math.sin(turn)
        x, y = self._lean.tolist()
        change = _lean(theta, roll) - np.array([c * x + s * y, c * y - s * x])
        slewed = min(1.0, 2.0 * (1.0 - c))
        variance = float(change @ of_pivot @ change)
        variance += float((pivot * pivot) @ (of_angles * slewed + LEAN_RAD**2))
        heave = -float(pivot @ change)
        # What does not stand out of its own doubt is left out by degrees, and counts as doubt instead.
        share = heave * heave / (heave * heave + variance)
        return share * heave, math.sqrt(share * share * variance + ((1.0 - share) * heave) ** 2 + STILL_M**2)


def _lean(theta: float, roll: float) -> Array:
    return np.array([math.sin(theta) * math.cos(roll), math.sin(roll)])
