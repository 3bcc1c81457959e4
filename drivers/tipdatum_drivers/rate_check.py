"""Does a gyro agree with the change of tilt that the accelerometer of the same part sees?

Compared from one quiet moment to the next: the direction of gravity as the gyro turned it, against the
direction that came. In between the arm may do what it likes, since an accelerating machine shows the
accelerometer a wrong tilt. The mean rate of the quiet moment is taken off as the gyro's offset. Turning about
the vertical says nothing, and neither does rest; agreement is judged once enough turning has been seen. A
dead gyro, a wrong sign, swapped axes or degrees taken for radians all end far below agreement 1.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median
from typing import Final

from tipdatum_drivers.reading import Vector

BLOCK_S: Final = 0.2
"""Length of a mean; longer than engine vibration, shorter than a stroke of the arm."""
QUIET_BLOCKS: Final = 5
QUIET_RAD: Final = 0.006
"""Means of the accelerometer that stand this close together for five blocks are a quiet moment."""
NEAR_G: Final = 0.05
"""Part of g by which |accel| may differ from 1 g in a quiet moment."""
LONGEST_S: Final = 15.0
"""A gyro of the cheapest kind has drifted by some degrees after this."""
LEAST_TURN: Final = 0.15
"""Change of the unit vector, about 9°, from which a comparison counts."""
VOTES: Final = 7
"""Comparisons of which the median is the judgement, since a quiet moment may have been none."""
LEAST_VOTES: Final = 4


class RateCheck:
    """Agreement between gyro and change of tilt of one IMU, readings in.

    Args:
        g: local gravity, m/s².
    """

    def __init__(self, g: float) -> None:
        self._g = g
        self._votes: deque[float] = deque(maxlen=VOTES)
        self.agreement: float | None = None
        """1 when both tell the same, 0 when they are unrelated, -1 for a turned sign; None: not yet known."""
        self.restart()

    def add(self, dt: float, accel: Vector, gyro: Vector) -> bool:
        """One reading, `dt` seconds after the one before; whether `agreement` has been looked at with it."""
        if not 0.0 <= dt <= BLOCK_S:
            self.restart()
            return False
        x, y, z = accel
        self._sx += x
        self._sy += y
        self._sz += z
        x, y, z = gyro
        self._rx += x * dt
        self._ry += y * dt
        self._rz += z * dt
        self._count += 1
        self._length += dt
        if self._length < BLOCK_S:
            return False
        self._close_block()
        return True

    def restart(self) -> None:
        """Compare nothing across a gap; what has been judged stays."""
        self._blocks: deque[tuple[Vector, Vector]] = deque(maxlen=QUIET_BLOCKS)
        """Mean accel and mean rate of the last blocks."""
        self._start: Vector | None = None
        self._told: Vector = (0.0, 0.0, 0.0)
        self._offset: Vector = (0.0, 0.0, 0.0)
        self._elapsed = 0.0
        self._clear_block()

    def _clear_block(self) -> None:
        self._sx = self._sy = self._sz = self._rx = self._ry = self._rz = self._length = 0.0
        self._count = 0

    def _close_block(self) -> None:
        n, length = self._count, self._length
        accel = (self._sx / n, self._sy / n, self._sz / n)
        rate = (self._rx / length, self._ry / length, self._rz / length)
        self._clear_block()
        self._blocks.append((accel, rate))
        if self._start is not None:
            turn = [(w - o) * length for w, o in zip(rate, self._offset, strict=True)]
            self._told = turned_back(self._told, (turn[0], turn[1], turn[2]))
            self._elapsed += length
            if self._elapsed > LONGEST_S:
                self._start = None
        up = self._quiet()
        if up is None:
            return
        if self._start is not None and self._elapsed > BLOCK_S * QUIET_BLOCKS:
            self._compare(self._start, up)
        self._start = self._told = up
        self._elapsed = 0.0
        sums = [sum(rate[axis] for _, rate in self._blocks) / QUIET_BLOCKS for axis in range(3)]
        self._offset = (sums[0], sums[1], sums[2])

    def _quiet(self) -> Vector | None:
        """The direction against gravity if the last blocks were a quiet moment."""
        if len(self._blocks) < QUIET_BLOCKS:
            return None
        x, y, z = self._blocks[-1][0]
        norm = math.sqrt(x * x + y * y + z * z)
        if abs(norm - self._g) > NEAR_G * self._g:
            return None
        if any(math.dist(accel, (x, y, z)) > QUIET_RAD * self._g for accel, _ in self._blocks):
            return None
        return (x / norm, y / norm, z / norm)

    def _compare(self, start: Vector, end: Vector) -> None:
        seen = (end[0] - start[0], end[1] - start[1], end[2] - start[2])
        told = (self._told[0] - start[0], self._told[1] - start[1], self._told[2] - start[2])
        most = max(_dot(seen, seen), _dot(told, told))
        if most >= LEAST_TURN**2:
            self._votes.append(_dot(seen, told) / most)
            if len(self._votes) >= LEAST_VOTES:
                self.agreement = median(self._votes)


def turned_back(vector: Vector, rotation: Vector) -> Vector:
    """A vector fixed in the world, as a body sees it after it turned by `rotation` (rotation vector, rad).

    Rodrigues' formula for the inverse rotation.
    """
    angle = math.sqrt(_dot(rotation, rotation))
    if angle < 1e-12:
        return vector
    x, y, z = rotation[0] / angle, rotation[1] / angle, rotation[2] / angle
    vx, vy, vz = vector
    c, s = math.cos(angle), -math.sin(angle)
    along = (x * vx + y * vy + z * vz) * (1.0 - c)
    return (
        vx * c + (y * vz - z * vy) * s + x * along,
        vy * c + (z * vx - x * vz) * s + y * along,
        vz * c + (x * vy - y * vx) * s + z * along,
    )


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
