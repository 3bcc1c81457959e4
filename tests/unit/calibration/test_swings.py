"""Positions, latencies and gyro scales out of single-joint motions of a machine whose truth is known.

The motion is exact: angles as smooth functions of time, positions of the sensors in the plane of the arm,
accelerations by central differences of positions (nothing of the formula that is tested), readings through
true scales and delays.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.calibration.recordings import Motion, RecordedEvidence, Samples, swing
from tipdatum.calibration.swings import Found, parts
from tipdatum.machine.description import Machine, parse_machine

Floats = NDArray[np.float64]
G = 9.80665
REST = {"boom": 0.45, "stick": -1.0, "bucket": -1.8}
TRUE_POSITION = {"upper": (-0.5, 0.4, 1.3), "boom": (2.2, 0.15, 0.35), "stick": (1.05, 0.1, 0.2),
                 "bucket": (0.15, 0.3, 0.12)}  # fmt: skip
OFF_M = {
    "upper": (0.0, 0.0, 0.0),
    "boom": (0.03, 0.0, -0.04),
    "stick": (-0.03, 0.0, 0.02),
    "bucket": (0.02, 0.0, 0.03),
}
TRUE_LATENCY = {"upper": 0.010, "boom": 0.014, "stick": 0.009, "bucket": 0.012}
TRUE_SCALE = {"upper": 0.0, "boom": 0.004, "stick": -0.003, "bucket": 0.002}
"""Of the gyro's y axis, which is the body's."""
JOINTS = {"boom": ("boom", "stick", "bucket"), "stick": ("stick", "bucket"), "bucket": ("bucket",)}
LENGTHS = {"boom": 4.6, "stick": 2.5, "bucket": 1.3}


def described() -> Machine:
    sensors: dict[str, Any] = {
        n: {
            "body": n,
            "latency_s": 0.011,
            "position_m": [a + b for a, b in zip(TRUE_POSITION[n], OFF_M[n], strict=True)],
        }
        for n in TRUE_POSITION
    }
    return parse_machine(
        {
            "name": "invented",
            "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.6},
            "stick": {"length_m": 2.5},
            "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6}],
            "sensor": sensors,
        },
        "invented",
    )


def angle_of(joint: str, body: str, t: Floats) -> Floats:
    """Angle of a body while a joint goes up by 0.35 rad and back from 2 s to 7 s."""
    share = np.clip((t - 2.0) / 5.0, 0.0, 1.0)
    turn = 0.35 * np.sin(math.pi * share) ** 2
    return REST.get(body, 0.0) + turn * float(body in JOINTS[joint])


def place_of(joint: str, body: str, t: Floats) -> Floats:
    """(N, 2) reach and height of a sensor, m."""
    at = np.tile([0.35, 1.75], (len(t), 1))
    for link in ("boom", "stick", "bucket"):
        if link == body:
            break
        a = angle_of(joint, link, t)
        at = at + LENGTHS[link] * np.stack([np.cos(a), np.sin(a)], axis=-1)
    x, _, z = TRUE_POSITION[body]
    a = angle_of(joint, body, t)
    return at + np.stack([x * np.cos(a) - z * np.sin(a), x * np.sin(a) + z * np.cos(a)], axis=-1)


def readings(joint: str, body: str, rng: np.random.Generator) -> Samples:
    stamp = np.arange(0.0, 9.0, 0.01) + rng.uniform(0, 0.005)
    t, h = stamp - TRUE_LATENCY[body], 1e-3
    rate = (angle_of(joint, body, t + h) - angle_of(joint, body, t - h)) / (2 * h)
    a = angle_of(joint, body, t)
    force = np.tile([0.0, G], (len(t), 1))
    if body != "upper":
        before, now, after = (place_of(joint, body, t + k * h) for k in (-1, 0, 1))
        force = force + (after - 2 * now + before) / h**2
    x = force[:, 0] * np.cos(a) + force[:, 1] * np.sin(a)
    z = -force[:, 0] * np.sin(a) + force[:, 1] * np.cos(a)
    accel = np.stack([x, np.zeros_like(x), z], axis=-1) + rng.normal(0, 0.05, (len(t), 3))
    gyro = np.stack([np.zeros_like(x), -(1.0 + TRUE_SCALE[body]) * rate, np.zeros_like(x)], axis=-1)
    gyro = gyro + rng.normal(0, 0.002, gyro.shape) + 0.01
    return Samples(stamp, accel, gyro)


def recorded(joints: dict[str, str]) -> RecordedEvidence:
    """Motions by the joint that really moved; `joints` maps ids to them."""
    rng = np.random.default_rng(1)
    evidence = RecordedEvidence()
    for name, joint in joints.items():
        samples = {b: readings(joint, b, rng) for b in TRUE_POSITION}
        evidence.motions[name] = Motion(name, name, (2.0, 8.5), samples)
        evidence.swings[name] = {}
        for body, s in samples.items():
            bias = s.gyro[s.between(0.0, 1.9)].mean(axis=0) if s.gyro is not None else np.zeros(3)
            evidence.gyro_bias[name, body] = bias
            seen = swing(s, 2.0, 8.5, bias)
            if seen is not None:
                evidence.swings[name][body] = seen
    return evidence


@pytest.fixture(scope="module")
def found() -> Found:
    joints = {f"motion-{j}": j for j in JOINTS}
    return parts(described(), recorded(joints), joints)


@pytest.mark.parametrize("body", ["boom", "stick", "bucket"])
def test_positions_in_the_arm_plane_are_found_within_what_is_stated(found: Found, body: str) -> None:
    part = found.parts[body]
    for axis in (0, 2):
        off = part.position_m[axis] - TRUE_POSITION[body][axis]
        assert abs(off) < 3.0 * part.position_sigma_m[axis]
        assert part.position_sigma_m[axis] < 0.025


@pytest.mark.parametrize("body", ["boom", "stick", "bucket"])
def test_the_gyros_scale_is_found_about_the_axis_that_turned_and_nowhere_else(
    found: Found, body: str
) -> None:
    part = found.parts[body]
    off = part.gyro_scale[1] - 1.0 / (1.0 + TRUE_SCALE[body])
    assert abs(off) < 3.0 * part.gyro_scale_sigma[1] < 3.0 * 0.0045
    assert part.gyro_scale_sigma[0] == pytest.approx(0.005, rel=0.05)


def test_latencies_are_found_against_each_other_and_keep_their_mean(found: Found) -> None:
    late = np.array([found.parts[b].latency_s for b in JOINTS])
    true = np.array([TRUE_LATENCY[b] for b in JOINTS])
    np.testing.assert_allclose(late - late.mean(), true - true.mean(), atol=0.0007)
    assert late.mean() == pytest.approx(0.011, abs=0.001)


def test_a_motion_under_another_joints_name_gives_nothing_but_a_note() -> None:
    told = {"motion-boom": "stick", "motion-stick": "boom", "motion-bucket": "bucket"}
    evidence = recorded({f"motion-{j}": j for j in JOINTS})
    wrong = parts(described(), evidence, told)
    right = parts(described(), evidence, {f"motion-{j}": j for j in JOINTS})
    assert any(
        "motion-boom: the stick sensor" in note or "motion-boom: the bucket" in note for note in wrong.notes
    )
    assert right.notes == []
    for body, part in wrong.parts.items():
        off = (part.position_m - np.array(TRUE_POSITION[body]))[[0, 2]]
        assert np.all(np.abs(off) < 0.06)


def test_without_recorded_motions_nothing_is_found() -> None:
    assert parts(described(), RecordedEvidence(), {"motion-boom": "boom"}).parts == {}
