"""What fusion knows about the arm at one moment, with its covariance and its reasons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Protocol, TypeAlias

import numpy as np

from tipdatum.kinematics.frames import Array
from tipdatum_drivers.values import value

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


@value
class Matrices:
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


@value
class Anchor:
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


@value
class Pose:
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

    @property
    def prediction_covariance(self) -> Array:
        """The part of `covariance` that comes from predicting from the last readings to `t`."""
        return self.spread.prediction()

    def variance_along(self, row: Sequence[float]) -> float:
        """Variance, never negative, of a figure with these derivatives (2 + n,) by the angles."""
        return max(self.spread.along(row)[0], 0.0)  # in this order NaN stays NaN
