"""An invented retrofit, made by a slow forward model that shares no code with the service.

Rotations come from scipy, pins from plain trigonometry, the linkage from a numerical root. The figures are
invented; what the tests check is that the adjustment finds what was put in.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from tipdatum.calibration.observations import Observation, ObservationBook, RestEntry, SensorRest
from tipdatum.machine.description import Machine, parse_machine

# Simulated retrofits are shared with the measurements, which run as scripts.
sys.path.insert(0, str(Path(__file__).parents[2] / "harness"))

GRAVITY = 9.80665
FOOT = (0.36, 1.70)
DESCRIBED: dict[str, Any] = {
    "name": "Invented retrofit",
    "boom": {"foot_m": [0.36, 0.0, 1.70], "length_m": 4.60},
    "stick": {"length_m": 2.50},
    "bucket": [{"name": "digging", "tip_m": 1.34, "width_m": 0.6}],
    "sensor": {
        "upper": {"body": "upper"},
        "boom": {"body": "boom", "mount_rpy_deg": [-90.0, 0.0, -90.0]},
        "stick": {"body": "stick", "mount_rpy_deg": [180.0, 0.0, 90.0]},
        "bucket": {"body": "bucket", "mount_rpy_deg": [90.0, 0.0, 180.0]},
    },
}
LINKAGE = {
    "rocker_pivot_m": [2.15, 0.0],
    "rocker_m": 0.60,
    "link_m": 0.55,
    "bucket_ear_m": 0.385,
    "bucket_ear_angle_deg": 136.0,
    "assembly": 1,
}
PINS = ("boom_foot", "boom_stick", "stick_bucket", "tip")
FACES = [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1), (1, 1, 0), (0, 1, 1)]
POSTURES = [(26, -9, -108), (25, -59, -34), (25, -60, -146), (38, -58, -120), (4, -33, -100), (31, -63, -75)]


@dataclass
class Retrofit:
    """The truth, and the book that a person would have written."""

    machine: Machine
    book: ObservationBook
    lengths: tuple[float, ...]
    mounts: dict[str, np.ndarray]
    bias: dict[str, np.ndarray]
    linkage: dict[str, Any] = field(default_factory=dict)


def rocker_for(bucket: float, stick: float, k: dict[str, Any], stick_length: float) -> float:
    """Absolute rocker angle, rad, by a bracketed root of the loop's length."""
    px, pz = k["rocker_pivot_m"]
    gamma = bucket - stick + math.radians(k["bucket_ear_angle_deg"])
    cx, cz = stick_length + k["bucket_ear_m"] * math.cos(gamma), k["bucket_ear_m"] * math.sin(gamma)

    def gap(rho: float) -> float:
        across = cx - px - k["rocker_m"] * math.cos(rho)
        along = cz - pz - k["rocker_m"] * math.sin(rho)
        return math.hypot(across, along) - float(k["link_m"])

    towards = math.atan2(cz - pz, cx - px)
    return float(brentq(gap, towards, towards + math.pi)) + stick


def make(
    seed: int = 1,
    rocker: bool = False,
    noise: float = 1.0,
    tables: dict[str, Any] | None = None,
    second: bool = False,
) -> Retrofit:
    """A retrofit with mounts a few degrees and lengths a few millimetres off what is described.

    Args:
        tables: of the description besides. second: with a second boom, which has a sensor of its own.
    """
    rng = np.random.default_rng(seed)
    described = {**DESCRIBED, "sensor": dict(DESCRIBED["sensor"]), **(tables or {})}
    lengths: tuple[float, ...] = (4.60 + 0.004, 2.50 - 0.003, 1.34 - 0.011)
    if second:
        described["boom"] = {**DESCRIBED["boom"], "length_m": 2.40}
        described["second_boom"] = {"length_m": 2.60}
        described["sensor"]["second_boom"] = {"body": "second_boom", "mount_rpy_deg": [0.0, 0.0, 90.0]}
        lengths = (2.40 + 0.003, 2.60 - 0.004, 2.50 - 0.003, 1.34 - 0.011)
    links = ("boom", "second_boom", "stick", "bucket") if second else ("boom", "stick", "bucket")
    named = ("boom_foot", "boom_second", *PINS[1:]) if second else PINS
    linkage: dict[str, Any] = {}
    if rocker:
        described["sensor"].pop("bucket")
        described["sensor"]["rocker"] = {"body": "rocker", "mount_rpy_deg": [0.0, 0.0, 0.0]}
        described["linkage"] = LINKAGE
        linkage = {**LINKAGE, "rocker_m": 0.602, "link_m": 0.548}
    machine = parse_machine(described, "invented")
    mounts, bias = {}, {}
    for name, sensor in machine.sensor.items():
        nominal = Rotation.from_euler("xyz", sensor.mount_rpy_deg, degrees=True)
        mounts[name] = (nominal * Rotation.from_rotvec(rng.uniform(-4, 4, 3), degrees=True)).as_matrix()
        bias[name] = rng.uniform(-0.07, 0.07, 3)
    rests, observations = [], []
    roll, upper = math.radians(-0.8), math.radians(-0.2)

    def read(name: str, theta: float, phi: float) -> SensorRest:
        up = np.array([math.cos(phi) * math.sin(theta), math.sin(phi), math.cos(phi) * math.cos(theta)])
        accel = mounts[name].T @ (GRAVITY * up) + bias[name] + rng.normal(0, 0.001, 3) * noise
        return SensorRest(accel_mps2=tuple(accel), sigma_mps2=(0.001, 0.001, 0.001), samples=200)

    for name in machine.sensor:
        for i, axis in enumerate(
            [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1), (1, 1, 0), (0, 1, 1)]
        ):
            direction = np.array(axis) / np.linalg.norm(axis)
            tilted = Rotation.from_rotvec(rng.uniform(-3, 3, 3), degrees=True).apply(direction)
            accel = GRAVITY * tilted + bias[name] + rng.normal(0, 0.001, 3) * noise
            rest = SensorRest(accel_mps2=tuple(accel), sigma_mps2=(0.001, 0.001, 0.001), samples=200)
            rests.append(RestEntry(id=f"rest bench {name} {i}", power_up="one", sensor={name: rest}))
            observations.append(
                Observation(
                    id=f"bench {name} {i}", method="bench", kind="specific_force", of=name, value=GRAVITY,
                    unit="m/s2", sigma=0.002, rest=f"rest bench {name} {i}",
                )
            )  # fmt: skip
    for i, posture in enumerate(POSTURES):
        boom, stick, bucket = (math.radians(a) for a in posture)
        angles = {"upper": upper, "boom": boom, "stick": stick, "bucket": bucket}
        if second:
            # Folded and stretched in turn, the first section raised as much as the second is lowered.
            fold = math.radians((20.0, 38.0, 12.0, 30.0, 25.0, 15.0)[i])
            angles |= {"boom": boom + fold, "second_boom": boom - fold}
        if rocker:
            angles["rocker"] = rocker_for(bucket, stick, linkage, lengths[1])
        rests.append(
            RestEntry(
                id=f"rest {i}", power_up="one", sensor={n: read(n, angles[n], roll) for n in machine.sensor}
            )
        )
        slopes = {n: math.degrees(math.asin(math.cos(roll) * math.sin(angles[n]))) for n in links}
        foot = 0.4 + math.cos(roll) * (FOOT[0] * math.sin(upper) + FOOT[1] * math.cos(upper))
        rises = [
            math.cos(roll) * length * math.sin(angles[n]) for length, n in zip(lengths, links, strict=True)
        ]
        heights = dict(
            zip(
                named,
                foot + np.cumsum([0.0, *rises]),
                strict=True,
            )
        )
        for kind, unit, sigma, values in (("slope", "deg", 0.05, slopes), ("height", "m", 0.002, heights)):
            observations += [
                Observation(
                    id=f"{kind} {i} {of}", method="slopes", kind=kind, of=of, unit=unit, sigma=sigma,
                    value=float(value + rng.normal(0, sigma) * noise), rest=f"rest {i}", standing="S",
                )
                for of, value in values.items()
            ]  # fmt: skip
    book = ObservationBook(machine="Invented retrofit", rest=tuple(rests), observation=tuple(observations))
    return Retrofit(machine, book, lengths, mounts, bias, linkage)


@pytest.fixture(scope="session")
def make_retrofit() -> Callable[..., Retrofit]:
    """Makes an invented retrofit: `make_retrofit(seed=1, rocker=False, noise=1.0)`."""
    return make


@pytest.fixture(scope="session")
def retrofit() -> Retrofit:
    """One with a sensor on the bucket."""
    return make()
