"""What goes into the sigma of an elevation, term by term, by formulas that are not the service's.

Law of propagation: variances of uncorrelated inputs add, each with the square of its sensitivity, and with
their covariance where they are correlated (JCGM 100:2008, 5.1.2 and 5.2.2). Sensitivities here are those of
a plane chain of links, ∂h/∂θ = L·cos θ, ∂h/∂L = sin θ (any textbook of statics), or come from rotation
matrices.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tipdatum.fusion.pose import Anchor

RigMaker = Callable[..., Any]

TOUCH_M = 0.0025
"""1-sigma of standing a tip on a mark: 2 to 3 mm (common practice, no source)."""

EXACT = {
    "boom": {"foot_m": [0.35, 0.1, 1.75], "length_m": 4.6},
    "stick": {"length_m": 2.5},
}
"""A machine whose dimensions count as exact."""


def sensitivities(rig: Any) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """∂(tip height)/∂(elevation of upper, roll, elevation of boom, stick, bucket) without roll, m/rad."""
    x, y, z = rig.machine.boom.foot_m
    upper, _, *links = rig.estimator.stand.angles()
    lengths = [rig.machine.boom.length_m, rig.machine.stick.length_m, rig.machine.bucket[0].tip_m]
    turned = [length * math.cos(angle) for length, angle in zip(lengths, links, strict=True)]
    return np.array([x * math.cos(upper) - z * math.sin(upper), y, *turned])


def up_of_bucket(rig: Any) -> float:
    """∂(tip height)/∂(tip length): how far up the bucket's own axis points, from rotation matrices."""
    return float(rig.estimator.stand.bodies()[3][2, 0])


def variance(rig: Any) -> float:
    """Of the elevation at the next tick, m²."""
    return float(rig.tick().sigma_m ** 2)


def test_the_scatter_of_a_touch_stays_in_every_elevation(make_rig: RigMaker) -> None:
    """A tip that goes up and down by 3 mm from tick to tick scatters by 3 mm about its mean."""
    found = []
    for wobble in (0.0, 0.003):
        rig = make_rig(tables=EXACT)
        for i in range(40):
            rig.estimator.heave = wobble if i % 2 else -wobble
            rig.tick()
        assert rig.send_now("datum/set", elevation_m=10.0).ok
        rig.estimator.heave = 0.0
        found.append(variance(rig))
    assert found[1] - found[0] == pytest.approx(0.003**2, rel=1e-6)


def test_the_tip_lengths_of_two_buckets_are_wrong_each_for_itself(make_rig: RigMaker) -> None:
    sigmas = {"trenching 600": 0.004, "ditching 1400": 0.007}
    buckets = [
        {"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6, "tip_sigma_m": sigmas["trenching 600"]},
        {"name": "ditching 1400", "tip_m": 1.3, "width_m": 1.4, "tip_sigma_m": sigmas["ditching 1400"]},
    ]
    rig = make_rig(tables={**EXACT, "bucket": buckets})
    assert rig.send("datum/set", elevation_m=10.0).ok
    touched, same = up_of_bucket(rig), variance(rig)
    assert rig.send("bucket/choose", name="ditching 1400").ok
    grown = (touched * sigmas["trenching 600"]) ** 2 + (touched * sigmas["ditching 1400"]) ** 2
    assert variance(rig) - same == pytest.approx(grown, rel=1e-6)


def test_one_tip_length_that_is_wrong_cancels_where_the_bucket_hangs_as_at_the_touch(
    make_rig: RigMaker,
) -> None:
    bucket = [{"name": "b", "tip_m": 1.3, "width_m": 0.6, "tip_sigma_m": 0.004}]
    found = []
    for table in (bucket, [{**bucket[0], "tip_sigma_m": 0.0}]):
        rig = make_rig(tables={**EXACT, "bucket": table})
        assert rig.send("datum/set", elevation_m=10.0).ok
        touched, same = up_of_bucket(rig), variance(rig)
        rig.stand(joints=(0.5, -1.5, 0.3))
        found.append((same, variance(rig), up_of_bucket(rig) - touched))
    (wrong, moved, turned), (exact, bare, _) = found
    assert wrong == pytest.approx(exact)
    assert moved - bare == pytest.approx((turned * 0.004) ** 2, rel=1e-6)


def test_errors_of_angles_that_were_there_at_the_touch_cancel_as_far_as_they_act_alike(
    make_rig: RigMaker,
) -> None:
    """The anchor's error is that of the angles at the touch: var (J₂-J₁)·P·(J₂-J₁)ᵀ remains, P = σ²·1."""
    rig = make_rig(tables=EXACT, anchors=True)
    assert rig.send("datum/set", elevation_m=10.0).ok
    noise = TOUCH_M
    at_touch = sensitivities(rig)
    sigma = rig.estimator.sigma
    height = float(rig.estimator.stand.world(rig.machine)[2])
    error = Anchor(height, float(at_touch @ at_touch) * sigma**2, at_touch * sigma**2)
    rig.estimator.anchor = error
    assert variance(rig) == pytest.approx(noise**2, rel=1e-6)
    rig.stand(joints=(0.2, -1.1, -0.2))
    apart = sensitivities(rig) - at_touch
    assert variance(rig) == pytest.approx(noise**2 + float(apart @ apart) * sigma**2, rel=1e-6)


@pytest.mark.parametrize("roll", [0.06, -0.06])
def test_left_is_left_and_right_is_right(make_rig: RigMaker, roll: float) -> None:
    """The bucket's left corner lies half a width along the axis that points left when one looks forward."""
    rig = make_rig()
    assert rig.send("datum/set", elevation_m=10.0).ok
    rig.stand(roll=roll)
    report = rig.tick()
    tip, half = rig.machine.bucket[0].tip_m, rig.machine.bucket[0].width_m / 2.0
    for side, found in ((half, report.left_m), (-half, report.right_m)):
        corner = rig.estimator.stand.world(rig.machine, [tip, side, 0.0], body=3)
        middle = rig.estimator.stand.world(rig.machine)
        assert found - report.elevation_m == pytest.approx(float(corner[2] - middle[2]), abs=1e-9)
    assert (report.left_m > report.right_m) == (roll > 0), "right side down raises the left corner"


@pytest.mark.parametrize("roll", [0.06, -0.06])
@pytest.mark.parametrize("point", ["left", "right"])
def test_the_corner_that_stands_on_the_mark_has_the_mark_s_elevation(
    make_rig: RigMaker, point: str, roll: float
) -> None:
    """By rotation matrices the corners differ by the width times the sine of the roll: 36 mm here."""
    rig = make_rig()
    rig.stand(roll=roll)
    rig.tick()
    assert rig.send("datum/set", elevation_m=10.0, point=point).ok
    report = rig.tick()
    on_mark, other = (report.left_m, report.right_m)[:: 1 if point == "left" else -1]
    tip, half = rig.machine.bucket[0].tip_m, rig.machine.bucket[0].width_m / 2.0
    left, right = (rig.estimator.stand.world(rig.machine, [tip, y, 0.0], body=3)[2] for y in (half, -half))
    assert on_mark == pytest.approx(10.0, abs=1e-6)
    assert on_mark - other == pytest.approx(float(left - right) * (1 if point == "left" else -1), abs=1e-6)


@pytest.mark.parametrize(("roll", "lower"), [(0.06, "right"), (-0.06, "left")])
def test_each_corner_is_held_against_the_target_by_itself_and_the_lower_governs(
    make_rig: RigMaker, roll: float, lower: str
) -> None:
    rig = make_rig()
    assert rig.send("datum/set", elevation_m=10.0).ok
    assert rig.send("target/level", elevation_m=9.0).ok
    rig.stand(roll=roll)
    report = rig.tick()
    against = report.against
    assert against is not None
    assert against.left_m == pytest.approx(report.left_m - 9.0, abs=1e-9)
    assert against.right_m == pytest.approx(report.right_m - 9.0, abs=1e-9)
    assert against.governing == lower
    assert against.governing_m == min(against.left_m, against.right_m)


FULL = {
    **EXACT,
    "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6, "tip_sigma_m": 0.004}],
    "tolerance": {"heave_m": 0.002, "pin_play_m": 0.001, "temperature_m": 0.003},
}


@pytest.mark.parametrize("reference", [True, False])
def test_what_sigma_is_made_of_adds_up_to_its_square(make_rig: RigMaker, reference: bool) -> None:
    rig = make_rig(tables=FULL)
    if reference:
        assert rig.send("datum/set", elevation_m=10.0).ok
    rig.stand(joints=(0.2, -1.1, -0.2))
    report = rig.tick()
    outcome = rig.work.command("tip/why", {}, rig.t)
    parts = outcome.result["variance_m2"]
    assert sum(parts.values()) == pytest.approx(report.sigma_m**2, rel=1e-12)
    assert sum(outcome.result["share"].values()) == pytest.approx(1.0)
    if reference:
        assert (parts["heave"], parts["play"], parts["temperature"]) == pytest.approx((4e-6, 1e-6, 9e-6))
        assert parts["touch"] == pytest.approx(TOUCH_M**2)
        assert f"{report.sigma_m * 1000:.1f} mm" in outcome.text


def carried(rig: Any) -> dict[str, float]:
    """Variances of the present figure by cause."""
    rig.tick()
    found: dict[str, float] = rig.work.command("tip/why", {}, rig.t).result["variance_m2"]
    return found


def test_what_is_alike_in_all_touches_cancels_from_mark_to_mark(make_rig: RigMaker) -> None:
    """A tooth pressed in by c each time: E - (h + c), then + (h + c) again.

    So the turning point is right but for what differs between the touches; in the air the tip is wrong by c,
    however often it was carried.
    """
    rig = make_rig(tables=EXACT)
    rig.estimator.sigma = 0.0
    alike, differs = rig.work.site.options.touch_alike_m, rig.work.site.options.touch_random_m
    assert math.hypot(alike, differs) == pytest.approx(TOUCH_M)
    rig.send("datum/set", elevation_m=10.0, mark="BM1")
    assert sum(carried(rig).values()) == pytest.approx(TOUCH_M**2)
    for turn in range(1, 4):
        kept = rig.send("mark/keep", name=f"TP{turn}")
        assert kept.ok
        assert rig.work.state.marks[f"TP{turn}"].touch_common_m == pytest.approx(0.0)
        rig.work.doubt(rig.t, f"travel {turn}", travelled=True)
        assert rig.send("mark/return", name=f"TP{turn}").ok
        assert sum(carried(rig).values()) == pytest.approx(alike**2 + (1 + 2 * turn) * differs**2)


def test_what_is_alike_in_all_touches_comes_into_a_mark_from_a_laser_and_goes_with_the_next_touch(
    make_rig: RigMaker,
) -> None:
    """The laser knows nothing of touching: the mark is too high by c, and the tip on it again right."""
    rig = make_rig(tables=EXACT)
    rig.estimator.sigma = 0.0
    for _ in range(3):
        rig.tick(0.5)
        rig.beam()
    assert rig.send_now("laser/set", elevation_m=50.0).ok
    laser = carried(rig)
    assert laser["touch"] == 0.0
    assert rig.send("mark/keep", name="TP1").ok
    alike, differs = rig.work.site.options.touch_alike_m, rig.work.site.options.touch_random_m
    assert rig.work.state.marks["TP1"].touch_common_m == pytest.approx(alike)
    rig.work.doubt(rig.t, "travel", travelled=True)
    assert rig.send("mark/return", name="TP1").ok
    assert sum(carried(rig).values()) == pytest.approx(sum(laser.values()) + 2 * differs**2)


def test_a_reference_in_doubt_widens_sigma_by_what_the_machine_may_have_moved_until_it_is_sure(
    make_rig: RigMaker,
) -> None:
    """Worked ground rises by some per cent, a move takes metres: decimetres (common practice, no source)."""
    rig = make_rig(tables=EXACT)
    assert rig.send_now("datum/set", elevation_m=10.0).ok
    sure = variance(rig)
    rig.work.doubt(rig.t, "the machine's lean changed")
    settled = variance(rig) - sure
    rig.switch("travel", True)
    rig.switch("travel", False)
    travelled = variance(rig) - sure
    assert 0.01**2 < settled < 0.1**2
    assert 0.1**2 < travelled < 0.5**2
    told = rig.send_now("tip/why").result["variance_m2"]
    assert told["moved"] == pytest.approx(travelled, rel=1e-6)
    assert rig.send_now("datum/confirm").ok
    assert variance(rig) == pytest.approx(sure)
