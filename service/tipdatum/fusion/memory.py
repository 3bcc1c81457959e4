"""How long the chain filter remembers what it has learnt of its sensors' constants.

What the filter calls noise is in part error that comes back with every motion: lever arms and latencies that
are not what the description says, vibration folded down. Taken as new each time, it makes scale errors,
mounts and accelerometer biases ever surer, and carries them ever further away from what they can be, over
hours by many times their prior. So while the arm moves knowledge of these constants c fades towards that of
the start (at rest it is kept: a figure on a standing machine would creep):

    P_c'⁻¹ = λ P_c⁻¹ + (1 - λ) P_0⁻¹        c' = P_c' (λ P_c⁻¹ c + (1 - λ) P_0⁻¹ c_0)        λ = exp(-Δt/τ)

(covariances so mixed stay positive and between the two). What else is known, angles and the height at the
reference, hangs on the constants by the regression G = P_rc P_c⁻¹, which stays as it is:

    r' = r + G (c' - c)        P_rc' = G P_c'        P_r' = P_r + G (P_c' - P_c) Gᵀ

A process noise on the constants would be another thing: it loosens what gravity says of angle, mount and bias
together, and the tie to the reference with it. Source of the mixed information: exponential forgetting with
a prior, Kulhavý & Zarrop, *On a general concept of forgetting*, Int. J. Control 58 (1993), from memory.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.layout import GYRO_BIAS, PER_SENSOR
from tipdatum.fusion.parts import Setup
from tipdatum.kinematics.frames import Array

FADE_EVERY_S = 4.0
"""Time of work between two fadings, s: short beside the memory, so that no figure shows a step."""


class Memory:
    """Knowledge of the constants at the start, and the way back to it.

    Gyro biases are left out: they wander by themselves, and every rest tells them anew.
    """

    def __init__(self, setup: Setup) -> None:
        at = setup.at
        told = np.ones((setup.n, PER_SENSOR), dtype=bool)
        told[:, GYRO_BIAS] = False
        self._c = at.constants.start + np.flatnonzero(told.ravel())
        self._r = np.setdiff1d(np.arange(at.size), self._c)
        self._share = math.exp(-FADE_EVERY_S / setup.options.memory_s)
        self._passed = 0.0

    def keep(self, x: Array, P: Array) -> None:
        """Take what `x` (n,) and `P` (n, n) say now as the knowledge to go back to."""
        c = self._c
        self._start = (1.0 - self._share) * np.linalg.inv(P[np.ix_(c, c)])
        self._start_told = self._start.dot(x[c])

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
        after = np.linalg.inv(known + self._start)
        after = 0.5 * (after + after.T)
        step = after.dot(known.dot(x[c]) + self._start_told) - x[c]
        x[c] += step
        x[r] += tie.dot(step)
        across = tie.dot(after)
        wider = tie.dot(after - before).dot(tie.T)
        P[np.ix_(c, c)] = after
        P[np.ix_(r, c)] = across
        P[np.ix_(c, r)] = across.T
        P[np.ix_(r, r)] += 0.5 * (wider + wider.T)
