"""Parts that turn beside the arm plane, as the filter sees them: a swing post's upper, a tilting bucket.

A sensor on such a part is taken as one on its body of the arm plane with a mount that turns, R(α):

    f_body = R(α) f_part        ω_body = R(α) ω_part - α̇ a        R(α) = rotation by α about the axis a

Its α is one more state, whose rate is what its gyro says about the axis, less what the body turns about it as
the *other* gyros tell it. So along the axis the part's gyro tells α̇ and nothing else; square to it, it tells
what every gyro tells. An error of α acts like an error of the mount about a.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array, Complex

AT_MOST_RAD = math.radians(100.0)
"""Furthest that a boom swings or a bucket tilts, rad."""
SWING_SIGMA_RAD, TILT_SIGMA_RAD = math.radians(45.0), math.radians(30.0)
"""1-sigma of a swing and of a tilt of which nothing is known."""
LEAN_SIGMA_RAD = math.radians(0.9)
"""1-sigma of the lean that a force shows across the arm plane against the plane's roll, rad: two mounts."""


class SidePart(NamedTuple):
    """One of them.

    Attributes:
        joint: "boom_swing" or "tilt".
        sensor: number of the sensor that sits on the part; None where there is none.
        body: number of its body of the arm plane.
        axis: (3,). cross: (3, 3) [a]×.
        axis_c: axis as x + iz.
        sigma: rad, see above.
    """

    joint: str
    sensor: int | None
    body: int
    axis: Array
    cross: Array
    axis_c: complex
    sigma: float

    def rotation(self, angle: float) -> Array:
        """R(α), (3, 3)."""
        return np.asarray(
            np.eye(3) + math.sin(angle) * self.cross + (1.0 - math.cos(angle)) * self.cross @ self.cross
        )

    def turn(self, in_plane: Complex, across: Array, angle: Array) -> tuple[Complex, Array]:
        """R(α) of vectors x + iz, y, each turned by its own angle (Rodrigues)."""
        a = self.axis_c
        c, s = np.cos(angle), np.sin(angle)
        along = (in_plane * a.conjugate()).real * (1.0 - c)
        # a × v = (-a_z y, a_z x - a_x z, a_x y), which in the plane is y · i a.
        turned = in_plane * c + (1j * a) * (across * s) + a * along
        return turned, across * c + (a.conjugate() * in_plane).imag * -s

    def found(self, up: Array, sine: float, prior: float, sigma: float) -> tuple[float, float]:
        """α of a part at rest and its variance, from the direction of `up` in the part's axes.

        Turned by α it has to lean across the arm plane as the plane's roll has it. That has two solutions,
        or none, or says nothing where the axis stands upright: so the posterior is taken on a grid.

        Args:
            up: (3,) of length 1. sine: of the roll. prior, sigma: rad, what was known.
        """
        angles = np.linspace(-AT_MOST_RAD, AT_MOST_RAD, 801)
        ax, az = float(self.axis[0]), float(self.axis[2])
        across = up[1] * np.cos(angles) + (az * up[0] - ax * up[2]) * np.sin(angles)
        log = -0.5 * (((across - sine) / LEAN_SIGMA_RAD) ** 2 + ((angles - prior) / sigma) ** 2)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean = float(weight @ angles)
        return mean, float(weight @ (angles - mean) ** 2)


def side_parts(arm: SensedArm, channels: list[Channel]) -> tuple[SidePart, ...]:
    """Those of an arm, in the order of q."""
    bodies = ("upper", *arm.sections)
    parts = []
    for turn in arm.turns:
        on = next((i for i, ch in enumerate(channels) if ch.sensor.body == turn.body), None)
        x, y, z = turn.axis
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        sigma = SWING_SIGMA_RAD if turn.joint == "boom_swing" else TILT_SIGMA_RAD
        parts.append(
            SidePart(
                turn.joint, on, bodies.index(turn.body), np.array(turn.axis), cross, complex(x, z), sigma
            )
        )
    return tuple(parts)
