"""Method 4, reversal: slewing turns the upper over the same ground, so mount and ground's slope part.

With the tracks' vertical u = up(pitch, roll) of the standing and the upper turned by ψ to the left, the
vertical in the upper frame is Rz(ψ)ᵀ u. Half a turn later the ground's share has changed sign and the
mount's has not, as when a level is reversed. The machine also tilts on its tracks under the load moment,
which turns with the arm and looks like a mount error: it is an unknown of its own with a wide prior.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import SLEW, UPPER, Setup
from tipdatum.kinematics.frames import Array, up_vector, wrap

ROCKING_SHARE = 0.4
"""Part of the load tilt that differs from posture to posture, and so acts at random."""


def slew_readings(setup: Setup) -> Term:
    """For each slew reading: the reading itself, and two components of the tracks' vertical."""
    rows: list[Row] = []
    w_, s_, value = [], [], []
    random = math.radians(max(ROCKING_SHARE * setup.assume.load_tilt_deg, 0.02))
    for o in setup.observations:
        if o.kind != "slew" or o.standing is None or o.place not in setup.of_window:
            continue
        w, s = setup.of_window[o.place], setup.standings.index(o.standing)
        rows += [
            Row(o.id, o.kind, "rad", math.radians(o.sigma or 1.0), "reading", w, standing=s),
            Row(o.id, o.kind, "rad", random, "pitch", w, standing=s, tested=False),
            Row(o.id, o.kind, "rad", random, "roll", w, standing=s, tested=False),
        ]
        w_.append(w)
        s_.append(s)
        value.append(math.radians(o.value or 0.0))
    wi, si = np.array(w_, dtype=int), np.array(s_, dtype=int)
    read = np.array(value)

    upper = np.full(len(wi), UPPER)

    def residuals(state: Parameters) -> Array:
        slew = state.angles[wi, SLEW]
        # The standing's pitch and roll as up(θ, φ); small angles, so their order does not matter.
        tracks = up_vector(state.standing[si, 1], state.standing[si, 2])
        c, s = np.cos(slew), np.sin(slew)
        x = c * tracks[:, 0] + s * tracks[:, 1] + state.load_tilt
        y = -s * tracks[:, 0] + c * tracks[:, 1]
        seen = state.up(wi, upper)
        return np.stack([wrap(read - slew), seen[:, 0] - x, seen[:, 1] - y], axis=-1).ravel()

    return Term(tuple(rows), residuals)
