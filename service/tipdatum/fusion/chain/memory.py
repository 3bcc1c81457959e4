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

**Class of the parts.** Nobody tells whether parts have cross-axis errors of 1 % or of 0.1 %, whether mounts
were fitted by eye or measured; but what has been learnt of all sensors together does. The constants of each
of `GROUPS` have a common factor ρ on the variance of the prior, 1 at the start, and before each fading

    ρ ← (k + Σ (c² + P_c)/σ²) / (k + number)        P_0⁻¹ ← P_0⁻¹ + (1/ρ - 1) diag 1/σ²   (that group's)

with σ² the described prior. It is the step of expectation maximisation for the variance of a prior (empirical
Bayes; Dempster, Laird & Rubin, J. R. Stat. Soc. B 39, 1977, from memory): what nothing was learnt of has
c = 0 and P_c = ρ σ² and leaves ρ where it is, well-known constants pull it to their own mean square, and k
constants' worth of what was described hold it.

Gyro biases are left out: they wander by themselves, and every rest tells them anew.
"""

from __future__ import annotations

import math

import numpy as np

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

FADE_EVERY_S = 4.0
"""Time of work between two fadings, s: short beside the memory, so that no figure shows a step."""

GROUPS: tuple[tuple[slice, ...], ...] = (
    (GYRO_CROSS, ACCEL_SKEW),
    (GYRO_SCALE, ACCEL_SCALE),
    (ACCEL_WARM,),
    (ACCEL_BIAS,),
    (MOUNT, LEVER, slice(LATENCY, LATENCY + 1)),
)
"""Constants that are as good or as bad as each other: axes and scales by how a part is made, the
installation by how it was measured."""
PRIOR_WEIGHT = 6.0
"""How many constants' worth of the description stand against what has been learnt, 1."""
LEAST_FACTOR, MOST_FACTOR = 0.02, 4.0
"""Bounds of the factor on a variance, 1: a seventh and twice of what is described."""


class Memory:
    """Knowledge of the constants at the start, and the way back to it; see the module's text."""

    def __init__(self, setup: FilterSetup) -> None:
        at = setup.at
        told = np.ones((setup.n, PER_SENSOR), dtype=bool)
        told[:, GYRO_BIAS] = told[:, GYRO_WARM] = False
        self._c = at.constants.start + np.flatnonzero(told.ravel())
        self._r = np.setdiff1d(np.arange(at.size), self._c)
        self._share = math.exp(-FADE_EVERY_S / setup.options.memory_s)
        self._passed = 0.0
        self._groups = []
        for group in GROUPS:
            of_it = np.zeros((setup.n, PER_SENSOR), dtype=bool)
            for part in group:
                of_it[:, part] = True
            self._groups.append(np.flatnonzero(of_it[told]))
        self._adapts = setup.options.learn_class
        self._described = np.ones(len(self._c))
        self.factors = np.ones(len(GROUPS))
        """ρ above."""

    def begin(self, x: Array, P: Array) -> None:
        """Take what is described, `x` (n,) and `P` (n, n), as the prior."""
        self._described = P.diagonal()[self._c].copy()
        self.factors[:] = 1.0
        self.keep(x, P)

    def keep(self, x: Array, P: Array) -> None:
        """Take what `x` (n,) and `P` (n, n) say now as the knowledge to go back to."""
        c = self._c
        self._start = np.linalg.inv(P[np.ix_(c, c)])
        self._start_told = self._start.dot(x[c])

    def _expected(self, x: Array, P: Array) -> Array:
        """The information to go back to, by how good the parts have shown to be."""
        if not self._adapts:
            return np.asarray(self._start)
        shown = (x[self._c] ** 2 + P.diagonal()[self._c]) / self._described
        more = np.zeros(len(self._c))
        for g, of_it in enumerate(self._groups):
            factor = (PRIOR_WEIGHT + float(shown[of_it].sum())) / (PRIOR_WEIGHT + len(of_it))
            self.factors[g] = factor = min(MOST_FACTOR, max(LEAST_FACTOR, factor))
            more[of_it] = (1.0 / factor - 1.0) / self._described[of_it]
        return np.asarray(self._start + np.diag(more), dtype=float)

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
        known *= self._share
        fresh = 1.0 - self._share
        after = np.linalg.inv(known + fresh * self._expected(x, P))
        after = 0.5 * (after + after.T)
        step = after.dot(known.dot(x[c]) + fresh * self._start_told) - x[c]
        x[c] += step
        x[r] += tie.dot(step)
        across = tie.dot(after)
        wider = tie.dot(after - before).dot(tie.T)
        P[np.ix_(c, c)] = after
        P[np.ix_(r, c)] = across
        P[np.ix_(c, r)] = across.T
        P[np.ix_(r, r)] += 0.5 * (wider + wider.T)
