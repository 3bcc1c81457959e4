"""Rotations and directions shared by every part.

Frames are right-handed, metres: x forward along the boom plane, y left, z up (see `docs/conventions.md`).
`up` is the direction against gravity in a body's own axes, of length 1. With link elevation angle θ and
roll φ

    up = (cos φ · sin θ,  sin φ,  cos φ · cos θ)

so that θ = atan2(x·up, z·up) and φ = asin(y·up). With y to the left θ is the opposite of URDF's pitch.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

STANDARD_GRAVITY_MPS2 = 9.80665
"""Standard acceleration of gravity (3rd CGPM, 1901), used unless the site says otherwise."""


def rotation_from_rpy_deg(rpy_deg: ArrayLike) -> Array:
    """Rotation matrix (3, 3), sensor to body, from fixed-axis roll, pitch, yaw in degrees.

    R = Rz(yaw) @ Ry(pitch) @ Rx(roll), as a URDF `<origin rpy>` defines it.
    """
    roll, pitch, yaw = np.radians(np.asarray(rpy_deg, dtype=float))
    cr, sr, cp, sp, cy, sy = (
        math.cos(roll), math.sin(roll), math.cos(pitch), math.sin(pitch), math.cos(yaw), math.sin(yaw),
    )  # fmt: skip
    return np.array(
        [
            [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
            [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
            [-sp, cp * sr, cp * cr],
        ]
    )


def rpy_deg_from_rotation(rotation: ArrayLike) -> tuple[float, float, float]:
    """Inverse of `rotation_from_rpy_deg`: (roll, pitch, yaw) in degrees, pitch in [-90, 90].

    At pitch ±90° only the sum of roll and yaw is determined; yaw is then 0.
    """
    R = np.asarray(rotation, dtype=float)
    pitch = math.asin(max(-1.0, min(1.0, -R[2, 0])))
    if abs(R[2, 0]) > 1.0 - 1e-12:
        roll, yaw = math.atan2(-R[1, 2], R[1, 1]), 0.0
    else:
        roll, yaw = math.atan2(R[2, 1], R[2, 2]), math.atan2(R[1, 0], R[0, 0])
    return math.degrees(roll), math.degrees(pitch), math.degrees(yaw)


def elevation_angle(up: ArrayLike) -> Array:
    """Link elevation angle θ = atan2(x·up, z·up) in rad, (-π, π], from `up` of shape (..., 3)."""
    u = np.asarray(up, dtype=float)
    return np.asarray(np.arctan2(u[..., 0], u[..., 2]))


def roll_angle(up: ArrayLike) -> Array:
    """Roll φ = asin(y·up) in rad, from unit `up` of shape (..., 3); positive right side down."""
    u = np.asarray(up, dtype=float)
    return np.asarray(np.arcsin(np.clip(u[..., 1], -1.0, 1.0)))


def up_vector(theta: ArrayLike, roll: ArrayLike) -> Array:
    """`up` of shape (..., 3) from elevation angle and roll in rad; inverse of the two above."""
    th, ph = np.asarray(theta, dtype=float), np.asarray(roll, dtype=float)
    level = np.cos(ph)
    x = level * np.sin(th)
    up = np.empty((*x.shape, 3))
    up[..., 0], up[..., 1], up[..., 2] = x, np.sin(ph), level * np.cos(th)
    return up


def crossed(a: Array, vectors: Array) -> Array:
    """a × v, of one a (3,) and many v (..., 3); numpy's own costs several times as much."""
    (p, q, r), found = a.tolist(), np.empty(vectors.shape)
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    found[..., 0], found[..., 1], found[..., 2] = q * z - r * y, r * x - p * z, p * y - q * x
    return found


def wrap(angle: ArrayLike) -> Array:
    """An angle difference in rad brought into (-π, π]."""
    a = np.asarray(angle, dtype=float)
    return -np.remainder(-a + np.pi, 2.0 * np.pi) + np.pi


def nearest_turn(angle: float, near: float) -> float:
    """`angle` plus the whole number of turns that brings it nearest to `near`, rad.

    A curled bucket passes ±180° in normal work; angles are carried on, never folded.
    """
    return angle + 2.0 * math.pi * round((near - angle) / (2.0 * math.pi))
