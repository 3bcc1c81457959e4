"""Which observations do not fit: tested one at a time, and by what many of them would have in common.

Baarda's data snooping as in any text on adjustment (for instance Ghilani, *Adjustment Computations*, ch. 21;
Teunissen, *Testing Theory*, ch. 4): with the weighted residuals v after the adjustment and the projector
P = I - J (JᵀJ)⁻¹ Jᵀ, a slip along the direction c has the test value T = (cᵀv)² / (cᵀ P c) and the size
cᵀv / cᵀPc. A single row is c = eᵢ, which gives w = vᵢ / √rᵢ with the redundancy number rᵢ; several rows that
share an offset are one direction too. All of it is done on one linearisation and the adjustment repeated.

Explanations with different rows set aside and different offsets free are compared by what they cost: χ² of
what is left, and `CRITICAL`² for everything that had to go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from tipdatum.calibration.problem import Mask, Offset, Problem, descend
from tipdatum.kinematics.frames import Array

CRITICAL = 3.5
"""Standardised residual from which an observation counts as an outlier (5 in 10 000 good ones exceed it)."""

UNTESTABLE = 0.02
"""Redundancy number below which nothing checks an observation."""

SET_ASIDE_AT_ONCE = 12.0
"""Robust residual, in sigmas, from which a reading waits outside until the others have settled."""

WILD = 8.0
"""Misfit at the start, in deviations of what was known beforehand, that no machine explains."""

MOST_REJECTED = 0.25
"""Share of tested observations beyond which setting more aside explains nothing."""

OFFSET_LEAD = 6.0
"""By how much an offset must explain more than single slips would, in units of χ², to be preferred."""

SINGULAR = 1e-6
"""Redundancy number from which leaving a row out is worked out anew, for the sake of the digits."""

_ROUNDS = 4


@dataclass
class Fit:
    """One way of making sense of the rows.

    Attributes:
        u: unknowns in natural steps. keep: rows that count. rejected: ids set aside, worst first.
        score: χ² of what is left and `CRITICAL`² for every id and offset that it took.
    """

    problem: Problem
    u: Array
    keep: Mask
    rejected: list[str] = field(default_factory=list)
    score: float = 0.0


class Linear:
    """A linearisation, and what setting rows aside does to it."""

    def __init__(self, problem: Problem, u: Array) -> None:
        everything = problem.everything
        n = len(problem.rows)
        J, r = problem.jacobian(u, everything), problem.weighted(u, everything)
        self.J, self.r = J[:n], r[:n]
        self.prior_J, self.prior_r = J[n:], r[n:]

    def settle(self, keep: Mask) -> Settled:
        """Residuals and redundancy with these rows."""
        Jk = self.J[keep]
        normal = Jk.T @ Jk + self.prior_J.T @ self.prior_J
        factor = cho_factor(normal, lower=True)
        du = -cho_solve(factor, Jk.T @ self.r[keep] + self.prior_J.T @ self.prior_r)
        left = self.r + self.J @ du
        prior = self.prior_r + self.prior_J @ du
        half = solve_triangular(factor[0], self.J.T, lower=True)
        chi_square = float(left[keep] @ left[keep] + prior @ prior)
        return Settled(self, keep.copy(), left, half.T @ half, chi_square)


@dataclass
class Settled:
    """A linearised adjustment: weighted residuals (n,) and `hat` = J N⁻¹ Jᵀ (n, n), rows in or out."""

    linear: Linear
    keep: Mask
    left: Array
    hat: Array
    chi_square: float

    @property
    def redundancy(self) -> Array:
        """(n,): 1 - h of a row that took part; one that did not is predicted with variance 1 + h."""
        spread = np.diag(self.hat)
        redundancy: Array = np.where(self.keep, np.clip(1.0 - spread, 0.0, 1.0), 1.0 + spread)
        return redundancy

    @property
    def standardised(self) -> Array:
        """(n,) w; 0 where nothing checks a row."""
        redundancy = self.redundancy
        w: Array = self.left / np.sqrt(np.maximum(redundancy, 1e-12))
        return np.where(redundancy > UNTESTABLE / 10, w, 0.0)

    def turned(self, rows: Sequence[int], kept: bool) -> Settled:
        """The same with some rows taken in or left out, by the formula of Sherman and Morrison."""
        keep, left, hat, chi_square = self.keep.copy(), self.left, self.hat, self.chi_square
        keep[rows] = kept
        for i in rows:
            if self.keep[i] == kept:
                continue
            column, of_row = hat[:, i], left[i]
            variance = 1.0 + hat[i, i] if kept else 1.0 - hat[i, i]
            if variance < SINGULAR:
                return self.linear.settle(keep)
            sign = -1.0 if kept else 1.0
            left = left + sign * column * (of_row / variance)
            hat = hat + np.outer(column, column) * (sign / variance)
            chi_square -= sign * of_row**2 / variance
        return Settled(self.linear, keep, left, hat, chi_square)

    def test(self, direction: Array) -> tuple[float, float]:
        """T and size of a slip along weighted rows `direction`; (0, 0) where nothing checks it."""
        c = direction * self.keep
        whole = float(c @ c)
        seen = whole - float(c @ self.hat @ c)
        if seen <= UNTESTABLE * whole or whole == 0.0:
            return 0.0, 0.0
        pull = float(c @ self.left)
        return pull * pull / seen, pull / seen


def wild_rows(problem: Problem) -> Mask:
    """Rows that what is known beforehand rules out: a reading in other units, a decimal point gone.

    The start's misfit is held against its own deviation, J C Jᵀ with the priors' C. Unknowns that nothing was
    known of stand where the start put them, which is the median of all that speak of them.
    """
    x0 = problem.x0 / problem.scale
    everything = problem.everything
    J = problem.jacobian(x0, everything)[: len(problem.rows)]
    known = np.array([u.sigma / u.scale if u.sigma < 1.0 else 0.5 / u.scale for u in problem.unknowns])
    predicted = np.sqrt(1.0 + np.einsum("ij,j->i", J**2, known**2))
    r = problem.weighted(x0, everything)[: len(problem.rows)]
    return np.asarray(problem.tested & (np.abs(r) > WILD * predicted))


def by_id(problem: Problem) -> dict[str, list[int]]:
    """Id → its rows."""
    found: dict[str, list[int]] = {}
    for i, row in enumerate(problem.rows):
        found.setdefault(row.id, []).append(i)
    return found


def snoop(problem: Problem, u: Array, wild: Mask) -> Fit:
    """Set aside what does not fit, from a robust solution."""
    rows_of = by_id(problem)
    keep = problem.everything & ~wild
    left = problem.weighted(u, problem.everything)[: len(problem.rows)]
    keep &= ~(problem.tested & (np.abs(left) > SET_ASIDE_AT_ONCE))
    rejected = [name for name, rows in rows_of.items() if not keep[rows].all()]
    for name in rejected:
        keep[rows_of[name]] = False
    fit = Fit(problem, u, keep, rejected)
    for _ in range(_ROUNDS):
        fit.u = descend(problem, fit.u, fit.keep)
        before = list(fit.rejected)
        chi_square = _settle_rejections(Linear(problem, fit.u), problem, fit)
        if fit.rejected == before:
            break
    else:
        fit.u = descend(problem, fit.u, fit.keep)
    fit.score = chi_square + CRITICAL**2 * (len(fit.rejected) + len(problem.offsets))
    return fit


def _settle_rejections(linear: Linear, problem: Problem, fit: Fit) -> float:
    """Set aside and take back on one linearisation, until nothing changes; χ² of what is left."""
    rows_of = by_id(problem)
    most = max(3, int(MOST_REJECTED * len({r.id for r in problem.rows if r.tested})))
    settled = linear.settle(fit.keep)
    seen: set[frozenset[str]] = set()
    for _ in range(4 * most):
        # Two that fit only without each other would go out and in for ever.
        if frozenset(fit.rejected) in seen:
            break
        seen.add(frozenset(fit.rejected))
        w = np.abs(settled.standardised)
        fits_again = {
            name: float(w[rows_of[name]].max())
            for name in fit.rejected
            if w[rows_of[name]].max() < CRITICAL - 0.5
        }
        if fits_again:
            # The best one alone: what comes back changes what is thought of the others.
            name = min(fits_again, key=lambda n: fits_again[n])
            fit.rejected.remove(name)
            fit.keep[rows_of[name]] = True
            settled = settled.turned(rows_of[name], True)
        else:
            open_ = problem.tested & fit.keep & (settled.redundancy > UNTESTABLE)
            worst = int(np.argmax(np.where(open_, w, 0.0)))
            if not open_[worst] or w[worst] < CRITICAL or len(fit.rejected) >= most:
                break
            name = problem.rows[worst].id
            fit.rejected.append(name)
            fit.keep[rows_of[name]] = False
            settled = settled.turned(rows_of[name], False)
    return settled.chi_square


def best_offsets(
    problem: Problem, u: Array, wild: Mask, candidates: Sequence[Offset], most: int
) -> list[Offset]:
    """Offsets that would explain most of what all rows together leave over, best first."""
    settled = Linear(problem, u).settle(problem.everything & ~wild)
    found = [(settled.test(o.rows / problem.sigma)[0], i) for i, o in enumerate(candidates)]
    found.sort(reverse=True)
    return [candidates[i] for value, i in found[:most] if value > CRITICAL**2 + OFFSET_LEAD]
