"""Signs that the machine has moved, on what a rigid body with an inertial sensor would feel."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.fusion.pose import Matrices, Pose
from tipdatum.grade.doubt import MoveWatch
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.reading import Imu

G = 9.80665
LEVER = np.array([-0.5, 0.3, 1.6])
BIAS = np.array([0.05, -0.06, 0.03])
"""m/s²: what a hobby part's accelerometer is off by (5 mg)."""

Vector = NDArray[np.float64]
Place = Callable[[float], Vector]
Lean = Callable[[float], tuple[float, float]]


def turned(pitch: float, slew: float) -> Vector:
    """The upper's axes in the world: nose up by `pitch`, then slewed to the left, rad."""
    c, s, cs, ss = math.cos(pitch), math.sin(pitch), math.cos(slew), math.sin(slew)
    nose_up = np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])
    return nose_up @ np.array([[cs, -ss, 0], [ss, cs, 0], [0, 0, 1]])


def signs(place: Place, lean: Lean, seconds: float, *, slewing: bool = False) -> list[str]:
    """What the watch says of a slew centre at `place` and an upper at `lean` (pitch, slew), arm still.

    Specific force is the second difference of the sensor's place plus gravity, the gyro the difference of
    its axes: plain rigid-body kinematics.
    """
    machine = parse_machine(
        {
            "name": "m", "boom": {"foot_m": [0.3, 0, 1.7], "length_m": 4.5}, "stick": {"length_m": 2.4},
            "bucket": [{"name": "b", "tip_m": 1.2, "width_m": 0.6}],
            "sensor": {"upper": {"body": "upper", "position_m": LEVER.tolist()}},
        },
        "m",
    )  # fmt: skip
    watch, found, h = MoveWatch(machine), [], 1e-3

    def at(t: float) -> Vector:
        return place(t) + turned(*lean(t)) @ LEVER

    for i in range(round(seconds * 100)):
        t = i * 0.01
        axes = turned(*lean(t))
        force = axes.T @ ((at(t + h) - 2 * at(t) + at(t - h)) / h**2 + np.array([0, 0, G])) + BIAS
        spin = axes.T @ (turned(*lean(t + h)) - turned(*lean(t - h))) / (2 * h)
        rate = np.array([spin[2, 1], spin[0, 2], spin[1, 0]]) + 0.01
        x, y, z = force.tolist()
        p, q, r = rate.tolist()
        watch.hear(Imu(t, "upper", (x, y, z), (p, q, r)))
        if i % 2:
            continue
        pitch, slew = lean(t)
        pose = Pose(
            t, (pitch, 0.0, 0.5, -1.0, -1.5), (0.0,) * 5, Matrices(np.eye(5) * 1e-8, np.zeros((5, 5))),
            "good", (), slew_rad=slew, slew_rate_radps=float(rate[2]) - 0.01 if slewing else 0.0,
        )  # fmt: skip
        sign = watch.watch(pose, 6.0)
        if sign is not None:
            found.append(sign.text)
    return found


def stands(t: float) -> Vector:
    return np.zeros(3)


def level(t: float) -> tuple[float, float]:
    return 0.0, 0.0


def shuffle(distance: float, lasts: float, direction: float) -> Place:
    """Goes so far from 5 s on and stops, its speed a wave of the sine squared."""

    def place(t: float) -> Vector:
        part = min(1.0, max(0.0, (t - 5.0) / lasts))
        gone = distance * (part - math.sin(2 * math.pi * part) / (2 * math.pi))
        return gone * np.array([math.cos(direction), math.sin(direction), 0.0])

    return place


@pytest.mark.parametrize("direction", [0.0, 1.0, 2.5, 4.0])
def test_a_smooth_shuffle_on_level_ground_shows_by_the_speed_of_the_slew_centre(direction: float) -> None:
    found = signs(shuffle(0.3, 1.5, direction), level, 10.0)
    assert found
    assert "slew centre" in found[0]


def test_a_machine_that_stands_leaning_shows_nothing() -> None:
    assert signs(stands, lambda t: (0.05, 0.3), 12.0) == []


def test_rocking_about_the_ground_and_swinging_move_no_slew_centre() -> None:
    def rocks(t: float) -> tuple[float, float]:
        return 0.004 * math.sin(2 * math.pi * 0.8 * t) * min(1.0, t / 5.0), 0.0

    assert [text for text in signs(stands, rocks, 15.0) if "slew centre" in text] == []

    def swings(t: float) -> tuple[float, float]:
        part = min(1.0, max(0.0, (t - 5.0) / 4.0))
        return 0.02, 1.5 * (part - math.sin(2 * math.pi * part) / (2 * math.pi))

    assert signs(stands, swings, 12.0, slewing=True) == []


MACHINE = parse_machine(
    {
        "name": "m", "boom": {"foot_m": [0.3, 0, 1.7], "length_m": 4.5}, "stick": {"length_m": 2.4},
        "bucket": [{"name": "b", "tip_m": 1.2, "width_m": 0.6}], "sensor": {"upper": {"body": "upper"}},
    },
    "m",
)  # fmt: skip


def pose_at(t: float, lean: float = 0.0) -> Pose:
    """A well known pose of a still arm whose upper is nose down by `lean` rad."""
    return Pose(t, (lean, *(0.0,) * 4), (0.0,) * 5, Matrices(np.eye(5) * 1e-8, np.zeros((5, 5))), "good", ())


def reached(first_m: float, then_m: float, lean_deg: float) -> list[str]:
    """Signs where the tip goes from one reach to another and the machine leans by so much more."""
    watch, found = MoveWatch(MACHINE), []
    for i in range(3000):
        t = i * 0.02
        part = min(1.0, max(0.0, (t - 30.0) / 3.0))
        sign = watch.watch(pose_at(t, math.radians(lean_deg) * part), first_m + (then_m - first_m) * part)
        if sign is not None:
            found.append(sign.text)
    return found


def test_a_machine_that_rocks_towards_its_arm_has_not_settled_however_far_it_reaches() -> None:
    # By 1.265° over 6.434 m in the simulated session `static-industrial`, whose machine stands where it is.
    assert reached(2.5, 8.934, 1.265) == []
    assert reached(2.5, 5.0, 1.265 * 2.5 / 6.434) == []
    (settled,) = reached(5.0, 5.0, 0.5)
    assert "settled" in settled


def shaken(before: float, after: float) -> list[str]:
    """Signs of an upper that shakes at 6 Hz by so many °/s before and after its reference is set at 5 s."""
    watch, found = MoveWatch(MACHINE), []
    for i in range(2000):
        t = i * 0.01
        size = math.radians(before if t < 10.0 else after)
        watch.hear(Imu(t, "upper", (0.0, 0.0, G), (0.0, size * math.sin(2 * math.pi * 6 * t), 0.0)))
        sign = watch.watch(pose_at(t), 6.0)
        if i == 500:
            watch.start_anew()
        if sign is not None and t > 5.0:
            found.append(sign.text)
    return found


def test_what_shakes_a_machine_while_its_tip_stands_on_the_mark_is_its_engine() -> None:
    assert shaken(0.5, 0.5) == []
    found: list[Any] = shaken(0.5, 3.0)
    assert found
    assert "shook" in found[0]
