"""What fusion knows about the arm at one moment, with its covariance and its reasons."""

from __future__ import annotations

from typing import Literal, TypeAlias

from tipdatum.kinematics.frames import Array
from tipdatum_drivers.values import value

Quality: TypeAlias = Literal["good", "moving", "settling", "stale", "invalid"]

SEVERITY: dict[str, int] = {"good": 0, "moving": 1, "settling": 2, "stale": 3, "invalid": 4}
"""Order of `Quality`, from best to worst: the worst that applies is published."""


@value
class Anchor:
    """The tip's height at the moment the reference was set, kept correlated with the present pose.

    An estimator that carries the height at the anchor moment along as a state improves it together with
    mounts and biases; the elevation relative to the reference is then the present height minus this one,
    and errors common to both cancel in its variance.

    Attributes:
        height_m: present estimate of the tip's height above the slew centre at the anchor moment.
        variance_m2: its variance.
        covariance: (2 + n,) covariance of `height_m` with the pose's angles, m·rad.
        heave_m: estimate of the slew centre's heave at the anchor moment.
    """

    height_m: float
    variance_m2: float
    covariance: Array
    heave_m: float = 0.0


@value
class Pose:
    """The arm at time `t`.

    Attributes:
        t: s, the moment the figures are valid for (predicted to it).
        angles: (2 + n,) rad, q of `tipdatum.kinematics.chain`: θ_upper, roll, θ of each section; carried on
            past ±180°, never folded. NaN-free unless quality is stale or invalid.
        rates: (2 + n,) rad/s, time derivatives of `angles`.
        covariance: (2 + n, 2 + n) rad², total error covariance of `angles`: noise, biases, mounts, model
            and prediction.
        prediction_covariance: the part of `covariance` that comes from predicting from the last readings
            to `t`.
        quality: worst that applies as far as fusion knows.
        reasons: short words, empty when good.
        slew_rad: slew angle since the estimator started, or of the slew sensor; positive left.
        slew_rate_radps: rate about the slew axis.
        slew_known: whether `slew_rad` comes from a slew sensor (otherwise it drifts).
        heave_m: height of the slew centre above where it was at rest, 0 where it is not estimated.
        heave_sigma_m: 1-sigma of `heave_m`.
        anchor: see `Anchor`; None before the first or for an estimator that keeps none.
    """

    t: float
    angles: Array
    rates: Array
    covariance: Array
    prediction_covariance: Array
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
