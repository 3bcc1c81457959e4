"""How the machine stands on its described tracks: what that tells the filter, and what its rocking tells.

A machine that stands rocks, but does not go on turning about a horizontal axis: over seconds its lean keeps
to what the arm's weight moves it by. That ties the gyro of the upper where folded vibration leaves its
accelerometer wrong by milliradians; a tip hardly feels them, but the heave of the slew centre does. Written
out in `docs/estimator.md`, section "Heave".
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.kalman import update
from tipdatum.fusion.layout import OF_GYRO
from tipdatum.fusion.parts import Setup
from tipdatum.fusion.rates import Motion
from tipdatum.fusion.strapdown import Block
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Undercarriage

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


def lean_rates_by_constants(rate: Array, slope: Array) -> Array:
    """(2, 10): derivatives of ω_x and ω_y, freed of the gyro's constants, by these, in the layout's order.

    Args:
        rate, slope: (3,) rad/s and rad/s², the gyro's rate in body axes, and how it changes.
    """
    (wx, wy, wz), (sx, sy, _) = rate.tolist(), slope.tolist()
    return np.array(
        [
            [-1.0, 0.0, 0.0, -wx, 0.0, 0.0, sx, 0.0, wz, -wy],
            [0.0, -1.0, 0.0, 0.0, -wy, 0.0, sy, -wz, 0.0, wx],
        ]
    )


class Footing:
    """The tie of the upper's gyro to a machine that stands, and how far its pivot wanders.

    Attributes:
        wander: m², mean square of the way from the pivot to that which the lift of the upper shows: large
            where a machine tips now over one edge and now over the other.
    """

    def __init__(self) -> None:
        self.wander = 0.0
        self._rocking = np.zeros(2)
        self._means = np.zeros(4)

    def steady(self, x: Array, P: Array, setup: Setup, motion: Motion, block: Block, before: Array) -> None:
        """Let the filter know that ω_x = ω_y = 0 of the upper, but for rocking: it does not go on leaning.

        Args:
            before: (10,) the constants of its gyro by which the block's rates were freed of them.
        """
        if not block.active[0]:
            return
        w = motion.rate[0]
        rows = lean_rates_by_constants(w, block.rate_slope[0])
        at = slice(setup.at.constants.start, setup.at.constants.start + OF_GYRO.stop)
        H = np.zeros((2, setup.at.size))
        H[:, at] = rows
        span = setup.span
        squared = w[:2] * w[:2]
        self._rocking += min(1.0, span / ROCKING_S) * (squared - self._rocking)
        fastest = float(np.abs(motion.mid_rho).max())
        # What goes on in one direction for some time counts with all of that time.
        slow = 2.0 * FOLLOWS_S * (LEAN_PER_TURN * fastest) ** 2 + 2.0 * CREEPS_S * CREEP_RADPS**2
        noise = self._rocking + squared + (float(setup.gyro_psd[0]) + slow) / span
        noise += setup.options.gyro_floor_radps**2
        update(x, P, H, -w[:2] - rows @ (x[at] - before), np.diag(noise))

    def compare(self, span: float, motion: Motion, unexplained: float) -> None:
        """Learn how far the pivot wanders, from a block of `span` s in which the arm worked.

        Args:
            unexplained: m/s, velocity of the upper's sensor along z that the pivot does not explain.
        """
        rocking = float(motion.rate[0, 0] ** 2 + motion.rate[0, 1] ** 2)
        lift = unexplained * unexplained
        sample = np.array([rocking, lift, rocking * rocking, rocking * lift])
        self._means += min(1.0, span / WANDER_S) * (sample - self._means)
        # The slope of lift² over rocking²: what vibration does at any rate of rocking is in neither.
        r, u, rr, ru = self._means.tolist()
        self.wander = max(0.0, ru - r * u) / (rr - r * r + LEAST_ROCKING**2)
