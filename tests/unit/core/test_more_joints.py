"""Machines with more joints through the whole pipeline: what is watched, and what displays get to draw."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import pytest

from tipdatum.bus.messages import Arm, Limits, Message
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.machine.description import parse_machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Tilt

UPPER = {"upper": {"body": "upper", "type": "tilt"}}
TWO_PIECE: dict[str, Any] = {
    "name": "folded",
    "boom": {"foot_m": [0.3, 0.0, 1.8], "length_m": 2.4, "held_deg": 80.0},
    "second_boom": {"length_m": 2.6, "held_deg": -70.0},
    "stick": {"length_m": 2.4, "held_deg": -80.0},
    "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6, "held_deg": -40.0}],
    "sensor": UPPER,
}
COUPLED: dict[str, Any] = {
    "name": "coupled",
    "boom": {"foot_m": [0.3, 0.0, 1.8], "length_m": 4.7, "held_deg": 20.0},
    "stick": {"length_m": 2.4, "held_deg": -80.0},
    "coupler": {"length_m": 0.9, "offset_deg": 20.0},
    "bucket": [{"name": "b", "tip_m": 0.5, "width_m": 0.6, "bucket_ear_angle_deg": 136.0, "held_deg": -56.0}],
    "sensor": UPPER,
}


def run(described: dict[str, Any], **limit: Any) -> list[Message]:
    """Level readings of the upper for four seconds, a reference, and a limit."""
    out: list[Message] = []

    def take(one: Outgoing) -> None:
        out.append(one.message)

    wall = WallTime(datetime(2026, 5, 4, 8, tzinfo=UTC))
    pipeline = Pipeline(parse_machine(described, "test"), Settings(arm_every=5), wall, take)
    for step in range(200):
        t = step / 50.0
        pipeline.feed(Tilt(t, "upper", pitch_deg=0.0, roll_deg=0.001 * (step % 3)))
        if step == 120:
            pipeline.command("datum/set", {"elevation_m": 0.0}, t, by="test")
        if step == 150 and limit:
            pipeline.command("limit/set", limit, t, by="test")
    return out


def last(out: list[Message], kind: type[Any]) -> Any:
    return [message for message in out if isinstance(message, kind)][-1]


def test_a_ceiling_looks_at_the_second_boom_s_pins_too() -> None:
    [found] = last(run(TWO_PIECE, kind="ceiling", value_m=20.0), Limits).limits
    # The knee at 1.8 + 2.4 sin 80°, the second section's end 2.6 sin 10° above it.
    assert found.point == "second_boom end"
    lower = {**TWO_PIECE, "second_boom": {"length_m": 2.6, "held_deg": -95.0}}
    [found] = last(run(lower, kind="ceiling", value_m=20.0), Limits).limits
    assert found.point == "boom end"


def test_a_far_reach_looks_at_the_pin_on_which_a_coupler_holds_the_bucket() -> None:
    """The coupler points level away from the cab, and the bucket hangs back from its end."""
    [found] = last(run(COUPLED, kind="far reach", value_m=20.0), Limits).limits
    out = 0.3 + 4.7 * math.cos(math.radians(20.0)) + 2.4 * math.cos(math.radians(-60.0)) + 0.9
    assert found.point == "coupler end"
    assert found.distance_m == pytest.approx(20.0 - out, abs=0.7)
    assert found.distance_m < 20.0 - out


def test_displays_get_every_pin_by_name() -> None:
    arm = last(run(TWO_PIECE), Arm)
    assert [point.name for point in arm.points] == [
        "boom foot", "boom-second boom pin", "second boom-stick pin", "stick-bucket pin", "tip",
    ]  # fmt: skip
    knee = arm.points[1]
    assert knee.height_m == pytest.approx(1.8 + 2.4 * math.sin(math.radians(80.0)), abs=0.002)
    assert (arm.swing_deg, arm.tilt_deg) == (None, None)
    left, right = arm.corners
    assert (left.name, right.name) == ("left", "right")
    assert left.lateral_m - right.lateral_m == pytest.approx(0.6, abs=0.001)
    assert arm.edge_fall_percent == pytest.approx(0.0, abs=0.01)
