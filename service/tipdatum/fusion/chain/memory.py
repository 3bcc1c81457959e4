"""How long the chain filter remembers what it has learnt of its sensors, and what it expects of them.

**Fading.** What the filter calls noise is in part error that comes back with every motion: links and pins,
vibration folded down. Taken as new each time, it makes constants ever surer, and carries them ever further
away from what they can be, over hours by many times their prior. So while the arm moves knowledge of these
constants c fades towards that of the start (at rest it is kept: a figure on a standing machine would creep):

    P_c'⁻¹ = λ P_c⁻¹ + (1 - λ) P_0⁻¹        c' = P_c' (λ P_c⁻¹ c + (1 - λ) P_0⁻¹ c_0)        λ = exp(-Δt/τ)

(covariances so mixed stay positive and between the two). What else is known, angles and the height at the
reference, hangs on the constants by the regression G = P_rc P_c⁻¹, which stays as it is:

    r' = r + G (c' - c)        P_rc' = G P_c'        P_r' = P_r + G (P_c' - P_c) Gᵀ

A process noise on the constants would be another thing: it loosens what gravity says of angle, mount and
bias together, and the tie to the reference with it. Source of the mixed information: exponential forgetting
with a prior, Kulhavý & Zarrop, *On a general concept of forgetting*, Int. J. Control 58 (1993), from memory.

**Class of the parts.** Nobody tells whether parts have cross-axis errors of 1 % or of 0.1 %, whether anything
warms up, whether mounts were fitted by eye or measured; but what has been learnt of all sensors together
does. The constants of each of `GROUPS` have a common factor ρ on the variance of their prior, 1 at the start.
With D the described information, the start to which knowledge fades is P_0⁻¹ + (1/ρ - 1) D.

Warmth is there or is not: parts that have been on for long, or that their maker has calibrated over
temperature, have a fifth of its errors or none. With Λ and h what has been learnt of a group (information and
information vector, the prior taken off), how likely that is for each ρ follows without approximation,

    ln L(ρ) = - ½ ln det(ρ D⁻¹ Λ + I) + ½ hᵀ (Λ + D/ρ)⁻¹ h

in eigenvalues b of D⁻¹Λ and projections of h a sum, ½ Σ (h²/(b + 1/ρ) - ln(ρ b + 1)): the marginal likelihood
of a linear model by the scale of its prior (MacKay, *Bayesian interpolation*, Neural Computation 4, 1992,
from memory). Beforehand every scale of `TRIED` is equally likely; ρ is the mean over what is likely
afterwards, in which large ones weigh most, so that doubt errs on the wide side. A narrower prior is put into
the filter at once, P_c⁻¹ ← P_c⁻¹ + (1/ρ' - 1/ρ) D, a wider one by the fading: taking information out again
could leave less than none.

Axes, scales, biases and the installation are never nought, and their states take up errors that are not
theirs: by the fading alone they leave what was described, by steps of expectation maximisation (Dempster,
Laird & Rubin, J. R. Stat. Soc. B 39, 1977, from memory), against which k constants' worth of that stand:

    ρ' = (k + Σ (c² + P_c)/σ²) / (k + number)

Gyro biases and their warmth are left out: they wander by themselves, and every rest tells them anew.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    ACCEL_SKEW,
    ACCEL_WARM,
    GYRO_BIAS,
    GYRO_CROSS,
    GYRO_SCALE,
    GYRO_WARM,
    LATENCY,
    LEVER,
    MOUNT,
    PER_SENSOR,
)
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.kinematics.frames import Array

Places: TypeAlias = NDArray[np.intp]

FADE_EVERY_S = 4.0
"""Time of work between two fadings, s: short beside the memory, so that no figure shows a step."""

PRESENT_OR_NOT: tuple[tuple[slice, ...], ...] = ((ACCEL_WARM,),)
"""Constants that a class of parts may lack: what warmth does to it."""
NEVER_NOUGHT: tuple[tuple[slice, ...], ...] = (
    (GYRO_CROSS, ACCEL_SKEW),
    (GYRO_SCALE, ACCEL_SCALE),
    (ACCEL_BIAS,),
    (MOUNT, LEVER, slice(LATENCY, LATENCY + 1)),
)
"""Constants that are as good or as bad as each other: axes, scales and biases by how a part is made, the
installation by how it was measured."""
GROUPS = PRESENT_OR_NOT + NEVER_NOUGHT
AXES = 1
"""Place of cross-axis errors among these."""
TRIED: Array = np.geomspace(0.04, 4.0, 16)
"""Values of ρ that are weighed against each other, 1: from a fifth, by which data sheets of parts that their
maker has calibrated over temperature differ from those of low-cost ones, to twice of what is described."""
PRIOR_WEIGHT = 6.0
"""k above, 1."""
LEAST_FACTOR, MOST_FACTOR = 0.02, 4.0
"""Bounds of ρ by expectation maximisation, 1: a seventh and twice of what is described."""


class Scale:
    """The common factor ρ on the prior of one group of constants.

    Attributes:
        places: of the group among the constants that are told.
        factor: ρ.
        held: how many times D the filter holds for prior, 1.
    """

    def __init__(self, places: Places, may_lack: bool) -> None:
        self.places = places
        self.factor = self.held = 1.0
        self._may_lack = may_lack
        self._find = self._likely if may_lack else self._maximised
        self._whiten = np.eye(len(places))

    def begin(self, described: Array) -> None:
        """Begin with the covariance (m, m) that is described for the group."""
        self.factor = self.held = 1.0
        self.describe(described)

    def describe(self, described: Array) -> None:
        """Take another covariance (m, m) for that which is described."""
        self._whiten = np.linalg.inv(np.linalg.cholesky(described))

    def learn(self, x: Array, P: Array, share: float) -> float:
        """Find ρ by what `x` (m,) and `P` (m, m) tell of the group.

        Returns:
            How many times D to add to the information before it fades, of which `share` stays.
        """
        W = self._whiten
        self.factor = self._find(W.dot(x), W.dot(P).dot(W.T))
        wanted = 1.0 / self.factor
        more = max(0.0, wanted - self.held) if self._may_lack else 0.0
        self.held = share * (self.held + more) + (1.0 - share) * wanted
        return more

    def _maximised(self, x: Array, P: Array) -> float:
        shown = float(x.dot(x) + np.trace(P))
        factor = (PRIOR_WEIGHT + shown) / (PRIOR_WEIGHT + len(x))
        return min(MOST_FACTOR, max(LEAST_FACTOR, factor))

    def _likely(self, x: Array, P: Array) -> float:
        variances, ways = np.linalg.eigh(P)
        known = 1.0 / variances
        told = (known * ways.T.dot(x))[:, None] ** 2
        learnt = np.maximum(known - self.held, 0.0)[:, None]
        likely = 0.5 * (told / (learnt + 1.0 / TRIED) - np.log1p(TRIED * learnt)).sum(axis=0)
        weights = np.exp(likely - likely.max())
        return float(weights.dot(TRIED) / weights.sum())


class Memory:
    """Knowledge of the constants at the start, and the way back to it; see the module's text."""

    def __init__(self, setup: FilterSetup) -> None:
        at = setup.at
        told = np.ones((setup.n, PER_SENSOR), dtype=bool)
        told[:, GYRO_BIAS] = told[:, GYRO_WARM] = False
        self._c = at.constants.start + np.flatnonzero(told.ravel())
        self._r = np.delete(np.arange(at.size), self._c)
        self._share = math.exp(-FADE_EVERY_S / setup.options.memory_s)
        self._passed = 0.0
        self._scales = []
        for group in GROUPS:
            of_it = np.zeros((setup.n, PER_SENSOR), dtype=bool)
            for part in group:
                of_it[:, part] = True
            self._scales.append(Scale(np.flatnonzero(of_it[told]), group in PRESENT_OR_NOT))
        self._adapts = setup.options.learn_class
        self._described: Array = np.eye(len(self._c))

    @property
    def of_axes(self) -> float:
        """ρ of cross-axis errors, 1: 1 for parts that are as bad as described."""
        return self._scales[AXES].factor

    def begin(self, x: Array, P: Array) -> None:
        """Take what is described, `x` (n,) and `P` (n, n), as the prior."""
        described = P[np.ix_(self._c, self._c)]
        self._described = np.asarray(np.linalg.inv(described), dtype=float)
        for scale in self._scales:
            scale.begin(described[np.ix_(scale.places, scale.places)])
        self.keep(x, P)

    def keep(self, x: Array, P: Array) -> None:
        """Take what `x` (n,) and `P` (n, n) say now as the knowledge to go back to."""
        c = self._c
        self._start = np.linalg.inv(P[np.ix_(c, c)])
        self._start_told = self._start.dot(x[c])

    def open(self, places: Places, variance: float) -> None:
        """Forget what was described and known at the start of constants at `places` of the state.

        They are as little known as `variance` says from now on, where more was described.
        """
        own = np.searchsorted(self._c, places)
        described = np.asarray(np.linalg.inv(self._described), dtype=float)
        start = np.linalg.inv(self._start)
        told = start.dot(self._start_told)
        # The same to both: what is known is never less than what is described, which classes scale.
        more = np.where(described[own, own] < variance, variance, 0.0)
        described[own, own] += more
        start[own, own] += more
        self._described = np.asarray(np.linalg.inv(described), dtype=float)
        self._start = np.linalg.inv(start)
        self._start_told = self._start.dot(told)
        for scale in self._scales:
            scale.describe(described[np.ix_(scale.places, scale.places)])

    def _exchanged(self, x: Array, P: Array) -> tuple[Array, Array]:
        """What to add to the constants' information, and to that of the start, for the parts' class."""
        now, start = np.zeros_like(self._described), np.zeros_like(self._described)
        if not self._adapts:
            return now, start
        for scale in self._scales:
            k = scale.places
            places, own = self._c[k], np.ix_(k, k)
            now[own] = scale.learn(x[places], P[np.ix_(places, places)], self._share) * self._described[own]
            start[own] = (1.0 / scale.factor - 1.0) * self._described[own]
        return now, start

    def let_pass(self, seconds: float, x: Array, P: Array) -> None:
        """Note that the arm has worked for so long; change `x` and `P` when it is time to."""
        self._passed += seconds
        if self._passed < FADE_EVERY_S:
            return
        self._passed -= FADE_EVERY_S
        c, r = self._c, self._r
        before = P[np.ix_(c, c)]
        known = np.linalg.inv(before)
        tie = P[np.ix_(r, c)].dot(known)
        told = known.dot(x[c])
        now, start = self._exchanged(x, P)
        fresh = 1.0 - self._share
        known = self._share * (known + now) + fresh * (self._start + start)
        after = np.linalg.inv(known)
        after = 0.5 * (after + after.T)
        step = after.dot(self._share * told + fresh * self._start_told) - x[c]
        x[c] += step
        x[r] += tie.dot(step)
        across = tie.dot(after)
        wider = tie.dot(after - before).dot(tie.T)
        P[np.ix_(c, c)] = after
        P[np.ix_(r, c)] = across
        P[np.ix_(c, r)] = across.T
        P[np.ix_(r, r)] += 0.5 * (wider + wider.T)
