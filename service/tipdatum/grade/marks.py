"""Marks: points on the ground that carry the height system, by name."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping

from tipdatum.errors import CommandRefused
from tipdatum.grade.document import Document
from tipdatum.grade.stillness import Touch

SAME_ELEVATION_M = 0.0005
"""Elevations that print alike, m."""

SAME_PLACE_M = 0.15
"""A mark found this near to where it was shows that the machine has not travelled, m."""


class Spotted(Document):
    """Where a mark was seen in plan, from one standing place of the machine: m, slew rad."""

    place: int
    reach_m: float
    lateral_m: float
    slew_rad: float

    def same_place(self, touch: Touch, slew_known: bool) -> bool:
        """Whether `touch` meets the mark where it was, so that the machine has not travelled.

        Without a slew sensor only the reach can tell, and a machine that turned about the mark is missed.
        """
        if not slew_known:
            return abs(touch.reach_m - self.reach_m) <= SAME_PLACE_M
        turn = touch.slew_rad - self.slew_rad
        across = 2.0 * self.reach_m * math.sin(turn / 2.0)
        return math.hypot(touch.reach_m - self.reach_m, across) <= SAME_PLACE_M


class Mark(Document):
    """A mark and its elevation in the height system.

    Attributes:
        known: given by somebody (a benchmark); False for one that was measured here (a turning point).
        sigma_m: 1-sigma of the elevation.
        station_m: where along the line it lies; None where it was not touched with the boom in line.
        spotted: where the present or an earlier set-up saw it.
    """

    elevation_m: float
    known: bool
    sigma_m: float = 0.0
    station_m: float | None = None
    spotted: Spotted | None = None
    setup_in_line: int = 0
    time: str = ""


def find_mark(marks: Mapping[str, Mark], name: str) -> Mark:
    """The mark of that name.

    Raises:
        CommandRefused: there is none; names what was probably meant.
    """
    if name in marks:
        return marks[name]
    plain = {known.lower(): known for known in marks}
    near = difflib.get_close_matches(name.lower(), plain, n=1, cutoff=0.5)
    if near:
        hint = f'did you mean "{plain[near[0]]}"?'
    else:
        hint = f"known are {', '.join(sorted(marks))}." if marks else "none has been kept yet."
    raise CommandRefused(f'There is no mark "{name}": {hint}')


def noted_otherwise(marks: Mapping[str, Mark], name: str, elevation_m: float) -> str:
    """A sentence where a mark of that name had been noted at another elevation, otherwise nothing."""
    mark = marks.get(name)
    if mark is None or abs(mark.elevation_m - elevation_m) < SAME_ELEVATION_M:
        return ""
    return f" {name} had been at {mark.elevation_m:.3f} m before."
