"""Each term of the filter's noise, and the anchor's covariance, against what follows from outside the filter.

Random walks and white noise grow as any text on Kalman filtering has it (variance = density times time); the
covariance of a difference is that of the general law of propagation (JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    ACCEL_SKEW,
    GYRO_BIAS,
    GYRO_CROSS,
    GYRO_SCALE,
    LATENCY,
    LEVER,
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
    SILENT_RADPS,
    UPPER_TURNS,
    WARMING_UNEVEN,
    Persistence,
    Vibration,
)
from tipdatum.fusion.chain.sigma import StatedSigma
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.estimator import make_estimator
from tipdatum.fusion.sensors import USUAL_JITTER_S
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.reading import Imu

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
    f.start(level, np.zeros((4, 3)), np.zeros(4))
    return f


def still_block(shake: float = 0.0, step: float = 0.01) -> EpochBlock:
    nothing, none = np.zeros((4, 1)), np.zeros((4, 1), dtype=complex)
    up = np.full((4, 1), 9.80665j)
    return EpochBlock(
        up, nothing, 0.5 * up, nothing, none, nothing, np.zeros((4, 3)), np.zeros((4, 3)),
        np.full(4, shake), np.full(4, step), np.zeros((4, 2)), np.zeros((4, 3)), np.ones(4, dtype=bool),
    )  # fmt: skip


def added(
    f: ChainFilter,
    block: EpochBlock,
    persistence: Persistence | None = None,
    age: float = LONG_AFTER_S,
    pushed: float = 0.0,
) -> Array:
    P = np.zeros_like(f.P)
    motion = f._models.rates.motion(f.x, block, 0.0)
    f._models.noise.add(P, block, motion, persistence or Persistence(4), age, pushed)
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
        (MOUNT, o.constant_walk), (ACCEL_SCALE, o.constant_walk), (LEVER, o.constant_walk * o.lever_sigma_m),
        (LATENCY, o.constant_walk * o.latency_sigma_s), (GYRO_CROSS, o.constant_walk),
        (ACCEL_SKEW, o.constant_walk),
    ):  # fmt: skip
        of_walk = found[:, places] / (walk**2 * 0.05)
        assert of_walk == pytest.approx(np.ones(of_walk.shape))


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
    found = added(f, still_block())
    assert found[f.at.turn] == pytest.approx(np.array([UPPER_TURNS * o.turn_walk, o.turn_walk]) ** 2 * 0.05)
    # Where no gyro is, the rates that all bodies share walk by half of it.
    f = at_rest(describe, gyros=(False,) * 4)
    shared = added(f, still_block())[f.at.common]
    assert shared == pytest.approx(np.full(2, (0.5 * o.turn_walk) ** 2 * 0.05))


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


def test_parts_that_prove_better_than_described_narrow_the_stated_sigma_once_the_arm_has_worked(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f = at_rest(describe)
    stated = StatedSigma(f.setup)
    stated.keep(f.P)
    found = [stated.share(f.x, f.P, rho) for rho in (1.0, 0.5)]
    assert found == [pytest.approx(1.0)] * 2
    for _ in range(2000):
        stated.be_surprised([0.3] * 4, 0.05)
        stated.let_pass(0.05, 1e-9, Vibration(quick=0.9, slow=0.0), resting=False)
    usual = stated.share(f.x, f.P, 1.0)
    assert usual == pytest.approx(ChainOptions().worst_case)
    assert stated.share(f.x, f.P, 0.5) < 0.8 * usual
    biases = f.at.constants.start + np.arange(4) * PER_SENSOR + ACCEL_BIAS.start
    sure = f.P.copy()
    sure[biases, biases] *= 0.01
    assert stated.share(f.x, sure, 1.0) < 0.95 * usual
    stated.doubt()
    assert stated.share(f.x, f.P, 0.5) == pytest.approx(1.0)


def test_the_latency_that_all_sensors_share_is_as_wrong_as_said(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """Four latencies as they may be are told by their differences alone; what is stated of their mean holds.

    A normal error lies within two of its sigmas in 95 %. A sigma out of three differences and nothing else
    would hold in 86 % (Student's t with three degrees of freedom).
    """
    f = at_rest(describe)
    stated = StatedSigma(f.setup)
    places = f.at.constants.start + np.arange(4) * PER_SENSOR + LATENCY
    rng, sigma = np.random.default_rng(1), f.options.latency_sigma_s
    x, P, within = f.x.copy(), f.P.copy(), 0
    P[places, places] = 1e-10
    for true in rng.normal(0.0, sigma, (2000, 4)):
        x[places] = true - true.mean()
        within += abs(true.mean()) < 2.0 * stated.shared_latency(x, P)
    assert 0.92 < within / 2000 < 0.97


def test_what_has_surprised_the_filter_is_forgotten_with_its_constants_and_not_at_rest(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f = at_rest(describe)
    stated = StatedSigma(f.setup)
    stated.keep(f.P)

    def go_on(seconds: float, surprise: float, *, resting: bool = False) -> float:
        for _ in range(round(seconds / 0.05)):
            stated.be_surprised([3.0 * surprise] * 4, 0.05)
            stated.let_pass(0.05, 0.01, Vibration(quick=0.9, slow=0.0), resting=resting)
        return stated.share(f.x, f.P, 1.0)

    calm = go_on(100.0, 0.15)
    surprised = go_on(15.0, 0.8)
    assert surprised > 1.6 * calm
    assert go_on(60.0, 0.15, resting=True) > 0.9 * surprised
    assert calm < go_on(0.5 * f.options.memory_s, 0.15) < 0.85 * surprised
    assert go_on(5.0 * f.options.memory_s, 0.15) == pytest.approx(calm, rel=0.02)


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


def test_vibration_folded_down_at_rest_widens_that_sensors_velocity_alone(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, o = at_rest(describe), ChainOptions()
    persistence = Persistence(4)
    persistence.at_rest[1] = 0.1**2
    more = added(f, still_block(), persistence)[f.at.velocity] - added(f, still_block())[f.at.velocity]
    assert more.reshape(4, 3)[1] == pytest.approx(np.full(3, o.folded_share * 0.1**2))
    assert more.reshape(4, 3)[[0, 2, 3]] == pytest.approx(np.zeros((3, 3)))


def test_a_base_that_rocks_moves_as_far_as_its_centre_is_off(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, o = at_rest(describe), ChainOptions()
    rocks = replace(still_block(), rate_y=np.full((4, 1), -0.2))
    more = added(f, rocks)[f.at.base] - added(f, still_block())[f.at.base]
    renewed = 1.0 - math.exp(-2.0 * 0.05 / o.base_time_s)
    assert more == pytest.approx(np.full(more.shape, (o.base_share_m * 0.2) ** 2 * renewed), rel=1e-6)


def test_what_drives_the_arm_pushes_the_base_along_the_ground_alone(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """A base that gives way within a time T under an acceleration a goes as fast as a·T, and not upwards."""
    f, o = at_rest(describe), ChainOptions()
    more = added(f, still_block(), pushed=2.0)[f.at.base] - added(f, still_block())[f.at.base]
    renewed = 1.0 - math.exp(-2.0 * 0.05 / o.base_time_s)
    along = (o.base_sway_s * 2.0) ** 2 * renewed
    assert more == pytest.approx(np.array([along, along, 0.0]), rel=1e-6, abs=1e-15)


def test_what_a_slow_sensor_leaves_out_is_white_noise_of_its_angle_its_velocity_and_the_roll(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, missed = at_rest(describe), np.zeros((4, 2))
    missed[1] = 3e-3, 4e-5
    more = added(f, replace(still_block(), missed=missed)) - added(f, still_block())
    assert more[f.at.theta] == pytest.approx([0.0, 4e-5 * 0.05, 0.0, 0.0])
    assert more[f.at.velocity].reshape(4, 3)[1] == pytest.approx(np.full(3, 3e-3 * 0.05))
    # The mean of four gyros tells the roll: a quarter of the error, once.
    assert more[f.at.roll] == pytest.approx(4e-5 * 0.05 / 4**2)


def test_of_a_silent_sensor_nothing_is_known(describe: Callable[..., dict[str, Any]]) -> None:
    """Its body may turn as fast as an arm can; its velocity is open to a metre a second."""
    f, active = at_rest(describe), np.array([True, True, False, True])
    found = added(f, replace(still_block(), active=active))
    more = found - added(f, still_block())
    assert more[f.at.theta] == pytest.approx([0.0, 0.0, (SILENT_RADPS * 0.05) ** 2, 0.0])
    assert found[f.at.velocity].reshape(4, 3)[2] == pytest.approx(np.ones(3))
    assert more[f.at.velocity].reshape(4, 3)[[0, 1, 3]] == pytest.approx(np.zeros((3, 3)))


def hear(f: ChainFilter, i: int, sigma_s: float = 0.0, lost_every: int | None = None) -> None:
    """Let sensor `i` speak for a minute at 100 Hz, at times that scatter, or with every so many'th lost."""
    rng = np.random.default_rng(3)
    for k in range(6000):
        if lost_every is None or k % lost_every:
            t = 0.01 * k + float(rng.normal(0.0, sigma_s))
            f.setup.channels[i].raw(Imu(t, "any", (0.0, 0.0, 9.8), (0.0, 0.0, 0.0)))


def test_a_sample_at_an_uncertain_time_is_off_by_what_changes_meanwhile(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """A figure that changes by s a second is off by s σ where its time is by σ (JCGM 100:2008, 5.1.2); white
    errors that come every h integrate as a density of (s σ)² h."""
    f, sigma = at_rest(describe), 0.003
    hear(f, 2, sigma)
    variance = f.setup.channels[2].jitter_variance
    assert variance + USUAL_JITTER_S**2 == pytest.approx(sigma**2, rel=0.5)
    force, rate = np.zeros((4, 3)), np.zeros((4, 3))
    force[:], rate[:, 1] = (6.0, 0.0, -3.0), 0.8
    more = added(f, replace(still_block(), force_slope=force, rate_slope=rate)) - added(f, still_block())
    density = variance * 0.01 * np.array([0.0, 0.0, 1.0, 0.0])
    assert more[f.at.theta] == pytest.approx(density * 0.8**2 * 0.05)
    # The mean square over the axes, on each of them.
    of_force = (density * (6.0**2 + 3.0**2) / 3.0 * 0.05).repeat(3)
    assert more[f.at.velocity] == pytest.approx(of_force)


def test_readings_lost_from_a_vibration_leave_their_share_of_it(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """A straight line over one lost sample of white ones of variance s² is off by s √(1 + ½) there; one lost
    in ten of them, h apart, makes a density of 1.5 s² h / 10. The filter keeps a running mean of it."""
    f = at_rest(describe)
    plain = added(f, still_block(shake=1.0))[f.at.velocity]
    hear(f, 2, lost_every=10)
    more = (added(f, still_block(shake=1.0))[f.at.velocity] - plain).reshape(4, 3)
    assert more[2] == pytest.approx(np.full(3, 1.5 * 0.01 / 10 * 0.05), rel=0.5)
    assert more[[0, 1, 3]] == pytest.approx(np.zeros((3, 3)))


def velocity_noise(f: ChainFilter, block: EpochBlock, acceleration: float = 0.0) -> Array:
    """(4, 3) (m/s)², the diagonal of `velocity_covariance`."""
    return velocity_covariance(f, block, acceleration).diagonal().reshape(4, 3).copy()


def velocity_covariance(f: ChainFilter, block: EpochBlock, acceleration: float = 0.0) -> Array:
    """(12, 12) (m/s)², noise of the velocities that a block is compared with; the chain's velocities have
    changed by `acceleration` since the block before."""
    motion = f._models.rates.motion(f.x, block, 0.0)
    model = f._models.measurement
    still = model.foresee(f.x, motion, None)
    expected = model.foresee(f.x, motion, still.last - acceleration * 0.05)
    nothing = np.zeros((f.at.size, f.at.size))
    advance = f._models.transition.forward(f.x.copy(), nothing, motion, block, np.zeros((4, 3)))
    found = model.measure(f.x, block, motion, expected, advance)
    return found.R[:12, :12].copy()


def test_what_hangs_on_a_body_whose_sensor_is_silent_is_carried_along_unseen(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """By the body's whole length times the rate at which it may turn, all alike, for a second one way: white
    noise of a velocity that keeps its sign for so long has its variance times that second over the block."""
    f, active = at_rest(describe, gyro_radps_rthz=1e-9), np.array([True, False, True, True])
    found = velocity_covariance(f, replace(still_block(), active=active)) - velocity_covariance(
        f, still_block()
    )
    carried = (describe()["boom"]["length_m"] * SILENT_RADPS) ** 2 * 1.0 / 0.05 * np.eye(3)
    for one in (slice(6, 9), slice(9, 12)):
        for other in (slice(6, 9), slice(9, 12)):
            assert found[one, other] == pytest.approx(carried, rel=1e-3, abs=1e-3)
    assert found[:3, :3] == pytest.approx(np.zeros((3, 3)), abs=1e-3)


def test_a_velocity_that_changes_is_known_no_better_than_its_time(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, o = at_rest(describe), ChainOptions()
    more = velocity_noise(f, still_block(), 2.0) - velocity_noise(f, still_block())
    assert more == pytest.approx(np.full((4, 3), (2.0 * o.latency_floor_s) ** 2))
    hear(f, 2, 0.003)
    of_jitter = velocity_noise(f, still_block(), 2.0) - velocity_noise(f, still_block()) - more
    variance = f.setup.channels[2].jitter_variance
    assert of_jitter[2] == pytest.approx(np.full(3, 2.0**2 * variance))
    assert of_jitter[[0, 1, 3]] == pytest.approx(np.zeros((3, 3)))


def test_a_body_that_turns_is_known_no_better_than_the_lengths_it_turns_on(
    describe: Callable[..., dict[str, Any]],
) -> None:
    f, o = at_rest(describe), ChainOptions()
    turns = np.zeros((4, 1))
    turns[3] = 0.4
    more = velocity_noise(f, replace(still_block(), rate_y=turns)) - velocity_noise(f, still_block())
    assert more[3] == pytest.approx(np.full(3, (o.velocity_share_m * 0.4) ** 2), rel=1e-3)
    assert more[:3] == pytest.approx(np.zeros((3, 3)))


def test_a_gyros_noise_moves_the_chain_and_so_does_what_a_slow_one_leaves_out(
    describe: Callable[..., dict[str, Any]],
) -> None:
    quiet, noisy = at_rest(describe, gyro_radps_rthz=1e-9), at_rest(describe, gyro_radps_rthz=2e-3)
    missed = np.zeros((4, 2))
    missed[:, 1] = 2e-3**2
    of_gyros = velocity_noise(noisy, still_block()) - velocity_noise(quiet, still_block())
    of_missed = velocity_noise(quiet, replace(still_block(), missed=missed)) - velocity_noise(
        quiet, still_block()
    )
    assert of_gyros[3].max() > (1.0 * 2e-3) ** 2 / 0.05  # a metre of arm, and more
    assert of_missed == pytest.approx(of_gyros, rel=1e-6)


def test_velocities_of_a_machine_at_rest_have_their_floor(describe: Callable[..., dict[str, Any]]) -> None:
    """The sensor on the upper stands still whatever its gyro says: what is left is the floor."""
    f, o = at_rest(describe, gyro_radps_rthz=1e-9), ChainOptions()
    least = velocity_noise(f, still_block()).min()
    assert least == pytest.approx(o.velocity_floor_mps**2, rel=0.2)


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
