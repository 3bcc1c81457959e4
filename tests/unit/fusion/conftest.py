"""An arm moved by formulas and rotated by scipy: sensors' readings without this project's kinematics."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu

Array = NDArray[np.float64]
FOOT, BOOM, STICK, TIP = (0.35, 0.0, 1.75), 4.6, 2.5, 1.3
POSITIONS = {
    "upper": (-0.5, 0.3, 1.6),
    "boom": (2.0, 0.15, 0.3),
    "stick": (1.1, 0.15, 0.2),
    "bucket": (0.2, 0.2, 0.2),
}
GRAVITY = np.array([0.0, 0.0, 9.80665])
REST_S = 4.0


def description(**changes: Any) -> dict[str, Any]:
    """The demo machine with a sensor on each body; `changes` replace top-level tables."""
    sensors = {b: {"body": b, "position_m": list(p), "latency_s": 0.0} for b, p in POSITIONS.items()}
    return {
        "name": "test machine",
        "boom": {"foot_m": list(FOOT), "length_m": BOOM},
        "stick": {"length_m": STICK},
        "bucket": [{"name": "bucket", "tip_m": TIP, "width_m": 0.6}],
        "sensor": sensors,
        **changes,
    }


@dataclass(frozen=True)
class Dig:
    """Readings of a simulated dig and the truth behind them."""

    machine: Machine
    readings: list[Imu]
    t: Array
    height: Array
    heave: Array
    slew: Array

    def height_at(self, t: Array) -> Array:
        """True height of the tip above the slew centre, m."""
        return np.asarray(np.interp(t, self.t, self.height), dtype=float)

    def heave_at(self, t: Array) -> Array:
        """True height of the slew centre above where it began, m."""
        return np.asarray(np.interp(t, self.t, self.heave), dtype=float)

    def slew_at(self, t: Array) -> Array:
        """True slew angle about the slew axis, rad, positive left."""
        return np.asarray(np.interp(t, self.t, self.slew), dtype=float)


def _in_plane(angle: Array, way: tuple[float, float, float]) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    rows = [way[0] * c - way[2] * s, np.full_like(c, way[1]), way[0] * s + way[2] * c]
    return np.asarray(np.stack(rows, axis=1), dtype=float)


def _waves(t: Array, seed: int, amplitude: float, slowest: float) -> Array:
    """A sum of sines that begins softly after the rest."""
    rng = np.random.default_rng(seed)
    soft = np.clip((t - REST_S) / 2.0, 0.0, 1.0)
    soft = soft * soft * (3.0 - 2.0 * soft)
    parts = [
        rng.uniform(0.4, 1.0) * np.sin(2 * math.pi * t / (slowest / k) + rng.uniform(0, 6.28))
        for k in (1.0, 1.7, 2.6)
    ]
    return np.asarray(amplitude * soft * np.sum(parts, axis=0), dtype=float)


def simulate(
    seconds: float = 30.0,
    seed: int = 1,
    rate_hz: int = 100,
    noise: float = 0.0,
    gyro_bias: float = 0.0,
    pace: float = 1.0,
    rocking: float = 1.0,
    both_edges: bool = False,
) -> Dig:
    """A dig on a cross-slope, rocking about a track's corner, slewing and reversing.

    Args:
        seconds: length; the first 4 s are rest.
        noise: 0 none, 1 that of low-cost parts (0.02 m/s², 0.001 rad/s a reading, biases of 0.03 m/s²).
        gyro_bias: rad/s on every axis.
        pace: 1 hurried digging (0.5 m/s and more at the tip), 0.1 slow grading.
        rocking: factor on the lean of the rocking, which is some milliradians.
        both_edges: whether it tips over whichever edge it leans to, as a stiff rectangle on hard ground does.
    """
    fs = 1000
    t = np.arange(0.0, seconds, 1.0 / fs)
    lean = 0.003 * rocking
    pitch, roll = _waves(t, seed, lean, 3.0 / pace), _waves(t, seed + 1, lean, 4.0 / pace)
    slew = _waves(t, seed + 2, 0.5, 9.0 / pace)
    angles = [
        start + _waves(t, seed + k, size, period / pace)
        for k, (start, size, period) in enumerate([(0.6, 0.15, 8.0), (-1.2, 0.25, 6.0), (-1.6, 0.35, 5.0)], 3)
    ]
    base = Rotation.from_euler("xy", np.stack([0.06 + roll, -0.03 - pitch], axis=1))
    upper = base * Rotation.from_euler("z", slew[:, None])
    corner = np.array([1.6, -1.1, 0.0])
    centre = corner - base.apply(np.tile(corner, (len(t), 1)))
    if both_edges:
        rise = sum(half * (np.hypot(lean, 5e-4) - 5e-4) for half, lean in ((1.6, pitch), (1.1, roll)))
        centre = np.asarray(rise)[:, None] * base.apply([0.0, 0.0, 1.0])
    foot = np.tile(FOOT, (len(t), 1))
    elbow = foot + _in_plane(angles[0], (BOOM, 0.0, 0.0))
    pin = elbow + _in_plane(angles[1], (STICK, 0.0, 0.0))
    places = {
        "upper": np.tile(POSITIONS["upper"], (len(t), 1)),
        "boom": foot + _in_plane(angles[0], POSITIONS["boom"]),
        "stick": elbow + _in_plane(angles[1], POSITIONS["stick"]),
        "bucket": pin + _in_plane(angles[2], POSITIONS["bucket"]),
    }
    turns = dict(zip(("boom", "stick", "bucket"), angles, strict=True))
    rng = np.random.default_rng(seed + 99)
    readings: list[Imu] = []
    for k, (body, place) in enumerate(places.items()):
        attitude = upper if body == "upper" else upper * Rotation.from_euler("y", -turns[body][:, None])
        track = centre + upper.apply(place)
        acceleration = np.gradient(np.gradient(track, t, axis=0, edge_order=2), t, axis=0, edge_order=2)
        force = attitude.inv().apply(acceleration + GRAVITY)
        rate = (attitude[:-2].inv() * attitude[2:]).as_rotvec() * (fs / 2)
        at = np.arange(20 + 2 * k, len(t) - 20, fs // rate_hz)
        f = force[at] + noise * (rng.normal(0.0, 0.02, (len(at), 3)) + rng.normal(0.0, 0.03, 3))
        w = rate[at - 1] + gyro_bias + noise * rng.normal(0.0, 0.001, (len(at), 3))
        readings += [
            Imu(float(t[i]), body, tuple(a), tuple(b))
            for i, a, b in zip(at, f.tolist(), w.tolist(), strict=True)
        ]
    readings.sort(key=lambda r: r.t)
    tip = upper.apply(pin + _in_plane(angles[2], (TIP, 0.0, 0.0)))
    return Dig(parse_machine(description(), "test"), readings, t, tip[:, 2], centre[:, 2], slew)


@pytest.fixture(scope="session")
def dig() -> Callable[..., Dig]:
    """`dig(seconds=…, seed=…, …)` as `simulate` has them; each is made once."""
    made: dict[tuple[tuple[str, Any], ...], Dig] = {}

    def make(**arguments: Any) -> Dig:
        key = tuple(sorted(arguments.items()))
        if key not in made:
            made[key] = simulate(**arguments)
        return made[key]

    return make


@pytest.fixture
def describe() -> Callable[..., dict[str, Any]]:
    """`description` as a fixture."""
    return description
