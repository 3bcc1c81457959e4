"""A machine made of 4×4 matrices: the truth behind a simulated retrofit.

Bodies are a chain of homogeneous transforms in the ground's frame, mounts come from scipy's rotations, the
linkage from a bracketed root of its loop. Nothing is shared with the service's kinematics.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

Matrix = NDArray[np.float64]


def turned(axis: str, angle: float) -> Matrix:
    """4×4 rotation about an axis."""
    T = np.eye(4)
    T[:3, :3] = Rotation.from_euler(axis, angle).as_matrix()
    return T


def moved(x: float, y: float, z: float) -> Matrix:
    """4×4 translation."""
    T = np.eye(4)
    T[:3, 3] = x, y, z
    return T


def right_angle_rpy(rotation: Rotation) -> list[float]:
    """Roll, pitch, yaw in degrees of a quarter-turn orientation."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # at a pitch of 90 degrees one of the other two is free
        return [round(float(v), 3) + 0.0 for v in rotation.as_euler("xyz", degrees=True)]


@dataclass
class Posture:
    """Joints: slew, then boom, stick, bucket, each relative to the body before it, rad, rising positive."""

    slew: float
    boom: float
    stick: float
    bucket: float


@dataclass
class Standing:
    """Ground under the tracks: pitch and roll, rad, and where the slew centre stands."""

    pitch: float
    roll: float
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    heading: float = 0.0


@dataclass
class TrueMachine:
    """What is really there; `mounts` are sensor to body."""

    foot: tuple[float, float]
    lengths: tuple[float, float, float]
    linkage: dict[str, Any]
    mounts: dict[str, Matrix]
    bias: dict[str, Matrix]
    scale: dict[str, Matrix]
    rocking: float

    def frames(self, p: Posture, s: Standing) -> dict[str, Matrix]:
        """Every body's frame, and the tip's, in the ground's frame.

        Raises:
            ValueError: the linkage cannot take that bucket angle.
        """
        found = self.arm(p, s)
        if self.linkage:
            x, z = self.linkage["rocker_pivot_m"]
            found["rocker"] = found["stick"] @ moved(x, 0.0, z) @ turned("y", -self.rocker_joint(p.bucket))
        return found

    def arm(self, p: Posture, s: Standing) -> dict[str, Matrix]:
        """Frames of the arm plane's bodies and the tip."""
        outwards = (self.lengths[0] * math.cos(p.boom) + self.lengths[1] * math.cos(p.boom + p.stick)) / sum(
            self.lengths[:2]
        )
        ground = moved(*s.place) @ turned("z", s.heading) @ turned("y", -s.pitch) @ turned("x", s.roll)
        upper = ground @ turned("z", p.slew) @ turned("y", self.rocking * outwards)
        boom = upper @ moved(self.foot[0], 0.0, self.foot[1]) @ turned("y", -p.boom)
        stick = boom @ moved(self.lengths[0], 0.0, 0.0) @ turned("y", -p.stick)
        bucket = stick @ moved(self.lengths[1], 0.0, 0.0) @ turned("y", -p.bucket)
        found = {"upper": upper, "boom": boom, "stick": stick, "bucket": bucket}
        found["tip"] = bucket @ moved(self.lengths[2], 0.0, 0.0)
        return found

    def takes(self, bucket: float) -> bool:
        """Whether the bucket's joint goes there, with a linkage far enough from its dead centres."""
        if not self.linkage:
            return -2.2 < bucket < 0.7
        return -1.6 < bucket < 0.5 and self.transmission(bucket) > math.radians(25.0)

    def transmission(self, bucket: float) -> float:
        """Angle between link and ear, rad in [0, π/2]; 0 where they are in line, or nothing fits."""
        k = self.linkage
        try:
            rho = self.rocker_joint(bucket)
        except ValueError:
            return 0.0
        x, z = k["rocker_pivot_m"]
        ear = bucket + math.radians(k["bucket_ear_angle_deg"])
        pin = np.array(
            [self.lengths[1] + k["bucket_ear_m"] * math.cos(ear), k["bucket_ear_m"] * math.sin(ear)]
        )
        end = np.array([x + k["rocker_m"] * math.cos(rho), z + k["rocker_m"] * math.sin(rho)])
        link, lever = pin - end, pin - np.array([self.lengths[1], 0.0])
        return math.acos(
            min(1.0, abs(float(link @ lever)) / float(np.linalg.norm(link) * np.linalg.norm(lever)))
        )

    def rocker_joint(self, bucket: float) -> float:
        """Rocker angle relative to the stick: where the link's length fits.

        Raises:
            ValueError: the linkage cannot take that bucket angle.
        """
        k = self.linkage
        x, z = k["rocker_pivot_m"]
        ear = bucket + math.radians(k["bucket_ear_angle_deg"])
        cx = self.lengths[1] + k["bucket_ear_m"] * math.cos(ear) - x
        cz = k["bucket_ear_m"] * math.sin(ear) - z

        def gap(rho: float) -> float:
            dx, dz = cx - k["rocker_m"] * math.cos(rho), cz - k["rocker_m"] * math.sin(rho)
            return math.hypot(dx, dz) - float(k["link_m"])

        towards = math.atan2(cz, cx)
        return float(brentq(gap, towards, towards + math.pi))
