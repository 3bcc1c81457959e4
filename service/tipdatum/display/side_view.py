"""The arm from its right-hand side, in the plane of the boom: what the operator would see in a mirror."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.text import Text

from tipdatum.display.canvas import Canvas, Viewport

Point = tuple[float, float]

GROUND, BODY, ARM, BUCKET, TRAIL, TARGET = (
    "bright_black",
    "white",
    "bold bright_white",
    "bold cyan",
    "cyan",
    "yellow",
)


@dataclass(frozen=True, slots=True)
class Proportions:
    """What has to be known of a machine to frame and sketch it, m."""

    reach: float
    boom: float

    @classmethod
    def of(cls, machine: dict[str, Any]) -> Proportions | None:
        """From a machine description as published; None where it is not one."""
        try:
            boom = float(machine["boom"]["length_m"])
            second = float((machine.get("second_boom") or {}).get("length_m", 0.0))
            reach = float(machine["boom"]["foot_m"][0]) + boom + second + float(machine["stick"]["length_m"])
            tips = (
                float(b["tip_m"]) + math.hypot(*(b.get("pin_m") or (0.0, 0.0))) for b in machine["bucket"]
            )
            return cls(reach + max(tips), boom + second)
        except (KeyError, TypeError, ValueError, IndexError):
            return None

    def window(self) -> Viewport:
        """From the counterweight to the furthest reach, from deep dig to raised boom."""
        return Viewport(-0.45 * self.boom, self.reach, -0.48 * self.reach, 0.72 * self.reach)


def draw(
    columns: int,
    rows: int,
    proportions: Proportions,
    pins: Sequence[Point],
    trail: Sequence[Point],
    target: tuple[Point, Point] | None,
) -> list[Text]:
    """The picture as lines of text.

    Args:
        pins: (reach, height) of boom foot, …, bucket pin, tip, m; empty when not known.
        trail: where the tip was lately. target: two ends of the target's line near the tip.
    """
    canvas = Canvas(columns, rows, proportions.window())
    window = proportions.window()
    canvas.line((window.left - 9, 0.0), (window.right + 9, 0.0), GROUND, gap=3)
    if target is not None:
        canvas.line(*target, TARGET, gap=2)
    for x, z in trail:
        canvas.dot(x, z, TRAIL)
    _machine(canvas, proportions.boom / 4.6)
    if len(pins) >= 3:
        for start, end in itertools.pairwise(pins[:-1]):
            canvas.line(start, end, ARM, thick=2)
        _bucket(canvas, pins[-2], pins[-1])
    return [*canvas.lines()[:-1], _scale(canvas)]


def _machine(canvas: Canvas, size: float) -> None:
    """Tracks, house and cab of any excavator, in the proportions of a boom of 4.6 m times `size`."""
    tracks = [(-1.6, 0.35), (-1.3, 0.0), (1.3, 0.0), (1.6, 0.35), (1.3, 0.7), (-1.3, 0.7), (-1.6, 0.35)]
    house = [(-2.0, 0.95), (1.3, 0.95), (1.3, 1.3), (0.1, 1.45), (0.1, 1.75), (-1.9, 1.85), (-2.0, 0.95)]
    cab = [(1.25, 1.3), (1.35, 1.9), (1.0, 2.65), (0.2, 2.65), (0.1, 1.5)]
    for outline in (tracks, house, cab):
        for (x0, z0), (x1, z1) in itertools.pairwise(outline):
            canvas.line((x0 * size, z0 * size), (x1 * size, z1 * size), BODY)


def _bucket(canvas: Canvas, pin: Point, tip: Point) -> None:
    """Pin, tip and a heel on the side that a backhoe's bucket has it: away from the cab when it hangs."""
    along = (tip[0] - pin[0], tip[1] - pin[1])
    length = math.hypot(*along)
    if length == 0.0:
        return
    off = (-along[1] * 0.42, along[0] * 0.42)
    back = (pin[0] + along[0] * 0.15 + off[0] * 0.8, pin[1] + along[1] * 0.15 + off[1] * 0.8)
    heel = (pin[0] + along[0] * 0.62 + off[0], pin[1] + along[1] * 0.62 + off[1])
    for start, end in ((pin, back), (back, heel), (heel, tip), (pin, tip)):
        canvas.line(start, end, BUCKET)


def _scale(canvas: Canvas) -> Text:
    cells = max(3, round(canvas.dots_a_metre / 2))
    return Text(f" {'╰' + '─' * (cells - 2) + '╯'} 1 m", GROUND)
