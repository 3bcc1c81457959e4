"""The way of the edge between two ticks, against curves that are known everywhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tipdatum.grade.as_dug import BIN_M, WAY_M, Way, lowest_by_place

Floats = NDArray[np.float64]
RADIUS_M, MIDDLE = 2.5, (5.0, 3.0)
"""A stroke on a circle, as an arm that is drawn in about one joint digs."""


def arc(t: Floats, speed_mps: float) -> tuple[Floats, Floats]:
    """Reach and elevation: from 45° before the lowest point to 45° after it."""
    angle = math.pi / 4 - speed_mps / RADIUS_M * t
    return MIDDLE[0] + RADIUS_M * np.sin(angle), MIDDLE[1] - RADIUS_M * np.cos(angle)


@given(speed_mps=st.floats(0.2, 2.5), rate_hz=st.sampled_from([10.0, 25.0, 50.0]), late=st.floats(0.0, 1.0))
def test_every_place_of_a_stroke_is_as_low_as_its_curve_however_few_ticks_it_has(
    speed_mps: float, rate_hz: float, late: float
) -> None:
    t = (np.arange(int(math.pi / 2 * RADIUS_M / speed_mps * rate_hz)) + late) / rate_hz
    reach, elevation = arc(t, speed_mps)
    way = Way(t, np.arange(len(t)), reach, elevation)
    along = way.of(reach)
    places, lowest = lowest_by_place(along, way.of(elevation))
    fine = arc(np.linspace(t[0], t[-1], 20000), speed_mps)
    most = speed_mps / rate_hz * 0.05  # of the slope of at most 1, a twentieth of the way between two ticks
    for place, found in list(zip(places, way.of(elevation)[lowest], strict=True))[1:-1]:
        true = fine[1][np.abs(fine[0] - place) <= BIN_M / 2].min()
        assert found == pytest.approx(true, abs=most + WAY_M), place
    assert np.diff(np.round(places / BIN_M - 0.5)).tolist() == [1.0] * (
        len(places) - 1
    )  # and none is left out


def test_the_way_passes_through_what_was_published() -> None:
    t = np.array([0.0, 0.04, 0.07, 0.12, 0.16])
    reach, elevation = np.array([7.0, 6.9, 6.85, 6.7, 6.6]), np.array([1.0, 0.9, 0.92, 0.8, 0.85])
    way = Way(t, np.arange(5), reach, elevation)
    at = way.share == 0.0
    assert way.of(reach)[at].tolist() == reach.tolist()
    assert way.of(elevation)[at].tolist() == elevation.tolist()
    assert np.hypot(np.diff(way.of(reach)), np.diff(way.of(elevation))).max() < 2.0 * WAY_M


def test_no_way_leads_from_one_stroke_to_the_next() -> None:
    t = np.arange(8) * 0.04
    reach = np.array([7.0, 6.9, 6.8, 5.0, 4.0, 7.1, 7.0, 6.9])
    elevation = np.array([1.0, 0.9, 0.8, 3.0, 3.0, 1.2, 1.1, 1.0])
    way = Way(t, np.array([0, 1, 2, 5, 6, 7]), reach, elevation)
    assert set(way.before.tolist()) == {0, 1, 2, 5, 6, 7}
    # Straight strokes stay straight up to their ends: what was between them has no say.
    assert way.of(elevation) == pytest.approx(
        np.where(way.before < 3, way.of(reach) - 6.0, way.of(reach) - 5.9)
    )


def test_a_figure_that_is_not_known_at_a_tick_is_not_known_beside_it() -> None:
    t, reach = np.arange(4) * 0.04, np.array([7.0, 6.9, 6.8, 6.7])
    way = Way(t, np.arange(4), reach, np.ones(4))
    found = way.of(np.array([1.0, np.nan, 1.0, 1.0]))
    assert np.isnan(found[(way.before < 2) & (way.share > 0.0)]).all()
    assert found[way.before == 3].tolist() == [1.0]
