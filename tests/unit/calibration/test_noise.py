"""Noise figures from a rest: densities come back, terms are named, motion is left out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tipdatum.calibration.allan import fit, lengths, overlapping
from tipdatum.calibration.noise import SensorNoise, longest_rest, measure
from tipdatum.calibration.recordings import Samples

RATE = 100.0
DENSITY = 0.003


def still(seconds: float, density: float = DENSITY) -> np.ndarray:
    """White noise of a one-sided density: variance per sample = density² · rate / 2."""
    rng = np.random.default_rng(2)
    return rng.normal(0.0, density * math.sqrt(RATE / 2.0), (int(seconds * RATE), 3))


def record(accel: np.ndarray, gyro: np.ndarray | None = None) -> Samples:
    return Samples(np.arange(len(accel)) / RATE, accel + np.array([0.0, 0.0, 9.81]), gyro)


def test_the_density_that_was_put_in_comes_back() -> None:
    found = measure({"boom": record(still(300), still(300, 0.0002))})["boom"]
    assert isinstance(found, SensorNoise)
    assert found.description()["accel_mps2_rthz"] == pytest.approx(DENSITY, rel=0.05)
    assert found.description()["gyro_radps_rthz"] == pytest.approx(0.0002, rel=0.06)
    assert found.accel.terms.named() == ["random walk"]


def test_a_tilt_averaged_longer_is_better_by_the_square_root() -> None:
    found = measure({"boom": record(still(120))})["boom"]
    assert isinstance(found, SensorNoise)
    assert found.tilt_deg(1.0) / found.tilt_deg(4.0) == pytest.approx(2.0)


@pytest.mark.parametrize("seed", range(3))
def test_a_wandering_bias_is_named_and_measured(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, period, K = 60_000, 0.01, 0.05
    y = rng.normal(size=n) * 0.1 + np.cumsum(rng.normal(size=n)) * K * math.sqrt(period)
    m = lengths(n)
    terms = fit(m * period, overlapping(y, m), n, period)
    assert "rate random walk" in terms.named()
    assert terms.rate_random_walk == pytest.approx(K, rel=0.4)


def test_only_the_stretch_without_motion_counts() -> None:
    a = still(60)
    a[2000:2400] += np.linspace(0, 3, 400)[:, None]
    a[2400:] += [0.0, 0.0, 0.5]
    rest = longest_rest(record(a))
    assert rest is not None
    assert rest[0] == pytest.approx(24.0, abs=1.1)
    assert rest[1] == pytest.approx(60.0, abs=1.1)


def test_too_short_a_rest_says_so() -> None:
    found = measure({"boom": record(still(8))})["boom"]
    assert isinstance(found, str)
    assert "at least 20 s" in found
