"""The spread of a pose: what it says along a row is what its whole matrices say, and those follow the arm."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tipdatum.fusion.arm import JointMap, SensedArm, SensorSpread
from tipdatum.machine.description import parse_machine

# The check values of the four-bar linkage in the conventions.
LINKAGE = {
    "rocker_pivot_m": [2.1710844, 0.0037633], "rocker_m": 0.6018478, "link_m": 0.5467153,
    "bucket_ear_m": 0.3836698, "bucket_ear_angle_deg": 136.2, "assembly": 1,
}  # fmt: skip
BODIES = {
    "all": ("upper", "boom", "stick", "bucket"),
    "over the rocker": ("upper", "boom", "stick", "rocker"),
    "no upper": ("boom", "stick", "bucket"),
    "held stick": ("upper", "boom", "bucket"),
}
numbers = st.lists(st.floats(-2.0, 2.0), min_size=5, max_size=5)


@pytest.fixture(params=BODIES)
def posture(request: pytest.FixtureRequest, describe: Callable[..., dict[str, Any]]) -> tuple[JointMap, int]:
    """The posture of an arm with sensors on some bodies, and how many."""
    bodies = BODIES[request.param]
    stick: dict[str, Any] = {"length_m": 2.5054549}
    if "stick" not in bodies:
        stick["held_deg"] = -70.0
    words = describe(stick=stick, linkage=LINKAGE, sensor={body: {"body": body} for body in bodies})
    arm = SensedArm(parse_machine(words, "test"))
    return JointMap(arm, [arm.channels[body] for body in bodies]), len(bodies)


def angles(count: int) -> list[float]:
    """Of the sensors' bodies, with the rocker at 120° to the stick where there is one, and roll."""
    bodies = (0.05, 0.6, -1.2, -1.2 + math.radians(120.0))
    return [*bodies[:count], 0.02]


def test_the_jacobian_is_that_of_finite_differences(posture: tuple[JointMap, int]) -> None:
    arm, count = posture
    at, step = angles(count), 1e-6
    _, _, ratio = arm.join(at, at)
    columns = []
    for i in range(count + 1):
        above, below = list(at), list(at)
        above[i] += step
        below[i] -= step
        high, low = arm.join(above, above)[0], arm.join(below, below)[0]
        assert high is not None
        assert low is not None
        columns.append(np.subtract(high, low) / (2.0 * step))
    assert arm.jacobian(ratio) == pytest.approx(np.transpose(columns), abs=1e-8)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(row=numbers, seed=st.integers(0, 10**6), late=numbers, level=st.floats(0.0, 1.0))
def test_along_a_row_it_says_what_its_matrices_say(
    posture: tuple[JointMap, int], row: list[float], seed: int, late: list[float], level: float
) -> None:
    arm, count = posture
    at, random = angles(count), np.random.default_rng(seed)
    _, _, ratio = arm.join(at, at)
    root = random.normal(size=(count + 1, count + 1))
    stated, added = root @ root.T, random.uniform(size=count + 1)
    spread = SensorSpread(arm, ratio, stated.tolist(), added.tolist(), late, level)
    J, r = arm.jacobian(ratio), np.array(row)
    ahead = J @ np.diag(added) @ J.T + np.outer(late, late)
    whole = J @ stated @ J.T + ahead
    whole[0, 0] += level
    assert spread.covariance() == pytest.approx(whole, abs=1e-9)
    assert spread.prediction() == pytest.approx(ahead, abs=1e-9)
    assert spread.along(row) == pytest.approx((r @ whole @ r, r @ ahead @ r), abs=1e-9)
    assert arm.forth(added.tolist(), ratio) == pytest.approx(J @ added, abs=1e-9)
