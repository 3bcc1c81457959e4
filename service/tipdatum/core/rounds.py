"""When every sensor that speaks has spoken: the moment for a figure that waits for no tick.

Pure; time is the readings' own, so a recorded session gives the same moments as the day it was recorded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

SILENT_AFTER_S = 0.25
"""A sensor silent for longer is not waited for; ten readings of one that speaks at 40 Hz."""

CLEARLY_LONGER = 1.5
"""Times the pause before the round: evenly spaced readings tremble, and their rounds stay as they are."""


@dataclass(slots=True)
class Rounds:
    """Readings since the last figure.

    Sensors often speak in a burst. A round that began in the middle of one would end in the middle of the
    next and wait for it needlessly; so what came after the longest pause counts for the next round already.
    """

    _last: dict[str, float] = field(default_factory=dict, init=False)
    _since: list[tuple[float, str]] = field(default_factory=list, init=False)
    _spoken: set[str] = field(default_factory=set, init=False)
    _before: float = field(default=float("-inf"), init=False)

    def heard(self, sensor: str, t: float) -> bool:
        """Take in a reading at `t`, s. True when it completes a round."""
        self._last[sensor] = t
        self._since.append((t, sensor))
        self._spoken.add(sensor)
        for name, last in self._last.items():
            if name not in self._spoken and t - last <= SILENT_AFTER_S:
                return False
        times = [self._before, *(when for when, _ in self._since)]
        pauses = [after - before for before, after in pairwise(times)]
        longest = pauses.index(max(pauses))
        if pauses[longest] > CLEARLY_LONGER * pauses[0]:
            self._before, self._since = times[longest], self._since[longest:]
        else:
            self._before, self._since = t, []
        self._spoken = {name for _, name in self._since}
        return True
