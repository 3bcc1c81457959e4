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
        # About the first reading, so that squares of small differences keep their digits. Axis by axis, since
        # every reading of a live run passes here.
        (x, y, z), (x0, y0, z0) = reading.accel_mps2, sums.about
        x, y, z = x - x0, y - y0, z - z0
        accel, squares, gyro = sums.accel, sums.squares, sums.gyro
        accel[0] += x
        accel[1] += y
        accel[2] += z
        squares[0] += x * x
        squares[1] += y * y
        squares[2] += z * z
        if reading.gyro_radps is None:
            sums.gyro = None
        elif gyro is not None:
            x, y, z = reading.gyro_radps
            gyro[0] += x
            gyro[1] += y
            gyro[2] += z
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
