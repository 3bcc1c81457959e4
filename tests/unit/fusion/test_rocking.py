"""Heave of a machine that rocks, against the geometry of a rigid body that turns about a fixed point."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tipdatum.fusion.chain.heave import Pivot, Rocking
from tipdatum.machine.parts import Undercarriage

Array = NDArray[np.float64]
TRACKS = Undercarriage(contact_length_m=3.2, gauge_m=2.2)
SURE = np.diag([1e-4, 1e-4])
ANGLES = (1e-6, 1e-6)


def _at(
    rocking: Rocking,
    axes: Rotation,
    travelled: float,
    pivot: Array,
    of_pivot: Array = SURE,
    wander: float = 0.0,
) -> tuple[float, float]:
    (xx, xy), (_, yy) = of_pivot.tolist()
    x, y = pivot.tolist()
    return rocking.heave(*_lean(axes), travelled, Pivot(x, y, xx, xy, yy, wander), ANGLES)


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
    heave, sigma = _at(Rocking(TRACKS, *_lean(before), 0.0), turned, 0.0, pivot)
    assert abs(rise) > 0.01
    assert heave == pytest.approx(rise, rel=0.05)
    assert abs(heave - rise) < sigma


@pytest.mark.parametrize("slewed_deg", [30.0, 90.0, -170.0])
def test_slewing_on_a_slope_is_no_heave(slewed_deg: float) -> None:
    slope = Rotation.from_euler("xyz", [2.0, -4.0, 0.0], degrees=True)
    slewed = slope * Rotation.from_euler("z", slewed_deg, degrees=True)
    heave, _ = _at(
        Rocking(TRACKS, *_lean(slope), 0.5),
        slewed,
        0.5 + math.radians(slewed_deg),
        np.array([1.6, -1.0]),
    )
    assert abs(heave) < 1e-6


def test_a_pivot_that_nothing_tells_gives_doubt_as_large_as_rocking_makes_and_no_figure() -> None:
    lean = Rotation.from_euler("y", -0.3, degrees=True)
    heave, sigma = _at(
        Rocking(TRACKS, 0.0, 0.0, 0.0), lean, 0.0, np.array([1.5, 0.0]), np.diag([100.0, 100.0])
    )
    assert abs(heave) < 0.2 * 1.5 * math.radians(0.3)
    assert 0.01 < sigma < 0.025


def test_a_pivot_that_goes_to_and_fro_counts_as_doubt() -> None:
    lean = Rotation.from_euler("y", -0.3, degrees=True)
    rocking, pivot = Rocking(TRACKS, 0.0, 0.0, 0.0), np.array([1.5, 0.0])
    _, steady = _at(rocking, lean, 0.0, pivot)
    _, wandering = _at(rocking, lean, 0.0, pivot, wander=1.0)
    assert steady < 0.003
    assert wandering > math.radians(0.3) * 1.0


def test_no_pivot_lies_beyond_the_corners_of_the_tracks() -> None:
    lean = Rotation.from_euler("y", -0.3, degrees=True)
    heave, _ = _at(Rocking(TRACKS, 0.0, 0.0, 0.0), lean, 0.0, np.array([6.0, 0.0]))
    assert abs(heave) <= math.hypot(1.6, 1.1) * math.radians(0.3) * 1.001


def test_a_new_reference_makes_no_step() -> None:
    lean = Rotation.from_euler("y", -0.3, degrees=True)
    pivot = np.array([1.5, 0.0])
    before, _ = _at(Rocking(TRACKS, 0.0, 0.0, 0.0), lean, 0.0, pivot)
    after, _ = _at(Rocking(TRACKS, *_lean(lean), 0.0, before), lean, 0.0, pivot)
    assert abs(before) > 0.005
    assert after == pytest.approx(before)
