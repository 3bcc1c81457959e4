"""Allan deviation of a sensor at rest, and the noise terms that its slopes show.

For rates y (N,) sampled every τ0 the overlapping Allan variance at τ = m·τ0 is

    σ²(τ) = 1 / (2 m² (N - 2m + 1)) · Σ_k ( Σ_{i=k}^{k+m-1} (y_{i+m} - y_i) )²

(NIST Special Publication 1065, section 5.2.4, in terms of averages instead of phase). The terms are those
of IEEE 952 by slope of σ(τ): quantisation -1, random walk -1/2, bias instability 0, rate random walk +1/2,
rate ramp +1:

    σ²(τ) = 3 Q²/τ² + N²/τ + (2 ln 2/π) B² + K² τ/3 + R² τ²/2
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from tipdatum.kinematics.frames import Array

TERMS = ("quantisation", "random walk", "bias instability", "rate random walk", "rate ramp")

SHARE = 0.1
"""A term is named where it makes at least this part of the variance somewhere."""


def overlapping(y: ArrayLike, m: ArrayLike) -> Array:
    """Overlapping Allan deviation.

    Args:
        y: (N,) rates. m: (K,) averaging lengths in samples, each at most N / 2.

    Returns:
        (K,) in units of `y`; NaN where `m` is too long.
    """
    rates = np.asarray(y, dtype=float)
    total = np.concatenate([[0.0], np.cumsum(rates - rates.mean())])
    n = len(rates)
    found = []
    for k in np.asarray(m, dtype=int).ravel():
        if k < 1 or 2 * k > n:
            found.append(math.nan)
            continue
        second = total[2 * k :] - 2.0 * total[k:-k] + total[: -2 * k]
        found.append(math.sqrt(float(second @ second) / (2.0 * k * k * len(second))))
    return np.array(found)


def plain(y: ArrayLike, m: int) -> float:
    """Allan deviation from neighbouring averages that do not overlap, in units of `y`."""
    rates = np.asarray(y, dtype=float)
    means = rates[: len(rates) // m * m].reshape(-1, m).mean(axis=1)
    return float(math.sqrt(np.mean(np.diff(means) ** 2) / 2.0))


def lengths(n: int, per_octave: int = 3) -> Array:
    """Averaging lengths in samples from 1 to a ninth of the record, where a tenth of σ is still known."""
    octaves = math.log2(max(n / 9.0, 1.0))
    steps = np.arange(0.0, octaves + 1e-9, 1.0 / per_octave)
    return np.unique(np.round(2.0**steps).astype(int))


@dataclass(frozen=True, slots=True)
class NoiseTerms:
    """Coefficients of the model above, SI of the rates' unit with seconds; 0 where a term is not seen.

    `shares` are each term's largest share of the variance over the record's averaging times.
    """

    quantisation: float
    random_walk: float
    bias_instability: float
    rate_random_walk: float
    rate_ramp: float
    shares: tuple[float, ...]

    @property
    def density(self) -> float:
        """White noise as data sheets give it, unit/√Hz (one-sided): √2 times the random walk N."""
        return math.sqrt(2.0) * self.random_walk

    def named(self) -> list[str]:
        """Terms that matter somewhere, in order of slope."""
        return [name for name, share in zip(TERMS, self.shares, strict=True) if share >= SHARE]


def fit(tau: ArrayLike, sigma: ArrayLike, samples: int, period_s: float) -> NoiseTerms:
    """Noise terms by non-negative least squares on the variances, each weighted by how well it is known.

    Args:
        tau: (K,) s. sigma: (K,) Allan deviations. samples: in the record. period_s: between them.
    """
    t, s = np.asarray(tau, dtype=float), np.asarray(sigma, dtype=float)
    basis = np.stack(
        [3.0 / t**2, 1.0 / t, np.full_like(t, 2.0 * math.log(2.0) / math.pi), t / 3.0, t**2 / 2.0], axis=-1
    )
    # Relative 1-sigma of an Allan variance: about √(2 m / N), never better than the model itself.
    relative = np.maximum(np.sqrt(2.0 * t / (samples * period_s)), 0.03)
    weight = 1.0 / (np.maximum(s, 1e-300) ** 2 * relative)
    scale = np.linalg.norm(basis * weight[:, None], axis=0)
    solved, _ = nnls(basis * weight[:, None] / scale, s**2 * weight)
    squares = solved / scale
    parts = basis * squares
    share = parts / np.maximum(parts.sum(axis=1, keepdims=True), 1e-300)
    # Where the record is short against τ, a bend of the curve is chance and names nothing.
    shares = np.where(share > 2.0 * relative[:, None], share, 0.0).max(axis=0)
    q, n, b, k, r = np.sqrt(squares)
    return NoiseTerms(float(q), float(n), float(b), float(k), float(r), tuple(float(v) for v in shares))
