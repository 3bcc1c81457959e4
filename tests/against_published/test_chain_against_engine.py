"""The chain and the linkage against a rigid-body physics engine: where is the tip when the machine stands?

The sessions are the developers' simulated ones (MuJoCo, not this project's kinematics; skipped without them).
At rest an accelerometer is an inclinometer, so that mounts, angles, chain and linkage are all there is.
Industrial sensors in them are biased by up to 1 mg: 1 mrad at 7 m of reach is 7 mm, of four sensors together
15 mm. Hobby sensors are up to 8 times worse, so their session is held to 60 mm.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.kinematics.frames import elevation_angle, roll_angle, rotation_from_rpy_deg
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu, Truth
from tipdatum_drivers.session_file import SessionFile

Floats = NDArray[np.float64]

REST_S = (0.5, 4.5)
"""Every one of the sessions begins with 5 s of rest."""


def _ups(path: Path) -> tuple[Machine, dict[str, Floats], Floats]:
    """Machine, up vector of each body, and the true tip, averaged over the rest."""
    session = SessionFile(path)
    machine = parse_machine(session.header.machine, path.name)
    forces: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    tips = []
    for record in session:
        if record.t > REST_S[1]:
            break
        if record.t < REST_S[0]:
            continue
        if isinstance(record, Imu):
            forces[record.sensor].append(record.accel_mps2)
        elif isinstance(record, Truth):
            tips.append(record.tip_m)
    ups: dict[str, Floats] = {}
    for name, rows in forces.items():
        sensor = machine.sensor[name]
        force = rotation_from_rpy_deg(sensor.mount_rpy_deg) @ np.mean(rows, axis=0)
        ups[sensor.body] = force / np.linalg.norm(force)
    return machine, ups, np.mean(tips, axis=0)


def _check(machine: Machine, ups: dict[str, Floats], bucket: float, truth: Floats, tolerance: float) -> None:
    angles = [float(elevation_angle(ups[body])) for body in ("upper", "boom", "stick")]
    roll = float(np.mean([roll_angle(up) for up in ups.values()]))
    q = np.array([angles[0], roll, *angles[1:], bucket])
    reach, lateral, height = machine.chain().tip(q)
    assert height == pytest.approx(truth[2], abs=tolerance)
    # The truth's horizontal axes do not turn with the machine; only the distance can be compared.
    assert math.hypot(reach, lateral) == pytest.approx(math.hypot(truth[0], truth[1]), abs=tolerance)


@pytest.mark.parametrize("name", ["trench", "slope", "static", "jerky-crossfall"])
def test_a_standing_machine_has_its_tip_where_the_engine_has_it(
    shared_data: Callable[..., Path], name: str
) -> None:
    machine, ups, truth = _ups(shared_data("physics_public", f"{name}-industrial.ndjson.gz"))
    _check(machine, ups, float(elevation_angle(ups["bucket"])), truth, 0.015)


def test_a_bucket_seen_through_the_rocker_has_its_tip_there_too(shared_data: Callable[..., Path]) -> None:
    machine, ups, truth = _ups(shared_data("physics_public", "trench-hobby-rocker.ndjson.gz"))
    stick = float(elevation_angle(ups["stick"]))
    rocker = float(elevation_angle(ups["rocker"])) - stick
    solution = machine.four_bar().bucket_from_rocker(rocker)
    assert solution.closes.all()
    _check(machine, ups, stick + float(solution.bucket[0]), truth, 0.06)
