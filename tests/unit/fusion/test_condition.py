"""When figures count as settling: after a start, until they are sure or cannot become surer."""

from __future__ import annotations

import math

from tipdatum.fusion.pose import Condition

SURE, UNSURE = math.radians(0.2), math.radians(3.0)


def follow(condition: Condition, start: float, stop: float, spread: float, starting: bool = False) -> None:
    for step in range(round(start * 20), round(stop * 20)):
        condition.update(step / 20, 0.0, spread, starting)


def test_settling_ends_as_soon_as_every_angle_is_sure() -> None:
    condition = Condition()
    follow(condition, 0.0, 1.0, UNSURE, starting=True)
    assert condition.settling
    follow(condition, 1.0, 1.1, SURE)
    assert not condition.settling


def test_sensors_that_never_become_sure_settle_too_and_stay_so() -> None:
    condition = Condition()
    follow(condition, 0.0, 1.0, UNSURE, starting=True)
    follow(condition, 1.0, 8.0, UNSURE)
    assert condition.settling
    follow(condition, 8.0, 60.0, UNSURE)
    assert not condition.settling


def test_a_filter_that_was_sure_and_lost_it_settles_again() -> None:
    condition = Condition()
    follow(condition, 0.0, 1.0, UNSURE, starting=True)
    follow(condition, 1.0, 20.0, SURE)
    follow(condition, 20.0, 21.0, UNSURE)
    assert condition.settling
    follow(condition, 21.0, 22.0, SURE)
    assert not condition.settling


def test_after_wide_and_sure_again_the_next_loss_counts() -> None:
    condition = Condition()
    follow(condition, 0.0, 20.0, UNSURE)
    follow(condition, 20.0, 21.0, SURE)
    follow(condition, 21.0, 22.0, UNSURE)
    assert condition.settling
