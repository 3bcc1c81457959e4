"""What the description says of lengths: a tape's reading like any other, tested like any other."""

from __future__ import annotations

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import Setup, described_unknowns
from tipdatum.kinematics.frames import Array

DESCRIBED = "described"
"""Kind of these rows; their ids are this word and the unknown's name."""


def described(setup: Setup) -> Term:
    """One row for each dimension that the description states."""
    stated = described_unknowns(setup)
    rows = tuple(Row(f"{DESCRIBED} {u.name}", DESCRIBED, u.unit, u.sigma) for u in stated)
    value = np.array([u.prior for u in stated])

    def residuals(state: Parameters) -> Array:
        dimensions = np.array([state.foot[0], state.foot[2], *state.lengths])
        if state.linkage is not None:
            dimensions = np.concatenate([dimensions, state.linkage])
        dimensions = np.concatenate([dimensions, list(state.joints.values())])
        misfit: Array = value - dimensions
        return misfit

    return Term(rows, residuals)
