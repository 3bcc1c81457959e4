"""How wide the stated sigma is: what has been learnt of the sensors says how good they are.

The filter's covariance comes from priors that suit hobby parts and an ordinary installation, and from noise
taken at its worst, since states must be able to take up errors that are not the sensors' own. What
has been learnt of a group of constants tells whether its prior was right: with x̂ the estimates, P_0 the prior
and P the present covariance,

    R = (k + Σ x̂²) / (k + Σ (P_0 - P))        k = 3 · mean of P_0

is 1 if it was and smaller for better parts (empirical Bayes: under the prior Σ x̂² is Σ (P_0 - P) on average;
k keeps R at 1 while nothing has been learnt). The biases of the accelerometers tell the grade best, and the
standard deviation of an elevation is that of the covariance times

    s + (1 - s) exp(-w/τ)        s = (1 - `shaken_excess` · (f + g/2)) · R^(p (1 - g))

with f and g the shares that quick and slow vibration have had of late in the accelerometers' noise. The quick
one the filter takes at its worst, half of the slow one too (vibration that sampling folds down comes as an
acceleration like any other, in parts of all grades); where nothing shakes, the covariance is right as it
stands. w is how long the arm has worked since the filter started or found an angle anew: what a covariance
says too much it says only once the work has shown it. A blow moves angles and constants: after one a factor
below 1 goes back to it and fades anew, one above stays. What has surprised the filter stays in its constants
until these fade, so of the surprise the largest counts, and is forgotten as they are. Times
√(1 + (h/40 ms)²), h the time between samples, for what a straight line from one to the next leaves out, and
times `StatedSigma.mix`. Shares, power and times were chosen on simulated machines of many sizes and grades.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.chain.constants import ACCEL_BIAS, LATENCY, PER_SENSOR
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.noise import Vibration
from tipdatum.kinematics.frames import Array

POWER = 0.4
"""p above."""
TRUST_S = 8.0
"""τ above, s."""
BLOW_S = 25.0
"""The same after a blow, s: angles are found again within ten seconds of work, constants fade in fifty."""
SHAKEN_S = 15.0
"""Time over which f and g are averaged, s."""
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
USUAL_SURPRISE = 0.2
"""Surprise up to which the covariance is taken for right, 1: even streams of good parts show 0.1 to 0.2. What
is beyond goes with its root into sigma, less what folded vibration explains, which the covariance holds."""
CALM_SURPRISE, LEAST_SURPRISE = 0.6, 0.09
"""Where a slow machine's sigma begins to narrow, and where it has no more to tell, 1."""
ALL_SLOW_S = 0.1
"""Time between samples, s, from which sigma is all that of a slow machine."""
SURPRISE_S = 10.0
"""Time over which they are averaged, s."""
PRIOR_WEIGHT = 3.0
"""How many constants' worth of prior stand against what has been learnt, 1."""
LEAST_RATIO, MOST_RATIO = 0.2, 4.0
"""Bounds of R: a few constants may be small, or large, by luck, and quiet biases do not make noise quiet."""


class StatedSigma:
    """Compares what is known of the constants with the knowledge of the start."""

    def __init__(self, setup: FilterSetup) -> None:
        self._setup = setup
        self._prior = np.ones((setup.n, PER_SENSOR))
        self._worked, self._since_blow = 0.0, math.inf
        self._sparse = 1.0
        self._vibration: Vibration | None = None
        self._surprise, self._worst = CALM_SURPRISE, 0.0
        self._step = 0.0
        self._unlike = UNLIKE if setup.gyroless or not setup.on_upper else 1.0

    def let_pass(self, seconds: float, step: float, vibration: Vibration, resting: bool) -> None:
        """Note that so much time has passed, with samples every `step` s."""
        quick, slow = self._vibration or vibration
        weight = min(1.0, seconds / SHAKEN_S)
        quick += weight * (vibration.quick - quick)
        slow += weight * (vibration.slow - slow)
        self._vibration = Vibration(quick, slow)
        if not resting:
            self._worked += seconds
            # What it was before the first ten seconds of work says how the filter started.
            if self._worked > SURPRISE_S:
                fades = math.exp(-seconds / self._setup.options.memory_s)
                self._worst = max(self._surprise, fades * self._worst + (1.0 - fades) * self._surprise)
            self._since_blow += seconds
            self._step = step
            self._sparse = math.sqrt(1.0 + (min(step, TOLD_S) / SPARSE_S) ** 2)

    def be_surprised(self, distances: list[float], seconds: float) -> None:
        """Note each sensor's squared, normalised innovation of a block (of three velocities)."""
        mean = min(MOST_SURPRISE, sum(distances) / (3.0 * len(distances)))
        self._surprise += min(1.0, seconds / SURPRISE_S) * (mean - self._surprise)

    def mix(self) -> float:
        """Factor for mixes of sensors that the share was not measured on, 1 for an IMU on every body.

        Bodies without gyro, an upper without sensor, and innovations larger than their covariance says: the
        model then misses something, be it times that are not those of the samples. What slow sensors leave
        out, on the other hand, is taken at its worst; innovations far smaller than that say it was not.
        """
        slow = min(1.0, max(0.0, (self._step - SPARSE_S) / (ALL_SLOW_S - SPARSE_S)))
        calm = min(1.0, max(LEAST_SURPRISE, self._surprise) / CALM_SURPRISE)
        folded = 0.0 if self._vibration is None else self._vibration.slow
        most = max(self._surprise, self._worst) / USUAL_SURPRISE
        unlikely = math.pow(max(1.0, most), 0.5 * (1.0 - folded))
        return self._unlike * max(1.0, self._surprise, unlikely) * math.pow(calm, 0.5 * slow)

    def doubt(self) -> None:
        """Begin again with trust: an angle has been found anew."""
        self._worked = 0.0

    def struck(self) -> None:
        """A part was struck: until work has shown more, the covariance's own sigma is the least."""
        self._since_blow = 0.0

    def keep(self, P: Array) -> None:
        """Take what `P` (n, n) says of the constants now as the prior."""
        self._prior = self._variances(P).copy()

    def _variances(self, P: Array) -> Array:
        return P.diagonal()[self._setup.at.constants].reshape(-1, PER_SENSOR)

    def share(self, x: Array, P: Array) -> float:
        """Factor on the covariance's standard deviations."""
        learnt = x[self._setup.at.constants].reshape(-1, PER_SENSOR)[:, ACCEL_BIAS]
        prior, variances = self._prior[:, ACCEL_BIAS], self._variances(P)[:, ACCEL_BIAS]
        k = PRIOR_WEIGHT * float(prior.mean())
        shown = k + float((learnt * learnt).sum())
        expected = k + max(0.0, float((prior - variances).sum()))
        ratio = min(MOST_RATIO, max(LEAST_RATIO, shown / expected))
        quick, slow = self._vibration or (0.0, 0.0)
        excess = self._setup.options.shaken_excess * (quick + 0.5 * slow)
        share = float((1.0 - excess) * ratio ** (POWER * (1.0 - slow))) * self.mix()
        share += (1.0 - share) * math.exp(-self._worked / TRUST_S)
        share += max(0.0, 1.0 - share) * math.exp(-self._since_blow / BLOW_S)
        return self._sparse * share

    def shared_latency(self, x: Array, P: Array) -> float:
        """1-sigma, s, of the latency that all sensors have in common, which nothing shows.

        It is taken as large as the mean of N latencies that differ as much as these do.
        """
        n = self._setup.n
        if n < 2:
            return float(self._setup.latency_sigma[0])
        late = x[self._setup.at.constants].reshape(-1, PER_SENSOR)[:, LATENCY]
        spread = float(late.dot(late)) + float(self._variances(P)[:, LATENCY].sum())
        return float(np.sqrt(spread / (n * (n - 1))))
