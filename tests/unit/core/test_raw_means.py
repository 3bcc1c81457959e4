"""Half-second means of raw readings against numpy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.bus.messages import Raw
from tipdatum.core.messages_out import RawMeans
from tipdatum_drivers.reading import Imu, Vector

figure = st.floats(-160.0, 160.0)
vector = st.tuples(figure, figure, figure)


def published(readings: list[Imu]) -> list[Raw]:
    means = RawMeans()
    return [raw for reading in readings if (raw := means.add(reading)) is not None]


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
