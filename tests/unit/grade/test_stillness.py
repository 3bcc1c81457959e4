"""Touches: what counts as a still moment, what is averaged, and what the refusal says."""

from __future__ import annotations

from typing import Any

import pytest

from tipdatum.grade.forms import WorkOptions
from tipdatum.grade.touch import Moment, NotStill, Touch, still_touch

OPTIONS = WorkOptions()


def moments(*heights: float, start: float = 0.0, step: float = 0.02, reach: float = 5.0) -> list[Moment]:
    return [Moment(start + i * step, h, h + 0.1, h - 0.1, reach, 0.0, 0.0) for i, h in enumerate(heights)]


def test_the_stretch_behind_the_command_is_averaged() -> None:
    still = moments(*([1.000, 1.004] * 60))
    touch = still_touch(still, still[-1].t, "tip", OPTIONS)
    assert isinstance(touch, Touch)
    assert touch.height_m == pytest.approx(1.002)
    assert touch.spread_m == pytest.approx(0.004)
    assert touch.lasted_s == pytest.approx(2.38)


def test_what_came_before_the_rest_is_left_out() -> None:
    swinging = [0.5 + 0.01 * i for i in range(50)]
    path = moments(*swinging, *([1.2] * 75))
    touch = still_touch(path, path[-1].t, "tip", OPTIONS)
    assert isinstance(touch, Touch)
    assert touch.height_m == pytest.approx(1.2)
    assert touch.lasted_s == pytest.approx(1.48, abs=0.02)


def test_a_corner_is_averaged_as_itself() -> None:
    still = moments(*([1.0] * 100))
    touch = still_touch(still, still[-1].t, "left", OPTIONS)
    assert isinstance(touch, Touch)
    assert touch.height_m == pytest.approx(1.1)


def test_a_moving_tip_is_refused_with_its_speed_and_spread() -> None:
    path = moments(*[0.004 * i for i in range(100)])
    found = still_touch(path, path[-1].t, "tip", OPTIONS)
    assert isinstance(found, NotStill)
    assert found.moving
    assert "200 mm/s" in found.text
    assert "spread over" in found.text


def test_a_gap_in_the_figures_is_no_still_moment() -> None:
    still = moments(*([1.0] * 100))
    assert isinstance(still_touch(still, still[-1].t + 0.5, "tip", OPTIONS), NotStill)
    assert isinstance(still_touch([], 3.0, "tip", OPTIONS), NotStill)


def test_sideways_movement_counts_as_movement() -> None:
    path = [Moment(0.02 * i, 1.0, 1.0, 1.0, 5.0, 0.002 * i, 0.0) for i in range(100)]
    found = still_touch(path, path[-1].t, "tip", OPTIONS)
    assert isinstance(found, NotStill)
    assert found.moving


def test_a_command_before_the_rest_waits_for_it(rig: Any) -> None:
    rig.tick(0.2)
    assert rig.work.command("datum/set", {"elevation_m": 1.0}, rig.t, token="t1") is None
    rig.tick(0.5)
    assert rig.work.outcomes() == []
    rig.tick(0.6)
    [outcome] = rig.work.outcomes()
    assert outcome.ok
    assert outcome.token == "t1"
    assert rig.work.outcomes() == []


def test_waiting_ends_with_a_refusal_that_tells_the_spread(make_rig: Any) -> None:
    rig = make_rig()
    rig.tick(0.1)
    outcome = rig.work.command("datum/set", {"elevation_m": 1.0}, rig.t)
    base = rig.estimator.stand.joints
    for i in range(240):
        rig.stand(joints=(base[0] + 0.004 * (i % 2), base[1], base[2]))
        rig.tick()
    [outcome] = rig.work.outcomes()
    assert not outcome.ok
    assert "did not come to rest within 10 s" in outcome.text
    assert " mm in the last" in outcome.text


def test_figures_that_are_not_known_cannot_be_touched(rig: Any) -> None:
    rig.tick(2.0)
    rig.estimator.quality = "stale"
    outcome = rig.send("datum/set", elevation_m=1.0)
    assert not outcome.ok
    assert "not known" in outcome.text
