"""Errors of inclinometers that stay as they are: mount, bias, the machine taken as level.

A bias b of the sensing element shows as b · d(θ)/g with d = (cos θ, sin θ) for its two axes in the arm plane,
a mount error m in every posture alike. Where mounts were levelled to gravity at θ_L, what is left there is
the levelling's error m alone, and elsewhere

    e(θ) = m + b · (d(θ) - d(θ_L))/g     cov(e(θ), e(θ')) = σ_m² + σ_b²/g² · (d(θ) - d_L) · (d(θ') - d_L)

From the resolution of a constant vector in turned axes; without a levelling d_L is nought.
"""

from __future__ import annotations

import math

from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.tuning import ChainOptions

OFFSET_RAD = math.radians(0.1)
"""1-sigma of a tilt part's own offset where the description gives no bias: makers of inclinometers calibrate
it, low-cost data sheets say 0.05° to 0.3° (from memory)."""


class StandingErrors:
    """Covariance of the standing errors of N angles and of the roll between two postures."""

    def __init__(self, channels: list[Channel], roll_sigma: float, options: ChainOptions) -> None:
        """Mounts are what their description says, or fitted by eye until `level` is told.

        Args:
            roll_sigma: rad, what stands for the roll's error where no sensor tells it.
        """
        self._channels, self._options = channels, options
        self._unstated_deg = options.mount_sigma_deg
        self._bias = [_offset(ch) ** 2 for ch in channels]
        self._levelled = [(0.0, 0.0)] * len(channels)
        self._mount = [self._sigma(ch) ** 2 for ch in channels]
        self._unrolled = roll_sigma**2

    def _sigma(self, channel: Channel) -> float:
        stated = channel.sensor.mount_sigma_deg
        return math.radians(self._unstated_deg if stated is None else stated)

    def level(self, theta: list[float]) -> None:
        """Mounts without a stated sigma were levelled to gravity in the posture `theta` (N,) rad."""
        self._unstated_deg = self._options.levelling_sigma_deg
        for i, (channel, angle) in enumerate(zip(self._channels, theta, strict=True)):
            self._mount[i] = self._sigma(channel) ** 2
            if channel.sensor.mount_sigma_deg is None:
                self._levelled[i] = (math.cos(angle), math.sin(angle))

    def between(self, theta: list[float], other: list[float], roll_from: Channel | None) -> list[float]:
        """(N + 1) rad²: covariance of each angle's error at `theta` with its own at `other`, roll last.

        Args:
            roll_from: the sensor that tells the roll.
        """
        found = []
        for one, two, mount, bias, (c, s) in zip(
            theta, other, self._mount, self._bias, self._levelled, strict=True
        ):
            alike = (math.cos(one) - c) * (math.cos(two) - c) + (math.sin(one) - s) * (math.sin(two) - s)
            found.append(mount + bias * alike)
        return [*found, self._unrolled if roll_from is None else self._sigma(roll_from) ** 2]


def _offset(channel: Channel) -> float:
    noise = channel.sensor.noise
    told = "accel_bias_mps2" in noise.model_fields_set
    return noise.accel_bias_mps2 / channel.gravity if told else OFFSET_RAD
