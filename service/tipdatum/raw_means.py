"""Half-second means of raw readings, for a calibration over the live bus."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from tipdatum.bus.messages import Raw
from tipdatum_drivers.reading import Imu, Vector

BLOCK_S = 0.5


@dataclass(slots=True)
class _Sums:
    """What has been added up of one sensor since `t0`."""

    t0: float
    t1: float = 0.0
    n: int = 0
    accel: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    squares: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    gyro: list[float] | None = field(default_factory=lambda: [0.0, 0.0, 0.0])
    about: Vector = (0.0, 0.0, 0.0)


class RawMeans:
    """Means of every inertial sensor over about half a second, in its own axes, nothing taken off."""

    def __init__(self) -> None:
        self._open: dict[str, _Sums] = {}

    def add(self, reading: Imu) -> Raw | None:
        """Take a reading; the block before it if that is full."""
        sums = self._open.get(reading.sensor)
        done = None
        if sums is not None and reading.t - sums.t0 >= BLOCK_S:
            done = _raw(reading.sensor, sums)
            sums = None
        if sums is None:
            sums = self._open[reading.sensor] = _Sums(reading.t, about=reading.accel_mps2)
        sums.t1 = reading.t
        sums.n += 1
        for i, (value, first) in enumerate(zip(reading.accel_mps2, sums.about, strict=True)):
            # About the first reading, so that squares of small differences keep their digits.
            sums.accel[i] += value - first
            sums.squares[i] += (value - first) ** 2
        if reading.gyro_radps is None:
            sums.gyro = None
        elif sums.gyro is not None:
            for i, value in enumerate(reading.gyro_radps):
                sums.gyro[i] += value
        return done


def _raw(sensor: str, sums: _Sums) -> Raw:
    n = sums.n
    means = [s / n for s in sums.accel]
    spread = [math.sqrt(max(0.0, q / n - m * m)) for q, m in zip(sums.squares, means, strict=True)]
    return Raw(
        sensor=sensor,
        t0=round(sums.t0, 6),
        t1=round(sums.t1, 6),
        n=n,
        accel_mps2=[round(first + m, 6) for first, m in zip(sums.about, means, strict=True)],
        spread_mps2=[round(s, 6) for s in spread],
        gyro_radps=None if sums.gyro is None else [round(g / n, 7) for g in sums.gyro],
    )
