"""Heave of the slew centre: a machine that rocks about a point of the ground lifts what is not above it.

The lean of the upper is d = (sin θ cos φ, sin φ), the horizontal parts of `up` in its own axes, and p the
pivot in the same axes, both from the slew centre. Only lean that has come since the reference lifts,

    heave = -p · (d - D d₀),     D the turn of the upper since then,

so that a machine on a slope, whose lean goes round while it slews, does not seem to heave, and an error of p
counts for the rocking alone and not for the slope of the ground.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from tipdatum.fusion.heading import Heading
from tipdatum.kinematics.frames import Array
from tipdatum.machine import Undercarriage

LEAN_RAD = 0.0005
"""1-sigma of a change of lean between two moments at the same heading, rad: vibration that sampling has
folded down, most of all on the upper."""
COMMON_LEAN_RAD = 0.01
"""1-sigma of the lean that machines rock by, rad, which bounds what heave is to be expected at all."""
WANDER_SHARE = 4.0
"""Factor on the pivot's wander: what shows is only how the lift changes from one moment to the next."""
STILL_M = 0.0005
"""Least 1-sigma of a heave, m: what tracks sink and rise without leaning."""


class Rocking:
    """Lean at the reference, and what the slew centre has risen since.

    Attributes:
        heading: turn since the reference.

    Args:
        theta, roll: rad, angle and roll of the upper at the reference.
        travelled: rad, slew until then.
        risen: m, what the slew centre had risen before, so that a new reference makes no step.
    """

    def __init__(
        self,
        tracks: Undercarriage,
        theta: float,
        roll: float,
        travelled: float,
        risen: float = 0.0,
    ) -> None:
        self._risen = risen
        self._lean = _lean(theta, roll)
        self.heading = Heading(self._lean, travelled)
        self._furthest = 0.5 * math.hypot(tracks.contact_length_m, tracks.gauge_m)

    def heave(
        self,
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
            theta, roll: rad, angle and roll of the upper.
            travelled: rad, slew counted like that of the reference.
            pivot, of_pivot: (2,) m and (2, 2) m², the pivot and its covariance.
            wander: m², how far the pivot goes to and fro, mean square.
            of_angles: (2,) rad², variances of `theta` and `roll`; what is wrong with them stays with the
                upper, and so cancels until it slews.
        """
        turn, of_turn = self.heading.turn(travelled)
        back = cmath.exp(-1j * turn)
        ground = self._lean * back
        change = _pair(_lean(theta, roll) - ground)
        # Nothing can be stood on beyond the corners of the tracks, whichever way they lie.
        pivot = pivot * min(1.0, self._furthest / max(math.hypot(*pivot), 1e-9))
        slewed = min(1.0, 2.0 * (1.0 - back.real))
        variance = float(change @ of_pivot @ change) + WANDER_SHARE * wander * float(change @ change)
        variance += float((pivot * pivot) @ (of_angles * slewed + LEAN_RAD**2))
        variance += min(of_turn, 1.0) * float(pivot @ _pair(1j * ground)) ** 2
        # What heave is to be expected at all tells little against a good measurement, and bounds a poor one.
        common = (COMMON_LEAN_RAD * self._furthest) ** 2
        share = common / (common + variance)
        heave = self._risen - share * float(pivot @ change)
        return heave, math.sqrt(share * variance + STILL_M**2)

    def follow(self, seconds: float, theta: float, roll: float, travelled: float) -> None:
        """Let `seconds` pass, at the end of which the upper stands so."""
        self.heading.follow(seconds, _lean(theta, roll), travelled)


def _lean(theta: float, roll: float) -> complex:
    return complex(math.sin(theta) * math.cos(roll), math.sin(roll))


def _pair(z: complex) -> Array:
    return np.array([z.real, z.imag])
