"""How well the tip is known over the working envelope: the one place where such a figure is made.

Calibration, guide, budget and report all ask here, so that they cannot disagree. Elevations are relative to a
reference touched at one posture on the ground before the tracks, as in use.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable

import numpy as np

from tipdatum.calibration.envelope import NODES, Postures, near_postures, reference_posture, working_envelope
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.calibration.statistics import propagated
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

SEARCHED = 0.06
"""Share of a joint's range around the worst node in which a worse posture is looked for: a node's
distance."""


class TipFigures:
    """The envelope of one machine, with the tip's derivatives relative to the reference.

    Attributes:
        postures, weight: P postures and what each counts. reference: one posture.
        names: what the derivatives are for. J: (P, n), m per unit, reference taken off.

    Raises:
        ValueError: the reference is out of reach.
    """

    def __init__(
        self,
        machine: Machine,
        reference: tuple[float, float] | None = None,
        nodes: tuple[int, int, int] = NODES,
    ) -> None:
        self.machine = machine
        self.postures, self.weight = working_envelope(machine, nodes)
        self.reference = reference_posture(machine, reference)
        self.sensitivity = TipSensitivity(machine)
        self.names = self.sensitivity.names
        self.J_reference = self.sensitivity.jacobian(self.reference)[0]
        self.J_here = self.sensitivity.jacobian(self.postures)
        self.J = self.J_here - self.J_reference

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
        other.J_here = self.sensitivity.jacobian(postures)
        other.J = other.J_here - self.J_reference
        return other
