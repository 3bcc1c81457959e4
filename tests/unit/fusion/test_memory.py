"""What a fading memory lets go and what it keeps: properties that linear algebra asks of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.constants import GYRO_BIAS, GYRO_WARM, MOUNT, PER_SENSOR
from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.chain.memory import FADE_EVERY_S, TRIED, Memory, Scale
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.machine.description import parse_machine
from tipdatum.machine.parts import Sensor

Array = NDArray[np.float64]
repeat = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
seeds = st.integers(0, 2**32 - 1)


def setup(words: dict[str, Any]) -> FilterSetup:
    arm = SensedArm(parse_machine(words, "test"))
    channels = [arm.by_body[b] for b in ("upper", "boom", "stick", "bucket")]
    return FilterSetup(arm, channels, [True] * 4, ChainOptions(learn_class=False))


def constants(s: FilterSetup) -> tuple[Array, Array]:
    """Places of what fades and of the rest."""
    fades = np.ones((s.n, PER_SENSOR), dtype=bool)
    fades[:, GYRO_BIAS] = fades[:, GYRO_WARM] = False
    c = s.at.constants.start + np.flatnonzero(fades)
    return c, np.setdiff1d(np.arange(s.at.size), c)


def start_and_learnt(s: FilterSetup, seed: int) -> tuple[Array, Array, Array, Array]:
    """A knowledge of the start (x, P), and what some measurements make of it."""
    rng = np.random.default_rng(seed)
    size = s.at.size
    mix = rng.normal(0.0, 1.0, (size, size))
    P0 = mix @ mix.T / size + 0.1 * np.eye(size)
    x0 = rng.normal(0.0, 1.0, size)
    H = rng.normal(0.0, 1.0, (30, size))
    K = np.linalg.solve(H @ P0 @ H.T + 0.01 * np.eye(30), H @ P0).T
    P = P0 - K @ H @ P0
    return x0, P0, x0 + K @ rng.normal(0.0, 1.0, 30), 0.5 * (P + P.T)


def work(memory: Memory, x: Array, P: Array, seconds: float) -> None:
    for _ in range(round(seconds / ChainOptions().epoch_s)):
        memory.let_pass(ChainOptions().epoch_s, x, P)


@given(seeds)
@repeat
def test_fading_widens_towards_the_start_and_not_past_it(
    describe: Callable[..., dict[str, Any]], seed: int
) -> None:
    s = setup(describe())
    c, _ = constants(s)
    x0, P0, x, P = start_and_learnt(s, seed)
    memory, before = Memory(s), P[np.ix_(c, c)].copy()
    memory.keep(x0, P0)
    work(memory, x, P, FADE_EVERY_S)
    after = P[np.ix_(c, c)]
    assert np.linalg.eigvalsh(after - before).min() > -1e-9
    assert np.linalg.eigvalsh(P0[np.ix_(c, c)] - after).min() > -1e-9
    assert np.linalg.eigvalsh(P).min() > 0.0
    np.testing.assert_allclose(P, P.T, atol=1e-12)


@given(seeds)
@repeat
def test_what_hangs_on_the_constants_keeps_its_tie(
    describe: Callable[..., dict[str, Any]], seed: int
) -> None:
    """Conditional on the constants, the rest is known as before: mean and covariance by Gauss's formulas."""
    s = setup(describe())
    c, r = constants(s)
    x0, P0, x, P = start_and_learnt(s, seed)

    def conditional() -> tuple[Array, Array]:
        tie = np.linalg.solve(P[np.ix_(c, c)], P[np.ix_(c, r)]).T
        return x[r] - tie @ x[c], P[np.ix_(r, r)] - tie @ P[np.ix_(c, r)]

    mean, covariance = conditional()
    memory = Memory(s)
    memory.keep(x0, P0)
    work(memory, x, P, FADE_EVERY_S)
    for now, then in zip(conditional(), (mean, covariance), strict=True):
        np.testing.assert_allclose(now, then, atol=1e-8)


def test_long_work_that_tells_nothing_ends_where_it_began(describe: Callable[..., dict[str, Any]]) -> None:
    s = setup(describe())
    c, _ = constants(s)
    x0, P0, x, P = start_and_learnt(s, 1)
    memory = Memory(s)
    memory.keep(x0, P0)
    work(memory, x, P, 20.0 * ChainOptions().memory_s)
    np.testing.assert_allclose(x[c], x0[c], atol=1e-5)
    np.testing.assert_allclose(P[np.ix_(c, c)], P0[np.ix_(c, c)], atol=1e-5)


def test_lever_arms_that_are_wrong_do_not_carry_constants_away(dig: Callable[..., Any]) -> None:
    """The same error comes back with every motion: mounts must stay what fitting by eye leaves, 3 x 0.6°."""
    d = dig(seconds=60, rate_hz=25, noise=1.0)
    rng = np.random.default_rng(5)

    def moved(sensor: Sensor) -> Sensor:
        place = np.array(sensor.position_m) + rng.normal(0.0, 0.03, 3)
        return sensor.model_copy(update={"position_m": tuple(place.tolist())})

    machine = d.machine.model_copy(update={"sensor": {k: moved(v) for k, v in d.machine.sensor.items()}})
    estimator = ChainEstimator(machine, 0.02, ChainOptions())
    lap_s = d.readings[-1].t + 2.0
    found = []
    for lap in range(6):
        for r in d.readings:
            estimator.consume(replace(r, t=r.t + lap * lap_s))
        f = estimator._filter
        assert f is not None
        found.append(f.x[f.at.constants].reshape(f.n, PER_SENSOR).copy())
    assert np.abs(found[-1][:, MOUNT]).max() < 3.0 * np.radians(0.6)
    # Of the third lap's size in the sixth: nothing piles up.
    assert np.abs(found[-1][:, MOUNT] - found[2][:, MOUNT]).max() < np.radians(0.1)


def learnt_of(true: float, seed: int) -> Scale:
    """A group of 36 constants with prior variance 1 and a true one of `true`, each seen with variance 0.1."""
    rng = np.random.default_rng(seed)
    constants = math.sqrt(true) * rng.normal(0.0, 1.0, 36)
    seen = constants + math.sqrt(0.1) * rng.normal(0.0, 1.0, 36)
    scale = Scale(np.arange(36), may_lack=True)
    scale.begin(np.eye(36))
    scale.learn(seen / 1.1, np.eye(36) / 11.0, share=0.9)
    return scale


@given(seeds)
@repeat
def test_parts_without_an_error_are_told_from_those_that_have_it(seed: int) -> None:
    assert learnt_of(0.0, seed).factor < 0.2
    assert 0.4 < learnt_of(1.0, seed).factor < 2.5


def test_a_group_of_which_nothing_was_learnt_keeps_about_its_prior() -> None:
    scale = Scale(np.arange(12), may_lack=True)
    scale.begin(np.eye(12))
    scale.learn(np.zeros(12), np.eye(12), share=0.9)
    assert scale.factor == pytest.approx(TRIED.mean())


def test_the_likelihood_is_that_of_the_linear_model() -> None:
    """Against scipy's multivariate normal density of the data, for each prior that is tried."""
    rng = np.random.default_rng(3)
    H, D = rng.normal(0.0, 1.0, (8, 5)), np.diag(rng.uniform(0.5, 2.0, 5))
    z = rng.normal(0.0, 1.0, 8)
    P = np.linalg.inv(np.linalg.inv(D) + H.T @ H)
    densities = np.array(
        [multivariate_normal(np.zeros(8), r * H @ D @ H.T + np.eye(8)).logpdf(z) for r in TRIED]
    )
    weights = np.exp(densities - densities.max())
    scale = Scale(np.arange(5), may_lack=True)
    scale.begin(D)
    scale.learn(P @ H.T @ z, P, share=0.9)
    assert scale.factor == pytest.approx(float(weights @ TRIED / weights.sum()))


def test_a_prior_that_became_wider_takes_nothing_out_of_the_filter_at_once() -> None:
    scale = Scale(np.arange(4), may_lack=False)
    scale.begin(np.eye(4))
    assert scale.learn(np.full(4, 3.0), 0.1 * np.eye(4), share=0.9) == 0.0
    assert scale.held == pytest.approx(0.9 + 0.1 / scale.factor)


def test_constants_that_are_opened_are_known_by_what_work_tells_alone(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """Nothing draws them back, whatever class the parts turn out to be, and the rest stays as it is."""
    s = setup(describe())
    memory = Memory(s)
    sigma, variance = 0.01, 0.05**2
    P = sigma**2 * np.eye(s.at.size)
    memory.begin(np.zeros(s.at.size), P)
    # Levelled since, and by far: what is known is more than what is described.
    memory.keep(np.zeros(s.at.size), 0.01 * P)
    mount = s.at.constants.start + 2 * PER_SENSOR + np.arange(MOUNT.start, MOUNT.stop)
    other = mount - PER_SENSOR
    for _ in range(2):
        memory.open(mount, variance)
    x, P = np.zeros(s.at.size), 0.01 * P
    x[mount] = x[other] = 0.03
    P[mount, mount] = 1e-4
    for _ in range(round(10.0 * ChainOptions().memory_s / FADE_EVERY_S)):
        memory.let_pass(FADE_EVERY_S, x, P)
    assert np.sqrt(np.diag(P)[mount]) == pytest.approx(np.full(3, math.sqrt(variance)), rel=0.05)
    assert np.sqrt(np.diag(P)[other]) == pytest.approx(np.full(3, 0.1 * sigma), rel=0.05)
    assert np.linalg.eigvalsh(P).min() > 0.0


@pytest.mark.parametrize("factor", [0.02, 4.0])
def test_opened_constants_keep_a_covariance_in_every_class_of_parts(
    describe: Callable[..., dict[str, Any]], factor: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    arm = SensedArm(parse_machine(describe(), "test"))
    channels = [arm.by_body[b] for b in ("upper", "boom", "stick", "bucket")]
    s = FilterSetup(arm, channels, [True] * 4, ChainOptions())
    monkeypatch.setattr(Scale, "_maximised", lambda *_: factor)
    memory = Memory(s)
    P = 1e-4 * np.eye(s.at.size)
    x = np.zeros(s.at.size)
    memory.begin(x, P)
    memory.open(s.at.constants.start + np.arange(MOUNT.start, MOUNT.stop), 0.05**2)
    for _ in range(10):
        memory.let_pass(FADE_EVERY_S, x, P)
    assert np.linalg.eigvalsh(P).min() > 0.0
