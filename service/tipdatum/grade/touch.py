"""A touch: the still moment that the last seconds of the tip show.

An operator sets the tip down, lets the machine come to rest, and then presses the button: the still moment
lies behind the command. The longest stretch that ends now and in which height, reach and sideways position
stay within their limits is averaged; a stretch that is too short is no touch.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import pstdev
from typing import Literal, TypeAlias

from tipdatum.grade.forms import WorkOptions
from tipdatum.sentences import sentence
from tipdatum_drivers.reading import Value

TipPoint: TypeAlias = Literal["tip", "left", "right"]

GAP_S = 0.3
"""Longest gap between two moments of one stretch, s: fifteen ticks at 50 Hz, above any radio hiccup."""

SCATTER_S = 0.4
"""Stretch over which the scatter of a still tip is taken, s: half a rocking period of a machine at 1.25 Hz,
from crest to trough (1 to 2 Hz: common practice, no source). A longer one would count what has rung down
since the arm stopped."""
WOBBLE_SIGMAS = 4.0
"""Peak to peak of a noisy figure that stands still, in standard deviations."""


class Moment(Value, frozen=True):
    """One tick's figures that a touch averages; heights in m above the slew centre at rest (heave added)."""

    t: float
    height_m: float
    left_m: float
    right_m: float
    reach_m: float
    lateral_m: float
    slew_rad: float
    sigma_m: float = 0.0
    """1-sigma of the height, as the pose knows it."""

    def of(self, point: TipPoint) -> float:
        """Height of the tip centre or of a corner."""
        return self.left_m if point == "left" else self.right_m if point == "right" else self.height_m


@dataclass(frozen=True, slots=True)
class Touch:
    """A still moment's averages.

    `spread_m` is the peak-to-peak height over `lasted_s`, `scatter_m` the standard deviation over the
    end of it, `SCATTER_S` long.
    """

    t: float
    point: TipPoint
    height_m: float
    reach_m: float
    lateral_m: float
    slew_rad: float
    spread_m: float
    scatter_m: float
    lasted_s: float
    samples: int


@dataclass(frozen=True, slots=True)
class NotStill:
    """Why there is no touch: `moving` now, or not yet long enough still."""

    moving: bool
    text: str


class Recent:
    """The last seconds of the tip, oldest first; forgets everything at a moment that is not known."""

    def __init__(self, keep_s: float) -> None:
        self._keep_s = keep_s
        self._moments: deque[Moment] = deque()

    def add(self, moment: Moment) -> None:
        """Append the newest moment."""
        moments, t = self._moments, moment.t
        if moments and not 0.0 <= t - moments[-1].t <= GAP_S:
            moments.clear()
        moments.append(moment)
        while t - moments[0].t > self._keep_s:
            moments.popleft()

    def forget(self) -> None:
        """Start anew: the figures are not known, or the machine is another one."""
        self._moments.clear()

    @property
    def moments(self) -> Sequence[Moment]:
        """Oldest first."""
        return self._moments


def still_touch(
    moments: Sequence[Moment], now: float, point: TipPoint, options: WorkOptions
) -> Touch | NotStill:
    """The touch that the recent moments show at `now`, or why there is none."""
    if not moments or now - moments[-1].t > GAP_S:
        return NotStill(False, sentence("tip-not-known"))
    stretch = _stretch(moments, now, point, options, options.still_spread_m)
    if _lasted(stretch) < options.still_least_s * 0.999:
        wobble = min(WOBBLE_SIGMAS * moments[-1].sigma_m, options.wobble_most_m)
        stretch = _stretch(moments, now, point, options, max(wobble, options.still_spread_m))
    lasted = _lasted(stretch)
    if lasted < options.still_least_s * 0.999:
        return _why_not(moments, now, point, options)
    heights = [m.of(point) for m in stretch]
    # Newest first: what is averaged is the end of the still stretch, what is judged is all of it.
    averaged = [m for m in stretch if stretch[0].t - m.t <= options.average_s]
    n = len(averaged)
    return Touch(
        t=stretch[0].t,
        point=point,
        height_m=sum(heights[:n]) / n,
        reach_m=sum(m.reach_m for m in averaged) / n,
        lateral_m=sum(m.lateral_m for m in averaged) / n,
        slew_rad=sum(m.slew_rad for m in averaged) / n,
        spread_m=max(heights) - min(heights),
        scatter_m=pstdev(heights[: sum(stretch[0].t - m.t <= SCATTER_S for m in stretch)]),
        lasted_s=lasted,
        samples=len(stretch),
    )


def _stretch(
    moments: Sequence[Moment], now: float, point: TipPoint, options: WorkOptions, spread_limit_m: float
) -> list[Moment]:
    """The longest stretch that ends now and stays within the limits, newest first."""
    low = high = moments[-1].of(point)
    near = far = moments[-1].reach_m
    left = right = moments[-1].lateral_m
    stretch: list[Moment] = []
    for moment in reversed(moments):
        height = moment.of(point)
        low, high = min(low, height), max(high, height)
        near, far = min(near, moment.reach_m), max(far, moment.reach_m)
        right, left = min(right, moment.lateral_m), max(left, moment.lateral_m)
        too_far = (
            high - low > spread_limit_m
            or far - near > options.still_reach_m
            or left - right > options.still_reach_m
        )
        if too_far or now - moment.t > options.still_most_s:
            break
        stretch.append(moment)
    return stretch


def _lasted(stretch: Sequence[Moment]) -> float:
    return stretch[0].t - stretch[-1].t if stretch else 0.0


def _why_not(moments: Sequence[Moment], now: float, point: TipPoint, options: WorkOptions) -> NotStill:
    last = [m for m in moments if now - m.t <= options.still_least_s]
    spread = max(m.of(point) for m in last) - min(m.of(point) for m in last)
    brief = [m for m in last if now - m.t <= 0.5]
    span = max(brief[-1].t - brief[0].t, 1e-9)
    speed = max(
        abs(brief[-1].of(point) - brief[0].of(point)) / span,
        abs(brief[-1].reach_m - brief[0].reach_m) / span,
        abs(brief[-1].lateral_m - brief[0].lateral_m) / span,
    )
    moving = len(brief) > 1 and speed > options.moving_mps
    seconds = last[-1].t - last[0].t
    if moving:
        text = sentence("tip-moves", speed_fine_mps=speed, spread_fine_m=spread, last_s=seconds)
    else:
        text = sentence("tip-spread", spread_fine_m=spread, last_s=seconds)
    return NotStill(moving, text)
