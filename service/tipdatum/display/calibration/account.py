"""A concluded calibration as plain data: all that its report shows."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Judgement:
    """One observation after the adjustment.

    Attributes:
        id, kind, of: of the observation; a described dimension has kind "described".
        stand: number of its posture, None without one.
        value: as it was noted. misfit: away from the others, with unit.
        sigmas: the same, standardised.
        redundancy: 0 unchecked … 1 wholly. smallest: smallest slip that shows.
        moves_m: what an unseen one does to the tip.
        state: "fits", "set aside" or "unchecked". why: what is wrong with it, or what would check it.
        matters: an unchecked one that would move the tip by more than matters.
    """

    id: str
    kind: str
    of: str
    stand: int | None
    value: str
    misfit: str
    sigmas: float
    redundancy: float
    smallest: str
    moves_m: float
    state: str
    why: str
    matters: bool


@dataclass(frozen=True, slots=True)
class Stand:
    """The arm in one posture.

    Attributes:
        label, standing: for people. pins: (reach, height) m of boom foot, …, tip over the slew centre.
        kinds: what was observed there.
        aside, unchecked: pins at which an observation was set aside, or is unchecked.
    """

    label: str
    standing: str
    pins: tuple[tuple[float, float], ...]
    kinds: tuple[str, ...]
    aside: frozenset[int]
    unchecked: frozenset[int]


@dataclass(frozen=True, slots=True)
class Dimension:
    """One figure of the machine: described, found, 1-sigma, unit, and whether the observations tell it."""

    name: str
    described: float
    found: float
    sigma: float
    unit: str
    observed: bool


@dataclass(frozen=True, slots=True)
class Next:
    """A posture that would help: its words, and the tip's worst sigma before and after it, m."""

    words: str
    before_m: float
    after_m: float


@dataclass(frozen=True, slots=True)
class Account:
    """Everything that is told of a calibration; lengths m, other figures with their unit."""

    machine: str
    date: str
    verdict: str
    reasons: tuple[str, ...]
    settle: tuple[str, ...]
    notes: tuple[str, ...]
    tip_rms_m: float
    tip_worst_m: float
    factor: float
    degrees: int
    written: bool
    judgements: tuple[Judgement, ...]
    stands: tuple[Stand, ...]
    dimensions: tuple[Dimension, ...]
    next: tuple[Next, ...]
    critical: float
    acceptance: tuple[int, float, float] | None = None
    """Points of the acceptance set that took no part, their RMS, m, and the half-width of 95 %, m."""
