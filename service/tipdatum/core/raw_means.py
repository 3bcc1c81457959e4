"""Half-second means of raw readings, for a calibration over the live bus."""

from __future__ import annotations

import math

from tipdatum.bus.messages import Raw
from tipdatum_drivers.reading import Imu

BLOCK_S = 0.5


class RawMeans:
    """Means of every inertial sensor over about half a second, in its own axes, nothing taken off.

    Readings are only kept until their block is full: every one of a live run passes here.
    """

    def __init__(self) -> None:
        self._kept: dict[str, list[Imu]] = {}

    def add(self, reading: Imu) -> Raw | None:
        """Take a reading; the block before it if that is full."""
        block = self._kept.get(reading.sensor)
        if block is not None and 0.0 <= reading.t - block[0].t < BLOCK_S:
            block.append(reading)
            return None
        self._kept[reading.sensor] = [reading]
        return None if block is None else _raw(block)


def _raw(block: list[Imu]) -> Raw:
    n = len(block)
    accel, spread = [], []
    for column in zip(*[reading.accel_mps2 for reading in block], strict=True):
        # About the first reading, so that squares of small differences keep their digits.
        first = column[0]
        away = [v - first for v in column]
        mean = sum(away) / n
        accel.append(round(first + mean, 6))
        spread.append(round(math.sqrt(max(0.0, sum([v * v for v in away]) / n - mean * mean)), 6))
    rates = [reading.gyro_radps for reading in block if reading.gyro_radps is not None]
    return Raw(
        sensor=block[0].sensor,
        t0=round(block[0].t, 6),
        t1=round(block[-1].t, 6),
        n=n,
        accel_mps2=accel,
        spread_mps2=spread,
        gyro_radps=[round(sum(w) / n, 7) for w in zip(*rates, strict=True)] if len(rates) == n else None,
    )
