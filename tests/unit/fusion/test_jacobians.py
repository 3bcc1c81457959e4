"""Every analytic Jacobian of the chain filter against central differences of what it differentiates.

The filter leaves out terms of second order in a block's length (the attitude's change within it); with a
short block they are below the tolerance, an error of sign or of place is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.constants import LATENCY, OF_GYRO, PER_SENSOR, crossing, rate_errors
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.measurement import ToldSwing
from tipdatum.fusion.chain.motion import constants_correction
from tipdatum.fusion.chain.rows import Measurement
from tipdatum.fusion.chain.transition import Advance
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.machine.description import parse_machine

Array = NDArray[np.float64]
BODIES = ("upper", "boom", "stick", "bucket")
SPAN_S = 0.01
GRAVITY = 9.80665

repeat = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
seeds = st.integers(0, 2**32 - 1)


def chain_filter(
    words: dict[str, Any], has_gyro: tuple[bool, ...] = (True,) * 4, epochs: int = 1
) -> ChainFilter:
    arm = SensedArm(parse_machine(words, "test"))
    channels = arm.in_order
    has_gyro += (True,) * (len(channels) - len(has_gyro))
    options = ChainOptions.model_construct(epoch_s=SPAN_S / epochs)
    f = ChainFilter(arm, channels, list(has_gyro[: len(channels)]), options)
    f.set_epochs(epochs)
    return f


@dataclass
class Seen:
    """Force, moment and rate of every epoch, (N, K, 3), as the sensors give them, and slopes, (N, 3)."""

    force: Array
    moment: Array
    rate: Array
    force_slope: Array
    rate_slope: Array


def block(f: ChainFilter, seen: Seen, x: Array) -> EpochBlock:
    """What the filter is given of it: freed of the constants in `x`, and taken so much earlier."""
    turn, offset = constants_correction(f.setup, x)
    late = x[f.at.constants].reshape(f.n, PER_SENSOR)[:, LATENCY, None, None]
    force = seen.force + late * seen.force_slope[:, None]
    moment = seen.moment + 0.5 * late * seen.force_slope[:, None]
    rate = seen.rate + late * seen.rate_slope[:, None]
    full = np.concatenate([force, rate], axis=2) @ turn + offset[:, None]
    half = np.concatenate([moment, rate], axis=2) @ turn + 0.5 * offset[:, None]
    n, alpha = len(x[f.at.theta]), np.repeat(x[f.at.side][:, None], f.epochs, axis=1)
    slopes = [seen.force_slope.copy(), seen.rate_slope.copy()]
    for side, turned in zip(f.setup.sides, x[f.at.side], strict=True):
        i, R = side.sensor, side.rotation(float(turned)).T
        assert i is not None
        full[i, :, :3], full[i, :, 3:], half[i, :, :3] = (
            full[i, :, :3] @ R,
            full[i, :, 3:] @ R,
            half[i, :, :3] @ R,
        )
        slopes[0][i], slopes[1][i] = slopes[0][i] @ R, slopes[1][i] @ R
    return EpochBlock(
        full[..., 0] + 1j * full[..., 2], full[..., 1], half[..., 0] + 1j * half[..., 2], half[..., 1],
        full[..., 3] + 1j * full[..., 5], full[..., 4], *slopes,
        np.zeros(n), np.zeros(n), np.zeros((n, 2)), np.zeros((n, 3)), np.ones(n, dtype=bool), alpha,
    )  # fmt: skip


def somewhere(f: ChainFilter, seed: int) -> tuple[Array, Seen]:
    """A state in mid-motion, and a block whose forces are those that this state expects."""
    rng = np.random.default_rng(seed)
    at, n, K = f.at, f.n, f.epochs
    x = np.zeros(at.size)
    x[at.theta] = rng.uniform(-2.5, 2.5, n)
    x[at.roll] = rng.uniform(-0.2, 0.2)
    x[at.side] = rng.uniform(-1.2, 1.2, len(f.setup.sides))
    x[at.velocity] = rng.uniform(-1.0, 1.0, 3 * n)
    x[at.base] = rng.uniform(-0.1, 0.1, 3)
    x[at.pivot] = rng.uniform(-2.0, 2.0, 2)
    x[at.turn] = rng.uniform(-0.5, 0.5, at.turn.stop - at.turn.start)
    x[at.common] = rng.uniform(-0.3, 0.3, at.common.stop - at.common.start)
    rate = np.repeat(rng.uniform(-0.5, 0.5, (n, 1, 3)), K, axis=1)
    slopes = rng.uniform(-2.0, 2.0, (n, 3)), rng.uniform(-1.0, 1.0, (n, 3))
    seen = Seen(np.zeros((n, K, 3)), np.zeros((n, K, 3)), rate, *slopes)
    motion = f._models.rates.motion(x, block(f, seen, x), 0.0)
    up = np.array([0.0, np.sin(motion.mean.roll), np.cos(motion.mean.roll)])
    roll_rate, plane_rate = motion.mean.rates[:2]
    spin = np.array([roll_rate, plane_rate * motion.mean.tangent, plane_rate])
    expected = GRAVITY * up + np.cross(spin, x[at.velocity].reshape(n, 3))
    in_bodies = (expected[:, None] @ motion.mean.to_plane)[:, 0]
    (shown,) = f.setup.in_parts(motion.mean.alpha, in_bodies)
    for i in range(n):
        seen.force[i] = shown[i]
        seen.moment[i] = 0.5 * seen.force[i]
    return x, seen


def differences(f: Callable[[Array], Array], x: Array) -> Array:
    """Central differences, one column for each of the state's entries."""
    columns = []
    for k in range(len(x)):
        step = np.zeros(len(x))
        step[k] = 1e-5
        columns.append((f(x + step) - f(x - step)) / 2e-5)
    return np.array(columns).T


EVERY_JOINT: dict[str, Any] = {
    "second_boom": {"length_m": 2.2},
    "boom_swing": {"pivot_m": [0.25, 0.05, 1.5]},
    "bucket": [
        {
            "name": "bucket",
            "tip_m": 1.3,
            "width_m": 1.5,
            "tilt_axis_m": [0.2, 0.15],
            "tilt_axis_deg": 128.5,
        }
    ],
    "sensor": {
        body: {"body": body, "position_m": [0.4, 0.2, 0.3]}
        for body in ("upper", "boom", "second_boom", "stick", "bucket")
    }
    | {"swing": {"body": "boom_swing", "type": "slew"}},
}
"""What makes of the demo machine one whose boom has two sections and swings and whose bucket tilts."""


@repeat
@given(seed=seeds)
def test_rates_by_the_state(seed: int, describe: Callable[..., dict[str, Any]]) -> None:
    rates_by_the_state(chain_filter(describe()), seed)


def rates_by_the_state(f: ChainFilter, seed: int) -> None:
    x, e = somewhere(f, seed)
    found = f._models.rates.motion(x, block(f, e, x), 0.0).by.state
    numeric = differences(lambda y: f._models.rates.motion(y, block(f, e, y), 0.0).mean.rates, x)
    assert found == pytest.approx(numeric, abs=5e-3)


@repeat
@given(seed=seeds)
def test_roll_and_plane_rate_as_each_gyro_tells_them(
    seed: int, describe: Callable[..., dict[str, Any]]
) -> None:
    f = chain_filter(describe())
    x, e = somewhere(f, seed)

    def told(y: Array) -> Array:
        m = f._models.rates.motion(y, block(f, e, y), 0.0)
        return np.concatenate([m.mean.roll_rate, m.mean.plane_rate])

    found = f._models.rates.motion(x, block(f, e, x), 0.0).by.constants
    numeric = differences(told, x)[:, f.at.constants].reshape(2, 4, 4, PER_SENSOR)[..., OF_GYRO]
    for i in range(4):
        assert found[i] == pytest.approx(numeric[:, i, i], abs=5e-3)


@pytest.mark.parametrize(
    ("has_gyro", "epochs"),
    [((True,) * 4, 1), ((True,) * 4, 4), ((True, True, True, False), 1), ((False,) * 4, 1)],
)
@repeat
@given(seed=seeds)
def test_transition_by_the_state(
    has_gyro: tuple[bool, ...], epochs: int, seed: int, describe: Callable[..., dict[str, Any]]
) -> None:
    transition_by_the_state(chain_filter(describe(), has_gyro, epochs), seed)


def transition_by_the_state(f: ChainFilter, seed: int) -> None:
    x, e = somewhere(f, seed)

    def forward(y: Array) -> tuple[Array, Advance]:
        after, P, b = y.copy(), np.zeros((f.at.size, f.at.size)), block(f, e, y)
        motion = f._models.rates.motion(y, b, 0.0)
        advance = f._models.transition.forward(after, P, motion, b, np.zeros((f.n, 3)))
        return after[: f.at.dynamic], advance

    found = forward(x)[1].F
    numeric = differences(lambda y: forward(y)[0], x)
    d = f.at.dynamic
    # The turning of velocities and pivot by the rates is of the epoch's order, and so is what is left out.
    assert found[:, :d] == pytest.approx(numeric[:, :d], abs=2e-2)
    assert found[:, d:] == pytest.approx(numeric[:, d:], abs=3e-2)
    angles = f.at.angles
    assert found[angles] == pytest.approx(numeric[angles], abs=2e-4)


@pytest.mark.parametrize("epochs", [1, 4])
@repeat
@given(seed=seeds)
def test_innovation_by_the_state(epochs: int, seed: int, describe: Callable[..., dict[str, Any]]) -> None:
    innovation_by_the_state(chain_filter(describe(), epochs=epochs), seed)


def innovation_by_the_state(f: ChainFilter, seed: int) -> None:
    x, e = somewhere(f, seed)
    at = f.at

    def measured(y: Array) -> tuple[Measurement, Advance]:
        """From the state before the epoch: what the transition leaves is part of it."""
        after, P, b = y.copy(), np.zeros((at.size, at.size)), block(f, e, y)
        motion = f._models.rates.motion(y, b, 0.0)
        expected = f._models.measurement.foresee(after, motion, None)
        advance = f._models.transition.forward(after, P, motion, b, np.zeros((f.n, 3)))
        told = ToldSwing(0.3, 1e-5, 0.002) if f.setup.told is not None else None
        return f._models.measurement.measure(after, b, motion, expected, advance, told), advance

    at_x, advance = measured(x)
    F = np.eye(at.size)
    F[: at.dynamic] = advance.F
    found = -at_x.H @ F
    numeric = differences(lambda y: measured(y)[0].z, x)
    assert found == pytest.approx(numeric, abs=3e-2)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    "by_the_state", [rates_by_the_state, transition_by_the_state, innovation_by_the_state]
)
def test_an_arm_with_every_joint(
    by_the_state: Callable[[ChainFilter, int], None], seed: int, describe: Callable[..., dict[str, Any]]
) -> None:
    by_the_state(chain_filter(describe(**EVERY_JOINT), epochs=2), seed)


WITNESSED: dict[str, Any] = EVERY_JOINT | {
    "stick": {"length_m": 2.4},
    "linkage": {
        "rocker_pivot_m": [2.07, 0.004],
        "rocker_m": 0.60,
        "link_m": 0.55,
        "bucket_ear_m": 0.38,
        "bucket_ear_angle_deg": 136.0,
        "assembly": 1,
    },
    "sensor": EVERY_JOINT["sensor"] | {"rocker": {"body": "rocker", "position_m": [0.3, 0.1, 0.1]}},
}
"""The same with a second sensor on the rocker."""


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("by_the_state", [transition_by_the_state, innovation_by_the_state])
def test_an_arm_with_a_rockers_sensor_beside_the_buckets(
    by_the_state: Callable[[ChainFilter, int], None], seed: int, describe: Callable[..., dict[str, Any]]
) -> None:
    f = chain_filter(describe(**WITNESSED), epochs=2)
    x, _ = somewhere(f, seed)
    assert f.setup.closure is not None
    assert f.setup.closure.gap(x, 0.0) is not None, "the linkage closes there"
    by_the_state(f, seed)


@repeat
@given(seed=seeds)
def test_lean_rates_by_the_constants_of_the_uppers_gyro(
    seed: int, describe: Callable[..., dict[str, Any]]
) -> None:
    f = chain_filter(describe())
    x, e = somewhere(f, seed)

    def lean_rates(y: Array) -> Array:
        return f._models.rates.motion(y, block(f, e, y), 0.0).mean.body_rate[0, :2]

    found = np.zeros((2, f.at.size))
    of_gyro = slice(f.at.constants.start, f.at.constants.start + OF_GYRO.stop)
    found[:, of_gyro] = rate_errors(e.rate[:1, 0], e.rate_slope[:1], f.setup.warmth.of[:1])[0, :2]
    assert found == pytest.approx(differences(lean_rates, x), abs=1e-3)


@given(st.lists(st.floats(-10.0, 10.0), min_size=6, max_size=6))
def test_crossing_is_numpys_cross_product(v: list[float]) -> None:
    a, b = np.array(v[:3]), np.array(v[3:])
    assert (a @ crossing()).reshape(3, 3) @ b == pytest.approx(np.cross(a, b), abs=1e-9)
