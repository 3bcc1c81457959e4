"""From a pipe to the level that is dug: invert, wall, bedding, over-dig.

    trench bottom = invert - wall thickness - bedding - over-dig

The fall follows from the inverts at two manholes and the length between them; the invert at a station is the
one at the start plus fall times distance. Worked example in the tests: NAVEDTRA 14070, pipe stake-out.
"""

from __future__ import annotations

from tipdatum.grade.document import Document


class Pipe(Document):
    """A pipe to be laid; elevations and thicknesses in m, `grade` rising away from the machine."""

    invert_m: float
    grade: float
    wall_m: float = 0.0
    bedding_m: float = 0.0
    overdig_m: float = 0.0

    @property
    def below_invert_m(self) -> float:
        """How far the trench bottom lies below the invert."""
        return self.wall_m + self.bedding_m + self.overdig_m

    def invert_at(self, distance_m: float) -> float:
        """Invert at a distance from the start."""
        return self.invert_m + self.grade * distance_m

    def bottom_at(self, distance_m: float) -> float:
        """Level to dig to at a distance from the start."""
        return self.invert_at(distance_m) - self.below_invert_m


def grade_between(start_m: float, end_m: float, length_m: float) -> float:
    """Rise over run between two inverts `length_m` apart."""
    return (end_m - start_m) / length_m
