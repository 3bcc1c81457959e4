"""Noise figures of sensors from a still recording, and what they mean for filters and descriptions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tipdatum.calibration.allan import NoiseTerms, fit, lengths, overlapping
from tipdatum.calibration.recordings import Samples
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2, Array

SHORTEST_S = 20.0
"""Still time below which no figure is worth writing."""

STILL_RATIO = 3.0
"""A second belongs to the rest while its scatter is below this many times the quietest tenth's."""

MOVED_MPS2 = 0.05
"""How far a second's mean may lie from the rest's: 0.3° of turn."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Allan deviation of one channel (mean over its three axes) and the terms it shows."""

    channel: str
    unit: str
    tau: Array
    sigma: Array
    terms: NoiseTerms

    @property
    def quietest_s(self) -> float:
        """Averaging time of the smallest deviation: averaging longer gains nothing."""
        return float(self.tau[int(np.argmin(self.sigma))])


@dataclass(frozen=True, slots=True)
class SensorNoise:
    """One sensor's figures from its longest rest."""

    sensor: str
    start_s: float
    end_s: float
    rate_hz: float
    accel: Curve
    gyro: Curve | None

    @property
    def still_s(self) -> float:
        """Length of the rest, s."""
        return self.end_s - self.start_s

    def description(self) -> dict[str, Any]:
        """`[sensor.X.noise]` keys with two significant figures."""
        found = {"accel_mps2_rthz": float(f"{self.accel.terms.density:.2g}")}
        if self.gyro is not None:
            found["gyro_radps_rthz"] = float(f"{self.gyro.terms.density:.2g}")
        return found

    def tilt_deg(self, averaging_s: float) -> float:
        """1-sigma of a tilt averaged over that time at rest, from white noise alone, degrees."""
        return math.degrees(self.accel.terms.random_walk / math.sqrt(averaging_s) / STANDARD_GRAVITY_MPS2)

    def crossover_s(self) -> float | None:
        """Complementary time constant at which gyro drift and accelerometer noise weigh the same.

        Over T the gyro's random walk adds N_g √T, its bias instability B_g T and its rate random walk
        K_g √(T³/3) to the angle, while the accelerometer averaged over T leaves N_a / (g √T). At rest only:
        motion asks for longer ones.
        """
        if self.gyro is None:
            return None
        times = np.geomspace(0.05, 200.0, 400)
        n, b, k = (
            self.gyro.terms.random_walk,
            self.gyro.terms.bias_instability,
            self.gyro.terms.rate_random_walk,
        )
        drift = np.sqrt(n**2 * times + b**2 * times**2 + k**2 * times**3 / 3.0)
        level = self.accel.terms.random_walk / np.sqrt(times) / STANDARD_GRAVITY_MPS2
        return float(times[int(np.argmin(np.abs(np.log(np.maximum(drift, 1e-15) / level))))])


def longest_rest(samples: Samples) -> tuple[float, float] | None:
    """Start and end of the longest stretch without motion, by seconds; None if there is hardly any."""
    seconds = np.floor(samples.t - samples.t[0]).astype(int)
    count = int(seconds[-1]) + 1
    edges = np.searchsorted(seconds, np.arange(count + 1))
    scatter, mean = np.full(count, np.inf), np.zeros((count, 3))
    for i in range(count):
        part = samples.accel[edges[i] : edges[i + 1]]
        if len(part) > 4:
            scatter[i] = float(part.std(axis=0).max())
            mean[i] = part.mean(axis=0)
    calm = scatter < STILL_RATIO * np.quantile(scatter[np.isfinite(scatter)], 0.1) + 1e-9
    best, start = (0, 0), 0
    for i in range(count):
        if not calm[i]:
            start = i + 1
            continue
        if i > start and np.linalg.norm(mean[i] - mean[start:i].mean(axis=0)) > MOVED_MPS2:
            start = i
        if i + 1 - start > best[1] - best[0]:
            best = (start, i + 1)
    if best[1] - best[0] < 2:
        return None
    return float(samples.t[0] + best[0]), float(samples.t[0] + best[1])


def measure(samples: Mapping[str, Samples]) -> dict[str, SensorNoise | str]:
    """Figures for each sensor, or a sentence that says why there are none."""
    found: dict[str, SensorNoise | str] = {}
    for name, s in samples.items():
        rest = longest_rest(s)
        if rest is None or rest[1] - rest[0] < SHORTEST_S:
            long = 0.0 if rest is None else rest[1] - rest[0]
            found[name] = (
                f"only {long:.0f} s without motion; at least {SHORTEST_S:.0f} s are needed, an hour is good"
            )
            continue
        part = s.between(*rest)
        period = float(np.median(np.diff(s.t[part])))
        gyro = None if s.gyro is None else _curve("gyro", "rad/s", s.gyro[part], period)
        accel = _curve("accelerometer", "m/s²", s.accel[part], period)
        found[name] = SensorNoise(name, *rest, 1.0 / period, accel, gyro)
    return found


def _curve(channel: str, unit: str, values: Array, period: float) -> Curve:
    m = lengths(len(values))
    variances = np.mean([overlapping(values[:, k], m) ** 2 for k in range(3)], axis=0)
    tau, sigma = m * period, np.sqrt(variances)
    return Curve(channel, unit, tau, sigma, fit(tau, sigma, 3 * len(values), period))
