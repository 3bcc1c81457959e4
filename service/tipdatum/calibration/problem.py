"""Residuals of one start with their derivatives, and the way downhill from there.

Unknowns are scaled by their natural steps and what was known beforehand enters as rows of its own. The way
down is Levenberg's and Marquardt's damped Gauss–Newton on the normal equations (as in Nocedal and Wright,
*Numerical Optimization*, ch. 10.3), with iteratively reweighted rows for the robust loss (soft L1, Huber,
*Robust Statistics*, ch. 7): a few hundred unknowns in a tenth of the time of a general solver.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from tipdatum.calibration.methods import Row, Term, all_terms
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.starts import Start
from tipdatum.calibration.unknowns import WEAK, Setup, Unknown, list_unknowns
from tipdatum.kinematics.frames import Array

Mask = NDArray[np.bool_]
Places = NDArray[np.int_]

_STEP = 1e-4
"""Difference step in units of an unknown's natural step."""

MOST_STEPS = 25
"""Steps downhill after which a start counts as followed."""

SMALL_GAIN, ROBUST_GAIN = 1e-6, 1e-3
"""Relative gain of a step below which the bottom is reached; reweighting creeps there, and plain steps
follow."""


@dataclass(frozen=True, slots=True)
class Offset:
    """One thing that would change many rows alike, as an unknown that may be let free.

    Attributes:
        name: short, each once. words: for people. unit: m or rad.
        rows: (n,) misfit per unit of it, 0 where it has no say.
    """

    name: str
    words: str
    unit: str
    rows: Array


class Problem:
    """Residuals and their derivatives for one start; `offsets` are let free besides the unknowns."""

    def __init__(self, setup: Setup, start: Start, offsets: Sequence[Offset] = ()) -> None:
        self.setup, self.start = setup, start
        self.offsets = tuple(offsets)
        ordinary = list_unknowns(setup)
        self._ordinary = len(ordinary)
        steps = {"m": 0.001, "rad": math.radians(1.0)}
        self.unknowns = ordinary + [
            Unknown(f"offset.{o.name}", o.unit, 0.0, WEAK, steps[o.unit]) for o in self.offsets
        ]
        self.terms: list[Term] = all_terms(setup)
        self.rows: list[Row] = [r for t in self.terms for r in t.rows]
        self.sigma = np.array([r.sigma for r in self.rows])
        self.tested = np.array([r.tested for r in self.rows], dtype=bool)
        self.scale = np.array([u.scale for u in self.unknowns])
        self.prior = np.array([u.prior for u in self.unknowns])
        # A described dimension is an observation with a row of its own, so that it can be tested and
        # set aside.
        self.prior_sigma = np.array([WEAK if u.described else u.sigma for u in self.unknowns])
        ends = np.cumsum([len(t.rows) for t in self.terms])
        self._spans = [slice(end - len(t.rows), end) for end, t in zip(ends, self.terms, strict=True)]
        self._plan = self._difference_plan()

    @property
    def x0(self) -> Array:
        """The start, with the start's own figures where it has some."""
        return np.array([self.start.values.get(u.name, u.prior) for u in self.unknowns])

    @property
    def everything(self) -> Mask:
        """No row left out."""
        return np.ones(len(self.rows), dtype=bool)

    def misfits(self, x: Array) -> Array:
        """Observed minus predicted of every row, unweighted."""
        found = self._without_offsets(Parameters(self.setup, x[: self._ordinary], self.start.mounts))
        for offset, value in zip(self.offsets, x[self._ordinary :], strict=True):
            found = found - offset.rows * value
        return found

    def _without_offsets(self, state: Parameters) -> Array:
        return np.concatenate([t.residuals(state) for t in self.terms])

    def weighted(self, u: Array, keep: Mask) -> Array:
        """Residuals over sigma, rows left out nothing, priors last; `u` = x in natural steps."""
        x = u * self.scale
        return np.concatenate([self.misfits(x) / self.sigma * keep, (self.prior - x) / self.prior_sigma])

    def jacobian(self, u: Array, keep: Mask) -> Array:
        """∂weighted/∂u by forward differences, all unknowns that share no row at once."""
        n = len(self.unknowns)
        x = u * self.scale
        now = Parameters(self.setup, x[: self._ordinary], self.start.mounts)
        base = self._without_offsets(now)
        J = np.zeros((len(base) + n, n))
        for columns, terms, found, rows, of in self._plan:
            if int(columns[0]) >= self._ordinary:
                offset = self.offsets[int(columns[0]) - self._ordinary]
                J[: len(base), columns[0]] = -offset.rows * self.scale[columns[0]] / self.sigma * keep
                continue
            moved = x.copy()
            moved[columns] += _STEP * self.scale[columns]
            state = now.moved(moved[: self._ordinary], self.unknowns[columns[0]].locus)
            if len(rows):
                there = np.concatenate([term.residuals(state) for term in terms])[found]
                J[rows, of] = (there - base[rows]) / _STEP / self.sigma[rows] * keep[rows]
        J[len(base) + np.arange(n), np.arange(n)] = -self.scale / self.prior_sigma
        return J

    def _difference_plan(self) -> list[tuple[Places, list[Term], Places, Places, Places]]:
        """Groups of columns that may move together, the terms that see any of them, and of those terms' rows
        that do: place among the rows of these terms, place among all rows, and column."""
        groups: dict[tuple[str, int], list[int]] = {}
        for i, u in enumerate(self.unknowns):
            groups.setdefault((u.locus, i if u.locus == "machine" else u.slot), []).append(i)
        seen = {locus: [k for k, t in enumerate(self.terms) if t.sees(locus)] for locus, _ in groups}
        nowhere = np.zeros(0, dtype=int)
        spans = {
            locus: np.concatenate(
                [nowhere, *(np.arange(self._spans[k].start, self._spans[k].stop) for k in ks)]
            )
            for locus, ks in seen.items()
        }
        index = {
            locus: np.array([getattr(self.rows[row], locus) for row in span.tolist()], dtype=int)
            for locus, span in spans.items() if locus != "machine"
        }  # fmt: skip
        plan = []
        for (locus, _), columns in groups.items():
            terms, span = [self.terms[k] for k in seen[locus]], spans[locus]
            if locus == "machine":
                of = np.full(len(span), columns[0])
            else:
                # One more for rows without: the last is what -1 takes.
                at = np.full(max(self.unknowns[c].index for c in columns) + 2, -1)
                at[[self.unknowns[c].index for c in columns]] = columns
                of = at[np.minimum(index[locus], len(at) - 1)]
            found = np.flatnonzero(of >= 0)
            plan.append((np.array(columns), terms, found, span[found], of[found]))
        return plan


def descend(problem: Problem, u: Array, keep: Mask, robust: bool = False, steps: int = MOST_STEPS) -> Array:
    """The bottom of the valley that `u` lies in: least squares, or soft L1 on what people read.

    Args:
        u: unknowns in natural steps. keep: rows that count.
    """
    pulled = np.concatenate([problem.tested & robust, np.zeros(len(u), dtype=bool)])

    def cost_of(r: Array) -> float:
        return float(np.sum(np.where(pulled, 2.0 * (np.sqrt(1.0 + r * r) - 1.0), r * r)))

    residual = problem.weighted(u, keep)
    cost, damping = cost_of(residual), 1e-4
    small = ROBUST_GAIN if robust else SMALL_GAIN
    for _ in range(steps):
        J = problem.jacobian(u, keep)
        weight = np.where(pulled, 1.0 / np.sqrt(1.0 + residual * residual), 1.0)
        normal = J.T @ (weight[:, None] * J)
        slope = J.T @ (weight * residual)
        gained = False
        while damping < 1e9:
            damped = normal + damping * np.diag(np.diag(normal))
            moved = u - cho_solve(cho_factor(damped), slope)
            tried = problem.weighted(moved, keep)
            new = cost_of(tried)
            if np.isfinite(new) and new <= cost:
                gained = cost - new > small * max(cost, 1.0)
                u, residual, cost = moved, tried, new
                damping = max(damping * 0.1, 1e-9)
                break
            damping *= 10.0
        if not gained:
            break
    return u


def robust_cost(problem: Problem, u: Array, keep: Mask) -> float:
    """What starts are compared by: soft L1 over all rows."""
    return float(np.sum(2.0 * (np.sqrt(1.0 + problem.weighted(u, keep) ** 2) - 1.0)))
