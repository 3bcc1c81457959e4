"""The ground as dug: where the edge has cut, not where it has been; over-dug stretches; the trench's volume.

The tip passes through air most of the time: let down, lifted, swung, returned. Nothing measures contact, so
cutting is told from carrying by how the edge moves, on every tick:

- it is drawn towards the machine (`DRAWN_MPS`), no steeper down than `STEEPEST_DOWN` (that is letting down)
  and no steeper up than `STEEPEST_UP` (that is lifting; the curl at the end of a stroke still cuts);
- the bucket hangs: the tip lies well below its pin (`HANGS`); curled under the stick it carries;
- the upper does not slew (`SLEW_DPS`): across the boom nothing is dug;
- all that for `STROKE_M` of the way: less is setting down and feeling one's way.

The ground at a place (a step of reach, along one line of the boom) is the lowest that the edge cut there,
however far from the target; between two ticks the edge is followed along its way (`Way`), for a quick stroke
passes a place in two or three of them. What this cannot see: soil that falls back, a stroke pushed away from
the machine, a wall that is trimmed steeper than 45°, and a bucket drawn through air in just this manner.
Against the true tip of simulated digs every place but the outermost of a stroke is right within a centimetre.

Volume is bank volume (what was in the ground, before it swells in the spoil heap) by the average-end-area
method: between two sections with areas A₁ and A₂, a distance L apart, V = L·(A₁ + A₂)/2 (any surveying
text). The section of a trench with vertical walls is width times depth, so that this is the trapezoidal rule
over the depths.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tipdatum.kinematics.chain import Point

Floats: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

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
WAY_M = BIN_M / 20.0
"""Step in which the way between two ticks is followed, m."""
MOST_STEPS = 200
"""Steps between two ticks, at most: a way of a metre is no stroke's."""
END_WALL = 0.4
"""Rise over run against the target from which the end of a line is its end wall and no floor."""


@dataclass(frozen=True, slots=True)
class EdgePath:
    """Where the edge was, tick by tick, (M,) each.

    Attributes:
        t: s, rising. reach, elevation: m. slew: degrees, NaN where it is not known.
        hang: how far the tip lies below its pin, in parts of their distance, NaN where it is not known.
        known: whether reach and elevation are figures that count.
    """

    t: Floats
    reach: Floats
    elevation: Floats
    slew: Floats
    hang: Floats
    known: Mask


@dataclass(frozen=True, slots=True)
class GroundLine:
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
class TooDeep:
    """A stretch that was dug deeper than allowed, m.

    Attributes:
        start, end: its ends along the reach. deepest: how far below the target, positive. at: where.
    """

    profile: GroundLine
    start: float
    end: float
    deepest: float
    at: float


@dataclass(frozen=True, slots=True)
class GroundAgainst:
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


class EdgeWatch:
    """Tells from tick to tick whether the edge cuts: the rule of this module, for a live run."""

    def __init__(self) -> None:
        self._way: deque[tuple[float, float, float, float]] = deque()
        self._began_m: float | None = None

    def lost(self) -> None:
        """Where the edge is, is not known: no stroke goes on over that."""
        self._way.clear()
        self._began_m = None

    def follow(
        self, t: float, reach_m: float, elevation_m: float, slew_deg: float, hang: float
    ) -> bool | None:
        """None: the edge does not cut. False: a stroke has begun that does not count yet. True: it counts.

        With the first True all of the stroke counts, from its first False on.

        Args:
            slew_deg, hang: NaN where they are not known, see `EdgePath`.
        """
        way = self._way
        while len(way) > 1 and way[1][0] <= t - OVER_S + 1e-6:
            way.popleft()
        before = way[0] if way else None
        way.append((t, reach_m, elevation_m, slew_deg))
        if before is None or not self._cuts(before, way[-1], hang):
            self._began_m = None
            return None
        if self._began_m is None:
            self._began_m = reach_m
        return self._began_m - reach_m >= STROKE_M

    def _cuts(self, before: tuple[float, ...], now: tuple[float, ...], hang: float) -> bool:
        dt, drawn, up = now[0] - before[0], before[1] - now[1], now[2] - before[2]
        # The comparisons with NaN are the ones that let pass what is not known.
        return (
            OVER_S - 1e-6 <= dt < 4 * OVER_S
            and drawn > DRAWN_MPS * dt
            and -STEEPEST_DOWN * drawn <= up <= STEEPEST_UP * drawn
            and not hang < HANGS
            and not abs(now[3] - before[3]) > SLEW_DPS * dt
        )


def cutting(path: EdgePath) -> Mask:
    """(M,) whether the edge cut at each tick; see `EdgeWatch`."""
    mask = np.zeros(len(path.t), dtype=bool)
    watch, began = EdgeWatch(), 0
    ticks = zip(path.t, path.reach, path.elevation, path.slew, path.hang, strict=True)
    for i, (known, tick) in enumerate(zip(path.known, ticks, strict=True)):
        told = None
        if known:
            told = watch.follow(*map(float, tick))
        else:
            watch.lost()
        if told is None:
            began = i + 1
        elif told:
            mask[began : i + 1] = True
    return mask


class Way:
    """The way of the edge through ticks of strokes, in steps of `WAY_M`: all ticks, and places between them.

    From tick to tick every figure runs as a cubic whose slope at a tick is that of the chord between its
    neighbours (Catmull and Rom's spline); at either end of a stroke it is that of the chord there. So the way
    passes through what was published, and only ticks of the same stroke have a say.

    Args:
        t: (M,) s, rising. part: (K,) indices of ticks at which the edge cut, rising; neighbours are of one
            stroke.
        reach, elevation: (M,) m.

    Attributes:
        before: (P,) the tick that each place comes from. share: (P,) how far it is to the next, 0 to 1.
    """

    def __init__(self, t: Floats, part: NDArray[np.intp], reach: Floats, elevation: Floats) -> None:
        self._t, self._part = t, part
        joined = np.zeros(len(t), dtype=bool)
        joined[part[:-1][np.diff(part) == 1]] = True
        self._joined = joined
        gone = np.hypot(np.diff(reach, append=np.nan), np.diff(elevation, append=np.nan))[part]
        steps = np.where(joined[part], np.clip(np.ceil(np.nan_to_num(gone) / WAY_M), 1, MOST_STEPS), 1)
        counts = steps.astype(int)
        self.before = np.repeat(part, counts)
        first = np.repeat(np.cumsum(counts) - counts, counts)
        self.share = (np.arange(len(self.before)) - first) / np.repeat(steps, counts)

    def of(self, figure: Floats) -> Floats:
        """(P,) a figure of every tick, (M,), along the way; NaN beside a tick where it is not known."""
        t, before, s = self._t, self.before, self.share
        after = np.where(self._joined[before], before + 1, before)
        dt = t[after] - t[before]
        chord = figure[after] - figure[before]
        begin, end = (dt * self._slopes(figure)[i] for i in (before, after))
        found = figure[before] + s * chord + s * (1 - s) * ((1 - s) * (begin - chord) - s * (end - chord))
        return np.asarray(np.where(s == 0.0, figure[before], found), dtype=float)

    def nearest(self) -> NDArray[np.intp]:
        """(P,) the tick nearest to each place."""
        return np.asarray(self.before + (self.share > 0.5), dtype=np.intp)

    def _slopes(self, figure: Floats) -> Floats:
        """(M,) change of a figure per second at each tick."""
        i = np.arange(len(figure))
        left = i - np.concatenate([[False], self._joined[:-1]])
        right = i + self._joined
        span = self._t[right] - self._t[left]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(span > 0.0, (figure[right] - figure[left]) / span, 0.0))


def hang_of(pin: Point, tip: Point) -> float:
    """How far the tip lies below its pin, in parts of their distance; NaN where they are one."""
    length = math.dist(pin, tip)
    return (pin[2] - tip[2]) / length if length > 0.0 else math.nan


def lowest_by_place(reach: Floats, elevation: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Middles of the steps of reach that were cut, rising, and which of the places was the lowest in each.

    Args:
        reach, elevation: (K,) m, of places at which the edge cut, see `Way`.
    """
    bins = np.floor(reach / BIN_M).astype(int)
    order = np.lexsort((elevation, bins))
    places, first = np.unique(bins[order], return_index=True)
    return (places + 0.5) * BIN_M, order[first]


def against(profiles: list[GroundLine], band: tuple[float, float] | None) -> GroundAgainst | None:
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
    return GroundAgainst(
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


def over_dug(profiles: list[GroundLine], band: tuple[float, float] | None) -> list[TooDeep]:
    """Stretches below the tolerance, deepest first; without one, below the target by more than two sigma."""
    found = []
    for one in profiles:
        allowed = band[1] if band else 2.0 * one.sigma
        with np.errstate(invalid="ignore"):
            deep = one.deviation < -allowed
        for begin, end in runs_of(deep):
            # Two stretches with a step between them that is not known are two stretches.
            cuts = begin + 1 + np.flatnonzero(np.diff(one.reach[begin:end]) > 1.5 * BIN_M)
            for first, last in pairwise([begin, *cuts.tolist(), end]):
                at = first + int(np.argmin(one.deviation[first:last]))
                half = BIN_M / 2
                found.append(
                    TooDeep(
                        one,
                        float(one.reach[first] - half),
                        float(one.reach[last - 1] + half),
                        float(-one.deviation[at]),
                        float(one.reach[at]),
                    )
                )
    return sorted(found, key=lambda stretch: -stretch.deepest)


def runs_of(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Begin and end (not in it) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


NEAR_M = 0.125
"""Points this near along the trench are of one place, m: half of the usual step of points."""


def bottom(profile: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """(station m, elevation m) of what was left in the end: of points of one place the lowest counts.

    A trench is gone through more than once, and what an earlier pass left was dug away by a deeper one.
    """
    left: list[tuple[float, float]] = []
    for station, elevation in sorted(profile, key=lambda point: (point[1], point[0])):
        if all(abs(station - other) > NEAR_M for other, _ in left):
            left.append((station, elevation))
    return sorted(left)


def average_end_area(sections: Iterable[tuple[float, float]]) -> float:
    """m³ from (station m, area m²) in any order; 0 with fewer than two."""
    ordered = sorted(sections)
    return sum((b - a) * (area_a + area_b) / 2.0 for (a, area_a), (b, area_b) in pairwise(ordered))


def trench_volume(profile: Iterable[tuple[float, float]], ground_m: float, width_m: float) -> float:
    """Bank volume, m³, of a trench with vertical walls.

    Args:
        profile: (station m, elevation m) of its bottom.
        ground_m: elevation of the ground beside it; where the bottom lies above it nothing counts.
        width_m: of the trench, as wide as the bucket.
    """
    return average_end_area((s, width_m * max(0.0, ground_m - z)) for s, z in profile)
