"""Who speaks, how often, and who is silent: the one rule that all who ask about a sensor's silence share.

One `Presence` for each sensor of a machine. Whoever judges the readings tells it what came (`heard`) and what
could be used (`used`); health, rounds, pipeline and estimators ask the same object, so that no two of them
can disagree. A stream of several sensors has one of its own.

How long a sensor may be silent
    `stale_after_s` of its description where that is given; otherwise a quarter of a second, in which an arm
    at 0.5 m/s moves an eighth of a metre, or 2.5 of its own periods where that is longer: two lost
    readings and half a period of jitter. A laser receiver speaks only while it is on the beam and may be
    silent for ever.
What its period is
    The mean interval between what was heard, from `SLOWED_FOR` long ones in a row on that of these. A silence
    is none: ten usual intervals in one are left out unless more of their kind follow, and so is whatever is
    longer than `LONGEST_INTERVAL_S`. Readings that a busy computer or an adapter held back and hands over
    together are no quick sensor that is often silent: where it took them less than a tenth of a long
    interval (or a quarter of a second) to come, that interval is theirs.
What is too slow
    Fewer readings than one in two seconds (and a tenth, since clocks and buses tremble): nobody could say
    where the arm has been meanwhile.
What a step of the clock is
    A time that lies further back than `CLOCK_STEP_S` behind the newest; one that lies less far back is a
    reading out of order.
"""

from __future__ import annotations

import math
from typing import Final, Literal, Protocol

STALE_S: Final = 0.25
STALE_PERIODS: Final = 2.5
SLOWEST_S: Final = 2.0
"""Period of the slowest sensor with which figures are made, s."""
TREMBLE: Final = 1.1
"""Times that period at which a sensor is refused."""
CLOCK_STEP_S: Final = 0.5
MEMORY: Final = 50
"""Intervals over which period and jitter are averaged (exponentially)."""
LONGEST_INTERVAL_S: Final = 10.0
OUTAGE_INTERVALS: Final = 10.0
MOST_OUTAGES: Final = 3
"""Long intervals in a row, after which they count: the sensor has become slow."""
SURE_AFTER: Final = 3
"""Intervals from which a period is more than a guess."""
SLOWED, SLOWED_FOR = 1.6, 5
"""So many intervals in a row, each so many times as long as the mean: the sensor has become slower. Of random
losses of half the readings 3 % are as long as that, and five in a row none in ten million."""

Order = Literal["next", "behind", "clock stepped"]


class SilenceDescription(Protocol):
    """What is read of a sensor's description; an empty type where nobody has described it."""

    @property
    def stale_after_s(self) -> float | None: ...
    @property
    def type(self) -> str: ...


class Presence:
    """When a sensor was heard, how often it speaks, and whether it is silent. Times are arguments, s.

    Args:
        stale_after_s: silence after which it counts as silent; None: by the rule above.

    Attributes:
        last: when it was heard last, None before the first time. last_used: when something of it could be
            used.
    """

    __slots__ = (
        "_count",
        "_given",
        "_longer",
        "_outages",
        "_spoke_s",
        "_variance",
        "last",
        "last_used",
        "period_s",
        "refused",
        "stale_after_s",
    )

    def __init__(self, stale_after_s: float | None = None) -> None:
        self._given = stale_after_s
        self.stale_after_s = STALE_S if stale_after_s is None else stale_after_s
        """Silence after which it counts as silent, s."""
        self.last: float | None = None
        self.last_used: float | None = None
        self.refused: str | None = None
        """Why the last readings were not used, in a few words, as whoever judges them told."""
        self.period_s: float | None = None
        """Mean interval, None before the second reading."""
        self._count = self._outages = self._longer = 0
        self._variance = 0.0
        self._spoke_s = 0.0
        """Sum of the usual intervals since the last long one."""

    @classmethod
    def of(cls, description: SilenceDescription) -> Presence:
        """The presence of a sensor as its description has it."""
        given = description.stale_after_s
        if given is None and description.type == "beam":
            given = math.inf
        return cls(given)

    def describe(self, description: SilenceDescription) -> None:
        """Go on with a changed description; what was learnt stays."""
        self._given = Presence.of(description)._given
        self._set_limit()

    def order(self, t: float) -> Order:
        """Where `t` stands to what was heard last."""
        if self.last is None or t >= self.last:
            return "next"
        return "behind" if self.last - t <= CLOCK_STEP_S else "clock stepped"

    def heard(self, t: float) -> float | None:
        """Take notice of something at `t`; the interval since the last time, None where there is none."""
        last, self.last = self.last, t
        if last is None:
            return None
        dt = t - last
        if 0.0 <= dt <= LONGEST_INTERVAL_S:
            self._learn(dt)
        elif dt < 0.0:
            self.last_used = None
        return dt

    def used(self, t: float) -> None:
        """Take notice that what was heard at `t` could be used."""
        self.last_used = t

    def clock_stepped(self) -> None:
        """The clock went back: whatever was heard lies on another scale. The period stays."""
        self.last = self.last_used = None

    def silent(self, t: float) -> bool:
        """Whether nothing has been heard for too long at `t`."""
        return self.last is None or t - self.last > self.stale_after_s

    def unusable(self, t: float) -> bool:
        """Whether nothing that could be used has come for too long at `t`; so with all that is silent."""
        return self.last_used is None or t - self.last_used > self.stale_after_s

    def missing(self, t: float) -> str | None:
        """Why the sensor cannot be relied on at `t`, in words that follow its name; None if it can."""
        if self.last is None:
            return "not heard yet"
        if t - self.last > self.stale_after_s:
            age = t - self.last
            return f"silent for {age:.1f} s" if age < 60.0 else "silent"
        if self.too_slow:
            return self.slowness
        if self.unusable(t):
            return "tells nothing that can be used" + (f": {self.refused}" if self.refused else "")
        return None

    def overdue(self, t: float) -> bool:
        """Whether its next usable reading is late at `t`, though its silence may not have begun yet."""
        return self.last_used is None or t - self.last_used > self.overdue_s

    def fine(self, t: float) -> bool:
        """Whether `missing(t)` would find nothing; asked at every tick, so it looks only at what decides."""
        return self.last_used is not None and t - self.last_used <= self.stale_after_s and not self.too_slow

    @property
    def too_slow(self) -> bool:
        """Whether it speaks too seldom for figures; never so for one that may be silent."""
        period = self.period_s
        return (
            period is not None
            and self.stale_after_s < math.inf
            and period > TREMBLE * SLOWEST_S
            and self._count >= SURE_AFTER
        )

    @property
    def slowness(self) -> str:
        """What is wrong with a sensor that is too slow."""
        return f"speaks only every {self.period_s or 0.0:.1f} s, and at least every {SLOWEST_S:g} s is needed"

    @property
    def overdue_s(self) -> float:
        """Age at which the next reading is late, though silence may not have begun: 2.5 periods, s."""
        period = self.period_s
        return STALE_S if period is None else min(STALE_PERIODS * period, STALE_S)

    @property
    def rate_hz(self) -> float | None:
        """Readings a second, None before it can be known."""
        period = self.period_s
        return 1.0 / period if period and self._count >= SURE_AFTER else None

    @property
    def jitter_s(self) -> float | None:
        """Standard deviation of the interval, s."""
        return math.sqrt(self._variance) if self._count >= SURE_AFTER else None

    def _learn(self, dt: float) -> None:
        mean = self.period_s or 0.0
        if dt > OUTAGE_INTERVALS * mean and self._count >= 10:
            if self._spoke_s >= min(dt / OUTAGE_INTERVALS, STALE_S):
                self._outages += 1
                if self._outages <= MOST_OUTAGES:
                    return
                self._count, self._variance = 0, 0.0
            self._outages, self._spoke_s = 0, 0.0
        elif self._outages:
            self._outages, self._spoke_s = 0, dt
        else:
            self._spoke_s += dt
        self._longer = self._longer + 1 if dt > SLOWED * mean and self._count >= SURE_AFTER else 0
        if self._longer >= SLOWED_FOR:
            self._count = self._longer = 0
            self._variance = 0.0
        if self._count < MEMORY:
            self._count += 1
        k = 1.0 / self._count
        away = dt - mean
        self.period_s = mean + k * away
        self._variance = (1.0 - k) * (self._variance + k * away * away)
        if self._given is None:
            self._set_limit()

    def _set_limit(self) -> None:
        if self._given is not None:
            self.stale_after_s = self._given
            return
        period = self.period_s or 0.0
        if period > TREMBLE * SLOWEST_S and self._count < SURE_AFTER:
            period = 0.0  # one long interval or two: a sensor that was away, or one that will be refused
        patience = STALE_PERIODS * (period if period < SLOWEST_S else SLOWEST_S)
        self.stale_after_s = patience if patience > STALE_S else STALE_S
