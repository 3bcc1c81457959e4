"""What is said about a run: when the bucket followed its target, how closely, how still the figures stood."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tipdatum.display.report.run import Floats, Run

FOLLOWING_M = 0.15
"""Within this of the target the bucket counts as following it: wider takes in the first cut and the lift,
narrower would hide mistakes from the statistics."""
BIN_M = 0.1
"""Width of the as-dug profile's steps along the reach: about a tooth and its neighbour."""
STILL_S = 1.0
"""Shortest stand of the tip whose scatter is called noise."""
STILL_M = 0.01
"""Drift over `STILL_S`, m, up to which the tip stands: above sensor noise, below any digging."""
GAP_S = 0.5
"""Messages farther apart than this are two stretches."""


@dataclass(frozen=True, slots=True)
class Following:
    """Deviations while the bucket followed its target; lengths in metres.

    `within` is the share inside the tolerance band, None without a band.
    """

    messages: int
    seconds: float
    mean: float
    sd: float
    p05: float
    median: float
    p95: float
    lowest: float
    highest: float
    within: float | None
    above: float
    below: float


def following(run: Run) -> NDArray[np.bool_]:
    """(M,) whether the tip was at the target with a figure that counts."""
    counts = np.array([q in ("good", "moving", "settling") for q in run.quality], dtype=bool)
    with np.errstate(invalid="ignore"):
        return counts & (np.abs(run.deviation) <= FOLLOWING_M)


def tolerance_of(run: Run) -> tuple[float, float] | None:
    """The band that was set last, (above, below) in m, both positive; None without one."""
    band = run.last_state.get("tolerance")
    return None if band is None else (float(band["above_m"]), float(band["below_m"]))


def follow(run: Run) -> Following | None:
    """Statistics of the deviation; None where the bucket never followed a target."""
    mask = following(run)
    if not mask.any():
        return None
    deviation = run.deviation[mask]
    band = tolerance_of(run)
    above, below = band if band else (0.0, 0.0)
    p05, median, p95 = (float(v) for v in np.percentile(deviation, (5, 50, 95)))
    steps = np.diff(run.t, append=run.t[-1])
    return Following(
        messages=int(mask.sum()),
        seconds=float(np.minimum(steps, GAP_S)[mask].sum()),
        mean=float(deviation.mean()),
        sd=float(deviation.std()),
        p05=p05,
        median=median,
        p95=p95,
        lowest=float(deviation.min()),
        highest=float(deviation.max()),
        within=float(np.mean((deviation <= above) & (deviation >= -below))) if band else None,
        above=float(np.mean(deviation > above)),
        below=float(np.mean(deviation < -below)),
    )


def histogram(run: Run, width: float) -> tuple[Floats, Floats]:
    """Share of the following messages by deviation: bin edges (K + 1,) in m, shares (K,)."""
    deviation = run.deviation[following(run)]
    count = round(2 * FOLLOWING_M / width)
    edges = np.linspace(-FOLLOWING_M, FOLLOWING_M, count + 1)
    counts, _ = np.histogram(deviation, edges)
    return edges, counts / max(1, len(deviation))


@dataclass(frozen=True, slots=True)
class Profile:
    """The as-dug line of one set-up: by reach from the slew axis, m.

    Attributes:
        setup: number of the set-up, from 1. start: s, when it began.
        reach: (K,) middles of the steps. lowest: (K,) lowest tip.
        target: (K,) the target's elevation there, NaN where there was none.
    """

    setup: int
    start: float
    reach: Floats
    lowest: Floats
    target: Floats


def profiles(run: Run) -> list[Profile]:
    """The lowest the tip came in each step of reach while it followed the target, one line a set-up.

    Reach is counted from the slew axis, so what was dug before the machine moved is another line.
    """
    mask = following(run) & np.isfinite(run.reach) & np.isfinite(run.elevation)
    found = []
    starts = [*setup_starts(run), np.inf]
    for setup, (begin, end) in enumerate(pairwise(starts), 1):
        part = mask & (run.t >= begin) & (run.t < end)
        if part.sum() < 2:
            continue
        bins = np.floor(run.reach[part] / BIN_M).astype(int)
        elevation, deviation = run.elevation[part], run.deviation[part]
        keys = np.unique(bins)
        lowest, target = np.empty(len(keys)), np.empty(len(keys))
        for i, key in enumerate(keys):
            inside = np.flatnonzero(bins == key)
            at = inside[np.argmin(elevation[inside])]
            lowest[i], target[i] = elevation[at], elevation[at] - deviation[at]
        found.append(Profile(setup, float(begin), (keys + 0.5) * BIN_M, lowest, target))
    return found


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


def noise(run: Run) -> tuple[float, float] | None:
    """Scatter of the elevation while the tip stood: (standard deviation in m, seconds it stood), or None."""
    if len(run.t) < 3:
        return None
    window = max(2, round(STILL_S / float(np.median(np.diff(run.t)))))
    known = np.isfinite(run.elevation) & np.isfinite(run.reach)
    stands, seconds, at = [], 0.0, 0
    while at + window <= len(run.t):
        part = slice(at, at + window)
        whole = known[part].all() and run.t[at + window - 1] - run.t[at] < 1.5 * STILL_S
        if whole and np.ptp(run.elevation[part]) < STILL_M and np.ptp(run.reach[part]) < STILL_M:
            stands.append(run.elevation[part] - run.elevation[part].mean())
            seconds += float(run.t[at + window - 1] - run.t[at])
            at += window
        else:
            at += max(1, window // 4)
    return (float(np.concatenate(stands).std()), seconds) if stands else None


@dataclass(frozen=True, slots=True)
class Timing:
    """When the messages came, in session time, s.

    Attributes:
        interval_median, interval_longest: between two messages.
        behind_median, behind_p99: how much older the newest reading was than the moment a message is for;
            0 while readings flow, since figures are predicted to the newest reading.
        without_figure: share of the messages whose elevation is null after the first reference.
    """

    interval_median: float
    interval_longest: float
    behind_median: float
    behind_p99: float
    without_figure: float


def timing(run: Run) -> Timing | None:
    """How evenly the messages came; None for fewer than two."""
    if len(run.t) < 2:
        return None
    intervals = np.diff(run.t)
    behind = np.maximum(0.0, run.t - run.t_emit)
    known = np.isfinite(run.elevation)
    after = known[int(np.argmax(known)) :] if known.any() else known
    return Timing(
        interval_median=float(np.median(intervals)),
        interval_longest=float(intervals.max()),
        behind_median=float(np.median(behind)),
        behind_p99=float(np.percentile(behind, 99)),
        without_figure=float(1.0 - after.mean()) if len(after) else 1.0,
    )


def stretches(words: tuple[str, ...], t: Floats) -> list[tuple[float, float, str]]:
    """Runs of the same word: (from, to, word), s."""
    found: list[tuple[float, float, str]] = []
    begin = 0
    for i in range(1, len(words) + 1):
        if i == len(words) or words[i] != words[begin]:
            end = t[i] if i < len(words) else t[-1]
            found.append((float(t[begin]), float(end), words[begin]))
            begin = i
    return found
