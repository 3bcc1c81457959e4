"""How a part is bolted on, when the description has it wrong by more than an adjustment can walk.

A mount written for another face of the part, or not written at all, is tens of degrees off and would lead
the adjustment into a wrong valley. Swings of single joints show the body's y axis (the upper's z axis)
without any gravity; around that axis the one angle left is found by trying all of them against the slopes
that were measured. Only a mount that is plainly wrong is replaced, and the report says so.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial.transform import Rotation

from tipdatum.calibration.methods.motion import BEYOND, UNCLEAN
from tipdatum.calibration.unknowns import Setup
from tipdatum.kinematics.frames import Array

PLAINLY_WRONG_DEG = 25.0
"""Turn from the description's mount at which the one that was found replaces it."""

_TRIED = np.radians(np.arange(0.0, 360.0, 2.0))


def found_mounts(setup: Setup, described: list[Array]) -> list[Array]:
    """Mounts to start from: the described ones, but for those that swings and slopes contradict."""
    return [_found(setup, s, mount) for s, mount in enumerate(described)]


def _found(setup: Setup, s: int, described: Array) -> Array:
    body = setup.bodies[s]
    # A rocker's last angle shows in the bucket alone; the scan of its mount looks for that.
    axis = None if body == "rocker" else _own_axis(setup, s)
    if axis is None:
        return described
    target = np.array([0.0, 0.0, 1.0]) if body == "upper" else np.array([0.0, 1.0, 0.0])
    turned = _least_turn(described @ axis, target) @ described
    if body in ("boom", "second_boom", "stick", "bucket"):
        turned = _around_y(setup, s, turned)
    off = float(np.degrees(Rotation.from_matrix(turned @ described.T).magnitude()))
    return turned if off > PLAINLY_WRONG_DEG else described


def _own_axis(setup: Setup, s: int) -> Array | None:
    """The body's y axis (the upper's z axis) in the sensor's axes, from clean swings; None without one."""
    name, body = setup.sensors[s], setup.bodies[s]
    seen = []
    for o in setup.observations:
        swing = setup.evidence.swings.get(o.id, {}).get(name) if o.kind == "single_joint" else None
        if swing is None or swing.linearity > UNCLEAN:
            continue
        sense = 1.0 if (o.value or 1.0) > 0 else -1.0
        if body == "upper" and o.of == "slew":
            seen.append(sense * swing.axis)
        elif body in BEYOND.get(o.of, ()):
            seen.append(-sense * swing.axis)
    if not seen:
        return None
    mean = np.mean(seen, axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def _least_turn(start: Array, to: Array) -> Array:
    """The smallest rotation that brings one unit vector to another."""
    cross, cosine = np.cross(start, to), float(start @ to)
    sine = float(np.linalg.norm(cross))
    if sine < 1e-9:
        half = np.array([1.0, 0.0, 0.0]) if abs(start[0]) < 0.9 else np.array([0.0, 0.0, 1.0])
        return np.eye(3) if cosine > 0 else np.asarray(Rotation.from_rotvec(math.pi * half).as_matrix())
    turn = cross / sine * math.atan2(sine, cosine)
    return np.asarray(Rotation.from_rotvec(turn).as_matrix())


def _around_y(setup: Setup, s: int, mount: Array) -> Array:
    """The mount turned about the body's y axis to where it fits the measured slopes best."""
    name, body = setup.sensors[s], setup.bodies[s]
    ups, sines = [], []
    for o in setup.observations:
        if o.kind != "slope" or o.of != body or o.place not in setup.of_window or o.value is None:
            continue
        rest = setup.windows[setup.of_window[o.place]].sensors.get(name)
        if rest is not None:
            up = mount @ np.array(rest.accel_mps2)
            ups.append(up / np.linalg.norm(up))
            sines.append(math.sin(math.radians(o.value)))
    if len(ups) < 3:
        return mount
    u, wanted = np.array(ups), np.array(sines)
    # Turning about y by c makes the x component x cos c + z sin c.
    x = np.outer(np.cos(_TRIED), u[:, 0]) + np.outer(np.sin(_TRIED), u[:, 2])
    best = float(_TRIED[int(np.argmin(np.median(np.abs(x - wanted), axis=1)))])
    return np.asarray(Rotation.from_rotvec([0.0, best, 0.0]).as_matrix() @ mount)
