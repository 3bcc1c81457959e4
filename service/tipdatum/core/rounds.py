"""When every sensor that speaks has spoken: the moment for a figure that waits for no tick.

Pure; time is the readings' own, so a recorded session gives the same moments as the day it was recorded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from tipdatum_drivers.presence import Presence

CLEARLY_LONGER = 1.5
"""Times the pause before the round: evenly spaced readings tremble, and their rounds stay as they are."""


@dataclass(slots=True)
class Rounds:
    """Readings since the last figure.

    Sensors often speak in a burst. A round that began in the middle of one would end in the middle of the
    next and wait for it needlessly; so what came after the longest pause counts for the next round already.

    Attributes:
        presences: by sensor; one that is silent, or tells nothing that can be used, is not waited for.
    """

    presences: Mapping[str, Presence]
    _known: set[str] = field(default_factory=set, init=False)
    _since: list[tuple[float, str]] = field(default_factory=list, init=False)
    _spoken: set[str] = field(default_factory=set, init=False)
    _before: float = field(default=float("-inf"), init=False)

    def heard(self, sensor: str, t: float) -> bool:
        """Take in a reading at `t`, s. True when it completes a round."""
        self._known.add(sensor)
        self._since.append((t, sensor))
        self._spoken.add(sensor)
        if any(self.presences[name].fine(t) for name in self._known - self._spoken):
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
