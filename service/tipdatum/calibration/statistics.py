"""What a solution is worth: deviations, correlations, what was not observed, and the tip's own sigma."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.envelope import Postures
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

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


def use_covariance(solution: Solution, sensitivity: TipSensitivity) -> Array:
    """Covariance of what the description will say, in the order of `sensitivity.names`."""
    which = [solution.place[n] for n in sensitivity.names]
    return solution.covariance[np.ix_(which, which)]


def turn_on_covariance(sensitivity: TipSensitivity, turn_on_mps2: float) -> Array:
    """What a power-up after the calibration adds: another bias of every accelerometer."""
    d = np.array([turn_on_mps2 if ".accel_bias." in n else 0.0 for n in sensitivity.names])
    return np.diag(d**2)


def propagated(J: Array, covariance: Array) -> Array:
    """(P,) variances of P functions with derivatives J (P, n): J C Jᵀ's diagonal (JCGM 100, 5.2.2)."""
    variance: Array = np.maximum(np.einsum("pi,ij,pj->p", J, covariance, J), 0.0)
    return variance


def tip_sigma(machine: Machine, postures: Postures, covariance: Array, reference: Postures | None) -> Array:
    """(P,) m: 1-sigma of the tip's height at postures, relative to a reference posture if one is given."""
    sensitivity = TipSensitivity(machine)
    J = sensitivity.jacobian(postures)
    if reference is not None:
        J = J - sensitivity.jacobian(reference)[0]
    sigma: Array = np.sqrt(propagated(J, covariance))
    return sigma
