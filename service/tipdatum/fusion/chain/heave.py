"""A machine that rocks on its tracks: the lean it keeps to, the turn of its upper, the heave of its slew
centre.

Written out in `docs/estimator.md`, section "Heave".
"""

from __future__ import annotations

import cmath
import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.constants import OF_GYRO, rate_errors
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.motion import MeanMotion
from tipdatum.fusion.chain.update import update
from tipdatum.kinematics.frames import Array
from tipdatum.machine.parts import Undercarriage

LEAN_PER_TURN = 0.02
"""Lean that follows the arm, rad per rad of its turning: the tracks give way under a weight that moves."""
FOLLOWS_S = 3.0
"""Time for which the arm goes on in one direction, s."""
CREEP_RADPS = 3e-5
"""Rate of lean at rest, rad/s, for `CREEPS_S`: an end of the tracks settles by half a millimetre so."""
CREEPS_S = 10.0
ROCKING_S = 2.0
"""Time over which the size of the rocking is averaged, s."""
WANDER_S = 30.0
"""Time at work over which lift and rocking are compared, s."""
LEAST_ROCKING = (0.007) ** 2
"""Spread of the squared rocking rate, (rad/s)², below which nothing can be told of the lift's share of it."""


def pivot_prior(tracks: Undercarriage) -> Array:
    """(2, 2) m²: covariance of the pivot in upper axes when the service starts: any edge of the tracks."""
    heading = math.radians(tracks.heading_deg)
    c, s = math.cos(heading), math.sin(heading)
    turn = np.array([[c, -s], [s, c]])
    half = 0.5 * np.array([tracks.contact_length_m, tracks.gauge_m])
    return np.asarray((turn * half**2) @ turn.T)


class Footing:
    """The tie of the upper's gyro to a machine that stands, and how far its pivot wanders.

    A machine that stands rocks, but does not go on turning about a horizontal axis: over seconds its lean
    keeps to what the arm's weight moves it by. That ties the gyro of the upper where folded vibration leaves
    its accelerometer wrong by milliradians; a tip hardly feels them, but the heave of the slew centre does.

    Attributes:
        wander: m², mean square of the way from the pivot to that which the lift of the upper shows: large
            where a machine tips now over one edge and now over the other.
    """

    def __init__(self) -> None:
        self.wander = 0.0
        self._rocking = np.zeros(2)
        self._means = np.zeros(4)

    def steady(
        self,
        x: Array,
        P: Array,
        setup: FilterSetup,
        span: float,
        motion: MeanMotion,
        slope: Array,
        before: Array,
    ) -> None:
        """Let the filter know that ω_x = ω_y = 0 of the upper, but for rocking: it does not go on leaning.

        Args:
            span: s, of the block.
            slope: (3,) rad/s², how the upper's gyro's rate changes.
            before: (19,) the constants of its gyro by which the block's rates were freed of them.
        """
        w = motion.body_rate[0]
        rows = rate_errors(w[None], slope[None], setup.warmth.of[:1])[0, :2]
        at = slice(setup.at.constants.start, setup.at.constants.start + OF_GYRO.stop)
        H = np.zeros((2, setup.at.size))
        H[:, at] = rows
        squared = w[:2] * w[:2]
        self._rocking += min(1.0, span / ROCKING_S) * (squared - self._rocking)
        fastest = float(np.abs(motion.rates).max())
        # What goes on in one direction for some time counts with all of that time.
        slow = 2.0 * FOLLOWS_S * (LEAN_PER_TURN * fastest) ** 2 + 2.0 * CREEPS_S * CREEP_RADPS**2
        noise = self._rocking + squared + (float(setup.gyro_psd[0]) + slow) / span
        noise += setup.options.gyro_floor_radps**2
        update(x, P, H, -w[:2] - rows @ (x[at] - before), np.diag(noise))

    def compare(self, span: float, motion: MeanMotion, unexplained: float) -> None:
        """Learn how far the pivot wanders, from a block of `span` s in which the arm worked.

        Args:
            unexplained: m/s, velocity of the upper's sensor along z that the pivot does not explain.
        """
        rocking = float(motion.body_rate[0, 0] ** 2 + motion.body_rate[0, 1] ** 2)
        lift = unexplained * unexplained
        sample = np.array([rocking, lift, rocking * rocking, rocking * lift])
        self._means += min(1.0, span / WANDER_S) * (sample - self._means)
        # The slope of lift² over rocking²: what vibration does at any rate of rocking is in neither.
        r, u, rr, ru = self._means.tolist()
        self.wander = max(0.0, ru - r * u) / (rr - r * r + LEAST_ROCKING**2)


DRIFT_RADPS = 1.5e-4
"""1-sigma of what the gyros' estimated bias is wrong by, rad/s."""
DRIFTS_S = 600.0
"""Time over which it becomes another, s."""
WALK_RAD = 2e-4
"""Random walk of the turn, rad/√s: white noise of the gyros."""
ROCKING_RAD = 0.005
"""1-sigma of a lean beside the slope's, rad: rocking, and how the machine leaned at the reference."""
ROCKS_S = 5.0
"""Time for which one lean lasts, s."""
SWINGS_RADPS = 0.5
"""How fast a machine may have slewed while nobody looked, rad/s."""


class Heading:
    """How far the upper has turned on its tracks since the reference: by gyros, held by the slope it stands
    on.

    Gyros alone drift by some tenths of a degree a minute, which on a slope would soon pass for rocking: after
    an hour the lean at the reference would be looked for in the wrong direction. But the lean of the ground
    goes round with the upper, so that its direction tells the turn, the better the steeper the ground.

    The turn since the reference, followed in three numbers: error of the gyros' sum (rad), its drift
    (rad/s), and what the lean at the reference was beside the slope (rad about the slope's direction).

    Args:
        lean: x + iy of the horizontal parts of `up` in the upper's axes at the reference.
        travelled: rad, sum of the gyros then.
    """

    def __init__(self, lean: complex, travelled: float) -> None:
        self._lean, self._travelled = lean, travelled
        self._steep = max(abs(lean), 1e-6)
        self._x = np.zeros(3)
        self._P = np.diag([0.0, DRIFT_RADPS**2, (ROCKING_RAD / self._steep) ** 2])

    def turn(self, travelled: float) -> tuple[float, float]:
        """Turn since the reference, rad, and its variance, where the gyros' sum is `travelled`."""
        return travelled - self._travelled - float(self._x[0]), float(self._P[0, 0])

    def follow(self, seconds: float, lean: complex, travelled: float) -> None:
        """Let `seconds` pass, at the end of which the upper leans by `lean`."""
        x, P = self._x, self._P
        x[0] += seconds * x[1]
        P[0] += seconds * P[1]
        P[:, 0] += seconds * P[:, 1]
        P[0, 0] += WALK_RAD**2 * seconds
        P[1, 1] += 2.0 * DRIFT_RADPS**2 / DRIFTS_S * seconds
        if self._steep < ROCKING_RAD:
            return
        found = cmath.phase(lean * cmath.exp(1j * self.turn(travelled)[0]) / self._lean)
        noise = 2.0 * ROCKS_S / seconds * (ROCKING_RAD / self._steep) ** 2
        row = P[0] + P[2]
        gain = row / (row[0] + row[2] + noise)
        x += gain * (found - x[2])
        P -= np.outer(gain, row)

    def lose(self, seconds: float) -> None:
        """Nobody looked for so long: the machine may have slewed."""
        self._P[0, 0] += min(SWINGS_RADPS * seconds, math.pi) ** 2


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
    """Heave of the slew centre: a machine that rocks about a point of the ground lifts what is not above it.

    The lean of the upper is d = (sin θ cos φ, sin φ), the horizontal parts of `up` in its own axes, and p the
    pivot in the same axes, both from the slew centre. Only lean that has come since the reference lifts,

        heave = -p · (d - D d₀),     D the turn of the upper since then,

    so that a machine on a slope, whose lean goes round while it slews, does not seem to heave, and an error
    of p counts for the rocking alone and not for the slope of the ground.

    Lean at the reference, and what the slew centre has risen since.

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
