"""Propagation of uncertainty against the worked example H.2 of the GUM (JCGM 100:2008).

Resistance, reactance and impedance from five simultaneous readings of voltage, current and phase. Readings
and results as printed in tables H.2 to H.4, quoted from memory; the results follow from the readings, so a
slip of memory would show as a contradiction.
"""

from __future__ import annotations

import numpy as np
import pytest

from tipdatum.calibration.statistics import propagated

VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIAN = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_combined_uncertainties_with_correlation_are_the_printed_ones() -> None:
    readings = np.stack([VOLT, AMPERE, RADIAN])
    v, i, p = readings.mean(axis=1)
    covariance = np.cov(readings) / readings.shape[1]
    z, c, s = v / i, np.cos(p), np.sin(p)
    J = np.array([[c / i, -z * c / i, -z * s], [s / i, -z * s / i, z * c], [1.0 / i, -z / i, 0.0]])
    assert (z * c, z * s, z) == pytest.approx((127.732, 219.847, 254.260), abs=5e-4)
    assert np.sqrt(propagated(J, covariance)) == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
