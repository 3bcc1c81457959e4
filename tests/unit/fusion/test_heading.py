"""The turn since the reference against one that is known, with gyros that drift."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from tipdatum.fusion.chain.heave import Heading

BLOCK_S = 0.15
DRIFT_RADPS = 1.5e-4


def _errors(slope_deg: float, hours: float, seed: int = 1) -> tuple[list[float], list[float]]:
    """Errors and their sigmas, rad, a minute apart, while it slews to and fro on a slope and rocks."""
    rng = np.random.default_rng(seed)
    slope, rocking, keep = math.sin(math.radians(slope_deg)) * 1j, 0.0j, math.exp(-BLOCK_S / 5.0)
    heading, errors, sigmas = Heading(slope, 0.3), [], []
    for k in range(1, int(hours * 3600.0 / BLOCK_S)):
        t = k * BLOCK_S
        turn = 1.2 * math.sin(t / 7.0)
        rocking = keep * rocking + 0.003 * math.sqrt(1.0 - keep**2) * complex(*rng.normal(size=2))
        summed = 0.3 + turn + DRIFT_RADPS * t
        heading.follow(BLOCK_S, (slope + rocking) * cmath.exp(-1j * turn), summed)
        if k % 400 == 0:
            found, variance = heading.turn(summed)
            errors.append(found - turn)
            sigmas.append(math.sqrt(variance))
    return errors, sigmas


@pytest.mark.parametrize("slope_deg", [3.0, 8.0])
def test_on_a_slope_a_drift_of_half_a_degree_a_minute_is_held(slope_deg: float) -> None:
    errors, sigmas = _errors(slope_deg, 2.0)
    assert DRIFT_RADPS * 7200.0 > 1.0
    assert np.abs(errors).max() < 0.15
    assert (np.abs(errors) < 2.0 * np.array(sigmas)).mean() > 0.9


def test_on_level_ground_the_drift_goes_on_and_so_does_the_doubt() -> None:
    errors, sigmas = _errors(0.1, 1.0)
    assert errors[-1] == pytest.approx(DRIFT_RADPS * 3600.0, rel=0.05)
    assert sigmas[-1] > 0.5 * errors[-1]


def test_a_machine_that_slewed_unseen_is_found_again_on_a_slope() -> None:
    slope, unseen = 0.1j, 0.8
    heading = Heading(slope, 0.0)
    heading.lose(4.0)
    for _ in range(200):
        heading.follow(BLOCK_S, slope * cmath.exp(-1j * unseen), 0.0)
    turn, variance = heading.turn(0.0)
    assert turn == pytest.approx(unseen, abs=0.06)
    assert abs(turn - unseen) < 3.0 * math.sqrt(variance)
