"""Drawing in SVG: a chart with two axes and a few kinds of marks, in one hand for all reports.

Lines differ by their dashes as well as by colour, fills by their hatch, so that a report can be printed in
black and white and read by people who do not tell the colours apart.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

INK, QUIET, FAINT, PAPER = "#15201d", "#4a554f", "#dcd9ca", "#fbfaf4"
LINES: tuple[tuple[str, str], ...] = (
    ("#a83200", ""),
    ("#00508c", "7 3"),
    ("#5b3a86", "2 3"),
    ("#15201d", "9 3 2 3"),
)
"""Colour and dashes of the first, second, … run."""
MOST_POINTS = 1600
"""Points of a drawn line: about two for each dot of a printer across the page."""

DEFS = (
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>'
    '<pattern id="rise" width="6" height="6" patternUnits="userSpaceOnUse">'
    '<path d="M-1 7L7 -1M-1 1L1 -1M5 7L7 5" stroke="#00508c" stroke-width="0.8"/></pattern>'
    '<pattern id="fall" width="6" height="6" patternUnits="userSpaceOnUse">'
    '<path d="M-1 -1L7 7M-1 5L1 7M5 -1L7 1" stroke="#15201d" stroke-width="0.8"/></pattern>'
    '<pattern id="dots" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<circle cx="2" cy="2" r="0.9" fill="#15201d"/></pattern>'
    "</defs></svg>"
)
"""Hatches that every chart of the page may use."""


def ticks(low: float, high: float, most: int = 8) -> list[float]:
    """Round values from low to high, at most about `most` of them."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return []
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def tick_text(value: float, step: float, *, comma: bool = False) -> str:
    """As few decimals as the step needs, with a true minus sign."""
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    text = f"{value:.{places}f}"
    text = text.replace("-", "−") if float(text) != 0 else text.lstrip("-")
    return text.replace(".", ",") if comma else text


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """At most `MOST_POINTS` points that keep every extreme: the least and the greatest of each stretch."""
    if len(x) <= MOST_POINTS:
        return x, y
    kept: list[int] = []
    for part in np.array_split(np.arange(len(x)), MOST_POINTS // 2):
        values = y[part]
        if np.isnan(values).all():
            kept.append(int(part[0]))
            continue
        kept.extend(sorted({int(part[np.nanargmin(values)]), int(part[np.nanargmax(values)])}))
        if np.isnan(values).any():
            kept.append(int(part[np.argmax(np.isnan(values))]))
    order = np.array(sorted(set(kept)))
    return x[order], y[order]


@dataclass(slots=True)
class Chart:
    """A drawing with axes; `x` and `y` are (low, high) in the data's unit.

    Attributes:
        title: read aloud for the drawing as a whole. x_label, y_label: with units.
        width, height: of the whole drawing in SVG units (a page is 720 wide).
        true_scale: widen one axis until a unit is as long on both.
        comma: whether decimals are written with a comma.
        log: both axes logarithmic, with a grid line at each power of ten.
        left, right, bottom: margins; what is drawn beside the plot goes to `outside`.
    """

    title: str
    x: tuple[float, float]
    y: tuple[float, float]
    x_label: str
    y_label: str
    width: float = 720
    height: float = 240
    true_scale: bool = False
    comma: bool = False
    log: bool = False
    left: float = 58
    right: float = 8
    bottom: float = 40
    outside: list[str] = field(default_factory=list)
    _marks: list[str] = field(default_factory=list)
    _legend: list[tuple[str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.true_scale:
            return
        across = (self.x[1] - self.x[0]) / (self.width - self.left - self.right)
        up = (self.y[1] - self.y[0]) / (self.height - self.bottom - 22)
        unit = max(across, up)
        self.x = _widened(self.x, unit * (self.width - self.left - self.right))
        self.y = _widened(self.y, unit * (self.height - self.bottom - 22))

    def px(self, x: float) -> float:
        """Horizontal place of a value."""
        return self.left + self._share(x, self.x) * (self.width - self.left - self.right)

    def py(self, y: float) -> float:
        """Vertical place of a value."""
        foot = self.height - self.bottom
        return foot - self._share(y, self.y) * (foot - 22)

    def _share(self, value: float, ends: tuple[float, float]) -> float:
        if self.log:
            return math.log10(value / ends[0]) / math.log10(ends[1] / ends[0])
        return (value - ends[0]) / (ends[1] - ends[0])

    def _ticks(self, ends: tuple[float, float], most: int) -> list[tuple[float, str]]:
        """Values on an axis and how they are written."""
        if self.log:
            low, high = math.ceil(math.log10(ends[0]) - 1e-9), math.floor(math.log10(ends[1]) + 1e-9)
            return [(10.0**k, f"{10.0**k:.6g}") for k in range(low, high + 1)]
        found = ticks(*ends, most=most)
        step = found[1] - found[0] if len(found) > 1 else 1
        return [(value, tick_text(value, step, comma=self.comma)) for value in found]

    def mark(self, element: str) -> None:
        """Any SVG element inside the plot, at places of `px` and `py`."""
        self._marks.append(element)

    def dots(self, x: Floats, y: Floats, colour: str, name: str = "") -> None:
        """Points without a line."""
        for a, b in zip(x.tolist(), y.tolist(), strict=True):
            if math.isfinite(b):
                self._marks.append(
                    f'<circle cx="{self.px(a):.1f}" cy="{self.py(b):.1f}" r="4" fill="{colour}"/>'
                )
        if name:
            self._legend.append((name, f'<circle cx="15" r="4" fill="{colour}"/>'))

    def line(
        self, x: Floats, y: Floats, colour: str = INK, dashes: str = "", weight: float = 1.6, name: str = ""
    ) -> None:
        """A line that breaks where `y` is NaN."""
        x, y = thinned(x, y)
        path, pen = [], False
        for a, b in zip(x.tolist(), y.tolist(), strict=True):
            if math.isnan(b):
                pen = False
                continue
            path.append(f"{'L' if pen else 'M'}{self.px(a):.1f} {self.py(b):.1f}")
            pen = True
        style = f'fill="none" stroke="{colour}" stroke-width="{weight}"' + (
            f' stroke-dasharray="{dashes}"' if dashes else ""
        )
        self._marks.append(f'<path d="{"".join(path)}" {style} stroke-linejoin="round"/>')
        if name:
            self._legend.append((name, f'<path d="M0 0H30" {style}/>'))

    def band(
        self, x: Floats, low: Floats, high: Floats, fill: str, opacity: float = 1, name: str = ""
    ) -> None:
        """The area between two lines; it breaks where either is NaN."""
        keep = np.linspace(0, max(0, len(x) - 1), min(len(x), MOST_POINTS // 2)).astype(int)
        x, low, high = x[keep], low[keep], high[keep]
        known = np.isfinite(low) & np.isfinite(high)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]])))
        style = f'fill="{fill}" fill-opacity="{opacity}"'
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            there = [
                f"{self.px(a):.1f} {self.py(b):.1f}"
                for a, b in zip(x[begin:end], high[begin:end], strict=True)
            ]
            back = [
                f"{self.px(a):.1f} {self.py(b):.1f}"
                for a, b in zip(x[begin:end], low[begin:end], strict=True)
            ]
            self._marks.append(f'<path d="M{"L".join(there + back[::-1])}Z" {style}/>')
        if name:
            self._legend.append((name, f'<rect y="-5" width="30" height="10" {style}/>'))

    def bars(self, edges: Floats, heights: Floats, colour: str, dashes: str = "", name: str = "") -> None:
        """The outline of a histogram."""
        x = np.repeat(edges, 2)
        y = np.concatenate([[0.0], np.repeat(heights, 2), [0.0]])
        self.line(x, y, colour, dashes, 1.8, name)

    def rule(
        self, value: float, *, vertical: bool, colour: str = INK, dashes: str = "", text: str = ""
    ) -> None:
        """A straight line across the drawing, with a word on it."""
        low, high = self.y if vertical else self.x
        ends = [(value, low), (value, high)] if vertical else [(low, value), (high, value)]
        (x1, y1), (x2, y2) = [(self.px(a), self.py(b)) for a, b in ends]
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        self._marks.append(
            f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}" stroke-width="1.1"{dash}/>'
        )
        if text:
            place = (x1 + 3, self.py(high) + 11) if vertical else (x1 + 4, y1 - 4)
            self.words(text, *place, colour)

    def words(self, text: str, x: float, y: float, colour: str = INK, anchor: str = "start") -> None:
        """Text at a place of the drawing, with paper around it."""
        self._marks.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}" class="halo">'
            f"{escape(text)}</text>"
        )

    def cross(self, x: float, y: float, text: str) -> None:
        """A measured point with its name."""
        a, b = self.px(x), self.py(y)
        self._marks.append(
            f'<path d="M{a - 4:.1f} {b - 4:.1f}l8 8m0 -8l-8 8" stroke="{INK}" stroke-width="1.4"/>'
        )
        if text:
            self.words(text, a + 6, b - 5)

    def strip(self, row: float, stretches: Iterable[tuple[float, float, str]], height: float = 0.6) -> None:
        """Stretches of time on one row, each filled with `fill`."""
        for begin, end, fill in stretches:
            x, width = self.px(begin), max(0.8, self.px(end) - self.px(begin))
            top, foot = self.py(row + height / 2), self.py(row - height / 2)
            self._marks.append(
                f'<rect x="{x:.1f}" y="{top:.1f}" width="{width:.1f}" height="{foot - top:.1f}" '
                f'fill="{fill}" stroke="{INK}" stroke-width="0.5"/>'
            )

    def note(self, name: str, fill: str) -> None:
        """An entry of the legend for a fill."""
        swatch = f'<rect y="-5" width="30" height="10" fill="{fill}" stroke="{INK}" stroke-width="0.5"/>'
        self._legend.append((name, swatch))

    def svg(self, row_names: Sequence[str] = ()) -> str:
        """The finished drawing. `row_names` stand at rows 0, 1, … in place of figures on that axis."""
        right, foot = self.width - self.right, self.height - self.bottom
        grid, labels = [], []
        for value, text in self._ticks(self.x, 9):
            x = self.px(value)
            grid.append(f"M{x:.1f} 22V{foot:.1f}")
            labels.append(_label(x, foot + 15, text, "middle"))
        if row_names:
            labels += [_label(self.left - 6, self.py(i) + 4, name, "end") for i, name in enumerate(row_names)]
        else:
            for value, text in self._ticks(self.y, 6):
                y = self.py(value)
                grid.append(f"M{self.left} {y:.1f}H{right}")
                labels.append(_label(self.left - 6, y + 4, text, "end"))
        key, at = [], self.left + (6.6 * len(self.y_label) - 30 if self.y_label else 0)
        for name, swatch in self._legend:
            key.append(
                f'<g transform="translate({at:.0f} 10)">{swatch}<text x="36" y="4">{escape(name)}</text></g>'
            )
            at += 56 + 6.2 * len(name)
        return (
            f'<svg viewBox="0 0 {self.width:g} {self.height:g}" role="img" aria-label="{escape(self.title)}">'
            f'<path d="{"".join(grid)}" stroke="{FAINT}" fill="none"/>'
            f'<svg x="{self.left}" y="22" width="{right - self.left}" height="{foot - 22:.1f}" '
            f'viewBox="{self.left} 22 {right - self.left} {foot - 22:.1f}">{"".join(self._marks)}</svg>'
            f'<path d="M{self.left} 22H{right}V{foot}H{self.left}Z" fill="none" stroke="{INK}"/>'
            f"{''.join(labels)}{''.join(key)}{''.join(self.outside)}"
            f'<text x="0" y="14" class="quiet">{escape(self.y_label)}</text>'
            f'<text x="{right}" y="{self.height - 6:.0f}" text-anchor="end" class="quiet">'
            f"{escape(self.x_label)}</text></svg>"
        )


def document(drawing: str, title: str) -> str:
    """A drawing of `Chart.svg` as a file of its own, with its title over it."""
    width, height = (float(v) for v in re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing)[0])
    sized = drawing.replace("<svg ", f'<svg width="{width:g}" height="{height:g}" ', 1)
    halo = f".halo {{ paint-order: stroke; stroke: {PAPER}; stroke-width: 3px; }}"
    across, tall = width + 28, height + 44
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-14 -36 {across:g} {tall:g}" '
        f'width="{across:g}" height="{tall:g}" font-family="system-ui, sans-serif" font-size="12" '
        f'fill="{INK}"><style>.quiet {{ fill: {QUIET}; }} {halo}</style>'
        f'<rect x="-14" y="-36" width="100%" height="100%" fill="{PAPER}"/>{DEFS}'
        f'<text y="-14" font-size="16" font-weight="650">{escape(title)}</text>{sized}</svg>\n'
    )


def box(x: float, y: float, width: float, height: float, fill: str, round_px: int = 0) -> str:
    """A filled rectangle."""
    corners = f' rx="{round_px}"' if round_px else ""
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"{corners} fill="{fill}"/>'


def text_at(
    x: float,
    y: float,
    text: str,
    anchor: str = "start",
    size: int = 12,
    *,
    bold: bool = False,
    colour: str = INK,
) -> str:
    """A text of any size."""
    weight = ' font-weight="650"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{weight} fill="{colour}">'
        f"{escape(text)}</text>"
    )


def _label(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="quiet">{escape(text)}</text>'


def _widened(span: tuple[float, float], length: float) -> tuple[float, float]:
    middle = (span[0] + span[1]) / 2
    half = max(length, span[1] - span[0]) / 2
    return middle - half, middle + half
