"""The units that a report is written in: metres and millimetres, or decimal feet and inches."""

from __future__ import annotations

import math
from dataclasses import dataclass

FOOT_M = 0.3048
"""International foot, exact by definition."""


@dataclass(frozen=True, slots=True)
class Units:
    """Lengths as they are written: large ones (elevation, reach) and small ones (deviation, sigma).

    Attributes:
        long, short: names of the units. per_long, per_short: metres in one of each.
        long_places, short_places: decimals.
        bin_m: width of the histogram's columns, m.
        comma: whether decimals are written with a comma.
    """

    long: str
    per_long: float
    long_places: int
    short: str
    per_short: float
    short_places: int
    bin_m: float
    comma: bool = False

    def large(self, metres: float | None, *, unit: bool = True) -> str:
        """Such as "23.150 m"; a dash for what is not known."""
        return self._text(metres, self.per_long, self.long_places, self.long if unit else "", sign=False)

    def small(self, metres: float | None, *, unit: bool = True, sign: bool = False) -> str:
        """Such as "+12 mm"; a dash for what is not known."""
        return self._text(metres, self.per_short, self.short_places, self.short if unit else "", sign=sign)

    def _text(self, metres: float | None, per: float, places: int, unit: str, *, sign: bool) -> str:
        if metres is None or math.isnan(metres):
            return "–"
        text = f"{metres / per:{'+' if sign else ''}.{places}f}"
        if float(text) == 0:
            text = text.lstrip("+-")
        text = text.replace("-", "−")
        return (text.replace(".", ",") if self.comma else text) + (f" {unit}" if unit else "")


METRIC = Units("m", 1.0, 3, "mm", 0.001, 0, 0.005)
FEET = Units("ft", FOOT_M, 2, "in", FOOT_M / 12, 2, FOOT_M / 12 / 4)
UNITS = {"m": METRIC, "ft": FEET}
