"""Drawings of a calibration: misfits in sigmas, and the arm in each posture."""

from __future__ import annotations

import math
from html import escape
from itertools import pairwise

from tipdatum.display.calibration.account import Account, Judgement, Stand
from tipdatum.display.report.words import Words
from tipdatum.svg import FAINT, INK, PAPER

RED = "#9c1717"
KEY = ("boom_foot", "boom_stick", "stick_bucket", "tip")
"""Names of the four pins in the catalogue."""

ROW = 15.0
"""Height of one observation in the drawing of misfits."""
LIMIT = 6.0
"""Sigmas at the edge of that drawing; what lies further out stands there with its figure."""


def residuals(account: Account, words: Words) -> str:
    """Misfit of every observation in sigmas, one row each, by posture, as an SVG drawing."""
    rows = sorted(account.judgements, key=lambda j: (j.stand is None, j.stand or 0))
    left = 0.36 * words.width
    width, height = words.width, 46.0 + ROW * len(rows)
    middle, scale = (left + width - 14) / 2, (width - 14 - left) / 2 / LIMIT
    parts = []
    for k in range(-6, 7, 2):
        x = middle + k * scale
        parts.append(f'<path d="M{x:.1f} 22V{height - 22:.1f}" stroke="{INK if k == 0 else FAINT}"/>')
        parts.append(_text(x, height - 7, words.number(k), "middle", quiet=True))
    for side in (-1, 1):
        x = middle + side * account.critical * scale
        parts.append(
            f'<path d="M{x:.1f} 22V{height - 22:.1f}" stroke="{INK}" stroke-dasharray="5 3" fill="none"/>'
        )
    before: int | None = -2
    for i, j in enumerate(rows):
        y = 22 + ROW * (i + 0.5)
        if j.stand != before and i:
            parts.append(f'<path d="M0 {y - ROW / 2:.1f}H{width:.0f}" stroke="{FAINT}"/>')
        before = j.stand
        parts += _row(j, y, left, middle, scale, words)
    parts.append(_text(0, 13, words("calibration.residuals.axis"), quiet=True))
    return (
        f'<svg viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(words("calibration.residuals"))}">{"".join(parts)}</svg>'
    )


def _row(j: Judgement, y: float, left: float, middle: float, scale: float, words: Words) -> list[str]:
    colour = RED if j.state == "unchecked" else INK
    most = max(8, int(left / 6.4))
    name = j.id if len(j.id) <= most else j.id[: most - 1] + "…"
    parts = [_text(left - 8, y + 4, name, "end", colour=colour)]
    x = middle + max(-LIMIT, min(LIMIT, j.sigmas)) * scale
    if j.state == "unchecked":
        parts.append(
            f'<circle cx="{middle:.1f}" cy="{y:.1f}" r="4" fill="{PAPER}" stroke="{RED}" stroke-width="1.6"/>'
        )
        parts.append(_text(middle + 9, y + 4, words("calibration.state.unchecked"), colour=RED))
    elif j.state == "set aside":
        parts.append(
            f'<path d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8" stroke="{INK}" stroke-width="2" fill="none"/>'
        )
        text = f"{words('calibration.state.set-aside')}, {words.number(j.sigmas, 1)} σ"
        right = x > middle
        parts.append(_text(x - 8 if right else x + 8, y + 4, text, "end" if right else "start"))
    else:
        parts.append(f'<path d="M{middle:.1f} {y:.1f}H{x:.1f}" stroke="{INK}" stroke-width="3"/>')
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="{INK}"/>')
    return parts


def posture(stand: Stand, across: tuple[float, float], up: tuple[float, float], words: Words) -> str:
    """The arm in one posture, true to scale, as an SVG drawing; all of one report in one scale.

    Args:
        across, up: lowest and highest reach and height of all postures, m.
    """
    low, high = min(up[0], 0.0) - 0.4, up[1] + 0.4
    width = 240.0
    scale = width / (across[1] - across[0])
    height = scale * (high - low)

    def at(x: float, z: float) -> tuple[float, float]:
        return scale * (x - across[0]), scale * (high - z)

    size = math.dist(stand.pins[0], stand.pins[1]) / 4.6
    _, ground = at(0.0, 0.0)
    parts = [f'<path d="M0 {ground:.1f}H{width:g}" stroke="{INK}" stroke-width="1"/>']
    parts += [
        f'<path d="M{x} {ground:.1f}l-5 6" stroke="{INK}" stroke-width="0.7"/>' for x in range(8, 240, 12)
    ]
    for outline in _house(size):
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in (at(x, z) for x, z in outline))
        parts.append(f'<polygon points="{points}" fill="{PAPER}" stroke="{INK}" stroke-width="1"/>')
    pins = [at(*p) for p in stand.pins]
    for (a, b), weight in zip(pairwise(pins), (5.0, 4.0, 3.0), strict=True):
        parts.append(
            f'<path d="M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" stroke="{INK}" stroke-width="{weight}" '
            'stroke-linecap="round"/>'
        )
    for k, (x, y) in enumerate(pins):
        if k in stand.aside:
            parts.append(
                f'<path d="M{x - 7:.1f} {y - 7:.1f}l14 14m0 -14l-14 14" stroke="{RED}" stroke-width="2.4"/>'
            )
        colour = RED if k in stand.unchecked else INK
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{5 if k in stand.unchecked else 3}" fill="{PAPER}" '
            f'stroke="{colour}" stroke-width="1.6"/>'
        )
    label = f"{words('calibration.posture')} {stand.label}"
    return (
        f'<svg viewBox="0 0 {width:g} {height:.0f}" role="img" aria-label="{escape(label)}">'
        f"{''.join(parts)}</svg>"
    )


def _house(size: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Tracks and house of any excavator, in the proportions of a boom of 4.6 m times `size`."""
    tracks = ((-1.6, 0.35), (-1.3, 0.0), (1.3, 0.0), (1.6, 0.35), (1.3, 0.7), (-1.3, 0.7))
    house = ((-2.0, 0.95), (1.3, 0.95), (1.3, 1.3), (0.1, 1.45), (0.1, 1.75), (-1.9, 1.85))
    return tuple(tuple((x * size, z * size) for x, z in outline) for outline in (tracks, house))


def _text(
    x: float, y: float, text: str, anchor: str = "start", *, colour: str = INK, quiet: bool = False
) -> str:
    style = ' class="quiet"' if quiet else f' style="fill:{colour}"'
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{style}>{escape(text)}</text>'
