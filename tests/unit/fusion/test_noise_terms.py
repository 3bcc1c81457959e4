"""Each term of the filter's noise, and the anchor's covariance, against what follows from outside the filter.

Random walks and white noise grow as any text on Kalman filtering has it (variance = density times time); the
covariance of a difference is that of the general law of propagation (JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    GYRO_BIAS,
    GYRO_SCALE,
    MOUNT,
    PER_SENSOR,
    WARM_K,
    WARM_S,
)
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.noise import (
    HAMMERED_MPS2,
    RECTIFIED,
    RECTIFIED_S,
    UPPER_TURNS,
    WARMING_UNEVEN,
    Persistence,
)
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.estimator import make_estimator
from tipdatum.machine.description import parse_machine

Array = NDArray[np.float64]
LONG_AFTER_S = 1e6
"""Since the start: no gyro warms up any more."""


def at_rest(
    describe: Callable[..., dict[str, Any]], *, gyros: Sequence[bool] = (True,) * 4, **noise: float
) -> ChainFilter:
    words = describe()
    for sensor in words["sensor"].values():
        sensor["noise"] = noise
    arm = SensedArm(parse_machine(words, "test"))
    f = ChainFilter(arm, arm.in_order, list(gyros), ChainOptions())
    level = np.tile([0.0, 0.0, 9.80665], (4, 1))
    f.start(level, np.zeros((4, 3)))
    return f


def still_block(shake: float = 0.0, step: float = 0.01) -> EpochBlock:
    nothing, none = np.zeros((4, 1)), np.zeros((4, 1), dtype=complex)
    up = np.full((4, 1), 9.80665j)
    return EpochBlock(
        up, nothing, 0.5 * up, nothing, none, nothing, np.zeros((4, 3)), np.zeros((4, 3)),
        np.full(4, shake), np.full(4, step), np.zeros((4, 2)), np.zeros((4, 3)), np.ones(4, dtype=bool),
    )  # fmt: skip


def added(
    f: ChainFilter, block: EpochBlock, persistence: Persistence | None = None, age: float = LONG_AFTER_S
) -> Array:
    P = np.zeros_like(f.P)
    motion = f._models.rates.motion(f.x, block, 0.0)
    f._models.noise.add(P, block, motion, persistence or Persistence(4), age)
    assert np.count_nonzero(P - np.diag(P.diagonal())) == 0
    return P.diagonal().copy()


def test_white_noise_of_gyro_and_accelerometer_is_integrated(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f = at_rest(describe, gyro_radps_rthz=2e-3, accel_mps2_rthz=5e-2)
    found = added(f, still_block())
    assert found[f.at.theta] == pytest.approx(np.full(4, 2e-3**2 * 0.05))
    # The mean of four gyros tells the roll.
    assert found[f.at.roll] == pytest.approx(2e-3**2 * 0.05 / 4)
    assert found[f.at.velocity] == pytest.approx(np.full(12, 5e-2**2 * 0.05))


def test_constants_walk_by_their_densities(describe: Callable[..., dict[str, Any]]) -> None:
    f, o = at_rest(describe), ChainOptions()
    found = added(f, still_block())[f.at.constants].reshape(4, PER_SENSOR)
    for places, walk in (
        (GYRO_BIAS, o.gyro_walk), (ACCEL_BIAS, o.accel_walk), (GYRO_SCALE, o.constant_walk),
        (MOUNT, o.constant_walk),
    ):  # fmt: skip
        assert found[:, places] == pytest.approx(np.full((4, 3), walk**2 * 0.05))


def test_a_gyro_just_switched_on_walks_faster_than_one_that_is_warm(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f = at_rest(describe)
    ages = (0.0, 60.0, 600.0, LONG_AFTER_S)
    walks = [added(f, still_block(), age=age)[f.at.constants][GYRO_BIAS] for age in ages]
    assert all((earlier > later).all() for earlier, later in pairwise(walks))
    others = [added(f, still_block(), age=age)[f.at.constants][MOUNT] for age in ages]
    assert np.ptp(others, axis=0).max() == 0.0


def test_a_gyro_just_switched_on_walks_twice_as_fast(describe: Callable[..., dict[str, Any]]) -> None:
    f = at_rest(describe, gyro_per_kelvin_radps=0.0, accel_per_kelvin_mps2=0.0)
    cold, warm = (added(f, still_block(), age=age)[f.at.constants][GYRO_BIAS] for age in (0.0, LONG_AFTER_S))
    assert cold == pytest.approx(2.0**2 * warm)


def test_what_warming_leaves_open_of_a_bias_is_its_share_of_the_whole_change(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """Summed up over the whole time of warming; every hundredth block stands for a hundred."""
    per_kelvin = {"gyro_per_kelvin_radps": 3e-4, "accel_per_kelvin_mps2": 2e-3}
    f, steady = at_rest(describe, **per_kelvin), added(at_rest(describe), still_block())
    total = np.zeros((4, PER_SENSOR))
    for age in np.arange(2.5, 8.0 * WARM_S, 5.0):
        more = added(f, still_block(), age=float(age)) - steady
        total += 100.0 * more[f.at.constants].reshape(4, PER_SENSOR)
    whole = WARMING_UNEVEN * WARM_K * per_kelvin["accel_per_kelvin_mps2"]
    assert np.sqrt(total[:, ACCEL_BIAS]) == pytest.approx(np.full((4, 3), whole), rel=0.02)


def test_a_rate_that_no_gyro_tells_walks_and_the_upper_s_less(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, o = at_rest(describe, gyros=(False, True, False, True)), ChainOptions()
    assert added(f, still_block())[f.at.turn] == pytest.approx(
        np.array([UPPER_TURNS * o.turn_walk, o.turn_walk]) ** 2 * 0.05
    )


def test_the_pivot_wanders_and_the_base_s_velocity_is_renewed_as_a_markov_process(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """A first-order process of variance s² and time T gets s² (1 - exp(-2h/T)) anew within h."""
    f, o = at_rest(describe), ChainOptions()
    found = added(f, still_block())
    pivot, base = found[f.at.pivot], found[f.at.base]
    assert pivot == pytest.approx(np.full(pivot.shape, o.pivot_walk**2 * 0.05))
    renewed = o.base_floor_mps**2 * (1.0 - math.exp(-2.0 * 0.05 / o.base_time_s))
    assert base == pytest.approx(np.full(base.shape, renewed))


def test_a_shake_counts_with_its_share_as_white_noise_of_its_samples(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """White samples of variance s² an axis that come every h integrate as a density of s² h."""
    f, o = at_rest(describe), ChainOptions()
    of_velocity = f.at.velocity
    more = added(f, still_block(shake=3.0 * 0.7**2))[of_velocity] - added(f, still_block())[of_velocity]
    assert more == pytest.approx(np.full(12, (o.shake_share * 0.7) ** 2 * 0.01 * 0.05))


def test_a_part_that_is_struck_may_show_a_false_mean(describe: Callable[..., dict[str, Any]]) -> None:
    """A force that keeps its sign for a second and may be RECTIFIED of what the spread has above vibration:
    its square times that second is its density."""
    f, o = at_rest(describe), ChainOptions()
    spread = HAMMERED_MPS2 + 2.0
    found = added(f, still_block(shake=spread**2))[f.at.velocity]
    shaken = o.shake_share**2 / 3.0 * spread**2 * 0.01 * 0.05
    more = found - added(f, still_block())[f.at.velocity] - shaken
    assert more == pytest.approx(np.full(12, (RECTIFIED * 2.0) ** 2 * RECTIFIED_S * 0.05))


def test_what_persists_in_the_innovations_widens_that_sensors_velocity_alone(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, o = at_rest(describe), ChainOptions()
    persistence = Persistence(4)
    again = np.zeros((4, 3))
    again[2] = 0.2
    for _ in range(400):
        persistence.note(again, 0.05, resting=False)
    assert persistence.of_late == pytest.approx([0.0, 0.0, 0.2**2, 0.0], rel=1e-3)
    more = added(f, still_block(), persistence)[f.at.velocity] - added(f, still_block())[f.at.velocity]
    assert more.reshape(4, 3)[2] == pytest.approx(np.full(3, o.adaptation * 0.2**2), rel=1e-3)
    assert more.reshape(4, 3)[[0, 1, 3]] == pytest.approx(np.zeros((3, 3)))


def test_the_anchor_cancels_at_the_pose_it_was_set_in(dig: Callable[..., Any]) -> None:
    """Set and asked at once, the height above the anchor is a difference of one figure with itself."""
    d = dig(seconds=5, noise=1.0, rate_hz=50)
    e, chain = make_estimator("chain", d.machine, 0.02), d.machine.chain()
    for r in d.readings:
        e.consume(r)
    t = d.readings[-1].t
    assert e.set_anchor(t)
    pose = e.pose(t)
    assert pose.anchor is not None
    row = chain.height_jacobian(pose.angles)
    with_itself = float(row @ (pose.covariance - pose.spread.prediction()) @ row)
    assert pose.anchor.height_m == pytest.approx(float(chain.tip(pose.angles)[2]), abs=1e-9)
    assert pose.anchor.variance_m2 == pytest.approx(with_itself, rel=1e-6)
    assert float(row @ pose.anchor.covariance) == pytest.approx(with_itself, rel=1e-6)
    assert math.sqrt(with_itself) > 1e-3
