"""Method 7, mount roll and yaw from motion: the gyro's axis while a single joint moves.

When only one joint of the arm plane turns, every body beyond it turns about its own y axis; a rising link
turns about -y. When only the upper slews, it turns about its own z axis, and the links about an axis with
no y component. Gravity is not needed, so this holds on any ground.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.unknowns import Parameters, Setup
from tipdatum.kinematics.frames import Array

BEYOND = {
    "boom": ("boom", "second_boom", "stick", "bucket", "rocker"),
    "second_boom": ("second_boom", "stick", "bucket", "rocker"),
    "stick": ("stick", "bucket", "rocker"),
    "bucket": ("bucket", "rocker"),
}
"""Joint that moves → bodies that turn with it."""

UNCLEAN = 0.15
"""Share of turning off the axis above which a swing is not taken for one of a single joint."""


def axes(setup: Setup) -> Term:
    """For each swing and gyro: the components of its axis, in body axes, that should be nothing."""
    rows: list[Row] = []
    s_, axis, c_ = [], [], []
    for o in setup.observations:
        if o.kind != "single_joint":
            continue
        for name, seen in setup.evidence.swings.get(o.id, {}).items():
            if name not in setup.sensors or seen.linearity > UNCLEAN:
                continue
            s = setup.sensors.index(name)
            body = setup.bodies[s]
            if o.of == "slew":
                components = (0, 1) if body == "upper" else (1,)
            elif body in BEYOND[o.of]:
                components = (0, 2)
            else:
                continue
            for k in components:
                rows.append(
                    Row(
                        f"{o.id}: {name}", o.kind, "rad", math.radians(setup.assume.axis_sigma_deg),
                        f"axis {'xyz'[k]}", -1, s,
                    )
                )  # fmt: skip
                s_.append(s)
                axis.append(seen.axis)
                c_.append(k)
    si, ci = np.array(s_, dtype=int), np.array(c_, dtype=int)
    n = np.array(axis, dtype=float).reshape(-1, 3)

    def residuals(state: Parameters) -> Array:
        turned = np.einsum("nij,nj->ni", state.mount[si], n)
        misfit: Array = -turned[np.arange(len(ci)), ci]
        return misfit

    return Term(tuple(rows), residuals, machine=False)
