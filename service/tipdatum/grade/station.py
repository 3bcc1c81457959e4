"""Where along the line the tip is.

The line of a graded target passes through the slew axis (the machine straddles it, the boom points along
it). Without a slew sensor it is taken to follow the boom plane: swing away, and the line swings along. With
one it stays where it was laid out.
"""

from __future__ import annotations

import math

from tipdatum.grade.document import Document


class Line(Document):
    """The line in the present set-up.

    Attributes:
        zero_m: station of the slew axis, m: station = distance along the line + `zero_m`.
        azimuth_rad: the slew sensor's angle at which the boom lies along the line; None without a sensor.
        lost: why the station is not known any more, None while it is.
    """

    zero_m: float
    azimuth_rad: float | None = None
    lost: str | None = None

    def place(self, reach: float, lateral: float, slew: float) -> tuple[float, float]:
        """Station and offset to the left, m, of a point at `reach` and `lateral` with the boom at `slew`."""
        along, left = plan(reach, lateral, 0.0 if self.azimuth_rad is None else slew - self.azimuth_rad)
        return along + self.zero_m, left

    def turn(self, slew: float) -> float:
        """How far the boom plane is turned from the line, rad, positive left."""
        return 0.0 if self.azimuth_rad is None else slew - self.azimuth_rad


def plan(reach: float, lateral: float, turn: float) -> tuple[float, float]:
    """A point in the boom plane's axes seen in axes from which the boom plane is turned by `turn` rad."""
    cos, sin = math.cos(turn), math.sin(turn)
    return reach * cos - lateral * sin, reach * sin + lateral * cos


def line_through(
    reach: float, lateral: float, slew: float, along: float | None, station_m: float = 0.0
) -> Line:
    """The line on which that point has station `station_m`.

    Args:
        reach, lateral, slew: where the point was touched, m and rad.
        along: the slew sensor's angle along which the line runs; None without a sensor.
    """
    there, _ = plan(reach, lateral, 0.0 if along is None else slew - along)
    return Line(zero_m=station_m - there, azimuth_rad=along)
