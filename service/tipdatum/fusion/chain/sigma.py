"""How wide the stated sigma is: what has been learnt of the sensors says how good they are.

The filter's covariance comes from priors that suit hobby parts and an ordinary installation, and from noise
taken at its worst, since states must be able to take up errors that are not the sensors' own. The standard
deviation of an elevation is that of the covariance times

    s + (1 - s) exp(-w/τ)        s = `worst_case` · R^p · ρ^q · (M/M_0)^(1 - g)

- `worst_case` is what the covariance says too much with parts as described, the same in all manners of work;
  1 for slow sensors, which tell what they leave out.
- R compares what has been learnt of the accelerometers' biases, x̂ with covariance P, with their prior P_0:

      R = (k + Σ x̂²) / (k + Σ (P_0 - P))        k = 3 · mean of P_0

  It is 1 if the prior was right and smaller for better parts (empirical Bayes: under the prior Σ x̂² is
  Σ (P_0 - P) on average; k keeps R at 1 while nothing has been learnt).
- ρ is the factor that the filter's memory has learnt for axes (`tipdatum.fusion.chain.memory`), the same of
  cross-axis errors.
- M is the largest mean squared, normalised innovation of late, as far as it exceeds M_0. What has surprised
  the filter stays in its constants until these fade, so it is forgotten as they are. g is the share that
  vibration folded down by the sampling has in the accelerometers' noise: it repeats, and the covariance holds
  it.
- w is how long the arm has worked since the filter started or found an angle anew: until then the angles are
  no better than what they were found by.

Times √(1 + (h/40 ms)²), h the time between samples, for what a straight line from one to the next leaves out,
and times `StatedSigma.mix`. The figures were chosen on the choosing half of the public sessions, on the same
with further errors of parts, and on draws of our own simulator; how they do on the others is on the page of
what is measured.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.chain.constants import ACCEL_BIAS, LATENCY, PER_SENSOR
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.noise import Vibration
from tipdatum.kinematics.frames import Array

BIAS_POWER, AXES_POWER = 0.3, 0.4
"""p and q above, 1."""
PRIOR_WEIGHT = 3.0
"""How many constants' worth of prior stand against what has been learnt, 1."""
LEAST_RATIO, MOST_RATIO = 0.2, 4.0
"""Bounds of R: a few constants may be small, or large, by luck, and quiet biases do not make noise quiet."""
TRUST_S = 3.0
"""τ above, s: an angle is found within a few movements."""
FOLDED_S = 15.0
"""Time over which g is averaged, s."""
SPARSE_S = 0.04
"""Time between samples, s, at which what lies between them would count as much as all else."""
TOLD_S = 0.04
"""The longest that is reckoned so: what slower sensors leave out they tell
(`tipdatum.fusion.chain.samples`)."""
UNLIKE = 1.5
"""Factor on sigma where a body has no gyro, or the upper no sensor: less of the covariance is worst case."""
MOST_SURPRISE = 3.0
"""Most of the mean squared, normalised innovation that one block counts for, 1: a shock is none of it. It is
1 where their covariance is right, 0.2 for even streams of IMUs."""
USUAL_SURPRISE = 0.4
"""M_0 above, 1: even streams of good parts show 0.1 to 0.2."""
CALM_SURPRISE, LEAST_SURPRISE = 0.6, 0.09
"""Where a slow machine's sigma begins to narrow, and where it has no more to tell, 1."""
ALL_SLOW_S = 0.1
"""Time between samples, s, from which sigma is all that of a slow machine."""
SURPRISE_S = 10.0
"""Time over which they are averaged, s."""


class StatedSigma:
    """Follows what the covariance's sigma has to be multiplied by."""

    def __init__(self, setup: FilterSetup) -> None:
        self._setup = setup
        self._prior = np.ones((setup.n, PER_SENSOR))
        self._worked = 0.0
        self._sparse = 1.0
        self._folded: float | None = None
        self._surprise, self._worst = CALM_SURPRISE, 0.0
        self._slow = 0.0
        self._unlike = UNLIKE if setup.gyroless or not setup.on_upper else 1.0

    def let_pass(self, seconds: float, step: float, vibration: Vibration, resting: bool) -> None:
        """Note that so much time has passed, with samples every `step` s."""
        folded = vibration.slow if self._folded is None else self._folded
        self._folded = folded + min(1.0, seconds / FOLDED_S) * (vibration.slow - folded)
        if not resting:
            self._worked += seconds
            # What it was before the first ten seconds of work says how the filter started.
            if self._worked > SURPRISE_S:
                fades = math.exp(-seconds / self._setup.options.memory_s)
                self._worst = max(self._surprise, fades * self._worst + (1.0 - fades) * self._surprise)
            self._slow = min(1.0, max(0.0, (step - SPARSE_S) / (ALL_SLOW_S - SPARSE_S)))
            self._sparse = math.sqrt(1.0 + (min(step, TOLD_S) / SPARSE_S) ** 2)

    def be_surprised(self, distances: list[float], seconds: float) -> None:
        """Note each sensor's squared, normalised innovation of a block (of three velocities)."""
        mean = min(MOST_SURPRISE, sum(distances) / (3.0 * len(distances)))
        self._surprise += min(1.0, seconds / SURPRISE_S) * (mean - self._surprise)

    def mix(self) -> float:
        """Factor for innovations, and for mixes of sensors that `worst_case` was not measured on.

        Bodies without gyro, an upper without sensor, and innovations larger than their covariance says: the
        model then misses something, be it times that are not those of the samples. What slow sensors leave
        out, on the other hand, is taken at its worst; innovations far smaller than that say it was not.
        """
        calm = min(1.0, max(LEAST_SURPRISE, self._surprise) / CALM_SURPRISE)
        most = max(self._surprise, self._worst) / USUAL_SURPRISE
        unlikely = math.pow(max(1.0, most), 1.0 - (self._folded or 0.0))
        return self._unlike * max(1.0, self._surprise, unlikely) * math.pow(calm, 0.5 * self._slow)

    def doubt(self) -> None:
        """Begin again with trust: an angle has been found anew."""
        self._worked = 0.0

    def keep(self, P: Array) -> None:
        """Take what `P` (n, n) says of the constants now as the prior."""
        self._prior = self._variances(P).copy()

    def _variances(self, P: Array) -> Array:
        return P.diagonal()[self._setup.at.constants].reshape(-1, PER_SENSOR)

    def _ratio(self, x: Array, P: Array) -> float:
        """R."""
        learnt = x[self._setup.at.constants].reshape(-1, PER_SENSOR)[:, ACCEL_BIAS]
        prior, variances = self._prior[:, ACCEL_BIAS], self._variances(P)[:, ACCEL_BIAS]
        k = PRIOR_WEIGHT * float(prior.mean())
        shown = k + float((learnt * learnt).sum())
        expected = k + max(0.0, float((prior - variances).sum()))
        return min(MOST_RATIO, max(LEAST_RATIO, shown / expected))

    def share(self, x: Array, P: Array, axes: float) -> float:
        """Factor on the covariance's standard deviations; `axes` is ρ, 1."""
        worst_case = math.pow(self._setup.options.worst_case, 1.0 - self._slow)
        parts = math.pow(self._ratio(x, P), BIAS_POWER) * math.pow(axes, AXES_POWER)
        share = worst_case * parts * self.mix()
        share += (1.0 - share) * math.exp(-self._worked / TRUST_S)
        return self._sparse * share

    def shared_latency(self, x: Array, P: Array) -> float:
        """1-sigma, s, of the latency that all sensors have in common, which nothing shows.

        It is taken as large as the mean of N latencies that differ as much as these do and as described ones
        may: those of a few sensors may lie close together by luck and be wrong all alike.
        """
        n, described = self._setup.n, self._setup.latency_sigma
        if n < 2:
            return float(described[0])
        late = x[self._setup.at.constants].reshape(-1, PER_SENSOR)[:, LATENCY]
        spread = float(late.dot(late)) + float(self._variances(P)[:, LATENCY].sum())
        spread += PRIOR_WEIGHT * float(described.dot(described)) / n
        return float(np.sqrt(spread / (n * (PRIOR_WEIGHT + n - 1.0))))
