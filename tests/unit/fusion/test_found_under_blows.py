"""An angle that is found while its sensor is struck, and a reference tied just then.

The forces of blows are drawn here, pulse by pulse; the arm is the one that scipy's rotations move.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.noise import HAMMERED_MPS2
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.estimator import make_estimator
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.reading import Imu

Array = NDArray[np.float64]
G = 9.80665


def drawn_blow(rng: np.random.Generator, theta: float) -> tuple[Array, float]:
    """Mean, m/s², and variance of the force in an epoch of which a pulse fills up to half."""
    samples = np.tile([G * math.sin(theta), 0.0, G * math.cos(theta)], (1000, 1))
    way = rng.normal(size=3)
    samples[: rng.integers(10, 500)] += rng.uniform(1.0, 10.0) * G * way / np.linalg.norm(way)
    return samples.mean(axis=0), float(samples.var(axis=0).sum())


def test_the_doubt_of_a_start_under_blows_holds_what_they_feign(
    describe: Callable[..., dict[str, Any]],
) -> None:
    arm, rng, off = SensedArm(parse_machine(describe(), "test")), np.random.default_rng(3), []
    f = ChainFilter(arm, arm.in_order, [True] * 4, ChainOptions())
    while len(off) < 500:
        theta = rng.uniform(-2.0, 0.0)
        force, shake = drawn_blow(rng, theta)
        if math.sqrt(shake) > HAMMERED_MPS2:
            f.start(np.tile(force, (4, 1)), np.zeros((4, 3)), np.full(4, shake))
            feigned = math.remainder(float(f.x[3]) - theta, 2.0 * math.pi)
            off.append(feigned / math.sqrt(float(f.P[3, 3])))
    assert np.mean(np.square(off)) < 1.0
    assert (np.abs(off) < 2.0).mean() > 0.95


def test_an_angle_is_not_told_by_the_force_of_a_blow_but_stays_where_it_was_in_doubt(
    describe: Callable[..., dict[str, Any]],
) -> None:
    arm = SensedArm(parse_machine(describe(), "test"))
    f = ChainFilter(arm, arm.in_order, [True] * 4, ChainOptions())
    f.start(np.tile([0.0, 0.0, G], (4, 1)), np.zeros((4, 3)), np.zeros(4))
    f.x[3] = -1.2
    f.restart_sensor(3, None, 0.0, G**2)
    assert f.x[3] == -1.2
    # A push as large as gravity leans a force by 45°.
    assert math.sqrt(float(f.P[3, 3])) == pytest.approx(math.pi / 4.0, rel=0.01)


def struck(readings: list[Imu], way: tuple[float, float, float], seed: int) -> list[Imu]:
    """The bucket's sensor, away from 2.4 to 3 s, struck until 3.4 s: 15 blows a second cut off at 4 g."""
    rng, found = np.random.default_rng(seed), []
    phase, limit = rng.uniform(), 4.0 * G
    for r in readings:
        if r.sensor != "bucket" or not 2.2 < r.t < 3.4:
            found.append(r)
        elif not 2.4 < r.t < 3.0:
            hit = 10.0 * G * rng.uniform(0.6, 1.4) * ((r.t * 15.0 + phase) % 1.0 < 0.22)
            pushed = [a + hit * w for a, w in zip(r.accel_mps2, way, strict=True)]
            found.append(replace(r, accel_mps2=tuple(min(limit, max(-limit, a)) for a in pushed)))
    return found


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("way", [(1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.7, 0.0, 0.7)])
def test_a_reference_tied_as_soon_as_it_can_be_is_right_to_its_sigma(
    way: tuple[float, float, float], seed: int, dig: Callable[..., Any]
) -> None:
    """The bucket hangs straight down, where its angle does not move the tip to first order."""
    d = dig(seconds=9, noise=1.0, seed=seed)
    estimator, chain, tied, off, sigma = (
        make_estimator("chain", d.machine, 0.02),
        d.machine.chain(),
        None,
        [],
        [],
    )
    for n, r in enumerate(struck(d.readings, way, seed)):
        estimator.consume(r)
        if tied is None:
            tied = r.t if r.t > 3.02 and estimator.set_anchor(r.t) else None
        elif r.t > 6.0 and n % 20 == 0:
            pose = estimator.pose(r.t)
            assert pose.anchor is not None
            row, true = chain.height_jacobian(pose.angles), d.height_at(np.array([r.t, tied]))
            off.append(float(chain.tip(pose.angles)[2]) - pose.anchor.height_m - float(true[0] - true[1]))
            variance = float(row @ pose.covariance @ row - 2.0 * row @ pose.anchor.covariance)
            sigma.append(math.sqrt(variance + pose.anchor.variance_m2))
    assert tied is not None
    assert tied < 5.0
    assert float(np.mean(np.abs(off))) < 3.0 * float(np.mean(sigma))
