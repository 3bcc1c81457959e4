"""Properties that the chain has whatever the machine, and a slow second answer by rotation matrices."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tipdatum.kinematics.chain import Chain, TiltAxis, fall_of

Floats = NDArray[np.float64]

tilt = st.floats(-0.35, 0.35)
angle = st.floats(-7.0, 7.0)
poses = st.tuples(tilt, tilt, angle, angle, angle).map(np.array)
chains = st.builds(
    lambda foot, lengths, width: Chain(
        np.array(foot), np.array(lengths), ("boom", "stick", "bucket"), width / 2
    ),
    st.tuples(st.floats(-1, 2), st.floats(-0.5, 0.5), st.floats(0.5, 3)),
    st.tuples(st.floats(1, 8), st.floats(1, 5), st.floats(0.3, 2)),
    st.floats(0.2, 2.5),
)


def _about_x(a: float) -> Floats:
    return np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])


def _raise_by(theta: float) -> Floats:
    """A turn that lifts the x axis by theta: about -y, because y points left."""
    return np.array(
        [[math.cos(theta), 0, -math.sin(theta)], [0, 1, 0], [math.sin(theta), 0, math.cos(theta)]]
    )


def slow_pins(chain: Chain, q: Floats) -> Floats:
    """One pose, link by link: lean the arm plane by the roll, then lay each link into it."""
    lean = _about_x(q[1])
    at = lean @ _raise_by(q[0]) @ chain.foot
    pins = [at]
    for length, theta in zip(chain.lengths, q[2:], strict=True):
        at = at + lean @ _raise_by(theta) @ np.array([length, 0.0, 0.0])
        pins.append(at)
    return np.array(pins)


def test_ten_thousand_poses_agree_with_rotation_matrices_one_by_one() -> None:
    rng = np.random.default_rng(3)
    chain = Chain(np.array([0.35, 0.05, 1.75]), np.array([4.6, 2.5, 1.3]), ("boom", "stick", "bucket"), 0.3)
    q = rng.uniform([-0.3, -0.3, -1, -3, -5], [0.3, 0.3, 1.5, 1, 4], size=(10_000, 5))
    np.testing.assert_allclose(chain.pins(q), [slow_pins(chain, row) for row in q], atol=1e-12)


@given(chains, poses)
def test_links_keep_their_lengths_and_stay_in_the_leaning_plane(chain: Chain, q: Floats) -> None:
    pins = chain.pins(q)
    np.testing.assert_allclose(np.linalg.norm(np.diff(pins, axis=0), axis=1), chain.lengths, rtol=1e-9)
    assert np.linalg.norm(pins[0]) == pytest.approx(np.linalg.norm(chain.foot))
    square_to_plane = np.array([0.0, math.cos(q[1]), math.sin(q[1])])
    np.testing.assert_allclose(pins @ square_to_plane, chain.foot[1], atol=1e-9)


@given(chains, poses)
def test_corners_stand_half_the_width_left_and_right_of_the_tip(chain: Chain, q: Floats) -> None:
    left, right = chain.corners(q)
    tip = chain.tip(q)
    np.testing.assert_allclose((left + right) / 2, tip, atol=1e-12)
    assert np.linalg.norm(left - right) == pytest.approx(2 * chain.half_width)
    assert (left - right) @ (tip - chain.pins(q)[-2]) == pytest.approx(0.0, abs=1e-9)
    # Roll is positive with the right side down, so then the left corner is the higher one.
    assert left[2] - right[2] == pytest.approx(2 * chain.half_width * math.sin(q[1]))


@given(chains, poses)
def test_height_slopes_agree_with_finite_differences(chain: Chain, q: Floats) -> None:
    step = 1e-6
    numeric = [
        (chain.tip(q + step * unit)[2] - chain.tip(q - step * unit)[2]) / (2 * step) for unit in np.eye(5)
    ]
    np.testing.assert_allclose(chain.height_jacobian(q), numeric, atol=1e-7)


@given(chains, poses)
def test_slopes_against_dimensions_agree_with_finite_differences(chain: Chain, q: Floats) -> None:
    step = 1e-6

    def height(change: Floats) -> float:
        moved = Chain(chain.foot + change[:3], chain.lengths + change[3:], chain.names, chain.half_width)
        return float(moved.tip(q)[2])

    numeric = [(height(step * unit) - height(-step * unit)) / (2 * step) for unit in np.eye(6)]
    np.testing.assert_allclose(chain.locate(q).geometry_jacobian, numeric, atol=1e-7)


def test_a_bucket_curled_through_half_a_turn_moves_without_a_jump() -> None:
    chain = Chain(np.array([0.35, 0.0, 1.75]), np.array([4.6, 2.5, 1.3]), ("boom", "stick", "bucket"), 0.3)
    curl = np.radians(np.linspace(-150.0, -210.0, 601))
    q = np.zeros((601, 5))
    q[:, 2:] = np.stack([np.full(601, 0.4), np.full(601, -1.2), curl], axis=-1)
    steps = np.linalg.norm(np.diff(chain.tip(q), axis=0), axis=1)
    # A tenth of a degree at 1.3 m is 2.27 mm along the arc.
    np.testing.assert_allclose(steps, 1.3 * math.radians(0.1), rtol=1e-5)


@given(chains, poses, st.integers(-3, 3))
def test_whole_turns_of_a_link_change_nothing(chain: Chain, q: Floats, turns: int) -> None:
    turned = q + np.array([0, 0, 0, 0, turns * 2 * math.pi])
    np.testing.assert_allclose(chain.pins(turned), chain.pins(q), atol=1e-9)


def test_five_degrees_of_roll_take_four_thousandths_off_the_height() -> None:
    """cos 5° = 0.9962: a planar figure would be that much wrong, 12 mm at 3 m."""
    chain = Chain(np.array([0.0, 0.0, 0.0]), np.array([4.0, 2.0, 1.0]), ("boom", "stick", "bucket"), 0.3)
    q = np.array([0.0, 0.0, 0.7, 0.2, -0.1])
    leaning = q.copy()
    leaning[1] = math.radians(5.0)
    assert chain.tip(leaning)[2] / chain.tip(q)[2] == pytest.approx(0.9962, abs=1e-4)


@given(chains, poses)
def test_one_pose_located_at_once_is_what_the_array_methods_give(chain: Chain, q: Floats) -> None:
    located = chain.locate(q)
    assert located.pins == pytest.approx(chain.pins(q), abs=1e-12)
    assert located.corners == pytest.approx(chain.corners(q), abs=1e-12)
    assert located.height_jacobian == pytest.approx(chain.height_jacobian(q), abs=1e-12)


turned_poses = st.tuples(tilt, tilt, angle, angle, angle, angle, st.floats(-1.4, 1.4), st.floats(-1.4, 1.4))
turned_poses = turned_poses.map(np.array)
every_joint = st.builds(
    lambda foot, lengths, width, pivot, axis, aside: Chain(
        np.array(foot),
        np.array(lengths),
        ("boom", "second_boom", "stick", "bucket"),
        width / 2,
        swing_pivot=pivot,
        tilt_axis=TiltAxis(*axis),
        tip_z=aside,
    ),
    st.tuples(st.floats(-1, 2), st.floats(-0.5, 0.5), st.floats(0.5, 3)),
    st.tuples(st.floats(1, 8), st.floats(1, 5), st.floats(1, 5), st.floats(0.3, 2)),
    st.floats(0.2, 2.5),
    st.tuples(st.floats(-1, 2), st.floats(-0.5, 0.5), st.floats(0.5, 3)),
    st.tuples(st.floats(-0.3, 0.5), st.floats(-0.3, 0.5), st.floats(-3.0, 3.0)),
    st.sampled_from([0.0, 0.2, -0.3]),
)


@given(every_joint, turned_poses)
def test_slopes_by_swing_and_tilt_agree_with_finite_differences(chain: Chain, q: Floats) -> None:
    step = 1e-6
    moved = [(chain.locate(q + step * unit), chain.locate(q - step * unit)) for unit in np.eye(8)]
    numeric = [(more.pins[-1][2] - less.pins[-1][2]) / (2 * step) for more, less in moved]
    np.testing.assert_allclose(chain.locate(q).height_jacobian, numeric, atol=1e-6)
    for k, side in ((0, 1.0), (1, -1.0)):
        numeric = [(more.corners[k][2] - less.corners[k][2]) / (2 * step) for more, less in moved]
        corner = (chain.lengths[-1], side * chain.half_width, chain.tip_z)
        np.testing.assert_allclose(chain.point(q, corner)[1], numeric, atol=1e-6)


@given(every_joint, turned_poses)
def test_slopes_by_dimensions_of_an_arm_with_every_joint(chain: Chain, q: Floats) -> None:
    step = 1e-6

    def height(change: Floats) -> float:
        moved = replace(chain, foot=chain.foot + change[:3], lengths=chain.lengths + change[3:])
        return moved.locate(q).pins[-1][2]

    numeric = [(height(step * unit) - height(-step * unit)) / (2 * step) for unit in np.eye(7)]
    np.testing.assert_allclose(chain.locate(q).geometry_jacobian, numeric, atol=1e-6)


@given(every_joint, turned_poses)
def test_an_arm_with_straight_swing_and_no_tilt_is_an_arm_without_them(chain: Chain, q: Floats) -> None:
    plain = replace(chain, swing_pivot=None, tilt_axis=None)
    q[6:] = 0.0
    turned, straight = chain.locate(q), plain.locate(q[:6])
    np.testing.assert_allclose(turned.pins, straight.pins, atol=1e-12)
    np.testing.assert_allclose(turned.corners, straight.corners, atol=1e-12)
    np.testing.assert_allclose(turned.height_jacobian[:6], straight.height_jacobian, atol=1e-12)
    np.testing.assert_allclose(chain.pins(q[None]), [straight.pins], atol=1e-12)


def test_a_bucket_tilted_about_a_level_axis_has_the_cross_fall_of_its_tilt() -> None:
    """The axis points away from the cab along the ground: positive tilt lifts the left side."""
    chain = Chain(
        np.array([0.0, 0.0, 1.5]), np.array([4.0, 2.0, 0.9]), ("boom", "stick", "bucket"), 0.75,
        tilt_axis=TiltAxis(0.2, 0.1, math.radians(130.0)),
    )  # fmt: skip
    level = [0.0, 0.0, 0.6, -0.9, math.radians(-130.0), math.radians(20.0)]
    located = chain.locate(level)
    assert fall_of(located.corners) == pytest.approx(math.tan(math.radians(20.0)))
    assert located.corners[0][2] > located.corners[1][2]
