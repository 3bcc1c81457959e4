"""Allan deviation against NIST's published test set and against an independent library.

The 1000-point set and its deviations: W. J. Riley, *Handbook of Frequency Stability Analysis*, NIST Special
Publication 1065 (2008), section 12.4: n0 = 1234567890, n(i+1) = 16807 n(i) mod 2147483647,
y(i) = n(i) / 2147483647. The nine-point set is NBS Monograph 140's ("NBS14").
"""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from tipdatum.calibration.allan import lengths, overlapping, plain

NBS14 = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])


@pytest.fixture(scope="module")
def thousand() -> np.ndarray:
    numbers = [1234567890]
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % 2147483647)
    return np.array(numbers) / 2147483647.0


@pytest.mark.parametrize(("m", "published"), [(1, 2.922319e-1), (10, 9.965736e-2), (100, 3.897804e-2)])
def test_plain_deviation_of_the_thousand_points(thousand: np.ndarray, m: int, published: float) -> None:
    assert plain(thousand, m) == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize(("m", "published"), [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)])
def test_overlapping_deviation_of_the_thousand_points(thousand: np.ndarray, m: int, published: float) -> None:
    assert overlapping(thousand, [m])[0] == pytest.approx(published, rel=1e-6)


def test_deviations_of_the_nine_points() -> None:
    assert plain(NBS14, 1) == pytest.approx(91.22945, rel=1e-6)
    assert plain(NBS14, 2) == pytest.approx(115.8082, rel=1e-6)
    assert overlapping(NBS14, [2])[0] == pytest.approx(85.95287, rel=1e-6)


def test_coloured_noise_agrees_with_the_library_at_every_length() -> None:
    rng = np.random.default_rng(8)
    y = rng.normal(size=3000) + np.cumsum(rng.normal(size=3000)) * 0.02
    m = lengths(len(y))
    _, expected, _, _ = allantools.oadev(y, rate=100.0, data_type="freq", taus=m / 100.0)
    np.testing.assert_allclose(overlapping(y, m), expected, rtol=1e-9)
