"""One weighted least-squares adjustment of everything that was observed.

`scipy.optimize.least_squares` does the solving, first with a loss that a few wild observations cannot
pull (soft L1 on what people read), then plainly with data snooping: the observation with the largest
standardised residual is set aside, the rest solved again, until none exceeds `CRITICAL`; one that fits
after all comes back. Source of the statistics: Baarda's data snooping as in any text on adjustment
(for instance Ghilani, *Adjustment Computations*, ch. 21): w = v / (σ √r), redundancy number r = 1 - h.

Unknowns are scaled by their natural steps and what was known beforehand enters as rows of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from threadpoolctl import threadpool_limits

from tipdatum.calibration.methods import Row, Term, all_terms
from tipdatum.calibration.starts import Start, starts
from tipdatum.calibration.unknowns import WEAK, Setup, State, Unknown, list_unknowns
from tipdatum.kinematics.frames import Array

CRITICAL = 3.5
"""Standardised residual from which an observation counts as an outlier (5 in 10 000 good ones exceed it)."""

UNTESTABLE = 0.02
"""Redundancy number below which nothing checks an observation."""

MOST_REJECTED = 0.1
"""Share of tested observations beyond which rejecting more would explain nothing."""

_STEP = 1e-4
"""Difference step in units of an unknown's natural step."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One row after the adjustment: misfit (observed minus adjusted), standardised, and its redundancy."""

    row: Row
    misfit: float
    standardised: float
    redundancy: float
    rejected: bool


@dataclass
class Solution:
    """An adjusted case.

    Attributes:
        unknowns, x: what was solved for, and its values.
        covariance: (n, n), of `x`, already multiplied by `factor`² where that is above 1.
        judged: every row of the observations (not the priors).
        rejected: ids of observations set aside, worst first.
        factor: √(χ²/degrees of freedom): 1 if the stated sigmas were right.
        degrees: degrees of freedom. starts_tried: how many starts led here or elsewhere.
    """

    setup: Setup
    unknowns: list[Unknown]
    x: Array
    start: Start
    covariance: Array
    judged: list[Judged]
    rejected: list[str]
    factor: float
    degrees: int
    cost: float
    starts_tried: int = 1
    jacobian: Array = field(default_factory=lambda: np.zeros((0, 0)))

    @cached_property
    def place(self) -> dict[str, int]:
        """Name of an unknown → its number."""
        return {u.name: i for i, u in enumerate(self.unknowns)}

    @property
    def state(self) -> State:
        """The adjusted case unpacked."""
        return State(self.setup, self.x, self.start.mounts)

    def sigma(self, name: str) -> float:
        """1-sigma of an unknown, in its own unit (rad for angles)."""
        i = self.place[name]
        return math.sqrt(max(self.covariance[i, i], 0.0))

    def value(self, name: str) -> float:
        """An unknown's value."""
        return float(self.x[self.place[name]])


class Problem:
    """Residuals and their derivatives for one start."""

    def __init__(self, setup: Setup, start: Start) -> None:
        self.setup, self.start = setup, start
        self.unknowns = list_unknowns(setup)
        self.terms: list[Term] = all_terms(setup)
        self.rows: list[Row] = [r for t in self.terms for r in t.rows]
        self.sigma = np.array([r.sigma for r in self.rows])
        self.scale = np.array([u.scale for u in self.unknowns])
        self.prior = np.array([u.prior for u in self.unknowns])
        self.prior_sigma = np.array([u.sigma for u in self.unknowns])
        self._plan = self._difference_plan()

    @property
    def x0(self) -> Array:
        """The start, with the start's own figures where it has some."""
        return np.array([self.start.values.get(u.name, u.prior) for u in self.unknowns])

    def misfits(self, x: Array) -> Array:
        """Observed minus predicted of every row, unweighted."""
        state = State(self.setup, x, self.start.mounts)
        return np.concatenate([t.residuals(state) for t in self.terms])

    def weighted(self, u: Array, keep: NDArray[np.bool_]) -> Array:
        """Residuals over sigma, rejected rows nothing, priors last; `u` = x in natural steps."""
        x = u * self.scale
        return np.concatenate([self.misfits(x) / self.sigma * keep, (self.prior - x) / self.prior_sigma])

    def jacobian(self, u: Array, keep: NDArray[np.bool_]) -> Array:
        """∂weighted/∂u by forward differences, all unknowns that share no row at once."""
        n = len(self.unknowns)
        x = u * self.scale
        base = self.misfits(x) / self.sigma
        J = np.zeros((len(base) + n, n))
        for columns, of_row in self._plan:
            moved = x.copy()
            moved[columns] += _STEP * self.scale[columns]
            change = (self.misfits(moved) / self.sigma - base) / _STEP
            rows = np.flatnonzero(of_row >= 0)
            J[rows, of_row[rows]] = change[rows] * keep[rows]
        J[len(base) + np.arange(n), np.arange(n)] = -self.scale / self.prior_sigma
        return J

    def _difference_plan(self) -> list[tuple[NDArray[np.int_], NDArray[np.int_]]]:
        """Groups of columns that may move together, and for each row which of them it sees (-1: none)."""
        groups: dict[tuple[str, int], list[int]] = {}
        for i, u in enumerate(self.unknowns):
            groups.setdefault((u.locus, i if u.locus == "machine" else u.slot), []).append(i)
        plan = []
        for (locus, _), columns in groups.items():
            if locus == "machine":
                of_row = np.full(len(self.rows), columns[0])
            else:
                at = {self.unknowns[c].index: c for c in columns}
                of_row = np.array([at.get(getattr(r, locus), -1) for r in self.rows])
            plan.append((np.array(columns), of_row))
        return plan


def adjust(setup: Setup) -> Solution:
    """Follow every promising start, and settle the one with the smallest robust misfit.

    Raises:
        ValueError: there is nothing to adjust.
    """
    if not setup.windows and not any(o.kind == "specific_force" for o in setup.observations):
        raise ValueError("no still window with readings of this machine's sensors")
    # Matrices of a few hundred columns: threads cost several times what they give, above all on a machine
    # that is busy with something else.
    with threadpool_limits(limits=1, user_api="blas"):
        tried = [_robust(Problem(setup, start)) for start in starts(setup)]
        best, u, _ = min(tried, key=lambda t: t[2])
        solution = _settle(best, u)
    solution.starts_tried = len(tried)
    return solution


def _robust(problem: Problem) -> tuple[Problem, Array, float]:
    """Where a start leads, and the robust misfit there."""
    keep = np.ones(len(problem.rows), dtype=bool)
    # Plain first: it is far quicker over the long way from a start, and robust steps then have a short one.
    u = _solve(problem, problem.x0 / problem.scale, keep)
    u = _solve(problem, u, keep, robust=True)
    return problem, u, float(np.sum(2.0 * (np.sqrt(1.0 + problem.weighted(u, keep) ** 2) - 1.0)))


def _settle(problem: Problem, u: Array) -> Solution:
    """Set outliers aside and state what is left."""
    keep = np.ones(len(problem.rows), dtype=bool)
    u, keep, rejected = _snoop(problem, u, keep)
    J = problem.jacobian(u, keep)
    residual = problem.weighted(u, keep)
    cofactor = _inverse(J)
    judged = _judge(problem, u, J, cofactor, keep)
    informative = sum(s < WEAK * 0.99 for s in problem.prior_sigma)
    weak = len(problem.unknowns) - int(informative)
    degrees = max(int(keep.sum()) - weak, 1)
    chi_square = float(residual @ residual)
    factor = math.sqrt(chi_square / degrees)
    covariance: Array = cofactor * np.outer(problem.scale, problem.scale) * max(1.0, factor) ** 2
    return Solution(
        setup=problem.setup,
        unknowns=problem.unknowns,
        x=u * problem.scale,
        start=problem.start,
        covariance=covariance,
        judged=judged,
        rejected=rejected,
        factor=factor,
        degrees=degrees,
        cost=chi_square,
        jacobian=J,
    )


def _solve(problem: Problem, u: Array, keep: NDArray[np.bool_], robust: bool = False) -> Array:
    tested = np.array([r.tested for r in problem.rows] + [False] * len(problem.unknowns))
    options: dict[str, Any] = {}
    if robust:
        options["loss"] = lambda z: _soft_l1_on(z, tested)
    result = least_squares(
        problem.weighted,
        u,
        jac=problem.jacobian,
        args=(keep,),
        method="trf",
        x_scale=1.0,
        xtol=1e-7,
        ftol=1e-7,
        gtol=1e-7,
        max_nfev=50,
        **options,
    )
    solved: Array = result.x
    return solved


def _inverse(J: Array) -> Array:
    """Cofactors (JᵀJ)⁻¹; the priors' rows keep it regular."""
    return np.asarray(np.linalg.inv(J.T @ J), dtype=np.float64)


def _soft_l1_on(z: Array, mask: NDArray[np.bool_]) -> Array:
    """Soft L1 for the masked rows, squares for the others: rho, rho', rho''."""
    root = np.sqrt(1.0 + z)
    rho = np.stack([z, np.ones_like(z), np.zeros_like(z)])
    rho[0, mask] = 2.0 * (root[mask] - 1.0)
    rho[1, mask] = 1.0 / root[mask]
    rho[2, mask] = -0.5 / root[mask] ** 3
    return rho


def _snoop(problem: Problem, u: Array, keep: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_], list[str]]:
    by_id: dict[str, list[int]] = {}
    for i, row in enumerate(problem.rows):
        by_id.setdefault(row.id, []).append(i)
    most = max(3, int(MOST_REJECTED * len({r.id for r in problem.rows if r.tested})))
    rejected: list[str] = []
    for _ in range(2 * most):
        u = _solve(problem, u, keep)
        J = problem.jacobian(u, keep)
        judged = _judge(problem, u, J, _inverse(J), keep)
        back = [
            name
            for name in rejected
            if max(abs(judged[i].standardised) for i in by_id[name]) < CRITICAL - 0.5
        ]
        if back:
            rejected = [name for name in rejected if name not in back]
            for name in back:
                keep[by_id[name]] = True
            continue
        candidates = [j for j in judged if j.row.tested and not j.rejected and j.redundancy > UNTESTABLE]
        worst = max(candidates, key=lambda j: abs(j.standardised), default=None)
        if worst is None or abs(worst.standardised) < CRITICAL or len(rejected) >= most:
            break
        rejected.append(worst.row.id)
        keep[by_id[worst.row.id]] = False
    return u, keep, rejected


def _judge(problem: Problem, u: Array, J: Array, cofactor: Array, keep: NDArray[np.bool_]) -> list[Judged]:
    n = len(problem.rows)
    misfit = problem.misfits(u * problem.scale)
    everything = problem.jacobian(u, np.ones(n, dtype=bool))[:n] if not keep.all() else J[:n]
    spread = np.einsum("ij,jk,ik->i", everything, cofactor, everything)
    # A row that took part has residual variance 1 - h; one that did not is predicted with 1 + h.
    redundancy = np.where(keep, np.maximum(1.0 - spread, 0.0), 1.0 + spread)
    standardised = misfit / problem.sigma / np.sqrt(np.maximum(redundancy, 1e-12))
    standardised = np.where(redundancy > UNTESTABLE / 10, standardised, 0.0)
    return [
        Judged(row, float(misfit[i]), float(standardised[i]), float(min(redundancy[i], 1.0)), not keep[i])
        for i, row in enumerate(problem.rows)
    ]
