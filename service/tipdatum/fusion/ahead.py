"""The stretch from the filter's last epoch to the moment a pose is asked for.

Every angle goes on by its own gyro up to the sensor's newest sample, then by rate and angular acceleration;
what that adds to the variance is told apart. See `docs/estimator.md`, "Prediction to the moment asked for".
"""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain_filter import ChainFilter
from tipdatum.fusion.layout import PER_SENSOR
from tipdatum.fusion.strapdown import Strapdown
from tipdatum.kinematics.frames import Array

RATE_NOISE_RADPS = 0.004
"""1-sigma of one gyro reading that an extrapolation stands on, rad/s: engine vibration."""
GYROLESS_RADPS = 0.15
"""1-sigma of the rate of a body without gyro while it is extrapolated, rad/s."""


class Ahead(NamedTuple):
    """Angles (θ_1 … θ_N, roll) in rad, their rates in rad/s and the variance added in rad², (N + 1,) each."""

    angles: Array
    rates: Array
    variance: Array


def look_ahead(
    f: ChainFilter,
    sums: Sequence[Strapdown],
    away: Container[int],
    last: int,
    acceleration: Sequence[float],
    t: float,
) -> Ahead:
    """Go on from the end of epoch `last` to `t`.

    Args:
        sums: what each sensor measured since.
        away: numbers of the sensors that are silent.
        acceleration: rad/s², θ̈ of each body.
    """
    n, at = f.n, f.at
    x = f.x.tolist()
    rho = f.rates.tolist()
    roll = x[at.roll]
    plane_by_tan = math.tan(roll) * rho[1]
    edge = (last + 1) * f.options.epoch_s
    turned_roll, roll_rate, weight, spans = 0.0, 0.0, 0, 0.0
    angles, rates, variance = [], [], []
    for i, s in enumerate(sums):
        theta = x[i]
        if not f.with_gyro[i] or i in away:
            rate, lead = rho[2 + i], t - edge
            theta += rate * lead
        else:
            ix, iy, iz, span = s.since(last)
            k = at.constants.start + PER_SENSOR * i
            bx, by, bz, sx, sy, sz, mx, _, mz = x[k : k + 9]
            wx, wy, wz = s.rate
            wx, wy, wz = (wx - bx) * (1.0 - sx), (wy - by) * (1.0 - sy), (wz - bz) * (1.0 - sz)
            wy += mz * wx - mx * wz
            ix, iz = ix - bx * span, iz - bz * span
            iy = (iy - by * span) * (1.0 - sy) + mz * ix - mx * iz
            c, si = math.cos(theta), math.sin(theta)
            rate, lead = plane_by_tan - wy, t - s.t
            theta += plane_by_tan * span - iy + (rate + 0.5 * acceleration[i] * lead) * lead
            turning = wx * c - wz * si
            turned_roll += ix * c - iz * si + turning * lead
            roll_rate += turning
            weight += 1
        angles.append(theta)
        rates.append(rate)
        spans += lead
        doubt = RATE_NOISE_RADPS if f.with_gyro[i] else math.hypot(RATE_NOISE_RADPS, GYROLESS_RADPS)
        variance.append(
            (doubt * lead) ** 2
            + (0.5 * acceleration[i] * lead * lead) ** 2
            + (rate * f.latency_sigmas[i]) ** 2
        )
    if weight:
        roll += turned_roll / weight
        roll_rate /= weight
    angles.append(roll)
    rates.append(roll_rate)
    variance.append((RATE_NOISE_RADPS * spans / n) ** 2 + (roll_rate * f.latency_sigmas[0]) ** 2)
    return Ahead(np.array(angles), np.array(rates), np.array(variance))
