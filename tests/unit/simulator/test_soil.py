"""The ground of the simulator: what is cut is carried, what is dumped lies there, nothing gets lost."""

from __future__ import annotations

import numpy as np
import pytest

from tipdatum.simulator.soil import CELL_M, GIVE_M, REPOSE, Soil

TO_MACHINE = np.array([-0.5, 0.0, 0.0])
OPEN_TO_MACHINE = np.array([-0.8, 0.0, 0.6])


def pass_over(soil: Soil, z: float, start: float = 4.0, end: float = 2.0, *, room: float = 10.0) -> float:
    """Draw an edge 0.6 m wide towards the machine at height `z`; returns what was cut, m³."""
    cut = 0.0
    for x in np.arange(start, end, -0.0025):
        left, right = np.array([x, 0.3, z]), np.array([x, -0.3, z])
        cut += soil.meet(left, right, TO_MACHINE, OPEN_TO_MACHINE, room, 0.005).cut_m3
    return cut


def test_a_pass_leaves_the_ground_at_the_edge() -> None:
    soil = Soil(6.0)
    pass_over(soil, -0.10)
    bottom = soil.profile(np.linspace(2.2, 3.8, 20), np.zeros(20))
    assert np.all(np.abs(bottom + 0.10) <= GIVE_M)


def test_what_is_cut_is_what_the_ground_lost() -> None:
    soil = Soil(6.0)
    cut = pass_over(soil, -0.10)
    assert cut == pytest.approx(-soil.volume_m3, abs=1e-9)
    assert cut == pytest.approx(2.0 * 0.65 * 0.10, rel=0.1)


def test_what_the_bucket_cannot_hold_is_pushed_on() -> None:
    soil = Soil(6.0)
    pass_over(soil, -0.10, room=0.0)
    assert soil.volume_m3 == pytest.approx(0.0, abs=1e-9)
    assert soil.heights.max() > 0.1


def test_an_edge_in_the_air_meets_nothing() -> None:
    contact = Soil(6.0).meet(
        np.array([3.0, 0.3, 0.2]), np.array([3.0, -0.3, 0.2]), TO_MACHINE, OPEN_TO_MACHINE, 1.0, 0.005
    )
    assert contact.cut_m3 == 0.0
    assert not contact.force.any()


def test_firm_ground_carries_an_edge_that_stands_on_it() -> None:
    soil = Soil(6.0)
    still, z = np.zeros(3), -0.002
    contact = soil.meet(np.array([3.0, 0.3, z]), np.array([3.0, -0.3, z]), still, OPEN_TO_MACHINE, 1.0, 0.005)
    assert contact.force[2] > 0.0
    assert contact.cut_m3 == 0.0
    assert contact.stiffness > 0.0


def test_dumped_soil_slides_to_its_angle_of_repose_and_none_is_lost() -> None:
    soil = Soil(6.0)
    soil.put(0.0, 0.0, 0.55, 0.3)
    for _ in range(400):
        soil.settle()
    assert soil.volume_m3 == pytest.approx(0.3, abs=1e-6)
    steepest = np.abs(np.diff(soil.heights, axis=0)).max() / CELL_M
    assert steepest < 1.5 * REPOSE


def test_a_cut_wall_stands() -> None:
    soil = Soil(6.0)
    pass_over(soil, -0.8)
    before = soil.heights.copy()
    for _ in range(20):
        soil.settle()
    assert np.array_equal(before, soil.heights)


def test_loose_soil_at_a_wall_slides_in_but_the_wall_stays() -> None:
    soil = Soil(6.0)
    pass_over(soil, -0.8)
    soil.put(3.0, 0.45, 0.3, 0.05)
    for _ in range(200):
        soil.settle()
    assert np.all(soil.heights - soil.loose <= soil.natural + 1e-9)
    assert (soil.heights - soil.loose)[:, 0].max() == pytest.approx(0.0)
    assert soil.profile(np.array([3.0]), np.array([0.27]))[0] > -0.8 + GIVE_M


def test_a_slope_is_natural_ground() -> None:
    soil = Soil(6.0, slope=(0.1, -0.05))
    assert soil.height(2.0, 1.0) == pytest.approx(0.1 * 2.0 - 0.05 * 1.0, abs=0.01)
    assert soil.height(100.0, 0.0) == pytest.approx(10.0)
    assert soil.volume_m3 == 0.0


def test_changes_are_told_once() -> None:
    soil = Soil(6.0)
    pass_over(soil, -0.1)
    assert len(soil.take_changes()) > 100
    assert len(soil.take_changes()) == 0
