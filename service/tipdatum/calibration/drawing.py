"""Charts and maps as SVG text, for a browser or a report; no library needed for so little."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from tipdatum.kinematics.frames import Array

INK, FAINT, PAPER = "#1c2b33", "#c9d3d8", "#ffffff"
COLOURS = ("#00648c", "#c4561a", "#4c7f2b", "#7b4d9e", "#8a6d00", "#b0264f")
"""Lines of a chart, apart in lightness as well as in hue."""

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


class Frame:
    """A plot area with linear or logarithmic axes."""

    def __init__(
        self,
        x: tuple[float, float],
        y: tuple[float, float],
        width: int,
        height: int,
        log: bool = False,
        margin: tuple[int, int, int, int] = (56, 24, 64, 76),
    ) -> None:
        self.width, self.height, self.log = width, height, log
        self.top, self.right, self.bottom, self.left = margin
        self.x, self.y = x, y
        self.parts: list[str] = []

    def px(self, x: float) -> float:
        """Horizontal place in pixels."""
        return self.left + self._share(x, self.x) * (self.width - self.left - self.right)

    def py(self, y: float) -> float:
        """Vertical place in pixels."""
        return self.height - self.bottom - self._share(y, self.y) * (self.height - self.top - self.bottom)

    def _share(self, v: float, ends: tuple[float, float]) -> float:
        if self.log:
            return (math.log10(v) - math.log10(ends[0])) / (math.log10(ends[1]) - math.log10(ends[0]))
        return (v - ends[0]) / (ends[1] - ends[0])

    def text(
        self,
        x: float,
        y: float,
        text: str,
        anchor: str = "start",
        size: int = 14,
        turn: int = 0,
        bold: bool = False,
        colour: str = INK,
    ) -> None:
        """Text at pixels."""
        rotate = f' transform="rotate({turn} {x:.1f} {y:.1f})"' if turn else ""
        weight = ' font-weight="600"' if bold else ""
        tint = f' fill="{colour}"' if colour != INK else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{weight}{tint}{rotate}>'
            f"{escape(text)}</text>"
        )

    def axes(self, title: str, x_label: str, y_label: str, say: Callable[[float], str] | None = None) -> None:
        """Title, grid, ticks and labels."""
        say = say or number
        x0, x1, y0, y1 = self.px(self.x[0]), self.px(self.x[1]), self.py(self.y[0]), self.py(self.y[1])
        for v in self._ticks(self.x):
            self.parts.append(
                f'<path d="M{self.px(v):.1f} {y0:.1f}V{y1:.1f}" stroke="{FAINT}" stroke-width="1"/>'
            )
            self.text(self.px(v), y0 + 20, say(v), "middle", 13)
        for v in self._ticks(self.y):
            self.parts.append(
                f'<path d="M{x0:.1f} {self.py(v):.1f}H{x1:.1f}" stroke="{FAINT}" stroke-width="1"/>'
            )
            self.text(x0 - 8, self.py(v) + 4, say(v), "end", 13)
        self.parts.append(
            f'<path d="M{x0:.1f} {y1:.1f}V{y0:.1f}H{x1:.1f}" fill="none" stroke="{INK}" stroke-width="1.5"/>'
        )
        self.text(self.left, 30, title, size=17, bold=True)
        self.text((x0 + x1) / 2, self.height - 18, x_label, "middle")
        self.text(20, (y0 + y1) / 2, y_label, "middle", turn=-90)

    def _ticks(self, ends: tuple[float, float]) -> list[float]:
        if self.log:
            low, high = math.ceil(math.log10(ends[0]) - 1e-9), math.floor(math.log10(ends[1]) + 1e-9)
            return [10.0**k for k in range(low, high + 1)]
        step = nice_step((ends[1] - ends[0]) / 7.0)
        first = math.ceil(ends[0] / step - 1e-9)
        last = math.floor(ends[1] / step + 1e-9)
        return [k * step for k in range(first, last + 1)]

    def line(self, line: Line, colour: str) -> None:
        """A line or dots."""
        points = [(self.px(a), self.py(b)) for a, b in zip(line.x, line.y, strict=True) if math.isfinite(b)]
        if line.dots:
            self.parts += [f'<circle cx="{a:.1f}" cy="{b:.1f}" r="4" fill="{colour}"/>' for a, b in points]
            return
        path = "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in points)
        dash = ' stroke-dasharray="6 5"' if line.dashed else ""
        self.parts.append(f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="2.2"{dash}/>')

    def svg(self) -> str:
        """The whole picture."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" '
            f'width="{self.width}" height="{self.height}" font-family="system-ui, sans-serif" fill="{INK}">'
            f'<rect width="100%" height="100%" fill="{PAPER}"/>' + "".join(self.parts) + "</svg>\n"
        )


def chart(
    lines: Sequence[Line],
    title: str,
    x_label: str,
    y_label: str,
    log: bool = False,
    band: tuple[float, float] | None = None,
) -> str:
    """Lines over common axes, with their labels at the right.

    Args:
        band: y range to shade, such as a tolerance.
    """
    xs = [v for line in lines for v in line.x]
    ys = [v for line in lines for v in line.y if math.isfinite(v)] + list(band or ())
    frame = Frame(_ends(xs, log), _ends(ys, log), 860, 460, log, (56, 190, 64, 84))
    if band is not None:
        top, bottom = frame.py(band[1]), frame.py(band[0])
        x0, x1 = frame.px(frame.x[0]), frame.px(frame.x[1])
        frame.parts.append(box(x0, top, x1 - x0, bottom - top, "#e3efe0"))
    frame.axes(title, x_label, y_label)
    for i, line in enumerate(lines):
        colour = COLOURS[i % len(COLOURS)]
        frame.line(line, colour)
        y = 70 + 24 * i
        frame.parts.append(
            f'<rect x="{frame.width - 176}" y="{y - 10}" width="14" height="10" fill="{colour}"/>'
        )
        frame.text(frame.width - 156, y, line.label, size=13)
    return frame.svg()


def box(x: float, y: float, width: float, height: float, fill: str, round_px: int = 0) -> str:
    """A filled rectangle, pixels."""
    corners = f' rx="{round_px}"' if round_px else ""
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"{corners} fill="{fill}"/>'


def number(v: float) -> str:
    """A tick's number, short."""
    if v != 0 and (abs(v) < 1e-3 or abs(v) >= 1e5):
        mantissa, exponent = f"{v:.0e}".split("e")
        return ("" if mantissa == "1" else mantissa + "·") + "10" + str(int(exponent)).translate(_RAISED)
    return f"{v:.10g}"


_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def ramp(share: float) -> str:
    """Colour for 0 (small) to 1 (large)."""
    at = min(max(share, 0.0), 1.0) * (len(RAMP) - 1)
    i = min(int(at), len(RAMP) - 2)
    mixed = [round(a + (b - a) * (at - i)) for a, b in zip(RAMP[i], RAMP[i + 1], strict=True)]
    return f"rgb({mixed[0]},{mixed[1]},{mixed[2]})"


def nice_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, not below `rough`."""
    power = 10.0 ** math.floor(math.log10(rough))
    for k in (1.0, 2.0, 5.0, 10.0):
        if k * power >= rough * 0.999:
            return k * power
    return 10.0 * power


def _ends(values: Sequence[float], log: bool) -> tuple[float, float]:
    a: Array = np.array([v for v in values if math.isfinite(v)], dtype=float)
    low, high = float(a.min()), float(a.max())
    if log:
        return 10.0 ** math.floor(math.log10(low)), 10.0 ** math.ceil(math.log10(high) + 1e-9)
    room = 0.06 * (high - low) or 1.0
    return low - room, high + room
