"""Limits: the whole arm is watched, ahead of time, and unknown means unknown."""

from __future__ import annotations

import math
from typing import Any

import pytest


def limit(rig: Any) -> Any:
    [one] = rig.tick().limits
    return one


def test_a_ceiling_looks_at_the_highest_pin_and_not_at_the_tip(rig: Any) -> None:
    rig.send("datum/set", elevation_m=100.0)
    rig.send("limit/set", kind="ceiling", value_m=110.0, margin_m=0.3)
    found = limit(rig)
    stand = rig.estimator.stand
    boom_end = stand.world(rig.machine, body=1)[2]
    tip = stand.world(rig.machine)[2]
    assert found.point == "boom end"
    room = 110.0 - (100.0 + boom_end - tip) - 0.3
    assert found.distance == pytest.approx(room, abs=0.02)
    assert found.state == "within"


def test_speed_takes_from_the_distance_and_gives_a_time(rig: Any) -> None:
    rig.send("datum/set", elevation_m=100.0)
    rig.send("limit/set", kind="ceiling", value_m=105.0, warn_m=0.0)
    still = limit(rig)
    rig.estimator.speed = 0.2
    rising = limit(rig)
    up = 0.2 * rig.machine.boom.length_m * math.cos(rig.estimator.stand.joints[0])
    assert still.distance - rising.distance == pytest.approx(0.3 * up, rel=0.02)
    assert rising.time_s == pytest.approx(still.distance / up, rel=0.02)


def test_near_and_beyond(rig: Any) -> None:
    rig.send("datum/set", elevation_m=100.0)
    for below, state in ((1.5, "within"), (0.3, "near"), (-0.1, "beyond")):
        rig.send("limit/set", kind="floor", value_m=100.0 - below, warn_m=0.5, warn_s=0.0)
        assert limit(rig).state == state
        assert limit(rig).point in ("tip", "left corner", "right corner")


def test_an_elevation_limit_is_unknown_without_a_reliable_reference(rig: Any) -> None:
    rig.send("limit/set", kind="floor", value_m=99.0)
    assert (limit(rig).state, limit(rig).reason) == ("unknown", "no reference")
    rig.send("datum/set", elevation_m=100.0)
    assert limit(rig).state == "within"
    rig.switch("travel", True)
    assert (limit(rig).state, limit(rig).reason) == ("unknown", "reference doubtful")


def test_a_stale_arm_makes_every_limit_unknown(rig: Any) -> None:
    rig.send("limit/set", kind="far reach", value_m=9.0)
    assert limit(rig).state != "unknown"
    rig.estimator.quality = "stale"
    assert limit(rig).state == "unknown"


def test_a_slew_sector_needs_its_sensor_and_is_in_degrees(make_rig: Any) -> None:
    rig = make_rig(slew_sensor=True)
    rig.send("limit/set", kind="slew left", value_deg=60.0)
    rig.stand(slew=math.radians(20))
    assert limit(rig).distance == pytest.approx(40.0)
    rig.stand(slew=math.radians(61))
    assert limit(rig).state == "beyond"


def test_setting_a_limit_says_that_it_is_advice(rig: Any) -> None:
    text = rig.send("limit/set", kind="near reach", value_m=2.0).text
    assert "not a safety device" in text
    assert "no permission" in text
    assert "people" in text
