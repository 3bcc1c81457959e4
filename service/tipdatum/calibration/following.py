"""A guide's way through recorded postures, and how far its predictions can be trusted.

A prediction says how well the tip will be known after a reading. Whether it is right shows in how far the tip
then moves: of two adjustments of which one holds the observations of the other, the difference has the
difference of their covariances (Koch, *Parameter Estimation and Hypothesis Testing in Linear Models*, 3.7).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from tipdatum.calibration.adjustment import Solution, Tell, adjust
from tipdatum.calibration.candidates import POSTURE_KINDS, recorded
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.plan import Known, Ranked, rank
from tipdatum.calibration.recordings import RecordedEvidence
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import make_setup
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine
from tipdatum.sentences import counted

GOAL_M = 0.0015
"""1-sigma of the tip at worst at which the guide stops, against the reference, without noise and the next
power-up: 3 mm at 95 %."""

LITTLE = 0.04
"""Share of the worst sigma that the next posture must gain, or the guide stops."""

FEWEST = 6
"""Postures below which a blunder could not be told from the truth."""


@dataclass(frozen=True, slots=True)
class TipMove:
    """RMS over the envelope by which the tip moved with new readings, and by which it should have, m."""

    moved_m: float
    expected_m: float


@dataclass(frozen=True, slots=True)
class Taken:
    """A posture that was taken.

    Attributes:
        label: for people. readings: observations that it brought.
        before, after: as predicted when it was chosen. move: what the tip then did.
    """

    label: str
    readings: int
    before: Known
    after: Known
    move: TipMove


@dataclass(frozen=True, slots=True)
class Followed:
    """A solution reached by taking readings in the order the plan asked for.

    `order` are the steps, of which several may be at one posture; `available` counts postures.
    `misfits` are ids of observations, in postures that were left aside, that an adjustment of everything
    rejects: nobody needed them, but somebody should know. `reached` says whether the goal was.
    """

    solution: Solution
    order: tuple[Taken, ...]
    available: int
    reached: bool
    misfits: tuple[str, ...] = ()

    @property
    def postures(self) -> int:
        """How many postures were needed."""
        return len({o.place for o in self.solution.setup.observations if o.kind in POSTURE_KINDS})

    @property
    def readings(self) -> int:
        """How many readings were needed."""
        return sum(t.readings for t in self.order)

    @property
    def boldness(self) -> float:
        """What the predictions must be multiplied by: see `boldness`."""
        return boldness([t.move for t in self.order])


def boldness(moves: Sequence[TipMove]) -> float:
    """How far the tip moved with new readings against how far it should have, at least 1: as predicted.

    A predicted figure that is too small shows in steps that are too large. One step more counts as if it were
    as predicted, so that the first one alone decides nothing.
    """
    expected = [m.expected_m**2 for m in moves]
    if not any(expected):  # readings that were to say nothing of the tip cannot have been too bold
        return 1.0
    one_more = sum(expected) / len(expected)
    moved = sum(m.moved_m**2 for m in moves)
    return max(1.0, math.sqrt((moved + one_more) / (sum(expected) + one_more)))


def follow(
    machine: Machine,
    book: ObservationBook,
    evidence: RecordedEvidence,
    goal_m: float = GOAL_M,
    most: int = 40,
    tell: Tell = lambda _: None,
    choose: Callable[[Sequence[Ranked]], Ranked] = lambda ranked: ranked[0],
) -> Followed:
    """Take recorded postures one at a time, each time the one that helps most, as one would in the field.

    Args:
        goal_m: stop when the predicted worst sigma, times `boldness`, is below.
        most: postures to take at most. choose: takes another than the best, to compare orders.

    Raises:
        ValueError: there is nothing to adjust.
    """
    everything = book.solving()
    posture_places = {o.place for o in everything if o.kind in POSTURE_KINDS}
    ids = {o.id for o in everything if o.place not in posture_places}
    order: list[Taken] = []
    before: Solution | None = None
    best: Ranked | None = None
    reached = False
    while True:
        chosen = [o for o in everything if o.id in ids]
        places = {o.place for o in chosen}
        windows = {p: w for p, w in evidence.windows.items() if p in places}
        tell(f"{counted(len(order), 'posture')} taken, choosing the next")
        solution = adjust(make_setup(machine, chosen, replace(evidence, windows=windows), book.assume), tell)
        if before is not None and best is not None:
            order.append(_taken(best, before, solution))
        ranked = rank(solution, recorded(solution, book, evidence))
        if not ranked or len(order) >= most:
            break
        before, best = solution, choose(ranked)
        if len({o.place for o in chosen if o.place in posture_places}) >= FEWEST:
            reached = boldness([t.move for t in order]) * best.before.worst_m <= goal_m
            gains = max(1.0 - r.after.worst_m / r.before.worst_m for r in ranked)
            if reached or gains < LITTLE:
                break
        ids |= {o.id for o in best.candidate.observations}
    whole = adjust(make_setup(machine, everything, evidence, book.assume))
    aside = tuple(name for name in whole.rejected if name not in ids)
    return Followed(solution, tuple(order), len(posture_places), reached, aside)


def _taken(chosen: Ranked, before: Solution, after: Solution) -> Taken:
    """What a posture brought, and by how much the tip moved with it."""
    return Taken(
        chosen.candidate.label, chosen.candidate.readings, chosen.before, chosen.after,
        move_between(before, after, chosen.before, chosen.after),
    )  # fmt: skip


def move_between(before: Solution, after: Solution, known: Known, then: Known) -> TipMove:
    """By how much the tip moved from one solution to another that holds its observations and more.

    Args:
        known, then: how well the tip was known before, and is, or was to be, after.
    """
    figures = TipFigures(calibrated_machine(before))
    expected = math.sqrt(max(known.rms_m**2 - then.rms_m**2, 0.0))
    return TipMove(figures.rms(tip_change(before, after, figures) ** 2), expected)


def tip_change(before: Solution, after: Solution, figures: TipFigures) -> Array:
    """(P,) m: by how much elevations differ with the one and with the other solution."""
    change = np.zeros(len(figures.names))
    for i, name in enumerate(figures.names):
        if ".mount." not in name:
            change[i] = after.value(name) - before.value(name)
    for s, sensor in enumerate(before.setup.sensors):
        turn = Rotation.from_matrix(after.state.mount[s] @ before.state.mount[s].T).as_rotvec()
        for k, axis in enumerate(("roll", "pitch", "yaw")):
            change[figures.names.index(f"sensor.{sensor}.mount.{axis}")] = turn[k]
    moved: Array = figures.J @ change
    return moved
