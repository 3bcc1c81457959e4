"""When a suspected sensor counts as right again: by agreement in a motion that would show the fault."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tipdatum.fusion.chain.consistency import Axis, Look

CALM_RATIO = 0.6
"""Ratio below which sensors agree again, 1."""
NEED_S, NEED_MORE, MOST_S = 4.0, 3.0, 120.0
"""Time of agreement in motion, s, after which a first suspicion ends; so many times as long each time that
the sensor is suspected again, up to this. Rest ends none: a wrong gyro agrees as long as nothing turns."""
SHOWN_RAD, SHOWN_MOST = 0.15, 8.0
"""What the body must have turned meanwhile about what is doubted, rad, and so many times as long without."""
TILT_S = 0.7
"""Time over which a tilt is smoothed for that, s: what a body turns stays, what pushes it does not."""
STANDS_S = 1.5
"""Rest after which figures stand again under suspicion, as settling, s."""
TURNS_RADPS = 0.05
"""Fastest rate above which the arm counts as moving here, rad/s."""
NOTICED_S = 15.0
"""Time in which a sensor that has become slow is noticed, and what it feigned meanwhile looked at, s."""
FORGIVEN_S = 600.0
"""Time after which an old suspicion is forgotten, s."""


class Shown:
    """How far a body has turned in the arm plane, by its accelerometer, and the plane by the other gyros."""

    def __init__(self) -> None:
        self._tilt: float | None = None
        self._least = self._most = 0.0
        self._plane = 0.0

    def add(self, look: Look, sensor: int) -> None:
        """Take in a block."""
        tilt = math.atan2(float(look.force[sensor, 0]), float(look.force[sensor, 2]))
        if self._tilt is None:
            self._tilt = self._least = self._most = tilt
        step = math.remainder(tilt - self._tilt, 2.0 * math.pi)
        self._tilt += min(1.0, look.span / TILT_S) * step
        self._least, self._most = min(self._least, self._tilt), max(self._most, self._tilt)
        others = look.gyro.copy()
        others[sensor] = False
        if others.any():
            self._plane += abs(float(np.median(look.plane[others]))) * look.span

    def enough(self, about: Axis) -> bool:
        """Whether a fault about that axis would have shown."""
        turned = {"plane": self._most - self._least, "slew": self._plane}
        return about == "any" or turned[about] > SHOWN_RAD


@dataclass
class Suspicion:
    """Which sensor is suspected, of what, and since when all have agreed again.

    Attributes:
        sensor: its number, None while nobody is suspected. text: what it looks like. about: what turn shows
            whether it is right again.
        rested: s, for how long the arm has rested with all agreeing.
    """

    sensor: int | None = None
    text: str = ""
    about: Axis = "any"
    rested: float = 0.0
    _agreed: float = 0.0
    _shown: Shown = field(default_factory=lambda: Shown())
    _times: dict[int, int] = field(default_factory=dict)
    _last: float = -math.inf
    _unjudged: bool = False

    def begin(self, t: float, sensor: int, text: str, about: Axis) -> bool:
        """An alarm; returns whether it is news: another sensor, or the first for a while."""
        news = sensor != self.sensor
        if t - self._last > FORGIVEN_S:
            self._times.clear()
        if self.sensor is None or news:
            self._times[sensor] = self._times.get(sensor, 0) + 1
        self.sensor, self._last = sensor, t
        self.text, self.about = text, about
        self._unjudged = False
        self._begin_again()
        return news

    def agree(self, look: Look, ratio: float) -> bool:
        """A block without an alarm, and the largest ratio after it; returns whether the suspicion ends."""
        assert self.sensor is not None
        if ratio > CALM_RATIO:
            self._begin_again()
        elif look.fastest > TURNS_RADPS:
            self.rested = 0.0
            self._agreed += look.span
            self._shown.add(look, self.sensor)
        else:
            self.rested += look.span
        before = self._times.get(self.sensor, 1) - 1
        need = min(MOST_S, NEED_S * NEED_MORE**before)
        if self._agreed >= need * (1.0 if self._shown.enough(self.about) else SHOWN_MOST):
            self.sensor = None
            return True
        return False

    def go_on_unjudged(self, t: float, span: float, fastest: float) -> bool:
        """A block of which nobody can say whether sensors agree; returns whether the suspicion is dropped.

        One that is no older than what made it impossible came of that. Any other stays: nothing can end it.
        """
        if t - self._last < NOTICED_S and not self._unjudged:
            self.sensor = None
            return True
        self._unjudged = True
        resting = self.rested + span if fastest <= TURNS_RADPS else 0.0
        self._begin_again()
        self.rested = resting
        return False

    def _begin_again(self) -> None:
        self.rested = self._agreed = 0.0
        self._shown = Shown()

    @property
    def stands(self) -> bool:
        """Whether figures stand under suspicion: the arm rests, and gravity tells them."""
        return self.rested >= STANDS_S
