"""Directions, mounts and angles carried on: against scipy's rotations and by property."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tipdatum.kinematics.frames import (
    elevation_angle,
    nearest_turn,
    roll_angle,
    rotation_from_rpy_deg,
    rpy_deg_from_rotation,
    up_vector,
    wrap,
)

rpy = st.tuples(st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180))


@given(rpy)
def test_mount_angles_are_fixed_axis_roll_pitch_yaw(rpy_deg: tuple[float, float, float]) -> None:
    """scipy calls the same thing extrinsic "xyz"."""
    expected = Rotation.from_euler("xyz", rpy_deg, degrees=True).as_matrix()
    np.testing.assert_allclose(rotation_from_rpy_deg(rpy_deg), expected, atol=1e-12)


@given(rpy)
def test_angles_read_back_from_a_mount_give_the_same_mount(rpy_deg: tuple[float, float, float]) -> None:
    mount = rotation_from_rpy_deg(rpy_deg)
    back = rotation_from_rpy_deg(rpy_deg_from_rotation(mount))
    # asin loses half the digits close to ±90° of pitch.
    np.testing.assert_allclose(back, mount, atol=1e-7)


def test_looking_straight_up_only_the_sum_of_roll_and_yaw_is_known() -> None:
    mount = rotation_from_rpy_deg((20.0, 90.0, 30.0))
    assert rpy_deg_from_rotation(mount) == pytest.approx((-10.0, 90.0, 0.0), abs=1e-6)


@given(st.floats(-math.pi, math.pi), st.floats(-1.5, 1.5))
def test_angle_and_roll_come_back_from_the_up_vector(theta: float, roll: float) -> None:
    up = up_vector(theta, roll)
    assert np.linalg.norm(up) == pytest.approx(1.0)
    assert math.remainder(float(elevation_angle(up)) - theta, 2 * math.pi) == pytest.approx(0, abs=1e-9)
    assert float(roll_angle(up)) == pytest.approx(roll, abs=1e-7)


@pytest.mark.parametrize(
    ("up", "theta_deg"),
    [((0, 0, 1), 0), ((1, 0, 0), 90), ((-1, 0, 0), -90), ((0, 0, -1), 180), ((1, 0, 1), 45)],
)
def test_signs_of_the_elevation_angle(up: tuple[float, float, float], theta_deg: float) -> None:
    """0 points away from the cab, -90 straight down, positive up (the project's conventions)."""
    assert math.degrees(float(elevation_angle(up))) == pytest.approx(theta_deg)


def test_roll_is_positive_with_the_right_side_down() -> None:
    """Right side down turns the y axis, which points left, upwards."""
    assert float(roll_angle((0.0, 0.1, 0.995))) > 0


@given(st.floats(-100, 100))
def test_wrapped_differences_lie_within_half_a_turn(angle: float) -> None:
    wrapped = float(wrap(angle))
    assert -math.pi <= wrapped <= math.pi
    assert math.remainder(wrapped - angle, 2 * math.pi) == pytest.approx(0, abs=1e-9)


@given(st.floats(-3.2, 3.2), st.floats(-50, 50))
def test_an_angle_is_carried_to_the_turn_nearest_to_the_last(angle: float, last: float) -> None:
    carried = nearest_turn(angle, last)
    assert abs(carried - last) <= math.pi + 1e-9
    assert math.remainder(carried - angle, 2 * math.pi) == pytest.approx(0, abs=1e-9)
