"""One weighted least-squares adjustment of everything that was observed.

Every promising start is followed downhill with a loss that a few wild observations cannot pull; the best is
settled plainly, with what does not fit set aside one by one (`snooping`). Where readings of one kind would
share an offset, that is tried beside the single slips, and whichever costs less is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from threadpoolctl import threadpool_limits

from tipdatum.calibration.methods import Row
from tipdatum.calibration.offsets import candidate_offsets
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.problem import MOST_STEPS, Mask, Offset, Problem, descend, robust_cost
from tipdatum.calibration.snooping import (
    CRITICAL,
    SET_ASIDE_AT_ONCE,
    UNTESTABLE,
    Fit,
    Linear,
    best_offsets,
    snoop,
    wild_rows,
)
from tipdatum.calibration.starts import Start, starts
from tipdatum.calibration.unknowns import WEAK, Setup, Unknown
from tipdatum.kinematics.frames import Array

__all__ = [
    "CRITICAL",
    "UNTESTABLE",
    "Judged",
    "Problem",
    "Solution",
    "Tell",
    "adjust",
    "explore",
    "settled_from",
]

Tell = Callable[[str], None]

OFFSETS_TRIED = 2
"""Offsets that are solved in full when single slips do not explain the misfits simply."""

HOPELESS = 0.2
"""Share of tested observations that do not fit from which no shared offset explains it."""

FIRST_LOOK = 4
"""Steps downhill after which a start that leads nowhere shows it: a sound one falls by decades in them."""

MOST_OFFSETS = 2
"""Offsets that may be free at once: more would explain anything."""


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
        rejected: ids of observations set aside, worst first. offsets: shared offsets that were let free.
        factor: √(χ²/degrees of freedom): 1 if the stated sigmas were right.
        degrees: degrees of freedom. starts_tried: how many starts led here or elsewhere.
        score: χ² of what is left, and `CRITICAL`² for everything that had to go.
        jacobian: (rows, n) ∂(weighted misfit)/∂(x in natural steps), every row, also those set aside.
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
    offsets: tuple[Offset, ...] = ()
    score: float = 0.0
    scale: Array = field(default_factory=lambda: np.zeros(0))
    jacobian: Array = field(default_factory=lambda: np.zeros((0, 0)))

    @cached_property
    def place(self) -> dict[str, int]:
        """Name of an unknown → its number."""
        return {u.name: i for i, u in enumerate(self.unknowns)}

    @cached_property
    def state(self) -> Parameters:
        """The adjusted case unpacked."""
        return Parameters(self.setup, self.x, self.start.mounts)

    def sigma(self, name: str) -> float:
        """1-sigma of an unknown, in its own unit (rad for angles)."""
        i = self.place[name]
        return math.sqrt(max(self.covariance[i, i], 0.0))

    def value(self, name: str) -> float:
        """An unknown's value."""
        return float(self.x[self.place[name]])

    @property
    def set_aside(self) -> frozenset[str]:
        """Ids that had no say in the solution: rejected, or under an offset of their own."""
        under = {self.judged[i].row.id for o in self.offsets for i in np.flatnonzero(o.rows)}
        return frozenset(self.rejected) | under


def adjust(setup: Setup, tell: Tell = lambda _: None) -> Solution:
    """Follow every promising start, and settle the one with the smallest robust misfit.

    Args:
        tell: is told what is being done, since it may take a while.

    Raises:
        ValueError: there is nothing to adjust.
    """
    if not setup.windows and not any(o.kind == "specific_force" for o in setup.observations):
        raise ValueError("no still window with readings of this machine's sensors")
    # Matrices of a few hundred columns: threads cost several times what they give, above all on a machine
    # that is busy with something else.
    with threadpool_limits(limits=1, user_api="blas"):
        problem, u, wild, _, tried = explore(setup, tell)
        tell("testing every observation")
        fit = snoop(problem, u, wild)
        tested = len({r.id for r in problem.rows if r.tested})
        if 1 < len(fit.rejected) < HOPELESS * tested:
            tell(f"{len(fit.rejected)} observations do not fit; looking for what they have in common")
            fit = _with_offsets(setup, problem, u, wild, fit)
        return settled_from(fit, tried)


def explore(
    setup: Setup, tell: Tell = lambda _: None, steps: int = MOST_STEPS, hopeless: float = math.inf
) -> tuple[Problem, Array, Mask, float, int]:
    """The best start followed robustly: problem, unknowns, wild rows, robust cost, number of starts.

    Args:
        hopeless: robust cost above which a start is left after a first look.
    """
    best: tuple[Problem, Array, Mask, float] | None = None
    found = starts(setup)
    for i, start in enumerate(found, 1):
        tell(f"following start {i} of {len(found)} ({start.label})")
        problem = Problem(setup, start)
        wild = wild_rows(problem)
        u, cost = _followed(problem, ~wild, ~wild, steps, hopeless)
        left = np.abs(problem.weighted(u, ~wild)[: len(problem.rows)]) * problem.tested
        if left.max() > SET_ASIDE_AT_ONCE and cost < hopeless:
            # What is wildest may have led the whole way astray: the way again, without it at first.
            again, less = _followed(problem, ~wild & (left < left.max() / 2.0), ~wild, steps)
            u, cost = (again, less) if less < cost else (u, cost)
        cost += CRITICAL**2 * int(wild.sum())
        if best is None or cost < best[3]:
            best = problem, u, wild, cost
    assert best is not None
    return (*best, len(found))


def _followed(
    problem: Problem, first: Mask, keep: Mask, steps: int, hopeless: float = math.inf
) -> tuple[Array, float]:
    """The start followed plainly with some rows, then robustly with more; where it ends, and its cost."""
    u = problem.x0 / problem.scale
    if hopeless < math.inf:
        u = descend(problem, u, first, steps=FIRST_LOOK)
        if (cost := robust_cost(problem, u, keep)) > hopeless:
            return u, cost
    # Plain first: it is far quicker over the long way from a start, and robust steps then have a short one.
    u = descend(problem, u, first, steps=steps)
    u = descend(problem, u, keep, robust=True, steps=steps)
    return u, robust_cost(problem, u, keep)


def _with_offsets(setup: Setup, problem: Problem, u: Array, wild: Mask, fit: Fit) -> Fit:
    """The fit, or a cheaper one with shared offsets free."""
    chosen: tuple[Offset, ...] = ()
    candidates = candidate_offsets(problem, u)
    for _ in range(MOST_OFFSETS):
        better: Fit | None = None
        for offset in best_offsets(problem, u, wild, candidates, OFFSETS_TRIED):
            if any(o.name == offset.name for o in chosen):
                continue
            trial = Problem(setup, problem.start, (*chosen, offset))
            begin = np.concatenate([u[: len(trial.unknowns) - 1 - len(chosen)], np.zeros(1 + len(chosen))])
            there = descend(trial, begin, ~wild, robust=True)
            found = snoop(trial, there, wild)
            if found.score < (better or fit).score - CRITICAL**2 / 2:
                better = found
        if better is None:
            break
        fit, chosen = better, better.problem.offsets
        if not fit.rejected:
            break
        problem, u = fit.problem, fit.u
        candidates = [o for o in candidates if all(o.name != c.name for c in chosen)]
    return fit


def settled_from(fit: Fit, tried: int) -> Solution:
    """State what a fit says; `tried`: number of starts that led to it."""
    problem, u, keep = fit.problem, fit.u, fit.keep
    n = len(problem.rows)
    linear = Linear(problem, u)
    Jk = np.concatenate([linear.J[keep], linear.prior_J])
    cofactor = np.asarray(np.linalg.inv(Jk.T @ Jk), dtype=np.float64)
    misfit = problem.misfits(u * problem.scale)
    spread = np.einsum("ij,jk,ik->i", linear.J, cofactor, linear.J)
    redundancy = np.where(keep, np.clip(1.0 - spread, 0.0, 1.0), 1.0 + spread)
    standardised = misfit / problem.sigma / np.sqrt(np.maximum(redundancy, 1e-12))
    standardised = np.where(redundancy > UNTESTABLE / 10, standardised, 0.0)
    judged = [
        Judged(row, float(misfit[i]), float(standardised[i]), float(min(redundancy[i], 1.0)), not keep[i])
        for i, row in enumerate(problem.rows)
    ]
    weak = sum(s > WEAK * 0.99 for s in problem.prior_sigma)
    degrees = max(int(keep.sum()) - int(weak), 1)
    left = np.concatenate([linear.r[keep], linear.prior_r])
    chi_square = float(left @ left)
    factor = math.sqrt(chi_square / degrees)
    covariance: Array = cofactor * np.outer(problem.scale, problem.scale) * max(1.0, factor) ** 2
    assert n == len(judged)
    return Solution(
        setup=problem.setup,
        unknowns=problem.unknowns,
        x=u * problem.scale,
        start=problem.start,
        covariance=covariance,
        judged=judged,
        rejected=fit.rejected,
        factor=factor,
        degrees=degrees,
        cost=chi_square,
        starts_tried=tried,
        offsets=problem.offsets,
        score=fit.score,
        scale=problem.scale,
        jacobian=linear.J,
    )
