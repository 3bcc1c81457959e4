"""The bucket linkage: what holds at every angle at which it closes, and what it says where it does not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tipdatum.kinematics.linkage import FourBar

DEMO = FourBar(
    pivot_x=2.15, pivot_z=0.02, rocker=0.60, link=0.55, ear=0.39, ear_angle=math.radians(136), stick=2.5,
    assembly=1,
)  # fmt: skip
linkages = st.builds(
    FourBar,
    pivot_x=st.floats(1.8, 2.3),
    pivot_z=st.floats(-0.1, 0.2),
    rocker=st.floats(0.3, 0.8),
    link=st.floats(0.3, 0.8),
    ear=st.floats(0.2, 0.6),
    ear_angle=st.floats(1.0, 3.0),
    stick=st.just(2.5),
    assembly=st.sampled_from([1, -1]),
)
rocker_angles = st.floats(-math.pi, math.pi)


@given(linkages, rocker_angles)
def test_the_link_keeps_its_length_and_its_side(bar: FourBar, rho: float) -> None:
    solution = bar.bucket_from_rocker(rho)
    assume(bool(solution.closes[0]))
    rocker_end = np.array(
        [bar.pivot_x + bar.rocker * math.cos(rho), bar.pivot_z + bar.rocker * math.sin(rho)]
    )
    ear = float(solution.bucket[0]) + bar.ear_angle
    ear_end = np.array([bar.stick + bar.ear * math.cos(ear), bar.ear * math.sin(ear)])
    to_pin = np.array([bar.stick, 0.0]) - rocker_end
    to_ear = ear_end - rocker_end
    assert np.linalg.norm(to_ear) == pytest.approx(bar.link, abs=1e-7)
    side = to_pin[0] * to_ear[1] - to_pin[1] * to_ear[0]
    assert side * bar.assembly >= -1e-7


@given(linkages, rocker_angles)
def test_transmission_ratio_is_the_slope_of_the_bucket_angle(bar: FourBar, rho: float) -> None:
    step = 1e-6
    near = bar.bucket_from_rocker([rho - step, rho, rho + step])
    # Close to a dead centre the slope runs off to infinity and a finite difference means nothing.
    assume(bool(near.closes.all()) and abs(float(near.ratio[1])) < 20.0)
    change = math.remainder(float(near.bucket[2] - near.bucket[0]), 2 * math.pi)
    assert float(near.ratio[1]) == pytest.approx(change / (2 * step), rel=1e-3, abs=1e-4)


@given(linkages, rocker_angles)
def test_going_back_from_the_bucket_finds_the_rocker(bar: FourBar, rho: float) -> None:
    there = bar.bucket_from_rocker(rho)
    assume(bool(there.closes[0]) and abs(float(there.ratio[0])) > 1e-3)
    roots = bar.rocker_from_bucket(there.bucket)[0]
    apart = [abs(math.remainder(float(root) - rho, 2 * math.pi)) for root in roots]
    assert min(apart) < 1e-5


def test_many_angles_at_once_are_the_same_as_one_by_one() -> None:
    rho = np.linspace(-math.pi, math.pi, 200)
    together = DEMO.bucket_from_rocker(rho)
    alone = [float(DEMO.bucket_from_rocker(float(r)).bucket[0]) for r in rho]
    np.testing.assert_array_equal(together.bucket, alone)


@given(linkages, rocker_angles)
def test_one_angle_in_plain_arithmetic_is_the_same_as_among_many(bar: FourBar, rho: float) -> None:
    many, one = bar.bucket_from_rocker(rho), bar.bucket_at(rho)
    around = bar.bucket_from_rocker([rho - 1e-6, rho + 1e-6]).closes
    assume(bool(around[0] == around[1]))
    assert (one is not None) == bool(many.closes[0])
    if one is not None and abs(one[1]) < 1e6:
        assert math.remainder(one[0] - float(many.bucket[0]), 2 * math.pi) == pytest.approx(0.0, abs=1e-9)
        assert one[1] == pytest.approx(float(many.ratio[0]), rel=1e-6, abs=1e-9)


def test_outside_its_range_the_linkage_says_so() -> None:
    (range_,) = DEMO.closing_range()
    inside = DEMO.bucket_from_rocker(np.linspace(range_[0] + 0.01, range_[1] - 0.01, 100))
    assert inside.closes.all()
    assert np.isfinite(inside.bucket).all()
    outside = DEMO.bucket_from_rocker([range_[0] - 0.01, range_[1] + 0.01])
    assert not outside.closes.any()
    assert np.isnan(outside.bucket).all()
    assert np.isnan(outside.ratio).all()


def test_the_range_ends_where_link_and_ear_are_stretched() -> None:
    """There the rocker–link pin is link + ear, or their difference, away from the bucket pin."""
    (range_,) = DEMO.closing_range(36_000)
    for rho in range_:
        reach = math.hypot(DEMO.pivot_x + 0.6 * math.cos(rho) - 2.5, DEMO.pivot_z + 0.6 * math.sin(rho))
        assert min(abs(reach - (0.55 + 0.39)), abs(reach - (0.55 - 0.39))) < 2e-4


def test_a_linkage_that_never_closes_has_no_range() -> None:
    short = FourBar(0.0, 0.0, 0.1, 0.2, 0.3, 0.0, 1.0, 1)
    assert short.closing_range() == []
