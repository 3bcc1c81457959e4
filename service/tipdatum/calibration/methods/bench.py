"""Method 1, sensor on the bench: loose on a table in six or more orientations, whatever they are exactly.

At rest the length of the specific force is g, whichever way the part lies; with enough orientations that
alone gives bias and scale (six), and cross-axis terms as well (nine or more, so ten here).
"""

from __future__ import annotations

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import Setup
from tipdatum.kinematics.frames import Array


def bench(setup: Setup) -> Term:
    """One row for each rest on the bench: the length of the specific force."""
    rows: list[Row] = []
    sensors, power_ups, seen, lengths = [], [], [], []
    for o in setup.observations:
        name = o.of.split(":")[0].strip()
        if o.kind != "specific_force" or name not in setup.sensors or o.place is None:
            continue
        window = setup.evidence.windows[o.place]
        rest = window.sensors.get(name)
        if rest is None or o.value is None or o.sigma is None:
            continue
        s = setup.sensors.index(name)
        p = setup.power_ups[window.file, s]
        # The table's g stands behind all rests of a sensor alike; what differs from rest to rest is noise.
        rows.append(
            Row(
                o.id, o.kind, "m/s²", float(np.hypot(min(o.sigma, 0.002), max(rest.sigma_mps2))), "", -1, s, p
            )
        )
        sensors.append(s)
        power_ups.append(p)
        seen.append(rest.accel_mps2)
        lengths.append(o.value)
    s_, p_ = np.array(sensors, dtype=int), np.array(power_ups, dtype=int)
    readings, length = np.array(seen, dtype=float).reshape(-1, 3), np.array(lengths, dtype=float)

    def residuals(state: Parameters) -> Array:
        force = np.linalg.solve(state.gain[s_], (readings - state.bias[s_] - state.shift[p_])[..., None])
        misfit: Array = length - np.linalg.norm(force[..., 0], axis=-1)
        return misfit

    return Term(tuple(rows), residuals, machine=False)
