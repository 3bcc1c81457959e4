"""Drawing with characters: lines of braille dots, and figures that read from two metres away.

A character cell holds two by four dots, nearly square, or two half blocks one above the other.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.text import Text

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bit of a dot by row and column within its cell (Unicode block "Braille Patterns", U+2800)."""


@dataclass(frozen=True, slots=True)
class Viewport:
    """The part of the world that is shown, m; the scale is the same in both directions."""

    left: float
    right: float
    bottom: float
    top: float


class Canvas:
    """A picture of `columns` x `rows` character cells, addressed in metres.

    Where strokes of several styles share a cell, the last one gives the cell its style.
    """

    def __init__(self, columns: int, rows: int, window: Viewport) -> None:
        self.columns, self.rows = columns, rows
        self._bits = [[0] * columns for _ in range(rows)]
        self._styles = [[""] * columns for _ in range(rows)]
        wide, high = window.right - window.left, window.top - window.bottom
        self.dots_a_metre = min(columns * 2 / wide, rows * 4 / high)
        # What is left over goes to both sides alike.
        self._left = window.left - (columns * 2 / self.dots_a_metre - wide) / 2
        self._top = window.top + (rows * 4 / self.dots_a_metre - high) / 2

    def dot(self, x: float, z: float, style: str = "") -> None:
        """A dot at (x, z) m; outside the picture nothing happens."""
        self._set(
            round((x - self._left) * self.dots_a_metre), round((self._top - z) * self.dots_a_metre), style
        )

    def line(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        style: str = "",
        *,
        thick: int = 1,
        gap: int = 1,
    ) -> None:
        """A stroke from `start` to `end`, m; `thick` dots wide, every `gap`-th dot set."""
        scale = self.dots_a_metre
        x0, y0 = (start[0] - self._left) * scale, (self._top - start[1]) * scale
        x1, y1 = (end[0] - self._left) * scale, (self._top - end[1]) * scale
        steps = max(1, round(max(abs(x1 - x0), abs(y1 - y0))))
        steep = abs(y1 - y0) > abs(x1 - x0)
        for i in range(0, steps + 1, gap):
            x, y = round(x0 + (x1 - x0) * i / steps), round(y0 + (y1 - y0) * i / steps)
            for side in range(thick):
                off = side - (thick - 1) // 2
                self._set(x + (off if steep else 0), y + (0 if steep else off), style)

    def lines(self) -> list[Text]:
        """The picture, row by row."""
        found = []
        for bits, styles in zip(self._bits, self._styles, strict=True):
            text = Text()
            for value, style in zip(bits, styles, strict=True):
                text.append(chr(0x2800 + value) if value else " ", style or None)
            found.append(text)
        return found

    def _set(self, x: int, y: int, style: str) -> None:
        column, row = x // 2, y // 4
        if 0 <= column < self.columns and 0 <= row < self.rows:
            self._bits[row][column] |= _DOTS[y % 4][x % 2]
            self._styles[row][column] = style


_PIXELS: dict[str, str] = {
    "0": "111 101 101 101 111",
    "1": "010 110 010 010 111",
    "2": "111 001 111 100 111",
    "3": "111 001 111 001 111",
    "4": "101 101 111 001 001",
    "5": "111 100 111 001 111",
    "6": "111 100 111 101 111",
    "7": "111 001 010 010 010",
    "8": "111 101 111 101 111",
    "9": "111 101 111 001 111",
    "-": "000 000 111 000 000",
    "+": "000 010 111 010 000",
    ".": "0 0 0 0 1",
    " ": "00 00 00 00 00",
    "m": "00000 11111 10101 10101 10101",
}
"""Character → five rows of pixels, top first."""

_HALVES = {("0", "0"): " ", ("1", "0"): "▀", ("0", "1"): "▄", ("1", "1"): "█"}


def big(text: str) -> list[str]:
    """`text` (digits, sign, point, blank, m) as three lines of half blocks, all of the same length."""
    lines = ["", "", ""]
    for character in text:
        rows = [*_PIXELS[character].split(" "), "0" * 5]
        for i in range(3):
            upper, lower = rows[2 * i], rows[2 * i + 1]
            lines[i] += "".join(_HALVES[pair] for pair in zip(upper, lower, strict=False)) + " "
    return [line[:-1] for line in lines]
