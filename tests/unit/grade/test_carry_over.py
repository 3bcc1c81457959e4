"""A reference set anywhere holds while the machine slews, rocks and travels, however it is carried over.

The truth comes from rotation matrices (conftest), not from the chain that is tested.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

RigMaker = Callable[..., Any]
EXACT_M = 1e-9

lean = st.floats(-0.12, 0.12)
slew = st.floats(-math.pi, math.pi)
joints = st.tuples(st.floats(-0.3, 0.9), st.floats(-2.4, -0.6), st.floats(-1.6, 0.4))
posture = st.fixed_dictionaries({"pitch": lean, "roll": lean, "slew": slew, "joints": joints})
swung = st.fixed_dictionaries({"slew": slew, "joints": joints})
elevation = st.floats(-50.0, 3000.0)
few = settings(max_examples=15, deadline=None)


def put_tip_at(rig: Any, known: float) -> None:
    """Raise or lower the ground under the machine so that the tip is at `known`."""
    rig.centre_m += known - rig.true_tip_m


@few
@given(posture, swung, st.floats(-0.02, 0.02), st.floats(-0.03, 0.03), elevation)
def test_elevations_hold_while_slewing_on_a_slope_and_rocking(
    make_rig: RigMaker, start: dict[str, Any], then: dict[str, Any], rocked: float, heave: float, known: float
) -> None:
    rig = make_rig()
    rig.stand(**start)
    put_tip_at(rig, known)
    assert rig.send("datum/set", elevation_m=known).ok
    rig.stand(**then, pitch=start["pitch"] + rocked)
    rig.estimator.heave = heave
    assert rig.tick().elevation_m == pytest.approx(rig.true_tip_m, abs=EXACT_M)


def test_heave_counts_with_its_own_sigma_where_it_is_estimated_and_with_the_tolerance_where_not(
    make_rig: RigMaker,
) -> None:
    tables = {
        "undercarriage": {"contact_length_m": 3.2, "gauge_m": 2.2},
        "tolerance": {"heave_m": 0.03},
    }
    sigmas = []
    for estimated in (0.0, 0.01, 0.02):
        rig = make_rig(tables=tables)
        rig.estimator.heave_sigma = estimated
        assert rig.send("datum/set", elevation_m=10.0).ok
        sigmas.append(rig.tick().sigma_m ** 2)
    unknown, small, large = sigmas
    assert large - small == pytest.approx(0.02**2 - 0.01**2, rel=1e-6)
    assert unknown - small == pytest.approx(0.03**2 - 0.01**2, rel=1e-6)


@few
@given(posture, posture, posture, swung, elevation)
def test_a_turning_point_carries_the_reference_over_a_move(
    make_rig: RigMaker,
    start: dict[str, Any],
    before: dict[str, Any],
    after: dict[str, Any],
    then: dict[str, Any],
    known: float,
) -> None:
    rig = make_rig()
    rig.stand(**start)
    put_tip_at(rig, known)
    assert rig.send("datum/set", elevation_m=known).ok
    rig.stand(**{**before, "pitch": start["pitch"], "roll": start["roll"]})
    turning_point = rig.true_tip_m
    kept = rig.send("mark/keep", name="TP1")
    assert kept.result["elevation_m"] == pytest.approx(turning_point, abs=EXACT_M)
    rig.stand(**after)
    put_tip_at(rig, turning_point)
    assert rig.send("mark/return", name="TP1").ok
    rig.stand(**then)
    assert rig.tick().elevation_m == pytest.approx(rig.true_tip_m, abs=EXACT_M)


@few
@given(posture, posture, st.floats(-100, 3000))
def test_a_laser_plane_carries_the_reference_over_a_move(
    make_rig: RigMaker, at_beam: dict[str, Any], then: dict[str, Any], plane: float
) -> None:
    rig = make_rig()
    rig.stand(**at_beam)
    rig.centre_m += plane - rig.receiver_m
    rig.tick(1.0)
    for _ in range(3):
        rig.beam()
    assert rig.send_now("laser/set", elevation_m=plane).ok
    rig.stand(**{**then, "pitch": at_beam["pitch"], "roll": at_beam["roll"]})
    assert rig.tick().elevation_m == pytest.approx(rig.true_tip_m, abs=EXACT_M)


@few
@given(posture, st.floats(-0.5, 0.5))
def test_a_correction_shifts_every_elevation_and_is_written_down(
    make_rig: RigMaker, start: dict[str, Any], by: float
) -> None:
    rig = make_rig()
    rig.stand(**start)
    rig.send("datum/set", elevation_m=10.0)
    assert rig.send("datum/correct", add_m=by, remark="from the site's level").ok
    assert rig.tick().elevation_m == pytest.approx(10.0 + by, abs=EXACT_M)
    assert rig.work.state.book.rows[-1].kind == "correction"


@few
@given(posture, swung, elevation)
def test_changing_the_bucket_never_moves_the_slew_centre(
    make_rig: RigMaker, start: dict[str, Any], then: dict[str, Any], known: float
) -> None:
    rig = make_rig()
    rig.stand(**start)
    put_tip_at(rig, known)
    rig.send("datum/set", elevation_m=known)
    assert rig.send("bucket/choose", name="ditching 1400").ok
    rig.stand(**then)
    assert rig.tick().elevation_m == pytest.approx(rig.true_tip_m, abs=EXACT_M)


@few
@given(posture, elevation, st.sampled_from(["left", "right"]))
def test_a_corner_may_stand_on_the_mark(
    make_rig: RigMaker, start: dict[str, Any], known: float, corner: str
) -> None:
    rig = make_rig()
    rig.stand(**start)
    rig.send("datum/set", elevation_m=known, point=corner)
    report = rig.tick()
    assert (report.left_m if corner == "left" else report.right_m) == pytest.approx(known, abs=EXACT_M)
    half = rig.machine.bucket[0].width_m / 2.0
    assert abs(report.elevation_m - known) == pytest.approx(
        half * abs(math.sin(rig.work.site.pose.angles[1]))
    )


def test_what_the_estimator_learns_of_the_touch_later_moves_nothing_it_shares_with_the_tip(
    make_rig: RigMaker,
) -> None:
    rig = make_rig(anchors=True)
    rig.send("datum/set", elevation_m=5.0)
    before = rig.tick().elevation_m
    rig.estimator.anchor_height += 0.012
    assert rig.tick().elevation_m == pytest.approx(before - 0.012, abs=EXACT_M)
    rig.work.site.mount_bucket("ditching 1400")
    rig.work.site.mount_bucket("trenching 600")
    assert rig.tick().elevation_m == pytest.approx(before - 0.012, abs=EXACT_M)


def test_sigma_is_small_where_the_tip_was_set_and_larger_far_from_it(make_rig: RigMaker) -> None:
    rig = make_rig(anchors=True)
    rig.estimator.sigma = 1e-6
    rig.send("datum/set", elevation_m=5.0)
    here = rig.tick().sigma_m
    rig.stand(joints=(0.9, -0.7, 0.3))
    far = rig.tick().sigma_m
    assert here < 0.003
    # Lengths of 3 mm and a foot of 10 mm show once the arm stands otherwise.
    assert math.sqrt(far**2 - here**2) > 0.003


def test_a_second_set_up_without_a_move_tells_how_far_the_machine_has_settled(rig: Any) -> None:
    rig.send("datum/set", elevation_m=24.31, mark="BM1")
    rig.estimator.stand.pitch += 0.004  # the tip would now be lower or higher; the operator puts it back
    moved = 24.31 - rig.tick().elevation_m
    again = rig.send("datum/set", elevation_m=24.31, mark="BM1")
    assert again.result["moved_m"] == pytest.approx(moved, abs=1e-6)
    assert rig.tick().elevation_m == pytest.approx(24.31, abs=EXACT_M)
