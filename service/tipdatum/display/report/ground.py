"""The ground as dug in a replay: by set-up and line of the boom; see `tipdatum.grade.as_dug` for the rule."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tipdatum.display.report.run import Floats, Run
from tipdatum.grade import as_dug
from tipdatum.grade.as_dug import GroundLine, Mask, Way, against, lowest_by_place, over_dug

__all__ = [
    "against", "corners", "cutting", "ditch_section", "over_dug", "profiles", "setup_starts", "strokes",
]  # fmt: skip

EDGE_POINTS = 21
"""Points of the edge that are looked at, from end to end: nearer than steps of the section."""

LINE_DEG = 7.0
"""Slew within which a dig is along one line of the boom: half a bucket's width at 5 m."""


def cutting(run: Run) -> Mask:
    """(M,) whether the edge cut at each message."""
    counts = np.array([q in ("good", "moving", "settling") for q in run.quality], dtype=bool)
    known = counts & np.isfinite(run.elevation) & np.isfinite(run.reach)
    return as_dug.cutting(as_dug.EdgePath(run.t, run.reach, run.elevation, run.slew, run.hang, known))


def strokes(run: Run) -> list[tuple[int, int]]:
    """Begin and end (not in it) of every stroke, as indices of messages."""
    return as_dug.runs_of(cutting(run))


def profiles(run: Run) -> list[GroundLine]:
    """The ground of each set-up and line of the boom, in order; without any that is a single place."""
    mask = cutting(run)
    found = []
    starts = [*setup_starts(run), np.inf]
    for setup, (begin, end) in enumerate(pairwise(starts), 1):
        part = np.flatnonzero(mask & (run.t >= begin) & (run.t < end))
        for line, places in _lines(run, part):
            if len(places) >= 2:
                found.append(_profile(run, places, setup, float(begin), line))
    return [one for one in found if len(one.reach) >= 2]


def corners(run: Run) -> Floats | None:
    """(K, 2) m: what the left and the right end of the edge left standing at each place, against the target.

    None where there is no target, or nothing was cut.
    """
    if run.corners is None:
        return None
    part = np.flatnonzero(cutting(run) & np.isfinite(run.corners).all(axis=1))
    found = []
    for _, places in _lines(run, part):
        way = _way(run, places)
        reach = way.of(run.reach)
        for end in (0, 1):
            left = way.of(run.corners[:, end])
            found.append(left[lowest_by_place(reach, left)[1]])
    if not found:
        return None
    return np.stack([np.concatenate(found[0::2]), np.concatenate(found[1::2])], axis=1)


def ditch_section(run: Run) -> tuple[Floats, Floats] | None:
    """(K,) offset to the left and (K,) height above the bottom of the lowest that the edge cut there, m.

    All of the edge between its two ends counts; stations are laid over each other. None without a ditch.
    """
    if run.across is None:
        return None
    part = np.flatnonzero(cutting(run) & np.isfinite(run.across).all(axis=1))
    if not len(part):
        return None
    way = _way(run, part)
    ends = np.stack([way.of(run.across[:, i]) for i in range(4)], axis=1)
    share = np.linspace(0.0, 1.0, EDGE_POINTS)
    offset = ends[:, :1] + (ends[:, 2:3] - ends[:, :1]) * share
    height = ends[:, 1:2] + (ends[:, 3:4] - ends[:, 1:2]) * share
    places, lowest = lowest_by_place(offset.ravel(), height.ravel())
    return places, height.ravel()[lowest]


def setup_starts(run: Run) -> list[float]:
    """Times at which the reference was set anew, s."""
    starts: list[float] = []
    last: object = None
    for state in run.states:
        reference = state.get("reference")
        stamp = None if reference is None else reference.get("t", reference)
        if reference is not None and stamp != last:
            starts.append(float(state["t"]))
        last = stamp
    return starts or ([float(run.t[0])] if len(run.t) else [])


def _lines(run: Run, part: NDArray[np.intp]) -> list[tuple[float | None, NDArray[np.intp]]]:
    """Messages by line of the boom: (its slew, or None where slew is not known; indices)."""
    slew = run.slew[part]
    if not np.isfinite(slew).all():
        return [(None, part)] if len(part) else []
    lines: list[tuple[float, list[int]]] = []
    for i, angle in zip(part.tolist(), slew.tolist(), strict=True):
        for line, indices in lines:
            if abs(angle - line) <= LINE_DEG:
                indices.append(i)
                break
        else:
            lines.append((angle, [i]))
    return [(float(np.median(run.slew[indices])), np.array(indices)) for _, indices in lines]


def _way(run: Run, part: NDArray[np.intp]) -> Way:
    return Way(run.t, part, run.reach, run.elevation)


def _profile(run: Run, part: NDArray[np.intp], setup: int, start: float, line: float | None) -> GroundLine:
    way = _way(run, part)
    elevation = way.of(run.elevation)
    reach, lowest = lowest_by_place(way.of(run.reach), elevation)
    target, sigma = way.of(run.target), run.sigma[way.nearest()]
    return GroundLine(setup, line, start, reach, elevation[lowest], sigma[lowest], target[lowest])
