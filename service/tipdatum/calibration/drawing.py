"""Charts of a calibration: lines with their names, in the hand that all reports share (`tipdatum.svg`)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tipdatum.kinematics.frames import Array
from tipdatum.svg import Chart, document

STYLES: tuple[tuple[str, str], ...] = (
    ("#00508c", ""),
    ("#a83200", "7 3"),
    ("#4c7f2b", "2 3"),
    ("#5b3a86", "9 3 2 3"),
    ("#8a6d00", "12 3"),
    ("#b0264f", "4 2"),
)
"""Colour and dashes of the first, second, … line: apart in print as well."""

RAMP = ((247, 251, 240), (186, 222, 190), (107, 182, 177), (41, 124, 154), (18, 62, 108))
"""Map colours from small to large: one hue direction, always darker."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a chart; `dots` draws points only."""

    label: str
    x: Sequence[float]
    y: Sequence[float]
    dots: bool = False
    dashed: bool = False


def chart(
    lines: Sequence[Line],
    title: str,
    x_label: str,
    y_label: str,
    log: bool = False,
    band: tuple[float, float] | None = None,
) -> str:
    """Lines over common axes as the text of an SVG file.

    Args:
        band: y range to hatch, such as a tolerance.
    """
    xs = [v for line in lines for v in line.x]
    ys = [v for line in lines for v in line.y if math.isfinite(v)] + list(band or ())
    drawn = Chart(title, _ends(xs, log), _ends(ys, log), x_label, y_label, width=860, height=440, log=log)
    if band is not None:
        ends = np.array(drawn.x)
        drawn.band(ends, np.full(2, band[0]), np.full(2, band[1]), "url(#rise)", 0.6)
    for i, line in enumerate(lines):
        colour, dashes = STYLES[i % len(STYLES)]
        x, y = np.asarray(line.x, dtype=float), np.asarray(line.y, dtype=float)
        if line.dots:
            drawn.dots(x, y, colour, line.label)
        else:
            drawn.line(x, y, colour, "6 5" if line.dashed else dashes, 2.0, line.label)
    return document(drawn.svg(), title)


def ramp(share: float) -> str:
    """Colour for 0 (small) to 1 (large)."""
    at = min(max(share, 0.0), 1.0) * (len(RAMP) - 1)
    i = min(int(at), len(RAMP) - 2)
    mixed = [round(a + (b - a) * (at - i)) for a, b in zip(RAMP[i], RAMP[i + 1], strict=True)]
    return f"rgb({mixed[0]},{mixed[1]},{mixed[2]})"


def nice_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, not below `rough`."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next((k * power for k in (1.0, 2.0, 5.0) if k * power >= rough * 0.999), 10.0 * power)


def _ends(values: Sequence[float], log: bool) -> tuple[float, float]:
    a: Array = np.array([v for v in values if math.isfinite(v)], dtype=float)
    low, high = float(a.min()), float(a.max())
    if log:
        return 10.0 ** math.floor(math.log10(low)), 10.0 ** math.ceil(math.log10(high) + 1e-9)
    room = 0.06 * (high - low) or 1.0
    return low - room, high + room
