"""Heave of a machine that rocks, against the geometry of a rigid body that turns about a fixed point."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum.fusion.rocking import Rocking

SURE = np.diag([1e-4, 1e-4])
ANGLES = np.array([1e-6, 1e-6])


def _lean(axes: Rotation) -> tuple[float, float]:
    """θ and φ of the upper from `up` in its own axes."""
    x, y, _ = axes.inv().apply([0.0, 0.0, 1.0])
    roll = math.asin(y)
    return math.asin(x / math.cos(roll)), roll


def test_rocking_lifts_the_slew_centre_as_a_rigid_turn_about_the_pivot_does() -> None:
    pivot = np.array([1.6, -1.0])
    before = Rotation.from_euler("xyz", [2.0, -3.0, 0.0], degrees=True)
    turned = before * Rotation.from_euler("xyz", [0.3, 0.6, 0.0], degrees=True)
    # The slew centre stands at -pivot from the pivot; heights of it by scipy's rotations.
    rise = float((turned.apply([*-pivot, 0.0]) - before.apply([*-pivot, 0.0]))[2])
    heave, sigma = Rocking(*_lean(before), 0.0).heave(*_lean(turned), 0.0, pivot, SURE, ANGLES)
    assert abs(rise) > 0.01
    assert heave == pytest.approx(rise, rel=0.05)
    assert abs(heave - rise) < sigma


@pytest.mark.parametrize("slewed_deg", [30.0, 90.0, -170.0])
def test_slewing_on_a_slope_is_no_heave(slewed_deg: float) -> None:
    slope = Rotation.from_euler("xyz", [2.0, -4.0, 0.0], degrees=True)
    slewed = slope * Rotation.from_euler("z", slewed_deg, degrees=True)
    rocking = Rocking(*_lean(slope), 0.5)
    heave, _ = rocking.heave(
        *_lean(slewed), 0.5 + math.radians(slewed_deg), np.array([1.6, -1.0]), SURE, ANGLES
    )
    assert abs(heave) < 1e-6


def test_a_heave_smaller_than_its_doubt_is_left_out_and_counts_as_doubt() -> None:
    unsure = np.diag([100.0, 100.0])
    heave, sigma = Rocking(0.0, 0.0, 0.0).heave(0.001, 0.0, 0.0, np.array([1.5, 0.0]), unsure, ANGLES)
    assert abs(heave) < 0.05 * 0.0015
    assert sigma >= 0.0014
