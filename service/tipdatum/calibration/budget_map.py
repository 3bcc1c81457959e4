"""The budget as a picture: 1-sigma of the tip over the vertical plane in front of the machine."""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.budget import COVERAGE_95, Budget
from tipdatum.calibration.drawing import nice_step, ramp
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine
from tipdatum.svg import FAINT, INK, Chart, box, document, text_at

SHADES = 6
"""Steps of the colour scale."""


def draw(
    machine: Machine, budget: Budget, cells: Budget, step_m: float, tolerance_m: float | None = None
) -> str:
    """SVG text: the map, the machine in its reference posture, and a bar chart of the sources.

    Args:
        budget: over the envelope. cells: the same over the map's cells (`map_of`).
    """
    reach, height, sigma = cells.cells()
    low, high = float(height.min()) - 0.5, max(float(height.max()), 2.0) + 0.5
    far = float(reach.max()) + 0.5
    tall = 560
    wide = int((tall - 120) * (far + 2.5) / (high - low))
    title = f"Tip elevation, 1-sigma: {machine.name}"
    frame = Chart(
        title,
        (-2.5, far),
        (low, high),
        "reach from the slew axis, m",
        "height over the ground, m",
        width=wide + 58 + 430,
        height=tall - 58,
        right=430,
    )
    sigma_mm = 1000.0 * sigma
    top = _top(sigma_mm)
    half = step_m / 2.0
    for r, h, s in zip(reach, height, sigma_mm, strict=True):
        x, y = frame.px(r - half), frame.py(h + half)
        w, t = frame.px(r + half) - x, frame.py(h - half) - y
        shade = min(math.floor(s / top * SHADES), SHADES - 1) / (SHADES - 1)
        frame.mark(box(x, y, w + 0.4, t + 0.4, ramp(shade)))
    if tolerance_m is not None:
        _outside(frame, cells, tolerance_m, half)
    _machine(frame, machine, budget)
    _scale(frame, top)
    if tolerance_m is not None:
        note = f"hatched: less than 95 % within ±{1000 * tolerance_m:g} mm"
        frame.outside.append(text_at(frame.width - 400, 132, note, colour="#a83200"))
    _bars(frame, budget)
    return document(frame.svg(), title)


def _top(sigma_mm: Array) -> float:
    """End of the colour scale: a round number that one cell in fifty may exceed."""
    step = nice_step(float(np.quantile(sigma_mm, 0.98)) / SHADES)
    return step * SHADES


def _outside(frame: Chart, budget: Budget, tolerance_m: float, half: float) -> None:
    for r, h, s in zip(*budget.cells(), strict=True):
        if COVERAGE_95 * s > tolerance_m:
            x0, x1, y0, y1 = frame.px(r - half), frame.px(r + half), frame.py(h - half), frame.py(h + half)
            frame.mark(
                f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="#c4561a" stroke-width="1.6"/>'
            )


def _machine(frame: Chart, machine: Machine, budget: Budget) -> None:
    pins = machine.chain().pins(budget.figures.reference.q)[0]
    ground = frame.py(0.0)
    frame.mark(
        f'<path d="M{frame.px(frame.x[0]):.1f} {ground:.1f}H{frame.px(frame.x[1]):.1f}" '
        f'stroke="{INK}" stroke-dasharray="2 4"/>'
    )
    x0, x1, y0, y1 = frame.px(-1.9), frame.px(1.7), frame.py(0.0), frame.py(0.85)
    frame.mark(box(x0, y1, x1 - x0, y0 - y1, FAINT, 14))
    x0, x1, y0, y1 = frame.px(-2.2), frame.px(0.6), frame.py(0.95), frame.py(1.9)
    frame.mark(box(x0, y1, x1 - x0, y0 - y1, FAINT, 6))
    points = "L".join(f"{frame.px(p[0]):.1f} {frame.py(p[2]):.1f}" for p in pins)
    frame.mark(
        f'<path d="M{points}" fill="none" stroke="#ffffff" stroke-width="7" stroke-linejoin="round"/>'
        f'<path d="M{points}" fill="none" stroke="{INK}" stroke-width="3.5" stroke-linejoin="round"/>'
    )
    for p in pins[:-1]:
        frame.mark(
            f'<circle cx="{frame.px(p[0]):.1f}" cy="{frame.py(p[2]):.1f}" r="5" fill="#ffffff" '
            f'stroke="{INK}" stroke-width="2"/>'
        )
    tip = pins[-1]
    frame.words("reference", frame.px(tip[0]), frame.py(tip[2]) + 20, anchor="middle")


def _scale(frame: Chart, top: float) -> None:
    x, y, w = frame.width - 400, 84, 56
    frame.outside.append(text_at(x, y - 12, "1-sigma, mm", size=13))
    for i in range(SHADES):
        frame.outside.append(box(x + i * w, y, w, 18, ramp(i / (SHADES - 1))))
    for i in range(SHADES + 1):
        value = f"{top * i / SHADES:g}" + ("+" if i == SHADES else "")
        frame.outside.append(text_at(x + i * w, y + 34, value, "middle"))


def _bars(frame: Chart, budget: Budget) -> None:
    shares = [s for s in budget.shares() if s[2] > 0.0005][:11]
    x, y, wide = frame.width - 400, 166, 150
    heading = "Where it comes from, mm RMS over the envelope"
    frame.outside.append(text_at(x, y, heading, size=13, bold=True))
    largest = shares[0][1]
    for i, (name, rms, share) in enumerate(shares):
        top = y + 18 + 26 * i
        frame.outside.append(text_at(x, top + 13, name, size=13))
        frame.outside.append(box(x + 150, top + 1, max(wide * rms / largest, 1.0), 15, "#00508c"))
        value = f"{1000 * rms:.1f}  ({100 * share:.0f} %)"
        frame.outside.append(text_at(x + 156 + wide * rms / largest, top + 13, value))
    bottom = y + 18 + 26 * len(shares) + 24
    whole = f"All together {1000 * budget.rms_m:.1f} mm RMS"
    frame.outside.append(text_at(x, bottom, whole, size=14, bold=True))
