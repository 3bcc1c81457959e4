"""Booms that swing and buckets that tilt: an arm with every joint, moved by formulas and rotated by scipy."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.estimator import make_estimator
from tipdatum.fusion.pose import Pose
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu, Slew

Array = NDArray[np.float64]
REST_S, SECONDS, FS = 4.0, 24.0, 1000
FOOT, PIVOT = np.array([0.81, 0.03, 0.76]), np.array([0.61, 0.05, 0.55])
BOOM, SECOND, STICK, TIP, WIDTH = 2.3, 1.6, 1.7, 0.9, 1.5
CENTRE, AXIS_DEG = np.array([0.175, 0.0, 0.148]), 128.5
AXIS = np.array([math.cos(math.radians(AXIS_DEG)), 0.0, math.sin(math.radians(AXIS_DEG))])
POSITIONS = {
    "upper": [-0.5, 0.3, 0.9],
    "boom": [1.1, 0.1, 0.2],
    "second_boom": [0.8, 0.1, 0.2],
    "stick": [0.8, 0.1, 0.15],
    "bucket": [0.47, 0.35, 0.16],
}
GRAVITY = np.array([0.0, 0.0, 9.80665])
ZERO_DEG = 1.0
"""What the encoder tells too much."""


def description(**changes: Any) -> dict[str, Any]:
    """The machine with a sensor on each body and an encoder of the swing; `changes` replace tables."""
    sensors: dict[str, Any] = {b: {"body": b, "position_m": p} for b, p in POSITIONS.items()}
    sensors["swing"] = {"body": "boom_swing", "type": "slew"}
    return {
        "name": "every joint",
        "boom": {"foot_m": FOOT.tolist(), "length_m": BOOM},
        "second_boom": {"length_m": SECOND},
        "boom_swing": {"pivot_m": PIVOT.tolist()},
        "stick": {"length_m": STICK},
        "bucket": [
            {
                "name": "ditching",
                "tip_m": TIP,
                "width_m": WIDTH,
                "tilt_axis_m": [CENTRE[0], CENTRE[2]],
                "tilt_axis_deg": AXIS_DEG,
            }
        ],
        "sensor": sensors,
        **changes,
    }


def without(*sensors: str) -> dict[str, Any]:
    """The description with these sensors taken off."""
    every = description()
    return every | {"sensor": {name: one for name, one in every["sensor"].items() if name not in sensors}}


@dataclass(frozen=True)
class Work:
    """Readings of some seconds of work, and the truth behind them: heights in m, angles in rad."""

    readings: list[Imu | Slew]
    t: Array
    tip: Array
    left: Array
    right: Array
    swing: Array
    tilt: Array


def _waves(t: Array, seed: int, size: float, slowest: float) -> Array:
    rng = np.random.default_rng(seed)
    soft = np.clip((t - REST_S) / 2.0, 0.0, 1.0)
    soft = soft * soft * (3.0 - 2.0 * soft)
    parts = [
        rng.uniform(0.4, 1.0) * np.sin(2.0 * math.pi * t / (slowest / k) + rng.uniform(0.0, 6.28))
        for k in (1.0, 1.7)
    ]
    return np.asarray(size * soft * np.sum(parts, axis=0))


@cache
def work(noise: float = 1.0, swing_from: float = 0.0, tilt_from: float = 0.0, seed: int = 5) -> Work:
    """A machine on a slope of 5° that slews, swings and tilts while it works.

    Args:
        noise: 1: that of low-cost parts, 0.02 m/s² and 0.001 rad/s a reading, biases of 0.03 m/s² and
            0.01 rad/s.
        swing_from, tilt_from: rad, where they stand at rest.
    """
    t = np.arange(0.0, SECONDS, 1.0 / FS)
    swing, tilt = swing_from + _waves(t, seed, 0.35, 11.0), tilt_from + _waves(t, seed + 1, 0.25, 7.0)
    slew = _waves(t, seed + 2, 0.4, 9.0)
    starts = ((0.9, 0.12, 8.0), (0.1, 0.15, 7.0), (-1.1, 0.2, 6.0), (-2.1, 0.3, 5.0))
    lifts = [a + _waves(t, seed + k, size, slowest) for k, (a, size, slowest) in enumerate(starts, 3)]
    base = Rotation.from_euler("xy", [0.05, -0.07])
    upper = base * Rotation.from_euler("z", slew[:, None])
    post = upper * Rotation.from_euler("z", swing[:, None])
    bodies = [post * Rotation.from_euler("y", -lift[:, None]) for lift in lifts]
    tilted = bodies[3] * Rotation.from_rotvec(tilt[:, None] * AXIS)
    pins = [upper.apply(PIVOT) + post.apply(FOOT - PIVOT)]
    for body, length in zip(bodies, (BOOM, SECOND, STICK), strict=False):
        pins.append(pins[-1] + body.apply([length, 0.0, 0.0]))

    def on_bucket(point: Iterable[float]) -> Array:
        return np.asarray(pins[3] + bodies[3].apply(CENTRE) + tilted.apply(np.array([*point]) - CENTRE))

    carried = {
        "upper": (upper, upper.apply(POSITIONS["upper"])),
        "boom": (bodies[0], pins[0] + bodies[0].apply(POSITIONS["boom"])),
        "second_boom": (bodies[1], pins[1] + bodies[1].apply(POSITIONS["second_boom"])),
        "stick": (bodies[2], pins[2] + bodies[2].apply(POSITIONS["stick"])),
        "bucket": (tilted, on_bucket(POSITIONS["bucket"])),
    }
    rng = np.random.default_rng(seed + 99)
    readings: list[Imu | Slew] = []
    for k, (body, (attitude, track)) in enumerate(carried.items()):
        acceleration = np.gradient(np.gradient(track, t, axis=0, edge_order=2), t, axis=0, edge_order=2)
        force = attitude.inv().apply(acceleration + GRAVITY)
        rate = (attitude[:-2].inv() * attitude[2:]).as_rotvec() * (FS / 2)
        at = np.arange(20 + 2 * k, len(t) - 20, 10)
        off = noise * rng.normal(0.0, 0.03, 3), noise * rng.normal(0.0, 0.01, 3)
        f = force[at] + noise * rng.normal(0.0, 0.02, (len(at), 3)) + off[0]
        w = rate[at - 1] + noise * rng.normal(0.0, 0.001, (len(at), 3)) + off[1]
        readings += [
            Imu(float(t[i]), body, tuple(a), tuple(b))
            for i, a, b in zip(at, f.tolist(), w.tolist(), strict=True)
        ]
    for i in np.arange(15, len(t) - 20, 40):
        told = math.degrees(swing[i]) + ZERO_DEG + noise * rng.normal(0.0, 0.2)
        readings.append(Slew(float(t[i]), "swing", told))
    readings.sort(key=lambda r: r.t)
    heights = [on_bucket((TIP, y, 0.0))[:, 2] for y in (0.0, WIDTH / 2, -WIDTH / 2)]
    return Work(readings, t, heights[0], heights[1], heights[2], swing, tilt)


@dataclass(frozen=True)
class Followed:
    """Poses every tenth of a second of the work, and errors: m of the heights against those at 3 s."""

    poses: list[Pose]
    tip: Array
    left: Array
    right: Array
    swing: Array
    swing_sigma: Array
    tilt: Array
    events: list[str]


def follow(machine: Machine, done: Work, silent: tuple[str, float, float] | None = None) -> Followed:
    """Play it. `silent`: a sensor, from when and until when it says nothing, s."""
    estimator, chain = ChainEstimator(machine, 0.02, ChainOptions()), machine.chain()
    poses, rows, tick, anchored = [], [], 3.0, False
    for reading in done.readings:
        if silent is not None and reading.sensor == silent[0] and silent[1] <= reading.t < silent[2]:
            continue
        if reading.sensor in machine.sensor:
            estimator.consume(reading)
        if reading.t < tick:
            continue
        tick += 0.1
        if not anchored:
            anchored = estimator.set_anchor(reading.t)
        poses.append(pose := estimator.pose(reading.t))
        if not pose.known or pose.anchor is None:
            continue
        located = chain.locate(pose.angles)
        zero = float(np.interp(3.0, done.t, done.tip)) - pose.anchor.height_m
        true = [np.interp(reading.t, done.t, y) for y in (done.tip, done.left, done.right)]
        found = (located.pins[-1][2], located.corners[0][2], located.corners[1][2])
        heights = [h - y + zero for h, y in zip(found, true, strict=True)]
        off = (
            pose.angles[-2] - np.interp(reading.t, done.t, done.swing),
            math.sqrt(pose.covariance[-2, -2]),
            pose.angles[-1] - np.interp(reading.t, done.t, done.tilt),
        )
        rows.append((*heights, *off))
    tip, left, right, swing, sigma, tilt = np.array(rows).T
    return Followed(poses, tip, left, right, swing, sigma, tilt, [event.text for event in estimator.events()])


def rms_mm(error: Array) -> float:
    return 1000.0 * float(np.sqrt(np.mean(error**2)))


def test_without_errors_of_the_sensors_nothing_is_left_but_what_an_epoch_blurs() -> None:
    found = follow(parse_machine(description(), "m"), work(noise=0.0))
    assert max(map(rms_mm, (found.tip, found.left, found.right))) < 1.0
    assert float(np.sqrt(np.mean(found.tilt**2))) < math.radians(0.1)
    assert found.events == []


@pytest.mark.parametrize("taken_off", [(), ("swing",)], ids=["with an encoder", "without an encoder"])
def test_tip_and_corners_are_known_with_low_cost_sensors(taken_off: tuple[str, ...]) -> None:
    """Swing, tilt and both booms move. The swing's angle is hardly needed for heights."""
    found = follow(parse_machine(without(*taken_off), "m"), work())
    assert rms_mm(found.tip) < 4.0
    assert max(map(rms_mm, (found.left, found.right))) < 6.0
    assert float(np.mean(np.abs(found.swing) < 2.0 * found.swing_sigma)) > 0.9


def test_an_encoders_zero_is_no_error_that_is_believed() -> None:
    """It is off by 1°, and the swing is told no surer than that before the arm has worked."""
    found = follow(parse_machine(description(), "m"), work())
    assert math.degrees(found.swing_sigma[0]) > 0.5
    assert math.degrees(found.swing_sigma[-1]) < 1.0


def test_a_start_with_boom_swung_and_bucket_tilted_finds_both() -> None:
    turned = work(swing_from=0.6, tilt_from=-0.4)
    found = follow(parse_machine(description(), "m"), turned)
    assert abs(found.tilt[0]) < math.radians(1.0)
    assert abs(found.swing[0]) < math.radians(1.5)
    assert max(map(rms_mm, (found.left, found.right))) < 6.0


def test_a_tilt_is_found_anew_after_its_sensor_was_silent() -> None:
    done = work()
    found = follow(parse_machine(description(), "m"), done, silent=("bucket", 10.0, 13.0))
    assert {p.quality for p in found.poses if 11.0 < p.t < 12.9} == {"stale"}
    later = np.array([p.t for p in found.poses if p.known]) > 16.0
    assert rms_mm(found.left[later]) < 10.0
    assert np.abs(found.tilt[later]).max() < math.radians(1.0)


def test_a_boom_that_is_called_held_and_swings_is_said() -> None:
    held = without("swing") | {"boom_swing": {"pivot_m": PIVOT.tolist(), "held_deg": 0.0}}
    found = follow(parse_machine(held, "m"), work())
    assert "the boom is described as held, but has swung" in found.events
    said = [p for p in found.poses if "the boom is described as held, but has swung" in p.reasons]
    assert said
    assert all(p.quality != "good" for p in said)
    assert rms_mm(found.tip) < 4.0


def test_a_swing_of_which_nothing_is_known_is_said_and_the_height_is_told_all_the_same() -> None:
    """No encoder, no sensor on the upper: nothing tells it."""
    found = follow(parse_machine(without("swing", "upper"), "m"), work())
    last = found.poses[-1]
    assert "boom's swing not known: sideways distances are off" in last.reasons
    assert last.known


def test_a_bucket_that_tilts_needs_a_sensor_on_its_tilting_part() -> None:
    estimator = ChainEstimator(parse_machine(without("bucket"), "m"), 0.02, ChainOptions())
    pose = estimator.pose(1.0)
    assert pose.quality == "invalid"
    assert pose.reasons == ("no sensor on the bucket",)


@pytest.mark.parametrize("kind", ["imu", "tilt"])
def test_estimators_that_know_the_arm_plane_alone_say_so(kind: str) -> None:
    every = description()
    sensors = {
        name: one | ({} if name == "swing" else {"type": kind}) for name, one in every["sensor"].items()
    }
    name = "complementary" if kind == "imu" else "chain"
    estimator = make_estimator(name, parse_machine(every | {"sensor": sensors}, "m"), 0.02)
    pose = estimator.pose(1.0)
    assert pose.quality == "invalid"
    assert pose.reasons == ("this estimator tells neither a boom's swing nor a bucket's tilt",)


def test_a_second_boom_that_is_called_held_and_moves_lets_no_wrong_height_stand() -> None:
    held = without("second_boom") | {"second_boom": {"length_m": SECOND, "held_deg": -45.0}}
    found = follow(parse_machine(held, "m"), work())
    assert "or the second boom, which is described as held, has moved" in found.events
    assert found.poses[-1].quality == "invalid"


def test_an_encoders_yaw_is_added_to_what_it_tells() -> None:
    """A calibration has found its zero: what it tells too much is taken off, and it is believed at once."""
    every = description()["sensor"]
    told = every["swing"] | {"mount_rpy_deg": [0.0, 0.0, -ZERO_DEG], "mount_sigma_deg": 0.1}
    found = follow(parse_machine(description(sensor=every | {"swing": told}), "m"), work())
    assert math.degrees(abs(float(found.swing[0]))) < 0.3
    assert math.degrees(found.swing_sigma[0]) < 0.4


def test_an_encoder_whose_zero_is_described_anew_begins_with_the_new_sigma() -> None:
    every = description()["sensor"]
    estimator = ChainEstimator(parse_machine(description(), "m"), 0.02, ChainOptions())
    t = 0.0
    for reading in work().readings:
        t = reading.t
        if t > 3.0:
            break
        estimator.consume(reading)
    before = math.degrees(math.sqrt(estimator.pose(t).covariance[-2, -2]))
    for sigma in (10.0, 0.2):
        told = every["swing"] | {"mount_sigma_deg": sigma}
        estimator.replace_machine(parse_machine(description(sensor=every | {"swing": told}), "m"))
        assert estimator._filter is not None
        zero = estimator._filter.at.zero.start
        assert math.degrees(math.sqrt(estimator._filter.P[zero, zero])) == pytest.approx(sigma)
    assert estimator.pose(t).known
    assert before < 5.0


def test_a_silent_encoder_is_said_and_the_gyros_go_on_with_the_swing() -> None:
    found = follow(parse_machine(description(), "m"), work(), silent=("swing", 10.0, 30.0))
    said = "swing sensor silent, boom's swing by gyros alone"
    assert {p.t > 10.9 for p in found.poses if said in p.reasons} == {True}
    last = found.poses[-1]
    assert said in last.reasons
    assert last.known
    assert rms_mm(found.tip) < 4.0
    assert abs(math.degrees(float(found.swing[-1]))) < 3.0


def test_an_encoder_without_a_sensor_on_the_upper_tells_the_swing() -> None:
    found = follow(parse_machine(without("upper"), "m"), work())
    assert found.poses[-1].known
    assert math.degrees(float(np.std(found.swing))) < 1.0, "beside its zero it does not lag"
    assert float(np.mean(np.abs(found.swing) < 2.0 * found.swing_sigma)) > 0.9
    assert "swing sensor and gyros do not agree on the boom's swing" not in found.events
    assert "no sensor on the upper: level machine assumed" in found.poses[-1].reasons
    assert found.poses[-1].quality != "good"


@pytest.mark.parametrize("seed", [45, 5])
def test_an_encoder_tells_how_fast_the_boom_swings_where_the_uppers_gyro_does_not(seed: int) -> None:
    done = work(seed=seed)
    readings = [
        Imu(r.t, r.sensor, r.accel_mps2, None) if isinstance(r, Imu) and r.sensor == "upper" else r
        for r in done.readings
    ]
    found = follow(parse_machine(description(), "m"), replace(done, readings=readings))
    assert math.degrees(float(np.std(found.swing))) < 1.0
    assert float(np.mean(np.abs(found.swing) < 2.0 * found.swing_sigma)) > 0.9


@pytest.mark.parametrize("blind", ["upper", "bucket"])
def test_a_part_that_turns_without_a_gyro_lets_no_height_be_called_surer_than_it_is(blind: str) -> None:
    """An accelerometer alone on the upper, or on the part that tilts."""
    done = work()
    readings = [
        Imu(r.t, r.sensor, r.accel_mps2, None) if isinstance(r, Imu) and r.sensor == blind else r
        for r in done.readings
    ]
    found = follow(parse_machine(description(), "m"), replace(done, readings=readings))
    sigma = np.array([math.sqrt(height_variance(p)) for p in found.poses if p.known])
    assert len(sigma) > 50
    assert float(np.mean(np.abs(found.tip[-len(sigma) :]) < 2.0 * sigma + 0.002)) > 0.9


def height_variance(pose: Pose) -> float:
    row = np.array(parse_machine(description(), "m").chain().locate(pose.angles).height_jacobian)
    return float(row @ pose.covariance @ row)


def test_on_level_ground_the_height_needs_no_swing_and_sideways_nothing_is_claimed() -> None:
    """The formulas alone: 45° of swing that nobody knows of cost the height nothing, and metres sideways."""
    chain = parse_machine(description(), "m").chain()
    at = np.array([0.0, 0.0, 0.9, 0.1, -1.1, -2.1, 0.0, 0.0])
    assert chain.locate(at).height_jacobian[-2] == pytest.approx(0.0, abs=1e-12)
    found = follow(parse_machine(without("swing", "upper"), "m"), work())
    last = found.poses[-1]
    assert math.degrees(math.sqrt(last.covariance[-2, -2])) > 5.0
    assert "boom's swing not known: sideways distances are off" in last.reasons
