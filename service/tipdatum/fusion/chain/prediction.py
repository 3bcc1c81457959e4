"""The stretch from the filter's last block to the moment a pose is asked for.

Every angle goes on by its own gyro up to the sensor's newest sample, then by rate and angular acceleration;
what that adds to the variance is told apart. See `docs/estimator.md`, "Prediction to the moment asked for".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple, TypeAlias

from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.sides import SidePart
from tipdatum.kinematics.frames import Array

RATE_NOISE_RADPS: Final = 0.004
"""1-sigma of one gyro reading that an extrapolation stands on, rad/s: engine vibration."""
SINCE_RATES_S: Final = 0.025
"""How long before the stretch the rates of its start were, s: they are means over an epoch."""
GYROLESS_RADPS: Final = 0.15
"""1-sigma of the rate of a body without gyro while it is extrapolated, rad/s."""
STEADY_S: Final = 0.03
"""Lead, s, within which the doubt in the bend covers that accelerations change; common sensors stay in it."""
UNSTEADY_S: Final = 3.0
"""Time over which changes of acceleration are averaged, s: a few movements of an arm."""


class Unsteadiness:
    """How much the bodies' angular accelerations change, told by the blocks.

    Attributes:
        psd: (rad/s³)²/Hz for each sensor: the white jerk by which its acceleration wanders.
    """

    def __init__(self, n: int) -> None:
        self.psd = [0.0] * n
        self._last: list[float] | None = None

    def update(self, slope: Array, active: Array, span: float) -> None:
        """Take the block's change of rate, (N,) rad/s² about y; `active` (N,) as in `EpochBlock`."""
        slopes: list[float] = slope.tolist()
        if self._last is not None:
            weight, per_s = min(1.0, span / UNSTEADY_S), 1.0 / span
            for i, (now, before, spoke) in enumerate(zip(slopes, self._last, active.tolist(), strict=True)):
                change = now - before if spoke else 0.0
                self.psd[i] += weight * (change * change * per_s - self.psd[i])
        self._last = slopes


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


_Seen: TypeAlias = tuple[float, float, float, float, float, float, float, float]
"""What a gyro has seen since the block's end, freed of constants: span, s; integral about its body's x, y, z,
rad; newest rate about them, rad/s; the rate's slope about y, rad/s². A plain tuple: it is made every tick."""


_Plane: TypeAlias = tuple[float, float, float, float, float, float, float, float]
"""How the arm plane goes on, by all gyros that sit on bodies of it: roll at the moment asked for, rad; newest
roll rate and plane rate, and their means over the stretch, rad/s; tan of the roll at that moment, and in the
stretch's middle; s from the gyros' newest samples, on the mean, to that moment."""


def predict(start: BlockEnd, samples: Sequence[SampleBuffer], t: float) -> Prediction:
    """Go on from `start` to `t`, s, by what the sensors have measured since."""
    edge = start.edge
    seen: list[_Seen | None] = []
    for s, before, gyro in zip(samples, start.turned, start.gyro, strict=True):
        seen.append(None if before is None else _freed(s, before, gyro, edge))
    plane = _of_plane(start, seen, t)
    # First the sides: their sensors tell their bodies' angles only once their own turn is taken off.
    of_sides = _of_sides(start, samples, seen, plane, t) if start.sides else None
    angles, rates, variance = _of_bodies(start, samples, seen, plane, t)
    roll, roll_rate, plane_rate, _, mean_plane, _, _, lead = plane
    angles.append(roll)
    rates.append(roll_rate)
    variance.append((RATE_NOISE_RADPS * lead) ** 2)
    if of_sides is not None:
        angles += of_sides[0]
        rates += of_sides[1]
        variance += of_sides[2]
    turned = mean_plane * (t - edge - lead) + plane_rate * lead
    return Prediction(angles, rates, variance, turned)


def _freed(s: SampleBuffer, before: list[float], gyro: list[list[float]], edge: float) -> _Seen:
    """What a gyro has seen since the block's end at `edge` s; `before` and `gyro` as in `BlockEnd`."""
    span = s.t - edge
    (ax, ay, az), (bx, by, bz), (cx, cy, cz), (ox, oy, oz) = gyro
    (x, y, z), (x0, y0, z0) = s.turned, before
    x, y, z = x - x0, y - y0, z - z0
    u, v, w = s.rate
    du, dv, dw = s.slope()
    return (
        span,
        x * ax + y * bx + z * cx + ox * span,
        x * ay + y * by + z * cy + oy * span,
        x * az + y * bz + z * cz + oz * span,
        u * ax + v * bx + w * cx + ox,
        u * ay + v * by + w * cy + oy,
        u * az + v * bz + w * cz + oz,
        du * ay + dv * by + dw * cy,
    )


def _of_plane(start: BlockEnd, seen: Sequence[_Seen | None], t: float) -> _Plane:
    """How the arm plane goes on to `t` s; without a gyro on it as it turned at the block's end."""
    roll, (start_roll, start_plane) = start.angles[len(seen)], start.rates[:2]
    lean = math.tan(roll) * start_plane
    turned_roll = turned_plane = own_turning = spans = roll_rate = plane_rate = 0.0
    told = 0
    beside = [part.sensor for part in start.sides] if start.sides else ()
    cos, sin = math.cos, math.sin
    for i, (stretch, theta) in enumerate(zip(seen, start.angles, strict=False)):
        if stretch is None or i in beside:
            continue
        span, ix, iy, iz, wx, _, wz, _ = stretch
        # The body turns on the way, also by what slewing on a lean does: its middle stands for all of it.
        own_turn = lean * span - iy
        middle, end = theta + 0.5 * own_turn, theta + own_turn
        c, si = cos(middle), sin(middle)
        turned_roll += ix * c - iz * si
        turned_plane += iz * c + ix * si
        c, si = cos(end), sin(end)
        roll_rate += wx * c - wz * si
        plane_rate += wz * c + wx * si
        spans += span
        own_turning += own_turn
        told += 1
    if not told:
        tangent = math.tan(roll)
        ahead = t - start.edge
        return roll, start_roll, start_plane, 0.0, start_plane, tangent, tangent, ahead
    roll_rate, plane_rate, mean = roll_rate / told, plane_rate / told, spans / told
    mean_plane = turned_plane / spans if spans > 0.0 else plane_rate
    lead = t - start.edge - mean
    turned_roll /= told
    # Where the slew speeds up while the bodies turn, their middle does not stand for all of it.
    gained = (plane_rate - start_plane) / (mean + SINCE_RATES_S) if mean > 0.0 else 0.0
    turned_roll -= gained * own_turning / told * mean**2 / 12.0
    mean_roll = turned_roll * told / spans if spans > 0.0 else 0.0
    middle_tangent = math.tan(roll + 0.5 * turned_roll)
    roll += turned_roll + roll_rate * lead
    return roll, roll_rate, plane_rate, mean_roll, mean_plane, math.tan(roll), middle_tangent, lead


def _of_bodies(
    start: BlockEnd,
    samples: Sequence[SampleBuffer],
    seen: Sequence[_Seen | None],
    plane: _Plane,
    t: float,
) -> tuple[list[float], list[float], list[float]]:
    """θ of each sensor's body at `t` s, rad, its rate, rad/s, and the variance added, rad²."""
    angles, rates, variance = [], [], []
    _, _, plane_rate, _, mean_plane, tangent, middle_tangent, _ = plane
    since_edge = t - start.edge
    each = zip(samples, seen, start.angles, start.unsteady, strict=False)
    for i, (s, stretch, theta, unsteady) in enumerate(each):
        fades, missed, stale = s.left_out
        if stretch is None:
            rate, ahead, bend = start.rates[2 + i], since_edge, 0.0
            doubt = math.hypot(RATE_NOISE_RADPS, GYROLESS_RADPS)
        else:
            span, _, iy, _, _, wy, _, slope = stretch
            rate, ahead, doubt = tangent * plane_rate - wy, t - s.t, RATE_NOISE_RADPS
            theta += middle_tangent * mean_plane * span - iy
            bend = 0.5 * (-fades * slope) * ahead * ahead
        angles.append(theta + rate * ahead + bend)
        rates.append(rate)
        late = stale if ahead <= STEADY_S else ahead - STEADY_S + stale
        wander = unsteady * late**5 / 20.0 if late > 0.0 else 0.0
        variance.append((doubt * ahead) ** 2 + bend * bend + missed * ahead * ahead + wander)
    return angles, rates, variance


def _of_sides(
    start: BlockEnd,
    samples: Sequence[SampleBuffer],
    seen: list[_Seen | None],
    plane: _Plane,
    t: float,
) -> tuple[list[float], list[float], list[float]]:
    """α of each side part at `t` s, rad, its rate, rad/s, and the variance added, rad².

    In `seen` the parts' own turn is taken off what their sensors saw.
    """
    n = len(samples)
    lean = math.tan(start.angles[n]) * start.rates[1]
    alphas, rates, variance = [], [], []
    for k, part in enumerate(start.sides):
        stretch = None if part.sensor is None else seen[part.sensor]
        alpha, alpha_rate, ahead = start.angles[n + 1 + k], start.rates[2 + n + k], t - start.edge
        if stretch is not None and part.sensor is not None:
            theta = start.angles[part.sensor] + lean * stretch[0] - stretch[2]
            seen[part.sensor], turned, alpha_rate = _of_side(part, stretch, theta, plane)
            alpha, ahead = alpha + turned, t - samples[part.sensor].t
        alphas.append(alpha + alpha_rate * ahead)
        rates.append(alpha_rate)
        doubt = RATE_NOISE_RADPS if stretch is not None else GYROLESS_RADPS
        variance.append((doubt * ahead) ** 2)
    return alphas, rates, variance


def _of_side(part: SidePart, stretch: _Seen, theta: float, plane: _Plane) -> tuple[_Seen, float, float]:
    """What a sensor on a side part tells since the block's end.

    Args:
        theta: rad, where its body stands about the stretch's end.

    Returns:
        The stretch with the part's own turn taken off what it says about its body's y; by how much α has
        turned, rad, and how fast it turns, rad/s.
    """
    ax, az = part.axis_c.real, part.axis_c.imag
    c, s = math.cos(theta), math.sin(theta)
    px, pz = ax * c - az * s, ax * s + az * c
    span, ix, iy, iz, wx, wy, wz, slope = stretch
    _, roll_rate, plane_rate, mean_roll, mean_plane, _, _, _ = plane
    turned = ax * ix + az * iz - span * (px * mean_roll + pz * mean_plane)
    rate = ax * wx + az * wz - (px * roll_rate + pz * plane_rate)
    # The part has turned on the way: (a × ω)_y of it, half of it in the mean.
    iy += 0.5 * turned * (az * ix - ax * iz)
    wy += turned * (az * wx - ax * wz)
    return (span, ix, iy, iz, wx, wy, wz, slope), turned, rate
