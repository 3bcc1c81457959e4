"""The simulator's sensors against the noise that their description states.

Noise: Allan deviation by the reference implementation AllanTools; a one-sided density n is a random walk of
n/√2 (IEEE Std 952-1997, annex C, from memory). Everything else: what the description says, by its own words.
"""

from __future__ import annotations

import math

import allantools
import numpy as np
import pytest

from tipdatum.machine.parts import Noise, Sensor
from tipdatum.simulator.sensors import SensorsTable, SimulatedSensor
from tipdatum_drivers.reading import Imu, Tilt

RATE = 100.0
UP = np.array([0.0, 0.0, 9.80665])


def readings(told: Sensor, table: SensorsTable, seconds: float, seed: int = 4) -> list[Imu | Tilt]:
    """What a sensor at rest, its z axis up, says."""
    sensor = SimulatedSensor("s", told, table, np.random.default_rng(seed), 30.0)
    found = []
    for step in range(round(seconds * 200)):
        t = step / 200.0
        sensor.observe(t, UP, np.zeros(3))
        found += sensor.due(t, engine=True)
    return found


@pytest.mark.slow
@pytest.mark.parametrize(("accel", "gyro"), [(0.02, 0.002), (0.05, 0.004)])
def test_white_noise_has_the_stated_density(accel: float, gyro: float) -> None:
    noise = Noise(accel_mps2_rthz=accel, gyro_radps_rthz=gyro)
    told = Sensor(body="boom", latency_s=0.01, noise=noise)
    heard = readings(told, SensorsTable(vibration_mps2=0.0), 400.0)
    for density, values in (
        (accel, [r.accel_mps2[0] for r in heard if isinstance(r, Imu)]),
        (gyro, [r.gyro_radps[1] for r in heard if isinstance(r, Imu) and r.gyro_radps]),
    ):
        taus, deviations, _, _ = allantools.oadev(
            np.array(values), rate=RATE, data_type="freq", taus=[0.1, 0.5, 1.0]
        )
        walk = deviations * np.sqrt(taus)
        np.testing.assert_allclose(walk, density / math.sqrt(2.0), rtol=0.12)


def test_bias_is_of_the_stated_size_and_its_own_for_every_part() -> None:
    told = Sensor(body="boom", noise=Noise(accel_bias_mps2=0.08, gyro_bias_radps=0.02))
    made = [SimulatedSensor("s", told, SensorsTable(), np.random.default_rng(i), 30.0) for i in range(300)]
    # Drawn normal and clipped at two sigma: 0.96 of it is left.
    assert np.std([m.accel_bias for m in made]) == pytest.approx(0.96 * 0.08, rel=0.08)
    assert np.std([m.gyro_bias for m in made]) == pytest.approx(0.96 * 0.02, rel=0.08)


def test_a_warm_sensor_drifts_by_what_is_stated_for_each_kelvin() -> None:
    told = Sensor(body="boom", noise=Noise(accel_per_kelvin_mps2=0.01, accel_mps2_rthz=1e-4))
    cold = readings(told, SensorsTable(vibration_mps2=0.0), 2.0)
    warm = readings(told, SensorsTable(vibration_mps2=0.0, warm_up_k=20.0), 600.0)[-200:]
    rise = (warm[-1].temp_c or 0.0) - (cold[-1].temp_c or 0.0)
    assert rise == pytest.approx(20.0, abs=0.5)
    change = np.mean([r.accel_mps2 for r in warm if isinstance(r, Imu)], axis=0) - np.mean(
        [r.accel_mps2 for r in cold if isinstance(r, Imu)], axis=0
    )
    assert 0.0 < np.abs(change).max() <= 2.0 * 0.01 * 20.5


def test_readings_are_whole_digits_of_the_part() -> None:
    told = Sensor(body="boom", latency_s=0.01)
    lsb = 16.0 * 9.80665 / 32768.0
    for reading in readings(told, SensorsTable(), 1.0):
        assert isinstance(reading, Imu)
        counts = np.array(reading.accel_mps2) / lsb
        np.testing.assert_allclose(counts, np.round(counts), atol=1e-6)


def test_a_reading_comes_in_its_latency_after_what_it_tells() -> None:
    told = Sensor(body="boom", latency_s=0.05)
    sensor = SimulatedSensor(
        "s", told, SensorsTable(perfect=True, clocks="shared"), np.random.default_rng(1), 30.0
    )
    for step in range(200):
        t = step / 200.0
        # Its rate is the time itself, so that a reading says how old it is.
        sensor.observe(t, UP, np.array([0.0, t, 0.0]))
        for reading in sensor.due(t, engine=False):
            assert isinstance(reading, Imu)
            assert reading.t_sample is not None
            assert reading.gyro_radps is not None
            assert reading.t_sample - reading.gyro_radps[1] == pytest.approx(0.05, abs=1e-9)


def test_a_perfect_inclinometer_shows_the_angle_of_its_body() -> None:
    told = Sensor(body="stick", type="tilt", latency_s=0.02)
    sensor = SimulatedSensor("s", told, SensorsTable(perfect=True), np.random.default_rng(1), 30.0)
    theta = math.radians(-130.0)
    force = 9.80665 * np.array([math.sin(theta), 0.0, math.cos(theta)])
    said = []
    for step in range(40):
        sensor.observe(step / 200.0, force, np.zeros(3))
        said += sensor.due(step / 200.0, engine=False)
    assert isinstance(said[-1], Tilt)
    assert said[-1].angle_deg == pytest.approx(-130.0, abs=1e-9)
