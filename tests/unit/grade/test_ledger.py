"""The one way of changing the state, its revision, and what a tick says of how the machine stands."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from tipdatum.grade.ledger import SOON_S, Ledger
from tipdatum.grade.state import WorkState

RigMaker = Callable[..., Any]


def test_the_revision_follows_at_once_soon_or_not_at_all() -> None:
    ledger = Ledger(WorkState(), None)
    ledger.change(layer="a")
    assert ledger.revision == 1
    ledger.change(notice="none", layer="b")
    ledger.pass_time(100.0)
    assert (ledger.revision, ledger.state.layer) == (1, "b")
    ledger.change(notice="soon", layer="c")
    assert ledger.revision == 1
    ledger.pass_time(200.0)
    assert ledger.revision == 2
    ledger.change(notice="soon", layer="d")
    ledger.pass_time(200.0 + 0.9 * SOON_S)
    assert ledger.revision == 2
    ledger.pass_time(200.0 + 1.1 * SOON_S)
    assert ledger.revision == 3


def test_wear_of_the_first_bucket_is_known_to_the_estimator_after_a_restart(make_rig: RigMaker) -> None:
    rig = make_rig()
    rig.send("bucket/wear-set", wear_m=0.02)
    again = make_rig(state=WorkState.model_validate_json(rig.work.state.model_dump_json()))
    assert again.estimator.machine.bucket[0].tip_m == pytest.approx(1.28)


@pytest.mark.parametrize(("pitch", "roll"), [(0.05, 0.0), (0.0, 0.04), (-0.03, -0.02)])
def test_a_tick_tells_how_the_upper_leans(rig: Any, pitch: float, roll: float) -> None:
    """Nose up shows as the forward axis pointing above the horizon, right side down as the left axis."""
    rig.stand(pitch=pitch, roll=roll)
    forward_up, left_up = (float(axis) for axis in rig.estimator.stand.bodies()[0][2, :2])
    report = rig.tick()
    assert math.sin(report.pitch_rad) * math.cos(report.roll_rad) == pytest.approx(forward_up)
    assert math.sin(report.roll_rad) == pytest.approx(left_up)
