"""The ground as dug: where the edge has cut, not where it has been.

The tip passes through air most of the time: let down, lifted, swung, returned. Nothing measures contact, so
cutting is told from carrying by how the edge moves, on every message:

- it is drawn towards the machine (`DRAWN_MPS`), no steeper down than `STEEPEST_DOWN` (that is letting down)
  and no steeper up than `STEEPEST_UP` (that is lifting; the curl at the end of a stroke still cuts);
- the bucket hangs: the tip lies well below its pin (`HANGS`); curled under the stick it carries;
- the upper does not slew (`SLEW_DPS`): across the boom nothing is dug;
- all that for `STROKE_M` of the way: less is setting down and feeling one's way.

The ground at a place (a step of reach, along one line of the boom) is the lowest that the edge cut there,
however far from the target.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tipdatum.display.report.run import Floats, Run

DRAWN_MPS = 0.03
"""Slowest draw towards the machine that counts, m/s: a third of a slow finishing pass."""
STEEPEST_DOWN, STEEPEST_UP = 1.0, 1.7
"""Fall and rise over run of the edge's way: 45°, the steepest batter that is trimmed downwards, and 60°."""
HANGS = 0.33
"""Tip below its pin, in parts of their distance: the floor of a bucket that carries lies flatter."""
SLEW_DPS = 4.0
"""Slew up to which the boom stands, °/s: a hand that holds the lever still moves it less."""
STROKE_M = 0.3
"""Shortest stroke, m: half a small bucket."""
OVER_S = 0.1
"""Span over which the way of the edge is taken, s: shorter is noise, longer rounds the ends of a stroke."""
BIN_M = 0.1
"""Step of the reach: about a tooth and its neighbour."""
END_WALL = 0.4
"""Rise over run against the target from which the end of a line is its end wall and no floor."""
LINE_DEG = 7.0
"""Slew within which a dig is along one line of the boom: half a bucket's width at 5 m."""


@dataclass(frozen=True, slots=True)
class Profile:
    """The ground along one line of the boom from one set-up; lengths in m.

    Attributes:
        setup: number of the set-up, from 1. slew_deg: the line's slew, None where slew is not known.
        start: s, when the set-up began.
        reach: (K,) middles of the steps. lowest: (K,) ground as dug. sigma: (K,) of that figure.
        target: (K,) the target's elevation there, NaN where there was none.
    """

    setup: int
    slew_deg: float | None
    start: float
    reach: Floats
    lowest: Floats
    sigma: Floats
    target: Floats

    @property
    def deviation(self) -> Floats:
        """(K,) ground less target, negative where over-dug."""
        return self.lowest - self.target

    @property
    def floor(self) -> Floats:
        """The deviation on the floor of the dig, without the ends where the bucket bites and curls out.

        From either end, steps are left out while the ground comes down on the target steeper than
        `END_WALL`.
        """
        deviation = self.deviation[np.isfinite(self.deviation)]
        steep = END_WALL * BIN_M
        first, last = 0, len(deviation)
        while last - first > 1 and deviation[first] - deviation[first + 1] > steep and deviation[first] > 0:
            first += 1
        while (
            last - first > 1 and deviation[last - 1] - deviation[last - 2] > steep and deviation[last - 1] > 0
        ):
            last -= 1
        return deviation[first:last]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch that was dug deeper than allowed, m.

    Attributes:
        start, end: its ends along the reach. deepest: how far below the target, positive. at: where.
    """

    profile: Profile
    start: float
    end: float
    deepest: float
    at: float


@dataclass(frozen=True, slots=True)
class Against:
    """The ground against the target over all places; lengths in m, shares 0 to 1 or None without a band."""

    places: int
    length: float
    median: float
    mean: float
    sd: float
    p05: float
    p95: float
    lowest: float
    highest: float
    within: float | None
    above: float | None
    below: float | None


def cutting(run: Run) -> NDArray[np.bool_]:
    """(M,) whether the edge cut at each message; see this module."""
    none = np.zeros(len(run.t), dtype=bool)
    if len(run.t) < 3:
        return none
    counts = np.array([q in ("good", "moving", "settling") for q in run.quality], dtype=bool)
    known = counts & np.isfinite(run.elevation) & np.isfinite(run.reach)
    span = max(1, round(OVER_S / max(1e-3, float(np.median(np.diff(run.t))))))
    back = np.maximum(np.arange(len(run.t)) - span, 0)
    dt = run.t - run.t[back]
    with np.errstate(invalid="ignore", divide="ignore"):
        drawn = run.reach[back] - run.reach
        up = run.elevation - run.elevation[back]
        moves = known & known[back] & (dt > 0) & (dt < 4 * OVER_S) & (drawn > DRAWN_MPS * dt)
        flat = (up <= STEEPEST_UP * drawn) & (-up <= STEEPEST_DOWN * drawn)
        hangs = ~(run.hang < HANGS)
        stands = ~(np.abs(run.slew - run.slew[back]) > SLEW_DPS * dt)
    mask = moves & flat & hangs & stands
    for begin, end in _runs(mask):
        if run.reach[begin] - run.reach[end - 1] < STROKE_M:
            mask[begin:end] = False
    return mask


def strokes(run: Run) -> list[tuple[int, int]]:
    """Begin and end (not in it) of every stroke, as indices of messages."""
    return _runs(cutting(run))


def profiles(run: Run) -> list[Profile]:
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


def against(profiles: list[Profile], band: tuple[float, float] | None) -> Against | None:
    """Statistics over every place of the floor that has a target; None where there is none.

    Args:
        band: tolerance above and below, m, both positive.
    """
    deviation = np.concatenate([one.floor for one in profiles]) if profiles else np.empty(0)
    if not len(deviation):
        return None
    p05, median, p95 = (float(v) for v in np.percentile(deviation, (5, 50, 95)))
    above = float(np.mean(deviation > band[0])) if band else None
    below = float(np.mean(deviation < -band[1])) if band else None
    return Against(
        places=len(deviation),
        length=len(deviation) * BIN_M,
        median=median,
        mean=float(deviation.mean()),
        sd=float(deviation.std()),
        p05=p05,
        p95=p95,
        lowest=float(deviation.min()),
        highest=float(deviation.max()),
        within=None if above is None or below is None else 1.0 - above - below,
        above=above,
        below=below,
    )


def over_dug(profiles: list[Profile], band: tuple[float, float] | None) -> list[Stretch]:
    """Stretches below the tolerance, deepest first; without one, below the target by more than two sigma."""
    found = []
    for one in profiles:
        allowed = band[1] if band else 2.0 * one.sigma
        with np.errstate(invalid="ignore"):
            deep = one.deviation < -allowed
        for begin, end in _runs(deep):
            # Two stretches with a step between them that is not known are two stretches.
            cuts = begin + 1 + np.flatnonzero(np.diff(one.reach[begin:end]) > 1.5 * BIN_M)
            for first, last in pairwise([begin, *cuts.tolist(), end]):
                at = first + int(np.argmin(one.deviation[first:last]))
                half = BIN_M / 2
                found.append(
                    Stretch(
                        one,
                        float(one.reach[first] - half),
                        float(one.reach[last - 1] + half),
                        float(-one.deviation[at]),
                        float(one.reach[at]),
                    )
                )
    return sorted(found, key=lambda stretch: -stretch.deepest)


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


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Begin and end (not in it) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


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


def _profile(run: Run, part: NDArray[np.intp], setup: int, start: float, line: float | None) -> Profile:
    bins = np.floor(run.reach[part] / BIN_M).astype(int)
    keys = np.unique(bins)
    at = np.array([part[bins == key][np.argmin(run.elevation[part[bins == key]])] for key in keys])
    target = run.target[at]
    return Profile(setup, line, start, (keys + 0.5) * BIN_M, run.elevation[at], run.sigma[at], target)
