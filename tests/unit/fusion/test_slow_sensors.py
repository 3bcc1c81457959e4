"""Slow, restless and mixed sensors: what lies between two samples, and sigma that owns up to it.

Bounds on the arm that scipy's rotations move are what a grade of 0.03 m leaves room for, wider where physics
asks for it; shares within 2σ are those of a normal distribution (95 %), with room for one session's scatter.
"""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from numpy.typing import NDArray

from tipdatum.fusion.chain.samples import SampleBuffer, SlowSampling
from tipdatum.fusion.estimator import MotionReading, make_estimator
from tipdatum.fusion.pose import Condition
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Command, Imu, Tilt, Truth

Array = NDArray[np.float64]
size = st.floats(-5.0, 5.0)


@dataclass(frozen=True)
class Told:
    """Heights after the reference against the truth, m."""

    t: Array
    off: Array
    sigma: Array

    def rms(self, start: float = 0.0, stop: float = math.inf) -> float:
        return float(np.sqrt(np.mean(self.off[(self.t > start) & (self.t < stop)] ** 2)))

    def share(self, times: float) -> float:
        return float((np.abs(self.off) < times * self.sigma).mean())


def tell(
    machine: Machine, readings: Iterable[MotionReading], height_at: Callable[[Array], Array], anchor: float
) -> Told:
    """What the default estimator says ten times a second after the reference at `anchor` s."""
    estimator, chain = make_estimator("chain", machine, 0.02), machine.chain()
    rows, at, due = [], None, 0.0
    for r in readings:
        estimator.consume(r)
        if at is None:
            at = r.t if r.t > anchor and estimator.set_anchor(r.t) else None
            continue
        if r.t < due:
            continue
        due = r.t + 0.1
        pose = estimator.pose(r.t)
        if pose.known and pose.anchor is not None:
            row = chain.height_jacobian(pose.angles)
            variance = float(row @ pose.covariance @ row - 2.0 * row @ pose.anchor.covariance)
            height = float(chain.tip(pose.angles)[2]) - pose.anchor.height_m
            rows.append((r.t, height, math.sqrt(variance + pose.anchor.variance_m2)))
    t, height, sigma = np.array(rows).T
    assert at is not None
    true = height_at(t) - height_at(np.array([at]))
    return Told(t, height - true, sigma)


# -- between two samples -----------------------------------------------------------------------------------


@given(st.lists(size, min_size=3, max_size=3), st.floats(0.03, 0.25), st.floats(-5.0, 5.0))
def test_what_runs_in_a_parabola_is_filled_in_exactly(c: list[float], period: float, start: float) -> None:
    def curve(t: float) -> Array:
        return np.full(6, c[0] + c[1] * (t - start) + c[2] * (t - start) ** 2)

    kept = SlowSampling()
    points = [kept.fill(start + k * period, curve(start + k * period)) for k in range(6)]
    assert not len(points[0])
    assert not len(points[1])
    for t, *values in np.concatenate(points[2:]).tolist():
        assert values == pytest.approx(curve(t).tolist(), abs=1e-9)
    assert kept.force == pytest.approx(0.0, abs=1e-15)


def test_a_white_noise_is_told_by_its_density() -> None:
    """White readings of variance s² that come every h integrate as a density of s² h (any text)."""
    rng, kept, period = np.random.default_rng(1), SlowSampling(), 0.1
    found = []
    for k in range(4000):
        row = np.concatenate([rng.normal(0.0, 0.5, 3), rng.normal(0.0, 0.02, 3)])
        kept.fill(k * period, row)
        found.append((kept.force, kept.rate))
    force, rate = np.mean(found[100:], axis=0)
    assert force == pytest.approx(0.5**2 * period, rel=0.05)
    assert rate == pytest.approx(3.0 * 0.02**2 * period, rel=0.05)


def test_a_slow_gyro_on_a_swing_misses_a_third_of_what_a_straight_line_does() -> None:
    """A link that swings at 0.8 Hz, seen at 10 Hz; the angle is known in closed form."""
    turn, swing, period = 0.5, 2.0 * math.pi * 0.8, 0.1
    off = []
    for slow in (False, True):
        kept = SampleBuffer(0.3)
        if slow:
            kept.keep_pace(period)
        errors = []
        for k in range(200):
            t = k * period
            kept.add(t, (0.0, 0.0, 9.8), (0.0, turn * math.cos(swing * t), 0.0))
            errors.append(kept.turned[1] - turn / swing * math.sin(swing * t))
        off.append(float(np.std(errors[5:])))
    assert off[1] < off[0] / 3.0


def test_samples_at_any_times_leave_finite_sums() -> None:
    rng, kept = np.random.default_rng(2), SampleBuffer(0.5)
    kept.keep_pace(0.1)
    t = 0.0
    for _ in range(2000):
        t += float(rng.choice([0.0, 1e-6, 0.003, 0.1, 0.12, 0.3, 0.7]))
        kept.add(t, tuple(rng.normal(0.0, 9.0, 3)), tuple(rng.normal(0.0, 1.0, 3)))
        if len(rows := kept.rows()) > 1:
            assert (np.diff(rows[:, 0]) > 0.0).all()
            assert np.abs(rows).max() < 1e5
        del rows


# -- slow IMUs ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rate_hz", "bound_m"), [(25, 0.015), (10, 0.025), (4, 0.15)])
def test_hurried_digging_with_slow_imus_stays_within_its_sigma(
    rate_hz: int, bound_m: float, dig: Callable[..., Any]
) -> None:
    d = dig(seconds=40, rate_hz=rate_hz, noise=1.0)
    found = tell(d.machine, d.readings, d.height_at, 3.5)
    assert found.rms() < bound_m
    assert found.share(2.0) > 0.9


def test_after_a_spell_of_shaking_a_slow_machine_is_as_sure_as_before(dig: Callable[..., Any]) -> None:
    """Ten seconds of vibration that a 10 Hz reader folds down at random, 1 m/s² and 0.05 rad/s."""
    rng = np.random.default_rng(3)
    d = dig(seconds=70, rate_hz=10, noise=1.0)

    def shaken(r: Imu) -> Imu:
        if not 20.0 < r.t < 30.0 or r.gyro_radps is None:
            return r
        force, rate = r.accel_mps2 + rng.normal(0.0, 1.0, 3), r.gyro_radps + rng.normal(0.0, 0.05, 3)
        return replace(r, accel_mps2=tuple(force.tolist()), gyro_radps=tuple(rate.tolist()))

    still = tell(d.machine, d.readings, d.height_at, 3.5)
    found = tell(d.machine, map(shaken, d.readings), d.height_at, 3.5)
    inside, after = (found.t > 22.0) & (found.t < 30.0), found.t > 45.0
    assert (np.abs(found.off) < 2.0 * found.sigma)[inside].mean() > 0.85
    assert found.sigma[inside].mean() > 1.5 * still.sigma[(still.t > 22.0) & (still.t < 30.0)].mean()
    assert found.sigma[after].mean() < 1.5 * still.sigma[still.t > 45.0].mean()
    assert found.rms(45.0) < 0.04


def test_fast_reversals_seen_ten_times_a_second_stay_within_their_sigma(
    shared_data: Callable[..., Path],
) -> None:
    """The simulated session whose motion a slow reader folds down most; truth from a physics engine."""
    with gzip.open(shared_data("physics_public", "jerky-crossfall-hobby.ndjson.gz"), "rb") as handle:
        machine = parse_machine(decode_header(handle.readline()).machine, "session")
        kept: dict[str, int] = {}
        readings: list[MotionReading] = []
        truth, reference = [], math.nan
        for record in map(decode_line, handle):
            if isinstance(record, Truth):
                truth.append((record.t, record.tip_m[2]))
            elif isinstance(record, Command) and record.name == "datum/set":
                reference = record.t
            elif isinstance(record, Imu):
                kept[record.sensor] = kept.get(record.sensor, -1) + 1
                if kept[record.sensor] % 10 == 0:
                    readings.append(record)
    t, z = np.array(truth).T
    found = tell(machine, readings, lambda at: np.interp(at, t, z), reference)
    assert found.share(2.0) > 0.85
    assert found.rms() < 0.12


def test_a_sensor_too_slow_for_the_motion_is_named_once_and_let_go_once() -> None:
    """What it leaves out swings between 0.4 and 1.2 °/√s, as movements do; then the arm works gently."""
    condition, named = Condition(), []
    for k in range(1200):
        t = 0.05 * k
        missed = math.radians(0.8 + 0.4 * math.sin(2.0 * t)) if t < 30.0 else math.radians(0.1)
        condition.update(t, 0.5, 0.001, starting=False)
        condition.notice_slow(t, "bucket", missed)
        quality, reasons = condition.judge("good", ())
        named.append("bucket sensor speaks too rarely for this motion" in reasons)
        assert not named[-1] or quality != "good"
    assert np.diff(np.array(named, dtype=int)).tolist().count(1) == 1
    assert any(named[:40])
    assert not any(named[-300:])


# -- inclinometers beside IMUs -----------------------------------------------------------------------------


def inclined(readings: Iterable[Imu], bodies: Iterable[str], lag: float) -> Iterable[MotionReading]:
    """Parts that low-pass the force at first order; those on upper and boom have two axes."""
    inside: dict[str, tuple[float, Array]] = {}
    for r in readings:
        if r.sensor not in bodies:
            yield r
            continue
        force = np.array(r.accel_mps2)
        if r.sensor in inside and lag > 0.0:
            t, before = inside[r.sensor]
            force = before + (1.0 - math.exp((t - r.t) / lag)) * (force - before)
        inside[r.sensor] = (r.t, force)
        x, y, z = (force / np.linalg.norm(force)).tolist()
        if r.sensor in ("upper", "boom"):
            yield Tilt(r.t, r.sensor, None, math.degrees(math.asin(x)), math.degrees(math.asin(y)))
        else:
            yield Tilt(r.t, r.sensor, math.degrees(math.atan2(x, z)))


def with_parts(words: dict[str, Any], bodies: Iterable[str], lag: float) -> Machine:
    for body in bodies:
        words["sensor"][body].update(type="tilt", time_constant_s=lag, noise={"tilt_deg": 0.02})
    return parse_machine(words, "test")


@pytest.mark.parametrize(
    ("bodies", "lag", "bound_m"),
    [(("upper",), 0.1, 0.02), (("bucket",), 0.1, 0.15), (("upper", "boom"), 0.2, 0.15)],
)
def test_known_accelerations_are_no_tilt_for_an_inclinometer(
    bodies: tuple[str, ...],
    lag: float,
    bound_m: float,
    dig: Callable[..., Any],
    describe: Callable[..., dict[str, Any]],
) -> None:
    d = dig(seconds=40, noise=1.0)
    machine = with_parts(describe(), bodies, lag)
    found = tell(machine, inclined(d.readings, bodies, lag), d.height_at, 3.5)
    assert found.rms() < bound_m
    assert found.share(2.0) > 0.85


def test_a_single_axis_part_says_nothing_of_the_roll(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    """The simulated machine stands on a cross-slope of 0.06 rad (see the arm in conftest) while it rests."""
    bodies = ("stick", "bucket")
    estimator = make_estimator("chain", with_parts(describe(), bodies, 0.0), 0.02)
    for r in inclined((r for r in dig(seconds=8).readings if r.t < 3.9), bodies, 0.0):
        estimator.consume(r)
    assert abs(estimator.pose(3.9).angles[1]) == pytest.approx(0.06, abs=0.003)


# -- restless streams --------------------------------------------------------------------------------------


def test_readings_that_come_in_late_bursts_keep_their_angle(dig: Callable[..., Any]) -> None:
    """One sensor's port hangs for 0.15 s now and then and hands over all at once, stamped by the device."""
    d = dig(seconds=40, noise=1.0)

    def late(r: Imu) -> Imu:
        if r.sensor != "boom" or r.t % 3.0 > 0.15:
            return r
        return replace(r, t=r.t - r.t % 3.0 + 0.15, t_sample=r.t)

    arrived = sorted(map(late, d.readings), key=lambda r: r.t)
    found = tell(d.machine, arrived, d.height_at, 3.5)
    assert found.rms() < 0.02
    assert found.share(2.0) > 0.85


def test_readings_that_always_come_a_dozen_at_once_keep_height_and_sigma(dig: Callable[..., Any]) -> None:
    """A computer that is busy for long reads its ports eight times a second."""
    d = dig(seconds=40, noise=1.0)
    held = [replace(r, t=0.12 * math.ceil(r.t / 0.12), t_sample=r.t) for r in d.readings]
    found = tell(d.machine, held, d.height_at, 3.5)
    assert found.t[-1] > 39.0
    assert found.share(2.0) > 0.85
    assert float(found.sigma.max()) < 0.1
    assert found.rms() < 0.02


@pytest.mark.parametrize("lost", [0.0, 0.3])
def test_jitter_and_losses_widen_sigma_by_what_they_cost(
    lost: float, dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    """5 ms of delay on average, as described, with and without a third of the readings gone."""
    words, shares = describe(), []
    for sensor in words["sensor"].values():
        sensor["latency_s"] = 0.005
    for seed in (1, 2, 3):
        rng = np.random.default_rng(5)
        d = dig(seconds=40, seed=seed, noise=1.0)
        arrived = sorted(
            (replace(r, t=r.t + rng.exponential(0.005)) for r in d.readings if rng.random() >= lost),
            key=lambda r: r.t,
        )
        even = tell(d.machine, d.readings, d.height_at, 3.5)
        found = tell(parse_machine(words, "test"), arrived, d.height_at, 3.5)
        assert found.rms() < 0.04
        assert found.sigma.mean() > even.sigma.mean()
        shares.append(found.share(2.0))
    assert np.mean(shares) > 0.8
