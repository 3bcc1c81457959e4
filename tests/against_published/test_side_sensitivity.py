"""What an error of the description does to tip, corners and fall, against finite differences of a machine put
up by pytransform3d (BSD-3), whose angles Newton steps find from what its sensors feel.

As in use: the upper's sensor tells the lean, each section's its elevation angle, the one on a bucket that
tilts curl and tilt together.
"""

from __future__ import annotations

import copy
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from joint_retrofits import GRAVITY, KINDS, Body, Matrix, Pose, about, as_described, chained

from tipdatum.calibration.envelope import Postures
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.machine.description import parse_machine


def described(kind: str) -> dict[str, Any]:
    data = copy.deepcopy(KINDS[kind]) | {"name": kind, "sensor": {}}
    bodies = ["upper", "boom", *(["second_boom"] if "second_boom" in data else []), "stick", "bucket"]
    for k, body in enumerate(bodies):
        rpy = ([10.0, 20.0, 90.0], [-90.0, 5.0, 30.0], [90.0, 0.0, 180.0], [3.0, -40.0, 0.0])[k % 4]
        data["sensor"][body] = {"body": body, "mount_rpy_deg": rpy}
    if "boom_swing" in data:
        data["sensor"]["swing"] = {"body": "boom_swing", "type": "slew", "mount_rpy_deg": [0.0, 0.0, 4.0]}
    return data


def told_off(data: dict[str, Any], name: str, by: float) -> tuple[dict[str, Any], Body]:
    """The description with one thing in it off by so much, and the machine that it means."""
    off = copy.deepcopy(data)
    table, _, key = name.partition(".")
    tilting = off["coupler"] if "tilt_axis_m" in off.get("coupler", {}) else off["bucket"][0]
    if name.startswith("boom.foot_m"):
        off["boom"]["foot_m"]["xyz".index(name[-1])] += by
    elif name.startswith("boom_swing.pivot_m"):
        off["boom_swing"]["pivot_m"]["xyz".index(name[-1])] += by
    elif name == "bucket.tilt_axis":
        tilting["tilt_axis_deg"] += math.degrees(by)
    elif name == "bucket.tilt_axis_offset":
        a = math.radians(tilting["tilt_axis_deg"])
        x, z = tilting["tilt_axis_m"]
        tilting["tilt_axis_m"] = [x - by * math.sin(a), z + by * math.cos(a)]
    elif name == "bucket.tip_m":
        off["bucket"][0]["tip_m"] += by
    elif key == "length_m":
        off[table]["length_m"] += by
    body = as_described(off)
    if table == "sensor":
        sensor, of, axis = key.split(".")
        if of == "mount":
            vector = by * np.eye(3)[("roll", "pitch", "yaw").index(axis)]
            body.mounts[sensor] = Rotation.from_rotvec(vector).as_matrix() @ body.mounts[sensor]
        else:
            body.bias[sensor] = by * np.eye(3)["xyz".index(axis)]
    return off, body


class Service:
    """Finds the angles that a description makes of readings, near a posture that it has seen."""

    def __init__(self, true: Body, felt: dict[str, Matrix], start: Pose) -> None:
        self._names = [*true.sections, "bucket", *(["tilt"] if "tilt" in start else [])]
        self._felt, self._tilts = felt, "tilt" in start
        self._start = np.array([0.0, 0.0, *(start[n] for n in self._names)])
        swing, step = start.get("swing", 0.0), 1e-6
        columns = [
            self._unlike(true, self._start + step * e, swing)
            - self._unlike(true, self._start - step * e, swing)
            for e in np.eye(len(self._start))
        ]
        self._back = np.linalg.pinv(np.stack(columns, axis=-1) / (2.0 * step))

    def takes(self, ours: Body, swing: float) -> dict[str, Matrix]:
        """Where everything is by a description that is off by little."""
        v = self._start
        for _ in range(3):
            v = v - self._back @ self._unlike(ours, v, swing)
        return self._frames(ours, v, swing)

    def _frames(self, ours: Body, v: Matrix, swing: float) -> dict[str, Matrix]:
        lean = chained(about((0, 1, 0), v[0]), about((1, 0, 0), v[1]))
        return ours.frames(dict(zip(self._names, v[2:], strict=True)) | {"swing": swing}, lean)

    def _unlike(self, ours: Body, v: Matrix, swing: float) -> Matrix:
        at, out = self._frames(ours, v, swing), []
        for body in ("upper", *ours.sections, "bucket"):
            seen = ours.mounts[body] @ (self._felt[body] - ours.bias[body])
            seen = seen / np.linalg.norm(seen)
            up = at[body][:3, :3].T @ [0.0, 0.0, 1.0]
            if body == "upper" or (body == "bucket" and self._tilts):
                out += list(up - seen)
            else:
                out.append(up[0] * seen[2] - up[2] * seen[0])
        return np.array(out)


def figures_of(at: dict[str, Matrix]) -> dict[str, float]:
    edge = at["left"][:3, 3] - at["right"][:3, 3]
    tip = at["upper"][:3, :3].T @ at["tip"][:3, 3]
    fall = math.atan2(edge[2], math.hypot(edge[0], edge[1]))
    return {
        "tip": at["tip"][2, 3], "left": at["left"][2, 3], "right": at["right"][2, 3], "fall": fall,
        "sideways": float(tip[1]),
    }  # fmt: skip


LEFT: Pose = {"boom": 0.6, "second_boom": 0.1, "stick": -0.9, "bucket": -2.0, "swing": 0.7, "tilt": 0.45}
RIGHT: Pose = {"boom": 0.1, "second_boom": -0.4, "stick": -1.4, "bucket": -2.4, "swing": -0.8, "tilt": -0.6}
OWN = (
    "boom.foot_m.x", "boom.foot_m.z", "boom.length_m", "second_boom.length_m", "stick.length_m",
    "bucket.tip_m", "boom_swing.pivot_m.x", "boom_swing.pivot_m.y", "boom_swing.zero", "bucket.tilt_axis",
    "bucket.tilt_axis_offset", "coupler.length_m",
)  # fmt: skip
OF_SENSORS = tuple(
    f"sensor.{body}.{what}"
    for body in ("upper", "stick", "bucket")
    for what in ("mount.roll", "mount.pitch", "mount.yaw", "accel_bias.x")
)


@pytest.mark.parametrize(("kind", "pose"), list(zip(KINDS, [LEFT, RIGHT] * 3, strict=False)))
def test_an_error_moves_tip_corners_and_fall_as_finite_differences_say(kind: str, pose: Pose) -> None:
    data = described(kind)
    machine, true = parse_machine(data, "m.toml"), as_described(data)
    chain, sections = machine.chain(), machine.sections
    sides = ["swing"] * (chain.swing is not None) + ["tilt"] * (chain.tilt is not None)
    joints = {name: pose[name] for name in (*sections, *sides)}
    at = true.frames(joints, np.eye(4))
    felt = {n: true.felt(at, n) for n in true.tilt_sensors}
    assert float(np.linalg.norm(felt["boom"])) == pytest.approx(GRAVITY)
    service = Service(true, felt, joints)
    nan, swing = np.full(1, math.nan), joints.get("swing", 0.0)
    sensitivity = TipSensitivity(machine)
    postures = Postures(nan, nan, np.array([[0.0, 0.0, *joints.values()]]), nan)
    J = dict(zip(sensitivity.figures, sensitivity.jacobians(postures)[0], strict=True))
    if "left" in J:
        run = math.hypot(*(at["left"] - at["right"])[:2, 3])
        J["fall"] = (J["left"] - J["right"]) / run
    names = [n for n in (*OWN, *OF_SENSORS) if n in sensitivity.names]
    assert len(names) >= len(OF_SENSORS) + 5
    for name in names:
        step = 1e-4 if "accel" in name else 1e-5
        ends = []
        for by in (step, -step):
            taken = swing - (by if name == "boom_swing.zero" else 0.0)
            ends.append(figures_of(service.takes(told_off(data, name, by)[1], taken)))
        for figure, row in J.items():
            if figure != "sideways" or name.startswith("boom_swing."):
                slope = (ends[0][figure] - ends[1][figure]) / (2.0 * step)
                assert row[sensitivity.names.index(name)] == pytest.approx(slope, abs=2e-4), (name, figure)
