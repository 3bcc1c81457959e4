"""Method 5, rocker: the linkage's loop, as a condition between rocker, bucket and dimensions.

Each window that a rocker sensor saw has its own unknown rocker and bucket angle, held together by the
link's length: |BC| = link with B the rocker–link pin and C the link–bucket pin. That condition is smooth
everywhere, also where dimensions not yet right would not let the linkage close, so a start from which it
cannot close traps nobody; in the solution it holds to a hundredth of a millimetre.
"""

from __future__ import annotations

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import BUCKET, ROCKER, STICK, Setup
from tipdatum.kinematics.frames import Array

LOOP_SIGMA_M = 1e-5
"""How exactly the loop must close: far below any tape, far above rounding."""


def loop(setup: Setup) -> Term:
    """One row for each window with a reading of the rocker's sensor."""
    s = setup.sensor_on("rocker")
    name = setup.sensors[s] if s is not None else ""
    w_ = np.array([w for w, window in enumerate(setup.windows) if name in window.sensors], dtype=int)
    rows = tuple(
        Row(f"linkage in {setup.windows[w].label}", "loop", "m", LOOP_SIGMA_M, "", int(w), tested=False)
        for w in w_
    )

    def residuals(state: Parameters) -> Array:
        if state.linkage is None:
            return np.zeros(0)
        px, pz, rocker, link, ear, ear_angle = state.linkage
        rho = state.angles[w_, ROCKER] - state.angles[w_, STICK]
        gamma = state.angles[w_, BUCKET] - state.angles[w_, STICK] + ear_angle
        across = state.lengths[-2] + ear * np.cos(gamma) - px - rocker * np.cos(rho)
        along = ear * np.sin(gamma) - pz - rocker * np.sin(rho)
        closed: Array = link - np.hypot(across, along)
        return closed

    return Term(rows, residuals)
