"""Tilt and noise formulas against published ones.

Sources: tilt of two and three axes as in Analog Devices AN-1057 (formulas from memory; the same law is in
the Linux kernel's driver of the SCL3300 inclinometer, ANG_X = atan2(accx, √(accy² + accz²))), with values
computed by two independent codes; sensitivity 17.45 mg for the first degree and 0.15 mg for the last from
the same note; white-noise laws: exact arithmetic.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tipdatum.fusion.complementary import ComplementaryEstimator, ComplementaryOptions
from tipdatum.fusion.sensors import Channel, up_from_tilt
from tipdatum.kinematics.frames import roll_angle, up_vector
from tipdatum.machine.description import parse_machine
from tipdatum.machine.parts import Sensor
from tipdatum_drivers.reading import Imu, Tilt

THREE_AXES = [
    # g in the sensor's axes, AN-1057's θ and ψ in degrees
    ((0.3, 0.4, 0.8660254), 17.4576, 23.5782),
    ((-0.5, 0.5, 0.70710678), -30.0, 30.0),
    ((0.1, -0.2, 0.9746794), 5.7392, -11.5370),
    ((0.5, 0.0, 0.8660254), 30.0, 0.0),
]


@pytest.mark.parametrize(("g", "theta", "psi"), THREE_AXES)
def test_dual_axis_inclinometer_follows_the_application_note(
    g: tuple[float, float, float], theta: float, psi: float
) -> None:
    assert up_from_tilt(Tilt(0.0, "s", None, theta, psi)) == pytest.approx(g, abs=2e-6)
    assert math.degrees(float(roll_angle(np.array(g)))) == pytest.approx(psi, abs=1e-4)


@pytest.mark.parametrize(("g", "theta", "psi"), THREE_AXES)
def test_a_reading_of_gravity_becomes_that_gravity_in_the_body(
    g: tuple[float, float, float], theta: float, psi: float
) -> None:
    channel = Channel("s", Sensor(body="boom"), 9.80665)
    sample = channel.sample(Tilt(0.0, "s", None, theta, psi))
    assert np.array(sample.force) / 9.80665 == pytest.approx(g, abs=2e-6)


def test_sensitivity_is_17_mg_for_the_first_degree_and_a_hundredth_of_it_for_the_last() -> None:
    x = up_vector(np.radians([0.0, 1.0, 89.0, 90.0]), 0.0)[:, 0]
    assert 1000.0 * (x[1] - x[0]) == pytest.approx(17.45, abs=0.005)
    assert 1000.0 * (x[3] - x[2]) == pytest.approx(0.15, abs=0.005)


@pytest.mark.parametrize(("alpha", "law"), [(0.1, 0.22942), (0.05, 0.16013)])
def test_static_noise_falls_as_an_exponential_mean_must(alpha: float, law: float) -> None:
    """σ√(α/(2-α)) for an exponential mean with weight α: exact for white noise."""
    sensors = {b: {"body": b} for b in ("upper", "boom", "stick", "bucket")}
    machine = parse_machine(
        {
            "name": "m",
            "boom": {"foot_m": [0, 0, 1.7], "length_m": 4.6},
            "stick": {"length_m": 2.5},
            "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6}],
            "sensor": sensors,
        },
        "test",
    )
    step = 0.01
    tau = step * (1.0 - alpha) / alpha
    e = ComplementaryEstimator(machine, 0.02, ComplementaryOptions(crossover_hz=1.0 / (2.0 * math.pi * tau)))
    rng = np.random.default_rng(7)
    found = []
    for k in range(12000):
        noise = float(rng.normal(0.0, 0.01))
        e.consume(Imu(step * k, "boom", (noise, 0.0, 9.80665), (0.0, 0.0, 0.0)))
        if k > 200:
            found.append(e._trackers["boom"].theta)
    assert np.std(found) / (0.01 / 9.80665) == pytest.approx(law, rel=0.06)
