"""What a slip could do unseen: internal and external reliability of every observation.

After Baarda (*A testing procedure for use in geodetic networks*, 1968), as any text on adjustment has it
(Ghilani, ch. 21; Förstner and Wrobel, *Photogrammetric Computer Vision*, 4.6): with the redundancy number r,
the smallest slip that a test at `CRITICAL` finds in four of five cases is ∇ = δ₀ σ / √r, and it moves the
unknowns by N⁻¹ Jᵀ P ∇. What is not checked at all (r next to 0) may be wrong by anything; it is told with the
effect of a slip as people make them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.snooping import CRITICAL
from tipdatum.calibration.tip_figures import TipFigures

POWER_SIGMAS = 0.84
"""One-sided normal deviate of a power of 80 %."""

NONCENTRAL = CRITICAL + POWER_SIGMAS
"""δ₀: how many of its own sigmas w must be off for the test to see it in four of five cases."""

UNCHECKED = 0.02
"""Redundancy number below which nothing checks an observation: a slip of thirty sigmas would pass."""

SLIP = {"m": 0.10, "rad": math.radians(1.0), "m/s²": 0.05}
"""A slip as people make them: a decimetre misread, a degree, five parts in a thousand of g."""

HARM_M = 0.005
"""Movement of the tip, RMS over the envelope, that matters however well it is known: half of what pipe
bedding allows (common practice, no source). One within `WITHIN_STATED` is covered by what is stated."""

VALUE_PARTS = ("", "height", "reading", "axis x", "axis y", "axis z")
"""Parts of an observation that a slip in its value shows in."""


@dataclass(frozen=True, slots=True)
class Reliability:
    """How an observation is checked.

    Attributes:
        id, kind, of: of the observation. unit: of the row, m, rad or m/s².
        redundancy: 0 unchecked … 1 wholly. smallest: ∇, the smallest slip found in four of five cases.
        unseen: the largest slip, up to `SLIP`, that passes unseen; effect_m: what it does to the tip, RMS.
        harm_m: movement of the tip that matters here.
    """

    id: str
    kind: str
    of: str
    unit: str
    redundancy: float
    smallest: float
    unseen: float
    effect_m: float
    harm_m: float = HARM_M

    @property
    def checked(self) -> bool:
        """Whether anything checks it."""
        return self.redundancy >= UNCHECKED

    @property
    def matters(self) -> bool:
        """Whether what could pass unseen would move the tip by more than matters."""
        return self.effect_m > self.harm_m


WITHIN_STATED = 3.0
"""Stated sigmas of the tip within which a movement is covered by what is stated."""


def reliability(solution: Solution, figures: TipFigures, tip_rms_m: float = 0.0) -> list[Reliability]:
    """Every observation that had a say and may be tested, the most dangerous first.

    Args:
        figures: of the calibrated machine. tip_rms_m: 1-sigma that is stated of the tip.
    """
    s = solution
    harm = max(HARM_M, WITHIN_STATED * tip_rms_m)
    C = s.covariance / max(1.0, s.factor) ** 2
    of = {o.id: o.of for o in s.setup.observations}
    columns = np.array([s.place[n] for n in figures.names])
    found: dict[str, Reliability] = {}
    for i, judged in enumerate(s.judged):
        row = judged.row
        if not row.tested or judged.rejected or row.kind == "reading" or row.part not in VALUE_PARTS:
            continue
        r = min(max(judged.redundancy, 0.0), 1.0)
        smallest = NONCENTRAL * row.sigma / math.sqrt(max(r, 1e-9))
        unseen = min(smallest, SLIP[row.unit])
        # x changes by N⁻¹ Jᵀ ∇/σ, J per natural step and weighted.
        moved = C[columns] @ (s.jacobian[i] / s.scale) * (unseen / row.sigma)
        effect = figures.rms((figures.J @ moved) ** 2)
        known = found.get(row.id)
        if known is None or effect > known.effect_m:
            name = row.id.split(": ")[0] if row.kind == "single_joint" else row.id
            found[row.id] = Reliability(
                row.id, row.kind, of.get(name, row.id), row.unit, r, smallest, unseen, effect, harm
            )
    return sorted(found.values(), key=lambda f: -f.effect_m)
