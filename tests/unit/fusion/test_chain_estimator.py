"""The default estimator against an arm that scipy's rotations move (see conftest)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.estimator import DEFAULT_ESTIMATOR, MotionReading, make_estimator
from tipdatum.fusion.pose import Pose
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu, Tilt

Array = NDArray[np.float64]
TICK = 0.02


def chain(machine: Machine) -> ChainEstimator:
    return ChainEstimator(machine, TICK, ChainOptions())


def play(estimator: ChainEstimator, readings: Iterable[MotionReading], anchor_at: float = 3.0) -> list[Pose]:
    """A pose at every tick, predicted to the newest reading; the anchor is set on the way."""
    poses, tick, newest, anchored = [], 1, None, False
    for r in readings:
        while r.t > tick * TICK:
            if newest is not None:
                if not anchored and newest > anchor_at:
                    anchored = estimator.set_anchor(newest)
                poses.append(estimator.pose(newest))
            tick += 1
        estimator.consume(r)
        newest = r.t
    return poses


def errors(machine: Machine, poses: list[Pose], dig: Any, after: float = 5.0) -> tuple[Array, Array]:
    """Error of the height relative to the anchor and its stated sigma, m."""
    shape = machine.chain()
    known = [p for p in poses if p.known and p.anchor is not None and p.t > after]
    t = np.array([p.t for p in known])
    z, sigma = [], []
    for p in known:
        assert p.anchor is not None
        row = shape.height_jacobian(p.angles)
        z.append(float(shape.tip(p.angles)[2]) - p.anchor.height_m)
        variance = float(row @ p.covariance @ row - 2.0 * row @ p.anchor.covariance) + p.anchor.variance_m2
        sigma.append(math.sqrt(max(0.0, variance)))
    return np.array(z) - (dig.height_at(t) - dig.height_at(np.array([3.0]))), np.array(sigma)


def rms(v: Array) -> float:
    return float(np.sqrt(np.mean(v * v)))


def test_it_is_the_default(dig: Callable[..., Any]) -> None:
    assert DEFAULT_ESTIMATOR == "chain"
    assert isinstance(make_estimator("chain", dig(seconds=8).machine, TICK), ChainEstimator)


def test_perfect_sensors_give_the_height_to_millimetres_while_the_accelerometer_alone_is_decimetres_off(
    dig: Callable[..., Any],
) -> None:
    d = dig(seconds=30)
    off, _ = errors(d.machine, play(chain(d.machine), d.readings), d)
    bucket = np.array([r.accel_mps2 for r in d.readings if r.sensor == "boom" and r.t > 6.0])
    tilt_error = np.std(np.linalg.norm(bucket, axis=1)) / 9.80665
    assert rms(off) < 0.002
    assert tilt_error * 7.0 > 0.1


def test_noise_and_biases_of_low_cost_parts_cost_millimetres_and_sigma_says_so(
    dig: Callable[..., Any],
) -> None:
    shares1, shares2, worst = [], [], 0.0
    for seed in (1, 2, 3, 20):
        d = dig(seconds=40, seed=seed, noise=1.0, gyro_bias=0.01)
        off, sigma = errors(d.machine, play(chain(d.machine), d.readings), d)
        worst = max(worst, rms(off))
        shares1.append(float((np.abs(off) < sigma).mean()))
        shares2.append(float((np.abs(off) < 2 * sigma).mean()))
    assert worst < 0.008
    assert np.mean(shares1) > 0.5
    # Draws of parts, each of which is wrong the same way for as long as it lasts: 1 and 2 are unlucky ones.
    assert np.mean(shares2) > 0.85


def test_the_slew_angle_is_that_of_the_moment_asked_for(dig: Callable[..., Any]) -> None:
    d = dig(seconds=30)
    known = [p for p in play(chain(d.machine), d.readings) if p.known and p.t > 3.0]
    t = np.array([p.t for p in known])
    slew, true = np.array([p.slew_rad for p in known]), d.slew_at(t)
    pace = np.abs(np.gradient(true, t))
    assert pace.max() > 0.5
    # What a sixth of a second of delay would cost is 5° and more.
    assert np.abs((slew - slew[0]) - (true - true[0])).max() < math.radians(1.0)


def test_a_pose_changes_nothing(dig: Callable[..., Any]) -> None:
    d = dig(seconds=8, noise=1.0)
    asked, quiet = chain(d.machine), chain(d.machine)
    for r in d.readings:
        asked.consume(r)
        asked.pose(r.t)
        quiet.consume(r)
    at = d.readings[-1].t
    assert np.array_equal(asked.pose(at).angles, quiet.pose(at).angles)
    assert np.array_equal(asked.pose(at).covariance, asked.pose(at).covariance)


def test_later_moments_are_predicted_with_growing_doubt(dig: Callable[..., Any]) -> None:
    d = dig(seconds=12, noise=1.0)
    e = chain(d.machine)
    for r in d.readings:
        e.consume(r)
    near, far = e.pose(d.readings[-1].t), e.pose(d.readings[-1].t + 0.1)
    assert (np.diag(far.spread.prediction()) > np.diag(near.spread.prediction())).all()
    assert np.allclose(far.angles, np.add(near.angles, np.multiply(0.1, near.rates)), atol=0.02)


def test_a_silent_sensor_makes_figures_stale_and_they_come_back_right(dig: Callable[..., Any]) -> None:
    d = dig(seconds=30, noise=1.0)
    lost = [r for r in d.readings if not (r.sensor == "stick" and 14.0 < r.t < 16.0)]
    poses = play(chain(d.machine), lost)
    during = next(p for p in poses if p.t > 14.5)
    assert during.quality == "stale"
    assert during.reasons == ("stick sensor silent for 0.5 s",)
    assert np.isnan(during.angles).all()
    first = next(p for p in poses if p.t > 16.0 and p.known)
    assert first.t < 16.2
    off, _ = errors(d.machine, [p for p in poses if p.t > 20.0], d)
    assert rms(off) < 0.012


def test_a_shock_neither_drags_the_estimate_nor_locks_it_out(dig: Callable[..., Any]) -> None:
    d = dig(seconds=30, noise=1.0)
    rng = np.random.default_rng(5)
    shaken = [
        replace(r, accel_mps2=tuple(v + 80.0 * rng.normal() for v in r.accel_mps2))
        if r.sensor == "bucket" and 15.0 < r.t < 18.0 and (r.t * 4) % 1.0 < 0.08
        else r
        for r in d.readings
    ]
    calm, _ = errors(d.machine, play(chain(d.machine), d.readings), d)
    off, _ = errors(d.machine, play(chain(d.machine), shaken), d)
    assert np.abs(off).max() < np.abs(calm).max() + 0.015
    assert rms(off[-200:]) < rms(calm[-200:]) + 0.006


def test_a_step_back_in_time_starts_anew_and_is_told(dig: Callable[..., Any]) -> None:
    d = dig(seconds=8)
    e = chain(d.machine)
    for r in d.readings:
        e.consume(r)
    assert e.events() == []
    for r in d.readings:
        e.consume(r)
    events = e.events()
    assert [v.kind for v in events] == ["time-step"]
    assert e.events() == []
    assert e.pose(d.readings[-1].t).known


def test_without_upper_sensor_level_is_assumed_and_said(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    d = dig(seconds=8)
    words = describe()
    del words["sensor"]["upper"]
    poses = play(chain(parse_machine(words, "test")), [r for r in d.readings if r.sensor != "upper"])
    last = poses[-1]
    assert last.quality == "moving"
    assert "no sensor on the upper: level machine assumed" in last.reasons
    assert last.angles[0] == 0.0
    assert math.degrees(math.sqrt(last.covariance[0, 0])) >= 1.0
    assert last.angles[1] == pytest.approx(0.06, abs=0.01)


def test_a_missing_middle_sensor_is_invalid_with_its_name(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    d = dig(seconds=8)
    words = describe()
    del words["sensor"]["stick"]
    last = play(chain(parse_machine(words, "test")), [r for r in d.readings if r.sensor != "stick"])[-1]
    assert (last.quality, last.reasons) == ("invalid", ("no sensor on the stick",))


def test_a_held_joint_needs_no_sensor(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    d = dig(seconds=8)
    words = describe(bucket=[{"name": "b", "tip_m": 1.3, "width_m": 0.6, "held_deg": -30.0}])
    del words["sensor"]["bucket"]
    last = play(chain(parse_machine(words, "test")), [r for r in d.readings if r.sensor != "bucket"])[-1]
    assert last.known
    assert last.angles[4] == pytest.approx(last.angles[3] - math.radians(30.0))
    assert last.rates[4] == pytest.approx(last.rates[3])


def test_accelerometers_alone_find_the_posture_and_know_how_badly(dig: Callable[..., Any]) -> None:
    d = dig(seconds=20)
    poses = play(chain(d.machine), [replace(r, gyro_radps=None) for r in d.readings])
    rest, moving = (next(p for p in poses if p.t > t) for t in (3.5, 15.0))
    height = d.machine.chain().tip(rest.angles)[2]
    assert height == pytest.approx(float(d.height_at(np.array([rest.t]))[0]), abs=0.05)
    assert np.trace(moving.covariance) > np.trace(rest.covariance)


def test_an_inclinometer_joins_the_others(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    d = dig(seconds=12)
    words = describe()
    words["sensor"]["upper"]["type"] = "tilt"

    def angles(r: Imu) -> Imu | Tilt:
        if r.sensor != "upper":
            return r
        u = np.array(r.accel_mps2) / np.linalg.norm(r.accel_mps2)
        return Tilt(r.t, "upper", None, math.degrees(math.asin(u[0])), math.degrees(math.asin(u[1])))

    machine = parse_machine(words, "test")
    off, _ = errors(machine, play(chain(machine), [angles(r) for r in d.readings]), d)
    assert rms(off) < 0.03


@pytest.mark.parametrize("keep_every", [2, 10, 25])
def test_slow_sensors_work_with_fast_ones(dig: Callable[..., Any], keep_every: int) -> None:
    d = dig(seconds=20)
    count = 0
    kept = []
    for r in d.readings:
        if r.sensor == "upper":
            count += 1
            if count % keep_every:
                continue
        kept.append(r)
    off, _ = errors(d.machine, play(chain(d.machine), kept), d)
    assert rms(off) < 0.02


def test_hours_in_small_leave_the_covariance_positive_and_sigma_bounded(dig: Callable[..., Any]) -> None:
    """A reduced soak: the same stretch again and again, biases and noise included, with a pause between.

    The arm stands elsewhere after it: without a silence that would be a leap, and a contradiction.
    """
    d = dig(seconds=30, noise=1.0, rate_hz=50)
    e = chain(d.machine)
    length = 28.0
    sigmas = []
    for lap in range(8):
        for r in d.readings:
            if 0.5 < r.t < 26.5:
                e.consume(replace(r, t=r.t + lap * length))
        pose = e.pose(26.4 + lap * length)
        assert pose.known
        sigmas.append(float(np.sqrt(np.diag(pose.covariance).max())))
        assert e._filter is not None
        P = e._filter.P
        assert np.array_equal(P, P.T)
        assert np.linalg.eigvalsh(P).min() > -1e-15
    assert max(sigmas[2:]) < 1.5 * sigmas[1]


def test_cost_does_not_grow_with_the_session(dig: Callable[..., Any]) -> None:
    """Bounded memory: nothing that the estimator holds grows from lap to lap."""
    d = dig(seconds=8)
    e = chain(d.machine)
    held = []
    for lap in range(3):
        for r in d.readings:
            e.consume(replace(r, t=r.t + lap * 8.0))
        held.append([len(s.rows()) for s in e._samples])
    # Two blocks of four epochs at 100 Hz, and what one sensor waits for another.
    assert max(map(max, held)) <= 60


def test_a_gyro_that_is_off_by_twenty_degrees_a_second_is_found_out_at_rest(dig: Callable[..., Any]) -> None:
    """±20 °/s zero-rate output: data sheet of a hobby part (MPU-6050, PS-MPU-6000A-00 r3.4, 6.1)."""
    d = dig(seconds=20)
    bias = math.radians(20.0)
    off_by = [
        replace(r, gyro_radps=tuple(w + bias for w in r.gyro_radps or ())) if r.sensor == "stick" else r
        for r in d.readings
    ]
    off, _ = errors(d.machine, play(chain(d.machine), off_by), d, after=6.0)
    assert rms(off) < 0.01


def test_a_silence_of_all_sensors_in_which_the_machine_moved_is_survived(dig: Callable[..., Any]) -> None:
    d = dig(seconds=30, noise=1.0)
    heard = [r for r in d.readings if not 12.0 < r.t < 14.0]
    poses = play(chain(d.machine), heard)
    assert all(p.quality == "stale" for p in poses if 12.5 < p.t < 13.9)
    off, _ = errors(d.machine, [p for p in poses if p.t > 20.0], d)
    assert rms(off) < 0.015


def test_a_description_that_is_sure_of_everything_gives_figures(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    """A stated 1-sigma of nothing must not leave the filter without an inverse."""
    words = describe()
    for sensor in words["sensor"].values():
        sensor |= {"mount_sigma_deg": 0.0, "latency_sigma_s": 0.0, "position_sigma_m": 0.0}
        sensor["noise"] = {"accel_bias_mps2": 0.0, "gyro_bias_radps": 0.0}
    d = dig(seconds=20)
    poses = play(chain(parse_machine(words, "test")), d.readings)
    off, sigma = errors(d.machine, poses, d)
    assert rms(off) < 0.02
    assert np.isfinite(sigma).all()


def test_a_gyro_the_wrong_way_round_is_not_taken_for_an_ever_later_sensor(dig: Callable[..., Any]) -> None:
    d = dig(seconds=60, noise=1.0)
    estimator = chain(d.machine)
    for r in d.readings:
        x, y, z = r.gyro_radps
        estimator.consume(replace(r, gyro_radps=(-x, -y, -z)) if r.sensor == "bucket" else r)
    assert estimator._filter is not None
    # Serial lines and their converters are late by some tens of milliseconds at most: common practice.
    assert max(map(abs, estimator._filter.delays())) <= 0.0601


def test_a_sensor_that_is_later_than_described_is_found_out(dig: Callable[..., Any]) -> None:
    """Its readings carry the time of arrival, 40 ms after the sample."""
    d = dig(seconds=60, noise=1.0)
    estimator = chain(d.machine)
    late = [replace(r, t=r.t + 0.04) if r.sensor == "bucket" else r for r in d.readings]
    for r in sorted(late, key=lambda r: r.t):
        estimator.consume(r)
    assert estimator._filter is not None
    *others, bucket = estimator._filter.delays()
    assert bucket - np.mean(others) == pytest.approx(0.04, abs=0.002)
