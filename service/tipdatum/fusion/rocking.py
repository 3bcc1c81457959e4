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
from typing import NamedTuple

from tipdatum.fusion.heading import Heading
from tipdatum.machine.description import Undercarriage

LEAN_RAD = 0.0005
"""1-sigma of a change of lean between two moments at the same heading, rad: vibration that sampling has
folded down, most of all on the upper."""
COMMON_LEAN_RAD = 0.01
"""1-sigma of the lean that machines rock by, rad, which bounds what heave is to be expected at all."""
WANDER_SHARE = 4.0
"""Factor on the pivot's wander: what shows is only how the lift changes from one moment to the next."""
STILL_M = 0.0005
"""Least 1-sigma of a heave, m: what tracks sink and rise without leaning."""


class Pivot(NamedTuple):
    """The point of the ground about which the machine rocks, from the slew centre, in the upper's axes.

    Attributes:
        x, y: m. xx, xy, yy: m², its covariance.
        wander: m², how far it goes to and fro, mean square.
    """

    x: float
    y: float
    xx: float
    xy: float
    yy: float
    wander: float


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
        self, theta: float, roll: float, travelled: float, pivot: Pivot, of_angles: tuple[float, float]
    ) -> tuple[float, float]:
        """Heave and its 1-sigma against the reference, m.

        Args:
            theta, roll: rad, angle and roll of the upper.
            travelled: rad, slew counted like that of the reference.
            of_angles: rad², variances of `theta` and `roll`; what is wrong with them stays with the upper,
                and so cancels until it slews.
        """
        turn, of_turn = self.heading.turn(travelled)
        back = cmath.exp(-1j * turn)
        ground = self._lean * back
        change = _lean(theta, roll) - ground
        dx, dy = change.real, change.imag
        # Nothing can be stood on beyond the corners of the tracks, whichever way they lie.
        within = min(1.0, self._furthest / max(math.hypot(pivot.x, pivot.y), 1e-9))
        px, py = within * pivot.x, within * pivot.y
        variance = dx * dx * pivot.xx + 2.0 * dx * dy * pivot.xy + dy * dy * pivot.yy
        variance += WANDER_SHARE * pivot.wander * (dx * dx + dy * dy)
        slewed, least = 2.0 * (1.0 - back.real), LEAN_RAD**2
        variance += px * px * (of_angles[0] * slewed + least) + py * py * (of_angles[1] * slewed + least)
        variance += min(of_turn, 1.0) * (py * ground.real - px * ground.imag) ** 2
        # What heave is to be expected at all tells little against a good measurement, and bounds a poor one.
        common = (COMMON_LEAN_RAD * self._furthest) ** 2
        share = common / (common + variance)
        return self._risen - share * (px * dx + py * dy), math.sqrt(share * variance + STILL_M**2)

    def follow(self, seconds: float, theta: float, roll: float, travelled: float) -> None:
        """Let `seconds` pass, at the end of which the upper stands so."""
        self.heading.follow(seconds, _lean(theta, roll), travelled)


def _lean(theta: float, roll: float) -> complex:
    return complex(math.sin(theta) * math.cos(roll), math.sin(roll))
