"""What a solution is worth: deviations, correlations, and what was not observed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.kinematics.frames import Array

NOT_OBSERVED = 0.85
"""Share of its prior deviation above which an unknown was hardly observed."""

STRONG = 0.95
"""Correlation from which two unknowns are worth naming together."""


@dataclass(frozen=True, slots=True)
class Determined:
    """One unknown of machine or sensor: value and 1-sigma in display units, and whether it was observed."""

    name: str
    value: float
    sigma: float
    prior: float
    prior_sigma: float
    unit: str
    observed: bool


def determined(solution: Solution) -> list[Determined]:
    """Every unknown that stays with the machine, angles in degrees, lengths in millimetres' metres."""
    found = []
    for u in solution.unknowns:
        if u.locus not in ("machine", "sensor") or u.name.startswith(("mark.", "load")) or u.sigma < 1e-6:
            continue
        k, unit = (math.degrees(1.0), "deg") if u.unit == "rad" else (1.0, u.unit)
        sigma = solution.sigma(u.name)
        found.append(
            Determined(
                u.name, solution.value(u.name) * k, sigma * k, u.prior * k, u.sigma * k, unit,
                sigma < NOT_OBSERVED * u.sigma,
            )
        )  # fmt: skip
    return found


def strong_correlations(solution: Solution, most: int = 8) -> list[tuple[str, str, float]]:
    """Pairs of machine or sensor unknowns that these observations can hardly tell apart."""
    which = [
        i
        for i, u in enumerate(solution.unknowns)
        if u.locus in ("machine", "sensor") and not u.name.startswith("mark.") and u.sigma > 1e-6
    ]
    C = solution.covariance[np.ix_(which, which)]
    d = np.sqrt(np.diag(C))
    R = C / np.outer(d, d)
    pairs = [
        (solution.unknowns[which[i]].name, solution.unknowns[which[j]].name, float(R[i, j]))
        for i in range(len(which))
        for j in range(i)
        if abs(R[i, j]) > STRONG
    ]
    return sorted(pairs, key=lambda p: -abs(p[2]))[:most]


def condition(solution: Solution) -> float:
    """Condition number of the machine's unknowns in units of their priors: 1 well, above 1e4 poorly posed."""
    which = [
        i
        for i, u in enumerate(solution.unknowns)
        if u.locus in ("machine", "sensor") and not u.name.startswith("mark.") and u.sigma > 1e-6
    ]
    prior = np.array([solution.unknowns[i].sigma for i in which])
    C = solution.covariance[np.ix_(which, which)] / np.outer(prior, prior)
    return float(math.sqrt(np.linalg.cond(C)))


def propagated(J: Array, covariance: Array) -> Array:
    """(P,) variances of P functions with derivatives J (P, n): J C Jᵀ's diagonal (JCGM 100, 5.2.2)."""
    variance: Array = np.maximum(np.einsum("pi,ij,pj->p", J, covariance, J), 0.0)
    return variance
