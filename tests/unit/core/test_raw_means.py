"""Half-second means of raw readings against numpy's."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.bus.messages import Raw, RawAngle
from tipdatum.core.messages_out import Outgoing, RawMeans
from tipdatum_drivers.reading import Imu, Slew, Tilt, Vector

figure = st.floats(-160.0, 160.0)
vector = st.tuples(figure, figure, figure)


def outgoing(readings: Sequence[Imu | Tilt | Slew]) -> list[Outgoing]:
    means = RawMeans()
    return [found for reading in readings if (found := means.add(reading)) is not None]


def published(readings: Sequence[Imu | Tilt | Slew]) -> list[Raw]:
    return [found.message for found in outgoing(readings) if isinstance(found.message, Raw)]


@given(st.lists(st.tuples(vector, vector), min_size=51, max_size=60))
def test_means_and_spread_are_those_of_numpy(samples: list[tuple[Vector, Vector]]) -> None:
    readings = [Imu(i / 100, "boom", accel, gyro) for i, (accel, gyro) in enumerate(samples)]
    (raw,) = published(readings)
    accel = np.array([r.accel_mps2 for r in readings[:50]])
    assert raw.n == 50
    assert raw.accel_mps2 == pytest.approx(accel.mean(axis=0), abs=1e-5)
    assert raw.spread_mps2 == pytest.approx(accel.std(axis=0), abs=1e-5)
    assert raw.gyro_radps == pytest.approx(np.mean([r.gyro_radps for r in readings[:50]], axis=0), abs=1e-5)


def test_each_sensor_has_blocks_of_its_own_and_a_part_without_gyro_says_so() -> None:
    readings = [
        Imu(i / 50, name, (0.0, 0.0, 9.8), None if name == "boom" else (0.0, 0.0, 0.1))
        for i in range(60)
        for name in ("boom", "stick")
    ]
    blocks = {raw.sensor: raw for raw in published(readings)}
    assert blocks["boom"].gyro_radps is None
    assert blocks["stick"].gyro_radps == pytest.approx([0.0, 0.0, 0.1])


@given(st.floats(-180.0, 180.0), st.lists(st.floats(-40.0, 40.0), min_size=25, max_size=25))
def test_an_encoder_s_mean_is_about_its_first_reading_wherever_it_counts_from(
    start: float, turned: list[float]
) -> None:
    told = [math.remainder(start + by, 360.0) for by in turned]
    first, *_ = outgoing([Slew(i / 50, "swing", angle) for i, angle in enumerate([*told, *told[:2]])])
    assert (first.name, first.part) == ("angle", "swing")
    assert isinstance(first.message, RawAngle)
    assert first.message.n == 25
    off = math.remainder(first.message.angle_deg - start - float(np.mean(turned)), 360.0)
    assert off == pytest.approx(0.0, abs=1e-3)
    assert first.message.spread_deg == pytest.approx(float(np.std(turned)), abs=1e-3)


def test_an_inclinometer_s_angles_come_as_the_force_that_they_stand_for() -> None:
    (raw,) = published([Tilt(i / 50, "boom", pitch_deg=30.0, roll_deg=-10.0) for i in range(26)])
    x, y, z = raw.accel_mps2
    assert math.degrees(math.asin(x / 9.80665)) == pytest.approx(30.0, abs=1e-3)
    assert math.degrees(math.asin(y / 9.80665)) == pytest.approx(-10.0, abs=1e-3)
    assert math.hypot(x, y, z) == pytest.approx(9.80665, abs=1e-5)
    assert raw.gyro_radps is None
