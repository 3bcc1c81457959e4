"""How good a replay was: its tip messages against the session's truth.

The truth knows heights above the slew centre, the messages elevations in the height system of the
reference. The two are tied together once at each `datum/set` of the session: there the truth stands at the
elevation that the order gave. Whatever the messages are off from then on is error. Messages are compared
with the truth at `t_emit`: a late figure is a wrong one, and none profits from what came after it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, Field

from tipdatum.errors import InputError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SLOW_MPS = 0.05
"""Tip speed up to which the arm counts as slow where the truth has no `quiet`: careful grading."""
STANDING_MPS = 0.005
"""Tip speed up to which it stands; truth rounded to 0.1 mm at 50 Hz shows about half of that at rest."""
STANDING_S = 1.0
"""Shortest stand that is taken for noise."""
FLAT_DEG = 45.0
"""An edge that is steeper is being emptied, and nobody grades with it."""
LAG_RANGE_S = (-0.1, 0.4)
LAG_STEP_S = 0.005
GAP_S = 0.1
"""Time between two messages from which on nothing is read in between."""


@dataclass(frozen=True, slots=True)
class TruthTrack:
    """Where the tip was.

    Attributes:
        t: (N,) s. tip: (N, 3) m relative to the slew centre. ground: (N, 3) m relative to the ground or None.
        quiet: (N,) whether the session calls the moment quiet, or None.
        references: (t, elevation) of each `datum/set`, the tip's.
        corners: left and right → (N, 3) m like `tip`; empty where the session does not know them.
    """

    t: Floats
    tip: Floats
    ground: Floats | None
    quiet: Bools | None
    references: tuple[tuple[float, float], ...]
    corners: Mapping[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MessageTrack:
    """What was published.

    Attributes:
        t_emit: (M,) s. elevation, sigma: (M,) m, NaN for null. quality: one word a message.
        corners: left and right → (M, 2) m, elevation and sigma; empty where nobody asked for them.
    """

    t_emit: Floats
    elevation: Floats
    sigma: Floats
    quality: tuple[str, ...]
    corners: Mapping[str, Floats] = field(default_factory=dict)


class Errors(BaseModel):
    """Elevation error over one kind of moment, m, and how often the truth lay within sigma."""

    messages: int
    rms_m: float | None = Field(description="root mean square")
    p95_m: float | None = Field(description="95th percentile of the size")
    max_m: float | None
    mean_m: float | None = Field(description="positive: the messages are too high")
    within_1_sigma: float | None = Field(description="share, 0 to 1; 0.68 for an honest normal sigma")
    within_2_sigma: float | None = Field(description="share, 0 to 1; 0.95 for an honest normal sigma")


class FallErrors(BaseModel):
    """Error of the edge's fall across the boom plane while it is flatter than 45°, degrees."""

    messages: int
    rms_deg: float | None
    p95_deg: float | None = Field(description="95th percentile of the size")
    max_deg: float | None


class Score(BaseModel):
    """The whole verdict; every figure that cannot be known is null."""

    messages: int = Field(description="all tip messages")
    scored: int = Field(description="those with an elevation after a reference was set")
    moving: Errors = Field(description="against the tip relative to the slew centre")
    slow: Errors
    moving_ground: Errors | None = Field(description="against the tip relative to the ground: heave included")
    slow_ground: Errors | None
    left_moving: Errors | None = Field(default=None, description="left end of the edge, like moving")
    left_slow: Errors | None = None
    right_moving: Errors | None = None
    right_slow: Errors | None = None
    cross_fall: FallErrors | None = Field(default=None, description="of the edge, from both its ends")
    static_noise_m: float | None = Field(
        description="standard deviation of the elevation while the tip stands"
    )
    lag_s: float | None = Field(description="how far the elevation runs behind the truth; negative: ahead")
    quality: dict[str, float] = Field(description="share of the messages after the reference, 0 to 1")
    without_figure: float | None = Field(description="share of them whose elevation is null")


def score(truth: TruthTrack, messages: MessageTrack) -> Score:
    """Compare a replay with its session's truth.

    Raises:
        InputError: the session sets no reference, or the two do not overlap in time.
    """
    if not truth.references:
        raise InputError("the session has no datum/set, so its elevations have nothing to be compared with")
    after = messages.t_emit >= truth.references[0][0]
    inside = after & (messages.t_emit <= truth.t[-1])
    if not inside.any():
        raise InputError("no message falls between the session's first datum/set and the end of its truth")
    t, elevation, sigma = (a[inside] for a in (messages.t_emit, messages.elevation, messages.sigma))
    slow = _at(truth.t, _slow(truth).astype(float), t) > 0.5
    error = elevation - true_elevation(truth, truth.tip, t)
    known = np.isfinite(elevation)
    ground = (
        None if truth.ground is None else elevation - true_elevation(truth, truth.ground, t)
    )  # fmt: skip
    qualities = Counter(q for q, use in zip(messages.quality, inside, strict=True) if use)
    return Score(
        messages=len(messages.t_emit),
        scored=int(known.sum()),
        moving=_errors(error[known & ~slow], sigma[known & ~slow]),
        slow=_errors(error[known & slow], sigma[known & slow]),
        moving_ground=None if ground is None else _errors(ground[known & ~slow], sigma[known & ~slow]),
        slow_ground=None if ground is None else _errors(ground[known & slow], sigma[known & slow]),
        **_corners(truth, messages, inside, t, slow),
        static_noise_m=static_noise(truth, t[known], elevation[known]),
        lag_s=lag(truth, t[known], elevation[known]),
        quality={word: count / int(inside.sum()) for word, count in qualities.most_common()},
        without_figure=float(1.0 - known.mean()),
    )


def _corners(
    truth: TruthTrack, messages: MessageTrack, inside: Bools, t: Floats, slow: Bools
) -> dict[str, Any]:
    """The fields of `Score` about the edge's ends; none where either side does not know them."""
    if not truth.corners or not messages.corners:
        return {}
    found: dict[str, Any] = {}
    heights, true_heights = [], []
    for name in ("left", "right"):
        elevation, sigma = messages.corners[name][inside].T
        true = true_elevation(truth, truth.corners[name], t, touched=truth.tip)
        known = np.isfinite(elevation)
        for kind, which in (("moving", known & ~slow), ("slow", known & slow)):
            found[f"{name}_{kind}"] = _errors((elevation - true)[which], sigma[which])
        heights.append(elevation)
        true_heights.append(true)
    # An edge keeps its length; so its fall follows from the difference of its ends' heights.
    length = float(np.median(np.linalg.norm(truth.corners["left"] - truth.corners["right"], axis=1)))
    told, real = (
        np.degrees(np.arcsin(np.clip((left - right) / length, -1.0, 1.0)))
        for left, right in (heights, true_heights)
    )
    flat = np.isfinite(told) & (np.abs(real) < FLAT_DEG)
    size = np.abs(told - real)[flat]
    found["cross_fall"] = FallErrors(
        messages=len(size),
        rms_deg=float(np.sqrt(np.mean(size**2))) if len(size) else None,
        p95_deg=float(np.percentile(size, 95)) if len(size) else None,
        max_deg=float(size.max()) if len(size) else None,
    )
    return found


def true_elevation(truth: TruthTrack, tip: Floats, t: Floats, touched: Floats | None = None) -> Floats:
    """(M,) m: true elevation at `t` in the height system of the reference that was the last one then.

    Args:
        tip: (N, 3) m, the point that is asked for. touched: (N, 3) m, what touched the references' marks,
            None for the same.
    """
    mark = tip if touched is None else touched
    moments = np.array([moment for moment, _ in truth.references])
    offsets = np.array([e - float(_at(truth.t, mark[:, 2], np.array(m))) for m, e in truth.references])
    last = np.maximum(np.searchsorted(moments, t, side="right") - 1, 0)
    return np.asarray(_at(truth.t, tip[:, 2], t) + offsets[last])


def static_noise(truth: TruthTrack, t: Floats, elevation: Floats) -> float | None:
    """Standard deviation, m, of the elevation about its mean over each stand of at least a second."""
    standing = _speed(truth) < STANDING_MPS
    edges = np.flatnonzero(np.diff(np.concatenate([[0], standing.astype(int), [0]])))
    deviations = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if truth.t[end - 1] - truth.t[begin] < STANDING_S:
            continue
        part = elevation[(t >= truth.t[begin]) & (t <= truth.t[end - 1])]
        if len(part) > 1:
            deviations.append(part - part.mean())
    return float(np.sqrt(np.mean(np.concatenate(deviations) ** 2))) if deviations else None


def lag(truth: TruthTrack, t: Floats, elevation: Floats) -> float | None:
    """Time, s, by which the elevation's rate runs behind the truth's: the peak of their cross-correlation.

    None where there is too little motion to tell.
    """
    if len(t) < 2:
        return None
    grid = np.arange(t[0], t[-1], LAG_STEP_S)
    after = np.minimum(np.searchsorted(t, grid, side="right"), len(t) - 1)
    whole = (t[after] - t[after - 1]) < GAP_S
    if len(grid) < 2 * LAG_RANGE_S[1] / LAG_STEP_S:
        return None
    told = np.where(whole, np.gradient(np.interp(grid, t, elevation), LAG_STEP_S), 0.0)
    shifts = np.arange(round(LAG_RANGE_S[0] / LAG_STEP_S), round(LAG_RANGE_S[1] / LAG_STEP_S) + 1)
    rates = np.gradient(truth.tip[:, 2], truth.t)
    if float(np.std(rates)) < 0.01:
        return None
    likeness = np.array([told @ np.interp(grid - s * LAG_STEP_S, truth.t, rates) for s in shifts])
    peak = int(np.argmax(likeness))
    if not 0 < peak < len(shifts) - 1:
        return None
    before, top, behind = likeness[peak - 1 : peak + 2]
    between = 0.5 * (before - behind) / (before - 2.0 * top + behind)
    return float((shifts[peak] + between) * LAG_STEP_S)


def _errors(error: Floats, sigma: Floats) -> Errors:
    if not len(error):
        return Errors(
            messages=0,
            rms_m=None,
            p95_m=None,
            max_m=None,
            mean_m=None,
            within_1_sigma=None,
            within_2_sigma=None,
        )
    size = np.abs(error)
    with_sigma = np.isfinite(sigma)
    shares = [
        float(np.mean(size[with_sigma] <= k * sigma[with_sigma])) if with_sigma.any() else None
        for k in (1, 2)
    ]
    return Errors(
        messages=len(error),
        rms_m=float(np.sqrt(np.mean(error**2))),
        p95_m=float(np.percentile(size, 95)),
        max_m=float(size.max()),
        mean_m=float(error.mean()),
        within_1_sigma=shares[0],
        within_2_sigma=shares[1],
    )


def _slow(truth: TruthTrack) -> Bools:
    return truth.quiet if truth.quiet is not None else _speed(truth) < SLOW_MPS


def _speed(truth: TruthTrack) -> Floats:
    return np.asarray(np.linalg.norm(np.gradient(truth.tip, truth.t, axis=0), axis=1))


def _at(t: Floats, values: Floats, when: Floats) -> Floats:
    return np.asarray(np.interp(when, t, values))
