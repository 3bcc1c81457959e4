"""What fusion knows about the arm at one moment, with its covariance and its reasons.

Whether the figures are good, moving or settling is entered and left without flicker (`Condition`). `good`
says that there is nothing to add; with anything to say the figures are `moving` (they stand, and sigma has
grown) or `settling` (the filter has not converged yet). An assumption that stays, such as a level machine
where the upper has no sensor, is no settling, for it never converges: nothing tells whether the upper moves,
sigma holds the doubt, and the figures are `moving` for as long as it stands in the reasons.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, Protocol, TypeAlias

import numpy as np

from tipdatum.kinematics.frames import Array
from tipdatum_drivers.reading import Value

Quality: TypeAlias = Literal["good", "moving", "settling", "stale", "invalid"]

SEVERITY: dict[str, int] = {"good": 0, "moving": 1, "settling": 2, "stale": 3, "invalid": 4}
"""Order of `Quality`, from best to worst: the worst that applies is published."""


class Spread(Protocol):
    """How far the 2 + n angles of a pose may be off: their error covariance, and prediction's part of it.

    A tick asks for the variance of a height or two, hardly ever for the whole matrix.
    """

    def along(self, row: Sequence[float]) -> tuple[float, float]:
        """row · covariance · rowᵀ for a row (2 + n,) of derivatives by the angles, and prediction's part."""

    def covariance(self) -> Array:
        """(2 + n, 2 + n) rad², all of it."""

    def prediction(self) -> Array:
        """(2 + n, 2 + n) rad², the part that comes from predicting."""


class Matrices(Value, frozen=True):
    """A spread that is known as its two matrices."""

    total: Array
    predicted: Array

    @classmethod
    def unknown(cls, size: int) -> Matrices:
        """Of so many angles nothing is known."""
        nothing = np.full((size, size), np.nan)
        return cls(nothing, nothing)

    def along(self, row: Sequence[float]) -> tuple[float, float]:
        """See `Spread.along`."""
        r = np.asarray(row)
        return float(r.dot(self.total).dot(r)), float(r.dot(self.predicted).dot(r))

    def covariance(self) -> Array:
        """See `Spread.covariance`."""
        return self.total

    def prediction(self) -> Array:
        """See `Spread.prediction`."""
        return self.predicted


class Anchor(Value, frozen=True):
    """The tip's height at the moment the reference was set, kept correlated with the present pose.

    An estimator that carries the height at the anchor moment along as a state improves it together with
    mounts and biases; the elevation relative to the reference is then the present height minus this one,
    and errors common to both cancel in its variance.

    Attributes:
        height_m: present estimate of the tip's height above the slew centre at the anchor moment.
        variance_m2: its variance.
        covariance: (2 + n,) numbers, covariance of `height_m` with the pose's angles, m·rad.
        heave_m: estimate of the slew centre's heave at the anchor moment.
    """

    height_m: float
    variance_m2: float
    covariance: Sequence[float] | Array
    heave_m: float = 0.0


class Pose(Value, frozen=True):
    """The arm at time `t`.

    Attributes:
        t: s, the moment the figures are valid for (predicted to it).
        angles: (2 + n,) rad, q of `tipdatum.kinematics.chain`: θ_upper, roll, θ of each section; carried on
            past ±180°, never folded. NaN-free unless quality is stale or invalid.
        rates: (2 + n,) rad/s, time derivatives of `angles`.
        spread: the error covariance of `angles`: noise, biases, mounts, model and prediction.
        quality: worst that applies as far as fusion knows.
        reasons: short words, empty when good.
        slew_rad: slew angle since the estimator started, or of the slew sensor; positive left.
        slew_rate_radps: rate about the slew axis.
        slew_known: whether `slew_rad` comes from a slew sensor (otherwise it drifts).
        heave_m: height of the slew centre above where it was at the first reference; goes on across later
            ones. 0 where it is not estimated.
        heave_sigma_m: 1-sigma of how it has changed since the last reference; 0 where it is not estimated.
        anchor: see `Anchor`; None before the first or for an estimator that keeps none.
    """

    t: float
    angles: tuple[float, ...]
    rates: tuple[float, ...]
    spread: Spread
    quality: Quality
    reasons: tuple[str, ...]
    slew_rad: float = 0.0
    slew_rate_radps: float = 0.0
    slew_known: bool = False
    heave_m: float = 0.0
    heave_sigma_m: float = 0.0
    anchor: Anchor | None = None

    @property
    def known(self) -> bool:
        """Whether the angles are numbers one may publish."""
        return SEVERITY[self.quality] < SEVERITY["stale"]

    @property
    def covariance(self) -> Array:
        """(2 + n, 2 + n) rad², total error covariance of `angles`."""
        return self.spread.covariance()

    def variance_along(self, row: Sequence[float]) -> float:
        """Variance, never negative, of a figure with these derivatives (2 + n,) by the angles."""
        return max(self.spread.along(row)[0], 0.0)  # in this order NaN stays NaN


MOVING_RADPS = math.radians(1.0)
"""Rate of any body from which the arm counts as moving: about 0.1 m/s at 7 m of reach."""
CALM_SHARE = 0.5
"""Share of it below which it counts as still again."""
CALM_S = 0.4
"""How long it must stay below, s."""
DWELL_S = 0.4
"""Least time between two changes of the same kind, s: what a person can read. Sigma does not wait for it."""
SETTLED_RAD = math.radians(1.0)
"""1-sigma of an angle above which the filter counts as settling (mounts never levelled stand at 0.7°)."""
SETTLED_SHARE = 0.9
"""Share of it below which it has settled."""
SETTLING_MOST_S = 10.0
"""A filter that is still above the limit after this has learnt what its sensors let it learn (no gyros, say):
it has settled, and sigma says how wide."""

TOO_SLOW = math.radians(1.0)
"""What a sensor leaves out between its samples, rad/√s, above which it is too slow for the motion: in a
second an angle wanders by a degree. Ordinary digging at 10 Hz stays below half of it."""
STRUCK_S = 1.0
"""How long after a blow its sensor is still named, s."""
TRAVELS_MPS, TRAVELS_S = 0.1, 1.0
"""Velocity of the whole machine, m/s, from which it is said that it travels, and how long after, s."""
TOO_SLOW_S = 10.0
"""How long it must stay below half of that, s, before it counts as fast enough again."""


class Condition:
    """Follows the filter; time comes from its epochs."""

    def __init__(self) -> None:
        self.moving = False
        self.settling = True
        self._calm_since: float | None = None
        self._stopped = -math.inf
        self._settling_from = self._started = self._settled = -math.inf
        self._wide = False
        self._too_slow: dict[str, float] = {}
        self._struck: dict[str, float] = {}
        self._travelled = -math.inf
        self._travels = False

    def notice_slow(self, t: float, name: str, missed: float) -> None:
        """Take notice of what sensor `name` leaves out between its samples, rad/√s."""
        if missed > (0.5 * TOO_SLOW if name in self._too_slow else TOO_SLOW):
            self._too_slow[name] = t
        elif t - self._too_slow.get(name, t) >= TOO_SLOW_S:
            del self._too_slow[name]

    def notice_struck(self, t: float, names: Sequence[str]) -> None:
        """Take notice of the sensors that are struck, so that their accelerations are not believed."""
        for name in names:
            self._struck[name] = t
        if self._struck:
            self._struck = {name: last for name, last in self._struck.items() if t - last < STRUCK_S}

    def notice_travel(self, t: float, velocity: float) -> None:
        """Take notice of the velocity by which the whole machine is carried along, m/s."""
        if velocity > TRAVELS_MPS:
            self._travelled = t
        self._travels = t - self._travelled < TRAVELS_S

    def update(self, t: float, fastest: float, spread: float, starting: bool) -> None:
        """Take notice of one epoch: fastest rate in rad/s, largest 1-sigma of an angle in rad."""
        self._move(t, fastest)
        self._settle(t, spread, starting)

    def _move(self, t: float, fastest: float) -> None:
        if fastest > CALM_SHARE * MOVING_RADPS:
            self._calm_since = None
        elif self._calm_since is None:
            self._calm_since = t
        if self.moving:
            if self._calm_since is not None and t - self._calm_since >= CALM_S:
                self.moving, self._stopped = False, t
        elif fastest > MOVING_RADPS and t - self._stopped >= DWELL_S:
            self.moving = True

    def _settle(self, t: float, spread: float, starting: bool) -> None:
        above = spread > SETTLED_RAD * (SETTLED_SHARE if self.settling else 1.0)
        if starting or (above and not self.settling and not self._wide and t - self._settled >= DWELL_S):
            if not self.settling:
                self.settling, self._settling_from = True, t
            self._started = t
        elif self.settling:
            self._started = t if self._started == -math.inf else self._started
            if t - self._settling_from >= DWELL_S and not (above and t - self._started < SETTLING_MOST_S):
                self.settling, self._settled, self._wide = False, t, above
        elif not above:
            self._wide = False

    def judge(self, quality: Quality, reasons: tuple[str, ...]) -> tuple[Quality, tuple[str, ...]]:
        """Add what is known here to a quality and its reasons; the worst applies."""
        if self._too_slow:
            reasons = (*reasons, *(f"{n} sensor speaks too rarely for this motion" for n in self._too_slow))
        if self._struck:
            reasons = (*reasons, *(f"{n} sensor is struck, its forces are doubted" for n in self._struck))
        if self._travels:
            reasons = (*reasons, "the machine travels or rocks hard")
            # The slew centre is taken to rest, and does not: so a gyro of the upper that is wrong shows, too.
            quality = max(quality, "settling", key=SEVERITY.__getitem__)
        return _judged(quality, reasons, self.settling, self.moving)


@lru_cache(maxsize=64)
def _judged(
    quality: Quality, reasons: tuple[str, ...], settling: bool, moving: bool
) -> tuple[Quality, tuple[str, ...]]:
    """Kept, because the same few answers are given at every tick."""
    if reasons:
        quality = max(quality, "moving", key=SEVERITY.__getitem__)
    if settling:
        reasons = (*reasons, "filter settling")
        quality = max(quality, "settling", key=SEVERITY.__getitem__)
    if moving:
        reasons = (*reasons, "arm moving")
        quality = max(quality, "moving", key=SEVERITY.__getitem__)
    return quality, reasons
