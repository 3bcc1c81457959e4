"""Accelerometers at rest: what ties the angles of every still window to mounts, biases and scales.

A sensor on a body with elevation angle θ and roll φ reads, at rest,

    reading = gain · mountᵀ · g · up(θ, φ) + bias + shift of this power-up

and on a part that turns beside the arm plane, the upper of a boom that swings or a bucket that tilts, what
that turn makes of up(θ, φ). All bodies of the arm plane share φ, so a window with four sensors gives twelve
numbers for five angles: the rest is what observes mount roll and yaw, bias and scale.
"""

from __future__ import annotations

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import ANGLES, Setup
from tipdatum.kinematics.frames import Array


def readings(setup: Setup) -> Term:
    """Three rows for each sensor of each still window."""
    rows: list[Row] = []
    windows, sensors, bodies, power_ups, observed = [], [], [], [], []
    for w, window in enumerate(setup.windows):
        for name, rest in window.sensors.items():
            if name not in setup.sensors:
                continue
            s = setup.sensors.index(name)
            p = setup.power_ups[window.file, s]
            single_axis = setup.machine.sensor[name].type == "tilt" and rest.accel_mps2[1] == 0.0
            for k, axis in enumerate("xyz"):
                # A single-axis inclinometer says nothing across its plane.
                sigma = 100.0 if single_axis and axis == "y" else rest.sigma_mps2[k]
                rows.append(Row(f"{name} in {window.label}", "reading", "m/s²", sigma, axis, w, s, p))
            windows.append(w)
            sensors.append(s)
            bodies.append(ANGLES.index(setup.bodies[s]))
            power_ups.append(p)
            observed.append(rest.accel_mps2)
    w_, s_, b_, p_ = (np.array(v, dtype=int) for v in (windows, sensors, bodies, power_ups))
    seen = np.array(observed, dtype=float).reshape(-1, 3)
    g = setup.machine.gravity_mps2

    def residuals(state: Parameters) -> Array:
        up = state.up(w_, b_)
        force = g * np.einsum("nji,nj->ni", state.mount[s_], up)
        predicted = np.einsum("nij,nj->ni", state.gain[s_], force) + state.bias[s_] + state.shift[p_]
        misfit: Array = (seen - predicted).ravel()
        return misfit

    return Term(tuple(rows), residuals, machine=setup.tilts)
