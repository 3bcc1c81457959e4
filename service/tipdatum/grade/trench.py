"""The trench at hand: the ground beside it, its depth, and which cautions were shown for it."""

from __future__ import annotations

from pydantic import Field

from tipdatum.grade.cautions import Caution, Jurisdiction, Shown, Soil
from tipdatum.grade.document import Document


class Trench(Document):
    """What was told of the present trench; a new trench or a new day starts anew with the cautions.

    `jurisdiction` has no default: whose figures apply is for people to say.
    """

    name: str = ""
    ground_m: float | None = Field(default=None, description="elevation of the ground beside it")
    soil: Soil | None = None
    jurisdiction: Jurisdiction | None = None
    deepest_m: float | None = Field(default=None, description="largest depth reached")
    day: str = ""
    shown: list[Shown] = Field(default_factory=list)

    def depth(self, elevation_m: float) -> float | None:
        """Depth of an elevation below the ground, m; None without the ground's."""
        return None if self.ground_m is None else self.ground_m - elevation_m

    def news(self, cautions: list[Caution], time: str) -> list[Shown]:
        """Those of `cautions` not yet shown for this trench today; they count as shown from now on."""
        known = {s.name for s in self.shown}
        fresh = [
            Shown(name=c.name, text=c.text, source=c.source, time=time)
            for c in cautions
            if c.name not in known
        ]
        self.shown.extend(fresh)
        return fresh

    def dawn(self, day: str) -> bool:
        """A new day has begun: cautions are shown anew. Returns whether it has."""
        if not day or day == self.day:
            return False
        first, self.day = not self.day, day
        self.shown.clear()
        return not first
