"""Swing and tilt as somebody read them, and the boom's encoder: an angle each, against a mark or a stop."""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.joints import ZERO
from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import SWING, TILT, Setup
from tipdatum.kinematics.frames import Array


def told_angles(setup: Setup) -> Term:
    """One row for each swing and tilt that was read."""
    found = [o for o in setup.observations if o.kind in ("swing", "tilt") and o.place in setup.of_window]
    w_ = np.array([setup.of_window[o.place] for o in found if o.place is not None], dtype=int)
    k_ = np.array([SWING if o.kind == "swing" else TILT for o in found], dtype=int)
    value = np.radians([o.value or 0.0 for o in found])
    rows = tuple(
        Row(o.id, o.kind, "rad", math.radians(o.sigma or 1.0), "", int(w))
        for o, w in zip(found, w_, strict=True)
    )

    def residuals(state: Parameters) -> Array:
        misfit: Array = value - state.angles[w_, k_]
        return misfit

    return Term(rows, residuals, machine=False)


def encoders(setup: Setup) -> Term:
    """One row for each rest in which the boom's encoder spoke."""
    rows = tuple(Row(name, "encoder", "rad", sigma, "", w) for name, w, _, sigma in setup.encoded)
    w_ = np.array([w for _, w, _, _ in setup.encoded], dtype=int)
    told = np.array([angle for _, _, angle, _ in setup.encoded])

    def residuals(state: Parameters) -> Array:
        misfit: Array = told - state.angles[w_, SWING] - state.joints.get(ZERO, 0.0)
        return misfit

    return Term(rows, residuals)
