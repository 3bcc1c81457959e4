"""How well the tip is known over the working envelope: the one place where such a figure is made.

Calibration, guide, budget and report all ask here, so that they cannot disagree. Elevations are relative to a
reference touched at one posture on the ground before the tracks, as in use.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable

import numpy as np

from tipdatum.calibration.envelope import Postures, near_postures, reference_posture, working_envelope
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.calibration.statistics import propagated
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

SEARCHED = 0.06
"""Share of a joint's range around the worst node in which a worse posture is looked for: a node's
distance."""

CORNERS = 2.0 / 3.0
"""What a corner's height counts where all figures are judged together: half a wide edge away from the tip's
middle it may be off by half as much again."""

SIDEWAYS = 0.05
"""What standing sideways counts there: a target that falls by as much across the boom plane makes so much of
it in height. Cross falls of roads and yards are 1 in 40 to 1 in 20 (common practice, no source)."""


class TipFigures:
    """The envelope of one machine, with the derivatives of one figure relative to the reference.

    Attributes:
        postures, weight: P postures and what each counts. reference: one posture.
        figure: "tip", "left", "right": heights, m; "sideways": off the upper's x axis, m; "fall" of the edge,
            rad.
        names: what the derivatives are for. J: (P, n), per unit, reference taken off. J_here: without.

    Raises:
        ValueError: the reference is out of reach.
    """

    def __init__(
        self,
        machine: Machine,
        reference: tuple[float, float] | None = None,
        nodes: tuple[int, int, int] | None = None,
    ) -> None:
        self.machine = machine
        self.postures, self.weight = working_envelope(machine, nodes)
        self.reference = reference_posture(machine, reference)
        self.sensitivity = TipSensitivity(machine)
        self.names = self.sensitivity.names
        self.J_reference = self.sensitivity.jacobian(self.reference)[0]
        self._all = self.sensitivity.jacobians(self.postures)
        self._show("tip")

    @property
    def figures(self) -> tuple[str, ...]:
        """Figures that this machine has."""
        fall = ("fall",) if "left" in self.sensitivity.figures else ()
        return (*self.sensitivity.figures, *fall)

    def of(self, figure: str) -> TipFigures:
        """The same postures with the derivatives of another figure."""
        other = copy.copy(self)
        other._show(figure)
        return other

    def _show(self, figure: str) -> None:
        at, self.figure = self.sensitivity.figures, figure
        if figure == "fall":
            apart = self._all[:, at.index("left")] - self._all[:, at.index("right")]
            corners = self.machine.chain().corners(self.postures.q)
            edge = corners[:, 0] - corners[:, 1]
            flat = np.hypot(edge[:, 0], edge[:, 1])
            self.J_here = self.J = apart / flat[:, None]
            return
        self.J_here = self._all[:, at.index(figure)]
        self.J = self.J_here if figure == "sideways" else self.J_here - self.J_reference

    def everything(self) -> Array:
        """(K, n), derivatives of every height and sideways figure at every posture, weighed against each
        other; the tip's come first."""
        weights = {"tip": 1.0, "left": CORNERS, "right": CORNERS, "sideways": SIDEWAYS}
        return np.concatenate([weights[f] * self.of(f).J for f in self.sensitivity.figures])

    def variance(self, covariance: Array) -> Array:
        """(P,) m², from `covariance` (n, n) in the order of `names`."""
        return propagated(self.J, covariance)

    def rms(self, variance: Array) -> float:
        """Root of the weighted mean of variances (P,), m."""
        return math.sqrt(max(float(self.weight @ variance), 0.0))

    def worst(self, variance: Array, of: Callable[[TipFigures], Array] | None = None) -> float:
        """Largest 1-sigma over the envelope, m.

        Args:
            variance: (P,) at the nodes. of: gives the variances of other postures of this machine; with it
                the worst is looked for between the nodes too.
        """
        most, q = float(variance.max()), self.postures.q[int(np.argmax(variance))]
        share = SEARCHED
        while of is not None and share > SEARCHED / 1000.0:
            around = near_postures(self.machine, q, share)
            values = of(self.at(around))
            best = int(np.argmax(values))
            if float(values[best]) > most:
                most, q = float(values[best]), around.q[best]
            share /= 1.8
        return math.sqrt(max(most, 0.0))

    def at(self, postures: Postures) -> TipFigures:
        """The same machine and reference at other postures, each of the same weight."""
        other = copy.copy(self)
        other.postures, other.weight = postures, np.full(len(postures), 1.0 / max(len(postures), 1))
        other._all = self.sensitivity.jacobians(postures)
        other._show(self.figure)
        return other
