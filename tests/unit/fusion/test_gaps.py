"""After any gap figures come back within two seconds of good data, and the first of them is not a wrong one.

The arm is the one that scipy's rotations move; its true height is the reference.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tipdatum.fusion.estimator import make_estimator
from tipdatum_drivers.reading import Imu

BODIES = ("upper", "boom", "stick", "bucket")
lost = st.sampled_from([("boom",), ("stick",), ("bucket",), ("upper", "boom"), BODIES])
gaps = st.tuples(lost, st.floats(5.5, 7.0), st.sampled_from([0.1, 0.4, 0.7, 2.0]))
bursts = st.sampled_from([0.0, 0.15, 0.7])
"""The gap is followed by readings that come so many seconds late, in one burst, stamped by the device."""


def arriving(readings: list[Imu], gap: tuple[tuple[str, ...], float, float], burst: float) -> Iterator[Imu]:
    bodies, start, length = gap
    held = []
    for r in readings:
        t = r.t
        if r.sensor in bodies and start <= t < start + length:
            continue
        if start + length <= t < start + length + burst:
            held.append(replace(r, t=start + length + burst, t_sample=t))
            continue
        yield from held
        held = []
        yield replace(r, t_sample=t)


class UnderWay(NamedTuple):
    """An arm that digs, an estimator that has followed it for five seconds, and the readings to come."""

    dig: Any
    estimator: Any
    to_come: list[Imu]

    def __repr__(self) -> str:
        """Short, for whoever reads of an example that failed."""
        return f"an arm that digs, with {len(self.to_come)} readings to come"


@pytest.fixture(scope="module")
def under_way(dig: Callable[..., Any]) -> UnderWay:
    d = dig(seconds=12, noise=1.0, rate_hz=50)  # two seconds more than the latest gap's end
    estimator = make_estimator("chain", d.machine, 0.02)
    for reading in d.readings:
        if reading.t <= 5.0:
            estimator.consume(reading)
    return UnderWay(d, estimator, [reading for reading in d.readings if reading.t > 5.0])


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(gap=gaps, burst=bursts, bucket_changed=st.booleans())
def test_figures_are_back_and_right_within_two_seconds(
    gap: tuple[tuple[str, ...], float, float],
    burst: float,
    bucket_changed: bool,
    under_way: UnderWay,
) -> None:
    d, warm, to_come = under_way
    estimator, chain = copy.deepcopy(warm), d.machine.chain()
    if bucket_changed:
        estimator.replace_machine(d.machine)
    good_from, back_at, due = gap[1] + gap[2] + burst, math.inf, 0.0
    for reading in arriving(to_come, gap, burst):
        estimator.consume(reading)
        if reading.t < max(due, good_from):
            continue
        if reading.t > good_from + 2.0:
            break
        due = reading.t + 0.1
        pose = estimator.pose(reading.t)
        if pose.known:
            back_at = min(back_at, reading.t)
            off = float(chain.tip(pose.angles)[2]) - float(d.height_at(np.array([reading.t]))[0])
            sigma = math.sqrt(pose.variance_along(chain.height_jacobian(pose.angles)))
            told = f"{1e3 * off:.0f} mm off at {1e3 * sigma:.1f} of sigma after {reading.t - good_from:.1f} s"
            assert abs(off) < max(0.05, 3.0 * sigma), told
        else:
            assert pose.reasons
    assert back_at <= good_from + 2.0, "no figure within two seconds"
