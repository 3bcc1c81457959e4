"""Whether what the filter takes to be wrong with a sensor can be: constants against their priors.

A filter explains what it cannot understand by constants: a gyro whose axis is flipped becomes one with a
scale error of ten per cent, a wrong range one that reads half. Innovations then stay small, and the figures
are wrong. But the description and the data sheets say what parts have, and that is what the priors are.
Constants of sound simulated sessions, of all kinds of installation, stay within 5 of their described sigmas.
"""

from __future__ import annotations

from collections.abc import Sequence

BEYOND, WITHIN = 7.0, 5.0
"""Sigmas of its prior from which a constant is none that such a part has, and below which it may be again."""
EVERY_S = 1.0
"""How often that is looked at, s."""


class PriorCheck:
    """Follows the largest constant of each sensor.

    Attributes:
        beyond: number of the sensor that would have to be worse than its kind, None where there is none: of
            several the furthest, since one that is wrong bends what the others are taken for.
    """

    def __init__(self) -> None:
        self.beyond: int | None = None
        self._due = float("-inf")

    def is_due(self, t: float) -> bool:
        """Whether to look at `t` s."""
        if t < self._due:
            return False
        self._due = t + EVERY_S
        return True

    def look(self, sigmas: Sequence[float]) -> bool:
        """Take each sensor's largest constant in sigmas of its prior; whether one is beyond since now."""
        before, most = self.beyond, max(sigmas)
        if most > (BEYOND if before is None else WITHIN):
            self.beyond = before if before is not None else list(sigmas).index(most)
        else:
            self.beyond = None
        return before is None and self.beyond is not None


def words(name: str) -> str:
    """What is said of the sensor of that name."""
    return f"{name} sensor would have to be far worse than its kind: axes, range, mount or position?"
