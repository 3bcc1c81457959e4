"""Angles found anew while the arm digs briskly: figures that are shown again are right to their sigma.

The arm is the one that scipy's rotations move; its true height is the reference. Each seed is another dig.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tipdatum.fusion.estimator import make_estimator

ALL = ("upper", "boom", "stick", "bucket")
CASES = [
    (3, ALL, 6.7, 0.4), (4, ALL, 5.6, 0.7), (4, ALL, 6.0, 2.0), (2, ("stick",), 5.6, 2.0),
    (4, ("stick",), 6.0, 0.4), (3, ("bucket",), 6.7, 0.4), (4, ("bucket",), 5.6, 0.7),
]  # fmt: skip


@pytest.mark.parametrize(("seed", "lost", "start", "length"), CASES)
def test_after_a_silence_in_brisk_motion(
    seed: int, lost: tuple[str, ...], start: float, length: float, dig: Callable[..., Any]
) -> None:
    d = dig(seconds=start + length + 2.6, seed=seed, noise=1.0, rate_hz=50)
    estimator, chain, shown = make_estimator("chain", d.machine, 0.02), d.machine.chain(), 0
    for reading in d.readings:
        if reading.sensor in lost and start <= reading.t < start + length:
            continue
        estimator.consume(reading)
        pose = estimator.pose(reading.t) if reading.t > start + length else None
        if pose is None or not pose.known:
            continue
        shown += 1
        off = float(chain.tip(pose.angles)[2]) - float(d.height_at(np.array([reading.t]))[0])
        sigma = math.sqrt(pose.variance_along(chain.height_jacobian(pose.angles)))
        assert abs(off) < max(0.05, 3.0 * sigma), f"{1e3 * off:.0f} mm off at {1e3 * sigma:.1f} of sigma"
    assert shown
