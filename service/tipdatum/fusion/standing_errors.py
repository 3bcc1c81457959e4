"""Errors of inclinometers that stay as they are: mount, bias, the machine taken as level.

A bias b of the sensing element shows as b · d(θ)/g with d = (cos θ, sin θ) for its two axes in the arm plane,
a mount error m in every posture alike. Where mounts were levelled to gravity at θ_L, what is left there is
the levelling's error m alone, and elsewhere

    e(θ) = m + b · (d(θ) - d(θ_L))/g     cov(e(θ), e(θ')) = σ_m² + σ_b²/g² · (d(θ) - d_L) · (d(θ') - d_L)

From the resolution of a constant vector in turned axes; without a levelling d_L is nought.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array


class StandingErrors:
    """Covariance of the standing errors of N angles and of the roll between two postures."""

    def __init__(
        self, channels: list[Channel], roll: Channel | None, roll_sigma: float, options: ChainOptions
    ) -> None:
        """Mounts are what their description says, or fitted by eye until `level` is told.

        Args:
            roll: the sensor that tells the roll, None where none does and `roll_sigma` (rad) stands for it.
        """
        self._channels, self._options = channels, options
        self._bias = np.array([ch.sensor.noise.accel_bias_mps2 / ch.gravity for ch in channels])
        self._levelled = np.zeros((2, len(channels)))
        self._roll, self._roll_sigma = roll, roll_sigma
        self._set(options.mount_sigma_deg)

    def _set(self, unstated_deg: float) -> None:
        def sigma(ch: Channel) -> float:
            stated = ch.sensor.mount_sigma_deg
            return math.radians(unstated_deg if stated is None else stated)

        mounts = [sigma(ch) for ch in self._channels]
        self._mount = np.array([*mounts, self._roll_sigma if self._roll is None else sigma(self._roll)])

    def level(self, theta: Array) -> None:
        """Mounts without a stated sigma were levelled to gravity in the posture `theta` (N,) rad."""
        self._set(self._options.levelling_sigma_deg)
        fitted = np.array([ch.sensor.mount_sigma_deg is None for ch in self._channels])
        self._levelled = np.stack([np.cos(theta), np.sin(theta)]) * fitted

    def between(self, theta: Array, other: Array) -> Array:
        """(N + 1,) rad²: covariance of each angle's error at `theta` with its own at `other`, roll last."""
        one, two = (np.stack([np.cos(a), np.sin(a)]) - self._levelled for a in (theta, other))
        own = self._mount**2
        own[:-1] += self._bias**2 * (one * two).sum(0)
        return own
