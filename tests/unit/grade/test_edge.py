"""The cutting edge against a target across it: falls to either side, and the tilt to set."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.grade.edge import Edge
from tipdatum.grade.surfaces import Alignment, Ditch, Grade, Level
from tipdatum.kinematics.chain import Chain, TiltAxis

LEVEL_AXIS_DEG = 128.5
"""Of the axis in the bucket's frame: with the bucket at minus that it lies level and points from the cab."""
CHAIN = Chain(
    np.array([0.3, 0.0, 1.6]), np.array([4.2, 2.2, 0.9]), ("boom", "stick", "bucket"), 0.8,
    tilt_axis=TiltAxis(0.15, 0.1, math.radians(LEVEL_AXIS_DEG)),
)  # fmt: skip


def edge(
    tilt_deg: float, surface: Grade | Level | Ditch | None, roll_deg: float = 0.0, slew: float = 0.0
) -> Edge:
    q = tuple(map(math.radians, (2.0, roll_deg, 40.0, -50.0, -LEVEL_AXIS_DEG, tilt_deg)))
    line = Alignment(zero_m=0.0, azimuth_rad=0.0)
    return Edge(CHAIN, q, CHAIN.locate(q), None, surface, line, slew)


def test_about_a_level_axis_the_edge_falls_by_its_tilt() -> None:
    assert edge(20.0, None).fall == pytest.approx(math.tan(math.radians(20.0)))
    assert edge(-20.0, None).fall == pytest.approx(-math.tan(math.radians(20.0)))
    assert edge(20.0, None).target_fall is None
    assert edge(20.0, None).tilt_to_set_rad() is None


@pytest.mark.parametrize("cross", [0.25, -0.5, 0.0])
def test_on_a_level_machine_the_tilt_to_set_is_the_angle_of_the_cross_slope(cross: float) -> None:
    found = edge(10.0, Grade(elevation_m=0.0, grade=0.0, cross=cross))
    assert found.target_fall == pytest.approx(cross)
    turned = found.tilt_to_set_rad()
    assert turned is not None
    assert math.degrees(turned) + 10.0 == pytest.approx(math.degrees(math.atan(cross)), abs=0.01)


@given(
    st.floats(-8.0, 8.0),
    st.floats(-25.0, 25.0),
    st.floats(-0.4, 0.4),
    st.floats(-0.1, 0.1),
    st.floats(-0.5, 0.5),
)
def test_whatever_the_lean_both_corners_are_as_far_from_the_target_once_it_is_set(
    roll: float, tilt: float, cross: float, grade: float, slew: float
) -> None:
    surface = Grade(elevation_m=-3.0, grade=grade, cross=cross)
    found = edge(tilt, surface, roll, slew)
    turned = found.tilt_to_set_rad()
    assert turned is not None
    away = []
    for reach, lateral, height in edge(tilt + math.degrees(turned), surface, roll, slew).corners:
        s, o = (
            reach * math.cos(slew) - lateral * math.sin(slew),
            reach * math.sin(slew) + lateral * math.cos(slew),
        )
        away.append(height + 3.0 - grade * s - cross * o)
    assert away[0] == pytest.approx(away[1], abs=0.0005)


def test_over_a_batter_the_edge_is_to_be_laid_on_the_batter() -> None:
    ditch = Ditch(elevation_m=-2.0, grade=0.0, bottom_m=0.4, batter_left=0.5, batter_right=0.5)
    q = tuple(map(math.radians, (0.0, 0.0, 40.0, -50.0, -LEVEL_AXIS_DEG, 0.0)))
    line = Alignment(zero_m=0.0, azimuth_rad=0.0, aside_m=-1.5)
    turned = Edge(CHAIN, q, CHAIN.locate(q), None, ditch, line).tilt_to_set_rad()
    assert turned is not None
    assert math.degrees(turned) == pytest.approx(math.degrees(math.atan(0.5)), abs=0.01)


def test_an_axis_that_stands_upright_sets_nothing() -> None:
    q = tuple(map(math.radians, (0.0, 0.0, 40.0, -50.0, 90.0 - LEVEL_AXIS_DEG, 0.0)))
    found = Edge(CHAIN, q, CHAIN.locate(q), None, Grade(elevation_m=0.0, grade=0.0, cross=0.1))
    assert found.tilt_to_set_rad() is None
