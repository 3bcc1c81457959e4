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
from tipdatum.machine import Undercarriage

LEAN_RAD = 0.0005
"""1-sigma of a change of lean between two moments at the same heading, rad: vibration that sampling has
folded down, most of all on the upper."""
COMMON_LEAN_RAD = 0.01
"""1-sigma of the lean that machines rock by, rad, which bounds what heave is to be expected at all."""
WANDER_SHARE = 4.0
"""Factor on the pivot's wander: what shows is only how the lift changes from one moment to the next."""
HEADING_RAD = 6e-4
"""Random walk of the turn since the reference, rad/√s: gyros know their bias to 10⁻⁴ rad/s, ever anew."""
STILL_M = 0.0005
"""Least 1-sigma of a heave, m: what tracks sink and rise without leaning."""


class Rocking:
    """Lean at the reference, and what the slew centre has risen since.

    Args:
        t: s, the moment of the reference. theta, roll: rad, angle and roll of the upper then.
        travelled: rad, slew until then.
        risen: m, what the slew centre had risen before, so that a new reference makes no step.
    """

    def __init__(
        self,
        tracks: Undercarriage,
        t: float,
        theta: float,
        roll: float,
        travelled: float,
        risen: float = 0.0,
    ) -> None:
        self._t, self._risen = t, risen
        self._lean = _lean(theta, roll)
        self._travelled = travelled
        self._furthest = 0.5 * math.hypot(tracks.contact_length_m, tracks.gauge_m)

    def heave(
        self,
        t: float,
        theta: float,
        roll: float,
        travelled: float,
        pivot: Array,
        of_pivot: Array,
        wander: float,
        of_angles: Array,
    ) -> tuple[float, float]:
        """Heave and its 1-sigma against the reference, m.

        Args:
            t: s.
            theta, roll: rad, angle and roll of the upper.
            travelled: rad, slew counted like that of the reference.
            pivot, of_pivot: (2,) m and (2, 2) m², the pivot and its covariance.
            wander: m², how far the pivot goes to and fro, mean square.
            of_angles: (2,) rad², variances of `theta` and `roll`; what is wrong with them stays with the
                upper, and so cancels until it slews.
        """
        turn = travelled - self._travelled
        c, s = math.cos(turn), math.sin(turn)
        x, y = self._lean.tolist()
        ground = np.array([c * x + s * y, c * y - s * x])
        change = _lean(theta, roll) - ground
        # Nothing can be stood on beyond the corners of the tracks, whichever way they lie.
        pivot = pivot * min(1.0, self._furthest / max(math.hypot(*pivot), 1e-9))
        slewed = min(1.0, 2.0 * (1.0 - c))
        variance = float(change @ of_pivot @ change) + WANDER_SHARE * wander * float(change @ change)
        variance += float((pivot * pivot) @ (of_angles * slewed + LEAN_RAD**2))
        across = float(pivot[0] * ground[1] - pivot[1] * ground[0])
        variance += (HEADING_RAD * across) ** 2 * max(t - self._t, 0.0)
        # What heave is to be expected at all tells little against a good measurement, and bounds a poor one.
        common = (COMMON_LEAN_RAD * self._furthest) ** 2
        share = common / (common + variance)
        heave = self._risen - share * float(pivot @ change)
        return heave, math.sqrt(share * variance + STILL_M**2)


def _lean(theta: float, roll: float) -> Array:
    return np.array([math.sin(theta) * math.cos(roll), math.sin(roll)])
