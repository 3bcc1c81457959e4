"""Does the slew centre move? Its speed over the ground, integrated from calm moments of the arm.

In a calm moment the sensor on the upper feels gravity and its own errors alone. From there the next seconds
are reckoned by themselves: gravity is turned by the gyro, what is felt beyond it is acceleration, its
integral the sensor's velocity, and less ω × r that of the slew centre on the ground (so that rocking about
the tracks does not count, nor swinging). Gyro errors of 0.01 °/s and accelerometers of a hobby part leave
0.01 to 0.04 m/s after two seconds; what remains is the machine's own sway, which differs: the limit follows
what this machine showed.

A machine that creeps up to speed more slowly than the windows are long is missed, and so is one that shuffles
while the arm works without a calm second before.
"""

from __future__ import annotations

import math
from typing import Final, TypeAlias

from tipdatum.kinematics.frames import Array

Vector: TypeAlias = tuple[float, float, float]

STEP_S: Final = 0.05
"""Readings are averaged over so long, s: short against a rocking period, and a fifth of the work."""
CALM_S: Final = 1.0
"""How long the arm must have been calm before a window begins, and over what the mean of what is felt then is
taken, s: a rocking period."""
WINDOW_S: Final = 2.0
"""How long a window is reckoned on, s: an error of 0.1 ° of the lean grows to 0.035 m/s."""
WINDOWS: Final = 2
"""So many windows run at once, one beginning in the middle of the other."""
GYRO_S: Final = 10.0
"""Calm time over which the gyro's bias is averaged, s: a second of rocking leaves 0.2 °/s in a mean."""
SMOOTH_S: Final = 0.5
"""The speed is smoothed over so long, s: a knock moves nothing for long."""
SLEWING_RADPS: Final = math.radians(4.0)
"""Rate of turning above which the lever arm's errors spoil a window, rad/s."""

LEAST_MPS: Final = 0.12
"""Speed that never counts as travel, m/s: three times the most of a calm simulated day (0.04)."""
SWAY_FIRST_MPS: Final = 0.15
"""Sway that a machine is taken to have until it has shown its own, m/s: between a calm machine's 0.04 and the
most of twenty simulated ones (0.23, a machine with twelve metres of arm)."""
TIMES_SWAY: Final = 1.6
"""Speed counts from this multiple of the most that this machine showed of late."""
FORGET: Final = 0.03
"""Share of that which each window without travel takes away."""


class _Reckoning:
    """What was felt at its beginning, and the reckoning since, in the axes of the upper."""

    __slots__ = ("age", "gravity", "most", "size", "smooth", "still_rate", "velocity")

    def __init__(self, felt: Vector, still_rate: Vector) -> None:
        self.age = 0.0
        self.gravity = felt
        self.size = math.hypot(*felt)
        self.still_rate = still_rate
        self.velocity = self.smooth = (0.0, 0.0, 0.0)
        self.most = 0.0

    def step(self, felt: Vector, rate: Vector, lever: Vector, dt: float) -> float:
        """Speed of the slew centre after `dt` s more, m/s."""
        self.age += dt
        omega = _minus(rate, self.still_rate)
        gx, gy, gz = self.gravity
        tx, ty, tz = _cross(self.gravity, omega)
        gx, gy, gz = gx + tx * dt, gy + ty * dt, gz + tz * dt
        # Turning changes no length; the small steps do.
        keep = self.size / math.hypot(gx, gy, gz)
        self.gravity = (gx, gy, gz) = (gx * keep, gy * keep, gz * keep)
        ax, ay, az = _minus(felt, self.gravity)
        tx, ty, tz = _cross(self.velocity, omega)
        vx, vy, vz = self.velocity
        self.velocity = (vx + (ax + tx) * dt, vy + (ay + ty) * dt, vz + (az + tz) * dt)
        cx, cy, cz = _minus(self.velocity, _cross(omega, lever))
        up = (cx * gx + cy * gy + cz * gz) / (self.size * self.size)
        level = (cx - gx * up, cy - gy * up, cz - gz * up)
        share = 1.0 - math.exp(-dt / SMOOTH_S)
        sx, sy, sz = self.smooth
        lx, ly, lz = level
        self.smooth = (sx + share * (lx - sx), sy + share * (ly - sy), sz + share * (lz - sz))
        speed = math.hypot(*self.smooth)
        self.most = max(self.most, speed)
        return speed


class SlewCentre:
    """Fed with the readings of the sensor on the upper; says when the slew centre moves.

    Args:
        to_body: (3, 3) rotation from the sensor's axes to the upper's.
        position: of the sensor from the slew centre on the ground, m, in the upper's axes.
    """

    def __init__(self, to_body: Array, position: Vector) -> None:
        self._rows: list[list[float]] = to_body.tolist()
        self._lever = position
        self._sum: list[float] = [0.0] * 6
        self._count = 0
        self._from_t: float | None = None
        self._windows: list[_Reckoning] = []
        self._next_t = -math.inf
        self._calm_s = self._calm_ever_s = 0.0
        self._felt: Vector = (0.0, 0.0, 0.0)
        self._still_rate: Vector = (0.0, 0.0, 0.0)
        self._turning = 0.0
        self._sway = SWAY_FIRST_MPS
        self.speed = 0.0
        """Of the slew centre just now as far as it is known, m/s."""

    @property
    def limit(self) -> float:
        """Speed from which this machine travels, m/s."""
        return max(LEAST_MPS, TIMES_SWAY * self._sway)

    def forget(self) -> None:
        """What was felt so far does not count: a gap, or a moment that is known to be one of standing."""
        self._windows.clear()
        self._sum, self._count, self._from_t = [0.0] * 6, 0, None
        self._calm_s = 0.0
        self.speed = 0.0

    def hear(self, t: float, accel: Vector, gyro: Vector, calm: bool) -> bool:
        """Take one reading, in the sensor's axes; whether the slew centre moves.

        Args:
            calm: whether neither arm nor upper moves on its own.
        """
        if self._from_t is None or not 0.0 <= t - self._from_t < 0.3:
            self.forget()
            self._from_t = t
            return False
        total = self._sum
        for i in range(3):
            total[i] += accel[i]
            total[3 + i] += gyro[i]
        self._count += 1
        dt = t - self._from_t
        if dt < STEP_S:
            return False
        share = 1.0 / self._count
        felt, rate = self._turned(total[:3], share), self._turned(total[3:], share)
        self._sum, self._count, self._from_t = [0.0] * 6, 0, t
        return self._step(t, dt, felt, rate, calm)

    def _turned(self, vector: list[float], share: float) -> Vector:
        x, y, z = vector
        a, b, c = (share * (r[0] * x + r[1] * y + r[2] * z) for r in self._rows)
        return a, b, c

    def _step(self, t: float, dt: float, felt: Vector, rate: Vector, calm: bool) -> bool:
        self._take_calm(dt, felt, rate, calm)
        self._turning += (1.0 - math.exp(-dt / 0.15)) * (rate[2] - self._still_rate[2] - self._turning)
        if abs(self._turning) > SLEWING_RADPS:
            self._windows.clear()
        self.speed = 0.0
        for window in self._windows:
            self.speed = max(self.speed, window.step(felt, rate, self._lever, dt))
        if self.speed > self.limit:
            self._windows.clear()
            return True
        done = [window for window in self._windows if window.age >= WINDOW_S]
        for window in done:
            self._windows.remove(window)
            self._sway = max(window.most, self._sway + FORGET * (window.most - self._sway))
        if self._calm_s >= CALM_S and t >= self._next_t and len(self._windows) < WINDOWS:
            self._windows.append(_Reckoning(self._felt, self._still_rate))
            self._next_t = t + WINDOW_S / WINDOWS
        return False

    def _take_calm(self, dt: float, felt: Vector, rate: Vector, calm: bool) -> None:
        if not calm:
            self._calm_s = 0.0
            return
        self._calm_s += dt
        self._calm_ever_s += dt
        self._felt = _mixed(self._felt, felt, dt / min(self._calm_s, CALM_S))
        self._still_rate = _mixed(self._still_rate, rate, dt / min(self._calm_ever_s, GYRO_S))


def _mixed(mean: Vector, value: Vector, share: float) -> Vector:
    share = min(share, 1.0)
    (a, b, c), (x, y, z) = mean, value
    return a + share * (x - a), b + share * (y - b), c + share * (z - c)


def _minus(a: Vector, b: Vector) -> Vector:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _cross(a: Vector, b: Vector) -> Vector:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
