"""Simulated recordings of a sensor in a hand that moves and puts it down, with what low-cost parts do wrong.

Attitude and place are random, band-limited, and come back to where they lay; the sensor turns and shifts
between rests. Its errors, 1-sigma: accelerometer bias 0.02 m/s², scale and cross-axis errors of both parts
0.2 %, gyro bias 0.3 °/s, of it 0.02 °/s per g by attitude, white noise of 3·10⁻³ m/s²/√Hz and
10⁻⁴ rad/s/√Hz. Typical of low-cost parts: common practice, no source; noise as in the rests of the BROAD
recordings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]
GRAVITY = 9.81
RATE_HZ, PER_SAMPLE = 285.7, 3
"""The part's own rate, and how many of its readings are averaged to one sample."""
TURNING_DEGPS, SHIFT_M = (50.0, 70.0, 100.0, 190.0), (0.04, 0.08, 0.15)
"""Of which a seed takes the next, RMS."""
BAND_HZ = 0.6
MOTIONS = ([(40.0, 165.0)], [(30.0, 65.0), (73.0, 100.0), (122.0, 147.0), (155.0, 178.0)])
"""Spans of motion in `LENGTH_S`, s: one long, or several."""
LENGTH_S = 200.0


@dataclass(frozen=True)
class Recording:
    """One trial: s, rad/s, m/s², true `up` in the sensor's axes (NaN where unseen), whether it moved."""

    period: float
    gyro: Array
    accel: Array
    up: Array
    moving: NDArray[np.bool_]


def simulated(seed: int) -> Recording:
    """One hand: the same seed makes the same."""
    rng = np.random.default_rng(seed)
    dt = 1.0 / RATE_HZ
    n = int(LENGTH_S * RATE_HZ) // PER_SAMPLE * PER_SAMPLE
    t = np.arange(n) * dt
    spans = MOTIONS[seed % len(MOTIONS)]
    moved = np.any([(t > a) & (t < b) for a, b in spans], axis=0).astype(float)
    share = np.clip((_low_pass(moved, 1.0) - 0.05) / 0.9, 0.0, 1.0)[:, None]

    turn = _low_pass(rng.standard_normal((n, 3)), BAND_HZ / 2)
    turn *= np.radians(TURNING_DEGPS[seed % 4]) / np.sqrt(3.0) / np.gradient(turn, dt, axis=0).std()
    attitude = Rotation.from_rotvec(turn * share) * Rotation.from_rotvec(rng.normal(0.0, 0.02, 3))
    rate = (attitude[:-1].inv() * attitude[1:]).as_rotvec() / dt
    rate = np.vstack([rate, rate[-1]])
    place = _low_pass(rng.standard_normal((n, 3)), BAND_HZ)
    place *= SHIFT_M[seed % 3] / place.std() * share
    pushed = np.gradient(np.gradient(place, dt, axis=0), dt, axis=0)
    force = attitude.inv().apply(pushed + np.array([0.0, 0.0, GRAVITY]))

    def wrong(true: Array, bias: float, density: float) -> Array:
        skew = np.eye(3) + rng.normal(0.0, 0.002, (3, 3))
        white = rng.normal(0.0, density * np.sqrt(RATE_HZ), true.shape)
        return np.asarray(true @ skew.T + rng.normal(0.0, bias, 3) + white)

    by_attitude = force / GRAVITY @ rng.normal(0.0, np.radians(0.02), (3, 3))
    gyro = wrong(rate, np.radians(0.3), 1e-4) + by_attitude
    accel = wrong(force, 0.02, 3e-3)
    up = attitude[PER_SAMPLE - 1 :: PER_SAMPLE].inv().apply([0.0, 0.0, 1.0])
    return Recording(dt * PER_SAMPLE, _mean(gyro), _mean(accel), up, _mean(share)[:, 0] > 0.01)


def _low_pass(x: Array, corner_hz: float) -> Array:
    """Butterworth of fourth order in all, without delay."""
    return np.asarray(sosfiltfilt(butter(2, corner_hz, fs=RATE_HZ, output="sos"), x, axis=0))


def _mean(x: Array) -> Array:
    return np.asarray(x.reshape(-1, PER_SAMPLE, x.shape[1]).mean(axis=1))
