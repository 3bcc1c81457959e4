"""The curve of stated sigma: shares of normal errors are those of any table of the normal distribution."""

from __future__ import annotations

import numpy as np
import pytest

from tipdatum.display.report.calibration_curve import STEPS, honest, shares

TABLE = {0.5: 0.3829, 1.0: 0.6827, 1.5: 0.8664, 2.0: 0.9545, 2.5: 0.9876, 3.0: 0.9973}
"""Share of a normal distribution within k standard deviations, as statistical tables print it."""


def test_the_honest_curve_is_the_normal_distribution() -> None:
    found = dict(zip(STEPS.tolist(), honest().tolist(), strict=True))
    assert {k: found[k] for k in TABLE} == pytest.approx(TABLE, abs=5e-5)


@pytest.mark.parametrize(("stated", "at"), [(1.0, 1.0), (0.5, 2.0), (2.0, 0.5)])
def test_a_sigma_stated_too_narrow_or_wide_by_a_factor_shifts_the_curve_by_it(
    stated: float, at: float
) -> None:
    sigma = np.full(200_000, 0.004)
    error = np.random.default_rng(5).normal(0.0, 0.004, len(sigma))
    found = dict(zip(STEPS.tolist(), shares(error, stated * sigma).tolist(), strict=True))
    assert found[at] == pytest.approx(TABLE[1.0], abs=0.005)


def test_what_is_not_known_does_not_count() -> None:
    error = np.array([0.0, np.nan, 0.1])
    assert shares(error, np.array([0.01, 0.01, np.nan])).tolist() == [1.0] * len(STEPS)
    assert np.isnan(shares(error * np.nan, error)).all()
