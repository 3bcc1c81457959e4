"""The stretch from the filter's last block to the moment a pose is asked for.

Every angle goes on by its own gyro up to the sensor's newest sample, then by rate and angular acceleration;
what that adds to the variance is told apart. See `docs/estimator.md`, "Prediction to the moment asked for".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.heave import Pivot
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.sides import SidePart
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array

RATE_NOISE_RADPS = 0.004
"""1-sigma of one gyro reading that an extrapolation stands on, rad/s: engine vibration."""
SINCE_RATES_S = 0.025
"""How long before the stretch the rates of its start were, s: they are means over an epoch."""
GYROLESS_RADPS = 0.15
"""1-sigma of the rate of a body without gyro while it is extrapolated, rad/s."""
STEADY_S = 0.03
"""Lead, s, within which the doubt in the bend covers that accelerations change; common sensors stay in it."""
UNSTEADY_S = 3.0
"""Time over which changes of acceleration are averaged, s: a few movements of an arm."""


class Unsteadiness:
    """How much the bodies' angular accelerations change, told by the blocks.

    Attributes:
        psd: (rad/s³)²/Hz for each sensor: the white jerk by which its acceleration wanders.
    """

    def __init__(self, n: int) -> None:
        self.psd = [0.0] * n
        self._last: Array | None = None

    def update(self, slope: Array, active: Array, span: float) -> None:
        """Take the block's change of rate, (N,) rad/s² about y; `active` (N,) as in `EpochBlock`."""
        if self._last is not None:
            change = np.where(active, slope - self._last, 0.0)
            weight = min(1.0, span / UNSTEADY_S)
            found = (change * change * (1.0 / span)).tolist()
            self.psd = [q + weight * (f - q) for q, f in zip(self.psd, found, strict=True)]
        self._last = slope


class Prediction(NamedTuple):
    """Angles (θ_1 … θ_N, roll, α_1 … α_M) in rad, their rates in rad/s and the variance added in rad².

    `turned`: rad, how far the arm plane has turned about its own z since the start of the stretch.
    """

    angles: list[float]
    rates: list[float]
    variance: list[float]
    turned: float


class BlockEnd(NamedTuple):
    """Where a stretch begins: the filter at the end of its last block.

    Attributes:
        edge: s, that moment.
        angles: rad, θ_1 … θ_N, roll, α_1 … α_M.
        rates: rad/s, roll rate, plane rate, θ̇_1 … θ̇_N, α̇_1 … α̇_M over the last epoch.
        turned: rad, each gyro's raw integral at the edge; None for a body whose rate no gyro tells.
        gyro: from a gyro's raw rate to one freed of constants: three rows of a matrix, by which a row is
            multiplied from the right, and an offset; in the body's axes, as a side part's stood then.
        sides: parts beside the arm plane, in the order of their angles.
        unsteady: (rad/s³)²/Hz, see `Unsteadiness`.
    """

    edge: float
    angles: list[float]
    rates: list[float]
    turned: list[list[float] | None]
    gyro: list[list[list[float]]]
    unsteady: list[float]
    sides: tuple[SidePart, ...] = ()


class _GyroStretch(NamedTuple):
    """What a gyro has seen since the block's end, in its body's axes: span, s, integral and newest rate,
    (x, y, z) each, and the rate's slope about y."""

    span: float
    turned: tuple[float, float, float]
    rate: tuple[float, float, float]
    slope: float


def predict(start: BlockEnd, samples: Sequence[SampleBuffer], t: float) -> Prediction:
    """Go on from `start` to `t`, s, by what the sensors have measured since."""
    n = len(samples)
    roll = start.angles[n]
    turned_roll = turned_plane = own_turning = spans = roll_rate = plane_rate = 0.0
    told = 0
    lean = math.tan(roll) * start.rates[1]
    own: list[tuple[float, float, float, float] | None] = []
    sides = {part.sensor: k for k, part in enumerate(start.sides)}
    seen: dict[int, _GyroStretch] = {}
    for i, s in enumerate(samples):
        before = start.turned[i]
        if before is None:
            own.append(None)
            continue
        span = s.t - start.edge
        (ax, ay, az), (bx, by, bz), (cx, cy, cz), (ox, oy, oz) = start.gyro[i]
        (x, y, z), (x0, y0, z0) = s.turned, before
        x, y, z = x - x0, y - y0, z - z0
        ix, iz = x * ax + y * bx + z * cx + ox * span, x * az + y * bz + z * cz + oz * span
        iy = x * ay + y * by + z * cy + oy * span
        x, y, z = s.rate
        wx, wy, wz = (
            x * ax + y * bx + z * cx + ox,
            x * ay + y * by + z * cy + oy,
            x * az + y * bz + z * cz + oz,
        )
        x, y, z = s.slope()
        slope = x * ay + y * by + z * cy
        if i in sides:
            seen[i] = _GyroStretch(span, (ix, iy, iz), (wx, wy, wz), slope)
            own.append(None)
            continue
        # The body turns on the way, also by what slewing on a lean does: its middle stands for all of it.
        own_turn = lean * span - iy
        middle, end = start.angles[i] + 0.5 * own_turn, start.angles[i] + own_turn
        c, si = math.cos(middle), math.sin(middle)
        turned_roll += ix * c - iz * si
        turned_plane += iz * c + ix * si
        c, si = math.cos(end), math.sin(end)
        roll_rate += wx * c - wz * si
        plane_rate += wz * c + wx * si
        spans += span
        own_turning += own_turn
        told += 1
        own.append((span, iy, wy, slope))
    if told:
        roll_rate, plane_rate, mean = roll_rate / told, plane_rate / told, spans / told
        mean_plane = turned_plane / spans if spans > 0.0 else plane_rate
        lead = t - start.edge - mean
        turned_roll /= told
        # Where the slew speeds up while the bodies turn, their middle does not stand for all of it.
        gained = (plane_rate - start.rates[1]) / (mean + SINCE_RATES_S) if mean > 0.0 else 0.0
        turned_roll -= gained * own_turning / told * mean**2 / 12.0
        middle_tangent = math.tan(roll + 0.5 * turned_roll)
        roll += turned_roll + roll_rate * lead
    else:
        mean_plane = start.rates[1]
        roll_rate, plane_rate = start.rates[:2]
        lead = t - start.edge
        middle_tangent = math.tan(roll)
    tangent = math.tan(roll)
    mean_roll = (roll - start.angles[n]) / lead if not told and lead > 0.0 else 0.0
    if told and spans > 0.0:
        mean_roll = turned_roll * told / spans
    alphas, alpha_rates, doubts = [], [], []
    for k, part in enumerate(start.sides):
        stretch = None if part.sensor is None else seen.get(part.sensor)
        alpha, alpha_rate, ahead = start.angles[n + 1 + k], start.rates[2 + n + k], t - start.edge
        if stretch is not None and part.sensor is not None:
            theta = start.angles[part.sensor] + lean * stretch.span - stretch.turned[1]
            rates_of_plane = (mean_roll, mean_plane), (roll_rate, plane_rate)
            own[part.sensor], turned, alpha_rate = _of_side(part, stretch, theta, *rates_of_plane)
            alpha, ahead = alpha + turned, t - samples[part.sensor].t
        alphas.append(alpha + alpha_rate * ahead)
        alpha_rates.append(alpha_rate)
        doubts.append((RATE_NOISE_RADPS * ahead) ** 2)
    angles, rates, variance = [], [], []
    for i, s in enumerate(samples):
        told_by = own[i]
        theta, doubt, acceleration = start.angles[i], RATE_NOISE_RADPS, 0.0
        if told_by is None:
            rate, ahead = start.rates[2 + i], t - start.edge
            doubt = math.hypot(doubt, GYROLESS_RADPS)
        else:
            span, iy, wy, slope = told_by
            rate, ahead, acceleration = tangent * plane_rate - wy, t - s.t, -s.fades * slope
            theta += middle_tangent * mean_plane * span - iy
        bend = 0.5 * acceleration * ahead * ahead
        angles.append(theta + rate * ahead + bend)
        rates.append(rate)
        missed, stale = s.missed
        late = max(0.0, ahead - STEADY_S) + stale
        wander = start.unsteady[i] * late**5 / 20.0
        variance.append((doubt * ahead) ** 2 + bend * bend + missed * ahead * ahead + wander)
    angles.append(roll)
    rates.append(roll_rate)
    variance.append((RATE_NOISE_RADPS * lead) ** 2)
    angles += alphas
    rates += alpha_rates
    variance += doubts
    turned = mean_plane * (t - start.edge - lead) + plane_rate * lead
    return Prediction(angles, rates, variance, turned)


def _of_side(
    part: SidePart,
    stretch: _GyroStretch,
    theta: float,
    mean: tuple[float, float],
    newest: tuple[float, float],
) -> tuple[tuple[float, float, float, float], float, float]:
    """What a sensor on a side part tells since the block's end.

    Args:
        theta: rad, where its body stands about the stretch's end.
        mean, newest: rad/s, roll rate and plane rate over the stretch, and at its end.

    Returns:
        What it says of its body's θ (span, integral and newest rate about y, its slope), by how much α has
        turned, rad, and how fast it turns, rad/s.
    """
    ax, az = part.axis_c.real, part.axis_c.imag
    c, s = math.cos(theta), math.sin(theta)
    px, pz = ax * c - az * s, ax * s + az * c
    (ix, iy, iz), (wx, wy, wz) = stretch.turned, stretch.rate
    turned = ax * ix + az * iz - stretch.span * (px * mean[0] + pz * mean[1])
    rate = ax * wx + az * wz - (px * newest[0] + pz * newest[1])
    # The part has turned on the way: (a × ω)_y of it, half of it in the mean.
    iy += 0.5 * turned * (az * ix - ax * iz)
    wy += turned * (az * wx - ax * wz)
    return (stretch.span, iy, wy, stretch.slope), turned, rate


class StatedKnowledge(NamedTuple):
    """What the filter knows of angles and reference, the same for all poses until its next step.

    Covariances are those stated: times the square of the filter's `share`.

    Attributes:
        angles: rad², covariance of θ_1 … θ_N, roll and α_1 … α_M, row by row.
        anchor_m, anchor_m2, with_anchor: the anchor, its variance, and its covariance with each of those
            angles, m·rad; None without one.
        pivot: about which the machine rocks; None where its tracks are not described.
    """

    angles: list[list[float]]
    anchor_m: float
    anchor_m2: float
    with_anchor: list[float] | None
    pivot: Pivot | None

    @classmethod
    def of(cls, f: ChainFilter, anchored: bool) -> StatedKnowledge:
        """That of the filter as it stands."""
        of_pose, anchor, share, P = f.at.angles, f.at.anchor, f.share**2, f.P
        angles = (share * P[of_pose, of_pose]).tolist()
        pivot = None
        if f.footing is not None:
            (xx, xy), (_, yy) = (share * P[f.at.pivot, f.at.pivot]).tolist()
            x, y = f.x[f.at.pivot].tolist()
            pivot = Pivot(x, y, xx, xy, yy, f.footing.wander)
        if not anchored:
            return cls(angles, 0.0, 0.0, None, pivot)
        with_anchor = (share * P[of_pose, anchor]).tolist()
        return cls(angles, float(f.x[anchor]), share * float(P[anchor, anchor]), with_anchor, pivot)


def height_of(chain: Chain, q: Array, bucket_point: Sequence[float] | None) -> tuple[float, Array]:
    """Height of the tip, or of another point of the bucket, m, and its derivatives by the angles.

    Args:
        q: of the chain, rad. bucket_point: x and z, m, in the bucket's axes.
    """
    if bucket_point is not None and chain.tilt_axis is not None:
        x, z = bucket_point
        (_, _, height), derivatives = chain.point(q.tolist(), (float(x), 0.0, float(z)))
        return height, np.array(derivatives)
    height, row = float(chain.tip(q)[2]), chain.height_jacobian(q)
    if bucket_point is not None:
        x, z = float(bucket_point[0]) - float(chain.lengths[-1]), float(bucket_point[1])
        theta, last = float(q[chain.bucket]), chain.bucket
        c, s, cr, sr = math.cos(theta), math.sin(theta), math.cos(q[1]), math.sin(q[1])
        height += cr * (x * s + z * c)
        row = row.copy()
        row[last] += cr * (x * c - z * s)
        row[1] -= sr * (x * s + z * c)
    return height, row
