"""A rocker's sensor beside the one on a bucket that tilts: an arm moved by formulas, rotated by scipy.

The rocker goes with the bucket by the simulator's linkage, which is solved from the bucket's side by the
cosine rule; the service solves it from the rocker's by intersecting circles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.pose import Pose
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.simulator.rocker import Rocker
from tipdatum_drivers.reading import Imu

Array = NDArray[np.float64]
REST_S, SECONDS, FS = 4.0, 24.0, 1000
FOOT, BOOM, STICK, TIP = np.array([0.81, 0.0, 0.76]), 2.9, 1.7, 0.9
CENTRE = np.array([0.175, 0.0, 0.148])
GRAVITY = np.array([0.0, 0.0, 9.80665])
POSITIONS = {
    "upper": [-0.5, 0.3, 0.9],
    "boom": [1.1, 0.1, 0.2],
    "stick": [0.8, 0.1, 0.15],
    "rocker": [0.2, 0.1, 0.05],
    "bucket": [0.47, 0.35, 0.16],
}
LINKAGE = {
    "rocker_pivot_m": [1.37, 0.004], "rocker_m": 0.60, "link_m": 0.55, "bucket_ear_m": 0.38,
    "bucket_ear_angle_deg": 136.0, "assembly": 1,
}  # fmt: skip
CONTRADICTED = "rocker and bucket sensor do not agree through the linkage"
UNCONFIRMED = "rocker sensor silent: the bucket's own tells its curl alone"
LEVEL_AXIS_DEG, STEEP_AXIS_DEG = 115.0, 45.0
"""The bucket's x axis stands at -115° ± 15: the tilt axis lies level, or stands 70° steep."""


def machine(axis_deg: float, without: str = "", **linkage: float) -> Machine:
    tilting = {"name": "ditching", "tip_m": TIP, "width_m": 1.5, "tilt_axis_m": [CENTRE[0], CENTRE[2]]}
    words: dict[str, Any] = {
        "name": "tilting",
        "boom": {"foot_m": FOOT.tolist(), "length_m": BOOM},
        "stick": {"length_m": STICK},
        "bucket": [{**tilting, "tilt_axis_deg": axis_deg}],
        "linkage": {**LINKAGE, **linkage},
        "sensor": {b: {"body": b, "position_m": p} for b, p in POSITIONS.items() if b != without},
    }
    return parse_machine(words, "m")


@dataclass(frozen=True)
class Work:
    """Readings, and at every t, s, the truth: curl and tilt, rad."""

    readings: list[Imu]
    t: Array
    curl: Array
    tilt: Array


def waves(t: Array, seed: int, size: float, slowest: float) -> Array:
    rng = np.random.default_rng(seed)
    soft = np.clip((t - REST_S) / 2.0, 0.0, 1.0)
    parts = [
        rng.uniform(0.4, 1.0) * np.sin(6.28 * k * t / slowest + rng.uniform(0.0, 6.28)) for k in (1, 1.7)
    ]
    return np.asarray(size * soft * soft * (3.0 - 2.0 * soft) * np.sum(parts, axis=0))


@cache
def work(axis_deg: float, seed: int = 5) -> Work:
    """Low-cost parts: 0.02 m/s² and 0.001 rad/s a reading, biases of 0.03 m/s² and 0.01 rad/s (1 sigma)."""
    t = np.arange(0.0, SECONDS, 1.0 / FS)
    starts = ((0.7, 0.12, 8.0), (-0.9, 0.2, 6.0), (-2.0, 0.15, 5.0))
    boom, stick, curl = (a + waves(t, seed + k, size, slow) for k, (a, size, slow) in enumerate(starts))
    tilt = 0.2 + waves(t, seed + 3, 0.25, 7.0)
    told = machine(axis_deg)
    linkage = Rocker.of(told)
    rocker = stick + np.array([linkage.angle(b) for b in curl - stick])
    upper = Rotation.from_euler("xy", [0.05, -0.07]) * Rotation.from_euler(
        "z", waves(t, 9, 0.3, 9.0)[:, None]
    )
    bodies = {
        name: upper * Rotation.from_euler("y", -angle[:, None])
        for name, angle in (("boom", boom), ("stick", stick), ("rocker", rocker), ("bucket", curl))
    }
    axis = np.array([math.cos(math.radians(axis_deg)), 0.0, math.sin(math.radians(axis_deg))])
    tilted = bodies["bucket"] * Rotation.from_rotvec(tilt[:, None] * axis)
    foot = upper.apply(FOOT)
    pin = foot + bodies["boom"].apply([BOOM, 0.0, 0.0])
    pivot = pin + bodies["stick"].apply([LINKAGE["rocker_pivot_m"][0], 0.0, LINKAGE["rocker_pivot_m"][1]])
    hinge = pin + bodies["stick"].apply([STICK, 0.0, 0.0]) + bodies["bucket"].apply(CENTRE)
    at = {
        "upper": (upper, 0.0 * foot, 0.0),
        "boom": (bodies["boom"], foot, 0.0),
        "stick": (bodies["stick"], pin, 0.0),
        "rocker": (bodies["rocker"], pivot, 0.0),
        "bucket": (tilted, hinge, CENTRE),
    }
    rng = np.random.default_rng(seed + 99)
    readings: list[Imu] = []
    for k, (body, (attitude, start, centre)) in enumerate(at.items()):
        track = start + attitude.apply(np.array(POSITIONS[body]) - centre)
        push = np.gradient(np.gradient(track, t, axis=0, edge_order=2), t, axis=0, edge_order=2)
        force = attitude.inv().apply(push + GRAVITY)
        rate = (attitude[:-2].inv() * attitude[2:]).as_rotvec() * (FS / 2)
        i = np.arange(20 + 2 * k, len(t) - 20, 10)
        f = force[i] + rng.normal(0.0, 0.02, (len(i), 3)) + rng.normal(0.0, 0.03, 3)
        w = rate[i - 1] + rng.normal(0.0, 0.001, (len(i), 3)) + rng.normal(0.0, 0.01, 3)
        rows = zip(t[i].tolist(), f.tolist(), w.tolist(), strict=True)
        readings += [Imu(at_t, body, tuple(a), tuple(b)) for at_t, a, b in rows]
    up = bodies["bucket"].inv().apply([0.0, 0.0, 1.0])
    return Work(sorted(readings, key=lambda r: r.t), t, np.unwrap(np.arctan2(up[:, 0], up[:, 2])), tilt)


@dataclass(frozen=True)
class Followed:
    """Poses every tenth of a second from 3 s on; errors of curl and tilt in the known ones, 1-sigma, rad."""

    poses: list[Pose]
    off: Array
    sigma: Array
    events: list[str]

    def within(self, sigmas: float) -> list[float]:
        return np.mean(np.abs(self.off) < sigmas * self.sigma, axis=0).tolist()

    @property
    def rms_deg(self) -> list[float]:
        return np.degrees(np.sqrt(np.mean(self.off**2, axis=0))).tolist()


def follow(told: Machine, done: Work, silent: tuple[str, float, float] = ("", 0.0, 0.0)) -> Followed:
    """Play it. `silent`: a sensor, from when and until when it says nothing, s."""
    estimator, tick = ChainEstimator(told, 0.02, ChainOptions()), 3.0
    poses, off, sigma = [], [], []
    for reading in done.readings:
        hushed = reading.sensor == silent[0] and silent[1] <= reading.t < silent[2]
        if reading.sensor in told.sensor and not hushed:
            estimator.consume(reading)
        if reading.t < tick:
            continue
        tick += 0.1
        poses.append(pose := estimator.pose(reading.t))
        if pose.known:
            truth = [np.interp(reading.t, done.t, one) for one in (done.curl, done.tilt)]
            off.append(np.array(pose.angles[-2:]) - truth)
            sigma.append(np.sqrt(np.diag(pose.covariance)[-2:]))
    return Followed(poses, np.array(off), np.array(sigma), [e.text for e in estimator.events()])


@pytest.mark.parametrize("axis_deg", [LEVEL_AXIS_DEG, STEEP_AXIS_DEG], ids=["level axis", "steep axis"])
@pytest.mark.parametrize("seed", [25, 5])
def test_curl_and_tilt_are_right_and_their_sigma_says_how_right(axis_deg: float, seed: int) -> None:
    found = follow(machine(axis_deg), work(axis_deg, seed))
    assert found.events == []
    assert {p.quality for p in found.poses} <= {"good", "moving"}
    assert max(found.rms_deg) < 0.5
    assert min(found.within(3.0)) > 0.95


def test_levelling_vouches_for_no_bias_of_a_part_that_tilts() -> None:
    """Before any work a tilt is known as well as gravity shows it to a part of this kind, and no better."""
    told = machine(LEVEL_AXIS_DEG)
    bias = told.sensor["bucket"].noise.accel_bias_mps2 / told.gravity_mps2
    found = follow(told, work(LEVEL_AXIS_DEG, 25))
    assert 0.8 * bias < float(found.sigma[0][1]) < 1.5 * bias


def test_a_linkage_tells_of_the_curl_what_the_buckets_sensor_alone_does_not() -> None:
    """Its sigma is the smaller for it."""
    done = work(LEVEL_AXIS_DEG, 25)
    both, alone = (follow(machine(LEVEL_AXIS_DEG, without), done) for without in ("", "rocker"))
    assert float(both.sigma[-1][0]) < float(alone.sigma[-1][0])
    assert both.rms_deg[0] < alone.rms_deg[0] + 0.05


def test_a_rocker_that_falls_silent_is_said_and_curl_and_tilt_go_on() -> None:
    found = follow(machine(LEVEL_AXIS_DEG), work(LEVEL_AXIS_DEG, 25), ("rocker", 10.0, 14.0))
    said = [p.t for p in found.poses if UNCONFIRMED in p.reasons]
    assert 10.0 < min(said) < 11.0
    assert 13.5 < max(said) < 14.5
    assert all(p.known for p in found.poses)
    assert found.events == []
    assert max(found.rms_deg) < 0.5


def test_a_bucket_sensor_that_falls_silent_is_said_since_the_rocker_cannot_tell_the_tilt() -> None:
    found = follow(machine(LEVEL_AXIS_DEG), work(LEVEL_AXIS_DEG, 25), ("bucket", 10.0, 13.0))
    assert {p.quality for p in found.poses if 11.0 < p.t < 12.9} == {"stale"}
    assert found.poses[-1].known
    assert CONTRADICTED not in found.events


def test_a_linkage_that_is_described_wrong_is_said_and_not_used() -> None:
    """The ear stands 20° from where it is described."""
    done = work(LEVEL_AXIS_DEG, 25)
    found = follow(machine(LEVEL_AXIS_DEG, bucket_ear_angle_deg=156.0), done)
    assert CONTRADICTED in found.events
    assert CONTRADICTED in found.poses[-1].reasons
    assert max(found.rms_deg) < 0.5
