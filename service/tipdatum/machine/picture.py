"""One picture of a drawing: metres to places, and words where they cover least of what is drawn."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import pairwise

from tipdatum.svg import FAINT, INK, PAPER

SENSOR = "#00508c"
"""Ink of sensors and their axes."""
ARROW_PX = 34.0


def _common(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    """Area that two boxes share, px²."""
    across, up = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return across * up if across > 0.0 and up > 0.0 else 0.0


@dataclass(slots=True)
class Picture:
    """One picture: metres to places, true to scale, and what is drawn.

    Attributes:
        title: over it. box: (left, right, low, high) m. at: px, its upper left corner. size: px.
    """

    title: str
    box: tuple[float, float, float, float]
    at: tuple[float, float]
    size: tuple[float, float]
    marks: list[str] = field(default_factory=list)
    _busy: list[tuple[float, float, float, float]] = field(default_factory=list)
    """Left, top, right, bottom of what words are not to cover, px."""

    @property
    def scale(self) -> float:
        """px a metre."""
        left, right, low, high = self.box
        return min((self.size[0] - 40.0) / (right - left), (self.size[1] - 60.0) / (high - low))

    def place(self, point: Sequence[float]) -> tuple[float, float]:
        """px of a point (across, up) in m."""
        left, right, low, high = self.box
        x = self.at[0] + self.size[0] / 2.0 + (point[0] - (left + right) / 2.0) * self.scale
        y = self.at[1] + 14.0 + self.size[1] / 2.0 - (point[1] - (low + high) / 2.0) * self.scale
        return x, y

    def line(
        self, points: Iterable[Sequence[float]], colour: str = INK, width: float = 2.0, dash: str = ""
    ) -> None:
        """A line through points in m."""
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in map(self.place, points))
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.marks.append(
            f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashes} '
            'stroke-linejoin="round" stroke-linecap="round"/>'
        )

    def pin(self, point: Sequence[float]) -> None:
        """A pin."""
        x, y = self.place(point)
        self.marks.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>'
        )

    def words(
        self, text: str, point: Sequence[float], dx: float = 8.0, dy: float = 4.0, colour: str = INK
    ) -> None:
        """Words beside a point, so many px off."""
        x, y = self.place(point)
        anchor = "end" if dx < 0 else "start"
        self.marks.append(
            f'<text x="{x + dx:.1f}" y="{y + dy:.1f}" text-anchor="{anchor}" fill="{colour}" class="halo">'
            f"{escape(text)}</text>"
        )

    def free_words(self, text: str, point: Sequence[float], colour: str = INK) -> None:
        """Words beside a point, where they cover least of what has been drawn there."""
        x, y = self.place(point)
        wide, high = 6.3 * len(text), 12.0
        best: tuple[float, float, float, str] | None = None
        for far in (10.0, 22.0, 36.0):
            for turn in range(0, 360, 30):
                a = math.radians(turn)
                ax, ay = x + far * math.cos(a), y + far * math.sin(a) + 4.0
                anchor = "start" if math.cos(a) > 0.3 else "end" if math.cos(a) < -0.3 else "middle"
                left = ax - {"start": 0.0, "end": wide, "middle": wide / 2.0}[anchor]
                place = (left - 2.0, ay - high, left + wide + 2.0, ay + 4.0)
                outside = place[0] < self.at[0] + 4 or place[2] > self.at[0] + self.size[0] - 4
                cost = sum(_common(place, other) for other in self._busy) + far + 1e4 * outside
                if best is None or cost < best[0]:
                    best = (cost, ax, ay, anchor)
        assert best is not None
        _, ax, ay, anchor = best
        left = ax - {"start": 0.0, "end": wide, "middle": wide / 2.0}[anchor]
        self._busy.append((left, ay - high, left + wide, ay + 4.0))
        self.marks.append(
            f'<text x="{ax:.1f}" y="{ay:.1f}" text-anchor="{anchor}" fill="{colour}" class="halo">'
            f"{escape(text)}</text>"
        )

    def keep_free(self, points: Iterable[Sequence[float]]) -> None:
        """Words are not to cover the lines through these points in m."""
        placed = [self.place(point) for point in points]
        for (ax, ay), (bx, by) in pairwise(placed):
            steps = max(2, math.ceil(math.hypot(bx - ax, by - ay) / 6.0))
            for k in range(steps + 1):
                x, y = ax + (bx - ax) * k / steps, ay + (by - ay) * k / steps
                self._busy.append((x - 4.0, y - 4.0, x + 4.0, y + 4.0))

    def arrow(self, point: Sequence[float], way: Sequence[float], name: str) -> None:
        """An axis of a sensor, (across, up) of its direction.

        What is foreshortened is drawn shorter, and what points at us or away not at all.
        """
        x, y = self.place(point)
        dx, dy = way[0] * ARROW_PX, -way[1] * ARROW_PX
        length = math.hypot(dx, dy)
        if length < 0.25 * ARROW_PX:
            return
        ux, uy = dx / length, dy / length
        tip = (x + dx, y + dy)
        for k in range(7):
            ax, ay = x + dx * k / 5.0, y + dy * k / 5.0
            self._busy.append((ax - 5.0, ay - 5.0, ax + 5.0, ay + 5.0))
        wings = [(tip[0] - 7 * ux + s * 3 * uy, tip[1] - 7 * uy - s * 3 * ux) for s in (1, -1)]
        (ax, ay), (bx, by) = wings
        self.marks.append(
            f'<path d="M{x:.1f} {y:.1f}L{tip[0]:.1f} {tip[1]:.1f}M{ax:.1f} {ay:.1f}L{tip[0]:.1f} {tip[1]:.1f}'
            f'L{bx:.1f} {by:.1f}" fill="none" stroke="{SENSOR}" stroke-width="1.8"/>'
            f'<text x="{tip[0] + 7 * ux:.1f}" y="{tip[1] + 7 * uy + 4:.1f}" text-anchor="middle" '
            f'fill="{SENSOR}" class="halo">{name}</text>'
        )

    def svg(self) -> str:
        """The picture with its title."""
        x, y = self.at
        return (
            f'<text x="{x + 8:.1f}" y="{y + 18:.1f}" font-weight="650">{escape(self.title)}</text>'
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{self.size[0]:.1f}" height="{self.size[1]:.1f}" '
            f'fill="none" stroke="{FAINT}"/>{"".join(self.marks)}'
        )
