"""What an estimator needs to know of one sensor: its calibration, its mount, whether it is silent.

A reading becomes a `Sample` in the axes of the body that carries the sensor:

    f = R · S · (a - offset)          specific force, m/s²
    ω = R · (s ∘ (g - offset))        angular rate, rad/s

with R the mount (sensor to body), S the calibrated 3x3 of the accelerometer and s the gyro's scale. The
sample's time is the reading's `t` (or the device's own `t_sample`) less the sensor's latency.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.parts import Sensor
from tipdatum_drivers.presence import Presence
from tipdatum_drivers.reading import Imu, Tilt, Vector

USUAL_JITTER_S: Final = 0.001
"""Jitter of a sample's time, s, that the filter's own figures cover."""
JITTER_SMOOTHING: Final = 0.02
"""Weight of a new interval in the running jitter of a sensor."""
LONGEST_S, LONGEST_FADES = 0.15, 0.005
"""Most that counts as time between readings of a restless stream, s, and how each of them forgets it."""
TEMPERATURE_SMOOTHING: Final = 0.01
"""Weight of a new temperature: it changes over minutes, in steps of up to half a kelvin."""


class Sample(NamedTuple):
    """One reading in the body's axes.

    Attributes:
        t: s, when the physical quantity was what it is.
        force: specific force, m/s²; for an inclinometer g times the `up` that its angles say.
        rate: angular rate, rad/s; None for a sensor without gyro.
    """

    t: float
    force: Vector
    rate: Vector | None


class Channel:
    """One tilt sensor's calibration and its bookkeeping of time.

    Args:
        presence: kept by whoever judges the readings; None: the channel keeps one of its own.
    """

    def __init__(self, name: str, sensor: Sensor, gravity: float, presence: Presence | None = None) -> None:
        self.name = name
        self._alone = presence is None
        self.presence = Presence.of(sensor) if presence is None else presence
        self.sensor = sensor
        self.gravity = gravity
        self.mount: Array = rotation_from_rpy_deg(sensor.mount_rpy_deg)
        scale = np.eye(3) if sensor.accel_scale is None else np.array(sensor.accel_scale)
        self._force = _affine(self.mount @ scale, np.array(sensor.accel_offset_mps2))
        self._rate = _affine(
            self.mount @ np.diag(sensor.gyro_scale),
            np.array(sensor.gyro_offset_radps),
        )
        self.force_turn, self.force_offset = _parts(self._force)
        self.rate_turn, self.rate_offset = _parts(self._rate)
        """Calibration and mount: a vector in the body's axes is turn @ (what the sensor gives) + offset."""
        if sensor.type == "tilt":
            self.force_turn, self.force_offset = self.mount, np.zeros(3)
        self.latency = sensor.latency_s
        self.tells_roll = True
        """Whether the sensor sees how its body rolls; a single-axis inclinometer does not."""
        self.last_t = self._last_sampled = -math.inf
        """When the last reading was taken, s; its sample."""
        self._unsteady = self._lost = 0.0
        self.longest = 0.0
        """Longest recent time between two readings, s, a silence left out."""
        self.warmed_k: float | None = None
        """By how much the part has warmed up since its first reading, K; None where it does not tell."""
        self._switched_on_c = 0.0

    def go_on_from(self, old: Channel) -> None:
        """Take over what a sensor of this name was like before its description changed."""
        self.last_t, self.presence, self._alone = old.last_t, old.presence, old._alone
        if self._alone:
            self.presence.describe(self.sensor)

    @property
    def period(self) -> float:
        """Time between readings, s; 0 until it is known."""
        return self.presence.period_s or 0.0

    def is_back(self, t: float) -> bool:
        """Whether a reading at `t`, not taken yet, ends a silence, or is the first."""
        return t - self.last_t > self.presence.stale_after_s

    def sample(self, reading: Imu | Tilt) -> Sample:
        """The reading in the body's axes; also notes that the sensor is alive."""
        t, force, rate = self.raw(reading)
        if isinstance(reading, Imu):
            return Sample(t, _apply(self._force, force), None if rate is None else _apply(self._rate, rate))
        x, y, z = force
        m = self.mount.tolist()
        return Sample(t, tuple(r[0] * x + r[1] * y + r[2] * z for r in m), None)

    def raw(self, reading: Imu | Tilt) -> tuple[float, Vector, Vector | None]:
        """What `Sample` tells, in the sensor's own axes; also notes that the sensor is alive."""
        self._note(reading.t)
        t = (reading.t if reading.t_sample is None else reading.t_sample) - self.latency
        period = self.period
        off = t - self._last_sampled - period
        self._last_sampled = t
        if off < 0.75 * period:
            self._unsteady += JITTER_SMOOTHING * (min(off * off, period * period) - self._unsteady)
            self._lost -= JITTER_SMOOTHING * self._lost
        elif off < LONGEST_S:
            self._lost += JITTER_SMOOTHING * (off * off - self._lost)
        if isinstance(reading, Imu):
            if reading.temp_c is not None:
                self._feel(reading.temp_c)
            return t, reading.accel_mps2, reading.gyro_radps
        x, y, z = up_from_tilt(reading)
        self.tells_roll = reading.angle_deg is None
        g = self.gravity
        return t, (g * x, g * y, g * z), None

    def _feel(self, temperature_c: float) -> None:
        if self.warmed_k is None:
            self._switched_on_c, self.warmed_k = temperature_c, 0.0
        change = temperature_c - self._switched_on_c
        self.warmed_k += TEMPERATURE_SMOOTHING * (change - self.warmed_k)

    def _note(self, t: float) -> None:
        step, self.last_t = t - self.last_t, t
        if self._alone:
            self.presence.heard(t)
            self.presence.used(t)
        if not 0.0 < step < math.inf:
            return
        if step > self.longest:
            self.longest = min(step, LONGEST_S)
        else:
            self.longest -= LONGEST_FADES * self.longest

    @property
    def jitter_variance(self) -> float:
        """Variance of the samples' times beyond what is usual, s²: an interval has that of two of them."""
        return max(0.0, 0.5 * self._unsteady - USUAL_JITTER_S**2)

    @property
    def gap_density(self) -> float:
        """What makes white noise, /Hz, of a vibration's variance where readings are lost, s.

        A straight line over one lost reading of a fast vibration of variance s² is wrong by s √1.5 there. A
        gap of a length L costs L² of the time L at the least, so that no gaps cost more than the longest.
        """
        if not (self._lost > 0.0 and self.period > 0.0):
            return 0.0
        return 1.5 * min(self._lost / self.period, LONGEST_S)

    def forget_time(self) -> None:
        """Start anew after the clock stepped back."""
        self.last_t = -math.inf
        if self._alone:
            self.presence.clock_stepped()


def up_from_tilt(tilt: Tilt) -> Vector:
    """The unit vector `up` in the sensor's own axes from the angles of an inclinometer.

    A single-axis part gives x and z of it and is taken as if it had no roll.
    """
    if tilt.angle_deg is not None:
        a = math.radians(tilt.angle_deg)
        return (math.sin(a), 0.0, math.cos(a))
    x = math.sin(math.radians(tilt.pitch_deg or 0.0))
    y = math.sin(math.radians(tilt.roll_deg or 0.0))
    return (x, y, math.sqrt(max(0.0, 1.0 - x * x - y * y)))


def _affine(matrix: Array, offset: Array) -> tuple[float, ...]:
    """Row by row: the nine entries of the matrix and the three of -matrix·offset."""
    return (*(float(v) for v in matrix.ravel()), *(float(v) for v in -matrix @ offset))


def _parts(affine: tuple[float, ...]) -> tuple[Array, Array]:
    return np.array(affine[:9]).reshape(3, 3), np.array(affine[9:])


def _apply(affine: tuple[float, ...], v: Vector) -> Vector:
    a, b, c, d, e, f, g, h, i, x0, y0, z0 = affine
    x, y, z = v
    return (a * x + b * y + c * z + x0, d * x + e * y + f * z + y0, g * x + h * y + i * z + z0)
