"""What kind of slip a reading is: what the person may have meant, from what all others say.

Only arithmetic on one value: a sign, a unit, a decimal point, exchanged digits, a round step misread. A word
for it is a help to whoever looks at the note again; it decides nothing.
"""

from __future__ import annotations

import itertools
import math

from tipdatum.sentences import sentence

STEPS = {"m": (10.0, 1.0, 0.5, 0.1, 0.05, 0.01), "deg": (90.0, 10.0, 5.0, 1.0)}
"""Round steps by which a staff or a level is misread."""

FACTORS = (
    (0.001, "mm"),
    (0.01, "cm"),
    (0.3048, "ft"),
    (0.0254, "in"),
    (10.0, "left"),
    (0.1, "right"),
)

WITHIN = 4.0
"""Sigmas within which a guess must meet what the others say."""


def meant(value: float, expected: float, sigma: float, unit: str) -> str:
    """Words for what a value may have been, empty where nothing fits.

    Args:
        value, unit: as it stands in the file. expected, sigma: what the others say, and how well.
    """
    near = WITHIN * sigma

    def fits(guess: float) -> bool:
        # A guess must also be far nearer than the value itself.
        return abs(guess - expected) <= near < abs(value - expected) / 2.0

    if fits(-value):
        return sentence("cal-meant-sign", to=-value)
    if unit == "m":
        for factor, how in FACTORS:
            if fits(value * factor):
                return sentence(
                    {
                        "mm": "cal-meant-mm",
                        "cm": "cal-meant-cm",
                        "ft": "cal-meant-ft",
                        "in": "cal-meant-in",
                        "left": "cal-meant-left",
                        "right": "cal-meant-right",
                    }[how],
                    to=float(f"{value * factor:g}"),
                )
    if unit == "deg":
        for guess, how in (
            (math.degrees(math.atan(value / 100.0)), "percent"),
            (math.degrees(value), "radians"),
            (90.0 - value, "plumb"),
            (value - 90.0, "plumb"),
        ):
            if fits(guess):
                return sentence(
                    {
                        "percent": "cal-meant-percent",
                        "radians": "cal-meant-radians",
                        "plumb": "cal-meant-plumb",
                    }[how],
                    to=round(guess, 2),
                )
    exchanged = next((guess for guess in _exchanged(value) if fits(guess)), None)
    if exchanged is not None:
        return sentence("cal-meant-digits", to=exchanged)
    for step in STEPS.get(unit, ()):
        for sign in (1.0, -1.0):
            if fits(value + sign * step) and step > 2.0 * near:
                return sentence("cal-meant-step-deg" if unit == "deg" else "cal-meant-step-m", step=step)
    return ""


def _exchanged(value: float) -> list[float]:
    """The value with two neighbouring digits exchanged, every way."""
    text = f"{abs(value):.4f}".rstrip("0")
    places = [i for i, c in enumerate(text) if c.isdigit()]
    found = []
    for a, b in itertools.pairwise(places):
        if text[a] == text[b]:
            continue
        digits = list(text)
        digits[a], digits[b] = digits[b], digits[a]
        found.append(math.copysign(float("".join(digits)), value))
    return found
