"""Two runs of one session beside each other: where they differ, by how much, and whose sigma is right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, Field

from tipdatum.errors import InputError
from tipdatum.sessions.scorer import MessageTrack, TruthTrack, true_elevation

Floats = NDArray[np.float64]

GAP_S = 0.1
"""Time between two messages from which on nothing is read in between."""
APART = 2.0
"""Joint sigmas from which on a difference is worth a look: 5 of 100 such by chance."""
NOTICED_M = 0.02
"""Difference that is worth a look whatever the sigmas say: what a grader sees in the ground."""
SHORTEST_S = 0.2
"""Stretch of such a difference that is told."""
TOLD = 10


class Disagreement(BaseModel):
    """A time in which the two differ by more than their sigmas say, or by what shows in the ground."""

    begin_s: float
    end_s: float
    difference_m: float = Field(description="largest one, B minus A")
    sigmas: float = Field(description="the same in joint sigmas")


class Honesty(BaseModel):
    """How one run's sigma fits its error against the truth."""

    rms_m: float
    normalised: float = Field(
        description="root mean square of error over sigma: 1 is honest, above 1 too sure"
    )
    within_1_sigma: float
    within_2_sigma: float


class Comparison(BaseModel):
    """B against A, over the moments at which both have a figure."""

    messages: tuple[int, int]
    with_figure: tuple[float, float] = Field(description="share of each run's messages")
    compared: int
    mean_m: float = Field(description="B minus A")
    rms_m: float
    p95_m: float
    max_m: float
    max_at_s: float
    normalised: float = Field(
        description="root mean square of difference over joint sigma; the sigmas do not explain it above 1"
    )
    sigma_m: tuple[float, float] = Field(description="median of each")
    stretches: list[Disagreement] = Field(description="largest first")
    against_truth: tuple[Honesty, Honesty] | None = None


@dataclass(frozen=True, slots=True)
class Overlay:
    """What a picture shows: B read at A's moments, NaN where either has no figure."""

    t: Floats
    a: Floats
    b: Floats
    joint_sigma: Floats


def compare(a: MessageTrack, b: MessageTrack, truth: TruthTrack | None = None) -> tuple[Comparison, Overlay]:
    """B against A.

    Raises:
        InputError: there is no moment at which both have an elevation.
    """
    other, other_sigma = _read_at(b, b.elevation, a.t_emit), _read_at(b, b.sigma, a.t_emit)
    joint = np.sqrt(a.sigma**2 + other_sigma**2)
    difference = other - a.elevation
    both = np.isfinite(difference)
    if not both.any():
        raise InputError("there is no moment at which both runs have an elevation")
    t, apart, sigma = a.t_emit[both], difference[both], joint[both]
    worst = int(np.argmax(np.abs(apart)))
    found = Comparison(
        messages=(len(a.t_emit), len(b.t_emit)),
        with_figure=(float(np.isfinite(a.elevation).mean()), float(np.isfinite(b.elevation).mean())),
        compared=int(both.sum()),
        mean_m=float(apart.mean()),
        rms_m=float(np.sqrt(np.mean(apart**2))),
        p95_m=float(np.percentile(np.abs(apart), 95)),
        max_m=float(np.abs(apart[worst])),
        max_at_s=float(t[worst]),
        normalised=float(np.sqrt(np.mean((apart / sigma) ** 2))),
        sigma_m=(float(np.nanmedian(a.sigma)), float(np.nanmedian(b.sigma))),
        stretches=_stretches(t, apart, sigma),
        against_truth=None if truth is None else (_honesty(a, truth), _honesty(b, truth)),
    )
    return found, Overlay(a.t_emit, np.where(both, a.elevation, np.nan), np.where(both, other, np.nan), joint)


def _read_at(track: MessageTrack, values: Floats, t: Floats) -> Floats:
    """A run's values at other moments, NaN in its gaps and where it has none."""
    if len(track.t_emit) < 2:
        return np.full(len(t), np.nan)
    after = np.clip(np.searchsorted(track.t_emit, t), 1, len(track.t_emit) - 1)
    before = after - 1
    span = track.t_emit[after] - track.t_emit[before]
    share = np.clip((t - track.t_emit[before]) / np.where(span > 0, span, 1.0), 0.0, 1.0)
    found = np.where(share < 1.0, values[before] * (1.0 - share), 0.0) + np.where(
        share > 0.0, values[after] * share, 0.0
    )
    outside = (t < track.t_emit[0]) | (t > track.t_emit[-1]) | (span > GAP_S)
    return np.where(outside, np.nan, found)


def _stretches(t: Floats, apart: Floats, sigma: Floats) -> list[Disagreement]:
    beyond = (np.abs(apart) > APART * sigma) | (np.abs(apart) > NOTICED_M)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], beyond.astype(int), [0]])))
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if t[end - 1] - t[begin] < SHORTEST_S:
            continue
        worst = begin + int(np.argmax(np.abs(apart[begin:end])))
        found.append(
            Disagreement(
                begin_s=float(t[begin]),
                end_s=float(t[end - 1]),
                difference_m=float(apart[worst]),
                sigmas=float(abs(apart[worst]) / sigma[worst]),
            )
        )
    return sorted(found, key=lambda one: -abs(one.difference_m))[:TOLD]


def _honesty(track: MessageTrack, truth: TruthTrack) -> Honesty:
    if not truth.references:
        raise InputError("the session has no datum/set, so its elevations have nothing to be compared with")
    inside = (track.t_emit >= truth.references[0][0]) & (track.t_emit <= truth.t[-1])
    known = inside & np.isfinite(track.elevation) & np.isfinite(track.sigma)
    if not known.any():
        raise InputError("no message with a figure falls within the session's truth")
    error = track.elevation[known] - true_elevation(truth, truth.tip, track.t_emit[known])
    ratio = np.abs(error) / track.sigma[known]
    return Honesty(
        rms_m=float(np.sqrt(np.mean(error**2))),
        normalised=float(np.sqrt(np.mean(ratio**2))),
        within_1_sigma=float(np.mean(ratio <= 1.0)),
        within_2_sigma=float(np.mean(ratio <= 2.0)),
    )
