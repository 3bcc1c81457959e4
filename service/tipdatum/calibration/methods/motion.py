"""Method 7, mount roll and yaw from motion: the gyro's axis while a single joint moves.

When only one joint of the arm plane turns, every body beyond it turns about its own y axis; a rising link
turns about -y. When only the upper slews, it turns about its own z axis, and the links about an axis with
no y component; so they do when the boom swings at its foot. A part that tilts turns about its tilt axis.
Gravity is not needed, so this holds on any ground.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import Setup
from tipdatum.kinematics.frames import Array

BEYOND = {
    "boom": ("boom", "second_boom", "stick", "bucket", "rocker"),
    "second_boom": ("second_boom", "stick", "bucket", "rocker"),
    "stick": ("stick", "bucket", "rocker"),
    "bucket": ("bucket", "rocker"),
}
"""Joint that moves → bodies that turn with it."""

SQUARE = 3
"""Number of the component that is square to the tilt axis in the arm plane."""

UNCLEAN = 0.15
"""Share of turning off the axis above which a swing is not taken for one of a single joint."""


def axes(setup: Setup) -> Term:
    """For each swing and gyro: the components of its axis, in body axes, that should be nothing."""
    rows: list[Row] = []
    s_, axis, c_ = [], [], []
    square: list[int] = []
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
            elif o.of == "boom_swing" and body != "upper":
                components = (1,)
            elif o.of == "tilt" and body == "bucket":
                # Square to the tilt axis, in the arm plane and across it.
                components = (1, SQUARE)
            elif body in BEYOND.get(o.of, ()):
                components = (0, 2)
            else:
                continue
            for k in components:
                if k == SQUARE:
                    square.append(len(rows))
                rows.append(
                    Row(
                        f"{o.id}: {name}", o.kind, "rad", math.radians(setup.assume.axis_sigma_deg),
                        f"axis {'xyzz'[k]}", -1, s,
                    )
                )  # fmt: skip
                s_.append(s)
                axis.append(seen.axis)
                c_.append(k)
    si, ci = np.array(s_, dtype=int), np.array(c_, dtype=int)
    n = np.array(axis, dtype=float).reshape(-1, 3)

    def residuals(state: Parameters) -> Array:
        turned = np.einsum("nij,nj->ni", state.mount[si], n)
        if square and state.axis is not None:
            ax, _, az = state.axis.direction
            turned = np.concatenate([turned, (az * turned[:, 0] - ax * turned[:, 2])[:, None]], axis=1)
        misfit: Array = -turned[np.arange(len(ci)), ci]
        return misfit

    return Term(tuple(rows), residuals, machine=bool(square))
