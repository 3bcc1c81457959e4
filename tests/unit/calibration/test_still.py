"""Rest, motion, rest: what counts as still, and what a swing shows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from tipdatum.calibration.still import HOLD_S, AngleBlock, Block, StillWatch, blocks, swing_of
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt

RATE = 50.0


def samples(
    seconds: float, turn_radps: float = 0.0, start: float = 0.0, angle: float = 0.3, shake: float = 0.3
) -> Iterator[Imu]:
    """A sensor turning about its y axis, on a machine whose engine runs."""
    rng = np.random.default_rng(int(start * 10))
    for i in range(int(seconds * RATE)):
        t = i / RATE
        a = angle + turn_radps * t
        accel = 9.81 * np.array([np.sin(a), 0.0, np.cos(a)]) + rng.normal(0, shake / 5, 3)
        gyro = rng.normal(0, 0.001, 3) + np.array([0.01, -turn_radps, 0.0])
        yield Imu(start + t, "boom", tuple(accel), tuple(gyro))


def watch(*parts: Iterator[Imu]) -> StillWatch:
    w = StillWatch(["boom"])
    for part in parts:
        for block in blocks(part):
            w.feed(block)
    return w


def test_a_shaking_engine_does_not_hide_a_rest() -> None:
    assert watch(samples(6)).judge().ready


def test_a_moving_arm_is_never_still() -> None:
    w = StillWatch(["boom"])
    for block in blocks(samples(20, turn_radps=0.05)):
        w.feed(block)
        assert not w.judge().ready


def test_a_creeping_arm_is_not_taken_for_a_rest() -> None:
    assert not watch(samples(8, turn_radps=np.radians(0.15))).judge().ready


def test_a_rest_after_motion_averages_the_rest_alone() -> None:
    w = watch(samples(5, 0.1), samples(HOLD_S + 1.5, start=5.0, angle=0.8))
    assert w.judge().ready
    assert w.rest()["boom"].accel_mps2 == pytest.approx(
        (9.81 * np.sin(0.8), 0.0, 9.81 * np.cos(0.8)), abs=0.02
    )


def test_a_sensor_not_heard_of_is_waited_for() -> None:
    w = StillWatch(["boom", "stick"])
    for block in blocks(samples(6)):
        w.feed(block)
    assert w.judge().waiting == ("stick",)
    assert not w.judge().ready


def test_a_clock_that_starts_again_forgets_the_rest() -> None:
    w = watch(samples(6, start=100.0), samples(1, start=0.0))
    assert w.judge().still_s < 1.0


def test_a_swing_there_and_back_shows_its_axis_and_its_first_sense() -> None:
    there, back = samples(4, 0.2), samples(4, -0.2, start=4.0, angle=1.1)
    seen = swing_of([*blocks(there), *blocks(back)], {"boom": np.array([0.01, 0.0, 0.0])})
    assert seen["boom"].axis == pytest.approx((0.0, -1.0, 0.0), abs=0.01)
    assert seen["boom"].turned_rad == pytest.approx(1.6, abs=0.25)


def test_a_block_that_is_no_block_is_refused() -> None:
    with pytest.raises(ValueError, match="accel_mps2"):
        Block.model_validate_json('{"sensor": "boom", "t0": 0, "t1": 1, "n": 5, "accel_mps2": [1, 2]}')


def with_encoder(parts: Iterator[Imu], angle_of: Callable[[float], float]) -> Iterator[Record]:
    for reading in parts:
        yield reading
        yield Slew(reading.t, "swing", angle_of(reading.t))


def test_an_encoder_is_averaged_over_the_rest_alone() -> None:
    """It turns until 4 s and then stands at 31.8 degrees, which it tells as one turn less."""
    w = StillWatch(["boom"])
    for part in (
        with_encoder(samples(4, turn_radps=0.2), lambda t: 10.0 * t),
        with_encoder(samples(6, start=4.0, angle=1.1), lambda t: 31.8 - 360.0),
    ):
        for block in blocks(part):
            w.feed(block)
    assert w.judge().ready
    assert math.remainder(w.told_deg()["swing"] - 31.8, 360.0) == pytest.approx(0.0, abs=1e-3)


def test_an_encoder_that_fell_silent_before_the_rest_tells_nothing_of_it() -> None:
    w = StillWatch(["boom"])
    w.feed(AngleBlock(sensor="swing", t0=0.0, t1=0.48, n=25, angle_deg=12.0))
    for block in blocks(samples(8, start=3.0)):
        w.feed(block)
    assert w.told_deg() == {}


def test_an_inclinometer_rests_like_any_other_sensor() -> None:
    w = StillWatch(["boom"])
    for block in blocks(Tilt(i / 50, "boom", angle_deg=25.0) for i in range(300)):
        w.feed(block)
    assert w.judge().ready
    x, _, z = w.rest()["boom"].accel_mps2
    assert math.degrees(math.atan2(x, z)) == pytest.approx(25.0, abs=1e-3)
