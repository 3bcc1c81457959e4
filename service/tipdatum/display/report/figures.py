"""What is said about a run's figures: how still they stood, how evenly they came, when they were missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tipdatum.display.report import ground
from tipdatum.display.report.run import Floats, Run

STILL_S = 1.0
"""Shortest stand of the tip whose scatter is called noise."""
STILL_M = 0.01
"""Drift over `STILL_S`, m, up to which the tip stands: above sensor noise, below any digging."""


def tolerance_of(run: Run) -> tuple[float, float] | None:
    """The band that was set last, (above, below) in m, both positive; None without one."""
    band = run.last_state.get("tolerance")
    return None if band is None else (float(band["above_m"]), float(band["below_m"]))


def ditch_of(run: Run) -> dict[str, Any] | None:
    """The ditch that was the target last, as the state tells it; None for another target."""
    target = next((s["target"] for s in reversed(run.states) if s.get("target")), None)
    return target if target is not None and "batter_left" in target else None


@dataclass(frozen=True, slots=True)
class EdgeDug:
    """What the two ends of the edge left against the target, m, and how their fall kept to the target's, %.

    Attributes:
        left, right: 5 %, median, 95 % of the deviation at the places that were cut.
        fall: the same of the edge's fall less the target's while it cut; None where it is not known.
    """

    left: tuple[float, float, float]
    right: tuple[float, float, float]
    fall: tuple[float, float, float] | None


def edge_dug(run: Run) -> EdgeDug | None:
    """None for an edge that cannot be laid over, but for a ditch; and where nothing was cut to a target."""
    if not run.tilts and ditch_of(run) is None:
        return None
    found = ground.corners(run)
    if found is None:
        return None
    fall = None
    if run.falls is not None:
        off = (run.falls[:, 0] - run.falls[:, 1])[ground.cutting(run)]
        off = off[np.isfinite(off)]
        fall = _spread(off) if len(off) else None
    return EdgeDug(_spread(found[:, 0]), _spread(found[:, 1]), fall)


def _spread(values: Floats) -> tuple[float, float, float]:
    low, median, high = (float(v) for v in np.percentile(values, (5, 50, 95)))
    return low, median, high


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
