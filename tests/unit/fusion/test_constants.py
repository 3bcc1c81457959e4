"""What is wrong with a sensor: its Jacobians against differences, levelling, warmth and blows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    ACCEL_WARM,
    CROSSING,
    EYE3,
    GYRO_BIAS,
    GYRO_WARM,
    LATENCY,
    MOUNT,
    OF_ACCEL,
    OF_GYRO,
    PER_SENSOR,
    force_errors,
    matrices,
    rate_errors,
    tilt_errors,
)
from tipdatum.fusion.pose import Condition

vectors = st.lists(st.floats(-9.0, 9.0), min_size=3, max_size=3).map(np.array)
WARMTH = np.array([0.7])


def freed(raw: np.ndarray[Any, Any], k: np.ndarray[Any, Any], gyro: bool) -> np.ndarray[Any, Any]:
    """A vector freed of the constants `k`, written out as the page has it."""
    turn = EYE3 - (k[MOUNT] @ CROSSING).reshape(3, 3)
    bias, warm = (GYRO_BIAS, GYRO_WARM) if gyro else (ACCEL_BIAS, ACCEL_WARM)
    found = (raw - k[bias] - WARMTH[0] * k[warm]) @ matrices(k[None])[gyro][0] @ turn
    return np.asarray(found)


@pytest.mark.parametrize("gyro", [True, False])
@given(vectors)
@settings(max_examples=20)
def test_each_constant_shows_as_its_jacobian_says(gyro: bool, raw: np.ndarray[Any, Any]) -> None:
    own = OF_GYRO if gyro else OF_ACCEL
    errors = rate_errors if gyro else force_errors
    found = errors(raw[None], np.zeros((1, 3)), WARMTH)[0]
    for column, place in enumerate(range(own.start, own.stop)):
        if place == LATENCY:
            continue
        step = np.zeros(PER_SENSOR)
        step[place] = 1e-5
        numeric = (freed(raw, step, gyro) - freed(raw, -step, gyro)) / 2e-5
        assert found[:, column] == pytest.approx(numeric, abs=1e-6)


@given(st.floats(-3.0, 3.0), st.floats(-0.2, 0.2))
def test_a_mount_turned_about_y_tilts_what_is_shown_by_as_much_at_every_angle(
    theta: float, roll: float
) -> None:
    up = np.array([np.sin(theta) * np.cos(roll), np.sin(roll), np.cos(theta) * np.cos(roll)])
    shown = tilt_errors(9.80665 * up[None], np.zeros(1))[0, :, MOUNT.start - OF_ACCEL.start + 1]
    assert np.abs(shown) == pytest.approx([1.0, 0.0], abs=1e-9)


def test_a_sensor_that_is_struck_is_named_until_a_second_after_the_last_blow() -> None:
    condition = Condition()
    for t in np.arange(0.0, 12.0, 0.1).tolist():
        condition.update(t, 0.0, 0.001, False)
        condition.notice_struck(t, ["bucket"] if 10.0 <= t < 10.5 else [])
        quality, reasons = condition.judge("good", ())
        named = any("bucket sensor is struck" in reason for reason in reasons)
        if 10.0 <= t < 11.0:
            assert named
            assert quality != "good"
        elif t < 10.0 or t > 11.5:
            assert not named
