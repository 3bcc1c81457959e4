"""Errors that a sensor would need to have, beyond what parts have, and contradictions in slow work."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from fault_injection import FAULTS, Case
from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.chain.honesty import BEYOND, WITHIN, PriorCheck
from tipdatum_drivers.reading import Imu

BY_NAME = {fault.name: fault for fault in FAULTS}


def test_a_sensor_is_beyond_its_kind_until_it_is_well_within_again() -> None:
    honesty = PriorCheck()
    assert not honesty.look([0.0, WITHIN, 5.0])
    assert honesty.look([0.0, BEYOND + 2.0, BEYOND + 1.0])
    assert honesty.beyond == 1
    assert not honesty.look([0.0, 0.5 * (BEYOND + WITHIN), 5.0])
    assert honesty.beyond == 1
    assert not honesty.look([0.0, WITHIN - 1.0, 5.0])
    assert honesty.beyond is None


def test_a_part_that_reads_a_tenth_too_much_is_named_and_its_figures_are_not_good(
    dig: Callable[..., Any],
) -> None:
    """Data sheets of the poorest low-cost gyros allow 3 % (from memory)."""
    made = dig(seconds=25.0, seed=3, noise=1.0, rate_hz=50)

    def scaled(r: Imu, by: float) -> Imu:
        x, y, z = r.gyro_radps or (0.0, 0.0, 0.0)
        return replace(r, gyro_radps=(by * x, by * y, by * z)) if r.sensor == "stick" else r

    for by, named in ((1.01, False), (1.1, True)):
        estimator = ChainEstimator(made.machine, 0.02, ChainOptions())
        for r in made.readings:
            estimator.consume(scaled(r, by))
        told = [e for e in estimator.events() if e.kind == "consistency"]
        assert bool(told) is named
        pose = estimator.pose(made.readings[-1].t)
        assert (pose.quality in ("good", "moving")) is not named
        assert all(e.sensor == "stick" for e in told), told
        assert bool(estimator.agreement()["stick"].suspected) is named


def test_a_dead_gyro_in_slow_work_is_named_within_seconds(dig: Callable[..., Any]) -> None:
    """Slow work is taken in blocks of half a second; two of them must do."""
    made = dig(seconds=20.0, seed=3, noise=1.0, rate_hz=50, pace=0.1)
    before = [r for r in made.readings if r.t < 12.0]
    spoilt = BY_NAME["gyro dead about y"].spoil(
        [r for r in made.readings if r.t >= 12.0], Case("stick", 12.0, 20.0, "bucket", random.Random(1))
    )
    estimator = ChainEstimator(made.machine, 0.02, ChainOptions())
    for r in [*before, *spoilt]:
        assert isinstance(r, Imu)
        estimator.consume(r)
    told = [e for e in estimator.events() if e.kind == "consistency"]
    assert told
    assert told[0].sensor == "stick"
    # As soon as the angle that the gyro missed is some degrees.
    t = np.arange(12.0, told[0].t, 0.02)
    rates = np.interp(t, [r.t for r in made.readings if r.sensor == "stick"],
                      [r.gyro_radps[1] for r in made.readings if r.sensor == "stick"])  # fmt: skip
    assert abs(float(rates.sum()) * 0.02) < math.radians(8.0)


@pytest.mark.parametrize("body", ["boom", "bucket"])
def test_a_sensor_is_not_said_to_be_back_before_it_is(dig: Callable[..., Any], body: str) -> None:
    made = dig(seconds=16.0, seed=3, noise=1.0)
    estimator = ChainEstimator(made.machine, 0.02, ChainOptions())
    said: list[tuple[float, str]] = []
    for r in made.readings:
        if r.sensor == body and 12.0 < r.t < 13.0:
            continue
        estimator.consume(r)
        pose = estimator.pose(r.t)
        if not pose.known and r.t > 6.0:
            said += [(r.t, reason) for reason in pose.reasons]
    assert said
    for t, text in said:
        if t < 12.98:
            assert text.startswith((f"{body} sensor is late", f"{body} sensor silent for")), text
    assert any("is back" in text for t, text in said if t > 13.0)


def test_nobody_is_suspected_beside_a_sensor_that_speaks_once_a_second(dig: Callable[..., Any]) -> None:
    made = dig(seconds=22.0, seed=3, noise=1.0, rate_hz=50)
    estimator = ChainEstimator(made.machine, 0.02, ChainOptions())
    due = 0.0
    for r in made.readings:
        if r.sensor == "boom":
            if r.t < due:
                continue
            due = r.t + 0.999
        estimator.consume(r)
    assert [e for e in estimator.events() if e.kind == "consistency"] == []
